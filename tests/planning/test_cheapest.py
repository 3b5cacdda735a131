"""The plan of least cost by hand: what no order can meet, and what the limits lack."""

import re

import pytest
from small_cultures import CULTURE
from small_seasons import offer, season, stage

import forecast
from forecast.errors import OutOfReach
from forecast.words.orders import limits_short, no_lab

FEW = {"draws": 16, "seed": 1, "aim": "cost"}


def wants(number, name):
    return {"variety": name, "week": "2027-W20", "target": number}


def test_every_target_that_no_order_meets_is_listed_with_the_reason():
    """A cannot be ready in time, B is not offered, C comes too late, and D is no trouble."""
    offers = [offer("A", first_week="2027-W18"), offer("C", first_week="2027-W21"), offer("D")]
    plan = season(
        [stage(typical=4, survival=1)],
        varieties="ABCD",
        price_list=offers,
        cultures=[CULTURE | {"variety": name, "enters": "acclimatisation"} for name in "BC"],
        targets=[wants(5, name) for name in "ABCD"],
    )
    with pytest.raises(OutOfReach) as refused:
        forecast.plan_orders(plan, **FEW)
    lines = str(refused.value).splitlines()
    assert [set(re.findall(r"\b[A-D]\b", line)) for line in lines] == [{"A"}, {"B"}, {"C"}]
    assert lines[1] == no_lab(variety="B")
    rest = plan.replace(targets=[plan.targets[3]])
    assert forecast.plan_orders(rest, **FEW).cost == pytest.approx(5)


def test_all_limits_that_are_too_tight_are_named():
    """Of A and B a hundred each stand on 2 m² from the week of their delivery to that of their target."""
    plan = season(
        [stage(typical=4, survival=1)],
        varieties="AB",
        places=[{"place": "house", "area": 1.26, "usable": 1}],
        budget=150.5,
        targets=[wants(100, "A"), wants(100, "B")],
        price_list=[offer(name, last_week="2027-W16") for name in "AB"],
    )
    with pytest.raises(OutOfReach) as refused:
        forecast.plan_orders(plan, **FEW)
    assert str(refused.value) == limits_short({"house": 2 - 1.26, "budget": 200 - 150.5}, "EUR")


def test_of_two_price_breaks_the_larger_order_is_placed_if_it_costs_less():
    """100 at 1 cost more than 120 at 0.8."""
    rows = [offer("A"), offer("A", from_quantity=120, unit_price=0.8)]
    plan = season([stage(typical=4, survival=1)], price_list=rows, targets=[wants(100, "A")])
    found = forecast.plan_orders(plan, **FEW)
    assert [row.quantity for row in found.orders] == [120]
    assert found.cost == pytest.approx(96)
