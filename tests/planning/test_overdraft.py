"""The lowest cash: no plan within the overdraft is worth more, by the account of every plan that can be ordered."""

from itertools import product

import pytest
from small_seasons import offer, season, stage
from valued_orders import worth

import forecast
from forecast.resources.money_flow import cash_flow

DRAWS = {"draws": 64, "seed": 2}
NUMBERS = range(0, 240, 20)


def made(overdraft, **cells):
    rows = [
        stage("weaning", typical=4, survival=0.8, survival_sd=0.05, cost=0.2, plants_per_m2=40),
        stage("growing on", typical=6, batches_cv=0.1, survival=0.9, cost=0.6, plants_per_m2=20),
    ]
    lines = [
        offer("A", unit_price=1.4, multiple=20, minimum=20, first_week="2027-W05", last_week="2027-W05", deposit=0.3),
        offer("B", unit_price=2.0, multiple=20, minimum=20, first_week="2027-W05", last_week="2027-W05", deposit=0.5),
    ]
    targets = [
        {"variety": "A", "week": "2027-W18", "until": "2027-W21", "target": 100, "price": 5.0, "short_cost": 0},
        {"variety": "B", "week": "2027-W20", "target": 90, "price": 7.5, "short_cost": 0},
    ]
    return season(rows, varieties=["A", "B"], targets=targets, price_list=lines, weeks=26, overdraft=overdraft, **cells)


@pytest.mark.parametrize(("overdraft", "cells"), [(280.0, {}), (400.0, {"opening_cash": 60.0, "fixed_costs": 200.0})])
def test_no_plan_within_the_overdraft_is_worth_more(overdraft, cells):
    plan = made(overdraft, **cells)
    found = forecast.plan_orders(plan, gap=1e-6, **DRAWS)
    assert found.cash_flow().lowest_tenth() >= -overdraft * 1.01
    best = 0.0
    for a, b in product(NUMBERS, NUMBERS):
        orders = [(name, "2027-W05", number, "Lab") for name, number in (("A", a), ("B", b)) if number]
        flow = cash_flow(forecast.simulate(plan, orders, **DRAWS)) if orders else None
        if flow is not None and flow.lowest_tenth() >= -overdraft:
            best = max(best, float(flow.margin.mean()))
    assert found.margin >= 0.985 * best
    assert found.bound >= found.margin
    free = forecast.plan_orders(made(None), **DRAWS)
    assert free.margin > found.margin
    row = found.limits().set_index("limit").loc["overdraft"]
    assert row["used"] == pytest.approx(-found.cash_flow().lowest_tenth(), abs=0.01)
    assert row["shadow_price"] > 0


def test_an_overdraft_that_is_never_needed_changes_nothing():
    free, limited = (forecast.plan_orders(made(overdraft), **DRAWS) for overdraft in (None, 5000.0))
    assert limited.orders == free.orders
    assert "overdraft" not in free.limits()["limit"].tolist()
    assert worth(made(None), free.orders, **DRAWS).margin.mean() == pytest.approx(limited.margin)


def test_what_keeps_a_promise_may_need_more_overdraft():
    plan = made(50.0)
    plan = plan.replace(targets=[row.replace(promised=0.9) for row in plan.targets])
    with pytest.raises(forecast.OutOfReach, match=r"EUR more overdraft"):
        forecast.plan_orders(plan, **DRAWS)
