"""The master problem, by hand."""

import math
from itertools import count

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_seasons import FIRST, offer, season, stage

from forecast.growth.summaries import worst_seasons
from forecast.ordering.price_breaks import PriceList
from forecast.ordering.shipments import bill
from forecast.planning.limits import Limits
from forecast.planning.master import Cut, Duals, MasterProblem
from forecast.season.price_list import PriceLine
from forecast.weeks import Week
from forecast.worth.columns import Column, Way

some = settings(max_examples=40, deadline=None, derandomize=True)
seeds = st.integers(0, 10**6)


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


# --- by hand: columns of which every number is set

FLAT = 4  # draws; the fullest tenth is one of them


def yard(budget=None, areas=(10.0,), weeks=2, usable=1.0):
    names = ("house", "yard")[: len(areas)]
    places = [{"place": name, "area": area, "usable": usable} for name, area in zip(names, areas, strict=True)]
    offers = [offer(last_week="2027-W02")]
    return season([stage()], price_list=offers, weeks=weeks, places=places, budget=budget)


NUMBERS = count()


def delivered(quantity=1, area=0.0, *, draws=FLAT, rows=2, **cells):
    """So many plants that stand on an area each [m2], one for all places, weeks and draws or shape (rows, draws)."""
    (prices,) = PriceList.of([PriceLine(**offer(last_week="2027-W02", **{"unit_price": 0} | cells))])
    stood = np.broadcast_to(np.asarray(area, dtype=np.float32), (rows, draws))
    return {Way(next(NUMBERS), 1, prices, Week.parse(FIRST), 0, np.zeros(draws), stood, np.zeros(0)): quantity}


def column(item, margin, cost=0.0, plants=None, *, draws=FLAT):
    """A column of a margin; what it costs is paid to the lab."""
    some = plants or delivered(draws=draws)
    if cost:
        ((way, quantity),) = some.items()
        (row,) = way.prices.breaks
        dear = PriceList((row.replace(unit_price=cost / quantity),))
        some = {Way(next(NUMBERS), 1, dear, way.week, way.delivered, way.growing, way.area, way.outlay): quantity}
    worth = np.broadcast_to(np.asarray(margin, float), draws)
    return Column(item, some, worth, worth, 0.0, np.zeros((0, draws)), slice(0, 0), np.zeros(0))


def master_of(plan, columns, floor=None, *, draws=FLAT, **options):
    made = MasterProblem(plan, draws, floor, items=1 + max(one.item for one in columns), **options)
    assert all(made.add(one) for one in columns)
    return made


BOX = {"plants_per_box": 50, "freight_per_box": 10}


def boxed(item, margin, plants, **cells):
    return column(item, margin, 0.0, delivered(plants, **(BOX | cells)))


def test_half_of_what_is_dearer_fits_beside_what_pays_more_for_a_unit_of_budget():
    """8 for 10 and 6 for 5, with 10 to spend: all of the second, half of the first; a unit more earns 8 / 10."""
    master = master_of(yard(10.0), [column(0, 8, 10), column(1, 6, 5)])
    found = master.solve_relaxed()
    assert found.value == pytest.approx(10)
    assert found.parts == pytest.approx([0.5, 1])
    assert found.shortfall == 0
    assert found.duals.budget == pytest.approx(0.8)
    assert found.duals.money == 1
    assert found.duals.weights.tolist() == [0.25] * FLAT
    assert (found.duals.boxes, found.duals.own_boxes) == ({}, {})
    assert found.duals.areas.size == found.duals.tails.size == 0
    chosen, bound = master.solve_integer(5, 0.0)
    assert [one.item for one in chosen] == [0]
    assert bound == pytest.approx(8)


def test_without_a_budget_all_is_had_and_money_is_worth_nothing_more():
    master = master_of(yard(), [column(0, 8, 1e6), column(1, 6, 5), column(1, 7, 5), column(0, -1, 5)])
    found = master.solve_relaxed()
    assert found.value == pytest.approx(15)
    assert found.parts == pytest.approx([1, 0, 1, 0])
    assert found.duals.budget == 0
    chosen, bound = master.solve_integer(5, 0.0)
    assert [one.margin[0] for one in chosen] == [8, 7]
    assert bound == pytest.approx(15)


