"""What shares, times, amounts, levels and records say and refuse, word for word, to the edge of what is allowed."""

import math
import re
from datetime import date, datetime

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from forecast.errors import Refused
from forecast.rates.amounts import Amount, Count
from forecast.rates.distributions import Duration, Share
from forecast.weather.station import again, contrary, months_measured, not_of_air, number, read_days


def refused(call):
    with pytest.raises(Refused) as refusal:
        call()
    return str(refusal.value)


# Shares and durations


def test_a_share_may_reach_1_and_have_the_least_spread_that_is_told_from_none():
    assert Share(1, 0, "batch").quantile(0.5) == 1
    assert Share(0.8, 1e-6, "batch").sd == 1e-6
    assert Share(0.5, 0.4999, "batch").variance == 0.4999**2
    assert refused(lambda: Share(0.8, 0.9e-6, "batch")).startswith("spread, 9e-07: a spread too small to be meant.")
    assert refused(lambda: Share(0.5, 0.5, "batch")) == (
        "spread, 0.5: no share with a mean of 0.5 has this spread. Give a standard deviation from 0 to below 0.5."
    )
    assert refused(lambda: Share(0, 0, "batch")) == (
        "mean, 0: a share lies above 0 and at most at 1. For 85 % write 0.85."
    )


def test_a_share_without_spread_has_no_finite_parameters_and_keeps_the_shape_asked_for():
    known = Share(0.8, 0, "batch")
    assert known.parameters == (math.inf, math.inf)
    for found in (known.quantile([[0, 1]]), known.cdf([[0, 1]]), known.log_at(np.zeros((1, 2)))):
        assert (found.shape, found.dtype) == ((1, 2), np.float64)
    varied = Share(0.8, 0.1, "batch")
    for found in (varied.quantile([[0, 1]]), varied.cdf([[0, 1]])):
        assert (found.shape, found.dtype) == ((1, 2), np.float64)
        assert found.tolist() == [[0, 1]]


@pytest.mark.parametrize(("survived", "of"), [(0, 1), (1, 1), (3, 7)])
def test_none_and_all_of_a_count_are_counts(survived, of):
    share = Share.from_counts(survived, of, level="belief")
    law = stats.beta(survived + 0.5, of - survived + 0.5)
    assert (share.mean, share.sd) == pytest.approx((law.mean(), law.std()))
    assert str(share.level) == "belief"


@pytest.mark.parametrize(("survived", "of"), [(5, 4), (-1, 4), (0, 0), (1.5, 4), (1, 4.5)])
def test_what_is_no_count_is_refused_with_both_numbers(survived, of):
    assert refused(lambda: Share.from_counts(survived, of, level="belief")) == (
        f"survived, '{survived} of {of}': not a count. Give whole numbers, survived at most of."
    )


@pytest.mark.parametrize(
    ("word", "noun"),
    [
        ("belief", "times"), ("season", "seasons"), ("variety", "varieties"), ("batch", "batches"),
        ("cycle", "cycles"), ("plant", "plants"),
    ],
)  # fmt: skip
def test_what_differs_is_said_by_its_level(word, noun):
    # A beta of 8.09 and 2.02; a lognormal of log(1.04) and a median of 4.25.
    assert str(Share(0.8, 0.12, word)) == f"80 % on average; nine {noun} in ten between 57 and 96 %"
    assert str(Duration(4.25, 0.2, 0, word)) == f"4.25 weeks; nine {noun} in ten between 3.1 and 5.9"


def test_the_greatest_share_of_a_level_names_it_and_long_times_have_no_decimals():
    assert "nine seasons in ten" in str(Duration(4, 0.2, 0, "season 0.6 batch 0.4"))
    assert str(Duration(100, 0.2, 0, "batch", unit="days")) == "100 days; nine batches in ten between 72 and 139"
    assert str(Duration(4.25, 0, 0.3, "batch", unit="days")) == "4.25 days"


@pytest.mark.parametrize("value", [-0.1, math.inf, math.nan])
@pytest.mark.parametrize("field", ["median", "batches", "plants"])
def test_a_duration_has_finite_numbers_from_0(field, value):
    numbers = {"median": 4, "batches": 0.1, "plants": 0.1} | {field: value}
    assert refused(lambda: Duration(**numbers, level="batch")) == (
        f"{field}, {value}: a duration has no such number. Give a finite number from 0."
    )


def test_a_stage_may_take_no_time_if_it_has_no_spread():
    none = Duration(0, 0, 0, "batch")
    assert (none.mean, none.variance, none.unit) == (0, 0, "weeks")
    for spreads in ((0.1, 0), (0, 0.1)):
        assert refused(lambda spreads=spreads: Duration(0, *spreads, "batch")) == (
            "median, 0: a stage that takes no time cannot have a spread. Set its spreads to 0."
        )


