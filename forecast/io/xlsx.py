"""Sheets of a workbook, read into rows as those of a CSV file are."""

from __future__ import annotations

import re
import warnings
import zipfile
from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from io import BytesIO
from pathlib import Path
from typing import IO, Any, TypeVar
from xml.etree.ElementTree import Element, iterparse

from openpyxl.reader.excel import ExcelReader
from openpyxl.utils.cell import coordinate_to_tuple, get_column_letter, range_boundaries
from openpyxl.utils.escape import unescape

from forecast.errors import Fault, Refused
from forecast.io.files_in import RECORDS, contents, refused
from forecast.io.layout import MOST_COLUMNS, Sheet, lay_out, may_be_empty
from forecast.season.cells import Row, error_cell, nearest, suggestion
from forecast.season.season import TABLES

_MOST_PACKED = 20_000_000  # bytes
_MOST_UNPACKED = 200_000_000  # bytes
_MOST_READ, _MOST_TAGS = 20_000_000, 2_000_000  # bytes and tags of a part that is read
_MOST_OPENED = 500  # parts, a sheet at least once and a table three times
_LAST_ROW, _LAST_COLUMN = 1_048_576, 16_384  # of a sheet: ECMA-376 sets no limit, spreadsheets have these
_MOST_CELLS = 5_000_000  # of a sheet, empty ones among them
_MOST_MARKS = 10_000  # cells marked as merged
_MUCH_LIKE = 0.9  # names of sheets
_ZIP, _OLD = b"PK\x03\x04", b"\xd0\xcf\x11\xe0"
_TAG = re.compile(rb"<(?:\w+:)?(row|col|mergeCell|f)\b([^>]*)>")
_ATTRIBUTE = re.compile(rb"""([\w:]+)\s*=\s*["']([^"']*)["']""")
_AGAIN = "Open it in a spreadsheet program and save it as .xlsx."
_SMALLER = "Check what was saved in it; keep only the tables."
_STRICT = (
    (b"http://purl.oclc.org/ooxml/spreadsheetml/main", b"http://schemas.openxmlformats.org/spreadsheetml/2006/main"),
    (
        b"http://purl.oclc.org/ooxml/officeDocument/relationships",
        b"http://schemas.openxmlformats.org/officeDocument/2006/relationships",
    ),
)  # names in Strict Open XML, and those that the reader knows: ECMA-376 (2016), parts 1 and 4, annex A
_UTF_16 = (b"\xff\xfe", b"\xfe\xff", b"<\0", b"\0<")
_T = TypeVar("_T")
_OTHERS = {
    "mimetype": ".ods, of another kind of program",
    "xl/workbook.bin": ".xlsb, a format that is not read",
    "Index/Document.iwa": ".numbers, of another kind of program",
}  # parts that tell files of other programs


@dataclass(frozen=True)
class _Marks:
    """What the file of a sheet says beside its values: hidden rows and columns from 1, merged ranges, formulas."""

    rows: frozenset[int]
    columns: frozenset[int]
    merged: tuple[str, ...]
    formulas: bool


class _Parts(zipfile.ZipFile):
    """The parts of a workbook's file, each of which is looked at before it is read."""

    times = 0  # that a part was opened

    def open(self, name: str | zipfile.ZipInfo, *_: Any, **__: Any) -> IO[bytes]:
        """Open a part that is neither too large nor declares anything of its own, which could grow without bound."""
        part = name if isinstance(name, zipfile.ZipInfo) else self.getinfo(name)
        self.times += 1
        if self.times > _MOST_OPENED:
            raise _Unsound("more sheets than can be read", _SMALLER)
        with super().open(name) as opened:
            found = opened.read(_MOST_READ + 1)
        if len(found) > _MOST_READ or found.count(b"<") > _MOST_TAGS:
            raise _Unsound(f"{part.filename} in it is larger than a table", _SMALLER)
        if found.startswith(_UTF_16) or b"<!DOCTYPE" in found:
            raise _Unsound("not a workbook as spreadsheet programs save it", _AGAIN)
        for strict, usual in _STRICT:
            found = found.replace(strict, usual)
        return BytesIO(found)


class _Unsound(Exception):
    """What is wrong with a workbook's file, and the remedy."""


