"""Reading a season from a folder of CSV files with one season.toml, or from a workbook; and writing the folder."""

from __future__ import annotations

import csv
import errno
import io
import os
import re
import shutil
import tempfile
import time
import tomllib
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import tomli_w

from forecast.errors import Fault, Refused, refuse
from forecast.io.layout import HEADER, MOST_FAULTS, OPTIONAL, Empty, read_row, read_sheet, read_text, too_large
from forecast.season.cells import Row, plain, shielded
from forecast.season.consistency import Tables, contradictions
from forecast.season.rows import Header
from forecast.season.season import TABLES, Season

if TYPE_CHECKING:
    from forecast.io.xlsx import Workbook

_REFERRED = {
    "varieties": ("variety", "group"),
    "stages": ("applies_to",),
    "places": ("place",),
    "price_list": ("lab", "variety"),
    "climate": ("month",),
}
_MOST_NAMES = 100  # in season.toml
_CHAINED = 100  # dots in a line of season.toml that is neither a remark nor gives one text
_PLAIN = re.compile(r'\s*(#.*|[\w-]+\s*=\s*"(\\.|[^"\\])*"\s*)')
_ASIDE, _BEFORE = ".writing-", ".before"  # folders for what is being written, and for what it replaces
_FORGOTTEN = 600  # seconds after which what is being written is taken for left by a writing that was cut short
_FULL = "Make room there, or give a folder elsewhere."
_CLOSED = "Close it in other programs, ask for the right to write there, or give another folder."
_REMEDIES = {errno.ENOSPC: _FULL, errno.EDQUOT: _FULL} | dict.fromkeys(
    (errno.EACCES, errno.EPERM, errno.EROFS), _CLOSED
)


def read_season(path: str | os.PathLike[str]) -> Season:
    """Read a season from a folder of CSV files and its ``season.toml``, or from a workbook.

    Parameters
    ----------
    path
        The folder. It holds season.toml, varieties.csv, stages.csv, places.csv, price_list.csv, targets.csv
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
    last calculated; what is hidden, merged or in error is refused, as in `read_records`. Links to files and folders
    are followed.
    """
    folder, book = Path(path), None
    if folder.suffix.lower() == ".xlsx" and not os.path.isdir(folder):
        from forecast.io.xlsx import Workbook  # noqa: PLC0415 (openpyxl takes time, and a folder needs none)

        book = Workbook(folder, HEADER)
    if book is None and not os.path.isdir(folder):
        problem = "this is a file, not a folder" if os.path.exists(folder) else "there is no such folder"
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
            if len(faults) > MOST_FAULTS:
                unread.add(table)
                break
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
        If one of the files is there already and `overwrite` is not asked for, a table is larger than one that is read
        may be, or as for `write_texts`; nothing is written then.
    """
    header = {name: plain(getattr(season, name)) for name in Header.model_fields}
    texts = {HEADER: tomli_w.dumps({name: value for name, value in header.items() if value is not None})}
    texts |= table_texts(season, TABLES, path)
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
        If `path` is a file, a folder has the name of one of the files, a name leads out of the folder, or one of
        them is there already and `overwrite` is not asked for. If the disk is full or may not be written, too. Then
        everything is as it was.

    Notes
    -----
    Files are written aside within the folder, flushed to the disk, and moved into place one by one. So each of them is
    the old or the new one whole, even if the writing is cut short; what it left aside is cleared away by one that
    begins ten minutes later. `path` may be a link to a folder. A link in the place of a file is replaced, and what it
    leads to is left alone; through a link in the place of a folder within the folder nothing is written.
    """
    folder = check_free(texts, path, overwrite=overwrite)
    try:
        _put(texts, folder)
    except OSError as error:
        remedy = _REMEDIES.get(error.errno or 0, "Give another folder.")
        problem = f"cannot be written: {error.strerror or error}; everything is as it was"
        raise refuse("folder", str(path), problem, remedy) from error


def _put(texts: Mapping[str, str | bytes], folder: Path) -> None:
    """Write files that may be written."""
    homes = sorted({home for name in texts for home in (folder / name).parents}, key=lambda home: len(home.parts))
    made: list[Path] = []
    moved: list[str] = []
    aside = folder
    try:
        for home in homes:
            if not os.path.isdir(home):
                home.mkdir()
                made.append(home)
        _clear(folder)
        aside = Path(tempfile.mkdtemp(prefix=_ASIDE, dir=folder))
        for name, text in texts.items():
            _flushed(aside / name, text if isinstance(text, bytes) else text.encode())
            if os.path.lexists(folder / name):
                kept = aside / _BEFORE / name
                kept.parent.mkdir(parents=True, exist_ok=True)
                shutil.copy2(folder / name, kept, follow_symlinks=False)
        for name in texts:
            os.replace(aside / name, folder / name)
            moved.append(name)
    except BaseException:
        with suppress(OSError):
            for name in moved:
                kept = aside / _BEFORE / name
                (os.replace(kept, folder / name) if os.path.lexists(kept) else (folder / name).unlink())
        raise
    finally:
        if aside != folder:
            shutil.rmtree(aside, ignore_errors=True)
        for home in reversed(made):
            with suppress(OSError):  # it holds what was written
                home.rmdir()


