"""Degree-days and base temperatures against published tables and numerical integrals."""

import math
import re
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from refusals import refused
from scipy.integrate import quad

from forecast.weather.heat_units import ThermalTime, base_from_rates, degree_days
from forecast.words import seasons as words

some = settings(max_examples=40, deadline=None, derandomize=True)
METHODS = ["sine", "triangle", "mean", "limited mean"]

# Zalom, F. G., Goodell, P. B., Wilson, L. T., Barnett, W. W. and Bentley, W. J. (1983). Degree-days: the calculation
# and use of heat units in pest management. Univ. Calif. DANR Leaflet 21373, Table 7: twelve days, thresholds 55 and
# 90 degrees Fahrenheit, horizontal cutoff. Position about the thresholds, minimum, maximum, triangle, sine.
ZALOM = [
    ("above both", 96, 110, 35.00, 35.00),
    ("above both", 91, 105, 35.00, 35.00),
    ("below both", 45, 54, 0.00, 0.00),
    ("below both", 38, 50, 0.00, 0.00),
    ("between", 60, 80, 15.00, 15.00),
    ("between", 75, 88, 26.50, 26.50),
    ("across the base", 50, 82, 11.39, 11.85),
    ("across the base", 45, 70, 4.50, 5.31),
    ("across the upper threshold", 60, 100, 23.75, 22.82),
    ("across the upper threshold", 75, 95, 29.38, 28.91),
    ("across both", 50, 101, 19.56, 18.95),
    ("across both", 48, 95, 16.76, 16.96),
]

# McMaster, G. S. and Wilhelm, W. W. (1997). Growing degree-days: one equation, two interpretations. Agric. For.
# Meteorol. 87, 291-300, Table 1, base 0. Maximum, minimum, method 1, method 2.
MCMASTER = [
    (20, 10, 15.0, 15.0),
    (10, 1, 5.5, 5.5),
    (8, -2, 3.0, 4.0),
    (6, 0, 3.0, 3.0),
    (10, 5, 7.5, 7.5),
    (5, -5, 0.0, 2.5),
    (-2, -7, 0.0, 0.0),
    (-5, -10, 0.0, 0.0),
    (10, -2, 4.0, 5.0),
    (15, 2, 8.5, 8.5),
]


@st.composite
def days(draw, least_range=0.0):
    """Minimum, maximum, base and upper of a day, often with a temperature on a threshold."""
    base = draw(st.floats(-5, 20))
    upper = base + draw(st.floats(0.1, 30))
    spots = st.one_of(st.floats(-20, 45), st.sampled_from([base, upper]))
    low, high = sorted([draw(spots), draw(spots)])
    return low, max(high, low + least_range), base, upper


@pytest.mark.parametrize(("case", "low", "high", "triangle", "sine"), ZALOM)
def test_the_twelve_days_of_zalom_come_out_as_printed(case, low, high, triangle, sine):  # noqa: ARG001
    found = [float(degree_days(low, high, base=55, upper=90, method=method)) for method in ("triangle", "sine")]
    # Halves were rounded up in print.
    assert [math.floor(100 * value + 0.5 + 1e-9) / 100 for value in found] == [triangle, sine]


def test_a_whole_table_goes_in_at_once():
    low, high, triangle = (np.array([row[i] for row in ZALOM], dtype=float) for i in (1, 2, 3))
    found = degree_days(low.reshape(3, 4), high.reshape(3, 4), base=55, upper=90, method="triangle")
    assert found.shape == (3, 4)
    assert found.ravel() == pytest.approx(triangle, abs=0.0051)


@pytest.mark.parametrize(("high", "low", "first", "second"), MCMASTER)
def test_both_readings_of_mcmaster_and_wilhelm_are_exact(high, low, first, second):
    assert degree_days(low, high, base=0, upper=None, method="mean") == first
    assert degree_days(low, high, base=0, upper=None, method="limited mean") == second


def test_a_day_that_crosses_the_base_gives_what_was_published():
    assert degree_days(7, 14, base=12, upper=33) == pytest.approx(0.46806, abs=5e-6)
    assert degree_days(7, 14, base=12, upper=33, method="triangle") == pytest.approx(0.28571, abs=5e-6)


@pytest.mark.parametrize("method", METHODS)
def test_a_day_wholly_above_the_upper_threshold_gives_all_between_it_and_the_base(method):
    assert degree_days(35, 40, base=12, upper=33, method=method) == 21


@pytest.mark.parametrize("method", METHODS)
def test_temperatures_on_a_threshold_or_all_alike_give_the_plain_difference(method):
    def found(low, high):
        return float(degree_days(low, high, base=12, upper=32, method=method))

    assert found(12, 32) == 10  # from base to upper
    assert found(2, 12) == 0
    assert found(32, 40) == 20
    assert [found(t, t) for t in (5, 12, 20.5, 32, 40)] == pytest.approx([0, 0, 8.5, 20, 20], abs=1e-12)


