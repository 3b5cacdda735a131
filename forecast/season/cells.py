"""What a cell may hold, and the problem and its fix when it holds something else."""

from __future__ import annotations

import difflib
import math
import re
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping, Set
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cache
from typing import Annotated, Any, ClassVar, Self, cast

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, create_model
from pydantic_core import ErrorDetails, PydanticCustomError

from forecast.errors import FIRST_ROW, Fault, Refused
from forecast.rates.levels import Level
from forecast.weather.station import COLDEST, WARMEST
from forecast.weeks import Week
from forecast.words.numbers import figures

_ERROR = re.compile(
    r"##+|#[¡¿]?[^\W\d_][^\s#]*[!?]|#\w/\w|#(NV|YOK|HIÁNYZIK|NENÍ_K_DISPOZICI|NEDOSTUPNÝ|GETTING_DATA)|Err:\d+"
)
_ERROR_CELL = ("a spreadsheet error", "Correct the formula and save the file again.")
_NARROW = ("the column was too narrow to show what is in the cell", "Widen it in the spreadsheet and save again.")
LEAST = 1e-6  # of a number above 0
_LISTED = 12  # names in one line
_LONGEST, _LONGEST_NOTE = 200, 100_000  # characters of a name, and of a note
_MOST_BITS = 1023  # of a whole number that is a float, too
_COMPARED = 2000  # names among which the nearest one is sought
_TOLD = 5  # letters of a word of which one may be a slip
_LEGAL = {
    "ltd",
    "inc",
    "llc",
    "co",
    "gmbh",
    "ag",
    "bv",
    "nv",
    "sa",
    "sarl",
    "srl",
    "spa",
    "pty",
    "oy",
    "ab",
    "as",
    "aps",
}
REQUIRED = "this cell is empty but required"
UNKNOWN = "not a known column"
_REQUIRED = (REQUIRED, "Fill it in.")
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")
_IN = re.compile(r"(\d+(?:\.\d+)?) (?:in|of|out of) (\d+(?:\.\d+)?)")  # 9 in 10
_RUN = re.compile(r"'*[=+\-@\t\r\n]")  # what a text that a spreadsheet would run begins with
_THOUSANDS = re.compile(r"[+-]?\d{1,3}([ .,'\u00a0\u202f]\d{3})+([.,]\d+)?")


def wrong(problem: str, remedy: str, column: str = "", value: object = None) -> PydanticCustomError:
    """Make the error of a check of a row from the problem and how to fix it."""
    context = {"problem": problem, "remedy": remedy, "column": column, "value": value}
    return PydanticCustomError("wrong", "{problem}", context)


def is_error(text: str) -> bool:
    """Say whether a text is what a spreadsheet shows in the place of a value, in any language: #N/A, #WERT!, ####."""
    return bool(_ERROR.fullmatch(text)) and text == text.upper().replace("ERR:", "Err:")


def error_cell(text: str = "") -> tuple[str, str]:
    """Return what is wrong with such a cell, and how to fix it."""
    return _NARROW if text and not text.strip("#") else _ERROR_CELL


def two_ways(text: str) -> str | None:
    """Return how to fix a number such as 1,200 or 1.200, which may be 1200 or 1.2; None if it is plain."""
    readings = _readings(text)
    return f"Write {readings[0]} or {readings[1]}, whichever is meant." if readings else None


def _readings(text: str) -> tuple[str, str] | None:
    """Return the two numbers that 1,200 or 1.200 may be; None if it is plain."""
    if not re.fullmatch(r"[+-]?[1-9]\d{0,2}[.,]\d{3}", text):
        return None
    whole, decimals = re.split(r"[.,]", text)
    number = f"{whole}.{decimals}".rstrip("0").rstrip(".") if decimals.endswith("0") else f"{whole}.{decimals}0"
    return f"{whole}{decimals}", number


def _number(cell: Any) -> Any:
    if isinstance(cell, bool):
        raise wrong("not a number", "Write a number.")
    if isinstance(cell, int) and cell.bit_length() > _MOST_BITS:
        raise wrong("not a number that can be used", "Write a finite number.")
    if not isinstance(cell, str):
        return cell
    text = cell.strip()
    if _NUMBER.fullmatch(text):
        return _finite(float(text))
    raise wrong(*_not_a_number(text))


