"""Rows: what a cell may hold, and that a row is a value."""

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError
from refusals import faults_of, refused_lines

from forecast import Refused, Week
from forecast.season.cells import Row, two_ways
from forecast.season.places import Place
from forecast.season.rows import Delivery, Header, PriceLine, Stage
from forecast.season.targets import Target
from forecast.season.varieties import Variety

STAGE = {
    "applies_to": "hosta",
    "stage": "hardening",
    "place": "shade",
    "runs_on": "weeks",
    "typical": 4,
    "time_level": "batch",
    "survival": 0.9,
    "survival_sd": 0.05,
    "survival_level": "batch",
    "share_of": "entering",
    "plants_per_m2": 36,
}
OFFER = {"lab": "Lab", "variety": "A", "unit_price": 1.2, "first_week": "2027-W08", "last_week": "2027-W16"}
WANTED = {"variety": "A", "week": "2027-W40", "target": 100}
COUNTED = {"survival": None, "survival_sd": None, "survived": 95, "of": 100}
RANGE = {"survival": None, "survival_sd": None, "survival_p5": 0.8, "survival_p95": 0.95}


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


@given(st.from_regex(r"[1-9][0-9]{0,2}[.,][0-9]{3}", fullmatch=True))
def test_the_two_meanings_of_a_number_are_both_offered_in_a_form_that_has_one(text: str) -> None:
    remedy = two_ways(text)
    assert remedy is not None
    whole, decimal = remedy.removeprefix("Write ").removesuffix(", whichever is meant.").split(" or ")
    assert float(whole) == float(text.replace(",", "").replace(".", ""))
    assert float(decimal) == float(text.replace(",", "."))
    assert two_ways(whole) is two_ways(decimal) is None


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
    assert Stage(**STAGE) == Stage(**STAGE).replace(survival=0.5).replace(survival=0.9)


def test_a_survival_is_said_in_any_of_three_ways() -> None:
    spread, counted, between = Stage(**STAGE), Stage(**STAGE | COUNTED), Stage(**STAGE | RANGE)
    assert (spread.stated.mean, spread.stated.sd) == (0.9, 0.05)
    assert counted.stated.mean == pytest.approx(95.5 / 101)  # Jeffreys' prior
    assert between.stated.quantile([0.05, 0.95]) == pytest.approx([0.8, 0.95])


@pytest.mark.parametrize(
    ("cells", "problem"),
    [
        (COUNTED | {"survival": 0.9}, "stated in more than one way"),
        (COUNTED | RANGE, "stated in more than one way"),
        (COUNTED | {"of": None}, "only half"),
        (RANGE | {"survival_p5": None}, "only half"),
        ({"survival_sd": None}, "only half"),
        ({"survival": None, "survival_sd": None}, "survival is empty"),
    ],
)
def test_a_survival_is_said_in_one_way_and_wholly(cells: dict[str, Any], problem: str) -> None:
    told = refused_lines(Stage, **STAGE | cells)
    assert len(told) == 1
    assert problem in told[0]
    assert told[0].endswith("Fill survival and survival_sd, or survival_p5 and survival_p95, or survived and of.")


@pytest.mark.parametrize(
    ("cells", "column"),
    [
        ({"survival": 0, "survival_sd": 0}, "survival"),
        (COUNTED | {"survived": 0}, "survived"),
        (COUNTED | {"survived": 101}, "survived"),
        (RANGE | {"survival_p5": 0.95}, "survival_p5"),
        (RANGE | {"survival_p95": 1}, "survival_p5"),
        ({"survival_sd": 0.3}, "survival_sd"),
        ({"survival": 1, "survival_sd": 0.01}, "survival_sd"),
        ({"survival_sd": 1e-9}, "survival_sd"),
        (RANGE | {"survival_p95": 0.8 + 1e-9}, "survival_p5"),
    ],
)
def test_a_survival_that_cannot_be_is_refused_in_its_own_column(cells: dict[str, Any], column: str) -> None:
    assert [fault.column for fault in faults_of(Stage, **STAGE | cells)] == [column]


def test_a_stage_with_a_time_says_who_shares_its_spread() -> None:
    told = refused_lines(Stage, **STAGE | {"time_level": None})
    assert told[0].startswith("Stage, time_level: required when typical is above 0.")


