"""Streams: repeatable, undisturbed by each other, uniform, and more even than plain random numbers."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr
from scipy.stats import kstest, qmc
from small_seasons import MIXED, season, stage

from forecast.errors import Refused
from forecast.growth.simulation import draw_fate, season_streams
from forecast.streams import Streams

COORDINATES = tuple(f"quantity {i}" for i in range(12))
OWNERS = [
    ("season",),
    ("belief", "hosta"),
    ("variety", "A"),
    ("batch", "A", "1"),
    ("batch", "A", "2"),
    ("batch", "B", "1"),
]


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    draws=st.integers(1, 700),
    seed=st.integers(0, 2**63 - 1),
    owner=st.sampled_from(OWNERS),
    quantity=st.sampled_from([*COORDINATES, "another"]),
)
def test_n_draws_are_the_first_n_of_twice_as_many(draws, seed, owner, quantity):
    short, long = (Streams(seed, n, COORDINATES).normal(owner, quantity) for n in (draws, 2 * draws))
    assert np.array_equal(short, long[:draws])


def test_what_else_is_asked_for_changes_nothing():
    alone = Streams(3, 256, COORDINATES).normal(OWNERS[3], "quantity 5")
    busy = Streams(3, 256, COORDINATES)
    for owner in OWNERS:
        for quantity in ("another", *COORDINATES[::-1]):
            busy.normal(owner, quantity)
    assert np.array_equal(alone, busy.normal(OWNERS[3], "quantity 5"))


def test_adding_a_variety_or_a_stage_leaves_the_draws_of_the_others_unchanged():
    rows = [
        stage(name, typical=3, batches_cv=0.1, survival_sd=0.1, survival_level=MIXED)
        for name in ("acclimatisation", "hardening")
    ]
    added = stage("growing on", typical=3, batches_cv=0.2, survival_sd=0.1, survival_level=MIXED)
    strange = stage("a stage of our own", typical=3, batches_cv=0.2, survival_sd=0.1, survival_level=MIXED)
    plain = draw_fate(season(rows), season_streams(128, 1), "A", 1, season(rows).first_week)
    for more in (added, strange):
        grown = season([rows[0], more, rows[1]], varieties=("B", "A", "C"))
        streams = season_streams(128, 1)
        for variety in ("B", "C"):
            draw_fate(grown, streams, variety, 1, grown.first_week)
        fate = draw_fate(grown, streams, "A", 1, grown.first_week)
        assert np.array_equal(fate.log_survival[[0, 2]], plain.log_survival)
        assert np.array_equal(fate.weeks[[0, 2]], plain.weeks)


def test_other_seeds_owners_and_quantities_give_other_numbers():
    streams = {
        (seed, owner, quantity): Streams(seed, 64, COORDINATES).normal(owner, quantity).tobytes()
        for seed in (1, 2)
        for owner in OWNERS
        for quantity in (*COORDINATES, "another", "yet another")
    }
    assert len(set(streams.values())) == len(streams)


def test_names_that_read_alike_when_joined_are_different_owners():
    streams = Streams(1, 64)
    assert not np.array_equal(streams.normal(("batch", "A", "12"), "x"), streams.normal(("batch", "A1", "2"), "x"))


@pytest.mark.parametrize("quantity", ["quantity 0", "quantity 11", "another"])
def test_every_stream_is_uniform(quantity):
    """Kolmogorov-Smirnov; and of 1,024 draws one lies in each of 1,024 equal parts."""
    for owner in OWNERS:
        uniform = ndtr(Streams(5, 1500, COORDINATES).normal(owner, quantity))
        assert kstest(uniform, "uniform").statistic < 1.36 / np.sqrt(1500) / 2  # half of what chance exceeds once in 20
        assert np.array_equal(np.unique(np.floor(uniform[:1024] * 1024)), np.arange(1024))


def test_streams_of_different_owners_and_quantities_are_uncorrelated():
    draws = 4096
    streams = Streams(5, draws, COORDINATES)
    table = np.array([streams.normal(owner, quantity) for owner in OWNERS for quantity in (*COORDINATES, "another")])
    correlation = np.corrcoef(table) - np.eye(len(table))
    pairs = len(table) * (len(table) - 1) / 2
    assert np.abs(correlation).max() < np.sqrt(2 * np.log(pairs) / draws) * 1.2  # the largest of so many by chance
    assert np.sqrt((correlation**2).sum() / (2 * pairs)) < 1.05 / np.sqrt(draws)


def test_neighbouring_draws_of_two_owners_do_not_follow_each_other():
    streams = Streams(5, 4096, COORDINATES)
    first, second = (streams.normal(owner, "quantity 0") for owner in OWNERS[3:5])
    for lag in range(1, 6):
        assert abs(np.corrcoef(first[lag:], second[:-lag])[0, 1]) < 4 / 64


def test_the_quantities_of_one_owner_fill_their_space_more_evenly_than_random_numbers():
    draws = 1024
    even = ndtr(np.array([Streams(5, draws, COORDINATES).normal(OWNERS[3], name) for name in COORDINATES[:6]]).T)
    plain = [qmc.discrepancy(np.random.default_rng(seed).random((draws, 6))) for seed in range(20)]
    assert qmc.discrepancy(even) < min(plain) / 3


def test_means_of_smooth_functions_are_ten_times_surer_than_with_random_numbers():
    draws = 1024

    def smooth(scores):
        return np.exp(0.2 * scores.sum(axis=0))

    right = np.exp(0.2**2 * 6 / 2)
    found = [
        smooth(np.array([Streams(seed, draws, COORDINATES).normal(OWNERS[3], name) for name in COORDINATES[:6]])).mean()
        for seed in range(16)
    ]
    plain_error = right * np.sqrt(np.expm1(0.2**2 * 6) / draws)
    assert np.sqrt(np.mean((np.array(found) - right) ** 2)) < plain_error / 10


def test_scores_are_finite_and_cannot_be_changed():
    scores = Streams(1, 2**16).normal(("season",), "x")
    assert np.isfinite(scores).all()
    with pytest.raises(ValueError, match="read-only"):
        scores[0] = 0


def test_one_draw_is_enough():
    assert Streams(1, 1).normal(("season",), "x").shape == (1,)


@pytest.mark.parametrize(
    ("seed", "draws"), [(-1, 8), (1.5, 8), (True, 8), (1, 0), (1, 2**22 + 1), (1, "8"), (2**63, 8)]
)
def test_a_seed_or_number_of_draws_that_is_none_is_refused(seed, draws):
    with pytest.raises(Refused, match="not usable"):
        Streams(seed, draws)
