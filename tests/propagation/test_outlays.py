"""What multiplying costs and when, by hand where nothing is lost and all grow alike."""

import pytest
from small_cultures import CULTURE, DIVISION
from small_seasons import season, stage

import forecast
from forecast.growth.simulation import season_streams
from forecast.propagation.cultures import Cultures
from forecast.propagation.outlays import expected_outlays

ROUNDS = {1: [0.0], 3: [1.0, 1.0, 0.0]}  # what is kept
PLACES = [{"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 2}]


def spent(culture=None, division=None, until="2027-W30", route=None, places=PLACES, **asked):
    rows = {"divisions": [DIVISION | division]} if division else {"cultures": [CULTURE | culture]}
    growing = stage("growing", typical=5, survival=1, cost=0.5)
    plan = season(route or [growing], hourly_wage=20, places=places, **rows)
    if division:
        kept = ROUNDS[asked["subcultures"]]
        made = Cultures(plan, plan.division("A"), season_streams(4, 1), plan.first_week, asked["explants"], kept)
    else:
        made = forecast.multiply(plan, "A", draws=4, seed=1, **asked)
    outlays = expected_outlays(made, forecast.Week.parse(until))
    return [(what, str(week), pytest.approx(cost)) for what, week, cost in outlays]


STOCK = {"price": 4, "cost": 0.2, "minutes": 3, "most_rounds": 3, "place": "house", "plants_per_m2": 20}
VESSELS = {"cost_start": 90, "cost_per_explant": 3, "cost_per_vessel": 1.5, "minutes_per_vessel": 3}


def test_vessels_of_every_cycle_are_paid_when_it_is_planted_and_growing_on_half_way():
    """A vessel costs 1.5 and 1 of work; 36 plantlets stand 19 weeks at 2 a square metre of a hundred."""
    assert spent(VESSELS, explants=4, subcultures=2) == [
        ("initiation", "2027-W01", 90),
        ("explants", "2027-W01", 4 * (3 + 2.5)),
        ("subculture 1", "2027-W03", 4 * 2.5),
        ("subculture 2", "2027-W06", 12 * 2.5),
        ("rooting 2", "2027-W09", 4 * 2.5),
        ("growing on", "2027-W20", 36 * (0.5 + 19 * 2 / 100)),
    ]


def test_what_is_rooted_early_is_grown_on_early():
    """A third of 12 shoots goes on in culture; eight are rooted in a vessel of ten."""
    assert spent(VESSELS, explants=4, subcultures=2, kept=[1 / 3]) == [
        ("initiation", "2027-W01", 90),
        ("explants", "2027-W01", 4 * (3 + 2.5)),
        ("subculture 1", "2027-W03", 4 * 2.5),
        ("rooting 1", "2027-W06", 2.5),
        ("subculture 2", "2027-W06", 4 * 2.5),
        ("rooting 2", "2027-W09", 2 * 2.5),
        ("growing on", "2027-W19", 8 * (0.5 + 22 * 2 / 100)),
        ("growing on", "2027-W20", 12 * (0.5 + 19 * 2 / 100)),
    ]


def test_plantlets_enter_the_stage_that_the_row_says_and_pay_nothing_before():
    route = [stage("weaning", typical=3, survival=1, cost=7), stage("growing", typical=5, survival=1, cost=0.5)]
    assert spent(VESSELS, route=route, explants=4, subcultures=1)[-1] == (
        "growing on", "2027-W19", 12 * (0.5 + 22 * 2 / 100),
    )  # fmt: skip


def test_plants_that_come_after_the_target_week_are_not_grown_on():
    assert spent(VESSELS, explants=4, subcultures=2, until="2027-W11")[-1][0] == "rooting 2"
    assert spent(VESSELS, explants=4, subcultures=2, until="2027-W12")[-1][0] == "growing on"


def test_stock_is_bought_beyond_what_there_is_divided_and_kept_on_the_bench():
    """Four more at 4; a division costs 0.2 and 1 of work; stock stands 8 weeks at twenty to the square metre."""
    cells = STOCK | {"round_weeks": 8}
    assert spent(division=cells, explants=14, subcultures=3, until="2027-W40") == [
        ("stock plants", "2027-W01", 4 * 4),
        ("division 1", "2027-W01", 42 * 1.2),
        ("bench of stock 1", "2027-W05", 42 / 20 * 2 * 8),
        ("division 2", "2027-W09", 126 * 1.2),
        ("bench of stock 2", "2027-W13", 126 / 20 * 2 * 8),
        ("division 3", "2027-W17", 378 * 1.2),
        ("growing on", "2027-W28", 378 * (0.5 + 23 * 2 / 100)),
    ]
    assert spent(division=cells, explants=10, subcultures=1)[0] == ("division 1", "2027-W01", 30 * 1.2)


def test_a_single_plant_of_stock_beyond_those_there_is_bought_and_one_without_a_price_costs_nothing():
    assert spent(division=STOCK, explants=11, subcultures=1)[0] == ("stock plants", "2027-W01", 4)
    free = {name: cell for name, cell in STOCK.items() if name != "price"}
    assert spent(division=free | {"stock": 11}, explants=11, subcultures=1)[0][0] == "division 1"
    assert spent(division=STOCK, explants=9, subcultures=1)[0][0] == "division 1"


def test_stock_is_on_the_bench_between_divisions_alone_and_only_where_a_place_is_stated():
    rows = spent(division=STOCK | {"round_weeks": 4}, explants=10, subcultures=3)
    assert [what for what, *_ in rows if "bench" in what] == ["bench of stock 1", "bench of stock 2"]
    nowhere = {name: cell for name, cell in STOCK.items() if name not in ("place", "plants_per_m2")}
    rows = spent(division=nowhere | {"round_weeks": 4}, explants=10, subcultures=3)
    assert [what for what, *_ in rows] == ["division 1", "division 2", "division 3", "growing on"]


def test_the_bench_of_a_round_of_an_odd_number_of_weeks_is_reported_in_the_week_before_its_middle():
    rows = spent(division=STOCK | {"round_weeks": 7}, explants=10, subcultures=3)
    weeks = {what: week for what, week, _ in rows if "bench" in what}
    assert weeks == {"bench of stock 1": "2027-W04", "bench of stock 2": "2027-W11"}


def test_plants_that_come_a_week_before_they_are_needed_grow_for_one_week():
    """36 plantlets come in week 11 and stand one week on 0.36 m²."""
    rows = spent(VESSELS, explants=4, subcultures=2, until="2027-W12")
    assert rows[-1] == ("growing on", "2027-W11", 36 * (0.5 + 2 / 100))


def test_the_bench_of_stock_and_of_plantlets_costs_what_the_row_of_each_week_says():
    """2 a square metre until week 5 and 7 from week 6 on."""
    rows = [PLACES[0] | {"last_week": "2027-W05"}, PLACES[0] | {"cost_per_m2_week": 7, "first_week": "2027-W06"}]
    cells = STOCK | {"round_weeks": 8}
    found = spent(division=cells, explants=10, subcultures=3, until="2027-W40", places=rows)
    assert found[1] == ("bench of stock 1", "2027-W05", 30 / 20 * (5 * 2 + 3 * 7))
    assert found[3] == ("bench of stock 2", "2027-W13", 90 / 20 * 8 * 7)
    assert found[-1] == ("growing on", "2027-W28", 270 * (0.5 + 23 * 7 / 100))
