"""How varieties are multiplied: what a row and a file of it may say, and what is told when they say something else."""

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from forecast import Refused, Season, Week, read_season, write_season
from forecast.rates.by_cycle import ByCycle
from forecast.season.cells import Row
from forecast.season.propagation_rows import Culture, Division, size_of

Change = Callable[[str, str, str], None]
Refusal = Callable[[], list[str]]

CULTURE = {
    "variety": "A",
    "explants": 40,
    "start_weeks": 2,
    "start_contamination": 0.1,
    "cycle_weeks": 4,
    "multiplication": "2.5 3 2.8",
    "multiplication_level": "batch",
    "explants_cv": 0,
    "contamination": 0.05,
    "contamination_level": "batch",
    "explants_per_vessel": 5,
    "most_cycles": 6,
    "rooting_weeks": 4,
    "rooting": 0.9,
    "rooting_level": "batch",
    "rooting_per_vessel": 10,
}
DIVISION = {
    "variety": "A",
    "stock": 10,
    "divisions": "2 3",
    "divisions_level": "season",
    "plants_cv": 0,
    "survival": 0.9,
    "survival_level": "batch",
}
NOT_NUMBERS = (
    "not numbers from 0, one for each cycle. Write one number, or one for each cycle separated by spaces, such as "
    "2.1 2.6 2.4; decimals with a point."
)
NOT_A_LEVEL = (
    "not a level. Write one of belief, season, variety, batch, cycle (of a culture), plant, or shares of all but the "
    "last that add to 1, such as 'season 0.3 variety 0.2 batch 0.5'."
)
EMPTY = "this cell is empty but required. Fill it in."
BELOW_0 = "below 0. Write at least 0."
BELOW_1 = "below 1. Write at least 1."
NOT_ABOVE_0 = "not above 0. Write a number above 0."
NOT_BELOW_1 = "not below 1. Write a number below 1."
NO_NUMBER = "not a number. Write digits with a decimal point, without unit or spaces, such as 12.5."
KNOWN = {
    Culture: "variety, lab, explants, lines, start, start_weeks, start_contamination, start_contamination_sd, "
    "start_death, cycle_weeks, multiplication, multiplication_cv, ....",
    Division: "variety, stock, price, first_weeks, round_weeks, divisions, divisions_cv, divisions_level, "
    "plants_cv, survival, survival_sd, survival_level, ....",
}
USUAL: dict[type[Row], dict[str, Any]] = {Culture: CULTURE, Division: DIVISION}


def refusal(kind: type[Row], **cells: Any) -> list[str]:
    with pytest.raises(Refused) as caught:
        kind(**USUAL[kind] | cells)
    return str(caught.value).splitlines()


def one(column: str, value: object, problem: str, /, **others: Any) -> Any:
    """A cell that is refused, what is told of it, and the cells beside it."""
    return pytest.param(column, value, problem, others, id=f"{column} {value}")


NO_RATE = "0 is not a rate. Write numbers from 0.000001 to 1,000."
CHANCE = "chance alone gives explants with a mean of 2.5 a cv of 0.633. Write 0, or at least 0.633."
HOURS = {"minutes_per_vessel": 3}

