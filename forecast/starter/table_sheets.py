"""The tables of a season as sheets to be filled: what each column means, what may be typed, what there is to choose."""

from __future__ import annotations

import inspect
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Any, Literal, NamedTuple, get_args, get_origin

from forecast.io.csv_folder import table_cells
from forecast.io.workbook_out import WorkbookOut
from forecast.rates.by_cycle import ByCycle
from forecast.rates.levels import WORDS, Level
from forecast.season.cells import LEAST, Row, Unit
from forecast.season.season import Season
from forecast.starter.columns import MOST, SETTINGS, Cell, Described, cell_of, described
from forecast.weeks import Week
from forecast.words import starting as words
from forecast.workbooks.cell_text import FIRST_DAY
from forecast.workbooks.sheets import BAND, DATA, DAY, Check, Column, Page, named_range

LISTS = "lists"
"""Name of the sheet of what there is to choose from."""
TO_FILL = 1000  # rows of a sheet for which there are checks
_EARLIEST = date(1990, 1, 1)  # that any record is of; judgement
_FROM_TABLES = {"variety": "varieties", "place": "places", "profile": "profiles", "batch": "batches"}
_FROM_LISTS = {"lab": "lab", "group": "group", "stage": "stage", "enters": "stage"}
_OWN = {
    ("varieties", "variety"),
    ("places", "place"),
    ("profiles", "profile"),
    ("batches", "batch"),
    ("stages", "stage"),
}
_EXAMPLES: Mapping[str, Mapping[str, Any]] = {
    "orders": {
        "variety": "Hosta 'First'", "week": "2027-W08", "quantity": 504, "lab": "Our lab", "order": "A-12",
        "placed": "yes", "note": "confirmed by telephone",
    },
    "on_hand": {"variety": "Hosta 'First'", "stage": "growing on", "quantity": 120, "since": "2026-W36"},
    "batches": {
        "batch": "B27-01", "variety": "Hosta 'First'", "lab": "Our lab", "delivered": date(2027, 2, 22), "ordered": 504,
        "received": 500, "dead_on_arrival": 6,
    },
    "counts": {
        "batch": "B27-01", "date": date(2027, 3, 22), "stage": "growing on", "alive": 440, "transferred": 0,
        "saleable": 0, "losses": 12, "why": "grey mould",
    },
}  # fmt: skip
"""Invented rows of tables that begin without any."""


class Source(NamedTuple):
    """Where a column is of which others name the cells: sheet, column and first row."""

    sheet: str
    column: int
    first: int

    def chosen(self) -> str:
        """Return its filled cells as a list to choose from."""
        cells = named_range(self.sheet, self.column, self.first, self.first + TO_FILL)
        return f"OFFSET({cells.split(':')[0]},0,0,MAX(1,COUNTA({cells})),1)"


class Sources:
    """The columns that others choose from, of a workbook with the sheets that it has so far."""

    def __init__(self) -> None:
        self._known: dict[tuple[str, str], Source] = {}

    def add(self, sheet: str, columns: Iterable[str], first: int) -> None:
        """Add the columns of a sheet whose rows begin at one."""
        for at, name in enumerate(columns, start=1):
            self._known.setdefault((sheet, name), Source(sheet, at, first))

    def of(self, table: str, column: str, cell: Cell) -> Source | None:
        """Return from where the cells of a column are chosen; None if from nowhere."""
        if cell.kind is Week:
            return self._known.get((LISTS, "week"))
        if (table, column) in _OWN or cell.kind is not str:
            return None
        if column in _FROM_TABLES:
            return self._known.get((_FROM_TABLES[column], column))
        return self._known.get((LISTS, _FROM_LISTS.get(column, "")))


def sources_of(book: WorkbookOut) -> Sources:
    """Return what there is to choose from in a workbook that is there."""
    found = Sources()
    if book.reader is None:
        return found
    for sheet in (LISTS, *_FROM_TABLES.values()):
        texts = book.reader.texts(sheet) if sheet in book else []
        for at, row in enumerate(texts, start=1):
            if row and not row[0].startswith("#"):
                first = next(
                    (n for n, cells in enumerate(texts[at:], start=at + 1) if not cells or cells[0][:1] != "#"), at + 1
                )
                found.add(sheet, row, first)
                break
    return found


def table_page(
    table: str, kind: type[Row], rows: Sequence[Row], sources: Sources, *, currency: str, filled: bool = False,
    every: bool = False,
) -> Page:  # fmt: skip
    """Return a table as a sheet, with all columns or those that are used.

    Parameters
    ----------
    table, kind, rows
        Its name and rows.
    sources
        What there is to choose from; gets the columns of this sheet.
    currency
        Code of the currency.
    filled
        Whether it is one of those that a grower fills.
    every
        Whether it has columns that are not used.
    """
    used, cells = table_cells(tuple(rows), kind)
    names = sorted([*kind.model_fields] if every else used, key="name".__eq__)  # first, # would make it a comment
    values = [[_day(row[used.index(name)], kind, name) if name in used else None for name in names] for row in cells]
    columns = table_columns(table, kind, names, sources, currency=currency, rows=values)
    summary = inspect.cleandoc(kind.__doc__ or "").splitlines()[0]
    page = Page(
        columns,
        values,
        title=summary if table == SETTINGS else words.one_row(summary),
        tab=DATA if filled else BAND,
        to_fill=TO_FILL,
    )
    sources.add(table, names, page.first)
    return page


