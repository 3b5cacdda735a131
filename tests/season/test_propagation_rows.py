"""How varieties are multiplied: what a row and a file of it may say, and what is told when they say something else."""

import math
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from refusals import faults_of, refused, refused_lines
from small_cultures import nursery

import forecast
from forecast import Season, Week, read_season, write_season
from forecast.rates.by_cycle import ByCycle
from forecast.season.cells import LEAST, Row, is_error
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
    "start_death, cycle_weeks, multiplication, total, ....",
    Division: "variety, stock, price, first_weeks, round_weeks, divisions, divisions_cv, divisions_level, "
    "plants_cv, survival, survival_sd, survival_level, ....",
}
USUAL: dict[type[Row], dict[str, Any]] = {Culture: CULTURE, Division: DIVISION}


def refusal(kind: type[Row], **cells: Any) -> list[str]:
    return refused_lines(kind, **USUAL[kind] | cells)


def alike(
    kind: type[Row], problem: str, /, beside: dict[str, Any] | None = None, **cells: Sequence[object]
) -> Iterator[Any]:
    """Yield a case for each value of some columns that is refused for one reason, with other cells beside it."""
    for column, values in cells.items():
        for value in values:
            yield pytest.param(kind, column, value, problem, beside or {}, id=f"{kind.__name__} {column} {value}")


NO_RATE = "0 is not a rate. Write numbers from 0.000001 to 1,000."
CHANCE = "chance alone gives explants with a mean of 2.5 a cv of 0.633. Write 0, or at least 0.633."
ALL_LOST = "would lose every vessel. Write shares below 1."
NOT_WHOLE = "not a whole number. Write 1 or 2."
ABOVE_5 = "above 5. Write at most 5."
ABOVE_520 = "above 520. Write at most 520."
COMMENT = "starts with #, as comment lines do. Choose a name that starts otherwise."
TOO_WIDE = "no share with a mean of 0.9 has this standard deviation. Write a number from 0 to below 0.3."
TOO_FEW_HOURS = "too few hours for one vessel of each line in a subculture. Write more hours, or fewer lines."
NO_PLACES = "each explant starts in a vessel of its own, and there are 39 shelf places. Write at most 39."
NO_SUCH_WEEK = "there is no such week; 2027 has weeks 01 to 52. Write a week as year and week number, such as 2027-W14."
TEXTS_FOR_RATES = "-1", "many", "2,5", "2,5 3,0", "2.5, 3", "2.5;3", "", "  ", "2.5x", "inf", "1e400"
NO_LEVELS = "tray", "line", "season 0.5", "cycle 0.5 batch 0.6", "plant 0.5 cycle 0.5", ""
HOURS = {"minutes_per_vessel": 3}


def percent(number: int) -> str:
    return f"a share lies between 0 and 1. For {number} % write {number / 100:g}."


def percentage(number: float) -> str:
    return f"a percentage. Write the share itself: {number}."


