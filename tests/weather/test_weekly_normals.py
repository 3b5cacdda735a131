"""Weekly normals by hand: week 53 lies half way from the last to the first, also where seasons come later."""

import pytest

from forecast.weather.climate import Climate

LOW = [10.0, *[0.0] * 50, 4.0]  # weeks 1 to 52
CLIMATE = Climate(LOW, [value + 6 for value in LOW], [2.0, *[1.0] * 50, 3.0])


def test_week_53_has_the_mean_of_week_52_and_week_1():
    assert CLIMATE.normal("2026-W53") == (7.0, 13.0)
    assert CLIMATE.weekly_spread("2026-W53") == 2.5
    assert CLIMATE.normal("2026-W52") == (4.0, 10.0)
    assert CLIMATE.normal("2027-W01") == (10.0, 16.0)
    assert CLIMATE.normal("2027-W02") == (0.0, 6.0)


@pytest.mark.parametrize(
    ("week", "t_min"), [("2027-W27", 10.0), ("2027-W26", 4.0), ("2027-W28", 0.0), ("2026-W53", 0.0)]
)
def test_half_a_year_later_the_weeks_are_those_of_half_a_year_before(week, low):
    assert CLIMATE.shifted(26).normal(week)[0] == low


def test_a_week_later_week_53_takes_weeks_51_and_52():
    assert CLIMATE.shifted(1).normal("2026-W53")[0] == 2.0
    assert CLIMATE.shifted(1).normal("2027-W01")[0] == 4.0
