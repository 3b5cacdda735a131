"""Tables of orders whole, what is asked for by table or call, and what a case can reach, all by hand."""

import math

import numpy as np
import pandas as pd
import pytest
from labelled import plants_by_state
from small_cultures import CULTURE
from small_seasons import offer, season, stage

import forecast
from forecast import OutOfReach, Refused, Week
from forecast.growth.simulation import season_streams
from forecast.ordering.baselines import service_level_prices, simple_orders
from forecast.ordering.order import order_of
from forecast.ordering.request import requested
from forecast.ordering.trial_orders import Case
from forecast.season.targets import Target

FEW = {"draws": 8, "seed": 1}
LIVE = stage("arrival", survival=1)  # no plant is lost and none takes any time
CULTURES = [CULTURE | {"variety": "B", "enters": "arrival"}]  # without an offer it could not be wanted


def asks(number, week="2027-W20", variety="A", **cells):
    return {"variety": variety, "week": week, "target": number} | cells


def case(plan, row=None, **options):
    """The case of what a plan wants, or of another row."""
    return Case(plan, season_streams(8, 1), plan.targets[0] if row is None else Target(**row), 1, **options)


# --- what is asked for

RANGE = {"variety": "A", "week": "2027-W20", "p5": 10, "median": 20, "p95": 40, "service_level": 0.8}
TWO = season([LIVE], varieties="AB", targets=[RANGE, asks(30, "2027-W24", note="for the fair")])
ONE = season([LIVE], targets=[RANGE])


@pytest.mark.parametrize(
    ("plan", "asked", "cells", "number"),
    [
        (TWO, ("A", None, "2027-W20", None), RANGE, 1),
        (TWO, ("A", None, "2027-W24", None), asks(30, "2027-W24", note="for the fair"), 2),
        (TWO, ("A", None, "2027-W24", 0.5), asks(30, "2027-W24", note="for the fair", service_level=0.5), 2),
        (TWO, ("A", 15, "2027-W20", None), asks(15, service_level=0.8), 1),
        (TWO, ("A", 15, "2027-W22", None), asks(15, "2027-W22"), 1),
        (TWO, ("B", 15, "2027-W01", 0.6), asks(15, "2027-W01", "B", service_level=0.6), 1),
        (TWO, ("B", 15, "2027-W40", None), asks(15, "2027-W40", "B"), 1),
        (ONE, ("A", None, None, None), RANGE, 1),
        (ONE, ("A", None, "2027-W30", None), RANGE | {"week": "2027-W30"}, 1),
        (ONE, ("A", 7, None, 0.7), asks(7, service_level=0.7), 1),
        (ONE, ("A", 7, Week(2027, 30), None), asks(7, "2027-W30", service_level=0.8), 1),
    ],
)
def test_what_the_call_says_stands_before_what_the_table_says(plan, asked, cells, number):
    assert requested(plan, *asked) == (Target(**cells), number)


@pytest.mark.parametrize(
    ("asked", "beyond", "said"),
    [
        (("A", 15, None), False, "week: A is wanted in several weeks. Give one of 2027-W20, 2027-W24."),
        (("A", None, "2027-W22"), False, "week, '2027-W22': A is wanted in several weeks. Give one of 2027-W20, 202"),
        (("A", 15, "2026-W53"), False, "week, '2026-W53': outside the season. Give a week from 2027-W01 to 2027-W40."),
        (("A", 15, "2027-W41"), False, "week, '2027-W41': outside the season. Give a week from 2027-W01 to 2027-W40."),
        (("A", 15, "2026-W53"), True, "week, '2026-W53': outside the season. Give a week from 2027-W01."),
        (("C", None, None), False, "variety, 'C': this season has no such variety. "),
        (("B", 15, None), False, "wanted, 15: B is not in the season's table of what is wanted. Give wanted and week."),
        (("B", None, "2027-W20"), False, "wanted: B is not in the season's table of what is wanted. Give wanted and w"),
    ],
)
def test_what_is_not_clear_is_refused(asked, beyond, said):
    with pytest.raises(Refused) as refused:
        requested(TWO, *asked, None, beyond=beyond)
    assert str(refused.value).startswith(said)


