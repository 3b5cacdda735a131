"""Budget, benches and boxes shared out between all varieties: a linear program over whole plans of each."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

from forecast.errors import ForecastError
from forecast.ordering.shipments import Box
from forecast.planning.columns import Way
from forecast.planning.limits import EXACT, FULLEST, Bundle, Limits
from forecast.planning.milp import solve
from forecast.resources.money_flow import worst_seasons
from forecast.streams import Array

_NEVER = 100.0  # units of expected margin that are given up for one more in bad years
_AT_ONCE = 6  # weeks of a place that are cut at once


class Cut(NamedTuple):
    """In some of the draws, a place in a week must hold what stands there on average."""

    row: int  # place and week
    draws: NDArray[np.intp]
    bench: float


class Tail(NamedTuple):
    """Weights of draws, which add to one, under which the margin must reach the floor."""

    weights: Array


class Prices(NamedTuple):
    """What limits are worth at the margin: the dual values of the linear program."""

    weights: Array  # of the draws in the margin
    spent: float  # a unit of budget
    margin: float  # all weights together
    tails: Array  # a unit of the floor under each tail
    areas: Array  # one m² under each cut
    boxes: Mapping[Box, float]  # a box, shared
    own_boxes: Mapping[tuple[int, Box], float]  # a box that one item needs alone


class Relaxed(NamedTuple):
    """What the linear program says: its value, parts of bundles, what the floor lacks, and prices."""

    value: float
    parts: Array
    lacking: float
    prices: Prices


class _Program(NamedTuple):
    """Rows: items, budget, cuts, tails, boxes, boxes of one item; columns: bundles, boxes."""

    cost: Array
    rows: Array
    limits: Array
    scale: Array
    boxes: list[Box]
    own: list[tuple[int, Box]]


@dataclass(eq=False)
class Sharing(Limits):
    """The linear program: one bundle of each item, within the limits.

    Parameters
    ----------
    items
        How many items there are.
    each
        Whether each item must have a bundle; else it may have none.
    """

    items: int = field(kw_only=True)
    each: bool = False
    bundles: list[Bundle] = field(default_factory=list)
    cuts: list[Cut] = field(default_factory=list)
    tails: list[Tail] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__post_init__()
        self._known: set[tuple[object, ...]] = set()
        self._areas: dict[tuple[Way, int], float] = {}
        self._even = np.full(self.draws, 1 / self.draws)

    def add(self, bundle: Bundle) -> bool:
        """Add a bundle; say whether it is a new one."""
        new = bundle.key not in self._known
        if new:
            self._known.add(bundle.key)
            self.bundles.append(bundle)
        return new

    # The program

    def _program(self) -> _Program:
        own = dict.fromkeys((one.item, box) for one in self.bundles for box in one.boxes)
        boxes = dict.fromkeys(box for _, box in own)
        count, freight = len(self.bundles), np.array([box.freight for box in boxes])
        at_box = {box: count + i for i, box in enumerate(boxes)}
        rows: list[Array] = []
        limits: list[float] = []

        def row(limit: float) -> Array:
            rows.append(np.zeros(count + len(boxes)))
            limits.append(limit)
            return rows[-1]

        for item in range(self.items):
            row(1.0)[:count] = [one.item == item for one in self.bundles]
        costs = [one.cost for one in self.bundles]
        spent = row(self.budget if math.isfinite(self.budget) else 10 * (sum(costs) + float(freight.sum()) * count) + 1)
        spent[:count], spent[count:] = costs, freight
        for at, cut in enumerate(self.cuts):
            row(cut.bench)[:count] = [
                sum(quantity * self.area_under(way, at) for way, quantity in bundle.plants.items())
                for bundle in self.bundles
            ]
        for tail in self.tails:
            margin = row(-float(self.floor or 0.0))
            margin[:count] = [-float(tail.weights @ one.margin) for one in self.bundles]
            margin[count:] = freight
        shared, alone = {box: row(0.0) for box in boxes}, {key: row(0.0) for key in own}
        for at, bundle in enumerate(self.bundles):
            for box, filled in bundle.boxes.items():
                shared[box][at], alone[bundle.item, box][at] = filled, math.ceil(filled - 1e-9)
                shared[box][at_box[box]] = alone[bundle.item, box][at_box[box]] = -1
        every = np.array(rows)
        scale = np.maximum(np.abs(every).max(axis=1, initial=0), 1e-9)  # rows of like size are solved more exactly
        cost = np.concatenate([[-one.margin.mean() for one in self.bundles], freight])
        return _Program(cost, every / scale[:, None], np.array(limits) / scale, scale, list(boxes), list(own))

    def area_under(self, way: Way, cut: int) -> float:
        """Return the area of a plantlet under a cut [m²]."""
        key = way, cut
        if key not in self._areas:
            self._areas[key] = float(way.area[self.cuts[cut].row, self.cuts[cut].draws].mean())
        return self._areas[key]

    def relaxed(self) -> Relaxed:
        """Solve the program with parts of bundles and boxes.

        Notes
        -----
        What bad years lack is made up for at a high price, so that there always is a solution.
        """
        program = self._program()
        split = self.items if self.each else 0
        rows = np.hstack([program.rows, np.zeros((len(program.limits), 1))])
        at = self.items + 1 + len(self.cuts)
        rows[at : at + len(self.tails), -1] = -1 / program.scale[at : at + len(self.tails)]
        found = linprog(
            np.append(program.cost, _NEVER),
            A_ub=rows[split:],
            b_ub=program.limits[split:],
            A_eq=rows[:split],
            b_eq=program.limits[:split],
            bounds=(0, None),
            method="highs",
        )
        if found.status or found.x is None or found.fun is None:
            raise ForecastError(f"The linear program of the orders was not solved: {found.message}")
        marginals = np.concatenate([found.eqlin.marginals, found.ineqlin.marginals])
        duals = np.maximum(-marginals / program.scale, 0)
        spent, areas, tails, shared, own = np.split(
            duals[self.items :], np.cumsum([1, len(self.cuts), len(self.tails), len(program.boxes)])
        )
        weights = self._even  # the same array as long as it can be: tables are remembered by it
        if tails.any():
            weights = weights + sum(price * tail.weights for price, tail in zip(tails, self.tails, strict=True))
        prices = Prices(
            weights,
            float(spent[0]),
            1 + float(tails.sum()),
            tails,
            areas,
            dict(zip(program.boxes, shared.tolist(), strict=True)),
            dict(zip(program.own, own.tolist(), strict=True)),
        )
        return Relaxed(-float(found.fun), found.x[: len(self.bundles)], float(found.x[-1]), prices)

    def shares(self, bundles: Sequence[Bundle]) -> Array:
        """Return the share of the budget, and of the bench under each cut, that bundles take, shape (1 + cuts,)."""
        areas = [
            sum(n * self.area_under(way, at) for bundle in bundles for way, n in bundle.plants.items())
            / max(cut.bench, EXACT)
            for at, cut in enumerate(self.cuts)
        ]
        return np.array([self.cost(bundles) / self.budget, *areas])

    @property
    def free(self) -> Prices:
        """The prices if nothing is scarce."""
        return Prices(self._even, 0.0, 1.0, np.zeros(0), np.zeros(0), {}, {})

    def bound(self, most: Sequence[float], prices: Prices) -> float:
        """Return what no plan can earn more than, from the most that each item can be worth at some prices.

        Notes
        -----
        The Lagrangian bound: for any prices from 0 on, what the items are worth at most, plus what all that is scarce
        is worth. Fisher 1981, Management Science 27(1), 1-18, doi:10.1287/mnsc.27.1.1.
        """
        total = float(sum(most)) + prices.spent * (self.budget if math.isfinite(self.budget) else 0.0)
        total += float(sum(price * cut.bench for price, cut in zip(prices.areas, self.cuts, strict=False)))
        return total - float(prices.tails.sum()) * (self.floor or 0.0)

    def whole(self, seconds: float, gap: float) -> tuple[tuple[Bundle, ...] | None, float]:
        """Solve it with whole bundles and boxes; give them, if any will do, and a bound on their margin."""
        program = self._program()
        lower = np.full(len(program.limits), -np.inf)
        if self.each:
            lower[: self.items] = 1
        upper = np.concatenate([np.ones(len(self.bundles)), np.full(len(program.boxes), np.inf)])
        asked = program.cost, program.rows, lower, program.limits, upper, program.cost.size
        parts, least = solve(*asked, seconds=max(seconds, 0.5), gap=gap)
        if parts is None:
            return None, math.inf  # nothing will do, or nothing was found in time
        return tuple(one for one, part in zip(self.bundles, parts, strict=False) if part > 0.5), -least

    def lacking(self) -> dict[str, float]:
        """Return the least that must be added to limits so that there is a plan, by place [m²] and to the budget.

        Notes
        -----
        The sum of what is added, each as a share of its limit, is least. A place gets the same more in every week.
        """
        season, names = self.season, [*self.season.place_names, "budget"]
        sizes = [max(float(self.benches[self._rows(place)].max()), 1.0) for place in range(len(names) - 1)]
        sizes.append(self.budget if math.isfinite(self.budget) else 1.0)
        while True:
            program = self._program()
            count, at = program.cost.size, self.items
            rows = np.hstack([program.rows, np.zeros((len(program.limits), len(names)))])
            rows[at, -1] = -1 / program.scale[at]
            for one, cut in enumerate(self.cuts, start=at + 1):
                rows[one, count + cut.row // season.weeks] = -1 / program.scale[one]
            lower = np.full(len(program.limits), -np.inf)
            lower[: self.items] = 1
            upper = np.concatenate([np.ones(len(self.bundles)), np.full(len(program.boxes) + len(names), np.inf)])
            weights = np.concatenate([np.zeros(count), 1 / np.array(sizes)])
            parts, _ = solve(weights, rows, lower, program.limits, upper, count)
            if parts is None:
                raise ForecastError("What the limits lack was not found.")
            more = np.maximum(parts[count:], 0)
            chosen = [one for one, part in zip(self.bundles, parts, strict=False) if part > 0.5]
            if not self.cut(chosen, more=np.repeat(more[:-1], season.weeks)):
                return {name: float(one) for name, one in zip(names, more, strict=True) if one > 1e-6}

    def _rows(self, place: int) -> slice:
        return slice(place * self.season.weeks, (place + 1) * self.season.weeks)

    def cut(
        self,
        bundles: Sequence[Bundle],
        parts: Array | None = None,
        *,
        lacking: float = 0.0,
        more: Array | float = 0.0,
    ) -> bool:
        """Add cuts for what is overfull, and tails for seasons too bad; say whether there were any new ones.

        What a cut leaves over its limit is for the solver's rounding, and not cut again.

        Parameters
        ----------
        bundles, parts
            What is looked at; all of each if no parts are given.
        lacking
            By how much the worst seasons may miss the floor [currency].
        more
            What is added to the benches, one for all or shape (places * weeks,) [m²].
        """
        area = self.area(bundles, parts)
        kept = max(round(FULLEST * area.shape[1]), 1)
        over = self.fullest(area) - self.benches - more
        new = False
        for place in range(len(self.season.place_names)):
            rows = np.arange(self.season.weeks) + place * self.season.weeks
            worst = [row for row in rows if over[row] > EXACT * max(self.benches[row], 1)]
            for row in sorted(worst, key=lambda one: -over[one])[:_AT_ONCE]:
                draws = np.sort(np.argsort(area[row], kind="stable")[-kept:])
                if not any(row == one.row and np.array_equal(draws, one.draws) for one in self.cuts):
                    self.cuts.append(Cut(int(row), draws, float(self.benches[row])))
                    new = True
        if self.floor is not None:
            margin = self.margin(bundles, parts)
            weights = worst_seasons(margin, FULLEST)
            missed = weights @ margin < self.floor - lacking - EXACT * max(abs(self.floor), 1)
            if missed and not any(np.array_equal(weights, one.weights) for one in self.tails):
                self.tails.append(Tail(weights))
                new = True
        return new
