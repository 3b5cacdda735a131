"""Orders against a search through every quantity, offer and week."""

import math
from unittest.mock import patch

import numpy as np
import pytest
from each_sized import each_sized
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from labelled import plants_by_state
from random_seasons import WEEKS, orderable, price_lists, stages, week
from scipy.stats import binom
from small_cultures import CULTURE
from small_seasons import LIVE, asks, offer, season, stage

import forecast
from forecast.errors import OutOfReach, Refused
from forecast.ordering.order import order_table
from forecast.ordering.reach import InReach
from forecast.ordering.shipments import Shipment
from forecast.tracking.top_ups import TopUp
from forecast.words import orders as words

DRAWS = 64
some = settings(max_examples=50, deadline=None, derandomize=True)


@st.composite
def cases(draw, **ranges):
    """Draw a season in which 1 to 40 plants of A are wanted, and its price list."""
    rows = draw(price_lists())
    target = {"variety": "A", "week": week(draw(st.integers(12, WEEKS - 1))), "target": draw(st.integers(1, 40))}
    target["promised"] = draw(st.sampled_from([0.5, 0.8, 0.9, 0.95]))
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
    enough = quantities[chances >= order.service_level + 1e-12].tolist()
    costs = {n: order.case.cost(Shipment(prices, order.week, n)) for n in enough if orderable(rows, n)}
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
    both = plan.replace(price_list=[*plan.price_list, *season([stage()], price_list=other).price_list])
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
    surer = sized(plan, delivery=order.week, service_level=target["promised"] + more)
    assert surer.quantity >= order.quantity


@some
@given(case=cases(), more=st.sampled_from([1, 5]))
def test_more_plants_needed_never_mean_a_smaller_order(case, more):
    plan, _, target = case
    order = sized(plan)
    assert sized(plan, delivery=order.week, target=target["target"] + more).quantity >= order.quantity


@some
@given(case=cases())
def test_what_is_out_of_reach_shows_the_best_there_is(case):
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
    for target, quantity in ((10, 144), (100, 144), (110, 216)):
        order = forecast.size_order(plan, "A", target=target, week="2027-W10", draws=1, seed=1)
        assert order.quantity == quantity


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


def test_a_forecast_of_all_orders_of_the_demo_season_has_their_chances():
    demo = forecast.read_season("demo_data")
    orders = each_sized(demo, draws=256, seed=2)
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
        ({"week": None}, "no row in the season's targets"),
        ({"target": None}, "no row in the season's targets"),
        ({"lab": "Nobody"}, "no price-list line for A"),
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
    plan = plan.replace(targets=[asks(77)])
    order = forecast.size_order(plan, "A", draws=64, seed=1)
    row = order.table().iloc[0]
    for name, digits in (("chance", 4), ("chance_by_average", 4), ("purchase", 2), ("cost", 2), ("saleable", 1)):
        exact = getattr(order, name)
        assert row[name] == round(exact, digits)
        assert row[name] != exact
    assert (row["variety"], row["lab"], row["week"]) == ("A", "Lab", str(order.week))


# --- tables, by hand

FEW = {"draws": 8, "seed": 1}
CULTURES = [CULTURE | {"variety": "B", "enters": "arrival"}]  # without an offer it could not be wanted


@pytest.mark.parametrize(
    ("survival", "multiple", "grid"), [(1, 1, (74, 125)), (1, 10, (70, 130)), (0.8, 1, (93, 165)), (0.8, 10, (90, 180))]
)
def test_the_curve_goes_from_well_below_to_well_above_the_order(survival, multiple, grid):
    """From three quarters of the smaller of order and mean, less a multiple, to five quarters of the larger.

    Of 100 wanted that is 75 and 125 if all live; if four in five do 0.75 of 125 and 1.25 of 132, or of 140 in tens.
    """
    route = [stage("arrival", survival=survival, survival_level="plant")]
    plan = season(route, price_list=[offer(unit_price=2, multiple=multiple)], targets=[asks(100)])
    order = forecast.size_order(plan, "A", **FEW)
    curve = order.curve()
    assert curve.columns.tolist() == ["quantity", "chance", "cost", "saleable"]
    numbers = curve["quantity"].to_numpy()
    assert (numbers[0], numbers[-1]) == grid
    assert (np.diff(numbers) > 0).all()
    assert (numbers % multiple == 0).all()
    assert len(numbers) >= (41 if multiple == 1 else (grid[1] - grid[0]) / 10 + 1)
    assert order.quantity in numbers
    assert curve["cost"].to_numpy() == pytest.approx(2.0 * numbers)
    assert curve["saleable"].to_numpy() == pytest.approx(survival * numbers)
    assert ((curve["chance"] >= 0.9) == (numbers >= order.quantity)).all()
    if survival == 1:
        assert curve["chance"].tolist() == (numbers >= 100).tolist()


