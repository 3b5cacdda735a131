"""What may stand in a cell, and what to say when something else does."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from typing import Annotated, Any, Self

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError
from pydantic_core import ErrorDetails, PydanticCustomError

from forecast.errors import Fault, Refused
from forecast.rates.levels import Level
from forecast.weeks import Week

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")


def wrong(problem: str, remedy: str, column: str = "", value: object = None) -> PydanticCustomError:
    """Make the error by which a check of a row tells its problem and the remedy."""
    context = {"problem": problem, "remedy": remedy, "column": column, "value": value}
    return PydanticCustomError("wrong", "{problem}", context)


def _number(cell: Any) -> Any:
    if not isinstance(cell, str):
        return cell
    text = cell.strip()
    if _NUMBER.fullmatch(text):
        return float(text)
    if text.endswith("%"):
        raise wrong("a percentage", f"Write the share itself: {_hundredth(text[:-1])}.")
    if re.fullmatch(r"[+-]?\d+,\d+", text):
        raise wrong("a decimal comma in a file separated by commas", f"Write {text.replace(',', '.')}.")
    if text.lower().lstrip("+-") in ("nan", "inf", "infinity", "na", "n/a"):
        raise wrong("not a number that can be used", "Give a finite number, or leave the cell empty if that is allowed.")
    raise wrong("not a number", "Write digits with a decimal point, without unit or spaces, such as 12.5.")


def _hundredth(text: str) -> str:
    return f"{float(text) / 100:g}" if _NUMBER.fullmatch(text.strip()) else "0.85 for 85 %"


def _finite(number: float) -> float:
    if not math.isfinite(number):
        raise wrong("not a number that can be used", "Give a finite number.")
    return number


def _share(cell: Any) -> Any:
    number = _number(cell)
    if isinstance(number, int | float) and 1 < number <= 100:
        raise wrong("a share lies between 0 and 1", f"For {number:g} % write {number / 100:g}.")
    return number


def _whole(cell: Any) -> Any:
    number = _number(cell)
    if isinstance(number, float) and math.isfinite(number):
        if number != int(number):
            raise wrong("not a whole number", f"Write {round(number)}, for example.")
        return int(number)
    return number


def _parsed(parse: Callable[[Any], Any]) -> BeforeValidator:
    def read(cell: Any) -> Any:
        try:
            return parse(cell)
        except Refused as error:
            raise wrong(error.faults[0].problem, error.faults[0].remedy) from error

    return BeforeValidator(read)


Text = Annotated[str, Field(min_length=1, max_length=200)]
Number = Annotated[float, BeforeValidator(_number), AfterValidator(_finite)]
FromZero = Annotated[Number, Field(ge=0)]
AboveZero = Annotated[Number, Field(gt=0)]
ShareCell = Annotated[float, BeforeValidator(_share), AfterValidator(_finite), Field(ge=0, le=1)]
Whole = Annotated[int, BeforeValidator(_whole), Field(ge=0, le=10**9)]
Counted = Annotated[int, BeforeValidator(_whole), Field(ge=1, le=10**9)]
WeekCell = Annotated[Week, _parsed(Week.parse)]
LevelCell = Annotated[Level, _parsed(Level.parse)]


class Row(BaseModel):
    """One row of a table, checked when it is made and never changed after.

    Raises
    ------
    Refused
        If any cell cannot be used; every fault of the row is listed.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)

    def __init__(self, /, **cells: Any) -> None:
        try:
            super().__init__(**cells)
        except ValidationError as error:
            table = type(self).__name__
            raise Refused([_fault(detail, type(self), table, cells) for detail in error.errors()]) from None

    def replace(self, **changes: Any) -> Self:
        """Make a row that differs in the named cells; it is checked like any other."""
        return type(self)(**{**self.given(), **changes})

    def given(self) -> dict[str, Any]:
        """Give the cells that are filled, by column."""
        return {name: value for name in type(self).model_fields if (value := getattr(self, name)) is not None}


def _fault(detail: ErrorDetails, row: type[BaseModel], table: str, cells: Mapping[str, Any]) -> Fault:
    context = detail.get("ctx", {})
    column = str(detail["loc"][0]) if detail["loc"] else str(context.get("column", ""))
    value = cells.get(column) if detail["loc"] else context.get("value")
    if detail["type"] == "wrong":
        return Fault(context["problem"], context["remedy"], table, None, column, value)
    if detail["type"] == "missing":
        return Fault("nothing stands here", "Fill it in; this column is needed.", table, None, column)
    if detail["type"] == "extra_forbidden":
        known = ", ".join(row.model_fields)
        return Fault("there is no such column", f"The columns are {known}.", table, None, column, value)
    problem, remedy = _RANGES.get(detail["type"], ("cannot be used", "{msg}."))
    words = {**context, "msg": detail["msg"]}
    return Fault(problem.format(**words), remedy.format(**words), table, None, column, value)


_RANGES = {
    "greater_than": ("not above {gt:g}", "Give a number above {gt:g}."),
    "greater_than_equal": ("below {ge:g}", "Give a number from {ge:g}."),
    "less_than_equal": ("above {le:g}", "Give a number up to {le:g}."),
    "literal_error": ("not one of the words for this column", "Write {expected}."),
    "string_too_short": ("nothing stands here", "Fill it in; this column is needed."),
    "string_too_long": ("too long", "Shorten it to {max_length} characters."),
    "string_type": ("not a text", "Write a text."),
    "string_pattern_mismatch": ("not in the form that is needed", "Write it like {pattern}."),
}
