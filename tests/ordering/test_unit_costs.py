"""What a plantlet costs to grow, by hand."""

import numpy as np
import pytest
from small_seasons import asks, offer, season, stage

import forecast
from forecast.growth.stage_occupancy import TimedFate
from forecast.ordering.unit_costs import growing_costs, rents, stage_costs

ROUTE = [
    stage("weaning", typical=3, survival=0.5, cost=7),
    stage("growing", typical=2, survival=0.8, cost=0.5, minutes=6, place="yard", plants_per_m2=50),
]
YARD = [
    {"place": name, "area": 100, "usable": 1, "cost_per_m2_week": cost} for name, cost in (("house", 2), ("yard", 1))
]


def plan_of(**cells):
    return season(ROUTE, **({"places": YARD, "hourly_wage": 12, "weeks": 6} | cells))


def fate_of(*stages):
    """The fate of stages, each its weeks and its survivals by draw."""
    survival = np.array([shares for _, *shares in stages])
    return TimedFate(np.log(survival), np.array([[float(weeks)] * survival.shape[1] for weeks, *_ in stages]),
                np.zeros(len(stages)))  # fmt: skip


def test_a_plantlet_costs_what_it_pays_on_entering_each_stage_and_its_bench_by_the_week():
    """Half enter growing, at 0.5 and a tenth of an hour of 12; they stand at 2 / 100 and then at 1 / 50 a week."""
    plan = plan_of()
    one, bench = growing_costs(plan, "A", fate_of((3, 0.4, 0.6), (2, 0.8, 0.8)), plan.last_week, 7)
    assert one == pytest.approx(7 + 0.5 * 1.7)
    alive = [1, *((0.4 ** (i / 3) + 0.6 ** (i / 3)) / 2 for i in (1, 2)), 0.5, 0.5 * 0.8**0.5, 0.4, 0.4]
    assert bench == pytest.approx(0.02 * np.cumsum([0, *alive]))


@pytest.mark.parametrize(("life", "last"), [(None, 7), (3, 5), (1, 3)])
def test_a_plantlet_that_enters_later_pays_from_there_on_and_is_there_until_it_is_past_its_best(life, last):
    plan = plan_of(saleable_weeks=life)
    one, bench = growing_costs(plan, "A", fate_of((2, 0.8, 0.8)), plan.last_week, 7, "growing")
    assert one == pytest.approx(1.7)
    alive = [1, 0.8**0.5, *(0.8 if i < last else 0 for i in range(2, 7))]
    assert bench == pytest.approx(0.02 * np.cumsum([0, *alive]))


def test_where_no_bench_is_paid_for_there_is_a_cost_of_nothing_in_every_week():
    free = [row | {"cost_per_m2_week": 0} for row in YARD]
    plan = plan_of(places=free)
    one, bench = growing_costs(plan, "A", fate_of((3, 0.5, 0.5), (2, 0.8, 0.8)), plan.last_week, 7)
    assert (one, bench.tolist()) == (pytest.approx(7 + 0.5 * 1.7), [0.0] * 8)


def test_the_bench_of_a_plant_costs_what_the_row_of_each_week_says():
    rows = [YARD[1] | {"last_week": "2027-W02"}, YARD[1] | {"cost_per_m2_week": 3, "first_week": "2027-W03"}]
    plan = plan_of(places=[YARD[0], *rows])
    assert rents(plan, plan.stages[1]) == pytest.approx(np.array([1, 1, 3, 3, 3, 3]) / 50)
    assert rents(plan, plan.stages[0]) == pytest.approx(np.full(6, 0.02))


def test_a_plantlet_pays_in_each_draw_for_the_stages_that_it_enters_before_the_season_ends():
    """Growing is entered three weeks on: of what comes in week 3 in the sixth and last week, of week 4 after it."""
    plan = plan_of()
    fate = fate_of((3, 0.4, 0.6), (2, 0.8, 0.8))
    assert stage_costs(plan, "A", fate, plan.first_week + 2) == pytest.approx([7 + 0.4 * 1.7, 7 + 0.6 * 1.7])
    assert stage_costs(plan, "A", fate, plan.first_week + 3) == pytest.approx([7, 7])


DEARER = [
    {"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 2, "last_week": "2027-W05"},
    {"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 7, "first_week": "2027-W06"},
]


def test_an_order_costs_what_the_cash_account_pays_where_the_rent_of_a_place_changes():
    """Issue 17: 100 plantlets, 0.1 each to wean; 4 weeks at 0.02 and 7 at 0.07: 167, and not 132 by the first row."""
    route = [stage("weaning", typical=4, survival=1, cost=0.1), stage("growing", typical=6, survival=1)]
    once = [offer(first_week="2027-W02", last_week="2027-W02")]
    plan = season(route, places=DEARER, targets=[asks(100, "2027-W13")], price_list=once)
    plan = plan.replace(varieties=(plan.varieties[0].replace(sale_price=9),))
    order = forecast.size_order(plan, "A", draws=64)
    assert order.cost == pytest.approx(100 + 100 * (0.1 + 4 * 0.02 + 7 * 0.07))
    entries = forecast.cash_flow(forecast.simulate(plan, [order], draws=64)).entries()
    assert -entries["amount"][entries["what"] != "sales"].sum() == pytest.approx(order.cost)


@pytest.mark.parametrize("life", [None, 2])
def test_the_bench_of_a_plantlet_costs_what_a_week_by_week_sum_says_wherever_it_comes(life):
    """Nothing dies: three weeks in the house and two in the yard, and there until it is past its best."""
    yard = [YARD[1] | {"last_week": "2027-W08"}, YARD[1] | {"cost_per_m2_week": 3, "first_week": "2027-W09"}]
    plan = season(ROUTE, places=[*DEARER, *yard], saleable_weeks=life)
    until = plan.first_week + 11
    _, bench = growing_costs(plan, "A", fate_of((3, 1, 1), (2, 1, 1)), until, 10)
    for before in range(11):
        paid = 0.0
        for age in range(before):
            week = 12 - before + age  # of the year
            rent = (2 if week <= 5 else 7) / 100 if age < 3 else (1 if week <= 8 else 3) / 50
            paid += rent if life is None or age < 5 + life else 0
        assert bench[before] == pytest.approx(paid)