def test_the_curve_of_an_order_of_greatest_margin_has_the_margin_too():
    """Of 10 wanted at 3 each all live; those above have no markdown price."""
    plan = season([LIVE], targets=[asks(10)])
    plan = plan.replace(varieties=[plan.variety("A").replace(sale_price=3.0)])
    curve = forecast.size_order(plan, "A", aim="margin", **FEW).curve()
    assert curve.columns.tolist() == ["quantity", "chance", "cost", "saleable", "margin"]
    assert curve["quantity"].tolist() == list(range(7, 14))
    assert curve["margin"].to_numpy() == pytest.approx([14, 16, 18, 20, 19, 18, 17])


def test_the_options_are_as_by_hand_and_rounded():
    """Three of four live, one by one: 10 plantlets give 5 in 98.03 seasons in 100, 7 in 75.64 (by the binomial)."""
    offers = [
        offer(lab="Dear", unit_price=1.23456, multiple=10, first_week="2027-W19"),
        offer(lab="Cheap", unit_price=1.11111, first_week="2027-W18"),
        offer(lab="Cheap", form="late", unit_price=1, first_week="2027-W20"),
    ]
    rows = [stage(typical=1, survival=0.75, survival_level="plant")]
    plan = season(rows, price_list=offers, targets=[asks(5, promised=0.7)])
    table = forecast.size_order(plan, "A", **FEW).options()
    assert table.columns.tolist() == ["lab", "week", "quantity", "chance", "cost"]
    assert table["quantity"].dtype == "Int64"
    assert [str(table[name].dtype) for name in ("chance", "cost")] == ["float64"] * 2
    known, none = table[:3], table[3:]
    assert known.to_numpy().tolist() == [
        ["Cheap", "2027-W18", 7, 0.7564, 7.78],
        ["Cheap", "2027-W19", 7, 0.7564, 7.78],
        ["Dear", "2027-W19", 10, 0.9803, 12.35],
    ]
    assert none[["lab", "week"]].to_numpy().tolist() == [["Cheap", "2027-W20"]] * 2 + [["Dear", "2027-W20"]]
    assert none[["quantity", "chance", "cost"]].isna().all(axis=None)
    assert table.index.tolist() == list(range(6))


def test_the_options_of_greatest_margin_are_as_by_hand_and_rounded():
    """Five are sold at 3.33333; all live: five bought at 1.11111 earn 11.1111, and ten at 1.23456 earn 4.32105."""
    offers = [
        offer(lab="Dear", unit_price=1.23456, multiple=10, first_week="2027-W19"),
        offer(lab="Cheap", unit_price=1.11111, first_week="2027-W18"),
    ]
    plan = season([stage(typical=1, survival=1)], price_list=offers, targets=[asks(5)])
    plan = plan.replace(varieties=[plan.variety("A").replace(sale_price=3.33333)])
    table = forecast.size_order(plan, "A", aim="margin", **FEW).options()
    assert table.columns.tolist() == ["lab", "week", "quantity", "chance", "cost", "margin"]
    assert table.to_numpy().tolist() == [
        ["Cheap", "2027-W18", 5, 1, 5.56, 11.11],
        ["Cheap", "2027-W19", 5, 1, 5.56, 11.11],
        ["Dear", "2027-W19", 10, 1, 12.35, 4.32],
        ["Cheap", "2027-W20", 1, 0, 1.11, -1.11],
        ["Dear", "2027-W20", 10, 0, 12.35, -12.35],
    ]
    assert table.index.tolist() == list(range(5))


