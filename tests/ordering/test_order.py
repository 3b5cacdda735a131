"""Orders against a search through every quantity, offer and week."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from labelled import plants_by_state
from random_seasons import WEEKS, orderable, price_lists, stages, week
from scipy.stats import binom
from small_seasons import offer, season, stage

import forecast
from forecast.errors import OutOfReach, Refused
from forecast.ordering.shipments import Shipment

DRAWS = 64
some = settings(max_examples=50, deadline=None, derandomize=True)


@st.composite
def cases(draw, **ranges):
    """Draw a season in which 1 to 40 plants of A are wanted, and its price list."""
    rows = draw(price_lists())
    target = {"variety": "A", "week": week(draw(st.integers(12, WEEKS - 1))), "target": draw(st.integers(1, 40))}
    target["service_level"] = draw(st.sampled_from([0.5, 0.8, 0.9, 0.95]))
    life = draw(st.sampled_from([None, None, 8]))
    plan = season(draw(stages()), price_list=rows, targets=[target], weeks=WEEKS, saleable_weeks=life, **ranges)
    return plan, rows, target


def sized(plan, **options):
    """Size the order, or give up on this example if it is out of reach."""
    try:
        return forecast.size_order(plan, "A", draws=DRAWS, seed=1, **options)
    except OutOfReach:
        assume(False)


def chance_of(plan, order, quantity, target):
    """Chance that a quantity suffices, by SciPy's binomial from the states of a forecast of one plant."""
    outcome = forecast.simulate(plan, [("A", order.week, 1)], draws=DRAWS, seed=1)
    share = plants_by_state(outcome, "A").sel(state="saleable", week=str(order.by)).values
    return binom.sf(target - 1, np.asarray(quantity)[..., None], np.clip(share, 0, 1)).mean(axis=-1)


@some
@given(case=cases())
def test_no_lawful_quantity_that_suffices_is_cheaper_and_none_that_costs_the_same_is_smaller(case):
    plan, rows, target = case
    order = sized(plan)
    quantities = np.arange(1, 2 * order.quantity + 400)
    chances = chance_of(plan, order, quantities, target["target"])
    prices = order.shipment.prices
    enough = [
        int(n)
        for n, p in zip(quantities, chances, strict=True)
        if orderable(rows, n) and p >= order.service_level + 1e-12
    ]
    costs = {n: order.case.cost(Shipment(prices, order.week, n)) for n in enough}
    assert orderable(rows, order.quantity)
    assert order.chance >= order.service_level
    assert order.cost <= min(costs.values()) + 1e-9
    assert order.quantity <= min(n for n in costs if costs[n] <= order.cost + 1e-12)


@some
@given(case=cases())
def test_no_other_week_or_quantity_of_the_offer_is_cheaper(case):
    plan, _, _ = case
    order = sized(plan)
    options = order.options()
    assert order.cost == pytest.approx(options["cost"].min(), abs=0.006)  # the table is rounded
    assert options["chance"].dropna().min() >= order.service_level - 5e-5


@settings(some, max_examples=20)
@given(case=cases(), other=price_lists(lab="Other lab"))
def test_a_second_offer_never_makes_an_order_dearer(case, other):
    plan, _, _ = case
    order = sized(plan)
    both = plan.replace(price_list=[*plan.price_list, *season([stage()], price_list=other).offers])
    again = sized(both)
    assert again.cost <= order.cost + 1e-9
    assert again.cost == pytest.approx(again.options()["cost"].min(), abs=0.006)


@some
@given(case=cases())
def test_a_forecast_of_the_order_has_exactly_its_chance(case):
    plan, _, target = case
    order = sized(plan)
    outcome = forecast.simulate(plan, [order], draws=DRAWS, seed=1)
    assert outcome.chance("A", week=order.by, at_least=target["target"]) == order.chance


@some
@given(case=cases(), more=st.sampled_from([0.01, 0.04]))
def test_more_confidence_never_means_a_smaller_order(case, more):
    plan, _, target = case
    order = sized(plan)
    surer = sized(plan, delivery=order.week, service_level=target["service_level"] + more)
    assert surer.quantity >= order.quantity


@some
@given(case=cases(), more=st.sampled_from([1, 5]))
def test_more_plants_wanted_never_mean_a_smaller_order(case, more):
    plan, _, target = case
    order = sized(plan)
    assert sized(plan, delivery=order.week, target=target["target"] + more).quantity >= order.quantity


@some
@given(case=cases())
def test_what_is_out_of_reach_tells_the_best_there_is(case):
    plan, _, target = case
    best = None
    try:
        forecast.size_order(plan, "A", draws=DRAWS, seed=1, service_level=0.9999)
    except OutOfReach as error:
        best = error.best
    assume(best is not None)
    assert best.chance < 0.9999
    assert (best.target, best.service_level) == (target["target"], 0.9999)
    assert chance_of(plan, best, 100 * best.target, best.target) < 0.9999  # even a hundred plantlets for one


