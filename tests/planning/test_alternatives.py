"""What could take the place of an order, in a season by hand: no plant is lost, all take four weeks."""

from typing import Any

import numpy as np
import pytest
from small_seasons import offer, season, stage

import forecast
from forecast.growth.simulation import season_streams
from forecast.ordering.shipments import Shipment
from forecast.planning.alternatives import errors, neighbours
from forecast.planning.column_generation import Solution
from forecast.planning.master import MasterProblem
from forecast.planning.pricing import PricingProblem
from forecast.season.season import Season
from forecast.worth.columns import Column, Way, Ways

DRAWS = 8
WEEKS = {"first_week": "2027-W10", "last_week": "2027-W13"}
LAB = offer(unit_price=2, multiple=25, minimum=50, **WEEKS)
OTHER = offer(lab="Other lab", unit_price=3, multiple=30, **WEEKS | {"first_week": "2027-W12"})
Order = tuple[str, int, int]  # lab, week of the year, quantity


def plan(*price_list: dict[str, Any], **cells: Any) -> Season:
    made = season(
        [stage(typical=4, survival=1)],
        price_list=price_list or (LAB, OTHER),
        targets=[{"variety": "A", "week": "2027-W18", "target": 1100}],
        **cells,
    )
    return made.replace(varieties=[made.variety("A").replace(sale_price=9.0)])


def solved(made: Season, *orders: Order, draws: int = DRAWS, seed: int = 1) -> Solution:
    """A plan of one variety with these orders."""
    ways = Ways(made, season_streams(draws, seed), "A")
    problem, master = PricingProblem(0, ways), MasterProblem(made, draws, None, items=1)
    column = problem.column({way_of(ways, order).at: order[2] for order in orders})
    value = master.worth([column])
    return Solution(master, (problem,), (column,), value, np.inf, master.zero_duals, 0.0, 0.0)


def way_of(ways: Ways, order: Order) -> Way:
    (found,) = [way for way in ways.ways if (way.prices.lab, way.week.week) == order[:2]]
    return found


def order_of(one: Shipment | None) -> Order | None:
    return None if one is None else (one.lab, one.week.week, one.quantity)


def changes(found: Solution) -> list[tuple[Order, Order | None, list[Order]]]:
    """The order that is changed, that in its place, and what is then ordered."""
    rows = []
    for one, order, instead, other, _ in neighbours(found):
        assert one is found.chosen[0]
        assert order in one.shipments
        plants = instead.plants if instead else {}
        then = [(way.prices.lab, way.week.week, number) for way, number in plants.items()]
        rows.append((order_of(order), order_of(other), then))
    return rows


def others(found: Solution) -> list[Order | None]:
    return [other for _, other, _ in changes(found)]


def test_an_order_could_be_none_a_little_larger_or_smaller_of_another_week_or_lab() -> None:
    order = ("Lab", 12, 100)
    assert changes(solved(plan(), order)) == [
        (order, None, []),
        (order, ("Lab", 12, 125), [("Lab", 12, 125)]),
        (order, ("Lab", 12, 75), [("Lab", 12, 75)]),
        (order, ("Lab", 11, 100), [("Lab", 11, 100)]),
        (order, ("Other lab", 12, 120), [("Other lab", 12, 120)]),
        (order, ("Lab", 13, 100), [("Lab", 13, 100)]),
    ]


def test_the_smallest_order_cannot_be_smaller() -> None:
    assert others(solved(plan(), ("Lab", 10, 50))) == [None, ("Lab", 10, 75), ("Lab", 11, 50)]


def test_below_the_first_quantity_of_a_lower_price_the_next_smaller_order_is_of_the_dearer_one() -> None:
    """Up to 99 by eighties, from 100 on by tens: 90 is not sold, and 80 is."""
    rows = [offer(multiple=80, **WEEKS), offer(from_quantity=100, multiple=10, unit_price=0.8, **WEEKS)]
    found = others(solved(plan(*rows), ("Lab", 10, 100)))
    assert found == [None, ("Lab", 10, 110), ("Lab", 10, 80), ("Lab", 11, 100)]


