"""Where the plants of a batch are if some of their stages run on degree-days.

A stage boundary is then no formula of the time since delivery: growth stops in the cold and goes on after it. But
plants of one vigour can be followed forward, from stage to stage, in all draws at once; a few dozen vigours tell all.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import Self

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from forecast.executors import in_parts
from forecast.fates.fate import RouteFate
from forecast.fates.stage_occupancy import NODES, Cells
from forecast.streams import Array

_FEW = 1e-7  # a smaller share of a batch is not looked for in a stage
_MIDDLE = ((0.5, 1.0),)  # Gauss-Legendre on 0 to 1, with one point and two
_TWO = ((0.5 - 0.75**0.5 / 3, 0.5), (0.5 + 0.75**0.5 / 3, 0.5))
_GENTLE, _HARSH = 0.04, 0.1  # log loss up to which one point will do for the mean share kept, and two
_STEP = 0.25  # between the vigours that are followed
_REACH = 4.0  # vigours beyond it, those of one plant in sixteen thousand, count as +-4
_VIGOURS = np.arange(-_REACH, _REACH + _STEP / 2, _STEP)[:, None]
_SHARES = 1 << 12
_PLACES = (np.clip(ndtri(np.linspace(0, 1, _SHARES + 1)), -_REACH, _REACH) + _REACH) / _STEP


@dataclass(frozen=True, eq=False)
class WarmFate(RouteFate):
    """What one batch meets in every draw if warmth drives some of its stages; see `RouteFate`.

    `clocks` holds for each stage None if it runs on weeks, else its degree-days since the first of the weeks drawn [°C
    days], shape (weeks drawn + 1, draws); of these weeks `start` have gone by when the plants come.

    Notes
    -----
    With H_k the clock of stage k, even within a week, a plant of vigour v that enters it at u leaves it when the clock
    shows A_k(v) = H_k(u) + weeks_k exp(log_sd_k v). Both are found exactly for vigours from -4 to 4 in steps of
    0.25; between them A_k is taken as linear in v, so the share that has left by t is Phi(v), A_k(v) = H_k(t).
    A clock that stops through the winter moves neither side. But of plants that stand still in one place and
    then go on in a warmer one, those between two followed vigours are smeared: in tests up to 0.09 of the plants of
    one draw in one week, 0.02 on average over the draws. Those alive in a short stage are wrong by up to 0.0014 of the
    batch in one draw and week, 0.0003 on average: what they have lost is taken at one to three vigours.
    """

    clocks: tuple[Array | None, ...]
    start: int

    def take(self, draws: slice) -> Self:
        """Return the same for some of the draws."""
        followed = self._followed.pop(draws.indices(self.weeks.shape[1])[:2], None)
        if followed is not None:
            return followed
        part_of = {id(clock): clock[:, draws] for clock in self.clocks if clock is not None}  # one stays one
        part = replace(super().take(draws), clocks=tuple(part_of.get(id(clock)) for clock in self.clocks))
        if "_through" in self.__dict__:
            part.__dict__["_through"] = self._through[:, draws]
            part.__dict__["_begins"] = [None if one is None else one[:, draws] for one in self._known_begins()]
        return part

    @property
    def last(self) -> int:
        """Weeks since delivery for which weather is drawn."""
        return min(len(clock) for clock in self.clocks if clock is not None) - 1 - self.start

    def median_week(self) -> Array:
        """Return the week since delivery by which a plant of median vigour is through, or `last`, shape (draws,)."""
        return np.asarray((self._through < 0.5).sum(axis=0, dtype=np.float64))

    def past(self, stages: int, elapsed: Array) -> Array:
        """Return the share of plants, losses apart, that have left the first `stages` stages, as for `Fate`."""
        elapsed = np.asarray(elapsed, dtype=np.float64)
        timed = [k for k in self.timed if k < stages]
        if not timed:
            return np.repeat((elapsed >= 0)[:, None].astype(np.float64), self.weeks.shape[1], axis=1)
        if timed == list(self.timed):
            return self._at(self._through, elapsed)
        mondays = self._around(elapsed)
        left = dict(self._left(mondays))
        return self._at(next(gone for step, gone in left.items() if step.stage == timed[-1]), elapsed, mondays)

    def boundaries(self, elapsed: Array) -> list[Array]:
        """Return `past` for the first 0, 1, 2, ... all stages, as for `Fate`."""
        elapsed = np.asarray(elapsed, dtype=np.float64)
        found = [self.past(0, elapsed)] * (self.stages + 1)
        mondays = self._around(elapsed)
        for step, gone in self._left(mondays):
            left = self._at(gone, elapsed, mondays)
            if step.clock is None:  # known between Mondays, too
                left = np.maximum(left, step.gone(np.maximum(elapsed, 0)))
            found[step.stage + 1 :] = [np.minimum(found[step.stage], left)] * (self.stages - step.stage)
        return found

    def course(self, elapsed: Array, gone: Array | None = None) -> tuple[Array, Array]:
        """Return the share of plants alive in each stage, and of those through all, as for `RouteFate`."""
        elapsed = np.asarray(elapsed, dtype=np.float64)
        self._weeks(elapsed)
        standing = np.zeros((self.stages, elapsed.size, self.weeks.shape[1]))
        ready = np.zeros(standing.shape[1:])
        since = np.flatnonzero(elapsed >= 0)
        if since.size:
            at = elapsed[since].astype(np.intp)
            inside = np.ones((at.size, self.weeks.shape[1]))
            for step, left in self._left(at):
                if gone is not None:
                    np.maximum(left, gone, out=left)
                reached = np.exp(self.log_survival[: step.stage].sum(axis=0))
                step.fill(standing[step.stage, since[0] :], at, inside, left, self.log_survival[step.stage], reached)
                inside = left
            ready[since] = self.survival * inside
        return standing, ready

    def _weeks(self, elapsed: Array) -> int:
        last = int(np.ceil(elapsed.max(initial=0.0)))
        if last > self.last:
            raise ValueError(f"weather is drawn for {self.last} weeks after delivery, but {last} are asked for")
        return last

    def _around(self, elapsed: Array) -> Cells:
        """Return the Mondays before and after some times, and the last."""
        last = max(self._weeks(elapsed), 1)
        below = np.minimum(np.clip(elapsed, 0, last).astype(np.intp), last - 1)
        return np.unique(np.concatenate([below, below + 1, [last]]))

    @cached_property
    def _through(self) -> Array:
        """Share that has left all stages by each Monday since delivery."""
        mondays = np.arange(max(self.last, 1) + 1)
        through = np.empty((mondays.size, self.weeks.shape[1]))

        def follow(draws: slice) -> None:
            part = self.take(draws)
            steps = list(part._steps())
            through[:, draws] = steps[-1].gone(mondays)
            part.__dict__["_through"] = through[:, draws]
            part.__dict__["_begins"] = [
                one.begin if one.begin is not before.end else None for before, one in pairwise(steps)
            ]
            self._followed[draws.start, draws.stop] = part

        in_parts(self.weeks.shape[1], follow)
        return through

    @cached_property
    def _followed(self) -> dict[tuple[int, int], Self]:
        """Parts of the draws in which plants have been followed, each kept until it is asked for."""
        return {}

    @cached_property
    def _begins(self) -> list[Array | None]:
        """What clocks show when plants of each vigour enter the timed stages but the first, where it is known."""
        return [None] * (len(self.timed) - 1)

    def _known_begins(self) -> list[Array | None]:
        """Return the same, if plants have been followed in all draws at once."""
        return self._followed.get((0, self.weeks.shape[1]), self)._begins

    def _at(self, gone: Array, elapsed: Array, mondays: Cells | None = None) -> Array:
        """Return at some times what is known on Mondays: on all of them, if not said on which (see `_around`)."""
        self._weeks(elapsed)
        last = len(gone) - 1 if mondays is None else int(mondays[-1])
        week = np.clip(elapsed, 0, last)
        below = np.minimum(week.astype(np.intp), last - 1)
        part = (week - below)[:, None]
        row = below if mondays is None else np.searchsorted(mondays, below)
        found = gone[row + week.astype(np.intp) - below]
        if (part % 1).any():
            found = gone[row] + part * (gone[row + 1] - gone[row])
        return np.where((elapsed >= 0)[:, None], found, 0.0)

    def _left(self, at: Cells) -> list[tuple[_Step, Array]]:
        """Return each timed stage and the share that has left it by some Mondays, no fewer than the next."""
        steps = list(self._steps())
        known = self.__dict__.get("_through")
        found = [(step, step.gone(at)) for step in (steps[:-1] if known is not None else steps)]
        if known is not None:
            found.append((steps[-1], known[at]))
        for (_, before), (_, after) in pairwise(reversed(found)):
            np.maximum(before, after, out=after)  # of the last stage first
        return found

    def _steps(self) -> Iterator[_Step]:
        """Go through the timed stages.

        Plants are followed to the end of the weather whatever is asked, so that no answer depends on the others.
        """
        end, before, begins = max(self.last, 1), None, self._known_begins()
        for at, k in enumerate(self.timed):
            whole, clock = self.clocks[k], None
            if whole is not None:
                clock = whole[self.start : self.start + end + 1] - whole[self.start]
            if before is None:
                begin = np.zeros((len(_VIGOURS), self.weeks.shape[1]))
            elif whole is self.clocks[before.stage]:
                begin = before.end
            elif (known := begins[at - 1]) is not None:
                begin = known
            else:
                begin = before.left() if clock is None else _shown(clock, before.left())
            before = _Step(k, clock, end, begin, self.weeks[k] * np.exp(self.log_sd[k] * _VIGOURS))
            yield before


class _Step:
    """One timed stage: its clock by Mondays since delivery, and when on it the plants of each vigour come and go.

    The clock is None if it runs on weeks; `last` is the last Monday with weather; `begin`, `need` and `end` are what it
    shows when plants of each vigour enter, what they need of it, and what it shows when they leave, shape (vigours,
    draws).
    """

    def __init__(self, stage: int, clock: Array | None, last: int, begin: Array, need: Array) -> None:
        self.stage, self.clock, self.last, self.begin, self.need = stage, clock, last, begin, need
        self.end = begin + need

    def left(self) -> Array:
        """Return when plants of each vigour leave [weeks since delivery], the last Monday if later."""
        if self.clock is None:
            return np.minimum(self.end, self.last)
        week, part = _between(self.clock, self.end)
        part += week
        return part

    def gone(self, at: Cells | Array) -> Array:
        """Return the share of plants, losses apart, that have left by Mondays, which ascend, shape (weeks, draws)."""
        clock = at[:, None] + np.zeros(self.need.shape[1]) if self.clock is None else self.clock[at.astype(np.intp)]
        begun, over = clock >= self.end[0], clock >= self.end[-1]
        share: Array = over.astype(np.float64)
        some = np.flatnonzero((begun ^ over).any(axis=1))
        if some.size:
            rows = slice(int(some[0]), int(some[-1]) + 1)
            step, part = _between(self.end, clock[rows])
            part += step
            part *= _STEP
            part -= _REACH
            found: Array = ndtr(part, out=part)
            found *= begun[rows]
            np.maximum(found, share[rows], out=share[rows])
        return share

    def fill(self, standing: Array, at: Cells, inside: Array, left: Array, hazard: Array, reached: Array) -> None:
        """Write the share of plants alive in the stage into `standing`, shape (Mondays asked for, draws).

        `inside` and `left` are the shares that have entered and left by the Mondays `at`, losses apart; `hazard` is the
        log of the survival of the stage, and `reached` the share that lives to enter it, shape (draws,).
        """
        here = inside - left
        some = np.flatnonzero((here > _FEW).any(axis=1))
        if not some.size:
            return
        rows = slice(int(some[0]), int(some[-1]) + 1)
        here, gone = here[rows], left[rows]
        gentle, harsh = hazard > -_GENTLE, hazard < -_HARSH
        for draws, nodes in ((gentle, _MIDDLE), (~gentle & ~harsh, _TWO), (harsh, NODES)):
            cell = np.flatnonzero((here > _FEW) & draws)
            if cell.size:
                kept = self._kept(at[rows], cell, here, gone, hazard, nodes)
                standing[rows].ravel()[cell] = kept * reached[cell % here.shape[1]]

    def _kept(
        self, at: Cells, cell: Cells, here: Array, gone: Array, hazard: Array, nodes: Sequence[tuple[float, float]]
    ) -> Array:
        """Return the share alive in some cells, of those that reach the stage."""
        draws = here.shape[1]
        week, draw = cell // draws, cell % draws
        staying, leaving = here.ravel()[cell], gone.ravel()[cell]
        shows = at[week].astype(np.float64) if self.clock is None else self.clock[at[week], draw]
        rate, kept = hazard[draw], np.zeros(cell.size)
        begin, need = self.begin.ravel(), self.need.ravel()
        for node, weight in nodes:
            step = _step_of(leaving + node * staying)
            below = np.minimum(step.astype(np.intp), len(_VIGOURS) - 2)
            step -= below
            flat = below * draws + draw
            start, takes = begin.take(flat), need.take(flat)
            start += step * (begin.take(flat + draws) - start)
            takes += step * (need.take(flat + draws) - takes)
            kept += weight * np.exp(rate * np.clip((shows - start) / takes, 0, 1))
        return np.asarray(kept * staying)


def _step_of(share: Array) -> Array:
    """Return the place among the vigours, in steps, below which a share of plants lies; to 0.01 where few are."""
    part = share * _SHARES
    cell = part.astype(np.intp)
    part -= cell
    found = _PLACES.take(cell, mode="clip")
    part *= _PLACES.take(cell + 1, mode="clip") - found
    found += part
    return found


def _shown(clock: Array, time: Array) -> Array:
    """Return what a clock, known on Mondays, shows at times since delivery [weeks]."""
    draws = clock.shape[1]
    week = np.minimum(time.astype(np.intp), len(clock) - 2)
    flat = week * draws + np.arange(draws)
    values, part = clock.ravel(), np.minimum(time - week, 1)
    start = values.take(flat)
    return np.asarray(start + part * (values.take(flat + draws) - start))


def _between(steps: Array, x: Array) -> tuple[NDArray[np.int16], Array]:
    """Return, in each column, where x lies among the steps: the number of the step below, and the part of the way on.

    Both rise down each column. Before the first step it is the first, after the last the last.
    """
    draws = x.shape[1]
    first = int(np.searchsorted(steps.max(axis=1), x.min(), side="right"))  # so many are below all
    last = int(np.searchsorted(steps.min(axis=1), x.max(), side="right"))  # and no more than these below any
    below = np.full(x.shape, first - 1, dtype=np.int16)
    for row in steps[first:last]:
        below += x >= row
    np.clip(below, 0, len(steps) - 2, out=below)
    found = below * np.intp(draws) + np.arange(draws)
    start, values = steps.take(found), steps.ravel()
    gap = values.take(found + draws)
    gap -= start
    part = x - start
    np.divide(part, gap, out=part, where=gap > 0)
    part[gap <= 0] = 1
    return below, np.clip(part, 0, 1, out=part)
