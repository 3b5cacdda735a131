"""Disks that are small, full or read-only, for tests of what is written."""

import errno
import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

SPACE = "No space left on device"


@contextmanager
def mounted(at: Path, *options: str) -> Iterator[Path]:
    """A small disk of its own, where the right to mount one is given: not to users, nor to root in some containers."""
    at.mkdir()
    ended = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", ",".join(options), "none", str(at)], capture_output=True, text=True, check=False
    )
    if ended.returncode:
        why = "no right to mount a real disk; for everybody the same is tested with `full_after`, a pretended one"
        pytest.skip(f"{why}: {ended.stderr.strip()}")
    try:
        yield at
    finally:
        subprocess.run(["umount", str(at)], check=True)


def fill(folder: Path, left: int) -> None:
    """Fill a disk but for some bytes."""
    room = os.statvfs(folder)
    (folder / "filling").write_bytes(bytes(room.f_bavail * room.f_frsize - left))


def full_after(monkeypatch: pytest.MonkeyPatch, files: int) -> None:
    """Let the disk be full once so many files have been written to it."""
    flush, written = os.fsync, []

    def flushed(number: int) -> None:
        written.append(number)
        if len(written) > files:
            raise OSError(errno.ENOSPC, SPACE)
        flush(number)

    monkeypatch.setattr(os, "fsync", flushed)


def held(folder: Path) -> dict[str, bytes | None]:
    """Whatever stands in a folder, hidden things among it."""
    return {str(at.relative_to(folder)): at.read_bytes() if at.is_file() else None for at in folder.rglob("*")}
