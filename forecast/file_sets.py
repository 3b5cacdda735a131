"""A set of files put into a folder as one: all of them or none, whoever else writes and wherever it is cut short.

What is written stands aside first, in a folder ``.writing-...`` within the folder, with a mark of who made it. Then the
writing takes its turn: it moves a folder that holds its name to ``.writing-now``, which only one can do at a time. In
its turn it notes what each file was and is to be, keeps what it replaces, and moves the files into place. Its turn, and
with it the writing, ends when its name is taken from ``.writing-now``. A turn in which nothing moves for a while was
cut short: whoever writes or reads next takes it over and puts everything back.

Four steps can be taken by one only, so that it does not matter who is faster:

- the turn begins: ``.writing-x/turn`` is renamed to ``.writing-now``, which fails while that holds a name;
- the files are there to stay, or are put back: the name is taken from ``.writing-now`` or renamed to ``...-cut``;
- a file is moved, or no more is: it is taken from ``.writing-x/new``, or that is renamed to ``cut`` before anything is
  put back;
- a file that was replaced is put back by moving what was kept, once.

What stands aside belongs to its writing and may vanish at any moment under the eyes of the others: it then has ended.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import re
import shutil
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path, PurePath

_ASIDE, _TURN = ".writing-", ".writing-now"
_MARK, _JOURNAL = "made_by_forecast.json", "journal.json"
_NEW, _BEFORE, _CUT = "new", ".before", "cut"  # of what stands aside: to be moved, replaced, not to be moved any more
_TAKEN_OVER = "-cut"  # behind the name of a writing that was cut short
_NAME = re.compile(rf"{re.escape(_ASIDE)}\w+({_TAKEN_OVER})?")
_MADE = re.compile(rf"{re.escape(_ASIDE)}[a-z0-9_]{{8}}")  # as tempfile makes it
_PATIENCE = 5.0  # seconds without a move after which a turn is taken for cut short
_PAUSE = 0.005  # seconds between looks
_FORGOTTEN = 600  # seconds after which what stands aside is taken for left by a writing that was cut short


def put(data: Mapping[str, bytes], folder: Path, *, overwrite: bool) -> None:
    """Put files into a folder that is there, all or none; FileExistsError if one is there and `overwrite` is false.

    Any other OSError says why nothing was written.
    """
    aside = Path(tempfile.mkdtemp(prefix=_ASIDE, dir=folder))
    try:
        _clear(folder, aside.stat().st_mtime)
        _mark(aside, data)
        for name, content in data.items():
            _flushed(aside / _NEW / name, content)
        _take_turn(folder, aside)
        try:
            _move(data, folder, aside, overwrite=overwrite)
            _end_turn(folder, aside.name)
        except BaseException:
            with suppress(OSError):  # what cannot be put back now is put back by the next one
                _put_back(folder, aside.name)
            raise
    finally:
        if _holder(folder) not in (aside.name, f"{aside.name}{_TAKEN_OVER}"):
            _discard(aside)


def settle(folder: Path) -> None:
    """Wait while files are put into a folder, and put everything back if that was cut short; OSError if it cannot be.

    Notes
    -----
    A turn that lasts is told from one that was cut short by what moves in it, not by a clock, since that of a disk in
    the network may differ.
    """
    seen, since = None, time.monotonic()
    while holder := _holder(folder):
        # not by `rglob`, which fails if the turn ends meanwhile
        found = (holder, {(home, name) for home, _, names in os.walk(folder / holder) for name in names})
        if found != seen:
            seen, since = found, time.monotonic()
        elif time.monotonic() - since > _PATIENCE:
            _put_back(folder, holder)
        time.sleep(_PAUSE)


def leads_out(home: PurePath) -> bool:
    """Say whether a relative path leads out of the folder in which it is meant."""
    return home.is_absolute() or bool(home.drive) or ".." in home.parts


def _mark(aside: Path, data: Mapping[str, bytes]) -> None:
    """Write down whose a folder is, and of which files."""
    (aside / _MARK).write_text(json.dumps({"folder": aside.name, "files": sorted(data)}), encoding="utf-8")
    (aside / "turn").mkdir()
    (aside / "turn" / aside.name).write_text(aside.name, encoding="utf-8")


def _files(aside: Path) -> frozenset[str]:
    """Return the names of the files for which a folder was made; none if the package did not make it."""
    mark = aside / _MARK
    if aside.is_symlink() or mark.is_symlink() or not mark.is_file():
        return frozenset()
    with suppress(ValueError, TypeError, KeyError, OSError):
        made = json.loads(mark.read_bytes())
        return frozenset(made["files"]) if made["folder"] == aside.name else frozenset()
    return frozenset()


def _flushed(file: Path, data: bytes) -> None:
    """Write a file, and wait until the disk has it."""
    file.parent.mkdir(parents=True, exist_ok=True)
    with file.open("xb") as opened:
        opened.write(data)
        opened.flush()
        os.fsync(opened.fileno())


def _holder(folder: Path) -> str:
    """Return the name of the writing whose turn it is; an empty one if there is none."""
    with suppress(OSError, ValueError):  # its turn ends just now, or it is none
        (name,) = os.listdir(folder / _TURN)
        text = (folder / _TURN / name).read_text(encoding="utf-8") if _NAME.fullmatch(name) else ""
        return name if text and text == name.removesuffix(_TAKEN_OVER) else ""
    return ""


def _take_turn(folder: Path, aside: Path) -> None:
    """Wait for the turn of a writing, and take it; OSError if something else has the name of the turn."""
    turn, until = folder / _TURN, time.monotonic() + _PATIENCE
    while True:
        settle(folder)
        try:
            os.rename(aside / "turn", turn)
            return
        except OSError as error:
            if error.errno not in (errno.ENOTEMPTY, errno.EEXIST) and not os.path.lexists(turn):
                raise
            if _holder(folder):
                until = time.monotonic() + _PATIENCE
            elif time.monotonic() > until:
                raise
            with suppress(OSError):  # it is full again, or was ended by another; Windows moves nothing to an empty one
                turn.rmdir()
            time.sleep(_PAUSE)


def _end_turn(folder: Path, holder: str) -> None:
    """End a turn; FileNotFoundError if it was taken over."""
    (folder / _TURN / holder).unlink()
    with suppress(OSError):  # the next one may have begun
        (folder / _TURN).rmdir()


def _move(data: Mapping[str, bytes], folder: Path, aside: Path, *, overwrite: bool) -> None:
    """Move files into place, after what they replace is kept and noted."""
    before = {name: _what(folder / name) for name in data}
    if not overwrite and any(before.values()):
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST))
    for name in filter(before.get, data):
        kept = aside / _BEFORE / name
        kept.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(folder / name, kept, follow_symlinks=False)
    noted = {name: (before[name], hashlib.sha256(content).hexdigest()) for name, content in data.items()}
    _flushed(aside / _JOURNAL, json.dumps(noted).encode())
    for name in data:
        if overwrite:
            os.replace(aside / _NEW / name, folder / name)
        else:
            _create(aside / _NEW / name, folder / name)


def _create(source: Path, target: Path) -> None:
    """Move a file to where none is; FileExistsError if there is one by now.

    On a disk without links, such as FAT, Windows refuses to rename to what is there; elsewhere it was looked for just
    before, in the turn.
    """
    try:
        os.link(source, target)
    except FileExistsError:
        raise
    except OSError:
        os.rename(source, target)
    else:
        source.unlink()


def _what(file: Path) -> str:
    """Return what is in the place of a file, as a text that differs if that does; an empty one if nothing is."""
    if file.is_symlink():
        return f"a link to {os.readlink(file)}"
    return hashlib.sha256(file.read_bytes()).hexdigest() if os.path.lexists(file) else ""


def _put_back(folder: Path, holder: str) -> None:
    """Take over the turn of a writing that was cut short, put everything back, and end it.

    What somebody changed since is left as it is. The writing may go on all the same, as after a sleep: it then finds
    nothing to move.
    """
    aside = folder / holder.removesuffix(_TAKEN_OVER)
    taken_over = f"{aside.name}{_TAKEN_OVER}"
    if holder != taken_over:
        try:
            os.rename(folder / _TURN / holder, folder / _TURN / taken_over)
        except FileNotFoundError:  # it has ended, or another one puts everything back
            return
    with suppress(FileNotFoundError):
        os.rename(aside / _NEW, aside / _CUT)
    for name, before, after in _noted(folder, aside):
        kept = aside / _BEFORE / name
        with suppress(FileNotFoundError):  # another one may be at it
            if _what(folder / name) == after:
                if not before:
                    (folder / name).unlink()
                elif _what(kept) == before:
                    os.replace(kept, folder / name)
    with suppress(FileNotFoundError):
        _end_turn(folder, taken_over)
    _discard(aside)


def _noted(folder: Path, aside: Path) -> Iterator[tuple[str, str, str]]:
    """Yield each file that a writing was to move, what it was before, and what it was to be."""
    ours = _files(aside)
    with suppress(ValueError, FileNotFoundError):  # cut short before anything moved
        for name, (before, after) in json.loads((aside / _JOURNAL).read_bytes()).items():
            homes = [folder / home for home in PurePath(name).parents if home.parts]
            if name in ours and not leads_out(PurePath(name)) and not any(map(os.path.islink, homes)):
                yield name, before, after


def _discard(aside: Path) -> None:
    """Delete what stands aside, its mark last: cut short, it is still known for the package's own."""
    for part in (_NEW, _BEFORE, _CUT, "turn"):
        shutil.rmtree(aside / part, ignore_errors=True)
    with suppress(OSError):
        (aside / _JOURNAL).unlink(missing_ok=True)
        (aside / _MARK).unlink(missing_ok=True)
        aside.rmdir()


def _clear(folder: Path, now: float) -> None:
    """Clear away what writings that were cut short left aside: what they wrote, and nothing else; `now` by the disk."""
    for left in folder.glob(f"{_ASIDE}*"):
        with suppress(OSError):  # another one may be clearing it
            held = {at.relative_to(left) for at in left.rglob("*") if at.is_symlink() or not at.is_dir()}
            old = left.stat().st_mtime < now - _FORGOTTEN
            if old and _is_ours(left, held) and _holder(folder).removesuffix(_TAKEN_OVER) != left.name:
                _discard(left)


def _is_ours(left: Path, held: set[Path]) -> bool:
    """Say whether the package made a folder and all files in it; the mark may be missing where nothing else is."""
    if left.is_symlink() or (left / _MARK).is_symlink():
        return False
    files = _files(left)
    known = {Path(_MARK), Path(_JOURNAL), Path("turn", left.name)}
    known |= {Path(home, name) for home in (_NEW, _BEFORE, _CUT) for name in files}
    begun = _MADE.fullmatch(left.name) and (not held or (held == {Path(_MARK)} and not (left / _MARK).read_bytes()))
    return bool((files and held <= known) or begun)