REFUSED = [
    *alike(Culture, NO_RATE, multiplication=[0, "0", "2.5 0 3"]),
    *alike(Culture, "1,001 is not a rate. Write numbers from 0.000001 to 1,000.", multiplication=[1001]),
    *alike(Culture, NOT_NUMBERS, multiplication=[-1, *TEXTS_FOR_RATES, [], ["a"]], off_types=["few"]),
    *alike(Culture, NOT_NUMBERS, contamination=["text", "0,05", "-0.1", ""]),
    *alike(Culture, CHANCE, explants_cv=[0.1, 0.632]),
    *alike(Culture, ABOVE_5, multiplication_cv=[6], explants_cv=[5.1]),
    *alike(Culture, f"1 {ALL_LOST}", contamination=[1, "0.05 1"], off_types=[1]),
    *alike(Culture, f"150 {ALL_LOST}", contamination=[150]),
    *alike(Culture, "15 would lose every vessel. For 15 % write 0.15.", contamination=[15, "0.05 15"]),
    *alike(Culture, "5 would lose every vessel. For 5 % write 0.05.", off_types=["0.01 5"]),
    *alike(Culture, percent(15), start_contamination=[15]),
    *alike(Culture, percent(50), start_death=[50]),
    *alike(Culture, percent(90), rooting=[90]),
    *alike(Culture, percent(97), deflasking=[97]),
    *alike(Culture, percentage(0.2), multiplication_cv=["20%"]),
    *alike(Culture, percentage(0.22), start_contamination=["22%"]),
    *alike(Culture, percentage(0.9), rooting=["90%"]),
    *alike(Culture, NOT_BELOW_1, start_contamination=[1], start_death=[1]),
    *alike(Culture, TOO_WIDE, rooting_sd=[0.3]),
    *alike(Culture, "too small to be meant. Write 0, or at least 0.000001.", rooting_sd=[1e-7]),
    *alike(Culture, NOT_ABOVE_0, rooting=[0], deflasking=[0]),
    *alike(Culture, NOT_ABOVE_0, HOURS, hood_hours=[0, -1]),
    *alike(Culture, NO_NUMBER, HOURS, hood_hours=["x"], contamination_sd=["x"], explants=["many"]),
    *alike(Culture, "a decimal comma. Write 2.5.", HOURS, hood_hours=["2,5"]),
    *alike(Culture, TOO_FEW_HOURS, HOURS, hood_hours=[0.012]),
    *alike(Culture, "not a whole number. Write 80 or 81.", shelf_places=[80.5]),
    *alike(Culture, "more lines than explants. Write at most 40.", lines=[41]),
    *alike(Culture, "above 1,000. Write at most 1,000.", {"explants": 5000}, lines=[1001]),
    *alike(Culture, "not a whole number. Write 2 or 3.", explants=[2.5]),
    *alike(Culture, "could be read in two ways. Write 1200 or 1.2, whichever is meant.", explants=["1,200"]),
    *alike(Culture, NO_PLACES, {"shelf_places": 39}, explants=[40]),
    *alike(Culture, EMPTY, explants=[None], explants_cv=[None], variety=[""], enters=[""]),
    *alike(
        *(Culture, NOT_A_LEVEL), multiplication_level=NO_LEVELS, contamination_level=NO_LEVELS, rooting_level=NO_LEVELS
    ),
    *alike(Culture, BELOW_0, multiplication_cv=[-0.1], explants_cv=[-0.1], contamination_sd=[-0.1], deflasking=[-0.1]),
    *alike(Culture, BELOW_0, start_contamination=[-0.1], start_contamination_sd=[-0.1], rooting=[-1], rooting_sd=[-1]),
    *alike(Culture, BELOW_0, start_weeks=[-1], rooting_weeks=[-1], cost_start=[-1], cost_per_explant=[-1]),
    *alike(Culture, BELOW_0, cost_per_vessel=[-1], minutes_per_vessel=[-1], medium_per_vessel=[-1]),
    *alike(Culture, BELOW_1, cycle_weeks=[0], explants_per_vessel=[0], rooting_per_vessel=[0], most_cycles=[0]),
    *alike(Culture, BELOW_1, shelf_places=[0, -1], lines=[0], explants=[0]),
    *alike(Culture, NOT_WHOLE, cycle_weeks=[1.5], start_weeks=[1.5], rooting_weeks=[1.5], lines=[1.5]),
    *alike(Culture, NOT_WHOLE, explants_per_vessel=[1.5], most_cycles=[1.5]),
    *alike(Culture, ABOVE_520, cycle_weeks=[521], start_weeks=[521], rooting_weeks=[521]),
    *alike(Culture, "above 100. Write at most 100.", most_cycles=[101]),
    *alike(Culture, "not a week. Write it as year and week number, such as 2027-W14.", start=["14/2027"]),
    *alike(Culture, NO_SUCH_WEEK, start=["2027-W60"]),
    *alike(Culture, COMMENT, variety=["#A"], lab=["#1"]),
    *alike(Culture, "not a known column. Did you mean 'explants'?", explant=[40]),
    *alike(Culture, "not a known column. Did you mean 'cost_per_vessel'?", cost_pervessel=[1]),
    *alike(Culture, f"not a known column. Known names: {KNOWN[Culture]}", colour=["green"]),
    *alike(Division, NO_RATE, divisions=[0, "2 0"]),
    *alike(Division, NOT_NUMBERS, divisions=[-1, "many", "2,5", ""]),
    *alike(Division, ABOVE_5, divisions_cv=[6]),
    *alike(Division, NOT_A_LEVEL, divisions_level=["tray"], survival_level=["cycle 0.5"]),
    *alike(Division, BELOW_1, stock=[0], round_weeks=[0], most_rounds=[0]),
    *alike(Division, "not a whole number. Write 2 or 3.", stock=[2.5]),
    *alike(Division, EMPTY, stock=[None]),
    *alike(Division, BELOW_0, price=[-1], first_weeks=[-1], survival_sd=[-0.1], cost=[-1], minutes=[-1]),
    *alike(Division, ABOVE_520, first_weeks=[521], round_weeks=[521]),
    *alike(Division, "above 50. Write at most 50.", most_rounds=[51]),
    *alike(Division, NOT_ABOVE_0, survival=[0]),
    *alike(Division, NOT_ABOVE_0, {"place": "house"}, plants_per_m2=[0]),
    *alike(Division, percent(90), survival=[90]),
    *alike(Division, TOO_WIDE, survival_sd=[0.3]),
    *alike(Division, f"not a known column. Known names: {KNOWN[Division]}", explants=[40]),
    *alike(Division, "not a known column. Did you mean 'price'?", prise=[5]),
]


