"""Whole columns chosen by exchange: one variety's at a time, or two varieties' at once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations

import numpy as np

from forecast.ordering.shipments import Box
from forecast.planning.limits import EXACT
from forecast.planning.master import Cut, Duals, MasterProblem
from forecast.streams import Array
from forecast.worth.columns import Column

_CENT = 0.01
_TRIED = 8  # exchanges looked at, the best first, whether they keep all limits
_PAIRED = 40  # columns of each of two varieties that are exchanged at once

Chosen = tuple[Column, ...]


class _Choice:
    """The columns of each item with what they are worth, pay, and send in boxes; the first of each is none."""

    def __init__(self, master: MasterProblem, duals: Duals) -> None:
        self.master, self._duals = master, duals
        boxes = [*dict.fromkeys(box for one in master.columns for box in one.boxes)]
        at = {box: i for i, box in enumerate(boxes)}
        self._plants = np.array([box.plants for box in boxes], dtype=np.float64)
        self._freight = np.array([box.freight for box in boxes])
        self.columns: list[list[Column | None]] = [[None] for _ in range(master.items)]
        for column in master.columns:
            self.columns[column.item].append(column)
        self._until = np.array([[_sent(master, box, cut) * box.freight for box in boxes] for cut in master.cuts])
        self._limits = np.array([cut.bench for cut in master.cuts])
        self.taken: list[Array] = []
        self.worth: list[Array] = []
        self.paid: list[Array] = []
        self.boxes: list[Array] = []
        for item, some in enumerate(self.columns):
            self.worth.append(np.array([float(one.worth.mean()) if one else self._nothing(item) for one in some]))
            self.paid.append(np.array([one.paid if one else 0.0 for one in some]))
            sent = np.zeros((len(some), len(boxes)))
            for row, one in zip(sent, some, strict=True):
                for box, plants in one.boxes.items() if one else ():
                    row[at[box]] = plants
            self.boxes.append(sent)
            taken = [[master.taken(one, at) if one else 0.0 for at in range(len(master.cuts))] for one in some]
            self.taken.append(np.array(taken).reshape(len(some), len(master.cuts)))

    def _nothing(self, item: int) -> float:
        return -np.inf if item in self.master.required else 0.0

    def values(self, worth: Array, paid: Array, boxes: Array, taken: Array) -> Array:
        """Return what plans are worth with their freight; -inf beyond the budget, or the limits that are known."""
        sent = np.ceil(boxes / self._plants)
        freight = sent @ self._freight
        within = paid + freight <= self.master.budget * (1 + EXACT)
        if self._limits.size:
            used = taken + sent @ self._until.T
            within &= (used <= self._limits + EXACT * np.maximum(np.abs(self._limits), 1)).all(axis=1)
        return np.where(within, worth - freight, -np.inf)

    def exchanged(self, now: list[int], items: Sequence[int]) -> Iterator[tuple[float, list[int]]]:
        """Return plans in which the columns of one or two items are others, the best first."""
        rest = [item for item in range(len(now)) if item not in items]
        some = [self._best(item) if len(items) > 1 else np.arange(len(self.columns[item])) for item in items]
        grid = [one.ravel() for one in np.meshgrid(*some, indexing="ij")]
        worth = sum((self.worth[item][at] for item, at in zip(items, grid, strict=True)), np.zeros(grid[0].size))
        paid = sum((self.paid[item][at] for item, at in zip(items, grid, strict=True)), np.zeros(grid[0].size))
        boxes, taken = (
            sum((part[item][at] for item, at in zip(items, grid, strict=True)), np.zeros((1, 1)))
            for part in (self.boxes, self.taken)
        )
        base = [float(sum(part[item][now[item]] for item in rest)) for part in (self.worth, self.paid)]
        sent = sum((self.boxes[item][now[item]] for item in rest), np.zeros(self._plants.size))
        used = sum((self.taken[item][now[item]] for item in rest), np.zeros(self._limits.size))
        found = self.values(base[0] + worth, base[1] + paid, sent + boxes, used + taken)
        for place in np.argsort(-found, kind="stable")[:_TRIED].tolist():
            changed = list(now)
            for item, at in zip(items, grid, strict=True):
                changed[item] = int(at[place])
            yield float(found[place]), changed

    def _best(self, item: int) -> Array:
        prices = self._duals.areas[: self._limits.size]
        paid = self._duals.budget * self.paid[item] + self.taken[item][:, : prices.size] @ prices
        order = np.argsort(paid - self.worth[item], kind="stable")[:_PAIRED]
        return np.unique(np.append(order, 0))

    def chosen(self, now: Sequence[int]) -> Chosen:
        """Return the columns of a plan."""
        some = (columns[at] for columns, at in zip(self.columns, now, strict=True))
        return tuple(one for one in some if one is not None)

    def places(self, chosen: Sequence[Column]) -> list[int]:
        """Return where the columns of a plan are."""
        found = [0] * len(self.columns)
        for one in chosen:
            keys = [other.key if other else None for other in self.columns[one.item]]
            found[one.item] = keys.index(one.key)
        return found


def _sent(master: MasterProblem, box: Box, cut: Cut) -> bool:
    """Say whether a box is paid for by the week in which cash must last."""
    return cut.cash_week is not None and box.week - master.season.first_week <= cut.cash_week


def improved(master: MasterProblem, chosen: Chosen, value: float, duals: Duals) -> tuple[Chosen, float]:
    """Exchange the columns of a plan for others of the master problem as long as one plan is better and keeps limits.

    The plan may break limits if its value is -inf. Of two varieties, the columns that are worth most at some duals are
    exchanged at once.
    """
    choice = _Choice(master, duals)
    now, items = choice.places(chosen), range(master.items)
    groups: list[tuple[int, ...]] = [*combinations(items, 1), *combinations(items, 2)]
    waiting = list(groups)
    while waiting:
        for other, changed in choice.exchanged(now, waiting.pop(0)):
            if not other > value + _CENT:
                break
            if master.fits(choice.chosen(changed)):
                now, value, waiting = changed, other, list(groups)
                break
    return choice.chosen(now), value
