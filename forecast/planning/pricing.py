"""What one variety would order if what is scarce had its price."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from forecast.planning.columns import Way, Ways
from forecast.planning.limits import EXACT, Bundle
from forecast.planning.master import Prices, Sharing
from forecast.streams import Array

_FEW = 3  # of the pairs of ways, whose best is offered


class Bid(NamedTuple):
    """Deliveries of one variety, and what they are worth at some prices [currency]."""

    value: float
    plants: Mapping[Way, int]


class Answer(NamedTuple):
    """What no deliveries of a variety are worth more than at some prices, and those worth most.

    ``complete`` says whether these are all that were asked for; near ``doubt`` others that were not tried could be
    among them.
    """

    most: float
    bids: list[Bid]
    complete: bool
    doubt: Mapping[Way, int]


class Paid(NamedTuple):
    """What the quantities of a way pay at some prices, and at least for a plant more [currency]."""

    all: Array
    more: Array


class Bidder:
    """One variety, which answers prices with the deliveries that are worth most at them.

    Parameters
    ----------
    item
        Number of the variety in the program.
    ways
        Its possible deliveries.
    many
        How many of them it offers at most.
    """

    def __init__(self, item: int, ways: Ways, many: int = 300) -> None:
        self.item, self.ways, self.many = item, ways, many

    def bundle(self, plants: Mapping[Way, int]) -> Bundle:
        """Make a bundle of some deliveries."""
        return Bundle(self.item, plants, self.ways.margin(plants), self.ways.cost(plants))

    def answer(self, prices: Prices, sharing: Sharing, within: float = 0.0, room: Array | float = 1.0) -> Answer:
        """Answer prices.

        Parameters
        ----------
        prices, sharing
            Prices, and the program with what is scarce.
        within
            If above 0, asked for are all deliveries that are worth less than the best by no more than this [currency],
            `many` at most; else the best of each way, and of a few pairs.
        room
            Share of the budget, and of the bench under each cut, that there is, shape (1 + cuts,); all if not given.

        Notes
        -----
        Every quantity of every way, alone and in pairs, is looked at: what it is sold for comes from tables that hold
        for all prices of what is scarce. A pair is left out only if it cannot win, because two deliveries are sold for
        no more than both would be alone; so is what would break a limit even if nothing else were ordered. Where
        quantities were thinned out, those between two are worth no more than the lower, and for each plant more as much
        as the last ones before it.
        """
        slots, weights = self.ways.slots, prices.weights
        paid = [[self._paid(way, prices, sharing) for way in slot] for slot in slots]
        alone = [[self.ways.table(i, None, s, weights) for i in range(len(slot))] for s, slot in enumerate(slots)]
        taken = [[_taken(way, sharing) for way in slot] for slot in slots]
        singles = [
            np.where((part <= room + EXACT).all(axis=1), income - cost.all, -math.inf)
            for income, cost, part in zip(alone[0], paid[0], taken[0], strict=True)
        ]
        tried, untried = 0.0, Bid(-math.inf, {})  # nothing is ordered
        for way, income, cost, value in zip(slots[0], alone[0], paid[0], singles, strict=True):
            above = np.where(way.gaps > 0, value + _between(way, income, np.zeros(1), cost), -math.inf)
            tried, at = max(tried, float(value.max())), int(above.argmax())
            if above[at] > untried.value:
                untried = Bid(float(above[at]), {way: int(way.quantities[at])})
        bounds = []
        pairs = list(self.ways.pairs())
        everything = self.ways.most(weights)
        for i, j in pairs:
            together = np.minimum(alone[0][i][:, None] + alone[1][j][None, :], everything)
            value, above = self._worth(i, j, together, alone, paid)
            bounds.append(max(float(value.max()), float(above.max())))
        found: list[Bid] = []
        looked: list[tuple[int, int, Array]] = []
        for at in np.argsort(-np.array(bounds), kind="stable"):
            if bounds[at] <= tried - within:
                break
            i, j = pairs[at]
            value, above = self._worth(i, j, self.ways.table(i, j, 0, weights), alone, paid)
            over = (taken[0][i][:, None] + taken[1][j][None, :] > room + EXACT).any(axis=2)
            value, above = np.where(over, -math.inf, value), np.where(over, -math.inf, above)
            tried = max(tried, float(value.max()))
            if above.max() > untried.value:
                a, b = np.unravel_index(int(above.argmax()), above.shape)
                first, second = slots[0][i], slots[1][j]
                plants = {first: int(first.quantities[a]), second: int(second.quantities[b])}
                untried = Bid(float(above.max()), plants)
            looked.append((i, j, value))
        least = tried - within
        for way, value in zip(slots[0], singles, strict=True):
            kept = np.flatnonzero(value >= least) if within > 0 else [int(value.argmax())]
            found += [Bid(float(value[a]), {way: int(way.quantities[a])}) for a in kept]
        few = looked if within > 0 else sorted(looked, key=lambda one: -one[2].max())[:_FEW]
        for i, j, value in few:
            first, second = slots[0][i], slots[1][j]
            order = np.argsort(-value, axis=None, kind="stable")[: self.many + 1 if within > 0 else 1]
            for a, b in zip(*np.unravel_index(order, value.shape), strict=True):
                if within > 0 and value[a, b] < least:
                    break
                plants = {first: int(first.quantities[a]), second: int(second.quantities[b])}
                found.append(Bid(float(value[a, b]), plants))
        found = [bid for bid in found if bid.value > -math.inf]
        complete = len(found) <= self.many and untried.value < least
        doubt = untried.plants if untried.value > least else {}
        return Answer(
            max(tried, untried.value), sorted(found, key=lambda bid: -bid.value)[: self.many], complete, doubt
        )

    def _worth(
        self, i: int, j: int, income: Array, alone: list[list[Array]], paid: list[list[Paid]]
    ) -> tuple[Array, Array]:
        """Return what pairs of quantities of two ways are worth, and what none untried beside them is worth more than."""
        first, second = self.ways.slots[0][i], self.ways.slots[1][j]
        value = income - paid[0][i].all[:, None] - paid[1][j].all[None, :]
        if not first.gaps.any() and not second.gaps.any():
            return value, np.full((1, 1), -math.inf)
        between = _between(first, income, alone[1][j][None, :], paid[0][i])
        between = between + _between(second, income.T, alone[0][i][None, :], paid[1][j]).T
        return value, np.where((first.gaps[:, None] > 0) | (second.gaps[None, :] > 0), value + between, -math.inf)

    def _paid(self, way: Way, prices: Prices, sharing: Sharing) -> Paid:
        each = float(prices.weights @ way.growing) + prices.spent * float(way.growing.mean())
        each += sum(price * sharing.area_under(way, at) for at, price in enumerate(prices.areas.tolist()) if price > 0)
        money = prices.margin + prices.spent
        unit = np.array([way.prices.row(int(n)).unit_price for n in way.quantities])
        total, more = money * way.paid + way.quantities * each, money * unit + each
        for box, filled in way.boxes.items():
            shared = prices.boxes.get(box, box.freight * money)
            total = total + shared * filled + prices.own_boxes.get((self.item, box), 0.0) * np.ceil(filled - 1e-9)
            more = more + shared / box.plants * (filled > 0)
        return Paid(total, more)


def _taken(way: Way, sharing: Sharing) -> Array:
    """Return the share of the budget, and of the bench under each cut, that quantities of a way take alone."""
    freight = sum((box.freight * np.ceil(filled - 1e-9) for box, filled in way.boxes.items()), np.zeros(way.paid.size))
    cost = (way.paid + way.quantities * way.growing.mean() + freight) / sharing.budget
    each = [sharing.area_under(way, at) / max(cut.bench, EXACT) for at, cut in enumerate(sharing.cuts)]
    return np.column_stack([cost, way.quantities[:, None] * np.array(each)[None, :]])


def _between(way: Way, income: Array, without: Array, paid: Paid) -> Array:
    """Return how much more than each quantity those between it and the next can be worth at most."""
    shape = (-1, *[1] * (income.ndim - 1))
    slope = np.diff(income, axis=0, prepend=without) / np.diff(way.quantities, prepend=0).reshape(shape)
    return np.asarray(np.maximum(slope - paid.more.reshape(shape), 0) * way.gaps.reshape(shape))
