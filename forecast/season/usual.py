"""Warmth of the usual weather in the places of a season, by day."""

from __future__ import annotations

import math
from datetime import date

import numpy as np
from numpy.typing import ArrayLike, NDArray

from forecast.rates.warmth import degree_days
from forecast.season.plan import Season
from forecast.season.rows import Stage
from forecast.weeks import Week

Array = NDArray[np.float64]


class UsualWarmth:
    """What the clocks of a season's stages show in its usual weather, on any day.

    Parameters
    ----------
    season
        The season; it has a climate if any of its stages runs on degree-days.
    """

    def __init__(self, season: Season) -> None:
        self.season = season
        self._outside: dict[Week, tuple[float, float]] = {}

    def shown(self, stage: Stage, entered: ArrayLike, weeks: ArrayLike) -> Array:
        """Give what the clock of a stage shows so many weeks after plants entered it [weeks or degC days].

        Parameters
        ----------
        stage
            The stage.
        entered
            Days on which plants entered it, as ordinals (`datetime.date.toordinal`), any shape.
        weeks
            Time since then [weeks], of the same shape; it may be infinite, and what is shown is then.

        Notes
        -----
        The degree-days of a week come evenly over its days.
        """
        entered, weeks = np.asarray(entered, dtype=np.float64), np.asarray(weeks, dtype=np.float64)
        if stage.clock == "weeks" or not weeks.size:
            return weeks
        finite = np.isfinite(weeks)
        ends = entered + 7 * np.where(finite, weeks, 0)
        first = Week.of(date.fromordinal(int(entered.min())))
        last = Week.of(date.fromordinal(math.ceil(ends.max())))
        every = [first + k for k in range(last - first + 1)]
        outside = np.array([self._normal(week) for week in every])[:, :, None]
        air = [self.season.place_in(stage.place, week).air(*pair) for week, pair in zip(every, outside, strict=True)]
        low, high = np.array(air)[:, :, 0].T
        daily = degree_days(low, high, base=stage.base or 0.0, cap=stage.cap, method=self.season.daily_course)
        clock = np.concatenate([[0.0], np.cumsum(7 * daily)])
        mondays = first.monday.toordinal() + 7.0 * np.arange(len(clock))
        gone = np.interp(ends, mondays, clock) - np.interp(entered, mondays, clock)
        return np.asarray(np.where(finite, gone, math.inf))

    def _normal(self, week: Week) -> tuple[float, float]:
        if week not in self._outside:
            self._outside[week] = self.season.normals.normal(week)
        return self._outside[week]
