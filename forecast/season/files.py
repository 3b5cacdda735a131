"""Reading a season from a folder of CSV files with one season.toml, or from a workbook; and writing the folder."""

from __future__ import annotations

import csv
import io
import os
import shutil
import tempfile
import tomllib
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import tomli_w

from forecast.errors import Fault, Refused, refuse
from forecast.season.cells import Row, plain, shielded
from forecast.season.checks import Tables, contradictions
from forecast.season.plan import TABLES, Season
from forecast.season.rows import Header
from forecast.season.sheets import HEADER, OPTIONAL, Empty, read_row, read_sheet, read_text
from forecast.season.workbook import Workbook

_REFERRED = {
    "varieties": ("variety", "group"),
    "stages": ("applies_to",),
    "places": ("place",),
    "offers": ("lab", "variety"),
    "climate": ("month",),
}


def read_season(path: str | os.PathLike[str]) -> Season:
    """Read a season from a folder of CSV files and its ``season.toml``, or from a workbook.

    Parameters
    ----------
    path
        The folder. It holds season.toml, varieties.csv, stages.csv, places.csv, offers.csv, wanted.csv
        and, if there are any, orders.csv, climate.csv, cultures.csv, divisions.csv; other files are left
        alone. Lines that begin with # are remarks. Or an .xlsx workbook with sheets of these names; what stands in
        season.toml is the one row of the sheet season. Other sheets are left alone.

    Returns
    -------
    Season

    Raises
    ------
    Refused
        If anything in the folder or workbook cannot be used; every fault of every file or sheet is listed, with
        file, row, column, value and remedy.

    Notes
    -----
    UTF-8. A file whose header is separated by semicolons is read with decimal commas, as European
    spreadsheets save it; a number that could be read in two ways is refused. Of a workbook the values are read as
    last calculated; what is hidden, merged or in error is refused, as in `read_records`.
    """
    folder = Path(path)
    book = Workbook(folder, HEADER) if folder.suffix.lower() == ".xlsx" and not folder.is_dir() else None
    if book is None and not folder.is_dir():
        problem = "this is a file, not a folder" if folder.exists() else "there is no such folder"
        raise refuse("folder", str(path), problem, f"Give the folder that holds {HEADER}.")
    header, faults = _header_row(book) if book else _read_header(folder)
    rows: dict[str, list[tuple[int, Any]]] = {}
    spoken: dict[str, set[str]] = defaultdict(set)
    unread = set()
    files = {table: book.place(table) if book else f"{table}.csv" for table in TABLES}
    for table, kind in TABLES.items():
        rows[table] = []
        try:
            empty: Empty = "absent" if table in OPTIONAL else ""
            sheet = book.sheet(table, kind, empty=empty) if book else read_sheet(folder, table, kind)
        except Refused as error:
            faults += error.faults
            unread.add(table)
            continue
        faults += sheet.faults
        if not (sheet.complete and sheet.unusable.isdisjoint(_REFERRED.get(table, ()))):
            unread.add(table)
        for line in sheet.lines:
            row, found = read_row(line, kind)
            if row is not None:
                rows[table].append((line.number, row))
                continue
            faults += [fault.placed(files[table], line.number) for fault in found if fault.column not in sheet.unusable]
            for column in _REFERRED.get(table, ()):
                spoken[f"{table}.{column}"].add(" ".join(line.cells.get(column, "").split()))
    names = {key: frozenset(values) for key, values in spoken.items()}
    crossed = contradictions(header, Tables(rows, names, frozenset(unread)))
    faults += [fault.placed(files[fault.table], fault.row) for fault in crossed]
    if faults or header is None:
        raise Refused(faults)
    return Season(**header.given(), **{table: tuple(row for _, row in rows[table]) for table in TABLES})


def write_season(season: Season, path: str | os.PathLike[str], *, overwrite: bool = False) -> None:
    """Write a season as a folder that `read_season` reads back exactly.

    Parameters
    ----------
    season
        What to write.
    path
        The folder; it is made if it is not there.
    overwrite
        Whether files that are there may be replaced.

    Raises
    ------
    Refused
        If one of the files is there already and `overwrite` is not asked for; nothing is written then.
    """
    header = {name: plain(getattr(season, name)) for name in Header.model_fields}
    texts = {HEADER: tomli_w.dumps({name: value for name, value in header.items() if value is not None})}
    for table, kind in TABLES.items():
        rows = getattr(season, table)
        if rows or table not in OPTIONAL or (Path(path) / f"{table}.csv").exists():  # no old orders may stay
            texts[f"{table}.csv"] = table_text(rows, kind)
    write_texts(texts, path, overwrite=overwrite)


