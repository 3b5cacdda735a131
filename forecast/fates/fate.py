"""What is known of batches in every draw: protocols that all kinds of fates and of draws satisfy."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Protocol, Self

import numpy as np
from numpy.typing import NDArray

from forecast.season.orders import Delivery, OnHand
from forecast.season.season import Season
from forecast.streams import Array, Streams
from forecast.weeks import Week

Counts = NDArray[np.int32]


@dataclass(frozen=True)
class Batch:
    """Plants ordered of one variety that come together on a Monday, in its first delivery or a later one.

    `lines` are the price lists that they are ordered from, each with its plants; empty if orders do not name them. Or
    plants that are `there` when the season begins, in one stage: then the week is its first, and the number 0.
    """

    variety: str
    number: int
    week: Week
    quantity: int
    lab: str | None = None
    lines: tuple[tuple[Any, int], ...] = field(default=(), compare=False)
    there: OnHand | None = None

    @property
    def luck(self) -> str:
        """What tells its luck from that of other batches of its variety, as streams name it."""
        return str(self.number) if self.there is None else f"there, {self.there.stage}, {self.there.since}"

    @property
    def delivery(self) -> Delivery:
        """The batch as a row of the season's orders."""
        return Delivery(variety=self.variety, week=self.week, quantity=self.quantity, lab=self.lab)


class Fate(Protocol):
    """What one batch meets in every draw: all that other rooms ask of it.

    Times are weeks since delivery, shape (weeks,) and negative before it; shares are of the plants delivered.
    """

    @property
    def stages(self) -> int:
        """Number of stages of the route."""

    @property
    def last(self) -> int:
        """Weeks since delivery that can be asked for: any, if not the weather of some stage ends."""
        return 10**6

    @property
    def survival(self) -> Array:
        """Share of plants that survive all stages, shape (draws,)."""

    @property
    def reached(self) -> Array:
        """Share of plants that live to enter each stage, and to leave the last, shape (stages + 1, draws)."""

    def take(self, draws: slice) -> Self:
        """Return the same for some of the draws."""

    def past(self, stages: int, elapsed: Array) -> Array:
        """Return the share of plants, losses apart, that have left the first `stages` stages, shape (weeks, draws)."""

    def course(self, elapsed: Array) -> tuple[Array, Array]:
        """Return the share of plants alive in each stage, shape (stages, weeks, draws), and that of plants through all.

        Times ascend; the second array has the shape (weeks, draws).
        """

    def boundaries(self, elapsed: Array) -> list[Array]:
        """Return `past` for the first 0, 1, 2, ... all stages."""
        return [self.past(stages, elapsed) for stages in range(self.stages + 1)]

    def ready(self, elapsed: Array) -> Array:
        """Return the share of plants that have come through all stages, shape (weeks, draws)."""
        return self.survival * self.past(self.stages, elapsed)

    def saleable(self, elapsed: Array, saleable_weeks: int | None) -> Array:
        """Return the share of plants that are ready and not past their sale window, shape (weeks, draws).

        A plant keeps its grade for `saleable_weeks`; for the whole season if that is None.
        """
        if saleable_weeks is None:
            return self.ready(elapsed)
        ready, past = np.split(self.ready(np.concatenate([elapsed, elapsed - saleable_weeks])), 2)
        return np.asarray(ready - past)


@dataclass(frozen=True, eq=False)
class RouteFate(Fate):
    """What a batch meets that goes through all stages of its route.

    `log_survival` is the log of the share surviving each stage, of those that enter it, and `weeks` what a plant of
    median vigour needs in it [weeks, or °C days], both of shape (stages, draws); `log_sd` is the standard deviation of
    the log of a plant's time in each stage, shape (stages,).
    """

    log_survival: Array
    weeks: Array
    log_sd: Array

    def __post_init__(self) -> None:
        for array in (self.log_survival, self.weeks, self.log_sd):
            array.flags.writeable = False

    @property
    def stages(self) -> int:
        """Number of stages of the route."""
        return len(self.log_sd)

    def take(self, draws: slice) -> Self:
        """Return the same for some of the draws."""
        return replace(self, log_survival=self.log_survival[:, draws], weeks=self.weeks[:, draws])

    @abstractmethod
    def course(self, elapsed: Array, gone: Array | None = None) -> tuple[Array, Array]:
        """Return what `Fate.course` does, if a share `gone` of the plants, the quickest, count as past all stages."""

    @abstractmethod
    def median_week(self) -> Array:
        """Return the week since delivery by which a plant of median vigour is through, shape (draws,)."""

    @cached_property
    def survival(self) -> Array:
        """Share of plants that survive all stages, shape (draws,)."""
        return np.asarray(np.exp(self.log_survival.sum(axis=0)))

    @cached_property
    def reached(self) -> Array:
        """Share of plants that live to enter each stage, and to leave the last, shape (stages + 1, draws)."""
        start = np.zeros((1, self.weeks.shape[1]))
        return np.asarray(np.exp(np.cumsum(np.concatenate([start, self.log_survival]), axis=0)))

    @cached_property
    def timed(self) -> tuple[int, ...]:
        """Stages that take time in some draw."""
        return tuple(k for k in range(self.stages) if self.weeks[k].any())


class Draws(Protocol):
    """What comes of a season's deliveries in every draw: all that an outcome asks for.

    `KeptDraws` keep what each batch meets; `BlockDraws` draw it again when it is asked for.
    """

    season: Season
    batches: tuple[Batch, ...]
    streams: Streams

    def batches_of(self, variety: str) -> Sequence[Batch]:
        """Return the deliveries of a variety of the season."""

    def fate(self, batch: Batch) -> Fate:
        """Return what one of the batches meets."""

    def ready(self, variety: str) -> Counts:
        """Return the number that have become saleable by each week in one history a draw, shape (weeks, draws)."""

    def ranges(self, variety: str, *, sold: bool) -> NDArray[np.int64]:
        """Return the 5th percentile, median and 95th of the number saleable by week, shape (3, weeks).

        That is if nothing is sold, or, `sold`, on hand before each week's sale.
        """

    def targets(self, variety: str) -> Sequence[tuple[Any, ...]]:
        """Return the rows of `Outcome.targets` for a variety."""

    def log_met(self) -> Array:
        """Return the logarithm of the chance that all targets of the season are met, shape (draws,)."""

    def area(self) -> tuple[Array, Array]:
        """Return the expected area [m²] and its variance [m⁴] by place, shapes (places, weeks, draws)."""
