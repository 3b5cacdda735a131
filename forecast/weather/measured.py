"""Simulated weather given the days that were measured."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date
from functools import lru_cache

import numpy as np
from scipy.optimize import brentq

from forecast.streams import Array, Streams
from forecast.weather.climate import MOST_WEEKS, Climate
from forecast.weeks import Week

Days = Mapping[date, tuple[float, float]]
"""Minimum and maximum [°C] of each day that was measured."""


@lru_cache(maxsize=64)
def daily_persistence(persistence: float) -> float:
    """Return the correlation from day to day with which the means of neighbouring weeks correlate by `persistence`.

    Notes
    -----
    For an autoregression of order one of days, with correlations r^|i - j|.

    Examples
    --------
    >>> round(daily_persistence(0.3), 3)
    0.735
    """

    def beyond(r: float) -> float:
        days = _correlations(r, 14)
        return float(days[:7, 7:].sum() / days[:7, :7].sum()) - persistence

    return float(brentq(beyond, 0, 1 - 1e-9))


def observation(weekdays: Sequence[int], persistence: float) -> tuple[float, float]:
    """Return how the mean of some days of a week (0 for Monday to 6) depends on the mean of the whole week.

    With x the departure of the week over its standard deviation, the mean departure of the days over the same is
    scale (x + e), with e normal of variance `error`: 0 if all seven days were measured. Returns scale and error.

    Notes
    -----
    Days depart by an autoregression of order one with `daily_persistence`; so this is the regression of their mean
    on that of the week.

    Examples
    --------
    >>> [round(number, 3) for number in observation([0, 1, 2], 0.3)]
    [0.981, 0.452]
    """
    if len(weekdays) == 7:
        return 1.0, 0.0
    days, some = _correlations(daily_persistence(persistence), 7), list(weekdays)
    scale = float(days[some].mean() / days.mean())
    return scale, float(days[np.ix_(some, some)].mean() / days.mean()) / scale**2 - 1


def draw_given(
    climate: Climate, measured: Days, first_week: Week | str, weeks: int, streams: Streams
) -> tuple[Array, Array]:
    """Return weather simulated as by `Climate.draw`, in which the measured days, which may be any, are as they were.

    Notes
    -----
    A measured week has its own minimum and maximum. In a week measured in part the measured days count for their
    part, and the others are drawn: from the normal minimum and maximum, with one departure of both.

    Departures x of weeks from the normal mean of minimum and maximum, over their standard deviation, are normal with
    correlations p^|i - j|, as in `Climate`. Measured weeks are observations of them, exact or, of fewer than seven
    days, with an error (see `observation`). With C the correlations, V the errors and K = C (C + V)^-1, x + K (m - x
    - e) is a draw given the observations m for every draw x given none (Matheron's rule), on both sides of a gap. The
    kth week after the last measured one has p^k of its departure, ± sqrt(1 - p^2k) standard deviations (1 SD). Weeks
    so long before `first_week` that nothing is left of them do not count; where nothing was measured, nothing changes.
    A week that never varies says nothing of others.

    References
    ----------
    Chiles, J.-P. and Delfiner, P. (2012). Geostatistics, 2nd ed., ch. 7 (conditioning by kriging). Wiley.
    """
    first = Week.parse(first_week)
    before = min(climate.memory, MOST_WEEKS - weeks)
    known: dict[int, list[tuple[int, float, float]]] = defaultdict(list)
    for day, pair in sorted(measured.items()):
        if -before <= (at := Week.of(day) - first) < weeks:
            known[at].append((day.weekday(), *pair))
    start = min([0, *known])
    t_min, t_max = climate.draw(first + start, weeks - start, streams)
    if known:
        _condition(climate, {at - start: days for at, days in known.items()}, first + start, (t_min, t_max), streams)
    return t_min[-start:], t_max[-start:]


def _condition(
    climate: Climate,
    known: Mapping[int, Sequence[tuple[int, float, float]]],
    first: Week,
    drawn: tuple[Array, Array],
    streams: Streams,
) -> None:
    """Condition drawn weeks, in place, on the measured days (weekday, minimum, maximum) of some of them."""
    every, p = [first + k for k in range(len(drawn[0]))], climate.persistence
    normal = np.array([climate.normal(week) for week in every])
    sd = np.array([climate.weekly_sd(week) for week in every])
    departure = drawn[0] - normal[:, :1]
    means = {at: np.mean([pair for _, *pair in days], axis=0) - normal[at] for at, days in known.items()}
    observed = [at for at in known if sd[at]]
    if observed:
        scale, error = np.array([observation([day for day, *_ in known[at]], p) for at in observed]).T
        seen = np.array([means[at].mean() for at in observed]) / scale
        apart = np.abs(np.subtract.outer(np.arange(len(every)), observed))
        shared = np.power(p, apart)
        missed = (seen[:, None] - departure[observed]) / sd[observed][:, None]
        for row in np.flatnonzero(error):
            luck = streams.generator("measured", str(every[observed[row]])).standard_normal(streams.draws)
            missed[row] -= np.sqrt(error[row]) * luck
        departure += sd[:, None] * (shared @ np.linalg.solve(shared[observed] + np.diag(error), missed))
    for k, column in enumerate(drawn):
        column[:] = normal[:, k, None] + departure
    for at, days in known.items():
        part, mean = len(days) / 7, means[at].mean()
        rest = departure[at] - part * mean if sd[at] else np.zeros(departure.shape[1])
        for k, column in enumerate(drawn):
            column[at] = normal[at, k] + part * means[at][k] + (rest if part < 1 else 0.0)


def _correlations(r: float, days: int) -> Array:
    return np.power(r, np.abs(np.subtract.outer(np.arange(days), np.arange(days))))
