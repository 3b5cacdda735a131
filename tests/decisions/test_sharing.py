"""What is scarce, shared out: bounds that hold at any prices, and limits counted a second time."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_by_plan import benches, every_margin, freight, fullest, worst_tenth
from random_orders import competing

from forecast.decisions import ways as module
from forecast.decisions.bidding import Bidder
from forecast.decisions.limits import FULLEST
from forecast.decisions.money import worst_seasons
from forecast.decisions.programme import plan_orders
from forecast.decisions.search import best_margin
from forecast.decisions.sharing import Cut, Prices, Sharing, Tail
from forecast.decisions.ways import Pick, Ways
from forecast.growth.simulation import season_streams

DRAWS = 16
some = settings(max_examples=40, deadline=None, derandomize=True)
seeds = st.integers(0, 10**6)


def tight(seed, plans, plan):
    """Set a budget and benches of 40 to 98 % of what the best plan takes."""
    rng, best = np.random.default_rng([4, seed]), plans.best()
    full = plans.full(np.array([best]))[0].reshape(2, -1).max(axis=1)
    areas = np.maximum(full * rng.uniform(0.4, 0.98, size=2), 0.01).tolist()
    places = tuple(row.replace(area=a) for row, a in zip(plan.places, areas, strict=True))
    return plan.replace(places=places, budget=max(float(plans.spent[best] * rng.uniform(0.4, 0.98)), 0.1))


def program(plan, deliveries, floor=None):
    """The program of a season without any bundle, and its bidders."""
    streams = season_streams(DRAWS, 1)
    bidders = [Bidder(i, Ways(plan, streams, name, deliveries, guarded=True)) for i, name in enumerate("AB")]
    return Sharing(plan, DRAWS, floor, items=2), bidders


def random_prices(rng, sharing, bidders):
    """Prices from 0 on: of budget, benches under random cuts, bad years under random tails, and parts of boxes."""
    for _ in range(3):
        draws = np.sort(rng.permutation(DRAWS)[: round(FULLEST * DRAWS)])
        row = int(rng.integers(sharing.benches.size))
        sharing.cuts.append(Cut(row, draws, float(sharing.benches[row])))
        sharing.tails.append(Tail(worst_seasons(rng.normal(size=DRAWS), FULLEST)))
    spent = float(rng.choice([0, 0.3, 1.5]))
    areas, tails = rng.choice([0, 5, 60], size=3).astype(float), rng.choice([0, 0.2, 2], size=3)
    if sharing.floor is None:
        sharing.tails.clear()
        tails = np.zeros(0)
    weights = np.full(DRAWS, 1 / DRAWS) + sum(
        price * one.weights for price, one in zip(tails, sharing.tails, strict=True)
    )
    money = 1 + float(tails.sum())
    shared, own = {}, {}
    for box in sorted({box for bidder in bidders for slot in bidder.ways.slots for way in slot for box in way.boxes}):
        parts = rng.dirichlet([1, 1, 1]) * box[2] * (money + spent)
        shared[box] = float(parts[0])
        own |= {(item, box): float(part) for item, part in enumerate(parts[1:])}
    return Prices(weights, spent, money, tails, areas, shared, own)


@pytest.mark.parametrize("seed", range(30))
def test_at_any_prices_the_bound_is_above_the_best_of_all_plans(seed):
    rng, each = np.random.default_rng([5, seed]), 1 + seed % 2
    plan = competing(seed, 2, 1, coarse=each)
    plans = every_margin(plan, DRAWS, 1, each, 7 * max(row.likely_number for row in plan.wanted))
    plan = tight(seed, plans, plan)
    limits = {"budget": plan.budget, "bench": benches(plan)}
    floor = float(plans.bad(np.array([plans.best(**limits)]))[0]) if seed % 3 == 0 else None
    best = plans.value[plans.best(**limits, floor=-math.inf if floor is None else floor)]
    for _ in range(10):
        sharing, bidders = program(plan, each, floor)
        prices = random_prices(rng, sharing, bidders)
        most = [bidder.answer(prices, sharing).most for bidder in bidders]
        assert sharing.bound(most, prices) >= best - 1e-9 * abs(best)


@settings(some, max_examples=8)
@given(seed=seeds, floor=st.sampled_from([None, -30.0]))
def test_no_plan_within_the_limits_earns_more_than_the_bound(seed, floor):
    """Of random plans with quantities that the search may never have tried."""
    rng = np.random.default_rng(seed)
    plan = competing(seed, 2)
    plan = plan.replace(
        budget=float(rng.choice([60, 150, 1000])),
        offers=tuple(row.replace(multiple=1, minimum=1) for row in plan.offers),
        places=tuple(row.replace(area=float(rng.choice([0.5, 1.5, 50]))) for row in plan.places),
    )
    streams = season_streams(DRAWS, 1)
    found = best_margin(plan, streams, deliveries=2, floor=floor, time_limit=3, gap=0.02)
    assert found.bound >= found.value
    assert found.sharing.fits(found.chosen)
    fitting = 0
    for _ in range(300):
        bundles = []
        for bidder in [one for one in found.bidders if rng.random() < 0.7]:
            pairs = list(bidder.ways.pairs())
            ways = [bidder.ways.slots[0][rng.integers(len(bidder.ways.slots[0]))]]
            if pairs and rng.random() < 0.5:
                i, j = pairs[rng.integers(len(pairs))]
                ways = [bidder.ways.slots[0][i], bidder.ways.slots[1][j]]
            numbers = (2 ** rng.uniform(0, 6, size=len(ways))).astype(int).tolist()
            bundles.append(bidder.bundle([Pick(way, n) for way, n in zip(ways, numbers, strict=True)]))
        if found.sharing.fits(bundles):
            fitting += bool(bundles)
            assert found.sharing.margin(bundles).mean() <= found.bound + 1e-6
    assert fitting > 0


@pytest.mark.parametrize("seed", range(12))
def test_of_quantities_thinned_out_the_bound_holds_for_all_and_the_best_are_found(seed, monkeypatch):
    """With four quantities tried of each offer and week, of twenty and more that are lawful."""
    plan = competing(100 + seed, 2, 1)
    step = max(max(row.multiple for row in plan.offers) // 6, 1)
    plan = plan.replace(offers=tuple(row.replace(multiple=step, minimum=1) for row in plan.offers))
    plans = every_margin(plan, DRAWS, 1, 1, 7 * max(row.likely_number for row in plan.wanted))
    plan = tight(seed, plans, plan) if seed % 2 else plan
    best = plans.value[plans.best(budget=plan.budget or math.inf, bench=benches(plan))]
    monkeypatch.setattr(module, "MOST_STEPS", 4)
    ways = [Ways(plan, season_streams(DRAWS, 1), name, 1) for name in "AB"]
    assert any(way.gaps.any() for one in ways for way in one.slots[0])
    heard = []
    found = plan_orders(
        plan, draws=DRAWS, seed=1, deliveries=1, gap=1e-9, progress=lambda _, bound, __: heard.append(bound)
    )
    assert min(heard) >= best - 1e-9 * abs(best)
    assert found.margin == pytest.approx(best, rel=1e-6, abs=1e-6)


@some
@given(seed=seeds)
def test_freight_area_and_bad_years_of_bundles_are_those_of_a_recount(seed):
    rng, plan = np.random.default_rng(seed), competing(seed, 2)
    sharing, bidders = program(plan, 2)
    bundles, told = [], []
    for bidder, name in zip(bidders, "AB", strict=True):
        way = bidder.ways.slots[0][rng.integers(len(bidder.ways.slots[0]))]
        pick = Pick(way, int(rng.choice(way.quantities)))
        bundles.append(bidder.bundle([pick]))
        told.append((name, way.prices.lab, way.week, pick.quantity))
    assert sharing.freight(bundles) == pytest.approx(freight(plan, told))
    margin = sum(one.margin for one in bundles) - freight(plan, told)
    assert sharing.margin(bundles) == pytest.approx(margin)
    assert sharing.margin(bundles).mean() <= sharing.margin(bundles, np.ones(2)).mean() + 1e-9
    area = sum(one.picks[0].quantity * one.picks[0].way.area.astype(float) for one in bundles)
    assert sharing.fullest(sharing.area(bundles)) == pytest.approx(fullest(area), rel=1e-5)
    assert worst_seasons(margin, FULLEST) @ margin == pytest.approx(worst_tenth(margin))


@some
@given(seed=seeds, size=st.integers(1, 300), share=st.floats(0.02, 1))
def test_the_worst_seasons_weigh_one_and_no_other_weights_of_that_size_find_worse(seed, size, share):
    rng = np.random.default_rng(seed)
    margin = rng.normal(size=size)
    weights = worst_seasons(margin, share)
    assert weights.sum() == pytest.approx(1)
    assert weights.min() >= 0
    most = 1 / (share * size)
    assert weights.max() <= most * (1 + 1e-9)
    other = np.minimum(rng.dirichlet(np.ones(size)), most)
    assert weights @ margin <= other @ margin / other.sum() + 1e-9 or other.max() / other.sum() > most


def test_an_overfull_place_is_cut_once():
    plan = competing(3, 2)
    plan = plan.replace(places=tuple(row.replace(area=0.1) for row in plan.places))
    sharing, bidders = program(plan, 1)
    way = bidders[0].ways.slots[0][0]
    bundle = bidders[0].bundle([Pick(way, 100)])
    assert not sharing.fits([bundle])
    rounds = 0
    while sharing.cut([bundle]):
        rounds += 1
    assert 0 < rounds < 10
    over = fullest(100 * way.area.astype(float)) > benches(plan) + 1e-6
    assert {cut.row for cut in sharing.cuts} <= set(np.flatnonzero(over).tolist())