def test_a_price_break_that_makes_more_plants_cheaper_is_taken():
    offers = [offer(unit_price=2), offer(unit_price=1, from_quantity=200)]
    plan = season([stage(survival=0.8, survival_level="plant")], price_list=offers)
    order = forecast.size_order(plan, "A", target=100, week="2027-W10", draws=1, seed=1)
    assert (order.quantity, order.purchase) == (200, 200)
    dear = plan.replace(price_list=[offers[0], offers[1] | {"unit_price": 1.4}])
    assert forecast.size_order(dear, "A", target=100, week="2027-W10", draws=1, seed=1).quantity == 132


def test_minimum_multiple_and_confidence_are_met_together():
    plan = season([stage(survival=0.8, survival_level="plant")], price_list=[offer(minimum=100, multiple=72)])
    quantities = {
        n: forecast.size_order(plan, "A", target=n, week="2027-W10", draws=1, seed=1).quantity for n in (10, 100, 110)
    }
    assert quantities == {10: 144, 100: 144, 110: 216}


def test_the_latest_delivery_that_is_ready_in_time_is_the_cheapest_if_bench_costs():
    places = [{"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 3}]
    plan = season([stage(typical=6, survival=0.9)], places=places)
    order = forecast.size_order(plan, "A", target=50, week="2027-W20", draws=64, seed=1)
    assert str(order.week) == "2027-W14"
    assert order.options().iloc[0].to_dict()["week"] == "2027-W14"


def test_the_cost_is_price_freight_stages_work_and_bench():
    """By hand: 100 plants, all survive; 6 weeks at 3 a m² and 100 plants a m², then none."""
    places = [{"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 3}]
    rows = [stage(typical=6, survival=1, cost=0.2, minutes=3)]
    offers = [offer(unit_price=1.5, plants_per_box=60, freight_per_box=8)]
    plan = season(rows, places=places, price_list=offers, hourly_wage=20)
    order = forecast.size_order(plan, "A", target=100, week="2027-W20", draws=4, seed=1)
    assert order.quantity == 100
    assert order.purchase == 150 + 16
    assert order.cost == pytest.approx(150 + 16 + 100 * (0.2 + 3 / 60 * 20) + 6 * 3 * 100 / 100)


def test_orders_of_the_demo_season_do_not_depend_on_each_other():
    demo = forecast.read_season("demo_data")
    for order in forecast.size_orders(demo, draws=256, seed=2):
        alone = forecast.size_order(demo, order.variety, week=order.by, draws=256, seed=2)
        assert (alone.quantity, alone.lab, alone.week, alone.chance, alone.cost) == (
            order.quantity,
            order.lab,
            order.week,
            order.chance,
            order.cost,
        )


def test_a_forecast_of_all_orders_of_the_demo_season_has_their_chances():
    demo = forecast.read_season("demo_data")
    orders = forecast.size_orders(demo, draws=256, seed=2)
    outcome = forecast.simulate(demo, orders, draws=256, seed=2)
    first = {}
    for order in sorted(orders, key=lambda order: order.by):
        first.setdefault(order.variety, order)
    for order in first.values():
        row = next(row for row in demo.targets_of(order.variety) if row.week == order.by)
        if row.demand is None and len(demo.targets_of(order.variety)) == 1:
            assert outcome.chance(order.variety, week=order.by, at_least=order.target) == order.chance


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"variety": "C"}, "no such variety"),
        ({"week": "2029-W01"}, "outside the season"),
        ({"week": None}, "not in the season's table"),
        ({"target": None}, "not in the season's table"),
        ({"lab": "Nobody"}, "no offer of A"),
        ({"delivery": "2027-W30"}, "cannot be delivered then"),
    ],
)
def test_an_order_that_is_not_clear_is_refused(options, says):
    plan = season([stage()])
    asked = {"variety": "A", "week": "2027-W20", "target": 10} | options
    with pytest.raises(Refused, match=says):
        forecast.size_order(plan, asked.pop("variety"), draws=4, seed=1, **asked)


def test_it_must_be_said_which_of_several_weeks_an_order_is_for():
    target = [{"variety": "A", "week": week, "target": 10} for week in ("2027-W20", "2027-W24")]
    plan = season([stage()], targets=target)
    with pytest.raises(Refused, match="several weeks"):
        forecast.size_order(plan, "A", draws=4, seed=1)
    assert str(forecast.size_order(plan, "A", week="2027-W24", draws=4, seed=1).by) == "2027-W24"


def test_the_table_of_orders_is_rounded_to_the_cent_and_the_orders_are_not():
    plan = season([stage(survival=0.7, survival_sd=0.05, cost=0.123)], price_list=[offer(unit_price=1.23456)])
    plan = plan.replace(targets=[{"variety": "A", "week": "2027-W20", "target": 77}])
    (order,) = made = forecast.size_orders(plan, draws=64, seed=1)
    row = made.table().iloc[0]
    for name, digits in (("chance", 4), ("chance_by_average", 4), ("purchase", 2), ("cost", 2), ("saleable", 1)):
        exact = getattr(order, name)
        assert row[name] == round(exact, digits)
        assert row[name] != exact
    assert (row["variety"], row["lab"], row["week"]) == ("A", "Lab", str(order.week))
