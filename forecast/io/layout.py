"""From the rows of a CSV file or a workbook to cells under the columns of their header, checked alike."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Literal, get_args

from forecast.errors import Fault, Refused
from forecast.io.as_written import DAY_ZERO, Line, Understood, understood
from forecast.io.files_in import OPTIONAL, RECORDS
from forecast.rates.by_cycle import ByCycle
from forecast.season.cells import Row, error_cell, is_error, nearest, renamed, suggestion

Empty = Literal["", "header", "absent"]
MOST_ROWS = 50_000  # of a table, below its header
MOST_COLUMNS = 1000
MOST_FAULTS = 100_000  # after which a file is not looked through for more
_NAMELESS = "Name the column, such as note, or clear it."
_NONE: frozenset[str] = frozenset()
_COMMENT = re.compile(r"#\s")
_HASHED = (
    "starts with #, but is not a comment",
    "Begin a comment with # and a space; else begin the row with something else.",
)


def may_be_empty(table: str) -> Empty:
    """Return what of a table's file or sheet may be empty."""
    return "absent" if table in OPTIONAL else "header" if table in RECORDS else ""


@dataclass(frozen=True)
class Sheet:
    """The cells of a CSV file, or of a sheet of a workbook."""

    lines: tuple[Line, ...]  # without the header, blank rows and comment lines
    faults: tuple[Fault, ...]  # of the file and its header; those of a row are in its line
    unusable: frozenset[str] = frozenset()  # needed columns that the header lacks, and columns that it has twice
    complete: bool = True  # whether the file could be read to its end
    understood: tuple[Understood, ...] = ()  # what was read as something plainer than is written
    header: int = 0  # row of the header; 0 if there is none
    columns: tuple[str, ...] = ()  # by place from the left, nameless ones as empty texts


def lay_out(
    name: str,
    rows: Sequence[tuple[int, Sequence[str]]],
    kind: type[Row],
    *,
    mark: str = "",
    broken: Fault | None = None,
    empty: Empty = "",
    odd: Mapping[int, Mapping[int, Fault]] | None = None,
    native: Mapping[int, Collection[int]] | None = None,
    base: date = DAY_ZERO,
) -> Sheet:
    """Put numbered rows of cells, the header among them, under the columns of their header.

    `mark` separates the cells in a file of text (empty for a workbook); `broken` is why the rows end before the file
    does. Nothing may be `empty`, or all below the ``header``, or all of it, as in a file that may be ``absent``. `odd`
    is what is wrong with a cell, by row and place in it from 0, or with a row, at place -1; row 0 is for columns.
    `native` are the places of numbers that are no texts, by row; serial days count from `base`.
    """
    odd, native = odd or {}, native or {}
    if len(rows) > MOST_ROWS + 1:
        rows, broken = rows[: MOST_ROWS + 1], Fault(f"more than {MOST_ROWS:,} rows", "Keep those of a few years.", name)
    filled = [(number, cells) for number, cells in rows if any(map(str.strip, cells)) and not _is_comment(cells)]
    faults = [broken] if broken else []
    while filled and not set(filled[0][1]) & set(kind.model_fields) and (hashed := _hashed(filled[0][1][0])):
        faults.append(hashed.placed(name, filled.pop(0)[0]))  # above the header
    if not filled:
        if not faults and empty != "absent":
            least = "" if empty else ", and at least one row"
            remedy = f"Add the header, {(mark or ', ').join(kind.model_fields)}{least}."
            faults.append(Fault("empty", remedy, name))
        return Sheet((), tuple(faults), complete=not faults)
    at, cells = filled.pop(0)
    width = 0 if mark else max(len(cells) for _, cells in rows)  # a workbook has as many columns as cells
    named = [cell.strip() for cell in cells] + [""] * (width - len(cells))
    if sum(map(bool, named)) > MOST_COLUMNS:
        remedy = f"Keep the known ones: {', '.join(kind.model_fields)}."
        return Sheet((), (Fault(f"more than {MOST_COLUMNS:,} columns", remedy, name, at),), complete=False)
    header, found, unusable = _header(named, kind)
    found += _odd(header, cells, kind, {**odd.get(0, {}), **odd.get(at, {})})
    faults = [*(fault.placed(name, at) for fault in found), *faults]
    if not set(header) & set(kind.model_fields):
        return Sheet((), tuple(fault for fault in faults if fault is not broken), complete=False)
    lines = tuple(
        _line(number, header, cells, kind, mark, odd.get(number, {}), native.get(number, ()))
        for number, cells in filled
    )
    lines, plainer = understood(name, lines, kind, base)
    if not (lines or broken or empty):
        faults.append(Fault("no rows", "Add at least one row below the header.", name))
    faults += _nameless(name, header, filled)
    return Sheet(lines, tuple(faults), unusable, broken is None, plainer, at, tuple(header))


