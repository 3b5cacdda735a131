"""Sheets of a workbook, read into rows as those of a CSV file are."""

from __future__ import annotations

import re
import warnings
import zipfile
import zlib
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from io import BytesIO
from pathlib import Path
from typing import Any

from openpyxl.reader.excel import ExcelReader
from openpyxl.utils.cell import get_column_letter, range_boundaries
from openpyxl.utils.escape import unescape

from forecast.errors import Fault, Refused
from forecast.season.cells import SPREADSHEET_ERROR, Row, nearest, suggestion
from forecast.season.sheets import Empty, Sheet, lay_out

_MOST_PACKED = 50_000_000  # bytes
_MOST_UNPACKED = 200_000_000  # bytes
_MOST_COLUMNS = 1000
_MUCH_LIKE = 0.9  # names of sheets
_ZIP, _OLD = b"PK\x03\x04", b"\xd0\xcf\x11\xe0"
_TAG = re.compile(rb"<(?:\w+:)?(row|col|mergeCell|f)\b([^>]*)>")
_ATTRIBUTE = re.compile(rb"""([\w:]+)\s*=\s*["']([^"']*)["']""")
_AGAIN = "Open it in a spreadsheet, and save it as .xlsx."


@dataclass(frozen=True)
class _Marks:
    """What the file of a sheet says beside its values: hidden rows and columns from 1, merged ranges, formulas."""

    rows: frozenset[int]
    columns: frozenset[int]
    merged: tuple[str, ...]
    formulas: bool


