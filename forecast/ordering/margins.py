"""What orders for a target earn, and the one of greatest expected margin."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import ArrayLike

from forecast.growth.summaries import at_least
from forecast.ordering.price_breaks import PriceList
from forecast.ordering.shipments import Box, Shipment, bill
from forecast.ordering.trial_orders import Case
from forecast.streams import Array
from forecast.weeks import Week

_FREE = 1e-9  # a plant that costs less counts as costing this [currency]


def sold(demand: ArrayLike, of: int, share: Array) -> Array:
    """Return the expected number sold of an order whose plants survive one by one, exactly.

    `demand` is one whole number of plants from 0, or one for each draw; `of` plants are ordered, each saleable with
    the chance `share`, shape (draws,).

    Notes
    -----
    With X ~ Binomial(n, p), E[min(d, X)] = n p (1 - P(Y >= d - 1)) + d P(X >= d), Y ~ Binomial(n - 1, p), because
    x P(X = x) = n p P(Y = x - 1).
    """
    demand = np.asarray(demand, dtype=np.float64)
    if of == 0:
        return np.zeros(share.shape)
    some = of * share * (1 - at_least(demand - 1, of - 1, share)) + demand * at_least(demand, of, share)
    return np.where(demand > 0, some, 0.0)


class Margins:
    """What the orders of a case earn: plants up to the demand at the sale price, up to the target again marked down.

    Notes
    -----
    Of what an order leaves over, at most as many plants as the target are sold marked down; the rest is dumped at no
    value. So the orders for all targets of a variety together sell no more marked down than `Season.outlet_of`
    allows. Given the draw the number saleable is binomial, so what is expected to be sold is
    exact. It is concave in the quantity; between the steps of prices and boxes so is the margin.
    """

    def __init__(self, case: Case) -> None:
        own = case.season.variety(case.request.variety)
        self.case = case
        weeks, price = case.request.week - case.season.first_week, case.request.price
        self._price = own.price(weeks) if price is None else price
        self._markdown = own.marked_down(weeks) if price is None else own.markdown_price or 0.0
        self._earned: dict[tuple[Week, int], float] = {}

    def income(self, quantity: int, week: Week) -> Array:
        """Return what the plants of an order bring in [currency], expected given the draw, shape (draws,)."""
        share = self.case.share(week)
        return self._paid(lambda demand: sold(demand, quantity, share))

    def _paid(self, number: Callable[[Array], Array]) -> Array:
        """Return the income [currency] by draw, from the number sold at a demand."""
        demand = self.case.needed
        found = (self._price - self._markdown) * number(demand)
        return found + self._markdown * number(demand + self.case.request.median_demand) if self._markdown else found

    def earned(self, quantity: int, week: Week) -> float:
        """Return what the plants of an order are expected to bring in [currency]."""
        if (week, quantity) not in self._earned:
            self._earned[week, quantity] = float(self.income(quantity, week).mean())
        return self._earned[week, quantity]

    def most(self, prices: PriceList, week: Week) -> int:
        """Return a quantity that costs as much as all that can be sold brings: no larger one earns anything."""
        every = float(self._paid(lambda demand: demand).mean())
        each = min(row.unit_price for row in prices.breaks) + self.case.growing(week)
        return prices.orderable(min(every / max(each, _FREE), self.case.most))

    def margin(self, shipment: Shipment) -> float:
        """Return what a shipment is expected to earn, less what it costs until the target's week [currency]."""
        return self.earned(shipment.quantity, shipment.week) - self.case.cost(shipment)

    def greatest(self, prices: PriceList, week: Week) -> tuple[Shipment, float]:
        """Return the shipment of greatest expected margin, the smallest such, and that margin [currency].

        Notes
        -----
        Without freight the margin is concave at each unit price: bisection finds its peak. With freight by the box the
        best is the peak, or below it the most that fills no further box. Smaller orders are left out once they cannot
        be better even with the freight of the smallest.
        """
        best = -math.inf, 0  # a margin, less the plants
        for row, quantities in prices.ranges(prices.orderable(self.case.most)):
            each = row.unit_price + self.case.growing(week)

            def unfreighted(number: int, each: float = each) -> float:
                return self.earned(number, week) - each * number

            smallest = Shipment(prices, week, quantities[0])
            least = bill([smallest]).freight
            for number in _worth_buying(smallest.box, quantities, _peak(unfreighted, quantities)):
                if unfreighted(number) - least < best[0]:
                    break
                best = max(best, (self.margin(Shipment(prices, week, number)), -number))
        return Shipment(prices, week, -best[1]), best[0]

    def best(self, delivery: Week | None = None, lab: str | None = None) -> tuple[Shipment, float]:
        """Return the shipment of greatest expected margin of all lines and weeks, and that margin [currency]."""
        bounds = [(self._bound(*way), *way) for way in self.case.ways(delivery, lab)]
        bounds.sort(key=lambda way: (-way[0], -way[2].monday.toordinal()))
        best, greatest = self.greatest(*bounds[0][1:])
        for bound, prices, week in bounds[1:]:
            if bound < greatest:
                break
            shipment, margin = self.greatest(prices, week)
            if margin > greatest:
                best, greatest = shipment, margin
        return best, greatest

    def _bound(self, prices: PriceList, week: Week) -> float:
        """Margin that no quantity exceeds: as if the share saleable were no chance, and boxes could be parted."""
        share, best = self.case.share(week), -math.inf
        for row, quantities in prices.ranges(prices.orderable(self.case.most)):
            box = Shipment(prices, week, quantities[0]).box
            each = row.unit_price + (box.each if box else 0.0) + self.case.growing(week)

            def bound(number: int, each: float = each) -> float:
                return float(self._paid(lambda demand: np.minimum(number * share, demand)).mean()) - each * number

            best = max(best, bound(_peak(bound, quantities)))
        return best


def _worth_buying(box: Box | None, quantities: range, peak: int) -> Iterator[int]:
    """Return the peak, and the smaller quantities that are the most that fill no further box."""
    number = peak
    yield number
    while box and box.freight and (full := box.fewer(number)) >= quantities[0]:
        number = quantities[bisect_right(quantities, full) - 1]
        yield number


def _peak(function: Callable[[int], float], quantities: range) -> int:
    """Find the smallest quantity at which a concave function is greatest."""
    low, high = 0, len(quantities) - 1
    while low < high:
        middle = (low + high) // 2
        if function(quantities[middle + 1]) > function(quantities[middle]):
            low = middle + 1
        else:
            high = middle
    return quantities[low]