def test_the_orders_of_a_season_have_a_row_each_and_what_cannot_be_met_is_listed():
    """B is not offered; of C too late a delivery is the only one; A is bought in tens at 2 and 4 a box of 30."""
    plan = season(
        [stage(typical=4, survival=1)],
        varieties="ABCD",
        price_list=[
            offer("A", unit_price=2, multiple=10, plants_per_box=30, freight_per_box=4, last_week="2027-W10"),
            offer("C", first_week="2027-W18"),
            offer("D", last_week="2027-W03"),
        ],
        cultures=[CULTURES[0] | {"enters": "acclimatisation"}],
        targets=[
            asks(45), asks(9, variety="B"), asks(9, "2027-W30", "B"), asks(7, variety="C"),
            asks(5, "2027-W25", "D", promised=0.5),
        ],
    )  # fmt: skip
    orders = [forecast.size_order(plan, variety, **FEW) for variety in "AD"]
    table = order_table(orders)
    assert table.columns.tolist() == [
        "variety", "lab", "week", "quantity", "target", "by", "service_level", "chance", "cost", "purchase", "saleable",
        "by_average", "chance_by_average", "currency",
    ]  # fmt: skip
    assert table.to_numpy().tolist() == [
        ["A", "Lab", "2027-W10", 50, 45, "2027-W20", 0.9, 1, 108, 108, 50, 45, 1, "EUR"],
        ["D", "Lab", "2027-W03", 5, 5, "2027-W25", 0.5, 1, 5, 5, 5, 5, 1, "EUR"],
    ]
    with pytest.raises(OutOfReach) as unmet:
        forecast.size_order(plan, "C", **FEW)
    assert unmet.value.best.variety == "C"
    with pytest.raises(OutOfReach) as unmet:
        forecast.plan_orders(plan, aim="cost", **FEW)
    without, late = str(unmet.value).splitlines()[:2]
    assert without == words.no_lab(variety="B")
    assert late.startswith("No order of C meets the target of 7 plants")
    delivery = orders[0].delivery
    assert (delivery.variety, str(delivery.week), delivery.quantity, delivery.lab) == ("A", "2027-W10", 50, "Lab")


@pytest.mark.parametrize("survival", [0.01, 0.0099, 0.014])
def test_out_of_reach_the_best_is_the_order_by_average_up_to_a_hundredfold(survival):
    plan = season([stage("arrival", survival=survival, survival_level="plant")], targets=[asks(1, promised=0.995)])
    with pytest.raises(OutOfReach) as refused:
        forecast.size_order(plan, "A", **FEW)
    best = refused.value.best
    assert best.quantity == best.by_average == min(math.ceil(1 / survival - 1e-9), 100)


@pytest.mark.parametrize(("weeks", "first"), [(40, InReach(forecast.Week(2027, 18), 50)), (17, None)])
def test_out_of_reach_names_the_first_week_in_reach_if_the_season_lasts_so_long(weeks, first):
    plan = season([stage(typical=6, survival=1)], price_list=[offer(first_week="2027-W12")], weeks=weeks)
    with pytest.raises(OutOfReach), patch.object(words, "out_of_reach", wraps=words.out_of_reach) as found:
        forecast.size_order(plan, "A", target=50, week="2027-W16", **FEW)
    assert found.call_args.kwargs["first"] == first


def test_what_is_out_of_reach_in_bad_seasons_alone_names_the_share_that_lives_on_average():
    plan = season([stage("arrival", survival=0.7, survival_sd=0.4)], targets=[asks(100, promised=0.99)])
    out_of_reach = patch.object(words, "out_of_reach", wraps=words.out_of_reach)
    with pytest.raises(OutOfReach) as refused, out_of_reach as found:
        forecast.size_order(plan, "A", draws=64, seed=1)
    best = refused.value.best
    lives = plants_by_state(forecast.simulate(plan, [("A", best.week, 1000)], draws=64, seed=1), "A")
    share = float(lives.sel(state="saleable", week=str(best.week)).mean()) / 1000
    assert share > 0.55
    assert found.call_args.kwargs["share"] == pytest.approx(share, abs=1e-3)


