"""Part of the table: time and memory of a forecast against varieties, weeks and draws.

Each size is measured by a process of its own, which has forecast something small before, so that all is imported:
its memory is the most it takes afterwards beyond that. Exponents are slopes of least squares on logarithms. Larger
outcomes than a gibibyte are worked through in blocks, so that memory grows less from there on.
"""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from measuring import GIB, Row, peak, times

GROWING = {
    "varieties": [(10, 52, 1024), (100, 52, 1024), (1000, 52, 1024), (10_000, 52, 1024)],
    "weeks": [(100, 52, 1024), (100, 104, 1024), (100, 260, 1024), (100, 520, 1024)],
    "draws": [(10, 52, 1024), (10, 52, 4096), (10, 52, 16_384), (10, 52, 65_536)],
}
QUICK = {
    "varieties": [(10, 52, 1024), (30, 52, 1024), (100, 52, 1024)],
    "weeks": [(10, 52, 1024), (10, 104, 1024), (10, 520, 1024)],
    "draws": [(10, 52, 1024), (10, 52, 4096), (10, 52, 16_384)],
}
LARGE = (1000, 104, 4096)
QUICK_LARGE = (100, 104, 4096)
REPEATS, ENOUGH = 3, 20.0  # runs, but no more of them after so many seconds
Size = tuple[int, int, int]


def rows(*, quick: bool) -> Iterator[Row]:
    """Measure sizes along each side, fit how fast they grow, and measure a large one."""
    known: dict[Size, dict[str, list[float]]] = {}
    for word, sizes in (QUICK if quick else GROWING).items():
        for size in sizes:
            if size not in known:
                known[size] = alone(size)
                yield _time(size, known[size])
                yield Row(f"{_name(size)}: memory", known[size]["memory"][0], 1, "bytes")
        side = np.array(sizes)[:, tuple(GROWING).index(word)]
        for what in ("seconds", "memory"):
            slope, error = exponent(side, np.array([statistics.median(known[size][what]) for size in sizes]))
            which = "time" if what == "seconds" else what
            told = f"{which} grows as {word}, {side[0]:,} to {side[-1]:,}, to the power"
            yield Row(told, slope, len(sizes), error=error)
    size = QUICK_LARGE if quick else LARGE
    found = alone(size)
    yield _time(size, found)
    yield Row(
        f"{_name(size)}: memory, with all that is imported", found["whole"][0], 1, "bytes",
        against="allowed", theirs=2 * GIB,
    )  # fmt: skip


def _name(size: Size) -> str:
    return "{:,} varieties × {:,} weeks × {:,} draws".format(*size)


def _time(size: Size, found: dict[str, list[float]]) -> Row:
    return Row(f"{_name(size)}: time", statistics.median(found["seconds"]), len(found["seconds"]), "s")


def exponent(side: np.ndarray, values: np.ndarray) -> tuple[float, float]:
    """Fit a power; give it and its standard error."""
    (slope, _), covariance = np.polyfit(np.log(side), np.log(values), 1, cov=True)
    return float(slope), float(covariance[0, 0] ** 0.5)


def alone(size: Size) -> dict[str, list[float]]:
    """Measure a size by a process of its own."""
    command = [sys.executable, __file__, *(str(number) for number in size)]
    done = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True)
    return dict(json.loads(done.stdout))


def measured(size: Size) -> dict[str, list[float]]:
    """Measure a size here: times [s], and memory beyond that of a small forecast, and in all [bytes]."""
    sys.path.insert(0, str(Path(__file__).parents[1] / "builders"))
    from cooperative import cooperative  # noqa: PLC0415 (its place is known now)

    import forecast  # noqa: PLC0415 (as little as can be stands in the process that asks)

    seed = iter(range(10**6))

    def whole(season: forecast.Season, draws: int) -> None:
        outcome = forecast.simulate(season, draws=draws, seed=next(seed))
        outcome.table()
        outcome.targets()
        forecast.bench_space(outcome)

    varieties, weeks, draws = size
    whole(cooperative(1, groups=1), 16)
    before = peak()
    season = cooperative(varieties, weeks)
    found = times(lambda: whole(season, draws), 1)
    most = peak()
    found += times(lambda: whole(season, draws), REPEATS - 1, enough=ENOUGH - found[0])
    return {"seconds": found, "memory": [most - before], "whole": [most]}


if __name__ == "__main__":
    print(json.dumps(measured(tuple(int(word) for word in sys.argv[1:4]))))  # type: ignore[arg-type]