class Workbook:
    """A workbook, .xlsx or .xlsm, in which some sheets are tables; a folder would hold `holds` in its place.

    Macros, links to other workbooks, pictures and whatever else is not a value are not opened. `Refused` if it is not a
    workbook, is locked with a password, holds more than 200 MB, or more than 20 MB in a part that is read.
    """

    def __init__(self, file: Path, holds: str) -> None:
        self.name = file.name
        self._folder = f"Give the folder that holds {holds}"
        self.data = self._packed(file)
        self._reader = self._opened()

    def sheet(self, table: str, kind: type[Row]) -> Sheet:
        """Return the cells of a sheet as a CSV file would hold them, whose rows are to be of a kind.

        Faults are spreadsheet errors, formulas without a value, cells merged with others, and hidden rows and columns.
        `Refused` if it is hidden, cannot be read, or is missing though needed or with a name much like it.
        """
        sheets = self._reader.wb.sheetnames
        if may_be_empty(table) == "absent" and table not in sheets and not nearest(table, sheets, _MUCH_LIKE):
            return Sheet((), ())
        if table not in sheets:
            remedy = f"Add it, or rename the right sheet. {suggestion(table, sheets)}"
            raise refused(self.name, f"no sheet {table}", remedy)
        name = self.place(table)
        if self._reader.wb[table].sheet_state != "visible":
            raise refused(name, "a hidden sheet", "Unhide it and check its contents.")
        return self._readable(table, lambda name: self._sheet(table, name, kind))

    def _readable(self, table: str, read: Callable[[str], _T]) -> _T:
        """Return what is read of a sheet, given its name; `Refused` if it cannot be read."""
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # of what is beside the values, and is left alone
                return read(self.place(table))
        except Refused:
            raise
        except _Unsound as error:
            raise refused(self.name, *error.args) from error
        except Exception as error:  # whatever a damaged file makes of the reader
            raise refused(self.name, f"the sheet {table} cannot be read", _AGAIN) from error

    def __contains__(self, table: str) -> bool:
        return table in self._reader.wb.sheetnames

    def ignored(self) -> Iterator[Fault]:
        """Return the sheets that are not read, though but for capitals and spaces they have the names of tables."""
        for sheet in self._reader.wb.sheetnames:
            meant = "_".join(sheet.lower().split())
            if meant != sheet and meant in (*TABLES, *RECORDS):
                yield Fault("not read, because of its name", f"Rename it {meant}.", self.place(sheet))

    def texts(self, sheet: str) -> list[list[str]]:
        """Return the cells of a sheet as a CSV file would hold them; `Refused` if it is too large or damaged."""
        return self._readable(sheet, lambda name: self._texts(sheet, name, defaultdict(dict), defaultdict(set)))

    @property
    def since_1904(self) -> bool:
        """Whether its serial days begin in 1904."""
        return bool(self._reader.wb.epoch.year == 1904)

    def place(self, table: str) -> str:
        """Return a sheet's name as faults name it."""
        return f"{self.name}, sheet {table}"

    def _sheet(self, table: str, name: str, kind: type[Row]) -> Sheet:
        odd: dict[int, dict[int, Fault]] = defaultdict(dict)
        native: dict[int, set[int]] = defaultdict(set)
        texts = self._texts(table, name, odd, native)
        marks = self._marks(table)
        if marks.formulas:
            self._mark_uncalculated(table, texts, odd)
        filled = [number for number, row in enumerate(texts, start=1) if any(row)]
        _mark_merged(texts, filled, marks.merged, odd)
        for number in marks.rows.intersection(filled):
            odd[number][-1] = Fault("a hidden row", "Unhide it, or delete it.")
        for column in marks.columns:
            odd[0][column - 1] = Fault("a hidden column", "Unhide it and check its contents.")
        base = self._reader.wb.epoch.date()
        rows = [(number, texts[number - 1]) for number in filled]
        return lay_out(name, rows, kind, empty=may_be_empty(table), odd=odd, native=native, base=base)

    def _texts(
        self, table: str, name: str, odd: dict[int, dict[int, Fault]], native: dict[int, set[int]]
    ) -> list[list[str]]:
        """Return the cells of each row of a sheet as a CSV file would hold them, up to the last that is filled.

        Errors, in any language, are marked as odd, numbers as native.
        """
        texts: list[list[str]] = []
        cells = 0
        sheet: Any = self._reader.wb[table]
        sheet.reset_dimensions()  # it is read to its end, whatever size it states
        for number, row in enumerate(sheet.iter_rows(min_row=1, min_col=1), start=1):
            texts.append([_text(cell.value) for cell in row])
            for place, cell in enumerate(row):
                if cell.data_type == "e":
                    odd[number][place] = Fault(*error_cell())
                elif isinstance(cell.value, int | float):
                    native[number].add(place)
            cells += len(row)
            while texts[-1] and not texts[-1][-1]:
                texts[-1].pop()
            if len(texts[-1]) > MOST_COLUMNS:
                where = f"{get_column_letter(len(texts[-1]))}{len(texts)}"
                raise refused(name, f"{where} is filled, far from the table", "Clear it.")
            if len(texts) > _LAST_ROW or cells > _MOST_CELLS:
                raise refused(name, "more rows or cells than a table has", "Delete what lies around it.")
        return texts

    def _packed(self, file: Path) -> bytes:
        data = contents(file, _MOST_PACKED, _SMALLER)
        if data.startswith(_OLD):
            raise refused(self.name, "an old format, or locked with a password", f"{_AGAIN[:-1]}, without a password.")
        if not data.startswith(_ZIP):
            raise refused(self.name, "not a workbook", f"{self._folder}, or an .xlsx workbook.")
        return data

    def _opened(self) -> ExcelReader:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of what is beside the values, such as lists to choose from
            try:
                self._look_inside()
                reader = ExcelReader(BytesIO(self.data), read_only=True, data_only=True, keep_links=False)
                if sum(part.file_size for part in reader.archive.infolist()) > _MOST_UNPACKED:
                    raise _Unsound("larger than 200 MB", _SMALLER)
                reader.archive = _Parts(BytesIO(self.data))
                reader.read()
            except _Unsound as error:
                raise refused(self.name, *error.args) from error
            except Exception as error:  # whatever a damaged file makes of the reader
                raise refused(self.name, "damaged, or not a workbook", _AGAIN) from error
        return reader

    def _look_inside(self) -> None:
        """Say it if the file is one of another kind of program."""
        with zipfile.ZipFile(BytesIO(self.data)) as archive:
            names = set(archive.namelist())
        for part, kind in _OTHERS.items():
            if part in names and "xl/workbook.xml" not in names:
                raise _Unsound(kind, _AGAIN)

    def _marks(self, table: str) -> _Marks:
        rows: set[int] = set()
        columns: set[int] = set()
        merged, formulas, number, hidden_columns = [], False, 0, 0
        for kind, written in _TAG.findall(self._reader.archive.read(self._path(table))):
            attributes = {name.decode(): value.decode() for name, value in _ATTRIBUTE.findall(written)}
            hidden = attributes.get("hidden") in ("1", "true")
            if kind == b"f":
                formulas = True
            elif kind == b"mergeCell":
                merged.append(attributes["ref"])
            elif kind == b"row":
                number = int(attributes.get("r", number + 1))
                rows |= {number} if hidden else set()
            elif kind == b"col" and hidden and hidden_columns < _LAST_COLUMN:
                hidden_columns += 1
                columns.update(range(max(1, int(attributes["min"])), min(int(attributes["max"]), MOST_COLUMNS) + 1))
        return _Marks(frozenset(rows), frozenset(columns), tuple(merged), formulas)

    def _mark_uncalculated(self, table: str, texts: list[list[str]], odd: dict[int, dict[int, Fault]]) -> None:
        """Write formulas that were never calculated into their cells, and mark these."""
        with self._reader.archive.open(self._path(table)) as opened:
            for number, place, formula in _uncalculated(opened):
                row = texts[number - 1]
                row += [""] * (place - len(row))
                row[place - 1] = f"={formula}"
                remedy = "Open it in a spreadsheet program and save it again, or write the value."
                odd[number][place - 1] = Fault("a formula that was never calculated", remedy)

    def _path(self, table: str) -> str:
        return str(next(rel.target for sheet, rel in self._reader.parser.find_sheets() if sheet.name == table))


