"""Who is served: the plants of a variety on hand, week by week, and the buyers who take them, in every draw."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from forecast.fates.fate import Batch
from forecast.growth.stock import aged_of, earlier, weekly_demand
from forecast.rounding import TOLERANCE, near_whole
from forecast.season.season import Season
from forecast.season.targets import Target
from forecast.streams import Array, Streams

_EVERY = slice(None)


@dataclass(frozen=True, eq=False)
class Row:
    """The buyers of one target: in which weeks they come, numbered from 0, how many, and what a plant brings then.

    `demand` has the shape (weeks, draws) [plants], `prices` (weeks,) [currency], 0 without prices; `open` are the weeks
    of the season in which they buy, those in which some of them wait included.
    """

    target: Target
    first: int
    demand: Array
    prices: Array
    open: range

    @cached_property
    def come(self) -> Array:
        """How many have come by the end of each of their weeks, shape (weeks, draws)."""
        return np.cumsum(self.demand, axis=0)

    def by(self, week: int) -> Array:
        """Return how many have come by the end of a week, shape (draws,)."""
        at = min(week - self.first, len(self.demand) - 1)
        return self.come[at] if at >= 0 else np.zeros(self.demand.shape[1])

    def left(self, week: int) -> Array:
        """Return how many came so early that they do not wait any more in a week, shape (draws,)."""
        return self.by(week - self.target.waits - 1)

    def price(self, week: int) -> float:
        """Return the price of a week, and that of their last after it [currency]."""
        return float(self.prices[min(week - self.first, self.prices.size - 1)])


@dataclass(frozen=True, eq=False)
class Buyers:
    """The buyers of one variety in every draw.

    Parameters
    ----------
    rows
        Those of each target, by week.
    due
        Plants that promised buyers are expected to have asked for by the end of each week: means over all draws, shape
        (weeks,).
    saleable_weeks
        Weeks for which a plant keeps its grade; None if for the whole season.
    aged
        Plants that were saleable before the season and are past their sale window by each week, shape (weeks,); None if
        there are none.
    """

    rows: tuple[Row, ...]
    due: Array
    saleable_weeks: int | None = None
    aged: Array | None = None

    @property
    def last(self) -> int:
        """Number of the last week in which anything can be sold; 0 if there are no buyers."""
        return max((row.open[-1] for row in self.rows), default=0)

    @cached_property
    def promised(self) -> int:
        """Number of the last week in which a promised buyer comes; -1 if none does."""
        ends = (row.first + len(row.demand) - 1 for row in self.rows if row.target.promised)
        return min(max(ends, default=-1), self.due.size - 1)

    @cached_property
    def holds(self) -> bool:
        """Whether plants may be held back from some row."""
        return any(map(self._held, self.rows))

    def _held(self, row: Row) -> bool:
        """Say whether a plant may be held back from a row, and still be in grade when a promised buyer comes."""
        if row.target.promised:
            return False
        most = self.due.size if self.saleable_weeks is None else self.saleable_weeks
        later = (one for one in self.rows if one.target.promised)
        ends = ((one.first, one.first + len(one.demand) - 1) for one in later)
        return any(max(first, row.first + 1) <= min(last, row.open[-1] + most - 1) for first, last in ends)

    def alone(self, at: int) -> bool:
        """Say whether a row buys in one week, and no other row then."""
        week, *later = self.rows[at].open
        return not later and sum(week in row.open for row in self.rows) == 1

    @property
    def first_alone(self) -> bool:
        """Whether the first row may take all that is on hand in its one week: none comes before it."""
        return self.alone(0) and not self._held(self.rows[0])

    def served(self, week: int) -> Iterator[int]:
        """Return which rows may buy in a week, in the order in which they are served.

        The surer promise first, then the dearer; those without a promise last, the dearest first.
        """
        some = [at for at, row in enumerate(self.rows) if week in row.open]
        return iter(sorted(some, key=lambda at: (-(self.rows[at].target.promised or 0), -self.rows[at].price(week))))

    def between(self, weeks: slice) -> Buyers:
        """Return the same with weeks numbered from the first of some, which hold all in which anybody buys."""
        rows = tuple(
            replace(
                row,
                first=row.first - weeks.start,
                open=range(row.open.start - weeks.start, row.open.stop - weeks.start),
            )
            for row in self.rows
        )
        return replace(self, rows=rows, due=self.due[weeks], aged=None if self.aged is None else self.aged[weeks])

    def part(self, draws: slice) -> Buyers:
        """Return the same for some of the draws."""
        return self if draws == _EVERY else self._changed(lambda demand: demand[:, draws])

    def repeated(self, times: int) -> Buyers:
        """Return the same with all draws repeated so many times, one after the other."""
        return self._changed(lambda demand: np.tile(demand, times))

    def _changed(self, change: Any) -> Buyers:
        rows = tuple(replace(row, demand=change(row.demand)) for row in self.rows)
        return replace(self, rows=rows)


@dataclass(frozen=True, eq=False)
class Sold:
    """What is sold of a variety, and what is on hand, in every draw.

    Parameters
    ----------
    buyers
        Who would buy.
    ready
        Plants that have become ready by each week, shape (weeks, draws).
    before, after
        Plants on hand in each week before and after its sales, shape (weeks, draws).
    plants
        By row, plants sold to it in each week from its first to the last in which its buyers wait, shape (weeks,
        draws).
    """

    buyers: Buyers
    ready: NDArray[Any]
    before: Array
    after: Array
    plants: tuple[Array, ...]

    def total(self, at: int) -> Array:
        """Return the plants sold to a row, shape (draws,)."""
        return np.asarray(self.plants[at].sum(axis=0))

    def offered(self, at: int) -> Array:
        """Return the plants that a row could have, shape (draws,): those sold to it, or all on hand if it is alone."""
        row = self.buyers.rows[at]
        return np.asarray(self.before[row.first]) if self.buyers.alone(at) else self.total(at)

    def kept(self, at: int, needed: Array) -> NDArray[np.bool_]:
        """Say in which draws so many plants, shape (draws,), are sold to a row, but for the last digits."""
        return np.asarray(self.total(at) >= needed * (1 - TOLERANCE))

    def missing(self, at: int) -> Array:
        """Return the plants that a row wanted and did not get, shape (draws,)."""
        return np.asarray(self.buyers.rows[at].come[-1] - self.total(at))

    def takings(self, at: int) -> Array:
        """Return what a row pays in each of its weeks of sale [currency], shape (weeks, draws).

        Buyers who wait pay the price of the week in which they came; of a row they are served first.
        """
        row, plants = self.buyers.rows[at], self.plants[at]
        if not row.target.waits or np.ptp(row.prices) == 0:
            return np.array([row.price(week) for week in row.open])[:, None] * plants
        paid = np.zeros(plants.shape)
        closed = np.zeros(plants.shape[1])
        for place, week in enumerate(row.open):
            closed = np.maximum(closed, row.left(week))
            served = closed + plants[place]
            for came in range(max(week - row.target.waits, row.first), min(week, row.first + len(row.demand) - 1) + 1):
                of_week = np.minimum(served, row.by(came)) - np.maximum(closed, row.by(came - 1))
                paid[place] += row.price(came) * np.maximum(of_week, 0)
            closed = served
        return paid

    def leaving(self) -> Array:
        """Return the plants that leave unsold in each week, shape (weeks, draws).

        They are past their sale window, or are left after the last sale or become ready after it.
        """
        found = np.diff(self.ready, axis=0, prepend=0).astype(np.float64)
        if self.buyers.rows:
            last = self.buyers.last
            found[1 : last + 1] += self.after[:last]  # what was there and has come, less what is still there
            found[: last + 1] -= self.before[: last + 1]
            found[last] += self.after[last]
        return found

    def marked_down(self, outlet: int) -> Array:
        """Return the plants that leave in each week and find a buyer in an outlet for so many, shape (weeks, draws)."""
        return np.diff(np.minimum(np.cumsum(self.leaving(), axis=0), outlet), axis=0, prepend=0)


class _Held(NamedTuple):
    """At most so many plants of those on hand that are in grade in a later week are held back until then."""

    week: int
    plants: float


def buyers_of(season: Season, streams: Streams, variety: str, batches: Sequence[Batch] = ()) -> Buyers:
    """Return the buyers of a variety in every draw; `batches` are those of its plants that are there to be sold."""
    rows, due = [], np.zeros(season.weeks)
    for target in season.targets_of(variety):
        weeks, demand = season.weeks_of(target), weekly_demand(season, streams, target)
        prices = season.prices_of(target) if season.priced(target) else np.zeros(len(weeks))
        closes = min(weeks[-1] + target.waits, season.weeks - 1)
        rows.append(Row(target, weeks[0], demand, prices, range(weeks[0], closes + 1)))
        if target.promised:
            due[weeks.start : weeks.stop] += demand.mean(axis=1)
    life = season.variety(variety).saleable_weeks
    return Buyers(tuple(rows), np.cumsum(due), life, aged_of(season, batches))


def sell(
    ready: NDArray[Any], buyers: Buyers, foreseen: Array | None = None, past: NDArray[Any] | None = None
) -> Sold:  # fmt: skip
    """Sell the plants of a variety, week by week, in every draw.

    Parameters
    ----------
    ready
        Plants that have become ready by each week, shape (weeks, draws).
    buyers
        Who would buy.
    foreseen
        Plants that are expected to have become ready by each week, shape (weeks,): what is known when
        plants are held back. The mean of `ready` if not given.
    past
        Plants that are past their sale window by each week, shape (weeks, draws). If not given, those that were ready
        as long before, and those of `buyers` that are too old.

    Notes
    -----
    The oldest plants are sold first. In a week promised rows are served first, the surer promise before the other, then
    the dearer; those who wait before those who come. Then the others, the dearest of that week first, from what is not
    held back: for each later week the promised demand that is expected until then, less the plants expected to become
    ready until then, but no more than those on hand that are still in grade; the most of these.
    """
    foreseen = np.asarray(ready.mean(axis=1)) if foreseen is None and buyers.holds else foreseen
    past = earlier(ready, buyers.saleable_weeks, buyers.aged) if past is None else past
    gone = np.zeros(ready.shape[1])
    before, after = np.empty(ready.shape), np.empty(ready.shape)
    closed = [np.zeros(ready.shape[1]) for _ in buyers.rows]  # buyers who have been served or do not wait any more
    plants = tuple(np.zeros((len(row.open), ready.shape[1])) for row in buyers.rows)
    for week in range(ready.shape[0]):
        gone = np.maximum(gone, past[week])
        before[week] = ready[week] - gone
        held: Array | float | None = None
        for at in buyers.served(week):
            row, free = buyers.rows[at], ready[week] - gone
            if not row.target.promised and buyers.holds:
                held = _held(week, ready, past, gone, _needs(week, buyers, foreseen)) if held is None else held
                free = np.maximum(free - held, 0)
            closed[at] = np.maximum(closed[at], row.left(week))
            given = np.minimum(free, row.by(week) - closed[at])
            given = np.maximum(given, 0) if row.target.waits else given  # an expected number ready may be below 0
            closed[at] = closed[at] + given
            plants[at][week - row.first] = given
            gone = gone + given
        after[week] = ready[week] - gone
    return Sold(buyers, ready, before, after, plants)


def _needs(week: int, buyers: Buyers, foreseen: Array | None) -> Iterator[_Held]:
    """Yield what is needed for promised buyers of later weeks, beyond what becomes ready until then: if ever more."""
    most = 0.0
    for later in range(week + 1, buyers.promised + 1):
        comes = 0.0 if foreseen is None else foreseen[later] - foreseen[week]
        needed = float(np.ceil(near_whole(buyers.due[later] - buyers.due[week] - comes)))
        if needed > most:
            most = needed
            yield _Held(later, needed)


def _held(week: int, ready: NDArray[Any], past: NDArray[Any], gone: Array, needs: Iterator[_Held]) -> Array | float:
    """Return the plants that are held back in a week, shape (draws,); 0 if none are."""
    held: Array | float = 0.0
    for later, needed in needs:
        in_grade = np.maximum(ready[week] - np.maximum(gone, past[later]), 0)
        held = np.maximum(held, np.minimum(needed, in_grade))
    return held
