"""Answers on a small season to the last digit, as they were when they were written down.

Whether they are right, other tests say.
"""

from collections.abc import Callable, Sequence
from functools import cache
from typing import Any

import pytest
from same_digits import columns, same, weighed
from small_seasons import CLIMATE, MIXED, asks, beta_spread, offer, season, stage

import forecast
from forecast.season.season import Season
from forecast.sensitivity.stress import poorer, share_saleable

FEW: dict[str, Any] = {"draws": 32, "seed": 1}
ORDERS = [("A", "2027-W05", 90), ("A", "2027-W09", 70), ("B", "2027-W07", 110)]
HARMED = {"cold_below": 3, "cold_loss": 0.1}


@cache
def nursery(*, warm: bool = False, survival: float = 0.8) -> Season:
    """Two varieties with a sale window, one of them with an uncertain demand; freight by the box, bench at a cost."""
    spread = {"batches_cv": 0.2, "plants_cv": 0.2, "time_level": MIXED, "survival_sd": 0.1}
    grown = {"typical": 4, "survival": survival, "survival_level": MIXED, "cost": 0.1, "minutes": 0.2} | spread
    if warm:
        grown |= {"runs_on": "degree-days", "base_temperature": 3, "typical": 150}
    wanted = [asks(60), asks(50, "2027-W24"), {"variety": "B", "week": "2027-W22", "p5": 40, "median": 60, "p95": 90}]
    boxes = {"plants_per_box": 50, "freight_per_box": 8, "multiple": 10}
    made = season(
        [stage("arrival", survival_level="belief", **beta_spread(20, 3), **(HARMED if warm else {})), stage(**grown)],
        varieties=("A", "B"), targets=wanted, hourly_wage=20, saleable_weeks=14, climate=CLIMATE if warm else [],
        price_list=[offer(unit_price=1.1, **boxes), offer("B", unit_price=1.5), offer(lab="Other", unit_price=1.3)],
        places=[{"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 0.5}],
    )  # fmt: skip
    return made.replace(varieties=[one.replace(sale_price=6, markdown_price=1.5) for one in made.varieties])


def driven(answer: str, *, warm: bool = False, **cells: Any) -> list[float]:
    found = forecast.what_drives(nursery(warm=warm), orders=ORDERS, answer=answer, **(FEW | cells))  # type: ignore[arg-type]
    return [found.base, *columns(found.table()), *columns(found.indices(top=3))]


def even() -> list[float]:
    prices = {"sale price": 0.3, "lab price": 0.2}
    found = forecast.what_drives(nursery(), "A", orders=ORDERS, also=prices, **FEW)
    ends = [found.break_even(name) for name in (*prices, "acclimatisation survival of crop")]
    both = forecast.what_drives(nursery(), orders=ORDERS, **FEW).break_even("lab price")
    every = [*columns(found.table()), *columns(found.indices()), both.value, found.interactions().error]
    return [*every, *(number for one in ends for number in (one.value, one.chance))]


def compared() -> list[float]:
    other = nursery(survival=0.7).replace(targets=[asks(70), asks(30, "2027-W26"), asks(40, "2027-W22", "B")])
    found = forecast.compare(nursery(), other, orders=ORDERS, other_orders=ORDERS[:2], **FEW)
    return [*columns(found.table()), *columns(found.money())]


def lowered() -> list[float]:
    made = [poorer(nursery()), poorer(nursery(warm=True), points=0.3)]
    shares = [share for one in made for share in one.survivals("A")]
    return [number for share in shares for number in (share.mean, share.sd)]


def tried(variety: str, **cells: Any) -> list[float]:
    """A trial before an order of sixty plants, of twice as many, or of none, of one lab."""
    made = nursery().with_stage("crop", "acclimatisation", **cells)
    made = made.replace(price_list=[offer(name, unit_price=3.8, minimum=60, multiple=60) for name in "AB"])
    found = forecast.trial_worth(made, variety, plants=12, week=made.targets_of(variety)[-1].week, draws=16, seed=1)
    return [
        found.margin, found.evpi, found.evsi, found.error, found.cost, found.bought, *columns(found.table()),
        *columns(found.curve([0, 5])),
    ]  # fmt: skip


def plants_lost() -> list[float]:
    found = forecast.simulate(nursery(warm=True), ORDERS, **FEW)
    return [share_saleable(found), *weighed(forecast.cash_flow(found).margin)]


CASES: dict[str, Callable[[], list[float]]] = {
    "margin": lambda: driven("margin"),
    "margin in weather": lambda: driven("margin", warm=True),
    "chance": lambda: driven("chance", warm=True, draws=40),
    "saleable": lambda: driven("saleable"),
    "break-even values": even,
    "comparison": compared,
    "poorer seasons": lowered,
    "what is saleable, and earned": plants_lost,
    "a trial of two survivals": lambda: tried("A"),
    "a trial of one survival": lambda: tried("B", survival_level="batch"),
}


KNOWN: dict[str, Sequence[float]] = {
    "margin": (
        592.453297612,
        78.9703105694,
        143.737403273,
        3118.04131473,
        3595.58911983,
        477.547805093,
        1.71337703263,
        0.678362898968,
        1.48151190081,
        0.428150258245,
    ),
    "margin in weather": (
        564.405162772,
        236.605586142,
        373.256054973,
        3731.04945263,
        4298.39332285,
        567.94842012,
        1.64310149642,
        0.607380360832,
        1.18924069779,
        0.318165970349,
    ),
    "chance": (
        0.751140168312,
        236.605586142,
        373.256054973,
        4.93469755784,
        5.58189040726,
        1.20979954023,
        1.34212689615,
        0.606852514048,
        1.41947253155,
        0.435954693951,
    ),
    "saleable": (
        138.543689986,
        87.6116240948,
        160.454951709,
        735.553488724,
        846.588274277,
        111.034785553,
        1.2833596676,
        0.464191257912,
        1.48170792795,
        0.358534056178,
    ),
    "break-even values": (
        9.12134916224,
        13.3576079127,
        2584.74864562,
        3037.0462683,
        671.862134474,
        0.611880704236,
        0.495195554243,
        0.839413042708,
        0.220071186821,
        2.66888252849,
        0.461801971066,
        2.25340919637,
        0.000308915888349,
        3.64755129403,
        2.1614038935e-65,
        0.275259111,
        4.26640941466e-07,
    ),
    "comparison": (
        252.14,
        181.24,
        339.549255799,
        174.912909479,
        -164.636346321,
        -231.238307592,
        -92.6074118605,
        3.40620657335,
        1.44114938957,
        1475.62060368,
        838.33888024,
        -637.281723438,
        -945.190039998,
        -401.301496401,
        0.0,
    ),
    "poorer seasons": (
        0.869565217391,
        0.0687451665254,
        0.685,
        0.116128969254,
        0.869565217391,
        0.0687451665254,
        0.455,
        0.124492720671,
    ),
    "what is saleable, and earned": (0.664467592593, 27050.1906491),
    "a trial of two survivals": (
        0.0,
        8.07138681431,
        3.00281237962,
        1.61885595414,
        230.262182863,
        60.0,
        118.7,
        1.53930892718,
        13.3799704674,
        263.64,
        41.0389122593,
        22.922,
        171.24,
        7.09702999859,
        4.93449372278,
        655.033146299,
        -647.9361163,
    ),
    "a trial of one survival": (
        6.91598452752,
        3.83715491879,
        0.0867625225661,
        0.58685225616,
        230.162773692,
        60.0,
        118.7,
        1.53944982577,
        13.0315261999,
        656.04,
        91.9648482697,
        22.922,
        171.24,
        0.127634581286,
        1.18446508426,
        654.843258214,
        -654.715623633,
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_numbers_are_the_same_to_the_last_digit(name: str) -> None:
    assert CASES[name]() == same(*KNOWN[name])