def test_a_square_metre_more_is_worth_what_the_next_part_of_a_bundle_earns_on_it():
    """8 on 4 m² and 6 on 2 m², on 4 m² in the fullest draw: 6 and half of 8, so 2 a square metre."""
    stood = np.zeros((2, FLAT))
    stood[1, 2] = 2
    plants = delivered(2, stood), delivered(1, stood)
    master = master_of(yard(areas=(4.0,)), [column(0, 8, 0, plants[0]), column(1, 6, 0, plants[1])])
    assert master.add_cuts(master.columns)
    (cut,) = master.cuts
    assert (cut.row, cut.draws.tolist(), cut.bench) == (1, [2], 4)
    assert [master.area_under(*one, 0) for one in plants] == [2, 2]
    found = master.solve_relaxed()
    assert found.value == pytest.approx(10)
    assert found.parts == pytest.approx([0.5, 1])
    assert found.duals.areas == pytest.approx([2])
    assert master.add_cuts(master.columns, found.parts) is False
    assert master.add_cuts(master.columns) is False


def test_a_unit_of_a_floor_costs_what_is_given_up_for_it():
    """Four lost in the worst draw and 5 earned on average, beside 2 that is sure: half of the first keeps 0."""
    master = master_of(yard(), [column(0, [-4, 8, 8, 8]), column(1, 2)], 0.0)
    assert master.add_cuts(master.columns)
    assert [tail.tolist() for tail in master.tails] == [[1, 0, 0, 0]]
    found = master.solve_relaxed()
    assert found.value == pytest.approx(4.5)
    assert found.parts == pytest.approx([0.5, 1])
    assert found.shortfall == pytest.approx(0)
    assert found.duals.tails == pytest.approx([1.25])
    assert found.duals.money == pytest.approx(2.25)
    assert found.duals.weights == pytest.approx([1.5, 0.25, 0.25, 0.25])
    assert not master.add_cuts(master.columns)


def test_what_a_floor_lacks_is_made_up_for_at_a_hundred_a_unit():
    master = master_of(yard(), [column(0, [-4, 8, 8, 8]), column(1, 2)], 10.0)
    assert master.add_cuts(master.columns)
    found = master.solve_relaxed()
    assert found.parts == pytest.approx([0, 1])
    assert found.shortfall == pytest.approx(8)
    assert found.value == pytest.approx(2 - 100 * 8)
    assert found.duals.tails == pytest.approx([100])
    assert not master.add_cuts(master.columns, found.parts, shortfall=found.shortfall)
    assert not master.add_cuts([master.columns[1]], shortfall=8.0)
    assert master.solve_integer(5, 0.0) == (None, math.inf)


def test_a_floor_lacks_as_much_beside_a_bench_that_is_large_enough():
    stood = delivered(1, 5.0)
    columns = [column(0, [-4, 8, 8, 8], 0, stood), column(1, 2, 0, stood)]
    master = master_of(yard(), columns, 10.0, cuts=[Cut(0, np.array([0]), 10.0)])
    assert master.add_cuts(columns)
    found = master.solve_relaxed()
    assert (found.parts, found.shortfall) == (pytest.approx([0, 1]), pytest.approx(8))
    assert (found.duals.areas, found.duals.tails) == (pytest.approx([0]), pytest.approx([100]))


def test_boxes_are_shared_in_parts_by_the_program_and_whole_by_a_plan():
    """Two of nine tenths of a box: 1.8 boxes of 10 in parts, and two as a plan; the box that both use has its price."""
    master = master_of(yard(), [boxed(0, 14, 45), boxed(1, 14, 45)])
    box = ("Lab", Week.parse(FIRST), 10.0, 50)
    found = master.solve_relaxed()
    assert found.value == pytest.approx(28 - 18)
    assert found.duals.boxes == pytest.approx({box: 10})
    assert found.duals.own_boxes == pytest.approx({(0, box): 0, (1, box): 0})
    chosen, bound = master.solve_integer(5, 0.0)
    assert len(chosen) == 2
    assert bound == pytest.approx(8)


