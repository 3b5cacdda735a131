"""Rows of the price list."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from refusals import refused_lines

from forecast import Week
from forecast.season.cells import two_ways
from forecast.season.price_list import PriceLine

OFFER = {"lab": "Lab", "variety": "A", "unit_price": 1.2, "first_week": "2027-W08", "last_week": "2027-W16"}


@given(st.from_regex(r"[1-9][0-9]{0,2}[.,][0-9]{3}", fullmatch=True))
def test_the_two_meanings_of_a_number_are_both_offered_in_a_form_that_has_one(text: str) -> None:
    remedy = two_ways(text)
    assert remedy is not None
    whole, decimal = remedy.removeprefix("Write ").removesuffix(", whichever is meant.").split(" or ")
    assert float(whole) == float(text.replace(",", "").replace(".", ""))
    assert float(decimal) == float(text.replace(",", "."))
    assert two_ways(whole) is two_ways(decimal) is None


def test_an_offer_ends_after_it_begins() -> None:
    told = refused_lines(PriceLine, **OFFER | {"last_week": "2027-W07"})
    assert told == ["PriceLine, last_week, '2027-W07': before first_week, 2027-W08. Swap or correct the two."]
    assert PriceLine(**OFFER | {"last_week": "2027-W08"}).last_week == Week(2027, 8)


def test_freight_by_the_box_needs_its_size() -> None:
    assert refused_lines(PriceLine, **OFFER | {"freight_per_box": 18}) == [
        "PriceLine, plants_per_box: required when freight_per_box is above 0. Write how many plants a box holds."
    ]
    assert PriceLine(**OFFER | {"freight_per_box": 18, "plants_per_box": 500}).plants_per_box == 500


@pytest.mark.parametrize("column", ["from_quantity", "minimum", "multiple", "plants_per_box"])
def test_plants_of_an_offer_are_whole_and_at_least_one(column: str) -> None:
    assert refused_lines(PriceLine, **OFFER | {column: 0}) == [f"PriceLine, {column}, 0: below 1. Write at least 1."]
    assert refused_lines(PriceLine, **OFFER | {column: 2.5}) == [
        f"PriceLine, {column}, 2.5: not a whole number. Write 2 or 3."
    ]
