"""What could take the place of one order of a plan."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from forecast.planning.column_generation import Solved
from forecast.planning.columns import Pick, Ways
from forecast.planning.limits import Bundle

CENT = 0.01
Instead = tuple[Bundle, Pick, Bundle | None, str]


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
        (pick,) = one.picks
        for other in found.sharing.bundles:
            if other.item == one.item and other is not one:
                (new,) = other.picks
                yield one, pick, other, f"{new.quantity:,} from {new.way.prices.lab} for {new.way.week}"


def _nearby(found: Solved) -> Iterator[Instead]:
    """Return orders a little larger or smaller, of another week or lab, and none."""
    bidders = {bidder.item: bidder for bidder in found.bidders}
    for one in found.chosen:
        bidder = bidders[one.item]
        for pick in one.picks:
            rest = [other for other in one.picks if other is not pick]
            yield one, pick, bidder.bundle(_inorder(bidder.ways, rest)) if rest else None, "nothing"
            taken = {(other.way.week, other.way.prices.lab) for other in rest}
            for new, said in _near(bidder.ways, pick):
                if (new.way.week, new.way.prices.lab) not in taken:
                    yield one, pick, bidder.bundle(_inorder(bidder.ways, [*rest, new])), said


def _inorder(ways: Ways, picks: Sequence[Pick]) -> list[Pick]:
    """Return the same orders with the luck of the batches that they are, numbered by week and lab."""
    inorder = sorted(picks, key=lambda one: (one.way.week, one.way.prices.lab))
    return [
        Pick(next(way for way in slot if (way.prices, way.week) == (one.way.prices, one.way.week)), one.quantity)
        for slot, one in zip(ways.slots, inorder, strict=False)
    ]


def _near(ways: Ways, pick: Pick) -> Iterator[tuple[Pick, str]]:
    """Return orders like one: some plants more or fewer, another week, another lab."""
    prices, week = pick.way.prices, pick.way.week
    more = prices.orderable(pick.quantity + 1)
    yield Pick(pick.way, more), f"{more:,}"
    step = prices.row(pick.quantity).multiple
    fewer = [n for n in (prices.orderable(pick.quantity - k * step) for k in (1, 2)) if n < pick.quantity]
    if fewer:
        yield Pick(pick.way, fewer[0]), f"{fewer[0]:,}"
    for way in ways.slots[pick.way.slot]:
        if way.prices == prices and abs(way.week - week) == 1:
            yield Pick(way, pick.quantity), f"{pick.quantity:,} for {way.week}"
        elif way.prices != prices and way.week == week:
            quantity = way.prices.orderable(pick.quantity)
            yield Pick(way, quantity), f"{quantity:,} from {way.prices.lab}"
