"""Every column of every table, from the rows of the code: ``python tests/tables.py`` writes demo_data/TABLES.md."""

import csv
import inspect
import re
import tomllib
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from types import UnionType
from typing import Annotated, Literal, Union, get_args, get_origin

from annotated_types import Ge, Gt, Le, Lt

from forecast.rates.by_cycle import ByCycle
from forecast.rates.levels import Level
from forecast.records.batches import BatchRecord, CountRecord
from forecast.records.weather_rows import WeatherRecord
from forecast.season.cells import LEAST, Currency, Row, Unit
from forecast.season.header import Header
from forecast.season.season import TABLES
from forecast.starter.remarks import parameters
from forecast.weather.station import COLDEST, WARMEST
from forecast.weeks import Week

DEMO = Path(__file__).parents[1] / "demo_data"
PAGE = DEMO / "TABLES.md"
_FIRST = ("varieties", "price_list", "targets", "stages", "places", "climate", "profiles", "orders", "on_hand")
_RECORDS: dict[str, type[Row]] = {"batches": BatchRecord, "counts": CountRecord, "weather": WeatherRecord}
ROWS: dict[str, type[Row]] = {
    **{name: TABLES[name] for name in _FIRST},
    **_RECORDS,
    **{name: kind for name, kind in TABLES.items() if name not in _FIRST},
    "season.toml": Header,
}
"""Row of each table, in the order of the page."""
MOST = 10**9  # that any number may be
_LONG = 40  # characters of an example
_EMPTY = re.compile(r" ?(?:\b([A-Z][a-z]+ (?:\w+ )?)empty|\bEmpty(?: or no)?): ([^.]+)\.")
_HEADINGS = ("meaning", "unit", "what to write", "default", "if empty", "example")
_PLAIN = {str: "text", Week: "a week: 2027-W14", date: "a day: 2027-04-13"}
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
    ("season.toml", "opening_cash"): "any number",
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
    ("season.toml", "location"): _NOT_STATED,
    **{(table, "source"): _NOT_STATED for table in ("stages", "climate", "cultures", "divisions")},
}  # fmt: skip
_ABOUT = f"""\
# The tables, column by column

You fill three tables, `varieties`, `price_list` and `targets`; `python -m forecast start` fills in all else that a
first season needs. Columns may be in any order, and those that are not required may be left out.

- A share is written as 0.85, 85 % or 17 in 20. Money is in the currency of the season.
- A week is written as 2027-W14, a day as 2027-04-13; in season.toml texts and weeks are in double quotes.
  README.md says what else is read.
- No number may be above {MOST:,}; if it has to be above 0, a share apart, it is at least {LEAST:f}.
- Columns that are explained together have their meaning in the first one.
- Examples are from the tables of this folder, if they fill the column; long texts are left out.
- The column `note` of every table is yours: anything worth remembering. It changes no number."""


@dataclass(frozen=True)
class Cell:
    """What a column may hold: its type, its bounds, and its unit."""

    kind: object
    above: float | None = None
    least: float | None = None
    below: float | None = None
    most: float | None = None
    unit: Unit | None = None
    code: bool = False


