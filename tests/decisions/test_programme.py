"""Whole orders: the best of every combination, within every limit, told as they are."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from plan_by_plan import NEAR, benches, broken, every_cost, every_margin, freight
from random_orders import WEEKS, competing
from random_seasons import price_lists, stages, week
from small_seasons import offer, season, stage

import forecast
from forecast.decisions.programme import plan_orders
from forecast.errors import OutOfReach, Refused

DRAWS = 16
some = settings(max_examples=40, deadline=None, derandomize=True)


def limited(plan, plans, rng, *, floored=True):
    """Set limits that forbid the best plan: some of budget, benches and bad years."""
    kinds, best, floor = rng.integers(0, 16), plans.best(), -math.inf
    if kinds & 1 and plans.spent[best] > 0:
        plan = plan.replace(budget=float(plans.spent[best] * rng.uniform(0.4, 0.98)))
    full = plans.full(np.array([best]))[0].reshape(2, -1).max(axis=1)
    if kinds & 2 and full.any():
        areas = np.maximum(full * rng.uniform(0.4, 0.98, size=2), 1e-3).tolist()
        plan = plan.replace(places=tuple(row.replace(area=a) for row, a in zip(plan.places, areas, strict=True)))
    within = limits_of(plan)
    if floored and kinds & 12 == 12:
        now, reach = plans.bad(np.array([plans.best(**within)]))[0], plans.bad(np.arange(len(plans.combos)))
        best = reach[plans.spent <= within["budget"]].max()
        floor = float(now + rng.uniform(-0.2, 0.6) * (best - now))
    return plan, floor


def limits_of(plan):
    return {"budget": math.inf if plan.budget is None else plan.budget, "bench": benches(plan)}


def likely(plan):
    return max(row.likely_number for row in plan.wanted)


# --- against every combination


@pytest.mark.parametrize("seed", range(200))
def test_no_combination_of_orders_earns_more_within_the_limits(seed):
    rng, each = np.random.default_rng([1, seed]), 1 + seed % 2
    varieties, labs = (3, 2) if each == 1 else (2, 1 + seed % 4 // 2)
    plan = competing(seed, varieties, labs, coarse=labs * each / 2)
    plans = every_margin(plan, DRAWS, 1, each, 7 * likely(plan))
    plan, floor = limited(plan, plans, rng)
    best = plans.best(**limits_of(plan), floor=floor)
    asked = {"draws": DRAWS, "seed": 1, "deliveries": each, "gap": 1e-9}
    if floor > -math.inf:
        asked["bad_years"] = floor
    if best is None:
        with pytest.raises(OutOfReach):
            plan_orders(plan, **asked)
        return
    found = plan_orders(plan, **asked)
    assert found.margin == pytest.approx(plans.value[best], rel=1e-6, abs=1e-6)
    assert found.bound >= plans.value[best] - 1e-9 * abs(plans.value[best])
    faults, margin = broken(plan, found.orders, draws=DRAWS, seed=1, deliveries_each=each, floor=asked.get("bad_years"))
    assert not faults
    assert margin.mean() == pytest.approx(found.margin, rel=1e-9, abs=1e-6)


@pytest.mark.parametrize("seed", range(60))
def test_no_combination_of_orders_that_suffice_costs_less_within_the_limits(seed):
    rows = 1 + seed % 2
    plan = competing(1000 + seed, 2, 3 - rows, rows=rows, earliest=10, lives=(None, 9))
    plans = every_cost(plan, DRAWS, 1, 7 * likely(plan))
    assert all(plans.items)
    plan, _ = limited(plan, plans, np.random.default_rng([2, seed]), floored=False)
    best = plans.best(**limits_of(plan))
    if best is None:
        with pytest.raises(OutOfReach, match="No plan gives all that is wanted as surely as asked"):
            plan_orders(plan, draws=DRAWS, seed=1, aim="cost", gap=1e-9)
        return
    found = plan_orders(plan, draws=DRAWS, seed=1, aim="cost", gap=1e-9)
    assert found.margin == pytest.approx(plans.value[best], rel=1e-6)
    assert found.cost == pytest.approx(plans.spent[best], rel=1e-6)
    assert found.bound >= plans.value[best] - 1e-9 * abs(plans.value[best])
    told = sorted((row.variety, row.lab, row.week, row.quantity) for row in found.orders)
    same = [at for at in np.flatnonzero(np.isclose(plans.value, found.margin)) if sorted(plans.orders(at)) == told]
    limits = limits_of(plan)
    assert any((plans.full(np.array([at]))[0] <= limits["bench"] * (1 + 2e-6)).all() for at in same)
    assert found.cost <= limits["budget"] * (1 + 1e-6)
