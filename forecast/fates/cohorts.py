"""What plants meet from here on: those of a batch that were still in one stage at the last count."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from forecast.fates.fate import Fate, RouteFate
from forecast.fates.stage_occupancy import TimedFate
from forecast.fates.thermal_occupancy import WarmFate
from forecast.streams import Array

_OVERDUE = 1e-3  # if fewer of its plants than this should still be there, a cohort is overdue
_NOBODY = 1e-9  # a smaller share of a cohort is in no stage


@dataclass(frozen=True, eq=False)
class CohortFate(Fate):
    """What plants meet that entered a stage together and were still in it at their last count.

    `inner` is what they meet from that stage on, the `first` of theirs in the route; for each stage of the route it has
    `parts`: 2 if plants wait once they are ready (see `with_waits`). Of the weeks from their entry, `entered` lead to
    the Monday from which time is counted (negative if that came first), and `counted` to the last count. If hardly any
    should still be there, they are `overdue`: all leave at the last count, and meet that by the stages of the whole
    route.

    Notes
    -----
    Of plants that entered, a share Phi(v_k(t)) has left k stages by t, losses apart. Those still in their first
    stage at the last count c have a vigour above v_1(c), and a share (1 - Phi(v_1(c))) K of them was alive, K the
    mean of survival^(part of the stage done). So of those counted, through all stages by t are

        S max(Phi(v_n(t)) - Phi(v_1(c)), 0) / ((1 - Phi(v_1(c))) K),    S the survival of all stages.

    This is exact given the draw. Vigour is drawn anew where plants enter the stage: those transferred first need not be
    the quick ones. Thermal time is known on Mondays: plants that enter a stage within a week meet from then on what
    those met that entered on its Monday.
    """

    inner: RouteFate
    first: int
    entered: float
    counted: float
    overdue: Fate
    parts: int = 1

    def take(self, draws: slice) -> CohortFate:
        """Return the same for some of the draws."""
        where = self.first, self.entered, self.counted
        return CohortFate(self.inner.take(draws), *where, self.overdue.take(draws), self.parts)

    @property
    def stages(self) -> int:
        """Number of stages of the route."""
        return self.overdue.stages

    @cached_property
    def survival(self) -> Array:
        """Share of the plants counted that survive all that is left to them, shape (draws,)."""
        alive = self.inner.survival * (1 - self._gone) / self._alive
        return np.where(self._late, self.overdue.survival, np.minimum(alive, 1))

    @cached_property
    def reached(self) -> Array:
        """Share of the plants counted that live to enter each stage, and to leave the last; 1 where they have been."""
        parts = np.exp(self.inner.log_survival)
        parts[0] = np.minimum(parts[0] * (1 - self._gone) / self._alive, 1)
        lived = np.cumprod(parts, axis=0)[self.parts - 1 :: self.parts]
        found = np.concatenate([np.ones((self.first + 1, self._draws)), lived])
        return np.where(self._late, self.overdue.reached, found)

    @cached_property
    def _gone(self) -> Array:
        """Share, losses apart, that has left their stage by the last count, of those that entered with them."""
        return (
            np.asarray(self.inner.past(1, np.array([self.counted]))[0]) if self.counted > 0 else np.zeros(self._draws)
        )

    @property
    def _draws(self) -> int:
        return int(self.inner.weeks.shape[1])

    @cached_property
    def _late(self) -> Array:
        return np.asarray(self._gone > 1 - _OVERDUE)

    @cached_property
    def _alive(self) -> Array:
        """Share of those that entered with them that was alive in their stage at the last count."""
        if self.counted <= 0:
            return np.ones(self._draws)
        return np.asarray(np.maximum(self._standing(np.array([self.counted]))[0, 0], 1e-12))

    def _standing(self, since: Array) -> Array:
        """Share of those that entered with them that is slow enough and alive in each stage, by weeks since then."""
        inner, gone = self.inner, self._gone if self.counted > 0 else None
        if not isinstance(inner, WarmFate):
            return inner.course(since, gone)[0]
        part = (since - np.floor(since))[:, None]  # thermal time is known on Mondays: what is kept is taken from those
        ends = (np.floor(since), 1 - part), (np.ceil(since), part)
        standing = np.asarray(sum(weight * inner.course(week, gone)[0] for week, weight in ends))
        above, after = np.ones(part.shape), np.ones(part.shape)
        for k in range(len(standing)):
            lefts = (weight * np.maximum(self.inner.past(k + 1, week), self._gone) for week, weight in ends)
            below = np.asarray(sum(lefts))
            left = np.maximum(self.inner.past(k + 1, since), self._gone)
            share = above - below
            kept = standing[k] / np.maximum(share, _NOBODY)
            standing[k], above, after = np.maximum(after - left, 0) * kept, below, left
        return standing

    def past(self, stages: int, elapsed: Array) -> Array:
        """Return the share of the plants counted, losses apart, that have left the first `stages` stages of the route.

        The stages before theirs they have always left.
        """
        elapsed = np.asarray(elapsed, dtype=np.float64)
        if stages <= self.first:
            return np.ones((elapsed.size, self._draws))
        there = (elapsed >= 0)[:, None]
        gone = self.inner.past(self.parts * (stages - self.first), elapsed + self.entered)
        share = np.maximum(gone - self._gone, 0) / np.maximum(1 - self._gone, _OVERDUE)
        late = self.overdue.past(stages, elapsed) if self._late.any() else 0.0
        return np.where(there, np.where(self._late, late, share), 0.0)

    def course(self, elapsed: Array) -> tuple[Array, Array]:
        """Return the share of plants alive in each stage, and of those through all, as for `Fate`."""
        elapsed = np.asarray(elapsed, dtype=np.float64)
        begun = (elapsed >= 0)[:, None]
        standing = np.zeros((self.stages, elapsed.size, self._draws))
        since = np.maximum(elapsed + self.entered, self.counted)
        late = self.overdue.course(np.maximum(elapsed, 0))[0] if self._late.any() else None
        for k, there in enumerate(self._standing(since)):
            standing[self.first + k // self.parts] += there / self._alive
        if late is not None:
            standing = np.where(self._late, late, standing)
        standing *= begun
        return standing, self.ready(elapsed)


def cohort_fate(
    inner: RouteFate, first: int, entered: float, counted: float, overdue: Fate, waits: Array | None = None
) -> CohortFate:
    """Return what plants meet that entered a stage together; see `CohortFate`, where `inner` has no stages for waiting.

    `waits` are the weeks for which plants wait after each stage of the route, shape (stages, draws), if they do.
    """
    if waits is None:
        return CohortFate(inner, first, entered, counted, overdue)
    return CohortFate(with_waits(inner, waits[first:]), first, entered, counted, overdue, 2)


def with_waits(fate: RouteFate, weeks: Array) -> RouteFate:
    """Return a fate with two stages for each: until plants are ready, and until they are transferred, without loss.

    They wait for some weeks after each stage that takes time, shape (stages, draws).
    """
    timed = np.asarray(fate.weeks.any(axis=1))
    some = np.where(timed[:, None], weeks, 0.0)
    both = ((fate.log_survival, np.zeros_like(some)), (fate.weeks, some))
    log_survival, takes = (np.stack(pair, axis=1).reshape(2 * len(some), -1) for pair in both)
    own = log_survival, takes, np.stack([fate.log_sd, np.zeros(len(some))], axis=1).ravel()
    if isinstance(fate, WarmFate):
        clocks = tuple(clock for one in fate.clocks for clock in (one, None))
        return WarmFate(*own, clocks, fate.start)
    return TimedFate(*own)


@dataclass(frozen=True, eq=False)
class SaleableFate(Fate):
    """What plants meet that are saleable already: no more stages and no more losses."""

    route: int  # number of its stages
    draws: int
    age: int = 0  # weeks for which they have been saleable when they are first counted

    @property
    def stages(self) -> int:
        """Number of stages of the route."""
        return self.route

    @property
    def survival(self) -> Array:
        """Share of plants that survive: all, shape (draws,)."""
        return np.ones(self.draws)

    @property
    def reached(self) -> Array:
        """Share of plants that live to enter each stage: all, shape (stages + 1, draws)."""
        return np.ones((self.stages + 1, self.draws))

    def take(self, draws: slice) -> SaleableFate:
        """Return the same for some of the draws."""
        return SaleableFate(self.stages, len(range(self.draws)[draws]), self.age)

    def saleable(self, elapsed: Array, saleable_weeks: int | None) -> Array:
        """Return the share of plants that are not past their sale window, shape (weeks, draws), as for `Fate`."""
        return super().saleable(elapsed, None if saleable_weeks is None else max(saleable_weeks - self.age, 0))

    def past(self, stages: int, elapsed: Array) -> Array:
        """Return the share that has left the first `stages` stages: all, and the last from their first Monday on."""
        last = stages == self.stages
        share = (np.asarray(elapsed) >= 0).astype(np.float64) if last else np.ones(np.size(elapsed))
        return np.repeat(share[:, None], self.draws, axis=1)

    def course(self, elapsed: Array) -> tuple[Array, Array]:
        """Return the share of plants alive in each stage, none, and of those through all, as for `Fate`."""
        return np.zeros((self.stages, np.size(elapsed), self.draws)), self.ready(elapsed)
