"""Climates: what is drawn against the table, closed forms, a real record and records of known climates."""

import calendar
import math
from datetime import date, timedelta
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from refusals import refused
from scipy.optimize import brentq
from seattle_days import HIGH, LOW

from forecast.errors import Refused
from forecast.streams import Streams
from forecast.weather.climate import Climate, _even_day, _mean_between, variance_of_mean
from forecast.weeks import Week
from forecast.words import seasons as words

some = settings(max_examples=60, deadline=None, derandomize=True)
DRAWS = 4096
MONTH = 365.25 / 12 / 7

# Monthly means of the daily extremes of the hourly normals of Seattle, National Oceanic and Atmospheric
# Administration, as in the collection vega-datasets (seattle-temps.csv), in degrees Celsius.
SEATTLE = Climate(
    t_min=[4.2, 4.1, 5.2, 6.6, 9.3, 11.7, 13.6, 13.9, 12.0, 9.0, 6.0, 3.7],
    t_max=[7.3, 8.8, 10.9, 13.4, 16.8, 19.7, 23.3, 23.5, 20.2, 14.4, 9.3, 6.5],
    year_sd=[1.7, 1.6, 1.4, 1.1, 1.2, 1.3, 1.3, 1.1, 1.1, 1.2, 1.3, 1.5],
)
ANGLE = 2 * np.pi * np.arange(52) / 52
WEEKLY = Climate(8 - 6 * np.cos(ANGLE), 16 - 8 * np.cos(ANGLE), 1.5 + 0.5 * np.cos(ANGLE), persistence=0.5)
STEADY = Climate(SEATTLE.t_min, SEATTLE.t_max, 1.5)
EVEN = Climate([5] * 12, [9] * 12, 1)
WEEKLY_ROWS = Climate(range(52), range(1, 53), 1)


def days_of(year, month):
    return [date(year, month, day) for day in range(1, calendar.monthrange(year, month)[1] + 1)]


def weeks_of(year, month):
    """ISO weeks whose Thursday lies in a month."""
    return [Week.of(day) for day in days_of(year, month) if day.weekday() == 3]


@pytest.fixture(scope="module", params=[SEATTLE, WEEKLY], ids=["months", "weeks"])
def drawn(request):
    low, high = request.param.draw("2027-W01", 104, Streams(3, DRAWS))
    return request.param, [Week(2027, 1) + k for k in range(104)], low, high


@pytest.mark.parametrize("year", [2027, 2028])
def test_the_days_of_every_month_have_the_normal_of_the_month_as_their_mean(year):
    for column in (SEATTLE.t_min, SEATTLE.t_max, tuple(np.random.default_rng(1).uniform(-20, 30, 12).tolist())):
        for month in range(1, 13):
            starts = np.array([_even_day(day) for day in days_of(year, month)])
            ends = np.array([_even_day(day + timedelta(1)) for day in days_of(year, month)])
            assert _mean_between(column, starts, ends).mean() == pytest.approx(column[month - 1], abs=1e-9)


def test_the_weeks_of_every_month_have_the_normal_of_the_month_as_their_mean():
    by_month = {month: [] for month in range(1, 13)}
    for year in range(2001, 2029):  # after 28 years the calendar begins again
        for month in range(1, 13):
            by_month[month] += [SEATTLE.normal(Week.of(day)) for day in days_of(year, month)]
    found = np.array([np.mean(values, axis=0) for values in by_month.values()]).T
    assert found == pytest.approx(np.array([SEATTLE.t_min, SEATTLE.t_max]), abs=0.05)


def test_the_curve_of_monthly_normals_has_no_step_at_the_new_year_or_elsewhere():
    days = [date(2027, 1, 1) + timedelta(k) for k in range(3 * 365)]
    at = np.array([_even_day(day) for day in days])
    daily = _mean_between(SEATTLE.t_max, at[:-1], at[1:])
    assert np.abs(np.diff(daily)).max() < 0.25
    assert np.abs(np.diff(daily, 2)).max() < 0.03
    assert daily[:364] == pytest.approx(daily[-364:], abs=0.25)  # two years later, with a leap day between


