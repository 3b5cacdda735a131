"""What a cell may hold, and that a row is a value."""

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError
from refusals import faults_of, refused, refused_lines

from forecast import Refused, Week
from forecast.season.cells import LEAST, Minutes, Row, two_ways
from forecast.season.orders import Delivery
from forecast.season.places import Place
from forecast.season.price_list import PriceLine
from forecast.season.targets import Target
from forecast.season.varieties import Variety

OFFER = {"lab": "Lab", "variety": "A", "unit_price": 1.2, "first_week": "2027-W08", "last_week": "2027-W16"}
WANTED = {"variety": "A", "week": "2027-W40", "target": 100}


def test_a_row_lists_all_its_faults_at_once() -> None:
    assert refused_lines(Place, place="", area=0, usable=60, colour="green") == [
        "Place, place, '': this cell is empty but required. Fill it in.",
        "Place, area, 0: not above 0. Write a number above 0.",
        "Place, usable, 60: a share lies between 0 and 1. For 60 % write 0.6.",
        "Place, colour, 'green': not a known column. "
        "Known names: place, area, usable, cost_per_m2_week, "
        "warmer_by, held_above, shaded_by, first_week, last_week, note.",
    ]


@pytest.mark.parametrize("cells", [{}, {"quantity": None}])
def test_a_cell_that_is_needed_is_named(cells: dict[str, Any]) -> None:
    assert refused_lines(Delivery, variety="A", week="2027-W14", **cells) == [
        "Delivery, quantity: this cell is empty but required. Fill it in."
    ]


@pytest.mark.parametrize(
    "number", [True, False, math.inf, -math.inf, math.nan, "1e400", "--1", "1_000", "0x10", "", [1]]
)
@pytest.mark.parametrize(("kind", "column"), [("area", "area"), ("usable", "usable"), ("quantity", "quantity")])
def test_what_is_no_number_is_never_taken_for_one(kind: str, column: str, number: object) -> None:
    cells: dict[str, Any] = {"place": "house", "area": 10, "usable": 1}
    row: type[Row] = Place
    if kind == "quantity":
        row, cells = Delivery, {"variety": "A", "week": "2027-W14"}
    assert [fault.column for fault in faults_of(row, **cells | {column: number})] == [column]


@pytest.mark.parametrize("number", [5, 5.0, "5", " 5 ", "+5", "5.", "5e0", np.int64(5), np.float64(5)])
def test_a_whole_number_may_be_written_in_many_ways(number: object) -> None:
    row = Delivery(variety="A", week="2027-W14", quantity=number)
    assert (row.quantity, type(row.quantity)) == (5, int)


@given(st.floats(0, 1e9))
def test_a_number_written_as_python_writes_it_is_read_exactly(number: float) -> None:
    assert Variety(variety="A", group="B", sale_price=repr(number)).sale_price == number


@pytest.mark.parametrize(
    ("cells", "told"),
    [
        ({"area": 1e10}, "Place, area, 10000000000.0: above 1,000,000,000. Write at most 1,000,000,000."),
        ({"area": "1e-320"}, "Place, area, '1e-320': too small to be meant. Write at least 0.000001."),
        (
            {"cost_per_m2_week": "1e308"},
            "Place, cost_per_m2_week, '1e308': above 1,000,000,000. Write at most 1,000,000,000.",
        ),
    ],
)
def test_a_number_that_nobody_can_mean_is_refused(cells: dict[str, Any], told: str) -> None:
    assert refused_lines(Place, **{"place": "house", "area": 10, "usable": 1} | cells) == [told]


@pytest.mark.parametrize("text", ["0,850", "0.850", "1234,567", "1,20", "1,2000", "1200", ",850", "1.200,5"])
def test_a_number_with_one_meaning_is_not_doubted(text: str) -> None:
    assert two_ways(text) is None


@pytest.mark.parametrize("letter", ["\x00", "\x07", "\x1b", "\x9f", "\ud800"])
def test_letters_that_cannot_be_printed_are_refused(letter: str) -> None:
    for column in ("variety", "pot", "note"):
        told = refused_lines(Variety, **{"variety": "A", "group": "B", column: f"a{letter}b"})[0]
        assert told.startswith(f"Variety, {column}, ")
        assert told.endswith("contains a character that cannot be printed. Type it again.")


def test_a_blank_note_is_no_note() -> None:
    assert Variety(variety="A", group="B", note="  ").note is None
    assert Variety(variety="A", group="B", note=" two\nlines ").note == "two\nlines"


@given(st.text(st.characters(exclude_categories=["Cc", "Cs"]), min_size=1, max_size=30))
def test_a_name_that_is_taken_is_kept_when_taken_again(text: str) -> None:
    try:
        name = Variety(variety=text, group="B").variety
    except Refused:
        assert not text.strip() or text.strip().startswith("#")
        return
    assert Variety(variety=name, group="B").variety == name == " ".join(name.split())


def test_a_row_cannot_be_changed_only_replaced() -> None:
    row = Target(**WANTED)
    with pytest.raises(ValidationError, match="frozen"):
        row.target = 5
    assert row.replace(target=5).target == 5
    assert row.target == 100


def test_a_replaced_row_is_checked_like_any_other() -> None:
    with pytest.raises(Refused, match=r"Target, target, 0: below 1\. Write at least 1\."):
        Target(**WANTED).replace(target=0)


def test_rows_with_the_same_cells_are_equal_however_they_were_written() -> None:
    assert Target(**WANTED) == Target(variety=" A ", week=Week(2027, 40), target="100")
    assert hash(Target(**WANTED)) == hash(Target(**WANTED).replace())


def test_cells_in_order_may_be_equal_or_empty() -> None:
    assert Target(variety="A", week="2027-W40", p5=2, median=2, p95=2).median_demand == 2
    assert PriceLine(**OFFER | {"last_week": OFFER["first_week"]})
    assert Place(place="house", area=1, usable=1, last_week="2027-W08")


@pytest.mark.parametrize("tiny", [1e-307, 1e-9, "1e-307"])
@pytest.mark.parametrize("column", ["minutes", "minutes_per_vessel"])
def test_minutes_are_none_or_can_be_meant(column: str, tiny: object) -> None:
    """Of 1e-307 minutes a vessel, more vessels than any number fit into an hour."""
    kind = type("Timed", (Row,), {"__annotations__": {column: Minutes}})
    assert refused(kind, **{column: tiny}).endswith("too small to be meant. Write 0, or at least 0.000001.")
    assert getattr(kind(**{column: 0}), column) == 0
    assert getattr(kind(**{column: LEAST}), column) == LEAST
