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

import forecast
from forecast.growth.simulation import draw_fate, season_streams
from forecast.ordering.price_breaks import PriceList
from forecast.planning import columns as module
from forecast.planning.columns import Ways, orderable_up_to
from forecast.season.price_list import PriceLine

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
    return Grown(plan, "A", fate, way.week, plan.targets_of("A")[-1].week)


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
        own = dict(zip(chosen, sizes, strict=True))
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
            own = {first: int(first.quantities[a]), second: int(second.quantities[b])}
            outlay = sum(way.shipment(n).price + n * way.growing for way, n in own.items())
            assert table[a, b] == pytest.approx((ways.margin(own) + outlay) @ weights, rel=1e-9)
        assert (table <= ways.most(weights) * (1 + 1e-9)).all()


def test_larger_orders_are_tried_only_if_the_worst_tenth_counts_for_more():
    """Where demand varies, a plant more is worth most in the tenth of draws in which it is greatest."""
    plan = season(
        [stage(typical=1, survival=0.9)],
        price_list=[offer(unit_price=2, multiple=1, minimum=1, first_week="2027-W10", last_week="2027-W10")],
        targets=[{"variety": "A", "week": "2027-W18", "p5": 50, "median": 100, "p95": 200}],
    )
    plan = plan.replace(varieties=[plan.variety("A").replace(sale_price=4.0)])
    usual, guarded = (Ways(plan, season_streams(256, 1), "A", 1, **how) for how in ({}, {"guarded": True}))
    assert usual.slots[0][0].quantities[-1] < guarded.slots[0][0].quantities[-1]


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
    """Under even weights, or those of the worst tenth, up to three times the largest quantity that is tried."""
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
        value = max(float(ways.margin({way: int(n)}) @ weights) for n in way.quantities)
        assert all(ways.margin({way: n}) @ weights <= value + 1e-9 for n in beyond)


@settings(some, max_examples=200)
@given(rows=price_lists(), most=st.integers(1, 400))
def test_the_quantities_tried_are_orderable_and_the_gaps_are_the_orderable_ones_between(rows, most):
    (prices,) = PriceList.of(PriceLine(**row) for row in rows)
    tried = orderable_up_to(prices, most)
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
    between = [n for n in every if low <= n <= high]
    if len(between) <= 16:
        assert near.quantities.tolist() == sorted({*tried.tolist(), *between})
    while (finer := near.finer(middle)).quantities.size > near.quantities.size:
        near = finer
    at = near.quantities.tolist().index(middle)
    beside = near.quantities[max(at - 1, 0) : at + 2].tolist()
    untried = [n for n in every if beside[0] <= n <= beside[-1] and n not in near.quantities]
    assert not untried or beside[-1] - beside[0] <= 0.002 * middle