def test_weekly_normals_are_read_from_the_table_and_week_53_lies_between_its_neighbours():
    for week in (1, 17, 52):
        assert WEEKLY.normal(Week(2026, week)) == pytest.approx((WEEKLY.t_min[week - 1], WEEKLY.t_max[week - 1]))
    assert WEEKLY.normal("2026-W53") == pytest.approx(((WEEKLY.t_min[51] + WEEKLY.t_min[0]) / 2, 8), abs=0.05)
    assert WEEKLY.weekly_sd("2026-W27") == pytest.approx(WEEKLY.year_sd[26])


def test_drawn_weeks_have_the_mean_of_the_table(drawn):
    climate, weeks, low, high = drawn
    for values, i in ((low, 0), (high, 1)):
        normals = np.array([climate.normal(week)[i] for week in weeks])
        errors = np.array([climate.weekly_sd(week) for week in weeks]) / math.sqrt(DRAWS)
        assert (np.abs(values.mean(axis=1) - normals) < 4 * errors).all()


def test_drawn_weeks_have_the_spread_of_the_table(drawn):
    climate, weeks, low, _ = drawn
    spreads = np.array([climate.weekly_sd(week) for week in weeks])
    assert (np.abs(low.std(axis=1, ddof=1) / spreads - 1) < 4 / math.sqrt(2 * DRAWS)).all()


def test_minimum_and_maximum_depart_alike(drawn):
    climate, weeks, low, high = drawn
    ranges = np.array([np.subtract(*climate.normal(week)[::-1]) for week in weeks])
    assert np.abs(high - low - ranges[:, None]).max() < 1e-9


@pytest.mark.parametrize("lag", [1, 2, 3])
def test_weeks_are_correlated_by_powers_of_the_persistence(drawn, lag):
    climate, _, low, _ = drawn
    found = np.array([np.corrcoef(low[k], low[k + lag])[0, 1] for k in range(len(low) - lag)])
    right = climate.persistence**lag
    assert (np.abs(found - right) < 4 * (1 - right**2) / math.sqrt(DRAWS)).all()


def test_the_mean_of_a_month_has_the_stated_spread():
    """Months of four weeks a little more, of five a little less, and both together what is stated."""
    low, _ = SEATTLE.draw("2027-W01", 104, Streams(3, DRAWS))
    within = []
    for year in (2027, 2028):
        for month in range(1, 13):
            weeks = weeks_of(year, month)
            start = weeks[0] - Week(2027, 1)
            found = low[start : start + len(weeks)].mean(axis=0).std(ddof=1)
            part = variance_of_mean(len(weeks), 0.3) / variance_of_mean(MONTH, 0.3)
            right = SEATTLE.year_sd[month - 1] * math.sqrt(part)
            assert found == pytest.approx(right, rel=0.01 + 4 / math.sqrt(2 * DRAWS))  # the spread bends in a month
            within.append((found / SEATTLE.year_sd[month - 1]) ** 2)
    assert np.mean(within) == pytest.approx(1, abs=0.02)


@some
@given(weeks=st.integers(1, 60), persistence=st.floats(0, 0.95))
def test_the_variance_of_a_mean_is_the_sum_of_its_covariances(weeks, persistence):
    at = np.arange(weeks)
    right = (persistence ** np.abs(at[:, None] - at)).mean()
    assert variance_of_mean(weeks, persistence) == pytest.approx(right, rel=1e-9)


def test_means_of_four_and_five_drawn_weeks_have_their_closed_variances():
    low, _ = STEADY.draw("2027-W10", 5, Streams(8, DRAWS))
    one = STEADY.weekly_sd("2027-W10")
    for weeks in (4, 5):
        right = one * math.sqrt(variance_of_mean(weeks, 0.3))
        assert low[:weeks].mean(axis=0).std(ddof=1) == pytest.approx(right, rel=4 / math.sqrt(2 * DRAWS))
    assert one == pytest.approx(1.5 / math.sqrt(variance_of_mean(MONTH, 0.3)))


