"""What a variety asks for at prices: nothing untried is worth more than is said, and nothing that cannot be paid."""

import numpy as np
import pytest
from random_orders import competing
from small_seasons import offer, season, stage

from forecast.growth.simulation import season_streams
from forecast.planning import columns as module
from forecast.planning.columns import Ways
from forecast.planning.master import Sharing
from forecast.planning.pricing import Bidder

DRAWS = 12


def asked(plan, deliveries, **options):
    ways = Ways(plan, season_streams(DRAWS, 1), "A", deliveries)
    sharing = Sharing(plan, DRAWS, None, items=1)
    return Bidder(0, ways, 10**6).answer(sharing.free, sharing, **options), ways


@pytest.mark.parametrize("seed", range(1, 8))
def test_of_pairs_thinned_out_no_lawful_pair_is_worth_more_than_is_said(seed, monkeypatch):
    """Of twenty and more orderable quantities of each offer and week three are tried; no boxes, so that all adds up."""
    plan = competing(seed, 1, 2)
    step = max(max(row.multiple for row in plan.price_list) // 5, 1)
    rows = tuple(
        row.replace(multiple=step, minimum=1, plants_per_box=None, freight_per_box=0) for row in plan.price_list
    )
    plan = plan.replace(price_list=rows)
    monkeypatch.setattr(module, "MOST_STEPS", 3)
    found, ways = asked(plan, 2)
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
def test_the_first_that_is_asked_for_is_the_best_of_all_that_are_tried(seed):
    plan = competing(seed, 1, 2)
    rows = tuple(row.replace(plants_per_box=None, freight_per_box=0) for row in plan.price_list)
    found, ways = asked(plan.replace(price_list=rows), 2)
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
    first = found.bids[0]
    assert first.value >= best - 1e-9
    assert first.value == pytest.approx(float(ways.margin(first.plants).mean()), rel=1e-9)
    assert [bid.value for bid in found.bids] == sorted((bid.value for bid in found.bids), reverse=True)


@pytest.mark.parametrize(("budget", "most"), [(40, 25), (39.99, 24), (45, 30), (46, 30), (46.01, 30), (52, 32)])
def test_nothing_is_asked_for_that_costs_more_than_the_budget_with_all_boxes_begun(budget, most, monkeypatch):
    """A plantlet costs 1, a box of ten 5: n of them cost n + 5 ceil(n / 10), so 25 cost 40, and 31 cost 51."""
    monkeypatch.setattr(module, "MOST_STEPS", 1000)  # all are tried
    plan = season(
        [stage("arrival", survival=1)],
        price_list=[offer(unit_price=1, plants_per_box=10, freight_per_box=5, last_week="2027-W01")],
        targets=[{"variety": "A", "week": "2027-W05", "target": 50}],
        budget=budget,
    )
    plan = plan.replace(varieties=[plan.variety("A").replace(sale_price=9.0)])
    found, _ = asked(plan, 1, within=10**6)
    assert max(sum(bid.plants.values()) for bid in found.bids) == most
    assert {sum(bid.plants.values()) for bid in found.bids} == set(range(1, most + 1))


def test_nothing_is_asked_for_that_needs_more_bench_than_there_is():
    """At 100 to the square metre for four weeks; the bench of 0.3 square metres holds thirty."""
    plan = season(
        [stage(typical=4, survival=1)],
        price_list=[offer(unit_price=1, last_week="2027-W01")],
        places=[{"place": "house", "area": 0.3, "usable": 1}],
        targets=[{"variety": "A", "week": "2027-W05", "target": 50}],
    )
    plan = plan.replace(varieties=[plan.variety("A").replace(sale_price=9.0)])
    ways = Ways(plan, season_streams(DRAWS, 1), "A", 1)
    sharing, bidder = Sharing(plan, DRAWS, None, items=1), Bidder(0, ways, 10**6)
    while sharing.cut([bidder.bundle({ways.slots[0][0]: 50})]):
        pass
    prices = sharing.free._replace(areas=np.zeros(len(sharing.cuts))) if sharing.cuts else sharing.free
    found = bidder.answer(prices, sharing, within=10**6)
    assert max(sum(bid.plants.values()) for bid in found.bids) == 30
