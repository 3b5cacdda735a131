"""What could take the place of an order, of a season told by hand: no plant is lost, all take four weeks."""

from typing import Any

import numpy as np
import pytest
from small_seasons import offer, season, stage

import forecast
from forecast.growth.simulation import season_streams
from forecast.planning.alternatives import alternatives, improved
from forecast.planning.column_generation import Solved
from forecast.planning.columns import Way, Ways
from forecast.planning.master import Sharing
from forecast.planning.pricing import Bidder
from forecast.season.season import Season

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


def solved(made: Season, *orders: Order) -> Solved:
    """A plan of one variety with these orders."""
    ways = Ways(made, season_streams(DRAWS, 1), "A", 2)
    bidder, sharing = Bidder(0, ways), Sharing(made, DRAWS, None, items=1)
    bundle = bidder.bundle({way_of(ways, slot, order): order[2] for slot, order in enumerate(orders)})
    value = float(sharing.margin([bundle]).mean())
    return Solved(sharing, (bidder,), (bundle,), value, np.inf, sharing.free, 0.0)


def way_of(ways: Ways, slot: int, order: Order) -> Way:
    (found,) = [way for way in ways.slots[slot] if (way.prices.lab, way.week.week) == order[:2]]
    return found


def told(found: Solved) -> list[tuple[Order, str, list[tuple[int, str, int, int]]]]:
    """The order that is changed, what is said, and what is then ordered, with the number of each delivery."""
    rows = []
    for one, shipment, instead, said in alternatives(found):
        assert one is found.chosen[0]
        assert shipment in one.shipments
        then = (
            [(way.slot, way.prices.lab, way.week.week, number) for way, number in instead.plants.items()]
            if instead
            else []
        )
        rows.append(((shipment.lab, shipment.week.week, shipment.quantity), said, then))
    return rows


def test_an_order_could_be_none_a_little_larger_or_smaller_of_another_week_or_lab() -> None:
    order = ("Lab", 12, 100)
    assert told(solved(plan(), order)) == [
        (order, "nothing", []),
        (order, "125", [(0, "Lab", 12, 125)]),
        (order, "75", [(0, "Lab", 12, 75)]),
        (order, "100 for 2027-W11", [(0, "Lab", 11, 100)]),
        (order, "120 from Other lab", [(0, "Other lab", 12, 120)]),
        (order, "100 for 2027-W13", [(0, "Lab", 13, 100)]),
    ]


def test_large_orders_are_told_with_commas() -> None:
    said = [said for _, said, _ in told(solved(plan(), ("Lab", 12, 1100)))]
    assert said == [
        "nothing",
        "1,125",
        "1,075",
        "1,100 for 2027-W11",
        "1,110 from Other lab",
        "1,100 for 2027-W13",
    ]


def test_the_smallest_order_cannot_be_smaller() -> None:
    said = [said for _, said, _ in told(solved(plan(), ("Lab", 10, 50)))]
    assert said == ["nothing", "75", "50 for 2027-W11"]


def test_below_the_first_quantity_of_a_lower_price_the_next_smaller_order_is_of_the_dearer_one() -> None:
    """Up to 99 by eighties, from 100 on by tens: 90 is not sold, and 80 is."""
    rows = [offer(multiple=80, **WEEKS), offer(from_quantity=100, multiple=10, unit_price=0.8, **WEEKS)]
    said = [said for _, said, _ in told(solved(plan(*rows), ("Lab", 10, 100)))]
    assert said == ["nothing", "110", "80", "100 for 2027-W11"]


def test_of_two_orders_one_is_changed_at_a_time_and_both_are_numbered_by_week_and_lab() -> None:
    first, second = ("Lab", 12, 50), ("Other lab", 12, 60)
    assert told(solved(plan(), first, second)) == [
        (first, "nothing", [(0, "Other lab", 12, 60)]),
        (first, "75", [(0, "Lab", 12, 75), (1, "Other lab", 12, 60)]),
        (first, "50 for 2027-W11", [(0, "Lab", 11, 50), (1, "Other lab", 12, 60)]),
        (first, "50 for 2027-W13", [(0, "Other lab", 12, 60), (1, "Lab", 13, 50)]),
        (second, "nothing", [(0, "Lab", 12, 50)]),
        (second, "90", [(0, "Lab", 12, 50), (1, "Other lab", 12, 90)]),
        (second, "30", [(0, "Lab", 12, 50), (1, "Other lab", 12, 30)]),
        (second, "60 for 2027-W13", [(0, "Lab", 12, 50), (1, "Other lab", 13, 60)]),
    ]


def test_two_orders_of_one_lab_are_not_moved_into_one_week() -> None:
    first, second = ("Lab", 11, 50), ("Lab", 12, 50)
    said = [(order[1], said) for order, said, _ in told(solved(plan(LAB), first, second))]
    assert said == [
        (11, "nothing"),
        (11, "75"),
        (11, "50 for 2027-W10"),
        (12, "nothing"),
        (12, "75"),
        (12, "50 for 2027-W13"),
    ]


@pytest.mark.parametrize(("budget", "most"), [(None, 1100), (501, 250), (499, 225)])
def test_orders_are_improved_one_after_another_within_the_limits(budget: float | None, most: int) -> None:
    """Each plant up to 1,100 earns seven; the dear lab is of no use, nor are other weeks."""
    better = improved(solved(plan(budget=budget), ("Lab", 12, 100)))
    (bundle,) = better.chosen
    assert [(one.lab, one.quantity) for one in bundle.shipments] == [("Lab", most)]
    assert better.value == pytest.approx(7 * most)


def test_an_order_that_loses_is_given_up() -> None:
    dear = plan(LAB | {"unit_price": 9.5})
    better = improved(solved(dear, ("Lab", 12, 50)))
    assert (better.chosen, better.value) == ((), 0)


def test_where_all_must_be_met_other_orders_that_would_suffice_could_take_the_place() -> None:
    """The later of two weeks costs less bench; of the other lab 1,110 would do."""
    house = [{"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 0.1}]
    made = plan(LAB | {"last_week": "2027-W11"}, OTHER | {"first_week": "2027-W13"}, places=house)
    found = forecast.plan_orders(made, draws=DRAWS, seed=1, aim="cost")._found
    rows = list(alternatives(found))
    assert [said for *_, said in rows] == ["1,100 from Lab for 2027-W10", "1,110 from Other lab for 2027-W13"]
    for one, shipment, instead, said in rows:
        assert one is found.chosen[0]
        assert (shipment.quantity, str(shipment.week)) == (1100, "2027-W11")
        assert instead is not None
        assert f"{instead.shipments[0].quantity:,}" == said.split()[0]
