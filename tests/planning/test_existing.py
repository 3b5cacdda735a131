"""Plants on hand and orders already placed: they are sold, take room and money, and the plan orders what is lacking."""

import pytest
from small_seasons import offer, season, stage
from valued_orders import worth

import forecast

DRAWS = {"draws": 512, "seed": 3}
ROUTE = [
    stage("weaning", typical=4, survival=0.8, survival_sd=0.08, cost=0.2, place="house", plants_per_m2=40),
    stage("growing on", typical=8, batches_cv=0.1, survival=0.9, survival_sd=0.03, cost=0.3, plants_per_m2=20),
]
TARGET = {"variety": "A", "week": "2027-W22", "until": "2027-W25", "target": 200, "price": 6.0}
THERE = {"variety": "A", "stage": "growing on", "quantity": 60, "since": "2026-W52"}
PLACED = {"variety": "A", "week": "2027-W06", "quantity": 70, "lab": "Lab", "placed": "yes"}
LINES = [offer("A", unit_price=1.4, minimum=10, multiple=10, first_week="2027-W05", last_week="2027-W09")]


def made(*, there=False, placed=False, **cells):
    target = TARGET | cells.pop("target", {})
    plan = season(
        ROUTE, varieties=["A"], targets=[target], price_list=LINES, weeks=30, split_gain=60.0,
        places=[{"place": "house", "area": cells.pop("area", 40), "usable": 1}],
        on_hand=[THERE] if there else [], orders=[PLACED] if placed else [], **cells,
    )  # fmt: skip
    return plan.replace(varieties=[row.replace(markdown_price=0.5) for row in plan.varieties])


@pytest.mark.parametrize(("there", "placed"), [(True, False), (False, True), (True, True)])
def test_no_other_number_is_worth_more_by_the_account_of_all_plants(there, placed):
    plan = made(there=there, placed=placed)
    found = forecast.plan_orders(plan, gap=1e-4, **DRAWS)
    own = {(row.week, row.quantity) for row in found.orders}
    assert len(own) == 1
    [(week, _)] = own
    before = plan.orders
    by_number = {}
    for number in range(0, 310, 10):
        extra = [("A", week, number, "Lab")] if number else []
        by_number[number] = worth(plan, [*before, *extra], **DRAWS)
    best = max(one.objective.mean() for one in by_number.values())
    mine = by_number[sum(number for _, number in own)]
    assert mine.objective.mean() >= best - 0.004 * abs(best)
    assert found.margin == pytest.approx(mine.margin.mean(), abs=1e-6)


def test_fewer_are_ordered_by_what_is_there_and_what_is_placed():
    numbers = [
        sum(row.quantity for row in forecast.plan_orders(made(there=there, placed=placed), **DRAWS).orders)
        for there, placed in [(False, False), (True, False), (True, True)]
    ]
    assert numbers[0] - numbers[1] == pytest.approx(60 * 0.9 / 0.72, abs=20)
    assert numbers[1] - numbers[2] == pytest.approx(70, abs=20)


def test_a_promise_that_plants_on_hand_keep_needs_no_order():
    plan = made(there=True, target={"target": 30, "promised": 0.95, "short_cost": 0})
    found = forecast.plan_orders(plan, aim="cost", **DRAWS)
    assert found.orders == ()
    assert found.targets()["chance"].item() > 0.95


def test_budget_and_benches_are_what_placed_orders_leave():
    paid = 70 * 1.4
    plan = made(placed=True, budget=paid + 100 * 1.4)
    found = forecast.plan_orders(plan, **DRAWS)
    row = found.limits().set_index("limit").loc["budget"]
    assert (row["used"], row["available"]) == (pytest.approx(paid + found.bill.total), pytest.approx(paid + 140))
    assert row["used"] == pytest.approx(paid + 140)
    narrow = forecast.plan_orders(made(placed=True, area=5), **DRAWS)
    assert sum(row.quantity for row in narrow.orders) < sum(row.quantity for row in found.orders)
    assert narrow.limits().set_index("limit").loc["house", "used"] <= 5 + 1e-6
