"""A season read from a folder of CSV files with its season.toml, or from a workbook; and written as the folder."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import tomli_w

from forecast.errors import Fault, Refused
from forecast.files_out import write_texts
from forecast.io.as_written import Understood, in_season, other_currencies
from forecast.io.csv_folder import Folder, table_texts
from forecast.io.files_in import HEADER, OPTIONAL, is_workbook
from forecast.io.header_file import read_header
from forecast.io.tables import Read, Source, opened, read_tables
from forecast.season.cells import Row, plain
from forecast.season.consistency import contradictions
from forecast.season.header import Header
from forecast.season.oddities import odd_rows
from forecast.season.season import TABLES, Season

if TYPE_CHECKING:
    from forecast.io.workbook_out import WorkbookOut

_REFERRED = {
    "varieties": ("variety", "group"),
    "stages": ("applies_to",),
    "places": ("place",),
    "price_list": ("lab", "variety"),
    "profiles": ("profile",),
    "climate": ("month",),
}  # columns whose names the checks of other tables need
_SHEET = Path(HEADER).stem


def read_season(path: str | os.PathLike[str]) -> Season:
    """Read a season from a folder of CSV files and its ``season.toml``, or from a workbook.

    Parameters
    ----------
    path
        The folder. It holds season.toml, varieties.csv, stages.csv, places.csv, price_list.csv, targets.csv
        and, if there are any, profiles.csv, orders.csv, on_hand.csv, climate.csv, cultures.csv, divisions.csv; other
        files are left alone. Lines that start with # and a space are comments. Or an .xlsx or .xlsm workbook with
        sheets of these names; the one row of its sheet season holds what season.toml does. Other sheets are left alone.

    Returns
    -------
    Season

    Raises
    ------
    Refused
        If anything in the folder or workbook cannot be used; every problem of every file or sheet is listed, with
        file, row, column, value and how to fix it.

    Warns
    -----
    UserWarning
        Of what is possible but odd, such as a survival of 9 %, in the same form.

    Notes
    -----
    UTF-8, separated by commas or, as European spreadsheets save it, semicolons. A file has one style of numbers, with
    a decimal point or comma; ``90 %``, ``1.60 EUR``, ``28 days``, ``week 14 2027`` and days instead of weeks are read
    where they can mean one thing only, and ``python -m forecast check`` says which were; a number or day that
    could be read in two ways is refused. Of a workbook the values are read as
    last calculated; what is hidden, merged or in error is refused, as in `read_records`. Links to files and folders
    are followed.
    """
    return look_at_season(opened(path, HEADER)).accepted()


def look_at_season(source: Source) -> Read[Season]:
    """Return the season that was read, all that is wrong with it, and all that is odd."""
    header, faults, plainer = read_header(source.path) if isinstance(source, Folder) else _header_row(source)
    read = read_tables(
        source,
        TABLES,
        _REFERRED,
        lambda tables: contradictions(header, tables),
        lambda tables: odd_rows(header, tables),
    )
    found = (*plainer, *read.understood)
    if header is None:
        faults += read.faults
    else:
        faults += in_season(read.faults, header.first_week, header.first_week + (header.weeks - 1))
        faults += other_currencies(found, header.currency)
    season = Season(**header.given(), **(read.result or {})) if header and not faults else None
    return Read(season, tuple(faults), (*read.odd, *source.ignored()), found)


def write_season(
    season: Season, path: str | os.PathLike[str], *, overwrite: bool = False, like: str | os.PathLike[str] | None = None
) -> None:
    """Write a season as a folder or a workbook that `read_season` reads back exactly.

    Parameters
    ----------
    season
        What to write.
    path
        The folder, which is created if missing; or a workbook, whose name ends in ``.xlsx``. Of a workbook that is
        there, only the rows of these tables change.
    overwrite
        Whether existing files, or sheets of these names, may be replaced.
    like
        A folder whose tables have the separators and decimal marks that those of a new folder are to have; they have
        commas and points if it is not given.

    Raises
    ------
    Refused
        If one of the files or sheets exists and `overwrite` is false, a table is over the limits of reading it back,
        anything in a workbook would be lost, or as for `write_texts`; then nothing is written.
    """
    if is_workbook(path):
        from forecast.io.workbook_out import WorkbookOut  # noqa: PLC0415 (a folder needs no openpyxl)

        book = WorkbookOut(path, overwrite=overwrite)
        put_season(season, book)
        book.write()
        return
    header = {name: plain(getattr(season, name)) for name in Header.model_fields}
    texts = {HEADER: tomli_w.dumps({name: value for name, value in header.items() if value is not None})}
    texts |= table_texts(season, TABLES, path, *([] if like is None else [like]))
    write_texts(texts, path, overwrite=overwrite)


def season_tables(season: Season) -> dict[str, tuple[type[Row], tuple[Row, ...]]]:
    """Return row and rows of each table that a season has or must have, its settings as the first one."""
    header = Header(**{name: getattr(season, name) for name in Header.model_fields})
    rows = {table: getattr(season, table) for table in TABLES}
    return {_SHEET: (Header, (header,))} | {
        table: (kind, rows[table]) for table, kind in TABLES.items() if rows[table] or table not in OPTIONAL
    }


def put_season(season: Season, book: WorkbookOut) -> None:
    """Put the tables of a season into a workbook; those that it has no rows for are emptied."""
    tables = season_tables(season)
    book.check_free([*tables])
    book.check_texts(tables)
    for table, (kind, rows) in tables.items():
        book.put_table(table, kind, rows)
    for table, kind in TABLES.items():
        if table not in tables and table in book:
            book.put_table(table, kind, ())


def _header_row(book: Source) -> tuple[Header | None, list[Fault], Sequence[Understood]]:
    try:
        lines = book.sheet(_SHEET, Header).lines
        if len(lines) > 1:
            raise Refused([Fault("more than one row", "Keep one.", book.place(_SHEET), lines[1].number)])
    except Refused as error:
        return None, list(error.faults), ()
    read = read_tables(book, {_SHEET: Header}, {}, lambda _: (), lambda _: ())
    return next(iter((read.result or {})[_SHEET]), None), list(read.faults), read.understood