@pytest.mark.parametrize(("kind", "column", "value", "problem", "others"), REFUSED)
def test_a_row_is_refused_in_the_cell_that_is_at_fault(
    kind: type[Row], column: str, value: object, problem: str, others: dict[str, Any]
) -> None:
    shown = "" if value is None else f", {value!r}"
    assert refusal(kind, **others | {column: value}) == [f"{kind.__name__}, {column}{shown}: {problem}"]


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
    needed = [name for name, cell in kind.model_fields.items() if cell.is_required()]
    assert needed == list(USUAL[kind])
    assert refused_lines(kind) == [f"{kind.__name__}, {name}: {EMPTY}" for name in needed]


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
    assert [fault.column for fault in faults_of(kind, **USUAL[kind] | {column: number})] == [column]


@pytest.mark.parametrize(
    ("cells", "column"),
    [
        *(({"contamination_sd": sd}, "contamination_sd") for sd in (0.218, 0.3, 5.0)),
        *(({"start_contamination_sd": sd}, "start_contamination_sd") for sd in (0.3, 0.4)),
        ({"contamination": 0, "contamination_sd": 0.1}, "contamination_sd"),  # where nothing is lost nothing differs
        ({"contamination": "0 0.5", "contamination_sd": 0.1}, "contamination_sd"),
        ({"start_contamination": 0, "start_contamination_sd": 0.1}, "start_contamination_sd"),
        # In proportion to 0.1 of 0.05, 0.5 would differ by 1; what is in the cell is 0.1.
        ({"contamination": "0.05 0.5", "contamination_sd": 0.1}, "contamination_sd"),
    ],
)
def test_a_share_of_vessels_lost_cannot_spread_beyond_all_or_nothing(cells: dict[str, Any], column: str) -> None:
    (fault,) = faults_of(Culture, **CULTURE | cells)
    assert "has this standard deviation" in fault.problem
    assert (fault.column, fault.value) == (column, cells[column])


@pytest.mark.parametrize(("column", "sd"), [("contamination_sd", 0.2179), ("start_contamination_sd", 0.2999)])
def test_a_share_of_vessels_lost_can_spread_nearly_to_all_or_nothing(column: str, sd: float) -> None:
    """Of mean 0.05, no share on [0, 1] has a standard deviation of sqrt(0.05 x 0.95) = 0.2179 or more."""
    assert getattr(Culture(**CULTURE, **{column: sd}), column) == sd


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
    assert culture.enters == "acclimatisation"
    assert culture.hood_hours is culture.shelf_places is culture.off_types is None
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
    assert (other.lab, other.start, other.lines) == ("Lab Aurin", Week(2026, 45), 1)
    assert other.contamination.values == (0.05,)
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