def test_plants_may_be_wanted_after_the_season_where_it_is_said_so():
    assert requested(TWO, "A", 15, "2028-W02", None, beyond=True) == (Target(**asks(15, "2028-W02")), 1)


# --- weeks of delivery


@pytest.mark.parametrize(
    ("typical", "first", "reach"),
    [(0, "2027-W13", "2027-W13"), (0, "2027-W40", "2027-W40"), (3, "2027-W13", "2027-W16"), (28, "2027-W13", None)],
)
def test_the_first_week_in_reach_is_that_in_which_the_first_delivery_is_ready(typical, first, reach):
    """Also the week in which it comes, if it needs no time, and the last of the season."""
    rows = [stage(typical=typical, survival=1)]
    plan = season(rows, price_list=[offer(first_week=first, last_week="2027-W40")])
    assert case(plan, asks(10, "2027-W10")).first_week_in_reach() == (reach and Week.parse(reach))


def test_where_hardly_a_plant_lives_no_week_is_in_reach():
    plan = season([stage("arrival", survival=0.09)], targets=[asks(10, "2027-W10")])
    assert case(plan).first_week_in_reach() is None
    better = plan.with_stage("crop", "arrival", survival=0.11)
    assert case(better).first_week_in_reach() == Week(2027, 11)