@some
@given(
    sizes=st.lists(st.integers(1, 170), min_size=1, max_size=4),
    parts=st.lists(st.floats(0, 1), min_size=4, max_size=4),
    per_box=st.sampled_from([1, 7, 50]),
)
def test_the_programs_count_the_freight_that_is_billed(sizes, parts, per_box):
    """Whole columns pay what `bill` says; parts pay from their part of full boxes to all that is billed."""
    cells = {"plants_per_box": per_box, "freight_per_box": 10}
    columns = [column(i, 5, 0, delivered(n, **cells)) for i, n in enumerate(sizes)]
    billed = bill(one for column in columns for one in column.shipments).freight
    chosen, bound = master_of(yard(budget=1e6), columns, required=frozenset(range(len(columns)))).solve_integer(5, 0.0)
    assert len(chosen) == len(sizes)
    assert bound == pytest.approx(5 * len(sizes) - billed)
    assert billed == 10 * math.ceil(sum(sizes) / per_box)
    some = np.array(parts[: len(sizes)])
    least = 10 * float(some @ sizes) / per_box
    assert least - 1e-6 <= Limits(yard(), FLAT).freight(columns, some) <= billed + 1e-6


def test_a_box_that_one_item_uses_alone_is_its_own():
    master = master_of(yard(), [boxed(0, 14, 25)])
    box = ("Lab", Week.parse(FIRST), 10.0, 50)
    found = master.solve_relaxed()
    assert (found.value, found.duals.boxes[box]) == (pytest.approx(4), pytest.approx(0))
    assert found.duals.own_boxes == pytest.approx({(0, box): 10})


def test_freight_counts_towards_budget_and_floor():
    """One box of 10 leaves 3 of 13 in every draw; with 9 to spend or a floor of 4 there is nothing."""
    alone = [boxed(0, 13, 50)]
    assert master_of(yard(11.0), alone).solve_integer(5, 0.0)[0] == tuple(alone)
    assert master_of(yard(9.0), alone).solve_integer(5, 0.0)[0] == ()
    for floor, number in ((3.0, 1), (-4.0, 1)):
        master = master_of(yard(), alone, floor)
        master.tails.append(np.array([1.0, 0, 0, 0]))
        assert len(master.solve_integer(5, 0.0)[0]) == number
    master = master_of(yard(), alone, 4.0)
    master.tails.append(np.array([1.0, 0, 0, 0]))
    assert master.solve_integer(5, 0.0)[0] is None


def test_if_each_item_must_have_one_it_has_the_cheapest_that_fit():
    options = [column(0, -5, 5), column(0, -3, 3), column(1, -2, 2), column(1, -4, 4)]
    master = master_of(yard(), options, required=frozenset({0, 1}))
    assert master.solve_relaxed().value == pytest.approx(-5)
    chosen, bound = master.solve_integer(5, 0.0)
    assert chosen == (options[1], options[2])
    assert bound == pytest.approx(-5)
    assert master_of(yard(4.0), options, required=frozenset({0, 1})).solve_integer(5, 0.0) == (None, math.inf)
    assert master_of(yard(4.0), options).solve_integer(5, 0.0)[0] == ()


@pytest.mark.parametrize(
    ("budget", "bench", "lacking"),
    [
        (100, 10, {}),
        (None, 2, {}),
        (100, 2, {"budget": 30}),  # 30 % more, rather than twice the bench
        (30, 2, {"house": 2}),  # twice the bench, rather than 333 % more
        (20, 1, {"budget": 10, "house": 3}),
        (28, 0.5, {"budget": 2, "house": 3.5}),  # a bench below 1 m² counts as 1 m²: 357 %, rather than 364 %
    ],
)
def test_least_is_lacking_as_a_share_of_its_limit(budget, bench, lacking):
    """One column costs 130 and stands on nothing, the other costs 30 and stands on 4 m² in the second week alone."""
    options = [column(0, -130, 130), column(0, -30, 30, delivered(1, [[0] * FLAT, [4] * FLAT]))]
    assert master_of(yard(budget, (bench,)), options, required=frozenset({0})).shortfalls() == pytest.approx(lacking)


