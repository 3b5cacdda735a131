"""Part of the table: a large season by one worker and by two, and what a hundred would do.

Efficiency is the time of one worker through twice the time of two. A model says where time goes. There are n blocks,
each t seconds of a worker's work. Whoever hands them out needs p seconds before, and c seconds for each: to send it,
to wait for its way there and back, to receive what was made of it, and to put it together with the others::

    T(w) = p + ceil(n / w) t + n c        c = handling + latency + bytes / bandwidth

Work, handling and bytes are those of blocks worked on here [processor time]; latency and bandwidth those of empty and
of large results of the same workers. In truth workers work while others wait, so that the model tells too long a time
rather than too short a one. The distant hundred have a network that is assumed, on top of what a local cluster takes.
Where others use the processors too, the processor time of the workers tells the efficiency that there would be without.
"""

from __future__ import annotations

import math
import pickle
import statistics
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass
from typing import Any

import dask
import numpy as np
import psutil  # type: ignore[import-untyped]
from cooperative import cooperative
from distributed import Client, LocalCluster
from measuring import Row, seconds

import forecast

DRAWS, WEEKS, ASKED = 1024, 52, 0.8  # and the efficiency that is asked for
FAR, QUICK_FAR = (10_000, 104, 4096), (500, 52, 1024)  # varieties, weeks, draws
HUNDRED, NETWORKS, LATENCY = 100, (1, 10), 1e-3  # workers, Gbit/s, s: common practice, no source
GBIT = 1e9 / 8  # bytes
LARGER = 100  # varieties of a larger block
RESULT = 2**20  # numbers of a large result
SMALL = cooperative(8, groups=2)
Workers = Callable[[int], AbstractContextManager[Executor]]


class Enough(BaseException):
    """As many blocks have been weighed as were asked for."""


@dataclass(frozen=True)
class Traffic:
    """What blocks take: their number, varieties, bytes sent and sent back, and times [s]."""

    blocks: int
    varieties: int
    sent: float
    back: float
    work: float
    handling: float
    before: float

    def handing(self, latency: float, bandwidth: float) -> float:
        """Time that a block takes whoever hands it out [s]."""
        return self.handling + latency + (self.sent + self.back) / bandwidth

    def expected(self, workers: int, latency: float, bandwidth: float) -> float:
        """Time of so many workers by the model [s]."""
        rounds = math.ceil(self.blocks / workers)
        return self.before + rounds * self.work + self.blocks * self.handing(latency, bandwidth)


class Weighing(Executor):
    """Works on the first blocks itself, each sent to and fro as workers have it, and weighs and times them."""

    def __init__(self, most: int) -> None:
        self.most, self.began, self.varieties = most, 0.0, 0
        self.found: list[tuple[float, float, float, float]] = []
        self.start = time.process_time()
        self.sums: dict[str, Any] = {}

    def submit(self, work: Callable[..., Any], /, *given: Any, **_: Any) -> Future[Any]:
        """Work on a block."""
        if len(self.found) == self.most:
            raise Enough
        began = [time.process_time()]
        if not self.found:
            self.began, self.varieties = began[0] - self.start, len(given[1].varieties)
        message = pickle.dumps((work, given))
        began.append(time.process_time())
        work, given = pickle.loads(message)
        reply = pickle.dumps(work(*given))
        began.append(time.process_time())
        summary = pickle.loads(reply)
        for name in ("expected", "variance", "log_met"):
            total = self.sums.setdefault(name, np.zeros_like(getattr(summary, name)))
            np.add(total, getattr(summary, name), out=total)
        began.append(time.process_time())
        sending, working, joining = np.diff(began).tolist()
        self.found.append((len(message), len(reply), working, sending + joining))
        future: Future[Any] = Future()
        future.set_result(summary)
        return future


def weighed(season: forecast.Season, draws: int, number: int, block: int | None = None) -> Traffic:
    """Weigh so many blocks of a season, after one to begin with."""
    scales = Weighing(number + 1)
    with suppress(Enough):
        forecast.simulate(season, draws=draws, seed=1, executor=scales, block=block)
    sent, back, work, handling = (statistics.median(one) for one in zip(*scales.found[1:], strict=True))
    blocks = math.ceil(len(season.varieties) / scales.varieties)
    return Traffic(blocks, scales.varieties, sent, back, work, handling, scales.began)


@contextmanager
def processes(number: int) -> Iterator[Executor]:
    """Return so many processes."""
    with ProcessPoolExecutor(number) as pool:
        yield pool


