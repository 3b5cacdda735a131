"""Several scenarios planned at once, by any workers, are those planned one by one."""

from __future__ import annotations

import pickle
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import pytest

import forecast
from forecast import OutOfReach, Refused

ROOT = Path(__file__).parents[2]
DEMO = forecast.read_season(ROOT / "demo_data")
SMALL = DEMO.only(["Hosta 'Orrinfall'", "Calla 'Daviorne'", "Heuchera 'Pellowen'"])
SCENARIOS = {
    "as stated": SMALL,
    "poorer": SMALL.with_stage("hosta", "acclimatisation", survival=0.7),
    "little money": SMALL.replace(budget=2000.0),
}
ASKED = {"draws": 48, "seed": 2, "deliveries": 1, "time_limit": 300.0}


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
        assert one.cash.entries().equals(other.cash.entries())
    return True


@pytest.mark.parametrize("workers", [1, 2, 3])
def test_scenarios_planned_by_workers_are_those_planned_alone(alone, workers):
    with ProcessPoolExecutor(workers) as pool:
        assert same(alone, forecast.plan_orders(SCENARIOS, **ASKED, executor=pool))


def test_scenarios_planned_here_are_those_planned_alone(alone):
    assert same(alone, forecast.plan_orders(SCENARIOS, **ASKED))


def test_scenarios_planned_by_a_cluster_are_those_planned_alone(alone, cluster):
    with cluster.get_executor() as executor:
        assert same(alone, forecast.plan_orders(SCENARIOS, **ASKED, executor=executor))


def test_a_plan_of_a_worker_can_be_proved_on_fresh_draws_as_any_other(alone):
    sent = pickle.loads(pickle.dumps(alone["as stated"]))
    one, other = (plan.certificate(draws=64, seed=9, searches=2) for plan in (alone["as stated"], sent))
    assert str(one) == str(other)
    assert one.gaps == other.gaps


def test_a_plan_is_sent_without_the_tables_it_was_found_with(alone):
    plan = alone["as stated"]
    assert len(pickle.dumps(plan)) < 0.25 * len(pickle.dumps(plan._found.bidders))


def test_progress_tells_how_many_are_planned():
    heard: list[tuple[float, ...]] = []
    forecast.plan_orders(SCENARIOS, **ASKED, progress=lambda *told: heard.append(told))
    assert [told[:2] for told in heard] == [(1, 3), (2, 3), (3, 3)]


def test_a_scenario_out_of_reach_is_named_and_the_others_are_kept():
    scenarios = {"as stated": SMALL, "no money": SMALL.replace(budget=1.0)}
    with pytest.raises(OutOfReach, match="no money: No plan gives all that is wanted") as caught:
        forecast.plan_orders(scenarios, draws=32, seed=1, aim="cost")
    assert list(caught.value.best) == ["as stated"]
    assert caught.value.best["as stated"].orders


def test_a_scenario_at_fault_is_named_before_any_work():
    scenarios = {"as stated": SMALL, "idle": SMALL.replace(targets=())}
    with pytest.raises(Refused, match="idle, wanted: nothing is wanted"):
        forecast.plan_orders(scenarios, **ASKED)


def test_all_scenarios_at_fault_are_named():
    unpriced = SMALL.replace(
        varieties=tuple(row.replace(sale_price=None, markdown_price=None) for row in SMALL.varieties)
    )
    with pytest.raises(Refused) as caught:
        forecast.plan_orders({1: SMALL.replace(targets=()), "b": 3, "c": unpriced, "d": SMALL}, **ASKED)
    assert str(caught.value).splitlines() == [
        "1, wanted: nothing is wanted. Add rows to wanted: variety, week and number.",
        "b, season, 'int': not a season. Give a season, or several by name.",
        "c, varieties, rows 1 to 3, column sale_price: wanted, but without a price. "
        "Fill in the price at which it is sold.",
    ]


@pytest.mark.parametrize("given", [None, "demo_data", [SMALL]])
def test_what_is_no_season_is_refused(given):
    with pytest.raises(Refused, match="not a season"):
        forecast.plan_orders(given, **ASKED)


def test_an_executor_is_looked_at_even_if_there_is_one_season():
    with pytest.raises(Refused, match="not an executor"):
        forecast.plan_orders(SMALL, **ASKED, executor=2)


def test_a_learned_season_is_planned_by_workers_too():
    learned = forecast.learn(DEMO, forecast.read_records(ROOT / "demo_data"))
    asked = {"draws": 16, "seed": 1, "deliveries": 1, "gap": 0.02}
    with ProcessPoolExecutor(1) as pool:
        sent = forecast.plan_orders({"learned": learned}, **asked, executor=pool)["learned"]
    assert sent.orders == forecast.plan_orders(learned, **asked).orders
    assert sent.season.table().equals(learned.table())


def test_no_scenario_has_no_plan():
    assert forecast.plan_orders({}, **ASKED) == {}


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
            assert learned[1][stage].table() == pooled.table()
