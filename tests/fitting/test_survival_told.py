"""What pooled records say and refuse, word for word; what is believed before them; and a nursery by one integral."""

import math

import numpy as np
import pytest
from scipy import stats
from scipy.special import expit, logit

from forecast.errors import Refused
from forecast.fitting.survival import Learned, Pooled, Priors, Record

FERNS = {"Alba": "ferns", "Nova": "ferns", "Bruma": "mosses"}


def refused(call):
    with pytest.raises(Refused) as refusal:
        call()
    return str(refusal.value)


# Priors


LIMITS = {
    "belief": (0.05, 5), "groups": (0.01, 3), "varieties": (0.01, 3), "differences": (0.01, 2), "batches": (0.5, 1e5),
    "likeness": (0.01, 2), "labs": (0.01, 2),
}  # fmt: skip


def test_what_is_believed_before_all_records_unless_told_otherwise():
    assert Priors() == Priors(
        survival=0.75, belief=1.5, groups=0.3, varieties=0.5, differences=0.7, batches=20, likeness=1, labs=0.4
    )


@pytest.mark.parametrize("name", LIMITS)
def test_a_prior_may_be_as_small_and_as_great_as_its_limits_and_no_more(name):
    low, high = LIMITS[name]
    for edge in (low, high):
        assert getattr(Priors(**{name: edge}), name) == edge
    for beyond in (0.99 * low, 1.01 * high, math.nan):
        said = f"{name}, {beyond}: not usable. Give a number from {low:g} to {high:g}."
        assert refused(lambda beyond=beyond: Priors(**{name: beyond})) == said


def test_a_middle_survival_lies_from_one_to_999_in_a_thousand():
    assert [Priors(survival=edge).survival for edge in (0.001, 0.999)] == [0.001, 0.999]
    for beyond in (0.0009, 0.9991, math.nan):
        assert refused(lambda beyond=beyond: Priors(survival=beyond)) == (
            f"survival, {beyond}: not a middle survival. Give a share from 0.001 to 0.999."
        )


def test_priors_are_normal_for_logits_and_logarithms():
    priors = Priors(0.6, 1.1, 0.2, 0.4, 0.8, 30, 0.9, 0.3)
    normals = priors.normals
    assert normals.nursery == pytest.approx((math.log(0.6 / 0.4), 1.1))
    assert normals.log_k == pytest.approx((math.log(30), 0.9))
    assert normals.log_varieties == pytest.approx((math.log(0.4), 0.8))
    assert normals.log_groups == pytest.approx((math.log(0.2), 0.8))
    assert normals.lab == 0.3


# Records


def test_a_batch_may_have_a_thousand_million_plants_all_or_none_alive():
    assert Record("Alba", 10**9, 10**9).survived == 10**9
    assert Record("Alba", 0, 1) == Record("Alba", 0.0, 1.0, batch="", lab="")
    assert refused(lambda: Record("Alba", 1, 10**9 + 1)) == (
        "of, '1000000001': not usable. Give a whole number from 1 to 1,000,000,000."
    )
    assert refused(lambda: Record("Alba", -1, 4)) == "survived, '-1': not usable. Give a whole number from 0 to 4."


def test_all_that_is_wrong_with_records_and_groups_is_told_at_once():
    records = [Record("Zeta", 1, 2, lab="L"), Record("Alba", 1, 2), Record("Umbra", 1, 2), Record("Zeta", 1, 2)]
    remedy = "Name its group; a group may hold one variety."
    assert refused(lambda: Pooled(records, {})).splitlines() == [
        f"variety, 'Alba': a variety without a group. {remedy}",
        f"variety, 'Umbra': a variety without a group. {remedy}",
        f"variety, 'Zeta': a variety without a group. {remedy}",
        "groups: there is no variety. Name at least one, with its group.",
        "lab: only some records name a lab. Name the lab of all records, or of none.",
    ]