@pytest.mark.parametrize("climate", [SEATTLE, WEEKLY], ids=["months", "weeks"])
def test_half_a_year_later_is_the_other_hemisphere(climate):
    south = climate.shifted(26)
    for k in range(104):
        week = Week(2027 + k // 52, k % 52 + 1)
        there = Week(2027 + k // 52, (k + 26) % 52 + 1)
        # Weeks wander by some days against the months.
        assert south.normal(week) == pytest.approx(climate.normal(there), abs=1e-9 if climate is WEEKLY else 0.5)
    assert south.normal("2027-W03")[0] > south.normal("2027-W29")[0] + 5
    assert south.shifted(26) == south.shifted(-26) == climate.shifted(52) == climate


@some
@given(first=st.integers(-60, 60), then=st.integers(-60, 60), week=st.integers(1, 53))
def test_shifts_add_up(first, then, week):
    for climate in (SEATTLE, WEEKLY):
        assert climate.shifted(first).shifted(then) == climate.shifted(first + then)
    later = WEEKLY.shifted(first).normal(Week(2026, 20))[0]
    assert later == pytest.approx(8 - 6 * np.cos(2 * np.pi * (19 - first) / 52))
    assert WEEKLY.shifted(52).normal(Week(2026, week)) == WEEKLY.normal(Week(2026, week))


def test_seasons_that_come_a_quarter_later_reach_a_week_a_quarter_later():
    for week in (5, 18, 31, 44):
        later = SEATTLE.shifted(13).normal(Week(2027, week) + 13)
        assert later == pytest.approx(SEATTLE.normal(Week(2027, week)), abs=0.5)


def test_both_hemispheres_share_the_departures_of_a_week():
    north, south = (climate.draw("2027-W10", 20, Streams(5, 64))[0] for climate in (STEADY, STEADY.shifted(26)))
    apart = [STEADY.normal(Week(2027, 10) + k)[0] - STEADY.shifted(26).normal(Week(2027, 10) + k)[0] for k in range(20)]
    assert north - south == pytest.approx(np.broadcast_to(np.array(apart)[:, None], north.shape))


@pytest.mark.parametrize("draws", [1, 100, 512, 777])
def test_n_draws_are_the_first_n_of_twice_as_many(draws):
    few, many = (SEATTLE.draw("2027-W10", 30, Streams(7, n)) for n in (draws, 2 * draws))
    for short, long in zip(few, many, strict=True):
        assert short.shape == (30, draws)
        assert np.array_equal(short, long[:, :draws])


@pytest.mark.parametrize("persistence", [0, 0.3, 0.95])
def test_a_week_has_the_same_weather_whichever_week_is_drawn_first(persistence):
    climate = Climate(SEATTLE.t_min, SEATTLE.t_max, 1.5, persistence)
    long = climate.draw("2026-W45", 20, Streams(7, 50))[1]
    assert climate.draw("2026-W50", 10, Streams(7, 50))[1] == pytest.approx(long[5:15], abs=1e-7)


def test_other_seeds_give_other_weather_and_no_spread_gives_the_normals():
    first, other = (SEATTLE.draw("2027-W10", 4, Streams(seed, 50))[0] for seed in (1, 2))
    assert np.abs(first - other).min() > 0
    low, high = Climate(SEATTLE.t_min, SEATTLE.t_max, 0).draw("2027-W10", 2, Streams(1, 3))
    assert low[1].tolist() == [SEATTLE.normal("2027-W11")[0]] * 3
    assert high[1].tolist() == [SEATTLE.normal("2027-W11")[1]] * 3


def invented(years, seed, *, year_sd=2.5, persistence=0.4, first=date(1991, 1, 1)):
    """A daily record of a climate that runs as a cosine, with weeks that depart by an autoregression."""
    days = [first + timedelta(k) for k in range(round(365.25 * years))]
    ordinals = np.array([day.toordinal() for day in days])
    weeks = (ordinals - 1) // 7 - (ordinals[0] - 1) // 7
    rng = np.random.default_rng(seed)
    scores = [rng.normal()]
    for _ in range(weeks[-1]):
        scores.append(persistence * scores[-1] + math.sqrt(1 - persistence**2) * rng.normal())
    mean = 10 - 9 * np.cos(2 * np.pi * (ordinals - 15) / 365.25) + year_sd * np.array(scores)[weeks]
    return days, mean - 4, mean + 4


def held(days, persistence):
    """Variance of the mean of days in a row, if all days of a week depart alike by 1 and any weekday begins."""
    apart = np.abs(np.arange(days)[:, None] - np.arange(days)) / 7
    whole = np.floor(apart)
    return (persistence**whole * (1 - (1 - persistence) * (apart - whole))).mean()


def test_a_long_record_gives_back_the_climate_it_came_from():
    years, spread, persistence = 40, 2.5, 0.4
    days, low, high = invented(years, 5)
    climate = Climate.from_daily(days, low, high, unit="C")
    months = pd.Series(10 - 9 * np.cos(2 * np.pi * (np.array([d.toordinal() for d in days]) - 15) / 365.25), days)
    right = months.groupby([day.month for day in days]).mean().to_numpy()
    month_spread = spread * math.sqrt(held(30, persistence))
    assert np.abs(np.array(climate.t_min) - (right - 4)).max() < 4 * month_spread / math.sqrt(years)
    assert np.abs(np.array(climate.t_max) - (right + 4)).max() < 4 * month_spread / math.sqrt(years)
    error = 1 / math.sqrt(2 * (years - 1) * 8 / 3)  # of a spread smoothed by 1:2:1
    assert np.abs(np.array(climate.year_sd) / month_spread - 1).max() < 4 * error + 0.03  # months of 28 and 31 days
    assert climate.persistence == pytest.approx(persistence, abs=4 * (1 - persistence**2) / math.sqrt(52 * years))


def test_short_records_give_back_spread_and_persistence_on_average():
    """Plain correlations of departures from the normals of the same three years would be a fifth lower."""
    found = [Climate.from_daily(*invented(3.01, seed), unit="C") for seed in range(60)]
    persistence = [climate.persistence for climate in found]
    assert np.mean(persistence) == pytest.approx(0.4, abs=4 * np.std(persistence) / math.sqrt(60))
    assert np.std(persistence) < 0.12
    variance = [np.mean(np.square(climate.year_sd)) for climate in found]
    right = 2.5**2 * held(30, 0.4)
    assert np.mean(variance) == pytest.approx(right, abs=4 * np.std(variance) / math.sqrt(60))


def test_a_real_record_gives_the_means_and_spreads_that_its_months_have():
    climate = Climate.from_daily(LOW, LOW.values(), HIGH.values(), unit="F")
    frame = (pd.DataFrame({"t_min": LOW, "t_max": HIGH}) - 32) / 1.8
    frame.index = pd.DatetimeIndex(frame.index)
    monthly = frame.resample("MS").mean()
    normals = monthly.groupby(monthly.index.month).mean()
    assert climate.t_min == pytest.approx(normals["t_min"].to_numpy())
    assert climate.t_max == pytest.approx(normals["t_max"].to_numpy())
    variance = monthly.mean(axis=1).groupby(monthly.index.month).var().to_numpy()
    smooth = [(variance[m - 1] + 2 * variance[m] + variance[(m + 1) % 12]) / 4 for m in range(12)]
    assert np.square(climate.year_sd) == pytest.approx(smooth)
    # By another route: weekly means of what is left of a fit by three waves a year.
    angle = 2 * np.pi * np.outer(np.arange(len(frame)) / 365.25, [1, 2, 3])
    waves = np.column_stack([np.ones(len(frame)), np.sin(angle), np.cos(angle)])
    mean = frame.mean(axis=1)
    rest = mean - waves @ np.linalg.lstsq(waves, mean.to_numpy(), rcond=None)[0]
    weekly = rest.resample("W").mean()
    assert climate.persistence == pytest.approx(weekly.autocorr(1), abs=0.1)
    # Its weeks vary as its months say, as far as three degrees of freedom a month can tell.
    spreads = [climate.weekly_sd(Week(2027, week)) for week in range(1, 53)]
    assert np.sqrt(np.mean(np.square(spreads))) == pytest.approx(weekly.std(), rel=0.25)


def test_the_unit_order_and_kind_of_a_record_do_not_matter():
    plain = Climate.from_daily(LOW, LOW.values(), HIGH.values(), unit="F")
    celsius = Climate.from_daily(
        [str(day) for day in reversed(LOW)],
        [str((t - 32) / 1.8) for t in reversed(LOW.values())],
        [(t - 32) / 1.8 for t in reversed(HIGH.values())],
        unit="C",
    )
    stamps = pd.DatetimeIndex(list(LOW))
    kinds = [Climate.from_daily(days, LOW.values(), HIGH.values(), unit="F") for days in (stamps, stamps.to_numpy())]
    for other in (celsius, *kinds):
        for name in ("t_min", "t_max", "year_sd", "persistence"):
            assert getattr(other, name) == pytest.approx(getattr(plain, name))


def test_gaps_and_the_29th_of_february_do_no_harm():
    plain = Climate.from_daily(LOW, LOW.values(), HIGH.values(), unit="F", persistence=0.3)
    rng = np.random.default_rng(4)
    gone = {date(year, month, int(day)) for year in range(2012, 2016) for month in range(1, 13)
            for day in 5 * rng.permutation(5)[:3] + 2}  # fmt: skip
    low = [None if day in gone else LOW[day] for day in LOW]
    high = [math.nan if day in gone else HIGH[day] for day in LOW]
    for values in ((LOW, low, HIGH.values()), (LOW, LOW.values(), high)):
        found = Climate.from_daily(*values, unit="F")
        assert found.t_min == pytest.approx(plain.t_min, abs=0.5)
        assert found.persistence == pytest.approx(0.36, abs=0.05)
    kept = [day for day in LOW if day != date(2012, 2, 29)]
    without = Climate.from_daily(kept, [LOW[day] for day in kept], [HIGH[day] for day in kept], unit="F")
    leap = [LOW[day] for day in days_of(2012, 2)]
    moved = (np.mean(leap) - np.mean(leap[:-1])) / 1.8 / 4
    assert np.subtract(plain.t_min, without.t_min) == pytest.approx([0, moved] + [0] * 10)


@pytest.mark.parametrize(("missing", "counts"), [((1, 5, 9, 13, 17), True), ((1, 5, 9, 13, 17, 21), False),
                                                 ((29, 30, 31), True), ((1, 2, 3, 4), False)])  # fmt: skip
def test_a_month_counts_unless_it_lacks_more_than_five_days_or_three_in_a_row(missing, counts):
    march = 40 + np.arange(31)
    kept = [day for day in LOW if not (day.year == 2013 and day.month == 3 and day.day in missing)]
    low = {day: LOW[day] for day in kept} | {date(2013, 3, i + 1): march[i] for i in range(31) if i + 1 not in missing}
    found = Climate.from_daily(kept, [low[day] for day in kept], [max(HIGH[d], low[d]) for d in kept], unit="F")
    years = [np.mean([LOW[day] for day in days_of(year, 3)]) for year in (2012, 2014, 2015)]
    if counts:
        years.append(np.mean([low[day] for day in kept if (day.year, day.month) == (2013, 3)]))
    assert found.t_min[2] == pytest.approx((np.mean(years) - 32) / 1.8)


def test_a_stated_persistence_is_kept_and_a_record_without_departures_takes_the_usual_one():
    assert Climate.from_daily(LOW, LOW.values(), HIGH.values(), unit="F", persistence=0.2).persistence == 0.2
    days = list(LOW)
    flat = Climate.from_daily(days, [5] * len(days), [9] * len(days), unit="C")
    assert flat == Climate([5] * 12, [9] * 12, 0, 0.3)


def test_all_faults_of_a_record_are_reported_at_once():
    days = ["2026-01-01", "2026-01-02", "2026-01-01", "soon", "2026-01-04"]
    assert refused(Climate.from_daily, days, [1, 9, 1, 1, "x"], [5, 3, 5, 5, 5], unit="C").splitlines() == [
        "record, row 3, column t_max, 3: the maximum is below the minimum of 9. "
        "Give the minimum first, then the maximum.",
        "record, row 4, column date, '2026-01-01': the day is in row 2 already. Keep one row a day.",
        "record, row 5, column date, 'soon': not a date. Write it as 2027-04-13.",
        "record, row 6, column t_min, 'x': not an air temperature in °C. "
        "Check the unit; leave a cell empty if nothing was measured.",
    ]  # fmt: skip


def test_less_than_three_years_of_a_month_are_refused_by_its_name():
    kept = [day for day in LOW if not (day.month == 3 and day.year < 2014)]
    with pytest.raises(Refused, match="record, date, 'month 3 measured in 2': too few years") as refusal:
        Climate.from_daily(kept, [LOW[day] for day in kept], [HIGH[day] for day in kept], unit="F")
    assert len(refusal.value.faults) == 1
    two = [day for day in LOW if day.year < 2014]
    with pytest.raises(Refused) as refusal:
        Climate.from_daily(two, [LOW[day] for day in two], [HIGH[day] for day in two], unit="F")
    assert len(refusal.value.faults) == 12


def test_equal_columns_of_any_kind_make_equal_climates():
    assert Climate(SEATTLE.t_min, SEATTLE.t_max, np.float32(1.5)) == STEADY
    assert hash(STEADY) == hash(Climate(np.array(SEATTLE.t_min), SEATTLE.t_max, [1.5] * 12))


def test_a_text_has_the_root_mean_square_of_the_standard_deviations():
    """Of 3 and 4 it is 3.536, and 1.645 times that 5.8."""
    by_month, by_week = [5] * 12, [5] * 52
    assert str(Climate(by_month, by_month, [3, 4] * 6)) == words.climate(
        t_min=by_month, t_max=by_month, by="month", within=5.8
    )
    assert str(Climate(by_week, by_week, 0)) == words.climate(t_min=by_week, t_max=by_week, by="week", within=0)


NOT_A_YEAR = "not a year. Give 12 months from January, or ISO weeks 1 to 52."
NOT_AIR = "not an air temperature in °C. Give a temperature in °C; from °F it is (°F - 32) / 1.8."
NOT_AN_SD = "not a standard deviation. Give a number from 0 [°C]."
NOT_PERSISTENCE = "not usable. Give a number from 0 to 0.95, such as 0.3."
BELOW = "the maximum is below the minimum of 6.0. Give the minimum first, then the maximum."
LEAP = "the maxima would fall below the minima within a month. The daily range leaps from month to month; "
LEAP += "give weekly normals."


def in_rows(rows, cell, problem):
    return f"climate, {rows}, column {cell}: {problem}"


def whole(low, high):
    return f"not usable. Give a whole number from {low} to {high}."


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: Climate("cold", [9] * 12, 1), f"t_min, '0 rows': {NOT_A_YEAR}"),
        (lambda: Climate([5] * 11, [9] * 12, 1), f"t_min, '11 rows': {NOT_A_YEAR}"),
        (lambda: Climate([5] * 12, 9, 1), "t_max, '0 rows': not as many as minima. Give 12 numbers."),
        (lambda: Climate([5] * 12, [9] * 52, 1), "t_max, '52 rows': not as many as minima. Give 12 numbers."),
        (lambda: Climate([5] * 52, [9] * 52, [1] * 12), "year_sd, '12 rows': not as many as minima. Give 52 numbers."),
        (lambda: Climate([5] * 12, [9] * 12, [1] * 11 + [math.nan]), in_rows("row 13", "year_sd, nan", NOT_AN_SD)),
        (lambda: Climate([5] * 12, [9] * 12, -1), in_rows("rows 2 to 13", "year_sd, -1.0", NOT_AN_SD)),
        (lambda: Climate([5] * 12, [9] * 12, [math.inf] * 12), in_rows("rows 2 to 13", "year_sd, inf", NOT_AN_SD)),
        (lambda: Climate([5, *[-90.5] * 11], [9] * 12, 1), in_rows("rows 3 to 13", "t_min, -90.5", NOT_AIR)),
        (lambda: Climate([5] * 11 + [None], [9] * 12, 1), in_rows("row 13", "t_min, nan", NOT_AIR)),
        (lambda: Climate([5] * 12, [75] * 12, 1), in_rows("rows 2 to 13", "t_max, 75.0", NOT_AIR)),
        (lambda: Climate([5, 6, *[5] * 10], [9, 5, *[9] * 10], 1), in_rows("row 3", "t_max, 5.0", BELOW)),
        (lambda: Climate([5] * 12, [9] * 12, 1, 0.951), f"persistence, 0.951: {NOT_PERSISTENCE}"),
        (lambda: Climate([5] * 12, [9] * 12, 1, -0.1), f"persistence, -0.1: {NOT_PERSISTENCE}"),
        (lambda: Climate([5] * 12, [9] * 12, 1, None), f"persistence, nan: {NOT_PERSISTENCE}"),
        (lambda: Climate([5] * 12, [9] * 12, 1, delay=1041), f"delay, '1041': {whole(-1040, '1,040')}"),
        (lambda: Climate([5] * 12, [9] * 12, 1, delay=0.5), f"delay, '0.5': {whole(-1040, '1,040')}"),
        (lambda: Climate([0] * 12, [0.1, 15] * 6, 1), f"t_max: {LEAP}"),
        (lambda: EVEN.shifted(0.5), f"weeks, '0.5': {whole(-520, 520)}"),
        (lambda: EVEN.shifted(521), f"weeks, '521': {whole(-520, 520)}"),
        (lambda: EVEN.shifted(-521), f"weeks, '-521': {whole(-520, 520)}"),
        (lambda: EVEN.draw("2027-W01", 1041, Streams(1, 1)), f"weeks, '1041': {whole(1, '1,040')}"),
        (lambda: EVEN.draw("2027-W01", 0, Streams(1, 1)), f"weeks, '0': {whole(1, '1,040')}"),
        (lambda: Climate.from_daily([], [], [], unit="K"), "unit, 'K': not a unit of temperature. Give C or F."),
    ],
)
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
    assert refused(Climate, [0] * 12, np.roll([15.0] * 10 + [0.1] * 2, month), 1).startswith("t_max: the maxima")


