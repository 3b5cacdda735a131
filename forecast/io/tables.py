"""The one reader of tables: from a folder or a workbook to checked rows, or to all that is wrong with them."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Protocol

from forecast.errors import Fault, Refused, refuse
from forecast.io.csv_folder import Folder
from forecast.io.file_sets import settle
from forecast.io.layout import MOST_FAULTS, Sheet, read_row
from forecast.season.cells import Row
from forecast.season.consistency import Tables


class Source(Protocol):
    """Where tables are read from."""

    def place(self, table: str) -> str:
        """Return the name of a table's file or sheet, as faults name it."""

    def sheet(self, table: str, kind: type[Row]) -> Sheet:
        """Return the cells of a table, whose rows are to be of a kind."""


def opened(path: str | os.PathLike[str], holds: str) -> Source:
    """Return the tables of a folder of CSV files that `holds` some, or of a workbook; `Refused` if it is neither."""
    if not os.path.exists(path):
        remedy = f"Give the folder that holds {holds}, or an .xlsx workbook."
        raise refuse("folder", str(path), "there is no such folder or workbook", remedy)
    if os.path.isdir(path):
        try:
            settle(Path(path))
        except OSError as error:
            problem = f"cannot be put back as it was before a writing that was cut short: {error.strerror or error}"
            remedy = "Close its files in other programs, or ask for permission to write there."
            raise refuse("folder", str(path), problem, remedy) from error
        return Folder(Path(path))
    from forecast.io.xlsx import Workbook  # noqa: PLC0415 (openpyxl takes time, and a folder needs none)

    return Workbook(Path(path), holds)


def read_tables(
    source: Source,
    kinds: Mapping[str, type[Row]],
    referred: Mapping[str, Sequence[str]],
    check: Callable[[Tables], Iterable[Fault]],
    faults: Sequence[Fault] = (),
) -> dict[str, tuple[Any, ...]]:
    """Return the rows of each table, of the given kinds; `Refused` if there is any fault, with every one of every file.

    `check` lists the contradictions between the rows. Names in the columns that it compares with other tables, those
    `referred` to, are collected from faulty rows too. `faults` were found before.
    """
    found = list(faults)
    rows: dict[str, list[tuple[int, Any]]] = {table: [] for table in kinds}
    spoken: dict[str, set[str]] = defaultdict(set)
    unread = set()
    for table, kind in kinds.items():
        columns = referred.get(table, ())
        try:
            sheet = source.sheet(table, kind)
        except Refused as error:
            found += error.faults
            unread.add(table)
            continue
        found += sheet.faults
        if not (sheet.complete and sheet.unusable.isdisjoint(columns)):
            unread.add(table)
        for line in sheet.lines:
            row, wrong = read_row(line, kind)
            if row is not None:
                rows[table].append((line.number, row))
                continue
            place = source.place(table)
            found += [fault.placed(place, line.number) for fault in wrong if fault.column not in sheet.unusable]
            if len(found) > MOST_FAULTS:
                unread.add(table)
                break
            for column in columns:
                spoken[f"{table}.{column}"].add(" ".join(line.cells.get(column, "").split()))
    names = {key: frozenset(values) for key, values in spoken.items()}
    crossed = check(Tables(rows, names, frozenset(unread)))
    found += [fault.placed(source.place(fault.table), fault.row) for fault in crossed]
    if found:
        raise Refused(found)
    return {table: tuple(row for _, row in numbered) for table, numbered in rows.items()}