def _not_a_number(text: str) -> tuple[str, str]:
    """Return why a text is no number, and how to fix it."""
    if text.endswith("%"):
        return "a percentage", f"Write the share itself: {_hundredth(text[:-1])}."
    if "," in text and (remedy := two_ways(text)):
        return "could be read in two ways", remedy
    if re.fullmatch(r"[+-]?\d+,\d+", text):
        return "a decimal comma", f"Write {text.replace(',', '.')}."
    if _THOUSANDS.fullmatch(text):
        return "a number with marks or spaces between its thousands", "Write it without them, such as 1200."
    if text.lower().lstrip("+-") in ("nan", "inf", "infinity", "na", "n/a"):
        return "not a number that can be used", "Write a finite number, or leave the cell empty if it is optional."
    if is_error(text):
        return error_cell(text)
    return "not a number", "Write digits with a decimal point, without unit or spaces, such as 12.5."


def _hundredth(text: str) -> str:
    return figures(float(text) / 100, 6) if _NUMBER.fullmatch(text.strip()) else "0.85 for 85 %"


def _finite(number: float) -> float:
    if not math.isfinite(number):
        raise wrong("not a number that can be used", "Write a finite number.")
    return number


def _not_tiny(number: float) -> float:
    if number < LEAST:
        raise wrong("too small to be meant", f"Write at least {LEAST:f}.")
    return number


def _nothing_or_not_tiny(number: float) -> float:
    if 0 < number < LEAST:
        raise wrong("too small to be meant", f"Write 0, or at least {LEAST:f}.")
    return number


def _share(cell: Any) -> Any:
    if isinstance(cell, str) and (part := _IN.fullmatch(cell.strip())):
        return _part(*map(float, part.groups()))
    number = _number(cell)
    if isinstance(number, int | float) and 1 < number <= 100:
        raise wrong("a share lies between 0 and 1", f"For {figures(number, 6)} % write {figures(number / 100, 6)}.")
    return number


def _part(some: float, every: float) -> float:
    if not 0 <= some <= every or not every:
        raise wrong("more than there are", "Write it like 9 in 10.")
    return some / every


def _whole(cell: Any) -> Any:
    number = _number(cell)
    if isinstance(number, float):
        if _finite(number) != int(number):
            if isinstance(cell, str) and (readings := _readings(cell.strip())):
                problem = f"could mean {readings[0]} or {figures(number, 6)}, and must be a whole number"
                raise wrong(problem, f"Write {readings[0]}.")
            raise wrong("not a whole number", f"Write {math.floor(number)} or {math.ceil(number)}.")
        return int(number)
    return number


def parsed(parse: Callable[[Any], Any]) -> BeforeValidator:
    """Make the reader of a cell from a function that reads or refuses a text."""

    def read(cell: Any) -> Any:
        try:
            return parse(cell)
        except Refused as error:
            raise wrong(error.faults[0].problem, error.faults[0].remedy) from error

    return BeforeValidator(read)


def _text(cell: Any) -> Any:
    """Make letters and spaces that look alike the same, so that names can be compared."""
    if not isinstance(cell, str):
        return cell
    if any(mark in cell.strip() for mark in "\r\n"):
        raise wrong("contains a line break", "Write it on one line; look for a stray double quote.")
    text = _printable(" ".join(unicodedata.normalize("NFC", cell).split()))
    return _no_error(text)


def _note(cell: Any) -> Any:
    return (_no_error(_printable(cell.strip())) or None) if isinstance(cell, str) else cell


def _no_error(text: str) -> str:
    if is_error(text):
        raise wrong(*error_cell(text))
    return text


def _printable(text: str) -> str:
    if any(unicodedata.category(letter) in ("Cc", "Cs") and letter not in "\r\n\t" for letter in text):
        raise wrong("contains a character that cannot be printed", "Type it again.")
    return text


def _not_a_comment(text: str) -> str:
    if text.startswith("#"):
        raise wrong("starts with #, as comment lines do", "Choose a name that starts otherwise.")
    return text


def _currency(text: str) -> str:
    if not re.fullmatch("[A-Z]{3}", text):
        raise wrong("not a currency code", "Write its three capital letters, such as EUR.")
    return text


@dataclass(frozen=True)
class Unit:
    """What the numbers of a column are counted in, if that may be written beside them.

    With `only`, a column and its word, this holds for rows that have this word or nothing there.
    """

    SHARE: ClassVar = "a share of 1"
    MONEY: ClassVar = "the currency of the season"
    WEEKS: ClassVar = "weeks"
    MINUTES: ClassVar = "minutes"
    CELSIUS: ClassVar = "°C"
    AREA: ClassVar = "m²"
    PLANTS: ClassVar = "plants"

    name: str
    only: tuple[str, str] | None = None