def cell_of(kind, column):
    """Return what a column of a row may hold, from its type and the bounds beside it."""
    field = kind.model_fields[column]
    base, marks = _taken_apart(field.annotation)
    marks = [*marks, *field.metadata]
    ends = {
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


def _taken_apart(annotation):
    """Return the type of a cell without None, and all that its annotations say beside it."""
    marks = []
    while True:
        if get_origin(annotation) is Annotated:
            annotation, *more = get_args(annotation)
            marks = [*_told_apart(more), *marks]
        elif get_origin(annotation) in (Union, UnionType):
            annotation = next(one for one in get_args(annotation) if one is not type(None))
        else:
            return annotation, marks


def _told_apart(marks):
    return [one for mark in marks for one in (getattr(mark, "metadata", None) or [mark])]


def accepted(cell):
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


def _range(cell):
    low = f"above {_number(cell.above)}" if _excludes_least(cell) else _number(cell.least)
    if cell.below is not None:
        return f"{low} to below {_number(cell.below)}" if cell.least is not None else f"{low}, below {cell.below:g}"
    if cell.most in (None, MOST):
        return low if low.startswith("above") else f"{low} or more"
    return f"{low} to {_number(cell.most)}"


def _excludes_least(cell):
    return cell.above is not None and (cell.least is None or cell.above >= cell.least)


def _number(value):
    return f"{value:,.12g}".replace("-", "−") if abs(value) >= LEAST * 10 or not value else f"{value:f}"


def table(name):
    """Return the cells of each column of a table, by the headings of the page."""
    kind, examples = ROWS[name], _examples(name)
    found = []
    for columns, text in parameters(kind):
        meaning, empty = _apart(text, columns)
        for at, column in enumerate(columns):
            said = meaning if at == 0 else f"see `{columns[0]}`"
            found.append((
                f"`{column}`", said, _unit(cell_of(kind, column), column),
                _BESIDE.get((name, column)) or accepted(cell_of(kind, column)), _default(kind, column),
                _if_empty(name, kind, column, empty), examples.get(column, ""),
            ))  # fmt: skip
    return found


def _apart(text, columns):
    """Return the meaning of columns without what it says of empty cells, and that by column."""
    found = {}
    for whose, meaning in _EMPTY.findall(text):
        start = whose.strip().lower().replace(" ", "_")
        named = [column for column in columns if start and column.startswith(start)]
        for column in named or columns:
            if named or column not in found:
                found[column] = meaning
    meaning = re.sub(r" (\[[^\]]*\]|\(see `\w+`\))", "", _EMPTY.sub("", text))
    return re.sub(r" Or:$", " Or the columns that follow.", meaning).strip(), found


def _unit(cell, column):
    if cell.unit and not cell.unit.only:
        return _UNITS.get(cell.unit.name, cell.unit.name)
    return _OWN_UNITS.get(column) or _ENDINGS.get(column[-3:], "")


def _default(kind, column):
    value = kind.model_fields[column].default
    if kind.model_fields[column].is_required() or value is None:
        return ""
    return f"{value:g}" if isinstance(value, float) else str(value)


def _if_empty(table, kind, column, known):
    if (table, column) in _IF_EMPTY:
        return _IF_EMPTY[table, column]
    if kind.model_fields[column].is_required():
        return "required"
    return known.get(column) or ("the default" if _default(kind, column) else "")


def _examples(name):
    """Return the first short example of each column that the tables of this folder fill."""
    if name == "season.toml":
        rows = [{key: str(value) for key, value in tomllib.loads((DEMO / name).read_text(encoding="utf-8")).items()}]
    elif (DEMO / f"{name}.csv").exists():
        with (DEMO / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
    else:
        return {}
    found = {}
    for row in rows:
        for column, value in row.items():
            if value and len(value) <= _LONG:
                found.setdefault(column, value)
    return found


def page():
    """Return the text of demo_data/TABLES.md."""
    parts = [_ABOUT]
    for name, kind in ROWS.items():
        summary = inspect.cleandoc(kind.__doc__).splitlines()[0]
        first = "setting" if name == "season.toml" else "column"
        rows = [(first, *_HEADINGS), ("---",) * (1 + len(_HEADINGS)), *table(name)]
        lines = ("| " + " | ".join(cell.replace("|", r"\|") for cell in row) + " |" for row in rows)
        title = name if name == "season.toml" else f"{name}.csv"
        opening = summary if name == "season.toml" else f"One row is {summary[0].lower()}{summary[1:]}"
        parts.append(f"## {title}\n\n{opening}\n\n" + "\n".join(lines))
    return "\n\n".join(parts) + "\n"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
