"""What climates say and refuse, word for word; normals by closed form; and the persistence of a record by hand."""

import math
from datetime import date, timedelta
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import brentq
from seattle_days import HIGH, LOW

from forecast.errors import Refused
from forecast.streams import Streams
from forecast.weather.climate import Climate, _clock, _mean_between, variance_of_mean
from forecast.weeks import Week

EVEN = Climate([5] * 12, [9] * 12, 1)
WEEKLY = Climate(range(52), range(1, 53), 1)
MONTH = 365.25 / 12 / 7


def refused(call):
    with pytest.raises(Refused) as refusal:
        call()
    return str(refusal.value)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: Climate("cold", [9] * 12, 1),
         "low, '0 rows': not a year. Give 12 months from January, or ISO weeks 1 to 52."),
        (lambda: Climate([5] * 12, 9, 1), "high, '0 rows': not as many as minima. Give 12 numbers."),
        (lambda: Climate([5] * 52, [9] * 52, [1] * 12), "spread, '12 rows': not as many as minima. Give 52 numbers."),
        (lambda: Climate([5] * 12, [9] * 12, [1] * 11 + [math.nan]),
         "climate, row 13, column spread, nan: not a standard deviation. Give a number from 0 [°C]."),
        (lambda: Climate([5, *[-90.5] * 11], [9] * 12, 1),
         "climate, rows 3 to 13, column low, -90.5: not a temperature of air in degrees Celsius. "
         "Give a number of degrees Celsius: (F - 32) / 1.8 from Fahrenheit."),
        (lambda: Climate([5, 6, *[5] * 10], [9, 5, *[9] * 10], 1),
         "climate, row 3, column high, 5.0: the maximum lies below the minimum of 6.0. "
         "Give the minimum first, then the maximum."),
        (lambda: Climate([5] * 12, [9] * 12, 1, 0.951),
         "persistence, 0.951: not such a correlation. Give a number from 0 to 0.95; 0.3 is usual."),
        (lambda: Climate([5] * 12, [9] * 12, 1, delay=1041),
         "delay, '1041': not usable. Give a whole number from -1040 to 1,040."),
        (lambda: Climate([0] * 12, [0.1, 15] * 6, 1),
         "high, 'as given': the maxima would fall below the minima within a month. "
         "The daily range leaps from month to month; give weekly normals."),
        (lambda: EVEN.shifted(521), "weeks, '521': not usable. Give a whole number from -520 to 520."),
        (lambda: EVEN.shifted(-521), "weeks, '-521': not usable. Give a whole number from -520 to 520."),
        (lambda: EVEN.draw("2027-W01", 1041, Streams(1, 1)),
         "weeks, '1041': not usable. Give a whole number from 1 to 1,040."),
        (lambda: EVEN.draw("2027-W01", 0, Streams(1, 1)),
         "weeks, '0': not usable. Give a whole number from 1 to 1,040."),
    ],
)  # fmt: skip
def test_what_is_no_climate_or_cannot_be_drawn_is_refused_word_for_word(call, said):
    assert refused(call) == said


def test_what_lies_on_the_edge_of_what_is_allowed_is_taken():
    edge = Climate([-90] * 12, [60] * 12, 0, 0.95, -1040)
    assert (edge.t_min, edge.t_max, edge.year_sd, edge.persistence) == ((-90,) * 12, (60,) * 12, (0,) * 12, 0.95)
    assert Climate([5] * 12, [5] * 12, 1, 0).t_max == (5,) * 12
    assert EVEN.shifted(520).delay == EVEN.shifted(-520).delay == 0
    assert Climate([5] * 12, [9] * 12, 1, delay=1040).delay == 0
    assert Climate([5] * 12, [9] * 12, 1, delay=-1).delay == 51
    assert EVEN.draw("2027-W01", 1040, Streams(1, 1))[0].shape == (1040, 1)


@pytest.mark.parametrize("month", range(12))
def test_a_leap_of_the_daily_range_is_refused_in_any_month(month):
    """From 15 degrees to 0.1 the smooth range would fall below 0; from 15 to 8 it does not."""
    assert Climate([0] * 12, np.roll([15.0] * 10 + [8.0] * 2, month), 1).t_min == (0,) * 12
    assert refused(lambda: Climate([0] * 12, np.roll([15.0] * 10 + [0.1] * 2, month), 1)).startswith("high, 'as given'")


