"""From a file to its text, and from the text of a CSV file to the cells of its rows."""

from __future__ import annotations

import csv
import difflib
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

from forecast.errors import Fault, Refused
from forecast.rates.cycles import ByCycle
from forecast.season.cells import SPREADSHEET_ERROR, Row, nearest, suggestion, two_ways
from forecast.season.plan import TABLES

HEADER = "season.toml"
OPTIONAL = {"orders", "cultures", "divisions"}
_MOST_BYTES = 50_000_000
_WORKBOOKS = {".xlsx", ".xlsm", ".xls", ".ods", ".numbers"}
_NAMELESS = "Give the column a name, such as note, or empty it."
_DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+")


@dataclass(frozen=True)
class Line:
    """A row of a CSV file: its number, its filled cells by column, and what is wrong with its form."""

    number: int
    cells: dict[str, str]
    faults: tuple[Fault, ...]


@dataclass(frozen=True)
class Sheet:
    """What stands in a CSV file.

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
    file = folder / name
    if file.is_dir():
        raise _refused(name, "this is a folder, not a file", f"Rename it, and put the file {name} here.")
    if not file.is_file():
        remedy = _nearest_file(folder, name, 0.75) or f"Add {name}; `python -m forecast start` writes an example."
        raise _refused(name, "there is no such file", remedy)
    try:
        data = file.read_bytes()
    except OSError as error:
        remedy = "Close it in other programs, or ask for the right to read it."
        raise _refused(name, f"cannot be opened: {error.strerror}", remedy) from error
    again = "Save it again as CSV in UTF-8." if name.endswith(".csv") else "Save it again as text in UTF-8."
    if len(data) > _MOST_BYTES:
        raise _refused(name, "larger than 50 MB", "Split the season, or check what was saved here.")
    if data.startswith(b"PK\x03\x04"):
        raise _refused(name, "a workbook, whatever its name says", again)
    if data[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\x00" in data[:1000]:
        raise _refused(name, "saved as UTF-16", again)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = data[: error.start].count(b"\n")
        shown = data.split(b"\n")[before].decode("cp1252", errors="replace").strip()
        raise Refused([Fault("not UTF-8", again, name, before + 1, value=shown)]) from error


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
    if table in OPTIONAL and not (folder / name).exists():
        near = _nearest_file(folder, name, 0.9)
        return Sheet((), (Fault("there is no such file", near, name),) if near else ())
    text = read_text(folder, name)
    first = next((line for line in text.splitlines() if line.strip() and not _is_remark(line.lstrip('"'))), "")
    if "\t" in first and "," not in first:
        raise _refused(name, "separated by tabs", "Save it as CSV, separated by commas.")
    mark = ";" if first.count(";") > first.count(",") else ","
    header: list[str] = []
    lines: list[Line] = []
    faults: list[Fault] = []
    nameless: list[Fault] = []  # one is told
    unusable: frozenset[str] = frozenset()
    complete, number = True, 0
    try:
        for number, cells in enumerate(csv.reader(io.StringIO(text, newline=""), delimiter=mark, strict=True), start=1):
            if not any(cell.strip() for cell in cells) or _is_remark(cells[0]):
                continue
            if header:
                lines.append(_line(number, header, cells, kind, mark))
                stray = next(
                    (cell for name, cell in zip(header, cells, strict=False) if cell.strip() and not name), None
                )
                if stray and not nameless:
                    nameless = [Fault("stands under no column name", _NAMELESS, name, number, value=stray)]
                continue
            header, found, unusable = _header([cell.strip() for cell in cells], kind)
            faults += [fault.placed(name, number) for fault in found]
            if not set(header) & set(kind.model_fields):
                return Sheet((), tuple(faults), complete=False)
    except csv.Error as error:
        remedy = "Look for a stray double quote there; within a quoted text, write it twice."
        faults.append(Fault(f"not valid CSV: {error}", remedy, name, number + 1))
        complete = False
    if not lines and complete and table not in OPTIONAL:
        problem, remedy = "holds no rows", "Add at least one row below the header."
        if not header:
            problem, remedy = "empty", f"Add the header, {mark.join(kind.model_fields)}, and at least one row."
        faults.append(Fault(problem, remedy, name))
    return Sheet(tuple(lines), (*faults, *nameless), unusable, complete)


def _refused(name: str, problem: str, remedy: str) -> Refused:
    return Refused([Fault(problem, remedy, name)])


def _nearest_file(folder: Path, name: str, cutoff: float) -> str | None:
    expected = {HEADER, *(f"{table}.csv" for table in TABLES)}
    files = [file.name for file in folder.iterdir() if file.is_file()]
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
    """Give the columns of a header, misspelt ones by the name that is meant, its faults and unusable columns."""
    known = list(kind.model_fields)
    faults, columns = [], list(header)
    for i, name in enumerate(header):
        if name and name not in known:
            free = [column for column in known if column not in columns]
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


def _line(number: int, header: list[str], cells: list[str], kind: type[Row], mark: str) -> Line:
    faults: list[Fault] = []
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
