"""Pooled survival is as sure as it says, and says what a general-purpose sampler says; longer in benchmarks."""

import numpy as np
import pytest
from benchmarks.calibration import (
    LEVELS,
    NEXT,
    SHARES,
    SPREADS,
    Density,
    coverage,
    evenness,
    heap,
    learned,
    places,
    sample,
    survivals,
)
from scipy import stats
from scipy.special import expit

from forecast.fitting.survival import Pooled, Priors, Record

UNEVEN = 0.001  # chance of a false alarm at each place
NURSERIES = 80


@pytest.fixture(scope="module")
def at():
    """Places of the truth in nurseries with few batches that differ much, so that they are learned fast."""
    return places(np.random.default_rng(17), NURSERIES, Priors(concentration=4, concentration_log_sd=0.5), most=10)


@pytest.fixture(scope="module")
def demo():
    records, groups = survivals("acclimatisation")
    density = Density(records, groups, Priors())
    return Pooled(records, groups), density, sample(density, walkers=80, steps=5000, first=1000, seed=7)


# Calibration


@pytest.mark.parametrize("name", SHARES + NEXT)
def test_the_truth_of_simulated_nurseries_lies_evenly_in_what_is_learned(at, name):
    assert evenness(at[name]) > UNEVEN


def test_a_posterior_with_seven_tenths_of_its_standard_deviation_is_caught_by_the_same(at):
    chances = [evenness(at[f"{name}, sharpened"]) for name in SHARES[:4]]
    assert min(chances) < UNEVEN


def test_a_next_batch_without_variation_between_batches_is_caught_by_the_same(at):
    assert evenness(at[f"{NEXT[1]}, alike batches"]) < UNEVEN


@pytest.mark.parametrize("name", NEXT)
def test_intervals_for_a_next_batch_hold_it_as_often_as_they_say(at, name):
    for level in LEVELS:
        assert abs(coverage(at[name], level)[1]) < 3.3


@pytest.mark.parametrize("name", SPREADS)
def test_the_log_spreads_lie_about_their_means_by_their_deviations(at, name):
    for power, mean in ((1, 0), (2, 1)):
        values = at[name] ** power
        assert abs(values.mean() - mean) < 3.3 * values.std() / np.sqrt(NURSERIES)


def test_the_chance_of_less_on_a_lattice_is_that_of_the_normal_it_holds():
    x = np.linspace(-10, 10, 201)
    fine, below = heap(x, stats.norm.pdf(x, 1.03, 0.12))
    assert below == pytest.approx(stats.norm.cdf(fine, 1.03, 0.12), abs=1e-5)  # 0.0025^2 / 12 of the slope


# A sampler


def test_a_batch_of_the_demo_records_that_is_not_finished_is_left_out():
    records, groups = survivals("hardening")
    assert len(records) == 14  # of 26: the records end before the others are through
    assert records[0] == Record("Hosta 'Orrinfall'", 510, 523, batch="B25-01")  # 13 losses, none remaining
    assert set(groups.values()) == {"hosta", "gerbera", "calla", "heuchera"}


def test_the_density_of_the_sampler_is_that_of_priors_and_beta_binomials():
    records, groups = [Record("a", 8, 10), Record("b", 3, 9), Record("a", 1, 4)], {"a": "one", "b": "two"}
    density, two = Density(records, groups, Priors()), np.random.default_rng(1).normal(size=(2, 8))
    values = []
    for mu, log_k, s_v, s_g, one, other, a, b in two:
        middle = np.log(3) + 1.5 * mu
        of_group = middle + 0.3 * np.exp(0.7 * s_g) * np.array([one, other])
        m = expit(of_group + 0.5 * np.exp(0.7 * s_v) * np.array([a, b]))[[0, 1, 0]]
        k = 20 * np.exp(log_k)
        values.append(stats.betabinom.logpmf([8, 3, 1], [10, 9, 4], m * k, (1 - m) * k).sum())
    right = np.array(values) + stats.norm.logpdf(two).sum(axis=1)
    assert np.diff(density(two)) == pytest.approx(np.diff(right), rel=1e-9)


def test_means_of_the_demo_survivals_are_those_of_the_sampler(demo):
    pooled, density, run = demo
    means, _ = learned(pooled)
    assert run.samples.min() > 2000
    assert (np.abs(means - run.mean) < 3 * run.mean_error).all()
    centres = [pooled.variety(name).centre for name in density.names]
    middles = [*(pooled.group(name).centre for name in density.group_names), pooled.nursery().centre]
    assert means == pytest.approx(np.array(centres + middles), abs=1e-9)


def test_ninety_per_cent_intervals_of_the_demo_survivals_are_those_of_the_sampler(demo):
    pooled, _, run = demo
    _, ends = learned(pooled)
    width = run.ends[1] - run.ends[0]
    assert (run.ends_error < 0.03 * width).all()
    assert (np.abs(ends - run.ends) < 3.3 * run.ends_error).all()
