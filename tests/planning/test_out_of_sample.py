"""How good a plan is on fresh draws, and how much better another could be there."""

import math

import pytest
from random_orders import competing

import forecast
from forecast.planning import out_of_sample as module

DRAWS, SEED, FRESH = 16, 1, 7


def planned(number):
    season = competing(number, 2, 1)
    free = forecast.plan_orders(season, draws=DRAWS, seed=SEED)
    season = season.replace(budget=0.6 * free.bill.total)
    return season, forecast.plan_orders(season, draws=DRAWS, seed=SEED, gap=1e-9)


@pytest.mark.parametrize("number", range(4))
def test_each_gap_is_that_of_the_bound_to_the_plan_on_the_draws_of_its_seed(number):
    season, plan = planned(number)
    found = plan.out_of_sample(draws=64, seed=FRESH, searches=3)
    assert len(found.gaps) == 3
    for at, gap in enumerate(found.gaps, 1):
        other = forecast.plan_orders(season, draws=DRAWS, seed=FRESH + at, gap=1e-3)._solution
        chosen = [
            other.problems[one.item].column({way.at: n for way, n in one.plants.items()})
            for one in plan._solution.chosen
        ]
        assert gap == pytest.approx(other.bound - other.master.worth(chosen), abs=1e-6)
        assert gap >= -1e-6 * abs(other.bound)


@pytest.mark.parametrize("number", range(4))
def test_what_the_best_plan_earns_more_is_bounded_by_students_t(number):
    """Of two degrees of freedom the quantile of Student's t at p is (2 p - 1) sqrt(2 / (4 p (1 - p)))."""
    _, plan = planned(number)
    found = plan.out_of_sample(draws=64, seed=FRESH, searches=3)
    mean = sum(found.gaps) / 3
    error = math.sqrt(sum((gap - mean) ** 2 for gap in found.gaps) / 2 / 3)
    assert found.better_by == pytest.approx(max(mean, 0) + 0.9 * math.sqrt(2 / 0.19) * error, rel=1e-9)


def test_of_two_searches_the_quantile_is_that_of_cauchys_distribution():
    """One degree of freedom: tan(pi (0.95 - 0.5)) = 6.314; the error of a mean of two is half their difference."""
    _, plan = planned(2)
    found = plan.out_of_sample(draws=64, seed=FRESH, searches=2)
    one, other = found.gaps
    bound = max((one + other) / 2, 0) + math.tan(0.45 * math.pi) * abs(one - other) / 2
    assert found.better_by == pytest.approx(bound, rel=1e-9)


def test_without_searches_better_plans_are_not_bounded():
    _, plan = planned(0)
    found = plan.out_of_sample(draws=64, seed=FRESH, searches=0)
    assert (found.better_by, found.gaps) == (None, ())


def test_the_margin_is_that_of_the_cash_flow_on_the_fresh_draws_and_its_error_the_standard_error():
    season, plan = planned(1)
    found = plan.out_of_sample(draws=256, seed=FRESH, searches=0)
    assert found.error > 0
    flow = forecast.cash_flow(forecast.simulate(season, plan.shipments, draws=256, seed=FRESH))
    assert found.margin == pytest.approx(float(flow.margin.mean()))
    assert found.error == pytest.approx(flow.margin.std(ddof=1) / 16, rel=1e-9)
    assert found.worst_tenth == pytest.approx(
        sum(sorted(flow.margin)[:25]) / 25.6 + sorted(flow.margin)[25] * 0.6 / 25.6
    )


def test_draws_of_the_search_itself_and_a_single_search_are_refused():
    _, plan = planned(0)
    with pytest.raises(forecast.Refused, match="the plan was found with these draws"):
        plan.out_of_sample(draws=64, seed=SEED)
    with pytest.raises(forecast.Refused, match="one search has no standard deviation"):
        plan.out_of_sample(draws=64, seed=FRESH, searches=1)


def test_the_table_has_one_row_and_nothing_where_nothing_was_searched():
    _, plan = planned(0)
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
    season, _ = planned(2)
    plan = forecast.plan_orders(season, draws=DRAWS, seed=SEED, worst_tenth=-1e6)
    heard, search = [], module.best_plan

    def listening(season, streams, **options):
        heard.append((streams.seed, streams.draws, options["floor"]))
        return search(season, streams, **options)

    monkeypatch.setattr(module, "best_plan", listening)
    plan.out_of_sample(draws=64, seed=FRESH, searches=2)
    assert heard == [(FRESH + 1, DRAWS, -1e6), (FRESH + 2, DRAWS, -1e6)]
