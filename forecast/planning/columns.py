"""Columns, and the possible deliveries they are made of: what these sell for, cost and stand on, draw by draw."""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from forecast.fates.fate import Fate
from forecast.growth.blocks import numbers_of_batch
from forecast.growth.simulation import draw_fate
from forecast.growth.stock import drawn_demand
from forecast.growth.summaries import TENTH
from forecast.ordering.price_breaks import PriceList
from forecast.ordering.shipments import Box, Shipment, packed
from forecast.ordering.unit_costs import most_rent_saved, rents, stage_costs
from forecast.rounding import round_up
from forecast.season.season import Season
from forecast.streams import Array, Streams
from forecast.weeks import Week

Whole = NDArray[np.int64]

AREA_DRAWS = 512  # draws in which the area is looked at
MOST_STEPS = 60  # quantities tried of one price list in one week
_NEAR = 16  # more of them that are tried at once near one of them
_FINE = 0.001  # of a quantity: between smaller steps no more are tried
_MOST = 4  # times what would meet the largest demand: no order is larger


@dataclass(frozen=True, eq=False)
class Way:
    """One price list, delivered in one week, as one of the deliveries of its variety; shares are of the plantlets."""

    prices: PriceList
    week: Week
    slot: int  # which delivery of the variety it is, from 0: it has the luck of the batch of this number
    quantities: Whole  # orderable quantities that are tried, ascending [plants]
    ready: Array  # share saleable now or before, by the Monday of each target week, shape (targets, draws)
    past: Array  # share past its sale window by then, likewise
    through: Array  # share saleable by the end of the season or before, shape (draws,)
    growing: Array  # stages, work and bench of a plantlet, expected given the draw, shape (draws,) [currency]
    area: NDArray[np.float32]  # of a plantlet if none is sold early, shape (places * weeks, AREA_DRAWS or fewer) [m²]

    @cached_property
    def paid(self) -> Array:
        """Price of the plants for each quantity [currency]."""
        return np.array([self.shipment(n).price for n in self.quantities.tolist()])

    @cached_property
    def boxes(self) -> dict[Box, Whole]:
        """The boxes with a freight, and how many plantlets of each quantity come in them."""
        found: dict[Box, Whole] = {}
        for at, quantity in enumerate(self.quantities.tolist()):
            for box, plants in _freighted([self.shipment(quantity)]).items():
                found.setdefault(box, np.zeros_like(self.quantities))[at] = plants
        return found

    @cached_property
    def gaps(self) -> Whole:
        """How many plants more than each quantity are orderable, up to the next that is tried or to the next price."""
        numbers, starts = self.quantities.tolist(), [row.from_quantity for row in self.prices.breaks]
        found = []
        for quantity, following in zip(numbers, [*numbers[1:], numbers[-1]], strict=True):
            until = min([following, *(start for start in starts if start > quantity)]) - 1
            step = self.prices.row(quantity).multiple
            found.append(max(until - quantity, 0) // step * step)
        return np.array(found, dtype=np.int64)

    def shipment(self, quantity: int) -> Shipment:
        """Return the shipment of a quantity."""
        return Shipment(self.prices, self.week, quantity)

    def finer(self, quantity: int) -> Way:
        """Return the same way with every orderable quantity near one of those tried, or some if they are many."""
        at = int(np.searchsorted(self.quantities, quantity))
        low, high = self.quantities[max(at - 1, 0)], self.quantities[min(at + 1, self.quantities.size - 1)]
        if high - low <= 2 * _FINE * quantity:
            return self
        near = _thinned(_orderable(self.prices, int(low), int(high)), _NEAR)
        return replace(self, quantities=np.unique(np.concatenate([self.quantities, near])))


def _freighted(shipments: Iterable[Shipment]) -> dict[Box, int]:
    """Return how many plantlets of shipments share boxes that have a freight."""
    return {box: plants for box, plants in packed(shipments).items() if box.freight}


@dataclass(frozen=True, eq=False)
class Column:
    """The deliveries of one item (a variety, or a target) that a plan can hold together."""

    item: int
    plants: Mapping[Way, int]  # of each delivery
    margin: Array  # without freight, expected given the draw, shape (draws,) [currency]
    cost: float  # expected, without freight [currency]

    @property
    def key(self) -> tuple[object, ...]:
        """Item and deliveries, which tell it from others."""
        return self.item, *self.plants.items()

    @cached_property
    def shipments(self) -> tuple[Shipment, ...]:
        """The deliveries as shipments."""
        return tuple(way.shipment(quantity) for way, quantity in self.plants.items())

    @cached_property
    def boxes(self) -> dict[Box, int]:
        """The boxes with a freight, and how many plantlets come in them."""
        return _freighted(self.shipments)


class Ways:
    """All possible deliveries of one variety that has a sale price and a target, and what one or two of them earn.

    If they are guarded, the worst tenth of draws can count for more than the others. `only` are the price lists, weeks
    and numbers of delivery whose margin is asked for; without it, all are tried in all quantities.
    """

    def __init__(
        self, season: Season, streams: Streams, variety: str, deliveries: int = 2, *, guarded: bool = False,
        only: Container[tuple[PriceList, Week, int]] | None = None,
    ) -> None:  # fmt: skip
        self.season, self.streams, self.variety = season, streams, variety
        rows = season.targets_of(variety)
        self.rows = rows
        self.demand = np.array([drawn_demand(streams, row) for row in rows])
        own = season.variety(variety)
        paid = [own.price(row.week - season.first_week) for row in rows]
        last = rows[-1].week
        self.markdown = own.marked_down(last - season.first_week)
        weeks = [row.week - season.first_week for row in rows]
        self.worth = np.array(paid) + most_rent_saved(season, variety, weeks[-1])[weeks]  # by what is sold early
        self.cleared = float(season.outlet_of(variety))
        self._batches = object()  # which its streams keep fates of
        self._tried, possible = only is None, self._possible(last)
        self.slots = tuple(
            tuple(self._way(*one, slot, guarded) for one in possible if only is None or (*one, slot) in only)
            for slot in range(deliveries)
        )
        self._tables: dict[tuple[Way, Way | None], Array] = {}
        self._weights: Array | None = None

    def _possible(self, last: Week) -> list[tuple[PriceList, Week]]:
        """Return every price list and week of delivery, in the order in which batches are numbered."""
        lists = PriceList.of(self.season.price_lines(self.variety))
        pairs = [(prices, week) for prices in lists for week in prices.weeks(self.season.first_week, last)]
        return sorted(pairs, key=lambda pair: (pair[1], pair[0].lab))

    def _fate(self, week: Week, slot: int) -> Fate:
        def make() -> Fate:
            return draw_fate(self.season, self.streams, self.variety, slot + 1, week)

        key = self._batches, slot, week if self.season.by_weather(self.variety) else None
        return self.streams.latest(key, make, numbers_of_batch(self.season, self.variety))

    def _way(self, prices: PriceList, week: Week, slot: int, guarded: bool) -> Way:
        season, fate = self.season, self._fate(week, slot)
        elapsed = np.array([float(row.week - week) for row in self.rows])
        life = season.variety(self.variety).saleable_weeks
        rows = len(self.rows)
        before = elapsed - life if life is not None else np.full(rows, -1.0)
        shares = fate.ready(np.concatenate([elapsed, before, [float(season.last_week - week)]]))
        parts = {"ready": shares[:rows], "past": shares[rows : 2 * rows], "through": shares[-1]}
        area, bench = footprint(season, self.variety, fate, week, self.rows[-1].week)
        growing = stage_costs(season, self.variety, fate, week) + bench
        least = min(row.unit_price for row in prices.breaks) + growing
        quantities = np.zeros(0, dtype=np.int64)
        if self._tried:
            most = self._most(parts["ready"], parts["past"], parts["through"], least, guarded)
            quantities = orderable_up_to(prices, most)
        return Way(prices, week, slot, quantities, **parts, growing=growing, area=area)

    def _most(self, ready: Array, past: Array, through: Array, least: Array, guarded: bool) -> int:
        """Return a quantity from which on a plant more sells for less than it costs at least."""
        limit = _MOST * float(self.demand.sum(axis=0).max()) / max(float(through.mean()), 0.01)
        tried = limit * 0.85 ** np.arange(40, -1, -1.0)
        income = np.array([self._sales(n * ready, n * past, n * through) for n in tried])
        slopes = np.diff(income, axis=0) / np.diff(tried)[:, None] - least
        kept = max(int(TENTH * slopes.shape[1]), 1) if guarded else slopes.shape[1]
        steepest = np.sort(slopes, axis=1)[:, -kept:].mean(axis=1)  # in those draws in which it is worth most
        enough = np.flatnonzero(steepest <= 0)
        return round_up(tried[enough[0] + 1] if enough.size else limit)

    def income(self, first: Way, second: Way | None, weights: Array) -> Array:
        """Return the income of every quantity of one way, or pair of quantities of two, weighted over draws [currency].

        In each draw it is the most that a flow of plants to the target weeks can earn: concave in each quantity, and
        two deliveries are worth no more together than apart.
        """
        if second is None:
            return np.array([self._earned({first: int(n)}) @ weights for n in first.quantities])
        sizes = second.quantities[:, None]
        other, over = [sizes * one for one in second.ready], [sizes * one for one in second.past]
        left_over = sizes * second.through if self.markdown else None
        shelved = bool(first.past.any() or second.past.any())
        total = np.zeros((first.quantities.size, second.quantities.size))
        for at, quantity in enumerate(first.quantities):
            gone: Array | float = 0.0
            sold: Array | float = 0.0
            for r, demand in enumerate(self.demand):
                there = other[r] + quantity * first.ready[r]
                if shelved:
                    gone = np.maximum(gone, over[r] + quantity * first.past[r])
                if r or shelved:
                    there -= gone
                np.minimum(there, demand, out=there)
                total[at] += self.worth[r] * (there @ weights)
                gone, sold = gone + there, sold + there
            if left_over is not None:
                there = left_over + quantity * first.through
                there -= sold
                np.minimum(there, self.cleared, out=there)
                total[at] += self.markdown * (there @ weights)
        return total

    def _earned(self, plants: Mapping[Way, int]) -> Array:
        """Return the income of some deliveries, shape (draws,) [currency]."""
        ready = sum((n * way.ready for way, n in plants.items()), np.zeros_like(self.demand))
        past = sum((n * way.past for way, n in plants.items()), np.zeros_like(self.demand))
        through = sum((n * way.through for way, n in plants.items()), np.zeros(self.demand.shape[1]))
        return self._sales(ready, past, through)

    def _sales(self, ready: Array, past: Array, through: Array) -> Array:
        sold = _sold(ready, past, self.demand)
        left = np.minimum(through - sold.sum(axis=0), self.cleared)
        return np.asarray(self.worth @ sold + self.markdown * left)

    def margin(self, plants: Mapping[Way, int]) -> Array:
        """Return the margin of some deliveries without freight, expected given the draw, shape (draws,) [currency]."""
        found = self._earned(plants)
        for way, quantity in plants.items():
            found = found - way.shipment(quantity).price - quantity * way.growing
        return found

    def cost(self, plants: Mapping[Way, int]) -> float:
        """Return the expected cost [currency] of some deliveries, without freight."""
        return float(sum(way.shipment(n).price + n * way.growing.mean() for way, n in plants.items()))

    def pairs(self) -> Iterator[tuple[int, int]]:
        """Return the pairs of ways that two deliveries can come: not both from one lab in one week."""
        if len(self.slots) < 2:
            return
        for i, first in enumerate(self.slots[0]):
            for j, second in enumerate(self.slots[1]):
                if (first.week, first.prices.lab) < (second.week, second.prices.lab):
                    yield i, j

    def most(self, weights: Array) -> float:
        """Return the income if all demand is met [currency]."""
        return float(self.worth @ (self.demand @ weights)) + self.markdown * self.cleared * float(weights.sum())

    def table(self, i: int, j: int | None, slot: int, weights: Array) -> Array:
        """Return `income` of way i alone in its slot, or with way j; it is kept while the weights stay the same."""
        if self._weights is not weights:
            self._tables, self._weights = {}, weights
        key = self.slots[slot][i], None if j is None else self.slots[1][j]
        if key not in self._tables:
            self._tables[key] = self.income(*key, weights)
        return self._tables[key]

    def refine(self, plants: Mapping[Way, int]) -> bool:
        """Try every orderable quantity near some deliveries; return whether any of them is new."""
        changed = False
        for one, quantity in plants.items():
            slot = list(self.slots[one.slot])
            for at, way in enumerate(slot):
                if (way.prices, way.week) == (one.prices, one.week) and way.gaps.any():
                    finer = way.finer(quantity)
                    if finer.quantities.size > way.quantities.size:
                        slot[at], changed = finer, True
            self.slots = tuple(tuple(slot) if s == one.slot else ways for s, ways in enumerate(self.slots))
        return changed


def _sold(ready: Array, past: Array, demand: Array) -> Array:
    """Return the plants sold in each target week, the oldest first, shape (targets, draws)."""
    gone = np.zeros(ready.shape[1])
    sold = np.empty_like(ready)
    for r in range(len(ready)):
        gone = np.maximum(gone, past[r])
        sold[r] = np.minimum(ready[r] - gone, demand[r])
        gone = gone + sold[r]
    return sold


def footprint(season: Season, variety: str, fate: Fate, week: Week, last: Week) -> tuple[NDArray[np.float32], float]:
    """Return the area of a plantlet of a delivery, shape (places * weeks, draws) [m²], and the cost of its bench.

    Saleable plants stand until the last target week, and leave at once. The first AREA_DRAWS draws count.
    """
    route, names = season.route(variety), list(season.place_names)
    some = fate.take(slice(AREA_DRAWS))
    elapsed = np.arange(season.weeks, dtype=np.float64) - (week - season.first_week)
    standing, ready = some.course(elapsed)
    life = season.variety(variety).saleable_weeks
    if life is not None:
        ready = ready.copy()
        ready[life:] -= ready[:-life].copy()
    ready[last - season.first_week :] = 0
    area = np.zeros((len(names), season.weeks, ready.shape[1]), dtype=np.float32)
    stood = list(zip([*route, route[-1]], [*standing, ready], strict=True))
    for row, alive in stood:
        area[names.index(row.place)] += alive / row.plants_per_m2
    bench = sum(float(rents(season, row) @ alive.mean(axis=1)) for row, alive in stood)
    return area.reshape(len(names) * season.weeks, -1), bench


def orderable_up_to(prices: PriceList, most: int) -> Whole:
    """Return the orderable quantities up to the first from `most`, and those where a price begins, thinned if many."""
    last = prices.orderable(most)
    starts = sorted({prices.orderable(row.from_quantity) for row in prices.breaks})
    beyond = [range(start, start + 1) for start in starts if start > last]
    return np.union1d(_thinned([*_orderable(prices, 0, last), *beyond], MOST_STEPS), np.array(starts, dtype=np.int64))


def _orderable(prices: PriceList, least: int, most: int) -> list[range]:
    """Return the orderable quantities between two, as ranges that ascend."""
    found = (some[-(-max(least - some[0], 0) // some.step) :] for _, some in prices.ranges(most))
    return [some for some in found if some]


def _thinned(pieces: Sequence[range], most: int) -> Whole:
    """Return all numbers of some ranges that ascend, or so many of them."""
    before = np.cumsum([0, *map(len, pieces)])
    at = np.linspace(0, before[-1] - 1, min(before[-1], most)).round()
    homes = np.searchsorted(before, at, side="right") - 1
    return np.array([pieces[home][int(i - before[home])] for home, i in zip(homes, at, strict=True)], dtype=np.int64)
