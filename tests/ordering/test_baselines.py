"""What would be ordered without a plan."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_cultures import CULTURE
from small_seasons import LIVE, asks, beta_spread, offer, season, stage

import forecast
from forecast import Refused
from forecast.ordering.baselines import simple_orders

FEW = {"draws": 8, "seed": 1}


def one(*, survival=None, target=None, **cells):
    return season([stage(**(survival or {}))], targets=[target or asks(100)], price_list=[offer(**cells)])


@pytest.mark.parametrize("survival", [None, beta_spread(8, 2)])
def test_the_mean_alone_orders_the_target_over_the_mean_survival_whatever_its_spread(survival):
    """100 / 0.8 = 125; the spread only moves the mean of the draws, by less than a plant here."""
    (order,) = simple_orders(one(survival=survival), draws=4096, seed=1)
    assert order.quantity == pytest.approx(125, abs=0 if survival is None else 1)
    assert (order.variety, order.lab) == ("A", "Lab")


@pytest.mark.parametrize(("overage", "quantity"), [(0, 100), (0.1, 110), (0.2, 120), (0.15, 115), (1, 200)])
def test_a_flat_overage_knows_nothing_of_survival(overage, quantity):
    for survival in (0.5, 0.9):
        plan = one(survival={"survival": survival, "survival_sd": 0})
        (order,) = simple_orders(plan, overage=overage, draws=64, seed=1)
        assert order.quantity == quantity


@given(st.floats(0, 3), st.integers(1, 60), st.integers(1, 300), st.integers(1, 500))
@settings(max_examples=40, deadline=None)
def test_an_order_is_the_smallest_that_the_lab_accepts(overage, multiple, minimum, target):
    plan = one(target=asks(target), multiple=multiple, minimum=minimum)
    (order,) = simple_orders(plan, overage=overage, draws=16, seed=1)
    asked = max((1 + overage) * target, minimum)
    assert order.quantity % multiple == 0
    assert asked - 1e-5 <= order.quantity < asked + 1 + multiple


def test_a_range_counts_by_its_likely_number():
    plan = one(target={"variety": "A", "week": "2027-W20", "p5": 50, "median": 100, "p95": 400})
    (order,) = simple_orders(plan, overage=0.2, draws=64, seed=1)
    assert order.quantity == 120


@pytest.mark.parametrize("variety", ["Heuchera 'Pellowen'", "Gerbera 'Zollinka'"])
def test_offer_and_week_are_the_cheapest_of_all_by_trying_each(demo, variety):
    (row,) = demo.targets_of(variety)
    tried = []
    for line in demo.price_lines(variety):
        for i in range(line.last_week - line.first_week + 1):
            week = line.first_week + i
            try:
                order = forecast.size_order(demo, variety, draws=64, seed=1, delivery=week, lab=line.lab)
            except forecast.OutOfReach:
                continue
            growing = (order.cost - order.purchase) / order.quantity
            number = math.ceil(max(order.by_average, line.minimum) / line.multiple) * line.multiple
            boxes = math.ceil(number / line.plants_per_box)
            reached = [o for o in demo.price_lines(variety) if o.lab == line.lab and o.from_quantity <= number]
            price = max(reached, key=lambda o: o.from_quantity).unit_price
            tried.append((number * (price + growing) + boxes * line.freight_per_box, line.lab, week, number))
    _, lab, week, number = min(tried)
    simple = {order.variety: order for order in simple_orders(demo, draws=64, seed=1)}[variety]
    assert (simple.lab, simple.week, simple.quantity) == (lab, week, number)
    assert row.week > week


def test_a_flat_overage_comes_in_the_week_of_the_order_from_the_mean(demo):
    mean, fifth = (simple_orders(demo, overage=overage, draws=64, seed=1) for overage in (None, 0.2))
    assert [(row.variety, row.week) for row in fifth] == [(row.variety, row.week) for row in mean]
    assert len(mean) == len(demo.targets)


def test_their_orders_can_be_simulated_and_paid_for(demo):
    orders = simple_orders(demo, draws=64, seed=1)
    flow = forecast.cash_flow(forecast.simulate(demo, orders, draws=64, seed=1))
    assert flow.margin.shape == (64,)


@pytest.mark.parametrize("overage", [None, 0.2])
def test_what_no_delivery_gives_in_time_is_left_out(overage):
    slow = stage(typical=30, plants_cv=0.01)
    assert simple_orders(season([slow], targets=[asks(100)]), overage=overage, draws=16, seed=1) == ()


def test_what_no_lab_offers_is_left_out(demo):
    multiplied = "Heuchera 'Pellowen'"
    plan = demo.replace(price_list=[row for row in demo.price_list if row.variety != multiplied], orders=())
    ordered = {order.variety for order in simple_orders(plan, draws=16, seed=1)}
    assert ordered == {row.variety for row in demo.targets} - {multiplied}


@pytest.mark.parametrize("overage", [-0.1, math.nan, math.inf, True, "0.2"])
def test_an_overage_is_a_share_of_what_is_needed(demo, overage):
    with pytest.raises(Refused, match=r"overage, .*: not a share of the target\. Give a number from 0 to 100"):
        simple_orders(demo, overage=overage, draws=16, seed=1)


# --- by hand

CULTURES = [CULTURE | {"variety": "B", "enters": "arrival"}]  # without an offer it could not be wanted


def test_a_delivery_is_thought_of_if_one_plant_in_a_hundred_lives():
    """A lab that sells by the thousand is not asked for if another is cheaper for the number."""
    for survival, quantities in ((0.01, [1000]), (0.0099, [])):
        plan = season([stage("arrival", survival=survival, survival_level="plant")], targets=[asks(10)])
        assert [row.quantity for row in simple_orders(plan, **FEW)] == quantities
    offers = [offer(lab="Thousands", unit_price=0.5, multiple=1000), offer(lab="Ones")]
    target = [asks(10), asks(10, variety="B"), asks(600, "2027-W24", "C")]
    offers += [row | {"variety": "C"} for row in offers]
    plan = season([LIVE], varieties="BAC", price_list=offers, targets=target, cultures=CULTURES)
    told = [(row.variety, row.lab, str(row.week), row.quantity) for row in simple_orders(plan, **FEW)]
    assert told == [("A", "Ones", "2027-W20", 10), ("C", "Thousands", "2027-W24", 1000)]


def test_what_is_needed_too_early_leaves_what_is_needed_later():
    plan = season([stage(typical=12, survival=1)], targets=[asks(7, "2027-W10"), asks(9, "2027-W30")])
    assert [(str(row.week), row.quantity) for row in simple_orders(plan, **FEW)] == [("2027-W18", 9)]


def test_an_overage_may_be_a_hundredfold_and_no_more():
    plan = season([LIVE], targets=[asks(3)])
    assert [row.quantity for row in simple_orders(plan, overage=100, **FEW)] == [303]
    assert [row.quantity for row in simple_orders(plan, overage=0, **FEW)] == [3]
    with pytest.raises(Refused, match="not a share of the target"):
        simple_orders(plan, overage=100.01, **FEW)
