"""The plans next to a plan: one of its orders is changed or left out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from forecast.growth.simulation import repeats
from forecast.ordering.shipments import Shipment
from forecast.ordering.trial_orders import Case
from forecast.planning.column_generation import Solution
from forecast.planning.columns import Column, Way, Ways
from forecast.season.season import Season
from forecast.streams import Array, Streams

_CENT = 0.01
_MANY = 1000  # steps of an order: one more or less is nothing to it


class Change(NamedTuple):
    """One order of a plan, and what takes its place."""

    column: Column  # that the order is part of
    order: Shipment
    instead: Column | None  # the column and the order in their place; None if there is none
    other: Shipment | None

    def applied(self, chosen: Sequence[Column]) -> tuple[Column, ...]:
        """Return the columns of the changed plan."""
        changed = (self.instead if one is self.column else one for one in chosen)
        return tuple(one for one in changed if one is not None)


def neighbours(solution: Solution) -> Iterator[Change]:
    """Return the changes of one order of a plan: a little more or less, another week or lab, or nothing."""
    return _others(solution) if solution.master.every_item else _near(solution)


def improved(solution: Solution) -> Solution:
    """Return the plan after local search: the best change of one order is made as long as one earns more.

    Of an order of more than a thousand steps of its price list, so many more or fewer are tried, too, that it is found
    in a few changes.
    """
    better: Solution | None = solution
    while better is not None:
        solution, better = better, None
        for change in _others(solution) if solution.master.every_item else _near(solution, far=True):
            chosen = change.applied(solution.chosen)
            value = float(solution.master.margin(chosen).mean())
            if value > (better or solution).value + _CENT and solution.master.fits(chosen):
                better = replace(solution, chosen=chosen, value=value)
    return solution


def _others(solution: Solution) -> Iterator[Change]:
    """Return all other orders that meet the target."""
    for one in solution.chosen:
        for other in solution.master.columns:
            if other.item == one.item and other is not one:
                yield Change(one, one.shipments[0], other, other.shipments[0])


def _near(solution: Solution, *, far: bool = False) -> Iterator[Change]:
    """Return orders a little larger or smaller, of another week or lab, and none; if `far`, many steps away, too."""
    problems = {problem.item: problem for problem in solution.problems}
    for one in solution.chosen:
        problem = problems[one.item]
        for way, quantity in one.plants.items():
            order = way.shipment(quantity)
            rest = {other: number for other, number in one.plants.items() if other is not way}
            yield Change(one, order, problem.column(_in_order(problem.ways, rest)) if rest else None, None)
            taken = {(other.week, other.prices.lab) for other in rest}
            for new, number in [*_like(problem.ways, way, quantity), *(_far(way, quantity) if far else ())]:
                if (new.week, new.prices.lab) not in taken:
                    column = problem.column(_in_order(problem.ways, {**rest, new: number}))
                    yield Change(one, order, column, new.shipment(number))


def _in_order(ways: Ways, plants: Mapping[Way, int]) -> dict[Way, int]:
    """Return the same orders with the luck of the batches that they are, numbered by week and lab."""
    in_order = sorted(plants.items(), key=lambda one: (one[0].week, one[0].prices.lab))
    return {
        next(way for way in slot if (way.prices, way.week) == (one.prices, one.week)): quantity
        for slot, (one, quantity) in zip(ways.slots, in_order, strict=False)
    }


def _far(way: Way, quantity: int) -> Iterator[tuple[Way, int]]:
    """Return orders that differ by 2, 4, 8, ... steps, up to an eighth of the order, if it has many."""
    step = way.prices.row(quantity).multiple
    if quantity > _MANY * step:
        apart = 2 * step
        while apart <= quantity // 8:
            yield way, way.prices.orderable(quantity - apart)
            yield way, way.prices.orderable(quantity + apart)
            apart *= 2


def _like(ways: Ways, way: Way, quantity: int) -> Iterator[tuple[Way, int]]:
    """Return orders like one: some plants more or fewer, another week, another lab."""
    prices, week = way.prices, way.week
    yield way, prices.orderable(quantity + 1)
    if fewer := [some[-1] for _, some in prices.ranges(quantity - 1)]:
        yield way, max(fewer)
    for other in ways.slots[way.slot]:
        if other.prices == prices and abs(other.week - week) == 1:
            yield other, quantity
        elif other.prices != prices and other.week == week:
            yield other, other.prices.orderable(quantity)


def errors(season: Season, solution: Solution, changes: Sequence[Change], streams: Streams) -> Array:
    """Return the standard error of what each change loses, shape (changes,) [currency].

    Notes
    -----
    Both plans are valued in the same draws, again and again in others. Freight is the same in all.
    """
    columns = {one.key: one for change in changes for one in (change.column, change.instead) if one is not None}
    margins = _least if solution.master.every_item else _margins
    lost = []
    for other in repeats(streams):
        found = margins(season, list(columns.values()), other)
        lost.append([found[one.column.key] - (found[one.instead.key] if one.instead else 0) for one in changes])
    return np.asarray(np.std(lost, axis=0, ddof=1))


def _margins(season: Season, columns: Sequence[Column], streams: Streams) -> dict[tuple[object, ...], float]:
    """Return the expected margins of columns without freight under other streams, by their keys [currency]."""
    found = {}
    varieties: dict[str, list[Column]] = {}
    for one in columns:
        varieties.setdefault(one.shipments[0].variety, []).append(one)
    for variety, some in varieties.items():
        used = {(way.prices, way.week, way.slot) for one in some for way in one.plants}
        ways = Ways(season, streams, variety, 1 + max(slot for *_, slot in used), only=used)
        same = {(way.prices, way.week, way.slot): way for slot in ways.slots for way in slot}
        for one in some:
            plants = {same[way.prices, way.week, way.slot]: number for way, number in one.plants.items()}
            found[one.key] = float(ways.margin(plants).mean())
    return found


def _least(season: Season, columns: Sequence[Column], streams: Streams) -> dict[tuple[object, ...], float]:
    """Return the same of orders that each meet one target."""
    cases = [Case(season, streams, row, number) for number, row in season.each_target()]
    return {one.key: -sum(cases[one.item].cost(shipment) for shipment in one.shipments) for one in columns}