CORRECT = "no variety of this name in varieties. Correct the spelling, or add it to varieties."
TWICE = "the same as row 2. Keep one of the two rows, or change its variety."
NO_STAGE = "Hosta 'Ambrel' has no such stage."
HALF = "only half of the space for stock plants is stated. Fill both place and plants_per_m2."
PLACE = "no place of this name in places. Correct the spelling, or add it to places."
ABSENT = (
    "row 1, column rooting_level: the column is missing. Add it to the header.",
    "row 1, column note: the column appears twice. Keep one of the two.",
)
CASES = [
    ("cultures.csv", "multiplication_cv", "multiplcation_spread",
     "row 1, column multiplcation_spread: no such column. Did you mean 'multiplication_cv'?"),
    ("divisions.csv", "most_rounds", "most_round",
     "row 1, column most_round: no such column. Did you mean 'most_rounds'?"),
    ("cultures.csv", "rooting_level", "note", *ABSENT),
    ("cultures.csv", "Hosta 'Ambrel'", "Hosta 'Ambrell'",
     f'row 2, column variety, "Hosta \'Ambrell\'": {CORRECT} Did you mean "Hosta \'Ambrel\'"?'),
    ("divisions.csv", "Calla 'Corvane'", "Iris",
     f"row 3, column variety, 'Iris': {CORRECT} Known names: Calla 'Corvane', Hosta 'Ambrel', Hosta 'Belwin'."),
    ("cultures.csv", "Calla 'Corvane'", "Hosta 'Ambrel'", f'row 3, column variety, "Hosta \'Ambrel\'": {TWICE}'),
    ("divisions.csv", "Calla 'Corvane'", "Hosta 'Ambrel'", f'row 3, column variety, "Hosta \'Ambrel\'": {TWICE}'),
    ("cultures.csv", "0.97,acclimatisation", "0.97,aclimatisation",
     f"row 2, column enters, 'aclimatisation': {NO_STAGE} Did you mean 'acclimatisation'?"),
    ("divisions.csv", "growing on", "potting",
     f"row 2, column enters, 'potting': {NO_STAGE} Known names: acclimatisation, growing on, grading."),
    ("divisions.csv", ",house,", ",hose,", f"row 2, column place, 'hose': {PLACE} Did you mean 'house'?"),
    ("divisions.csv", ",house,16.5,", ",house,,", f"row 2, column plants_per_m2: {HALF}"),
    ("divisions.csv", ",house,16.5,", ",,16.5,", f"row 2, column place: {HALF}"),
    ("cultures.csv", ",0.08 0.06,", ",8 6,",
     "row 2, column contamination, '8 6': 8 would lose every vessel. For 8 % write 0.08."),
    ("cultures.csv", "1.9 2.2 2.4", '"1.9, 2.2, 2.4"',
     f"row 2, column multiplication, '1.9, 2.2, 2.4': {NOT_NUMBERS}"),
    ("cultures.csv", "belief 0.4 cycle 0.6", "belief 0.4 round 0.6",
     f"row 2, column rooting_level, 'belief 0.4 round 0.6': {NOT_A_LEVEL}"),
    ("cultures.csv", ",40,4,", ",40,50,", "row 2, column lines, 50: more lines than explants. Write at most 40."),
]  # fmt: skip


@pytest.mark.usefixtures("multiplied")
@pytest.mark.parametrize("case", CASES)
def test_a_fault_is_reported_with_file_row_column_and_remedy(
    change: Change, refusal: Refusal, case: tuple[str, ...]
) -> None:
    file, old, new, *lines = case
    change(file, old, new)
    assert sorted(refusal()) == sorted(f"{file}, {line}" for line in lines)