REFUSED_CULTURES = [
    one("multiplication", 0, NO_RATE),
    one("multiplication", "0", NO_RATE),
    one("multiplication", "2.5 0 3", NO_RATE),
    one("multiplication", 1001, "1001 is not a rate. Write numbers from 0.000001 to 1,000."),
    *(
        one("multiplication", cell, NOT_NUMBERS)
        for cell in (-1, "-1", "many", "2,5", "2,5 3,0", "2.5, 3", "2.5;3", "", "  ", "2.5x", "inf", "1e400", [], ["a"])
    ),
    one("multiplication_cv", -0.1, BELOW_0),
    one("multiplication_cv", 6, "above 5. Write at most 5."),
    one("multiplication_cv", "20%", "a percentage. Write the share itself: 0.2."),
    one("explants_cv", 0.1, CHANCE),
    one("explants_cv", 0.632, CHANCE),
    one("explants_cv", -0.1, BELOW_0),
    one("explants_cv", 5.1, "above 5. Write at most 5."),
    one("explants_cv", None, EMPTY),
    one("contamination", 1, "1 would lose every vessel. Write shares below 1."),
    one("contamination", "0.05 1", "1 would lose every vessel. Write shares below 1."),
    one("contamination", 15, "15 would lose every vessel. For 15 % write 0.15."),
    one("contamination", "0.05 15", "15 would lose every vessel. For 15 % write 0.15."),
    one("contamination", 150, "150 would lose every vessel. Write shares below 1."),
    *(one("contamination", cell, NOT_NUMBERS) for cell in ("text", "0,05", "-0.1", "")),
    one("contamination_sd", -0.1, BELOW_0),
    one("contamination_sd", "x", NO_NUMBER),
    one("off_types", 1, "1 would lose every vessel. Write shares below 1."),
    one("off_types", "0.01 5", "5 would lose every vessel. For 5 % write 0.05."),
    one("off_types", "few", NOT_NUMBERS),
    one("start_contamination", 1, NOT_BELOW_1),
    one("start_contamination", 15, "a share lies between 0 and 1. For 15 % write 0.15."),
    one("start_contamination", "22%", "a percentage. Write the share itself: 0.22."),
    one("start_contamination", -0.1, BELOW_0),
    one("start_contamination_sd", -0.1, BELOW_0),
    one("start_death", 1, NOT_BELOW_1),
    one("start_death", 50, "a share lies between 0 and 1. For 50 % write 0.5."),
    one("rooting", 0, NOT_ABOVE_0),
    one("rooting", 90, "a share lies between 0 and 1. For 90 % write 0.9."),
    one("rooting", "90%", "a percentage. Write the share itself: 0.9."),
    one("rooting", -1, BELOW_0),
    one(
        "rooting_sd",
        0.3,
        "no share with a mean of 0.9 has this standard deviation. Write a number from 0 to below 0.3.",
    ),
    one("rooting_sd", 1e-7, "too small to be meant. Write 0, or at least 0.000001."),
    one("rooting_sd", -1, BELOW_0),
    one("deflasking", 0, NOT_ABOVE_0),
    one("deflasking", 97, "a share lies between 0 and 1. For 97 % write 0.97."),
    one("deflasking", -0.1, BELOW_0),
    one("hood_hours", 0, NOT_ABOVE_0, **HOURS),
    one("hood_hours", -1, NOT_ABOVE_0, **HOURS),
    one("hood_hours", "x", NO_NUMBER, **HOURS),
    one("hood_hours", "2,5", "a decimal comma in a file separated by commas. Write 2.5.", **HOURS),
    one(
        "hood_hours",
        0.012,
        "too few hours for one vessel of each line in a subculture. Write more hours, or fewer lines.",
        **HOURS,
    ),
    one("shelf_places", 0, BELOW_1),
    one("shelf_places", -1, BELOW_1),
    one("shelf_places", 80.5, "not a whole number. Write 80 or 81."),
    one("lines", 0, BELOW_1),
    one("lines", 1.5, "not a whole number. Write 1 or 2."),
    one("lines", 41, "more lines than explants. Write at most 40."),
    one("lines", 1001, "above 1,000. Write at most 1,000.", explants=5000),
    one("explants", 0, BELOW_1),
    one("explants", 2.5, "not a whole number. Write 2 or 3."),
    one("explants", "1,200", "could be read in two ways. Write 1200 or 1.2, whichever is meant."),
    one("explants", "many", NO_NUMBER),
    one("explants", None, EMPTY),
    one(
        "explants",
        40,
        "each explant starts in a vessel of its own, and there are 39 shelf places. Write at most 39.",
        shelf_places=39,
    ),
    *(
        one(column, cell, NOT_A_LEVEL)
        for column in ("multiplication_level", "contamination_level", "rooting_level")
        for cell in ("tray", "line", "season 0.5", "cycle 0.5 batch 0.6", "plant 0.5 cycle 0.5", "")
    ),
    *(
        one(column, -1, BELOW_0)
        for column in ("cost_start", "cost_per_explant", "cost_per_vessel", "minutes_per_vessel", "medium_per_vessel")
    ),
    *(
        one(column, 0, BELOW_1)
        for column in ("cycle_weeks", "explants_per_vessel", "rooting_per_vessel", "most_cycles")
    ),
    *(
        one(column, 1.5, "not a whole number. Write 1 or 2.")
        for column in ("cycle_weeks", "start_weeks", "rooting_weeks", "explants_per_vessel", "most_cycles")
    ),
    *(one(column, 521, "above 520. Write at most 520.") for column in ("cycle_weeks", "start_weeks", "rooting_weeks")),
    one("start_weeks", -1, BELOW_0),
    one("rooting_weeks", -1, BELOW_0),
    one("most_cycles", 101, "above 100. Write at most 100."),
    one("start", "14/2027", "not a week. Write it as year and week number, such as 2027-W14."),
    one(
        "start",
        "2027-W60",
        "there is no such week; 2027 has weeks 01 to 52. Write a week as year and week number, such as 2027-W14.",
    ),
    one("variety", "", EMPTY),
    one("variety", "#A", "starts with #, as comment lines do. Choose a name that starts otherwise."),
    one("lab", "#1", "starts with #, as comment lines do. Choose a name that starts otherwise."),
    one("enters", "", EMPTY),
    one("explant", 40, "not a known column. Did you mean 'explants'?"),
    one("cost_pervessel", 1, "not a known column. Did you mean 'cost_per_vessel'?"),
    one("colour", "green", f"not a known column. Known names: {KNOWN[Culture]}"),
]


@pytest.mark.parametrize(("column", "value", "problem", "others"), REFUSED_CULTURES)
def test_a_culture_is_refused_in_the_cell_that_is_at_fault(
    column: str, value: object, problem: str, others: dict[str, Any]
) -> None:
    shown = "" if value is None else f", {value!r}"
    assert refusal(Culture, **others | {column: value}) == [f"Culture, {column}{shown}: {problem}"]


