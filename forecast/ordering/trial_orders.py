"""One target, and the orders that can be tried for it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from copy import copy

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr

from forecast.errors import refuse
from forecast.fates.fate import Fate, RouteFate
from forecast.growth.blocks import numbers_of_batch
from forecast.growth.simulation import draw_fate
from forecast.growth.stock import demand_of
from forecast.growth.summaries import at_least
from forecast.ordering.price_breaks import PriceList
from forecast.ordering.shipments import Shipment, bill
from forecast.ordering.unit_costs import growing_costs
from forecast.rounding import reaches, round_up
from forecast.season.consistency import first_delivery
from forecast.season.season import Season
from forecast.season.targets import Target
from forecast.streams import Array, Streams
from forecast.weeks import Week
from forecast.words import orders as words

MOST = 100  # an order of more plantlets than this for each plant of the target counts as out of reach
_MOST_MORE = 10  # likewise, for each plant that is lacking, if some are there


class Case:
    """One target, and all that is needed to try orders for it.

    `number` is that of the batch in its variety; `ordered` the week of the order, the season's first if not given;
    `shifts` are added to the scores of its batch, as for `draw_fate`; `moved` is what becomes of its fate in the
    nursery; `there` are plants that are there in the target's week without an order, shape (draws,).
    """

    def __init__(
        self,
        season: Season,
        streams: Streams,
        request: Target,
        number: int,
        *,
        ordered: Week | None = None,
        shifts: Mapping[str, Array] | None = None,
        moved: Callable[[RouteFate], Fate] | None = None,
        there: Array | float = 0.0,
    ) -> None:
        self.season = season
        self.ordered = ordered or season.first_week
        self._shifts, self._moved = shifts, moved
        self.request = request = request.in_week(request.week)
        self.service_level = request.promised or season.service_level
        self.streams, self._number = streams, number
        self.saleable_weeks = season.variety(request.variety).saleable_weeks
        self._batch = object()  # which its streams keep fates of
        self._costs: dict[Week | None, tuple[float, Array]] = {}
        self.price_lists = PriceList.of(season.price_lines(request.variety))
        self.topping_up = bool(np.any(there))
        self.needed = np.maximum(demand_of(season, streams, request) - there, 0)
        self._lacking = max(request.median_demand - float(np.mean(there)), 0)
        self.most = MOST * request.median_demand
        if self.topping_up:
            self.most = round_up(_MOST_MORE * float(np.quantile(self.needed, self.service_level)))
        self._abouts: dict[Week, float] = {}

    def by(self, week: Week) -> Case:
        """Return the same case with its target in another week."""
        other = copy(self)
        other.request = self.request.replace(week=week)
        if self.request.demand is not None and not self.topping_up:
            other.needed = demand_of(self.season, self.streams, other.request)
        other._costs, other._abouts = {}, {}
        return other

    def unfading(self) -> Case:
        """Return the same case with plants that stay saleable to the end of the season; costs are as before."""
        other = copy(self)
        other.saleable_weeks, other._abouts = None, {}
        return other

    def fate(self, week: Week) -> Fate:
        """Return what a delivery of a week meets: the same in all weeks, unless the weather matters."""

        def make() -> Fate:
            batch = self.request.variety, self._number, week
            drawn = draw_fate(self.season, self.streams, *batch, shifts=self._shifts)
            return self._moved(drawn) if self._moved else drawn

        key = self._batch, week if self.season.by_weather(self.request.variety) else None
        return self.streams.latest(key, make, numbers_of_batch(self.season, self.request.variety))

    def share(self, week: Week) -> Array:
        """Return the share of plantlets delivered in a week that is saleable in the target's week, by draw."""

        def make() -> Array:
            since = np.array([float(self.request.week - week)])
            return np.asarray(self.fate(week).saleable(since, self.saleable_weeks)[0])

        return self.streams.latest((self._batch, self.saleable_weeks, self.request.week, week), make, 1)

    @property
    def asked(self) -> int:
        """Plants that are lacking at the service level: the target, if it is one number and nothing is there."""
        return round_up(np.quantile(self.needed, self.service_level, method="inverted_cdf"))

    def chance(self, quantity: int, share: Array) -> float:
        """Return the chance that a quantity is enough."""
        return float(at_least(self.needed, quantity, share).mean())

    def cost(self, shipment: Shipment) -> float:
        """Return the expected cost [currency] of a shipment until the target's week, in boxes of its own."""
        return bill([shipment]).total + shipment.quantity * self.growing(shipment.week)

    def growing(self, week: Week) -> float:
        """Return the expected cost [currency] of growing a plantlet until the target's week: stages, work and bench."""
        key = week if self.season.by_weather(self.request.variety) else None
        until = self.request.week
        if key not in self._costs:
            begin = min(prices.breaks[0].opens for prices in self.price_lists)
            first = week if key else max(begin, self.season.first_week)
            costs = growing_costs(self.season, self.request.variety, self.fate(week), until, until - first)
            self._costs[key] = costs
        stages, bench = self._costs[key]
        return stages + float(bench[until - week])

    def cheapest(self, prices: PriceList, week: Week) -> Shipment | None:
        """Return the shipment that is enough at the least cost; None if none is."""
        enough = self.enough(prices, week)
        if enough is None:
            return None
        shipments = [Shipment(prices, week, number) for number in prices.worth_buying(enough)]
        return min(shipments, key=lambda one: (self.cost(one), one.quantity))

    def enough(self, prices: PriceList, week: Week) -> int | None:
        """Return the smallest orderable quantity that is enough; None if none is."""
        return self._enough(prices, self.share(week), self._about(week))

    def unhurried(self, prices: PriceList, week: Week) -> int | None:
        """Return the smallest orderable quantity that would be enough if all that survive were saleable in time."""
        share = self.fate(week).survival
        return self._enough(prices, share, self._normal_quantity(share))

    def best(self, delivery: Week | None = None, lab: str | None = None) -> Shipment | None:
        """Return the shipment that is enough at the least cost, of all price-list lines and weeks; None if none is."""
        best, least = None, math.inf
        ways = self._bounds(self.ways(delivery, lab))
        for bound, prices, week in sorted(ways, key=lambda way: (way[0], -way[2].monday.toordinal())):
            if bound > least:
                break
            found = self.cheapest(prices, week)
            if found is not None and (cost := self.cost(found)) < least:
                best, least = found, cost
        return best

    def nearest(self, delivery: Week | None = None, lab: str | None = None) -> Shipment:
        """Return the order by average of the line and week that come nearest where nothing is enough."""
        most = self.most
        prices, week = max(
            self.ways(delivery, lab),
            key=lambda way: (self.chance(most, self.share(way[1])), float(self.share(way[1]).mean())),
        )
        return Shipment(prices, week, prices.orderable(min(self.by_average(week), most)))

    def by_average(self, week: Week) -> int:
        """Return the order by average: its mean number saleable is the target less the mean of what is there."""
        mean = float(self.share(week).mean())
        return round_up(self._lacking / max(mean, 1 / MOST))

    @property
    def every_way(self) -> list[tuple[PriceList, Week]]:
        """All price-list lines and weeks of delivery that are possible; there may be none."""
        last = self.request.week
        return [(prices, week) for prices in self.price_lists for week in prices.weeks(self.ordered, last)]

    def ways(self, delivery: Week | None = None, lab: str | None = None) -> list[tuple[PriceList, Week]]:
        """Return the price-list lines and weeks of delivery that are possible, or of those asked for."""
        lists = [prices for prices in self.price_lists if lab in (None, prices.lab)]
        if not lists:
            labs = ", ".join(sorted({prices.lab for prices in self.price_lists})) or "none"
            raise refuse("lab", lab, f"no price-list line for {self.request.variety}", f"Labs that offer it: {labs}.")
        every = [way for way in self.every_way if way[0] in lists]
        ways = [way for way in every if delivery in (None, way[1])]
        if not ways:
            weeks = sorted({week for _, week in every})
            firsts = [(first_delivery(prices.breaks[0], self.ordered), prices.breaks[0].closes) for prices in lists]
            if weeks:
                remedy = f"Possible are {weeks[0]} to {weeks[-1]}."
            elif possible := [first for first, last in firsts if first <= last]:
                remedy = f"The first delivery can come in {min(possible)}."
            else:
                first, last = max(firsts, key=lambda span: span[1])
                remedy = words.too_late(ordered=self.ordered, first=first, last=last)
            shown = str(delivery) if delivery else str(self.request.week)
            raise refuse("delivery", shown, f"{self.request.variety} cannot be delivered then", remedy)
        return ways

    def _bounds(self, ways: list[tuple[PriceList, Week]]) -> Iterator[tuple[float, PriceList, Week]]:
        """Return each way with a little less than its cost, from the normal approximation of its quantity."""
        for prices, week in ways:
            if math.isfinite(self._about(week)):
                enough = prices.orderable(max(0.98 * self._about(week) - 3, 1))
                yield min(self.cost(Shipment(prices, week, n)) for n in prices.worth_buying(enough)), prices, week

    def _about(self, week: Week) -> float:
        """Quantity that is enough for a delivery, by the normal approximation; infinite if none is."""
        if week not in self._abouts:
            self._abouts[week] = self._normal_quantity(self.share(week))
        return self._abouts[week]

    def _normal_quantity(self, share: Array) -> float:
        def lacking(log_quantity: float) -> float:
            mean = math.exp(log_quantity) * share
            deviation = np.sqrt(np.maximum(mean * (1 - share), 1e-12))
            return self.service_level - float(ndtr((mean - self.needed + 0.5) / deviation).mean())

        usual = max(float(np.quantile(share, 1 - self.service_level)), 1 / MOST)
        likely = math.log(self.request.median_demand / usual)
        low, high = likely - 0.1, likely + 0.1
        limit = math.log(max(2 * self.most, 1))
        while lacking(high) > 0:
            low, high = high, high + 0.5
            if high > limit:
                return math.inf
        while lacking(low) <= 0:
            low, high = low - 0.5, low
            if high < 0:  # fewer than one plant: none is lacking
                return 1.0
        return math.exp(brentq(lacking, low, high, xtol=1e-3))

    def _enough(self, prices: PriceList, share: Array, about: float) -> int | None:
        """Return the smallest orderable quantity that is enough; None if none up to the most is."""
        most = max(self.most, prices.orderable(1))
        found = self._smallest(prices, share, about, most) if math.isfinite(about) else None
        return None if found is None or found > most else found

    def _smallest(self, prices: PriceList, share: Array, start: float, most: int) -> int | None:
        """Find the smallest orderable quantity that is enough, outwards from `start`; None if far above `most`."""

        def is_enough(number: int) -> bool:
            return bool(reaches(self.chance(number, share), self.service_level))

        step = max(prices.breaks[-1].multiple, 1)
        high = prices.orderable(start)
        while not is_enough(high):
            if high > most:
                return None
            high = prices.orderable(high + step)
            step *= 2
        step, low = max(prices.breaks[-1].multiple, 1), high
        while low > 1:
            low = max(low - step, 1)
            orderable = prices.orderable(low)
            if orderable < high and is_enough(orderable):
                high = orderable
            elif orderable < high:
                break
            step *= 2
        while prices.orderable(low + 1) < high:
            middle = prices.orderable((low + high) // 2)
            if middle >= high:
                middle = prices.orderable(low + 1)
            if is_enough(middle):
                high = middle
            else:
                low = middle
        return high
