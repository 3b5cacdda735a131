"""Plants, weeks and costs of small cultures to the last digit, as they were when they were written down.

Whether they are right, other tests say.
"""

from collections.abc import Callable, Sequence
from typing import Any

import pytest
from same_digits import columns, same, weighed
from small_cultures import UNSURE, nursery

import forecast
from forecast.propagation.cultures import Cultures

FEW: dict[str, Any] = {"draws": 64, "seed": 1}
LEVELS = "belief 0.2 variety 0.2 batch 0.3 cycle 0.3"
LIMITED = {"shelf_places": 60, "hood_hours": 3, "minutes_per_vessel": 4, "rooting_weeks": 4}
COSTS = {"cost_per_explant": 0.5, "cost_per_vessel": 1, "cost_start": 50}
DIVIDED = {"price": 3, "cost": 0.2, "divisions_cv": 0.2, "plants_cv": 0.8, "survival": 0.95, "survival_sd": 0.03}


def cultures(**cells: Any) -> Cultures:
    made = nursery(UNSURE | COSTS | cells)
    return forecast.multiply(made, "A", explants=30, subcultures=3, kept=[1, 0.5], start="2027-W03", **FEW)


def plants(made: Cultures) -> list[float]:
    return [*weighed(*vars(made.generations).values()), made.over_capacity, made.extinction_probability]


def tables(made: Cultures) -> list[float]:
    return [*columns(made.table()), *columns(made.by_week()), *columns(made.by_step()), *columns(made.schedule())]


def routes(division: dict[str, Any] | None = DIVIDED, **cells: Any) -> Any:
    made = nursery(UNSURE | COSTS | LIMITED | {"explants": 60} | cells, division)
    return forecast.compare_routes(made, "A", target=150, week="2027-W36", service_level=0.8, **FEW)


def plans() -> list[float]:
    found = routes()
    some = [route.plan for route in found if route.route != "buy in"]
    return [number for plan in some for number in (*columns(plan.alternatives()), *columns(plan.outlays()))]


CASES: dict[str, Callable[[], list[float]]] = {
    "two lines, room and hours short": lambda: plants(
        cultures(lines=2, multiplication_level=LEVELS, contamination_level="batch", **LIMITED)
    ),
    "tables of two lines": lambda: tables(
        cultures(lines=2, multiplication_level=LEVELS, contamination_level="batch", **LIMITED)
    ),
    "explants that all give alike": lambda: plants(cultures(explants_cv=0, multiplication=2.4, explants_per_vessel=1)),
    "shoots by chance alone": lambda: plants(cultures(explants_cv=0.4**0.5, multiplication=2.5)),
    "tables of shoots by chance alone": lambda: tables(cultures(explants_cv=0.4**0.5, multiplication=2.5)),
    "rates of the season": lambda: plants(
        cultures(multiplication_level="season", contamination_level="season", rooting_level="season")
    ),
    "routes": lambda: columns(routes().table()),
    "costs of routes by number": lambda: columns(routes(None, most_cycles=1).curve()),
    "plans": plans,
}


KNOWN: dict[str, Sequence[float]] = {
    "two lines, room and hours short": (
        11317.364,
        3031.826,
        2862.536,
        28328.248,
        19053.718,
        1993.162,
        15262.014,
        38.3,
        286.648,
        0.03125,
        0.0,
    ),
    "tables of two lines": (
        7.944,
        81.406,
        144.666,
        251.298,
        334.76,
        179.668,
        3.6260172,
        3.304418,
        0.0,
        0.0385632,
        1.236,
        1283.646,
        3255.02,
        8922.36,
        200.322,
        392.916,
        857.986,
        2073.12,
        502.9276,
        116.8014,
        0.0,
        0.0,
        0.0,
        5.18414,
        7.2278,
        11.7986,
        207.9889,
        315.695,
        565.8017,
    ),
    "explants that all give alike": (
        11266.46,
        11266.46,
        10509.424,
        25061.998,
        15930.658,
        1679.74,
        12689.838,
        0.0,
        0.0,
        0.0,
        0.0,
    ),
    "shoots by chance alone": (
        12075.722,
        3115.994,
        2913.378,
        28255.66,
        18322.962,
        1914.426,
        14637.602,
        0.0,
        0.0,
        0.0,
        0.0,
    ),
    "tables of shoots by chance alone": (
        7.944,
        100.148,
        159.936,
        274.86,
        372.39,
        188.23,
        3.5908748,
        3.2569044,
        0.0,
        0.0,
        0.0,
        1667.59,
        3858.13,
        7374.432,
        233.346,
        426.176,
        745.136,
        506.7598,
        116.2518,
        0.0,
        0.0,
        0.0,
        0.0,
        0.0,
        0.0,
        206.69,
        300.22,
        469.1579,
    ),
    "rates of the season": (11580.122, 2997.654, 2809.362, 29006.618, 19536.384, 2040.778, 15672.2, 0.0, 0.0, 0.0, 0.0),
    "routes": (3.1313314, 1377.3238, 9.18406, 9.10934, 54.028),
    "costs of routes by number": (1749.062, 5427.63224, 50.09738),
    "plans": (
        17.922,
        11.978,
        399.282,
        542.604,
        3.9343918,
        3078.5759,
        620.8162,
        51.824,
        11.304,
        119.54,
        456.296,
        2.131005,
        651.60968,
        305.21042,
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_numbers_are_the_same_to_the_last_digit(name: str) -> None:
    assert CASES[name]() == same(*KNOWN[name])
