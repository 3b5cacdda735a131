"""The one reader of tables: from a folder or a workbook to checked rows, or to all that is wrong with them."""

from __future__ import annotations

import os
import warnings
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Generic, Protocol, TypeVar

from forecast.errors import Fault, Refused, listed, problems, refuse
from forecast.file_sets import settle
from forecast.io.as_written import Understood
from forecast.io.csv_folder import Folder
from forecast.io.layout import MOST_FAULTS, Sheet, read_row
from forecast.season.cells import Row
from forecast.season.consistency import Tables
from forecast.words.seasons import by_sheets, odd

Result = TypeVar("Result")


class Source(Protocol):
    """Where tables are read from."""

    def place(self, table: str) -> str:
        """Return the name of a table's file or sheet, as faults name it."""

    def sheet(self, table: str, kind: type[Row]) -> Sheet:
        """Return the cells of a table, whose rows are to be of a kind."""

    def ignored(self) -> Iterable[Fault]:
        """Return what is not read, though its name is nearly that of a table."""

    def __contains__(self, table: str) -> bool:
        """Return whether there is such a table."""


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


def by_sheet(fault: Fault, source: Source) -> Fault:
    """Return a fault in which the files that it names are those of a folder, or the sheets of a workbook."""
    if isinstance(source, Folder):
        return fault
    name, _, ending = fault.table.rpartition(".")
    table = source.place(name) if ending == "csv" else fault.table
    return replace(fault, table=table, remedy=by_sheets(fault.remedy))


@dataclass(frozen=True)
class Read(Generic[Result]):
    """What was read, if all of it can be used; all that is wrong with it; what is odd; and what was understood."""

    result: Result | None
    faults: tuple[Fault, ...]
    odd: tuple[Fault, ...]
    understood: tuple[Understood, ...] = ()

    def accepted(self) -> Result:
        """Return what was read, for a public call; `Refused` if anything is wrong, with a warning of what is odd."""
        if self.result is None or self.faults:
            raise Refused(self.faults)
        if self.odd:
            warnings.warn(odd(listed(self.odd), problems(self.odd)), stacklevel=3)
        return self.result


def read_tables(
    source: Source,
    kinds: Mapping[str, type[Row]],
    referred: Mapping[str, Sequence[str]],
    check: Callable[[Tables], Iterable[Fault]],
    doubt: Callable[[Tables], Iterable[Fault]],
) -> Read[dict[str, tuple[Any, ...]]]:
    """Return the rows of each table, of the given kinds, with every fault of every file and all that is odd.

    `check` lists the contradictions between the rows, and `doubt` what is odd in them. Names in the columns that are
    compared with other tables, those `referred` to, are collected from faulty rows too.
    """
    found: list[Fault] = []
    plainer: list[Understood] = []
    rows: dict[str, list[tuple[int, Any]]] = {table: [] for table in kinds}
    parts: dict[str, list[tuple[int, Any]]] = {table: [] for table in kinds}
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
        plainer += sheet.understood
        if not (sheet.complete and sheet.unusable.isdisjoint(columns)):
            unread.add(table)
        for line in sheet.lines:
            row, wrong = read_row(line, kind)
            if row is not None:
                rows[table].append((line.number, row))
                continue
            place = source.place(table)
            found += [fault.placed(place, line.number) for fault in wrong if fault.column not in sheet.unusable]
            if all(fault.column for fault in wrong):
                parts[table].append((line.number, kind.part(line.cells, {fault.column for fault in wrong})))
            if len(found) > MOST_FAULTS:
                unread.add(table)
                break
            for column in columns:
                spoken[f"{table}.{column}"].add(" ".join(line.cells.get(column, "").split()))
    names = {key: frozenset(values) for key, values in spoken.items()}
    tables = Tables(rows, names, frozenset(unread), parts)
    crossed, doubted = (
        [by_sheet(fault.placed(source.place(fault.table), fault.row), source) for fault in faults]
        for faults in (check(tables), doubt(tables))
    )
    result = {table: tuple(row for _, row in numbered) for table, numbered in rows.items()}
    return Read(result, (*found, *crossed), tuple(doubted), tuple(plainer))