REFUSED_DIVISIONS = [
    one("divisions", 0, NO_RATE),
    one("divisions", "2 0", NO_RATE),
    *(one("divisions", cell, NOT_NUMBERS) for cell in (-1, "many", "2,5", "")),
    one("divisions_cv", 6, "above 5. Write at most 5."),
    one("divisions_level", "tray", NOT_A_LEVEL),
    one("survival_level", "cycle 0.5", NOT_A_LEVEL),
    one("stock", 0, BELOW_1),
    one("stock", 2.5, "not a whole number. Write 2 or 3."),
    one("stock", None, EMPTY),
    one("price", -1, BELOW_0),
    one("first_weeks", -1, BELOW_0),
    one("first_weeks", 521, "above 520. Write at most 520."),
    one("round_weeks", 0, BELOW_1),
    one("round_weeks", 521, "above 520. Write at most 520."),
    one("most_rounds", 0, BELOW_1),
    one("most_rounds", 51, "above 50. Write at most 50."),
    one("survival", 0, NOT_ABOVE_0),
    one("survival", 90, "a share lies between 0 and 1. For 90 % write 0.9."),
    one(
        "survival_sd",
        0.3,
        "no share with a mean of 0.9 has this standard deviation. Write a number from 0 to below 0.3.",
    ),
    one("survival_sd", -0.1, BELOW_0),
    one("plants_per_m2", 0, NOT_ABOVE_0, place="house"),
    one("cost", -1, BELOW_0),
    one("minutes", -1, BELOW_0),
    one("explants", 40, f"not a known column. Known names: {KNOWN[Division]}"),
    one("prise", 5, "not a known column. Did you mean 'price'?"),
]


@pytest.mark.parametrize(("column", "value", "problem", "others"), REFUSED_DIVISIONS)
def test_a_division_is_refused_in_the_cell_that_is_at_fault(
    column: str, value: object, problem: str, others: dict[str, Any]
) -> None:
    shown = "" if value is None else f", {value!r}"
    assert refusal(Division, **others | {column: value}) == [f"Division, {column}{shown}: {problem}"]


def test_hours_at_the_hood_need_the_minutes_of_a_vessel() -> None:
    told = ["Culture, minutes_per_vessel: required when hood_hours is filled. Write the minutes per vessel."]
    assert refusal(Culture, hood_hours=5) == told
    assert refusal(Culture, hood_hours=5, minutes_per_vessel=0) == told


@pytest.mark.parametrize(("cells", "column"), [({"place": "house"}, "plants_per_m2"), ({"plants_per_m2": 16}, "place")])
def test_space_for_stock_is_not_half_stated(cells: dict[str, Any], column: str) -> None:
    told = f"Division, {column}: only half of the space for stock plants is stated. Fill both place and plants_per_m2."
    assert refusal(Division, **cells) == [told]


@pytest.mark.parametrize("kind", [Culture, Division])
def test_all_cells_that_are_needed_are_named_at_once(kind: type[Row]) -> None:
    with pytest.raises(Refused) as caught:
        kind()
    needed = [name for name, cell in kind.model_fields.items() if cell.is_required()]
    assert needed == list(USUAL[kind])
    assert str(caught.value).splitlines() == [f"{kind.__name__}, {name}: {EMPTY}" for name in needed]


def test_a_culture_lists_all_its_faults_at_once() -> None:
    assert refusal(Culture, explants=0, multiplication="2,5", contamination=15, rooting=0, colour="green") == [
        f"Culture, explants, 0: {BELOW_1}",
        f"Culture, multiplication, '2,5': {NOT_NUMBERS}",
        "Culture, contamination, 15: 15 would lose every vessel. For 15 % write 0.15.",
        f"Culture, rooting, 0: {NOT_ABOVE_0}",
        f"Culture, colour, 'green': not a known column. Known names: {KNOWN[Culture]}",
    ]


@pytest.mark.parametrize("number", [True, math.inf, math.nan, "1e400", "--1", "1_000", "0x10", "", {}])
@pytest.mark.parametrize(
    ("kind", "column"), [(Culture, "multiplication"), (Culture, "off_types"), (Division, "divisions")]
)
def test_what_is_no_number_is_never_taken_for_a_rate(kind: type[Row], column: str, number: object) -> None:
    with pytest.raises(Refused) as caught:
        kind(**USUAL[kind] | {column: number})
    assert [fault.column for fault in caught.value.faults] == [column]


def impossible(kind: type[Row], **cells: Any) -> tuple[str, object]:
    with pytest.raises(Refused) as caught:
        kind(**USUAL[kind] | cells)
    (fault,) = caught.value.faults
    assert "has this standard deviation" in fault.problem
    return fault.column, fault.value


