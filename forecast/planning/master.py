"""The master problem: one column of each item within budget, benches and boxes."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

from forecast.errors import ForecastError
from forecast.growth.summaries import tenth, worst_seasons
from forecast.ordering.shipments import Box, Shipment
from forecast.planning.fresh_draws import FreshDraws
from forecast.planning.limits import EXACT, Base, Limits
from forecast.programs import solve
from forecast.streams import Array
from forecast.worth.columns import Column, Way

_PENALTY = 100.0  # units of expected margin for each unit that the worst tenth lacks of its floor
_CENT = 0.01
_AT_ONCE = 6  # weeks of a place that are cut at once


class Cut(NamedTuple):
    """In some of the draws, a place in a week must hold the plants that are there on average; or cash must last.

    For cash, nothing but the week counts.
    """

    row: int  # place and week; for cash, -1 less the number of the week
    draws: NDArray[np.intp]
    bench: float  # what others leave of it [m²], or of cash [currency]

    @property
    def cash_week(self) -> int | None:
        """Number of the week in which cash must last; None if this is a place."""
        return -1 - self.row if self.row < 0 else None


class Duals(NamedTuple):
    """The dual values of the linear program: what a unit more of each limit is worth, its shadow price."""

    weights: Array  # of the draws in the margin
    budget: float
    money: float  # a unit of margin in all draws: the sum of the weights
    tails: Array  # of the floor under each tail
    areas: Array  # one m² under each cut
    boxes: Mapping[Box, float]  # a box, shared
    own_boxes: Mapping[tuple[int, Box], float]  # a box that one item needs alone


class Relaxation(NamedTuple):
    """The solution of the linear program: its value, the part of each column, what limits lack, and the duals."""

    value: float
    parts: Array
    shortfall: float  # of the floor
    lacking: bool  # whether budget or benches are too small
    duals: Duals


class _Program(NamedTuple):
    """Rows: items, budget, cuts, tails, boxes, boxes of one item; columns: those of the items, then boxes."""

    cost: Array
    rows: Array
    limits: Array
    scale: Array
    boxes: list[Box]
    own: list[tuple[int, Box]]


@dataclass(eq=False)
class MasterProblem(Limits):
    """The choice of one column of each item within the limits."""

    items: int = field(kw_only=True)  # how many there are
    required: frozenset[int] = frozenset()  # items that must have a column
    columns: list[Column] = field(default_factory=list)
    cuts: list[Cut] = field(default_factory=list)
    tails: list[Array] = field(default_factory=list)  # weights of draws under which the margin must reach the floor

    def __post_init__(self) -> None:
        super().__post_init__()
        self._asked = self.floor  # before it was raised
        self._known: set[tuple[object, ...]] = set()
        self._areas: dict[tuple[Way, int], float] = {}
        self._taken: dict[int, Array] = {}  # by the first columns, under each cut
        self._freed: dict[tuple[tuple[object, ...], int], float] = {}

    def add(self, column: Column) -> bool:
        """Add a column; return whether it is a new one."""
        new = column.key not in self._known
        if new:
            self._known.add(column.key)
            self.columns.append(column)
        return new

    def remove(self, gone: Callable[[Column], bool]) -> None:
        """Take columns out."""
        self.columns = [one for one in self.columns if not gone(one)]
        self._known = {one.key for one in self.columns}
        self._taken.clear()

    def lift(self, shipments: Sequence[Shipment], fresh: FreshDraws, times: float = 1.0) -> bool:
        """Raise the floor, and the cash kept, by as many times what shipments lack of it on fresh draws, if they do.

        Return whether they lack any of it.
        """
        overdraft = None if self.before.cash is None else self.season.overdraft
        missed, overdrawn = fresh.money_missed(shipments, self._asked, overdraft)
        if self.floor is not None:
            self.floor += times * missed
        self.guard += times * overdrawn
        self.cuts = [one if one.row >= 0 else one._replace(bench=float(self.spare[-1 - one.row])) for one in self.cuts]
        return missed > 0 or overdrawn > _CENT

    def part(self, at: int, parts: int) -> MasterProblem:
        """Return the same problem on one of some parts of the draws, which are alike in size."""
        mine, areas = (slice(at * size // parts, (at + 1) * size // parts) for size in (self.draws, self.area_draws))
        base = Base(self.margin_before()[mine], self.area(())[:, areas], self.before.paid, self.before.cash)
        found = MasterProblem(
            self.season, mine.stop - mine.start, self.floor, base, items=self.items, required=self.required
        )
        ways: dict[Way, Way] = {}
        for one in self.columns:
            for way in one.plants:
                ways.setdefault(way, replace(way, area=way.area[:, areas]))
            plants = {ways[way]: number for way, number in one.plants.items()}
            of = one.margin[mine], one.worth[mine], one.hindsight, one.freed[:, areas]
            found.add(Column(one.item, plants, *of, one.freed_at, one.cash))
        return found

    # The program

    def _program(self) -> _Program:
        own = dict.fromkeys((one.item, box) for one in self.columns for box in one.boxes)
        boxes = dict.fromkeys(box for _, box in own)
        count, freight = len(self.columns), np.array([box.freight for box in boxes])
        at_box = {box: count + i for i, box in enumerate(boxes)}
        rows: list[Array] = []
        limits: list[float] = []

        def row(limit: float) -> Array:
            rows.append(np.zeros(count + len(boxes)))
            limits.append(limit)
            return rows[-1]

        for item in range(self.items):
            row(1.0)[:count] = [one.item == item for one in self.columns]
        costs = [one.paid for one in self.columns]
        spent = row(self.budget if math.isfinite(self.budget) else 10 * (sum(costs) + float(freight.sum()) * count) + 1)
        spent[:count], spent[count:] = costs, freight
        for at, cut in enumerate(self.cuts):
            taken = row(cut.bench)
            taken[:count] = self._taken_by_all(at)
            if (week := cut.cash_week) is not None:
                sent = [box.week - self.season.first_week <= week for box in boxes]
                taken[count:] = np.where(sent, freight, 0.0)
        for tail in self.tails:
            margin = row(float(tail @ self.margin_before()) - float(self.floor or 0.0))
            margin[:count] = [-float(tail @ one.margin) for one in self.columns]
            margin[count:] = freight
        shared, alone = {box: row(0.0) for box in boxes}, {key: row(0.0) for key in own}
        for at, column in enumerate(self.columns):
            for box, plants in column.boxes.items():
                shared[box][at], alone[column.item, box][at] = box.parts(plants), box.whole(plants)
                shared[box][at_box[box]] = alone[column.item, box][at_box[box]] = -1
        every = np.array(rows)
        scale = np.maximum(np.abs(every).max(axis=1, initial=0), 1e-9)  # rows of like size are solved more exactly
        cost = np.concatenate([[-one.worth.mean() for one in self.columns], freight])
        return _Program(cost, every / scale[:, None], np.array(limits) / scale, scale, list(boxes), list(own))

    def _lower(self, program: _Program) -> Array:
        lower = np.full(len(program.limits), -np.inf)
        lower[[*self.required]] = 1
        return lower

    def _upper(self, program: _Program) -> Array:
        return np.append(np.ones(len(self.columns)), np.full(len(program.boxes), np.inf))

    def area_under(self, way: Way, cut: int) -> float:
        """Return the area of a plantlet under a cut [m²], or what growing it costs until then [currency]."""
        key = way, cut
        if key not in self._areas:
            row, draws, _ = self.cuts[cut]
            week = self.cuts[cut].cash_week
            self._areas[key] = float(way.area[row, draws].mean() if week is None else way.outlay[week])
        return self._areas[key]

    def taken(self, column: Column, cut: int) -> float:
        """Return the area that a column takes under a cut [m²], or the cash [currency]."""
        week, key = self.cuts[cut].cash_week, (column.key, cut)
        if week is not None:
            return -float(column.cash[week])
        if key not in self._freed:
            row, at = self.cuts[cut].row, column.freed_at
            free = at.start <= row < at.stop
            self._freed[key] = float(column.freed[row - at.start, self.cuts[cut].draws].mean()) if free else 0.0
        return sum(n * self.area_under(way, cut) for way, n in column.plants.items()) - self._freed[key]

    def _taken_by_all(self, cut: int) -> Array:
        """Return what each column takes under a cut, shape (columns,)."""
        before = self._taken.get(cut, np.zeros(0))
        new = [self.taken(one, cut) for one in self.columns[before.size :]]
        self._taken[cut] = np.append(before, new) if new else before
        return self._taken[cut]

    def solve_relaxed(self) -> Relaxation:
        """Solve the linear program, with parts of columns and boxes; what the floor lacks has a high price."""
        program = self._program()
        equal = np.isin(np.arange(len(program.limits)), [*self.required])
        cuts = len(self.cuts)
        loose = np.arange(self.items, self.items + 1 + cuts + len(self.tails))  # limits that may be missed
        rows = np.hstack([program.rows, np.zeros((len(program.limits), cuts + 2))])
        by = program.cost.size + np.minimum(np.arange(loose.size), cuts + 1)  # all tails by as much
        rows[loose, by] = -1 / program.scale[loose]
        penalties = np.full(cuts + 2, _PENALTY)
        penalties[1:-1] *= _PENALTY
        found = linprog(
            np.append(program.cost, penalties),
            A_ub=rows[~equal],
            b_ub=program.limits[~equal],
            A_eq=rows[equal] if equal.any() else None,
            b_eq=program.limits[equal] if equal.any() else None,
            bounds=(0, None),
            method="highs",
        )
        if found.status or found.x is None or found.fun is None:
            raise ForecastError(f"The solver did not solve the linear program of the orders: {found.message}")
        marginals = np.empty(len(program.limits))
        marginals[equal], marginals[~equal] = found.eqlin.marginals, found.ineqlin.marginals
        values = np.maximum(-marginals / program.scale, 0)
        lacks = found.x[program.cost.size :]
        budget, areas, tails, shared, own = np.split(
            values[self.items :], np.cumsum([1, len(self.cuts), len(self.tails), len(program.boxes)])
        )
        weights = self.even
        if tails.any():
            weights = weights + sum(price * tail for price, tail in zip(tails, self.tails, strict=True))
        duals = Duals(
            weights,
            float(budget[0]),
            1 + float(tails.sum()),
            tails,
            areas,
            dict(zip(program.boxes, shared.tolist(), strict=True)),
            dict(zip(program.own, own.tolist(), strict=True)),
        )
        parts, lacking = found.x[: len(self.columns)], bool(lacks[:-1].max() > EXACT)
        return Relaxation(-float(found.fun), parts, float(lacks[-1]), lacking, duals)

    def room(
        self, rest: Sequence[Column], now: Column | None, ways: Sequence[Way]
    ) -> list[tuple[Array, float]]:  # fmt: skip
        """Return what plants of each way take of limits, shape (ways,), and what some columns leave of these.

        Of benches that plants leave as they are sold, as much is taken as by the column that is there now.
        """
        found = []
        if math.isfinite(self.budget):
            least = [min(row.unit_price for row in way.prices.breaks) for way in ways]
            found.append((np.array(least), self.budget - self.paid(rest)))
        for at, cut in enumerate(self.cuts):
            areas = np.array([self.area_under(way, at) + self._paid_until(way, cut) for way in ways])
            some = now.plants.items() if now else ()
            whole = sum(n * (self.area_under(way, at) + self._paid_until(way, cut)) for way, n in some)
            part = self.taken(now, at) / whole if now and whole > EXACT else 1.0
            left = cut.bench * (1 + EXACT) - sum(self.taken(one, at) for one in rest)
            if areas.any():
                found.append((areas * part, max(left, 0.0)))
        return found

    def _paid_until(self, way: Way, cut: Cut) -> float:
        """Return what is paid for a plantlet of a way, at least, by the week of a cut of cash [currency]."""
        if (week := cut.cash_week) is None:
            return 0.0
        return min(line.unit_price * way.due(line, week) for line in way.prices.breaks)

    @property
    def zero_duals(self) -> Duals:
        """The duals if no limit binds."""
        return Duals(self.even, 0.0, 1.0, np.zeros(0), np.zeros(0), {}, {})

    def bound(self, most: Sequence[float], duals: Duals) -> float:
        """Return a bound on the margin of every plan, from the most that each item is worth at some duals.

        Notes
        -----
        The Lagrangian bound: for any duals from 0 on, what the items are worth at most, plus what the limits are worth.
        Fisher 1981, Management Science 27(1), 1-18, doi:10.1287/mnsc.27.1.1.
        """
        total = float(sum(most)) + duals.budget * (self.budget if math.isfinite(self.budget) else 0.0)
        total += float(sum(price * cut.bench for price, cut in zip(duals.areas, self.cuts, strict=False)))
        lacks = [(self.floor or 0.0) - float(tail @ self.margin_before()) for tail in self.tails[: duals.tails.size]]
        return total - float(duals.tails @ lacks)

    def solve_integer(self, seconds: float, gap: float, spared: float = 0.0) -> tuple[tuple[Column, ...] | None, float]:
        """Solve the program with whole columns and boxes; return them, if any fit, and a bound on their margin.

        Of each place that was met a share is spared: other columns fill it in other draws.
        """
        program = self._program()
        limits = program.limits.copy()
        for at, cut in enumerate(self.cuts, start=self.items + 1):
            limits[at] *= 1 - spared if cut.cash_week is None else 1.0
        parts, least = solve(
            *(program.cost, program.rows, self._lower(program), limits, self._upper(program)),
            integers=program.cost.size, seconds=max(seconds, 0.5), gap=gap,
        )  # fmt: skip
        if parts is None:
            return None, math.inf  # nothing fits, or nothing was found in time
        return tuple(one for one, part in zip(self.columns, parts, strict=False) if part > 0.5), -least

    def shortfalls(self) -> dict[str, float]:
        """Return the least that must be added to the limits so that there is a plan, by place [m²] and to the budget.

        The sum of the shares of their limits is least. A place gets the same more in every week.
        """
        season, names = self.season, [*self.season.place_names, "overdraft", "budget"]
        sizes = [max(float(one.max()), 1.0) for one in self.benches.reshape(-1, season.weeks)]  # by place
        sizes.append(max(season.overdraft or 0.0, 1.0))
        sizes.append(self.budget if math.isfinite(self.budget) else 1.0)
        while True:
            program = self._program()
            count, at = program.cost.size, self.items
            rows = np.hstack([program.rows, np.zeros((len(program.limits), len(names)))])
            rows[at, -1] = -1 / program.scale[at]
            for one, cut in enumerate(self.cuts, start=at + 1):
                which = len(names) - 2 if cut.row < 0 else cut.row // season.weeks
                rows[one, count + which] = -1 / program.scale[one]
            upper = np.append(self._upper(program), np.full(len(names), np.inf))
            weights = np.append(np.zeros(count), 1 / np.array(sizes))
            parts, _ = solve(weights, rows, self._lower(program), program.limits, upper, integers=count)
            if parts is None:
                raise ForecastError("The solver did not find what the limits lack.")
            more = np.maximum(parts[count:], 0)
            chosen = [one for one, part in zip(self.columns, parts, strict=False) if part > 0.5]
            if not self.add_cuts(chosen, more=np.repeat(more[:-2], season.weeks), credit=float(more[-2])):
                return {name: float(one) for name, one in zip(names, more, strict=True) if one > 1e-6}

    def add_cuts(
        self,
        columns: Sequence[Column],
        parts: Array | None = None,
        *,
        shortfall: float = 0.0,
        more: Array | float = 0.0,
        credit: float = 0.0,
    ) -> bool:
        """Add cuts where a place is overfull, and a tail where the floor is missed; return whether any is new.

        The worst seasons may miss the floor by the shortfall [currency]; more is added to the benches [m²], and credit
        to the overdraft [currency]. What stays
        over a limit under a cut that is there already is the solver's rounding, and not cut again.
        """
        area = self.area(columns, parts)
        kept = tenth(area.shape[1])
        over = self.fullest(area) - self.benches - more
        new, before = False, self.area(())
        for place in range(len(self.season.place_names)):
            rows = np.arange(self.season.weeks) + place * self.season.weeks
            worst = [row for row in rows if over[row] > EXACT * max(self.benches[row], 1)]
            for row in sorted(worst, key=lambda one: -over[one])[:_AT_ONCE]:
                draws = np.sort(np.argsort(area[row], kind="stable")[-kept:])
                if not any(row == one.row and np.array_equal(draws, one.draws) for one in self.cuts):
                    self.cuts.append(Cut(int(row), draws, float(self.benches[row] - before[row, draws].mean())))
                    new = True
        lacks = self.overdrawn(columns, parts) - credit
        known = {cut.row for cut in self.cuts}
        for week in [int(at) for at in np.argsort(-lacks, kind="stable") if lacks[at] > _CENT][:1]:
            if -1 - week not in known:
                self.cuts.append(Cut(-1 - week, np.zeros(0, dtype=np.intp), float(self.spare[week])))
                new = True
        if self.floor is not None:
            margin = self.margin(columns, parts)
            weights = worst_seasons(margin)
            missed = weights @ margin < self.floor - shortfall - EXACT * max(abs(self.floor), 1)
            if missed and not any(np.array_equal(weights, one) for one in self.tails):
                self.tails.append(weights)
                new = True
        return new
