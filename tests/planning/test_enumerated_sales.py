"""The plan of a small season that sells over weeks, against all its plans by exact values (`enumerated_sales`).

200 seasons, of which these are some, are in `tests/benchmarks/seasons_with_windows.py`.
"""

from __future__ import annotations

from functools import cache

import pytest
from every_plan import DRAWS, Case, Found, case

NUMBERS = (*(k for k in range(43) if k % 5 < 4), 4, 19, 24)  # the last three have two varieties and a budget
ROUNDING = 0.005


@cache
def searched(number: int) -> tuple[Case, Found | None]:
    one = case(number)
    return one, one.found()


@pytest.mark.parametrize("number", NUMBERS)
def test_no_plan_is_better_or_above_the_bound_but_for_the_luck_of_the_search_and_promises_are_kept(number):
    one, found = searched(number)
    assert (found is None) == (one.best is None)
    if found:
        verdict = one.judged(found)
        assert verdict.best
        assert verdict.bounded
        assert verdict.kept >= 0


@pytest.mark.parametrize("number", NUMBERS)
def test_what_is_said_of_a_plan_is_its_exact_worth_but_for_the_luck_of_the_search(number):
    _, found = searched(number)
    if found:
        error = found.exact.sd / DRAWS**0.5
        assert found.value == pytest.approx(found.exact.value, abs=4 * error + ROUNDING)


def test_the_seasons_differ():
    every = [searched(number) for number in NUMBERS]
    plans = [found.exact for _, found in every if found]
    assert sum(bool(plan.orders) for plan in plans) >= 12
    assert sum(bool(plan.kept) for plan in plans) >= 3
    assert len(plans) < len(every)
