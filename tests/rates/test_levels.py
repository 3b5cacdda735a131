"""Levels: what batches share, with every batch keeping the stated distribution."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import beta, spearmanr
from small_seasons import MIXED, season, stage

from forecast.errors import Refused
from forecast.growth.simulation import draw_fate, season_streams
from forecast.rates.levels import Level

DRAWS = 16384


def survivals(level, batches, draws=DRAWS):
    """Return the survival of batches, each named by variety and number, by draw."""
    plan = season([stage(survival=0.8, survival_sd=0.12, survival_level=level)], varieties=("A", "B"))
    streams = season_streams(draws, 1)
    return [
        np.exp(draw_fate(plan, streams, variety, number, plan.first_week).log_survival[0])
        for variety, number in batches
    ]


def rank_correlation(shared):
    """Spearman's correlation of a Gaussian copula: 6 / pi asin(r / 2)."""
    return 6 / math.pi * math.asin(shared / 2)


@pytest.mark.parametrize(
    ("level", "same_variety", "other_variety"),
    [
        (MIXED, 0.5, 0.3),
        ("season", 1, 1),
        ("belief", 1, 1),
        ("variety", 1, 0),
        ("batch", 0, 0),
        ("belief 0.4 batch 0.6", 0.4, 0.4),
        ("season 0.25 variety 0.75", 1, 0.25),
    ],
)
def test_batches_have_the_rank_correlation_of_what_they_share(level, same_variety, other_variety):
    first, second, other = survivals(level, [("A", 1), ("A", 2), ("B", 1)])
    for pair, shared in (((first, second), same_variety), ((first, other), other_variety)):
        found = spearmanr(*pair).statistic
        assert abs(found - rank_correlation(shared)) < 3 * (1 - shared**2) / math.sqrt(DRAWS) + 1e-9


@pytest.mark.parametrize("level", [MIXED, "season", "variety", "batch", "belief 0.4 batch 0.6"])
def test_every_batch_keeps_the_stated_distribution_whatever_it_shares(level):
    size = 0.8 * 0.2 / 0.12**2 - 1
    for share in survivals(level, [("A", 1), ("A", 2), ("B", 1)]):
        ranks = np.sort(beta.cdf(share, 0.8 * size, 0.2 * size))
        steps = np.arange(1, DRAWS + 1) / DRAWS
        assert np.abs(ranks - steps).max() < 1.36 / math.sqrt(DRAWS)  # Kolmogorov-Smirnov, once in 20 by chance
        assert share.mean() == pytest.approx(0.8, abs=3 * 0.12 / math.sqrt(DRAWS))


def test_plants_that_differ_one_by_one_leave_a_batch_at_its_mean():
    (share,) = survivals("plant", [("A", 1)], draws=64)
    assert share == pytest.approx(0.8)


def test_the_times_of_stages_at_one_level_are_drawn_apart_from_their_survivals():
    cells = {"typical": 4, "batches_cv": 0.2, "survival_sd": 0.1}
    plan = season([stage("acclimatisation", **cells), stage("hardening", **cells)])
    fate = draw_fate(plan, season_streams(4096, 1), "A", 1, plan.first_week)
    table = np.vstack([fate.log_survival, fate.weeks])
    assert np.abs(np.corrcoef(table) - np.eye(4)).max() < 3 / math.sqrt(4096)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    words=st.permutations(["belief", "season", "variety", "batch"]),
    cuts=st.lists(st.integers(1, 19), max_size=3, unique=True).map(sorted),
)
def test_a_level_reads_back_what_it_says(words, cuts):
    parts = np.diff([0, *cuts, 20]) / 20
    level = Level(tuple((word, float(part)) for word, part in zip(words, parts, strict=False)))
    assert Level.parse(str(level)) == level
    assert Level.parse(level) is level


@pytest.mark.parametrize(
    "text",
    [
        "lab",
        "",
        "Batch",
        "season 0.3 batch 0.6",
        "season 0.5 season 0.5",
        "plant 0.5 batch 0.5",
        "season 0 batch 1",
        "season 0.3, batch 0.7",
        "season -0.3 batch 1.3",
        "season batch",
        "season 0.5.5 batch 0.5",
        "season 0.3 batch",
        None,
        0.5,
    ],
)
def test_what_is_no_level_is_refused_with_all_that_would_do(text):
    with pytest.raises(
        Refused, match=r"not a level.*Write one of belief, season, variety, batch, cycle \(of a culture\), plant"
    ):
        Level.parse(text)


def test_shares_that_do_not_add_to_one_are_refused():
    with pytest.raises(Refused, match="not a level"):
        Level((("season", 0.5), ("batch", 0.4)))
    with pytest.raises(Refused, match="not a level"):
        Level(())
