"""Price lists against a search through every quantity."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from random_seasons import lawful, price_lists, tier
from small_seasons import offer

from forecast.decisions.prices import PriceList
from forecast.season.rows import Offer

some = settings(max_examples=200, deadline=None, derandomize=True)


def made(rows):
    (prices,) = PriceList.of(Offer(**row) for row in rows)
    return prices


@some
@given(rows=price_lists(), asked=st.integers(0, 200))
def test_the_smallest_lawful_quantity_is_the_first_that_the_lab_accepts(rows, asked):
    assert made(rows).lawful(asked) == next(n for n in range(max(asked, 1), 1000) if lawful(rows, n))


@some
@given(rows=price_lists(), quantity=st.integers(6, 300))
def test_the_price_of_the_last_break_reached_holds_for_all_plants(rows, quantity):
    row = tier(rows, quantity)
    boxes = -(-quantity // row["plants_per_box"]) if row["plants_per_box"] else 0
    assert made(rows).price(quantity) == pytest.approx(quantity * row["unit_price"])
    assert made(rows).freight(quantity) == boxes * row.get("freight_per_box", 0)


@some
@given(rows=price_lists(), needed=st.integers(1, 200))
def test_no_lawful_quantity_is_cheaper_than_those_worth_buying(rows, needed):
    prices = made(rows)

    def bill(quantity):
        return prices.price(quantity) + prices.freight(quantity)

    found = min(map(bill, prices.worth_buying(prices.lawful(needed))))
    assert found == pytest.approx(min(bill(n) for n in range(needed, 600) if lawful(rows, n)))


def test_all_units_price_breaks_make_101_cheaper_than_100():
    """Prices 100, 90 and 85 from 1, 101 and 301, as in the quantity discounts of any textbook."""
    breaks = [offer(from_quantity=start, unit_price=price) for start, price in ((1, 100), (101, 90), (301, 85))]
    prices = made(breaks)
    assert [prices.price(n) for n in (100, 101, 300, 301)] == [10000, 9090, 27000, 25585]
    assert prices.worth_buying(100) == [100, 101, 301]


def test_rows_of_different_forms_or_weeks_are_different_offers():
    rows = [offer(form="plug"), offer(form="liner"), offer(form="plug", first_week="2027-W02")]
    assert len(PriceList.of(Offer(**row) for row in rows)) == 3


def test_a_delivery_comes_no_sooner_than_the_lead_and_no_later_than_it_is_needed():
    row = Offer(**offer(lead=6, first_week="2027-W04", last_week="2027-W12"))
    (prices,) = PriceList.of([row])
    first = row.first_week + -3
    assert [str(week) for week in prices.weeks(first, first + 8)] == ["2027-W07", "2027-W08", "2027-W09"]
