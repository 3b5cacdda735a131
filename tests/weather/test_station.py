"""Daily records of weather stations: what is read, what is refused, and which months count."""

import math
import re
from datetime import date, datetime

import numpy as np
import pandas as pd
import pytest
from refusals import refused

from forecast.weather.station import (
    max_below_min,
    months_measured,
    not_air_temperature,
    number,
    read_days,
    repeated_day,
)  # fmt: skip


def test_air_may_be_as_cold_as_minus_90_and_as_warm_as_60_and_no_more():
    days, low, high = read_days(["2027-01-01"], [-90], [60], "C")
    assert (days.tolist(), low.tolist(), high.tolist()) == ([date(2027, 1, 1).toordinal()], [-90], [60])
    remedy = "Check the unit; leave a cell empty if nothing was measured."
    assert refused(read_days, ["2027-01-01"], [-90.1], [60.1], "C").splitlines() == [
        f"record, row 2, column t_min, -90.1: not an air temperature in °C. {remedy}",
        f"record, row 2, column t_max, 60.1: not an air temperature in °C. {remedy}",
    ]
    assert read_days(["2027-01-01"], [-130], [140], "F")[2].tolist() == [60]
    assert refused(read_days, ["2027-01-01"], [50], [141], "F") == (
        f"record, row 2, column t_max, 141: not an air temperature in °F. {remedy}"
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


@pytest.mark.parametrize("written", ["nan", "2027-13-01", 5, None, np.datetime64("NaT", "D"), pd.NaT, "04/13/2027"])
def test_what_is_no_date_is_reported_as_it_was_written(written):
    said = refused(read_days, ["2027-01-01", written], [1, 1], [2, 2], "C")
    assert re.fullmatch(r"record, row 3, column date(, .+)?: not a date\. Write it as 2027-04-13\.", said)


def test_columns_of_different_length_are_refused_with_their_lengths():
    for lengths in ((2, 1, 1), (1, 2, 1), (1, 1, 2)):
        columns = [["2027-01-01"] * lengths[0], [1] * lengths[1], [2] * lengths[2]]
        assert refused(read_days, *columns, "C") == (
            f"date, '{lengths[0]} dates, {lengths[1]} minima, {lengths[2]} maxima': columns of different length. "
            "Give all three for every day."
        )


def test_a_minimum_as_high_as_the_maximum_is_a_day_and_a_higher_one_is_not():
    assert read_days(["2027-01-01"], [4], [4], "C")[1].tolist() == [4]
    assert refused(read_days, ["2027-01-01"], [5], [4], "C") == (
        "record, row 2, column t_max, 4: the maximum is below the minimum of 5. "
        "Give the minimum first, then the maximum."
    )


def test_faults_of_weather_name_their_table_row_and_column():
    assert str(repeated_day("days", 7, date(2027, 1, 2), 3)) == (
        "days, row 7, column date, '2027-01-02': the day is in row 3 already. Keep one row a day."
    )
    assert str(not_air_temperature("days", None, "t_min", 99)) == (
        "days, t_min, 99: not an air temperature in °C. Give a temperature in °C; from °F it is (°F - 32) / 1.8."
    )
    assert str(max_below_min("days", 4, "t_max", 3, 9)) == (
        "days, row 4, column t_max, 3: the maximum is below the minimum of 9. Give the minimum first, then the maximum."
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