@pytest.mark.parametrize("spread", [0.218, 0.3, 5.0])
def test_a_share_of_vessels_lost_cannot_spread_beyond_all_or_nothing(spread: float) -> None:
    """Of mean 0.05, no share on [0, 1] has a standard deviation of sqrt(0.05 x 0.95) = 0.2179 or more."""
    assert Culture(**CULTURE, contamination_sd=0.2179).contamination_sd == 0.2179
    assert impossible(Culture, contamination_sd=spread) == ("contamination_sd", spread)


@pytest.mark.parametrize("spread", [0.3, 0.4])
def test_nor_can_the_share_lost_at_the_start(spread: float) -> None:
    assert Culture(**CULTURE, start_contamination_sd=0.2999).start_contamination_sd == 0.2999
    cells = {"start_contamination_sd": spread}
    assert impossible(Culture, **cells) == ("start_contamination_sd", spread)


@pytest.mark.parametrize(
    "cells",
    [
        {"contamination": 0, "contamination_sd": 0.1},
        {"contamination": "0 0.5", "contamination_sd": 0.1},
        {"start_contamination": 0, "start_contamination_sd": 0.1},
    ],
)
def test_where_nothing_is_lost_nothing_differs(cells: dict[str, Any]) -> None:
    assert impossible(Culture, **cells) == list(cells.items())[1]


def test_a_spread_that_would_be_impossible_in_a_later_cycle_is_shown_as_it_was_written() -> None:
    """In proportion to 0.1 of 0.05, 0.5 would differ by 1; what stands in the cell is 0.1."""
    cells = {"contamination": "0.05 0.5", "contamination_sd": 0.1}
    assert impossible(Culture, **cells) == ("contamination_sd", 0.1)


def test_contamination_differs_in_proportion_in_later_cycles() -> None:
    row = Culture(**CULTURE | {"contamination": "0.2 0.1 0", "contamination_sd": 0.08})
    shares = [row.clean(cycle) for cycle in (1, 2, 3, 4)]
    assert [share.mean for share in shares] == pytest.approx([0.8, 0.9, 1, 1])
    assert [share.sd for share in shares] == pytest.approx([0.08, 0.04, 0, 0])
    assert row.start_clean().mean == pytest.approx(0.9)
    assert row.rooted().mean == 0.9


@pytest.mark.parametrize("rate", [0.5, 1, 2.5, 4, 30])
def test_explants_differ_by_chance_at_least_or_not_at_all(rate: float) -> None:
    """A Poisson number of mean m has the standard deviation sqrt(m), which is 1 / sqrt(m) of its mean."""
    chance = 1 / math.sqrt(rate)
    cells = {"multiplication": rate, "rooting": 0.9}
    told = f"chance alone gives explants with a mean of {rate:g} a cv of {math.ceil(1000 * chance) / 1000:g}. Write 0"
    assert told in refusal(Culture, **cells, explants_cv=chance - 0.001)[0]
    assert Culture(**CULTURE | cells | {"explants_cv": math.ceil(1000 * chance) / 1000})
    rates = ByCycle((rate,))
    assert size_of(rates, 0, "") == 0
    assert math.isinf(size_of(rates, chance, ""))
    spread = 1.5 * chance
    size = size_of(rates, spread, "")
    assert math.sqrt(rate + rate**2 / size) / rate == pytest.approx(spread)


@pytest.mark.parametrize(
    ("hours", "weeks", "minutes", "vessels"),
    [(6, 5, 3, 600), (0.1, 1, 6, 1), (0.35, 1, 7, 3), (1, 1, 0.1, 600), (2, 3, 7, 51)],
)
def test_vessels_of_a_cycle_are_those_that_fit_into_its_hours(
    hours: float, weeks: int, minutes: float, vessels: int
) -> None:
    row = Culture(**CULTURE | {"hood_hours": hours, "cycle_weeks": weeks, "minutes_per_vessel": minutes})
    assert row.vessels_in_hours == vessels
    assert Culture(**CULTURE, minutes_per_vessel=3).vessels_in_hours is None


def test_what_a_row_need_not_say_it_takes_for_the_least() -> None:
    culture, division = Culture(**CULTURE), Division(**DIVISION)
    assert (culture.lines, culture.lab, culture.start, culture.deflasking) == (1, None, None, 1)
    assert (culture.enters, culture.hood_hours, culture.shelf_places, culture.off_types) == ("acclimatisation",) + (
        None,
    ) * 3
    assert (division.enters, division.price, division.place, division.round_weeks) == ("growing on", None, None, 52)
    assert Culture(**CULTURE | {"shelf_places": 40}).shelf_places == 40  # a place for each explant


def test_a_season_with_rows_for_two_varieties_is_read(multiplied: Path) -> None:
    season = read_season(multiplied)
    culture, division = season.culture("Hosta 'Ambrel'"), season.division("Hosta 'Ambrel'")
    assert culture.multiplication.values == (1.9, 2.2, 2.4)
    assert dict(culture.multiplication_level.shares) == {"season": 0.2, "batch": 0.5, "cycle": 0.3}
    assert (culture.lines, culture.hood_hours, culture.shelf_places, culture.source) == (4, 6.5, 240, "a guess")
    assert (division.stock, division.divisions.values, division.place) == (12, (1.6, 1.9), "house")
    other = season.culture("Calla 'Corvane'")
    assert (other.lab, other.start, other.lines, other.contamination.values) == (
        "Lab Aurin",
        Week(2026, 45),
        1,
        (0.05,),
    )
    assert season.division("Calla 'Corvane'").price is None


