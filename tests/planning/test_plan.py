"""What a plan holds, cell by cell, where it is known by hand: no plant is lost, all take four and three weeks.

A plantlet stands in the tunnel for four weeks and then in the house until it is sold, ten to the square metre; each
stage costs 0.25. All targets are worth ordering for, and each lab delivers in a single week.
"""

from dataclasses import replace

import numpy as np
import pytest
from defaults import defaults
from refusals import refused
from small_cultures import CULTURE
from small_seasons import offer, season, stage

import forecast
from forecast import Week
from forecast.planning.plan import LeftOut, Plan
from forecast.words.numbers import TOO_LITTLE

FEW = {"draws": 16, "seed": 1}
WANTED = {"D": 40, "A": 100, "B": 150, "C": 60}
DELIVERED = {"D": "2027-W08", "A": "2027-W10", "B": "2027-W08", "C": "2027-W08"}
PRICE = {"D": 1.0, "A": 1.2345, "B": 3.0, "C": 2.0}
LAB = {"D": "Lab", "A": "Lab", "B": "Other lab", "C": "Lab"}
PLACES = [{"place": "tunnel", "area": 200, "usable": 0.5}, {"place": "house", "area": 100, "usable": 1}]


def offered(name, **cells):
    week = DELIVERED[name]
    return offer(name, lab=LAB[name], unit_price=PRICE[name], first_week=week, last_week=week, **cells)


def plan(places=PLACES, names=tuple(WANTED), density=10, **cells):
    offers = [
        offered("D"),
        offered("A", form="plugs", deposit=0.25),
        offered("B", deposit=0.1, freight_per_box=7, plants_per_box=100),
        offered("C"),
    ]
    offers = [row for row in offers if row["variety"] in names]
    made = season(
        [
            stage("rooting", typical=4, survival=1, cost=0.25, place="tunnel", plants_per_m2=density),
            stage("growing on", typical=3, survival=1, cost=0.25, plants_per_m2=10),
        ],
        varieties=names,
        places=places,
        targets=[{"variety": name, "week": "2027-W18", "target": WANTED[name], "short_cost": 0} for name in names],
        **{"price_list": offers} | cells,
    )
    return made.replace(varieties=[row.replace(sale_price=9.0) for row in made.varieties])


def found(made, **options):
    return forecast.plan_orders(made, **FEW | options)


@pytest.fixture(scope="module")
def whole():
    return found(plan(budget=2_000))


PAID = sum(WANTED[name] * PRICE[name] for name in WANTED)
SPENT = PAID + 14 + 0.5 * sum(WANTED.values())  # two boxes of B, two stages of all


def test_orders_are_by_week_lab_and_variety_with_what_is_due_when(whole):
    columns = ["lab", "week", "variety", "form", "quantity", "unit_price", "price", "deposit", "balance"]
    assert whole.table().columns.tolist() == columns
    assert whole.table().to_numpy().tolist() == [
        ["Lab", "2027-W08", "C", "", 60, 2.0, 120.0, 0.0, 120.0],
        ["Lab", "2027-W08", "D", "", 40, 1.0, 40.0, 0.0, 40.0],
        ["Other lab", "2027-W08", "B", "", 150, 3.0, 450.0, 45.0, 405.0],
        ["Lab", "2027-W10", "A", "plugs", 100, 1.2345, 123.45, 30.86, 92.59],
    ]
    assert [(row.variety, row.lab, str(row.week), row.quantity) for row in whole.orders] == [
        (name, LAB[name], DELIVERED[name], WANTED[name]) for name in "CDBA"
    ]


def test_cost_and_margin_are_those_by_hand_with_freight_by_the_box(whole):
    assert whole.cost == pytest.approx(SPENT)
    assert whole.margin == pytest.approx(9 * sum(WANTED.values()) - SPENT)
    assert (whole.aim, whole.draws, whole.seed) == ("margin", 16, 1)
    assert whole.cash_flow().margin == pytest.approx([whole.margin] * 16)


def test_limits_are_used_by_money_and_by_the_plants_that_are_there_in_the_fullest_week(whole):
    """In the tunnel 250 from week 8 and 350 from week 10 to 11; in the house 350 from week 14 on."""
    table = whole.limits()
    assert table.columns.tolist() == ["limit", "week", "used", "available", "shadow_price", "error"]
    assert table.to_numpy().tolist() == [
        ["budget", "", round(PAID + 14, 2), 2_000, 0, 0],
        ["tunnel", "2027-W10", 35, 100, 0, 0],
        ["house", "2027-W14", 35, 100, 0, 0],
    ]


