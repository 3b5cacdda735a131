"""What each column of a table means and may hold, from the rows of the code."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from types import UnionType
from typing import Annotated, Any, Literal, NamedTuple, Union, get_args, get_origin

from annotated_types import Ge, Gt, Le, Lt

from forecast.rates.by_cycle import ByCycle
from forecast.rates.levels import Level
from forecast.season.cells import LEAST, Currency, Row, Unit
from forecast.starter.remarks import parameters
from forecast.weather.station import COLDEST, WARMEST
from forecast.weeks import Week

MOST = 10**9
"""What any number may be at most."""
FILLED = ("varieties", "price_list", "targets")
"""Tables that a grower fills."""
SETTINGS = "season"
"""Name of the settings of a season, beside those of its tables."""
_EMPTY = re.compile(r" ?(?:\b([A-Z][a-z]+ (?:\w+ )?)empty|\bEmpty(?: or no)?): ([^.]+)\.")
_PLAIN: dict[Any, str] = {str: "text", Week: "a week: 2027-W14", date: "a day: 2027-04-13"}
_UNITS = {Unit.SHARE: "share", Unit.MONEY: "currency"}
_OWN_UNITS = {
    "typical": "weeks or °C days", "cold_loss": "log-odds per °C", "heat_loss": "log-odds per °C",
    "plants_per_m2": "plants per m²", "multiplication": "shoots", "hood_hours": "hours per week",
    "shelf_places": "vessels", "medium_per_vessel": "ml", "stock": "plants", "divisions": "plants",
}  # fmt: skip
_ENDINGS = {"_cv": "share of the mean", "_sd": "share"}
_BESIDE = {
    ("stages", "typical"): "0 to 520 weeks, or 0 to 50,000 °C days",
    ("stages", "survival"): "above 0 to 1",
    ("stages", "survived"): "whole number, 1 or more",
    (SETTINGS, "opening_cash"): "any number",
}
"""What other cells of the row, or its sense, ask for beyond the bounds of the cell."""
_ONE_OF_FOUR = "required, unless survival is stated in another way"
_SURVIVES = ("al", "al_sd", "al_p5", "al_p95", "ed", "al_bad", "al_good")
_NOT_STATED = "not stated"
_IF_EMPTY = {
    ("varieties", "pot"): _NOT_STATED,
    ("varieties", "sale_price"): "its targets need a price each, else the plan is that of least cost",
    ("varieties", "markdown_price"): "0",
    ("price_list", "form"): _NOT_STATED,
    ("price_list", "plants_per_box"): "no boxes; required if freight_per_box is above 0",
    ("targets", "target"): "required, unless p5, median and p95 are filled",
    **{("targets", name): "required, unless target is filled" for name in ("p5", "median", "p95")},
    ("targets", "channel"): "any buyer",
    **{("stages", f"surviv{end}"): _ONE_OF_FOUR for end in _SURVIVES},
    ("stages", "of"): _ONE_OF_FOUR,
    ("stages", "base_temperature"): "required for degree-days",
    ("stages", "cold_below"): "cold does no harm",
    ("stages", "cold_loss"): "cold does no harm",
    ("stages", "heat_above"): "heat does no harm",
    ("stages", "heat_loss"): "heat does no harm",
    ("stages", "materials"): "0",
    ("places", "held_above"): "not heated",
    ("climate", "month"): "required, unless week is filled",
    ("climate", "week"): "required, unless month is filled",
    ("climate", "t_mean"): "(t_min + t_max) / 2",
    ("orders", "lab"): "of the labs that can deliver it, the one with the lowest bill",
    ("orders", "order"): "no name",
    ("batches", "lab"): "not known",
    ("batches", "order"): "the nearest by week of its variety and lab",
    ("counts", "why"): _NOT_STATED,
    ("cultures", "lab"): "your own lab",
    ("cultures", "multiplication"): "required, unless total is filled",
    ("cultures", "total"): "multiplication alone holds",
    ("cultures", "off_types"): "none",
    (SETTINGS, "location"): _NOT_STATED,
    **{(table, "source"): _NOT_STATED for table in ("stages", "climate", "cultures", "divisions")},
}  # fmt: skip


@dataclass(frozen=True)
class Cell:
    """What a column may hold: its type, its bounds, and its unit."""

    kind: Any
    above: float | None = None
    least: float | None = None
    below: float | None = None
    most: float | None = None
    unit: Unit | None = None
    code: bool = False

    @property
    def excludes_least(self) -> bool:
        """Whether its lower bound itself is not accepted."""
        return self.above is not None and (self.least is None or self.above >= self.least)


class Described(NamedTuple):
    """What is said of a column; `about` is the column with which it is explained, if another."""

    column: str
    meaning: str
    about: str
    unit: str
    accepted: str
    default: str
    if_empty: str


def described(table: str, kind: type[Row]) -> list[Described]:
    """Return what is said of each column of a table."""
    found = list[Described]()
    for columns, text in parameters(kind):
        meaning, empty = _apart(text, columns)
        found += (
            Described(
                column, meaning, columns[0], unit_of(cell_of(kind, column), column),
                _BESIDE.get((table, column)) or accepted(cell_of(kind, column)), _default(kind, column),
                _if_empty(table, kind, column, empty),
            )
            for column in columns
        )  # fmt: skip
    return found


def cell_of(kind: type[Row], column: str) -> Cell:
    """Return what a column of a row may hold, from its type and the bounds beside it."""
    field = kind.model_fields[column]
    base, marks = _taken_apart(field.annotation)
    marks = [*marks, *field.metadata]
    ends: dict[str, float | None] = {
        name: choose((getattr(mark, end) for mark in marks if isinstance(mark, sort)), default=None)
        for name, end, sort, choose in (
            ("above", "gt", Gt, max), ("least", "ge", Ge, max), ("below", "lt", Lt, min), ("most", "le", Le, min),
        )
    }  # fmt: skip
    if base is str:
        ends = dict.fromkeys(ends)
    unit = next((mark for mark in reversed(marks) if isinstance(mark, Unit)), None)
    if base is float and unit and unit.name == Unit.CELSIUS and not any(ends.values()):
        ends |= {"least": COLDEST, "most": WARMEST}
    if base is ByCycle:
        ends |= {"least": 0, "below": 1} if unit else {"least": LEAST, "most": 1000}
    return Cell(base, **ends, unit=unit, code=set(get_args(Currency)[1:]) <= set(marks))


def _taken_apart(annotation: Any) -> tuple[Any, list[Any]]:
    """Return the type of a cell without None, and all that its annotations say beside it."""
    marks: list[Any] = []
    while True:
        if get_origin(annotation) is Annotated:
            annotation, *more = get_args(annotation)
            marks = [*_told_apart(more), *marks]
        elif get_origin(annotation) in (Union, UnionType):
            annotation = next(one for one in get_args(annotation) if one is not type(None))
        else:
            return annotation, marks


def _told_apart(marks: Iterable[Any]) -> list[Any]:
    return [one for mark in marks for one in (getattr(mark, "metadata", None) or [mark])]


def accepted(cell: Cell) -> str:
    """Return what a cell accepts, in words."""
    if get_origin(cell.kind) is Literal:
        *others, last = get_args(cell.kind)
        return f"{', '.join(others)} or {last}"
    if cell.code:
        return "three capital letters"
    if cell.kind is Level:
        return "levels, as explained"
    if cell.kind in _PLAIN:
        return _PLAIN[cell.kind]
    sort = {int: "whole number, ", float: "", ByCycle: "one or more numbers, "}[cell.kind]
    return f"{sort}{_range(cell)}"


def _range(cell: Cell) -> str:
    low = f"above {_number(cell.above)}" if cell.excludes_least else _number(cell.least)
    if cell.below is not None:
        return (
            f"{low} to below {_number(cell.below)}" if cell.least is not None else f"{low}, below {_number(cell.below)}"
        )
    if cell.most in (None, MOST):
        return low if low.startswith("above") else f"{low} or more"
    return f"{low} to {_number(cell.most)}"


def _number(value: float | None) -> str:
    value = value or 0
    return f"{value:,.12g}".replace("-", "−") if abs(value) >= LEAST * 10 or not value else f"{value:f}"


def _apart(text: str, columns: Sequence[str]) -> tuple[str, dict[str, str]]:
    """Return the meaning of columns without what it says of empty cells, and that by column."""
    found: dict[str, str] = {}
    for whose, meaning in _EMPTY.findall(text):
        start = whose.strip().lower().replace(" ", "_")
        named = [column for column in columns if start and column.startswith(start)]
        for column in named or columns:
            if named or column not in found:
                found[column] = meaning
    meaning = re.sub(r" (\[[^\]]*\]|\(see `\w+`\))", "", _EMPTY.sub("", text))
    return re.sub(r" Or:$", " Or the columns that follow.", meaning).strip(), found


def unit_of(cell: Cell, column: str) -> str:
    """Return the unit of a column; empty if it has none."""
    if cell.unit and not cell.unit.only:
        return _UNITS.get(cell.unit.name, cell.unit.name)
    return _OWN_UNITS.get(column) or _ENDINGS.get(column[-3:], "")


def _default(kind: type[Row], column: str) -> str:
    value = kind.model_fields[column].default
    if kind.model_fields[column].is_required() or value is None:
        return ""
    return _number(value) if isinstance(value, float) else str(value)


def _if_empty(table: str, kind: type[Row], column: str, known: dict[str, str]) -> str:
    if (table, column) in _IF_EMPTY:
        return _IF_EMPTY[table, column]
    if kind.model_fields[column].is_required():
        return "required"
    return known.get(column) or ("the default" if _default(kind, column) else "")
