"""Rows of stages: survival in four ways, and times that vary."""

import csv
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from refusals import faults_of, refused_lines
from scipy import stats
from small_seasons import season, stage

import forecast
from forecast import show
from forecast.season.stages import Stage, routes, untold_order

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
COUNTED = {"survival": None, "survival_sd": None, "survived": 95, "of": 100}
GOOD_AND_BAD = {"survival": None, "survival_sd": None, "survival_bad": 0.7, "survival_good": 0.9}
RANGE = {"survival": None, "survival_sd": None, "survival_p5": 0.8, "survival_p95": 0.95}


def test_a_survival_is_said_in_any_of_its_ways() -> None:
    spread, counted, between = Stage(**STAGE), Stage(**STAGE | COUNTED), Stage(**STAGE | RANGE)
    assert (spread.stated.mean, spread.stated.sd) == (0.9, 0.05)
    assert counted.stated.mean == pytest.approx(95.5 / 101)  # Jeffreys' prior
    assert between.stated.quantile([0.05, 0.95]) == pytest.approx([0.8, 0.95])


@pytest.mark.parametrize(
    ("cells", "problem"),
    [
        (COUNTED | {"survival": 0.9}, "stated in more than one way"),
        (COUNTED | RANGE, "stated in more than one way"),
        (GOOD_AND_BAD | {"survival": 0.8, "survival_sd": 0.1}, "stated in more than one way"),
        (GOOD_AND_BAD | {"survival_good": None}, "only half"),
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
    assert told[0].endswith(", or survived and of, or survival_bad and survival_good.")


@pytest.mark.parametrize(
    ("cells", "column"),
    [
        ({"survival": 0, "survival_sd": 0}, "survival"),
        (COUNTED | {"survived": 0}, "survived"),
        (COUNTED | {"survived": 101}, "survived"),
        (RANGE | {"survival_p5": 0.95}, "survival_p95"),
        (RANGE | {"survival_p95": 1}, "survival_p95"),
        ({"survival_sd": 0.3}, "survival_sd"),
        ({"survival": 1, "survival_sd": 0.01}, "survival_sd"),
        ({"survival_sd": 1e-9}, "survival_sd"),
        (RANGE | {"survival_p95": 0.8 + 1e-9}, "survival_p5"),
        (GOOD_AND_BAD | {"survival_good": 0.7}, "survival_good"),
        (GOOD_AND_BAD | {"survival_good": 1}, "survival_good"),
        (GOOD_AND_BAD | {"survival_bad": 0}, "survival_bad"),
        (GOOD_AND_BAD | {"bad_one_in": 2}, "bad_one_in"),
    ],
)
def test_a_survival_that_cannot_be_is_refused_in_its_own_column(cells: dict[str, Any], column: str) -> None:
    assert [fault.column for fault in faults_of(Stage, **STAGE | cells)] == [column]


def test_times_and_survivals_vary_by_batch_if_nothing_else_is_said() -> None:
    unsaid = Stage(**STAGE | {"time_level": None, "survival_level": None, "batches_cv": 0.1})
    assert str(unsaid.duration.level) == "batch"
    assert str(unsaid.stated.level) == "batch"
    assert str(Stage(**STAGE | {"time_level": None, "plants_cv": 0.1}).duration.level) == "plant"


def test_one_row_is_a_route_with_few_cells() -> None:
    row = Stage(
        applies_to="hosta", place="house", typical=20, survival_bad="7 in 10", survival_good="9 in 10",
        survival_level="season", plants_per_m2=40,
    )  # fmt: skip
    assert (row.stage, row.runs_on, row.share_of) == ("growing on", "weeks", "entering")
    assert row.stated.quantile([0.05, 0.95]) == pytest.approx([0.7, 0.9])


@pytest.mark.parametrize(("one_in", "outside"), [(None, 0.05), ("20", 0.05), (10, 0.1)])
def test_good_and_bad_are_as_rare_as_is_said(one_in: object, outside: float) -> None:
    row = Stage(**STAGE | GOOD_AND_BAD | {"bad_one_in": one_in})
    a, b = row.stated.parameters
    assert stats.beta(a, b).cdf(0.7) == pytest.approx(outside, rel=1e-6)
    assert stats.beta(a, b).sf(0.9) == pytest.approx(outside, rel=1e-6)


@pytest.mark.parametrize("typed", ["9 in 10", "9 of 10", "9 out of 10", " 90 in 100 ", "4.5 in 5", 0.9, "0.9"])
def test_a_share_is_typed_as_some_in_so_many(typed: object) -> None:
    assert Stage(**STAGE | {"survival": typed}).survival == 0.9


@pytest.mark.parametrize("typed", ["11 in 10", "0 in 0", "9 in ten", "-1 in 10", "9 in 10 in 11"])
def test_more_than_there_are_is_refused(typed: str) -> None:
    (fault,) = faults_of(Stage, **STAGE | {"survival": typed})
    assert fault.column == "survival"


def test_whether_good_and_bad_are_years_or_batches_is_asked_once() -> None:
    rows = [
        {**stage(name, survival=None, survival_sd=None, survival_level=None), "survival_bad": 0.7, "survival_good": 0.9}
        for name in ("acclimatisation", "growing on")
    ]
    told = refused_lines(season, rows)
    assert told == [
        "stages, row 2, column survival_level: good and bad may be years or deliveries. Write season if a bad year is "
        "bad for all, batch if each delivery has its own luck. Likewise in row 3."
    ]
    assert season([row | {"survival_level": "season"} for row in rows]).stages[1].varies_by.shares == (("season", 1),)


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


def test_an_upper_threshold_lies_above_the_base_temperature() -> None:
    warm = {"runs_on": "degree-days", "base_temperature": 5, "upper_threshold": 5}
    assert "upper_threshold, 5.0: not above base_temperature, 5.0." in refused_lines(Stage, **STAGE | warm)[0]


def test_a_stage_changed_and_changed_back_is_the_same() -> None:
    assert Stage(**STAGE) == Stage(**STAGE).replace(survival=0.5).replace(survival=0.9)


def _sorted(folder: Path, *, step: bool) -> None:
    """Sort stages.csv from A to Z, as a spreadsheet would, with a column step that keeps the order, or without."""
    header, *rows = list(csv.reader((folder / "stages.csv").read_text(encoding="utf-8").splitlines()))
    seen: Counter[str] = Counter()
    for row in rows:
        seen[row[0]] += 1
        if step:
            row.append(str(seen[row[0]]))
    with (folder / "stages.csv").open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([[*header, "step"] if step else header, *sorted(rows)])


def test_stages_sorted_from_a_to_z_are_refused_without_steps_issue_17(folder: Path, refusal: Any) -> None:
    _sorted(folder, step=False)
    remedy = "Sort them in the order in which plants go through them, or number them in a column step."
    assert refusal() == [
        "stages.csv, rows 4, 7, column stage, 'growing on': grading comes before it, so the rows are not in the order "
        f"of the route. {remedy}"
    ]


def test_stages_with_steps_may_be_in_any_order_issue_17(folder: Path, tmp_path: Path) -> None:
    season = forecast.read_season(folder)
    _sorted(folder, step=True)
    stepped = forecast.read_season(folder)
    assert [row.stage for row in stepped.stages] != [row.stage for row in season.stages]
    for variety in ("Hosta 'Ambrel'", "Calla 'Corvane'"):
        assert [row.replace(step=None) for row in stepped.route(variety)] == list(season.route(variety))
        assert stepped.survivals(variety) == season.survivals(variety)
    assert [row.step for row in stepped.with_stage("Hosta 'Ambrel'", "grading", minutes=1).route("Hosta 'Ambrel'")] == [
        1, 2, 3,
    ]  # fmt: skip
    one, two = (forecast.simulate(each, draws=64, seed=1).table() for each in (season, stepped))
    assert one.equals(two)
    forecast.write_season(stepped, tmp_path / "again")
    assert forecast.read_season(tmp_path / "again") == stepped
    assert "step" not in season.table("stages").columns
    show.write_plan_workbook(forecast.simulate(stepped, draws=64, seed=1), tmp_path / "plan.xlsx")
    assert forecast.read_season(tmp_path / "plan.xlsx") == stepped


def test_steps_are_whole_and_each_stage_has_its_own_issue_17(folder: Path, refusal: Any) -> None:
    _sorted(folder, step=True)
    text = (folder / "stages.csv").read_text(encoding="utf-8")
    lines = text.splitlines()  # calla: acclimatisation, grading, growing on; hosta: the same
    lines[1] = lines[1][: -len(",1")] + ",1.5"
    lines[5] = lines[5][: -len(",3")] + ",1"
    lines[6] = lines[6][: -len(",2")] + ","
    (folder / "stages.csv").write_text("\n".join(lines), encoding="utf-8")
    assert refusal() == [
        "stages.csv, row 2, column step, '1.5': not a whole number. Write 1 or 2.",
        "stages.csv, row 6, column step, 1: the same step as row 5. Number the stages in their order.",
        "stages.csv, row 7, column step: other stages of this route have a step. Fill step in all of them.",
    ]


@pytest.mark.parametrize(
    ("typed", "late"),
    [
        (["Acclimatisation", "multiplication"], "multiplication"),
        (["weaning", "rooting"], "rooting"),
        (["growing on", "arrival"], "arrival"),
        (["hardening-off", "Grow on"], "Grow on"),
        (["pots", "grading", "frames", "spacing_out"], "spacing_out"),
        (["rooting", "arrival", "acclimatisation", "shade", "growing on", "grading"], None),
        (["grading trays", "arrival"], None),
    ],
)
def test_well_known_stages_come_in_the_order_of_a_plants_life_issue_17(typed: list[str], late: str | None) -> None:
    rows = [Stage(**STAGE | {"stage": name}) for name in typed]
    assert [fault.value for fault in untold_order(list(enumerate(rows, start=2)))] == ([late] if late else [])
    steps = [row.replace(step=10 - at) for at, row in enumerate(rows)]
    assert not list(untold_order(list(enumerate(steps, start=2))))
    assert [row.stage for row in routes(steps)["hosta"]] == typed[::-1]


def test_a_plant_that_enters_a_stage_is_paid_for_by_its_cost_materials_and_labour() -> None:
    """0.1, 0.25 for its pot, and three minutes of an hour at 12."""
    assert Stage(**STAGE | {"cost": 0.1, "minutes": 3, "materials": 0.25}).paid(12) == pytest.approx(0.95)
    assert Stage(**STAGE | {"cost": 0.1, "minutes": 3}).paid(12) == pytest.approx(0.7)
    assert "materials" not in Stage(**STAGE).given()
