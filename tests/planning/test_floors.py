"""A minimum of the worst tenth is kept on draws that had no part in the search, or the plan says that it may not be."""

import warnings

import numpy as np
import pytest
from random_windows import random_windows

from forecast import cash_flow, plan_orders, simulate

ASKED = 0.03  # of the expected margin, by which the worst tenth is to be better than that of the best plan
DRAWS, FRESH = {"draws": 1024, "seed": 1}, 16_384


def worst(season, plan, seed):
    """Return the mean of the worst tenth on fresh draws, and its error (Manistre and Hancock 2005)."""
    low = np.sort(cash_flow(simulate(season, plan.orders, draws=FRESH, seed=seed)).margin)[: FRESH // 10]
    return low.mean(), np.sqrt((low.var(ddof=1) + 0.9 * (low.mean() - low[-1]) ** 2) / low.size)


@pytest.mark.parametrize("number", [11, 20])
def test_a_minimum_is_kept_on_fresh_draws_or_not_promised(number):
    season = random_windows(number, promises=False)
    free = plan_orders(season, **DRAWS)
    before, _ = worst(season, free, 2)
    floor = before + ASKED * abs(free.margin)
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        guarded = plan_orders(season, **DRAWS, worst_tenth=floor)
    reached, error = worst(season, guarded, 3)
    assert said or reached >= floor - error
    assert reached > before
