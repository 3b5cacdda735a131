"""How good a plan is on fresh draws, against every combination of orders on those draws."""

import math

import pytest
from plan_by_plan import benches, broken, every_margin
from random_orders import competing

import forecast
from forecast.planning import out_of_sample as module

DRAWS, SEED, FRESH = 16, 1, 7


def planned(number):
    season = competing(number, 2, 1)
    most = 7 * max(row.median_demand for row in season.targets)
    budget = 0.6 * every_margin(season, DRAWS, SEED, 1, most).spent.max()
    season = season.replace(budget=float(budget))
    return season, most, forecast.plan_orders(season, draws=DRAWS, seed=SEED, deliveries=1, gap=1e-9)


@pytest.mark.parametrize("number", range(4))
def test_each_gap_is_that_to_the_best_of_every_combination_on_the_draws_of_its_seed(number):
    season, most, plan = planned(number)
    found = plan.out_of_sample(draws=64, seed=FRESH, searches=3)
    assert len(found.gaps) == 3
    for at, gap in enumerate(found.gaps, 1):
        every = every_margin(season, DRAWS, FRESH + at, 1, most)
        best = every.value[every.best(budget=season.budget, bench=benches(season))]
        _, earned = broken(season, plan.orders, draws=DRAWS, seed=FRESH + at)
        behind = best - earned.mean()
        assert behind >= -1e-6 * abs(best)
        assert behind - 1e-6 * abs(best) <= gap <= behind + 2e-3 * abs(best) + 1e-6  # searched to a thousandth


@pytest.mark.parametrize("number", range(4))
def test_what_the_best_plan_earns_more_is_bounded_by_students_t(number):
    """Of two degrees of freedom the quantile of Student's t at p is (2 p - 1) sqrt(2 / (4 p (1 - p)))."""
    _, _, plan = planned(number)
    found = plan.out_of_sample(draws=64, seed=FRESH, searches=3)
    mean = sum(found.gaps) / 3
    error = math.sqrt(sum((gap - mean) ** 2 for gap in found.gaps) / 2 / 3)
    assert found.better_by == pytest.approx(max(mean, 0) + 0.9 * math.sqrt(2 / 0.19) * error, rel=1e-9)


def test_of_two_searches_the_quantile_is_that_of_cauchys_distribution():
    """One degree of freedom: tan(pi (0.95 - 0.5)) = 6.314; the error of a mean of two is half their difference."""
    _, _, plan = planned(2)
    found = plan.out_of_sample(draws=64, seed=FRESH, searches=2)
    one, other = found.gaps
    bound = max((one + other) / 2, 0) + math.tan(0.45 * math.pi) * abs(one - other) / 2
    assert found.better_by == pytest.approx(bound, rel=1e-9)


def test_without_searches_better_plans_are_not_bounded():
    _, _, plan = planned(0)
    found = plan.out_of_sample(draws=64, seed=FRESH, searches=0)
    assert (found.better_by, found.gaps) == (None, ())


def test_the_margin_is_that_of_the_cash_flow_on_the_fresh_draws_and_its_error_the_standard_error():
    season, _, plan = planned(1)
    found = plan.out_of_sample(draws=256, seed=FRESH, searches=0)
    _, counted = broken(season, plan.orders, draws=256, seed=FRESH)
    assert found.error > 0
    assert found.margin == pytest.approx(counted.mean(), abs=4 * found.error)
    flow = forecast.cash_flow(forecast.simulate(season, plan.orders, draws=256, seed=FRESH))
    assert found.error == pytest.approx(flow.margin.std(ddof=1) / 16, rel=1e-9)
    assert found.worst_tenth == pytest.approx(
        sum(sorted(flow.margin)[:25]) / 25.6 + sorted(flow.margin)[25] * 0.6 / 25.6
    )


def test_draws_of_the_search_itself_and_a_single_search_are_refused():
    _, _, plan = planned(0)
    with pytest.raises(forecast.Refused, match="the plan was found with these draws"):
        plan.out_of_sample(draws=64, seed=SEED)
    with pytest.raises(forecast.Refused, match="one search has no standard deviation"):
        plan.out_of_sample(draws=64, seed=FRESH, searches=1)


def test_the_table_has_one_row_and_nothing_where_nothing_was_searched():
    _, _, plan = planned(0)
    found = plan.out_of_sample(draws=64, searches=0)
    assert (found.draws, found.seed) == (64, SEED + 1)
    assert repr(found) == "OutOfSample(draws=64, seed=2, searches=0)"
    (row,) = found.table().to_dict("records")
    assert [row[name] for name in ("margin", "error", "worst_tenth", "expected")] == pytest.approx(
        [found.margin, found.error, found.worst_tenth, found.expected], abs=0.005
    )
    assert math.isnan(row["better_by"])
    assert found.expected == plan.margin


def test_repeated_searches_keep_the_minimum_of_the_worst_tenth(monkeypatch):
    season, _, _ = planned(2)
    plan = forecast.plan_orders(season, draws=DRAWS, seed=SEED, deliveries=1, worst_tenth=-1e6)
    heard, search = [], module.best_margin

    def listening(season, streams, **options):
        heard.append((streams.seed, streams.draws, options["floor"], options["deliveries"]))
        return search(season, streams, **options)

    monkeypatch.setattr(module, "best_margin", listening)
    plan.out_of_sample(draws=64, seed=FRESH, searches=2)
    assert heard == [(FRESH + 1, DRAWS, -1e6, 1), (FRESH + 2, DRAWS, -1e6, 1)]