def test_every_place_lacks_by_itself_and_the_same_in_all_its_weeks():
    stood = np.array([[3.0], [5.0], [0.5], [7.0]]) * np.ones((1, FLAT))  # house and yard, two weeks each
    plan = yard(areas=(4.0, 2.0))
    master = master_of(plan, [column(0, -1, 1, delivered(1, stood, rows=4))], required=frozenset({0}))
    assert master.shortfalls() == pytest.approx({"house": 1, "yard": 5})


def test_what_lacks_of_a_small_place_weighs_more_than_the_same_of_a_large_one():
    """3 m² of a house of 2 m², or 12 m² of a yard of 20 m²."""
    inside, outside = (np.array(rows)[:, None] * np.ones(FLAT) for rows in ([5.0, 5, 0, 0], [0.0, 0, 32, 32]))
    options = [column(0, -1, 1, delivered(1, stood, rows=4)) for stood in (inside, outside)]
    assert master_of(yard(areas=(2.0, 20.0)), options, required=frozenset({0})).shortfalls() == pytest.approx(
        {"yard": 12}
    )


def test_a_bound_adds_what_scarce_things_are_worth_to_what_items_are():
    """3 + 4, 0.5 of 20 to spend, 2 for each of 10 m², less 0.25 of a floor of 8."""
    duals = Duals(np.full(FLAT, 0.25), 0.5, 1.25, np.array([0.25]), np.array([2.0]), {}, {})
    cut, tail = Cut(0, np.array([1]), 10.0), np.array([1.0, 0, 0, 0])
    one = column(0, 1)
    assert master_of(yard(20.0), [one], 8.0, cuts=[cut], tails=[tail]).bound([3, 4], duals) == 7 + 10 + 20 - 2
    assert master_of(yard(), [one], 8.0, cuts=[cut], tails=[tail]).bound([3, 4], duals) == 7 + 20 - 2
    free = master_of(yard(), [one]).zero_duals
    assert (free.budget, free.money, free.boxes, free.own_boxes) == (0, 1, {}, {})
    assert free.areas.size == free.tails.size == 0
    assert free.weights.tolist() == [0.25] * FLAT
    assert master_of(yard(), [one]).bound([3, 4], free) == 7


def test_the_worst_weeks_of_a_place_are_cut_first_and_at_most_six_at_once():
    """Eight weeks overfull by 1 to 8 m² in the two fullest of twenty draws."""
    over = np.array([3, 8, 1, 7, 2, 6, 5, 4])
    stood = np.full((8, 20), 2.0)
    stood[:, [3, 11]] = 10.0 + over[:, None]
    master = master_of(yard(weeks=8), [column(0, 1, 0, delivered(1, stood, draws=20, rows=8), draws=20)], draws=20)
    assert master.add_cuts(master.columns)
    assert [cut.row for cut in master.cuts] == [1, 3, 5, 6, 7, 0]
    assert all(cut.draws.tolist() == [3, 11] for cut in master.cuts)
    assert not master.add_cuts(master.columns)
    more = master_of(yard(weeks=8), master.columns, draws=20)
    assert more.add_cuts(master.columns, more=6.0)
    assert [cut.row for cut in more.cuts] == [1, 3]
    assert not more.add_cuts(master.columns, more=8.0)


@pytest.mark.parametrize(("bench", "most"), [(0.5, 1e-6), (20.0, 2e-5)])
def test_a_limit_may_be_missed_by_a_millionth_of_it_or_of_one(bench, most):
    """Of benches, budget and floor; so may a limit that is smaller than one."""
    plan = yard(bench, (bench,))
    for part, kept in ((0.5, True), (1.5, False)):
        stood = column(0, 1, 0, delivered(1, bench + part * most))
        made = master_of(plan, [stood])
        assert made.fits([stood]) is kept
        assert made.add_cuts([stood]) is not kept
        paid = column(0, 1, bench * (1 + part * 1e-6))
        assert master_of(plan, [paid]).fits([paid]) is kept
        for floor in (bench, -bench):
            earns = column(0, floor - part * most)
            made = master_of(yard(), [earns], floor)
            assert made.fits([earns]) is kept
            assert made.add_cuts([earns]) is not kept


