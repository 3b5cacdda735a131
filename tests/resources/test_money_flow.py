"""Money by hand, against printed budgets, and counted a second time: cohort by cohort, and plant by plant."""

import math
from collections import defaultdict, deque
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from labelled import plants_by_state
from plant_by_plant import draw
from random_seasons import deliveries, seasons, week
from refusals import refused
from scipy.optimize import minimize_scalar
from scipy.stats import norm
from small_seasons import MILD, MIXED, beta_spread, offer, season, stage

import forecast
from forecast.errors import Refused
from forecast.growth.stock import drawn_demand
from forecast.growth.summaries import worst_seasons
from forecast.ordering.price_breaks import PriceList
from forecast.ordering.shipments import Shipment, bill
from forecast.ordering.unit_costs import growing_costs, stage_costs
from forecast.resources.money_flow import CashFlow, bought, cash_flow
from forecast.season.varieties import Variety
from forecast.weeks import Week
from forecast.worth.columns import footprint

some = settings(max_examples=40, deadline=None, derandomize=True)

# By hand: 100 of A and 50 of B come in week 3, stand two weeks in the house and three in the yard, and are ready in
# week 8. One lab sends both: 150 plants in 4 boxes of 40.
PLACES = [
    {"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 2},
    {"place": "yard", "area": 100, "usable": 1, "cost_per_m2_week": 1},
]
ROUTE = [
    stage(typical=2, survival=1, cost=0.1, minutes=1),
    stage("growing on", typical=3, survival=1, cost=0.3, place="yard", plants_per_m2=50),
]
BOXES = {"unit_price": 2, "deposit": 0.25, "freight_per_box": 10, "plants_per_box": 40}
OFFERS = [offer("A", **BOXES), offer("B", **BOXES)]
ORDERS = [("A", "2027-W03", 100), ("B", "2027-W03", 50)]
WANTED = [{"variety": "A", "week": "2027-W09", "target": 60}, {"variety": "A", "week": "2027-W10", "target": 30}]
PRICES = {"A": {"sale_price": 6, "markdown_price": 2}, "B": {"markdown_price": 2}}


def priced(plan, prices):
    """The same season with other cells in its rows of varieties."""
    return plan.replace(varieties=tuple(row.replace(**prices.get(row.variety, {})) for row in plan.varieties))


def by_hand(prices=PRICES, route=ROUTE, **cells):
    usual = {
        "price_list": OFFERS,
        "targets": WANTED,
        "places": PLACES,
        "hourly_wage": 12,
        "weeks": 14,
        "varieties": "AB",
    }
    return priced(season(route, **usual | cells), prices)


def flow_of(plan, orders, draws=8, seed=1):
    return forecast.cash_flow(forecast.simulate(plan, orders, draws=draws, seed=seed))


def told(flow, name):
    """The entries of one variety: week of the year, what, table and row, amount."""
    rows = flow.entries()
    cells = rows[rows["variety"] == name][["week", "what", "table", "row", "amount"]].to_numpy()
    return [(int(w[-2:]), what, f"{table} {row}", round(amount, 9)) for w, what, table, row, amount in cells]


BEGUN = [
    (1, "deposit", "price_list 2", -50),
    (3, "balance", "price_list 2", -150),
    (3, "freight", "price_list 2", round(-40 * 100 / 150, 9)),
    (3, "stages", "stages 2", -10),
    (3, "work", "stages 2", -20),
    (3, "bench", "places 2", -2),
    (4, "bench", "places 2", -2),
    (5, "stages", "stages 3", -30),
    (5, "bench", "places 3", -2),
    (6, "bench", "places 3", -2),
    (7, "bench", "places 3", -2),
    (8, "bench", "places 3", -2),
]


def test_every_entry_of_a_small_season_as_by_hand():
    """In week 9 60 are sold and 40 stand on 0.8 m²; in week 10 30 are sold, the last 10 are marked down and leave."""
    flow = flow_of(by_hand(), ORDERS)
    assert told(flow, "A") == [
        *BEGUN,
        (9, "bench", "places 3", -0.8),
        (9, "sales", "targets 2", 360),
        (10, "sales", "targets 3", 180),
        (10, "markdown", "varieties 2", 20),
    ]
    assert told(flow, "B") == [  # not wanted: nothing says that they leave, so they stand to the end
        (1, "deposit", "price_list 3", -25),
        (3, "balance", "price_list 3", -75),
        (3, "freight", "price_list 3", round(-40 * 50 / 150, 9)),
        (3, "stages", "stages 2", -5),
        (3, "work", "stages 2", -10),
        (3, "bench", "places 2", -1),
        (4, "bench", "places 2", -1),
        (5, "stages", "stages 3", -15),
        *((at, "bench", "places 3", -1) for at in range(5, 15)),
    ]
    assert flow.entries().columns.tolist() == ["week", "variety", "lab", "what", "table", "row", "amount"]
    bought = flow.entries()["what"].isin(["deposit", "balance", "freight"])
    assert (flow.entries()["lab"] == np.where(bought, "Lab", "")).all()


def test_cash_and_the_margin_of_a_small_season_as_by_hand():
    flow = flow_of(by_hand(), ORDERS)
    changes = [-75, 0, -313, -3, -48, -3, -3, -3, 358.2, 199, -1, -1, -1, -1]
    assert np.allclose(flow.cash, np.cumsum(changes)[:, None], rtol=0, atol=1e-9)
    assert flow.cash.shape == (14, 8)
    assert flow.table()["week"].tolist() == [f"2027-W{at:02d}" for at in range(1, 15)]
    assert np.allclose(flow.table()[["p5", "median", "p95"]].to_numpy(), np.cumsum(changes)[:, None])
    assert np.allclose(flow.margin, 105.2)
    table = flow.by_variety()
    assert table["variety"].tolist() == ["A", "B"]
    outlay = [200 + 40 / 1.5 + 60 + 12.8, 100 + 40 / 3 + 30 + 12]
    assert np.allclose(table["income"], [560, 0])
    assert np.allclose(table["outlay"], outlay)
    assert np.allclose(table["margin"], [560 - outlay[0], -outlay[1]])
    point = flow.low_point
    assert (point.p5, point.median, point.p95) == pytest.approx((-448, -448, -448))
    assert str(point.week) == "2027-W08"
    assert flow.chance_of_loss == 0
    with pytest.raises(ValueError, match="read-only"):
        flow.cash[0, 0] = 1
    with pytest.raises(ValueError, match="read-only"):
        flow.margin[0] = 1


def test_fixed_costs_and_opening_cash_move_the_account_and_not_the_margin():
    """By hand the account falls to -448 in week 8; 1,400 of fixed costs are 100 a week, and 500 were on it."""
    usual, stated = flow_of(by_hand(), ORDERS), by_hand(fixed_costs=1400, opening_cash=500, overdraft=748)
    flow = flow_of(stated, ORDERS)
    weeks = np.arange(1, 15)[:, None]
    assert np.allclose(flow.cash, usual.cash + 500 - 100 * weeks, rtol=0, atol=1e-9)
    assert np.allclose(flow.margin, 105.2)
    assert np.allclose(flow.result, 105.2 - 1400)
    assert (flow.worst_tenth(), flow.chance_of_loss) == (pytest.approx(105.2), 1)
    assert (usual.result == usual.margin).all()
    assert usual.chance_overdrawn is None
    point = flow.low_point
    assert point.median == pytest.approx(min(500 - 800 - 448, 500 - 1400 + 105.2))
    assert flow.chance_overdrawn == 1
    assert flow_of(stated.replace(overdraft=794.8), ORDERS).chance_overdrawn == 0
    entries = flow.entries()
    fixed = entries[entries["what"] == "fixed costs"]
    assert fixed[["variety", "lab", "table", "row"]].drop_duplicates().to_numpy().tolist() == [["", "", "season", 0]]
    assert fixed["amount"].tolist() == pytest.approx([-100] * 14)
    assert entries["amount"].sum() == pytest.approx(flow.result.mean())
    pd.testing.assert_frame_equal(entries[entries["what"] != "fixed costs"].reset_index(drop=True), usual.entries())
    pd.testing.assert_frame_equal(flow.by_variety(), usual.by_variety())
    with pytest.raises(ValueError, match="read-only"):
        flow.margin[0] = 1


def test_materials_are_paid_as_plants_enter_a_stage_and_shown_apart():
    """Pots at 0.25 and labels at 0.05 for 100 plants: 25 in week 3 and 5 in week 5; all else is as it was."""
    route = [ROUTE[0] | {"materials": 0.25}, ROUTE[1] | {"materials": 0.05}]
    flow, before = flow_of(by_hand(route=route), ORDERS), flow_of(by_hand(), ORDERS)
    apart = [(3, "materials", "stages 2", -25), (5, "materials", "stages 3", -5)]
    assert [row for row in told(flow, "A") if row[1] == "materials"] == apart
    assert [row for row in told(flow, "A") if row[1] != "materials"] == told(before, "A")
    assert flow.margin == pytest.approx(before.margin - 45)  # and 15 for the 50 of B


def test_what_passes_its_best_is_marked_down_in_the_week_in_which_it_does():
    """Two weeks of shelf life: what is ready in week 8 and left in week 9 is past its best in week 10; none is sold."""
    plan = by_hand({"A": {"sale_price": 6, "markdown_price": 2, "saleable_weeks": 2}})
    after = [(9, "bench", "places 3", -0.8), (9, "sales", "targets 2", 360), (10, "markdown", "varieties 2", 80)]
    assert told(flow_of(plan, ORDERS), "A") == [*BEGUN, *after]


def test_what_is_ready_after_the_last_target_week_is_marked_down_then_and_what_is_not_ready_earns_nothing():
    """20 more are delivered in week 7 and ready in week 12, 10 in week 10: their last week is 14, still in the yard."""
    orders = [*ORDERS, ("A", "2027-W07", 20), ("A", "2027-W10", 10)]
    before, flow = flow_of(by_hand(), ORDERS), flow_of(by_hand(), orders)
    more = flow.entries().groupby(["week", "what", "variety"])["amount"].sum()
    assert more["2027-W12", "markdown", "A"] == 40
    assert {at for at, what, *_ in told(flow, "A") if what == "markdown"} == {10, 12}
    late = flow.entries()
    late = late[late["week"] > "2027-W10"].groupby(["week", "what"])["amount"].sum()
    assert late.to_dict() == pytest.approx({
        ("2027-W11", "bench"): -0.4 - 0.2 - 1,  # 20 in the yard, 10 in the house; 50 of B in the yard
        ("2027-W12", "bench"): -0.2 - 1,
        ("2027-W12", "stages"): -3,
        ("2027-W12", "markdown"): 40,
        ("2027-W13", "bench"): -0.2 - 1,
        ("2027-W14", "bench"): -0.2 - 1,
    })  # fmt: skip
    spent = 2 * 30 + 10 + 10 + 30 * (0.1 + 0.2 + 0.3) + 20 * (2 * 2 / 100 + 3 / 50) + 10 * (2 * 2 / 100 + 3 / 50)
    assert flow.margin - before.margin == pytest.approx(40 - spent)


def test_without_a_markdown_price_what_is_left_earns_nothing():
    with_, without = by_hand(), by_hand({"A": {"sale_price": 6}})
    assert flow_of(with_, ORDERS).margin - flow_of(without, ORDERS).margin == pytest.approx(20)


def test_as_many_are_sold_marked_down_as_are_needed_in_all_and_those_that_leave_first():
    """10 and 15 are wanted, so 25 can be sold marked down: in week 10 the 5 left of 30, in week 12 20 of 40."""
    target = [WANTED[0] | {"target": 10}, WANTED[1] | {"target": 15}]
    flow = flow_of(by_hand(targets=target), [("A", "2027-W03", 30), ("A", "2027-W07", 40)])
    sold = [entry for entry in told(flow, "A") if entry[1] in ("sales", "markdown")]
    assert sold == [
        (9, "sales", "targets 2", 60),
        (10, "sales", "targets 3", 90),
        (10, "markdown", "varieties 2", 10),
        (12, "markdown", "varieties 2", 40),
    ]


def test_a_range_of_demand_counts_by_its_likely_number():
    target = [{"variety": "A", "week": "2027-W09", "p5": 1, "median": 2, "p95": 3}]
    flow = flow_of(by_hand(targets=target), ORDERS)
    assert flow.entries().set_index("what").loc["markdown", "amount"] == pytest.approx(2 * 2)


def test_the_plants_of_a_running_season_cannot_be_accounted_for():
    season_2026, records = forecast.read_season("demo_data/season_2026"), forecast.read_records("demo_data")
    running = forecast.reforecast(season_2026, records, on_date="2026-06-14", draws=8, seed=1)
    assert refused(cash_flow, running.outcome) == (
        "outcome: the plants of a running season are partly paid for already. Give what simulate makes of the orders; "
        "only that can be accounted for."
    )


def test_stages_and_work_are_paid_by_all_that_enter_and_bench_by_all_that_are_there():
    """1,000 come in week 3 and 900 are weaned, of whom 900 x 0.8^(i / 4) are left after i of four weeks."""
    rows = [
        stage("arrival", survival=0.9, minutes=1.2),
        stage("acclimatisation", typical=4, survival=0.8, cost=0.5),
        stage("growing on", typical=2, survival=1, cost=1, minutes=2),
    ]
    places = [{"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 3}]
    flow = flow_of(
        season(rows, price_list=[offer(unit_price=0)], places=places, hourly_wage=15), [("A", "2027-W03", 1000)]
    )
    assert told(flow, "A") == [
        (3, "work", "stages 2", -300),
        (3, "stages", "stages 3", -450),
        (3, "bench", "places 2", -27),
        *((3 + i, "bench", "places 2", round(-27 * 0.8 ** (i / 4), 9)) for i in (1, 2, 3)),
        (7, "stages", "stages 4", -720),
        (7, "work", "stages 4", -360),
        (7, "bench", "places 2", -21.6),
        *((at, "bench", "places 2", -21.6) for at in range(8, 41)),
    ]


def test_a_place_with_two_rows_costs_what_the_row_of_the_week_says():
    winter = {"place": "yard", "area": 100, "usable": 1, "cost_per_m2_week": 5, "last_week": "2027-W05"}
    summer = {"place": "yard", "area": 100, "usable": 1, "cost_per_m2_week": 1, "first_week": "2027-W06"}
    entries = told(flow_of(by_hand(places=[PLACES[0], winter, summer]), ORDERS), "A")
    yard = [entry for entry in entries if entry[1] == "bench"][2:]
    assert yard[:2] == [(5, "bench", "places 3", -10), (6, "bench", "places 4", -2)]


# --- prices


def test_a_novelty_falls_towards_its_lowest_price_as_by_hand():
    """lowest + (first - lowest)(1 - fall)^(years), the geometric form of p(t) = floor + (p0 - floor) e^(-kt)."""
    novelty = Variety(variety="A", group="crop", sale_price=10, yearly_fall=0.36, lowest_price=5)
    for weeks, price in ((0, 10), (26, 9), (52, 8.2), (104, 5 + 5 * 0.4096)):
        assert novelty.price(weeks) == pytest.approx(price, rel=1e-12)
        assert novelty.price(weeks) == pytest.approx(5 + 5 * math.exp(math.log(0.64) * weeks / 52), rel=1e-12)
    assert Variety(variety="A", group="crop", sale_price=10, yearly_fall=0.36).price(26) == pytest.approx(8)
    assert Variety(variety="A", group="crop", sale_price=10, yearly_fall=1, lowest_price=3).price(1) == 3
    assert Variety(variety="A", group="crop", sale_price=10).price(260) == 10


def test_a_novelty_is_sold_at_the_price_of_its_week_and_its_markdown_price_stays():
    plan = by_hand({"A": {"sale_price": 6, "markdown_price": 2, "yearly_fall": 0.5, "lowest_price": 1}})
    sold = [entry for entry in told(flow_of(plan, ORDERS), "A") if entry[1] in ("sales", "markdown")]
    assert sold == [
        (9, "sales", "targets 2", round(60 * (1 + 5 * 0.5 ** (8 / 52)), 9)),
        (10, "sales", "targets 3", round(30 * (1 + 5 * 0.5 ** (9 / 52)), 9)),
        (10, "markdown", "varieties 2", 20),
    ]


@pytest.mark.parametrize(
    ("cells", "message"),
    [
        (
            {"sale_price": 5, "lowest_price": 4},
            "Variety, lowest_price, 4.0: used only when the price falls. Fill yearly_fall, too.",
        ),
        (
            {"sale_price": 5, "lowest_price": 6, "yearly_fall": 0.2},
            "Variety, lowest_price, 6.0: above the sale price. Write at most 5, or raise sale_price.",
        ),
        (
            {"sale_price": 5, "yearly_fall": 20},
            "Variety, yearly_fall, 20: a share lies between 0 and 1. For 20 % write 0.2.",
        ),
    ],
)
def test_a_price_that_cannot_fall_so_is_refused(cells, message):
    assert refused(Variety, variety="A", group="crop", **cells) == message


def test_a_variety_without_a_sale_price_has_no_price():
    assert (
        refused(Variety(variety="A", group="crop").price, 3)
        == "sale_price, 'A': this variety has no sale price. Fill sale_price in varieties."
    )


# --- offers and freight


def test_plants_of_one_lab_and_week_share_boxes_only_if_these_are_alike():
    """61 and 41 fill 3 boxes of 40 together; apart, by week, by lab or by the price of a box, 2 and 2."""
    plants = {"unit_price": 0, "freight_per_box": 10, "plants_per_box": 40}
    other = {
        "week": ([offer("A", **plants), offer("B", **plants)], "2027-W04"),
        "lab": ([offer("A", **plants), offer("B", lab="Elsewhere", **plants)], "2027-W03"),
        "price of a box": ([offer("A", **plants), offer("B", **plants | {"freight_per_box": 11})], "2027-W03"),
        "size of a box": ([offer("A", **plants), offer("B", **plants | {"plants_per_box": 41})], "2027-W03"),
    }
    rows = [stage(typical=4)]

    def freight(price_list, when):
        plan = season(rows, varieties="AB", price_list=price_list)
        return -flow_of(plan, [("A", "2027-W03", 61), ("B", when, 41)]).entries()["amount"].to_numpy()

    assert freight([offer("A", **plants), offer("B", **plants)], "2027-W03") == pytest.approx(
        [30 * 61 / 102, 30 * 41 / 102]
    )
    assert freight(*other["week"]).tolist() == [20, 20]
    assert sorted(freight(*other["lab"]).tolist()) == [20, 20]
    assert sorted(freight(*other["price of a box"]).tolist()) == [20, 22]
    assert sorted(freight(*other["size of a box"]).tolist()) == [10, 20]


def test_an_order_falls_under_the_cheapest_offer_that_delivers_then_and_accepts_its_number():
    """Of 100: Near asks 150, or 110 from 80 on; Far 100 with 20 of freight; Bulk, cheapest of all, from 500 on."""
    offers = [
        offer(lab="Near", unit_price=1.5),
        offer(lab="Near", unit_price=1.1, from_quantity=80),
        offer(lab="Far", unit_price=1, freight_per_box=20, plants_per_box=100),
        offer(lab="Bulk", unit_price=0.2, minimum=500),
        offer(lab="Late", unit_price=0.1, first_week="2027-W20"),
        offer(lab="Slow", unit_price=0.1, lead_weeks=10),
    ]
    plan = season([stage(typical=4)], price_list=offers)

    def rows(*order):
        entries = flow_of(plan, [("A", "2027-W05", *order)]).entries()
        return entries[["lab", "what", "row", "amount"]].to_numpy().tolist()

    assert rows(100) == [["Near", "balance", 3, pytest.approx(-110)]]
    assert rows(79) == [["Far", "balance", 4, -79], ["Far", "freight", 4, -20]]
    assert rows(79, "Near") == [["Near", "balance", 2, -118.5]]
    assert rows(100, "Far") == [["Far", "balance", 4, -100], ["Far", "freight", 4, -20]]
    assert rows(600) == [["Bulk", "balance", 5, -120]]


def test_two_deliveries_of_one_variety_are_two_orders_and_reach_the_price_break_each_by_itself():
    plan = season([stage(typical=4)], price_list=[offer(unit_price=2), offer(unit_price=1, from_quantity=100)])
    assert flow_of(plan, [("A", "2027-W03", 50), ("A", "2027-W04", 50)]).margin == pytest.approx(-200)
    assert flow_of(plan, [("A", "2027-W03", 50), ("A", "2027-W03", 50)]).margin == pytest.approx(-100)


def test_an_order_of_none_costs_nothing():
    assert flow_of(by_hand(), [("A", "2027-W03", 0)]).entries().empty
    assert flow_of(by_hand(), [("A", "2027-W03", 0)]).by_variety().to_numpy().tolist() == [["A", 0, 0, 0]]


def test_orders_that_no_offer_covers_and_varieties_without_a_price_are_refused_all_at_once():
    offers = [offer("A", minimum=70, multiple=70), offer("B", lead_weeks=4), offer("C"), offer("C", lab="Elsewhere")]
    target = [{"variety": name, "week": "2027-W20", "target": 5} for name in "AC"]
    orders = [
        {"variety": "A", "week": "2027-W03", "quantity": 100},
        {"variety": "B", "week": "2027-W04", "quantity": 10},
        {"variety": "C", "week": "2027-W04", "quantity": 10, "lab": "Lab"},
    ]
    plan = season([stage(typical=4)], varieties="ABCD", price_list=offers, targets=target, orders=orders)
    assert refused(flow_of, plan, None) == (
        "orders, row 2, column quantity, 100: no price-list line covers 100 of A for 2027-W03. The next number "
        "that is accepted is 140.\n"
        "orders, row 3, column week, '2027-W04': no price-list line covers 10 of B for 2027-W04. Ordered in "
        "2027-W01, it can come in 2027-W05 to 2027-W26.\n"
        "varieties, rows 2, 4, column sale_price: a target needs it. Fill in the price at which it is sold."
    )
    assert refused(flow_of, plan, [("C", "2027-W04", 10, "Nobody"), ("D", "2027-W04", 10)]) == (
        "orders, lab, 'Nobody': no price-list line covers 10 of C for 2027-W04 from Nobody. Labs that offer it: "
        "Elsewhere, Lab.\n"
        "orders, lab: no price-list line covers 10 of D for 2027-W04. No lab offers it: add it to the price list.\n"
        "varieties, row 4, column sale_price: a target needs it. Fill in the price at which it is sold."
    )


# --- printed budgets


def test_a_printed_budget_of_pot_geraniums_gives_its_printed_net_return():
    """Rutgers University, crop budget of 4-inch geraniums: direct cost 4,847, overhead 1,763, net 4,790 on 11,400.

    10,000 pots are started on 0.11 square feet each for 6 weeks, 9,500 sold at 1.20. Plants cost 660; pots 600, medium
    500, feed 200 and tags 1,647; labour 1,240. Overhead goes by square foot and week, 1,763 for 6,600 of them.
    """
    square_foot = 0.3048**2
    rows = [
        stage(
            "growing on",
            typical=6,
            survival=1,
            cost=(600 + 500 + 200 + 1647) / 1e4,
            minutes=1,
            plants_per_m2=1 / (0.11 * square_foot),
        )
    ]
    plan = season(
        rows,
        price_list=[offer(unit_price=0.066)],
        targets=[{"variety": "A", "week": "2027-W09", "target": 9500}],
        places=[{"place": "house", "area": 1000, "usable": 1, "cost_per_m2_week": 1763 / 6600 / square_foot}],
        hourly_wage=1240 / 1e4 * 60,
        currency="USD",
    )
    flow = flow_of(priced(plan, {"A": {"sale_price": 1.2}}), [("A", "2027-W03", 10_000)])
    sums = flow.entries().groupby("what")["amount"].sum()
    assert sums["sales"] == pytest.approx(11_400)
    assert sums[["balance", "stages", "work"]].sum() == pytest.approx(-4847)
    assert sums["bench"] == pytest.approx(-1763)
    assert flow.margin == pytest.approx(4790)
    assert np.round(flow.margin / 9500, 2) == pytest.approx(0.50)


@pytest.mark.parametrize(("lost", "profit"), [(0, 500), (0.1, 200), (0.2, -100)])
def test_printed_profits_of_a_shop_that_loses_some_of_its_plants(lost, profit):
    """Mattson, Burnett, Krug and Lopez 2009, Greenhouse Grower: 1,000 for 2,500, sold at 3: 500, 200, and a loss.

    The loss of the last is computed from their figures. Plants are lost one by one: with a binomial number sold the
    mean of the draws has the standard error 3 sqrt(1000 q (1 - q) / draws).
    """
    plan = season([stage("arrival", survival=1 - lost, survival_level="plant")], price_list=[offer(unit_price=2.5)],
                  targets=[{"variety": "A", "week": "2027-W03", "target": 1000}])  # fmt: skip
    flow = flow_of(priced(plan, {"A": {"sale_price": 3}}), [("A", "2027-W03", 1000)], draws=4096)
    assert abs(flow.margin.mean() - profit) <= 4 * 3 * math.sqrt(1000 * lost * (1 - lost) / 4096)
    assert flow.margin.std() == pytest.approx(3 * math.sqrt(1000 * lost * (1 - lost)), rel=0.05)


# --- bad years


UNIFORM = season(
    [stage("arrival", **beta_spread(1, 1))],
    price_list=[offer(unit_price=1)],
    targets=[{"variety": "A", "week": "2027-W03", "target": 10_000}],
)


@pytest.mark.parametrize("share", [0.02, 0.1, 0.35, 0.5, 1])
def test_bad_years_of_a_survival_that_is_uniform_are_in_closed_form(share):
    """Of 1,000 at 1, a uniform share lives and sells at 4: the margin is uniform on 0, 4, ... 4,000, less 1,000.

    The mean of its worst share s is 4,000 s / 2 less 1,000. The tolerance is four standard errors of plain draws:
    the variance of the mean of the worst share is (var + (1 - s)(quantile - mean)^2) / (s draws), both within them.
    """
    flow = flow_of(priced(UNIFORM, {"A": {"sale_price": 4}}), [("A", "2027-W03", 1000)], draws=4096)
    error = 4000 * math.sqrt((share**2 / 12 + (1 - share) * share**2 / 4) / (share * 4096))
    assert abs(flow.worst_tenth(share) - (2000 * share - 1000)) < 4 * error
    assert abs(flow.chance_of_loss - 250 / 1001) < 4 * math.sqrt(0.25 * 0.75 / 4096)


@pytest.mark.parametrize("share", [0.013, 0.1, 0.4321, 0.9])
def test_bad_years_are_the_minimum_of_rockafellar_and_uryasev(share):
    """Rockafellar and Uryasev 2000: the shortfall is the maximum over c of c - E(c - margin)+ / share."""
    flow = flow_of(priced(UNIFORM, {"A": {"sale_price": 4}}), [("A", "2027-W03", 1000)], draws=509)
    best = max(c - np.maximum(c - flow.margin, 0).mean() / share for c in flow.margin)
    assert flow.worst_tenth(share) == pytest.approx(best, rel=1e-9)
    found = minimize_scalar(lambda c: np.maximum(c - flow.margin, 0).mean() / share - c, bounds=(-1000, 3000))
    assert flow.worst_tenth(share) == pytest.approx(-found.fun, abs=0.05)


@pytest.mark.parametrize("share", [0, -0.1, 1.1, float("nan"), True, "0.1"])
def test_a_share_of_bad_years_that_is_none_is_refused(share):
    flow = flow_of(by_hand(), ORDERS)
    with pytest.raises(
        Refused, match=r"not a share of the seasons\. Give a number above 0 and up to 1, such as 0\.1\."
    ):
        flow.worst_tenth(share)


# --- laws


@st.composite
def flows(draw, **cells):
    """Draw the forecast of a random season with prices, labs, boxes, wages, and rents."""
    money = st.sampled_from([0, 0.3, 2.5])
    boxes = {"freight_per_box": draw(money), "plants_per_box": draw(st.sampled_from([7, 50]))}
    labs = [offer(name, unit_price=draw(money), deposit=draw(st.sampled_from([0, 0.3, 1])), **boxes) for name in "AB"]
    places = [{"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": draw(money)}]
    weeks = draw(st.lists(st.integers(5, 29), max_size=3, unique=True))
    target = [{"variety": "A", "week": week(at), "target": draw(st.integers(1, 40))} for at in weeks]
    if draw(st.booleans()):
        target.append({"variety": "B", "week": week(20), "p5": 5, "median": 20, "p95": 50})
    plan = draw(seasons(price_list=labs, places=places, targets=target, hourly_wage=draw(money), **cells))
    fall = draw(st.sampled_from([{}, {"yearly_fall": 0.4}, {"yearly_fall": 0.4, "lowest_price": 1}]))
    cheap = draw(st.sampled_from([{}, {"markdown_price": 1.5}]))
    plan = priced(plan, {"A": {"sale_price": 4} | fall | cheap, "B": {"sale_price": 3} | cheap})
    return plan, draw(deliveries)


@some
@given(case=flows())
def test_entries_varieties_weeks_and_margin_give_the_same(case):
    flow = flow_of(*case, draws=32)
    assert np.isfinite(flow.cash).all()
    close = {"rel": 1e-6, "abs": 1e-6}
    mean = pytest.approx(float(flow.margin.mean()), **close)
    assert flow.entries()["amount"].sum() == mean
    assert flow.by_variety()["margin"].sum() == mean
    assert (flow.by_variety()["income"] - flow.by_variety()["outlay"]).sum() == mean
    assert (flow.cash[-1] == flow.margin).all()
    by_week = flow.entries().astype({"amount": float}).groupby("week")["amount"].sum().cumsum()
    weeks = [week(i) for i in range(case[0].weeks)]
    steps = by_week.reindex(weeks).ffill().fillna(0)
    assert np.allclose(steps, flow.cash.mean(axis=1), rtol=1e-6, atol=1e-6)
    signs = flow.entries()["what"].isin(["sales", "markdown"])
    assert ((flow.entries()["amount"] > 0) == signs).all()


@some
@given(case=flows())
def test_every_plant_that_becomes_saleable_is_sold_or_leaves_once(case):
    """At a price of 1 for both, income is the number that became saleable or can be sold, draw by draw."""
    plan, orders = case
    flat = {"yearly_fall": None, "lowest_price": None}
    plan, nothing = (
        priced(plan, {name: flat | {"sale_price": price, "markdown_price": price} for name in "AB"}) for price in (1, 0)
    )
    outcome = forecast.simulate(plan, orders, draws=32, seed=1)
    income = cash_flow(outcome).margin - flow_of(nothing, orders, draws=32).margin
    counts = 0
    for name in outcome.varieties:
        asked = plan.targets_of(name)
        at = [row.week - plan.first_week for row in asked]
        before, after = outcome.on_hand(name)
        buyers = (before - after)[at].sum(axis=0) + sum(row.median_demand for row in asked)
        counts = counts + np.minimum(outcome.ready(name)[-1], buyers)
    assert np.allclose(income, counts, rtol=0, atol=1e-6)


@some
@given(case=flows(), share=st.floats(0.001, 1), other=st.floats(0.001, 1))
def test_bad_years_are_never_better_than_the_mean_and_worse_the_fewer_they_are(case, share, other):
    flow = flow_of(*case, draws=33)
    mean, low = float(flow.margin.mean()), float(flow.margin.min())
    few, many = sorted((share, other))
    slack = 1e-9 * (1 + abs(low))
    assert low - slack <= flow.worst_tenth(few) <= flow.worst_tenth(many) + slack
    assert flow.worst_tenth(many) <= mean + slack
    assert flow.worst_tenth(1) == pytest.approx(mean, rel=1e-12, abs=1e-9)


@some
@given(case=flows())
def test_a_cheaper_offer_never_lowers_the_margin_and_a_lower_sale_price_never_raises_it(case):
    plan, orders = case
    margin = flow_of(plan, orders, draws=16).margin
    cheaper = plan.replace(price_list=tuple(row.replace(unit_price=0.8 * row.unit_price) for row in plan.price_list))
    assert (flow_of(cheaper, orders, draws=16).margin >= margin - 1e-9).all()
    poorer = priced(plan, {"A": {"sale_price": 3}, "B": {"sale_price": 2}})
    assert (flow_of(poorer, orders, draws=16).margin <= margin + 1e-9).all()


# --- the whole history once more, cohort by cohort


SPREAD = {"plants_cv": 0.2, "batches_cv": 0.15, "time_level": MIXED, "survival_level": MIXED}
LONG = [
    stage("arrival", survival=0.96, survival_sd=0.03, minutes=0.5, cost=0.02),
    stage(typical=4, minutes=0.8, **beta_spread(12.0, 3.0), **SPREAD),
    stage("growing on", typical=6, cost=0.4, place="yard", plants_per_m2=40, survival=0.9, survival_sd=0.05, **SPREAD),
    stage("grading", survival=0.95, minutes=0.3, place="yard", plants_per_m2=30, survival_level="plant"),
]
TWO_ROWS = [
    PLACES[0],
    {"place": "yard", "area": 50, "usable": 1, "cost_per_m2_week": 3, "last_week": "2027-W14"},
    {"place": "yard", "area": 90, "usable": 1, "cost_per_m2_week": 1.1, "first_week": "2027-W15"},
]
SHARED = {"freight_per_box": 12, "plants_per_box": 60}
TWO_LABS = [
    offer("A", unit_price=1.4, deposit=0.25, **SHARED),
    offer("A", unit_price=1.2, deposit=0.3, from_quantity=100, **SHARED),
    offer("B", unit_price=1.9, deposit=0.1, **SHARED),
    offer("A", lab="Elsewhere", unit_price=1.1, freight_per_box=30, plants_per_box=100),
]
RICH = {
    "A": {"sale_price": 7, "markdown_price": 1.5, "saleable_weeks": 4, "yearly_fall": 0.3, "lowest_price": 3},
    "B": {"sale_price": 5, "markdown_price": 2},
}
ASKED = [
    {"variety": "A", "week": "2027-W14", "target": 60},
    {"variety": "A", "week": "2027-W18", "p5": 20, "median": 60, "p95": 150},
    {"variety": "A", "week": "2027-W21", "target": 30},
    {"variety": "B", "week": "2027-W17", "target": 90},
]
FEW = [
    {"variety": "A", "week": "2027-W14", "target": 12},
    {"variety": "A", "week": "2027-W21", "p5": 5, "median": 10, "p95": 30},
    {"variety": "B", "week": "2027-W17", "target": 9},
]
MANY = [("B", "2027-W03", 100), ("A", "2027-W03", 130), ("A", "2027-W07", 80), ("A", "2027-W12", 40)]
RANDOM = priced(
    season(LONG, varieties="AB", price_list=TWO_LABS, targets=ASKED, places=TWO_ROWS, hourly_wage=14, weeks=32), RICH
)


def paid_for_plants(plan, orders, cash):
    """Book plants and freight, every row of the price lists tried."""
    boxes = defaultdict(int)
    for name, when, quantity in orders:
        best = None
        for lab in {row.lab for row in plan.price_list if row.variety == name}:
            rows = [
                row
                for row in plan.price_list
                if (row.lab, row.variety) == (lab, name) and row.from_quantity <= quantity
            ]
            row = max(rows, key=lambda one: one.from_quantity)
            cost = quantity * row.unit_price + math.ceil(quantity / row.plants_per_box) * row.freight_per_box
            best = min((cost, lab, row), best or (cost, lab, row), key=lambda one: one[0])
        row, at = best[2], int(when[-2:]) - 1
        cash[0] -= quantity * row.unit_price * row.deposit
        cash[at] -= quantity * row.unit_price * (1 - row.deposit)
        boxes[row.lab, at, row.freight_per_box, row.plants_per_box] += quantity
    for (_, at, price, size), plants in boxes.items():
        cash[at] -= -(-plants // size) * price


def queue(newly, asked, life, last, buyers):
    """Sell cohorts in one history, oldest first; give sold, marked down (to so many buyers) and standing by week."""
    cohorts, weeks = deque(), len(newly)
    sold, down, standing = np.zeros(weeks), np.zeros(weeks), np.zeros(weeks)
    for now in range(weeks):
        cohorts.append([now, newly[now]])
        while cohorts and life is not None and now - cohorts[0][0] >= life:
            down[now] += cohorts.popleft()[1]
        lacking = asked.get(now, 0)
        for cohort in cohorts:
            taken = min(cohort[1], lacking)
            cohort[1], lacking, sold[now] = cohort[1] - taken, lacking - taken, sold[now] + taken
        if now >= last:
            down[now] += sum(number for _, number in cohorts)
            cohorts.clear()
        down[now] = min(down[now], buyers)
        buyers -= down[now]
        standing[now] = sum(number for _, number in cohorts)
    return sold, down, standing


def rent(plan, name, at):
    """What a square metre costs in a week: of a place's rows the one that is open."""
    now = plan.first_week + at
    for row in plan.places:
        shut, over = row.first_week and now < row.first_week, row.last_week and now > row.last_week
        if row.place == name and not shut and not over:
            return row.cost_per_m2_week
    raise AssertionError


def counted_again(outcome, orders):
    """The cash of every week and draw from fates, sampled histories and states, one history at a time."""
    plan, draws = outcome.season, outcome.draws
    cash = np.zeros((plan.weeks, draws))
    paid_for_plants(plan, orders, cash)
    for name in outcome.varieties:
        own, route = plan.variety(name), plan.route(name)
        for batch in (one for one in outcome.batches if one.variety == name):
            fate, start = outcome.fate(batch), batch.week - plan.first_week
            for k, row in enumerate(route):
                each = row.cost + row.minutes / 60 * plan.hourly_wage
                for d in range(draws):
                    begun, alive = fate.weeks[:k, d].sum(), math.exp(fate.log_survival[:k, d].sum())
                    for at in range(start, plan.weeks):  # from Monday to the last moment of Sunday
                        edges = np.array([at - start, at + 1 - start]) - 1e-6
                        if begun == 0:
                            share = np.where(edges >= 0, 1.0, 0.0)
                        else:
                            spread = max(fate.log_sd)
                            share = norm.cdf(np.log(np.maximum(edges, 1e-300) / begun) / spread)
                        cash[at, d] -= batch.quantity * each * alive * (share[1] - share[0])
        states = plants_by_state(outcome, name)
        expected = np.diff((states.sel(state="saleable") + states.sel(state="past its best")).values, axis=0, prepend=0)
        counted = np.diff(outcome.ready(name), axis=0, prepend=0)
        demand = {row.week - plan.first_week: drawn_demand(outcome.streams, row) for row in plan.targets_of(name)}
        last = max(demand, default=plan.weeks)
        buyers = sum(round(row.target or row.median_demand) for row in plan.targets if row.variety == name)
        for d in range(draws):
            asked = {at: number[d] for at, number in demand.items()}
            sold, down, _ = queue(counted[:, d], asked, own.saleable_weeks, last, buyers)
            _, _, standing = queue(expected[:, d], asked, own.saleable_weeks, last, buyers)
            for at in range(plan.weeks):
                fall = 1 - (own.yearly_fall or 0)
                floor = own.lowest_price or 0
                cash[at, d] += (
                    sold[at] * (floor + (own.sale_price - floor) * fall ** (at / 52)) + down[at] * own.markdown_price
                )
                for row in route:
                    plants = float(states.sel(state=row.stage).values[at, d])
                    cash[at, d] -= plants / row.plants_per_m2 * rent(plan, row.place, at)
                cash[at, d] -= standing[at] / route[-1].plants_per_m2 * rent(plan, route[-1].place, at)
    return cash.cumsum(axis=0)


WARM = priced(
    season(
        [*LONG[:2], LONG[2] | {"runs_on": "degree-days", "base_temperature": 5, "typical": 300}, LONG[3]],
        varieties="AB", price_list=TWO_LABS, targets=ASKED, places=TWO_ROWS, hourly_wage=14, weeks=32, climate=MILD,
    ),
    RICH,
)  # fmt: skip


@pytest.mark.parametrize("asked", [ASKED, FEW], ids=["most are sold", "more are left than can be sold marked down"])
def test_the_cash_of_every_week_and_draw_is_that_of_a_count_cohort_by_cohort(asked):
    """Shares that enter a stage come from a table of the normal distribution there, wrong by less than 2e-8."""
    outcome = forecast.simulate(RANDOM.replace(targets=asked), MANY, draws=16, seed=3)
    flow, again = cash_flow(outcome), counted_again(outcome, MANY)
    assert np.allclose(flow.cash, again, rtol=1e-6, atol=1e-4)
    assert np.ptp(again[-1]) > 100  # draws differ by far more
    low, middle, high = np.quantile(again, [0.05, 0.5, 0.95], axis=1)
    assert np.allclose(flow.table()[["p5", "median", "p95"]].to_numpy().T, [low, middle, high], rtol=0, atol=0.006)
    assert flow.low_point.median == pytest.approx(np.median(again.min(axis=0)), abs=1e-3)
    lowest = [f"2027-W{at + 1:02d}" for at in again.argmin(axis=0)]
    assert str(flow.low_point.week) in lowest
    assert lowest.count(str(flow.low_point.week)) == max(map(lowest.count, lowest))
    assert flow.chance_of_loss == (again[-1] < 0).mean()


PARTS = ("deposit", "balance", "freight", "stages", "work", "bench", "sales", "markdown")


def counted_plant_by_plant(plan, orders, replicates, rng):
    """The money of one variety in each replicate, every plant on its own, by what it is."""
    weeks, route, own = plan.weeks, plan.route("A"), plan.variety("A")
    money = {part: np.zeros(replicates) for part in PARTS}
    newly = np.zeros((replicates, weeks))
    for batch in draw(plan, orders, replicates, rng):
        shape = (replicates, batch.plants)
        vigour, alive, time = rng.standard_normal(shape), np.ones(shape, dtype=bool), np.full(shape, float(batch.start))
        for k, row in enumerate(route):
            entered = (alive & (time < weeks - 1e-9)).sum(axis=1)
            money["stages"] -= row.cost * entered
            money["work"] -= row.minutes / 60 * plan.hourly_wage * entered
            hazard = -np.log(batch.survival[k])[:, None]
            exposure = rng.exponential(size=shape)
            stays = batch.weeks[k][:, None] * np.exp(batch.log_sd[k] * vigour)
            until = time + stays * np.minimum(exposure / np.maximum(hazard, 1e-300), 1)
            for at in range(weeks):
                stand = (alive & (time <= at) & (at < until)).sum(axis=1)
                money["bench"] -= stand / row.plants_per_m2 * rent(plan, row.place, at)
            alive &= exposure >= hazard
            time = time + stays
        for at in range(weeks):
            newly[:, at] += (alive & (time <= at) & (time > at - 1)).sum(axis=1)
    asked = {row.week - plan.first_week: row.target for row in plan.targets_of("A")}
    last = max(asked)
    for i in range(replicates):
        sold, down, standing = queue(newly[i], asked, own.saleable_weeks, last, sum(asked.values()))
        money["sales"][i] = sum(sold[at] * own.price(at) for at in asked)
        money["markdown"][i] = down.sum() * own.markdown_price
        for at in range(weeks):
            money["bench"][i] -= standing[at] / route[-1].plants_per_m2 * rent(plan, route[-1].place, at)
    return money


def test_money_by_kind_and_its_spread_are_those_of_single_plants():
    """Means within 4 standard errors, the engine's own from eight seeds.

    Of stages, work and bench the engine leaves out what single plants add to the spread: little beside sales.
    """
    numbers = (("2027-W14", 40), ("2027-W18", 30), ("2027-W21", 12))
    target = [{"variety": "A", "week": when, "target": number} for when, number in numbers]
    one = season(LONG, price_list=TWO_LABS[:2], targets=target, places=TWO_ROWS, hourly_wage=14, weeks=32)
    plan, orders, replicates = priced(one, RICH), [("A", "2027-W03", 70), ("A", "2027-W07", 60)], 4000
    counted = counted_plant_by_plant(plan, orders, replicates, np.random.default_rng(1))
    sums, spreads, shortfalls = [], [], []
    for seed in range(1, 9):
        flow = flow_of(plan, orders, draws=1024, seed=seed)
        sums.append(flow.entries().groupby("what")["amount"].sum()[list(PARTS)].tolist())
        spreads.append(flow.margin.std())
        shortfalls.append(flow.worst_tenth())
    error = np.std(sums, axis=0, ddof=1) / math.sqrt(8)
    for at, part in enumerate(PARTS[3:], start=3):
        gap = abs(np.mean(sums, axis=0)[at] - counted[part].mean())
        assert gap < 4 * math.hypot(error[at], counted[part].std() / math.sqrt(replicates)), part
        assert abs(counted[part].mean()) > 10
    margin = np.mean(sums, axis=0)[:3].sum() + sum(counted.values())
    assert np.mean(spreads) == pytest.approx(margin.std(), rel=4 / math.sqrt(2 * replicates))
    worst = np.sort(margin)[: replicates // 10]
    assert np.mean(shortfalls) == pytest.approx(worst.mean(), abs=4 * margin.std() / math.sqrt(worst.size))


# --- what a plantlet costs


@pytest.mark.parametrize("plan", [RANDOM, WARM], ids=["weeks", "degree-days"])
@pytest.mark.parametrize("delivered", ["2027-W03", "2027-W15"])
@pytest.mark.parametrize("life", [None, 3])
def test_what_a_plantlet_costs_is_what_an_order_costs_of_which_none_is_sold_before_the_last_target_week(
    plan, delivered, life
):
    target = [{"variety": "A", "week": "2027-W18", "target": 1}]
    plan = priced(plan.replace(targets=()), {"A": {"saleable_weeks": life}}).replace(targets=target)
    outcome = forecast.simulate(plan, [("A", delivered, 500)], draws=64, seed=1)
    fate = outcome.fate(outcome.batches[0])
    stages = stage_costs(plan, "A", fate, Week.parse(delivered))
    bench = footprint(plan, "A", fate, Week.parse(delivered), Week.parse("2027-W18"))[1]
    assert stages.shape == (64,)
    flow = cash_flow(outcome)
    free = plan.replace(price_list=tuple(row.replace(unit_price=0, freight_per_box=0) for row in plan.price_list))
    unsold = priced(free, {"A": {"sale_price": 0, "markdown_price": 0, "yearly_fall": None, "lowest_price": None}})
    no_rent = unsold.replace(places=tuple(row.replace(cost_per_m2_week=0) for row in plan.places))
    assert np.allclose(-flow_of(no_rent, [("A", delivered, 500)], draws=64).margin, 500 * stages, rtol=1e-9)
    every = -flow_of(unsold, [("A", delivered, 500)], draws=64).margin
    assert every.mean() == pytest.approx(500 * (stages.mean() + bench), rel=1e-6)
    assert stages.mean() * 500 == pytest.approx(-flow.entries().query("what in ['stages', 'work']")["amount"].sum())


def test_what_a_plantlet_costs_by_hand_and_beside_the_cost_used_for_sizing_orders():
    """Of the season by hand: stages and work 0.6; bench 2 weeks at 0.02, 3 at 0.02 and in week 8 another 0.02."""
    plan = by_hand()
    fate = forecast.simulate(plan, ORDERS, draws=8, seed=1)
    fate = fate.fate(fate.batches[0])
    assert np.allclose(stage_costs(plan, "A", fate, Week.parse("2027-W03")), 0.6)
    assert footprint(plan, "A", fate, Week.parse("2027-W03"), Week.parse("2027-W09"))[1] == pytest.approx(0.12)
    one, bench = growing_costs(plan, "A", fate, Week.parse("2027-W09"), 6)
    assert (one, bench[-1]) == pytest.approx((0.6, 0.12))
    assert np.allclose(stage_costs(plan, "A", fate, Week.parse("2027-W11")), 0.6)
    bench = footprint(plan, "A", fate, Week.parse("2027-W11"), Week.parse("2027-W09"))[1]
    assert bench == pytest.approx(0.08)  # in the yard in the weeks 13 and 14, when the season ends


def test_after_the_season_no_stage_is_paid():
    """Delivered in week 13 of 14: weaned in the weeks 13 and 14, and potted on after it."""
    plan = by_hand()
    outcome = forecast.simulate(plan, [("A", "2027-W13", 100)], draws=8, seed=1)
    fate = outcome.fate(outcome.batches[0])
    assert np.allclose(stage_costs(plan, "A", fate, Week.parse("2027-W13")), 0.3)
    assert footprint(plan, "A", fate, Week.parse("2027-W13"), Week.parse("2027-W10"))[1] == pytest.approx(0.04)
    assert cash_flow(outcome).margin == pytest.approx(-200 - 30 - 30 - 4)


HOUSE = [{"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 2}]
SIXTY = [{"variety": "A", "week": "2027-W05", "target": 60}]


def plan_of(prices=None, **cells):
    usual = {"places": HOUSE, "targets": SIXTY, "varieties": "AB", "hourly_wage": 12, "weeks": 6}
    made = season([stage(typical=2, survival=1, cost=0.1, minutes=1)], **usual | cells)
    return priced(made, {"A": PRICES["A"]} if prices is None else prices)


def cash_of(*weeks) -> CashFlow:
    """The cash of a season of so many weeks, written by hand: each row is a week, each column a draw."""
    flow = flow_of(plan_of(weeks=len(weeks), targets=()), [("A", "2027-W01", 0)])
    return replace(flow, cash=np.array(weeks, dtype=float))


def test_every_entry_is_in_the_order_of_weeks_and_then_of_orders_varieties_and_stages():
    """Orders are told in the order of their varieties, also where they were given in another."""
    offers = [offer(name, unit_price=2, deposit=0.5, freight_per_box=10, plants_per_box=40) for name in "AB"]
    flow = flow_of(plan_of(price_list=offers), [("B", "2027-W02", 50), ("A", "2027-W02", 100)])
    first, second, fourth, fifth = ("2027-W01", "2027-W02", "2027-W04", "2027-W05")
    rows = [
        (first, "A", "Lab", "deposit", "price_list", 2, -100.0),
        (first, "B", "Lab", "deposit", "price_list", 3, -50.0),
        (second, "A", "Lab", "balance", "price_list", 2, -100.0),
        (second, "A", "Lab", "freight", "price_list", 2, -80 / 3),
        (second, "B", "Lab", "balance", "price_list", 3, -50.0),
        (second, "B", "Lab", "freight", "price_list", 3, -40 / 3),
    ]
    for name, number in (("A", 1), ("B", 0.5)):
        rows += [
            (second, name, "", "stages", "stages", 2, -10.0 * number),
            (second, name, "", "work", "stages", 2, -20.0 * number),
            (second, name, "", "bench", "places", 2, -2.0 * number),
        ]
    third = "2027-W03"
    rows += [(third, name, "", "bench", "places", 2, -2.0 * number) for name, number in (("A", 1), ("B", 0.5))]
    rows += [
        (fourth, "A", "", "bench", "places", 2, -2.0),
        (fourth, "B", "", "bench", "places", 2, -1.0),
        (fifth, "A", "", "sales", "targets", 2, 360.0),
        (fifth, "A", "", "markdown", "varieties", 2, 80.0),
        (fifth, "B", "", "bench", "places", 2, -1.0),
        ("2027-W06", "B", "", "bench", "places", 2, -1.0),
    ]
    columns = ["week", "variety", "lab", "what", "table", "row", "amount"]
    pd.testing.assert_frame_equal(flow.entries(), pd.DataFrame(rows, columns=columns))
    table = flow.by_variety()
    assert table.columns.tolist() == ["variety", "income", "outlay", "margin"]
    assert table["variety"].tolist() == ["A", "B"]


def test_changing_the_reported_entries_changes_nothing_of_the_flow():
    flow = flow_of(plan_of(), [("A", "2027-W02", 10)])
    told = flow.entries()
    told["amount"] = 0.0
    assert (flow.entries()["amount"] != 0).all()
    assert "deposit" not in repr(flow)  # nor is the table written wherever the flow is


def test_cash_by_week_is_reported_to_the_cent():
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


def test_losses_and_the_mean_of_the_worst_tenth_by_hand():
    """Margins -200, -190 ... 200 of 41 draws: the worst tenth is 4.1 draws, -200 to -170 and a tenth of -160."""
    margin = np.arange(-200.0, 201, 10)
    flow = cash_of(np.full(41, -500.0), margin)
    worst = (-200 - 190 - 180 - 170 - 16) / 4.1
    assert flow.worst_tenth() == flow.worst_tenth(0.1) == pytest.approx(worst)
    assert flow.chance_of_loss == 20 / 41


def test_a_season_without_orders_earns_nothing_and_loses_nothing():
    flow = flow_of(plan_of(), [("A", "2027-W02", 0)])
    assert flow.entries().empty
    assert (flow.chance_of_loss, flow.worst_tenth(), flow.low_point.median, str(flow.low_point.week)) == (
        0, 0, 0, "2027-W01",
    )  # fmt: skip


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


def test_plants_of_which_none_is_needed_are_there_until_they_are_past_their_best():
    for life, weeks in ((3, 3), (None, 40)):
        arrival = season([stage("arrival", survival=1)], places=HOUSE, saleable_weeks=life)
        assert flow_of(arrival, [("A", "2027-W01", 100)]).entries()["what"].tolist() == ["balance", *["bench"] * weeks]


def test_what_is_needed_in_the_first_week_is_sold_in_it_and_the_rest_marked_down():
    target = [{"variety": "A", "week": "2027-W01", "target": 60}]
    made = season(
        [stage("arrival", survival=1)], targets=target, places=HOUSE, price_list=[offer(deposit=0.5)], weeks=3
    )
    made = made.replace(varieties=[made.varieties[0].replace(sale_price=6, markdown_price=2)])
    flow = flow_of(made, [("A", "2027-W01", 100)])
    rows = flow.entries()[["week", "what", "amount"]].to_numpy().tolist()
    assert rows == [["2027-W01", what, amount] for what, amount in (
        ("deposit", -50), ("balance", -50), ("sales", 360), ("markdown", 80)
    )]  # fmt: skip


# --- orders that no price-list line covers


def lines_of(plan, orders):
    return refused(flow_of, plan, orders).splitlines()


def test_the_next_number_that_is_reported_is_the_smallest_of_all_labs_that_deliver_then():
    offers = [offer(minimum=900), offer(lab="Far", multiple=750), offer(lab="Near", minimum=500, first_week="2027-W03")]
    plan = plan_of(price_list=[*offers, offer(lab="Late", minimum=450, first_week="2027-W04")], prices={}, targets=())
    said = "no price-list line covers 400 of A for 2027-W{}. The next number that is accepted is {}."
    for late, number in (("02", 750), ("03", 500), ("04", 450)):
        told = lines_of(plan, [("A", f"2027-W{late}", 400)])
        assert told == [f"orders, quantity, 400: {said.format(late, number)}"]
    told = lines_of(plan, [("A", "2027-W03", 1600, "Far")])
    assert told == [
        "orders, quantity, 1600: no price-list line covers 1,600 of A for 2027-W03 from Far. "
        "The next number that is accepted is 2,250."
    ]


def test_the_weeks_of_delivery_are_reported_once_each_in_their_order():
    offers = [
        offer(first_week="2027-W05", last_week="2027-W06"),
        offer(first_week="2027-W03", last_week="2027-W04", lab="Far"),
        offer(first_week="2027-W01", last_week="2027-W04", lead_weeks=2, lab="Near"),
    ]
    assert lines_of(plan_of(price_list=offers, prices={}, targets=()), [("A", "2027-W02", 10)]) == [
        "orders, week, '2027-W02': no price-list line covers 10 of A for 2027-W02. "
        "Ordered in 2027-W01, it can come in 2027-W03 to 2027-W04 or 2027-W05 to 2027-W06."
    ]


def test_a_row_is_reported_only_of_orders_that_are_the_seasons_own():
    """Two rows of one batch, 30 and 40, are told by the first; other orders stand in no row."""
    rows = [
        {"variety": "B", "week": "2027-W02", "quantity": 5},
        {"variety": "A", "week": "2027-W02", "quantity": 30},
        {"variety": "A", "week": "2027-W02", "quantity": 40},
    ]
    plan = plan_of(price_list=[offer(minimum=100), offer("B")], prices={}, targets=(), orders=rows)
    said = "of A for 2027-W02. The next number that is accepted is 100."
    assert lines_of(plan, None) == [f"orders, row 3, column quantity, 70: no price-list line covers 70 {said}"]
    assert lines_of(plan, [("A", "2027-W02", 60)]) == [f"orders, quantity, 60: no price-list line covers 60 {said}"]


def test_only_varieties_that_are_ordered_and_needed_need_a_price():
    target = [*SIXTY, {"variety": "C", "week": "2027-W05", "target": 5}]
    plan = plan_of(targets=target, varieties="ABCD", prices={})
    assert lines_of(plan, [("A", "2027-W02", 5), ("B", "2027-W02", 5)]) == [
        "varieties, row 2, column sale_price: a target needs it. Fill in the price at which it is sold."
    ]


def test_what_was_ordered_is_what_is_paid_where_a_lab_sells_plantlets_and_plugs():
    """Plantlets cost 100 and three boxes at 5; plugs cost 101 and share one box at 45 with those of another variety."""
    plugs = {"form": "plugs", "unit_price": 1.01, "freight_per_box": 45, "plants_per_box": 4000}
    plantlets = {"form": "plantlets", "unit_price": 1.0, "freight_per_box": 5, "plants_per_box": 40}
    labs = [offer("A", **plantlets), offer("A", **plugs), offer("B", **plugs)]
    asked = [{"variety": name, "week": "2027-W12", "target": 100} for name in "AB"]
    plan = season([stage(typical=4, survival=1)], varieties="AB", price_list=labs, targets=asked)
    plan = priced(plan, {name: {"sale_price": 9} for name in "AB"})
    lists = [PriceList.of(plan.price_lines(name))[-1] for name in "AB"]
    sent = [Shipment(prices, Week(2027, 5), 100) for prices in lists]
    for orders, due in ((sent, 202 + 45), ([one.delivery for one in sent], 100 + 3 * 5 + 101 + 45)):
        outcome = forecast.simulate(plan, orders, draws=4, seed=1)  # rows name no offer: each is the cheapest alone
        assert -sum(float(line.amounts.sum()) for line in bought(outcome)) == pytest.approx(due)
        assert forecast.cash_flow(outcome).margin == pytest.approx(np.full(4, 1800.0 - due))
    assert bill(sent).total == pytest.approx(202 + 45)


def test_rows_of_a_variety_from_one_lab_in_one_week_are_paid_as_one():
    """200 and 220 at 2 in a box of 250 at 30 each would be 900; 420 reach the break at 1.60 and fill two boxes: 732."""
    boxed = {"plants_per_box": 250, "freight_per_box": 30}
    breaks = [offer("A", unit_price=2, **boxed), offer("A", unit_price=1.6, from_quantity=400, **boxed)]
    plan = season([stage(survival=1)], price_list=breaks)
    for labs in (("Lab", "Lab"), ("Lab", None), (None, None)):
        rows = [{"variety": "A", "week": "2027-W03", "quantity": n, "lab": lab}
                for n, lab in zip((200, 220), labs, strict=True)]  # fmt: skip
        flow = flow_of(plan.replace(orders=rows), None)
        assert told(flow, "A") == [(3, "balance", "price_list 3", -672), (3, "freight", "price_list 3", -60)]
        assert flow.margin == pytest.approx(np.full(8, -732.0))