def _uncalculated(opened: IO[bytes]) -> Iterator[tuple[int, int, str]]:
    """Return row, column and text of each formula without a value, in the XML of a sheet."""
    number = 0
    for _, row in iterparse(opened):
        if _tag(row) != "row":
            continue
        number, place = int(float(row.get("r", number + 1))), 0
        for cell in row:
            place = coordinate_to_tuple(cell.attrib["r"])[1] if "r" in cell.attrib else place + 1
            parts = {_tag(part): part.text or "" for part in cell}
            if "f" in parts and not parts.get("v") and cell.get("t") != "str":  # an empty text
                yield number, place, parts["f"]
        row.clear()


def _tag(element: Element) -> str:
    return element.tag.rpartition("}")[2]


def _text(value: Any) -> str:
    """Return the value of a cell as a CSV file would hold it."""
    if value is None:
        return ""
    if isinstance(value, str):
        return str(unescape(value))  # a carriage return is written _x000D_: ECMA-376 (2016), part 1, 22.9.2.19
    if isinstance(value, bool):
        return str(value).upper()
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    if isinstance(value, datetime) and value.time() == datetime.min.time():
        return value.date().isoformat()
    return str(value)


def _mark_merged(
    texts: Sequence[Sequence[str]], filled: Sequence[int], merged: Sequence[str], odd: dict[int, dict[int, Fault]]
) -> None:
    """Mark the cells that another one covers, in rows that are filled."""
    width = max(map(len, texts), default=0)
    marked = 0
    for ref in merged:
        left, top, right, bottom = (bound or 1 for bound in range_boundaries(ref))
        if left > width or marked > _MOST_MARKS:
            continue
        fault = Fault(f"merged with {get_column_letter(left)}{top}", "Unmerge the cells and fill each.")
        for at in range(bisect_left(filled, top), bisect_right(filled, bottom)):
            number = filled[at]
            for column in range(left, min(right, width) + 1):
                marked += 1
                if (number, column) != (top, left):
                    odd[number].setdefault(column - 1, fault)
