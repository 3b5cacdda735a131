"""What could take the place of one order of a plan."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from forecast.ordering.shipments import Shipment
from forecast.planning.column_generation import Solved
from forecast.planning.columns import Way, Ways
from forecast.planning.limits import Bundle

CENT = 0.01
Instead = tuple[Bundle, Shipment, Bundle | None, str]


def alternatives(found: Solved) -> Iterator[Instead]:
    """Return, for each order of a plan, what could take its place: its bundle, itself, the other bundle, and its name."""
    return _others(found) if found.sharing.each else _nearby(found)


def improved(found: Solved) -> Solved:
    """Change one order after another as long as that earns more and keeps all limits."""
    better: Solved | None = found
    while better is not None:
        found, better = better, None
        for one, _, instead, _ in alternatives(found):
            chosen = tuple(new for other in found.chosen if (new := instead if other is one else other) is not None)
            value = float(found.sharing.margin(chosen).mean())
            if value > (better or found).value + CENT and found.sharing.fits(chosen):
                better = replace(found, chosen=chosen, value=value)
    return found


def _others(found: Solved) -> Iterator[Instead]:
    """Return all other orders that would suffice."""
    for one in found.chosen:
        (shipment,) = one.shipments
        for other in found.sharing.bundles:
            if other.item == one.item and other is not one:
                (new,) = other.shipments
                yield one, shipment, other, f"{new.quantity:,} from {new.lab} for {new.week}"


def _nearby(found: Solved) -> Iterator[Instead]:
    """Return orders a little larger or smaller, of another week or lab, and none."""
    bidders = {bidder.item: bidder for bidder in found.bidders}
    for one in found.chosen:
        bidder = bidders[one.item]
        for way, quantity in one.plants.items():
            shipment = way.shipment(quantity)
            rest = {other: number for other, number in one.plants.items() if other is not way}
            yield one, shipment, bidder.bundle(_inorder(bidder.ways, rest)) if rest else None, "nothing"
            taken = {(other.week, other.prices.lab) for other in rest}
            for new, number, said in _near(bidder.ways, way, quantity):
                if (new.week, new.prices.lab) not in taken:
                    yield one, shipment, bidder.bundle(_inorder(bidder.ways, {**rest, new: number})), said


def _inorder(ways: Ways, plants: Mapping[Way, int]) -> dict[Way, int]:
    """Return the same orders with the luck of the batches that they are, numbered by week and lab."""
    inorder = sorted(plants.items(), key=lambda one: (one[0].week, one[0].prices.lab))
    return {
        next(way for way in slot if (way.prices, way.week) == (one.prices, one.week)): quantity
        for slot, (one, quantity) in zip(ways.slots, inorder, strict=False)
    }


def _near(ways: Ways, way: Way, quantity: int) -> Iterator[tuple[Way, int, str]]:
    """Return orders like one: some plants more or fewer, another week, another lab."""
    prices, week = way.prices, way.week
    more = prices.orderable(quantity + 1)
    yield way, more, f"{more:,}"
    step = prices.row(quantity).multiple
    fewer = [n for n in (prices.orderable(quantity - k * step) for k in (1, 2)) if n < quantity]
    if fewer:
        yield way, fewer[0], f"{fewer[0]:,}"
    for other in ways.slots[way.slot]:
        if other.prices == prices and abs(other.week - week) == 1:
            yield other, quantity, f"{quantity:,} for {other.week}"
        elif other.prices != prices and other.week == week:
            number = other.prices.orderable(quantity)
            yield other, number, f"{number:,} from {other.prices.lab}"
