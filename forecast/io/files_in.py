"""A file read as text or bytes, refused if it is missing or something else."""

from __future__ import annotations

import difflib
import os
import stat
from collections.abc import Iterator
from pathlib import Path

from forecast.errors import Fault, Refused, refuse
from forecast.season.season import TABLES
from forecast.words.numbers import figures

HEADER = "season.toml"
OPTIONAL = {"profiles", "orders", "on_hand", "climate", "cultures", "divisions", "weather"}
RECORDS = ("batches", "counts", "weather")
MOST_BYTES = {".csv": 10_000_000, ".toml": 1_000_000}  # by what a file is
NEAR = 0.9  # likeness of the name of a file to that of one which may be missing
_ENDINGS = {".csv", ".txt", ".toml", ".tsv"}
_WORKBOOKS = {".xlsx", ".xlsm", ".xls", ".ods", ".numbers"}
_WRITTEN = {".xlsx", ".xlsm"}
_UNWRITTEN = {*_WORKBOOKS, ".xlsb", ".xltx", ".xltm", ".fods"} - _WRITTEN


def read_text(folder: Path, name: str) -> str:
    """Read a file in UTF-8, with or without a byte order mark; `Refused` if it is missing or something else."""
    if os.path.isdir(folder / name):
        raise refused(name, "this is a folder, not a file", f"Rename it, and put the file {name} here.")
    try:
        smaller = "Split the season, or check what was saved in it."
        data = contents(folder / name, MOST_BYTES[Path(name).suffix], smaller)
    except (FileNotFoundError, NotADirectoryError) as error:
        example = "." if Path(name).stem in RECORDS else "; `python -m forecast start` writes an example."
        remedy = nearest_file(folder, name, 0.75) or f"Add {name}{example}"
        raise refused(name, "there is no such file", remedy) from error
    again = "Save it again as CSV in UTF-8." if name.endswith(".csv") else "Save it again as text in UTF-8."
    if data.startswith(b"PK\x03\x04"):
        raise refused(name, "a workbook with the name of a text file", again)
    if data[:2] in (b"\xff\xfe", b"\xfe\xff") or _every_other(data[:1000]):
        raise refused(name, "saved as UTF-16", again)
    if b"\0" in data:
        row = data[: data.index(b"\0")].count(b"\n") + 1
        raise Refused(
            [Fault("contains NUL bytes, so it is damaged", "Save it again, or take an earlier copy.", name, row)]
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = len((data[: error.start] + b".").splitlines())
        shown = data.splitlines()[row - 1].decode("cp1252", errors="replace").strip()
        raise Refused([Fault("not UTF-8", again, name, row, value=shown)]) from error


def _every_other(data: bytes) -> bool:
    """Say whether bytes are mostly NUL in one of every two places, as Latin letters are in UTF-16."""
    counts = sorted(data[place::2].count(0) for place in (0, 1))
    return 4 * counts[1] > len(data) and 2 * counts[0] < counts[1]


def contents(file: Path, most: int, smaller: str) -> bytes:
    """Return what a file, or the file that it links to, holds.

    `Refused` if it holds more than `most` bytes, with `smaller` as the fix, may not be read, or is neither a file nor a
    folder, such as a pipe that would be waited for. FileNotFoundError or NotADirectoryError if it is missing.
    """
    try:
        status = file.stat()
        if not stat.S_ISREG(status.st_mode):
            raise refused(file.name, "not a regular file", "Put a file of this name here.")
        if status.st_size > most:
            raise refused(file.name, f"larger than {figures(most / 10**6, 6)} MB", smaller)
        return file.read_bytes()
    except (FileNotFoundError, NotADirectoryError, Refused):
        raise
    except (OSError, ValueError) as error:  # a name that no file can have, among them
        remedy = "Close it in other programs, or ask for permission to read it."
        problem = f"cannot be opened: {getattr(error, 'strerror', None) or error}"
        raise refused(file.name, problem, remedy) from error


def refused(name: str, problem: str, remedy: str) -> Refused:
    """Make the error for a file or sheet as a whole."""
    return Refused([Fault(problem, remedy, name)])


def is_workbook(path: str | os.PathLike[str]) -> bool:
    """Say whether a path is that of a workbook by its ending; `Refused` if it is one that cannot be written."""
    ending = Path(path).suffix.lower()
    if ending in _UNWRITTEN and not os.path.isdir(path):
        raise refuse("folder", str(path), f"a workbook that ends in {ending} is not written", "Let it end in .xlsx.")
    return ending in _WRITTEN and not os.path.isdir(path)


def ignored_files(folder: Path) -> Iterator[Fault]:
    """Yield a fault for each file that is not read, though but for its ending it has the name of one that is."""
    expected = _expected()
    try:
        files = sorted(folder.iterdir())
    except OSError:  # it may not be looked into
        return
    for file in files:
        name, stem = file.name, file.name.lower()
        while Path(stem).suffix in _ENDINGS:
            stem = Path(stem).stem
        meant = next((one for one in expected if Path(one).stem == stem.strip()), None)
        if name in expected or file.is_dir() or not (meant or name.lower().endswith(".csv.csv")):
            continue
        remedy = f"Rename it {meant}." if meant else f"Rename it, such as {stem}.csv, if it is to be read."
        if (
            meant
            and not os.path.lexists(folder / meant)
            and (Path(meant).stem not in OPTIONAL or nearest_file(folder, meant, NEAR))
        ):
            continue  # that it is missing is a fault, which names this file
        if meant and os.path.lexists(folder / meant):
            remedy = f"Keep one of it and {meant}."
        yield Fault("not read, because of its name", remedy, name)


def _expected() -> set[str]:
    return {HEADER, *(f"{table}.csv" for table in (*TABLES, *RECORDS))}


def nearest_file(folder: Path, name: str, cutoff: float) -> str | None:
    """Return how to fix a missing file if one of a name that is alike, at least by `cutoff`, may be meant."""
    expected = _expected()
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
    return f"Did you mean {others[near[0]]}? Rename it."