@pytest.mark.parametrize("name", ["cultures.csv", "divisions.csv"])
def test_a_season_needs_neither_file(multiplied: Path, name: str) -> None:
    whole = read_season(multiplied)
    (multiplied / name).unlink()
    season = read_season(multiplied)
    assert getattr(season, name.removesuffix(".csv")) == ()
    assert season == whole.replace(**{name.removesuffix(".csv"): ()})


@pytest.mark.parametrize("name", ["cultures.csv", "divisions.csv"])
def test_a_file_without_rows_says_that_nothing_is_multiplied(multiplied: Path, name: str) -> None:
    header = (multiplied / name).read_text(encoding="utf-8").splitlines()[0]
    (multiplied / name).write_text(f"{header}\n", encoding="utf-8")
    assert getattr(read_season(multiplied), name.removesuffix(".csv")) == ()


@pytest.mark.parametrize(
    ("name", "misspelt"),
    [("cultures.csv", "culture.csv"), ("cultures.csv", "Cultures.CSV"), ("divisions.csv", "division.csv")],
)
def test_a_misspelt_file_name_is_recognised(multiplied: Path, refusal: Refusal, name: str, misspelt: str) -> None:
    (multiplied / name).rename(multiplied / misspelt)
    assert refusal() == [f"{name}: there is no such file. Did you mean {misspelt}? Rename it."]


def told(name: str, file: str, old: str, new: str, *lines: str) -> Any:
    return pytest.param(file, old, new, list(lines), id=name)


CASES = [
    told("a misspelt column", "cultures.csv", "multiplication_cv", "multiplcation_spread",
         "cultures.csv, row 1, column multiplcation_spread: no such column. Did you mean 'multiplication_cv'?"),
    told("a misspelt column of divisions", "divisions.csv", "most_rounds", "most_round",
         "divisions.csv, row 1, column most_round: no such column. Did you mean 'most_rounds'?"),
    told("a column that is needed", "cultures.csv", "rooting_level", "note",
         "cultures.csv, row 1, column rooting_level: the column is missing. Add it to the header.",
         "cultures.csv, row 1, column note: the column appears twice. Keep one of the two."),
    told("an unknown variety", "cultures.csv", "Hosta 'Ambrel'", "Hosta 'Ambrell'",
         'cultures.csv, row 2, column variety, "Hosta \'Ambrell\'": no variety of this name in varieties. Correct '
         'the spelling, or add it to varieties. Did you mean "Hosta \'Ambrel\'"?'),
    told("an unknown variety in divisions", "divisions.csv", "Calla 'Corvane'", "Iris",
         "divisions.csv, row 3, column variety, 'Iris': no variety of this name in varieties. Correct the spelling, "
         "or add it to varieties. Known names: Calla 'Corvane', Hosta 'Ambrel', Hosta 'Belwin'."),
    told("a variety twice", "cultures.csv", "Calla 'Corvane'", "Hosta 'Ambrel'",
         'cultures.csv, row 3, column variety, "Hosta \'Ambrel\'": the same as row 2. Keep one of the two rows, or '
         "change its variety."),
    told("a variety twice in divisions", "divisions.csv", "Calla 'Corvane'", "Hosta 'Ambrel'",
         'divisions.csv, row 3, column variety, "Hosta \'Ambrel\'": the same as row 2. Keep one of the two rows, or '
         "change its variety."),
    told("a stage that is misspelt", "cultures.csv", "0.97,acclimatisation", "0.97,aclimatisation",
         "cultures.csv, row 2, column enters, 'aclimatisation': Hosta 'Ambrel' has no such stage. Did you mean "
         "'acclimatisation'?"),
    told("a stage that its variety has not", "divisions.csv", "growing on", "potting",
         "divisions.csv, row 2, column enters, 'potting': Hosta 'Ambrel' has no such stage. Known names: "
         "acclimatisation, growing on, grading."),
    told("a place that is misspelt", "divisions.csv", ",house,", ",hose,",
         "divisions.csv, row 2, column place, 'hose': no place of this name in places. Correct the spelling, or add "
         "it to places. Did you mean 'house'?"),
    told("a place without its density", "divisions.csv", ",house,16.5,", ",house,,",
         "divisions.csv, row 2, column plants_per_m2: only half of the space for stock plants is stated. Fill both "
         "place and plants_per_m2."),
    told("a density without its place", "divisions.csv", ",house,16.5,", ",,16.5,",
         "divisions.csv, row 2, column place: only half of the space for stock plants is stated. Fill both place "
         "and plants_per_m2."),
    told("a percentage for a share by cycle", "cultures.csv", ",0.08 0.06,", ",8 6,",
         "cultures.csv, row 2, column contamination, '8 6': 8 would lose every vessel. For 8 % write 0.08."),
    told("commas between cycles", "cultures.csv", "1.9 2.2 2.4", '"1.9, 2.2, 2.4"',
         "cultures.csv, row 2, column multiplication, '1.9, 2.2, 2.4': not numbers from 0, one for each cycle. "
         "Write one number, or one for each cycle separated by spaces, such as 2.1 2.6 2.4; decimals with a point."),
    told("a level that is none", "cultures.csv", "belief 0.4 cycle 0.6", "belief 0.4 round 0.6",
         "cultures.csv, row 2, column rooting_level, 'belief 0.4 round 0.6': not a level. Write one of belief, "
         "season, variety, batch, cycle (of a culture), plant, or shares of all but the last that add to 1, such as "
         "'season 0.3 variety 0.2 batch 0.5'."),
    told("more lines than explants", "cultures.csv", ",40,4,", ",40,50,",
         "cultures.csv, row 2, column lines, 50: more lines than explants. Write at most 40."),
]  # fmt: skip


