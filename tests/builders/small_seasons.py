"""Small seasons for tests, made in one line each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from forecast.season.season import Season

FIRST = "2027-W01"
MIXED = "season 0.3 variety 0.2 batch 0.5"
_LOWS = (-2, 0, 3, 6, 10, 13, 15, 15, 11, 7, 3, 0)
CLIMATE = [{"month": month, "t_min": low, "t_max": low + 8, "year_sd": 1.5} for month, low in enumerate(_LOWS, start=1)]
"""An invented year."""
TWO_PLACES = [{"place": name, "area": 100, "usable": 1} for name in ("yard", "house")]
_MILD = (4, 5, 7, 10, 13, 16, 18, 18, 15, 11, 7, 5)
MILD = [{"month": month, "t_min": low, "t_max": low + 9, "year_sd": 1.5} for month, low in enumerate(_MILD, start=1)]
"""Another, milder one."""


def stage(name: str = "acclimatisation", **cells: Any) -> dict[str, Any]:
    """Return the cells of a stage of the group ``crop``; without a time it is only a loss."""
    usual = {
        "applies_to": "crop",
        "stage": name,
        "place": "house",
        "runs_on": "weeks",
        "typical": 0,
        "survival_level": "batch",
        "share_of": "entering",
        "plants_per_m2": 100,
    }
    if cells.get("typical"):
        usual["time_level"] = "batch"
    if not cells.keys() & {"survived", "survival_p5"}:
        usual |= {"survival": 0.8, "survival_sd": 0}
    return usual | cells


def offer(variety: str = "A", **cells: Any) -> dict[str, Any]:
    """Return the cells of an offer at 1 a plantlet, any number, any week of the season's first half."""
    usual = {"lab": "Lab", "variety": variety, "unit_price": 1, "first_week": FIRST, "last_week": "2027-W26"}
    return usual | cells


LIVE = stage("arrival", survival=1)
"""A stage in which no plant is lost and none takes any time."""


def asks(number: int, week: str = "2027-W20", variety: str = "A", **cells: Any) -> dict[str, Any]:
    """Return the cells of a target."""
    return {"variety": variety, "week": week, "target": number} | cells


def season(
    stages: Sequence[Mapping[str, Any]],
    *,
    varieties: Sequence[str] = ("A",),
    price_list: Sequence[Mapping[str, Any]] | None = None,
    targets: Sequence[Mapping[str, Any]] = (),
    saleable_weeks: int | None = None,
    **header: Any,
) -> Season:
    """Make a season of one group, one house and one lab."""
    usual = {"name": "test", "currency": "EUR", "first_week": FIRST, "weeks": 40, "service_level": 0.9}
    usual["places"] = [{"place": "house", "area": 100, "usable": 1}]
    rows = {
        "varieties": [{"variety": name, "group": "crop", "saleable_weeks": saleable_weeks} for name in varieties],
        "stages": stages,
        "price_list": [offer(name) for name in varieties] if price_list is None else price_list,
        "targets": targets,
    }
    return Season(**(usual | rows | header))


def beta_spread(a: float, b: float) -> dict[str, float]:
    """Return the survival cells of a Beta(a, b)."""
    return {"survival": a / (a + b), "survival_sd": (a * b / (a + b + 1)) ** 0.5 / (a + b)}