def write_texts(texts: Mapping[str, str | bytes], path: str | os.PathLike[str], *, overwrite: bool = False) -> None:
    """Write files into a folder, all or none.

    Parameters
    ----------
    texts
        Text of each file, or what it holds in bytes, by its name; ``a/b.csv`` is a file in a folder of the folder.
    path
        The folder; it is made if it is not there.
    overwrite
        Whether files that are there may be replaced.

    Raises
    ------
    Refused
        If `path` is a file, a folder has the name of one of the files, or one of them is there already
        and `overwrite` is not asked for.
    """
    folder = check_free(texts, path, overwrite=overwrite)
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise refuse("folder", str(path), f"cannot be made: {error.strerror}", "Give another folder.") from error
    fresh = Path(tempfile.mkdtemp(prefix=".writing-", dir=folder if folder.is_dir() else folder.parent))
    try:
        for name, text in texts.items():
            (fresh / name).parent.mkdir(exist_ok=True)
            (fresh / name).write_bytes(text if isinstance(text, bytes) else text.encode())
        folder.mkdir(exist_ok=True)
        for name in texts:
            (folder / name).parent.mkdir(exist_ok=True)
            os.replace(fresh / name, folder / name)
    finally:
        shutil.rmtree(fresh, ignore_errors=True)


def check_free(names: Collection[str], path: str | os.PathLike[str], *, overwrite: bool = False) -> Path:
    """Refuse, before any work is done, a folder into which files of these names cannot be written.

    Parameters
    ----------
    names, path, overwrite
        As for `write_texts`.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    Refused
        As for `write_texts`.
    """
    folder = Path(path)
    if folder.exists() and not folder.is_dir():
        raise refuse("folder", str(path), "this is a file", "Give a folder.")
    there = [] if overwrite else [str(folder / name) for name in names if (folder / name).exists()]
    if there:
        remedy = "Give another folder, or ask for it to be replaced (overwrite=True, --overwrite)."
        raise Refused([Fault("is there already; nothing was written", remedy, name) for name in there])
    within = {folder / name: None for name in (Path(name).parent for name in names) if (folder / name).is_file()}
    if within:
        remedy = "Rename or move it, or give another folder."
        raise Refused([Fault("this is a file, not a folder", remedy, str(name)) for name in within])
    folders = [str(folder / name) for name in names if (folder / name).is_dir()]
    if folders:
        raise Refused([Fault("this is a folder, not a file", "Rename or move it.", name) for name in folders])
    return folder


def _read_header(folder: Path) -> tuple[Header | None, list[Fault]]:
    try:
        cells = tomllib.loads(read_text(folder, HEADER))
        return Header(**{str(name): value for name, value in cells.items()}), []
    except tomllib.TOMLDecodeError as error:
        return None, [Fault(f"not valid TOML: {error}", 'Write lines such as first_week = "2026-W40".', HEADER)]
    except Refused as error:
        return None, [fault.placed(HEADER, fault.row) for fault in error.faults]


def _header_row(book: Workbook) -> tuple[Header | None, list[Fault]]:
    name = book.place(Path(HEADER).stem)
    try:
        sheet = book.sheet(Path(HEADER).stem, Header)
    except Refused as error:
        return None, list(error.faults)
    faults = list(sheet.faults)
    if len(sheet.lines) > 1:
        faults.append(Fault("more than one row", "Keep one.", name, sheet.lines[1].number))
    if not sheet.lines:
        return None, faults
    row, found = read_row(sheet.lines[0], Header)
    faults += [fault.placed(name, sheet.lines[0].number) for fault in found if fault.column not in sheet.unusable]
    return row if isinstance(row, Header) else None, faults


def table_text(rows: tuple[Row, ...], kind: type[Row]) -> str:
    """Write rows as the text of a CSV file: the needed columns, and the others that are used."""
    return csv_text(*table_cells(rows, kind))


def table_cells(rows: tuple[Row, ...], kind: type[Row]) -> tuple[list[str], list[list[Any]]]:
    """Give the needed columns, and the others that are used, and what stands in them row by row."""
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