def test_benches_are_what_is_usable_place_by_place():
    assert yard(areas=(10.0, 4.0), usable=0.5).budget is None
    assert Limits(yard(areas=(10.0, 4.0), usable=0.5), FLAT).benches.tolist() == [5, 5, 2, 2]
    assert Limits(yard(), FLAT).budget == math.inf
    assert Limits(yard(7.5), FLAT).budget == 7.5


def test_parts_of_bundles_are_on_parts_of_their_area_and_earn_parts_of_their_margin():
    """Ten plants on 0.5 m² each and four on 1 m²; half of the first and a quarter of the second."""
    first, second = delivered(10, 0.5), delivered(4, 1.0)
    columns = [column(0, 8, 0, first), column(1, 4, 0, second | first)]
    limits, parts = Limits(yard(), FLAT), np.array([0.5, 0.25])
    assert limits.area(columns).tolist() == [[5 + 4 + 5] * FLAT] * 2
    assert limits.area(columns, parts).tolist() == [[2.5 + 1 + 1.25] * FLAT] * 2
    assert limits.area([]).tolist() == [[0] * FLAT] * 2
    assert limits.margin(columns).tolist() == [12] * FLAT
    assert limits.margin(columns, parts).tolist() == [5] * FLAT
    assert limits.margin([]).tolist() == [0] * FLAT
    assert columns[0].key == (0, *((way.at, number) for way, number in first.items()))


def test_the_fullest_and_the_worst_tenth_are_two_of_twenty_draws_and_one_of_four():
    numbers = np.random.default_rng(1).permutation(20).astype(float)
    assert Limits(yard(), 20).fullest(np.array([numbers, -numbers])).tolist() == [18.5, -0.5]
    assert Limits(yard(), 4).fullest(np.array([[1.0, 5.0, 2.0, 3.0]])).tolist() == [5]
    assert Limits(yard(), 20).worst_tenth([column(0, numbers, draws=20)]) == pytest.approx(0.5)


def test_plants_that_share_boxes_fill_them_up_before_the_next():
    """30 and 45 of fifty are a box and a half, so two; with a hundred more, three and a half. A full box is one."""
    limits = Limits(yard(), FLAT)
    few, more, full = boxed(0, 0, 30), boxed(1, 0, 45), boxed(2, 0, 100)
    assert [limits.freight([one]) for one in (few, more, full)] == [10, 10, 20]
    assert limits.freight([few, more]) == 20
    assert limits.freight([few, more, full]) == 40
    assert limits.freight([few, boxed(1, 0, 45, lab="Other lab")]) == 20
    assert limits.freight([few, boxed(1, 0, 45, freight_per_box=12)]) == 22
    assert limits.freight([boxed(i, 0, plants) for i, plants in enumerate((5, 10, 30, 5))]) == 10  # full to the plant
    assert limits.margin([few, more]).tolist() == [-20] * FLAT
    assert limits.cost([few, more]) == 20
    twice = column(0, 0, 0, delivered(30, **BOX) | delivered(45, **BOX))
    assert twice.boxes == {("Lab", Week.parse(FIRST), 10.0, 50): 75}


def test_parts_of_bundles_pay_for_what_they_fill_and_at_least_for_their_own_whole_boxes():
    """Half of 60 plants fills 0.6 boxes but needs one of its two; with half of 80 they fill 1.4 together."""
    limits = Limits(yard(), FLAT)
    one, other = boxed(0, 4, 60), boxed(1, 4, 80)
    assert limits.freight([one], np.array([0.5])) == 10
    assert limits.freight([one, other], np.array([0.5, 0.5])) == pytest.approx(14)
    assert limits.freight([one, boxed(0, 4, 80)], np.array([0.5, 0.5])) == pytest.approx(20)
    assert limits.margin([one, other], np.array([0.5, 0.5])) == pytest.approx([-10] * FLAT)
    assert limits.margin([one, other], np.array([0.5, 0.0])) == pytest.approx([-8] * FLAT)
    assert limits.freight([boxed(0, 0, 50)], np.array([1.0])) == 10


def test_a_bundle_is_taken_once():
    master, plants = MasterProblem(yard(), FLAT, items=2), delivered()
    assert master.add(column(0, 1, 0, plants)) is True
    assert master.add(column(0, 1, 0, plants)) is False
    assert master.add(column(1, 1, 0, plants)) is True
    assert len(master.columns) == 2