@pytest.mark.parametrize(("persistence", "weeks"), [(0, 0), (1e-9, 0), (0.3, 18), (0.5, 30), (0.95, 405)])
def test_after_so_many_weeks_a_thousand_millionth_of_the_weather_is_left(persistence, weeks):
    climate = Climate([5] * 12, [9] * 12, 1, persistence)
    assert climate.memory == weeks
    if weeks:
        assert persistence**weeks <= 1e-9 < persistence ** (weeks - 1)


def test_a_week_takes_its_own_row_and_a_later_season_that_of_weeks_before():
    assert WEEKLY_ROWS.normal("2027-W01") == (0, 1)
    assert WEEKLY_ROWS.normal(Week(2027, 52)) == (51, 52)
    assert WEEKLY_ROWS.shifted(3).normal("2027-W10") == (6, 7)
    assert WEEKLY_ROWS.shifted(-3).normal("2027-W50") == (0, 1)
    assert all(type(number) is float for number in WEEKLY_ROWS.normal("2027-W10"))
    assert type(EVEN.weekly_sd("2027-W10")) is float


def test_months_all_alike_give_weeks_all_alike_and_a_spread_by_closed_form():
    for week in (1, 20, 53):
        assert EVEN.normal(Week(2026, week)) == pytest.approx((5, 9), abs=1e-12)
        assert EVEN.weekly_sd(Week(2026, week)) == pytest.approx(1 / math.sqrt(variance_of_mean(MONTH, 0.3)))
    assert Climate([5] * 52, [9] * 52, 1).weekly_sd("2027-W10") == 1


