"""Survival that is lower than stated: by how much, for whom, and never to anybody's good."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from random_seasons import seasons
from small_seasons import beta_spread, season, stage

import forecast
from forecast.sensitivity.stress import poorer, share_saleable


def _through(of, variety):
    return math.prod(share.mean for share in of.survivals(variety))


def test_ten_points_of_the_plants_delivered_are_lost_more_in_every_variety():
    demo = forecast.read_season("demo_data")
    lower = poorer(demo)
    for row in demo.varieties:
        assert _through(lower, row.variety) == pytest.approx(_through(demo, row.variety) - 0.1, abs=1e-12)


def test_they_are_lost_in_the_stage_that_loses_most():
    names = {"a": 0.95, "b": 0.8, "c": 0.9}
    lower = poorer(season([stage(name, survival=mean) for name, mean in names.items()]))
    means = [share.mean for share in lower.survivals("A")]
    assert means == pytest.approx([0.95, 0.8 - 0.1 / (0.95 * 0.9), 0.9])


def test_losses_quoted_in_points_of_the_original_number_are_lowered_likewise():
    """Losses of 20, 11 and 9 points leave 60 of 100, not 64.8; then 50."""
    shares = ((0.8, "a"), (0.89, "b"), (0.91, "c"))
    whole = season([stage(name, survival=mean, share_of="original") for mean, name in shares])
    assert _through(whole, "A") == pytest.approx(0.6)
    assert _through(poorer(whole), "A") == pytest.approx(0.5)


def test_the_beta_distribution_keeps_its_weight():
    whole = season([stage(**beta_spread(8, 2))])
    (share,) = poorer(whole).survivals("A")
    assert share.parameters == pytest.approx((7, 3))


def test_where_few_come_through_half_of_them_do():
    assert _through(poorer(season([stage(survival=0.12)])), "A") == pytest.approx(0.06)


def test_of_plants_that_all_survive_ten_in_a_hundred_are_lost():
    assert poorer(season([stage(survival=1)])).survivals("A")[0].mean == pytest.approx(0.9)


@settings(max_examples=40, deadline=None)
@given(seasons(), st.sampled_from([0.02, 0.1, 0.4]), st.integers(20, 80))
def test_no_draw_is_better_for_it(whole, points, target):
    orders = [("A", whole.first_week, 90), ("B", whole.first_week + 2, 60)]
    before, after = (forecast.simulate(one, orders, draws=64, seed=3) for one in (whole, poorer(whole, points=points)))
    for week in (whole.first_week + 12, whole.last_week):
        was, now = (one.chances("A", week=week, at_least=target) for one in (before, after))
        assert np.all(now <= was + 1e-9)


def test_the_share_that_becomes_saleable_is_that_of_the_binomial():
    outcome = forecast.simulate(poorer(season([stage(survival=0.8)])), [("A", "2027-W02", 400)], draws=1024, seed=1)
    error = math.sqrt(0.7 * 0.3 / (400 * 1024))
    assert share_saleable(outcome) == pytest.approx(0.7, abs=5 * error)


def test_plants_that_are_not_ready_within_the_season_are_not_among_them():
    """Of 400 that all survive eight weeks, 100 come in the last but two of forty."""
    made = season([stage(typical=8, survival=1)])
    outcome = forecast.simulate(made, [("A", "2027-W05", 300), ("A", "2027-W38", 100)], draws=8, seed=1)
    assert share_saleable(outcome) == pytest.approx(0.75)


@pytest.mark.parametrize("points", [0, 1, -0.1, 10, True, "0.1", float("nan")])
def test_points_that_are_no_share_are_refused(points):
    with pytest.raises(forecast.Refused, match=r"not a share of the plants delivered\. Give a number above 0"):
        poorer(season([stage()]), points=points)