class Workbook:
    """A workbook in which some sheets are tables.

    Parameters
    ----------
    file
        An ``.xlsx`` file.
    instead
        What a folder would hold in its place.

    Raises
    ------
    Refused
        If there is no such file, or it is no workbook, is locked with a password, or holds more than 200 MB.
    """

    def __init__(self, file: Path, instead: str) -> None:
        self.name = file.name
        self._folder = f"Give a folder with {instead}"
        self._data = self._packed(file)
        self._reader = self._opened(data_only=True)

    @property
    def sheets(self) -> list[str]:
        """Names of its sheets."""
        return list(self._reader.wb.sheetnames)

    def sheet(self, table: str, kind: type[Row], *, empty: Empty = "") -> Sheet:
        """Give what stands in a sheet.

        Parameters
        ----------
        table
            Its name.
        kind
            What its rows are to be.
        empty
            What may be empty, as for `lay_out`.

        Returns
        -------
        Sheet
            Numbers and dates as a CSV file would hold them. Told as faults are errors of the spreadsheet, formulas
            without a value, cells merged with others, and hidden rows, columns and sheets.

        Raises
        ------
        Refused
            If there is no such sheet, though needed or with a name much like it, or it cannot be read.
        """
        if empty == "absent" and table not in self.sheets and not nearest(table, self.sheets, _MUCH_LIKE):
            return Sheet((), ())
        if table not in self.sheets:
            remedy = f"Add it, or rename the sheet that is meant. {suggestion(table, self.sheets)}"
            raise self._refused(f"there is no sheet {table}", remedy)
        name = self.place(table)
        if self._reader.wb[table].sheet_state != "visible":
            raise Refused([Fault("a hidden sheet", "Show it, and check what stands in it.", name)])
        try:
            return self._sheet(table, name, kind, empty)
        except Refused:
            raise
        except Exception as error:  # whatever a damaged file makes of the reader
            raise self._refused(f"the sheet {table} cannot be read", _AGAIN) from error

    def place(self, table: str) -> str:
        """Give a sheet's name as faults tell it."""
        return f"{self.name}, sheet {table}"

    def _sheet(self, table: str, name: str, kind: type[Row], empty: Empty) -> Sheet:
        texts: list[list[str]] = []
        for row in _unbounded(self._reader, table).iter_rows(min_row=1, min_col=1, values_only=True):
            texts.append([_text(value) for value in row])
            while texts[-1] and not texts[-1][-1]:
                texts[-1].pop()
            if len(texts[-1]) > _MOST_COLUMNS:
                where = f"{get_column_letter(len(texts[-1]))}{len(texts)}"
                raise Refused([Fault(f"{where} is filled, far beside the table", "Empty it.", name)])
        odd: dict[int, dict[int, Fault]] = defaultdict(dict)
        for number, texts_of in enumerate(texts, start=1):
            for place, text in enumerate(texts_of):
                if text.startswith("#") and SPREADSHEET_ERROR.fullmatch(text):
                    remedy = "Correct the formula there, and save it again."
                    odd[number][place] = Fault("an error of the spreadsheet", remedy)
        marks = self._marks(table)
        if marks.formulas:
            self._mark_uncalculated(table, texts, odd)
        _mark_merged(texts, marks.merged, odd)
        for number in marks.rows:
            odd[number][-1] = Fault("a hidden row", "Show it; delete it if it is not meant.")
        for column in marks.columns:
            odd[0][column - 1] = Fault("a hidden column", "Show it, and check what stands in it.")
        return lay_out(name, list(enumerate(texts, start=1)), kind, empty=empty, odd=odd)

    def _packed(self, file: Path) -> bytes:
        if not file.is_file():
            raise self._refused("there is no such file", f"{self._folder}, or a workbook.")
        try:
            if file.stat().st_size > _MOST_PACKED:
                raise self._refused("larger than 50 MB", "Check what was saved here; keep the tables alone.")
            data = file.read_bytes()
        except OSError as error:
            remedy = "Close it in other programs, or ask for the right to read it."
            raise self._refused(f"cannot be opened: {error.strerror}", remedy) from error
        if data.startswith(_OLD):
            raise self._refused(
                "saved in an old format, or locked with a password", f"{_AGAIN[:-1]}, without a password."
            )
        if not data.startswith(_ZIP):
            raise self._refused("not a workbook", f"{self._folder}, or an .xlsx file.")
        try:
            with zipfile.ZipFile(BytesIO(data)) as archive:
                if sum(part.file_size for part in archive.infolist()) > _MOST_UNPACKED:
                    raise self._refused("holds more than 200 MB", "Check what was saved here; keep the tables alone.")
                for part in archive.infolist():
                    with archive.open(part) as opened:
                        if b"<!DOCTYPE" in opened.read(1000):
                            raise self._refused("not a workbook as spreadsheets save it", _AGAIN)
        except (zipfile.BadZipFile, OSError, EOFError, NotImplementedError, RuntimeError, zlib.error) as error:
            raise self._refused("damaged, or not a workbook", _AGAIN) from error
        return data

    def _opened(self, *, data_only: bool) -> ExcelReader:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of what is beside the values, such as lists to choose from
            try:
                reader = ExcelReader(BytesIO(self._data), read_only=True, data_only=data_only, keep_links=False)
                reader.read()
            except Exception as error:  # whatever a damaged file makes of the reader
                raise self._refused("damaged, or not a workbook", _AGAIN) from error
        return reader

    def _marks(self, table: str) -> _Marks:
        path = next(rel.target for sheet, rel in self._reader.parser.find_sheets() if sheet.name == table)
        rows: set[int] = set()
        columns: set[int] = set()
        merged, formulas, number = [], False, 0
        for kind, written in _TAG.findall(self._reader.archive.read(path)):
            said = {name.decode(): value.decode() for name, value in _ATTRIBUTE.findall(written)}
            hidden = said.get("hidden") in ("1", "true")
            if kind == b"f":
                formulas = True
            elif kind == b"mergeCell":
                merged.append(said["ref"])
            elif kind == b"row":
                number = int(said.get("r", number + 1))
                rows |= {number} if hidden else set()
            elif kind == b"col" and hidden:
                columns.update(range(int(said["min"]), min(int(said["max"]), _MOST_COLUMNS) + 1))
        return _Marks(frozenset(rows), frozenset(columns), tuple(merged), formulas)

    def _mark_uncalculated(self, table: str, texts: list[list[str]], odd: dict[int, dict[int, Fault]]) -> None:
        """Write formulas that were never calculated into their cells, and mark these."""
        both = (_unbounded(reader, table) for reader in (self._reader, self._opened(data_only=False)))
        rows = (sheet.iter_rows(min_row=1, min_col=1) for sheet in both)
        for number, (found, written) in enumerate(zip(*rows, strict=True), start=1):
            for place, (cell, formula) in enumerate(zip(found, written, strict=True)):
                if formula.value is None or cell.value is not None or cell.data_type == "str":  # an empty text
                    continue
                row = texts[number - 1]
                row += [""] * (place + 1 - len(row))
                row[place] = str(getattr(formula.value, "text", formula.value))
                remedy = "Open it in a spreadsheet and save it again, or write the value."
                odd[number][place] = Fault("a formula that was never calculated", remedy)

    def _refused(self, problem: str, remedy: str) -> Refused:
        return Refused([Fault(problem, remedy, self.name)])


def _unbounded(reader: ExcelReader, table: str) -> Any:
    """Give a sheet to be read to its end, whatever size it states."""
    sheet: Any = reader.wb[table]
    sheet.reset_dimensions()
    return sheet


def _text(value: Any) -> str:
    """Give the value of a cell as a CSV file would hold it."""
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


def _mark_merged(texts: Sequence[Sequence[str]], merged: Sequence[str], odd: dict[int, dict[int, Fault]]) -> None:
    """Mark the cells that another one covers, in rows that are filled."""
    for ref in merged:
        left, top, right, bottom = (bound or 1 for bound in range_boundaries(ref))
        fault = Fault(f"merged with {get_column_letter(left)}{top}", "Unmerge the cells, and fill in each.")
        for number in range(top, min(bottom, len(texts)) + 1):
            if any(texts[number - 1]):
                for column in range(left, min(right, _MOST_COLUMNS) + 1):
                    if (number, column) != (top, left):
                        odd[number].setdefault(column - 1, fault)
