"""Whether deliveries of a variety keep its promises, and which plants they lack."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from copy import copy
from typing import NamedTuple

import numpy as np
from scipy.special import ndtr

from forecast.growth.summaries import sum_at_least
from forecast.rounding import reaches
from forecast.season.targets import Target
from forecast.streams import Array
from forecast.worth.concave import Plants
from forecast.worth.existing import Existing

_SLACK = 0.998  # of the plants at which a promise is just kept: with fewer each is looked at
_DOUBT = 0.6  # standard errors of a chance, by which less is taken for enough there: in a few draws it is not smooth
_FAR = 2.0**20  # times the plants tried: what is out of reach then is out of reach
_SURE = 0.02  # as near to its level a chance is found exactly, where that is possible


class Promise(NamedTuple):
    """A row of buyers with the chance with which so many plants must be sold to it.

    `asked` is by week, shape (weeks, draws), `needed` of them all, shape (draws,).
    """

    row: Target
    asked: Array
    needed: Array
    level: float


class Reach(NamedTuple):
    """What some orders reach of a promised row: the chance that it asks for, and the one that they give it."""

    row: Target
    level: float
    chance: float

    @property
    def kept(self) -> bool:
        """Whether they keep it."""
        return self.chance >= self.level


class Promises:
    """All promises of a variety, in the order in which they are served: what is only hoped for comes last.

    Those of the same chance are served as they are given. `shares` are of each way, with the ways first in the shape.
    """

    def __init__(self, rows: Sequence[Promise], shares: Plants, there: Existing) -> None:
        self._rows = sorted(rows, key=lambda row: -(row.row.promised or 0))
        self._shares, self._there = shares, there
        self._come = [np.cumsum(row.asked, axis=0) for row in self._rows]
        self._due = [_due(come, row.row.waits) for come, row in zip(self._come, self._rows, strict=True)]
        self._levels = [row.level for row in self._rows]  # at which the search asks for them
        self._found: dict[tuple[tuple[int, float], ...], list[float]] = {}  # chances by the plants of each way
        self._sure: dict[tuple[tuple[int, float], ...], float] = {}  # likewise, exact ones

    def anew(self) -> Promises:
        """Return the same, of which levels can be raised on their own."""
        found = copy(self)
        found._levels = [*self._levels]
        return found

    def __bool__(self) -> bool:
        return bool(self._rows)

    @property
    def asked(self) -> dict[Target, float]:
        """The chance at which the search asks for each promise."""
        return {row.row: level for row, level in zip(self._rows, self._levels, strict=True)}

    def asked_more(self, row: Target, by: float, reached: float = 0.0) -> None:
        """Ask for a promise at a level higher by so much than before, or than what is `reached` if that is more.

        By half of what is left to certainty at most.
        """
        at = next(at for at, one in enumerate(self._rows) if one.row is row)
        more = max(reached - self._levels[at], 0.0) + by
        self._levels[at] += min(more, (1 - self._levels[at]) / 2)

    def chances(self, plants: Mapping[int, float]) -> list[float]:
        """Return the chance with which each promise is kept, by some plants of each way.

        Notes
        -----
        The number there in a week is taken as normal, given the draw; the week in which plants are scarcest decides:
        the last one in which a buyer waits.
        """
        key = tuple(plants.items())
        if key not in self._found:
            self._found[key] = self._chances(plants)
        return self._found[key]

    def _chances(self, plants: Mapping[int, float]) -> list[float]:
        return [float(ndtr(near).mean()) for near, *_ in self._near(plants)]

    def _near(self, plants: Mapping[int, float]) -> list[tuple[Array, Array, Array]]:
        """Return for each promise how many deviations it is kept by, the deviation, and the week that decides."""
        ready, past, _ = (one.copy() for one in self._there.mean)
        variance = self._there.in_grade.copy()
        for at, number in plants.items():
            ready += number * self._shares.ready[at]
            past += number * self._shares.past[at]
            share = self._shares.ready[at] - self._shares.past[at]
            variance += number * share * (1 - share)
        gone, slack = np.zeros(ready.shape[1]), np.full((len(self._rows), *ready.shape), np.inf)
        closed = np.zeros((len(self._rows), ready.shape[1]))  # buyers who are served or have left
        for t in range(len(ready)):
            gone = np.maximum(gone, past[t])
            for at, (come, due) in enumerate(zip(self._come, self._due, strict=True)):
                before = due[t - 1] if t else np.zeros(due.shape[1])
                closed[at] = np.maximum(closed[at], before)
                left = ready[t] - gone
                slack[at, t] = np.where(due[t] > before, closed[at] + left - due[t], np.inf)
                given = np.minimum(left, come[t] - closed[at])
                closed[at] += given
                gone = gone + given
        deviation = np.sqrt(np.maximum(variance, 1e-9))
        found = []
        for row, over in zip(self._rows, slack, strict=True):
            scarce = over.argmin(axis=0)
            least = np.take_along_axis(over, scarce[None], axis=0)[0]
            missed = -np.where(np.isfinite(over), np.minimum(over, 0), 0).sum(axis=0)
            spare = row.asked.sum(axis=0) - row.needed + np.where(missed > 0, -missed, least) + 0.5
            spread = np.take_along_axis(deviation, scarce[None], axis=0)[0]
            found.append((np.where(row.needed > 0, spare / spread, np.inf), spread, scarce))
        return found

    def kept(self, plants: Mapping[int, float]) -> bool:
        """Return whether all promises are kept."""
        return self._missed(plants) is None

    def reach(self, plants: Mapping[int, float]) -> list[Reach]:
        """Return what some plants of each way reach of each promise."""
        chances = zip(self._rows, self.chances(plants), strict=True)
        return [Reach(row.row, row.level, chance) for row, chance in chances]

    def missed(self, plants: Mapping[int, float], short: float = 0.0) -> bool:
        """Return whether any promise is not kept at the level asked for, by more than `short` of its chance."""
        chances = zip(self._levels, self.chances(plants), strict=True)
        return any(chance < level - short for level, chance in chances)

    def _missed(self, plants: Mapping[int, float]) -> int | None:
        """Return the first promise that is not kept; None if all are."""
        for at, (level, chance) in enumerate(zip(self._levels, self.chances(plants), strict=True)):
            if abs(chance - level) < _SURE:
                chance = self._exact(plants, at, chance)  # noqa: PLW2901
            if not reaches(chance, level):
                return at
        return None

    def _exact(self, plants: Mapping[int, float], at: int, chance: float) -> float:
        """Return the exact chance, given the draws, of the only promise, of one week; else the one found."""
        weeks = np.flatnonzero(self._rows[at].asked.any(axis=1))
        whole = all(float(number).is_integer() for number in plants.values())
        alone = len(self._rows) == 1 and weeks.size == 1 and not self._rows[at].row.waits
        if not alone or not whole or not plants or self._there:
            return chance
        key = tuple(plants.items())
        if key not in self._sure:
            shares = [self._shares.ready[way, weeks[0]] - self._shares.past[way, weeks[0]] for way in plants]
            numbers = [int(number) for number in plants.values()]
            self._sure[key] = float(sum_at_least(self._rows[at].needed, numbers, shares).mean())
        return self._sure[key]

    def lacking(self, plants: Mapping[int, float]) -> tuple[Array, float]:
        """Return a sum of the plants of each way, shape (ways,), and how large it must be to keep all promises.

        Notes
        -----
        Chances above a half are quasi-concave in the plants, or nearly so: the plane that touches what keeps a promise
        where it is just kept leaves it all on one side.
        """
        ways = len(self._shares.through)
        at = self._missed(plants)
        at = 0 if at is None else at
        low, high = 1.0, 2.0
        level = self._levels[at]
        level -= _DOUBT * (level * (1 - level) / self._rows[at].needed.size) ** 0.5
        while high < _FAR and not self._kept_at(plants, at, high, level):
            low, high = high, 2 * high
        if not plants or high >= _FAR:  # others are needed, too
            others = np.ones(ways)
            others[[*plants]] = 0.0
            return others, 1.0
        for _ in range(14):
            middle = (low + high) / 2
            low, high = (low, middle) if self._kept_at(plants, at, middle, level) else (middle, high)
        just = {way: high * number for way, number in plants.items()}
        near, spread, scarce = self._near(just)[at]
        density = np.exp(-(near**2) / 2) / spread
        draws = np.arange(density.size)
        shares = self._shares.ready[:, scarce, draws] - self._shares.past[:, scarce, draws]
        for weights in (density, np.ones(density.size)):  # where nothing is left to chance, all draws are alike
            slope = shares @ weights
            if (total := sum(float(slope[way]) * number for way, number in just.items())) > 0:
                return slope / total, _SLACK
        return np.ones(ways), 1.0

    def _kept_at(self, plants: Mapping[int, float], at: int, times: float, level: float) -> bool:
        return self._chances({way: times * number for way, number in plants.items()})[at] >= level


def _due(come: Array, waits: int) -> Array:
    """Return the buyers who leave by the end of each week if they are not served; those left at last leave then."""
    due = np.zeros_like(come)
    due[waits:] = come[: max(len(come) - waits, 0)]
    due[-1] = come[-1]
    return due