@pytest.mark.usefixtures("multiplied")
@pytest.mark.parametrize(("file", "old", "new", "lines"), CASES)
def test_a_fault_is_told_with_file_row_column_and_remedy(
    change: Change, refusal: Refusal, file: str, old: str, new: str, lines: list[str]
) -> None:
    change(file, old, new)
    assert sorted(refusal()) == sorted(lines)


@pytest.mark.usefixtures("multiplied")
def test_all_faults_of_both_files_are_told_at_once(change: Change, refusal: Refusal) -> None:
    change("cultures.csv", "start_death", "start_deaths")
    change("cultures.csv", ",0.85,0.06,", ",0,0.06,")
    change("cultures.csv", "1.9 2.2 2.4", "1.9 0 2.4")
    change("cultures.csv", "0.97,acclimatisation", "97,potting")
    change("cultures.csv", "Calla 'Corvane'", "Calla 'Corvan'")
    change("divisions.csv", ",12,16.00,", ",0,-16.00,")
    change("divisions.csv", ",shade,20", ",shed,20")
    change("divisions.csv", "0.9,,batch,3,acclimatisation", "0.9,,batch,3,weaning")
    change("varieties.csv", ",9.50,", ",-9.50,")
    assert refusal() == [
        f"varieties.csv, row 2, column sale_price, '-9.50': {BELOW_0}",
        "cultures.csv, row 1, column start_deaths: no such column. Did you mean 'start_death'?",
        "cultures.csv, row 2, column multiplication, '1.9 0 2.4': 0 is not a rate. Write numbers from 0.000001 to "
        "1,000.",
        f"cultures.csv, row 2, column rooting, '0': {NOT_ABOVE_0}",
        "cultures.csv, row 2, column deflasking, '97': a share lies between 0 and 1. For 97 % write 0.97.",
        "cultures.csv, row 3, column variety, \"Calla 'Corvan'\": no variety of this name in varieties. "
        "Correct the spelling, or add it to varieties. Did you mean \"Calla 'Corvane'\"?",
        f"divisions.csv, row 2, column stock, '0': {BELOW_1}",
        f"divisions.csv, row 2, column price, '-16.00': {BELOW_0}",
        "divisions.csv, row 3, column place, 'shed': no place of this name in places. Correct the "
        "spelling, or add it to places. Known names: house, shade.",
        "divisions.csv, row 3, column enters, 'weaning': Calla 'Corvane' has no such stage. Known names: "
        "acclimatisation, "
        "growing on, grading.",
    ]


def european(folder: Path, *, by_cycle: bool) -> None:
    """Save the two files as European spreadsheets do; numbers by cycle keep their points unless asked for."""
    for name in ("cultures.csv", "divisions.csv"):
        text = (folder / name).read_text(encoding="utf-8")
        rows = [line.split(",") for line in text.splitlines()]
        kept = {rows[0].index(column) for column in BY_CYCLE[name]}
        written = [
            ";".join(
                cell.replace(".", ",") if (is_number(cell) and i not in kept) or (by_cycle and i in kept) else cell
                for i, cell in enumerate(row)
            )
            for row in rows
        ]
        assert "0,95" in "".join(written) or "0,22" in "".join(written)
        (folder / name).write_text("\n".join(written), encoding="utf-8")


BY_CYCLE = {"cultures.csv": ("multiplication", "contamination", "off_types"), "divisions.csv": ("divisions",)}


def is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def test_a_semicolon_file_with_decimal_commas_in_single_numbers_says_the_same(multiplied: Path) -> None:
    season = read_season(multiplied)
    european(multiplied, by_cycle=False)
    assert read_season(multiplied) == season


