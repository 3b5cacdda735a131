"""How many plants are in which place in a week, by hand."""

import math

import numpy as np
import pandas as pd
import pytest
from labelled import area_by_place, plants_by_state
from small_seasons import TWO_PLACES, season, stage

import forecast
from forecast.resources.overruns import area_of

RANGE = ("p5", "median", "p95")
ROUTE = [
    stage(typical=4, survival=0.64, plants_per_m2=100),
    stage("growing on", typical=6, survival=1, plants_per_m2=50, place="yard"),
]
SURE = [stage(typical=4, survival=1, plants_per_m2=100)]


def sure(orders, targets=(), **cells):
    """Forecast plants of which none is lost, each saleable after four weeks."""
    return forecast.simulate(season(SURE, targets=targets, **cells), orders, draws=8, seed=1)


def test_the_area_of_a_batch_is_that_of_a_multinomial_number_of_plants():
    """Variance N (sum p a^2 - (sum p a)^2) of N plants, a share p of which stands on a square metres each."""
    plan = season(ROUTE, places=TWO_PLACES)
    outcome = forecast.simulate(plan, [("A", "2027-W05", 200)], draws=4, seed=1)
    area = area_by_place(outcome)
    assert list(area.data_vars) == ["expected", "deviation"]
    assert area["expected"].dims == area["deviation"].dims == ("place", "week", "draw")
    assert area["place"].values.tolist() == ["yard", "house"]
    assert area["week"].values.tolist()[::39] == ["2027-W01", "2027-W40"]
    for week, place, share, each in (
        ("2027-W04", "house", 0, 0.01),
        ("2027-W05", "house", 1, 0.01),
        ("2027-W07", "house", 0.8, 0.01),
        ("2027-W07", "yard", 0, 0.02),
        ("2027-W12", "yard", 0.64, 0.02),
        ("2027-W30", "yard", 0.64, 0.02),
    ):
        cell = area.sel(place=place, week=week)
        deviation = math.sqrt(200 * share * (1 - share)) * each
        assert cell["expected"].values == pytest.approx([200 * share * each] * 4, abs=1e-9)
        assert cell["deviation"].values == pytest.approx([deviation] * 4, abs=1e-5)
    expected, variance = area_of(outcome, outcome.batches[0])["yard"]
    assert expected == pytest.approx(area["expected"].sel(place="yard").values)
    assert variance == pytest.approx(area["deviation"].sel(place="yard").values ** 2)


def test_what_is_sold_leaves_its_place_in_that_week_and_batches_share_it_in_proportion():
    targets = [{"variety": "A", "week": w, "target": n} for w, n in (("2027-W12", 50), ("2027-W35", 1))]
    outcome = sure([("A", "2027-W05", 60), ("A", "2027-W06", 40)], targets, saleable_weeks=20)
    area = area_by_place(outcome)["expected"].sel(place="house").values[:, 0]
    assert area[[3, 4, 5, 10, 11, 27, 28, 30]] == pytest.approx([0, 0.6, 1, 1, 0.5, 0.5, 0.4, 0])
    first, second = (area_of(outcome, batch)["house"][0][11, 0] for batch in outcome.batches)
    assert (first, second) == pytest.approx((0.3, 0.2))
    stands = forecast.bench_space(outcome).plants("2027-W12").to_dict("records")
    assert [(row["stage"], row["median"], row["area_m2"]) for row in stands] == [("saleable", 50, 0.5)]


def test_what_is_where_is_reported_by_place_and_variety_in_the_order_of_the_route():
    """Of A 300 are growing on, 75 came this week; of B 12.6 are saleable, which is 13, on 13 / 50 square metres."""
    rows = [
        stage(typical=4, survival=1, plants_per_m2=70),
        stage("growing on", typical=6, survival=1, plants_per_m2=70),
        stage("grading", survival=0.9, plants_per_m2=50, place="yard"),
    ]
    plan = season(rows, varieties=("B", "A"), places=TWO_PLACES)
    orders = [("A", "2027-W05", 300), ("A", "2027-W11", 75), ("B", "2027-W01", 14), ("B", "2027-W07", 10)]
    table = forecast.bench_space(forecast.simulate(plan, orders, draws=4, seed=1)).plants("2027-W11")
    right = pd.DataFrame(
        [
            ("house", "A", "acclimatisation", 75, 75, 75, 1.07),
            ("house", "A", "growing on", 300, 300, 300, 4.29),
            ("house", "B", "growing on", 10, 10, 10, 0.14),
            ("yard", "B", "saleable", 13, 13, 13, 0.26),
        ],
        columns=["place", "variety", "stage", *RANGE, "area_m2"],
    )
    pd.testing.assert_frame_equal(table, right)


def test_a_single_plant_is_somewhere_too():
    (row,) = forecast.bench_space(sure([("A", "2027-W05", 1)])).plants("2027-W05").to_dict("records")
    assert (row["stage"], row["median"], row["area_m2"]) == ("acclimatisation", 1, 0.01)


def test_places_hold_the_range_of_what_is_expected():
    rows = [stage("arrival", survival=0.7, survival_sd=0.1), stage(typical=4, survival=1)]
    outcome = forecast.simulate(season(rows), [("A", "2027-W05", 1000)], draws=512, seed=1)
    (row,) = forecast.bench_space(outcome).plants("2027-W05").to_dict("records")
    plants = plants_by_state(outcome, "A").sel(state="acclimatisation", week="2027-W05").values
    found = [row[name] for name in RANGE]
    assert found == np.rint(np.quantile(plants, (0.05, 0.5, 0.95))).tolist()
    assert found[0] < found[1] < found[2]


@pytest.mark.parametrize(
    ("week", "place", "stands", "plants", "area"),
    [
        ("2027-W05", "house", "acclimatisation", 200, 2.0),
        ("2027-W07", "house", "acclimatisation", 160, 1.6),  # half of the clock, so the root of the survival
        ("2027-W12", "yard", "growing on", 128, 2.56),
        ("2027-W15", "yard", "saleable", 128, 2.56),
    ],
)
def test_what_is_where_in_a_week_by_hand(week, place, stands, plants, area):
    """Two hundred, of which 0.64 survive four weeks; then six weeks, and they are saleable where they stand."""
    plan = season(ROUTE, places=TWO_PLACES)
    table = forecast.bench_space(forecast.simulate(plan, [("A", "2027-W05", 200)], draws=8, seed=1)).plants(week)
    assert table.to_dict("records") == [
        {
            "place": place, "variety": "A", "stage": stands,
            "p5": plants, "median": plants, "p95": plants, "area_m2": pytest.approx(area),
        }
    ]  # fmt: skip


def test_before_a_delivery_nothing_is_anywhere():
    plan = season(ROUTE, places=TWO_PLACES)
    outcome = forecast.simulate(plan, [("A", "2027-W05", 200)], draws=8, seed=1)
    assert forecast.bench_space(outcome).plants("2027-W04").empty


def test_a_week_outside_the_season_is_refused():
    with pytest.raises(forecast.Refused, match=r"week, '2027-W41': outside the season"):
        forecast.bench_space(sure([("A", "2027-W05", 1)])).plants("2027-W41")
