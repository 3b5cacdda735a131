"""An outcome of many varieties, worked through some of them at a time, here or by workers."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forecast.errors import refuse
from forecast.executors import Progress, handed_out
from forecast.fates.fate import Batch, Counts, Fate
from forecast.growth.draws import KeptDraws, by_variety, met
from forecast.season.season import Season
from forecast.streams import Array, Streams

Draw = Callable[[Season, Sequence[Batch], Streams], KeptDraws]

_MOST = 2**30  # bytes that an outcome may keep
_TOGETHER = 2**27  # bytes of a block
_BLOCK = 2 * _TOGETHER  # bytes of it that are there together, before and after it is put together
_ROOM = 2**31  # bytes that all draws of a calculation may take
_KEPT = 30  # numbers a draw that are kept of a batch: scores, survivals, times
_FOLLOWED = 100  # more of them where plants are followed in warmth, but for one a week
_BLOCKS = 64  # so many at least, if there are so many varieties, so that workers end at about the same time


@dataclass(frozen=True, eq=False)
class Summary:
    """What is known of some varieties over all draws, of each or of all together: what `Draws` returns."""

    unsold: Mapping[str, NDArray[np.int64]]
    sold: Mapping[str, NDArray[np.int64]]
    targets: Mapping[str, Sequence[tuple[Any, ...]]]
    log_met: Array
    expected: Array
    variance: Array


def summed_up(
    draw: Draw, season: Season, batches: Sequence[Batch], seed: int, draws: int, coordinates: Sequence[str]
) -> Summary:
    """Sum up what comes of some batches, as a worker does."""
    made = draw(season, batches, Streams(seed, draws, coordinates))
    names = [row.variety for row in season.varieties]
    ordered = [name for name in names if made.batches_of(name)]
    found = {name: met(made, name) for name in names}
    return Summary(
        {name: made.ranges(name, sold=False) for name in ordered},
        {name: made.ranges(name, sold=True) for name in ordered},
        {name: rows for name, (rows, _) in found.items()},
        sum((log_met for _, log_met in found.values()), np.zeros(draws)),
        *made.area(),
    )


def too_large(season: Season, batches: Sequence[Batch], draws: int) -> bool:
    """Say whether an outcome would keep more than a gibibyte."""
    return draws * bytes_of_draw(season, batches) > _MOST


def bytes_of_draw(season: Season, batches: Sequence[Batch]) -> int:
    """Return about how many bytes of each draw an outcome keeps."""
    names = {batch.variety for batch in batches}
    numbers = _KEPT * len(names) + sum(numbers_of_batch(season, batch.variety) for batch in batches)
    return 8 * numbers + 4 * season.weeks * len(names)


def numbers_of_batch(season: Season, variety: str) -> int:
    """Return about how many numbers a draw are kept of what a batch meets."""
    return _KEPT + (_FOLLOWED + season.weeks if season.by_weather(variety) else 0)


def check_room(season: Season, draws: int, numbers: int = 0, *, kept: Sequence[int] = (), once: int = 0) -> None:
    """Refuse more draws than fit into two gibibytes: of each its weather, areas, what one batch meets, and `numbers`.

    `kept` are the bytes of a draw of each outcome that is there meanwhile, worked through in blocks if it is too large;
    `once` bytes are there however many draws there are.

    Notes
    -----
    What a batch meets counts four times, as what it is worked out from is there, too; the area by place and week four
    times, for the expected one and its variance, of one block and of all.
    """
    warm = [row.variety for row in season.varieties if season.by_weather(row.variety)]
    clocks = {(row.place, row.base_temperature, row.upper_threshold) for row in season.stages}
    found = 4 * max(numbers_of_batch(season, row.variety) for row in season.varieties)
    found += 4 * len(season.place_names) * season.weeks
    if warm:
        found += (season.weeks + 1) * (2 + 2 * len(season.place_names) + len(clocks))
    most = _fitting(draws, 8 * (found + numbers), kept, _ROOM - once)
    if draws > most:
        raise refuse("draws", f"{draws:,}", "more than memory holds", f"At most {most:,} fit into 2 GiB.")


def _fitting(draws: int, each: int, kept: Sequence[int], room: int) -> int:
    """Return the most draws, up to `draws`, that fit into some room with `each` bytes and those of outcomes."""
    ends = sorted({draws, *(min(_MOST // one, draws) for one in kept)})
    for before, last in reversed(list(pairwise([0, *ends]))):
        whole = [one for one in kept if one * last <= _MOST]
        blocks = _BLOCK * (len(kept) - len(whole))
        if (most := min((room - blocks) // (each + sum(whole)), last)) > before:
            return most
    return 0


class BlockDraws:
    """Draws of which only what is known over all of them is kept; see `Draws`.

    `draw` is a function of a module, which workers can import. `block` varieties are worked on together: not given, as
    many as fit into 128 MiB, but at most a 64th of all. An executor works on the blocks at once; else they are worked
    through here when they are asked for.

    Notes
    -----
    A worker is sent the rows of its varieties, and sends back a `Summary`. All numbers are the same to the last bit as
    those of `KeptDraws`, whatever the blocks and whoever works on them: streams depend on names alone, and what is
    summed over varieties is held to steps of which sums are exact. What is asked of one variety is drawn again.
    """

    def __init__(
        self,
        season: Season,
        batches: Sequence[Batch],
        streams: Streams,
        draw: Draw,
        *,
        block: int | None = None,
        executor: Executor | None = None,
        progress: Progress | None = None,
    ) -> None:
        self.season, self.batches, self.streams = season, tuple(batches), streams
        self._draw, self._progress = draw, progress
        self._by_variety = by_variety(self.batches)
        self._last: tuple[str, KeptDraws] | None = None
        by_size = _TOGETHER * len(self._by_variety) // max(streams.draws * bytes_of_draw(season, self.batches), 1)
        self._block = block or max(min(by_size, len(self._by_variety) // _BLOCKS), 1)
        if executor is not None:
            self._summary = self._summed_up(executor)

    def batches_of(self, variety: str) -> Sequence[Batch]:
        """Return the deliveries of a variety of the season."""
        self.season.variety(variety)
        return self._by_variety.get(variety, ())

    def fate(self, batch: Batch) -> Fate:
        """Return what one of the batches meets."""
        return self.part(batch.variety).fate(batch)

    def ready(self, variety: str) -> Counts:
        """Return the number that have become saleable by each week in one history a draw, shape (weeks, draws)."""
        return self.part(variety).ready(variety)

    def ranges(self, variety: str, *, sold: bool) -> NDArray[np.int64]:
        """Return the 5th percentile, median and 95th of the number saleable by week, shape (3, weeks)."""
        if variety not in self._by_variety:
            return self.part(variety).ranges(variety, sold=sold)
        return (self._summary.sold if sold else self._summary.unsold)[variety]

    def targets(self, variety: str) -> Sequence[tuple[Any, ...]]:
        """Return the rows of `Outcome.targets` for a variety."""
        return self._summary.targets.get(variety, ())

    def log_met(self) -> Array:
        """Return the logarithm of the chance that all targets of the season are met, shape (draws,)."""
        return self._summary.log_met

    def area(self) -> tuple[Array, Array]:
        """Return the expected area [m²] and its variance [m⁴] by place, shapes (places, weeks, draws)."""
        return self._summary.expected, self._summary.variance

    def part(self, variety: str) -> KeptDraws:
        """Return the draws of one variety; the last ones that were asked for are kept."""
        if self._last is None or self._last[0] != variety:
            made = self._draw(self.season.only([variety]), self.batches_of(variety), self.streams)
            self._last = variety, made
        return self._last[1]

    @cached_property
    def _summary(self) -> Summary:
        return self._summed_up(None)

    def _summed_up(self, executor: Executor | None) -> Summary:
        some = self._by_variety.keys() | {row.variety for row in self.season.targets}
        names = [row.variety for row in self.season.varieties if row.variety in some]
        blocks = [names[at : at + self._block] for at in range(0, len(names), self._block)]
        under = self.streams.seed, self.streams.draws, self.streams.coordinates
        items = [
            (self._draw, self.season.only(block), [batch for name in block for batch in self.batches_of(name)], *under)
            for block in blocks
        ]
        shape = len(self.season.place_names), self.season.weeks, self.streams.draws
        sums = {"log_met": np.zeros(shape[2]), "expected": np.zeros(shape), "variance": np.zeros(shape)}
        found: dict[str, dict[str, Any]] = {"unsold": {}, "sold": {}, "targets": {}}
        done = 0
        for at, part in handed_out(summed_up, items, executor):
            for kind, rows in found.items():
                rows.update(getattr(part, kind))
            for name, total in sums.items():
                np.add(total, getattr(part, name), out=total)
            done += len(blocks[at])
            if self._progress:
                self._progress(done, len(names))
        return Summary(**found, **sums)  # type: ignore[arg-type]
