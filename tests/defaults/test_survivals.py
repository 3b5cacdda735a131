"""Survivals to start from: what the published figures say, and what counted batches make of the default."""

import math
from itertools import groupby

import numpy as np
import pytest
from scipy.special import expit, logit
from small_records import came, count
from small_seasons import season

from forecast import learn
from forecast.defaults.crops import all_crops, find_crop, stage_rows
from forecast.defaults.survivals import BEST_TREATMENT, POOLS, WEIGHT, Plants, published
from forecast.records.records import Records

STAGES = ("arrival", "acclimatisation", "growing on", "hardening")
WEANING = [rows for (_, stage), rows in published().items() if stage == "acclimatisation"]


@pytest.mark.parametrize(
    ("crop", "stage", "survived", "of"),
    [
        ("Date palm", "growing on", 9_177, 10_007),  # Zaid and de Wet, Date palm propagation (FAO)
        ("Gerbera", "acclimatisation", 114, 120),  # Winarto and Yufdy 2017
        ("Gerbera", "acclimatisation", 30, 30),  # Patra and Beura 2016
        ("Agave", "growing on", 135, 135),  # Cruz-Garcia and others 2019
    ],
)
def test_the_real_counts_are_those_of_the_papers(crop, stage, survived, of):
    found = [(one.survived, one.of) for one in published()[crop, stage]]
    assert (survived, of) in found
    assert f"{survived:,} of {of:,}" in find_crop(crop).survival(stage).mean.source


def test_the_pool_is_that_of_the_published_figures():
    every = np.array([one.log_odds for rows in WEANING for one in rows])
    own = [np.array([one.log_odds for one in rows]) for rows in WEANING]
    within = sum(((of - of.mean()) ** 2).sum() for of in own) / (len(every) - len(own))
    pool = POOLS["acclimatisation"]
    assert f"{len(every)} published figures of {len(own)} crops" in pool.source
    assert pool.median == pytest.approx(every.mean() - BEST_TREATMENT, abs=0.05)
    assert pool.variance == pytest.approx(within, abs=0.01)


def test_figures_of_one_crop_differ_as_much_as_those_of_several():
    """Analysis of variance, one way and unbalanced: the component between crops is not above 0."""
    own = [np.array([one.log_odds for one in rows]) for rows in WEANING]
    sizes, middle = np.array([len(of) for of in own]), np.concatenate(own).mean()
    within = sum(((of - of.mean()) ** 2).sum() for of in own) / (sizes.sum() - len(own))
    between = sum(len(of) * (of.mean() - middle) ** 2 for of in own) / (len(own) - 1)
    assert between < within


def test_roots_move_survival_less_than_in_raspberry_and_more_than_in_pineapple():
    """Seven cultivars of raspberry: 81-98 % rooted, 43-76 % not (Plants 8(1):3, 2019); no difference: Hamad 2022."""
    rooted, bare = (
        next(one for one in published()["Raspberry", stage] if "2019" in one.source).log_odds
        for stage in ("acclimatisation", "acclimatisation, not rooted")
    )
    assert rooted - bare == pytest.approx(2.24, abs=0.01)
    means = [find_crop("raspberry").survival(plants=Plants(rooted=roots)).mean.typical for roots in (True, False)]
    assert 0 < logit(means[0]) - logit(means[1]) < rooted - bare


@pytest.mark.parametrize("stage", STAGES)
@pytest.mark.parametrize("crop", all_crops(), ids=lambda crop: crop.name)
def test_survivals_lie_between_nothing_and_all_and_say_what_they_rest_on(crop, stage):
    found = crop.survival(stage)
    assert 0.2 < found.mean.low < found.mean.typical < found.mean.high < 1
    assert all(figure.source and figure.grade for figure in (found.mean, found.doubt, found.batches))
    assert found.weight < 3
    share = found.share
    assert share.sd**2 == pytest.approx(found.doubt.typical**2 + found.batches.typical**2, rel=0.1)
    assert dict(share.level.shares) == {"belief": 1 / (1 + WEIGHT), "batch": WEIGHT / (1 + WEIGHT)}


def test_mean_and_spread_are_those_of_log_odds_that_are_normal():
    found, pool = find_crop("hosta").survival(), POOLS["acclimatisation"]
    drawn = expit(np.random.default_rng(1).normal(pool.median, math.sqrt(pool.variance), 400_000))
    assert found.mean.typical == pytest.approx(drawn.mean(), abs=0.002)
    assert found.share.sd == pytest.approx(drawn.std(), abs=0.002)


def test_batches_differ_no_more_than_batches_of_cuttings_did():
    """Acer and Pyrus, 48 batches of 12 cuttings: intraclass correlation 0.1415, beta-binomial (R pairwiseCI)."""
    for crop in all_crops():
        found = crop.survival()
        share, spread = found.mean.typical, found.batches.typical
        assert 0.03 < spread**2 / (share * (1 - share)) < 0.1415


def test_answers_order_the_survivals():
    hosta = find_crop("hosta")
    bare, usual, hardened = (
        hosta.survival(plants=plants).mean.typical for plants in (Plants(rooted=False), Plants(), Plants(hardened=True))
    )
    assert bare < usual < hardened
    by_ease = {ease: {one.survival().mean.typical for one in found} for ease, found in _by_ease()}
    assert all(len(means) == 1 for means in by_ease.values())
    assert max(by_ease["hard"]) < max(by_ease["usual"]) < max(by_ease["easy"])


def _by_ease():
    return [
        (ease, list(found))
        for ease, found in groupby(sorted(all_crops(), key=lambda one: one.ease), lambda one: one.ease)
    ]


@pytest.mark.parametrize("counted", [0.55, 0.97])
@pytest.mark.parametrize("typed", ["hosta", "aglaonema", "chrysanthemum"])
def test_three_counted_batches_move_the_mean_more_than_the_default_holds_it(typed, counted):
    """The learned mean lies nearer to the counts, in log-odds, than to the default."""
    plan = season(stage_rows(find_crop(typed), applies_to="crop", places=("house", "house")))
    batches = [came(f"B{k}", ordered=200, received=200) for k in (1, 2, 3)]
    alive = round(200 * counted)
    counts = [
        count("2027-04-26", "acclimatisation", alive, alive, losses=200 - alive, batch=one.batch) for one in batches
    ]
    row = learn(plan, Records(batches=batches, counts=counts)).table()
    row = row.query("stage == 'acclimatisation' and what == 'survival'").iloc[0]
    assert (row["based_on"], row["batches"]) == ("records", 3)
    moved = (logit(row["learned"]) - logit(row["estimate"])) / (logit(counted) - logit(row["estimate"]))
    assert moved > 0.5