def reference(low, high, base, upper, method):
    """The mean of the warmth over a day drawn as a sine or a triangle, by integration between the kinks."""
    mean, half = (low + high) / 2, (high - low) / 2

    def temperature(t):  # from the minimum at t = 0 to the maximum at t = 1; the way down is its mirror
        return mean - half * math.cos(math.pi * t) if method == "sine" else low + 2 * half * t

    def when(threshold):
        part = min(max((threshold - mean) / half, -1), 1)
        return math.acos(-part) / math.pi if method == "sine" else (part + 1) / 2

    kinks = [0, when(base), when(upper), 1]
    return sum(
        quad(lambda t: min(max(temperature(t), base), upper) - base, a, b)[0] for a, b in pairwise(kinks) if b > a
    )


@some
@given(day=days(least_range=0.01), method=st.sampled_from(["sine", "triangle"]))
def test_the_formulas_are_the_integrals_over_the_day(day, method):
    low, high, base, upper = day
    found = degree_days(low, high, base=base, upper=upper, method=method)
    assert found == pytest.approx(reference(low, high, base, upper, method), abs=1e-6)
    without = degree_days(low, high, base=base, upper=None, method=method)
    assert without == pytest.approx(reference(low, high, base, max(high, base) + 1, method), abs=1e-6)


@some
@given(
    day=days(), more=st.floats(0, 20), how=st.sampled_from(["t_min", "t_max", "both"]), method=st.sampled_from(METHODS)
)
def test_more_warmth_never_gives_fewer_degree_days(day, more, how, method):
    low, high, base, upper = day
    warmer = (min(low + more, high) if how == "t_min" else low + more * (how == "both"), high + more * (how != "t_min"))
    before = degree_days(low, high, base=base, upper=upper, method=method)
    assert degree_days(*warmer, base=base, upper=upper, method=method) >= before - 1e-9


@some
@given(day=days(), method=st.sampled_from(METHODS))
def test_degree_days_lie_between_none_and_all_from_base_to_upper_threshold(day, method):
    low, high, base, upper = day
    assert 0 <= degree_days(low, high, base=base, upper=upper, method=method) <= upper - base
    assert degree_days(low, high, base=base, upper=None, method=method) <= max(high - base, 0) + 1e-9


@some
@given(day=days(), by=st.floats(-40, 40), method=st.sampled_from(METHODS))
def test_shifting_all_temperatures_and_thresholds_shifts_nothing(day, by, method):
    low, high, base, upper = day
    before = degree_days(low, high, base=base, upper=upper, method=method)
    after = degree_days(low + by, high + by, base=base + by, upper=upper + by, method=method)
    assert after == pytest.approx(before, abs=1e-9)


@some
@given(day=days(), method=st.sampled_from(METHODS))
def test_fahrenheit_in_gives_fahrenheit_degree_days_out(day, method):
    low, high, base, upper = day
    celsius = degree_days(low, high, base=base, upper=upper, method=method)
    low, high, base, upper = (32 + 1.8 * t for t in day)
    assert degree_days(low, high, base=base, upper=upper, method=method) == pytest.approx(1.8 * celsius, abs=1e-9)


@some
@given(day=days())
def test_a_day_across_the_base_alone_gets_least_from_its_mean_and_as_much_or_more_from_a_sine_or_triangle(day):
    low, high, base, _ = day
    plain = degree_days(low, high, base=base, upper=None, method="mean")
    for method in ("sine", "triangle", "limited mean"):
        assert degree_days(low, high, base=base, upper=None, method=method) >= plain - 1e-9


def test_drawn_thresholds_go_with_drawn_weather():
    low, high = np.full((3, 1), 8.0), np.full((3, 1), 18.0)
    found = degree_days(low, high, base=[5.0, 10.0], upper=[30.0, 30.0])
    assert found.shape == (3, 2)
    assert found[0, 0] == 8
    assert found[0, 1] == degree_days(8, 18, base=10, upper=30)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (
            lambda: base_from_rates([15, 20, 25], [0.3, 0.2, 0.1]),
            "rates, '-0.02 a degree': the rate does not rise with temperature. "
            "Leave out temperatures so warm that the rate no longer rose.",
        ),
        (
            lambda: base_from_rates([15, 20], [0.1]),
            "rates, '1 for 2 temperatures': not as many. Give one rate a temperature.",
        ),
        (
            lambda: base_from_rates([15, 15], [0.1, 0.2]),
            "temperatures, '[15.0, 15.0]': not two that differ. Give rates at two temperatures or more.",
        ),
        (
            lambda: base_from_rates([15, 20], [-0.1, 0.2]),
            "rates, '-0.1': a rate below 0. Give one over the days that the stage took.",
        ),
        (
            lambda: base_from_rates([15, np.nan, np.inf], [0.1, 0.2, 0.3]),
            "temperatures, 'nan and 1 more': not a finite number. Leave out days without a number.",
        ),
        (
            lambda: degree_days([5, 12], [9, 10], base=5, upper=None),
            "t_max, '10 with a minimum of 12': below the minimum. Give the minimum first, then the maximum.",
        ),
        (
            lambda: degree_days([5], [9], base=5, upper=5),
            "upper, '5 with a base of 5': not above the base. "
            "Give an upper threshold above the base, or None if there is none.",
        ),
        (
            lambda: degree_days([5, 6], [9, 10, 11], base=5, upper=None),
            "t_min, 't_min (2,), t_max (3,), base ()': shapes that do not go together. Give as many minima as maxima.",
        ),
        (
            lambda: degree_days(5, 9, base=5, upper=None, method="square"),
            "method, 'square': no such method. Give one of: sine, triangle, mean, limited mean.",
        ),
        (
            lambda: degree_days(5, math.inf, base=5, upper=30),
            "t_max, 'inf': not a finite number. Leave out days without a number.",
        ),
        (
            lambda: degree_days(5, 7, base=-math.inf, upper=30),
            "base, '-inf': not a finite number. Leave out days without a number.",
        ),
        (
            lambda: degree_days(5, 7, base=5, upper=math.inf),
            "upper, 'inf': not a finite number. Leave out days without a number.",
        ),
        (lambda: degree_days("cold", [9], base=5, upper=None), "t_min, 'cold': not numbers. Give numbers."),
    ],
)
def test_what_gives_no_warmth_is_refused_by_name(call, said):
    assert refused(call) == said


