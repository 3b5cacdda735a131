"""The whole order as one mixed-integer program, written out plainly for a general solver.

It shares with the package what a plantlet of each possible delivery gives, costs and takes up, draw by draw
(`Ways`), and nothing of how the orders are found. Plants come in parts, without the luck of single plants. Sales stand
in it draw by draw, as a flow; the mean over the fullest tenth of the draws is linear as in Rockafellar and Uryasev
2000, Journal of Risk 2(3), 21-41. Nobody waits, and nobody is promised plants or costs more if short.

Where plants can pass their best, the room and rent that these leave free is counted as at least what it is; else all
is as the package counts it.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from forecast.growth.simulation import season_streams
from forecast.ordering.unit_costs import rents
from forecast.planning.column_generation import Solution as Planned
from forecast.season.orders import Delivery
from forecast.season.season import Season
from forecast.streams import Array, Streams
from forecast.worth.columns import AREA_DRAWS, Way, Ways

Columns = NDArray[np.int64]

FULLEST = 0.1  # share of the draws in which a place is fullest


@dataclass(frozen=True)
class Solution:
    """What the solver found.

    Parameters
    ----------
    orders
        The best orders found; None if there are none yet.
    value, bound
        Their margin, and what no orders earn more than [currency].
    seconds, built
        Time of the solver alone, and of all that came before it [s].
    columns, rows, cells
        Size of the program; cells that are not 0.
    """

    orders: tuple[Delivery, ...] | None
    value: float
    bound: float
    seconds: float
    built: float
    columns: int
    rows: int
    cells: int

    @property
    def gap(self) -> float:
        """How much better other orders could be, as a share of the margin."""
        return max(self.bound - self.value, 0.0) / max(abs(self.value), 1e-9)


class _Freed(NamedTuple):
    """Plants of each draw that are gone from a place by a week, and the area of each [m²]."""

    place: str
    week: int
    gone: Columns
    area: float


@dataclass
class _Program:
    """Columns and rows, as they come."""

    cost: list[Array] = field(default_factory=list)
    upper: list[Array] = field(default_factory=list)
    lower: list[Array] = field(default_factory=list)
    whole: list[Array] = field(default_factory=list)
    parts: list[tuple[NDArray[Any], NDArray[Any], NDArray[Any]]] = field(default_factory=list)
    limits: list[Array] = field(default_factory=list)
    columns: int = 0
    rows: int = 0

    def add(
        self, count: int, *, cost: Any = 0.0, upper: Any = np.inf, lower: Any = 0.0, whole: bool = False
    ) -> Columns:
        """Add columns; return their numbers."""
        new = ((self.cost, cost), (self.upper, upper), (self.lower, lower), (self.whole, float(whole)))
        for kept, cells in new:
            kept.append(np.broadcast_to(np.asarray(cells, dtype=np.float64), (count,)))
        self.columns += count
        return np.arange(self.columns - count, self.columns)

    def at_most(self, limits: Any, *blocks: tuple[Columns, Any]) -> None:
        """Add rows: the sum of blocks, a matrix times some columns each, is at most the limits."""
        limits = np.atleast_1d(np.asarray(limits, dtype=np.float64))
        for columns, matrix in blocks:
            cells = sparse.coo_array(matrix)
            self.parts.append((cells.row + self.rows, columns[cells.col], cells.data))
        self.limits.append(limits)
        self.rows += limits.size

    def solve(self, seconds: float, gap: float) -> Any:
        row, column, data = (np.concatenate(one) for one in zip(*self.parts, strict=True))
        matrix = sparse.csr_array((data, (row, column)), shape=(self.rows, self.columns))
        return milp(
            np.concatenate(self.cost),
            constraints=LinearConstraint(matrix, -np.inf, np.concatenate(self.limits)),
            integrality=np.concatenate(self.whole),
            bounds=Bounds(np.concatenate(self.lower), np.concatenate(self.upper)),
            options={"time_limit": seconds, "mip_rel_gap": gap},
        )


class WithoutLuck(Streams):
    """Streams in which as many plants of a batch come through as are expected of it."""

    def normal(self, owner: tuple[str, ...], quantity: str) -> Array:
        found = super().normal(owner, quantity)
        return np.zeros_like(found) if quantity in ("plants", "timing of plants") else found


def recounted(solution: Planned, orders: Sequence[Delivery]) -> tuple[float, bool]:
    """Return what other orders are worth as the search counts it, and whether they keep all limits."""
    columns = []
    for problem in solution.problems:
        own = {(row.lab, row.week): row.quantity for row in orders if row.variety == problem.ways.variety}
        ways = {(way.prices.lab, way.week): way.at for way in problem.ways.ways}
        if own:
            columns.append(problem.column({ways[key]: quantity for key, quantity in own.items()}))
    return solution.master.worth(columns), solution.master.fits(columns)


def extensive(
    season: Season,
    *,
    draws: int,
    seed: int,
    seconds: float = 60.0,
    gap: float = 1e-9,
    looked_at: Sequence[tuple[str, int]] | None = None,
) -> Solution:
    """Find the orders of greatest expected margin.

    Parameters
    ----------
    season
        The season; every variety with a target has a sale price, and no target a cost of being short.
    draws, seed
        Draws, and their seed.
    seconds, gap
        Time after which the solver stops [s], and the gap at which it does.
    looked_at
        Places and weeks (counted from the first) whose benches stand in the program; all if not given. With fewer
        the bound holds still; whether the orders fit in the others has to be looked at.
    """
    began = time.perf_counter()
    streams = season_streams(draws, seed)
    names = [name for name in season.targeted if season.price_lines(name)]
    program = _Program()
    boxes: dict[tuple[Any, ...], list[tuple[int, float]]] = {}
    plants: list[Columns] = []
    all_ways: list[tuple[str, Way]] = []
    spent: list[tuple[Columns, Array]] = []
    freed: list[_Freed] = []
    for name in names:
        ways = Ways(season, streams, name)
        plants.append(program.add(len(ways.ways), cost=[way.growing.mean() for way in ways.ways]))
        for way, plant in zip(ways.ways, plants[-1].tolist(), strict=True):
            _bought(program, way, ways.most(way.at), plant, boxes, spent)
        freed += _sold(program, ways, plants[-1])
        all_ways += [(name, way) for way in ways.ways]
    freight = np.array([key[2] for key in boxes])
    filled = program.add(len(boxes), cost=freight, whole=True)
    for at, parts in zip(filled, boxes.values(), strict=True):
        columns = np.array([column for column, _ in parts] + [at])
        program.at_most(0, (columns, np.array([[share for _, share in parts] + [-1.0]])))
    if season.budget is not None:
        program.at_most(season.budget, *spent, (filled, freight[None]))
    _benches(program, season, [way for _, way in all_ways], np.concatenate(plants), freed, looked_at)
    built = time.perf_counter() - began
    found = program.solve(seconds, gap)
    took = time.perf_counter() - began - built
    bound = np.inf if found.mip_dual_bound is None else -found.mip_dual_bound
    cells = sum(data.size for _, _, data in program.parts)
    size = (took, built, program.columns, program.rows, cells)
    if found.x is None:
        return Solution(None, -np.inf, bound, *size)
    numbers = np.rint(found.x[np.concatenate(plants)]).astype(int).tolist()
    orders = tuple(
        Delivery(variety=name, week=way.week, quantity=number, lab=way.prices.lab)
        for (name, way), number in zip(all_ways, numbers, strict=True)
        if number
    )
    return Solution(orders, -float(found.fun), float(bound), *size)


def _bought(
    program: _Program,
    way: Way,
    most: int,
    plant: int,
    boxes: dict[tuple[Any, ...], list[tuple[int, float]]],
    spent: list[tuple[Columns, Array]],
) -> None:
    """Say what may be ordered of a way, row by row of its price list, of which one at most is chosen."""
    chosen: list[int] = []
    sums = [(np.array([plant]), [[1.0]])]
    for row, numbers in way.prices.ranges(most):
        multiple = float(row.multiple)
        price = multiple * row.unit_price
        (yes,) = program.add(1, upper=1, whole=True)
        (times,) = program.add(1, cost=price, whole=True)
        both = np.array([yes, times])
        program.at_most(0, (both, [[float(numbers[0]), -multiple]]))
        program.at_most(0, (both, [[-float(numbers[-1]), multiple]]))
        sums.append((both[1:], [[-multiple]]))
        spent.append((both[1:], np.array([[price]])))
        if row.plants_per_box and row.freight_per_box:
            key = row.lab, way.week, row.freight_per_box, row.plants_per_box
            boxes.setdefault(key, []).append((int(times), multiple / row.plants_per_box))
        chosen.append(int(yes))
    program.at_most(0, *sums)
    program.at_most(0, *((columns, [[-cells[0][0]]]) for columns, cells in sums))
    if chosen:
        program.at_most(1, (np.array(chosen), np.ones((1, len(chosen)))))


def _sold(program: _Program, ways: Ways, plants: Columns) -> list[_Freed]:
    """Sell, in every draw: between two weeks no more than was ready by the later and not past by the first.

    Give the plants that are gone from their place before the last week, as they are sold.
    """
    season, variety, shares = ways.season, ways.variety, ways._shares
    draws, weeks = ways.streams.draws, ways.last - ways.first + 1
    same = sparse.eye_array(draws)
    sold: dict[int, list[Columns]] = {}
    for row, asked in zip(season.targets_of(variety), ways.asked, strict=True):
        assert not row.waits
        assert not season.short_cost_of(row)
        start = row.week - ways.first
        for at, price in enumerate(season.prices_of(row), start=start):
            sold.setdefault(at, []).append(program.add(draws, cost=-price / draws, upper=asked[at]))

    def within(first: int, last: int) -> list[tuple[Columns, Any]]:
        return [(one, same) for at in range(first, last + 1) for one in sold.get(at, [])]

    for first in sorted(sold):
        past = shares.past[:, first].T
        if first > min(sold) and not past.any():
            continue
        for last in sorted(at for at in sold if at >= first):
            there = shares.ready[:, last].T - past
            program.at_most(np.zeros(draws), *within(first, last), (plants, -there))
    own = season.variety(variety)
    if markdown := own.marked_down(ways.last - season.first_week) or 0.0:
        down = program.add(draws, cost=-markdown / draws, upper=float(season.outlet_of(variety)))
        program.at_most(np.zeros(draws), *within(0, weeks - 1), (down, same), (plants, -shares.through.T))
    stage, freed = season.route(variety)[-1], []
    for at in range(min(sold), weeks - 1):
        week = ways.first - season.first_week + at
        gone = program.add(draws, cost=-rents(season, stage)[week] / draws)
        program.at_most(np.zeros(draws), (gone, same), *((one, -same) for one, _ in within(0, at)))
        program.at_most(np.zeros(draws), (gone, same), (plants, (shares.past - shares.ready)[:, at].T))
        freed.append(_Freed(stage.place, week, gone, 1 / stage.plants_per_m2))
    return freed


def _benches(
    program: _Program,
    season: Season,
    ways: Sequence[Way],
    plants: Columns,
    freed: Sequence[_Freed],
    looked_at: Sequence[tuple[str, int]] | None,
) -> None:
    """Keep the mean area of the fullest tenth of the draws within the bench: t + mean(above t) / tenth."""
    names = season.place_names
    for place, week in looked_at or [(name, at) for name in names for at in range(season.weeks)]:
        at = names.index(place) * season.weeks + week
        area = np.array([way.area[at] for way in ways], dtype=np.float64).T
        if not area.any():
            continue
        draws = len(area)
        kept = max(round(FULLEST * draws), 1)
        level, above = program.add(1, lower=-np.inf), program.add(draws)
        gone = [
            (one.gone[:AREA_DRAWS], -one.area * sparse.eye_array(draws))
            for one in freed
            if (one.place, one.week) == (place, week)
        ]
        over = (level, -np.ones((draws, 1))), (above, -sparse.eye_array(draws))
        program.at_most(np.zeros(draws), (plants, area), *gone, *over)
        bench = season.bench(place, season.first_week + week)
        program.at_most(bench, (level, [[1.0]]), (above, np.full((1, draws), 1 / kept)))
