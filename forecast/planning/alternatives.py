"""The plans next to a plan: one of its orders is changed or left out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from forecast.growth.simulation import repeats
from forecast.ordering.shipments import Shipment
from forecast.planning.column_generation import Solution
from forecast.planning.pricing import PricingProblem
from forecast.season.season import Season
from forecast.streams import Array, Streams
from forecast.worth.columns import Aim, Column, Way, Ways


class Change(NamedTuple):
    """One order of a plan, and what takes its place."""

    column: Column  # that the order is part of
    order: Shipment
    instead: Column | None  # the column and the order in their place; None if there is none
    other: Shipment | None
    kept: bool  # whether all promises are kept

    def applied(self, chosen: Sequence[Column]) -> tuple[Column, ...]:
        """Return the columns of the changed plan."""
        changed = (self.instead if one is self.column else one for one in chosen)
        return tuple(one for one in changed if one is not None)


def neighbours(solution: Solution) -> Iterator[Change]:
    """Return the changes of one order of a plan: a little more or less, another week or lab, or nothing."""
    problems = {problem.item: problem for problem in solution.problems}
    for one in solution.chosen:
        problem = problems[one.item]
        for way, quantity in one.plants.items():
            order = way.shipment(quantity)
            rest = {other.at: number for other, number in one.plants.items() if other is not way}
            yield _change(problem, one, order, rest, None)
            taken = {(other.week, other.prices.lab) for other in one.plants if other is not way}
            for new, number in _like(problem.ways, way, quantity):
                if (new.week, new.prices.lab) not in taken:
                    yield _change(problem, one, order, {**rest, new.at: number}, new.shipment(number))


def _change(
    problem: PricingProblem, column: Column, order: Shipment, plants: Mapping[int, int], other: Shipment | None
) -> Change:
    kept = not problem.ways.promises or problem.ways.promises.kept(plants)
    return Change(column, order, problem.column(plants) if plants else None, other, kept)


def _like(ways: Ways, way: Way, quantity: int) -> Iterator[tuple[Way, int]]:
    """Return orders like one: some plants more or fewer, another week, another lab."""
    prices, week = way.prices, way.week
    yield way, prices.orderable(quantity + 1)
    if fewer := [some[-1] for _, some in prices.ranges(quantity - 1)]:
        yield way, max(fewer)
    for other in ways.ways:
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
    aim: Aim = solution.problems[0].ways.aim if solution.problems else "margin"
    lost = []
    for other in repeats(streams):
        found = _worths(season, list(columns.values()), other, aim)
        lost.append([found[one.column.key] - (found[one.instead.key] if one.instead else 0) for one in changes])
    return np.asarray(np.std(lost, axis=0, ddof=1))


def _worths(season: Season, columns: Sequence[Column], streams: Streams, aim: Aim) -> dict[tuple[object, ...], float]:
    """Return what columns are worth without freight under other streams, by their keys [currency]."""
    found = {}
    varieties: dict[str, list[Column]] = {}
    for one in columns:
        varieties.setdefault(one.shipments[0].variety, []).append(one)
    for variety, some in varieties.items():
        ways = Ways(season, streams, variety, only={way.key for one in some for way in one.plants}, aim=aim)
        same = {way.key: way.at for way in ways.ways}
        for one in some:
            plants = {same[way.key]: number for way, number in one.plants.items()}
            found[one.key] = float(ways.column(one.item, plants).worth.mean())
    return found