def test_a_range_of_one_time_has_no_spread_between_batches():
    one = Duration.from_range(4, 4, plants=0.1, level="season")
    assert (one.median, one.batches, one.plants, str(one.level)) == (4, 0, 0.1, "season")


# Amounts and counts


def test_an_amount_that_is_known_is_one_number():
    five = Amount(5, 5, 5)
    assert (five.mean, five.variance) == pytest.approx((5, 0), abs=1e-12)
    assert five.at([-3, 0, 3]).tolist() == [5, 5, 5]
    assert str(five) == "about 5; nine times in ten between 5 and 5"
    assert (Count(five).mean, Count(five).variance) == pytest.approx((5, 0), abs=1e-9)
    assert Count(five).quantile([[0.1, 0.9]]).tolist() == [[5, 5]]
    assert str(Count(Amount(0.1234, 1.234, 1234))) == "about 1.23; nine times in ten between 0.123 and 1.23e+03"


@pytest.mark.parametrize("numbers", [(0, 1, 2), (3, 2, 4), (1, 3, 2), (1, 2, math.inf), (math.nan, 2, 3), (-1, 1, 2)])
def test_three_numbers_out_of_order_are_no_amount(numbers):
    shown = ", ".join(map(str, numbers))
    assert refused(lambda: Amount(*numbers)) == (
        f"low, '{shown}': low, likely and high are not in order above 0. Give 0 < low <= likely <= high."
    )


@pytest.mark.parametrize(("mean", "spread"), [(0, 1), (-1, 1), (math.inf, 1), (1, -0.1), (1, math.inf), (1, math.nan)])
def test_what_is_no_mean_and_spread_makes_no_amount(mean, spread):
    assert refused(lambda: Amount.from_mean(mean, spread)) == (
        f"mean, '{mean}, spread {spread}': not a mean and spread. Give mean > 0 and spread >= 0."
    )


def test_halves_of_plants_asked_for_count_as_one_in_draws_and_on_average_alike():
    """Of 2.5 plants and fewer or more, draws of 2.5 itself count as 3: all, half of them, or all."""
    for likely, right in ((2.4, 2), (2.5, 3), (2.6, 3)):
        known = Count(Amount(likely, likely, likely))
        assert (known.at(0.0), known.mean, known.variance) == (right, right, 0)
    u = (np.arange(100_000) + 0.5) / 100_000
    for amount in (Amount(2.3, 2.5, 2.5), Amount(2.5, 2.5, 2.7), Amount(1.5, 2.5, 6)):
        drawn = Count(amount).quantile(u)
        assert (Count(amount).mean, Count(amount).variance) == pytest.approx((drawn.mean(), drawn.var()), abs=1e-3)


@pytest.mark.parametrize("ends", [(0.9, 0.8), (0.8, 0.8), (0, 0.6), (-0.1, 0.6), (0.6, 1), (0.6, math.nan)])
def test_what_is_no_range_of_shares_is_refused_with_both_ends(ends):
    assert refused(lambda: Share.from_range(*ends, level="batch")) == (
        f"low, '{ends[0]} to {ends[1]}': not a range of shares. Give 0 < low < high < 1."
    )


@pytest.mark.parametrize("ends", [(0.02, 0.05), (0.3, 0.9), (0.01, 0.99), (0.95, 0.999)])
def test_a_range_of_shares_holds_nine_in_ten_wherever_it_lies(ends):
    share = Share.from_range(*ends, level="season")
    assert stats.beta.cdf(ends, *share.parameters) == pytest.approx([0.05, 0.95], abs=1e-7)
    assert str(share.level) == "season"


@pytest.mark.parametrize(("p5", "p95"), [(0, 3), (-1, 3), (5, 4), (5, math.inf), (math.nan, 3)])
def test_what_is_no_range_of_times_is_refused_with_both_ends(low, high):
    assert refused(lambda: Duration.from_range(low, high, plants=0, level="batch")) == (
        f"low, '{low} to {high}': not a range of times. Give 0 < low <= high, in weeks."
    )


# Records of weather


def test_air_may_be_as_cold_as_minus_90_and_as_warm_as_60_and_no_more():
    days, low, high = read_days(["2027-01-01"], [-90], [60], "C")
    assert (days.tolist(), low.tolist(), high.tolist()) == ([date(2027, 1, 1).toordinal()], [-90], [60])
    remedy = "Leave a cell empty if nothing was measured, and look at the unit."
    assert refused(lambda: read_days(["2027-01-01"], [-90.1], [60.1], "C")).splitlines() == [
        f"record, row 2, column tmin, -90.1: not a temperature of air in degrees Celsius. {remedy}",
        f"record, row 2, column tmax, 60.1: not a temperature of air in degrees Celsius. {remedy}",
    ]
    assert read_days(["2027-01-01"], [-130], [140], "F")[2].tolist() == [60]
    assert refused(lambda: read_days(["2027-01-01"], [50], [141], "F")) == (
        f"record, row 2, column tmax, 141: not a temperature of air in degrees Fahrenheit. {remedy}"
    )