def test_a_plant_that_is_sold_early_saves_its_bench():
    """Ready in week 3 of 10, at 40 to the m² and 2 a week: sold in week 6 it saves four weeks until week 10."""
    plan = season(
        [stage(typical=2, survival=1, plants_per_m2=40)],
        price_list=[offer(last_week="2027-W01")],
        places=[{"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 2}],
        targets=[{"variety": "A", "week": f"2027-W{w:02d}", "target": 10} for w in (6, 10)],
        weeks=12,
    )
    plan = plan.replace(varieties=[{"variety": "A", "group": "crop", "sale_price": 3}])
    ways = Ways(plan, season_streams(4, 1), "A", 1)
    (way,) = ways.slots[0]
    rent = 2 / 40
    assert way.growing == pytest.approx(np.full(4, 9 * rent))
    assert ways.worth == pytest.approx([3 + 4 * rent, 3])
    assert ways.margin({way: 20}) == pytest.approx(np.full(4, 20 * 3 - 20 - 20 * 9 * rent + 10 * 4 * rent))
    faults, margin = broken(plan, [way.shipment(20).delivery], draws=4, seed=1)
    assert not faults
    assert margin == pytest.approx(ways.margin({way: 20}))
    assert math.isclose(ways.most(np.full(4, 0.25)), 10 * (3 + 4 * rent) + 10 * 3)


@pytest.mark.parametrize("life", [None, 3])
def test_a_plan_earns_what_the_cash_account_says_where_plants_pass_their_best_before_the_last_sale(life):
    """60 are ready for week 9 and sold, at half a euro of bench a week: unsold they stood for three weeks, not for 11.

    Nothing is delivered in time for week 20 but the same plants, so a plan says 60 x (9 - 1) less weaning's bench.
    """
    plan = season(
        [stage(typical=6, survival=1)],
        price_list=[offer(first_week="2027-W03", last_week="2027-W03", multiple=60)],
        places=[{"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 50}],
        targets=[{"variety": "A", "week": week, "target": n} for week, n in (("2027-W09", 60), ("2027-W20", 1))],
        saleable_weeks=life,
    )
    plan = plan.replace(varieties=(plan.varieties[0].replace(sale_price=9),))
    found = forecast.plan_orders(plan, draws=64, seed=1)
    assert [order.quantity for order in found.orders] == [60]
    assert found.margin == pytest.approx(60 * 8 - 60 * 6 * 0.5)
    assert found.margin == pytest.approx(float(found.cash_flow().margin.mean()))


# --- by hand


def sure(price_list, targets=((6, 10),), deliveries=2, own=(), **cells):
    """Plants take two weeks and none is lost; each target is sold at 3."""
    plan = season(
        [stage(**{"typical": 2, "survival": 1} | cells)],
        price_list=price_list,
        targets=[{"variety": "A", "week": f"2027-W{week:02d}", "target": number} for week, number in targets],
        weeks=10,
    )
    plan = plan.replace(varieties=[{"variety": "A", "group": "crop", "sale_price": 3} | dict(own)])
    return Ways(plan, season_streams(4, 1), "A", deliveries)


def listed(*rows):
    """A price list of rows that differ."""
    (prices,) = PriceList.of([PriceLine(**offer(**row)) for row in rows])
    return prices


def way_of(prices, quantities):
    nothing = np.zeros((1, 2))
    sizes, area = np.array(quantities), nothing.astype(np.float32)
    return module.Way(prices, prices.breaks[0].first_week, 0, sizes, nothing, nothing, nothing[0], nothing[0], area)


def test_a_shipment_has_its_price_its_boxes_and_its_order():
    """From 60 on a plant costs 0.9, and boxes of forty cost 7; before, boxes of fifty cost 5."""
    first = {"plants_per_box": 50, "freight_per_box": 5}
    dear = {"from_quantity": 60, "unit_price": 0.9, "plants_per_box": 40, "freight_per_box": 7}
    way = way_of(listed(first, dear), [20, 50, 60, 100])
    week = way.week
    assert {box: boxes.tolist() for box, boxes in way.boxes.items()} == {
        ("Lab", week, 5, 50): [20, 50, 0, 0],
        ("Lab", week, 7, 40): [0, 0, 60, 100],
    }
    assert way.paid == pytest.approx([20, 50, 54, 90])
    assert way.shipment(60).price == pytest.approx(54)
    assert way_of(listed({}), [20]).boxes == {}
    assert way_of(listed({"plants_per_box": 50}), [20]).boxes == {}  # boxes that cost nothing
    order = way.shipment(60).delivery
    assert (order.variety, order.week, order.quantity, order.lab) == ("A", week, 60, "Lab")


def test_gaps_are_the_orderable_plants_between_two_quantities_up_to_the_next_price():
    """Tens up to 100, then hundreds: after 30 lie 40 and 50, after 60 none up to 70, after 70 lie 80 and 90."""
    prices = listed({"multiple": 10}, {"from_quantity": 100, "unit_price": 0.8, "multiple": 100})
    way = way_of(prices, [10, 30, 60, 70, 200, 500])
    assert way.gaps.tolist() == [10, 20, 0, 20, 200, 0]
    assert way.gaps.dtype == np.int64
    assert way_of(listed({}), [1, 2, 5]).gaps.tolist() == [0, 2, 0]
    assert way_of(listed({}), [20]).gaps.tolist() == [0]
    assert way.finer(30).quantities.tolist() == [10, 20, 30, 40, 50, 60, 70, 200, 500]
    assert way.finer(10).quantities.tolist() == [10, 20, 30, 60, 70, 200, 500]
    assert way.finer(500).quantities.tolist() == [10, 30, 60, 70, 200, 300, 400, 500]
    assert way.finer(500).week == way.week


def test_up_to_sixty_quantities_are_all_tried_and_of_more_sixty_and_where_prices_begin():
    prices = listed({}, {"from_quantity": 31, "unit_price": 0.9})
    assert orderable_up_to(prices, 60).tolist() == list(range(1, 61))
    assert orderable_up_to(listed({}), 61).tolist() == [n for n in range(1, 62) if n != 31]  # sixty, evenly
    assert orderable_up_to(prices, 61).tolist() == list(range(1, 62))
    many = orderable_up_to(listed({}, {"from_quantity": 36, "unit_price": 0.9}), 600)
    assert {1, 31, 36, 42, 600} <= set(many.tolist())
    assert many.size == 61
    assert np.diff(many).max() <= 11
    assert many.dtype == np.int64
    assert orderable_up_to(listed({"minimum": 25, "multiple": 10}), 1).tolist() == [30]
    assert orderable_up_to(listed({"multiple": 10}, {"from_quantity": 95, "unit_price": 0.5}), 20).tolist() == [
        10,
        20,
        95,
    ]


def test_two_deliveries_come_from_two_labs_or_in_two_weeks():
    offers = [offer(last_week="2027-W02"), offer(lab="Other lab", last_week="2027-W01")]
    ways = sure(offers)
    named = [[(str(way.week)[-1], way.prices.lab, way.slot) for way in slot] for slot in ways.slots]
    assert named == [
        [("1", "Lab", 0), ("1", "Other lab", 0), ("2", "Lab", 0)],
        [("1", "Lab", 1), ("1", "Other lab", 1), ("2", "Lab", 1)],
    ]
    assert list(ways.pairs()) == [(0, 1), (0, 2), (1, 2)]
    assert list(sure(offers, deliveries=1).pairs()) == []


def test_two_deliveries_meet_the_demand_and_the_rest_marked_down():
    """Half of 24 and 10 are ready in weeks 3 and 5: 10 sell in week 4 and 5 in week 7 at 3, the rest at 1."""
    ways = sure([offer(last_week="2027-W03")], ((4, 10), (7, 5)), own={"markdown_price": 1}, survival=0.5)
    first, second = ({ways.slots[slot][at]: number} for slot, at, number in ((0, 0, 24), (1, 2, 10)))
    assert ways.margin(first) == pytest.approx([10 * 3 + 2 * 3 - 24] * 4)
    assert ways.margin(first | second) == pytest.approx([10 * 3 + 5 * 3 + 2 * 1 - 34] * 4)
    assert ways.margin({}).tolist() == [0] * 4
    assert ways.cost(first | second) == 34
    weights = np.array([0.5, 0.25, 0.25, 1])
    table = ways.table(0, 2, 0, weights)
    assert table is ways.table(0, 2, 0, weights)
    assert table[23, 9] == pytest.approx(2 * (45 + 2))
    assert ways.table(0, None, 0, weights)[23] == pytest.approx(2 * 36)
    assert ways.most(weights) == pytest.approx(2 * (45 + 15))
    assert ways.table(0, 2, 0, np.full(4, 0.25))[23, 9] == pytest.approx(47)


def test_plants_past_their_best_are_not_sold():
    """Of 12 that keep two weeks, 10 are sold in week 4; two are past their best in week 5, and none is left for 7."""
    ways = sure([offer(last_week="2027-W03")], ((4, 10), (7, 5)), own={"saleable_weeks": 2})
    first, second = ({ways.slots[slot][at]: number} for slot, at, number in ((0, 0, 12), (1, 2, 6)))
    assert ways.margin(first).tolist() == [30 - 12] * 4
    assert ways.margin(second).tolist() == [0 - 6] * 4  # ready in week 5, past their best in week 7
    assert ways.margin(first | second).tolist() == [30 - 18] * 4
    third = sure([offer(last_week="2027-W04")], ((4, 10), (7, 5)), own={"saleable_weeks": 2})
    assert third.table(0, 3, 0, np.full(4, 0.25))[11, 5] == pytest.approx(45)


def test_refining_tries_more_near_a_delivery_and_says_whether_there_was_any(monkeypatch):
    monkeypatch.setattr(module, "MOST_STEPS", 4)
    ways = sure([offer(last_week="2027-W02")])
    near = {ways.slots[1][0]: int(ways.slots[1][0].quantities[1])}
    before = [[way.quantities.size for way in slot] for slot in ways.slots]
    assert ways.refine(near) is True
    after = [[way.quantities.size for way in slot] for slot in ways.slots]
    assert after[0] == before[0]
    assert after[1][0] > before[1][0]
    assert after[1][1] == before[1][1]
    assert ways.refine(near) is False
    assert ways.refine({}) is False


def test_a_plantlet_is_there_from_delivery_until_the_last_target_week():
    """Delivered in week 2, two weeks at 50 to the m²; saleable plants stand as closely until they leave in week 6."""
    ways = sure([offer(first_week="2027-W02", last_week="2027-W02")], plants_per_m2=50)
    (way,) = ways.slots[0]
    assert way.area.dtype == np.float32
    assert way.area[:, 0].tolist() == pytest.approx([0, 0.02, 0.02, 0.02, 0.02, 0, 0, 0, 0, 0])
    short = sure([offer(first_week="2027-W02", last_week="2027-W02")], own={"saleable_weeks": 1}, plants_per_m2=50)
    assert short.slots[0][0].area[:, 0].tolist() == pytest.approx([0, 0.02, 0.02, 0.02, 0, 0, 0, 0, 0, 0])


def test_areas_are_looked_at_in_no_more_than_512_draws():
    plan = season(
        [stage(typical=2, survival=1)], targets=[{"variety": "A", "week": "2027-W06", "target": 10}], weeks=30
    )
    plan = plan.replace(varieties=[{"variety": "A", "group": "crop", "sale_price": 3}])
    way = Ways(plan, season_streams(600, 1), "A", 1).slots[0][0]
    assert way.area.shape == (30, 512)
    assert way.growing.shape == (600,)
