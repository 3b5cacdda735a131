"""Possible deliveries of one variety: what they are sold for, counted a second time, and the laws that this keeps."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_by_plan import Grown, accepted, broken, lists, margins
from random_orders import competing
from random_seasons import price_lists
from small_seasons import offer, season, stage

from forecast.decisions import ways as module
from forecast.decisions.prices import PriceList
from forecast.decisions.ways import Pick, Ways, lawful_up_to
from forecast.growth.simulation import draw_fate, season_streams
from forecast.season.rows import Offer

DRAWS = 24
some = settings(max_examples=40, deadline=None, derandomize=True)
seeds = st.integers(0, 10**6)


def made(seed, deliveries=2, **options):
    plan = competing(seed, 1)
    return plan, Ways(plan, season_streams(DRAWS, 1), "A", deliveries, **options)


def even():
    return np.full(DRAWS, 1 / DRAWS)


def grown(plan, way):
    fate = draw_fate(plan, season_streams(DRAWS, 1), "A", way.slot + 1, way.week)
    return Grown(plan, "A", fate, way.week, plan.wanted_of("A")[-1].week)


@settings(some, max_examples=60)
@given(seed=seeds)
def test_the_margin_of_one_and_of_two_deliveries_is_that_of_a_recount_cohort_by_cohort(seed):
    plan, ways = made(seed)
    rng = np.random.default_rng(seed)
    picks = [[way] for way in ways.slots[0]] + [[ways.slots[0][i], ways.slots[1][j]] for i, j in ways.pairs()]
    streams, labs = season_streams(DRAWS, 1), lists(plan, "A")
    for chosen in (picks[i] for i in rng.permutation(len(picks))[:4]):
        sizes = [int(rng.choice(way.quantities)) for way in chosen]
        parts = [(grown(plan, way), labs[way.prices.lab], [n]) for way, n in zip(chosen, sizes, strict=True)]
        margin, cost = margins(plan, streams, "A", parts)
        own = [Pick(way, n) for way, n in zip(chosen, sizes, strict=True)]
        assert ways.margin(own) == pytest.approx(margin[0], rel=1e-9, abs=1e-8)
        assert ways.cost(own) == pytest.approx(cost[0], rel=1e-9)
        for (one, _, _), way in zip(parts, chosen, strict=True):
            assert np.allclose(way.area, one.area, rtol=1e-5, atol=1e-9)


@some
@given(seed=seeds)
def test_what_every_pair_of_quantities_is_sold_for_is_that_of_each_pair_alone(seed):
    """The table goes by another route than the margin of a pair, which with what it costs is what it sells for."""
    _, ways = made(seed)
    weights = np.random.default_rng(seed).dirichlet(np.ones(DRAWS))
    for i, j in list(ways.pairs())[:3]:
        first, second = ways.slots[0][i], ways.slots[1][j]
        table = ways.income(first, second, weights)
        for a, b in ((0, 0), (-1, -1), (first.quantities.size // 2, second.quantities.size // 3)):
            own = [Pick(first, int(first.quantities[a])), Pick(second, int(second.quantities[b]))]
            outlay = sum(one.paid + one.quantity * one.way.growing for one in own)
            assert table[a, b] == pytest.approx((ways.margin(own) + outlay) @ weights, rel=1e-9)
        assert (table <= ways.most(weights) * (1 + 1e-9)).all()


def slopes(income, quantities):
    """How much a plant more is sold for, between each quantity and the next, along the first axis."""
    shape = (-1, *[1] * (income.ndim - 1))
    return np.diff(income, axis=0) / np.diff(quantities).reshape(shape)


@some
@given(seed=seeds)
def test_every_plant_more_sells_for_less_and_for_less_again_beside_a_second_delivery(seed):
    """Concave in each quantity and submodular in the two: what bounds between quantities, and on pairs, rest on."""
    _, ways = made(seed)
    weights = np.random.default_rng(seed).dirichlet(np.ones(DRAWS))
    near = 1e-7
    for way in (*ways.slots[0], *ways.slots[1]):
        alone = np.concatenate([[0.0], ways.income(way, None, weights)])
        slope = slopes(alone, np.concatenate([[0], way.quantities]))
        assert (slope >= -near).all()
        assert (np.diff(slope) <= near).all()
    for i, j in list(ways.pairs())[:4]:
        first, second = ways.slots[0][i], ways.slots[1][j]
        both = ways.income(first, second, weights)
        one, other = ways.income(first, None, weights), ways.income(second, None, weights)
        assert (both <= one[:, None] + other[None, :] + near).all()
        assert (both >= np.maximum(one[:, None], other[None, :]) - near).all()
        for income, quantities in ((both, first.quantities), (both.T, second.quantities)):
            slope = slopes(income, quantities)
            assert (np.diff(slope, axis=0) <= near).all()
            assert (np.diff(slope, axis=1) <= near).all()


@settings(some, max_examples=25)
@given(seed=seeds, guarded=st.booleans())
def test_no_order_beyond_those_tried_earns_more(seed, guarded):
    """Under even weights, or such as bad years have, up to three times the largest quantity that is tried."""
    plan, ways = made(seed, 1, guarded=guarded)
    rng = np.random.default_rng(seed)
    weights = even()
    if guarded:
        worst = np.zeros(DRAWS)
        worst[rng.permutation(DRAWS)[:3]] = 1 / 3
        weights = 0.5 * weights + 0.5 * worst
    for way in ways.slots[0]:
        rows = lists(plan, "A")[way.prices.lab]
        beyond = [n for n in range(int(way.quantities[-1]) + 1, 3 * int(way.quantities[-1])) if accepted(rows, n)]
        value = max(float(ways.margin([Pick(way, int(n))]) @ weights) for n in way.quantities)
        assert all(ways.margin([Pick(way, n)]) @ weights <= value + 1e-9 for n in beyond)


@settings(some, max_examples=200)
@given(rows=price_lists(), most=st.integers(1, 400))
def test_the_quantities_tried_are_lawful_and_the_gaps_are_the_lawful_ones_between(rows, most):
    (prices,) = PriceList.of(Offer(**row) for row in rows)
    tried = lawful_up_to(prices, most)
    every = [n for n in range(1, 1200) if accepted(prices.breaks, n)]
    assert set(tried.tolist()) <= set(every)
    assert tried[0] == every[0]
    assert tried[-1] >= min(n for n in every if n >= most)
    assert tried.size <= module.MOST_STEPS + len(prices.breaks)
    nothing = np.zeros((1, 2))
    week = prices.breaks[0].first_week
    way = module.Way(prices, week, 0, tried, nothing, nothing, nothing[0], nothing[0], nothing.astype(np.float32))
    for quantity, following, gap in zip(tried[:-1].tolist(), tried[1:].tolist(), way.gaps[:-1].tolist(), strict=True):
        between = [n for n in every if quantity < n < following]
        assert gap == (between[-1] - quantity if between else 0)
        assert len({prices.row(n).unit_price for n in (quantity, *between)}) == 1
    assert way.gaps[-1] == 0
    middle = int(tried[tried.size // 2])
    near = way.finer(middle)
    low, high = tried[max(tried.size // 2 - 1, 0)], tried[min(tried.size // 2 + 1, tried.size - 1)]
    assert near.quantities.tolist() == sorted({*tried.tolist(), *(n for n in every if low <= n <= high)})
    assert near.finer(middle).quantities.size == near.quantities.size


def test_a_plant_that_is_sold_early_saves_its_bench():
    """Ready in week 3 of 10, at 40 to the m2 and 2 a week: sold in week 6 it saves four weeks until week 10."""
    plan = season(
        [stage(typical=2, survival=1, plants_per_m2=40)],
        offers=[offer(last_week="2027-W01")],
        places=[{"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 2}],
        wanted=[{"variety": "A", "week": f"2027-W{w:02d}", "wanted": 10} for w in (6, 10)],
        weeks=12,
    )
    plan = plan.replace(varieties=[{"variety": "A", "group": "crop", "sale_price": 3}])
    ways = Ways(plan, season_streams(4, 1), "A", 1)
    (way,) = ways.slots[0]
    rent = 2 / 40
    assert way.growing == pytest.approx(np.full(4, 9 * rent))
    assert ways.worth == pytest.approx([3 + 4 * rent, 3])
    assert ways.margin([Pick(way, 20)]) == pytest.approx(np.full(4, 20 * 3 - 20 - 20 * 9 * rent + 10 * 4 * rent))
    faults, margin = broken(plan, [Pick(way, 20).delivery("A")], draws=4, seed=1)
    assert not faults
    assert margin == pytest.approx(ways.margin([Pick(way, 20)]))
    assert math.isclose(ways.most(np.full(4, 0.25)), 10 * (3 + 4 * rent) + 10 * 3)