@contextmanager
def cluster(number: int) -> Iterator[Executor]:
    """Return the workers of a local cluster, a process with one thread each.

    Dask tells its workers to give memory back at once, which has the kernel clear it again and again: a block would
    take two and a half times as long.
    """
    with (
        dask.config.set({"distributed.nanny.pre-spawn-environ.MALLOC_TRIM_THRESHOLD_": None}),
        LocalCluster(n_workers=number, threads_per_worker=1, dashboard_address=":0", silence_logs=50) as here,  # type: ignore[no-untyped-call]
        Client(here) as client,  # type: ignore[no-untyped-call]
        client.get_executor(pure=False) as executor,
    ):
        yield executor


def wire(executor: Executor) -> tuple[float, float]:
    """Return the time of an empty result [s], and bytes a second of a large one."""
    empty = seconds(lambda: executor.submit(int).result(), 9)
    made = seconds(lambda: np.ones(RESULT), 9)
    large = seconds(lambda: executor.submit(np.ones, RESULT).result(), 9)
    return empty, 8 * RESULT / max(large - made - empty, 1e-6)


def rows(*, quick: bool) -> Iterator[Row]:
    """Measure what blocks take, processes and a local cluster, and tell of a hundred workers."""
    for varieties, repeats in ((500, 1),) if quick else ((1000, 3), (10_000, 1)):
        season = cooperative(varieties, WEEKS)
        name = _name(varieties, WEEKS, DRAWS)
        traffic = weighed(season, DRAWS, 3)
        yield from _blocks(name, traffic, 3)
        for kind, workers in (("processes", processes), ("local cluster", cluster)):
            yield from _one_and_two(f"{name}, {kind}", season, workers, traffic, repeats)
    far = QUICK_FAR if quick else FAR
    yield from _hundred(cooperative(*far[:2]), far[2], _name(*far))


def _name(varieties: int, weeks: int, draws: int) -> str:
    return f"{varieties:,} × {weeks:,} × {draws:,}"


def _blocks(name: str, traffic: Traffic, runs: int) -> Iterator[Row]:
    name += f", a block of {traffic.varieties}, of {traffic.blocks}"
    yield Row(f"{name}: sent", traffic.sent, runs, "bytes")
    yield Row(f"{name}: sent back", traffic.back, runs, "bytes")
    yield Row(f"{name}: work", traffic.work, runs, "s")
    yield Row(f"{name}: handling", traffic.handling, runs, "s")
    yield Row(f"{name}: all blocks made ready", traffic.before, 1, "s")


def _one_and_two(name: str, season: forecast.Season, workers: Workers, traffic: Traffic, repeats: int) -> Iterator[Row]:
    took, spent, cores, wires = {}, {}, {}, {}
    for number in (1, 2):
        with workers(number) as executor:
            forecast.simulate(SMALL, draws=16, seed=1, executor=executor)  # all is imported
            start, used = time.perf_counter(), _used()
            took[number] = seconds(lambda: forecast.simulate(season, draws=DRAWS, seed=1, executor=executor), repeats)
            spent[number] = (_used() - used) / repeats
            cores[number] = spent[number] * repeats / (time.perf_counter() - start)
            wires[number] = wire(executor)
    efficiency = took[1] / (2 * took[2])
    yield Row(f"{name}: two workers", took[2], repeats, "s", against="one", theirs=took[1])
    yield Row(
        f"{name}: efficiency; ours / asked", efficiency, repeats,
        against="asked", theirs=ASKED, ratio=efficiency / ASKED,
    )  # fmt: skip
    yield Row(f"{name}: processor time of both", spent[2], repeats, "s", against="one", theirs=spent[1])
    yield Row(f"{name}: cores that both had", cores[2], repeats, against="one", theirs=cores[1])
    for number in (1, 2):
        expected = traffic.expected(number, *wires[number])
        what = f"{name}: {'two workers' if number == 2 else 'one worker'} by the model"
        yield Row(what, expected, repeats, "s", against="measured", theirs=took[number])
    yield Row(f"{name}: there and back", wires[2][0], 9, "s")
    yield Row(f"{name}: bandwidth", wires[2][1], 9, "bytes/s")


def _used() -> float:
    """Processor time of all workers [s]."""
    spent = [child.cpu_times() for child in psutil.Process().children(recursive=True)]
    return float(sum(one.user + one.system for one in spent))


def _hundred(season: forecast.Season, draws: int, name: str) -> Iterator[Row]:
    with cluster(1) as executor:
        latency, bandwidth = wire(executor)
    for block in (None, LARGER):
        traffic = weighed(season, draws, 2, block)
        yield from _blocks(name, traffic, 2)
        for network in NETWORKS:
            line = LATENCY + latency, 1 / (1 / bandwidth + 1 / (network * GBIT))
            told = f"{name}, blocks of {traffic.varieties}, {network} Gbit/s, by the model"
            many, one = (traffic.expected(workers, *line) for workers in (HUNDRED, 1))
            yield Row(f"{told}: {HUNDRED} workers", many, 2, "s", against="one", theirs=one)
            yield Row(f"{told}: workers that can be kept busy", traffic.work / traffic.handing(*line), 2)
