"""Beta-binomial counts against SciPy, and their fit by group where it is known by hand."""

import math

import numpy as np
import pytest
from group_fit import fit_groups
from scipy import stats

from forecast.fitting.betabinomial import log_pmf, mixed_pmf


def test_log_chances_are_those_of_scipy_whatever_the_shape():
    y, a = np.array([[0], [3], [10]]), np.array([0.5, 2.0, 40.0])
    assert log_pmf(y, 10, a, 3) == pytest.approx(stats.betabinom.logpmf(y, 10, a, 3))


def test_batches_of_one_plant_fit_shares_that_are_their_plain_means():
    """Of single plants no correlation can be seen: each group's share is survivors over plants."""
    fit = fit_groups([1, 0, 1, 1, 0, 0, 1], [1] * 7, ["b", "b", "b", "b", "a", "a", "a"])
    assert list(fit.pooled.items()) == [("b", 3 / 4), ("a", 1 / 3)]
    assert list(fit.shares) == ["b", "a"]
    assert list(fit.shares.values()) == pytest.approx([3 / 4, 1 / 3], abs=1e-4)
    likelihood = 3 * math.log(3 / 4) + math.log(1 / 4) + math.log(1 / 3) + 2 * math.log(2 / 3)
    assert fit.log_likelihood == pytest.approx(likelihood, abs=1e-6)
    assert fit.deviance == pytest.approx(-2 * likelihood)
    assert fit.free == 5
    assert 1 / (fit.likeness + 1) == pytest.approx(fit.correlation)


def test_batches_that_differ_less_than_by_chance_are_binomial_and_all_or_nothing_is_one_plant():
    alike = fit_groups([5, 5, 5, 5], [10] * 4, ["a"] * 4)
    assert alike.shares["a"] == pytest.approx(0.5, abs=1e-4)
    assert 0.9e-7 < alike.correlation < 1e-6
    assert alike.log_likelihood == pytest.approx(4 * stats.binom.logpmf(5, 10, 0.5), abs=1e-4)
    assert (alike.deviance, alike.free) == (0, 3)
    apart = fit_groups([10, 0, 10, 0], [10] * 4, ["a"] * 4)
    assert apart.correlation == pytest.approx(1 / 1.001, rel=1e-6)
    assert apart.log_likelihood == pytest.approx(4 * math.log(0.5), abs=0.02)


def test_groups_in_which_all_or_none_survived_are_certain_and_add_nothing():
    rows = [(3, 10), (6, 10), (9, 12)]
    one = fit_groups(*zip(*rows, strict=True), ["b"] * 3)
    more = fit_groups([5, 3, 6, 9, 0, 0], [5, 10, 10, 12, 4, 9], ["all", "b", "b", "b", "none", "none"])
    assert more.shares == {"all": 1, "b": pytest.approx(one.shares["b"], abs=1e-6), "none": 0}
    assert more.pooled == {"all": 1, "b": 18 / 32, "none": 0}
    assert (more.log_likelihood, more.correlation) == pytest.approx((one.log_likelihood, one.correlation), rel=1e-5)
    assert (more.deviance, more.free) == (pytest.approx(one.deviance), 3)


@pytest.mark.parametrize(("weight", "chance"), [(0.75e-12, 0.75e-12), (0.25e-12, 0)])
def test_a_part_of_a_mixture_counts_from_a_million_millionth_of_the_largest_part(weight, chance):
    """Two parts of one half in which nearly none survives, and a small one in which nearly all do."""
    a, b, weights = np.array([1, 1, 1e9]), np.array([1e9, 1e9, 1]), np.array([0.5, 0.5 - weight, weight])
    assert mixed_pmf(5, a, b, weights)[5] == pytest.approx(chance, rel=1e-6, abs=1e-30)