def test_decimal_commas_in_numbers_by_cycle_are_refused_with_what_would_do(multiplied: Path, refusal: Refusal) -> None:
    european(multiplied, by_cycle=True)
    lines = refusal()
    for cell, place in (
        ("'1,9 2,2 2,4'", "cultures.csv, row 2, column multiplication"),
        ("'0,08 0,06'", "cultures.csv, row 2, column contamination"),
        ("'0,01 0,02'", "cultures.csv, row 2, column off_types"),
        ("'1,6 1,9'", "divisions.csv, row 2, column divisions"),
    ):
        assert f"{place}, {cell}: {NOT_NUMBERS}" in lines


def test_levels_keep_their_points_in_a_semicolon_file(multiplied: Path, change: Change, refusal: Refusal) -> None:
    european(multiplied, by_cycle=False)
    change("cultures.csv", "belief 0.4 cycle 0.6", "belief 0,4 cycle 0,6")
    assert refusal() == [f"cultures.csv, row 2, column rooting_level, 'belief 0,4 cycle 0,6': {NOT_A_LEVEL}"]


SHARED = st.sampled_from(["belief", "batch", "cycle", "season 0.25 batch 0.5 cycle 0.25", "variety 0.1 cycle 0.9"])
LEVELS = SHARED | st.just("plant")
COUNTED = st.integers(1, 10**6)
MONEY = st.floats(0, 1e9)
PLACES = st.sampled_from(["house", "shade"])
TEXTS = st.none() | st.text(st.characters(exclude_categories=["Cc", "Cs"]) | st.sampled_from('\n\t,;"#'), max_size=20)


def by_cycle(least: int, most: int) -> st.SearchStrategy[ByCycle]:
    """Numbers of up to six decimals."""
    numbers = st.integers(least, most).map(lambda number: number / 10**6)
    return st.lists(numbers, min_size=1, max_size=6).map(lambda drawn: ByCycle(tuple(drawn)))


@st.composite
def cultures(draw: st.DrawFn) -> Culture:
    """Any sound culture."""
    rates = draw(by_cycle(50_000, 10**9))
    least = 1 / math.sqrt(rates.at(1))
    explants = draw(COUNTED)
    limit = draw(st.booleans())
    return Culture(
        variety="Hosta 'Ambrel'",
        lab=draw(st.none() | st.just("Lab, of “Aurin”")),
        explants=explants,
        lines=min(explants, draw(st.integers(1, 3))),
        start=draw(st.none() | st.builds(Week, st.just(2027), st.integers(1, 9))),
        start_weeks=draw(st.integers(0, 520)),
        start_contamination=draw(st.floats(0, 0.999)),
        start_death=draw(st.floats(0, 0.999)),
        cycle_weeks=draw(st.integers(1, 520)),
        multiplication=rates,
        multiplication_cv=draw(st.floats(0, 5)),
        multiplication_level=draw(SHARED),
        explants_cv=draw(st.just(0.0) | st.floats(least, max(least, 5))),
        contamination=draw(by_cycle(0, 999_999)),
        contamination_level=draw(LEVELS),
        explants_per_vessel=draw(COUNTED),
        most_cycles=draw(st.integers(1, 100)),
        off_types=draw(st.none() | by_cycle(0, 999_999)),
        rooting_weeks=draw(st.integers(0, 520)),
        rooting=draw(st.floats(0.001, 0.999)),
        rooting_sd=draw(st.just(0.0) | st.floats(0.001, 0.03)),
        rooting_level=draw(SHARED),
        rooting_per_vessel=draw(COUNTED),
        deflasking=draw(st.floats(0.001, 1)),
        enters=draw(st.sampled_from(["acclimatisation", "growing on", "grading"])),
        hood_hours=draw(st.floats(3, 1e6)) if limit else None,
        minutes_per_vessel=draw(st.floats(0.1, 60)),
        shelf_places=draw(st.none() | st.integers(explants, 10**7)),
        medium_per_vessel=draw(MONEY),
        cost_start=draw(MONEY),
        cost_per_explant=draw(MONEY),
        cost_per_vessel=draw(MONEY),
        source=draw(TEXTS),
        note=draw(TEXTS),
    )


@st.composite
def divisions(draw: st.DrawFn) -> Division:
    """Any sound way to divide, with or without a place for its stock."""
    rates = draw(by_cycle(50_000, 10**9))
    least = 1 / math.sqrt(rates.at(1))
    return Division(
        variety="Calla 'Corvane'",
        stock=draw(COUNTED),
        price=draw(st.none() | MONEY),
        first_weeks=draw(st.integers(0, 520)),
        round_weeks=draw(st.integers(1, 520)),
        divisions=rates,
        divisions_cv=draw(st.floats(0, 5)),
        divisions_level=draw(SHARED),
        plants_cv=draw(st.just(0.0) | st.floats(least, max(least, 5))),
        survival=draw(st.floats(0.001, 1)),
        survival_level=draw(LEVELS),
        most_rounds=draw(st.integers(1, 50)),
        enters=draw(st.sampled_from(["acclimatisation", "growing on", "grading"])),
        **draw(st.just({}) | st.fixed_dictionaries({"place": PLACES, "plants_per_m2": st.floats(1e-6, 1e9)})),
        cost=draw(MONEY),
        minutes=draw(MONEY),
        source=draw(TEXTS),
        note=draw(TEXTS),
    )


