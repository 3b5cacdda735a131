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


# --- one wanted number without limits


@st.composite
def single(draw):
    """Draw a season in which one number is wanted, with one or two price lists and room for all."""
    lists = [draw(price_lists())] + ([draw(price_lists(lab="Other lab"))] if draw(st.booleans()) else [])
    number, by = draw(st.integers(2, 40)), week(draw(st.integers(12, 29)))
    asked = {"low": number / 2, "likely": number, "high": 2 * number} if draw(st.booleans()) else {"wanted": number}
    house = {"place": "house", "area": 1e7, "usable": 1, "cost_per_m2_week": draw(st.sampled_from([0, 2]))}
    return season(
        draw(stages(3)),
        offers=[row for rows in lists for row in rows],
        wanted=[{"variety": "A", "week": by} | asked],
        weeks=30,
        places=[house],
        shelf_life=draw(st.sampled_from([None, None, 8])),
    )


@some
@given(plan=single())
def test_alone_a_wanted_number_is_met_by_the_order_that_is_sized_for_it(plan):
    try:
        order = forecast.size_order(plan, "A", draws=64, seed=1)
    except OutOfReach as error:
        with pytest.raises(OutOfReach) as refused:
            plan_orders(plan, draws=64, seed=1, aim="cost", gap=1e-9)
        assert str(refused.value) == str(error)
        return
    found = plan_orders(plan, draws=64, seed=1, aim="cost", gap=1e-9)
    assert found.cost == pytest.approx(order.cost, rel=1e-6)
    assert found.margin == pytest.approx(-order.cost, rel=1e-6)
    costs = order.options()["cost"]
    if (costs < costs.min() + 0.02).sum() == 1:  # no other week or lab is as cheap to the cent
        (row,) = found.orders
        assert (row.lab, row.week, row.quantity) == (order.lab, order.week, order.quantity)


# --- no plan breaks a limit


def many(seed, varieties=4):
    """Give a season with many lawful quantities, and limits that may or may not be tight."""
    rng = np.random.default_rng([3, seed])
    plan = competing(seed, varieties)
    offers = tuple(row.replace(multiple=int(rng.choice([1, 5]))) for row in plan.offers)
    areas = rng.choice([0.5, 2.0, 100.0], size=2).tolist()
    places = tuple(row.replace(area=a) for row, a in zip(plan.places, areas, strict=True))
    return plan.replace(offers=offers, places=places, budget=rng.choice([None, 60.0, 200.0]))


@settings(some, max_examples=25)
@given(
    seed=st.integers(0, 10**6),
    each=st.sampled_from([1, 2]),
    floor=st.sampled_from([None, None, -50.0, 0.0, 30.0]),
    seconds=st.sampled_from([0.01, 20.0]),
)
def test_no_plan_breaks_a_limit_however_soon_the_search_must_end(seed, each, floor, seconds):
    plan = many(seed)
    try:
        found = plan_orders(plan, draws=48, seed=2, deliveries=each, bad_years=floor, time_limit=seconds)
    except OutOfReach as error:
        assume(floor is not None and floor > 0)
        assert "No plan was found that makes 30 EUR" in str(error)
        return
    faults, margin = broken(plan, found.orders, draws=48, seed=2, deliveries_each=each, floor=floor)
    assert not faults
    assert margin.mean() == pytest.approx(found.margin, rel=1e-6, abs=1e-5)
    assert found.margin <= found.bound
    assert found.gap >= 0
    assert np.isfinite([found.margin, found.bound, found.gap, found.cost]).all()
    for frame in (found.table(), found.limits(), found.runners_up()):
        assert not frame.isna().any().any()


def test_a_search_writes_nothing(capfd):
    for seed in range(4):
        plan_orders(many(seed), draws=16, seed=1, gap=1e-6)
        plan_orders(competing(1000 + seed, 2, 1, rows=1, earliest=10, lives=(None,)), draws=16, seed=1, aim="cost")
    assert capfd.readouterr() == ("", "")
