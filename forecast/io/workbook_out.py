"""Tables put into a workbook, a new one or one that is there, of which everything else stays as it is."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date
from functools import wraps
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

from forecast.errors import Fault, Refused, refuse
from forecast.files_out import check_free, there_already, write_texts
from forecast.io.csv_folder import held, table_cells
from forecast.io.layout import MOST_ROWS, Sheet, read_row
from forecast.io.row_places import Placed, in_old_order, place_rows
from forecast.io.xlsx import Workbook
from forecast.season.cells import Row
from forecast.workbooks.cell_text import DAYS_1904, LONGEST, address, escaped
from forecast.workbooks.cells import Grid, Moved, Place, Value, add_checks, widen
from forecast.workbooks.notes import add_notes, noted
from forecast.workbooks.package import Package
from forecast.workbooks.sheets import DATA, Column, Page, add_page, add_text
from forecast.workbooks.styles import Style
from forecast.workbooks.unsound import Unsound

_ELSEWHERE = "Choose another name for what is written, or write its value there."
_NOT_XML = ("\ufffe", "\uffff")
_OF = ("applies_to", "stage", "variety", "lab", "place", "profile", "batch", "month")  # what a row is of
_ZIP, _OLD = b"PK\x03\x04", b"\xd0\xcf\x11\xe0"
Change = Value | Moved
_T = TypeVar("_T")
_P = ParamSpec("_P")
Changes = dict[Place, Change]


def _sound(work: Callable[_P, _T]) -> Callable[_P, _T]:
    """Let a method refuse a workbook whose parts are not as spreadsheet programs save them."""

    @wraps(work)
    def sound(*given: _P.args, **named: _P.kwargs) -> _T:
        try:
            return work(*given, **named)
        except Refused:
            raise
        except (Unsound, LookupError, ValueError) as error:
            remedy = "Open it in a spreadsheet program and save it as .xlsx."
            name = getattr(given[0], "path", Path()).name
            raise Refused([Fault("not a workbook as spreadsheet programs save it", remedy, name)]) from error

    return sound


class WorkbookOut:
    """A workbook into which tables are put, and which is then written as one, or not at all.

    Parameters
    ----------
    path
        The file.
    overwrite
        Whether what is there of a table may be replaced.

    Raises
    ------
    Refused
        If the file is no workbook, or one in which not all would be kept, is open in another program or may not be
        written.

    Notes
    -----
    Of a workbook that is there, only the cells that change are written anew, in the parts of the file that hold them;
    sheets that are new are put behind the others. All other parts, such as notes, charts, pictures and the lists and
    formats of later versions, are copied as they are, whether or not this package knows them. Formats by place, such as
    conditional ones, and formulas elsewhere that name a cell stay as they are, too, where a row moves. Formulas are
    calculated anew by the program that opens the file, if it heeds what the file says of that.
    """

    def __init__(self, path: str | os.PathLike[str], *, overwrite: bool = False) -> None:
        self.path, self.overwrite = Path(path), overwrite
        check_free((self.path.name,), self.path.parent, overwrite=True)
        self._before = self._there()
        self.reader = Workbook(self.path, "a season") if self._before else None
        if self.reader is None and self.path.suffix.lower() == ".xlsm":
            raise refuse("path", str(path), "a workbook with macros, which is not there", "Let it end in .xlsx.")
        self.package = self._opened()
        if spoilt := self.package.spoilt():
            raise Refused([Fault(spoilt, "Save a copy without that, and write into the copy.", self.path.name)])

    def __contains__(self, sheet: str) -> bool:
        return sheet in self.package.sheets

    def place(self, table: str) -> str:
        """Return a sheet's name as faults name it."""
        return f"{self.path.name}, sheet {table}"

    def check_free(self, sheets: Sequence[str]) -> None:
        """Refuse sheets that are there, unless they may be replaced."""
        there = [] if self.overwrite else [name for name in sheets if name in self]
        if there:
            raise Refused([there_already([self.place(one) for one in there], "file")])

    def check_texts(self, tables: Mapping[str, tuple[type[Row], Sequence[Row]]]) -> None:
        """Refuse texts of tables that a workbook cannot keep; every such text is listed."""
        faults = [
            fault for table, (kind, rows) in tables.items() for fault in _unkept(table, *table_cells(tuple(rows), kind))
        ]
        if faults:
            raise Refused(faults)

    @_sound
    def put_table(
        self, table: str, kind: type[Row], rows: Sequence[Row], page: Page | None = None, *, ordered: bool = True
    ) -> None:
        """Put the rows of a table into its sheet, in the place of those that it has.

        They are in the same order, if they are `ordered`. A sheet that is not there is added, as `page` has it.
        `Refused` if the sheet cannot be read, or a formula or a note in it would lose its place.
        """
        if len(rows) > MOST_ROWS:
            problem = f"not saved: {len(rows):,} rows is over the {MOST_ROWS:,}-row limit for reading the file back"
            raise Refused([Fault(problem, "Split it by variety, or by year.", self.place(table))])
        self.check_texts({table: (kind, rows)})
        if table not in self:
            add_page(self.package, table, page or plain_page(kind, rows))
            return
        if not (rows or any(map(any, self._reader().texts(table)))):
            return
        used = [name for name in table_cells(tuple(rows), kind)[0] if rows]
        sheet = self._sheet(table, kind)
        new = [name for name in kind.model_fields if name in used and name not in sheet.columns]
        old = self._old_rows(sheet, kind, table)
        rows = rows if ordered else in_old_order([row for _, row in old], rows)
        places = {name: at for at, name in enumerate(sheet.columns, start=1) if name}
        if new:
            places |= self.add_columns(table, kind, [Column(name) for name in new])
        self._put_rows(table, rows, old, sheet, places)

    @_sound
    def columns(self, table: str, kind: type[Row]) -> tuple[str, ...]:
        """Return the columns of a sheet that is there; `Refused` if it cannot be read."""
        return self._sheet(table, kind).columns

    @_sound
    def add_columns(self, table: str, kind: type[Row], columns: Sequence[Column]) -> dict[str, int]:
        """Put columns that a table lacks behind all that its sheet holds, and return their places."""
        sheet, part = self._sheet(table, kind), self.package.sheets[table]
        grid = Grid(self.package.parts[part])
        width = max(grid.width(), len(sheet.columns))
        places = {one.name: width + at for at, one in enumerate(columns, start=1)}
        known = [at for at, name in enumerate(sheet.columns, start=1) if name]
        changes: Changes = {}
        units = self._units(table, sheet.header)
        for one in columns:
            at, last = places[one.name], known[-1 if one.numeric else min(1, len(known) - 1)]
            changes[sheet.header, at] = Value(one.name, like=(sheet.header, last))
            if units:
                changes[units, at] = Value(one.unit or None, like=(units, last))
        data = grid.put(changes, self.package.styles.as_text)
        first = (units or sheet.header) + 1
        checks = [one.check.text(_down(first, places[one.name]), one.name) for one in columns if one.check is not None]
        if checks:
            data = add_checks(data, "".join(checks), len(checks))
        self.package.parts[part] = widen(data, {places[one.name]: _width(one) for one in columns})
        add_notes(self.package, part, {(sheet.header, places[one.name]): one.note for one in columns if one.note})
        return places

    @_sound
    def add_page(self, name: str, page: Page) -> None:
        """Add a sheet, unless there is one of its name."""
        if name not in self:
            add_page(self.package, name, page)

    @_sound
    def add_text(self, name: str, lines: Sequence[tuple[str, str]]) -> None:
        """Add a sheet of lines to read, unless there is one of its name."""
        if name not in self:
            add_text(self.package, name, lines, tab=DATA)

    @_sound
    def put_result(self, name: str, page: Page, *, ours: bool = False) -> None:
        """Put what was worked out into a sheet, which is added as a page, or in the place of what it has.

        `Refused` if a formula would be lost, or the sheet has other headings, unless it is `ours` by its name.
        """
        if name not in self:
            add_page(self.package, name, page)
            return
        self._put_result(name, page, ours=ours)

    @_sound
    def empty_result(self, name: str) -> None:
        """Clear what is below the headings of a sheet with a result."""
        texts = self._reader().texts(name)
        there = texts[0] if texts else []
        header = there[: there.index("")] if "" in there else there
        self.put_result(name, Page(tuple(Column(text) for text in header), []))

    @_sound
    def data(self) -> bytes:
        """Return the file."""
        self.package.recalculate()
        return self.package.data()

    def write(self) -> None:
        """Write the file; `Refused` if it was changed meanwhile."""
        data = self.data()
        if self._before and self.path.read_bytes() != self._before:
            remedy = "Close it in other programs, and do it again."
            raise Refused([Fault("changed meanwhile; nothing was written", remedy, self.path.name)])
        overwrite = bool(self._before) or self.overwrite
        write_texts({self.path.name: data}, self.path.parent, overwrite=overwrite)

    def _there(self) -> bytes:
        """Return what the file holds; nothing if there is none, or none that is a workbook and it may be replaced."""
        if not os.path.lexists(self.path) or os.path.isdir(self.path):
            return b""
        if self.path.is_symlink() and not self.path.exists():
            return b""
        begin = self.path.read_bytes()[:4] if os.access(self.path, os.R_OK) else _ZIP
        if begin not in (_ZIP, _OLD):
            if not self.overwrite:
                check_free((self.path.name,), self.path.parent)
            return b""
        self._refuse_held()
        Workbook(self.path, "a season")
        return self.path.read_bytes()

    def _refuse_held(self) -> None:
        """Refuse a file that may not be written, or is open in another program."""
        name, folder = self.path.name, self.path.parent
        if not self.path.stat().st_mode & (stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH):
            remedy = "Allow it to be changed, or write into another one."
            raise Refused([Fault("may only be read; nothing was written", remedy, name)])
        for lock in (f".~lock.{name}#", f"~${name}"):
            if os.path.lexists(folder / lock):
                remedy = f"Save and close it there. If it is not open anywhere, delete the file {lock}."
                raise Refused([Fault("open in another program; nothing was written", remedy, name)])

    @_sound
    def _opened(self) -> Package:
        return Package(self._before)

    def _reader(self) -> Workbook:
        if self.reader is None:
            raise Unsound
        return self.reader

    def _sheet(self, table: str, kind: type[Row]) -> Sheet:
        """Return the table in a sheet that is there; `Refused` if its header, or anything around it, is at fault."""
        sheet = self._reader().sheet(table, kind)
        faults = [fault for fault in sheet.faults if fault.problem != "no rows"]
        if not (faults or sheet.header):
            faults = [Fault("empty", "Delete the sheet; it is then added with its headings.", self.place(table))]
        if faults:
            raise Refused(faults)
        return sheet

    def _units(self, table: str, header: int) -> int:
        """Return the row of units below the headings of a sheet; 0 if it has none."""
        texts = self._reader().texts(table)
        below = texts[header][0] if len(texts) > header and texts[header] else ""
        return header + 1 if below.startswith("#") and "such as" not in below else 0

    def _put_rows(
        self, table: str, rows: Sequence[Row], old: Sequence[tuple[int, Row]], sheet: Sheet, places: Mapping[str, int]
    ) -> None:
        numbers = [number for number, _ in old]
        texts = self._reader().texts(table)
        comments = {
            number for number, cells in enumerate(texts, start=1)
            if number > sheet.header and number not in numbers and any(cells)
        }  # fmt: skip
        first = min(numbers, default=sheet.header + 1)
        part = self.package.sheets[table]
        grid = Grid(self.package.parts[part])
        placed = place_rows(old, rows, first, comments | grid.hidden())
        changes = dict(self._changes(placed, old, places, grid))
        faults = [*self._lost_formulas(table, changes, grid, places), *self._lost_notes(table, placed, old, part)]
        self._put(part, grid, changes, faults)

    def _old_rows(self, sheet: Sheet, kind: type[Row], table: str) -> list[tuple[int, Row]]:
        found, faults = [], []
        for line in sheet.lines:
            row, wrong = read_row(line, kind)
            faults += [fault.placed(self.place(table), line.number) for fault in wrong]
            if row is not None:
                found.append((line.number, row))
        if faults:
            raise Refused(faults)
        return found

    def _changes(
        self, placed: Sequence[Placed], old: Sequence[tuple[int, Row]], places: Mapping[str, int], grid: Grid
    ) -> Iterator[tuple[Place, Change]]:
        """Yield what changes: cells that differ, and whole rows that move or are no longer there."""
        last = old[-1][0] if old else 0
        for one in placed:
            number, before = one.before or (last, None)
            now, was = _cells(one.row), _cells(before)
            for name, column in places.items():
                value = now[name]
                same = name in was and was[name] == value
                if same and number != one.number:
                    yield (one.number, column), Moved(number, column)
                elif not same:
                    like = (one.number, column) if grid.style((one.number, column)) else (number, column)
                    yield (one.number, column), Value(self._dated(value, (number, column), grid), like)
        for number in {number for number, _ in old} - {one.number for one in placed}:
            for column in places.values():
                if column in grid.cells.get(number, {}):
                    yield (number, column), Value(None)

    def _dated(self, value: Any, like: Place, grid: Grid) -> Any:
        """Return a day as a day if the cell whose look it takes holds one, else as a text."""
        if not isinstance(value, date):
            return value
        one = grid.cells.get(like[0], {}).get(like[1])
        number = one is not None and one.attributes.get("t", "n") == "n" and "v>" in one.content
        return value if number else value.isoformat()

    def _lost_formulas(
        self, table: str, changes: Mapping[Place, Change], grid: Grid, places: Mapping[str, int]
    ) -> Iterator[Fault]:
        """Yield a fault for each formula that would be replaced or moved."""
        formulas = grid.formulas()
        names = {at: name for name, at in places.items()}
        for (row, column), change in sorted(changes.items(), key=lambda item: item[0]):
            source = (change.row, change.column) if isinstance(change, Moved) else (row, column)
            for at in {source, (row, column)} & formulas:
                problem = "a formula, which would be lost; nothing was written"
                yield Fault(problem, _ELSEWHERE, self.place(table), at[0], names.get(column, ""))

    def _lost_notes(
        self, table: str, placed: Sequence[Placed], old: Sequence[tuple[int, Row]], part: str
    ) -> Iterator[Fault]:
        """Yield a fault for each row with a note that would be another row, or elsewhere."""
        rows = {row for row, _ in noted(self.package, part)}
        stay = {one.number for one in placed if one.before and one.number == one.before[0] and _alike(one)}
        for number in (number for number, _ in old if number in rows and number not in stay):
            problem = "a row with a note, which would then be beside another row; nothing was written"
            remedy = "Delete the note, or choose another name for what is written."
            yield Fault(problem, remedy, self.place(table), number)

    def _put_result(self, name: str, page: Page, *, ours: bool) -> None:
        texts = self._reader().texts(name)
        header, there = [one.name for one in page.columns], texts[0] if texts else []
        width = next((at for at, text in enumerate(there) if not text), len(there))
        problem = remedy = ""
        if there[:width] != header and not ours:
            problem, remedy = "holds something else", "Rename it, or choose another name for what is written."
        elif any(text for row in texts for text in row[width : len(header)]):
            problem = "the result needs more columns than are free"
            remedy = "Move what is beside it to another sheet."
        if problem:
            raise Refused([Fault(f"{problem}; nothing was written", remedy, self.place(name))])
        part = self.package.sheets[name]
        grid = Grid(self.package.parts[part])
        if there[:width] != header and grid.root.child("tableParts"):
            problem = "formatted as a table whose headings would change; nothing was written"
            raise Refused([Fault(problem, "Make it a plain range again.", self.place(name))])
        rows = [header, *page.rows]
        changes: Changes = {}
        for number in range(1, max(len(rows), len(texts)) + 1):
            for column in range(1, max(width, len(header)) + 1):
                row = rows[number - 1] if number <= len(rows) else ()
                value = row[column - 1] if column <= len(row) else None
                if _text_of(value) != _at(texts, number, column):
                    changes[number, column] = self._result(value, (number, column), grid, page)
        self._put(part, grid, changes, list(self._lost_formulas(name, changes, grid, {})))

    def _put(self, part: str, grid: Grid, changes: Changes, faults: Sequence[Fault]) -> None:
        """Change cells of a sheet, unless something would be lost."""
        if faults:
            raise Refused(faults)
        since = DAYS_1904 if self._reader().since_1904 else 0
        if changes:
            self.package.parts[part] = grid.put(changes, self.package.styles.as_text, since)

    def _result(self, value: Any, at: Place, grid: Grid, page: Page) -> Value:
        if grid.style(at) or value is None or at[1] > len(page.columns):
            return Value(value)
        style = Style(format="yyyy-mm-dd" if isinstance(value, date) else page.columns[at[1] - 1].format)
        return Value(value, style=self.package.styles.index(style))


