"""Climate, clocks, heat and cold: what is refused, word by word, and what is written and read back."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from forecast import Refused, Season, read_season, write_season
from forecast.season.places import Normal, Place
from forecast.season.stages import Stage

Change = Callable[[str, str, str], None]
Refusal = Callable[[], list[str]]

LOW = (-2.5, -2, 0.5, 3, 7.5, 11, 13, 12.5, 9, 5, 1.5, -1)
STAGES = """\
applies_to,stage,place,runs_on,typical,base_temperature,upper_threshold,batches_cv,plants_cv,time_level,survival,survival_sd,\
survived,of,survival_level,cold_below,cold_loss,heat_above,heat_loss,share_of,plants_per_m2,cost
hosta,arrival,house,weeks,0,,,,,,0.97,0.01,,,batch,5,0.08,28,0.15,entering,478,
hosta,acclimatisation,house,weeks,4,,,0.15,0.1,batch,0.85,0.07,,,batch,,,30,0.2,entering,478,0.08
hosta,growing on,shade,degree-days,620,5,30,0.15,0.1,batch,0.95,0.02,,,batch,,,,,entering,69,0.4
calla,acclimatisation,house,weeks,5,,,0.2,0.1,batch,0.8,0.05,,,batch,,,,,entering,478,0.08
calla,growing on,house,degree-days,900,8.5,,0.2,0.1,batch,0.89,0.03,,,batch,,,,,entering,69,0.4
"""
PLACES = """\
place,area,usable,cost_per_m2_week,warmer_by,held_above,shaded_by,first_week,last_week
house,80,0.6,3.20,3.5,12,0,,
shade,120,0.75,1.40,,,2.5,2026-W40,2026-W46
shade,120,0.75,1.40,1,,2.5,2027-W12,2028-W06
"""
MONTHS = "".join(f"{k},{low},{low + 8.5},1.5,from memory\n" for k, low in enumerate(LOW, start=1))
CLIMATE = f"month,t_min,t_max,year_sd,source\n{MONTHS}"


@pytest.fixture(autouse=True)
def weathered(folder: Path) -> Path:
    """The folder, with stages that depend on the weather, places that differ from it, and a climate."""
    for name, text in (("stages.csv", STAGES), ("places.csv", PLACES), ("climate.csv", CLIMATE)):
        (folder / name).write_text(text, encoding="utf-8", newline="")
    toml = (folder / "season.toml").read_text(encoding="utf-8")
    more = 'location = "Ambrel Hill"\npersistence = 0.35\ndaily_course = "triangle"\n'
    (folder / "season.toml").write_text(toml + more, encoding="utf-8", newline="")
    return folder


def case(name: str, old: str, new: str, *lines: str) -> object:
    file, _ = lines[0].split(",", 1)
    return pytest.param(file, old, new, list(lines), id=name)


GROWING = "hosta,growing on,shade,degree-days,620,5,30,"
ARRIVAL = "batch,5,0.08,28,0.15,"
LATER = "0.95,0.02,,,batch,,,,,"
HEAT = "this cell is empty. Fill both heat_above and heat_loss, or neither."
COLD = "this cell is empty. Fill both cold_below and cold_loss, or neither."
TOO_LATE = "heat and cold limits work only in the arrival stage and the first stage that takes time. Clear them here."
CASES = [
    case("degree-days without a base", GROWING, "hosta,growing on,shade,degree-days,620,,30,",
         "stages.csv, row 4, column base_temperature: required when runs_on is degree-days. Write it in °C."),
    case("a cap at the base", GROWING, "hosta,growing on,shade,degree-days,620,5,5,",
         "stages.csv, row 4, column upper_threshold, 5.0: not above base_temperature, 5.0. Swap or correct the two."),
    case("a base for weeks", "hosta,acclimatisation,house,weeks,4,,", "hosta,acclimatisation,house,weeks,4,5,",
         "stages.csv, row 3, column base_temperature, 5.0: not used by a stage that runs on weeks. Clear it, or set "
         "runs_on to degree-days."),
    case("degree-days for weeks", "hosta,growing on,shade,degree-days,620,5,30,", "hosta,growing on,shade,weeks,620,,,",
         "stages.csv, row 4, column typical, 620.0: above 520. Write at most 520."),
    case("more degree-days than can be meant", ",900,8.5,", ",90000,8.5,",
         "stages.csv, row 6, column typical, '90000': above 50,000. Write at most 50,000."),
    case("a clock in days", ",degree-days,620", ",days,620",
         "stages.csv, row 4, column runs_on, 'days': not one of the words for this column. Write 'weeks' or "
         "'degree-days'."),
    case("a base in Fahrenheit", ",900,8.5,", ",900,88,",
         "stages.csv, row 6, column base_temperature, '88': above 60. Write at most 60."),
    case("heat without its loss", ARRIVAL, "batch,5,0.08,28,,", f"stages.csv, row 2, column heat_loss: {HEAT}"),
    case("a loss without its heat", ARRIVAL, "batch,5,0.08,,0.15,", f"stages.csv, row 2, column heat_above: {HEAT}"),
    case("cold without its loss", ARRIVAL, "batch,5,,28,0.15,", f"stages.csv, row 2, column cold_loss: {COLD}"),
    case("a loss without its cold", ARRIVAL, "batch,,0.08,28,0.15,", f"stages.csv, row 2, column cold_below: {COLD}"),
    case("a negative loss", ARRIVAL, "batch,5,-0.08,28,0.15,",
         "stages.csv, row 2, column cold_loss, '-0.08': below 0. Write at least 0."),
    case("heat in a later stage", LATER, "0.95,0.02,,,batch,,,30,0.1,",
         f"stages.csv, row 4, column heat_above, 30.0: {TOO_LATE}"),
    case("cold in a later stage", LATER, "0.95,0.02,,,batch,4,0.1,,,",
         f"stages.csv, row 4, column cold_below, 4.0: {TOO_LATE}"),
    case("a missing month", "4,3,11.5,1.5,from memory\n", "",
         "climate.csv, month: not a whole year: month 4 missing. Write 12 rows, one for each month."),
    case("a month twice", "12,-1,", "1,-1,",
         "climate.csv, row 13, column month, '1': the same as row 2. Keep one of the two rows, or change its month "
         "or week.",
         "climate.csv, month: not a whole year: month 12 missing. Write 12 rows, one for each month."),
    case("month 13", "12,-1,", "13,-1,", "climate.csv, row 13, column month, '13': above 12. Write at most 12."),
    case("a month by its name", "12,-1,", "December,-1,",
         "climate.csv, row 13, column month, 'December': not a number. Write digits with a decimal point, without "
         "unit or spaces, such as 12.5."),
    case("no month", "12,-1,", ",-1,",
         "climate.csv, row 13, column month: neither of month and week filled. Fill one of the two."),
    case("a high below the low", "7,13,21.5", "7,13,2.5",
         "climate.csv, row 8, column t_max, 2.5: below t_min, 13.0. Swap or correct the two."),
    case("Fahrenheit", "7,13,21.5", "7,55.4,70.7",
         "climate.csv, row 8, column t_max, '70.7': above 60. Write at most 60."),
    case("colder than any air", "1,-2.5,", "1,-250,",
         "climate.csv, row 2, column t_min, '-250': below -90. Write at least -90."),
    case("a negative spread", "21.5,1.5,", "21.5,-1.5,",
         "climate.csv, row 8, column year_sd, '-1.5': below 0. Write at least 0."),
    case("no spread", "21.5,1.5,", "21.5,,",
         "climate.csv, row 8, column year_sd: this cell is empty but required. Fill it in."),
    case("a spread in per cent", "21.5,1.5,", "21.5,15%,",
         "climate.csv, row 8, column year_sd, '15%': a percentage. Write the share itself: 0.15."),
    case("a place cooler by a warmth", "3.5,12,0", "-3.5,12,0",
         "places.csv, row 2, column warmer_by, '-3.5': below 0. Write at least 0."),
    case("shade that warms", "3.5,12,0", "3.5,12,-1",
         "places.csv, row 2, column shaded_by, '-1': below 0. Write at least 0."),
    case("held above in Fahrenheit", "3.5,12,0", "3.5,68,0",
         "places.csv, row 2, column held_above, '68': above 60. Write at most 60."),
    case("warmer by a temperature", "3.5,12,0", "41,12,0",
         "places.csv, row 2, column warmer_by, '41': above 40. Write at most 40."),
    case("persistence in per cent", "persistence = 0.35", "persistence = 35",
         "season.toml, persistence, 35: above 0.95. Write at most 0.95."),
    case("a course of the day by another name", '"triangle"', '"cosine"',
         "season.toml, daily_course, 'cosine': not one of the words for this column. Write 'sine', 'triangle', "
         "'mean' or 'limited mean'."),
]  # fmt: skip


@pytest.mark.parametrize(("file", "old", "new", "lines"), CASES)
def test_a_fault_is_reported_with_place_value_and_remedy(
    change: Change, refusal: Refusal, file: str, old: str, new: str, lines: list[str]
) -> None:
    change(file, old, new)
    assert refusal() == lines


def test_months_and_weeks_are_not_mixed(folder: Path, refusal: Refusal) -> None:
    rows = CLIMATE.replace("month,", "month,week,").splitlines()
    rows[1:] = [row.replace(",", ",,", 1) for row in rows[1:]]
    rows[12] = rows[12].replace("12,,", ",12,")
    (folder / "climate.csv").write_text("\n".join(rows), encoding="utf-8")
    assert refusal() == [
        "climate.csv, row 13, column month: months and weeks are mixed. Fill month in all rows.",
        "climate.csv, month: not a whole year: month 12 missing. Write 12 rows, one for each month.",
    ]
    rows[12] = rows[12].replace(",12,", "12,50,")
    (folder / "climate.csv").write_text("\n".join(rows), encoding="utf-8")
    assert refusal() == ["climate.csv, row 13, column month: both of month and week filled. Fill one of the two."]


@pytest.mark.parametrize("kept", [51, 12])
def test_weeks_that_are_missing_are_reported_by_their_numbers(folder: Path, refusal: Refusal, kept: int) -> None:
    rows = [f"{week},8,16,1.5" for week in range(1, kept + 1)]
    (folder / "climate.csv").write_text("\n".join(["week,t_min,t_max,year_sd", *rows]), encoding="utf-8")
    absent = ", ".join(str(week) for week in range(kept + 1, 53))
    told = f"climate.csv, week: not a whole year: week {absent} missing. Write 52 rows, one for each week."
    assert refusal() == [told]


def test_stages_that_ask_for_weather_ask_for_a_climate_once(folder: Path, change: Change, refusal: Refusal) -> None:
    (folder / "climate.csv").unlink()
    remedy = "Add climate.csv with 12 months or 52 weeks, or set runs_on to weeks and clear heat and cold."
    told = "depends on the weather, but the season has no climate"
    assert refusal() == [f"stages.csv, row 2, column heat_above, 28.0: {told}. {remedy}"]
    change("stages.csv", ARRIVAL, "batch,5,0.08,,,")
    assert refusal() == [f"stages.csv, row 2, column cold_below, 5.0: {told}. {remedy}"]
    change("stages.csv", "batch,5,0.08,,,", "batch,,,,,")
    change("stages.csv", "batch,,,30,0.2,", "batch,,,,,")
    assert refusal() == [f"stages.csv, row 4, column runs_on, 'degree-days': {told}. {remedy}"]


def test_a_climate_whose_rows_cannot_be_read_is_not_called_missing(folder: Path, refusal: Refusal) -> None:
    (folder / "climate.csv").write_text("month,t_min,t_max,year_sd\n" + "1,a,b,c\n", encoding="utf-8")
    assert not [line for line in refusal() if "has no climate" in line]


def test_a_daily_range_that_leaps_from_month_to_month_is_refused(change: Change, refusal: Refusal) -> None:
    change("climate.csv", "7,13,21.5", "7,13,13")
    (line,) = refusal()
    assert line.startswith("climate.csv, t_max: the maxima would fall below the minima within a month. ")


def test_all_faults_of_stages_and_climate_are_reported_at_once(change: Change, refusal: Refusal) -> None:
    change("stages.csv", GROWING, "hosta,growing on,shade,degree-days,620,,30,")
    change("stages.csv", ",900,8.5,", ",900,8.5,8,")
    change("climate.csv", "7,13,21.5", "7,13,2.5")
    change("climate.csv", "12,-1,", "13,-1,")
    assert len(refusal()) == 4


def test_a_season_in_weather_is_read_back_as_it_was_written(folder: Path) -> None:
    season = read_season(folder)
    write_season(season, folder / "again")
    assert read_season(folder / "again") == season
    assert (season.location, season.persistence, season.daily_course) == ("Ambrel Hill", 0.35, "triangle")
    assert season.normals.t_min == LOW
    assert season.by_weather("Hosta 'Ambrel'")
    assert season.stages[2].duration.unit == "degree-days above 5 °C"


def test_a_climate_saved_with_semicolons_and_decimal_commas_says_the_same(folder: Path) -> None:
    season = read_season(folder)
    for name in ("climate.csv", "places.csv", "stages.csv"):
        text = (folder / name).read_text(encoding="utf-8")
        (folder / name).write_text(text.replace(",", ";").replace(".", ","), encoding="utf-8")
    assert ";21,5;1,5;" in (folder / "climate.csv").read_text(encoding="utf-8")
    assert read_season(folder) == season


def test_the_order_of_the_months_does_not_matter(folder: Path) -> None:
    season = read_season(folder)
    header, *rows = CLIMATE.splitlines()
    (folder / "climate.csv").write_text("\n".join([header, *reversed(rows)]), encoding="utf-8")
    assert read_season(folder).normals == season.normals


degrees = st.floats(-40, 45)


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    lows=st.lists(degrees, min_size=52, max_size=52),
    ranges=st.lists(st.floats(0, 15), min_size=52, max_size=52),
    year_sd=st.floats(0, 6),
    limits=st.tuples(st.floats(-5, 12), st.floats(12.5, 40)),
    losses=st.tuples(st.floats(0, 3), st.floats(0, 3)),
    place=st.tuples(st.floats(0, 40), st.none() | degrees, st.floats(0, 40)),
    persistence=st.floats(0, 0.95),
)
@pytest.mark.filterwarnings("ignore:[0-9]+ entr")
def test_every_digit_of_a_climate_is_kept(
    folder: Path,
    tmp_path_factory: pytest.TempPathFactory,
    lows: list[float],
    ranges: list[float],
    year_sd: float,
    limits: tuple[float, float],
    losses: tuple[float, float],
    place: tuple[float, float | None, float],
    persistence: float,
) -> None:
    season = read_season(folder)
    rows = [
        Normal(week=k, t_min=low, t_max=low + more, year_sd=year_sd)
        for k, (low, more) in enumerate(zip(lows, ranges, strict=True), start=1)
    ]
    warm: dict[str, Any] = dict(zip(("warmer_by", "held_above", "shaded_by"), place, strict=True))
    changed = season.replace(
        climate=rows, persistence=persistence, places=tuple(row.replace(**warm) for row in season.places)
    )
    changed = changed.with_stage("hosta", "growing on", base_temperature=limits[0], upper_threshold=limits[1])
    harm = {"cold_below": limits[0], "cold_loss": losses[0], "heat_above": limits[1], "heat_loss": losses[1]}
    changed = changed.with_stage("hosta", "arrival", **harm)
    again = tmp_path_factory.mktemp("round") / "season"
    write_season(changed, again)
    assert read_season(again) == changed


def test_a_row_that_is_made_in_python_is_refused_in_the_same_words() -> None:
    cells = {"applies_to": "hosta", "stage": "growing on", "place": "house", "runs_on": "degree-days", "typical": 500}
    cells |= {"time_level": "batch", "survival": 0.9, "survival_sd": 0, "survival_level": "batch"}
    cells |= {"share_of": "entering", "plants_per_m2": 69}
    with pytest.raises(Refused, match=r"base_temperature: required when runs_on is degree-days"):
        Stage(**cells)
    with pytest.raises(Refused, match=r"warmer_by, -1: below 0\. Write at least 0"):
        Place(place="house", area=1, usable=1, warmer_by=-1)
    header = {"name": "s", "currency": "EUR", "first_week": "2027-W01", "weeks": 9, "service_level": 0.9}
    empty: dict[str, Any] = dict.fromkeys(("varieties", "stages", "places", "price_list", "targets"), ())
    with pytest.raises(Refused, match="climate: this season has no climate"):
        _ = Season(**header, **empty).normals


MEAN = "month,t_min,t_max,t_mean,year_sd,source\n"


def _with_mean(folder: Path, mean: float) -> None:
    months = "".join(f"{k},{low},{low + 8.5},{low + mean},1.5,from memory\n" for k, low in enumerate(LOW, start=1))
    (folder / "climate.csv").write_text(MEAN + months, encoding="utf-8", newline="")


@pytest.mark.parametrize("mean", [0, 3.25, 8.5])
def test_the_middle_of_minimum_and_maximum_is_the_published_mean(folder: Path, mean: float) -> None:
    plain = read_season(folder).normals
    _with_mean(folder, mean)
    season = read_season(folder)
    assert {row.t_mean for row in season.climate} == {low + mean for low in LOW}
    for week in ("2027-W02", "2027-W29", "2027-W45"):
        low, high = season.normals.normal(week)
        assert high - low == pytest.approx(8.5)
        assert (low + high) / 2 == pytest.approx(sum(plain.normal(week)) / 2 - 4.25 + mean)


def test_a_mean_in_the_middle_changes_nothing(folder: Path) -> None:
    plain = read_season(folder).normals
    _with_mean(folder, 4.25)
    assert read_season(folder).normals == plain


@pytest.mark.parametrize(
    ("mean", "line"),
    [
        (-1, "column t_mean, -3.5: below t_min, -2.5. Swap or correct the two."),
        (9, "column t_max, 6.0: below t_mean, 6.5. Swap or correct the two."),
    ],
)
def test_a_mean_beyond_minimum_and_maximum_is_refused(folder: Path, refusal: Refusal, mean: float, line: str) -> None:
    _with_mean(folder, mean)
    assert refusal()[0] == f"climate.csv, row 2, {line}"
    assert len(refusal()) == 12
