"""The pricing problem of one variety: its best deliveries if the limits had their prices."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from forecast.planning.columns import Column, Way, Ways
from forecast.planning.limits import EXACT
from forecast.planning.master import Duals, MasterProblem
from forecast.streams import Array

_FEW = 3  # of the pairs of ways, whose best is a candidate


class Candidate(NamedTuple):
    """Deliveries of one variety, and what they are worth at some duals [currency]."""

    value: float
    plants: Mapping[Way, int]


class Priced(NamedTuple):
    """The solution of a pricing problem."""

    most: float  # no deliveries of the variety are worth more than this [currency]
    candidates: list[Candidate]  # the deliveries that are worth most, the best first
    complete: bool  # whether these are all within the limits that are worth as much as was required
    doubt: Mapping[Way, int]  # deliveries near which untried ones could be worth as much


class _Line(NamedTuple):
    """One way, and by its quantities: what they sell for alone, what they pay, and what they take of the limits."""

    way: Way
    income: Array  # shape (quantities,) [currency]
    paid: Array  # likewise
    more: Array  # what a plant more pays at least, likewise
    taken: Array  # share of the budget and of the bench under each cut, shape (quantities, 1 + cuts)


class _Table(NamedTuple):
    """What every quantity of one way, or pair of quantities of two, is worth; and at most, what lies beside it."""

    ways: tuple[Way, ...]
    value: Array  # shape (quantities,) or (quantities, quantities) [currency]; -inf beyond the limits
    above: Array  # what none untried beside them is worth more than, likewise; -inf if there is none

    def plants(self, at: int) -> dict[Way, int]:
        """Return the deliveries of one entry, by its place in the table read row by row."""
        places = np.unravel_index(at, self.value.shape)
        return {way: int(way.quantities[i]) for way, i in zip(self.ways, places, strict=True)}

    def best(self, count: int, least: float) -> list[Candidate]:
        """Return so many entries of greatest value, none of them below the least."""
        value, order = self.value.ravel(), np.argsort(-self.value, axis=None, kind="stable")[:count]
        return [Candidate(float(value[at]), self.plants(at)) for at in order if -math.inf < value[at] >= least]


class PricingProblem:
    """The search for the deliveries of one item that are worth most at given duals; it returns so many at most."""

    def __init__(self, item: int, ways: Ways, many: int = 300) -> None:
        self.item, self.ways, self.many = item, ways, many

    def column(self, plants: Mapping[Way, int]) -> Column:
        """Return the column of some deliveries."""
        return Column(self.item, plants, self.ways.margin(plants), self.ways.cost(plants))

    def solve(self, duals: Duals, master: MasterProblem, within: float = 0.0, room: Array | float = 1.0) -> Priced:
        """Find the deliveries that are worth most at given duals of a master problem.

        If `within` is above 0, all that are worth at most so much less than the best [currency], else the best of each
        way and of some pairs of ways. They may take such a share of budget and of the bench under each cut as `room`.

        Notes
        -----
        In every draw the margin is concave in the quantities, so the tables are, too, and what holds at the best holds
        for all duals. A pair is left out only if it cannot win, because two deliveries are sold for no more together
        than alone. Between two quantities tried, those between them are worth no more than the lower, and for each
        plant more as much as the last ones before it.
        """
        lines = [[self._line(i, s, duals, master) for i in range(len(slot))] for s, slot in enumerate(self.ways.slots)]
        tables = [_alone(line, room) for line in lines[0]]
        tried = max([0.0, *(float(one.value.max()) for one in tables)])  # nothing ordered is worth 0
        pairs: list[_Table] = []
        for bound, i, j in self._bounds(lines, duals.weights):
            if bound <= tried - within:
                break
            pairs.append(_together(lines[0][i], lines[1][j], self.ways.table(i, j, 0, duals.weights), room))
            tried = max(tried, float(pairs[-1].value.max()))
        least = tried - within
        untried, doubt = _untried(tables + pairs)
        if not within > 0:
            pairs = sorted(pairs, key=lambda one: -one.value.max())[:_FEW]
        count, floor = (self.many + 1, least) if within > 0 else (1, -math.inf)
        found = [candidate for table in tables + pairs for candidate in table.best(count, floor)]
        complete = len(found) <= self.many and untried < least
        best = sorted(found, key=lambda candidate: -candidate.value)[: self.many]
        return Priced(max(tried, untried), best, complete, doubt if untried > least else {})

    def _bounds(self, lines: Sequence[Sequence[_Line]], weights: Array) -> list[tuple[float, int, int]]:
        """Return the pairs of ways, and what none of their quantities is worth more than, the greatest first."""
        most, bounds = self.ways.most(weights), []
        for i, j in self.ways.pairs():
            first, second = lines[0][i], lines[1][j]
            income = np.minimum(first.income[:, None] + second.income[None, :], most)
            value, above = _worth(first, second, income)
            bounds.append((max(float(value.max()), float(above.max())), i, j))
        return sorted(bounds, key=lambda one: -one[0])

    def _line(self, i: int, slot: int, duals: Duals, master: MasterProblem) -> _Line:
        way = self.ways.slots[slot][i]
        areas = [master.area_under(way, at) for at in range(len(master.cuts))]
        each = float(duals.weights @ way.growing) + duals.budget * float(way.growing.mean())
        each += sum(price * area for price, area in zip(duals.areas.tolist(), areas, strict=False) if price > 0)
        money = duals.money + duals.budget
        unit = np.array([way.prices.row(int(n)).unit_price for n in way.quantities])
        paid, more = money * way.paid + way.quantities * each, money * unit + each
        freight = np.zeros(way.paid.size)
        for box, plants in way.boxes.items():
            shared = duals.boxes.get(box, box.freight * money)
            paid = paid + shared * box.parts(plants) + duals.own_boxes.get((self.item, box), 0.0) * box.whole(plants)
            more = more + shared / box.plants * (plants > 0)
            freight = freight + box.cost(plants)
        cost = (way.paid + way.quantities * way.growing.mean() + freight) / master.budget
        parts = np.array([area / max(cut.bench, EXACT) for area, cut in zip(areas, master.cuts, strict=True)])
        taken = np.column_stack([cost, way.quantities[:, None] * parts[None, :]])
        return _Line(way, self.ways.table(i, None, slot, duals.weights), paid, more, taken)


def _alone(line: _Line, room: Array | float) -> _Table:
    """Return the table of one delivery."""
    value = np.where((line.taken <= room + EXACT).all(axis=1), line.income - line.paid, -math.inf)
    above = value + _between(line, line.income, np.zeros(1))
    return _Table((line.way,), value, np.where(line.way.gaps > 0, above, -math.inf))


def _together(first: _Line, second: _Line, income: Array, room: Array | float) -> _Table:
    """Return the table of two deliveries that are sold for an income together."""
    over = (first.taken[:, None] + second.taken[None, :] > room + EXACT).any(axis=2)
    value, above = (np.where(over, -math.inf, worth) for worth in _worth(first, second, income))
    return _Table((first.way, second.way), value, above)


def _worth(first: _Line, second: _Line, income: Array) -> tuple[Array, Array]:
    """Return what pairs of quantities are worth, and what none untried beside them is worth more than."""
    value = income - first.paid[:, None] - second.paid[None, :]
    gaps = (first.way.gaps[:, None] > 0) | (second.way.gaps[None, :] > 0)
    if not gaps.any():
        return value, np.full((1, 1), -math.inf)
    between = _between(first, income, second.income[None, :])
    between = between + _between(second, income.T, first.income[None, :]).T
    return value, np.where(gaps, value + between, -math.inf)


def _between(line: _Line, income: Array, without: Array) -> Array:
    """Return how much more than each quantity those between it and the next can be worth at most."""
    shape = (-1, *[1] * (income.ndim - 1))
    slope = np.diff(income, axis=0, prepend=without) / np.diff(line.way.quantities, prepend=0).reshape(shape)
    return np.asarray(np.maximum(slope - line.more.reshape(shape), 0) * line.way.gaps.reshape(shape))


def _untried(tables: Sequence[_Table]) -> tuple[float, Mapping[Way, int]]:
    """Return what nothing untried is worth more than, -inf if there is none, and the deliveries beside which it is."""
    most = -math.inf
    doubt: Mapping[Way, int] = {}
    for table in tables:
        if (above := float(table.above.max())) > most:
            most, doubt = above, table.plants(int(table.above.argmax()))
    return most, doubt