def test_the_clock_of_the_year_has_a_february_of_28_days_and_a_quarter():
    assert _even_day(date(2027, 1, 1)) == 365.25 * 2027
    assert _even_day(date(2027, 3, 1)) - _even_day(date(2027, 1, 1)) == pytest.approx(59.25)
    assert _even_day(date(2028, 2, 29)) - _even_day(date(2028, 2, 1)) == pytest.approx(28 * 28.25 / 29)
    assert _even_day(date(2027, 12, 31)) - _even_day(date(2027, 1, 1)) == pytest.approx(364.25)


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
        monday, next_monday = _even_day(week.monday), _even_day(week.monday + timedelta(7))
        usual = mean(monday, next_monday)
        assert climate.normal(week) == pytest.approx((usual, usual + 8), abs=0.03)
        later = 13 * 365.25 / 52
        assert climate.shifted(13).normal(week)[0] == pytest.approx(mean(monday - later, next_monday - later), abs=0.03)


@pytest.mark.parametrize("climate", [WEEKLY_ROWS, Climate(WEEKLY_ROWS.t_min, WEEKLY_ROWS.t_max, 2, 0), EVEN])
def test_the_weather_of_a_week_is_the_sum_of_what_was_fresh_in_it_and_in_the_weeks_before(climate):
    first, streams, p = Week(2027, 10), Streams(4, 6), climate.persistence
    low, high = climate.draw(first, 5, streams)
    assert (low.shape, low.dtype, high.shape, high.dtype) == ((5, 6), np.float64, (5, 6), np.float64)
    for k in range(5):
        fresh = [streams.generator("weather", str(first + (k - j))).standard_normal(6) for j in range(30)]
        score = math.sqrt(1 - p * p) * sum(p**j * one for j, one in enumerate(fresh))
        departure = climate.weekly_sd(first + k) * score
        usual = climate.normal(first + k)
        assert low[k] == pytest.approx(usual[0] + departure, abs=1e-7)
        assert high[k] == pytest.approx(usual[1] + departure, abs=1e-7)


