"""The weather of a season's draws, in its places, and the warmth and harm that plants have of it."""

from __future__ import annotations

from datetime import date

import numpy as np

from forecast.season.season import Season
from forecast.season.stages import Stage
from forecast.streams import Array, Streams
from forecast.weather.heat_units import degree_days
from forecast.weather.measured import Days, draw_given
from forecast.weeks import Week

FIRST_WEEKS = 2  # in which plants that have come suffer from heat and cold
_YEAR = 52
_MEASURED = "measured weather"
_PRESCRIBED = "prescribed weather"


def measure(streams: Streams, days: Days) -> None:
    """Let all weather under streams be as it was measured on some days; before any is drawn."""
    streams.once(_MEASURED, lambda: days)


def measured_by(streams: Streams) -> Days:
    """Return the days on which the weather under streams was measured: none, unless `measure` set some."""
    return streams.once(_MEASURED, dict[date, tuple[float, float]])


def prescribe(streams: Streams, low: Array, high: Array) -> None:
    """Set all weather under streams, before any is drawn.

    `low` and `high` are the mean daily minimum and maximum outside [°C], from the season's first week on to
    `FIRST_WEEKS` after its last one, shape (weeks, draws).
    """
    streams.once(_PRESCRIBED, lambda: (low, high))


def _prescribed(streams: Streams) -> tuple[Array, Array] | None:
    return streams.once(_PRESCRIBED, lambda: None)


class Weather:
    """The weather of a season's draws, given measured days: one history of weeks a draw, shared by all its batches."""

    def __init__(self, season: Season, streams: Streams) -> None:
        self.season, self.draws = season, streams.draws
        self._streams = Streams(streams.seed, streams.draws)  # not those that keep this, or nothing would free either
        self._measured, self._prescribed = measured_by(streams), _prescribed(streams)
        self._outside: tuple[Array, Array] = (np.zeros((0, 0)), np.zeros((0, 0)))
        self._airs: dict[str, tuple[Array, Array]] = {}
        self._clocks: dict[tuple[str, float, float | None], Array] = {}

    @classmethod
    def of(cls, season: Season, streams: Streams) -> Weather:
        """Return the weather of a season under streams: the same one for all that ask."""
        key = ("weather", season.climate, season.places, season.persistence, season.daily_course, season.first_week)
        return streams.once(key, lambda: cls(season, streams))

    def outside(self, weeks: int) -> tuple[Array, Array]:
        """Return the mean daily minimum and maximum outside [°C] from the first week, shape (weeks or more, draws)."""
        if self._prescribed is not None:
            return self._prescribed
        if len(self._outside[0]) < weeks:
            needed = self.season.weeks + 1
            while needed < weeks:
                needed += _YEAR
            of = self.season.normals, self._measured, self.season.first_week
            self._outside = draw_given(*of, needed, self._streams)
        return self._outside

    def air(self, place: str, weeks: int) -> tuple[Array, Array]:
        """Return the same inside a place."""
        low, high = self.outside(weeks)
        if place in self._airs and len(self._airs[place][0]) == len(low):
            return self._airs[place]
        rows = [self.season.place_in(place, self.season.first_week + i) for i in range(len(low))]
        inside = [row.air(low[i], high[i]) for i, row in enumerate(rows)]
        self._airs[place] = np.array([low for low, _ in inside]), np.array([high for _, high in inside])
        return self._airs[place]

    def clock(self, stage: Stage, weeks: int, before: int = 0) -> Array:
        """Return the degree-days that the first 0, 1, 2, ... weeks of the season give a stage [°C days].

        The shape is (weeks + 1 or more, draws). Or those of 0, 1, 2, ... weeks from so many weeks `before` the season
        on, of which those before it had the temperatures of climate normals.
        """
        if before:
            earlier, clock = self._normal_clock(stage, before)[:, None], self.clock(stage, weeks)
            return np.concatenate([np.repeat(earlier[:-1], self.draws, axis=1), earlier[-1] + clock])
        key = (stage.place, stage.base_temperature or 0.0, stage.upper_threshold)
        if key not in self._clocks or len(self._clocks[key]) <= weeks:
            low, high = self.air(stage.place, weeks)
            course = self.season.daily_course
            clock = np.zeros((len(low) + 1, self.draws))
            for at, week in enumerate(zip(low, high, strict=True)):
                clock[at + 1] = clock[at] + 7 * degree_days(*week, base=key[1], upper=key[2], method=course)
            clock.flags.writeable = False
            self._clocks[key] = clock
        return self._clocks[key]

    def _normal_clock(self, stage: Stage, weeks: int) -> Array:
        """Return the degree-days of 0, 1, 2, ... weeks from so many before the season on, if all are normal."""
        base, upper, method = stage.base_temperature or 0.0, stage.upper_threshold, self.season.daily_course
        found = np.zeros(weeks + 1)
        for at in range(weeks):
            week = self.season.first_week + (at - weeks)
            low, high = (np.array([one]) for one in self.season.normals.normal(week))
            inside = self.season.place_in(stage.place, week).air(low, high)
            found[at + 1] = found[at] + 7 * degree_days(*inside, base=base, upper=upper, method=method)[0]
        return found

    def harm(self, stage: Stage, week: Week, *, on_the_way: bool) -> Array:
        """Return how much heat and cold lower the survival of plants that come in a week [log-odds], shape (draws,).

        In `stage` plants are when they come. If still `on_the_way` there they meet the air outside in that week, else
        that of their place in the first two weeks.

        Notes
        -----
        The mean over those weeks of cold_loss max(cold_below - low, 0) + heat_loss max(high - heat_above, 0).
        """
        first = max(week - self.season.first_week, 0)
        last = first + (1 if on_the_way else FIRST_WEEKS)
        low, high = self.outside(last) if on_the_way else self.air(stage.place, last)
        found = np.zeros(self.draws)
        if stage.cold_below is not None and stage.cold_loss is not None:
            found += stage.cold_loss * np.maximum(stage.cold_below - low[first:last], 0).mean(axis=0)
        if stage.heat_above is not None and stage.heat_loss is not None:
            found += stage.heat_loss * np.maximum(high[first:last] - stage.heat_above, 0).mean(axis=0)
        return found


def lowered(log_survival: Array, harm: Array) -> Array:
    """Lower a survival s by a harm d [log-odds], from 0: s exp(-d) / (1 - s + s exp(-d))."""
    left = log_survival - harm
    with np.errstate(divide="ignore"):  # the logarithm of no loss at all
        lost = np.log(-np.expm1(log_survival))
    return np.asarray(left - np.logaddexp(lost, left))
