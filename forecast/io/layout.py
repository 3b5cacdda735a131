"""From a file to its text, and from the rows of a CSV file or a workbook to their cells, checked alike."""

from __future__ import annotations

import csv
import difflib
import io
import os
import re
import stat
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal, get_args

from forecast.errors import Fault, Refused
from forecast.rates.cycles import ByCycle
from forecast.season.cells import SPREADSHEET_ERROR, Row, nearest, suggestion, two_ways, unshielded
from forecast.season.season import TABLES

HEADER = "season.toml"
OPTIONAL = {"orders", "climate", "cultures", "divisions", "weather"}
RECORDS = ("batches", "counts", "weather")
Empty = Literal["", "header", "absent"]
_MOST_BYTES = {".csv": 10_000_000, ".toml": 1_000_000}  # by what a file is
MOST_ROWS = 50_000  # of a table, below its header
MOST_COLUMNS = 1000
MOST_FAULTS = 100_000  # after which a file is not looked through for more
_WORKBOOKS = {".xlsx", ".xlsm", ".xls", ".ods", ".numbers"}
_NAMELESS = "Give the column a name, such as note, or empty it."
_DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+")


def too_large(rows: int, text: str) -> str:
    """Say by what a table with so many rows and this text would not be read; nothing if it would."""
    size = len(text.encode())
    if rows > MOST_ROWS:
        return f"{rows:,} rows, more than the {MOST_ROWS:,} that would be read again"
    most = _MOST_BYTES[".csv"]
    return f"{size / 1e6:.2f} MB, more than the {most / 1e6:g} MB that would be read again" if size > most else ""


@dataclass(frozen=True)
class Line:
    """A row of a file: its number, its filled cells by column, and what is wrong with its form."""

    number: int
    cells: dict[str, str]
    faults: tuple[Fault, ...]


@dataclass(frozen=True)
class Sheet:
    """What stands in a CSV file, or a sheet of a workbook.

    Parameters
    ----------
    lines
        Its rows without the header, blank rows and remarks.
    faults
        What is wrong with the file and its header; what is wrong with a row is told in the row.
    unusable
        Needed columns that the header lacks, and columns that it has twice.
    complete
        Whether the file could be read to its end.
    """

    lines: tuple[Line, ...]
    faults: tuple[Fault, ...]
    unusable: frozenset[str] = frozenset()
    complete: bool = True


