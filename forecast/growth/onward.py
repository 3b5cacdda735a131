"""Where plants go from here: those of a batch that stood in one stage on a day, given that they did."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from forecast.growth.stages import Array, Fate
from forecast.growth.thermal import WarmFate

_OVERDUE = 1e-3  # if fewer of its plants than this should still be there, a cohort is overdue
_NOBODY = 1e-9  # a smaller share of a cohort is in no stage


@dataclass(frozen=True, eq=False)
class Onward(Fate):
    """What plants meet that entered a stage together and still stood in it when they were last looked at.

    Parameters
    ----------
    log_survival, weeks, spread
        Of the whole route, as for `Fate`; of the stages before theirs nothing is left to meet.
    inner
        What plants that entered with them meet from that stage on.
    first
        Number of the stage in the route.
    entered
        Weeks from their entry to the Monday from which time is counted; negative if that came first.
    seen
        Weeks from their entry to the last look.
    overdue
        What they meet from the next stage on if they are overdue: if hardly any should still be there, all leave
        at the last look.

    Notes
    -----
    Of plants that entered, a share Phi(v_k(t)) has left k stages by t, losses apart. Those still in their first
    stage at the last look c have a vigour above v_1(c), and a share (1 - Phi(v_1(c))) K of them was alive, K the
    mean of survival^(part of the stage done). So of those seen, through all stages by t are

        S max(Phi(v_n(t)) - Phi(v_1(c)), 0) / ((1 - Phi(v_1(c))) K),    S the survival of all stages.

    This is exact given the draw. Vigour is taken anew where plants enter the stage: that those moved on first may be
    the quick ones is not counted on. Of plants further on than their first stage, the share kept is that of all who
    entered with them. Warmth is told by Mondays: plants that enter a stage within a week meet from then on what those
    met that entered on its Monday.
    """

    inner: Fate
    first: int
    entered: float
    seen: float
    overdue: Fate

    def of(self, draws: slice) -> Onward:
        """Give the same for some of the draws."""
        parts = self.log_survival[:, draws], self.weeks[:, draws], self.spread
        return Onward(*parts, self.inner.of(draws), self.first, self.entered, self.seen, self.overdue.of(draws))

    @cached_property
    def survival(self) -> Array:
        """Share of the plants seen that survive all that is left to them, shape (draws,)."""
        alive = self.inner.survival * (1 - self._gone) / self._alive
        return np.where(self._late, self.overdue.survival, np.minimum(alive, 1))

    @cached_property
    def reached(self) -> Array:
        """Share of the plants seen that live to enter each stage, and to leave the last; 1 where they have been."""
        here = np.exp(self.inner.log_survival[0]) * (1 - self._gone) / self._alive
        parts = np.exp(self.inner.log_survival)
        parts[0] = np.where(self._late, 1.0, np.minimum(here, 1))
        return np.concatenate([np.ones((self.first + 1, self._draws)), np.cumprod(parts, axis=0)])

    @cached_property
    def _gone(self) -> Array:
        """Share, losses apart, that has left their stage by the last look, of those that entered with them."""
        return np.asarray(self.inner.past(1, np.array([self.seen]))[0]) if self.seen > 0 else np.zeros(self._draws)

    @property
    def _draws(self) -> int:
        return int(self.weeks.shape[1])

    @cached_property
    def _late(self) -> Array:
        return np.asarray(self._gone > 1 - _OVERDUE)

    @cached_property
    def _alive(self) -> Array:
        """Share of those that entered with them that was alive in their stage at the last look."""
        if self.seen <= 0:
            return np.ones(self._draws)
        alive = self._stood(np.array([self.seen]))[0, 0]
        return np.where(self._late, 1.0, np.maximum(alive, 1e-12))

    def _stood(self, since: Array) -> Array:
        """Share of those that entered with them that is alive in each stage from theirs on, by weeks since then."""
        if not isinstance(self.inner, WarmFate):
            return self.inner.course(since)[0]
        below, above = (self.inner.course(end)[0] for end in (np.floor(since), np.ceil(since)))
        return np.asarray(below + (since - np.floor(since))[:, None] * (above - below))

    def past(self, stages: int, elapsed: Array) -> Array:
        """Give the share of the plants seen, losses apart, that have left the first `stages` stages of the route.

        The stages before theirs they have always left.
        """
        elapsed = np.asarray(elapsed, dtype=np.float64)
        if stages <= self.first:
            return np.ones((elapsed.size, self._draws))
        there = (elapsed >= 0)[:, None]
        gone = self.inner.past(stages - self.first, elapsed + self.entered)
        share = np.maximum(gone - self._gone, 0) / np.maximum(1 - self._gone, _OVERDUE)
        late = self.overdue.past(stages - self.first - 1, elapsed) if self._late.any() else 0.0
        return np.where(there, np.where(self._late, late, share), 0.0)

    def boundaries(self, elapsed: Array) -> list[Array]:
        """Give `past` for the first 0, 1, 2, ... all stages."""
        return [self.past(stages, elapsed) for stages in range(len(self.spread) + 1)]

    def course(self, elapsed: Array) -> tuple[Array, Array]:
        """Give the share of plants alive in each stage, and of those through all, as for `Fate`."""
        elapsed = np.asarray(elapsed, dtype=np.float64)
        there = (elapsed >= 0)[:, None]
        standing = np.zeros((len(self.spread), elapsed.size, self._draws))
        since = np.maximum(elapsed + self.entered, self.seen)
        inner = self._stood(since)
        late = self.overdue.course(np.maximum(elapsed, 0))[0] if self._late.any() else None
        before = np.ones((elapsed.size, self._draws))
        for k in range(len(inner)):
            left = self.inner.past(k + 1, since)
            share = before - left
            kept = np.where(share > _NOBODY, inner[k] / np.maximum(share, _NOBODY), 0)
            here = np.maximum(before - np.maximum(left, self._gone), 0) * kept / self._alive
            if late is not None:
                here = np.where(self._late, late[k - 1] if k else 0.0, here)
            standing[self.first + k] = np.where(there, here, 0.0)
            before = left
        return standing, self.ready(elapsed)


@dataclass(frozen=True, eq=False)
class Saleable(Fate):
    """What plants meet that are saleable already: nothing more; their stages lie behind them."""

    @classmethod
    def through(cls, stages: int, draws: int) -> Saleable:
        """Give this for a route of so many stages, and so many draws."""
        return cls(np.zeros((stages, draws)), np.zeros((stages, draws)), np.zeros(stages))

    def of(self, draws: slice) -> Saleable:
        """Give the same for some of the draws."""
        return Saleable(self.log_survival[:, draws], self.weeks[:, draws], self.spread)

    def past(self, stages: int, elapsed: Array) -> Array:
        """Give the share that has left the first `stages` stages: all, and the last from their first Monday on."""
        last = stages == len(self.spread)
        share = (np.asarray(elapsed) >= 0).astype(np.float64) if last else np.ones(np.size(elapsed))
        return np.repeat(share[:, None], self.weeks.shape[1], axis=1)

    def course(self, elapsed: Array) -> tuple[Array, Array]:
        """Give the share of plants alive in each stage, none, and of those through all, as for `Fate`."""
        return np.zeros((len(self.spread), np.size(elapsed), self.weeks.shape[1])), self.ready(elapsed)