def test_of_orders_that_cost_the_same_the_smaller_is_taken():
    """30 at 2 cost as much as 60 at 1."""
    offers = [offer(unit_price=2), offer(unit_price=1, from_quantity=60)]
    plan = season([LIVE], price_list=offers, targets=[asks(30)])
    order = forecast.size_order(plan, "A", **FEW)
    assert (order.quantity, order.cost) == (30, 60)
    assert forecast.size_order(plan, "A", target=31, **FEW).quantity == 60


def test_of_deliveries_that_cost_the_same_the_latest_is_taken_and_of_labs_the_first():
    plan = season([LIVE], price_list=[offer(lab="Lab"), offer(lab="Other lab")], targets=[asks(30)])
    order = forecast.size_order(plan, "A", **FEW)
    assert (order.lab, str(order.week)) == ("Lab", "2027-W20")


def late_offers():
    """Six weeks to grow, wanted in week 20; only what comes up to week 14 is ready."""
    offers = [offer(lab=lab, first_week="2027-W12", last_week="2027-W17") for lab in ("Other lab", "A lab")]
    return season([stage(typical=6, survival=1)], price_list=offers)


def test_weeks_in_which_nothing_suffices_are_last_without_a_quantity():
    order = forecast.size_order(late_offers(), "A", target=50, week="2027-W20", draws=8, seed=1)
    table = order.options()
    enough, none = table[table["quantity"].notna()], table[table["quantity"].isna()]
    assert sorted(enough["week"].unique()) == ["2027-W12", "2027-W13", "2027-W14"]
    assert sorted(none["week"].unique()) == ["2027-W15", "2027-W16", "2027-W17"]
    assert len(table) == 12
    assert none.index.min() > enough.index.max()
    assert none[["chance", "cost"]].isna().all(axis=None)
    assert (enough["quantity"] == 50).all()
    assert enough["cost"].is_monotonic_increasing


def test_options_that_cost_or_earn_the_same_are_by_lab_and_week():
    plan = late_offers().replace(targets=[{"variety": "A", "week": "2027-W20", "target": 50}])
    plan = plan.replace(varieties=[plan.variety("A").replace(sale_price=5.0)])
    for options in ({}, {"aim": "margin"}):
        table = forecast.size_order(plan, "A", draws=8, seed=1, **options).options()[:6]
        assert table["lab"].tolist() == ["A lab"] * 3 + ["Other lab"] * 3
        assert table["week"].tolist() == ["2027-W12", "2027-W13", "2027-W14"] * 2


def test_results_show_themselves_in_one_line_by_what_distinguishes_them():
    plan = season([LIVE], targets=[asks(10)])
    order = forecast.size_order(plan, "A", **FEW)
    what = "variety=A, lab=Lab, week=2027-W20, quantity=10, target=10, by=2027-W20, chance=100 %"
    assert repr(order) == f"Order({what}, draws=8, seed=1)"
    top_up = TopUp((order,), ())
    assert repr(top_up) == "TopUp(orders=1, unmet=0, draws=8, seed=1)"
    assert order.table().equals(top_up.table())
    weeks = forecast.delivery_weeks(plan, "A", quantity=9, **FEW)
    assert repr(weeks) == "DeliveryWeeks(variety=A, target=10, by=2027-W20, quantity=9, weeks=20, draws=8, seed=1)"
    none = TopUp((), ())
    assert repr(none) == "TopUp(orders=0, unmet=0)"
    assert none.table().columns.equals(order.table().columns)
    for result in (order, top_up, weeks, none):
        assert not [word for word in ("NaN", "None", "()", " at 0x") if word in repr(result) + result._repr_html_()]


def test_the_seed_of_the_season_and_4096_draws_are_usual():
    plan = season([LIVE], targets=[asks(10)], seed=7)
    found = forecast.size_order(plan, "A"), forecast.delivery_weeks(plan, "A")
    assert {(one.facts()["draws"], one.facts()["seed"]) for one in found} == {(4096, 7)}
