"""What the benchmarks share: a row of the table, the time a piece of work takes, and the machine."""

from __future__ import annotations

import os
import platform
import resource
import statistics
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

GIB = 2**30


@dataclass(frozen=True)
class Row:
    """A row of the table.

    Parameters
    ----------
    what
        What was measured.
    ours
        Median of the runs, in `unit`.
    runs
        Number of runs.
    unit
        Unit of both numbers: ``s``, ``bytes`` or any other.
    error
        Standard error of ours, if it is known.
    against, theirs
        Name of the alternative, and its number.
    at_least
        Whether theirs, and the ratio, are that at least, for it was stopped.
    ratio
        What the two are to each other; theirs through ours if not given.
    """

    what: str
    ours: float
    runs: int
    unit: str = ""
    error: float | None = None
    against: str = ""
    theirs: float | None = None
    at_least: bool = False
    ratio: float | None = None

    def __post_init__(self) -> None:
        if self.ratio is None and self.theirs is not None and self.ours:
            object.__setattr__(self, "ratio", self.theirs / self.ours)


def times(work: Callable[[], Any], repeats: int, *, enough: float = np.inf) -> list[float]:
    """Return the times of a piece of work [s], fewer than the repeats once they come to enough seconds."""
    found: list[float] = []
    while len(found) < repeats and sum(found) < enough:
        start = time.perf_counter()
        work()
        found.append(time.perf_counter() - start)
    return found


def seconds(work: Callable[[], Any], repeats: int) -> float:
    """Median time of a piece of work [s]."""
    return statistics.median(times(work, repeats))


def peak() -> int:
    """Return the most memory that this process has taken so far [bytes].

    ``ru_maxrss`` counts from before the program began: a small child of a large process is told to be as large.
    """
    status = Path("/proc/self/status")
    if status.exists():
        for line in status.read_text().splitlines():
            if line.startswith("VmHWM:"):
                return int(line.split()[1]) * 2**10
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return int(most * (1 if sys.platform == "darwin" else 2**10))


def machine(load: float) -> str:
    """Say in a line what the machine is, and how busy it was before."""
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / GIB
    return (
        f"{os.cpu_count()} cores, {memory:.0f} GiB, {platform.system()} on {platform.machine()}, Python "
        f"{platform.python_version()}, NumPy {np.__version__}; before it began {load:.1f} processes were running"
    )
