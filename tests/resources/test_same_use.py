"""Benches, hours and money of a small season to the last digit, as they were when they were written down.

Whether they are right, other tests say.
"""

from collections.abc import Callable, Sequence
from functools import cache

import pytest
from same_digits import columns, same, weighed
from small_seasons import MIXED, TWO_PLACES, asks, beta_spread, offer, season, stage

import forecast
from forecast.growth.outcome import Outcome

ORDERS = [("A", "2027-W05", 900), ("A", "2027-W09", 700), ("B", "2027-W07", 1_100)]


@cache
def outcome() -> Outcome:
    """Three orders of two varieties in two stages, which fill a small house."""
    rows = [
        stage("arrival", survival_level=MIXED, minutes=0.1, **beta_spread(20, 3)),
        stage(typical=4, batches_cv=0.2, plants_cv=0.2, place="yard", cost=0.1, minutes=0.3, **beta_spread(20, 5)),
        stage("pots", typical=5, survival=0.9, plants_cv=0.1, batches_cv=0.1, plants_per_m2=30, cost=0.2, minutes=1),
    ]
    places = [one | {"cost_per_m2_week": 0.4, "usable": 0.8} for one in TWO_PLACES]
    boxes = {"freight_per_box": 20, "plants_per_box": 200, "deposit": 0.3}
    offers = [offer(unit_price=1.1, **boxes), offer("B", unit_price=1.4), offer("B", lab="Other", unit_price=1.5)]
    demand = {"variety": "B", "week": "2027-W22", "p5": 400, "median": 600, "p95": 900}
    made = season(
        rows, varieties=("A", "B"), places=[places[0], places[1] | {"area": 40}], hourly_wage=18, saleable_weeks=6,
        price_list=offers, targets=[asks(500), asks(400, "2027-W24"), demand],
    )  # fmt: skip
    made = made.replace(varieties=[one.replace(sale_price=6, markdown_price=1.5) for one in made.varieties])
    return forecast.simulate(made, ORDERS, draws=64, seed=1)


def benches() -> list[float]:
    space = forecast.bench_space(outcome())
    fullest = space.fullest("house")
    return [*columns(space.table()), *space.overruns.values(), *columns(space.plants(str(fullest["week"])))]


def crowd() -> list[float]:
    return columns(forecast.bench_space(outcome()).causes("house"))


def money() -> list[float]:
    flow = forecast.cash_flow(outcome())
    low = flow.low_point
    return [
        *weighed(flow.margin), *columns(flow.table()), *columns(flow.entries()), *columns(flow.by_variety()),
        flow.chance_of_loss, flow.worst_tenth(), flow.worst_tenth(0.33), low.p5,
        low.median, low.p95, low.week - outcome().season.first_week,
    ]  # fmt: skip


CASES: dict[str, Callable[[], list[float]]] = {
    "benches": benches,
    "a crowd": crowd,
    "hours": lambda: columns(forecast.hours_of_work(outcome()).table()),
    "money": money,
}


KNOWN: dict[str, Sequence[float]] = {
    "benches": (
        741.11652,
        1005.93576,
        1318.63592,
        6670.08,
        13.8789452,
        0.0,
        1.0,
        1145.636,
        2411.534,
        3748.752,
        80.3563,
    ),
    "a crowd": (3421.4, 72.1348, 3.854, 3.4500158),
    "hours": (38.5315, 72.6578, 123.1426),
    "money": (
        176187.939199,
        -104739.85448,
        -56828.92534,
        -6589.01912,
        989.194,
        2424.93766585,
        8612.56345312,
        6601.27673839,
        2011.28671474,
        0.015625,
        189.457000999,
        891.415601355,
        -5370.41654696,
        -5127.43015177,
        -4969.32150845,
        16.0,
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_numbers_are_the_same_to_the_last_digit(name: str) -> None:
    assert CASES[name]() == same(*KNOWN[name])