def read_text(folder: Path, name: str) -> str:
    """Read a file in UTF-8, with or without a byte order mark.

    Raises
    ------
    Refused
        If there is no such file, or it holds something else.
    """
    if os.path.isdir(folder / name):
        raise _refused(name, "this is a folder, not a file", f"Rename it, and put the file {name} here.")
    try:
        smaller = "Split the season, or check what was saved here."
        data = contents(folder / name, _MOST_BYTES[Path(name).suffix], smaller)
    except (FileNotFoundError, NotADirectoryError) as error:
        example = "." if Path(name).stem in RECORDS else "; `python -m forecast start` writes an example."
        remedy = _nearest_file(folder, name, 0.75) or f"Add {name}{example}"
        raise _refused(name, "there is no such file", remedy) from error
    again = "Save it again as CSV in UTF-8." if name.endswith(".csv") else "Save it again as text in UTF-8."
    if data.startswith(b"PK\x03\x04"):
        raise _refused(name, "a workbook, whatever its name says", again)
    if data[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\x00" in data[:1000]:
        raise _refused(name, "saved as UTF-16", again)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = len((data[: error.start] + b".").splitlines())
        shown = data.splitlines()[row - 1].decode("cp1252", errors="replace").strip()
        raise Refused([Fault("not UTF-8", again, name, row, value=shown)]) from error


def contents(file: Path, most: int, smaller: str) -> bytes:
    """Return what a file holds, or a file that it is a link to.

    Parameters
    ----------
    file, most
        The file, and how many bytes it may hold.
    smaller
        What to do if it holds more.

    Raises
    ------
    Refused
        If it is too large, neither a file nor a folder, such as a pipe that would be waited for, or may not be read.
    FileNotFoundError, NotADirectoryError
        If there is no such file.
    """
    try:
        status = file.stat()
        if not stat.S_ISREG(status.st_mode):
            raise _refused(file.name, "not a file that holds anything", "Put a file of this name here.")
        if status.st_size > most:
            raise _refused(file.name, f"larger than {most / 10**6:g} MB", smaller)
        return file.read_bytes()
    except (FileNotFoundError, NotADirectoryError, Refused):
        raise
    except (OSError, ValueError) as error:  # a name that no file can have, among them
        remedy = "Close it in other programs, or ask for the right to read it."
        problem = f"cannot be opened: {getattr(error, 'strerror', None) or error}"
        raise _refused(file.name, problem, remedy) from error


def read_sheet(folder: Path, table: str, kind: type[Row]) -> Sheet:
    """Read the CSV file of a table.

    Parameters
    ----------
    folder, table
        Folder and table; the file has the name of the table.
    kind
        What its rows are to be.

    Raises
    ------
    Refused
        If the file is not there, though needed, or is not the text of a CSV file.
    """
    name = f"{table}.csv"
    if table in OPTIONAL and not os.path.lexists(folder / name):
        near = _nearest_file(folder, name, 0.9)
        return Sheet((), (Fault("there is no such file", near, name),) if near else ())
    text = read_text(folder, name)
    first = next((line for line in text.splitlines() if line.strip() and not _is_remark(line.lstrip('"'))), "")
    if "\t" in first and "," not in first:
        raise _refused(name, "separated by tabs", "Save it as CSV, separated by commas.")
    mark = ";" if first.count(";") > first.count(",") else ","
    rows: list[tuple[int, Sequence[str]]] = []
    broken = None
    try:
        for number, cells in enumerate(csv.reader(io.StringIO(text, newline=""), delimiter=mark, strict=True), start=1):
            if cells:
                rows.append((number, [unshielded(cell) for cell in cells]))
            if len(rows) > MOST_ROWS + 1:
                break
    except csv.Error as error:
        remedy = "Look for a stray double quote there; within a quoted text, write it twice."
        broken = Fault(f"not valid CSV: {error}", remedy, name, len(rows) + 1)
    empty: Empty = "absent" if table in OPTIONAL else "header" if table in RECORDS else ""
    return lay_out(name, rows, kind, mark=mark, broken=broken, empty=empty)


def lay_out(
    name: str,
    rows: Sequence[tuple[int, Sequence[str]]],
    kind: type[Row],
    *,
    mark: str = "",
    broken: Fault | None = None,
    empty: Empty = "",
    odd: Mapping[int, Mapping[int, Fault]] | None = None,
) -> Sheet:
    """Put numbered rows of cells under the columns of their header.

    Parameters
    ----------
    name
        File or sheet, as it is named in faults.
    rows
        Its rows, the header among them: number, and cells as text.
    kind
        What the rows are to be.
    mark
        What separates cells in a file of text; empty for a workbook.
    broken
        Why the rows end before the file does, if so.
    empty
        What may be empty: nothing, what stands below the ``header``, or all of it, as in a file that may be ``absent``.
    odd
        What is wrong with a cell, by row and place in it from 0, or with a row, at place -1. Row 0 speaks of columns.
    """
    odd = odd or {}
    if len(rows) > MOST_ROWS + 1:
        rows, broken = rows[: MOST_ROWS + 1], Fault(f"more than {MOST_ROWS:,} rows", "Keep those of a few years.", name)
    header: list[str] = []
    lines: list[Line] = []
    faults: list[Fault] = []
    nameless: list[Fault] = []  # one is told
    unusable: frozenset[str] = frozenset()
    for number, cells in rows:
        if not any(cell.strip() for cell in cells) or _is_remark(cells[0]):
            continue
        if header:
            lines.append(_line(number, header, cells, kind, mark, odd.get(number, {})))
            stray = next((cell for name, cell in zip(header, cells, strict=False) if cell.strip() and not name), None)
            if stray and not nameless:
                nameless = [Fault("stands under no column name", _NAMELESS, name, number, value=stray)]
            continue
        width = 0 if mark else max(len(cells) for _, cells in rows)  # a workbook has as many columns as cells
        named = [cell.strip() for cell in cells] + [""] * (width - len(cells))
        if sum(map(bool, named)) > MOST_COLUMNS:
            remedy = f"Keep those that are known: {', '.join(kind.model_fields)}."
            return Sheet((), (Fault(f"more than {MOST_COLUMNS:,} columns", remedy, name, number),), complete=False)
        header, found, unusable = _header(named, kind)
        found += _odd(header, cells, kind, {**odd.get(0, {}), **odd.get(number, {})})
        faults += [fault.placed(name, number) for fault in found]
        if not set(header) & set(kind.model_fields):
            return Sheet((), tuple(faults), complete=False)
    if broken:
        faults.append(broken)
    if not header and not broken and empty != "absent":
        columns = (mark or ", ").join(kind.model_fields)
        least = "" if empty else ", and at least one row"
        faults.append(Fault("empty", f"Add the header, {columns}{least}.", name))
    elif not lines and not broken and not empty:
        faults.append(Fault("holds no rows", "Add at least one row below the header.", name))
    return Sheet(tuple(lines), (*faults, *nameless), unusable, broken is None)


def read_row(line: Line, kind: type[Row]) -> tuple[Row | None, list[Fault]]:
    """Return the row that stands in a line, or all its faults."""
    if any(not fault.column for fault in line.faults):  # its cells may be shifted
        return None, list(line.faults)
    faults = list(line.faults)
    try:
        row = kind(**line.cells)
    except Refused as error:
        named = {fault.column for fault in faults}
        faults += [fault for fault in error.faults if fault.column not in named]
    return (None, faults) if faults else (row, faults)


def _refused(name: str, problem: str, remedy: str) -> Refused:
    return Refused([Fault(problem, remedy, name)])


def _nearest_file(folder: Path, name: str, cutoff: float) -> str | None:
    expected = {HEADER, *(f"{table}.csv" for table in (*TABLES, *RECORDS))}
    try:
        files = [file.name for file in folder.iterdir() if file.is_file()]
    except OSError:  # it may not be looked into
        return None
    others = {file.lower(): file for file in sorted(files) if file not in expected}
    books = [file.lower() for file in files if Path(file).stem == Path(name).stem and Path(file).suffix in _WORKBOOKS]
    near = books or difflib.get_close_matches(name, others, n=1, cutoff=cutoff)
    if not near:
        return None
    if Path(near[0]).suffix in _WORKBOOKS:
        return f"Save {others[near[0]]} as {name}, CSV in UTF-8."
    return f"Is {others[near[0]]} meant? Rename it."


def _is_remark(cell: str) -> bool:
    text = cell.strip()
    return text.startswith("#") and not SPREADSHEET_ERROR.match(text)


def _header(header: list[str], kind: type[Row]) -> tuple[list[str], list[Fault], frozenset[str]]:
    """Return the columns of a header, misspelt ones by the name that is meant, its faults and unusable columns."""
    known = list(kind.model_fields)
    faults, columns = [], list(header)
    for i, name in enumerate(header):
        if name and name not in known:
            taken = set(columns)
            free = [column for column in known if column not in taken]
            columns[i] = nearest(name, free) or name
            faults.append(Fault("there is no such column", suggestion(name, free), column=name))
    if not set(columns) & set(known):
        remedy = f"The first row that is no remark must name the columns: {', '.join(known)}."
        return columns, [Fault("not a header", remedy, value=",".join(header))], frozenset()
    twice = [name for name in known if columns.count(name) > 1]
    absent = [name for name, cell in kind.model_fields.items() if cell.is_required() and name not in columns]
    faults += [Fault("the column stands here twice", "Keep one of the two.", column=name) for name in twice]
    faults += [Fault("the column is missing", "Add it to the header.", column=name) for name in absent]
    return columns, faults, frozenset(twice + absent)


def _odd(header: Sequence[str], cells: Sequence[str], kind: type[Row], odd: Mapping[int, Fault]) -> list[Fault]:
    """Say what is wrong with cells under known columns, and with the row."""
    faults = [odd[-1]] if -1 in odd else []
    for place in sorted(odd):
        if 0 <= place < len(header) and header[place] in kind.model_fields:
            cell = cells[place].strip() if place < len(cells) else ""
            faults.append(replace(odd[place], column=header[place], value=cell or None))
    return faults


def _line(
    number: int, header: list[str], cells: Sequence[str], kind: type[Row], mark: str, odd: Mapping[int, Fault]
) -> Line:
    faults = _odd(header, cells, kind, odd)
    if len(cells) > len(header):
        remedy = "Put a text that holds a semicolon in double quotes, or remove what is too much."
        if mark == ",":
            remedy = "Write decimals with a point, put a text that holds a comma in double quotes, or remove a comma."
        faults.append(Fault(f"{len(cells)} cells under {len(header)} columns", remedy, value=mark.join(cells)))
    named = {}
    for name, cell in zip(header, cells, strict=False):
        if cell.strip() and name in kind.model_fields:
            named[name] = cell.strip()
    if mark == ";" and not faults:
        faults += _read_decimal_commas(named, kind)
    return Line(number, named, tuple(faults))


def _read_decimal_commas(cells: dict[str, str], kind: type[Row]) -> Iterator[Fault]:
    """Turn decimal commas into points, and name the numbers that could mean two things."""
    for name, cell in cells.items():
        if not _holds_number(kind.model_fields[name].annotation):
            continue
        if remedy := two_ways(cell):
            yield Fault("could be read in two ways", remedy, column=name, value=cell)
        elif _DECIMAL_COMMA.fullmatch(cell):
            cells[name] = cell.replace(",", ".")


def _holds_number(kind: Any) -> bool:
    return kind in (int, float, ByCycle) or any(_holds_number(part) for part in get_args(kind))
