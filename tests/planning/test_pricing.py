"""What a variety answers at duals, against every delivery and pair of deliveries counted one by one."""

import math
from collections.abc import Iterable, Mapping
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from random_orders import competing
from small_seasons import offer, season, stage

from forecast.growth.simulation import season_streams
from forecast.ordering.shipments import Box, Shipment
from forecast.planning import columns as module
from forecast.planning.columns import Way, Ways
from forecast.planning.master import Cut, Duals, MasterProblem
from forecast.planning.pricing import Priced, PricingProblem
from forecast.season.season import Season

DRAWS = 16
Plants = Mapping[Way, int]


def scarce(plan: Season, rng: np.random.Generator) -> tuple[Ways, MasterProblem, Duals]:
    """Duals of budget, benches in some draws, the worst tenth, and boxes of two kinds."""
    ways = Ways(plan, season_streams(DRAWS, 1), "A", 2)
    master = MasterProblem(plan, DRAWS, None, items=1)
    full = [int(way.area.mean(axis=1).argmax()) for way in ways.slots[0]]
    for row in sorted({full[0], full[-1], full[len(full) // 2]}):
        master.cuts.append(Cut(row, np.sort(rng.permutation(DRAWS)[:2]), float(master.benches[row])))
    weights = rng.dirichlet(np.ones(DRAWS)) * 1.5
    boxes = sorted({box for slot in ways.slots for way in slot for box in way.boxes})
    own = {(0, box): 0.2 * box[2] for box in boxes}
    duals = Duals(
        *(weights, 0.2, 1.5, np.array([0.5])),
        rng.choice([0.0, 0.8], size=len(master.cuts)),
        {box: 1.1 * box[2] for box in boxes[::2]},
        own,
    )
    return ways, master, duals


def every(ways: Ways) -> list[Plants]:
    found: list[Plants] = [{way: int(n)} for way in ways.slots[0] for n in way.quantities]
    for i, j in ways.pairs():
        first, second = ways.slots[0][i], ways.slots[1][j]
        found += [{first: int(a), second: int(b)} for a in first.quantities for b in second.quantities]
    return found


def filled(shipments: Iterable[Shipment]) -> dict[Box, float]:
    """Boxes with a freight, and how many of them each of some shipments fills, whole and parts."""
    return {one.box: one.quantity / one.box.plants for one in shipments if one.box and one.box.freight}


def worth(ways: Ways, master: MasterProblem, duals: Duals, plants: Plants) -> float:
    """Margin in the weighted draws, less budget, bench and boxes at their duals; else boxes cost their freight."""
    found = float(duals.weights @ ways.margin(plants)) - duals.budget * ways.cost(plants)
    for way, quantity in plants.items():
        for price, cut in zip(duals.areas, master.cuts, strict=True):
            found -= price * quantity * float(way.area[cut.row, cut.draws].mean())
        for box, boxes in filled([way.shipment(quantity)]).items():
            shared = duals.boxes.get(box, box[2] * (duals.money + duals.budget))
            found -= shared * boxes + duals.own_boxes.get((0, box), 0.0) * math.ceil(boxes - 1e-9)
    return found


def taken(ways: Ways, master: MasterProblem, plants: Plants) -> list[float]:
    """Share of the budget, with all boxes begun, and of the bench under each cut."""
    alone = [filled([way.shipment(quantity)]) for way, quantity in plants.items()]
    freight = sum(box.freight * math.ceil(boxes - 1e-9) for one in alone for box, boxes in one.items())
    area = [
        sum(n * float(way.area[cut.row, cut.draws].mean()) for way, n in plants.items()) / cut.bench
        for cut in master.cuts
    ]
    return [(ways.cost(plants) + freight) / master.budget, *area]


def key(plants: Plants) -> tuple[tuple[str, str, int, int], ...]:
    return tuple((way.prices.lab, str(way.week), way.slot, n) for way, n in plants.items())


@pytest.mark.parametrize("seed", range(6))
def test_all_that_is_worth_nearly_as_much_as_the_best_is_found_and_nothing_else(seed: int) -> None:
    rng = np.random.default_rng([9, seed])
    plan = competing(seed, 1, 2)
    usual = Ways(plan, season_streams(DRAWS, 1), "A", 1)
    dear = max(usual.cost({way: int(way.quantities[-1])}) for way in usual.slots[0])
    plan = plan.replace(budget=0.6 * dear, places=[row.replace(area=1.5) for row in plan.places])
    ways, master, duals = scarce(plan, rng)
    room = 1.0 if seed % 2 else np.array([0.8, *[0.5] * len(master.cuts)])
    fitting = [plants for plants in every(ways) if np.all(np.array(taken(ways, master, plants)) <= room + 1e-6)]
    assert len(fitting) < len(every(ways))
    values = {key(plants): worth(ways, master, duals, plants) for plants in fitting}
    best = max(0.0, *values.values())
    spread = best - min(values.values())
    within = 0.3 * spread
    found = PricingProblem(0, ways, 10**6).solve(duals, master, within, room)
    near = {one: value for one, value in values.items() if value >= best - within}
    assert {key(candidate.plants) for candidate in found.candidates} == set(near)
    assert [one.value for one in found.candidates] == pytest.approx(sorted(near.values(), reverse=True))
    assert [one.value for one in found.candidates] == pytest.approx(
        [values[key(one.plants)] for one in found.candidates]
    )
    assert found.most == pytest.approx(best)
    assert (found.complete, found.doubt) == (True, {})
    few = PricingProblem(0, ways, 3).solve(duals, master, within, room)
    assert [candidate.value for candidate in few.candidates] == pytest.approx(sorted(near.values(), reverse=True)[:3])
    assert few.complete == (len(near) <= 3)


@pytest.mark.parametrize("seed", range(6))
def test_else_the_best_of_each_way_is_found_and_of_no_more_than_three_pairs(seed: int) -> None:
    plan = competing(seed, 1, 2)
    ways, master, duals = scarce(plan, np.random.default_rng([10, seed]))
    found = PricingProblem(0, ways).solve(duals, master)
    values = {key(plants): worth(ways, master, duals, plants) for plants in every(ways)}
    single = [candidate for candidate in found.candidates if len(candidate.plants) == 1]
    pairs = [candidate for candidate in found.candidates if len(candidate.plants) == 2]
    best = [max(values[key({way: int(n)})] for n in way.quantities) for way in ways.slots[0]]
    assert sorted(candidate.value for candidate in single) == pytest.approx(sorted(best))
    assert len(pairs) <= 3
    for candidate in pairs:
        both = list(candidate.plants)
        alike = [
            value
            for one, value in values.items()
            if [cells[:3] for cells in one] == [c[:3] for c in key(candidate.plants)]
        ]
        assert candidate.value == pytest.approx(max(alike)), both
    top = max(values.values())
    if top > 0:
        assert found.candidates[0].value == pytest.approx(top)
    assert found.most == pytest.approx(max(top, 0.0))


def hand(monkeypatch: pytest.MonkeyPatch, deliveries: int, **cells: object) -> tuple[Priced, Ways]:
    """Fifty sell at 9 and cost 1; all survive, and three quantities are tried of each price list and week."""
    monkeypatch.setattr(module, "MOST_STEPS", 3)
    plan = season(
        [stage("arrival", survival=1)],
        price_list=[offer("A", **{"last_week": "2027-W01"} | cells)],
        targets=[{"variety": "A", "week": "2027-W05", "target": 50}],
    )
    plan = plan.replace(varieties=[plan.variety("A").replace(sale_price=9.0)])
    ways = Ways(plan, season_streams(DRAWS, 1), "A", deliveries)
    master = MasterProblem(plan, DRAWS, None, items=1)
    return PricingProblem(0, ways).solve(master.zero_duals, master), ways


def test_what_is_not_tried_is_in_no_doubt_if_it_is_worth_less_than_the_best(monkeypatch: pytest.MonkeyPatch) -> None:
    """Sold at 2: up to 59 each plant leaves a half, by sixties they cost 0.10, so that sixty earn 94."""
    monkeypatch.setattr(module, "MOST_STEPS", 3)
    week = {"last_week": "2027-W01"}
    plan = season(
        [stage("arrival", survival=1)],
        price_list=[
            offer("A", unit_price=1.5, **week),
            offer("A", unit_price=0.1, from_quantity=60, multiple=60, **week),
        ],
        targets=[{"variety": "A", "week": "2027-W05", "target": 50}],
    )
    plan = plan.replace(varieties=[plan.variety("A").replace(sale_price=2.0)])
    ways = Ways(plan, season_streams(DRAWS, 1), "A", 1)
    master = MasterProblem(plan, DRAWS, None, items=1)
    assert ways.slots[0][0].gaps.any()
    found = PricingProblem(0, ways).solve(master.zero_duals, master)
    assert found.most == pytest.approx(94)
    assert (found.complete, found.doubt) == (True, {})
    assert list(found.candidates[0].plants.values()) == [60]


def numbers(way: Way) -> list[int]:
    return [int(n) for n in way.quantities]


@pytest.mark.parametrize("freight", [0, 5])
def test_what_is_not_tried_between_two_quantities_is_worth_for_each_plant_what_the_last_ones_were(
    freight: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each of the plants up to the middle quantity brings 9 for 1, or for 1.50 with its part of a box of ten."""
    boxes = {"plants_per_box": 10, "freight_per_box": freight} if freight else {}
    found, ways = hand(monkeypatch, 1, **boxes)
    least, middle, most = numbers(ways.slots[0][0])
    assert least == 1
    assert middle < 50 < most
    each = 8 - freight / 10
    assert found.most == pytest.approx(each * (most - 1))
    assert [(number, way.slot) for way, number in found.doubt.items()] == [(middle, 0)]
    assert not found.complete
    (candidate,) = found.candidates
    assert candidate.value == pytest.approx(max(each * middle, 9 * 50 - (1 + freight / 10) * most))


def test_of_pairs_both_can_be_between_the_quantities_that_are_tried(monkeypatch: pytest.MonkeyPatch) -> None:
    found, ways = hand(monkeypatch, 2, last_week="2027-W02")
    tried = numbers(ways.slots[0][0])
    assert numbers(ways.slots[1][1]) == tried
    gaps = [b - a - 1 for a, b in pairwise([*tried, tried[-1] + 1])]
    before = [0, *tried[:-1]]

    def sold(number: int) -> int:
        return 9 * min(number, 50)

    bounds = {}
    for a, gap_a, last_a in zip(tried, gaps, before, strict=True):
        for b, gap_b, last_b in zip(tried, gaps, before, strict=True):
            slopes = (sold(a + b) - sold(last_a + b)) / (a - last_a), (sold(a + b) - sold(a + last_b)) / (b - last_b)
            more = [max(slope - 1, 0) * gap for slope, gap in zip(slopes, (gap_a, gap_b), strict=True)]
            if gap_a or gap_b:
                bounds[a, b] = sold(a + b) - a - b + sum(more)
    top = max(bounds.values())
    assert found.most == pytest.approx(top)
    assert bounds[tuple(found.doubt.values())] == pytest.approx(top)
    assert [way.slot for way in found.doubt] == [0, 1]
    assert [str(way.week) for way in found.doubt] == ["2027-W01", "2027-W02"]


def solved(plan: Season, deliveries: int, **options: Any) -> tuple[Priced, Ways]:
    ways = Ways(plan, season_streams(DRAWS, 1), "A", deliveries)
    master = MasterProblem(plan, DRAWS, None, items=1)
    return PricingProblem(0, ways, 10**6).solve(master.zero_duals, master, **options), ways


@pytest.mark.parametrize("seed", range(1, 8))
def test_of_pairs_thinned_out_no_orderable_pair_is_worth_more_than_the_bound(seed, monkeypatch):
    """Of twenty and more orderable quantities of each offer and week three are tried; no boxes, so that all adds up."""
    plan = competing(seed, 1, 2)
    step = max(max(row.multiple for row in plan.price_list) // 5, 1)
    rows = tuple(
        row.replace(multiple=step, minimum=1, plants_per_box=None, freight_per_box=0) for row in plan.price_list
    )
    plan = plan.replace(price_list=rows)
    monkeypatch.setattr(module, "MOST_STEPS", 3)
    found, ways = solved(plan, 2)
    pairs = list(ways.pairs())
    best, thinned = 0.0, False
    for i, j in pairs[:: max(len(pairs) // 6, 1)]:
        first, second = ways.slots[0][i], ways.slots[1][j]
        thinned |= bool(first.gaps.any() and second.gaps.any())
        every = [
            [n for n in range(1, int(way.quantities[-1]) + 1) if way.prices.orderable(n) == n]
            for way in (first, second)
        ]
        for a in every[0][:: max(len(every[0]) // 12, 1)]:
            for b in every[1][:: max(len(every[1]) // 12, 1)]:
                best = max(best, float(ways.margin({first: a, second: b}).mean()))
    assert pairs
    assert thinned
    assert found.most >= best - 1e-9 * abs(best)


@pytest.mark.parametrize("seed", range(8))
def test_the_first_candidate_is_the_best_of_all_that_are_tried(seed):
    plan = competing(seed, 1, 2)
    rows = tuple(row.replace(plants_per_box=None, freight_per_box=0) for row in plan.price_list)
    found, ways = solved(plan.replace(price_list=rows), 2)
    singles = [{way: int(n)} for way in ways.slots[0] for n in way.quantities]
    doubles = [
        {ways.slots[0][i]: int(a), ways.slots[1][j]: int(b)}
        for i, j in ways.pairs()
        for a in ways.slots[0][i].quantities[::4]
        for b in ways.slots[1][j].quantities[::4]
    ]
    best = max(float(ways.margin(plants).mean()) for plants in singles + doubles)
    if best <= 0:
        assert found.most == pytest.approx(max(best, 0.0), abs=1e-9)
        return
    first = found.candidates[0]
    assert first.value >= best - 1e-9
    assert first.value == pytest.approx(float(ways.margin(first.plants).mean()), rel=1e-9)
    assert [one.value for one in found.candidates] == sorted((one.value for one in found.candidates), reverse=True)


@pytest.mark.parametrize(("budget", "most"), [(40, 25), (39.99, 24), (45, 30), (46, 30), (46.01, 30), (52, 32)])
def test_nothing_is_found_that_costs_more_than_the_budget_with_all_boxes_begun(budget, most, monkeypatch):
    """A plantlet costs 1, a box of ten 5: n of them cost n + 5 ceil(n / 10), so 25 cost 40, and 31 cost 51."""
    monkeypatch.setattr(module, "MOST_STEPS", 1000)  # all are tried
    plan = season(
        [stage("arrival", survival=1)],
        price_list=[offer(unit_price=1, plants_per_box=10, freight_per_box=5, last_week="2027-W01")],
        targets=[{"variety": "A", "week": "2027-W05", "target": 50}],
        budget=budget,
    )
    plan = plan.replace(varieties=[plan.variety("A").replace(sale_price=9.0)])
    found, _ = solved(plan, 1, within=10**6)
    assert max(sum(candidate.plants.values()) for candidate in found.candidates) == most
    assert {sum(candidate.plants.values()) for candidate in found.candidates} == set(range(1, most + 1))


def test_nothing_is_found_that_needs_more_bench_than_there_is():
    """At 100 to the square metre for four weeks; the bench of 0.3 square metres holds thirty."""
    plan = season(
        [stage(typical=4, survival=1)],
        price_list=[offer(unit_price=1, last_week="2027-W01")],
        places=[{"place": "house", "area": 0.3, "usable": 1}],
        targets=[{"variety": "A", "week": "2027-W05", "target": 50}],
    )
    plan = plan.replace(varieties=[plan.variety("A").replace(sale_price=9.0)])
    ways = Ways(plan, season_streams(DRAWS, 1), "A", 1)
    master, problem = MasterProblem(plan, DRAWS, None, items=1), PricingProblem(0, ways, 10**6)
    while master.add_cuts([problem.column({ways.slots[0][0]: 50})]):
        pass
    duals = master.zero_duals._replace(areas=np.zeros(len(master.cuts))) if master.cuts else master.zero_duals
    found = problem.solve(duals, master, within=10**6)
    assert max(sum(candidate.plants.values()) for candidate in found.candidates) == 30
