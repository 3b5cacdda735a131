"""Climates: normals of a place, the variation between years, and simulated weather."""

from __future__ import annotations

import calendar
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import lru_cache
from typing import Literal, cast

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from forecast.errors import Fault, Refused, real, refuse, whole
from forecast.rates.distributions import Z90
from forecast.streams import Array, Streams
from forecast.weather import station
from forecast.weeks import Week
from forecast.words import seasons as words

PERSISTENCE = 0.3  # lag-one autocorrelation of weekly anomalies; see the notes of Climate
MOST_WEEKS = 1040  # drawn at once
_MONTH = 365.25 / 12 / 7  # weeks in a month
_YEAR = 365.25  # days
_STARTS = np.cumsum([0, 31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])  # of the months [days]
_PIECES = np.linspace(0, _YEAR, 105)  # of the year, in which minima and maxima are compared [days]
_MOST_PERSISTENT = 0.95
_FORGOTTEN = 1e-9  # what is left of a week's weather when it no longer counts
_LEAST_YEARS = 3
_LEAST_DAYS = 5  # days of a week that make its mean


def variance_of_mean(weeks: float, persistence: float) -> float:
    """Return the variance of the mean of some weeks in a row, at least 1, if a single week has a variance of 1.

    `persistence` is the correlation of a week with the week before, 0 to below 1.

    Notes
    -----
    For an autoregression of order one with correlations p^k,

        (n + 2 sum_{k<n} (n - k) p^k) / n^2 = (n (1 - p^2) - 2 p (1 - p^n)) / (n (1 - p))^2.

    References
    ----------
    Matalas, N. C. and Langbein, W. B. (1962). Information content of the mean. J. Geophys. Res. 67,
    3441-3448. doi:10.1029/JZ067i009p03441

    Examples
    --------
    >>> round(variance_of_mean(4, 0.3), 4), round(variance_of_mean(5, 0.3), 4)
    (0.3884, 0.3226)
    """
    p, n = persistence, weeks
    return (n * (1 - p * p) - 2 * p * (1 - math.pow(p, n))) / (n * (1 - p)) ** 2