@pytest.mark.parametrize("size", [1, 100])
def test_a_place_is_fullest_where_the_greatest_share_of_it_is_used(size):
    """In week 8 the tunnel has 30 square metres for 25, from week 9 on 100 for up to 35; or a hundredth of all."""
    places = [
        {"place": "tunnel", "area": 30 / size, "usable": 1, "last_week": "2027-W08"},
        {"place": "tunnel", "area": 100 / size, "usable": 1, "first_week": "2027-W09"},
        PLACES[1],
    ]
    row = found(plan(places=places, density=10 * size)).limits().set_index("limit").loc["tunnel"]
    assert row.tolist() == ["2027-W08", 25 / size, 30 / size, 0, 0]


def test_a_minimum_of_the_worst_tenth_is_a_limit():
    route = [stage(typical=2, survival=0.8, survival_sd=0.1)]
    made = season(
        route, targets=[{"variety": "A", "week": "2027-W10", "p5": 60, "median": 100, "p95": 160, "short_cost": 0}]
    )
    made = made.replace(varieties=[made.variety("A").replace(sale_price=5)], price_list=[offer(last_week="2027-W01")])
    free = found(made)
    floor = free._solution.master.worst_tenth(free._solution.chosen) + 20
    kept = found(made, worst_tenth=floor)
    assert free.limits()["limit"].tolist() == ["house"]
    row = kept.limits().set_index("limit").loc["worst tenth"]
    assert row["week"] == ""
    assert row["available"] == round(floor, 2)
    assert row["used"] >= floor - 0.01
    assert row["shadow_price"] > 0
    assert kept.margin < free.margin
    assert "worst tenth" not in str(kept)


def test_the_gap_is_a_share_of_the_margin_and_never_below_nothing(whole):
    bounds = [(1 + gap) * whole.margin for gap in (0.02, 0, -1e-9)]
    gaps = [replace(whole, _solution=replace(whole._solution, bound=bound)).gap for bound in bounds]
    assert gaps == [pytest.approx(0.02), 0, 0]
    least = found(plan(), aim="cost")
    assert replace(least, _solution=replace(least._solution, bound=0.9 * least.margin)).gap == pytest.approx(0.1)
    assert replace(whole._solution, value=0.0, bound=1.0).gap > 1e6


def test_one_more_unit_of_a_binding_limit_is_worth_what_it_earns():
    """Of A, at 9 - 1.7345 each, ten stand on a square metre."""
    one = plan(places=[{"place": "tunnel", "area": 5, "usable": 1}, PLACES[1]], names=("A",))
    less = found(one, gap=1e-9)
    assert less.table()["quantity"].tolist() == [50]
    worth, house = less.limits()["shadow_price"]
    assert worth == pytest.approx(72.655, rel=0.03)  # between fifty and the next number that was tried
    assert worth == round(worth, 4)
    assert house == 0
    poor = found(plan(names=("A", "C"), budget=200), gap=1e-9)  # all of A, and of C, at 2 each, 38
    assert poor.table()["quantity"].tolist() == [38, 100]
    worth, *others = poor.limits()["shadow_price"]
    assert worth == pytest.approx((9 - 2.5) / 2, rel=0.03)
    assert others == [0, 0]


def test_one_more_unit_has_no_worth_if_another_plan_could_be_better_by_more():
    """Five square metres at 72 EUR are worth less than a gap of 400 EUR."""
    one = found(plan(places=[{"place": "tunnel", "area": 5, "usable": 1}, PLACES[1]], names=("A",)), gap=1e-9)
    wide = replace(one, _solution=replace(one._solution, bound=one._solution.value + 400))
    assert TOO_LITTLE not in str(one)
    assert TOO_LITTLE in str(wide)
    assert wide.limits().equals(one.limits())


