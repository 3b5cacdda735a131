"""A small running season to the last digit, as they were when they were written down.

Whether they are right, other tests say.
"""

from collections.abc import Callable, Sequence
from typing import Any

import pytest
from same_digits import columns, same, weighed
from small_records import came, count
from small_seasons import CLIMATE, MIXED, asks, beta_spread, season, stage

import forecast
from forecast.records.records import Records
from forecast.season.season import Season
from forecast.tracking.reforecasting import narrowing

FEW: dict[str, Any] = {"draws": 64, "seed": 1}
RECORDS = Records(
    batches=[came(ordered=100, received=98, dead=3), came("B2", day="2027-03-16", ordered=80)],
    counts=[
        count("2027-03-22", "weaning", 93, 20, losses=2),
        count("2027-03-29", "weaning", 70, 30, losses=3),
        count("2027-04-12", "weaning", 38, 28, losses=2),
        count("2027-04-26", "pots", 75, 0, 10, losses=3),
        count("2027-04-05", "weaning", 74, 8, losses=6, batch="B2"),
        count("2027-04-19", "weaning", 65, 50, losses=1, batch="B2"),
    ],
)


def nursery(*, warm: bool = False) -> Season:
    spread = {"batches_cv": 0.2, "plants_cv": 0.2, "time_level": MIXED}
    pots = {"typical": 6, "survival": 0.9, "survival_sd": 0.05} | spread
    if warm:
        pots |= {"typical": 250, "runs_on": "degree-days", "base_temperature": 3}
    rows = [
        stage("arrival", survival_level=MIXED, **beta_spread(20, 1.5)),
        stage("weaning", typical=4, survival_level=MIXED, **beta_spread(20, 2), **spread),
        stage("pots", **pots),
    ]
    orders = [
        {"variety": "A", "week": week, "quantity": number, "lab": "Lab"}
        for week, number in (("2027-W09", 100), ("2027-W11", 80), ("2027-W18", 90))
    ]
    wanted = [asks(100, "2027-W22"), {"variety": "A", "week": "2027-W26", "p5": 60, "median": 90, "p95": 120}]
    return season(rows, targets=wanted, orders=orders, saleable_weeks=8, climate=CLIMATE if warm else [])


def today(*, warm: bool = False, day: str = "2027-04-30", every: float = 0) -> list[float]:
    found = forecast.reforecast(nursery(warm=warm), RECORDS, on_date=day, counted_every=every, **FEW)
    made = found.outcome
    plants = [*columns(made.table()), *columns(made.targets()), *columns(found.cohorts), *columns(found.targets())]
    return [*plants, *weighed(*made.drawn.area())]


def narrowed() -> list[float]:
    days = ["2027-02-20", "2027-03-31", "2027-04-30"]
    return columns(narrowing(nursery(), RECORDS, variety="A", week="2027-W22", days=days, **FEW))


CASES: dict[str, Callable[[], list[float]]] = {
    "today": today,
    "today, in warmth": lambda: today(warm=True),
    "today, counted every other week": lambda: today(every=2),
    "some weeks before": lambda: today(day="2027-03-31"),
    "a forecast that narrows": narrowed,
}


KNOWN: dict[str, Sequence[float]] = {
    "today": (
        2043.366,
        2592.432,
        3343.43,
        245.62,
        162.046,
        202.08,
        269.766,
        0.679225,
        392.446,
        245.62,
        162.046,
        202.08,
        269.766,
        0.679225,
        1829.56830089,
        2.95875734459,
    ),
    "today, in warmth": (
        1963.706,
        2655.524,
        3348.992,
        245.62,
        248.204,
        318.126,
        363.722,
        2.3398658,
        392.446,
        245.62,
        248.204,
        318.126,
        363.722,
        2.3398658,
        1638.14043407,
        2.67366286462,
    ),
    "today, counted every other week": (
        1865.094,
        2546.144,
        3406.192,
        245.62,
        126.72,
        168.372,
        218.024,
        0.1906408,
        392.446,
        245.62,
        126.72,
        168.372,
        218.024,
        0.1906408,
        2044.44963595,
        3.22623448418,
    ),
    "some weeks before": (
        1672.8,
        2588.848,
        3542.802,
        245.62,
        140.338,
        206.462,
        271.294,
        0.9122658,
        390.24,
        245.62,
        140.338,
        206.462,
        271.294,
        0.9122658,
        2539.0912347,
        4.05153818599,
    ),
    "a forecast that narrows": (292.028, 411.378, 515.11, 470.348),
}


@pytest.mark.parametrize("name", CASES)
def test_numbers_are_the_same_to_the_last_digit(name: str) -> None:
    assert CASES[name]() == same(*KNOWN[name])
