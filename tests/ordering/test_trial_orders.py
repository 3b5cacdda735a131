"""What a target can be met with: weeks of delivery, costs of growing, and what is already there, by hand."""

import numpy as np
import pytest
from small_seasons import CLIMATE, LIVE, asks, offer, season, stage

import forecast
from forecast import Refused, Week
from forecast.growth.simulation import season_streams
from forecast.ordering.order import order_of
from forecast.ordering.reach import first_in_reach
from forecast.ordering.trial_orders import Case
from forecast.season.targets import Target
from forecast.words import orders as words

FEW = {"draws": 8, "seed": 1}


def case(plan, row=None, **options):
    """The case of a season's first target, or of another."""
    return Case(plan, season_streams(8, 1), plan.targets[0] if row is None else Target(**row), 1, **options)


@pytest.mark.parametrize(
    ("typical", "first", "reach"),
    [(0, "2027-W13", "2027-W13"), (0, "2027-W40", "2027-W40"), (3, "2027-W13", "2027-W16"), (28, "2027-W13", None)],
)
def test_the_first_week_in_reach_is_that_in_which_the_first_delivery_is_ready(typical, first, reach):
    """Also the week in which it comes, if it needs no time, and the last of the season."""
    rows = [stage(typical=typical, survival=1)]
    plan = season(rows, price_list=[offer(first_week=first, last_week="2027-W40")])
    one = case(plan, asks(10, "2027-W10"))
    found = first_in_reach(one, [Week(2027, number) for number in range(11, 41)], 1000)
    assert (found and found.week) == (reach and Week.parse(reach))


def test_where_hardly_a_plant_lives_no_week_is_in_reach():
    weeks = [Week(2027, number) for number in range(11, 41)]
    plan = season([stage("arrival", survival=0.005)], targets=[asks(10, "2027-W10")])
    assert first_in_reach(case(plan), weeks, 1000) is None
    better = plan.with_stage("crop", "arrival", survival=0.11)
    assert first_in_reach(case(better), weeks, 1000).week == Week(2027, 11)


def test_a_plant_pays_for_the_bench_from_its_delivery_to_the_target_week():
    """At 3 a m² and week a hundred plants of four weeks cost 3 a week; those that come when they are wanted, nothing.

    A plant that is past its best after two weeks of being ready leaves the bench.
    """
    places = [{"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 3}]
    for life, weeks in ((None, [0, 1, 2, 5, 6, 7]), (2, [0, 1, 2, 5, 6, 6])):
        plan = season([stage(typical=4, survival=1, cost=0.5)], places=places, targets=[asks(5)], saleable_weeks=life)
        one = case(plan)
        told = [one.growing(Week(2027, 20 - before)) for before in (0, 1, 2, 5, 6, 7)]
        assert told == pytest.approx([0.5 + 0.03 * number for number in weeks])
    late = season([LIVE | {"cost": 0.5}], places=places, targets=[asks(5)], price_list=[offer(first_week="2027-W20")])
    order = forecast.size_order(late, "A", **FEW)
    assert (str(order.week), order.cost) == ("2027-W20", 5 * 1.5)


def late(ordered, first, last):
    return words.too_late(ordered=Week(2027, ordered), first=Week(2027, first), last=Week(2027, last))


LEADS = [
    offer(lab="Quick", lead_weeks=3, first_week="2027-W05", last_week="2027-W10"),
    offer(lab="Slow", lead_weeks=8, first_week="2027-W12", last_week="2027-W16"),
]


@pytest.mark.parametrize(
    ("ordered", "delivery", "lab", "value", "remedy"),
    [
        ("2027-W01", "2027-W11", None, "2027-W11", "Possible are 2027-W05 to 2027-W13."),
        ("2027-W06", "2027-W05", "Quick", "2027-W05", "Possible are 2027-W09 to 2027-W10."),
        ("2027-W08", "2027-W10", "Quick", "2027-W10", late(8, 11, 10)),
        ("2027-W09", None, None, "2027-W13", late(9, 17, 16)),
        ("2027-W08", None, None, "2027-W13", "The first delivery can come in 2027-W16."),
    ],
)
def test_a_week_without_a_delivery_is_refused_with_those_there_are(ordered, delivery, lab, value, remedy):
    plan = season([LIVE], price_list=LEADS, targets=[asks(10, "2027-W13")])
    with pytest.raises(Refused) as refused:
        case(plan, ordered=Week.parse(ordered)).ways(delivery and Week.parse(delivery), lab)
    (fault,) = refused.value.faults
    assert (fault.column, fault.value, fault.remedy) == ("delivery", value, remedy)


def test_the_ways_are_all_weeks_of_all_offers_until_the_target_week():
    plan = season([LIVE], price_list=LEADS, targets=[asks(10, "2027-W13")])
    told = [(prices.lab, str(week)) for prices, week in case(plan).ways()]
    quick = [("Quick", f"2027-W{at:02d}") for at in range(5, 11)]
    assert told == [*quick, ("Slow", "2027-W12"), ("Slow", "2027-W13")]
    (only,) = case(plan).ways(Week(2027, 13))
    assert (only[0].lab, only[1]) == ("Slow", Week(2027, 13))


def test_a_top_up_makes_up_for_what_is_lacking_and_counts_what_is_there():
    """Of 100 wanted 70 are there, in one draw of eight 20: 30 are lacking in seven seasons of eight, 80 in one."""
    plan = season([LIVE], targets=[asks(100, promised=0.8)])
    there = np.array([70.0] * 7 + [20])
    one = case(plan, there=there)
    assert one.topping_up
    assert one.needed.tolist() == [30.0] * 7 + [80]
    assert one.best().quantity == 30
    assert one.most == 300  # ten for each that is lacking as surely as asked
    assert one.by_average(Week(2027, 20)) == 37  # 36.25 are lacking on average
    sure = case(plan.replace(targets=[asks(100, promised=0.95)]), there=there)
    assert sure.best().quantity == 80
    assert not case(plan).topping_up
    assert case(plan).most == 10_000
    full = case(plan, there=150.0)
    assert full.needed.tolist() == [0] * 8
    assert full.by_average(Week(2027, 20)) == 0


def test_an_order_counts_on_the_plants_that_are_there():
    order = order_of(case(season([LIVE], targets=[asks(100)]), there=70.0))
    assert (order.quantity, order.chance, order.cost, order.by_average) == (30, 1, 30, 30)
    known = {"target": 100, "by": order.by, "chance": 1, "cost": 30, "currency": "EUR"}
    assert words.yields(**known, topping_up=True) in str(order)


def test_what_a_batch_meets_is_drawn_once_for_all_weeks_unless_the_weather_matters():
    still, warm = (stage(typical=time, runs_on=unit, **base) for time, unit, base in (
        (4, "weeks", {}), (300, "degree-days", {"base_temperature": 4}),
    ))  # fmt: skip
    for row, once in ((still, True), (warm, False)):
        one = case(season([row], climate=CLIMATE, targets=[asks(5)]))
        assert (one.fate(Week(2027, 5)) is one.fate(Week(2027, 9))) == once
