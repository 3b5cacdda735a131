"""Budget, benches and boxes shared out between all varieties: a linear program over whole plans of each."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

from forecast.decisions.integers import solve
from forecast.decisions.ways import Box, Pick, Way
from forecast.errors import ForecastError
from forecast.season.plan import Season

Array = NDArray[np.float64]

_NEVER = 100.0  # units of expected margin that are given up for one more in bad years
_EXACT = 1e-6  # of a limit, by which it may be missed
_AT_ONCE = 6  # weeks of a place that are cut at once
FULLEST = 0.1  # share of draws in which the benches are fullest, and in which seasons are worst


@dataclass(frozen=True, eq=False)
class Bundle:
    """The deliveries of one item (a variety, or a row that is wanted) that a plan could hold together.

    Parameters
    ----------
    item
        Number of the item.
    picks
        Offer, week and quantity of each.
    margin
        What they earn without freight, expected given the draw, shape (draws,) [currency].
    cost
        What they are expected to cost, without freight [currency].
    """

    item: int
    picks: tuple[Pick, ...]
    margin: Array
    cost: float

    @property
    def key(self) -> tuple[object, ...]:
        """What tells it from others."""
        return self.item, self.picks

    def area(self) -> Array:
        """Give the area they stand on by place and week, shape (places * weeks, draws) [m2]."""
        return np.asarray(sum(one.quantity * one.way.area.astype(np.float64) for one in self.picks))

    def boxes(self) -> dict[Box, float]:
        """Give the boxes they fill, by what these can be shared with."""
        found: dict[Box, float] = {}
        for one in self.picks:
            for box, filled in one.boxes().items():
                found[box] = found.get(box, 0.0) + filled
        return found


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
    areas: Array  # one m2 under each cut
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
class Sharing:
    """The linear program: one bundle of each item, within the limits.

    Parameters
    ----------
    season
        The season: its budget and benches are the limits.
    items
        How many items there are.
    draws
        How many draws there are.
    each
        Whether each item must have a bundle; else it may have none.
    floor
        Least mean margin of the worst seasons [currency], if any.
    """

    season: Season
    items: int
    draws: int
    each: bool = False
    floor: float | None = None
    bundles: list[Bundle] = field(default_factory=list)
    cuts: list[Cut] = field(default_factory=list)
    tails: list[Tail] = field(default_factory=list)

    def __post_init__(self) -> None:
        season = self.season
        weeks = [season.first_week + i for i in range(season.weeks)]
        self.benches = np.array([season.bench(place, week) for place in season.place_names for week in weeks])
        self.budget = math.inf if season.budget is None else season.budget
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
        own = dict.fromkeys((one.item, box) for one in self.bundles for box in one.boxes())
        boxes = dict.fromkeys(box for _, box in own)
        count, freight = len(self.bundles), np.array([box[2] for box in boxes])
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
                sum(one.quantity * self._area(one.way, at) for one in bundle.picks) for bundle in self.bundles
            ]
        for tail in self.tails:
            margin = row(-float(self.floor or 0.0))
            margin[:count] = [-float(tail.weights @ one.margin) for one in self.bundles]
            margin[count:] = freight
        shared, alone = {box: row(0.0) for box in boxes}, {key: row(0.0) for key in own}
        for at, bundle in enumerate(self.bundles):
            for box, filled in bundle.boxes().items():
                shared[box][at], alone[bundle.item, box][at] = filled, math.ceil(filled - 1e-9)
                shared[box][at_box[box]] = alone[bundle.item, box][at_box[box]] = -1
        every = np.array(rows)
        scale = np.maximum(np.abs(every).max(axis=1, initial=0), 1e-9)  # rows of like size are solved more exactly
        cost = np.concatenate([[-one.margin.mean() for one in self.bundles], freight])
        return _Program(cost, every / scale[:, None], np.array(limits) / scale, scale, list(boxes), list(own))

    def _area(self, way: Way, cut: int) -> float:
        """Give the area of a plantlet under a cut [m2]."""
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
            A_eq=rows[:split] if split else None,
            b_eq=program.limits[:split] if split else None,
            bounds=(0, None),
            method="highs",
        )
        if found.status:
            raise ForecastError(f"The linear program of the orders was not solved: {found.message}")
        marginals = [found.eqlin.marginals, found.ineqlin.marginals] if split else [found.ineqlin.marginals]
        duals = np.maximum(-np.concatenate(marginals) / program.scale, 0)
        spent, areas, tails, shared, own = np.split(
            duals[self.items :], np.cumsum([1, len(self.cuts), len(self.tails), len(program.boxes)])
        )
        weights = (
            self._even
            if not tails.any()
            else self._even + sum(price * tail.weights for price, tail in zip(tails, self.tails, strict=True))
        )
        prices = Prices(
            weights,
            float(spent[0]) if math.isfinite(self.budget) else 0.0,
            1 + float(tails.sum()),
            tails,
            areas,
            dict(zip(program.boxes, shared.tolist(), strict=True)),
            dict(zip(program.own, own.tolist(), strict=True)),
        )
        return Relaxed(-float(found.fun), found.x[: len(self.bundles)], float(found.x[-1]), prices)

    @property
    def free(self) -> Prices:
        """The prices if nothing is scarce."""
        return Prices(self._even, 0.0, 1.0, np.zeros(0), np.zeros(0), {}, {})

    def bound(self, most: Sequence[float], prices: Prices) -> float:
        """Give what no plan can earn more than, from the most that each item can be worth at some prices.

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
        """Give the least that must be added to limits so that there is a plan, by place [m2] and to the budget.

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

    # What the limits say

    def area(self, bundles: Sequence[Bundle], parts: Sequence[float] | None = None) -> Array:
        """Give the area that bundles, or parts of them, stand on, shape (places * weeks, draws) [m2]."""
        parts = [1.0] * len(bundles) if parts is None else parts
        some = [(part, one) for part, one in zip(parts, bundles, strict=True) if part > 1e-9]
        plants: dict[Way, float] = {}
        for part, bundle in some:
            for one in bundle.picks:
                plants[one.way] = plants.get(one.way, 0.0) + part * one.quantity
        found = np.zeros((len(self.benches), 1))
        for way, number in plants.items():
            found = found + number * way.area
        return np.asarray(found, dtype=np.float64)

    def fullest(self, area: Array) -> Array:
        """Give the mean area in the draws in which each place and week is fullest, shape (places * weeks,) [m2]."""
        kept = max(round(FULLEST * area.shape[1]), 1)
        return np.asarray(np.partition(area, area.shape[1] - kept, axis=1)[:, -kept:].mean(axis=1))

    def cut(
        self,
        bundles: Sequence[Bundle],
        parts: Array | None = None,
        *,
        lacking: float = 0.0,
        more: Array | float = 0.0,
    ) -> bool:
        """Add cuts for what is overfull, and tails for seasons too bad; say whether there were any.

        Parameters
        ----------
        bundles, parts
            What is looked at; all of each if no parts are given.
        lacking
            By how much the worst seasons may miss the floor [currency].
        more
            What is added to the benches, one for all or shape (places * weeks,) [m2].
        """
        area = self.area(bundles, parts)
        kept = max(round(FULLEST * area.shape[1]), 1)
        over = self.fullest(area) - self.benches - more
        new = False
        for place in range(len(self.season.place_names)):
            rows = np.arange(self.season.weeks) + place * self.season.weeks
            worst = [row for row in rows if over[row] > _EXACT * max(self.benches[row], 1)]
            for row in sorted(worst, key=lambda one: -over[one])[:_AT_ONCE]:
                draws = np.argsort(area[row], kind="stable")[-kept:]
                self.cuts.append(Cut(int(row), np.sort(draws), float(self.benches[row])))
                new = True
        if self.floor is not None:
            margin = self.margin(bundles, parts)
            weights = worst_seasons(margin, FULLEST)
            if weights @ margin < self.floor - lacking - _EXACT * max(abs(self.floor), 1):
                self.tails.append(Tail(weights))
                new = True
        return new

    def margin(self, bundles: Sequence[Bundle], parts: Sequence[float] | None = None) -> Array:
        """Give the margin of bundles in every draw, freight included [currency]; of parts, as if boxes could be."""
        if parts is None:
            return np.asarray(sum((one.margin for one in bundles), np.zeros(self.draws)) - self.freight(bundles))
        some = [(part, one) for part, one in zip(parts, bundles, strict=True) if part > 1e-9]
        total = np.zeros(self.draws)
        for part, bundle in some:
            total += part * bundle.margin
        return np.asarray(total - self.freight([one for _, one in some], [part for part, _ in some]))

    def freight(self, bundles: Sequence[Bundle], parts: Sequence[float] | None = None) -> float:
        """Give the freight [currency] of bundles; of parts of them as the program counts it."""
        whole = parts is None
        parts = [1.0] * len(bundles) if parts is None else parts
        filled: dict[Box, float] = {}
        alone: dict[tuple[int, Box], float] = {}
        for part, bundle in zip(parts, bundles, strict=True):
            for box, boxes in bundle.boxes().items():
                filled[box] = filled.get(box, 0.0) + part * boxes
                key = bundle.item, box
                alone[key] = alone.get(key, 0.0) + part * math.ceil(boxes - 1e-9)
        if whole:
            return float(sum(box[2] * math.ceil(boxes - 1e-9) for box, boxes in filled.items()))
        least = {box: max(boxes, *(n for (_, b), n in alone.items() if b == box)) for box, boxes in filled.items()}
        return float(sum(box[2] * boxes for box, boxes in least.items()))

    def cost(self, bundles: Sequence[Bundle]) -> float:
        """Give the expected cost of bundles, freight included [currency]."""
        return sum(one.cost for one in bundles) + self.freight(bundles)

    def fits(self, bundles: Sequence[Bundle]) -> bool:
        """Say whether bundles keep all limits."""
        within = self.cost(bundles) <= self.budget * (1 + 1e-9)
        area = self.fullest(self.area(bundles))
        within &= bool((area <= self.benches + _EXACT * np.maximum(self.benches, 1)).all())
        if self.floor is not None:
            margin = self.margin(bundles)
            within &= worst_seasons(margin, FULLEST) @ margin >= self.floor - _EXACT * max(abs(self.floor), 1)
        return bool(within)


def worst_seasons(margin: Array, share: float) -> Array:
    """Give weights, which add to one, of the worst share of draws: the last of them may count in part.

    Notes
    -----
    The margin under them is the expected shortfall: Rockafellar and Uryasev 2000, Journal of Risk 2(3), 21-41.
    """
    order = np.argsort(margin, kind="stable")
    weights = np.zeros(margin.size)
    left = share * margin.size
    counted = math.floor(left + 1e-9)
    weights[order[:counted]] = 1
    if left - counted > 1e-9:
        weights[order[counted]] = left - counted
    return weights / left
