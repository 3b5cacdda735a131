"""A season to begin with as a workbook, and what is added to one."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from typing import Any

from forecast.io.seasons import season_tables
from forecast.io.workbook_out import WorkbookOut
from forecast.season.cells import Row
from forecast.season.season import TABLES, Season
from forecast.season.targets import Weight
from forecast.starter.columns import FILLED, SETTINGS
from forecast.starter.table_sheets import LISTS, Sources, lists_page, sources_of, table_columns, table_page
from forecast.words import starting as words

_PROFILES = "profiles"
Tables = Mapping[str, tuple[type[Row], Sequence[Row]]]


def write_begun(
    path: str | os.PathLike[str], season: Season, *, records: Tables, assumed: Sequence[tuple[str, str]],
    additions: Sequence[str], overwrite: bool,
) -> int:  # fmt: skip
    """Write a season to begin with into a workbook, and return the number of columns to fill.

    Parameters
    ----------
    path
        The workbook; of one that is there, all else is kept.
    season, records
        The season, and tables of records.
    assumed
        What was assumed, for the first sheet.
    additions
        Names of what may be added later.
    overwrite
        Whether sheets of the same names may be replaced.
    """
    book = WorkbookOut(path, overwrite=overwrite)
    tables = {**season_tables(season), **records}
    order = [*FILLED, SETTINGS, *(table for table in tables if table not in (*FILLED, SETTINGS))]
    sources, pages = Sources(), {}
    choices = lists_page(season, sources)
    for table in (*TABLES, *tables):  # those first that others choose from
        if table in tables:
            kind, rows = tables[table]
            pages[table] = table_page(
                table, kind, rows, sources, currency=season.currency, filled=table in FILLED, every=not rows
            )
    book.check_free(order)
    columns = sum(len(pages[table].columns) for table in FILLED)
    lines = words.start_here(book.path.name, columns=columns, tables=FILLED, additions=additions, assumed=assumed)
    book.add_text(words.START_HERE, lines)
    for table in order:
        book.put_table(table, *tables[table], page=pages[table])
    book.add_page(LISTS, choices)
    book.write()
    return columns


def add_to(
    path: str | os.PathLike[str], columns: Mapping[str, Sequence[str]], tables: Mapping[str, type[Row]],
    profiles: Sequence[Row], currency: str,
) -> dict[str, list[str]]:  # fmt: skip
    """Add columns and tables to a season in a workbook; their cells are empty.

    Parameters
    ----------
    path
        The workbook.
    columns
        Columns by table.
    tables
        New tables.
    profiles
        Rows for the sheet of profiles, if it is to be there.
    currency
        Code of the currency.

    Returns
    -------
    dict
        By sheet, the columns that were added; of a new sheet all of them.
    """
    book = WorkbookOut(path)
    sources, found = sources_of(book), dict[str, list[str]]()
    for table, kind in tables.items():
        if table not in book:
            page = table_page(table, kind, (), sources, currency=currency, every=True)
            book.put_table(table, kind, (), page)
            found[table] = [one.name for one in page.columns]
    for table, names in columns.items():
        kind = TABLES[table]
        known = book.columns(table, kind)
        new = [name for name in kind.model_fields if name in names and name not in known]
        if new:
            book.add_columns(table, kind, table_columns(table, kind, new, sources, currency=currency))
            found[table] = new
    if profiles and _PROFILES not in book:
        page = table_page(_PROFILES, Weight, profiles, sources, currency=currency)
        book.put_table(_PROFILES, Weight, profiles, page)
        found[_PROFILES] = [one.name for one in page.columns]
    if found:
        book.write()
    return found


def currency_of(path: str | os.PathLike[str]) -> str:
    """Return the currency of the season in a workbook, as it is written; a word for it if there is none."""
    book = WorkbookOut(path)
    texts: list[list[Any]] = book.reader.texts(SETTINGS) if book.reader and SETTINGS in book else []
    heads = next((row for row in texts if "currency" in row), [])
    below = texts[texts.index(heads) + 1 :] if heads else []
    cells = (
        row[heads.index("currency")]
        for row in below
        if row and row[0][:1] != "#" and len(row) > heads.index("currency")
    )
    return next(cells, "currency")
