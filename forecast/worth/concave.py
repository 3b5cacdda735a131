"""What plants sell for over the weeks, at most, as a concave function of those that become ready, and its slope."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from forecast.streams import Array


class Plants(NamedTuple):
    """Plants ready by each week, past their best by then, shape (weeks, draws), and ready by the end, shape (draws,).

    Or the slope of a value in each of them.
    """

    ready: Array
    past: Array
    through: Array


class Sold(NamedTuple):
    """Buyers served and plants perished by each week, shape (weeks, groups, draws), and which limits held."""

    served: Array
    perished: Array
    all_served: NDArray[np.bool_]  # whether all who asked in the week were served
    none_more: NDArray[np.bool_]  # whether no more plants perished


@dataclass(frozen=True, eq=False)
class Income:
    """What plants sell for at most [currency]: the dearest buyers first, then what is left marked down.

    `asked` are how many ask in each week, who pay at least some price, in groups, shape (weeks, groups, draws), and
    `waits` the weeks that they wait. `steps` are what each is worth more than the next by week, shape (weeks, groups, 1
    or draws); the first group is of all buyers.
    """

    asked: Array
    steps: Array
    waits: int
    markdown: float
    outlet: float

    @classmethod
    def of(
        cls, asked: Sequence[Array], worth: Array, waits: Sequence[int], markdown: float, outlet: float,
        factor: Array | float = 1.0,
    ) -> Income:  # fmt: skip
        """Put buyers into groups by what a plant sold to them is worth.

        `asked` are the buyers of each row by week, shape (weeks, draws), `worth` a plant sold to them [currency], shape
        (rows, weeks), which is multiplied by a factor of the draw, and `waits` the weeks that they wait.

        Notes
        -----
        With the prices u in falling order and M(u) the most buyers who are worth u or more that can be served, no sales
        earn more than the sum of (u - next u) M(u). That is earned if prices never rise and all wait as long.
        """
        some = np.array([one.max(axis=1) > 0 for one in asked])
        levels, weeks = np.unique(worth[some]), worth.shape[1]
        masks: list[NDArray[np.bool_]] = [] if levels.size else [some]
        steps: list[Array] = [] if levels.size else [np.zeros((weeks, 1))]
        for level, below in zip(levels, [markdown, *levels[:-1]], strict=True):
            mask = some & (worth >= level)
            last = int(np.flatnonzero(mask.any(axis=0))[-1])
            home = [i for i, other in enumerate(masks) if np.array_equal(other[:, : last + 1], mask[:, : last + 1])]
            if not home:
                home = [len(masks)]
                masks.append(mask)
                steps.append(np.zeros((weeks, np.size(factor))))
            steps[home[0]][last] += (level - below) * factor
        groups = [sum(np.where(row[:, None], one, 0.0) for row, one in zip(mask, asked, strict=True)) for mask in masks]
        return cls(np.stack(groups, axis=1), np.stack(steps, axis=1), max(waits, default=0), markdown, outlet)

    def _served(self, plants: Plants) -> Sold:
        """Serve each group on its own, the oldest plants first.

        Notes
        -----
        Of R plants ready by a week and P past their best, X = max(X before, P - S before) have perished, and
        S = min(S before + asked, R - X) buyers are served; who waits is served from later R.
        """
        weeks, *shape = self.asked.shape
        found = Sold(*np.empty((2, *self.asked.shape)), *np.empty((2, *self.asked.shape), dtype=np.bool_))
        served, perished = np.zeros(shape), np.zeros(shape)
        for t in range(weeks):
            older = plants.past[t] - served
            np.less_equal(older, perished, out=found.none_more[t])
            perished = np.maximum(perished, older, out=found.perished[t])
            room = plants.ready[min(t + self.waits, weeks - 1)] - perished
            wanted = served + self.asked[t]
            np.less_equal(wanted, room, out=found.all_served[t])
            served = np.minimum(wanted, room, out=found.served[t])
        return found

    def _add_slope(self, sold: Sold, served: Array, perished: Array | None, slope: Plants) -> None:
        """Add to the slope of a value in the plants, from its slopes in those served by each week.

        And from those in the plants of the first group that have perished, shape (weeks, draws).
        """
        weeks, *shape = self.asked.shape
        on_served, on_perished = np.zeros(shape), np.zeros(shape)
        for t in range(weeks - 1, -1, -1):
            each = served[t] + on_served
            limited = np.where(sold.all_served[t], 0.0, each)
            slope.ready[min(t + self.waits, weeks - 1)] += limited.sum(axis=0)
            on_perished -= limited
            if perished is not None:
                on_perished[0] += perished[t]
            older = np.where(sold.none_more[t], 0.0, on_perished)
            slope.past[t] += older.sum(axis=0)
            on_served = each - limited - older
            on_perished -= older

    def at(self, plants: Plants, rent: Array | float = 0.0) -> tuple[Array, Sold]:
        """Return the income, and the rent that is saved, of plants in every draw [currency]; and who is served of each.

        `rent` is that of a plant ready and not sold, by week, shape (weeks, 1 or draws).
        """
        sold = self._served(plants)
        found = np.zeros(plants.through.size)
        for t in np.flatnonzero(self.steps.any(axis=(1, 2))):
            found += (self.steps[t] * sold.served[t]).sum(axis=0)
        found += self.markdown * np.minimum(plants.through, sold.served[-1, 0] + self.outlet)
        if np.any(rent):
            found += (rent * (sold.served[:, 0] + sold.perished[:, 0] - plants.past)).sum(axis=0)
        return found, sold

    def plane(self, plants: Plants, weights: Array, rent: Array | float = 0.0) -> tuple[float, Plants]:
        """Return the same weighted over draws [currency], and its slope in the plants.

        Of the rent, weighted already, the shape is (weeks, draws).
        """
        slope = Plants(np.zeros_like(plants.ready), np.zeros_like(plants.past), np.zeros_like(plants.through))
        sold, on_served, on_perished = self._served(plants), self.steps * weights, None
        value = _sum(on_served, sold.served)
        last = sold.served[-1, 0] + self.outlet
        clears = plants.through < last
        value += self.markdown * float(weights @ np.minimum(plants.through, last))
        slope.through[:] += np.where(clears, self.markdown * weights, 0.0)
        on_served[-1, 0] += np.where(clears, 0.0, self.markdown * weights)
        if np.any(rent):
            on_perished = np.broadcast_to(rent, plants.ready.shape)
            value += _sum(on_perished, sold.served[:, 0] + sold.perished[:, 0] - plants.past)
            on_served[:, 0] += rent
            slope.past[:] -= rent
        self._add_slope(sold, on_served, on_perished, slope)
        return value, slope


def _sum(some: Array, others: Array) -> float:
    """Return the sum of products, without the threads of a linear algebra library: on a busy machine these wait."""
    return float(np.einsum("i,i->", some.ravel(), others.ravel()))
