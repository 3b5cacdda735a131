"""Binomial tails against exact fractions, SciPy and plain convolution."""

from fractions import Fraction
from math import comb

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from forecast.growth.summaries import at_least, sum_at_least

some = settings(max_examples=150, deadline=None, derandomize=True)
some_share = st.floats(0, 1).filter(lambda share: share == 0 or share > 1e-300)  # SciPy overflows at smaller ones
shares = st.one_of(st.sampled_from([0.0, 1.0, 1e-9, 1 - 1e-9, 0.5]), some_share)


def exactly(number, of, share):
    p = Fraction(share)
    return float(sum(comb(of, k) * p**k * (1 - p) ** (of - k) for k in range(max(number, 0), of + 1)))


@some
@given(of=st.integers(0, 40), number=st.integers(-2, 43), share=shares)
def test_the_chance_of_at_least_so_many_is_the_exact_binomial_tail(of, number, share):
    right = exactly(number, of, share)
    assert at_least(number, of, np.array([share]))[0] == pytest.approx(right, rel=1e-11, abs=1e-16)


@some
@given(of=st.sampled_from([200, 3000, 100_000]), part=st.floats(-8, 8), share=st.floats(1e-6, 1 - 1e-6))
def test_large_orders_have_the_tails_of_scipy(of, part, share):
    number = round(of * share + part * (of * share * (1 - share)) ** 0.5)
    right = binom.sf(number - 1, of, share)
    assert at_least(number, of, np.array([share]))[0] == pytest.approx(right, rel=1e-8, abs=1e-15)


def test_every_draw_has_its_own_share_and_may_have_its_own_number():
    share = np.array([0.0, 0.2, 0.8, 1.0])
    assert at_least(3, 5, share) == pytest.approx([0, exactly(3, 5, 0.2), exactly(3, 5, 0.8), 1])
    assert at_least(np.array([0, 6, 5, 5]), 5, share) == pytest.approx([1, 0, 0.8**5, 1])


@pytest.mark.parametrize("of", [0, 1, 100_000])
def test_nothing_needed_is_always_met_and_more_than_there_are_never(of):
    share = np.array([0.0, 1e-9, 0.5, 1.0])
    assert (at_least(0, of, share) == 1).all()
    assert (at_least(of + 1, of, share) == 0).all()


def convolved(number, sizes, probabilities):
    mass = np.ones(1)
    for n, p in zip(sizes, probabilities, strict=True):
        mass = np.convolve(mass, binom.pmf(np.arange(n + 1), n, p))
    return mass[max(number, 0) :].sum()


@some
@given(
    batches=st.lists(st.tuples(st.integers(0, 150), shares), min_size=1, max_size=4),
    number=st.integers(-1, 400),
)
def test_batches_together_have_the_chance_of_the_direct_convolution(batches, number):
    sizes, probabilities = zip(*batches, strict=True)
    number = min(number, sum(sizes) + 1)
    found = sum_at_least(number, sizes, [np.array([p]) for p in probabilities])
    assert found[0] == pytest.approx(convolved(number, sizes, probabilities), abs=1e-12)


@some
@given(
    sizes=st.lists(st.integers(0, 60), min_size=2, max_size=3),
    table=st.lists(st.tuples(shares, shares, shares), min_size=2, max_size=5),
    numbers=st.lists(st.integers(0, 180), min_size=5, max_size=5),
)
def test_draws_worked_on_together_do_not_disturb_each_other(sizes, table, numbers):
    columns = [np.array([row[i] for row in table]) for i in range(len(sizes))]
    found = sum_at_least(np.array(numbers[: len(table)]), sizes, columns)
    right = [convolved(n, sizes, row[: len(sizes)]) for n, row in zip(numbers, table, strict=False)]
    assert found == pytest.approx(right, abs=1e-12)


def test_two_batches_of_one_share_are_one_batch():
    share = np.linspace(0, 1, 41)
    for sizes in ((30, 70), (1, 99), (500, 900)):
        for number in (1, sum(sizes) // 2, sum(sizes)):
            together = sum_at_least(number, sizes, [share, share])
            assert together == pytest.approx(at_least(number, sum(sizes), share), abs=1e-12)


def test_large_batches_together_have_the_chance_of_their_convolution():
    sizes, probabilities = (40_000, 60_000), (0.3, 0.9)
    for number in (65_500, 66_000, 66_300):
        found = sum_at_least(number, sizes, [np.array([p]) for p in probabilities])
        middle = np.arange(11_000, 13_001)
        right = (binom.pmf(middle, 40_000, 0.3) * binom.sf(number - middle - 1, 60_000, 0.9)).sum()
        assert found[0] == pytest.approx(right, abs=1e-11)
