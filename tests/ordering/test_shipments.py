"""Shipments priced together, by hand: price breaks, deposits, whole boxes that are shared, and cents."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_seasons import offer, season, stage

import forecast
from forecast.errors import Refused
from forecast.fates.fate import Batch
from forecast.ordering.price_breaks import PriceList
from forecast.ordering.shipments import Box, Shipment, bill, placed, shipment_of
from forecast.season.orders import Delivery
from forecast.season.price_list import PriceLine
from forecast.weeks import Week

WEEK = Week(2027, 3)
BOX = {"freight_per_box": 10, "plants_per_box": 50}


def shipped(quantity, *breaks, week=WEEK, **cells):
    (prices,) = PriceList.of(PriceLine(**offer(**cells | one)) for one in breaks or ({},))
    return Shipment(prices, week, quantity)


def test_a_shipment_has_the_price_and_the_boxes_of_the_break_it_reaches():
    breaks = BOX, {"from_quantity": 60, "unit_price": 0.9, "plants_per_box": 40, "freight_per_box": 7}
    few, many = shipped(50, *breaks), shipped(60, *breaks)
    assert (few.price, few.box) == (50, Box("Lab", WEEK, 10, 50))
    assert (many.price, many.box) == (54, Box("Lab", WEEK, 7, 40))
    assert shipped(50).box is None
    order = many.delivery
    assert (order.variety, order.week, order.quantity, order.lab) == ("A", WEEK, 60, "Lab")


def test_a_box_counts_what_is_filled_sent_and_paid():
    """100 plantlets fill two boxes of fifty, 101 need a third; of numbers in an array, each is counted."""
    box = Box("Lab", WEEK, 10.0, 50)
    sizes = np.array([0, 1, 50, 101])
    assert (box.parts(75), box.whole(100), box.whole(101), box.cost(101)) == (1.5, 2, 3, 30)
    assert [box.parts(sizes).tolist(), box.whole(sizes).tolist()] == [[0, 0.02, 1, 2.02], [0, 1, 1, 3]]
    assert (box.cost(sizes).tolist(), box.each) == ([0, 10, 10, 30], 0.2)
    assert [box.fewer(n) for n in (50, 51, 100, 101)] == [0, 50, 50, 100]


def test_a_bill_has_a_row_for_each_shipment():
    """The table of an order is made where it is priced."""
    found = bill([shipped(30, deposit=0.25, unit_price=2), shipped(45, variety="B", lab="Other lab")]).table()
    assert found[["lab", "week", "variety", "quantity"]].to_numpy().tolist() == [
        ["Lab", str(WEEK), "A", 30], ["Other lab", str(WEEK), "B", 45],
    ]  # fmt: skip
    assert found[["unit_price", "price", "deposit", "balance"]].to_numpy().tolist() == [[2, 60, 15, 45], [1, 45, 0, 45]]


def test_plantlets_of_one_lab_and_week_share_boxes_of_one_size_and_freight():
    """30 and 45 of fifty are a box and a half, so two; another lab, week, size or freight has boxes of its own."""
    first = shipped(30, **BOX)
    assert bill([first]).freight == 10
    assert bill([first, shipped(45, variety="B", **BOX)]).freight == 20
    assert bill([first, shipped(70, variety="B", **BOX)]).freight == 20  # full to the plant
    for other, freight in (({"lab": "Other lab"}, 20), ({"freight_per_box": 12}, 22), ({"plants_per_box": 60}, 20)):
        assert bill([first, shipped(20, **BOX | other)]).freight == freight
    assert bill([first, shipped(20, week=WEEK + 1, **BOX)]).freight == 20
    assert bill([first, shipped(20)]).boxes == {Box("Lab", WEEK, 10, 50): 1}
    assert bill([]).total == 0


def test_each_shipment_pays_its_deposit_its_balance_and_its_part_of_the_freight():
    """A quarter of 30 and of 90 is paid when ordering; 120 plantlets fill three boxes, of which one pays a quarter."""
    found = bill([shipped(30, deposit=0.25, **BOX), shipped(90, variety="B", deposit=0.25, **BOX)])
    assert [charge[1:] for charge in found.charges] == [(30, 7.5, 22.5, 7.5), (90, 22.5, 67.5, 22.5)]
    assert (found.price, found.freight, found.total) == (120, 30, 150)
    assert [charge[1:] for charge in bill([shipped(7, unit_price=2)]).charges] == [(14, 0, 14, 0)]


BREAK = {"unit_price": 2}, {"unit_price": 1.6, "from_quantity": 400}
BOXED = {"plants_per_box": 250, "freight_per_box": 30}


def test_what_one_lab_sends_of_one_price_list_in_one_week_is_one_line():
    """200 and 220 cost 400 + 30 and 440 + 30 apart; together 420 at 1.60, in two boxes, 672 + 60."""
    rows = [shipped(number, *BREAK, **BOXED) for number in (200, 220)]
    assert sum(bill([one]).total for one in rows) == 900
    found = bill(rows)
    assert found.total == 732
    assert [(charge.shipment.quantity, *charge[1:]) for charge in found.charges] == [(420, 672, 0, 672, 60)]
    assert found.table()[["quantity", "unit_price", "price"]].to_numpy().tolist() == [[420, 1.6, 672]]
    assert found.boxes == {Box("Lab", WEEK, 30, 250): 2}


def test_three_rows_of_a_list_reach_the_price_break_of_their_sum():
    """7,500, 7,000 and 7,000 are 21,500: over the break at 20,000, so at 0.40 and not 0.50."""
    breaks = {"unit_price": 0.5}, {"unit_price": 0.4, "from_quantity": 20_000}
    found = bill(shipped(number, *breaks) for number in (7_500, 7_000, 7_000))
    assert (found.total, len(found.charges)) == (8_600, 1)
    for other in ({"week": WEEK + 1}, {"variety": "B"}, {"lab": "Other lab"}, {"form": "plug"}):
        apart = bill([shipped(14_500, *breaks), shipped(7_000, *breaks, **other)])
        assert (apart.total, len(apart.charges)) == (10_750, 2)


def test_lines_stay_in_the_order_of_their_first_shipments_whatever_comes_between():
    one, other = shipped(30, *BREAK), shipped(50, *BREAK, variety="B")
    found = bill([one, other, shipped(370, *BREAK)])
    assert [(charge.shipment.variety, charge.shipment.quantity, charge.price) for charge in found.charges] == [
        ("A", 400, 640), ("B", 50, 100),
    ]  # fmt: skip


def test_in_cents_deposit_and_balance_make_up_the_price_and_freight_the_whole_boxes():
    """Three shipments of 10 share a box at 10: 3.33, 3.34 and 3.33; of 4.11 a third is 1.37, which leaves 2.74."""
    found = bill([shipped(10, deposit=1 / 3, unit_price=0.4111, **BOX | {"variety": name}) for name in "ABC"])
    cents = list(found.in_cents())
    assert [charge.freight for charge in cents] == [3.33, 3.34, 3.33]
    assert [charge[1:4] for charge in cents] == [(4.11, 1.37, 2.74)] * 3
    assert all(charge.shipment is one.shipment for charge, one in zip(cents, found.charges, strict=True))


@settings(max_examples=100, deadline=None, derandomize=True)
@given(
    plants=st.lists(st.integers(1, 500), min_size=1, max_size=8),
    size=st.integers(1, 300),
    freight=st.decimals(0, 90, places=2).map(float),
)
def test_shares_of_freight_in_cents_add_up_to_whole_boxes(plants, size, freight):
    boxed = {"plants_per_box": size, "freight_per_box": freight}
    found = bill(shipped(number, variety=f"number {at}", **boxed) for at, number in enumerate(plants))
    assert len(found.charges) == len(plants)
    whole = math.ceil(sum(plants) / size) * freight
    assert found.freight == pytest.approx(whole)
    assert sum(charge.freight for charge in found.charges) == pytest.approx(whole)
    assert sum(charge.freight for charge in found.in_cents()) == pytest.approx(whole, abs=1e-6)


OFFERS = [
    offer(lab="Near", unit_price=2, multiple=5, lead_weeks=2, first_week="2027-W01", last_week="2027-W09"),
    offer(lab="Far", unit_price=1, freight_per_box=60, plants_per_box=100, first_week="2027-W05"),
]


def ordered(quantity, week="2027-W06", lab=None, variety="A"):
    return Delivery(variety=variety, week=week, quantity=quantity, lab=lab)


@pytest.mark.parametrize(
    ("order", "lab"),
    [
        (ordered(50), "Near"),
        (ordered(65), "Far"),
        (ordered(51), "Far"),
        (ordered(50, lab="Far"), "Far"),
        (ordered(50, "2027-W04"), "Near"),
    ],
)
def test_an_order_is_the_cheapest_shipment_with_freight_that_its_lab_accepts(order, lab):
    """50 cost 100 near and 110 far, 65 cost 130 and 125; 51 are no multiple of five."""
    plan = season([stage()], varieties="AB", price_list=OFFERS)
    found = shipment_of(plan, order)
    assert (found.lab, found.week, found.quantity) == (lab, order.week, order.quantity)
    batch = Batch(order.variety, 1, order.week, order.quantity, order.lab)
    assert shipment_of(plan, batch) == found


@pytest.mark.parametrize(
    ("order", "column", "value", "remedy"),
    [
        (ordered(51, "2027-W04"), "quantity", 51, "The next number that is accepted is 55."),
        (ordered(50, "2027-W02"), "week", "2027-W02", "can come in 2027-W03 to 2027-W09 or 2027-W05 to "),
        (ordered(50, "2027-W06", "Nobody"), "lab", "Nobody", "Labs that offer it: Far, Near."),
        (ordered(50, variety="B"), "lab", None, "No lab offers it: add it to the price list"),
    ],
)
def test_an_order_that_no_offer_covers_is_refused_with_what_would_be_accepted(order, column, value, remedy):
    known = order.variety == "A" and order.lab is None  # else the season would not hold it
    plan = season([stage()], varieties="AB", price_list=OFFERS, orders=[order] if known else [])
    with pytest.raises(Refused) as refused:
        shipment_of(plan, order)
    (fault,) = refused.value.faults
    assert (fault.table, fault.column, fault.value) == ("orders", column, value)
    assert fault.row == (2 if known else None)
    assert remedy in fault.remedy


PLACED = [
    ordered(33, "2027-W02", "Near"),
    ordered(12, "2027-W02", "Near"),
    ordered(30, "2027-W02", "Near").replace(placed="no"),
    ordered(51, "2027-W06"),
    ordered(70, "2027-W06", "Far"),
]


def placed_orders(*rows):
    return [row if row.placed else row.replace(placed="yes") for row in rows]


def test_what_is_ordered_already_has_any_number_and_comes_sooner_than_if_it_were_ordered_now():
    """Near takes multiples of five and two weeks; of 51, no lab named, it sends 51 at 2, and Far at 1 and 60 a box."""
    plan = season([stage()], varieties="AB", price_list=OFFERS, orders=placed_orders(*PLACED))
    found = placed(plan)
    assert [(str(one.week), one.lab, one.quantity) for one in found] == [
        ("2027-W02", "Near", 45), ("2027-W06", "Far", 70), ("2027-W06", "Near", 51),
    ]  # fmt: skip
    assert bill(found).total == 45 * 2 + 70 + 60 + 51 * 2
    assert placed(plan.replace(orders=[row.replace(placed=None) for row in plan.orders])) == ()
    assert placed(plan.replace(orders=())) == ()


def test_orders_that_are_placed_are_paid_for_as_they_are_and_others_must_be_orderable():
    plan = season([stage()], price_list=OFFERS, orders=placed_orders(*PLACED[:2]))
    flow = forecast.cash_flow(forecast.simulate(plan, draws=4, seed=1))
    assert flow.margin == pytest.approx(np.full(4, -90.0))
    again = forecast.cash_flow(forecast.simulate(plan, placed(plan), draws=4, seed=1))
    assert again.margin == pytest.approx(flow.margin)
    mixed = plan.replace(orders=placed_orders(*PLACED[:3]))  # of one batch, not all is placed
    with pytest.raises(Refused, match="no price-list line covers 75"):
        forecast.cash_flow(forecast.simulate(mixed, draws=4, seed=1))


def test_an_order_that_is_placed_with_a_lab_outside_of_its_list_has_the_price_of_the_list():
    plan = season([stage()], price_list=OFFERS, orders=placed_orders(ordered(20, "2027-W30", "Near")))
    assert [(one.lab, one.price) for one in placed(plan)] == [("Near", 40)]
