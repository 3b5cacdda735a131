"""Amounts and counts against numerical integrals and plain sums."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from refusals import refused
from scipy import stats
from scipy.integrate import quad

from forecast.rates.amounts import Amount, Count
from forecast.words import seasons as words

some = settings(max_examples=60, deadline=None, derandomize=True)
amounts = st.builds(
    lambda low, below, above: Amount(low, low * below, low * below * above),
    st.floats(0.5, 300),
    st.floats(1, 3),
    st.floats(1, 3),
)


@some
@given(amount=amounts)
def test_an_amount_is_below_its_three_values_once_in_twenty_once_in_two_and_nineteen_times(amount):
    assert amount.quantile([0.05, 0.5, 0.95]) == pytest.approx([amount.p5, amount.median, amount.p95])
    assert (np.diff(amount.quantile(np.linspace(0.001, 0.999, 200))) >= -1e-12).all()


@settings(some, max_examples=25)
@given(amount=amounts)
def test_mean_and_variance_of_an_amount_are_integrals_of_its_quantiles(amount):
    def moment(order):
        halves = [
            quad(lambda z: float(amount.at(z)) ** order * stats.norm.pdf(z), *ends)[0] for ends in ((-12, 0), (0, 12))
        ]
        return sum(halves)

    assert amount.mean == pytest.approx(moment(1))
    assert amount.variance == pytest.approx(moment(2) - moment(1) ** 2, rel=1e-5, abs=1e-7 * amount.mean**2)


@some
@given(amount=amounts)
def test_a_count_is_the_nearest_whole_number_and_has_the_moments_of_its_sum(amount):
    count = Count(amount)
    u = (np.arange(200_000) + 0.5) / 200_000
    values = count.quantile(u)
    assert np.array_equal(values, np.rint(values))
    assert np.abs(values - amount.quantile(u)).max() <= 0.5 + 1e-9
    assert count.mean == pytest.approx(values.mean(), rel=1e-4, abs=1e-3)
    assert count.variance == pytest.approx(values.var(), rel=2e-2, abs=2e-2)


def test_an_amount_that_is_known_is_one_number():
    five = Amount(5, 5, 5)
    assert (five.mean, five.variance) == pytest.approx((5, 0), abs=1e-12)
    assert five.at([-3, 0, 3]).tolist() == [5, 5, 5]
    assert (Count(five).mean, Count(five).variance) == pytest.approx((5, 0), abs=1e-9)
    assert Count(five).quantile([[0.1, 0.9]]).tolist() == [[5, 5]]
    assert str(Count(Amount(1, 3, 12))) == str(Amount(1, 3, 12)) == words.amount(p5=1, median=3, p95=12)


@pytest.mark.parametrize(
    ("numbers", "said"),
    [
        ((0, 1, 2), "p5, 0: not usable. Give a number above 0."),
        ((3, 2, 4), "median, 2: below p5, 3. Swap or correct the two."),
        ((1, 3, 2), "p95, 2: below median, 3. Swap or correct the two."),
        ((1, 2, math.inf), "p95, inf: not usable. Give a number above 0."),
        ((math.nan, 2, 3), "p5, nan: not usable. Give a number above 0."),
        ((-1, 1, 2), "p5, -1: not usable. Give a number above 0."),
    ],
)
def test_three_numbers_out_of_order_are_no_amount(numbers, said):
    assert refused(Amount, *numbers) == said


def test_halves_of_plants_asked_for_count_as_one_in_draws_and_on_average_alike():
    """Of 2.5 plants and fewer or more, draws of 2.5 itself count as 3: all, half of them, or all."""
    for median, right in ((2.4, 2), (2.5, 3), (2.6, 3)):
        known = Count(Amount(median, median, median))
        assert (known.at(0.0), known.mean, known.variance) == (right, right, 0)
    u = (np.arange(100_000) + 0.5) / 100_000
    for amount in (Amount(2.3, 2.5, 2.5), Amount(2.5, 2.5, 2.7), Amount(1.5, 2.5, 6)):
        drawn = Count(amount).quantile(u)
        assert (Count(amount).mean, Count(amount).variance) == pytest.approx((drawn.mean(), drawn.var()), abs=1e-3)
