"""Price lists against a search through every quantity."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from random_seasons import orderable, price_lists, tier
from small_seasons import offer

from forecast.ordering.price_breaks import PriceList
from forecast.ordering.shipments import Shipment, bill
from forecast.season.price_list import PriceLine
from forecast.weeks import Week

some = settings(max_examples=200, deadline=None, derandomize=True)


def made(rows):
    (prices,) = PriceList.of(PriceLine(**row) for row in rows)
    return prices


def bill_of(prices, quantity):
    return bill([Shipment(prices, Week(2027, 1), quantity)])


@some
@given(rows=price_lists(), asked=st.integers(0, 200))
def test_the_smallest_lawful_quantity_is_the_first_that_the_lab_accepts(rows, asked):
    assert made(rows).orderable(asked) == next(n for n in range(max(asked, 1), 1000) if orderable(rows, n))


@some
@given(rows=price_lists(), quantity=st.integers(6, 300))
def test_the_price_of_the_last_break_reached_holds_for_all_plants(rows, quantity):
    row = tier(rows, quantity)
    boxes = -(-quantity // row["plants_per_box"]) if row["plants_per_box"] else 0
    assert bill_of(made(rows), quantity).price == pytest.approx(quantity * row["unit_price"])
    assert bill_of(made(rows), quantity).freight == boxes * row.get("freight_per_box", 0)


@some
@given(rows=price_lists(), needed=st.integers(1, 200))
def test_no_lawful_quantity_is_cheaper_than_those_worth_buying(rows, needed):
    prices = made(rows)

    found = min(bill_of(prices, n).total for n in prices.worth_buying(prices.orderable(needed)))
    assert found == pytest.approx(min(bill_of(prices, n).total for n in range(needed, 600) if orderable(rows, n)))


def test_all_units_price_breaks_make_101_cheaper_than_100():
    """Prices 100, 90 and 85 from 1, 101 and 301, as in the quantity discounts of any textbook."""
    breaks = [offer(from_quantity=start, unit_price=price) for start, price in ((1, 100), (101, 90), (301, 85))]
    prices = made(breaks)
    assert [bill_of(prices, n).price for n in (100, 101, 300, 301)] == [10000, 9090, 27000, 25585]
    assert prices.worth_buying(100) == [100, 101, 301]


def test_rows_of_different_forms_or_weeks_are_different_offers():
    rows = [offer(form="plug"), offer(form="liner"), offer(form="plug", first_week="2027-W02")]
    assert len(PriceList.of(PriceLine(**row) for row in rows)) == 3


def test_a_delivery_comes_no_sooner_than_the_lead_and_no_later_than_it_is_needed():
    row = PriceLine(**offer(lead_weeks=6, first_week="2027-W04", last_week="2027-W12"))
    (prices,) = PriceList.of([row])
    first = row.first_week + -3
    assert [str(week) for week in prices.weeks(first, first + 8)] == ["2027-W07", "2027-W08", "2027-W09"]


def test_price_lists_come_in_the_order_of_the_offers_and_their_breaks_in_that_of_quantities():
    rows = [
        offer(lab="Far", from_quantity=50),
        offer(lab="Near"),
        offer(lab="Far", unit_price=2),
        offer(lab="Far", lead_weeks=3),
        offer(lab="Far", form="plug"),
        offer(lab="Far", last_week="2027-W20"),
    ]
    lists = PriceList.of(PriceLine(**row) for row in rows)
    assert [one.lab for one in lists] == ["Far", "Near", "Far", "Far", "Far"]
    assert [[row.from_quantity for row in one.breaks] for one in lists] == [[1, 50], [1], [1], [1], [1]]


def test_there_are_no_weeks_of_delivery_before_the_first_or_if_it_is_needed_earlier():
    (prices,) = PriceList.of([PriceLine(**offer(first_week="2027-W04", last_week="2027-W06"))])
    first = prices.breaks[0].first_week
    assert [str(week) for week in prices.weeks(first + -3, first)] == ["2027-W04"]
    assert list(prices.weeks(first + -3, first + -1)) == []
    assert [str(week) for week in prices.weeks(first + 2, first + 9)] == ["2027-W06"]


BREAKS = [
    offer(from_quantity=20, unit_price=3, minimum=30, multiple=7, freight_per_box=9, plants_per_box=10),
    offer(from_quantity=50, unit_price=2, multiple=5),
    offer(from_quantity=60, unit_price=1, minimum=80, multiple=40),
]


@pytest.mark.parametrize(
    ("asked", "accepted"),
    [
        *((0, 35), (19.2, 35), (35, 35), (35.5, 42), (42, 42), (43, 49), (49, 49), (49.1, 50), (50, 50), (51, 55)),
        *((55, 55), (56, 80), (60, 80), (80, 80), (81, 120)),
    ],
)
def test_each_break_has_its_smallest_order_and_its_multiple(asked, accepted):
    """From 20 on 35, 42 and 49; from 50 on 50 and 55; from 60 on 80, 120 and so on."""
    assert made(BREAKS).orderable(asked) == accepted


@pytest.mark.parametrize(
    ("most", "orderable"),
    [
        (34, []),
        (35, [(3, [35])]),
        (49, [(3, [35, 42, 49])]),
        (50, [(3, [35, 42, 49]), (2, [50])]),
        (79, [(3, [35, 42, 49]), (2, [50, 55])]),
        (120, [(3, [35, 42, 49]), (2, [50, 55]), (1, [80, 120])]),
    ],
)
def test_the_quantities_under_each_price_end_before_the_next_and_at_the_most(most, orderable):
    assert [(row.unit_price, list(numbers)) for row, numbers in made(BREAKS).ranges(most)] == orderable


def test_the_row_of_an_order_is_the_last_break_that_it_reaches_and_the_first_below_all():
    prices = made(BREAKS)
    assert [prices.row(n).unit_price for n in (1, 19, 20, 49, 50, 59, 60, 99)] == [3, 3, 3, 3, 2, 2, 1, 1]
    assert prices.worth_buying(35) == [35, 50, 80]
    assert prices.worth_buying(50) == [50, 80]
    assert prices.worth_buying(60) == [60]
    assert [bill_of(prices, n).freight for n in (40, 41, 50, 80)] == [36, 45, 0, 0]


def test_a_break_of_which_no_quantity_is_accepted_gives_way_to_the_next():
    prices = made([offer(from_quantity=20, multiple=100), offer(from_quantity=50)])
    assert [prices.orderable(n) for n in (1, 20, 50, 51)] == [50, 50, 50, 51]
    assert [(row.from_quantity, list(numbers)) for row, numbers in prices.ranges(52)] == [(50, [50, 51, 52])]