def test_a_stage_without_time_has_no_spread() -> None:
    told = refused_lines(Stage, **STAGE | {"typical": 0, "plants_cv": 0.1})
    assert told == ["Stage, typical, 0: times cannot vary in a stage that takes none. Clear batches_cv and plants_cv."]


def test_batches_cannot_differ_where_only_plants_do() -> None:
    told = refused_lines(Stage, **STAGE | {"time_level": "plant", "batches_cv": 0.1})
    assert told[0].startswith("Stage, time_level, 'plant': batches_cv is above 0, but only plants vary by this level.")


@pytest.mark.parametrize(
    "level",
    ["tray", "season 0.5", "season 0.5 season 0.5", "plant 0.5 batch 0.5", "batch -1 season 2", "batch 0..5", ""],
)
def test_a_level_that_is_none_is_refused(level: str) -> None:
    (fault,) = faults_of(Stage, **STAGE | {"survival_level": level})
    assert fault.column == "survival_level"
    assert "belief, season, variety, batch, cycle (of a culture), plant" in fault.remedy


def test_a_place_can_be_used_from_its_first_to_its_last_week() -> None:
    place = Place(place="shade", area=200, usable=0.75, first_week="2027-W14", last_week="2027-W40")
    assert [place.bench(Week(2027, week)) for week in (13, 14, 40, 41)] == [0, 150, 150, 0]
    assert Place(place="house", area=200, usable=0.75).bench(Week(1999, 1)) == 150


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


def test_what_is_wanted_is_a_number_or_a_range() -> None:
    ranged = {"variety": "A", "week": "2027-W40", "p5": 120, "median": 150, "p95": 200}
    assert (Target(**WANTED).median_demand, Target(**WANTED).demand) == (100, None)
    demand = Target(**ranged).demand
    assert demand is not None
    assert demand.quantile([0.05, 0.5, 0.95]).tolist() == [120, 150, 200]
    assert Target(**ranged).median_demand == 150
    assert "stated in two ways" in refused_lines(Target, **ranged, target=100)[0]
    assert "empty or incomplete" in refused_lines(Target, variety="A", week="2027-W40")[0]
    assert "empty or incomplete" in refused_lines(Target, **ranged | {"p95": None})[0]


@pytest.mark.parametrize(("p5", "median", "p95"), [(2, 1, 3), (1, 3, 2), (3, 2, 1)])
def test_a_range_is_in_order(p5: float, median: float, p95: float) -> None:
    (told,) = refused_lines(Target, variety="A", week="2027-W40", p5=p5, median=median, p95=p95)
    column, lower = ("median", "p5") if median < p5 else ("p95", "median")
    assert told.startswith(f"Target, {column}, ")
    assert f": below {lower}, " in told


def test_cells_in_order_may_be_equal_or_empty_but_for_thresholds() -> None:
    assert Target(variety="A", week="2027-W40", p5=2, median=2, p95=2).median_demand == 2
    assert PriceLine(**OFFER | {"last_week": OFFER["first_week"]})
    assert Place(place="house", area=1, usable=1, last_week="2027-W08")
    warm = {"runs_on": "degree-days", "base_temperature": 5, "upper_threshold": 5}
    assert "upper_threshold, 5.0: not above base_temperature, 5.0." in refused_lines(Stage, **STAGE | warm)[0]


@pytest.mark.parametrize("service_level", [0, 1, 1.01, 95, -0.1, "90%"])
def test_a_confidence_lies_between_0_and_1_without_them(service_level: object) -> None:
    (fault,) = faults_of(Target, **WANTED, service_level=service_level)
    assert (fault.column, fault.value) == ("service_level", service_level)


@pytest.mark.parametrize("currency", ["eur", "EURO", "€", "E1R", "EU", "EUR\n"])
def test_a_currency_is_a_code_of_three_capitals(currency: str) -> None:
    cells = {"name": "A", "first_week": "2027-W01", "weeks": 52, "service_level": 0.9}
    if currency.strip() == "EUR":
        assert Header(**cells, currency=currency).currency == "EUR"
    else:
        told = refused_lines(Header, **cells, currency=currency)
        assert told[0].endswith("not a currency code. Write its three capital letters, such as EUR.")