def test_a_rate_that_rises_by_rounding_alone_does_not_rise():
    assert " a degree': the rate does not rise with temperature. " in refused(base_from_rates, [15, 20], [0.1, 0.1])


def test_the_leaves_of_hibiscus_have_the_published_base_and_degree_days():
    """Karlsson, M. G. et al. (1991). Sci. Hortic. doi:10.1016/0304-4238(91)90078-D: -0.1130 + 0.01148 T, 10 to 30."""
    temperatures = np.array([10, 15, 20, 25, 30])
    found = base_from_rates(temperatures, -0.1130 + 0.01148 * temperatures)
    assert found.base == pytest.approx(9.84, abs=0.005)
    assert found.degree_days == pytest.approx(87.1, abs=0.05)
    leaf = found.degree_days / degree_days(20, 20, base=found.base, upper=30, method="mean")
    assert 1 / leaf == pytest.approx(-0.1130 + 0.01148 * 20)


def test_a_line_of_rates_gives_back_its_base_and_its_degree_days():
    """Robinson, K. A. (2003), MS thesis, Michigan State Univ.: Phalaenopsis, 769 degree-days above 10.8 °C."""
    temperatures = np.array([14, 17, 20, 23, 26])
    days = 769 / degree_days(temperatures, temperatures, base=10.8, upper=None, method="mean")
    assert days[[0, -1]] == pytest.approx([240.3, 50.6], abs=0.05)
    found = base_from_rates(temperatures, 1 / days)
    assert (found.base, found.degree_days) == pytest.approx((10.8, 769))


@some
@given(
    base=st.floats(0.5, 15),
    need=st.floats(20, 2000),
    above=st.lists(st.floats(1, 20), min_size=3, max_size=8),
    seed=st.integers(0, 99),
)
def test_the_base_is_where_the_line_of_least_squares_meets_no_rate(base, need, above, seed):
    temperatures = base + 1 + np.array(above) + np.arange(len(above))  # they differ
    rates = (temperatures - base) / need * np.random.default_rng(seed).uniform(0.99, 1.01, len(above))
    slope, intercept = np.polyfit(temperatures, rates, 1)
    if np.ptp(temperatures) < 1 or slope <= 0 or -intercept / slope < 0.01:
        return
    found = base_from_rates(temperatures, rates)
    assert (found.base, found.degree_days) == pytest.approx((-intercept / slope, 1 / slope), rel=1e-6, abs=1e-6)


@pytest.mark.parametrize(
    ("crop", "cool_days", "warm_days", "base"),
    [("Gaillardia Goblin", 64, 39, -3.72), ("Chrysanthemum Snow Cap", 54, 36, -9.0)],
)
def test_two_temperatures_that_put_the_base_below_freezing_warn(crop, cool_days, warm_days, base):  # noqa: ARG001
    """Yuan, M. et al. (1995). HortScience 30, 861: days of forcing to first flower at 15 and 27 °C."""
    said = re.escape(words.base_below_freezing(base=base, rates=2, coldest=15, warmest=27))
    with pytest.warns(UserWarning, match=said) as warned:
        found = base_from_rates([15, 27], [1 / cool_days, 1 / warm_days])
    assert warned[0].filename == __file__  # of the line that calls
    assert found.base == pytest.approx(base, abs=0.005)


def test_two_temperatures_that_put_the_base_above_freezing_do_not_warn():
    """Yuan, M. et al. (1995), as above: Coreopsis Sunray, 70 and 24 days."""
    assert base_from_rates([15, 27], [1 / 70, 1 / 24]) == ThermalTime(
        pytest.approx(8.74, abs=0.005), pytest.approx(438.3, abs=0.05)
    )