def table_columns(
    table: str, kind: type[Row], names: Sequence[str], sources: Sources, *, currency: str,
    rows: Sequence[Sequence[Any]] = (),
) -> tuple[Column, ...]:  # fmt: skip
    """Return columns of a table: unit, meaning, what may be typed, and an example where there are no rows."""
    known = {one.column: one for one in described(table, kind)}
    examples = {} if rows else _EXAMPLES.get(table, {})
    found = []
    for at, name in enumerate(names):
        cell, about = cell_of(kind, name), known.get(name) or _note_column(name)
        values = [row[at] for row in rows if row[at] is not None]
        found.append(
            Column(
                name, format=_format(cell, values), unit=_unit(about, cell, currency), note=_heading(about),
                example=examples.get(name), check=_check(table, about, cell, sources),
            )
        )  # fmt: skip
    return tuple(found)


def lists_page(season: Season, sources: Sources) -> Page:
    """Return the sheet of what there is to choose from: weeks, labs, groups and stages."""
    weeks = [season.first_week + at for at in range(season.weeks)]
    names: dict[str, list[Any]] = {
        "week": [str(week) for week in weeks],
        "monday": [week.monday for week in weeks],
        "lab": _once(row.lab for row in season.price_list),
        "group": _once(row.applies_to for row in season.stages),
        "stage": _once(row.stage for row in season.stages),
    }
    longest = max(map(len, names.values()))
    rows = [[column[at] if at < len(column) else None for column in names.values()] for at in range(longest)]
    columns = tuple(Column(name, format=DAY if name == "monday" else "General") for name in names)
    page = Page(columns, rows, title=words.LISTS, tab=BAND)
    sources.add(LISTS, names, page.first)
    return page


def _once(names: Iterable[str]) -> list[Any]:
    return list(dict.fromkeys(names))


def _heading(about: Described) -> str:
    return words.heading(
        about.column, about.meaning, accepted=about.accepted, default=about.default, if_empty=about.if_empty
    )


def _note_column(name: str) -> Described:
    return Described(name, words.NOTE, name, "", "text", "", "")


def _day(value: Any, kind: type[Row], name: str) -> Any:
    """Return a day as one, which a table holds as a text."""
    return date.fromisoformat(value) if value is not None and cell_of(kind, name).kind is date else value


def _format(cell: Cell, values: Sequence[Any]) -> str:
    """Return the format of the numbers of a column."""
    unit = cell.unit.name if cell.unit and not cell.unit.only else ""
    if cell.kind is date:
        return DAY
    if cell.kind is int:
        return "#,##0"
    if cell.kind is not float:
        return "General"
    if unit == Unit.SHARE:
        return "0 %" if all(abs(100 * value - round(100 * value)) < LEAST for value in values) else "0.0## %"
    return {Unit.MONEY: "#,##0.00", Unit.CELSIUS: "0.0"}.get(unit, "General")


def _unit(about: Described, cell: Cell, currency: str) -> str:
    if cell.kind in (Week, date):
        return words.SUCH_AS[cell.kind.__name__]
    if cell.kind is Level:
        return "level"
    return currency if about.unit == "currency" else about.unit


def _check(table: str, about: Described, cell: Cell, sources: Sources) -> Check | None:
    """Return what may be typed into a column; None if anything may."""
    wrong = words.accepts(about.accepted)
    if get_origin(cell.kind) is Literal:
        return Check("list", f'"{",".join(get_args(cell.kind))}"', wrong=wrong)
    if cell.kind is Level:
        return Check("list", f'"{",".join(WORDS)}"', strict=False, hint=words.LEVELS, wrong=words.LEVELS)
    if cell.kind is date:
        first = str((_EARLIEST - FIRST_DAY).days)
        return Check("date", first, compared="greaterThanOrEqual", strict=False, hint=wrong, wrong=wrong)
    if cell.kind in (int, float):
        return _bounds(cell, wrong)
    source = None if cell.kind is ByCycle else sources.of(table, about.column, cell)
    if source is None:
        return None
    week = cell.kind is Week
    unknown = words.WEEKS if week else words.not_listed(source.sheet, about.column)
    return Check("list", source.chosen(), strict=False, hint=words.WEEKS if week else "", wrong=unknown)


def _bounds(cell: Cell, wrong: str) -> Check:
    """Return the check of a number."""
    least = (cell.above or 0) + LEAST if cell.excludes_least else (cell.least or 0)
    most = cell.below - LEAST if cell.below is not None else cell.most
    percent = cell.unit is not None and cell.unit.name == Unit.SHARE
    return Check(
        "whole" if cell.kind is int else "decimal", _written(least), _written(MOST if most is None else most),
        hint=words.SHARE if percent else "", wrong=wrong,
    )  # fmt: skip


def _written(bound: float) -> str:
    """Return a bound as a formula has it: without a power of ten."""
    return f"{bound:.6f}".rstrip("0").rstrip(".")