# Words


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "Alba: 82 % of the next batch, give or take 9 (2 batches, weight 64 %; up from 70 % before any record)"),
        ({"name": ""},
         "Nursery: 82 % of the next batch, give or take 9 (2 batches, weight 64 %; up from 70 % before any record)"),
        ({"batches": 1},
         "Alba: 82 % of the next batch, give or take 9 (1 batch, weight 64 %; up from 70 % before any record)"),
        ({"batches": 1234, "mean": 0.995},
         "Alba: 99.5 % of the next batch, give or take 9 (1,234 batches, weight 64 %; up from 70 % before any record)"),
        ({"batches": 0, "weight": 0.0, "prior_mean": 0.9},
         "Alba: 82 % of the next batch, give or take 9 (no record, weight 0 %; down from 90 % before any record)"),
        ({"prior_mean": 0.82},
         "Alba: 82 % of the next batch, give or take 9 (2 batches, weight 64 %; up from 82 % before any record)"),
    ],
)  # fmt: skip
def test_what_is_believed_of_a_variety_is_said_with_its_records_and_what_they_moved(changes, said):
    whole = {
        "name": "Alba", "batches": 2, "plants": 90, "mean": 0.82, "sd": 0.09, "centre": 0.83, "doubt": 0.05,
        "weight": 0.64, "prior_mean": 0.7, "prior_sd": 0.2,
    }  # fmt: skip
    learned = Learned(**(whole | changes))
    assert str(learned) == said
    assert learned.moved == pytest.approx(learned.mean - learned.prior_mean)


@pytest.fixture(scope="module")
def pooled():
    return Pooled([Record("Alba", 45, 50, "B1"), Record("Alba", 38, 50), Record("Bruma", 3, 8)], FERNS)


def test_the_table_tells_varieties_by_name_then_groups_then_the_nursery(pooled):
    table = pooled.table()
    assert [one.name for one in table] == ["Alba", "Bruma", "Nova", "ferns", "mosses", ""]
    assert [one.batches for one in table] == [2, 1, 0, 2, 1, 3]
    assert [one.plants for one in table] == [100, 8, 0, 100, 8, 108]
    assert [one.weight for one in table[3:]] == [1, 1, 1]
    assert all(type(number) is int for one in table for number in (one.batches, one.plants))
    numbers = [(one.mean, one.sd, one.centre, one.doubt, one.weight, one.prior_mean, one.prior_sd)
               for one in table]  # fmt: skip
    assert {type(number) for row in numbers for number in row} == {float}
    assert len({row[5:] for row in numbers}) == 1
    assert table[:3] == [pooled.variety(name) for name in ("Alba", "Bruma", "Nova")]


def test_a_group_or_nursery_without_a_record_has_no_weight():
    empty = Pooled([Record("Alba", 4, 5)], FERNS)
    assert (empty.group("mosses").weight, empty.group("mosses").batches, empty.group("mosses").plants) == (0, 0, 0)
    assert (Pooled([], FERNS).nursery().weight, Pooled([], FERNS).nursery().batches) == (0, 0)


def test_a_nursery_is_said_with_its_batches_and_the_varieties_that_rest_on_others(pooled):
    def average(pooled):
        one = pooled.nursery()
        return f"{100 * one.mean:.0f} % on average, give or take {100 * one.sd:.0f}"

    assert str(pooled) == (
        f"3 batches of 3 varieties: a next batch survives to {average(pooled)}; "
        "1 of 3 varieties rest on the others alone"
    )
    single = Pooled([Record("Alba", 4, 5)], {"Alba": "ferns"})
    assert str(single) == f"1 batch of 1 varieties: a next batch survives to {average(single)}"


def test_names_that_no_record_or_group_has_are_refused_with_those_that_do(pooled):
    assert refused(lambda: pooled.group("trees")) == (
        "group, 'trees': not a group of these varieties. Write one of ferns, mosses."
    )
    assert refused(lambda: pooled.variety("Zeta")) == (
        "variety, 'Zeta': not one of these varieties. Name it in groups; it needs no record."
    )
    labs = Pooled([Record("Alba", 4, 5, lab="South"), Record("Alba", 3, 5, lab="North")], FERNS)
    assert labs.labs == ("North", "South")
    assert refused(lambda: labs.share("Alba", "batch", lab="East")) == (
        "lab, 'East': no record names this lab. Write one of North, South, or none."
    )


