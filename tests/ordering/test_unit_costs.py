"""What a plantlet costs to grow, by hand."""

import numpy as np
import pytest
from small_buyers import sold as sold_to
from small_seasons import asks, offer, season, stage

import forecast
from forecast.fates.stage_occupancy import TimedFate
from forecast.growth.stock import drawn_demand
from forecast.ordering.unit_costs import growing_costs, most_rent_saved, rent_saved, rents, stage_costs

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


def test_materials_cost_what_other_costs_of_as_much_would():
    apart = [ROUTE[0] | {"materials": 0.2}, ROUTE[1] | {"materials": 0.35}]
    within = [ROUTE[0] | {"cost": 7.2}, ROUTE[1] | {"cost": 0.85}]
    plans = [season(route, places=YARD, hourly_wage=12, weeks=6) for route in (apart, within)]
    fate = fate_of((3, 0.4, 0.6), (2, 0.8, 0.8))
    one, other = (growing_costs(plan, "A", fate, plan.last_week, 5) for plan in plans)
    assert one[0] == pytest.approx(other[0])
    assert one[0] == pytest.approx(7.2 + 0.5 * (0.5 + 0.35 + 1.2))
    assert one[1] == pytest.approx(other[1])
    first = [stage_costs(plan, "A", fate, plan.first_week) for plan in plans]
    assert first[0] == pytest.approx(first[1])


DEARER = [
    {"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 2, "last_week": "2027-W05"},
    {"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 7, "first_week": "2027-W06"},
]


def test_an_order_costs_what_the_cash_account_pays_where_the_rent_of_a_place_changes():
    """100 plantlets, 0.1 each to wean; 4 weeks at 0.02 and 7 at 0.07: 167; by the first row alone it would be 132."""
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


RENTED = [
    {"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 2, "last_week": "2027-W12"},
    {"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 5, "first_week": "2027-W13"},
]


def test_rent_is_saved_until_a_plant_is_past_its_best_and_no_longer():
    """100 are ready in week 8 at 0.02, 60 sold in week 9: they would have stood in weeks 9 and 10, not to week 20."""
    plan = season([stage()], places=RENTED, saleable_weeks=3)
    ready = np.array([100.0 if week >= 7 else 0.0 for week in range(40)])[:, None]
    left = np.array([100.0 if week == 7 else 40.0 if 8 <= week < 10 else 0.0 for week in range(40)])[:, None]
    assert rent_saved(plan, "A", ready, left, 19) == pytest.approx([60 * 2 * 0.02])
    for_ever = plan.replace(varieties=(plan.varieties[0].replace(saleable_weeks=None),))
    left[10:19] = 40
    assert rent_saved(for_ever, "A", ready, left, 19) == pytest.approx([60 * (4 * 0.02 + 7 * 0.05)])


@pytest.mark.parametrize(("life", "last", "saved"), [(3, 19, [0.06, 0.09, 0.15, 0]), (None, 19, [0.49, 0.39, 0.35, 0]),
                                                     (3, 12, [0.06, 0.04, 0, 0])])  # fmt: skip
def test_the_most_that_a_sale_saves_is_the_rent_of_a_sale_window_that_begins_with_it(life, last, saved):
    """In weeks 6, 11, 13 and 21: three weeks at 0.02 or 0.05, or to before the last sale, in week 20 or in week 13."""
    plan = season([stage()], places=RENTED, saleable_weeks=life)
    assert most_rent_saved(plan, "A", last)[[5, 10, 12, 20]] == pytest.approx(saved)


@pytest.mark.parametrize("life", [None, 1, 3, 8])
def test_the_rent_saved_is_what_the_cash_account_pays_less_for_sales_before_the_last(life):
    """Twice: the same plants with the last target alone stand there unsold until then, or until past their best."""
    route = [stage("weaning", typical=6, batches_cv=0.2, plants_cv=0.3, survival=0.8, survival_sd=0.05)]
    wanted = [asks(20, "2027-W10"), asks(35, "2027-W13"), asks(0, "2027-W16", p5=10, median=30, p95=60)]
    del wanted[-1]["target"]
    wanted.append(asks(15, "2027-W19"))
    plan = season(route, places=RENTED, targets=wanted, saleable_weeks=life)
    plan = plan.replace(varieties=(plan.varieties[0].replace(sale_price=9),))
    orders = [("A", "2027-W02", 60), ("A", "2027-W05", 80), ("A", "2027-W08", 30)]

    def bench(targets):
        outcome = forecast.simulate(plan.replace(targets=targets), orders, draws=256, seed=3)
        entries = forecast.cash_flow(outcome).entries()
        return outcome, -entries["amount"][entries["what"] == "bench"].sum()

    (outcome, sold), (_, unsold) = bench(plan.targets), bench(plan.targets[-1:])
    ready = sum(
        batch.quantity * outcome.fate(batch).ready(np.arange(40.0) - (batch.week - plan.first_week))
        for batch in outcome.batches
    )
    sales = [(row.week - plan.first_week, drawn_demand(outcome.streams, row)) for row in plan.targets]
    made = sold_to(ready, life, sales)
    before, left = made.before, made.after
    saved = rent_saved(plan, "A", ready, left, 18)
    assert saved.mean() == pytest.approx(unsold - sold, rel=1e-9)
    assert sold < unsold
    most = sum(most_rent_saved(plan, "A", 18)[week] * (before - left)[week] for week, _ in sales)
    assert (saved <= most + 1e-9).all()
