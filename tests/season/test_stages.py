"""Rows of stages: survival in three ways, and times that vary."""

from typing import Any

import pytest
from refusals import faults_of, refused_lines

from forecast.season.stages import Stage

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
RANGE = {"survival": None, "survival_sd": None, "survival_p5": 0.8, "survival_p95": 0.95}


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


def test_an_upper_threshold_lies_above_the_base_temperature() -> None:
    warm = {"runs_on": "degree-days", "base_temperature": 5, "upper_threshold": 5}
    assert "upper_threshold, 5.0: not above base_temperature, 5.0." in refused_lines(Stage, **STAGE | warm)[0]


def test_a_stage_changed_and_changed_back_is_the_same() -> None:
    assert Stage(**STAGE) == Stage(**STAGE).replace(survival=0.5).replace(survival=0.9)