@pytest.mark.usefixtures("multiplied")
def test_all_faults_of_both_files_are_reported_at_once(change: Change, refusal: Refusal) -> None:
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
        f"cultures.csv, row 2, column multiplication, '1.9 0 2.4': {NO_RATE}",
        f"cultures.csv, row 2, column rooting, '0': {NOT_ABOVE_0}",
        f"cultures.csv, row 2, column deflasking, '97': {percent(97)}",
        f"cultures.csv, row 3, column variety, \"Calla 'Corvan'\": {CORRECT} Did you mean \"Calla 'Corvane'\"?",
        f"divisions.csv, row 2, column stock, '0': {BELOW_1}",
        f"divisions.csv, row 2, column price, '-16.00': {BELOW_0}",
        f"divisions.csv, row 3, column place, 'shed': {PLACE} Known names: house, shade.",
        "divisions.csv, row 3, column enters, 'weaning': Calla 'Corvane' has no such stage. Known names: "
        "acclimatisation, growing on, grading.",
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


def test_decimal_commas_in_numbers_by_cycle_say_the_same(multiplied: Path) -> None:
    season = read_season(multiplied)
    european(multiplied, by_cycle=True)
    assert read_season(multiplied) == season


def test_levels_keep_their_points_in_a_semicolon_file(multiplied: Path, change: Change, refusal: Refusal) -> None:
    european(multiplied, by_cycle=False)
    change("cultures.csv", "belief 0.4 cycle 0.6", "belief 0,4 cycle 0,6")
    assert refusal() == [f"cultures.csv, row 2, column rooting_level, 'belief 0,4 cycle 0,6': {NOT_A_LEVEL}"]


SHARED = st.sampled_from(["belief", "batch", "cycle", "season 0.25 batch 0.5 cycle 0.25", "variety 0.1 cycle 0.9"])
LEVELS = SHARED | st.just("plant")
COUNTED = st.integers(1, 10**6)
MONEY = st.floats(0, 1e9)
PLACES = st.sampled_from(["house", "shade"])
LETTERS = st.characters(exclude_categories=["Cc", "Cs"]) | st.sampled_from('\n\t,;"#')
TEXTS = st.none() | st.text(LETTERS, max_size=20).filter(lambda text: not is_error(text.strip()))


def by_cycle(least: int, most: int) -> st.SearchStrategy[ByCycle]:
    """Numbers of up to six decimals."""
    numbers = st.integers(least, most).map(lambda number: number / 10**6)
    return st.lists(numbers, min_size=1, max_size=6).map(lambda drawn: ByCycle(tuple(drawn)))


def drawn(draw: st.DrawFn, cells: st.SearchStrategy[object], *columns: str) -> dict[str, Any]:
    """Draw cells of several columns that may hold the same."""
    return {column: draw(cells) for column in columns}


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
        **drawn(draw, st.floats(0, 0.999), "start_contamination", "start_death"),
        cycle_weeks=draw(st.integers(1, 520)),
        multiplication=rates,
        multiplication_cv=draw(st.floats(0, 5)),
        multiplication_level=draw(SHARED),
        explants_cv=draw(st.just(0.0) | st.floats(least, max(least, 5))),
        contamination=draw(by_cycle(0, 999_999)),
        contamination_level=draw(LEVELS),
        most_cycles=draw(st.integers(1, 100)),
        off_types=draw(st.none() | by_cycle(0, 999_999)),
        **drawn(draw, st.integers(0, 520), "start_weeks", "rooting_weeks"),
        rooting=draw(st.floats(0.001, 0.999)),
        rooting_sd=draw(st.just(0.0) | st.floats(0.001, 0.03)),
        rooting_level=draw(SHARED),
        **drawn(draw, COUNTED, "explants_per_vessel", "rooting_per_vessel"),
        deflasking=draw(st.floats(0.001, 1)),
        enters=draw(st.sampled_from(["acclimatisation", "growing on", "grading"])),
        hood_hours=draw(st.floats(3, 1e6)) if limit else None,
        minutes_per_vessel=draw(st.floats(0.1, 60)),
        shelf_places=draw(st.none() | st.integers(explants, 10**7)),
        **drawn(draw, MONEY, "medium_per_vessel", "cost_start", "cost_per_explant", "cost_per_vessel"),
        **drawn(draw, TEXTS, "source", "note"),
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
        **drawn(draw, MONEY, "cost"),
        minutes=draw(st.just(0.0) | st.floats(LEAST, 1e9)),
        **drawn(draw, TEXTS, "source", "note"),
    )


@pytest.fixture
def season(multiplied: Path) -> Season:
    return read_season(multiplied)