def _nameless(name: str, header: Sequence[str], rows: Sequence[tuple[int, Sequence[str]]]) -> Iterator[Fault]:
    """Yield a fault for the first cell in a column without a name."""
    for number, cells in rows:
        for column, cell in zip(header, cells, strict=False):
            if cell.strip() and not column:
                yield Fault("a cell in a column without a name", _NAMELESS, name, number, value=cell)
                return


def read_row(line: Line, kind: type[Row]) -> tuple[Row | None, list[Fault]]:
    """Return the row of a line, or all its faults."""
    if any(not fault.column for fault in line.faults):  # its cells may be shifted
        return None, list(line.faults)
    faults = list(line.faults)
    try:
        row = kind(**line.cells)
    except Refused as error:
        named = {fault.column for fault in faults}
        faults += [
            replace(fault, value=(line.written or {}).get(fault.column, fault.value))
            for fault in error.faults
            if fault.column not in named
        ]
    return (None, faults) if faults else (row, faults)


def _is_comment(cells: Sequence[str]) -> bool:
    """Say whether a row is a comment: its first cell begins with # and a space, or is # and nothing else is filled."""
    text = cells[0].strip()
    return bool(_COMMENT.match(text)) or (text == "#" and not any(map(str.strip, cells[1:])))


def _hashed(cell: str) -> Fault | None:
    """Return what is wrong with the first cell of a row that is no comment, if it begins like one."""
    text = cell.strip()
    return Fault(*(error_cell(text) if is_error(text) else _HASHED), value=text) if text.startswith("#") else None


def _header(header: list[str], kind: type[Row]) -> tuple[list[str], list[Fault], frozenset[str]]:
    """Return the columns of a header, misspelt ones by the name that is meant, its faults and unusable columns."""
    known = list(kind.model_fields)
    faults, columns = [], list(header)
    for i, name in enumerate(header):
        if name and name not in known:
            taken = set(columns)
            free = [column for column in known if column not in taken]
            columns[i] = kind.RENAMED.get(name) or nearest(name, free) or name
            faults.append(Fault("no such column", renamed(name, kind) or suggestion(name, free), column=name))
    if not set(columns) & set(known):
        remedy = f"The first row that is not a comment must name the columns: {', '.join(known)}."
        return columns, [Fault("not a header", remedy, value=",".join(header))], frozenset()
    twice = [name for name in known if columns.count(name) > 1]
    absent = [name for name, cell in kind.model_fields.items() if cell.is_required() and name not in columns]
    faults += [Fault("the column appears twice", "Keep one of the two.", column=name) for name in twice]
    faults += [Fault("the column is missing", "Add it to the header.", column=name) for name in absent]
    return columns, faults, frozenset(twice + absent)


def _odd(header: Sequence[str], cells: Sequence[str], kind: type[Row], odd: Mapping[int, Fault]) -> list[Fault]:
    """Return what is wrong with cells in known columns, and with the row."""
    faults = [odd[-1]] if -1 in odd else []
    for place in sorted(odd):
        if 0 <= place < len(header) and header[place] in kind.model_fields:
            cell = cells[place].strip() if place < len(cells) else ""
            faults.append(replace(odd[place], column=header[place], value=cell or None))
    return faults


def _line(
    number: int,
    header: list[str],
    cells: Sequence[str],
    kind: type[Row],
    mark: str,
    odd: Mapping[int, Fault],
    native: Collection[int],
) -> Line:
    faults = _odd(header, cells, kind, odd)
    if len(cells) > len(header):
        remedy = "Put a text with a semicolon in double quotes, or remove the extra cells."
        if mark == ",":
            remedy = "Write decimals with a point, put a text with a comma in double quotes, or remove a comma."
        faults.append(Fault(f"{len(cells)} cells under {len(header)} columns", remedy, value=mark.join(cells)))
    hashed = _hashed(cells[0]) if header[0] in kind.model_fields else None
    if hashed and header[0] not in {fault.column for fault in faults}:
        faults.append(replace(hashed, column=header[0]))
    named = {}
    for name, cell in zip(header, cells, strict=False):
        if cell.strip() and name in kind.model_fields:
            named[name] = cell.strip()
    return Line(
        number, named, tuple(faults), frozenset(header[at] for at in native if at < len(header)) if native else _NONE
    )


def holds_number(kind: Any) -> bool:
    """Say whether a column of some type holds numbers."""
    return kind in (int, float, ByCycle) or any(holds_number(part) for part in get_args(kind))
