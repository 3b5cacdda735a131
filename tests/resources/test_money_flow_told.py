"""What is told of money: whole tables, sentences and refusals, of cash that is written by hand."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from small_seasons import offer, season, stage

import forecast
from forecast.errors import Refused
from forecast.growth.stage_occupancy import TimedFate
from forecast.ordering.unit_costs import growing_costs, rents, stage_costs
from forecast.resources.money_flow import CashFlow, worst_seasons

PLACES = [{"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 2}]
WANTED = [{"variety": "A", "week": "2027-W05", "target": 60}]


def plan_of(prices=None, **cells):
    usual = {"places": PLACES, "targets": WANTED, "varieties": "AB", "hourly_wage": 12, "weeks": 6}
    made = season([stage(typical=2, survival=1, cost=0.1, minutes=1)], **usual | cells)
    prices = {"A": {"sale_price": 6, "markdown_price": 2}} if prices is None else prices
    return made.replace(varieties=[row.replace(**prices.get(row.variety, {})) for row in made.varieties])


def flow_of(plan, orders, draws=8):
    return forecast.cash_flow(forecast.simulate(plan, orders, draws=draws, seed=1))


def cash_of(*weeks) -> CashFlow:
    """The cash of a season of so many weeks, written by hand: each row is a week, each column a draw."""
    flow = flow_of(plan_of(weeks=len(weeks), targets=()), [("A", "2027-W01", 0)])
    return replace(flow, cash=np.array(weeks, dtype=float))


def test_every_entry_stands_in_the_order_of_weeks_and_then_of_orders_varieties_and_stages():
    """Orders are told in the order of their varieties, also where they were given in another."""
    offers = [offer(name, unit_price=2, deposit=0.5, freight_per_box=10, plants_per_box=40) for name in "AB"]
    flow = flow_of(plan_of(price_list=offers), [("B", "2027-W02", 50), ("A", "2027-W02", 100)])
    first, second, fourth, fifth = ("2027-W01", "2027-W02", "2027-W04", "2027-W05")
    rows = [
        (first, "A", "Lab", "deposit", "price_list", 1, -100.0),
        (first, "B", "Lab", "deposit", "price_list", 2, -50.0),
        (second, "A", "Lab", "balance", "price_list", 1, -100.0),
        (second, "A", "Lab", "freight", "price_list", 1, -80 / 3),
        (second, "B", "Lab", "balance", "price_list", 2, -50.0),
        (second, "B", "Lab", "freight", "price_list", 2, -40 / 3),
    ]
    for name, number in (("A", 1), ("B", 0.5)):
        rows += [
            (second, name, "", "stages", "stages", 1, -10.0 * number),
            (second, name, "", "work", "stages", 1, -20.0 * number),
            (second, name, "", "bench", "places", 1, -2.0 * number),
        ]
    third = "2027-W03"
    rows += [(third, name, "", "bench", "places", 1, -2.0 * number) for name, number in (("A", 1), ("B", 0.5))]
    rows += [
        (fourth, "A", "", "bench", "places", 1, -2.0),
        (fifth, "A", "", "sales", "targets", 1, 360.0),
        (fifth, "A", "", "markdown", "varieties", 1, 80.0),
    ]
    columns = ["week", "variety", "lab", "what", "table", "row", "amount"]
    pd.testing.assert_frame_equal(flow.entries(), pd.DataFrame(rows, columns=columns))
    table = flow.by_variety()
    assert table.columns.tolist() == ["variety", "income", "outlay", "margin"]
    assert table["variety"].tolist() == ["A", "B"]


def test_changing_the_told_entries_changes_nothing_of_the_flow():
    flow = flow_of(plan_of(), [("A", "2027-W02", 10)])
    told = flow.entries()
    told["amount"] = 0.0
    assert (flow.entries()["amount"] != 0).all()
    assert "deposit" not in repr(flow)  # nor is the table written wherever the flow is


def test_cash_by_week_is_told_to_the_cent():
    """Of 21 draws the 2nd, 11th and 20th are low, middle and high."""
    draws = np.arange(21) / 7
    table = cash_of(draws, -10 * draws).table()
    right = pd.DataFrame({
        "week": ["2027-W01", "2027-W02"], "p5": [0.14, -27.14], "median": [1.43, -14.29], "p95": [2.71, -1.43],
    })  # fmt: skip
    pd.testing.assert_frame_equal(table, right)


def test_the_lowest_cash_is_that_of_each_draw_and_its_week_that_of_most():
    """Of 21 draws the lowest cash falls into week 2 in twelve; where two weeks are as low the first counts."""
    lowest = -100 - 10.0 * np.arange(21)
    second = np.arange(21) < 12
    flow = cash_of(np.zeros(21), np.where(second, lowest, -5), np.where(second, 7, lowest), np.full(21, 50.0))
    point = flow.low_point
    assert (point.p5, point.median, point.p95, str(point.week)) == (-290, -200, -110, "2027-W02")
    assert str(cash_of(np.full(21, -3.0), np.full(21, -3.0)).low_point.week) == "2027-W01"
    assert str(flow) == (
        "The season earns about 50 EUR (50 to 50). It makes a loss in no season in 100; in the worst tenth it earns "
        "about 50 EUR.\nCash is lowest at about -200 EUR (-290 to -110), most often in 2027-W02."
    )


def test_the_sentence_tells_middle_range_losses_and_the_mean_of_the_worst_tenth():
    """Margins -200, -190 ... 200 of 41 draws: the worst tenth is 4.1 draws, -200 to -170 and a tenth of -160."""
    margin = np.arange(-200.0, 201, 10)
    flow = cash_of(np.full(41, -500.0), margin)
    worst = (-200 - 190 - 180 - 170 - 16) / 4.1
    assert flow.worst_tenth() == flow.worst_tenth(0.1) == pytest.approx(worst)
    assert flow.chance_of_loss == 20 / 41
    assert str(flow) == (
        "The season earns about 0 EUR (-180 to 180). It makes a loss in about 49 seasons in 100; "
        "in the worst tenth it loses about 185 EUR.\n"
        "Cash is lowest at about -500 EUR (-500 to -500), most often in 2027-W01."
    )
    assert str(cash_of(margin - 10)).startswith("The season loses about 10 EUR (-190 to 170).")


def test_a_season_without_orders_earns_nothing_and_loses_nothing():
    flow = flow_of(plan_of(), [("A", "2027-W02", 0)])
    assert flow.entries().empty
    assert str(flow) == (
        "The season earns about 0 EUR (0 to 0). It makes a loss in no season in 100; in the worst tenth it earns "
        "about 0 EUR.\nCash is lowest at about 0 EUR (0 to 0), most often in 2027-W01."
    )


def test_a_loss_below_half_a_cent_is_none():
    assert cash_of([-0.004, -0.0049, 0.0, 1.0]).chance_of_loss == 0
    assert cash_of([-0.0051, -0.01, 0.0, 1.0]).chance_of_loss == 0.5


@pytest.mark.parametrize(
    ("share", "weights"),
    [
        (0.25, [0, 1, 0, 0]),
        (0.5, [0, 0.5, 0.5, 0]),
        (0.3, [0, 1 / 1.2, 0.2 / 1.2, 0]),
        (0.1, [0, 1, 0, 0]),
        (1, [0.25, 0.25, 0.25, 0.25]),
    ],
)
def test_the_last_of_the_worst_draws_counts_in_part(share, weights):
    assert worst_seasons(np.array([5.0, -7.0, 2.0, 5.0]), share) == pytest.approx(weights)


def test_of_draws_that_are_alike_the_first_count_as_the_worst():
    assert worst_seasons(np.zeros(40), 0.05).tolist() == [0.5, 0.5, *[0] * 38]


def test_a_number_of_draws_that_is_whole_but_for_rounding_is_whole():
    """0.29 of 100 draws are 28.999999999999996 of them, and 0.07 of 100 are 7.000000000000001."""
    for share, number in ((0.29, 29), (0.07, 7)):
        weights = worst_seasons(np.arange(100.0), share)
        assert (weights > 0).sum() == number
        assert weights[:number] == pytest.approx(np.full(number, 1 / number))


def test_plants_of_which_none_is_wanted_stand_on_no_bench_when_they_are_saleable_from_the_first_week_on():
    arrival = season([stage("arrival", survival=1)], places=PLACES)
    assert flow_of(arrival, [("A", "2027-W01", 100)]).entries()["what"].tolist() == ["balance"]


def test_what_is_wanted_in_the_first_week_is_sold_in_it_and_the_rest_marked_down():
    target = [{"variety": "A", "week": "2027-W01", "target": 60}]
    made = season(
        [stage("arrival", survival=1)], targets=target, places=PLACES, price_list=[offer(deposit=0.5)], weeks=3
    )
    made = made.replace(varieties=[made.varieties[0].replace(sale_price=6, markdown_price=2)])
    flow = flow_of(made, [("A", "2027-W01", 100)])
    rows = flow.entries()[["week", "what", "amount"]].to_numpy().tolist()
    assert rows == [["2027-W01", what, amount] for what, amount in (
        ("deposit", -50), ("balance", -50), ("sales", 360), ("markdown", 80)
    )]  # fmt: skip


# --- orders that no offer covers


def refused(plan, orders=None):
    with pytest.raises(Refused) as caught:
        flow_of(plan, orders)
    return str(caught.value).splitlines()


def test_the_next_number_that_is_told_is_the_smallest_of_all_labs_that_deliver_then():
    offers = [offer(minimum=900), offer(lab="Far", multiple=750), offer(lab="Near", minimum=500, first_week="2027-W03")]
    plan = plan_of(price_list=[*offers, offer(lab="Late", minimum=450, first_week="2027-W04")], prices={}, targets=())
    said = "no offer covers 400 of A for 2027-W{}. The next number that is accepted is {}."
    for week, number in (("02", 750), ("03", 500), ("04", 450)):
        told = refused(plan, [("A", f"2027-W{week}", 400)])
        assert told == [f"orders, quantity, 400: {said.format(week, number)}"]
    told = refused(plan, [("A", "2027-W03", 1600, "Far")])
    assert told == [
        "orders, quantity, 1600: no offer covers 1,600 of A for 2027-W03 from Far. "
        "The next number that is accepted is 2,250."
    ]


def test_the_weeks_of_delivery_are_told_once_each_in_their_order():
    offers = [
        offer(first_week="2027-W05", last_week="2027-W06"),
        offer(first_week="2027-W03", last_week="2027-W04", lab="Far"),
        offer(first_week="2027-W01", last_week="2027-W04", lead_weeks=2, lab="Near"),
    ]
    assert refused(plan_of(price_list=offers, prices={}, targets=()), [("A", "2027-W02", 10)]) == [
        "orders, week, '2027-W02': no offer covers 10 of A for 2027-W02. "
        "Ordered in 2027-W01, it can come in 2027-W03 to 2027-W04 or 2027-W05 to 2027-W06."
    ]


def test_a_row_is_told_only_of_orders_that_are_the_seasons_own():
    """Two rows of one batch, 30 and 40, are told by the first; other orders stand in no row."""
    rows = [
        {"variety": "B", "week": "2027-W02", "quantity": 5},
        {"variety": "A", "week": "2027-W02", "quantity": 30},
        {"variety": "A", "week": "2027-W02", "quantity": 40},
    ]
    plan = plan_of(price_list=[offer(minimum=100), offer("B")], prices={}, targets=(), orders=rows)
    said = "of A for 2027-W02. The next number that is accepted is 100."
    assert refused(plan) == [f"orders, row 2, column quantity, 70: no offer covers 70 {said}"]
    assert refused(plan, [("A", "2027-W02", 60)]) == [f"orders, quantity, 60: no offer covers 60 {said}"]


def test_only_varieties_that_are_ordered_and_wanted_need_a_price():
    target = [*WANTED, {"variety": "C", "week": "2027-W05", "target": 5}]
    plan = plan_of(targets=target, varieties="ABCD", prices={})
    assert refused(plan, [("A", "2027-W02", 5), ("B", "2027-W02", 5)]) == [
        "varieties, row 1, column sale_price: wanted, but without a price. Fill in the price at which it is sold."
    ]


# --- what a plantlet costs


ROUTE = [
    stage("weaning", typical=3, survival=0.5, cost=7),
    stage("growing", typical=2, survival=0.8, cost=0.5, minutes=6, place="yard", plants_per_m2=50),
]
YARD = [*PLACES, {"place": "yard", "area": 100, "usable": 1, "cost_per_m2_week": 1}]


def fate_of(*stages):
    """The fate of stages, each its weeks and its survivals by draw."""
    survival = np.array([shares for _, *shares in stages])
    return TimedFate(np.log(survival), np.array([[float(weeks)] * survival.shape[1] for weeks, *_ in stages]),
                np.zeros(len(stages)))  # fmt: skip


def test_a_plantlet_costs_what_it_pays_on_entering_each_stage_and_its_bench_by_the_week():
    """Half enter growing, at 0.5 and a tenth of an hour of 12; they stand at 2 / 100 and then at 1 / 50 a week."""
    plan = plan_of(varieties="A").replace(stages=ROUTE, places=YARD)
    one, bench = growing_costs(plan, "A", fate_of((3, 0.4, 0.6), (2, 0.8, 0.8)), 7)
    assert one == pytest.approx(7 + 0.5 * 1.7)
    alive = [1, *((0.4 ** (i / 3) + 0.6 ** (i / 3)) / 2 for i in (1, 2)), 0.5, 0.5 * 0.8**0.5, 0.4, 0.4]
    assert bench == pytest.approx(0.02 * np.array(alive))


@pytest.mark.parametrize(("life", "last"), [(None, 7), (3, 5), (1, 3)])
def test_a_plantlet_that_enters_later_pays_from_there_on_and_stands_until_it_is_past_its_best(life, last):
    plan = plan_of({"A": {"saleable_weeks": life}}, varieties="A").replace(stages=ROUTE, places=YARD)
    one, bench = growing_costs(plan, "A", fate_of((2, 0.8, 0.8)), 7, "growing")
    assert one == pytest.approx(1.7)
    assert bench == pytest.approx(0.02 * np.array([1, 0.8**0.5, *(0.8 if i < last else 0 for i in range(2, 7))]))


def test_where_no_bench_is_paid_for_there_is_a_cost_of_nothing_in_every_week():
    free = [row | {"cost_per_m2_week": 0} for row in YARD]
    plan = plan_of(varieties="A").replace(stages=ROUTE, places=free)
    one, bench = growing_costs(plan, "A", fate_of((3, 0.5, 0.5), (2, 0.8, 0.8)), 7)
    assert (one, bench.tolist()) == (pytest.approx(7 + 0.5 * 1.7), [0.0] * 7)


def test_the_bench_of_a_plant_costs_what_the_row_of_each_week_says():
    rows = [YARD[1] | {"last_week": "2027-W02"}, YARD[1] | {"cost_per_m2_week": 3, "first_week": "2027-W03"}]
    plan = plan_of(varieties="A").replace(stages=ROUTE, places=[*PLACES, *rows])
    assert rents(plan, plan.stages[1]) == pytest.approx(np.array([1, 1, 3, 3, 3, 3]) / 50)
    assert rents(plan, plan.stages[0]) == pytest.approx(np.full(6, 0.02))


def test_a_plantlet_pays_in_each_draw_for_the_stages_that_it_enters_before_the_season_ends():
    """Growing is entered three weeks on: of what comes in week 3 in the sixth and last week, of week 4 after it."""
    plan = plan_of(varieties="A").replace(stages=ROUTE, places=YARD)
    fate = fate_of((3, 0.4, 0.6), (2, 0.8, 0.8))
    assert stage_costs(plan, "A", fate, plan.first_week + 2) == pytest.approx([7 + 0.4 * 1.7, 7 + 0.6 * 1.7])
    assert stage_costs(plan, "A", fate, plan.first_week + 3) == pytest.approx([7, 7])
