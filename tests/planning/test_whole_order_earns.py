"""The plan of the whole order, beside simple orders on fresh draws, and beside a plain program for a general solver.

The longer version, with tables, is `tests/benchmarks/orders.py`.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from extensive_form import Solution, WithoutLuck, extensive, recounted
from whole_orders import Valued, compare, standard_error, varied

from forecast.growth.simulation import COORDINATES
from forecast.planning.column_generation import Solution as Planned
from forecast.planning.column_generation import best_plan
from forecast.streams import Streams

SEASONS, DRAWS, FRESH, SECONDS = 20, 128, 512, 10.0
SIMPLE = ("by average", "a fifth more")
SURE = 3  # standard errors
NUMBERS = (13, 22, 23)
NEAR = 0.001
CHANCE = 0.002  # by which the luck of few draws can be good on average


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


@cache
def solved_by_general_solver(number: int) -> Solution:
    return extensive(varied(number, most=2, limits=True), draws=64, seed=1, seconds=10)


def planned(number: int, streams: type[Streams]) -> Planned:
    season, drawn = varied(number, most=2, limits=True), streams(1, 64, COORDINATES)
    return best_plan(season, drawn, aim="margin", floor=None, time_limit=3, gap=1e-7)


@pytest.mark.parametrize("number", NUMBERS)
def test_without_the_luck_of_single_plants_a_general_solver_finds_the_same(number):
    plan, solved = planned(number, WithoutLuck), solved_by_general_solver(number)
    worth, fits = recounted(plan, solved.orders)
    assert fits
    assert worth == pytest.approx(solved.value, rel=1e-6)
    assert worth <= plan.bound * (1 + 1e-6)
    assert plan.value <= solved.bound * (1 + 1e-6)
    assert plan.value >= worth * (1 - NEAR)


@pytest.mark.parametrize("number", NUMBERS)
def test_with_the_luck_of_single_plants_a_plan_is_worth_no_more_and_as_much_as_the_orders_of_the_solver(number):
    plan, solved = planned(number, Streams), solved_by_general_solver(number)
    assert plan.value <= solved.bound * (1 + CHANCE)
    worth, fits = recounted(plan, solved.orders)
    assert fits
    assert worth <= plan.bound * (1 + 1e-6)
    assert plan.value >= worth * (1 - NEAR)
