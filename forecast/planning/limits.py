"""The limits of a plan, and how far columns use them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from forecast.growth.summaries import tenth, worst_seasons
from forecast.ordering.shipments import Box, bill
from forecast.season.season import Season
from forecast.streams import Array
from forecast.worth.columns import AREA_DRAWS, Column, Way

_CENT = 0.01
EXACT = 1e-6  # of a limit, by which it may be missed


class Base(NamedTuple):
    """What plants on hand, and orders that are placed, earn, take and are paid for before anything else is ordered."""

    margin: Array | float = 0.0  # shape (draws,) [currency]
    area: Array | float = 0.0  # shape (places * weeks, draws) [m²]
    paid: float = 0.0  # to labs and carriers [currency]
    cash: Array | None = None  # by the end of each week, expected, shape (weeks,) [currency]; None if it has no limit


@dataclass(eq=False)
class Limits:
    """Budget and benches of a season, and the minimum of the mean margin in the worst tenth of draws, if any.

    All of it is what the plants leave that are there in any case; a place that is overfull with these takes no others.
    """

    season: Season
    draws: int
    floor: float | None = None
    base: Base | None = None

    def __post_init__(self) -> None:
        season, self.before = self.season, self.base or Base()
        self.area_draws = np.shape(self.before.area)[-1] if np.ndim(self.before.area) else min(self.draws, AREA_DRAWS)
        self.even = np.full(self.draws, 1 / self.draws)
        weeks = [season.first_week + i for i in range(season.weeks)]
        self.benches = np.array([season.bench(place, week) for place in season.place_names for week in weeks])
        self.benches = np.maximum(self.benches, self.fullest(self.area(())))
        self.guard = 0.0  # of the expected cash above the lowest that is allowed [currency]
        self.budget = math.inf if season.budget is None else max(season.budget - self.before.paid, 0.0)

    def area(self, columns: Sequence[Column], parts: Array | None = None) -> Array:
        """Return the area that columns, or parts of them, stand on with all others, shape (places * weeks, draws)."""
        parts = np.ones(len(columns)) if parts is None else parts
        some = [(part, one) for part, one in zip(parts, columns, strict=True) if part > 1e-9]
        plants: dict[Way, float] = {}
        for part, column in some:
            for way, quantity in column.plants.items():
                plants[way] = plants.get(way, 0.0) + part * quantity
        found = np.zeros((len(self.benches), self.area_draws)) + self.before.area
        for way, number in plants.items():
            found += number * way.area
        for part, column in some:
            found[column.freed_at] -= part * column.freed
        return found

    def fullest(self, area: Array) -> Array:
        """Return the mean area in the draws in which each place and week is fullest, shape (places * weeks,) [m²]."""
        kept = tenth(area.shape[1])
        return np.asarray(np.partition(area, area.shape[1] - kept, axis=1)[:, -kept:].mean(axis=1))

    @property
    def spare(self) -> Array:
        """How much lower than before any order the expected cash may be in each week, shape (weeks,) [currency]."""
        cash = np.zeros(0) if self.before.cash is None else self.before.cash
        return np.maximum(cash + (self.season.overdraft or 0.0) - self.guard, 0.0)

    def overdrawn(self, columns: Sequence[Column], parts: Array | None = None) -> Array:
        """Return by how much the expected cash of columns is too low in each week, shape (weeks,) [currency]."""
        if self.before.cash is None:
            return np.zeros(0)
        lacks = -self.spare
        for box, number in self.boxes(columns, parts).items():
            lacks[box.week - self.season.first_week :] += number * box.freight
        for part, one in zip(np.ones(len(columns)) if parts is None else parts, columns, strict=True):
            lacks -= part * one.cash
        return lacks

    def margin(self, columns: Sequence[Column], parts: Array | None = None) -> Array:
        """Return the margin of columns in every draw, freight included [currency]; of parts, as if boxes could be."""
        if parts is None:
            return np.asarray(sum((one.margin for one in columns), self.margin_before()) - self.freight(columns))
        some = [(part, one) for part, one in zip(parts, columns, strict=True) if part > 1e-9]
        total = self.margin_before()
        for part, column in some:
            total += part * column.margin
        return np.asarray(total - self.freight([one for _, one in some], np.array([part for part, _ in some])))

    def margin_before(self) -> Array:
        """Return what is earned in any case in every draw, shape (draws,) [currency]."""
        return np.zeros(self.draws) + self.before.margin

    def freight(self, columns: Sequence[Column], parts: Array | None = None) -> float:
        """Return the freight [currency] of columns; of parts of columns, as the linear program counts it."""
        return float(sum(box.freight * number for box, number in self.boxes(columns, parts).items()))

    def boxes(self, columns: Sequence[Column], parts: Array | None = None) -> Mapping[Box, float]:
        """Return how many boxes with a freight are sent; of parts of columns, as the linear program counts them."""
        if parts is None:
            every = bill(shipment for column in columns for shipment in column.shipments)
            return every.boxes
        shared: dict[Box, float] = {}
        alone: dict[tuple[int, Box], float] = {}
        for part, column in zip(parts, columns, strict=True):
            for box, plants in column.boxes.items():
                shared[box] = shared.get(box, 0.0) + part * box.parts(plants)
                key = column.item, box
                alone[key] = alone.get(key, 0.0) + part * box.whole(plants)
        return {box: max(boxes, *(n for (_, b), n in alone.items() if b == box)) for box, boxes in shared.items()}

    def worth(self, columns: Sequence[Column]) -> float:
        """Return the expected margin of columns, and what those served would have cost if short [currency]."""
        return float(sum(one.worth.mean() for one in columns)) - self.freight(columns)

    def paid(self, columns: Sequence[Column]) -> float:
        """Return what labs and carriers are paid for columns [currency]."""
        return sum(one.paid for one in columns) + self.freight(columns)

    def cost(self, columns: Sequence[Column]) -> float:
        """Return the expected cost of columns, freight included [currency]."""
        return sum(one.cost for one in columns) + self.freight(columns)

    def worst_tenth(self, columns: Sequence[Column]) -> float:
        """Return the mean margin of columns in the worst tenth of draws [currency]."""
        margin = self.margin(columns)
        return float(worst_seasons(margin) @ margin)

    def fits(self, columns: Sequence[Column], *, floor: bool = True) -> bool:
        """Return whether columns keep all limits, that of the worst tenth if asked for."""
        within = self.paid(columns) <= self.budget * (1 + EXACT)
        area = self.fullest(self.area(columns))
        within &= bool((area <= self.benches + EXACT * np.maximum(self.benches, 1)).all())
        within &= bool((self.overdrawn(columns) <= _CENT).all())
        if floor and self.floor is not None:
            within &= self.worst_tenth(columns) >= self.floor - EXACT * max(abs(self.floor), 1)
        return within
