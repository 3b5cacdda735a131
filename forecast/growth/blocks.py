"""An outcome of many varieties, worked through some of them at a time, here or by workers."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.executors import handed_out
from forecast.growth.fate import Batch, Fate
from forecast.growth.outcome import Outcome
from forecast.growth.summaries import as_targets, by_week, ranges
from forecast.season.season import Season
from forecast.streams import Array, Streams

Drawn = Callable[[Season, Sequence[Batch], Streams], Outcome]
Told = Callable[[int, int], None]

_MOST = 2**30  # bytes that an outcome may keep
_TOGETHER = 2**27  # bytes of a block
_KEPT = 30  # numbers a draw that are kept of a batch: scores, survivals, times
_FOLLOWED = 100  # more of them where plants are followed in warmth, but for one a week
_BLOCKS = 64  # so many at least, if there are so many varieties, so that workers end at about the same time


@dataclass(frozen=True, eq=False)
class Summary:
    """What is told of some varieties, of all draws together.

    Parameters
    ----------
    unsold, sold
        By variety, low, middle and high number saleable if nothing is sold, and on hand if what is wanted is, shape
        (3, weeks).
    wanted
        By variety, the rows of `Outcome.targets`.
    log_met
        Logarithm of the chance that all that is wanted of them is met, shape (draws,).
    area, variance
        Expected area [m²] and its variance [m⁴], shape (places, weeks, draws).
    """

    unsold: Mapping[str, NDArray[np.int64]]
    sold: Mapping[str, NDArray[np.int64]]
    target: Mapping[str, Sequence[tuple[Any, ...]]]
    log_met: Array
    area: Array
    variance: Array

    @classmethod
    def of(cls, outcome: Outcome) -> Summary:
        """Sum up an outcome."""
        asked = {row.variety: outcome.asked(row.variety) for row in outcome.season.varieties}
        return cls(
            {name: ranges(outcome.counted(name)) for name in outcome.varieties},
            {name: ranges(outcome.on_hand(name)[0]) for name in outcome.varieties},
            {name: rows for name, (rows, _) in asked.items()},
            sum((met for _, met in asked.values()), np.zeros(outcome.draws)),
            *outcome.area_sums(),
        )


def too_large(season: Season, batches: Sequence[Batch], draws: int) -> bool:
    """Say whether an outcome would keep more than a gibibyte."""
    return _bytes(season, batches, draws) > _MOST


def _bytes(season: Season, batches: Sequence[Batch], draws: int) -> int:
    names = {batch.variety for batch in batches}
    warm = {name for name in names if season.by_weather(name)}
    numbers = _KEPT * (len(batches) + len(names))
    numbers += (_FOLLOWED + season.weeks) * sum(batch.variety in warm for batch in batches)
    return draws * (8 * numbers + 4 * season.weeks * len(names))


class InBlocks(Outcome):
    """The same outcome, of which only what is told of all draws together is kept.

    Parameters
    ----------
    season, batches, streams
        As for `Outcome`.
    drawn
        Makes the outcome of some batches; a function of a module, which workers can import.
    block
        Varieties that are worked on together. Not given, as many as fit into 128 MiB, but at most a 64th of all.
    executor
        Who works on the blocks, at once; else they are worked through here when they are asked for.
    progress
        Called with the varieties that are done, and all of them.

    Notes
    -----
    A worker is sent the rows of its varieties, and sends back a `Summary`. All numbers are the same to the last bit as
    those of an `Outcome`, whatever the blocks and whoever works on them: streams depend on names alone, and what is
    summed over varieties is held to steps of which sums are exact. What is asked of one variety is drawn again.
    """

    def __init__(
        self,
        season: Season,
        batches: Sequence[Batch],
        streams: Streams,
        drawn: Drawn,
        *,
        block: int | None = None,
        executor: Executor | None = None,
        progress: Told | None = None,
    ) -> None:
        super().__init__(season, (), (), streams)
        self.batches = tuple(batches)
        self._drawn, self._progress = drawn, progress
        self._fates = _Fates(self)
        self._last: tuple[str, Outcome] | None = None
        every = _bytes(season, self.batches, streams.draws)
        by_size = _TOGETHER * len(self.varieties) // max(every, 1)
        self._block = block or max(min(by_size, len(self.varieties) // _BLOCKS), 1)
        if executor is not None:
            self._summary = self._summed_up(executor)

    @cached_property
    def _summary(self) -> Summary:
        return self._summed_up(None)

    def _summed_up(self, executor: Executor | None) -> Summary:
        target = set(self.season.targeted)
        names = [
            row.variety for row in self.season.varieties if row.variety in self._by_variety or row.variety in target
        ]
        blocks = [names[at : at + self._block] for at in range(0, len(names), self._block)]
        items = [
            (self._drawn, self.season.only(block), [batch for name in block for batch in self._of(name)],
             self.seed, self.draws, self.streams.coordinates)
            for block in blocks
        ]  # fmt: skip
        shape = len(self.season.place_names), self.season.weeks, self.draws
        sums = {"log_met": np.zeros(self.draws), "area": np.zeros(shape), "variance": np.zeros(shape)}
        found: dict[str, dict[str, Any]] = {"unsold": {}, "sold": {}, "target": {}}
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

    def table(self, variety: str | None = None, *, sold: bool = False) -> pd.DataFrame:
        """Return the number of saleable plants by variety and week, as `Outcome.table` does."""
        if variety is not None and variety not in self._by_variety:
            return super().table(variety, sold=sold)
        names = self.varieties if variety is None else (variety,)
        found = self._summary.sold if sold else self._summary.unsold
        return by_week(names, self._names, [found[name] for name in names])

    def targets(self, variety: str | None = None) -> pd.DataFrame:
        """Return, for each row that is wanted, what comes of it, as `Outcome.targets` does."""
        names = self.varieties if variety is None else (self.season.variety(variety).variety,)
        return as_targets(row for name in names for row in self._summary.target.get(name, ()))

    def chance_of_all(self) -> float:
        """Return the chance [0 to 1] that everything that is wanted is met, as `Outcome.chance_of_all` does."""
        return float(np.exp(self._summary.log_met).mean())

    def area_sums(self) -> tuple[Array, Array]:
        """Return the expected area and its variance, as `Outcome.area_sums` does."""
        return self._summary.area, self._summary.variance

    @cached_property
    def ready(self) -> Mapping[str, NDArray[np.int32]]:
        """Number that have become saleable by each week, drawn again when it is asked for."""
        return _Ready(self)

    @cached_property
    def known(self) -> frozenset[str]:
        """Names of the season's varieties."""
        return frozenset(row.variety for row in self.season.varieties)

    def part(self, variety: str) -> Outcome:
        """Return the outcome of one variety; the last one that was asked for is kept."""
        if self._last is None or self._last[0] != variety:
            made = self._drawn(self.season.only([variety]), self._of(variety), self.streams.beside())
            self._last = variety, made
        return self._last[1]


def summed_up(
    drawn: Drawn, season: Season, batches: Sequence[Batch], seed: int, draws: int, coordinates: Sequence[str]
) -> Summary:
    """Sum up what comes of some batches, as a worker does."""
    return Summary.of(drawn(season, batches, Streams(seed, draws, coordinates)))


class _Lazily:
    """What is known by variety in the parts of an outcome."""

    def __init__(self, outcome: InBlocks) -> None:
        self.outcome = outcome


class _Fates(_Lazily, Mapping[Batch, Fate]):
    def __getitem__(self, batch: Batch) -> Fate:
        return self.outcome.part(batch.variety).fate(batch)

    def __iter__(self) -> Iterator[Batch]:
        return iter(self.outcome.batches)

    def __len__(self) -> int:
        return len(self.outcome.batches)


class _Ready(_Lazily, Mapping[str, NDArray[np.int32]]):
    def __getitem__(self, variety: str) -> NDArray[np.int32]:
        if variety not in self.outcome.known:
            raise KeyError(variety)
        return self.outcome.part(variety).ready[variety]

    def __iter__(self) -> Iterator[str]:
        return iter(self.outcome.varieties)

    def __len__(self) -> int:
        return len(self.outcome.varieties)