def _flushed(file: Path, data: bytes) -> None:
    """Write a file, and wait until the disk has it."""
    file.parent.mkdir(exist_ok=True)
    with file.open("xb") as opened:
        opened.write(data)
        opened.flush()
        os.fsync(opened.fileno())


def _clear(folder: Path) -> None:
    """Clear away what a writing that was cut short left aside."""
    for left in folder.glob(f"{_ASIDE}*"):
        with suppress(OSError):  # another one may be clearing it
            if left.stat().st_mtime < time.time() - _FORGOTTEN:
                shutil.rmtree(left, ignore_errors=True)


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
        As for `write_texts`, but for what shows only when it is written.
    """
    folder = Path(path)
    if "\0" in str(path) or (os.path.lexists(folder) and not os.path.isdir(folder)):
        problem = "this is a file" if os.path.isfile(folder) else "no folder can have this name"
        raise refuse("folder", str(path), problem, "Give a folder.")
    there = [] if overwrite else [str(folder / name) for name in names if os.path.lexists(folder / name)]
    if there:
        remedy = "Give another folder, or ask for it to be replaced (overwrite=True, --overwrite)."
        raise Refused([Fault("is there already; nothing was written", remedy, name) for name in there])
    faults = []
    for home in dict.fromkeys(Path(name).parent for name in names):
        at, remedy = folder / home, "Rename or move it, or give another folder."
        if home.is_absolute() or ".." in home.parts:
            faults.append(Fault("leads out of the folder", "Give a name within it.", str(home)))
        elif os.path.isfile(at):
            faults.append(Fault("this is a file, not a folder", remedy, str(at)))
        elif at != folder and os.path.islink(at):
            faults.append(Fault("a link to another place, through which nothing is written", remedy, str(at)))
    for file in (folder / name for name in names):
        if os.path.isdir(file):
            faults.append(Fault("this is a folder, not a file", "Rename or move it.", str(file)))
        elif os.path.exists(file) and not os.path.isfile(file):
            faults.append(Fault("neither a file nor a folder", "Rename or move it.", str(file)))
    if faults:
        raise Refused(faults)
    return folder


def _read_header(folder: Path) -> tuple[Header | None, list[Fault]]:
    such_as = 'Write lines such as first_week = "2026-W40".'
    try:
        text = read_text(folder, HEADER)
        if _tangled(text):
            return None, [Fault("not a list of names and what they are", such_as, HEADER)]
        cells = tomllib.loads(text)
        if len(cells) > _MOST_NAMES:
            return None, [Fault(f"more than {_MOST_NAMES} names", such_as, HEADER)]
    except Refused as error:
        return None, [fault.placed(HEADER, fault.row) for fault in error.faults]
    except (ValueError, RecursionError) as error:  # also numbers of more digits than Python reads
        return None, [Fault(f"not valid TOML: {_said(error)}", such_as, HEADER)]
    try:
        return Header(**cells), []
    except Refused as error:
        return None, [fault.placed(HEADER, fault.row) for fault in error.faults]


def _tangled(text: str) -> bool:
    """Tell whether names are so long chains of names that taking them apart would fill the memory."""
    quoted = False  # a text may go over several lines, so that a line no longer shows what it is
    for line in text.split("\n"):
        if not quoted and _PLAIN.fullmatch(line):
            continue
        if line.count(".") > _CHAINED:
            return True
        quoted = quoted or "'''" in line or '"""' in line
    return False


def _said(error: Exception) -> str:
    """Say what is wrong with a text in TOML."""
    if isinstance(error, RecursionError):
        return "nested too deep"
    return str(error) if isinstance(error, tomllib.TOMLDecodeError) else "a number with too many digits"


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


def table_texts(tables: object, kinds: Mapping[str, type[Row]], path: str | os.PathLike[str]) -> dict[str, str]:
    """Return the texts of a folder's files: what may be absent if it has rows, or is there, so that nothing old stays."""
    texts: dict[str, str] = {}
    faults: list[Fault] = []
    for table, kind in kinds.items():
        rows, name = getattr(tables, table), f"{table}.csv"
        if rows or table not in OPTIONAL or os.path.lexists(Path(path) / name):
            texts[name] = table_text(rows, kind)
            if problem := too_large(len(rows), texts[name]):
                faults.append(Fault(problem, "Split it by variety, or by year.", name))
    if faults:
        raise Refused(faults)
    return texts


def table_text(rows: tuple[Row, ...], kind: type[Row]) -> str:
    """Write rows as the text of a CSV file: the needed columns, and the others that are used."""
    return csv_text(*table_cells(rows, kind))


def table_cells(rows: tuple[Row, ...], kind: type[Row]) -> tuple[list[str], list[list[Any]]]:
    """Return the needed columns, and the others that are used, and what stands in them row by row."""
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
