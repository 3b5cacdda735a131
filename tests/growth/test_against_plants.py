"""The engine against a simulation of single plants that shares none of its formulas.

Each named cell (a state in a week) must agree within 3 standard errors of the difference. The cells were
named, and the seeds set to 1, before the first run; at 3 standard errors a right engine fails a cell once
in 370, so the cells are few. The simulation is large enough to see an error of 1 % in a mean.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from labelled import plants_by_state
from plant_by_plant import LOST, PAST, SALEABLE, draw, walk
from small_seasons import MIXED, season, stage

from forecast.growth.simulation import simulate

REPLICATES = 16_000
SCRAMBLES = range(1, 9)  # the engine's own error is taken from its repeats
DRAWS = 4096


@dataclass(frozen=True)
class Case:
    """A season, its orders, and the cells that are compared."""

    season: Any
    orders: tuple[tuple[str, str, int], ...]
    means: dict[str, tuple[int, ...]]
    chances: tuple[tuple[int, int], ...]


ROUTE = [
    stage("arrival", survival=0.96, survival_sd=0.03),
    stage("acclimatisation", typical=4, batches_cv=0.12, plants_cv=0.1, survival=0.8, survival_sd=0.1),
    stage("growing on", typical=5, batches_cv=0.15, plants_cv=0.25, survival=0.9, survival_sd=0.05),
    stage("hardening", typical=7, batches_cv=0.15, plants_cv=0.1, survival=0.93, survival_sd=0.04),
    stage("grading", survival=0.95, survival_level="plant"),
]
MIXED_ROUTE = [
    row
    | ({"time_level": "season 0.5 batch 0.5"} if row["typical"] else {})
    | (
        {"survival_level": "belief 0.4 batch 0.6" if row["stage"] == "acclimatisation" else MIXED}
        if row["stage"] != "grading"
        else {}
    )
    for row in ROUTE
]
CASES = {
    "one batch": Case(
        season(ROUTE, saleable_weeks=6, weeks=36),
        (("A", "2027-W03", 24),),
        {
            "acclimatisation": (2, 4, 6),
            "growing on": (6, 8, 11),
            "hardening": (10, 13, 18),
            SALEABLE: (16, 18, 20, 24),
            PAST: (24, 30),
            LOST: (4, 10, 35),
        },
        ((18, 6), (20, 14), (22, 12)),
    ),
    "two batches": Case(
        season(ROUTE, weeks=36),
        (("A", "2027-W03", 12), ("A", "2027-W06", 12)),
        {
            "acclimatisation": (4, 7),
            "growing on": (9, 12),
            "hardening": (13, 17),
            SALEABLE: (18, 21, 24, 35),
            LOST: (8, 35),
        },
        ((20, 8), (22, 13), (35, 17), (35, 13)),
    ),
    "season, variety and batch": Case(
        season(MIXED_ROUTE, saleable_weeks=10, varieties=("A", "B"), weeks=36),
        (("B", "2027-W02", 10), ("A", "2027-W03", 12), ("A", "2027-W05", 12)),
        {
            "acclimatisation": (4, 7),
            "growing on": (8, 11),
            "hardening": (13, 17),
            SALEABLE: (18, 20, 24),
            PAST: (30, 35),
            LOST: (8, 35),
        },
        ((20, 8), (22, 13), (24, 17), (24, 13)),
    ),
}


@pytest.fixture(scope="module", params=CASES)
def compared(request):
    """Differences and standard errors of all cells of a case, and the engine's values."""
    case = CASES[request.param]
    rng = np.random.default_rng(1)
    batches = draw(case.season, case.orders, REPLICATES, rng)
    plants = np.array([walk(case.season, "A", batches, i, rng) for i in range(REPLICATES)])
    names = [row.stage for row in case.season.route("A")] + [SALEABLE, PAST, LOST]
    walked, engine = {}, {}
    outcomes = [simulate(case.season, case.orders, draws=DRAWS, seed=seed) for seed in SCRAMBLES]
    states = [plants_by_state(outcome, "A").mean("draw") for outcome in outcomes]
    first = case.season.first_week
    for state, weeks in case.means.items():
        for week in weeks:
            walked[state, week] = plants[:, names.index(state), week]
            engine[state, week] = [float(table.sel(state=state, week=str(first + week))) for table in states]
    for week, least in case.chances:
        cell = (f"at least {least}", week)
        walked[cell] = (plants[:, names.index(SALEABLE), week] >= least).astype(float)
        engine[cell] = [outcome.chance("A", week=first + week, at_least=least) for outcome in outcomes]
    return walked, engine


def _scores(walked, engine, factor=1.0):
    scores = {}
    for cell, values in walked.items():
        error = np.hypot(
            values.std(ddof=1) / np.sqrt(REPLICATES), np.std(engine[cell], ddof=1) / np.sqrt(len(engine[cell]))
        )
        scores[cell] = (factor * np.mean(engine[cell]) - values.mean()) / error
    return scores


def test_every_named_cell_agrees_with_single_plants_within_three_standard_errors(compared):
    scores = _scores(*compared)
    assert not {cell: round(score, 2) for cell, score in scores.items() if not abs(score) < 3}


def test_the_comparison_would_see_an_engine_that_is_wrong_by_one_per_cent(compared):
    walked, engine = compared
    scores = [_scores(walked, engine, factor) for factor in (0.99, 1.01)]
    assert all(any(abs(score) > 3 for score in wrong.values()) for wrong in scores)
