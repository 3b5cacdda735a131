"""Where the plants of a batch are, week by week, in every draw.

Given a draw, the plants of a batch differ only by their vigour, a standard normal score that
lengthens or shortens all their stages, and by chance. So the share of them in each stage follows from
the normal distribution and needs no plant to be simulated.

Stages run on weeks here; `forecast.fates.thermal_occupancy` has those that run on warmth.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from forecast.fates.fate import RouteFate
from forecast.streams import Array

Cells = NDArray[np.intp]

SLOWEST = 5.0  # a vigour beyond +-5, that of one plant in three million, counts as +-5
_FEW = 1e-7  # a smaller share of a batch is not looked for in a stage
_STEPS = 1 << 14  # of the table of the normal distribution
_DEGREE = 3
NODES = ((0.5 - 0.15**0.5, 5 / 18), (0.5, 8 / 18), (0.5 + 0.15**0.5, 5 / 18))  # three-point Gauss-Legendre on 0 to 1


@dataclass(frozen=True, eq=False)
class TimedFate(RouteFate):
    """What one batch meets in every draw if all its stages run on weeks; its fields are those of `RouteFate`.

    Notes
    -----
    A plant of vigour score v leaves stage k at C_k(v) = sum over j <= k of weeks_j exp(log_sd_j v),
    and given the draw the share of plants past stage k by time t is Phi(v_k(t)), C_k(v_k(t)) = t.
    Losses fall evenly along the clock of a stage: half through it, a plant has met half its hazard.
    """

    @cached_property
    def _pace(self) -> float | None:
        """The spread that all stages share, so that a plant lives by a clock of its own; None if they differ."""
        spreads = {float(self.log_sd[k]) for k in self.timed}
        return None if len(spreads) > 1 else max(spreads, default=0.0)

    @cached_property
    def _begun(self) -> Array:
        """Time at which a plant of median vigour has left the first 0, 1, 2, ... stages."""
        return np.concatenate([np.zeros((1, self.weeks.shape[1])), np.cumsum(self.weeks, axis=0)])

    def until(self, stages: int, vigour: float | Array, draw: Cells | None = None) -> Array:
        """Return the time [weeks] at which plants have left the first `stages` stages, in all draws or some.

        The vigour is a score for all plants, or one for each of `draw`.
        """
        timed = [k for k in self.timed if k < stages]
        every: Cells | slice = slice(None) if draw is None else draw
        if len({self.log_sd[k] for k in timed}) == 1:  # one pace for all stages
            return np.asarray(self._begun[stages][every] * np.exp(self.log_sd[timed[0]] * vigour))
        time = np.zeros(self.weeks.shape[1])[every]
        for k in timed:
            time += self.weeks[k][every] * np.exp(self.log_sd[k] * vigour)
        return time

    def past(self, stages: int, elapsed: Array) -> Array:
        """Return the share of plants, losses apart, that have left the first `stages` stages, as for `Fate`."""
        elapsed = np.asarray(elapsed, dtype=np.float64)
        if self._pace is None:
            return self._solved(stages, elapsed)
        order = np.argsort(elapsed, kind="stable")
        weeks, share = self._moments(stages, elapsed[order], 0)
        past = np.zeros((elapsed.size, share.shape[-1]))
        past[order[weeks]], past[order[weeks.stop :]] = share[0], 1
        return past

    def _solved(self, stages: int, elapsed: Array) -> Array:
        """Return `past` without a table, whatever the spreads of the stages."""
        time = elapsed[:, None]
        first, last = self.until(stages, -SLOWEST), self.until(stages, SLOWEST)
        share = (time >= last).astype(np.float64)
        week, draw, cell = cells((time > first) & (time < last))
        if cell.size:
            share.ravel()[cell] = ndtr(self._vigour(stages, time.ravel()[week], draw))
        return share

    def median_week(self) -> Array:
        """Return the week since delivery by which a plant of median vigour is through, shape (draws,)."""
        return np.asarray(self.until(self.stages, 0.0))

    def _vigour(self, stages: int, time: Array, draw: Cells) -> Array:
        """Solve C(v) = t for v; log C is convex and increasing in v, so Newton's method finds it."""
        timed = [k for k in self.timed if k < stages]
        spread = self.log_sd[timed]
        if np.ptp(spread) == 0:
            return np.asarray(np.log(time / self._begun[stages][draw]) / spread[0])
        weeks = self.weeks[timed].take(draw, axis=1)
        target = np.log(time)
        total = weeks.sum(axis=0)  # the first step, from a vigour of 0
        vigour: Array = np.clip(
            (target - np.log(total)) * total / (spread[:, None] * weeks).sum(axis=0), -SLOWEST, SLOWEST
        )
        open_ = np.arange(time.size)  # each cell stops by itself, so that no draw depends on the others
        for _ in range(60):
            parts = weeks[:, open_] * np.exp(spread[:, None] * vigour[open_])
            total = parts.sum(axis=0)
            slope = (spread[:, None] * parts).sum(axis=0)
            step = (target[open_] - np.log(total)) * total / np.maximum(slope, 1e-9 * total)
            stepped = np.clip(vigour[open_] + step, -SLOWEST, SLOWEST)
            moved = np.abs(stepped - vigour[open_]) >= 1e-5  # the step after a smaller one is below 1e-10
            vigour[open_] = stepped
            open_ = open_[moved]
            if not open_.size:
                break
        return vigour

    def course(self, elapsed: Array, gone: Array | None = None) -> tuple[Array, Array]:
        """Return the share of plants alive in each stage, and that of plants through all of them, as for `RouteFate`.

        Notes
        -----
        The mean of survival^(part of the stage done) over the plants in a stage is taken from a cubic through
        it where all stages share a spread, else by three-point Gauss-Legendre quadrature over the vigour; all
        else is exact.
        """
        elapsed = np.asarray(elapsed, dtype=np.float64)
        last = float(self.until(self.stages, SLOWEST).max())
        standing = np.zeros((self.stages, elapsed.size, self.weeks.shape[1]))
        growing = slice(*np.searchsorted(elapsed, [0, np.nextafter(last, np.inf)]))
        if self._pace and gone is None:
            self._growing_alike(elapsed[growing], standing[:, growing])
        else:
            self._growing(elapsed[growing], standing[:, growing], 0.0 if gone is None else gone)
        return standing, self.ready(elapsed)

    def _growing_alike(self, elapsed: Array, standing: Array) -> None:
        """Find who is where if all stages share a spread: then a plant lives by a clock of its own.

        On the clock tau = t exp(-spread v) of a plant, stage k lasts from begun_(k-1) to begun_k for all plants.
        The share kept, survival^f, is a cubic in f = (tau - begun) / weeks, and the moments of tau between
        two boundaries are those of a lognormal distribution: E[tau^n; v > u] = t^n exp(n^2 s^2 / 2) Phi(-u - n s).
        """
        begin, gone = 0, np.zeros((_DEGREE + 1, 0, self.weeks.shape[1]))  # all are past no stage at all
        for k in self.timed:
            entry, entered = begin, gone
            weeks, gone = self._moments(k + 1, elapsed, _DEGREE)
            begin = weeks.start  # the week in which plants begin to leave
            here, time = standing[k, entry : weeks.stop], elapsed[entry : weeks.stop, None]
            kept = self._kept_by_clock(k) * np.exp(self.log_survival[:k].sum(axis=0))
            part = np.empty_like(here)
            for n in range(_DEGREE, -1, -1):  # Horner's rule
                part[: entered.shape[1]] = entered[n]
                part[entered.shape[1] :] = 1
                part[begin - entry :] -= gone[n]
                part *= kept[n] * np.exp(n**2 * (self._pace or 0) ** 2 / 2)
                here *= time
                here += part
            np.maximum(here, 0, out=here)

    def _moments(self, stages: int, elapsed: Array, highest: int) -> tuple[slice, Array]:
        """Return Phi(v + n spread), n = 0 to `highest`, v the vigour that just leaves the first stages in time.

        Times ascend. Only for the weeks in which draws differ: earlier it is 0, later 1.
        """
        begun, spread = self._begun[stages], self._pace or 0.0
        first, last = begun * np.exp(-SLOWEST * spread), begun * np.exp(SLOWEST * spread)
        end = int(np.searchsorted(elapsed, last.max()))
        weeks = slice(min(int(np.searchsorted(elapsed, first.min(), side="right")), end), end)
        time = elapsed[weeks, None]
        over = time >= last
        found = np.empty((highest + 1, *over.shape))
        found[:] = over
        week, draw, cell = cells((time > first) & ~over)
        if cell.size:
            vigour = (np.log(time[:, 0])[week] - np.log(begun)[draw]) / spread
            for moment, value in zip(found, _chances(vigour, spread, highest), strict=True):
                moment.ravel()[cell] = value
        return weeks, found

    def _kept_by_clock(self, k: int) -> Array:
        """Return the coefficients in tau of the cubic that is survival^f at four Chebyshev points of a stage."""
        points = 0.5 - 0.5 * np.cos(np.pi * (np.arange(_DEGREE + 1) + 0.5) / (_DEGREE + 1))
        kept: Array = np.exp(points[:, None] * self.log_survival[k])
        in_part: Array = (np.linalg.inv(np.vander(points, increasing=True))[:, :, None] * kept).sum(axis=1)
        step, start = 1 / self.weeks[k], -self._begun[k] / self.weeks[k]  # f = step tau + start
        in_clock: Array = np.zeros(in_part.shape)
        for row in in_part[::-1]:  # Horner's rule, with a polynomial for its argument
            in_clock[1:] = start * in_clock[1:] + step * in_clock[:-1]
            in_clock[0] = start * in_clock[0] + row
        return in_clock

    def _growing(self, elapsed: Array, standing: Array, gone: Array | float) -> None:
        """Find who is where in weeks in which plants are in stages, all from delivery on."""
        inside = np.ones(standing.shape[1:])
        reached = np.ones(self.weeks.shape[1])
        for k in range(self.stages):
            if k in self.timed:
                left = np.maximum(self._solved(k + 1, elapsed), gone)
                here = inside - left
                week, draw, cell = cells(here > _FEW)
                staying = here.ravel()[cell]
                kept = self._kept(k, elapsed[week], draw, left.ravel()[cell], staying)
                standing[k, week, draw] = staying * kept * reached[draw]
                inside = left
            reached = reached * np.exp(self.log_survival[k])

    def _kept(self, k: int, time: Array, draw: Cells, leaving: Array, staying: Array) -> Array:
        """Mean share of plants kept so far, of those that are in stage k."""
        kept = np.zeros(time.shape)
        begun, weeks, hazard = self._begun[k][draw], self.weeks[k][draw], self.log_survival[k][draw]
        one_pace = len({self.log_sd[j] for j in self.timed if j <= k}) == 1
        for node, weight in NODES:
            vigour = np.clip(ndtri(leaving + node * staying), -SLOWEST, SLOWEST)
            pace = np.exp(self.log_sd[k] * vigour)
            start = begun * pace if one_pace else self.until(k, vigour, draw)
            kept += weight * np.exp(hazard * np.clip((time - start) / (weeks * pace), 0, 1))
        return kept


def _chances(vigour: Array, spread: float, highest: int) -> Iterator[Array]:
    """Return Phi(v + n spread), n = 0 to `highest`, from a table: wrong by less than 2e-8."""
    part = (vigour + SLOWEST) * (_STEPS / (2 * SLOWEST))
    cell = part.astype(np.intp)
    part -= cell
    for value, step in _tables(spread, highest):
        chance = step.take(cell, mode="clip")
        chance *= part
        chance += value.take(cell, mode="clip")
        yield chance


@lru_cache(maxsize=64)
def _tables(spread: float, highest: int) -> tuple[tuple[Array, Array], ...]:
    vigour = np.linspace(-SLOWEST, SLOWEST, _STEPS + 1)
    values = [np.asarray(ndtr(vigour + n * spread)) for n in range(highest + 1)]
    return tuple((value[:-1], np.diff(value)) for value in values)


def cells(where: NDArray[np.bool_]) -> tuple[Cells, Cells, Cells]:
    """Week, draw and position of the cells that are true in an array of shape (weeks, draws)."""
    cell = np.flatnonzero(where)
    week = cell // where.shape[1]
    return week, cell - week * where.shape[1], cell
