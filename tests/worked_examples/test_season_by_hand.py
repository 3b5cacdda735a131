"""A season by hand, from its orders to benches, hours, cash and the plan: no plant is lost, all take four weeks.

A plantlet costs 2 (or 3), 0.5 and three minutes of 20 an hour when it comes, and 0.02 a week on the bench.
"""

import pytest
from each_sized import each_sized
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
        targets=[
            {"variety": name, "week": "2027-W16", "target": number, "short_cost": 0}
            for name, number in (("A", 100), ("B", 150))
        ],
    )
    return made.replace(varieties=[row.replace(sale_price=9.0, markdown_price=1.0) for row in made.varieties])


@pytest.fixture(scope="module")
def outcome(plan):
    return forecast.simulate(plan, ORDERS, **FEW)


def test_orders_come_as_late_as_they_can_and_cost_what_they_do_until_their_week(plan):
    """100 at 2 + 1.5 + 4 weeks of bench; 150 at 3 + 1.5 and the same."""
    orders = each_sized(plan, **FEW)
    assert [(one.quantity, str(one.week), one.cost) for one in orders] == [
        (100, "2027-W12", pytest.approx(100 * 3.58)), (150, "2027-W12", pytest.approx(150 * 4.58)),
    ]  # fmt: skip


def test_every_target_is_met_to_the_plant(outcome):
    numbers = outcome.targets()[["target", "p5", "median", "p95", "chance"]]
    assert numbers.to_numpy().tolist() == [[100, 100, 100, 100, 1], [150, 150, 150, 150, 1]]


def test_the_busiest_week_is_that_of_the_larger_delivery(outcome):
    weeks = forecast.hours_of_work(outcome).table().set_index("week")["median"]
    assert weeks.idxmax() == "2027-W11"
    assert weeks.max() == pytest.approx(150 * 3 / 60)


def test_money_is_lowest_in_the_week_before_the_sale(outcome):
    """200 + 450 for plantlets, 375 for stages and work, 12 + 15 for bench; sold for 2,250."""
    flow = forecast.cash_flow(outcome)
    assert flow.margin == pytest.approx([250 * 9 - 200 - 450 - 375 - 12 - 15] * 8)
    low = flow.low_point
    assert (low.p5, low.median, low.p95, str(low.week)) == (-1052, -1052, -1052, "2027-W15")


def test_no_change_of_one_delivery_makes_room_and_keeps_its_target(outcome):
    """Two square metres hold two hundred plants; B without half of its plants leaves room."""
    table = forecast.bench_space(outcome).remedies("house").table()
    first = table.iloc[0]
    assert (first["variety"], first["remedy"], first["overrun"], first["chance"]) == ("B", "cut", 0, 0)
    assert not ((table["overrun"] < 1) & (table["chance"] > 0)).any()


def test_the_plan_fills_the_bench_and_values_more_of_it(plan):
    """A hundred of A earn 5.42 each, and a hundred of B 4.42 each."""
    found = forecast.plan_orders(plan, **FEW)
    best = 100 * 5.42 + 100 * 4.42
    numbers = {row.variety: row.quantity for row in found.orders}
    assert sum(numbers.values()) == 200
    assert found.margin == pytest.approx(5.42 * numbers["A"] + 4.42 * numbers["B"])
    assert found.margin <= best + 1e-6 <= found.bound + 2e-6
    assert found.bound == pytest.approx(best, rel=1e-3)
    (house,) = found.limits().to_dict("records")
    assert (house["week"], house["used"], house["available"]) == ("2027-W12", 2, 2)
    assert house["shadow_price"] == pytest.approx(442)


def test_an_order_whose_minimum_does_not_fit_is_left_out(plan):
    """Five hundred of B would stand on five square metres."""
    rows = [row.replace(minimum=500) if row.variety == "B" else row for row in plan.price_list]
    targets = [plan.targets[0], plan.targets[1].replace(target=500)]
    found = forecast.plan_orders(plan.replace(price_list=rows, targets=targets), **FEW)
    assert {row.variety: row.quantity for row in found.orders} == {"A": 100}
    assert {name: why.reason for name, why in found.left_out().items()} == {"B": "too large"}