Text = Annotated[str, BeforeValidator(_text), Field(min_length=1, max_length=_LONGEST)]
Name = Annotated[Text, AfterValidator(_not_a_comment)]
Note = Annotated[Annotated[str, Field(max_length=_LONGEST_NOTE)] | None, BeforeValidator(_note)]
Currency = Annotated[str, AfterValidator(_currency)]
Number = Annotated[float, BeforeValidator(_number), AfterValidator(_finite)]
FromZero = Annotated[Number, Field(ge=0, le=10**9)]
Money = Annotated[FromZero, Unit(Unit.MONEY)]
Minutes = Annotated[FromZero, AfterValidator(_nothing_or_not_tiny), Unit(Unit.MINUTES)]
AboveZero = Annotated[Number, Field(gt=0, le=10**9), AfterValidator(_not_tiny)]
Celsius = Annotated[Number, Field(ge=COLDEST, le=WARMEST), Unit(Unit.CELSIUS)]
ShareCell = Annotated[float, BeforeValidator(_share), AfterValidator(_finite), Field(ge=0, le=1), Unit(Unit.SHARE)]
Whole = Annotated[int, BeforeValidator(_whole), Field(ge=0, le=10**9)]
Counted = Annotated[int, BeforeValidator(_whole), Field(ge=1, le=10**9)]
Plants = Annotated[Counted, Unit(Unit.PLANTS)]
PlantsOrNone = Annotated[Whole, Unit(Unit.PLANTS)]
Weeks = Annotated[Whole, Field(le=520), Unit(Unit.WEEKS)]
SomeWeeks = Annotated[Counted, Field(le=520), Unit(Unit.WEEKS)]
WeekCell = Annotated[Week, parsed(Week.parse)]
LevelCell = Annotated[Level, parsed(Level.parse)]