def test_a_climate_is_said_with_its_extremes_and_how_years_differ():
    """The root mean square of 3 and 4 is 3.536, and 1.645 times that 5.8."""
    year = Climate([3.04, *[5] * 11], [*[9] * 11, 12.96], [3, 4] * 6)
    assert str(year) == (
        "minima of 3.0 to 5.0 and maxima of 9.0 to 13.0 °C by month; nine years in ten within 5.8 °C of the usual"
    )
    assert str(Climate([5] * 52, [9] * 52, 0)) == (
        "minima of 5.0 to 5.0 and maxima of 9.0 to 9.0 °C by week; the same every year"
    )


@pytest.mark.parametrize(("persistence", "weeks"), [(0, 0), (1e-9, 0), (0.3, 18), (0.5, 30), (0.95, 405)])
def test_after_so_many_weeks_a_thousand_millionth_of_the_weather_is_left(persistence, weeks):
    climate = Climate([5] * 12, [9] * 12, 1, persistence)
    assert climate.memory == weeks
    if weeks:
        assert persistence**weeks <= 1e-9 < persistence ** (weeks - 1)


def test_a_week_takes_its_own_row_and_a_later_season_that_of_weeks_before():
    assert WEEKLY.normal("2027-W01") == (0, 1)
    assert WEEKLY.normal(Week(2027, 52)) == (51, 52)
    assert WEEKLY.shifted(3).normal("2027-W10") == (6, 7)
    assert WEEKLY.shifted(-3).normal("2027-W50") == (0, 1)
    assert all(type(number) is float for number in WEEKLY.normal("2027-W10"))
    assert type(EVEN.weekly_spread("2027-W10")) is float


def test_months_all_alike_give_weeks_all_alike_and_a_spread_by_closed_form():
    for week in (1, 20, 53):
        assert EVEN.normal(Week(2026, week)) == pytest.approx((5, 9), abs=1e-12)
        assert EVEN.weekly_spread(Week(2026, week)) == pytest.approx(1 / math.sqrt(variance_of_mean(MONTH, 0.3)))
    assert Climate([5] * 52, [9] * 52, 1).weekly_spread("2027-W10") == 1


def test_the_clock_of_the_year_has_a_february_of_28_days_and_a_quarter():
    assert _clock(date(2027, 1, 1)) == 365.25 * 2027
    assert _clock(date(2027, 3, 1)) - _clock(date(2027, 1, 1)) == pytest.approx(59.25)
    assert _clock(date(2028, 2, 29)) - _clock(date(2028, 2, 1)) == pytest.approx(28 * 28.25 / 29)
    assert _clock(date(2027, 12, 31)) - _clock(date(2027, 1, 1)) == pytest.approx(364.25)


def test_every_month_of_normals_is_the_derivative_of_a_periodic_spline_of_sums():
    """A cosine through the year, by its exact mean over each month: the curve returns its means over weeks."""
    angle = 2 * math.pi / 365.25
    starts = np.cumsum([0, 31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])

    def mean(start, end):
        return 12 - 9 * (np.sin(angle * end) - np.sin(angle * start)) / (angle * (end - start))

    months = tuple(mean(starts[:-1], starts[1:]).tolist())
    weeks = np.arange(0, 365.25 - 7, 3.5)
    assert _mean_between(months, weeks, weeks + 7) == pytest.approx(mean(weeks, weeks + 7), abs=0.03)
    climate = Climate(months, [month + 8 for month in months], 1)
    for week in (Week(2027, 1), Week(2027, 14), Week(2028, 9), Week(2026, 53)):
        monday, next_monday = _clock(week.monday), _clock(week.monday + timedelta(7))
        usual = mean(monday, next_monday)
        assert climate.normal(week) == pytest.approx((usual, usual + 8), abs=0.03)
        later = 13 * 365.25 / 52
        assert climate.shifted(13).normal(week)[0] == pytest.approx(mean(monday - later, next_monday - later), abs=0.03)