def test_of_two_orders_one_is_changed_at_a_time_and_the_other_stays() -> None:
    first, second = ("Lab", 12, 50), ("Other lab", 12, 60)
    assert changes(solved(plan(), first, second)) == [
        (first, None, [("Other lab", 12, 60)]),
        (first, ("Lab", 12, 75), [("Lab", 12, 75), ("Other lab", 12, 60)]),
        (first, ("Lab", 11, 50), [("Lab", 11, 50), ("Other lab", 12, 60)]),
        (first, ("Lab", 13, 50), [("Other lab", 12, 60), ("Lab", 13, 50)]),
        (second, None, [("Lab", 12, 50)]),
        (second, ("Other lab", 12, 90), [("Lab", 12, 50), ("Other lab", 12, 90)]),
        (second, ("Other lab", 12, 30), [("Lab", 12, 50), ("Other lab", 12, 30)]),
        (second, ("Other lab", 13, 60), [("Lab", 12, 50), ("Other lab", 13, 60)]),
    ]


def test_two_orders_of_one_lab_are_not_moved_into_one_week() -> None:
    first, second = ("Lab", 11, 50), ("Lab", 12, 50)
    assert [(order, other) for order, other, _ in changes(solved(plan(LAB), first, second))] == [
        (first, None), (first, ("Lab", 11, 75)), (first, ("Lab", 10, 50)),
        (second, None), (second, ("Lab", 12, 75)), (second, ("Lab", 13, 50)),
    ]  # fmt: skip


def test_where_every_target_must_be_met_only_orders_that_meet_it_can_take_the_place() -> None:
    """The later of two weeks costs less bench; fewer plants, or none, are not enough."""
    house = [{"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 0.1}]
    made = plan(LAB | {"last_week": "2027-W11"}, OTHER | {"first_week": "2027-W13"}, places=house)
    found = forecast.plan_orders(made, draws=DRAWS, seed=1, aim="cost")._solution
    kept = [(order_of(one.order), order_of(one.other)) for one in neighbours(found) if one.kept]
    assert kept == [(("Lab", 11, 1100), ("Lab", 11, 1125)), (("Lab", 11, 1100), ("Lab", 10, 1100))]


def test_a_changed_plan_has_all_other_columns_and_the_new_one_in_its_place() -> None:
    found = solved(plan(), ("Lab", 12, 100))
    (column,) = found.chosen
    other = Column(1, {}, column.margin, column.worth, 0.0, column.freed, column.freed_at, column.cash)
    none, more, *_ = neighbours(found)
    assert none.applied([other, column]) == (other,)
    assert more.applied([other, column]) == (other, more.instead)


def test_the_error_of_a_loss_is_the_spread_of_losses_over_seeds() -> None:
    """Were draws independent, the error would be larger."""
    unsure = plan().with_stage("crop", "acclimatisation", survival=0.8, survival_sd=0.1, batches_cv=0.2)
    losses, found = [], []
    for seed in range(1, 33):
        one = solved(unsure, ("Lab", 12, 700), ("Other lab", 13, 600), draws=128, seed=seed)
        some = list(neighbours(one))
        losses.append([one.value - one.master.worth(change.applied(one.chosen)) for change in some])
        found.append(errors(unsure, one, some, season_streams(128, seed)))
    spread, error = np.std(losses, axis=0, ddof=1), np.sqrt(np.square(found).mean(axis=0))
    known = spread < 1e-9  # of the same plants, a week earlier
    assert error[known] == pytest.approx(0, abs=1e-9)
    assert (~known).sum() >= 10
    assert (error[~known] / spread[~known]).min() > 0.7
    assert (error[~known] / spread[~known]).max() < 1.4


def test_where_targets_must_be_met_the_error_is_that_of_growing_costs() -> None:
    """Orders and their prices are given; what their plants cost until then is uncertain."""
    stages = {"survival": 0.8, "survival_sd": 0.1, "typical": 4, "cost": 0.5}
    route = [stage(name="first", **stages), stage(name="second", **stages)]
    made = season(route, price_list=[LAB, OTHER], targets=[{"variety": "A", "week": "2027-W24", "target": 400}])
    found = forecast.plan_orders(made, draws=64, seed=1, aim="cost")
    table = found.alternatives()
    table = table[~table["instead"].str.contains("for|from|nothing")]  # with the luck of the same batch
    quantities = table["instead"].str.replace(",", "").astype(int)
    more = (quantities - table["quantity"]).abs()
    assert more.gt(0).any()
    assert table["error"].to_numpy() == pytest.approx(more * table["error"].max() / more.max(), abs=0.011)
    independent = 0.5 * 0.1 / 8  # of a plant that dies in the first stage and saves the cost of the second
    assert 0 < table["error"].max() / more.max() < independent
