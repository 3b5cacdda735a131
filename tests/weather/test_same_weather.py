"""Weather drawn, measured and summed to the last digit, as it was when it was written down.

Whether it is right, other tests say.
"""

from collections.abc import Callable, Sequence
from datetime import date, timedelta

import numpy as np
import pytest
from same_digits import same, weighed

from forecast.streams import Streams
from forecast.weather.climate import Climate, variance_of_mean
from forecast.weather.heat_units import base_from_rates, degree_days
from forecast.weather.measured import daily_persistence, draw_given, observation
from forecast.weeks import Week

LOWS = (-2.0, 0.0, 3.0, 6.0, 10.0, 13.0, 15.0, 15.0, 11.0, 7.0, 3.0, 0.0)
CLIMATE = Climate(LOWS, tuple(low + 8 for low in LOWS), tuple(1 + low / 50 for low in LOWS), persistence=0.4)
FIRST = Week.parse("2027-W05")


def measured() -> list[float]:
    """Of a week before the season, one in it measured whole and one in part."""
    days = {FIRST.monday + timedelta(at): (at % 5 - 2.0, at % 7 + 5.0) for at in (-9, -8, 14, *range(21, 28), 44, 45)}
    return weighed(*draw_given(CLIMATE, days, FIRST, 12, Streams(3, 16)))


def from_days() -> list[float]:
    """Normals and spreads of three years of days."""
    days = [date(2020, 1, 1) + timedelta(at) for at in range(1096)]
    at = np.arange(1096)
    low = 6 - 8 * np.cos(at / 58) + 3 * np.sin(at / 3.1) + 2 * np.sin(at / 17)
    made = Climate.from_daily(days, low, low + 7 + np.sin(at), unit="C")
    return weighed(made.t_min, made.t_max, made.year_sd, [made.persistence])


def heat() -> list[float]:
    low, high = np.array([2.0, 5, 8, 12, 20]), np.array([9.0, 5, 15, 28, 34])
    some = [
        degree_days(low, high, base=6, upper=upper, method=method)
        for method in ("mean", "triangle", "sine")
        for upper in (None, 25)
    ]
    found = base_from_rates([12, 15, 20, 25], [0.031, 0.0592, 0.1166, 0.1740])
    return [*weighed(*some), found.base, found.degree_days]


def laws() -> list[float]:
    seen = [number for days in ([0], [2, 3], [1, 4, 6]) for number in observation(days, 0.3)]
    weeks = [*CLIMATE.normal(FIRST), CLIMATE.weekly_sd(FIRST), CLIMATE.memory, *CLIMATE.shifted(9).normal(FIRST)]
    return [*seen, *weeks, daily_persistence(0.3), variance_of_mean(7, 0.4)]


CASES: dict[str, Callable[[], list[float]]] = {
    "drawn": lambda: weighed(*CLIMATE.draw(FIRST, 60, Streams(3, 8))),
    "measured": measured,
    "from days": from_days,
    "degree-days": heat,
    "laws": laws,
}


KNOWN: dict[str, Sequence[float]] = {
    "drawn": (4368.86393668, 10123.1039367),
    "measured": (561.947191266, 2838.34490555),
    "from days": (108.886108389, 233.458988134, 26.9815496676, 0.0618306316878),
    "degree-days": (
        63.666,
        60.722,
        64.3088571429,
        59.5291339286,
        64.541472265,
        58.6122047604,
        9.42184626701,
        90.1066568591,
    ),
    "laws": (
        0.854895212462,
        1.45148944955,
        1.0994704406,
        0.286085971143,
        0.981176970672,
        0.0975431651358,
        -1.09987328973,
        6.90012671027,
        1.50681221288,
        23.0,
        1.20882453616,
        9.20882453616,
        0.735446834866,
        0.288056163265,
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_numbers_are_the_same_to_the_last_digit(name: str) -> None:
    assert CASES[name]() == same(*KNOWN[name])
