"""A folder of CSV files: their cells, and the text of a file from rows."""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from forecast.errors import Fault, Refused
from forecast.io.files_in import (
    HEADER,
    MOST_BYTES,
    NEAR,
    OPTIONAL,
    RECORDS,
    ignored_files,
    nearest_file,
    read_text,
    refused,
)
from forecast.io.layout import MOST_ROWS, Sheet, lay_out, may_be_empty
from forecast.io.number_style import unmistakable
from forecast.rates.by_cycle import ByCycle
from forecast.season.cells import Row, plain, shielded, unshielded
from forecast.season.season import TABLES
from forecast.words.numbers import figures

_BOM = "\ufeff"


class Form(NamedTuple):
    """How a CSV file is written: what separates its cells, the decimal mark of its numbers, and what it begins with."""

    mark: str = ","
    decimal: str = "."
    begin: str = ""


USUAL = Form()


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


def form_of(*folders: str | os.PathLike[str]) -> Form:
    """Return how the tables of the first folder that holds some are written, by the first of them; else the usual form.

    Files separated by semicolons have decimal commas, unless all of their decimals have points.
    """
    for folder in map(Path, folders):
        for name in (f"{table}.csv" for table in (*TABLES, *RECORDS)):
            try:
                text = read_text(folder, name) if os.path.lexists(folder / name) else ""
            except Refused:
                continue
            if text:
                begin = _BOM if (folder / name).read_bytes().startswith(_BOM.encode()) else ""
                return Form(";", _decimal(text), begin) if separator(text) == ";" else Form(begin=begin)
    return USUAL


def _decimal(text: str) -> str:
    """Return the decimal mark of a text separated by semicolons."""
    cells = [cell.strip(' "') for line in text.splitlines() for cell in line.split(";")]
    points, commas = (any(re.fullmatch(rf"-?[0-9]+{mark}[0-9]+", cell) for cell in cells) for mark in (r"\.", ","))
    return "." if points and not commas else ","


def _first_line(text: str) -> str:
    filled = (line for line in text.splitlines() if line.strip(' "') and not line.lstrip(' "').startswith("#"))
    return next(filled, "")


def table_texts(
    tables: object, kinds: Mapping[str, type[Row]], path: str | os.PathLike[str], *like: str | os.PathLike[str]
) -> dict[str, str]:
    """Return the text of each table's file by its name.

    A table that may be absent has one if it has rows, or if its file is there, so that nothing old stays. They are
    written as the tables that are in the folder already; if there are none, as those of the first folder that has some.
    """
    texts: dict[str, str] = {}
    faults: list[Fault] = []
    form = form_of(path, *like)
    for table, kind in kinds.items():
        rows, name = getattr(tables, table), f"{table}.csv"
        if rows or table not in OPTIONAL or os.path.lexists(Path(path) / name):
            texts[name] = table_text(rows, kind, form)
            if problem := _too_large(len(rows), texts[name]):
                faults.append(Fault(problem, "Split it by variety, or by year.", name))
    if faults:
        raise Refused(faults)
    return texts


def table_text(rows: tuple[Row, ...], kind: type[Row], form: Form = USUAL) -> str:
    """Write rows as the text of a CSV file: the required columns and the others that are used."""
    return csv_text(*table_cells(rows, kind), form)


def table_cells(rows: tuple[Row, ...], kind: type[Row]) -> tuple[list[str], list[list[Any]]]:
    """Return the required columns and the others that are used, and their cells row by row."""
    used = [
        name
        for name, cell in kind.model_fields.items()
        if cell.is_required() or any(getattr(row, name) not in (None, cell.default) for row in rows)
    ]
    return used, [[held(getattr(row, name)) for name in used] for row in rows]


def held(value: Any) -> Any:
    """Return a value as a table holds it: one number for all cycles as a number."""
    if not isinstance(value, ByCycle):
        return plain(value)
    numbers = [int(number) if float(number).is_integer() else number for number in value.values]
    return numbers[0] if len(numbers) == 1 else " ".join(map(unmistakable, numbers))


def csv_text(header: Sequence[str], rows: Iterable[Iterable[Any]], form: Form = USUAL) -> str:
    """Write cells as the text of a CSV file, with texts that a spreadsheet would run as `shielded` has them."""
    text = io.StringIO()
    writer = csv.writer(text, delimiter=form.mark, lineterminator="\r\n")
    writer.writerow(header)
    for row in rows:
        writer.writerow([_written("" if cell is None else plain(cell), form) for cell in row])
    return form.begin + text.getvalue()


def _written(cell: Any, form: Form) -> Any:
    """Return a cell as the text of a file holds it."""
    if isinstance(cell, str):
        return shielded(cell)
    return unmistakable(cell).replace(".", form.decimal) if isinstance(cell, float) else cell


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
