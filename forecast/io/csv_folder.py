"""A folder of CSV files: their cells, and the text of a file from rows."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from forecast.errors import Fault, Refused
from forecast.io.files_in import HEADER, MOST_BYTES, NEAR, OPTIONAL, ignored_files, nearest_file, read_text, refused
from forecast.io.layout import MOST_ROWS, Sheet, lay_out, may_be_empty
from forecast.season.cells import Row, plain, shielded, unshielded
from forecast.words.numbers import figures


@dataclass(frozen=True)
class Folder:
    """A folder in which each table is a CSV file."""

    path: Path

    def place(self, table: str) -> str:
        """Return the name of a table's file, as faults name it."""
        return HEADER if table == Path(HEADER).stem else f"{table}.csv"

    def __contains__(self, table: str) -> bool:
        return os.path.lexists(self.path / self.place(table))

    def ignored(self) -> Iterator[Fault]:
        """Return the files that are not read, though their names are nearly those of tables."""
        return ignored_files(self.path)

    def sheet(self, table: str, kind: type[Row]) -> Sheet:
        """Return the cells of a table's file, whose rows are to be of a kind.

        `Refused` if the file is not there, though needed, or is not the text of a CSV file.
        """
        name = f"{table}.csv"
        if table in OPTIONAL and not os.path.lexists(self.path / name):
            near = nearest_file(self.path, name, NEAR)
            return Sheet((), (Fault("there is no such file", near, name),) if near else ())
        text = read_text(self.path, name)
        first = _first_line(text)
        if "\t" in first and "," not in first:
            raise refused(name, "separated by tabs", "Save it as CSV, separated by commas.")
        mark = separator(text)
        rows: list[tuple[int, Sequence[str]]] = []
        broken, number = None, 0
        try:
            for number, cells in enumerate(
                csv.reader(io.StringIO(text, newline=""), delimiter=mark, strict=True), start=1
            ):
                if cells:
                    rows.append((number, [unshielded(cell) for cell in cells]))
                if len(rows) > MOST_ROWS + 1:
                    break
        except csv.Error as error:
            remedy = "Look for a stray double quote; within a quoted text, write it twice."
            broken = Fault(f"not valid CSV: {error}", remedy, name, number + 1)
        return lay_out(name, rows, kind, mark=mark, broken=broken, empty=may_be_empty(table))


def separator(text: str) -> str:
    """Return what separates the cells of a CSV file: a comma or, if its header has more of them, a semicolon."""
    first = _first_line(text)
    return ";" if first.count(";") > first.count(",") else ","


def _first_line(text: str) -> str:
    filled = (line for line in text.splitlines() if line.strip(' "') and not line.lstrip(' "').startswith("#"))
    return next(filled, "")


def table_texts(tables: object, kinds: Mapping[str, type[Row]], path: str | os.PathLike[str]) -> dict[str, str]:
    """Return the text of each table's file by its name.

    A table that may be absent has one if it has rows, or if its file is there, so that nothing old stays.
    """
    texts: dict[str, str] = {}
    faults: list[Fault] = []
    for table, kind in kinds.items():
        rows, name = getattr(tables, table), f"{table}.csv"
        if rows or table not in OPTIONAL or os.path.lexists(Path(path) / name):
            texts[name] = table_text(rows, kind)
            if problem := _too_large(len(rows), texts[name]):
                faults.append(Fault(problem, "Split it by variety, or by year.", name))
    if faults:
        raise Refused(faults)
    return texts


def table_text(rows: tuple[Row, ...], kind: type[Row]) -> str:
    """Write rows as the text of a CSV file: the required columns and the others that are used."""
    return csv_text(*table_cells(rows, kind))


def table_cells(rows: tuple[Row, ...], kind: type[Row]) -> tuple[list[str], list[list[Any]]]:
    """Return the required columns and the others that are used, and their cells row by row."""
    used = [
        name
        for name, cell in kind.model_fields.items()
        if cell.is_required() or any(getattr(row, name) not in (None, cell.default) for row in rows)
    ]
    return used, [[plain(getattr(row, name)) for name in used] for row in rows]


def csv_text(header: Sequence[str], rows: Iterable[Iterable[Any]]) -> str:
    """Write cells as the text of a CSV file, with texts that a spreadsheet would run as `shielded` has them."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(header)
    for row in rows:
        cells = ("" if cell is None else plain(cell) for cell in row)
        writer.writerow([shielded(cell) if isinstance(cell, str) else cell for cell in cells])
    return text.getvalue()


def _too_large(rows: int, text: str) -> str:
    """Return by what a table with so many rows and this text could not be read back; nothing if it could."""
    if rows > MOST_ROWS:
        return f"not saved: {rows:,} rows is over the {MOST_ROWS:,}-row limit for reading the file back"
    size, most = len(text.encode()) / 1e6, MOST_BYTES[".csv"] / 1e6
    return (
        f"not saved: {size:.2f} MB is over the {figures(most, 6)} MB limit for reading the file back"
        if size > most
        else ""
    )
