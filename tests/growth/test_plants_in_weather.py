"""A season in weather against a simulation of single plants that shares none of the engine's formulas.

Warmth, heat and cold are drawn there by code of its own. Each named cell (a state in a week) must agree within 3
standard errors of the difference. The cells were named, and the seeds set to 1, before the first run.
"""

import numpy as np
import pytest
from labelled import plants_by_state
from plant_by_plant import LOST, SALEABLE, draw, saleable, walk
from small_seasons import season, stage

from forecast.growth.simulation import simulate

REPLICATES = 12_000
DRAWS = 32_768
ANGLE = 2 * np.pi * np.arange(52) / 52
CLIMATE = [
    {"week": k, "t_min": 9 - 6 * cosine, "t_max": 17 - 8 * cosine, "year_sd": 1.8}
    for k, cosine in enumerate(np.cos(ANGLE), start=1)
]
ROUTE = [
    stage("arrival", survival=0.96, survival_sd=0.02, cold_below=6, cold_loss=0.15, heat_above=30, heat_loss=0.1),
    stage(
        typical=3, batches_cv=0.05, plants_cv=0.1, survival=0.9, survival_sd=0.05, heat_above=13,
        heat_loss=0.1,
    ),
    stage(
        "growing on", runs_on="degree-days", typical=230, base_temperature=8, upper_threshold=24, batches_cv=0.05,
        plants_cv=0.1, survival=0.92, survival_sd=0.04,
    ),
    stage(
        "hardening", runs_on="degree-days", typical=220, base_temperature=5, place="frame", plants_cv=0.1,
        survival=0.95,
    ),
    stage("grading", survival=0.97, survival_level="plant"),
]  # fmt: skip
PLACES = [
    {"place": "house", "area": 100, "usable": 1, "held_above": 9, "shaded_by": 1},
    {"place": "frame", "area": 100, "usable": 1, "warmer_by": 1.5},
]
PLAN = season(ROUTE, places=PLACES, climate=CLIMATE, persistence=0.4, weeks=32)
ORDERS = (("A", "2027-W09", 8), ("A", "2027-W13", 8))
CELLS = {
    "acclimatisation": (9, 14),
    "growing on": (12, 14, 18),
    "hardening": (17, 19, 22),
    SALEABLE: (20, 21, 23, 25),
    LOST: (9, 16, 31),
}
NAMES = [row.stage for row in PLAN.route("A")] + [SALEABLE, "past its best", LOST]


@pytest.fixture(scope="module")
def walked():
    """Plants by state and week of every replicate."""
    rng = np.random.default_rng(1)
    batches = draw(PLAN, ORDERS, REPLICATES, rng)
    return np.array([walk(PLAN, "A", batches, i, rng) for i in range(REPLICATES)])


def scores(plan, walked):
    states = plants_by_state(simulate(plan, ORDERS, draws=DRAWS, seed=1), "A")
    found = {}
    for state, weeks in CELLS.items():
        for week in weeks:
            ours = states.sel(state=state).values[week]
            theirs = walked[:, NAMES.index(state), week]
            error = np.hypot(ours.std() / np.sqrt(DRAWS), theirs.std() / np.sqrt(REPLICATES))
            found[state, week] = round(float((ours.mean() - theirs.mean()) / error), 2)
    return found


def test_every_named_cell_agrees_with_single_plants_within_three_standard_errors(walked):
    assert not {cell: score for cell, score in scores(PLAN, walked).items() if not abs(score) < 3}


@pytest.mark.parametrize(
    ("name", "changes"),
    [
        ("growing on", {"typical": 230 * 1.02}),
        ("growing on", {"typical": 230 * 0.98}),
        ("hardening", {"typical": 220 * 1.02}),
        ("growing on", {"upper_threshold": None, "base_temperature": 8.2}),
        ("arrival", {"cold_below": None, "cold_loss": None}),
        ("acclimatisation", {"heat_above": None, "heat_loss": None}),
        ("hardening", {"place": "house"}),
    ],
)
def test_a_requirement_wrong_by_two_per_cent_or_a_harm_left_out_would_be_seen(walked, name, changes):
    wrong = scores(PLAN.with_stage("crop", name, **changes), walked)
    assert max(map(abs, wrong.values())) > 4


def test_the_arrays_of_an_analyst_give_the_same_of_the_saleable():
    rng = np.random.default_rng(1)
    batches = draw(PLAN, ORDERS, REPLICATES, rng)
    states = plants_by_state(simulate(PLAN, ORDERS, draws=DRAWS, seed=1), "A").sel(state=SALEABLE).values
    for week in CELLS[SALEABLE]:
        theirs = saleable(PLAN, "A", batches, week, rng)
        error = np.hypot(states[week].std() / np.sqrt(DRAWS), theirs.std() / np.sqrt(REPLICATES))
        assert abs(states[week].mean() - theirs.mean()) < 3 * error
