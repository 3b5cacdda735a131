"""Draws of which all is kept: what each batch meets, and what comes of it by variety."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from forecast.fates.fate import Batch, Counts, Draws, Fate
from forecast.growth.benches import area, elapsed, foreseen, held
from forecast.growth.selling import Sold, buyers_of, sell
from forecast.growth.stock import aged_of, earlier, sampled
from forecast.growth.summaries import ranges, sum_at_least
from forecast.season.season import Season
from forecast.streams import Array, Streams
from forecast.weeks import Week

_LOG_STEP = 2.0**-32
_CHANCE = 6  # where the chance is in a row of `Outcome.targets`


class KeptDraws:
    """Draws of which all is kept, such as what each batch meets in every draw; see `Draws`."""

    def __init__(self, season: Season, batches: Sequence[Batch], fates: Iterable[Fate], streams: Streams) -> None:
        self.season, self.batches, self.streams = season, tuple(batches), streams
        self._fates = dict(zip(self.batches, fates, strict=True))
        self._by_variety = by_variety(self.batches)
        self._ready: dict[str, Counts] = {}
        self._area: tuple[Array, Array] | None = None

    def batches_of(self, variety: str) -> Sequence[Batch]:
        """Return the deliveries of a variety of the season."""
        self.season.variety(variety)
        return self._by_variety.get(variety, ())

    def fate(self, batch: Batch) -> Fate:
        """Return what one of the batches meets."""
        return self._fates[batch]

    def ready(self, variety: str) -> Counts:
        """Return the number that have become saleable by each week in one history a draw, shape (weeks, draws)."""
        if variety not in self._ready:
            found = np.zeros((self.season.weeks, self.streams.draws), dtype=np.int32)
            for batch in self.batches_of(variety):
                share = self._fates[batch].ready(elapsed(self.season, batch))
                rng = self.streams.generator("plants", variety, batch.luck)
                found += sampled(share, batch.quantity, rng)
            found.flags.writeable = False
            self._ready[variety] = found
        return self._ready[variety]

    def ranges(self, variety: str, *, sold: bool) -> NDArray[np.int64]:
        """Return the 5th percentile, median and 95th of the number saleable by week, shape (3, weeks)."""
        return ranges(sales(self, variety).before if sold else saleable(self, variety))

    def targets(self, variety: str) -> Sequence[tuple[Any, ...]]:
        """Return the rows of `Outcome.targets` for a variety."""
        return met(self, variety)[0]

    def log_met(self) -> Array:
        """Return the logarithm of the chance that all targets of the season are met, shape (draws,)."""
        return np.asarray(sum((met(self, name)[1] for name in self.season.targeted), np.zeros(self.streams.draws)))

    def area(self) -> tuple[Array, Array]:
        """Return the expected area [m²] and its variance [m⁴] by place, shapes (places, weeks, draws)."""
        if self._area is None:
            self._area = area(self)
        return self._area


def by_variety(batches: Iterable[Batch]) -> dict[str, list[Batch]]:
    """Return batches by their variety."""
    found: dict[str, list[Batch]] = defaultdict(list)
    for batch in batches:
        found[batch.variety].append(batch)
    return dict(found)


def saleable(drawn: Draws, variety: str) -> Counts:
    """Return the saleable plants of a variety in one history a draw, if none is sold, shape (weeks, draws)."""
    ready = drawn.ready(variety)
    life, aged = drawn.season.variety(variety).saleable_weeks, aged_of(drawn.season, drawn.batches_of(variety))
    counts: Counts = ready - earlier(ready, life, aged)
    return counts


def sales(drawn: Draws, variety: str) -> Sold:
    """Return what is sold of a variety in one history a draw."""
    ready, buyers = drawn.ready(variety), buyers_of(drawn.season, drawn.streams, variety, drawn.batches_of(variety))
    return sell(ready, buyers, foreseen(drawn, variety) if buyers.holds else None)


def chances(drawn: Draws, variety: str, week: Week, at_least: ArrayLike) -> Array:
    """Return the chance of at least so many saleable plants in a week in every draw, shape (draws,)."""
    if not (batches := drawn.batches_of(variety)):
        nothing = np.where(np.asarray(at_least) <= 0, 1.0, 0.0)
        return np.broadcast_to(nothing, (drawn.streams.draws,)).astype(np.float64)
    life = drawn.season.variety(variety).saleable_weeks
    shares = [drawn.fate(one).saleable(np.array([float(week - one.week)]), life)[0] for one in batches]
    return sum_at_least(at_least, [batch.quantity for batch in batches], shares)


def met_chances(drawn: Draws, variety: str) -> list[float]:
    """Return the chance of each target of a variety alone, as `Outcome.targets` has it."""
    buyers = buyers_of(drawn.season, drawn.streams, variety, drawn.batches_of(variety))
    if len(buyers.rows) == 1 and buyers.first_alone:
        row = buyers.rows[0]
        needed = drawn.season.needed(row.target, row.come[-1])
        return [_mean(chances(drawn, variety, row.target.week, needed))]
    return [row[_CHANCE] for row in drawn.targets(variety)]


def _mean(share: NDArray[Any]) -> float:
    return round(float(share.mean()), 4)


def met(drawn: Draws, variety: str) -> tuple[list[tuple[Any, ...]], Array]:
    """Return the rows of `Outcome.targets` of a variety, and the log of the chance that all are met, shape (draws,).

    Of several rows, which hang together, all are taken from the same sampled history. The log is held to multiples of
    2^-32, so that sums over varieties do not depend on their order.
    """
    season = drawn.season
    season.variety(variety)
    if not (targets := season.targets_of(variety)):
        return [], np.zeros(drawn.streams.draws)
    sold = sales(drawn, variety)
    buyers = sold.buyers
    needed = [season.needed(row.target, row.come[-1]) for row in buyers.rows]
    shares = [sold.kept(at, number) * 1.0 for at, number in enumerate(needed)]
    every = np.min(shares, axis=0)
    if buyers.first_alone:
        shares[0] = chances(drawn, variety, targets[0].week, needed[0])
        every = shares[0] if len(shares) == 1 else every
    rows = []
    for at, (row, share) in enumerate(zip(targets, shares, strict=True)):
        there, chance = ranges(sold.offered(at)[None])[:, 0], _mean(share)
        more = (row.until and str(row.until), row.channel, row.promised, row.promised_share)
        cells = row.variety, str(row.week), row.median_demand, *there, chance
        rows.append((*cells, *more) if any(more) else cells)
    with np.errstate(divide="ignore"):  # the logarithm of no chance at all
        return rows, held(np.log(every), _LOG_STEP)