@pytest.fixture
def season(multiplied: Path) -> Season:
    return read_season(multiplied)


@settings(max_examples=100, deadline=None, suppress_health_check=list(HealthCheck))
@given(culture=cultures(), division=divisions())
def test_cultures_and_divisions_are_read_back_as_they_were_written(
    tmp_path_factory: pytest.TempPathFactory, season: Season, culture: Culture, division: Division
) -> None:
    changed = season.replace(cultures=(culture, season.cultures[1]), divisions=(season.divisions[0], division))
    folder = tmp_path_factory.mktemp("round") / "season"
    write_season(changed, folder)
    assert read_season(folder) == changed


def test_rates_fitted_to_totals_are_read_back_to_the_last_digit(season: Season, tmp_path: Path) -> None:
    rates = ByCycle.from_totals({6: 584, 8: 3451})
    changed = season.replace(cultures=(season.cultures[0].replace(multiplication=rates),))
    write_season(changed, tmp_path / "again")
    assert read_season(tmp_path / "again") == changed


def test_stock_may_stand_where_it_costs_no_space(season: Season, tmp_path: Path) -> None:
    changed = season.replace(divisions=(season.divisions[0].replace(place=None, plants_per_m2=None),))
    write_season(changed, tmp_path / "again")
    assert read_season(tmp_path / "again") == changed


def test_old_rows_do_not_stay_when_a_season_without_any_is_written_over_them(multiplied: Path, season: Season) -> None:
    without = season.replace(cultures=(), divisions=())
    write_season(without, multiplied, overwrite=True)
    assert read_season(multiplied) == without
    write_season(without, multiplied / "new")
    assert not {"cultures.csv", "divisions.csv"} & {file.name for file in (multiplied / "new").iterdir()}


def test_the_tables_of_cultures_and_divisions_are_for_eyes(season: Season) -> None:
    table = season.table("cultures")
    assert [column for column in Culture.model_fields if column not in table.columns] == ["note"]
    first, second = table.to_dict("records")
    assert (first["multiplication"], first["contamination"], second["contamination"]) == (
        "1.9 2.2 2.4",
        "0.08 0.06",
        "0.05",
    )
    assert first["contamination_level"] == "season 0.3 cycle 0.7"
    assert (first["lab"], second["lab"], first["start"], second["start"]) == ("", "Lab Aurin", "", "2026-W45")
    assert (second["hood_hours"], second["off_types"], second["source"]) == ("", "", "")
    assert first["shelf_places"] == 240
    divisions = season.table("divisions")
    assert divisions["divisions"].tolist() == ["1.6 1.9", "4"]
    assert divisions["price"].tolist() == [16.0, ""]


def test_the_tables_of_a_season_that_multiplies_nothing_are_empty(folder: Path) -> None:
    season = read_season(folder)
    assert season.table("cultures").empty
    assert season.table("divisions").empty


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda season: season.culture("Hosta 'Belwin'"),
            "variety, \"Hosta 'Belwin'\": not in cultures. Add a row for it. cultures has rows for: Hosta "
            "'Ambrel', Calla 'Corvane'.",
        ),
        (
            lambda season: season.division("Hosta 'Belwin'"),
            "variety, \"Hosta 'Belwin'\": not in divisions. Add a row for it. divisions has rows for: Hosta "
            "'Ambrel', Calla 'Corvane'.",
        ),
        (
            lambda season: season.replace(cultures=()).culture("Hosta 'Belwin'"),
            "variety, \"Hosta 'Belwin'\": not in cultures. Add a row for it. cultures has rows for: none.",
        ),
        (
            lambda season: season.culture("Hosta Ambrel"),
            "variety, 'Hosta Ambrel': this season has no such variety. Did you mean \"Hosta 'Ambrel'\"?",
        ),
        (
            lambda season: season.replace(cultures=(season.cultures[0], {**CULTURE, "rooting": 0})),
            "cultures, row 2, column rooting, 0: not above 0. Write a number above 0.",
        ),
    ],
)
def test_what_a_season_does_not_say_of_multiplying_is_told(
    season: Season, call: Callable[[Season], object], message: str
) -> None:
    with pytest.raises(Refused) as caught:
        call(season)
    assert str(caught.value) == message


def test_a_variety_with_stages_of_its_own_is_entered_at_one_of_these(season: Season) -> None:
    stages = tuple(
        row.replace(applies_to="Hosta 'Ambrel'", stage=f"own {row.stage}") for row in season.route("Hosta 'Ambrel'")
    )
    with pytest.raises(Refused) as caught:
        season.replace(stages=season.stages + stages)
    assert [(fault.table, fault.row, fault.column, fault.value) for fault in caught.value.faults] == [
        ("cultures", 1, "enters", "acclimatisation"),
        ("divisions", 1, "enters", "growing on"),
    ]