def test_two_labs_that_are_not_two_are_refused_with_what_would_do():
    def labs(*names):
        return Pooled([Record("Alba", 4, 5, lab=name) for name in names], FERNS)

    assert refused(lambda: labs("South", "North").compare_labs("North", "")) == (
        "lab, 'North, ': not two labs of these records. Write two of North, South."
    )
    assert refused(lambda: labs("South", "North").compare_labs("", "North")) == (
        "lab, ', North': not two labs of these records. Write two of North, South."
    )
    more = "Learn from records of two labs or more; these name"
    assert refused(lambda: labs("South").compare_labs("South", "South")) == (
        f"lab, 'South, South': not two labs of these records. {more} one."
    )
    assert refused(lambda: labs().compare_labs("", "")) == f"lab, ', ': not two labs of these records. {more} none."


def test_chances_are_given_for_up_to_twenty_thousand_plants(pooled):
    assert len(pooled.predictive("Alba", 1)) == 2
    assert refused(lambda: pooled.predictive("Alba", 20_001)) == (
        "of, '20001': not usable. Give a whole number from 1 to 20,000."
    )


# Numbers


def test_varieties_and_groups_all_alike_are_one_integral_over_the_logit():
    """Spreads of 0.01 leave one logit for all; with log k all but known, a sum over a fine grid tells the rest."""
    records = [Record("Alba", 45, 50), Record("Alba", 38, 50), Record("Bruma", 3, 8)]
    priors = Priors(0.6, 1.2, groups=0.01, varieties=0.01, differences=0.01, batches=12, likeness=0.01)
    x = np.linspace(-8, 8, 4001)
    weights = stats.norm.pdf(x, logit(0.6), math.sqrt(1.2**2 + 2 * 0.01**2))
    before, chances = weights, [stats.betabinom.pmf(r.survived, r.of, 12 * expit(x), 12 * expit(-x)) for r in records]
    weights = before * np.prod(chances, axis=0)
    found = Pooled(records, FERNS, priors)

    def moments(weights):
        mean = weights @ expit(x) / weights.sum()
        second = weights @ (expit(x) ** 2 + expit(x) * expit(-x) / 13) / weights.sum()
        return mean, math.sqrt(second - mean**2), mean, math.sqrt(weights @ expit(x) ** 2 / weights.sum() - mean**2)

    right, prior = moments(weights), moments(before)
    for one in found.table():
        assert (one.mean, one.sd, one.centre, one.doubt) == pytest.approx(right, abs=3e-4)
        assert (one.prior_mean, one.prior_sd) == pytest.approx(prior[:2], abs=3e-4)
    for name, others in (("Alba", before * chances[2]), ("Bruma", before * chances[0] * chances[1])):
        part = 1 - np.cov(x, aweights=weights, ddof=0) / np.cov(x, aweights=others, ddof=0)
        assert found.variety(name).weight == pytest.approx(part, abs=1e-3)


def test_two_labs_of_varieties_all_alike_are_a_sum_over_three_logits():
    """One logit for all varieties, and a shift for each lab: a grid over all three."""
    rows = [("South", 45, 50), ("South", 40, 50), ("North", 30, 50)]
    priors = Priors(0.7, 0.8, 0.01, 0.01, 0.01, batches=30, likeness=0.01, labs=0.3)
    mu = np.linspace(-3, 5, 81)[:, None, None]
    south, north = np.linspace(-1.8, 1.8, 41)[:, None], np.linspace(-1.8, 1.8, 41)
    logs = stats.norm.logpdf(mu, logit(0.7), 0.8) + stats.norm.logpdf(south, 0, 0.3) + stats.norm.logpdf(north, 0, 0.3)
    for lab, survived, of in rows:
        x = mu + (south if lab == "South" else north)
        logs = logs + stats.betabinom.logpmf(survived, of, 30 * expit(x), 30 * expit(-x))
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    apart = south - north
    mean = (weights * apart).sum()
    spread = math.sqrt((weights * (apart - mean) ** 2).sum())
    found = Pooled([Record("Alba", y, n, lab=lab) for lab, y, n in rows], {"Alba": "ferns"}, priors)
    assert found.compare_labs("South", "North") == pytest.approx(
        (mean, spread, stats.norm.cdf(mean / spread)), abs=0.01
    )
    for lab, x in (("South", mu + south), ("North", mu + north)):
        assert found.variety("Alba", lab=lab).mean == pytest.approx((weights * expit(x)).sum(), abs=0.002)