@pytest.mark.parametrize("climate", [WEEKLY, Climate(WEEKLY.t_min, WEEKLY.t_max, 2, 0), EVEN])
def test_the_weather_of_a_week_is_the_sum_of_what_was_fresh_in_it_and_in_the_weeks_before(climate):
    first, streams, p = Week(2027, 10), Streams(4, 6), climate.persistence
    low, high = climate.draw(first, 5, streams)
    assert (low.shape, low.dtype, high.shape, high.dtype) == ((5, 6), np.float64, (5, 6), np.float64)
    for k in range(5):
        fresh = [streams.generator("weather", str(first + (k - j))).standard_normal(6) for j in range(30)]
        score = math.sqrt(1 - p * p) * sum(p**j * one for j, one in enumerate(fresh))
        departure = climate.weekly_spread(first + k) * score
        usual = climate.normal(first + k)
        assert low[k] == pytest.approx(usual[0] + departure, abs=1e-7)
        assert high[k] == pytest.approx(usual[1] + departure, abs=1e-7)


def test_every_month_short_of_three_years_is_told_and_three_are_enough():
    days = [date(2001, 1, 1) + timedelta(k) for k in range(3 * 365 - 31)]
    assert refused(lambda: Climate.from_daily(days, [5] * len(days), [9] * len(days), unit="C")) == (
        "record, date, 'month 12 measured in 2': too few years. Give a record of three years or more."
    )


def persistence_of(record, climate, years):
    """From weekly means of departures of five days or more, with what estimated normals take away put back."""
    days = list(record)
    starts, ends = (np.array([_clock(day + timedelta(k)) for day in days]) for k in (0, 1))
    usual = [(low + high) / 2 for low, high in zip(climate.t_min, climate.t_max, strict=True)]
    apart = np.array([sum(record[day]) / 2 for day in days]) - _mean_between(tuple(usual), starts, ends)
    by_week = pd.Series(apart, pd.DatetimeIndex(days)).resample("W-SUN").agg(["mean", "count"])
    week = by_week["mean"].where(by_week["count"] >= 5).to_numpy()
    pairs = np.array([pair for pair in pairwise(week) if not np.isnan(pair).any()])
    seen = (pairs[:, 0] * pairs[:, 1]).sum() / math.sqrt((pairs**2).sum(axis=0).prod())

    def excess(p):
        lost = variance_of_mean(MONTH, p) / years
        return (p - lost) / (1 - lost) - seen

    return brentq(excess, 0, 0.95)


def test_the_persistence_of_a_record_is_that_of_its_weeks_of_five_days_or_more():
    celsius = {day: ((LOW[day] - 32) / 1.8, (HIGH[day] - 32) / 1.8) for day in LOW}
    gone = {1: (1, 4), 5: (0, 3, 5)}  # weekdays missing in one week of eight, and in another
    thin = {day: pair for day, pair in celsius.items() if day.weekday() not in gone.get(day.isocalendar().week % 8, ())}
    for record in (celsius, thin):
        climate = Climate.from_daily(record, *zip(*record.values(), strict=True), unit="C")
        assert climate.persistence == pytest.approx(persistence_of(record, climate, 4), abs=1e-6)


def test_weather_that_turns_from_week_to_week_has_no_persistence_and_one_that_stays_the_most():
    days = [date(2001, 1, 1) + timedelta(k) for k in range(3 * 365 + 1)]
    turning = [10 + (-1) ** (k // 7) / 100 for k in range(len(days))]
    climate = Climate.from_daily(days, turning, [low + 8 for low in turning], unit="C")
    assert climate.persistence == 0
    years = [{2001: 0, 2002: 4, 2003: 20}.get(day.year, 20) for day in days]
    climate = Climate.from_daily(days, years, [low + 8 for low in years], unit="C")
    assert climate.persistence == 0.95


def test_a_record_in_another_unit_is_refused():
    for unit in ("K", "c", ""):
        assert refused(lambda unit=unit: Climate.from_daily([], [], [], unit=unit)) == (
            f"unit, '{unit}': not a unit of temperature. Give C or F: it is not guessed."
        )