def test_every_month_short_of_three_years_is_reported_and_three_are_enough():
    days = [date(2001, 1, 1) + timedelta(k) for k in range(3 * 365 - 31)]
    assert refused(Climate.from_daily, days, [5] * len(days), [9] * len(days), unit="C") == (
        "record, date, 'month 12 measured in 2': too few years. Give a record of three years or more."
    )


def persistence_of(record, climate, years):
    """From weekly means of departures of five days or more, with what estimated normals take away put back."""
    days = list(record)
    starts, ends = (np.array([_even_day(day + timedelta(k)) for day in days]) for k in (0, 1))
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


ENDS = [10.0, *[0.0] * 50, 4.0]  # weeks 1 to 52
FIRST_AND_LAST = Climate(ENDS, [value + 6 for value in ENDS], [2.0, *[1.0] * 50, 3.0])


def test_week_53_has_the_mean_of_week_52_and_week_1():
    assert FIRST_AND_LAST.normal("2026-W53") == (7.0, 13.0)
    assert FIRST_AND_LAST.weekly_sd("2026-W53") == 2.5
    assert FIRST_AND_LAST.normal("2026-W52") == (4.0, 10.0)
    assert FIRST_AND_LAST.normal("2027-W01") == (10.0, 16.0)
    assert FIRST_AND_LAST.normal("2027-W02") == (0.0, 6.0)


@pytest.mark.parametrize(("week", "low"), [("2027-W27", 10.0), ("2027-W26", 4.0), ("2027-W28", 0.0), ("2026-W53", 0.0)])
def test_half_a_year_later_the_weeks_are_those_of_half_a_year_before(week, low):
    assert FIRST_AND_LAST.shifted(26).normal(week)[0] == low


def test_a_week_later_week_53_takes_weeks_51_and_52():
    assert FIRST_AND_LAST.shifted(1).normal("2026-W53")[0] == 2.0
    assert FIRST_AND_LAST.shifted(1).normal("2027-W01")[0] == 4.0


def test_a_column_that_changes_later_changes_no_climate():
    low = [1.0] * 12
    climate = Climate(low, [9.0] * 12, 1)
    low[0] = -30.0
    assert climate.normal("2027-W02")[0] == 1.0
    assert climate.year_sd == (1.0,) * 12