def test_a_plant_pays_for_the_bench_from_its_delivery_to_the_week_wanted():
    """At 3 a m² and week a hundred plants of four weeks cost 3 a week; those that come when they are wanted, nothing.

    A plant that is past its best after two weeks of being ready leaves the bench.
    """
    places = [{"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 3}]
    for life, weeks in ((None, [0, 1, 2, 5, 6, 7]), (2, [0, 1, 2, 5, 6, 6])):
        plan = season([stage(typical=4, survival=1, cost=0.5)], places=places, targets=[asks(5)], saleable_weeks=life)
        one = case(plan)
        told = [one.growing(Week(2027, 20 - before)) for before in (0, 1, 2, 5, 6, 7)]
        assert told == pytest.approx([0.5 + 0.03 * number for number in weeks])
    late = season([LIVE | {"cost": 0.5}], places=places, targets=[asks(5)], price_list=[offer(first_week="2027-W20")])
    order = forecast.size_order(late, "A", **FEW)
    assert (str(order.week), order.cost) == ("2027-W20", 5 * 1.5)


LEADS = [
    offer(lab="Quick", lead_weeks=3, first_week="2027-W05", last_week="2027-W10"),
    offer(lab="Slow", lead_weeks=8, first_week="2027-W12", last_week="2027-W16"),
]


@pytest.mark.parametrize(
    ("ordered", "delivery", "lab", "said"),
    [
        ("2027-W01", "2027-W11", None, "delivery, '2027-W11': A cannot be delivered then. Possible are 2027-W05 to"),
        ("2027-W06", "2027-W05", "Quick", "delivery, '2027-W05': A cannot be delivered then. Possible are 2027-W09 t"),
        ("2027-W08", "2027-W10", "Quick", "delivery, '2027-W10': A cannot be delivered then. Ordered in 2027-W08, it "
         "would come in 2027-W11; the last delivery is in 2027-W10."),
        ("2027-W09", None, None, "delivery, '2027-W13': A cannot be delivered then. Ordered in 2027-W09, it would come "
         "in 2027-W17; the last delivery is in 2027-W16."),
        ("2027-W08", None, None, "delivery, '2027-W13': A cannot be delivered then. The first delivery can come in "
         "2027-W16."),
    ],
)  # fmt: skip
def test_a_week_without_a_delivery_is_refused_with_those_there_are(ordered, delivery, lab, said):
    plan = season([LIVE], price_list=LEADS, targets=[asks(10, "2027-W13")])
    with pytest.raises(Refused) as refused:
        case(plan, ordered=Week.parse(ordered)).ways(delivery and Week.parse(delivery), lab)
    assert str(refused.value).startswith(said)


def test_the_ways_are_all_weeks_of_all_offers_until_the_week_wanted():
    plan = season([LIVE], price_list=LEADS, targets=[asks(10, "2027-W13")])
    told = [(prices.lab, str(week)) for prices, week in case(plan).ways()]
    quick = [("Quick", f"2027-W{at:02d}") for at in range(5, 11)]
    assert told == [*quick, ("Slow", "2027-W12"), ("Slow", "2027-W13")]
    (only,) = case(plan).ways(Week(2027, 13))
    assert (only[0].lab, only[1]) == ("Slow", Week(2027, 13))


# --- tables of an order


@pytest.mark.parametrize(
    ("survival", "multiple", "grid"), [(1, 1, (74, 125)), (1, 10, (70, 130)), (0.8, 1, (93, 165)), (0.8, 10, (90, 180))]
)
def test_the_curve_goes_from_well_below_to_well_above_the_order(survival, multiple, grid):
    """From three quarters of the smaller of order and mean, less a multiple, to five quarters of the larger.

    Of 100 wanted that is 75 and 125 if all live; if four in five do 0.75 of 125 and 1.25 of 132, or of 140 in tens.
    """
    plan = season(
        [stage("arrival", survival=survival, survival_level="plant")],
        price_list=[offer(unit_price=2, multiple=multiple)],
        targets=[asks(100)],
    )
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


def test_the_curve_of_an_order_of_greatest_margin_tells_the_margin_too():
    """Of 10 wanted at 3 each all live; those above have no markdown price."""
    plan = season([LIVE], targets=[asks(10)])
    plan = plan.replace(varieties=[plan.variety("A").replace(sale_price=3.0)])
    curve = forecast.size_order(plan, "A", aim="margin", **FEW).curve()
    assert curve.columns.tolist() == ["quantity", "chance", "cost", "saleable", "margin"]
    assert curve["quantity"].tolist() == list(range(7, 14))
    assert curve["margin"].to_numpy() == pytest.approx([14, 16, 18, 20, 19, 18, 17])


def test_the_options_are_told_whole_and_rounded():
    """Three of four live, one by one: 10 plantlets give 5 in 98.03 seasons in 100, 7 in 75.64 (by the binomial)."""
    offers = [
        offer(lab="Dear", unit_price=1.23456, multiple=10, first_week="2027-W19"),
        offer(lab="Cheap", unit_price=1.11111, first_week="2027-W18"),
        offer(lab="Cheap", form="late", unit_price=1, first_week="2027-W20"),
    ]
    rows = [stage(typical=1, survival=0.75, survival_level="plant")]
    plan = season(rows, price_list=offers, targets=[asks(5, service_level=0.7)])
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


def test_the_options_of_greatest_margin_are_told_whole_and_rounded():
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


def test_the_orders_of_a_season_are_told_row_by_row_and_what_cannot_be_met_after_them():
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
            asks(5, "2027-W25", "D", service_level=0.5),
        ],
    )  # fmt: skip
    orders = forecast.size_orders(plan, **FEW)
    table = orders.table()
    assert table.columns.tolist() == [
        "variety", "lab", "week", "quantity", "target", "by", "service_level", "chance", "cost", "purchase", "saleable",
        "by_average", "chance_by_average", "currency",
    ]  # fmt: skip
    assert table.to_numpy().tolist() == [
        ["A", "Lab", "2027-W10", 50, 45, "2027-W20", 0.9, 1, 108, 108, 50, 45, 1, "EUR"],
        ["D", "Lab", "2027-W03", 5, 5, "2027-W25", 0.5, 1, 5, 5, 5, 5, 1, "EUR"],
    ]
    assert (len(orders), len(orders.unmet)) == (2, 3)
    assert str(orders).splitlines()[6:] == [
        "No lab offers B; see what multiplying or dividing gives.",  # for either week
        "No lab offers B; see what multiplying or dividing gives.",
        "No order of C gives 7 by 2027-W20 in 90 seasons in 100. The best delivery is 2027-W18, of which fewer than 1 "
        "% are saleable by then on average. Want fewer, want them later (2027-W22 is in reach), ask for less "
        "service_level, or find an earlier offer or plants further on.",
    ]
    delivery = next(iter(orders)).delivery
    assert (delivery.variety, str(delivery.week), delivery.quantity, delivery.lab) == ("A", "2027-W10", 50, "Lab")