@dataclass(frozen=True)
class Climate:
    """Climate normals of the air outside, and how far years differ from them.

    Parameters
    ----------
    t_min, t_max
        Mean daily minimum and maximum [°C]: of the 12 months from January, or of ISO weeks 1 to 52.
    year_sd
        Interannual standard deviation of the mean temperature of each such month or week [°C]; one
        number if it is the same in all.
    persistence
        Correlation between the departures of a week and of the week before (lag one), 0 to 0.95.
    delay
        Weeks by which the seasons come later than in the table; `shifted` sets it.

    `Refused`, with all faults, if these are no such numbers, or a maximum is below its minimum; the header is row 1.

    Notes
    -----
    Weeks of monthly normals: a smooth periodic curve whose mean over the days of every month is the
    normal of the month, which is the derivative of a periodic cubic spline through the cumulated
    normals. The normal of a week is its mean over the seven days. February counts 28.25 days, so that the
    29th falls into place. Week 53 of weekly normals is the mean of weeks 52 and 1.

    Weather: the departure of a week from its normal is s_w x_w, the same in minimum and maximum, with
    x_w = p x_{w-1} + sqrt(1 - p^2) e_w and standard normal e. Of weekly normals s_w is `year_sd`. Of
    monthly ones it is `year_sd` of the month, as smooth through the year as the normals, over the
    square root of `variance_of_mean` at 365.25 / 12 / 7 = 4.35 weeks: so the mean of a month has the
    stated standard deviation, a month of four weeks a little more, one of five a little less.

    The default persistence of 0.3 comes from daily records put through `from_daily`: Clemson,
    South Carolina, 0.28 in 1991-2020, 0.30 in 1961-1990 and 0.31 in 1930-1960; Seattle 0.36 in 2012-2015;
    but 0.13 for the maxima of Melbourne in 1981-1990. The standard deviation of weeks that follows from that of months
    lies within 4 % of the record at Clemson. What keeps whole seasons warm beyond that is not drawn.

    References
    ----------
    Boneva, L. I., Kendall, D. and Stefanov, I. (1971). Spline transformations: three new diagnostic aids
    for the statistical data-analyst. J. R. Statist. Soc. B 33, 1-71.

    Examples
    --------
    >>> seattle = Climate(
    ...     t_min=[4.2, 4.1, 5.2, 6.6, 9.3, 11.7, 13.6, 13.9, 12.0, 9.0, 6.0, 3.7],
    ...     t_max=[7.3, 8.8, 10.9, 13.4, 16.8, 19.7, 23.3, 23.5, 20.2, 14.4, 9.3, 6.5],
    ...     year_sd=1.2,
    ... )
    >>> print(seattle)
    Climate normals by month: minima 3.7 to 13.9 °C, maxima 6.5 to 23.5 °C;
    in 9 of 10 years a month is within 2 °C of normal.
    >>> t_min, t_max = seattle.normal("2027-W14")
    >>> round(t_min, 1), round(t_max, 1)
    (6.1, 12.6)
    """

    t_min: Sequence[float]
    t_max: Sequence[float]
    year_sd: Sequence[float] | float
    persistence: float = PERSISTENCE
    delay: int = 0

    def __post_init__(self) -> None:
        rows = _rows(self.t_min)
        if rows not in (12, 52):
            raise refuse("t_min", f"{rows} rows", "not a year", "Give 12 months from January, or ISO weeks 1 to 52.")
        faults = []
        for name in ("t_min", "t_max", "year_sd"):
            column = getattr(self, name)
            count = _rows(column)
            if count != rows and not (name == "year_sd" and count == 0):
                raise refuse(name, f"{count} rows", "not as many as minima", f"Give {rows} numbers.")
            values = tuple(map(station.number, column if count else [column] * rows))
            object.__setattr__(self, name, values)
            faults += [fault for i, value in enumerate(values) if (fault := _fault_of(name, value, i + 2))]
        faults += [
            station.max_below_min("climate", i + 2, "t_max", t_max, t_min)
            for i, (t_min, t_max) in enumerate(zip(self.t_min, self.t_max, strict=True))
            if t_max < t_min
        ]
        if faults:
            raise Refused(faults)
        object.__setattr__(self, "persistence", station.number(self.persistence))
        real("persistence", self.persistence, ge=0, le=_MOST_PERSISTENT, such_as="0.3")
        object.__setattr__(self, "delay", whole("delay", self.delay, -MOST_WEEKS, MOST_WEEKS) % 52)
        ranges = tuple(t_max - t_min for t_min, t_max in zip(self.t_min, self.t_max, strict=True))
        if rows == 12 and (_mean_between(ranges, _PIECES[:-1], _PIECES[1:]) < -1e-9).any():
            remedy = "The daily range leaps from month to month; give weekly normals."
            raise refuse("t_max", None, "the maxima would fall below the minima within a month", remedy)

    @classmethod
    def from_daily(
        cls,
        dates: Iterable[date | str],
        t_min: Iterable[float | str | None],
        t_max: Iterable[float | str | None],
        *,
        unit: Literal["C", "F"],
        persistence: float | None = None,
    ) -> Climate:
        """Return the climate, of 12 months, of the daily record of a weather station.

        Days may come in any order, and may be missing; minima and maxima are in `unit`, ``C`` or ``F``, and None,
        empty or NaN where they were not measured. `persistence` is the correlation from week to week, if it is known
        better than from the record. `Refused`, with all such faults, if a day is not a date or is repeated, a number is
        not an air temperature, a maximum is below its minimum, or a month was measured in fewer than three years.

        Notes
        -----
        A month of a year counts if at most five of its days are missing, and at most three in a row.
        Normals are means over years of the means of months. `year_sd` is the root of the variance
        between years (divisor n - 1) of their mean temperatures, smoothed over neighbouring months with
        weights 1:2:1, since a few years tell little of each.

        The persistence is the correlation r of the departures of neighbouring weeks (of five days or more)
        from the normals. Departures from normals of the same n years correlate less than those from true
        ones; p solves r = (p - v) / (1 - v), with v = `variance_of_mean`(4.35, p) / n.

        References
        ----------
        National Centers for Environmental Information. Global Summary of the Month: documentation (the
        rule of five and three days).
        """
        if unit not in ("C", "F"):
            raise refuse("unit", unit, "not a unit of temperature", "Give C or F.")
        days, lows, highs = station.read_days(list(dates), list(t_min), list(t_max), unit)
        means = station.months_measured(days, lows, highs)
        short = [f"month {k} measured in {len(known)}" for k, known in enumerate(means, 1) if len(known) < _LEAST_YEARS]
        if short:
            remedy = "Give a record of three years or more."
            raise Refused([Fault("too few years", remedy, "record", None, "date", month) for month in short])
        variance = np.array([known.mean(axis=1).var(ddof=1) for known in means])
        year_sd = np.sqrt((np.roll(variance, 1) + 2 * variance + np.roll(variance, -1)) / 4)
        normals = np.array([known.mean(axis=0) for known in means])
        if persistence is None:
            years = sum(map(len, means)) / 12
            persistence = _persistence(days, (lows + highs) / 2, tuple(normals.mean(axis=1).tolist()), years)
        return cls(normals[:, 0].tolist(), normals[:, 1].tolist(), year_sd.tolist(), persistence)

    def shifted(self, weeks: int) -> Climate:
        """Return the climate whose seasons come later by some weeks; by 26 weeks, of the other hemisphere."""
        return replace(self, delay=self.delay + whole("weeks", weeks, -MOST_WEEKS // 2, MOST_WEEKS // 2))

    def normal(self, week: Week | str) -> tuple[float, float]:
        """Return the normal mean daily minimum and maximum of a week [°C]."""
        weeks = [Week.parse(week)]
        return float(self._by_week(self.t_min, weeks)[0]), float(self._by_week(self.t_max, weeks)[0])

    def weekly_sd(self, week: Week | str) -> float:
        """Return the interannual standard deviation of the mean temperature of a week [°C]."""
        return float(self._weekly_sds([Week.parse(week)])[0])

    def draw(self, first_week: Week | str, weeks: int, streams: Streams) -> tuple[Array, Array]:
        """Return simulated weather: mean daily minimum and maximum [°C], arrays of shape (weeks, draws).

        It can have 1 to 1,040 weeks. A week has the same weather whatever week is drawn first, and N draws are the
        first N of 2N.
        """
        first, count = Week.parse(first_week), whole("weeks", weeks, 1, MOST_WEEKS)
        drawn = [first + k for k in range(count)]
        p = self.persistence
        before = self.memory
        score = streams.generator("weather", str(first + (-before - 1))).standard_normal(streams.draws)
        departures = np.empty((count, streams.draws))
        for k in range(-before, count):
            fresh = streams.generator("weather", str(first + k)).standard_normal(streams.draws)
            score = p * score + math.sqrt(1 - p * p) * fresh
            departures[max(k, 0)] = score  # what came before is overwritten
        departures *= self._weekly_sds(drawn)[:, None]
        t_min, t_max = (self._by_week(column, drawn)[:, None] + departures for column in (self.t_min, self.t_max))
        return t_min, t_max

    @property
    def memory(self) -> int:
        """Weeks after which nothing is left of the weather of a week."""
        p = self.persistence
        return math.ceil(math.log(_FORGOTTEN) / math.log(p)) if p > _FORGOTTEN else 0

    @property
    def _sds(self) -> tuple[float, ...]:
        return cast("tuple[float, ...]", self.year_sd)

    def _weekly_sds(self, weeks: Sequence[Week]) -> Array:
        sds = self._by_week(self._sds, weeks)
        if len(self.t_min) == 52:
            return sds
        return np.asarray(np.maximum(sds, 0.0) / math.sqrt(variance_of_mean(_MONTH, self.persistence)))

    def _by_week(self, values: Sequence[float], weeks: Sequence[Week]) -> Array:
        if len(values) == 52:
            at = np.array([(week.week - 1 - self.delay, min(week.week, 52) - 1 - self.delay) for week in weeks])
            return np.asarray(np.array(values)[at % 52].mean(axis=1))  # week 53 lies at 52, which is 0 again, and at 51
        mondays = np.array([(_even_day(week.monday), _even_day(week.monday + timedelta(7))) for week in weeks])
        return _mean_between(tuple(values), *(mondays - self.delay * _YEAR / 52).T)

    def __str__(self) -> str:
        within = Z90 * math.sqrt(sum(sd**2 for sd in self._sds) / len(self._sds))
        by = "month" if len(self.t_min) == 12 else "week"
        return words.climate(t_min=self.t_min, t_max=self.t_max, by=by, within=within)


def _rows(column: object) -> int:
    """Return the number of rows of a column; 0 for a single number."""
    return len(column) if hasattr(column, "__len__") and not isinstance(column, str) else 0


def _fault_of(column: str, value: float, row: int) -> Fault | None:
    if column != "year_sd":
        known = station.COLDEST <= value <= station.WARMEST
        return None if known else station.not_air_temperature("climate", row, column, value)
    problem, remedy = "not a standard deviation", "Give a number from 0 [°C]."
    return None if 0 <= value < math.inf else Fault(problem, remedy, "climate", row, column, value)


@lru_cache(maxsize=64)
def _smooth(values: tuple[float, ...]) -> tuple[float, CubicSpline[np.float64]]:
    """Return the mean of a year and the curve of what is cumulated beyond it."""
    lengths = np.diff(_STARTS)
    mean = float(lengths @ values) / _YEAR
    beyond = np.concatenate([[0.0], np.cumsum(lengths * (np.array(values) - mean))])
    beyond[-1] = 0.0
    return mean, CubicSpline(_STARTS, beyond, bc_type="periodic")


def _mean_between(values: tuple[float, ...], start: Array, end: Array) -> Array:
    """Return the mean of the curve of monthly values between two times [days]."""
    mean, beyond = _smooth(values)
    return np.asarray(mean + (beyond(end % _YEAR) - beyond(start % _YEAR)) / (end - start))


def _even_day(day: date) -> float:
    """Return the beginning of a day [days] on a calendar in which all years are as long."""
    start, end = _STARTS[day.month - 1 : day.month + 1]
    of = calendar.monthrange(day.year, day.month)[1]
    return _YEAR * day.year + float(start + (end - start) * (day.day - 1) / of)


def _persistence(days: NDArray[np.int64], means: Array, normals: tuple[float, ...], years: float) -> float:
    starts, ends = (np.array([_even_day(date.fromordinal(int(day) + k)) for day in days]) for k in (0, 1))
    departures = means - _mean_between(normals, starts, ends)
    weeks = (days - 1) // 7  # the first day of the first year was a Monday
    weeks -= weeks[0]
    count = np.bincount(weeks)
    week = np.where(count >= _LEAST_DAYS, np.bincount(weeks, departures) / np.maximum(count, 1), np.nan)
    pairs = np.column_stack([week[:-1], week[1:]])
    first, second = pairs[~np.isnan(pairs).any(axis=1)].T
    size = math.sqrt(float(first @ first) * float(second @ second))
    if size < 1e-12:
        return PERSISTENCE
    seen = found = float(first @ second) / size
    for _ in range(50):
        lost = variance_of_mean(_MONTH, min(max(found, 0.0), _MOST_PERSISTENT)) / years
        found = seen * (1 - lost) + lost
    return min(max(found, 0.0), _MOST_PERSISTENT)