def plain_page(kind: type[Row], rows: Sequence[Row]) -> Page:
    """Return a table as a sheet without anything beside it."""
    columns, cells = table_cells(tuple(rows), kind)
    order = sorted(range(len(columns)), key=lambda at: columns[at] == "name")  # first, # would make it a comment line
    return Page(tuple(Column(columns[at]) for at in order), [[row[at] for at in order] for row in cells])


def _alike(one: Placed) -> bool:
    """Say whether a row is of the same as the one that it was: of the same variety, stage or lab."""
    before = one.before[1] if one.before else None
    return all(getattr(one.row, name) == getattr(before, name) for name in _OF if name in type(one.row).model_fields)


def _cells(row: Row | None) -> dict[str, Any]:
    """Return the cells of a row as a sheet holds them: a day as a day."""
    if row is None:
        return {}
    values = {name: getattr(row, name) for name in type(row).model_fields}
    return {name: value if isinstance(value, date) else held(value) for name, value in values.items()}


def _at(texts: Sequence[Sequence[str]], row: int, column: int) -> str:
    return texts[row - 1][column - 1] if row <= len(texts) and column <= len(texts[row - 1]) else ""


def _text_of(value: Any) -> str:
    """Return a value as the reader of a workbook would."""
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return value.isoformat() if isinstance(value, date) else str(value)


def _down(first: int, column: int) -> str:
    return f"{address(first, column)}:{address(first + 1000, column)}"


def _width(column: Column) -> float:
    return max(len(column.name), len(column.unit)) + 3.0


def _unkept(table: str, columns: Sequence[str], cells: Sequence[Sequence[Any]]) -> Iterator[Fault]:
    """Yield a fault for each text that a workbook would cut short, or not hold."""
    for number, row in enumerate(cells, start=1):
        for column, text in zip(columns, row, strict=True):
            if not isinstance(text, str):
                continue
            where = (table, number, column, text)
            if len(escaped(text)) > LONGEST:
                yield Fault(f"longer than the {LONGEST:,} characters of a cell", "Shorten it.", *where)
            elif any(sign in text for sign in _NOT_XML):
                yield Fault("no text that a workbook can keep", "Write it otherwise.", *where)
