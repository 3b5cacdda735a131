"""Sets of orders that are worth most under planes: the best of any number of deliveries, and a bound on the rest."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import highspy
import numpy as np
from numpy.typing import NDArray

from forecast.streams import Array

Index = NDArray[np.intp]

_ROUNDING = 1e-9
_NEVER = -1e300
_ROWS = 1024  # sets that are added to together
_CELLS = 1 << 20  # sets and pieces that are looked at together


class Planes:
    """Planes that lie nowhere below a concave function of the plants of each way; the function itself is their least.

    `constants` have the shape (planes,) [currency], `slopes` (planes, ways) [currency a plantlet]. Of the sums
    `weights @ plants`, shape (needs, ways), each must reach one of the `needs`.
    """

    def __init__(self, ways: int) -> None:
        self.constants, self.slopes = np.zeros(0), np.zeros((0, ways))
        self.needs, self.weights = np.zeros(0), np.zeros((0, ways))

    def without(self) -> Planes:
        """Return the same sums to be reached, and no planes."""
        found = Planes(self.slopes.shape[1])
        found.needs, found.weights = self.needs, self.weights
        return found

    def latest(self, most: int) -> Planes:
        """Return the same sums to be reached, and the planes that were added last."""
        found = self.without()
        found.constants, found.slopes = self.constants[-most:], self.slopes[-most:]
        return found

    def add(self, constant: float, slope: Array) -> None:
        """Add a plane."""
        self.constants = np.append(self.constants, constant)
        self.slopes = np.vstack([self.slopes, slope])

    def need(self, weights: Array, least: float) -> None:
        """Add a sum that must be reached."""
        self.needs, self.weights = np.append(self.needs, least), np.vstack([self.weights, weights])

    def least(self, plants: Array) -> float:
        """Return what the planes say of some plants of each way, shape (ways,)."""
        return float((self.constants + self.slopes @ plants).min())


class Mixture(NamedTuple):
    """Weights of planes, which add to one, and prices of the sums that must be reached."""

    planes: Array
    needs: Array


class Relaxation:
    """The linear program of some plants of each way, not whole ones, at a price each: it is solved again and again."""

    def __init__(self, planes: Planes, prices: Array, limits: Array) -> None:
        self.planes, self.prices = planes, prices
        self._solver = highspy.Highs()  # type: ignore[no-untyped-call]
        self._solver.setOptionValue("output_flag", False)
        self._solver.setOptionValue("presolve", "off")
        infinite = highspy.kHighsInf
        self._solver.addVar(-infinite, infinite)
        self._solver.changeColCost(0, -1.0)
        for at, (price, limit) in enumerate(zip(prices.tolist(), limits.tolist(), strict=True), start=1):
            self._solver.addVar(0.0, limit)
            self._solver.changeColCost(at, price)
        self._limits, self._there = limits, np.zeros(limits.size)
        self._planes, self._needs = (np.zeros(0, dtype=np.int32) for _ in range(2))  # which rows these are

    def solve(self, base: Array | None = None) -> tuple[float, Array, Mixture] | None:
        """Return what is worth most on top of some plants, these plants, and the mixture that says so.

        None if no plants reach all that must be.
        """
        planes, solver, known, met = self.planes, self._solver, self._planes.size, self._needs.size
        self._planes = np.append(self._planes, self._added(1.0, planes.slopes[known:], planes.constants[known:]))
        self._needs = np.append(self._needs, self._added(0.0, planes.weights[met:], -planes.needs[met:]))
        there = np.zeros(self._limits.size) if base is None else base
        for at in np.flatnonzero(there != self._there).tolist():
            solver.changeColBounds(at + 1, float(there[at]), float(there[at] + self._limits[at]))
        self._there = there.copy()
        solver.run()
        if solver.getModelStatus() != highspy.HighsModelStatus.kOptimal:
            return None
        found = solver.getSolution()
        duals = np.abs(np.array(found.row_dual))
        mixture = Mixture(duals[self._planes], duals[self._needs])
        value = float(self.prices @ there) - solver.getInfo().objective_function_value
        return value, np.array(found.col_value[1:]) - there, mixture

    def _added(self, first: float, slopes: Array, limits: Array) -> NDArray[np.int32]:
        """Add a row for each of some slopes, with its limit; return which they are."""
        count, width = len(slopes), slopes.shape[1] + 1
        if not count:
            return np.zeros(0, dtype=np.int32)
        entries = np.column_stack([np.full(count, first), -slopes]).ravel()
        starts, at = np.arange(count, dtype=np.int32) * width, np.tile(np.arange(width, dtype=np.int32), count)
        before = self._solver.getNumRow()
        self._solver.addRows(count, np.full(count, -highspy.kHighsInf), limits, entries.size, starts, at, entries)
        return np.arange(before, before + count, dtype=np.int32)


class Pieces(NamedTuple):
    """Orderable quantities: from the first to the last of each way, and what these cost; the way of no order is -1."""

    way: Index
    first: Array  # [plants]
    last: Array
    costs: Array  # of the first and of the last, shape (pieces, 2) [currency]

    def under(self, slopes: Array) -> Array:
        """Return what each adds at most under planes, shape (pieces, planes): no cost between its ends is convex."""
        each = np.where(self.way[:, None] < 0, 0.0, slopes.T[self.way])
        low, high = each * self.first[:, None], each * self.last[:, None]
        return np.maximum(low - self.costs[:, :1], high - self.costs[:, 1:])

    def most(self, weights: Array) -> Array:
        """Return what each adds at most to sums, shape (pieces, sums)."""
        return np.where(self.way[:, None] < 0, 0.0, weights.T[self.way]) * self.last[:, None]


class Sets(NamedTuple):
    """Sets of orders: their pieces, 0 for none, shape (sets, orders), and what each is worth at most."""

    pieces: Index
    most: Array

    @classmethod
    def none(cls) -> Sets:
        """Return no sets."""
        return cls(np.zeros((0, 0), dtype=np.intp), np.zeros(0))


def grown(
    planes: Planes, pieces: Pieces, mixtures: Sequence[Mixture], limits: tuple[Array, Array], least: float,
    deliveries: int, most: int,
) -> tuple[Sets, float]:  # fmt: skip
    """Return the sets of at most so many orders that are worth at least so much, and a bound on those not looked at.

    Pieces are in the order of their ways, the first of them none; `limits` are the lowest price of a plantlet of each
    way [currency], and the most plantlets. At most so many sets are grown at once.

    Notes
    -----
    Of a mixture of planes under which no plantlet pays, not even at its lowest price, no set is worth more than what it
    gives a set within it.
    """
    adds, weighs = pieces.under(planes.slopes), pieces.most(planes.weights)
    mixed, bounds = np.zeros((len(mixtures), len(pieces.way))), np.zeros((1, len(mixtures)))
    for k, (parts, prices) in enumerate(mixtures):
        some, needs = slice(parts.size), slice(prices.size)
        slope = parts @ planes.slopes[some] + prices @ planes.weights[needs]
        over = np.maximum(slope - limits[0], 0)
        mixed[k] = pieces.under(slope[None])[:, 0]
        bounds[0, k] = planes.constants[some] @ parts - planes.needs[needs] @ prices + over @ limits[1]
    mixed = mixed.T.copy()
    use = np.flatnonzero(((bounds + mixed).min(axis=1, initial=np.inf) >= least) & (pieces.way >= 0))
    starts = np.searchsorted(pieces.way[use], np.arange(pieces.way.max() + 2))
    sets, left = np.zeros((1, 0), dtype=np.intp), -math.inf
    values, reach = planes.constants[None, :], -planes.needs[None, :]
    found = [_stopped(sets, values, reach, least)]
    for _ in range(deliveries):
        parents, added = _children(sets, bounds, pieces, use, mixed, starts, least, most + 1)
        if not parents.size:
            break
        bounds = bounds[parents] + mixed[added]
        if parents.size > most:
            order = np.argsort(-bounds.min(axis=1, initial=np.inf), kind="stable")
            left = max(left, float(bounds[order[most]].min(initial=np.inf)))
            parents, added, bounds = parents[order[:most]], added[order[:most]], bounds[order[:most]]
        values, reach = _together(values, parents, adds, added), _together(reach, parents, weighs, added)
        sets = np.column_stack([sets[parents], added])
        found.append(_stopped(sets, values, reach, least))
    depth = max(one.pieces.shape[1] for one in found)
    padded = [np.pad(one.pieces, ((0, 0), (0, depth - one.pieces.shape[1]))) for one in found]
    return Sets(np.concatenate(padded), np.concatenate([one.most for one in found])), left


def _together(values: Array, parents: Index, adds: Array, added: Index) -> Array:
    """Return ``values[parents] + adds[added]``, worked out in parts, so that nothing as large is made beside it."""
    found = values[parents]
    for start in range(0, parents.size, _ROWS):
        found[start : start + _ROWS] += adds[added[start : start + _ROWS]]
    return found


def _stopped(sets: Index, values: Array, reach: Array, least: float) -> Sets:
    most = np.where((reach >= -_ROUNDING).all(axis=1), values.min(axis=1), -math.inf)
    kept = most >= max(least, _NEVER)
    return Sets(sets[kept], most[kept])


def _children(
    sets: Index, bounds: Array, pieces: Pieces, use: Index, mixed: Array, starts: Index, least: float, number: int
) -> tuple[Index, Index]:
    """Return which sets take which piece of a later way, of those that can still be worth so much.

    The best of them, at least so many: no more than twice as many are kept at once.
    """
    last = pieces.way[sets[:, -1]] if sets.shape[1] else np.full(len(sets), -1)
    best = _Best(number, least)
    for way in np.unique(last):
        every, later = np.flatnonzero(last == way), use[starts[way + 1] :]
        if not later.size:
            continue
        step = max(_CELLS // later.size, 1)
        for start in range(0, every.size, step):
            some = every[start : start + step]
            most = np.full((some.size, later.size), np.inf)
            each = np.empty_like(most)
            for limit, adds in zip(bounds[some].T, mixed[later].T, strict=True):
                np.add(limit[:, None], adds, out=each)
                np.minimum(most, each, out=most)
            best.look(some, later, most)
    return best.found()


class _Best:
    """Children that are worth most, in the order in which they were found; of equals the first."""

    def __init__(self, number: int, least: float) -> None:
        self._number, self._least, self._enough, self._held = number, least, False, 0
        none = np.zeros(0, dtype=np.intp)
        self._parts: list[tuple[Index, Index, Array]] = [(none, none, np.zeros(0))]

    def look(self, parents: Index, added: Index, most: Array) -> None:
        """Keep those of some parents that may be among the best, shape (parents, added)."""
        at, which = np.nonzero(most > self._least if self._enough else most >= self._least)
        self._parts.append((parents[at], added[which], most[at, which]))
        self._held += at.size
        if self._held > 2 * self._number:
            parents, added, worth = self._every()
            kept = np.sort(np.argsort(-worth, kind="stable")[: self._number])
            self._parts, self._held = [(parents[kept], added[kept], worth[kept])], kept.size
            self._least, self._enough = float(worth[kept].min()), True  # one found later must be worth more

    def _every(self) -> tuple[Index, Index, Array]:
        parents, added, worth = (np.concatenate(one) for one in zip(*self._parts, strict=True))
        return parents, added, worth

    def found(self) -> tuple[Index, Index]:
        """Return the parents and what is added to them."""
        return self._every()[:2]
