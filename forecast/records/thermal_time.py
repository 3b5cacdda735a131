"""Thermal time in the growing areas of a season, from measured days and climate normals."""

from __future__ import annotations

import math
from datetime import date, timedelta

import numpy as np
from numpy.typing import ArrayLike

from forecast.rounding import round_up
from forecast.season.season import Season
from forecast.season.stages import Stage
from forecast.streams import Array
from forecast.weather.heat_units import degree_days
from forecast.weather.measured import Days
from forecast.weeks import Week


class ThermalTime:
    """Time that a stage counts, in weeks or degree-days, with climate normals where the weather was not measured."""

    def __init__(self, season: Season, measured: Days) -> None:
        self.season, self.measured = season, measured
        self._outside: dict[Week, list[tuple[float, tuple[float, float]]]] = {}

    def since(self, stage: Stage, entered: ArrayLike, weeks: ArrayLike) -> Array:
        """Return the time of a stage so many weeks after plants entered it [weeks or °C days].

        Days of entry are ordinals (`datetime.date.toordinal`), of the shape of `weeks`; infinite weeks stay infinite. A
        measured day has the degree-days of its own minimum and maximum, any other a seventh of those of its week in the
        climate normals.
        """
        entered, weeks = np.asarray(entered, dtype=np.float64), np.asarray(weeks, dtype=np.float64)
        if stage.runs_on == "weeks" or not weeks.size:
            return weeks
        finite = np.isfinite(weeks)
        ends = entered + 7 * np.where(finite, weeks, 0)
        first = Week.of(date.fromordinal(int(entered.min())))
        last = Week.of(date.fromordinal(round_up(ends.max())))
        every = [first + k for k in range(last - first + 1)]
        parts = [self._parts(week) for week in every]
        air = [
            self.season.place_in(stage.place, week).air(*np.array([pair for _, pair in part]).T)
            for week, part in zip(every, parts, strict=True)
        ]
        t_min, t_max = np.concatenate(air, axis=1)
        days = np.array([days for part in parts for days, _ in part])
        base, upper = stage.base_temperature or 0.0, stage.upper_threshold
        daily = degree_days(t_min, t_max, base=base, upper=upper, method=self.season.daily_course)
        clock, ends_of = (np.concatenate([[0.0], np.cumsum(rise)]) for rise in (days * daily, days))
        ends_of += first.monday.toordinal()
        gone = np.interp(ends, ends_of, clock) - np.interp(entered, ends_of, clock)
        return np.asarray(np.where(finite, gone, math.inf))

    def _parts(self, week: Week) -> list[tuple[float, tuple[float, float]]]:
        """Return the parts of a week [days], and minimum and maximum of each: one part if no day was measured."""
        if week not in self._outside:
            usual = self.season.normals.normal(week)
            days = [week.monday + timedelta(k) for k in range(7)]
            known = any(day in self.measured for day in days)
            self._outside[week] = [(1.0, self.measured.get(day, usual)) for day in days] if known else [(7.0, usual)]
        return self._outside[week]
