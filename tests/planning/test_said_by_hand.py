"""What is said word for word, of a season told by hand: no plant is lost, all take four weeks.

A plantlet costs 2 (or 3), 0.5 and three minutes of 20 an hour when it comes, and 0.02 a week on the bench.
"""

import re

import pytest
from small_seasons import offer, season, stage

import forecast

FEW = {"draws": 8, "seed": 1}
ORDERS = [("A", "2027-W10", 100, "Lab"), ("B", "2027-W11", 150, "Other lab")]


@pytest.fixture(scope="module")
def plan():
    weeks = {"first_week": "2027-W10", "last_week": "2027-W12"}
    made = season(
        [stage(typical=4, survival=1, cost=0.5, minutes=3)],
        varieties=("A", "B"),
        places=[{"place": "house", "area": 2, "usable": 1, "cost_per_m2_week": 2}],
        hourly_wage=20,
        price_list=[offer("A", unit_price=2, **weeks), offer("B", lab="Other lab", unit_price=3, **weeks)],
        targets=[{"variety": name, "week": "2027-W16", "target": number} for name, number in (("A", 100), ("B", 150))],
    )
    return made.replace(varieties=[row.replace(sale_price=9.0, markdown_price=1.0) for row in made.varieties])


@pytest.fixture(scope="module")
def outcome(plan):
    return forecast.simulate(plan, ORDERS, **FEW)


def test_orders_are_said_with_their_cost_until_they_are_wanted(plan):
    """100 at 2 + 1.5 + 4 weeks of bench; 150 at 3 + 1.5 and the same."""
    assert str(forecast.size_orders(plan, **FEW)).splitlines() == [
        "Order 100 of A from Lab for 2027-W12.",
        "In every season they give the 100 wanted by 2027-W16, for about 360 EUR in all.",
        "The mean alone suggests 100 before rounding to what the lab sells, enough in every season.",
        "Order 150 of B from Other lab for 2027-W12.",
        "In every season they give the 150 wanted by 2027-W16, for about 685 EUR in all.",
        "The mean alone suggests 150 before rounding to what the lab sells, enough in every season.",
    ]


def test_an_outcome_says_what_there_is_of_each_wanted_number(outcome):
    assert str(outcome).splitlines() == [
        "A: about 100 saleable in 2027-W16 (100 to 100); the 100 wanted in every season.",
        "B: about 150 saleable in 2027-W16 (150 to 150); the 150 wanted in every season.",
    ]


def test_the_busiest_week_is_that_of_the_larger_delivery(outcome):
    """150 times three minutes are seven and a half hours."""
    assert str(forecast.hours_of_work(outcome)) == (
        "Busiest: 2027-W11, about 8 hours (8 to 8), most of it for acclimatisation."
    )


def test_money_is_lowest_in_the_week_before_the_sale(outcome):
    """200 + 450 for plantlets, 375 for stages and work, 12 + 15 for bench; sold for 2,250."""
    flow = forecast.cash_flow(outcome)
    spent = 200 + 450 + 1.5 * 250 + 0.02 * (100 * 6 + 150 * 5)
    assert flow.margin == pytest.approx([250 * 9 - spent] * 8)
    assert str(flow).splitlines() == [
        "The season earns about 1,200 EUR (1,200 to 1,200). It makes a loss in no season in 100; in the worst tenth it "
        "earns about 1,200 EUR.",
        "Cash is lowest at about -1,050 EUR (-1,050 to -1,050), most often in 2027-W15.",
    ]


def test_a_place_that_overruns_whatever_one_delivery_does_says_so(outcome):
    assert str(forecast.bench_space(outcome).remedies("house")) == (
        "house overruns in every season. No change of one delivery helps and keeps what is wanted of it; order less of "
        "several, find bench, or give up some of B: cut (2027-W11 75): overrun in no season in 100, wanted there in no "
        "season in 100 instead of every season."
    )


def test_a_plan_fills_the_bench_and_says_what_more_of_it_would_earn(plan):
    """Two square metres hold two hundred plants: a hundred of A at 5.42, and a hundred of B at 4.42 each."""
    found = forecast.plan_orders(plan, deliveries=1, **FEW)
    best = 100 * 5.42 + 100 * 4.42
    numbers = {row.variety: row.quantity for row in found.orders}
    assert sum(numbers.values()) == 200
    assert found.margin == pytest.approx(5.42 * numbers["A"] + 4.42 * numbers["B"])
    assert found.margin <= best + 1e-6 <= found.bound + 2e-6
    assert found.bound == pytest.approx(best, rel=1e-3)
    first, second, third = str(found).splitlines()
    assert re.fullmatch(
        r"Order 200 plantlets of 2 varieties in 2 orders, for 500 EUR with freight; grown on they cost 8\d\d EUR\.",
        first,
    )
    assert second.startswith("They earn about 98")
    assert third == "The house is scarce in 2027-W12: one more m² would earn about 442.00 EUR."


def test_what_is_left_out_because_its_smallest_order_is_too_large_says_so(plan):
    """Five hundred of B would stand on five square metres."""
    rows = [row.replace(minimum=500) if row.variety == "B" else row for row in plan.price_list]
    target = [plan.targets[0], plan.targets[1].replace(target=500)]
    found = forecast.plan_orders(plan.replace(price_list=rows, targets=target), deliveries=1, **FEW)
    assert {row.variety: row.quantity for row in found.orders} == {"A": 100}
    assert str(found).splitlines()[-1] == "Nothing of B: not even its smallest order keeps the limits."
