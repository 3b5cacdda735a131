"""Columns, and the possible deliveries they are made of: what these sell for, cost and stand on, draw by draw."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from copy import copy
from dataclasses import dataclass
from functools import cached_property
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from forecast.fates.fate import Fate
from forecast.growth.selling import Row, buyers_of, sell
from forecast.growth.simulation import draw_fate
from forecast.growth.stock import price_factor
from forecast.ordering.price_breaks import PriceList
from forecast.ordering.shipments import Box, Shipment, packed
from forecast.ordering.unit_costs import outlays, rents, stage_costs
from forecast.rounding import reaches
from forecast.season.price_list import PriceLine
from forecast.season.season import Season
from forecast.season.targets import Target
from forecast.streams import Array, Latest, Streams
from forecast.weeks import Week
from forecast.worth.concave import Income, Plants
from forecast.worth.dependence import growing
from forecast.worth.existing import Existing, variances
from forecast.worth.promises import Promise, Promises

AREA_DRAWS = 256  # draws in which the area is looked at
_MOST = 4  # times what would meet the largest demand: no order is larger, or else than what keeps a promise
_NOTHING = 1e-12
_PAST = 1  # where in `Plants` those are that are past their best
_PART = 0.1  # of what all that is asked for sells for: a further delivery that adds as much is always worth it
_NO_CASH = np.zeros(0)
_VARIANCES = 2**25  # bytes of variances of ways that are kept
_COUNTED = 5.0  # plants of a way, from which on their luck counts as it changes with their number
_MOST_EACH = 100  # plantlets for each plant of the largest demand, likewise

Key = tuple[PriceList, Week]
Aim = Literal["margin", "cost"]


@dataclass(frozen=True, eq=False)
class Way:
    """One price list, delivered in one week; shares are of the plantlets."""

    at: int  # its place among the ways of its variety
    number: int  # of the batch whose luck it has
    prices: PriceList
    week: Week
    delivered: int  # number of the week
    growing: Array  # stages, work and bench of a plantlet, expected given the draw, shape (draws,) [currency]
    area: NDArray[np.float32]  # of a plantlet if none is sold early, shape (places * weeks, AREA_DRAWS or fewer) [m²]
    outlay: Array  # what growing a plantlet has cost by each week, expected, if cash is limited [currency]

    @property
    def key(self) -> Key:
        """Price list and week, which tell it from others of its variety."""
        return self.prices, self.week

    def due(self, line: PriceLine, week: int) -> float:
        """Return which share of its price is due for a plantlet by the end of a week."""
        return 1.0 if week >= self.delivered else line.deposit

    def shipment(self, quantity: int) -> Shipment:
        """Return the shipment of a quantity."""
        return Shipment(self.prices, self.week, quantity)


@dataclass(frozen=True, eq=False)
class Column:
    """Deliveries of one variety that a plan can hold together."""

    item: int
    plants: Mapping[Way, int]  # of each delivery
    margin: Array  # without freight, expected given the draw, shape (draws,) [currency]
    worth: Array  # the same, and what those served would have cost if short, less what further deliveries must add
    hindsight: float  # how much more they would be worth if all buyers were known beforehand, at most [currency]
    freed: Array  # area that is free once plants are sold, shape (weeks, AREA_DRAWS or fewer) [m²]
    freed_at: slice  # which places and weeks these are
    cash: Array  # without freight, by the end of each week, expected, if it is limited, shape (weeks,) [currency]

    @cached_property
    def key(self) -> tuple[object, ...]:
        """Item and deliveries, which tell it from others."""
        return self.item, *sorted((way.at, quantity) for way, quantity in self.plants.items())

    @cached_property
    def shipments(self) -> tuple[Shipment, ...]:
        """The deliveries as shipments."""
        return tuple(way.shipment(quantity) for way, quantity in self.plants.items())

    @cached_property
    def paid(self) -> float:
        """What labs are paid for the plants [currency]."""
        return sum(one.price for one in self.shipments)

    @cached_property
    def cost(self) -> float:
        """Expected cost without freight, as if no plant were sold before the last week [currency]."""
        return self.paid + sum(quantity * float(way.growing.mean()) for way, quantity in self.plants.items())

    @cached_property
    def boxes(self) -> dict[Box, int]:
        """The boxes with a freight, and how many plantlets come in them."""
        return {box: plants for box, plants in packed(self.shipments).items() if box.freight}


class Earned(NamedTuple):
    """What plants earn in every draw, as in `Column` but for their cost, and the area that is free once sold."""

    margin: Array
    worth: Array
    freed: Array
    cash: Array


class Ways:
    """All possible deliveries of one variety that has a target, and what any of them together earn.

    Every way has the luck of a batch of its own. `only` are those that are asked for; without it, all. What they earn
    is what they add to plants that come in any case: those on hand, and those ordered already. If they grow as others
    do that are `like` them, under the same streams, they are not drawn again.
    """

    def __init__(
        self, season: Season, streams: Streams, variety: str, *, only: Collection[Key] | None = None,
        aim: Aim = "margin", like: Ways | None = None,
    ) -> None:  # fmt: skip
        self.season, self.streams, self.variety, self.aim = season, streams, variety, aim
        rows = season.targets_of(variety)
        self.first, self.last = min(row.week for row in rows), season.last_sale(variety) or season.last_week
        at = self.first - season.first_week
        self._weeks = slice(at, self.last - season.first_week + 1)
        weeks, draws = self._weeks.stop - at, streams.draws
        self._buyers = buyers_of(season, streams, variety).between(self._weeks)
        self.asked = [self._asked(row) for row in self._buyers.rows]
        paid, missed = np.zeros((2, len(rows), weeks))
        for each, more, buyers in zip(paid, missed, self._buyers.rows, strict=True):
            if aim == "margin":
                each[buyers.first :][: buyers.prices.size] = buyers.prices
                more[:] = season.short_cost_of(buyers.target)
        waits = [row.waits for row in rows]
        self._prices, self._markdown = paid, self._marked_down()
        self.cash = season.overdraft is not None and aim == "margin"  # whether it is limited
        self._outlet = float(season.outlet_of(variety))
        self._short_costs, self._factor = missed[:, 0], price_factor(season, streams)
        self.paid = Income.of(self.asked, paid, waits, self._markdown, self._outlet, self._factor)
        self.worth = self.paid
        if missed.any() or season.price_cv:
            self.worth = Income.of(self.asked, paid + missed, waits, self._markdown, self._outlet)
        self.all_short = float(
            sum(each * one.sum(axis=0).mean() for each, one in zip(missed[:, 0], self.asked, strict=True))
        )
        self.split_gain = min(season.split_gain, _PART * self._all_sold(paid))
        self._density = season.route(variety)[-1].plants_per_m2
        home = list(season.place_names).index(season.route(variety)[-1].place) * season.weeks
        self._freed_at = slice(home + self._weeks.start, home + self._weeks.stop)
        self._rent = rents(season, season.route(variety)[-1])[self._weeks, None].copy()
        self._rent[-1] = 0.0  # all leave in the last week
        self._perish = bool(season.variety(variety).saleable_weeks or season.on_hand)
        self._there = Existing.of(season, streams, variety, self._weeks)
        self._luck = [streams.normal(("variety", variety), name) for name in ("plants", "timing of plants")]
        self._shares: Plants
        self._variances: Latest
        self.ways: tuple[Way, ...]
        if like is not None and growing(like.season, variety) == growing(season, variety):
            self._shares, self._variances, self.ways = like._shares, like._variances, like.ways
        else:
            keys = [one for one in _possible(season, variety, self.last) if only is None or one[1:] in only]
            shape = len(keys), weeks, draws
            self._shares = Plants(np.empty(shape), np.empty(shape), np.empty((len(keys), draws)))
            self._variances = Latest(_VARIANCES)
            self.ways = tuple(self._way(at, *one) for at, one in enumerate(keys))
        dearest = sorted(
            zip(self._buyers.rows, self.asked, strict=True), key=lambda each: -each[0].price(each[0].first)
        )
        promised = [
            Promise(buyers.target, asked, season.needed(buyers.target, asked.sum(axis=0)), level)
            for buyers, asked in dearest
            if (level := _level(season, buyers.target, aim))
        ]
        self.promises = Promises(promised, self._shares, self._there)

    def anew(self) -> Ways:
        """Return the same, of which promises can be raised on their own."""
        found = copy(self)
        found.promises = self.promises.anew()
        return found

    def same(self, other: Ways) -> bool:
        """Say whether these are other ones anew."""
        return self.worth is other.worth

    def _marked_down(self) -> float:
        """Return what a plant left over brings [currency]."""
        own = self.season.variety(self.variety)
        if self.aim == "cost":
            return 0.0
        if own.sale_price is None:
            return own.markdown_price or 0.0
        return own.marked_down(self.last - self.season.first_week)

    def _asked(self, row: Row) -> Array:
        """Return the whole plants that buyers of a row ask for by week, shape (weeks, draws)."""
        found = np.zeros((self._weeks.stop - self._weeks.start, self.streams.draws))
        found[row.first :][: len(row.demand)] = row.demand
        return found

    def _all_sold(self, paid: Array) -> float:
        """Return what all that is asked for sells for, or what it costs to buy if that is more [currency]."""
        each = min((line.unit_price for line in self.season.price_lines(self.variety)), default=0.0)
        every = zip(self.asked, paid, strict=True)
        return float(sum(np.maximum(price, each) @ asked.mean(axis=1) for asked, price in every))

    def _fate(self, number: int, week: Week) -> Fate:
        return draw_fate(self.season, self.streams, self.variety, number, week)

    def _way(self, at: int, number: int, prices: PriceList, week: Week) -> Way:
        season, fate = self.season, self._fate(number, week)
        weeks = self._shares.ready.shape[1]
        elapsed = np.arange(weeks, dtype=np.float64) + (self.first - week)
        life = season.variety(self.variety).saleable_weeks
        before = elapsed - life if life is not None else np.full(weeks, -1.0)
        found = fate.ready(np.concatenate([before, elapsed, [float(season.last_week - week)]]))
        self._shares.past[at], self._shares.ready[at] = found[:weeks], found[weeks:-1]
        self._shares.through[at] = found[-1]
        area, bench = footprint(season, self.variety, fate, week, self.last)
        growing = stage_costs(season, self.variety, fate, week) + bench
        outlay = outlays(season, self.variety, fate, week, self.last) if self.cash else _NO_CASH
        return Way(at, number, prices, week, week - season.first_week, growing, area, outlay)

    def plants(self, plants: Mapping[int, float]) -> Plants:
        """Return the plants that come of some of each way, by its place: expected given the draw, and their luck.

        Notes
        -----
        Of n plants that come through with the chance s, n s + z sqrt(n s (1 - s)) do, and of these as many are ready by
        a week as would be with the chance f, and z' sqrt(n s f (1 - f)) more, with two standard normal z and z' for
        each draw: so their number has the variance of n plants with the chance s f each.
        """
        return self._grown(plants)[0]

    def _grown(self, plants: Mapping[int, float]) -> tuple[Plants, tuple[Plants, Plants]]:
        """Return the plants that come, and the changes for each unit of both variances, where any count."""
        found, changes = Plants(*(one.copy() for one in self._there.mean)), []
        for at, total in enumerate(found):
            if at == _PAST and not self._perish:
                changes.append([total, total])
                continue
            through, timely = self._there.survivors[at].copy(), self._there.timing[at].copy()
            for way, number in plants.items():
                share = self._shares[at][way]
                np.add(total, number * share, out=total)
                one, other = self._variances_of(at, way)
                through += number * one
                timely += number * other
            spread, more = self._luck[0] * np.sqrt(through), self._luck[1] * np.sqrt(timely)
            np.add(total, spread + more, out=total)
            there = total > 0  # where few are expected, a normal number can fall below 0
            changes.append(
                [
                    np.where(there & (variance > _NOTHING), each / np.maximum(2 * variance, _NOTHING), 0.0)
                    for each, variance in ((spread, through), (more, timely))
                ]
            )
            np.maximum(total, 0, out=total)
        by_survival, by_time = zip(*changes, strict=True)
        return found, (Plants(*by_survival), Plants(*by_time))

    def _variances_of(self, at: int, way: int) -> tuple[Array, Array]:
        share = self._shares[at][way]
        return self._variances.get((at, way), lambda: variances(share, self._shares.through[way]), 2 * share.nbytes)

    def plane(
        self, plants: Mapping[int, float], income: Income, weights: Array, rent: Array | None
    ) -> tuple[float, Array]:
        """Return the income of some of each way, weighted over draws, and how it rises with each, shape (ways,).

        The luck of plants of a way of which there are hardly any is left aside: it makes them sell for less, not more.

        `rent` is that of a plant that stands unsold in a week and draw, weighted, shape (weeks, draws).
        """
        there, luck = self._grown(plants)
        value, slope = income.plane(there, weights, 0.0 if rent is None else rent)
        each = np.zeros(len(self.ways))
        for at, (share, change, *by) in enumerate(zip(self._shares, slope, *luck, strict=True)):
            if at == _PAST and not self._perish:
                continue
            each += share.reshape(len(each), -1) @ change.ravel()
            for way, number in plants.items():
                if number >= _COUNTED:
                    for one, variance in zip(by, self._variances_of(at, way), strict=True):
                        each[way] += float((change * one * variance).sum())
        return value, each

    def rent(self, weights: Array, until: int | None = None) -> Array:
        """Return the rent of a plant that stands unsold, weighted by draw, shape (weeks, draws) [currency].

        Until the end of a week of the season if it is given.
        """
        within = np.arange(self._weeks.start, self._weeks.stop) <= (self._weeks.stop if until is None else until)
        return self._rent * within[:, None] * weights

    def freed(self, row: int, draws: NDArray[np.intp], price: float) -> Array:
        """Return what a plant that stands unsold takes of a place and week in some draws, at a price of a m²."""
        found = np.zeros(self.asked[0].shape)
        if self._freed_at.start <= row < self._freed_at.stop - 1:
            found[row - self._freed_at.start, draws] = price / self._density / draws.size
        return found

    def most(self, at: int) -> int:
        """Return the largest order of a way: four times what would meet the largest demand, or the next orderable."""
        largest = float(np.sum(self.asked, axis=(0, 1)).max())
        through = max(float(self._shares.through[at].mean()), 0.01)
        most = float(self.ways[at].prices.orderable(_MOST * largest / through))
        alone = most
        while self.promises and alone < _MOST_EACH * largest and self.promises.missed({at: alone}):
            alone *= 2
        return round(most if self.promises and self.promises.missed({at: alone}) else alone)

    def column(self, item: int, plants: Mapping[int, int]) -> Column:
        """Return the column of some plants of each way, by its place."""
        earned, base = self._earned(plants), self.base
        spent = np.zeros(self.streams.draws)
        for at, quantity in plants.items():
            way = self.ways[at]
            spent += way.shipment(quantity).price + quantity * way.growing
        chosen = {self.ways[at]: quantity for at, quantity in sorted(plants.items())}
        worth = earned.worth - base.worth - spent - self.split_gain * max(len(plants) - 1, 0)
        margin, freed = earned.margin - base.margin - spent, earned.freed - base.freed
        cash = self._cash(plants, earned) if self.cash else _NO_CASH
        return Column(item, chosen, margin, worth, self._hindsight(plants, earned), freed, self._freed_at, cash)

    def _cash(self, plants: Mapping[int, int], earned: Earned) -> Array:
        """Return what plants add to the cash by the end of each week, expected, without freight."""
        found = earned.cash - self.base.cash
        for at, quantity in plants.items():
            way = self.ways[at]
            line, price = way.shipment(quantity).line, way.shipment(quantity).price
            found -= quantity * way.outlay + line.deposit * price
            found[way.delivered :] -= (1 - line.deposit) * price
        return found

    def income_until(self, week: int) -> Income:
        """Return what plants are sold for until the end of a week at most."""
        until = np.arange(self._weeks.start, self._weeks.stop) <= week
        return Income.of(self.asked, self._prices * until, [row.target.waits for row in self._buyers.rows], 0.0, 0.0)

    def kept_as_sold(self, plants: Mapping[int, float]) -> bool:
        """Return whether promises are kept as plants are sold: some go to others before."""
        there = self.plants(plants)
        sold = sell(there.ready, self._buyers, past=there.past)
        for at, row in enumerate(self._buyers.rows):
            level = self.promises.asked.get(row.target)
            needed = self.season.needed(row.target, row.come[-1])
            if level is not None and not reaches(float((sold.total(at) + 0.5 >= needed).mean()), level):
                return False
        return True

    @cached_property
    def contested(self) -> bool:
        """Whether plants may be sold to one buyer that another would pay more for."""
        if self._buyers.holds or any(row.target.waits for row in self._buyers.rows):
            return True
        later = 0.0
        for week in range(self._weeks.stop - self._weeks.start - 1, -1, -1):
            order = [at for at in self._buyers.served(week) if self.asked[at][week].any()]
            each = [self._buyers.rows[at].price(week) + self._short_costs[at] for at in order]
            if each != sorted(each, reverse=True) or min(each, default=later) < later:
                return True
            later = max(each, default=later)
        return False

    def _hindsight(self, plants: Mapping[int, float], earned: Earned) -> float:
        if not self.contested:
            return 0.0
        most, _ = self.worth.at(self.plants(plants), self._rent)
        return max(float((most - earned.worth).mean()), 0.0)

    def free(self, earned: Earned | Column, row: int, draws: NDArray[np.intp]) -> float:
        """Return the mean area that is free in a place and week, in some draws, once plants are sold [m²]."""
        at = row - self._freed_at.start
        return float(earned.freed[at, draws].mean()) if 0 <= at < len(earned.freed) else 0.0

    @cached_property
    def base(self) -> Earned:
        """What the plants earn that come in any case."""
        return self._earned({})

    def _earned(self, plants: Mapping[int, float]) -> Earned:
        """Return what plants earn as they are sold, and those that come in any case."""
        there = self.plants(plants)
        if not (plants or self._there):
            nothing = np.zeros(self.streams.draws)
            freed = np.zeros((there.ready.shape[0], nothing[:AREA_DRAWS].size))
            return Earned(nothing, nothing, freed, np.zeros(self.season.weeks if self.cash else 0))
        sold = sell(there.ready, self._buyers, past=there.past)
        every = [sold.total(at) for at in range(len(self._buyers.rows))]
        gone = there.ready - there.past - sold.after
        marked = np.clip(there.through - sum(every), 0, self._outlet)
        others = self._markdown * marked + (self._rent * gone).sum(axis=0)
        paid, by_week = np.zeros(self.streams.draws), np.zeros(self.season.weeks)
        for at, row in enumerate(self._buyers.rows if self.aim == "margin" else ()):
            takings = sold.takings(at)
            paid += takings.sum(axis=0)
            by_week[self._weeks][row.open.start : row.open.stop] += takings.mean(axis=1)
        by_week[-1] += self._markdown * float(marked.mean())
        short = sum(each * one for each, one in zip(self._short_costs, every, strict=True))
        freed = gone[:, :AREA_DRAWS] / self._density
        freed[-1] = 0.0
        cash = np.cumsum(by_week) + np.cumsum(self._rent_saved(gone)) if self.cash else _NO_CASH
        return Earned(paid * self._factor + others, paid + short + others, freed, cash)

    def _rent_saved(self, gone: Array) -> Array:
        """Return the rent of plants that are gone, by week of the season [currency]."""
        found = np.zeros(self.season.weeks)
        found[self._weeks] = self._rent[:, 0] * gone.mean(axis=1)
        return found


def _level(season: Season, row: Target, aim: Aim) -> float:
    """Return the chance with which a target must be met; 0 if it need not be."""
    return row.promised or (season.service_level if aim == "cost" else 0.0)


def _possible(season: Season, variety: str, last: Week) -> list[tuple[int, PriceList, Week]]:
    """Return every price list and week of delivery, each with the number of the batch whose luck it has."""
    lists = PriceList.of(season.price_lines(variety))
    pairs = [(prices, week) for prices in lists for week in prices.weeks(season.first_week, last)]
    in_order = sorted(pairs, key=lambda pair: (pair[1], pair[0].lab))
    return [(number, *pair) for number, pair in enumerate(in_order, start=1)]


def footprint(season: Season, variety: str, fate: Fate, week: Week, last: Week) -> tuple[NDArray[np.float32], float]:
    """Return the area of a plantlet of a delivery, shape (places * weeks, draws) [m²], and the cost of its bench.

    Saleable plants stand until the last week of sale, and leave at once. The first AREA_DRAWS draws count.
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
