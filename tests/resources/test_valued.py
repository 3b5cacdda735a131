"""What a grower's own orders are worth: by hand, beside the cash account, and in words."""

import pytest
from small_seasons import asks, offer, season, stage

import forecast
from forecast.ordering.shipments import bill, placed
from forecast.resources.valued import value_orders

# By hand: nothing dies, four weeks to wean at 0.5 a plant; 200 and 220 of A are one line at 1.60 and two boxes at 30.
SURE = [stage("weaning", typical=4, survival=1, cost=0.5)]
BOXED = {"plants_per_box": 250, "freight_per_box": 30}
BREAKS = [offer("A", unit_price=2, **BOXED), offer("A", unit_price=1.6, from_quantity=400, **BOXED), offer("B")]
ORDERS = [
    {"variety": "A", "week": "2027-W03", "quantity": 200, "lab": "Lab", "placed": "yes"},
    {"variety": "A", "week": "2027-W03", "quantity": 220, "lab": "Lab"},
]
WANTED = [asks(400, "2027-W10"), asks(50, "2027-W10", "B")]


def nursery(**cells):
    usual = {"varieties": "AB", "price_list": BREAKS, "orders": ORDERS, "targets": WANTED}
    plan = season(SURE, **usual | cells)
    return plan.replace(varieties=[row.replace(sale_price=6) for row in plan.varieties])


def test_orders_are_worth_what_is_sold_of_them_less_what_they_cost():
    """400 of 420 are sold at 6; they cost 672 + 60, and 210 to wean. B is not ordered, so its target is never met."""
    found = value_orders(nursery(), draws=8)
    assert (found.bill.total, found.cost, found.margin) == (732, pytest.approx(942), pytest.approx(2400 - 942))
    assert found.table()[["variety", "quantity", "unit_price"]].to_numpy().tolist() == [["A", 420, 1.6]]
    table = found.targets()
    assert table[["variety", "chance", "sold", "short"]].to_numpy().tolist() == [["A", 1, 400, 0], ["B", 0, 0, 50]]
    assert str(found).splitlines() == [
        "Your orders: 420 plantlets of 1 variety in 1 delivery, of which 200 are ordered already.",
        "Plants and freight cost about 730 EUR; with growing, about 940 EUR.",
        "Their expected margin is about 1,450 EUR; in the worst 10 % of seasons it averages about 1,450 EUR.",
        "Both targets are met together in no simulated season.",
    ]
    assert found.facts()["orders"] == 1


def test_limits_of_money_and_plants_on_hand_are_said_where_they_are_stated():
    """60 of B on hand are weaned in week 3; the account falls by 732 in week 3 and by 210 then, and by 100 a week."""
    there = [{"variety": "B", "stage": "weaning", "quantity": 60, "since": "2026-W52"}]
    plan = nursery(on_hand=there, budget=700, fixed_costs=4000, overdraft=1200)
    found = value_orders(plan, draws=8)
    assert (found.cost, found.margin) == (pytest.approx(942), pytest.approx(2400 + 300 - 942))
    assert str(found).splitlines() == [
        "Your orders: 420 plantlets of 1 variety in 1 delivery, of which 200 are ordered already. 60 plants on hand "
        "count, too.",
        "Plants and freight cost about 730 EUR (budget 700 EUR); with growing, about 940 EUR.",
        "Plants and freight cost more than the budget of 700 EUR.",
        "Their expected margin is about 1,750 EUR; in the worst 10 % of seasons it averages about 1,750 EUR.",
        "After fixed costs of 4,000 EUR the result is about -2,250 EUR on average. Every simulated season makes a "
        "loss.",
        "The account falls below the overdraft of 1,200 EUR in every simulated season.",
        "Both targets are met together in every simulated season.",
    ]


def test_without_sale_prices_orders_have_costs_and_chances_and_no_margin():
    plan = season(SURE, varieties="AB", price_list=BREAKS, orders=ORDERS, targets=WANTED)
    found = value_orders(plan, draws=8)
    assert (found.margin, found.cost, found.bill.total) == (None, pytest.approx(942), 732)
    assert "margin" not in str(found)
    assert found.targets()["chance"].tolist() == [1, 0]


def test_the_margin_is_that_of_the_cash_account_in_the_same_draws(demo):
    found = value_orders(demo, draws=64, seed=3)
    flow = forecast.cash_flow(forecast.simulate(demo, draws=64, seed=3))
    assert found.margin == float(flow.margin.mean())
    entries = flow.entries()
    bought = entries["what"].isin(["deposit", "balance", "freight"])
    assert found.bill.total == pytest.approx(-entries["amount"][bought].sum())
    assert bill(placed(demo)).total == 0


def test_orders_that_no_line_covers_are_refused():
    plan = nursery(orders=[{"variety": "B", "week": "2027-W40", "quantity": 5}])
    with pytest.raises(forecast.Refused, match="no price-list line covers 5 of B"):
        value_orders(plan, draws=8)
