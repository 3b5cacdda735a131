"""Files written into a folder, all or none."""

from __future__ import annotations

import errno
import os
from collections.abc import Collection, Mapping, Sequence
from contextlib import suppress
from pathlib import Path

from forecast.errors import Fault, Refused, refuse
from forecast.file_sets import leads_out, put

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
    Files are written aside within the folder, flushed to the disk, and moved into place by one writing at a time
    (`forecast.file_sets`). If that is cut short, each of them is the old or the new one whole, and all are the old
    ones again once anything is read from the folder or written to it. `path` may be a link to a folder. A link in the
    place of a file is replaced, and what it leads to is left alone; through a link in the place of a folder within the
    folder nothing is written.
    """
    folder = check_free(texts, path, overwrite=overwrite)
    data = {name: text if isinstance(text, bytes) else text.encode() for name, text in texts.items()}
    try:
        _put(data, folder, overwrite=overwrite)
    except OSError as error:
        if isinstance(error, FileExistsError):
            check_free(texts, path, overwrite=overwrite)  # it came since
        remedy = _REMEDIES.get(error.errno or 0, "Choose another folder.")
        problem = f"cannot be written: {error.strerror or error}; everything is as it was"
        raise refuse("folder", str(path), problem, remedy) from error


def _put(data: Mapping[str, bytes], folder: Path, *, overwrite: bool) -> None:
    """Put files into a folder, which is made if missing, and taken away again if nothing is written."""
    homes = sorted({home for name in data for home in (folder / name).parents}, key=lambda home: len(home.parts))
    made: list[Path] = []
    try:
        for home in homes:
            with suppress(FileExistsError):  # another one may have made it just now
                if not os.path.isdir(home):
                    home.mkdir()
                    made.append(home)
        put(data, folder, overwrite=overwrite)
    finally:
        for home in reversed(made):
            with suppress(OSError):  # it holds what was written
                home.rmdir()


def there_already(places: Sequence[str], other: str) -> Fault:
    """Return that files, or sheets, are there: the first by its name; `other` is what else may be chosen."""
    remedy = f"Choose another {other}, or allow it to be replaced (overwrite=True, --overwrite)."
    if len(places) > 1:
        others = "Another one is" if len(places) == 2 else f"{len(places) - 1:,} more are"
        remedy = f"{others} there, too. {remedy.replace(' it ', ' them ')}"
    return Fault("already exists; nothing was written", remedy, places[0])


def check_free(names: Collection[str], path: str | os.PathLike[str], *, overwrite: bool = False) -> Path:
    """Return the folder, or refuse, before any work is done, what `write_texts` would refuse before it writes."""
    folder = Path(path)
    if not str(path).strip():
        raise refuse("folder", str(path), "empty", "Choose a folder; a dot (.) is the one you are in.")
    if "\0" in str(path) or (os.path.lexists(folder) and not os.path.isdir(folder)):
        problem = "this is a file" if os.path.isfile(folder) else "no folder can have this name"
        raise refuse("folder", str(path), problem, "Choose a folder.")
    if misnamed := [fault for name in names if (fault := _misnamed(folder, name))]:
        raise Refused(misnamed)
    there = [] if overwrite else [str(folder / name) for name in names if os.path.lexists(folder / name)]
    if there:
        raise Refused([there_already(there, "folder")])
    homes = dict.fromkeys(Path(name).parent for name in names)
    faults = [*(_closed(folder, home) for home in homes), *(_taken(folder / name) for name in names)]
    if found := [fault for fault in faults if fault]:
        raise Refused(found)
    return folder


def _misnamed(folder: Path, name: str) -> Fault | None:
    """Return why no file can have a name, if so."""
    home = next((at for at in (folder, *folder.parents) if os.path.isdir(at)), Path())  # it may not be made yet
    try:
        os.lstat(home / Path(name).name)
    except ValueError:  # it holds NUL, or half a letter
        return Fault("no file can have this name", "Choose another name.", column="file", value=name)
    except OSError as error:
        if error.errno == errno.ENAMETOOLONG:
            return Fault("too long for the name of a file", "Choose a shorter name.", column="file", value=name)
    return None


def _closed(folder: Path, home: Path) -> Fault | None:
    """Return why nothing can be written into a folder of the folder, if so."""
    at, remedy = folder / home, "Rename or move it, or choose another folder."
    if leads_out(home):
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