@pytest.mark.filterwarnings("ignore:[0-9]+ entr")
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


def test_stock_may_be_where_it_costs_no_space(season: Season, tmp_path: Path) -> None:
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
    assert [column for column in Culture.model_fields if column not in table.columns] == ["total", "note"]
    first, second = table.to_dict("records")
    assert (first["multiplication"], first["contamination"]) == ("1.9 2.2 2.4", "0.08 0.06")
    assert second["contamination"] == "0.05"
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


def absent(table: str, rows: str) -> str:
    return f"variety, \"Hosta 'Belwin'\": not in {table}. Add a row for it. {table} has rows for: {rows}."


ROWS = "Hosta 'Ambrel', Calla 'Corvane'"


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda season: season.culture("Hosta 'Belwin'"), absent("cultures", ROWS)),
        (lambda season: season.division("Hosta 'Belwin'"), absent("divisions", ROWS)),
        (lambda season: season.replace(cultures=()).culture("Hosta 'Belwin'"), absent("cultures", "none")),
        (
            lambda season: season.culture("Hosta Ambrel"),
            "variety, 'Hosta Ambrel': this season has no such variety. Did you mean \"Hosta 'Ambrel'\"?",
        ),
        (
            lambda season: season.replace(cultures=(season.cultures[0], {**CULTURE, "rooting": 0})),
            f"cultures, row 3, column rooting, 0: {NOT_ABOVE_0}",
        ),
    ],
)
def test_what_a_season_does_not_say_of_multiplying_is_reported(
    season: Season, call: Callable[[Season], object], message: str
) -> None:
    assert refused(call, season) == message


def test_a_variety_with_stages_of_its_own_is_entered_at_one_of_these(season: Season) -> None:
    stages = tuple(
        row.replace(applies_to="Hosta 'Ambrel'", stage=f"own {row.stage}") for row in season.route("Hosta 'Ambrel'")
    )
    faults = faults_of(season.replace, stages=season.stages + stages)
    assert [(fault.table, fault.row, fault.column, fault.value) for fault in faults] == [
        ("cultures", 2, "enters", "acclimatisation"),
        ("divisions", 2, "enters", "growing on"),
    ]


def test_a_rate_and_a_total_that_contradict_each_other_are_reported_with_both():
    """Banana 'Nanicao' at 2.1 a subculture makes 86 of one explant in six, and not the 189 printed."""
    text = refused(nursery, {"multiplication": 2.1, "total": "189 after 6", "most_cycles": 6})
    assert text.startswith("cultures, row ")
    assert text.endswith(
        "column total, '189 after 6': multiplication 2.1 makes 85.8 shoots of one explant in 6 "
        "subcultures. Correct one of the two: 189 after 6 is 2.396 a subculture."
    )
    for rate, total in ((2.1, "86 after 6"), (2.1, "98 after 6"), (2.1, "75 after 6"), ("2 3", "18 after 3")):
        nursery({"multiplication": rate, "total": total})
    for rate, total in ((2.1, "100 after 6"), (2.1, "73 after 6"), ("2.0 3.0", "45 after 3")):
        assert "Correct one of the two" in refused(nursery, {"multiplication": rate, "total": total})
    assert "Write, for example, 189 after 6." in refused(nursery, {"total": "189 of 6"})


def test_a_total_alone_states_the_rate_and_the_rate_is_said():
    culture = {"multiplication": None, "total": "189 after 6", "most_cycles": 6}
    made = forecast.multiply(nursery(culture), "A", draws=4, seed=1)
    assert made.way.rates.at(6) == pytest.approx(189 ** (1 / 6))
    assert "189 after 6 subcultures is 2.396 shoots per explant and subculture." in str(made)


def test_a_rate_that_holds_for_later_subcultures_is_said():
    made = forecast.multiply(nursery({"multiplication": "2 3"}), "A", draws=4, seed=1)
    assert "From subculture 3 on, each explant gives 3 shoots, the last rate stated." in str(made)
    assert "last rate" not in str(forecast.multiply(nursery({"multiplication": "2 3"}), "A", subcultures=2, draws=4))
