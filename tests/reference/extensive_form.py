"""The whole order as one mixed-integer program, written out plainly for a general solver.

It shares with the package what a plantlet of each possible delivery gives, costs and takes up, draw by draw
(`Ways`), and nothing of how the orders are found. Sales stand in it draw by draw, as a flow; the mean over the
fullest tenth of the draws is linear as in Rockafellar and Uryasev 2000, Journal of Risk 2(3), 21-41.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from forecast.growth.simulation import season_streams
from forecast.season.orders import Delivery
from forecast.season.season import Season
from forecast.streams import Array
from forecast.worth.columns import Way, Ways

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


def extensive(
    season: Season,
    *,
    draws: int,
    seed: int,
    seconds: float = 60.0,
    gap: float = 1e-9,
    looked_at: Sequence[tuple[str, int]] | None = None,
) -> Solution:
    """Find the orders of greatest expected margin, at most two deliveries of a variety.

    Parameters
    ----------
    season
        The season; every variety with a target has a sale price.
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
    for name in names:
        ways = Ways(season, streams, name)
        flat = [way for slot in ways.slots for way in slot]
        plants.append(program.add(len(flat), cost=[way.growing.mean() for way in flat]))
        spent.append((plants[-1], np.array([[way.growing.mean() for way in flat]])))
        chosen: list[tuple[Way, int]] = []
        for way, plant in zip(flat, plants[-1].tolist(), strict=True):
            chosen += [(way, one) for one in _bought(program, way, plant, boxes, spent)]
        _in_turn(program, chosen)
        _sold(program, ways, flat, plants[-1])
        all_ways += [(name, way) for way in flat]
    freight = np.array([key[2] for key in boxes])
    filled = program.add(len(boxes), cost=freight, whole=True)
    for at, parts in zip(filled, boxes.values(), strict=True):
        columns = np.array([column for column, _ in parts] + [at])
        program.at_most(0, (columns, np.array([[share for _, share in parts] + [-1.0]])))
    if season.budget is not None:
        program.at_most(season.budget, *spent, (filled, freight[None]))
    _benches(program, season, [way for _, way in all_ways], np.concatenate(plants), looked_at)
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
    plant: int,
    boxes: dict[tuple[Any, ...], list[tuple[int, float]]],
    spent: list[tuple[Columns, Array]],
) -> list[int]:
    """Say what may be ordered of a way, row by row of its price list; give whether each row is chosen."""
    chosen: list[int] = []
    sums = [(np.array([plant]), [[1.0]])]
    for row, numbers in way.prices.ranges(int(way.quantities[-1])):
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
    return chosen


def _in_turn(program: _Program, chosen: Sequence[tuple[Way, int]]) -> None:
    """Let there be one first delivery at most, and a second only after it: in a later week, or of a later lab."""

    def some(slot: int, until: tuple[Any, ...] | None, *, strictly: bool) -> Columns:
        keys = [((way.week, way.prices.lab), yes) for way, yes in chosen if way.slot == slot]
        return np.array([yes for key, yes in keys if until is None or key < until or (key == until and not strictly)])

    first = some(0, None, strictly=False)
    if first.size:
        program.at_most(1, (first, np.ones((1, first.size))))
    for key in sorted({(way.week, way.prices.lab) for way, _ in chosen}):
        second, before = some(1, key, strictly=False), some(0, key, strictly=True)
        blocks = [(second, np.ones((1, second.size))), (before, -np.ones((1, before.size)))]
        program.at_most(0, *[block for block in blocks if block[0].size])


def _sold(program: _Program, ways: Ways, flat: Sequence[Way], plants: Columns) -> None:
    """Sell, in every draw: between two target weeks no more than was ready by the later and not past by the first."""
    rows, draws = ways.demand.shape
    same = sparse.eye_array(draws)
    sold = [
        program.add(draws, cost=-worth / draws, upper=demand)
        for worth, demand in zip(ways.worth, ways.demand, strict=True)
    ]
    for first in range(rows):
        past = np.array([way.past[first] for way in flat]).T
        if first and not past.any():
            continue
        for last in range(first, rows):
            there = np.array([way.ready[last] for way in flat]).T - past
            some = [(sold[at], same) for at in range(first, last + 1)]
            program.at_most(np.zeros(draws), *some, (plants, -there))
    if ways.markdown:
        down = program.add(draws, cost=-ways.markdown / draws, upper=ways.cleared)
        every = np.array([way.through for way in flat]).T
        program.at_most(np.zeros(draws), *((one, same) for one in [*sold, down]), (plants, -every))


def _benches(
    program: _Program,
    season: Season,
    ways: Sequence[Way],
    plants: Columns,
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
        program.at_most(
            np.zeros(draws), (plants, area), (level, -np.ones((draws, 1))), (above, -sparse.eye_array(draws))
        )
        bench = season.bench(place, season.first_week + week)
        program.at_most(bench, (level, [[1.0]]), (above, np.full((1, draws), 1 / kept)))