class Row(BaseModel):
    """One row of a table, checked when it is made and never changed after; `Refused` lists all its faults."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)
    RENAMED: ClassVar[dict[str, str]] = {}
    """Columns of earlier versions, and what they are called now."""

    def __init__(self, /, **cells: Any) -> None:
        table, row = type(self).__name__, self
        faults: list[Fault] = []
        try:
            super().__init__(**cells)
        except ValidationError as error:
            faults = [fault for detail in error.errors() for fault in _faults(detail, type(self), table, cells)]
            row = self.part(cells, {fault.column for fault in faults})
        faults += [replace(fault, table=table) for fault in row._contradicted(row is not self)]
        if faults:
            raise Refused(faults)

    def checks(self) -> Iterable[Callable[[], object]]:
        """Return the checks of cells beside each other, each of which refuses what it finds wrong."""
        return ()

    def _contradicted(self, partly: bool) -> Iterator[Fault]:
        """Yield what the checks find; one that asks for an unreadable cell of a row read `partly` is left out."""
        for check in self.checks():
            try:
                check()
            except Refused as error:
                yield from error.faults
            except (AttributeError, KeyError):
                if not partly:
                    raise

    @classmethod
    def part(cls, cells: Mapping[str, Any], unreadable: Set[str]) -> Self:
        """Return a row without its unreadable cells: to ask for one of them is an AttributeError."""
        read: dict[str, Any] = {}
        for name in cells.keys() & cls.model_fields.keys() - unreadable:
            with suppress(ValidationError):
                read[name] = getattr(_reader(cls, name)(**{name: cells[name]}), name)
        row = cast(Self, cls.model_construct(**read))
        for name in {*unreadable, *cells} - read.keys():
            row.__dict__.pop(name, None)
        return row

    def replace(self, **changes: Any) -> Self:
        """Make a row that differs in the named cells; it is checked like any other."""
        return type(self)(**{**self.given(), **changes})

    def given(self) -> dict[str, Any]:
        """Return the cells that are filled, by column."""
        return {name: value for name in type(self).model_fields if (value := getattr(self, name)) is not None}


@cache
def _reader(row: type[BaseModel], column: str) -> type[BaseModel]:
    """Return a row of one column alone."""
    field = row.model_fields[column]
    cells: dict[str, Any] = {column: (field.annotation, field)}
    return create_model(column, __config__=row.model_config, **cells)


def plain(cell: Any) -> Any:
    """Return a cell as a file or a table holds it: text, a number or nothing."""
    return cell if cell is None or isinstance(cell, str | int | float) else str(cell)


def shielded(text: str) -> str:
    """Return a text as a CSV file is to hold it: with an apostrophe before it if a spreadsheet would run it.

    Notes
    -----
    Spreadsheets take a text that begins with = + - @ or a tab for a formula, whoever wrote it. An apostrophe makes it
    a text again; `unshielded` takes it away. One that stood there already is kept, so the two are exact inverses.

    References
    ----------
    OWASP (2025). Application Security Verification Standard 5.0, requirement 1.2.10.
    """
    return f"'{text}" if _RUN.match(text) else text


def unshielded(text: str) -> str:
    """Return the text that `shielded` wrote."""
    return text[1:] if text.startswith("'") and _RUN.match(text) else text


def _faults(detail: ErrorDetails, row: type[BaseModel], table: str, cells: Mapping[str, Any]) -> Iterator[Fault]:
    within = detail.get("ctx", {}).get("error")
    if isinstance(within, Refused):
        number = None
        if detail["loc"]:  # a row given as a dict within a season
            table, number = str(detail["loc"][0]), int(detail["loc"][1]) + FIRST_ROW
        yield from (fault.placed(table, number) for fault in within.faults)
    else:
        yield _fault(detail, row, table, cells)


def _fault(detail: ErrorDetails, row: type[BaseModel], table: str, cells: Mapping[str, Any]) -> Fault:
    context = detail.get("ctx", {})
    column = str(detail["loc"][0]) if detail["loc"] else str(context.get("column", ""))
    value = cells.get(column) if detail["loc"] else context.get("value")
    if detail["type"] == "wrong":
        return Fault(context["problem"], context["remedy"], table, None, column, value)
    if detail["type"] == "extra_forbidden":
        return Fault(UNKNOWN, renamed(column, row) or suggestion(column, row.model_fields), table, None, column, value)
    if value is None:
        return Fault(*_REQUIRED, table, None, column)
    problem, remedy = _RANGES.get(detail["type"], ("cannot be used", "{msg}."))
    words = {**context, "msg": detail["msg"]}
    return Fault(problem.format(**words), remedy.format(**words), table, None, column, value)


def renamed(column: str, row: type[BaseModel]) -> str:
    """Return how to fix a column that has another name now; an empty text if it never was one."""
    now = row.RENAMED.get(column) if issubclass(row, Row) else None
    return f"Rename it {now}." if now else ""


def nearest(name: str, known: Iterable[str], cutoff: float = 0.75) -> str | None:
    """Return the known name that is spelt most alike, if any is: by a measure of likeness of at least `cutoff`.

    It is not sought for what is longer than a name, nor among more than 2,000, which would take long.
    """
    names = {word.lower(): word for word in known}
    if len(name) > _LONGEST or len(names) > _COMPARED:
        return None
    near = difflib.get_close_matches(name.lower(), names, n=1, cutoff=cutoff)
    return names[near[0]] if near else None


def same_letters(name: str) -> str:
    """Return what is left of a name without capitals, marks, spaces and the legal form of a firm."""
    return "".join(_words(name))


def nearly_same(one: str, other: str) -> bool:
    """Say whether two names differ in one word: by one letter, or because it is cut short; not in a digit."""
    words, others = _words(one), _words(other)
    if len(words) != len(others):
        return False
    unlike = [pair for pair in zip(words, others, strict=True) if pair[0] != pair[1]]
    return len(unlike) == 1 and _nearly(*sorted(unlike[0], key=len))


def _words(text: str) -> list[str]:
    words = re.findall(r"\w+", text.casefold().replace(".", ""))
    while len(words) > 1 and words[-1] in _LEGAL:
        words.pop()
    return words


def _nearly(short: str, long: str) -> bool:
    """Say whether a word is another one cut short, or differs from it in one letter, or in two that swapped."""
    if any(map(str.isdigit, short + long)) or len(short) < 3:
        return False
    if long.startswith(short):
        return True
    if len(long) < _TOLD or len(long) - len(short) > 1:
        return False
    begin = next((at for at, (a, b) in enumerate(zip(short, long, strict=False)) if a != b), len(short))
    rest, other = short[begin:], long[begin:]
    if len(short) < len(long):
        return rest == other[1:]
    return rest[1:] == other[1:] or (rest[:2] == other[:2][::-1] and rest[2:] == other[2:])


def suggestion(name: str, known: Iterable[str]) -> str:
    """Return the known name that was probably meant, or the known names."""
    names = list(known)
    if near := nearest(name, names):
        return f"Did you mean {near!r}?"
    return f"Known names: {', '.join(names[:_LISTED])}{', ...' if len(names) > _LISTED else ''}."


_RANGES = {
    "greater_than": ("not above {gt:,.12g}", "Write a number above {gt:,.12g}."),
    "greater_than_equal": ("below {ge:,.12g}", "Write at least {ge:,.12g}."),
    "less_than": ("not below {lt:,.12g}", "Write a number below {lt:,.12g}."),
    "less_than_equal": ("above {le:,.12g}", "Write at most {le:,.12g}."),
    "literal_error": ("not one of the words for this column", "Write {expected}."),
    "too_short": _REQUIRED,
    "string_too_short": _REQUIRED,
    "string_too_long": ("too long", "Shorten it to {max_length} characters."),
    "too_long": ("too long", "Shorten it to {max_length} characters."),
    "string_type": ("not a text", "Write a text, in double quotes."),
}
