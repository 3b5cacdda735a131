"""Amounts and counts against numerical integrals and plain sums."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.integrate import quad

from forecast.errors import Refused
from forecast.rates.amounts import Amount, Count

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
    assert amount.quantile([0.05, 0.5, 0.95]) == pytest.approx([amount.low, amount.likely, amount.high])
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
@given(mean=st.floats(0.5, 500), part=st.floats(0, 1))
def test_an_amount_made_from_mean_and_spread_has_them(mean, part):
    amount = Amount.from_mean(mean, part * mean)
    assert (amount.mean, math.sqrt(max(amount.variance, 0))) == pytest.approx(
        (mean, part * mean), rel=1e-6, abs=1e-6 * mean
    )


@some
@given(low=st.floats(0.5, 300), ratio=st.floats(1, 5))
def test_an_amount_made_from_a_range_is_lognormal(low, ratio):
    amount = Amount.from_range(low, low * ratio)
    assert amount.likely == pytest.approx(low * math.sqrt(ratio))


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


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: Amount(0, 1, 2), "not in order above 0"),
        (lambda: Amount(3, 2, 4), "3, 2, 4"),
        (lambda: Amount(1, 2, math.inf), "inf"),
        (lambda: Amount(math.nan, 2, 3), "nan"),
        (lambda: Amount.from_mean(0, 1), "mean"),
        (lambda: Amount.from_mean(5, -1), "spread -1"),
        (lambda: Amount.from_range(0, 5), "p5"),
        (lambda: Amount.from_range(6, 5), "not in order"),
    ],
)
def test_what_is_no_amount_is_refused(make, says):
    with pytest.raises(Refused, match=says):
        make()