@pytest.mark.parametrize(("survival", "fewer"), [(0.01, "1 %"), (0.0099, "fewer than 1 %"), (0.014, "1 %")])
def test_what_is_out_of_reach_says_how_many_live_to_the_whole_percentage(survival, fewer):
    plan = season([stage("arrival", survival=survival, survival_level="plant")], targets=[asks(1, service_level=0.995)])
    with pytest.raises(OutOfReach) as refused:
        forecast.size_order(plan, "A", **FEW)
    assert str(refused.value).startswith(
        "No order of A gives 1 by 2027-W20 in 99.5 seasons in 100. The best delivery is 2027-W01, of which "
        f"{fewer} are saleable by then on average. Want fewer, want them later, "
    )
    best = refused.value.best
    assert best.quantity == best.by_average == min(math.ceil(1 / survival - 1e-9), 100)


def test_what_is_out_of_reach_in_bad_seasons_alone_says_how_many_live_on_average():
    plan = season([stage("arrival", survival=0.7, survival_sd=0.4)], targets=[asks(100, service_level=0.99)])
    with pytest.raises(OutOfReach) as refused:
        forecast.size_order(plan, "A", draws=64, seed=1)
    best = refused.value.best
    lives = plants_by_state(forecast.simulate(plan, [("A", best.week, 1000)], draws=64, seed=1), "A").sel(
        state="saleable"
    )
    percentage = float(lives.sel(week=str(best.week)).mean()) / 10
    assert percentage > 55
    assert f"of which {percentage:.0f} % are saleable by then on average." in str(refused.value)


def test_an_order_that_earns_nothing_is_told_with_the_best_there_is():
    """A plantlet at 2 that sells for 2 earns nothing, one that sells for more does."""
    plan = season([LIVE], price_list=[offer(unit_price=2, minimum=1000)], targets=[asks(1000)])
    even, better = (plan.replace(varieties=[plan.variety("A").replace(sale_price=price)]) for price in (2.0, 2.01))
    assert forecast.size_order(better, "A", aim="margin", **FEW).margin == pytest.approx(10)
    with pytest.raises(OutOfReach) as refused:
        forecast.size_order(even, "A", aim="margin", **FEW)
    assert str(refused.value) == (
        "No order of A is expected to earn anything. The best, 1,000 from Lab for 2027-W20, leaves 0 EUR. Order none, "
        "or find a cheaper offer or a better price."
    )
    assert refused.value.best.margin == 0


# --- topping up


def test_a_top_up_makes_up_for_what_is_lacking_and_counts_what_is_there():
    """Of 100 wanted 70 are there, in one draw of eight 20: 30 are lacking in seven seasons of eight, 80 in one."""
    plan = season([LIVE], targets=[asks(100, service_level=0.8)])
    there = np.array([70.0] * 7 + [20])
    one = case(plan, there=there)
    assert one.topping_up
    assert one.needed.tolist() == [30.0] * 7 + [80]
    assert one.best().quantity == 30
    assert one.most == 300  # ten for each that is lacking as surely as asked
    assert one.by_average(Week(2027, 20)) == 37  # 36.25 are lacking on average
    sure = case(plan.replace(targets=[asks(100, service_level=0.95)]), there=there)
    assert sure.best().quantity == 80
    assert not case(plan).topping_up
    assert case(plan).most == 10_000
    full = case(plan, there=150.0)
    assert full.needed.tolist() == [0] * 8
    assert full.by_average(Week(2027, 20)) == 0


