"""The limits of a plan, and what bundles of deliveries take of them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from forecast.ordering.shipments import Box, Shipment, bill
from forecast.planning.columns import Way, filled
from forecast.resources.money_flow import worst_seasons
from forecast.season.season import Season
from forecast.streams import Array

EXACT = 1e-6  # of a limit, by which it may be missed
FULLEST = 0.1  # share of draws in which the benches are fullest, and in which seasons are worst


@dataclass(frozen=True, eq=False)
class Bundle:
    """The deliveries of one item (a variety, or a row that is wanted) that a plan could hold together.

    Parameters
    ----------
    item
        Number of the item.
    plants
        How many of each delivery [plants].
    margin
        What they earn without freight, expected given the draw, shape (draws,) [currency].
    cost
        What they are expected to cost, without freight [currency].
    """

    item: int
    plants: Mapping[Way, int]
    margin: Array
    cost: float

    @property
    def key(self) -> tuple[object, ...]:
        """What tells it from others."""
        return self.item, *self.plants.items()

    @cached_property
    def shipments(self) -> tuple[Shipment, ...]:
        """What is ordered of it."""
        return tuple(way.shipment(quantity) for way, quantity in self.plants.items())

    def area(self) -> Array:
        """Return the area they stand on by place and week, shape (places * weeks, draws) [m²]."""
        return np.asarray(sum(quantity * way.area.astype(np.float64) for way, quantity in self.plants.items()))

    @cached_property
    def boxes(self) -> dict[Box, float]:
        """The boxes with a freight that they fill, whole and parts."""
        return filled(self.shipments)


@dataclass(eq=False)
class Limits:
    """Budget, benches and bad years.

    Parameters
    ----------
    season
        The season: its budget and benches are the limits.
    draws
        How many draws there are.
    floor
        Least mean margin of the worst seasons [currency], if any.
    """

    season: Season
    draws: int
    floor: float | None = None

    def __post_init__(self) -> None:
        season = self.season
        weeks = [season.first_week + i for i in range(season.weeks)]
        self.benches = np.array([season.bench(place, week) for place in season.place_names for week in weeks])
        self.budget = math.inf if season.budget is None else season.budget

    def area(self, bundles: Sequence[Bundle], parts: Array | None = None) -> Array:
        """Return the area that bundles, or parts of them, stand on, shape (places * weeks, draws) [m²]."""
        parts = np.ones(len(bundles)) if parts is None else parts
        some = [(part, one) for part, one in zip(parts, bundles, strict=True) if part > 1e-9]
        plants: dict[Way, float] = {}
        for part, bundle in some:
            for way, quantity in bundle.plants.items():
                plants[way] = plants.get(way, 0.0) + part * quantity
        found = np.zeros((len(self.benches), 1))
        for way, number in plants.items():
            found = found + number * way.area
        return np.asarray(found, dtype=np.float64)

    def fullest(self, area: Array) -> Array:
        """Return the mean area in the draws in which each place and week is fullest, shape (places * weeks,) [m²]."""
        kept = max(round(FULLEST * area.shape[1]), 1)
        return np.asarray(np.partition(area, area.shape[1] - kept, axis=1)[:, -kept:].mean(axis=1))

    def margin(self, bundles: Sequence[Bundle], parts: Array | None = None) -> Array:
        """Return the margin of bundles in every draw, freight included [currency]; of parts, as if boxes could be."""
        if parts is None:
            return np.asarray(sum((one.margin for one in bundles), np.zeros(self.draws)) - self.freight(bundles))
        some = [(part, one) for part, one in zip(parts, bundles, strict=True) if part > 1e-9]
        total = np.zeros(self.draws)
        for part, bundle in some:
            total += part * bundle.margin
        return np.asarray(total - self.freight([one for _, one in some], np.array([part for part, _ in some])))

    def freight(self, bundles: Sequence[Bundle], parts: Array | None = None) -> float:
        """Return the freight [currency] of bundles; of parts of them as the program counts it."""
        if parts is None:
            return bill(shipment for bundle in bundles for shipment in bundle.shipments).freight
        shared: dict[Box, float] = {}
        alone: dict[tuple[int, Box], float] = {}
        for part, bundle in zip(parts, bundles, strict=True):
            for box, boxes in bundle.boxes.items():
                shared[box] = shared.get(box, 0.0) + part * boxes
                key = bundle.item, box
                alone[key] = alone.get(key, 0.0) + part * math.ceil(boxes - 1e-9)
        least = {box: max(boxes, *(n for (_, b), n in alone.items() if b == box)) for box, boxes in shared.items()}
        return float(sum(box.freight * boxes for box, boxes in least.items()))

    def cost(self, bundles: Sequence[Bundle]) -> float:
        """Return the expected cost of bundles, freight included [currency]."""
        return sum(one.cost for one in bundles) + self.freight(bundles)

    def worst_tenth(self, bundles: Sequence[Bundle]) -> float:
        """Return the mean margin of bundles in the worst tenth of draws [currency]."""
        margin = self.margin(bundles)
        return float(worst_seasons(margin, FULLEST) @ margin)

    def fits(self, bundles: Sequence[Bundle]) -> bool:
        """Say whether bundles keep all limits."""
        within = self.cost(bundles) <= self.budget * (1 + EXACT)
        area = self.fullest(self.area(bundles))
        within &= bool((area <= self.benches + EXACT * np.maximum(self.benches, 1)).all())
        if self.floor is not None:
            within &= self.worst_tenth(bundles) >= self.floor - EXACT * max(abs(self.floor), 1)
        return within
