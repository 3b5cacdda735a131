"""The plan of the whole order, beside simple orders on fresh draws, and beside a plain program for a general solver.

The longer version, with tables, is `tests/benchmarks/orders.py`.
"""

from __future__ import annotations

import numpy as np
import pytest
from extensive_form import extensive
from whole_orders import Valued, compare, standard_error, varied

from forecast.planning.whole_order import plan_orders

SEASONS, DRAWS, FRESH, SECONDS = 20, 128, 512, 1.0
SIMPLE = ("by average", "a fifth more")
SURE = 3  # standard errors


@pytest.fixture(scope="module")
def seasons() -> list[dict[str, Valued]]:
    return [
        compare(varied(number, most=3), draws=DRAWS, fresh=FRESH, seed=1, time_limit=SECONDS)
        for number in range(SEASONS)
    ]


@pytest.mark.parametrize("rival", SIMPLE)
def test_a_plan_earns_more_than_simple_orders_on_fresh_draws_over_all_seasons(seasons, rival):
    # draws are paired; the error over seasons holds that of the draws
    more = np.array([one["plan"].margin - one[rival].margin for one in seasons])
    assert more.mean() > SURE * standard_error(more) > 0


@pytest.mark.parametrize("rival", SIMPLE)
def test_in_no_season_a_plan_earns_less_than_simple_orders_but_for_its_gap_and_chance(seasons, rival):
    for one in seasons:
        plan, simple = one["plan"], one[rival]
        error = np.hypot(
            standard_error(plan.margins - simple.margins),  # of the fresh draws
            standard_error(plan.searched - simple.searched),  # of the draws by which it was chosen
        )
        assert plan.margin >= simple.margin - (plan.plan.bound - plan.plan.margin) - SURE * error


def test_a_guarded_plan_is_no_worse_in_bad_years_than_the_better_simple_orders(seasons):
    kept = [one for one in seasons if one["guarded plan"].orders is not None]
    assert len(kept) >= 0.9 * len(seasons)  # simple orders are plans, too: but for whole plants the floor can be kept
    more = np.array([one["guarded plan"].worst - one["better in the worst tenth"].worst for one in kept])
    assert more.mean() >= -SURE * standard_error(more)


@pytest.mark.parametrize("number", [13, 22, 23])
def test_a_general_solver_finds_the_same_margin_within_budget_and_bench(number):
    season = varied(number, most=2, limits=True)
    plan, solved = plan_orders(season, draws=64, seed=1, gap=1e-7), extensive(season, draws=64, seed=1)
    assert solved.gap <= 1e-6
    assert plan.gap <= 1e-6
    assert plan.margin == pytest.approx(solved.value, rel=1e-6)


@pytest.mark.parametrize("number", [6, 20])
def test_a_general_solver_finds_nothing_above_the_bound_where_the_search_must_leave_a_gap(number):
    season = varied(number, most=2, limits=True)
    plan, solved = plan_orders(season, draws=64, seed=1, time_limit=2), extensive(season, draws=64, seed=1)
    assert solved.gap <= 1e-6
    assert plan.margin <= solved.value * (1 + 1e-6)
    assert solved.value <= plan.bound * (1 + 1e-6)