def test_days_may_be_written_in_many_ways_and_come_back_in_order():
    dates = [
        pd.Timestamp("2027-01-05 10:00"), " 2027-01-02 ", np.datetime64("2027-01-03T06"), datetime(2027, 1, 4, 23),
        date(2027, 1, 1),
    ]  # fmt: skip
    days, low, high = read_days(dates, ["5", 2, 3.0, 4, 1], [15, 12, 13, np.float32(14), 11], "C")
    assert days.dtype == np.int64
    assert [date.fromordinal(int(day)).day for day in days] == [1, 2, 3, 4, 5]
    assert (low.tolist(), high.tolist()) == ([1, 2, 3, 4, 5], [11, 12, 13, 14, 15])


@pytest.mark.parametrize("nothing", [None, "", "  ", math.nan, pd.NA, np.nan])
def test_a_day_without_a_minimum_or_maximum_is_a_gap(nothing):
    days, low, high = read_days(["2027-01-01", "2027-01-02", "2027-01-03"], [nothing, 1, 2], [5, nothing, 7], "C")
    assert (days.tolist(), low.tolist(), high.tolist()) == ([date(2027, 1, 3).toordinal()], [2], [7])


def test_no_day_at_all_gives_three_empty_columns():
    assert [(column.size, column.dtype) for column in read_days([], [], [], "C")] == [
        (0, np.int64), (0, np.float64), (0, np.float64),
    ]  # fmt: skip


@pytest.mark.parametrize("written", ["nan", "2027-13-01", 5, None, np.datetime64("NaT"), pd.NaT, "04/13/2027"])
def test_what_is_no_date_is_told_as_it_was_written(written):
    said = refused(lambda: read_days(["2027-01-01", written], [1, 1], [2, 2], "C"))
    assert re.fullmatch(r"record, row 3, column date(, .+)?: not a date\. Write it as 2027-04-13\.", said)


def test_columns_of_different_length_are_refused_with_their_lengths():
    for lengths in ((2, 1, 1), (1, 2, 1), (1, 1, 2)):
        columns = [["2027-01-01"] * lengths[0], [1] * lengths[1], [2] * lengths[2]]
        assert refused(lambda columns=columns: read_days(*columns, "C")) == (
            f"date, '{lengths[0]} dates, {lengths[1]} minima, {lengths[2]} maxima': columns of different length. "
            "Give all three for every day."
        )


def test_a_minimum_as_high_as_the_maximum_is_a_day_and_a_higher_one_is_not():
    assert read_days(["2027-01-01"], [4], [4], "C")[1].tolist() == [4]
    assert refused(lambda: read_days(["2027-01-01"], [5], [4], "C")) == (
        "record, row 2, column tmax, 4: the maximum lies below the minimum of 5. "
        "Give the minimum first, then the maximum."
    )


def test_faults_of_weather_name_their_table_row_and_column():
    assert str(again("days", 7, date(2027, 1, 2), 3)) == (
        "days, row 7, column date, '2027-01-02': the day stands in row 3 already. Keep one row a day."
    )
    assert str(not_of_air("days", None, "tmin", 99)) == (
        "days, tmin, 99: not a temperature of air in degrees Celsius. "
        "Give a number of degrees Celsius: (F - 32) / 1.8 from Fahrenheit."
    )
    assert str(contrary("days", 4, "tmax", 3, 9)) == (
        "days, row 4, column tmax, 3: the maximum lies below the minimum of 9. "
        "Give the minimum first, then the maximum."
    )


def test_what_is_no_number_is_nan_and_what_is_too_large_is_infinite():
    assert [number(given) for given in ("3.5", 2, 10**400)] == [3.5, 2.0, math.inf]
    assert all(math.isnan(number(given)) for given in (None, "warm", [1, 2]))


def test_months_are_gathered_from_january_with_a_row_for_each_year_measured_well():
    days = [date(2026, 12, d) for d in range(1, 32)] + [date(2027, 1, d) for d in range(4, 30)]
    days += [date(2028, 1, d) for d in range(5, 32)] + [date(2028, 2, d) for d in range(1, 30)]
    ordinals = np.array([day.toordinal() for day in days])
    low = np.array([float(day.day) for day in days])
    months = months_measured(ordinals, low, low + 10)
    assert [len(month) for month in months] == [1, 1, *[0] * 9, 1]  # January 2028 lacks its first four days
    assert months[11].tolist() == [[16, 26]]
    assert months[0].tolist() == [[16.5, 26.5]]
    assert months[1].tolist() == [[15, 25]]
    assert all(month.shape == (len(month), 2) and month.dtype == np.float64 for month in months)
