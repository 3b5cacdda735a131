"""Scenarios planned at once, by any workers, are those planned one by one."""

from __future__ import annotations

import pickle
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import pytest
from refusals import refused_lines

import forecast
from forecast import OutOfReach, Refused

ROOT = Path(__file__).parents[2]
DEMO = forecast.read_season(ROOT / "demo_data")
SMALL = DEMO.only(["Hosta 'Orrinfall'", "Calla 'Daviorne'", "Heuchera 'Pellowen'"])
SCENARIOS = {
    "as stated": SMALL,
    "poorer": SMALL.with_stage("hosta", "acclimatisation", survival=0.7),
    "little money": SMALL.replace(budget=2700.0),
}
ASKED = {"draws": 48, "seed": 2, "time_limit": 300.0}


@pytest.fixture(scope="module")
def alone():
    return {name: forecast.plan_orders(season, **ASKED) for name, season in SCENARIOS.items()}


def same(plans, others):
    assert list(plans) == list(others)
    for one, other in zip(plans.values(), others.values(), strict=True):
        assert one.orders == other.orders
        assert (one.margin, one.bound, one.cost) == (other.margin, other.bound, other.cost)
        assert one.table().equals(other.table())
        assert one.limits().equals(other.limits())
        assert one.alternatives().equals(other.alternatives())
        assert one.left_out() == other.left_out()
        assert str(one) == str(other)
        assert one.cash_flow().entries().equals(other.cash_flow().entries())
    return True


@pytest.mark.parametrize("workers", [1, 3])
def test_scenarios_planned_by_workers_are_those_planned_alone(alone, workers):
    with ProcessPoolExecutor(workers) as pool:
        assert same(alone, forecast.plan_scenarios(SCENARIOS, **ASKED, executor=pool))


def test_scenarios_planned_here_are_those_planned_alone(alone):
    assert same(alone, forecast.plan_scenarios(SCENARIOS, **ASKED))


def test_scenarios_planned_by_a_cluster_are_those_planned_alone(alone, cluster):
    with cluster.get_executor() as executor:
        assert same(alone, forecast.plan_scenarios(SCENARIOS, **ASKED, executor=executor))


def test_a_plan_of_a_worker_can_be_checked_out_of_sample_as_any_other(alone):
    sent = pickle.loads(pickle.dumps(alone["as stated"]))
    one, other = (plan.out_of_sample(draws=64, seed=9, searches=2) for plan in (alone["as stated"], sent))
    assert str(one) == str(other)
    assert one.gaps == other.gaps


def test_a_plan_is_sent_without_the_tables_it_was_found_with(alone):
    plan = alone["as stated"]
    assert len(pickle.dumps(plan)) < 0.5 * len(pickle.dumps(plan._solution.problems))


def test_progress_is_how_many_are_planned_of_how_many():
    heard: list[tuple[int, int]] = []
    one = SMALL.only(["Calla 'Daviorne'"])
    forecast.plan_scenarios({"a": one, "b": one, "c": one}, draws=8, progress=lambda *each: heard.append(each))
    assert heard == [(1, 3), (2, 3), (3, 3)]


def test_all_scenarios_out_of_reach_are_named_and_the_others_kept_in_their_order():
    one = SMALL.only(["Calla 'Daviorne'"])
    scenarios = {"a": one, "poor": one.replace(budget=100.0), "b": one, "poorer": one.replace(budget=1.0)}
    heard = []
    with pytest.raises(OutOfReach) as caught:
        forecast.plan_scenarios(scenarios, aim="cost", draws=8, seed=3, progress=lambda *one: heard.append(one))
    assert [line.split(":")[0] for line in str(caught.value).splitlines()] == ["poor", "poorer"]
    assert list(caught.value.best) == ["a", "b"]
    assert heard == [(1, 4), (2, 4), (3, 4), (4, 4)]


def test_scenarios_for_the_least_cost_need_no_price():
    unpriced = SMALL.replace(
        varieties=tuple(row.replace(sale_price=None, markdown_price=None) for row in SMALL.varieties)
    )
    assert list(forecast.plan_scenarios({"b": unpriced}, aim="cost", draws=8, seed=3)) == ["b"]
    with pytest.raises(Refused, match="b, varieties, rows 2 to 3, column sale_price: a target needs it"):
        forecast.plan_scenarios({"b": unpriced}, aim="margin", draws=8, seed=3)


def test_a_scenario_at_fault_is_named_before_any_work():
    scenarios = {"as stated": SMALL, "idle": SMALL.replace(targets=())}
    with pytest.raises(Refused, match="idle, targets: there are none"):
        forecast.plan_scenarios(scenarios, **ASKED)


def test_all_scenarios_at_fault_are_named():
    unpriced = SMALL.replace(
        varieties=tuple(row.replace(sale_price=None, markdown_price=None) for row in SMALL.varieties)
    )
    scenarios = {1: SMALL.replace(targets=()), "b": 3, "c": unpriced, "d": SMALL}
    assert refused_lines(forecast.plan_scenarios, scenarios, aim="margin", **ASKED) == [
        "1, targets: there are none. Add rows to targets: variety, week and target.",
        "b, season, 'int': not a season. Give a season.",
        "c, varieties, rows 2 to 3, column sale_price: a target needs it. Fill in the price at which it is sold.",
    ]


@pytest.mark.parametrize("given", [None, "demo_data", [SMALL], SCENARIOS])
def test_what_is_no_season_is_refused(given):
    with pytest.raises(Refused, match="not a season"):
        forecast.plan_orders(given, **ASKED)


def test_what_is_no_mapping_of_seasons_and_what_is_no_executor_is_refused():
    with pytest.raises(Refused, match="not seasons by name"):
        forecast.plan_scenarios([SMALL], **ASKED)
    with pytest.raises(Refused, match="not an executor"):
        forecast.plan_scenarios({"as stated": SMALL}, **ASKED, executor=2)


def test_the_seed_is_that_of_the_first_scenario_if_not_given():
    scenarios = {"a": SMALL.replace(seed=5), "b": SMALL.replace(seed=6)}
    found = forecast.plan_scenarios(scenarios, draws=16, aim="cost")
    assert [(plan.draws, plan.seed) for plan in found.values()] == [(16, 5)] * 2


def test_a_learned_season_is_planned_by_workers_too():
    learned = forecast.learn(DEMO, forecast.read_records(ROOT / "demo_data"))
    options = {"draws": 16, "seed": 1, "gap": 0.02}
    with ProcessPoolExecutor(1) as pool:
        sent = forecast.plan_scenarios({"learned": learned}, **options, executor=pool)["learned"]
    assert sent.orders == forecast.plan_orders(learned, **options).orders
    assert sent.season.table().equals(learned.table())


def test_no_scenario_has_no_plan():
    assert forecast.plan_scenarios({}, **ASKED) == {}


def test_learning_by_workers_is_learning_here(cluster):
    records = forecast.read_records(ROOT / "demo_data")
    here = forecast.learn(DEMO, records)
    executors = [
        lambda: ProcessPoolExecutor(1),
        lambda: ProcessPoolExecutor(3),
        cluster.get_executor,
    ]
    for make in executors:
        with make() as executor:
            there = forecast.learn(DEMO, records, executor=executor)
        assert there.stages == here.stages
        assert there.table().equals(here.table())
        learned = here._learning.pooled, there._learning.pooled
        for stage, pooled in learned[0].items():
            assert all(learned[1][stage].variety(name) == pooled.variety(name) for name in pooled.varieties)
