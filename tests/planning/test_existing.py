"""Plants on hand and orders already placed: they are sold, take room and money, and the plan orders what is lacking."""

import pytest
from in_any_case import made
from valued_orders import worth

import forecast

DRAWS = {"draws": 512, "seed": 3}


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