def test_the_error_of_what_one_more_unit_is_worth_is_its_spread_over_seeds():
    """On a bench for half of the plants, of which four to nine in ten survive."""
    made = season(
        [stage(typical=4, survival=0.7, survival_sd=0.15, place="tunnel", plants_per_m2=10)],
        varieties=("A", "B"),
        places=[{"place": "tunnel", "area": 9, "usable": 1}, PLACES[1]],
        targets=[
            {"variety": name, "week": "2027-W18", "p5": 20, "median": 40, "p95": 80, "short_cost": 0} for name in "AB"
        ],
        price_list=[offer(name, unit_price=1.0, first_week="2027-W10", last_week="2027-W10") for name in "AB"],
    )
    prices = zip(made.varieties, (6.0, 9.0), strict=True)
    made = made.replace(varieties=[row.replace(sale_price=price) for row, price in prices])
    found = [forecast.plan_orders(made, draws=128, seed=seed).limits().iloc[0] for seed in range(1, 25)]
    assert {one["limit"] for one in found} == {"tunnel"}
    spread = float(np.std([one["shadow_price"] for one in found], ddof=1))
    said = float(np.sqrt(np.mean([one["error"] ** 2 for one in found])))
    assert 0.7 * spread < said < 1.6 * spread


def test_other_plans_lose_what_they_earn_less_the_cheapest_first(whole):
    """A plant more of A costs 1.7345 and is not sold; a plant less earns 9 less; without the order, all hundred."""
    table = whole.alternatives()
    assert table.columns.tolist() == ["variety", "lab", "week", "quantity", "instead", "loss", "error", "fits"]
    assert table["loss"].is_monotonic_increasing
    rows = table[table["variety"] == "A"].drop(columns="variety").to_numpy().tolist()
    assert rows == [
        ["Lab", "2027-W10", 100, "101", 1.73, 0, True],
        ["Lab", "2027-W10", 100, "99", 7.27, 0, True],
        ["Lab", "2027-W10", 100, "nothing", 726.55, 0, True],
    ]
    table["loss"] = 0.0
    assert (whole.alternatives()["loss"] > 0).all()


def test_a_variety_is_left_out_if_no_lab_offers_it_or_it_comes_too_late_or_its_minimum_is_too_large():
    cultures = [CULTURE | {"variety": name, "enters": "rooting"} for name in "DB"]
    offers = [offered("A"), offered("B") | {"first_week": "2027-W19", "last_week": "2027-W20"}]
    offers += [offered("C", minimum=2_000)]
    left = found(plan(price_list=offers, cultures=cultures, budget=2_000))
    assert left.left_out() == {
        "D": LeftOut("no lab"),
        "B": LeftOut("too late"),
        "C": LeftOut("too large"),
    }


def test_a_variety_is_left_out_for_what_its_best_order_would_lose_with_its_freight():
    """A thousand of C cost 2.5 each and a box of 20 for 500; 60 are sold at 9."""
    offers = [offered("A"), offered("C", minimum=1_000, freight_per_box=20, plants_per_box=500)]
    made = plan(price_list=offers, places=[row | {"area": 1_000} for row in PLACES], names=("A", "C"))
    left = found(made)
    (why,) = left.left_out().values()
    assert why == LeftOut("loses", ((1_000, Week(2027, 8)),), 60 * 9 - 1_000 * 2.5 - 2 * 20, currency="EUR")


def test_a_plan_is_shown_without_the_tables_it_was_found_with(whole):
    assert repr(whole) == "Plan(season=test, aim=margin, draws=16, seed=1, orders=4)"


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"seed": 1}, "seed, 1: the plan was found with these draws. Give another seed."),
        ({"seed": 2, "searches": 1}, "searches, 1: one search has no standard deviation. Give 0, or 2 and more."),
        ({"seed": 2, "searches": -1}, "searches, '-1': not usable. Give a whole number from 0 to 100."),
        ({"seed": 2, "searches": 101}, "searches, '101': not usable. Give a whole number from 0 to 100."),
    ],
)
def test_an_out_of_sample_check_that_proves_nothing_is_refused(whole, options, message):
    assert refused(whole.out_of_sample, draws=8, **options) == message


def test_a_plan_is_searched_anew_five_times_by_default_and_for_the_least_cost_never(whole):
    found_again = whole.out_of_sample(draws=8, seed=7)
    assert len(found_again.gaps) == 5
    assert found_again.better_by == pytest.approx(0, abs=1e-3 * whole.margin)  # searched to a thousandth
    least = found(plan(), aim="cost").out_of_sample(draws=8, seed=7, searches=3)
    assert (least.gaps, least.better_by) == ((), None)


def test_what_need_not_be_said_of_a_plan():
    asked = {"draws": 1024, "time_limit": 60.0, "gap": 0.003}
    assert defaults(forecast.plan_orders) == asked
    assert defaults(Plan.out_of_sample) == {"draws": 4096, "searches": 5, "time_limit": 60.0}
