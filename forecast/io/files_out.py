"""Files written into a folder, all or none."""

from __future__ import annotations

import errno
import os
import shutil
import tempfile
import time
from collections.abc import Collection, Mapping
from contextlib import suppress
from pathlib import Path

from forecast.errors import Fault, Refused, refuse

_ASIDE, _BEFORE = ".writing-", ".before"  # folders for what is being written, and for what it replaces
_FORGOTTEN = 600  # seconds after which what is being written is taken for left by a writing that was cut short
_FULL = "Free some space, or choose another folder."
_CLOSED = "Close it in other programs, ask for permission to write there, or choose another folder."
_REMEDIES = {errno.ENOSPC: _FULL, errno.EDQUOT: _FULL} | dict.fromkeys(
    (errno.EACCES, errno.EPERM, errno.EROFS), _CLOSED
)


def write_texts(texts: Mapping[str, str | bytes], path: str | os.PathLike[str], *, overwrite: bool = False) -> None:
    """Write files, text or bytes by name, into a folder, all or none; ``a/b.csv`` is a file in a folder of the folder.

    The folder is created if missing. `Refused` if `path` is a file, a folder has the name of one of the files, a name
    leads out of the folder, one of them exists and `overwrite` is false, or the disk is full or not writable. Then
    everything is as it was.

    Notes
    -----
    Files are written aside within the folder, flushed to the disk, and moved into place one by one. So each of them is
    the old or the new one whole, even if the writing is cut short; what it left aside is removed by a later
    writing, ten minutes on. `path` may be a link to a folder. A link in the place of a file is replaced, and what it
    leads to is left alone; through a link in the place of a folder within the folder nothing is written.
    """
    folder = check_free(texts, path, overwrite=overwrite)
    try:
        _put(texts, folder)
    except OSError as error:
        remedy = _REMEDIES.get(error.errno or 0, "Choose another folder.")
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
    """Return the folder, or refuse, before any work is done, what `write_texts` would refuse before it writes."""
    folder = Path(path)
    if "\0" in str(path) or (os.path.lexists(folder) and not os.path.isdir(folder)):
        problem = "this is a file" if os.path.isfile(folder) else "no folder can have this name"
        raise refuse("folder", str(path), problem, "Choose a folder.")
    there = [] if overwrite else [str(folder / name) for name in names if os.path.lexists(folder / name)]
    if there:
        remedy = "Choose another folder, or allow it to be replaced (overwrite=True, --overwrite)."
        raise Refused([Fault("already exists; nothing was written", remedy, name) for name in there])
    homes = dict.fromkeys(Path(name).parent for name in names)
    faults = [*(_closed(folder, home) for home in homes), *(_taken(folder / name) for name in names)]
    if found := [fault for fault in faults if fault]:
        raise Refused(found)
    return folder


def _closed(folder: Path, home: Path) -> Fault | None:
    """Return why nothing can be written into a folder of the folder, if so."""
    at, remedy = folder / home, "Rename or move it, or choose another folder."
    if home.is_absolute() or ".." in home.parts:
        return Fault("leads out of the folder", "Use a name within it.", str(home))
    if os.path.isfile(at):
        return Fault("this is a file, not a folder", remedy, str(at))
    if at != folder and os.path.islink(at):
        return Fault("a link to another folder; nothing is written through links", remedy, str(at))
    return None


def _taken(file: Path) -> Fault | None:
    """Return what is in the place of a file and cannot be replaced by it, if anything."""
    if os.path.exists(file) and not os.path.isfile(file):
        problem = "this is a folder, not a file" if os.path.isdir(file) else "neither a file nor a folder"
        return Fault(problem, "Rename or move it.", str(file))
    return None
