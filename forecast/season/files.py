"""Reading and writing a season as a folder of CSV files with one season.toml."""

from __future__ import annotations

import csv
import difflib
import io
import os
import re
import shutil
import tempfile
import tomllib
from collections import defaultdict
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, get_args

import tomli_w

from forecast.errors import Fault, Refused, refuse
from forecast.season.cells import Row
from forecast.season.plan import TABLES, Season, Tables, contradictions
from forecast.season.rows import Header

OPTIONAL = {"orders"}
_MOST_BYTES = 50_000_000
_GROUPED = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}")
_DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+")
_REFERRED = {
    "varieties": ("variety", "group"),
    "stages": ("applies_to",),
    "places": ("place",),
    "offers": ("lab", "variety"),
}


def read_season(path: str | os.PathLike[str]) -> Season:
    """Read a season from a folder of CSV files and its ``season.toml``.

    Parameters
    ----------
    path
        The folder. It holds season.toml, varieties.csv, stages.csv, places.csv, offers.csv, wanted.csv
        and, if there are any, orders.csv; other files are left alone. Lines that begin with # are remarks.

    Returns
    -------
    Season

    Raises
    ------
    Refused
        If anything in the folder cannot be used; every fault of every file is listed, with file,
        row, column, value and remedy.

    Notes
    -----
    UTF-8. A file whose header is separated by semicolons is read with decimal commas, as European
    spreadsheets save it; a number that could be read in two ways is refused.
    """
    folder = Path(path)
    if not folder.is_dir():
        raise refuse("folder", str(path), "there is no such folder", "Give a folder that holds season.toml.")
    header, faults = _read_header(folder / "season.toml")
    rows: dict[str, list[tuple[int, Any]]] = {}
    spoken: dict[str, set[str]] = defaultdict(set)
    unread = set()
    for table, kind in TABLES.items():
        file = folder / f"{table}.csv"
        rows[table] = []
        if not file.is_file():
            if table not in OPTIONAL:
                unread.add(table)
                faults.append(Fault("there is no such file", _nearest(folder, table), file.name))
            continue
        try:
            lines, found = _lines(file, kind)
        except Refused as error:
            faults += error.faults
            unread.add(table)
            continue
        faults += found
        absent = {fault.column for fault in found if fault.row == 1}
        if absent:
            unread.add(table)
        if not lines and not found and table not in OPTIONAL:
            faults.append(Fault("holds no rows", "Add at least one row below the header.", file.name))
        for number, cells in lines:
            try:
                rows[table].append((number, kind(**cells)))
            except Refused as error:
                faults += [_placed(fault, file.name, number) for fault in error.faults if fault.column not in absent]
                for column in _REFERRED.get(table, ()):
                    spoken[f"{table}.{column}"].add(str(cells.get(column, "")))
    if not unread:
        names = {key: frozenset(values) for key, values in spoken.items()}
        crossed = contradictions(header, Tables(rows, names))
        faults += [_placed(fault, f"{fault.table}.csv", fault.row) for fault in crossed]
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
    header = {name: _plain(getattr(season, name)) for name in Header.model_fields}
    texts = {"season.toml": tomli_w.dumps({name: value for name, value in header.items() if value is not None})}
    for table, kind in TABLES.items():
        rows = getattr(season, table)
        if rows or table not in OPTIONAL:
            texts[f"{table}.csv"] = _table_text(rows, kind)
    write_texts(texts, path, overwrite=overwrite)


def write_texts(texts: Mapping[str, str], path: str | os.PathLike[str], *, overwrite: bool = False) -> None:
    """Write files into a folder, all or none.

    Parameters
    ----------
    texts
        Text of each file, by its name.
    path
        The folder; it is made if it is not there.
    overwrite
        Whether files that are there may be replaced.

    Raises
    ------
    Refused
        If `path` is a file, or one of the files is there already and `overwrite` is not asked for.
    """
    folder = Path(path)
    if folder.exists() and not folder.is_dir():
        raise refuse("folder", str(path), "this is a file", "Give a folder.")
    there = [] if overwrite else [name for name in texts if (folder / name).exists()]
    if there:
        remedy = "Give another folder, or ask for it to be replaced (overwrite=True, --overwrite)."
        raise Refused([Fault("is there already; nothing was written", remedy, str(folder / name)) for name in there])
    folder.parent.mkdir(parents=True, exist_ok=True)
    fresh = Path(tempfile.mkdtemp(prefix=".writing-", dir=folder.parent))
    try:
        for name, text in texts.items():
            (fresh / name).write_text(text, encoding="utf-8", newline="")
        folder.mkdir(exist_ok=True)
        for name in texts:
            os.replace(fresh / name, folder / name)
    finally:
        shutil.rmtree(fresh, ignore_errors=True)


def _read_header(file: Path) -> tuple[Header | None, list[Fault]]:
    try:
        cells = tomllib.loads(_text(file))
        return Header(**{str(name): value for name, value in cells.items()}), []
    except tomllib.TOMLDecodeError as error:
        return None, [Fault(f"not valid TOML: {error}", 'Write lines such as first_week = "2026-W40".', file.name)]
    except Refused as error:
        return None, [_placed(fault, file.name, None) for fault in error.faults]