def test_a_top_up_is_said_to_count_on_what_is_there():
    plan = season([LIVE], targets=[asks(100)])
    order = order_of(case(plan, there=70.0))
    assert str(order).splitlines() == [
        "Order 30 of A from Lab for 2027-W20.",
        "In every season these and the plants there are give the 100 wanted by 2027-W20, for about 30 EUR in all.",
        "The mean alone suggests 30 before rounding to what the lab sells, enough in every season.",
    ]


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
    (simple,) = simple_orders(plan, **FEW)
    assert (simple.lab, str(simple.week)) == ("Lab", "2027-W20")


# --- what would be ordered without a plan


def test_a_delivery_is_thought_of_if_one_plant_in_a_hundred_lives():
    """A lab that sells by the thousand is not asked for if another is cheaper for the number."""
    for survival, quantities in ((0.01, [1000]), (0.0099, [])):
        plan = season([stage("arrival", survival=survival, survival_level="plant")], targets=[asks(10)])
        assert [row.quantity for row in simple_orders(plan, **FEW)] == quantities
    offers = [offer(lab="Thousands", unit_price=0.5, multiple=1000), offer(lab="Ones")]
    target = [asks(10, variety="A"), asks(10, variety="B"), asks(600, "2027-W24", variety="C")]
    offers += [row | {"variety": "C"} for row in offers]
    plan = season([LIVE], varieties="BAC", price_list=offers, targets=target, cultures=CULTURES)
    told = [(row.variety, row.lab, str(row.week), row.quantity) for row in simple_orders(plan, **FEW)]
    assert told == [("A", "Ones", "2027-W20", 10), ("C", "Thousands", "2027-W24", 1000)]


def test_what_is_wanted_too_early_leaves_what_is_wanted_later():
    plan = season([stage(typical=12, survival=1)], targets=[asks(7, "2027-W10"), asks(9, "2027-W30")])
    assert [(str(row.week), row.quantity) for row in simple_orders(plan, **FEW)] == [("2027-W18", 9)]


def test_an_overage_may_be_a_hundredfold_and_no_more():
    plan = season([LIVE], targets=[asks(3)])
    assert [row.quantity for row in simple_orders(plan, overage=100, **FEW)] == [303]
    assert [row.quantity for row in simple_orders(plan, overage=0, **FEW)] == [3]
    with pytest.raises(Refused, match="not a share of the plants wanted"):
        simple_orders(plan, overage=100.01, **FEW)


def test_confidence_prices_are_told_whole():
    """10 at 1.23456 are 12.3456, whatever the service level; a level that is given twice is told once."""
    target = [asks(10), asks(5, variety="B")]
    plan = season([LIVE], varieties="AB", price_list=[offer(unit_price=1.23456)], targets=target, cultures=CULTURES)
    table = service_level_prices(plan, levels=(0.9, 0.5, 0.9), **FEW)
    right = pd.DataFrame(
        [(0.5, 10, 12.35, "EUR", 1), (0.9, 10, 12.35, "EUR", 1)],
        columns=["service_level", "plantlets", "cost", "currency", "unmet"],
    )
    pd.testing.assert_frame_equal(table, right)
    assert service_level_prices(plan, **FEW)["service_level"].tolist() == [
        0.5, 0.6, 0.7, 0.75, 0.8, 0.85, 0.9, 0.925, 0.95,
    ]  # fmt: skip
