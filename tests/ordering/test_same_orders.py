"""Orders of a small season to the last digit, as they were when they were written down.

Whether they are right, other tests say.
"""

from collections.abc import Callable, Sequence
from functools import cache
from typing import Any

import pytest
from each_sized import each_sized
from same_digits import columns, same
from small_seasons import MIXED, asks, beta_spread, offer, season, stage

import forecast
from forecast.ordering.baselines import simple_orders
from forecast.ordering.order import order_table
from forecast.season.season import Season

FEW: dict[str, Any] = {"draws": 64, "seed": 1}


@cache
def nursery() -> Season:
    """Two varieties with a sale window; boxes, breaks and a minimum at one lab, a later season at the other."""
    rows = [
        stage("arrival", survival_level=MIXED, **beta_spread(20, 3)),
        stage(typical=5, batches_cv=0.2, plants_cv=0.2, cost=0.1, minutes=0.3, **beta_spread(20, 5)),
    ]
    boxes = {"freight_per_box": 12, "plants_per_box": 60, "multiple": 6}
    offers = [
        offer(unit_price=1.2, minimum=24, **boxes), offer(unit_price=1, from_quantity=120, **boxes),
        offer(lab="Other", unit_price=1.3, first_week="2027-W06"), offer("B", unit_price=1.5, multiple=5),
    ]  # fmt: skip
    demand = {"variety": "B", "week": "2027-W22", "p5": 40, "median": 60, "p95": 90}
    made = season(
        rows, varieties=("A", "B"), price_list=offers, saleable_weeks=8, hourly_wage=18,
        targets=[asks(60), asks(80, "2027-W26"), demand],
        places=[{"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 0.5}],
    )  # fmt: skip
    return made.replace(varieties=[one.replace(sale_price=6, markdown_price=0.5) for one in made.varieties])


def orders() -> list[float]:
    found = each_sized(nursery(), **FEW)
    every = [number for one in found for number in (*columns(one.curve()), *columns(one.options()))]
    return [*columns(order_table(found)), *every]


def earning() -> list[float]:
    found = [forecast.size_order(nursery(), "A", week=week, aim="margin", **FEW) for week in ("2027-W20", "2027-W26")]
    found.append(forecast.size_order(nursery(), "B", aim="margin", **FEW))
    return [number for one in found for number in (*columns(one.table()), *columns(one.curve()))]


def weeks() -> list[float]:
    found = forecast.delivery_weeks(nursery(), "A", week="2027-W20", **FEW)
    return [*columns(found.table()), *columns(found.splits())]


def simple() -> list[float]:
    found = [*simple_orders(nursery(), **FEW), *simple_orders(nursery(), overage=0.25, **FEW)]
    return [number for one in found for number in (one.quantity, one.week - nursery().first_week)]


CASES: dict[str, Callable[[], list[float]]] = {
    "orders": orders,
    "orders that earn most": earning,
    "weeks of delivery": weeks,
    "simple orders": simple,
}


KNOWN: dict[str, Sequence[float]] = {
    "orders": (
        483.132,
        263.6,
        3.4686,
        3.5037916,
        742.71384,
        644.85,
        333.7002,
        383.22,
        2.0470496,
        6246.708,
        42.1199949727,
        9383.4139019,
        4303.70263425,
        8278.534,
        24.2308972,
        12012.10878,
        3331.2,
        16.4152128407,
        4951.53608776,
        2298.0942433,
        11503.092,
        24.0256448,
        16789.38006,
        2650.76,
        17.274861636,
        4514.91768129,
        1839.47403714,
        11604.23,
        13.3962952,
        19816.36506,
    ),
    "orders that earn most": (
        92.0,
        60.0,
        0.9,
        0.6601,
        138.2,
        119.6,
        63.4,
        88.0,
        0.5594,
        5495.86,
        33.6235958134,
        8255.53701676,
        3786.40191913,
        12180.9675478,
        120.0,
        80.0,
        0.9,
        0.6363,
        168.29,
        144.0,
        82.8,
        116.0,
        0.5562,
        2104.44,
        9.26425629673,
        3215.1253112,
        1451.78958014,
        4687.04451169,
        95.0,
        60.0,
        0.9,
        0.6164,
        161.81,
        142.5,
        65.9,
        87.0,
        0.4755,
        1664.76,
        10.2626622116,
        2835.50919702,
        1155.24709822,
        3155.19486599,
    ),
    "weeks of delivery": (
        28.399132,
        35.984989,
        43.720805,
        16.8510156,
        8278.534,
        12012.10878,
        7.944,
        416.232,
        3.6030658,
        230.9794,
        284.8836,
        624.46968,
    ),
    "simple orders": (88.0, 10.0, 120.0, 16.0, 90.0, 13.0, 75.0, 10.0, 100.0, 16.0, 75.0, 13.0),
}


@pytest.mark.parametrize("name", CASES)
def test_numbers_are_the_same_to_the_last_digit(name: str) -> None:
    assert CASES[name]() == same(*KNOWN[name])
