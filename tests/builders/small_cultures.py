"""Small cultures for tests: a season with one crop that is multiplied, divided and bought."""

from __future__ import annotations

from typing import Any

from small_seasons import offer, season, stage

from forecast.season.season import Season

CULTURE: dict[str, Any] = {
    "variety": "A",
    "explants": 40,
    "start_weeks": 2,
    "start_contamination": 0,
    "cycle_weeks": 3,
    "multiplication": 3,
    "multiplication_level": "cycle",
    "explants_cv": 0,
    "contamination": 0,
    "contamination_level": "cycle",
    "explants_per_vessel": 1,
    "most_cycles": 3,
    "rooting_weeks": 2,
    "rooting": 1,
    "rooting_level": "batch",
    "rooting_per_vessel": 10,
    "enters": "growing",
}

DIVISION: dict[str, Any] = {
    "variety": "A",
    "stock": 10,
    "round_weeks": 20,
    "divisions": 3,
    "divisions_level": "cycle",
    "plants_cv": 0,
    "survival": 1,
    "survival_level": "season",
    "enters": "growing",
}

UNSURE = {
    "start_contamination": 0.2,
    "start_contamination_sd": 0.08,
    "start_death": 0.1,
    "multiplication": "2.2 2.8 2.5",
    "multiplication_cv": 0.2,
    "explants_cv": 0.8,
    "contamination": "0.1 0.06",
    "contamination_sd": 0.04,
    "explants_per_vessel": 4,
    "rooting": 0.9,
    "rooting_sd": 0.04,
    "deflasking": 0.95,
}


SURE = {"typical": 5, "survival": 1, "cost": 0.5, "plants_cv": 0, "batches_cv": 0}


def nursery(
    culture: dict[str, Any] | None = None, division: dict[str, Any] | None = None, *,
    growing: dict[str, Any] | None = None, line: dict[str, Any] | None = None, **header: Any,
) -> Season:  # fmt: skip
    """Make a season in which plantlets grow for about 5 weeks and 9 in 10 become saleable, unless `growing` differs."""
    usual = {"typical": 5, "survival": 0.9, "plants_cv": 0.1, "batches_cv": 0.1, "cost": 0.5}
    rows = {
        "cultures": [CULTURE | culture] if culture is not None else [],
        "divisions": [DIVISION | division] if division is not None else [],
        "price_list": [offer("A", **({"unit_price": 2} | (line or {})))],
        "hourly_wage": 20,
    }
    return season([stage("growing", **(usual | (growing or {})))], **(rows | header))