def _placed(fault: Fault, file: str, row: int | None) -> Fault:
    return Fault(fault.problem, fault.remedy, file, row, fault.column, fault.value)


def _nearest(folder: Path, table: str) -> str:
    names = [file.name for file in folder.iterdir() if file.is_file() and file.stem not in TABLES]
    near = difflib.get_close_matches(f"{table}.csv", names, n=1, cutoff=0.75)
    return f"Is {near[0]} meant? Rename it." if near else f"Add {table}.csv; `start` writes an example."


def _text(file: Path) -> str:
    if not file.is_file():
        raise Refused([Fault("there is no such file", f"Add {file.name}; `start` writes an example.", file.name)])
    data = file.read_bytes()
    if len(data) > _MOST_BYTES:
        raise Refused([Fault("larger than 50 MB", "Split the season, or check what was saved here.", file.name)])
    if data[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\x00" in data[:1000]:
        raise Refused([Fault("saved as UTF-16", "Save it again as CSV in UTF-8.", file.name)])
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise Refused([Fault("not UTF-8", "Save it again as CSV in UTF-8.", file.name, line)]) from error
    if not text.strip():
        raise Refused([Fault("empty", "Add the header and at least one row.", file.name)])
    return text


def _lines(file: Path, kind: type[Row]) -> tuple[list[tuple[int, dict[str, str]]], list[Fault]]:
    """Give the filled cells of each row by column, with its number, and the faults of header and cells."""
    text = _text(file)
    first = next((line for line in text.splitlines() if line.strip() and not line.startswith(("#", '"#'))), "")
    if "\t" in first and "," not in first:
        raise Refused([Fault("separated by tabs", "Save it as CSV, separated by commas.", file.name)])
    semicolons = first.count(";") > first.count(",")
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=";" if semicolons else ",", strict=True)
    header: list[str] | None = None
    faults: list[Fault] = []
    lines: list[tuple[int, dict[str, str]]] = []
    try:
        for cells in reader:
            if not any(cell.strip() for cell in cells) or cells[0].lstrip().startswith("#"):
                continue
            if header is None:
                header = [cell.strip() for cell in cells]
                faults += _header_faults(header, kind, file.name)
                continue
            if any(cell.strip() for cell in cells[len(header) :]):
                remedy = "Remove what is too much." if semicolons else "Put a text that holds a comma in double quotes."
                faults.append(
                    Fault(f"{len(cells)} cells under {len(header)} columns", remedy, file.name, reader.line_num)
                )
                continue
            named = {
                name: cell.strip()
                for name, cell in zip(header, cells, strict=False)
                if name in kind.model_fields and cell.strip()
            }
            if semicolons:
                ambiguous = _read_decimal_commas(named, kind)
                faults += [_placed(fault, file.name, reader.line_num) for fault in ambiguous]
                if ambiguous:
                    continue
            lines.append((reader.line_num, named))
    except csv.Error as error:
        faults.append(Fault(f"not valid CSV: {error}", "Look for a stray double quote.", file.name, reader.line_num))
    return lines, faults


def _header_faults(header: list[str], kind: type[Row], file: str) -> Iterator[Fault]:
    known = list(kind.model_fields)
    for name in dict.fromkeys(header):
        if name and name not in known:
            near = difflib.get_close_matches(name.lower(), known, n=1, cutoff=0.6)
            remedy = f"Is {near[0]} meant?" if near else f"The columns are {', '.join(known)}."
            yield Fault("there is no such column", remedy, file, 1, name)
        elif name and header.count(name) > 1:
            yield Fault("the column stands here twice", "Keep one of the two.", file, 1, name)
    for name, cell in kind.model_fields.items():
        if cell.is_required() and name not in header:
            yield Fault("the column is missing", "Add it to the header.", file, 1, name)


def _read_decimal_commas(cells: dict[str, str], kind: type[Row]) -> list[Fault]:
    """Turn decimal commas into points, and name the numbers that could mean two things."""
    faults = []
    for name, cell in cells.items():
        wanted = kind.model_fields[name].annotation
        if not {float, int} & {wanted, *get_args(wanted)}:
            continue
        if _GROUPED.fullmatch(cell):
            digits = cell.replace(".", "").replace(",", "")
            decimal = cell.replace(",", ".").rstrip("0").rstrip(".").replace(".", ",")
            remedy = f"Write {digits} or {decimal}, whichever is meant."
            faults.append(Fault("could be read in two ways", remedy, column=name, value=cell))
        elif _DECIMAL_COMMA.fullmatch(cell):
            cells[name] = cell.replace(",", ".")
    return faults


def _plain(value: Any) -> Any:
    return value if value is None or isinstance(value, str | int | float) else str(value)


def _table_text(rows: tuple[Row, ...], kind: type[Row]) -> str:
    used = [
        name
        for name, cell in kind.model_fields.items()
        if cell.is_required() or any(getattr(row, name) not in (None, cell.default) for row in rows)
    ]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(used)
    for row in rows:
        writer.writerow(["" if getattr(row, name) is None else _plain(getattr(row, name)) for name in used])
    return text.getvalue()
