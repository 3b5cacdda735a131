"""What can be asked of an outcome, where it is known: no time, or no two plants alike in no way but their stage."""

import numpy as np
import pytest
from labelled import saleable_by_week
from scipy.stats import betabinom
from small_seasons import beta_spread, season, stage

import forecast
from forecast import Refused

A, B, PLANTS, DRAWS = 8.0, 2.0, 60, 4096


def lossy():
    plan = season([stage("arrival", **beta_spread(A, B))], varieties=("A", "B"))
    return forecast.simulate(plan, [("A", "2027-W05", PLANTS)], draws=DRAWS, seed=1)


@pytest.mark.parametrize("q", [0.02, 0.1, 0.5, 0.8, 0.99])
def test_quantiles_of_plants_that_share_a_batch_are_those_of_a_beta_binomial(q):
    """Within five Monte Carlo errors, as a chance."""
    law, error = betabinom(PLANTS, A, B), 5 * (q * (1 - q) / DRAWS) ** 0.5
    found = int(lossy().quantile("A", week="2027-W10", q=q))
    assert law.cdf(found) >= q - error
    assert law.cdf(found - 1) <= q + error


def test_quantiles_rise_and_end_at_the_fewest_and_the_most():
    outcome = lossy()
    counts = saleable_by_week(outcome).sel(variety="A", week="2027-W10").values
    found = outcome.quantile("A", week="2027-W10", q=[[0, 0.3], [0.6, 1]])
    assert found.shape == (2, 2)
    assert (np.diff(found.ravel()) > 0).all()
    assert (found[0, 0], found[1, 1]) == (counts.min(), counts.max())
    assert (counts <= found[0, 1]).mean() >= 0.3 > (counts < found[0, 1]).mean()


def test_quantiles_before_delivery_and_of_what_is_not_ordered_are_none():
    outcome = lossy()
    assert outcome.quantile("A", week="2027-W04").tolist() == [0, 0, 0]
    assert outcome.quantile("B", week="2027-W10").tolist() == [0, 0, 0]


@pytest.mark.parametrize("q", [1.01, -0.1, float("nan"), "half", None])
def test_what_is_no_probability_is_refused(q):
    with pytest.raises(Refused, match=r"q.*: not a probability\. Give numbers from 0 to 1\."):
        lossy().quantile("A", week="2027-W10", q=q)


def test_a_week_outside_the_season_is_refused():
    with pytest.raises(Refused, match=r"outside the season\. Give a week from 2027-W01 to 2027-W40"):
        lossy().quantile("A", week="2028-W10", q=0.5)


ROUTE = [
    stage(typical=4, survival=0.64, plants_per_m2=100),
    stage("growing on", typical=6, survival=1, plants_per_m2=50, place="yard"),
]
PLACES = [{"place": name, "area": 100, "usable": 1} for name in ("house", "yard")]


@pytest.mark.parametrize(
    ("week", "place", "stands", "plants", "area"),
    [
        ("2027-W05", "house", "acclimatisation", 200, 2.0),
        ("2027-W07", "house", "acclimatisation", 160, 1.6),  # half of the clock, so the root of the survival
        ("2027-W12", "yard", "growing on", 128, 2.56),
        ("2027-W15", "yard", "saleable", 128, 2.56),
    ],
)
def test_what_stands_where_in_a_week_by_hand(week, place, stands, plants, area):
    """Two hundred, of which 0.64 survive four weeks; then six weeks, and they are saleable where they stand."""
    plan = season(ROUTE, places=PLACES)
    table = forecast.bench_space(forecast.simulate(plan, [("A", "2027-W05", 200)], draws=8, seed=1)).plants(week)
    assert table.to_dict("records") == [
        {
            "place": place, "variety": "A", "stage": stands,
            "p5": plants, "median": plants, "p95": plants, "area_m2": pytest.approx(area),
        }
    ]  # fmt: skip


def test_before_a_delivery_nothing_stands_anywhere():
    plan = season(ROUTE, places=PLACES)
    assert (
        forecast.bench_space(forecast.simulate(plan, [("A", "2027-W05", 200)], draws=8, seed=1))
        .plants("2027-W04")
        .empty
    )
