"""By which weeks an order is enough, and orders of which most plants only beat the clock."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from forecast.errors import Refused
from forecast.ordering.margins import Margins
from forecast.ordering.price_breaks import PriceList
from forecast.ordering.shipments import Shipment
from forecast.ordering.trial_orders import Case
from forecast.rounding import reaches
from forecast.season.season import Season
from forecast.season.targets import Target
from forecast.streams import Streams
from forecast.weeks import Week
from forecast.words import orders as words

_USUAL = 1.5  # times what would be enough with all the time: a smaller order is not one that beats the clock
_HURRIED = 2  # likewise: of a larger order most plants only beat the clock
_MOST_ASKED = 3  # times what is asked: a larger order is explained


Reason = Literal["early", "late", "lab", "dearer", "survival"]


class InReach(NamedTuple):
    """A week by which an order is enough, and the smallest that is [plants]."""

    week: Week
    quantity: int


@dataclass(frozen=True)
class Excess:
    """Why an order is large for what is asked, or loses, and by which week fewer plants are enough.

    Parameters
    ----------
    variety, quantity, asked, by
        The variety, plants ordered and asked for (at the service level, if that is uncertain), and the target's week.
    reason
        ``early`` and ``late``: many plants only make up for the week, by which few are ready yet, or few are still in
        their sale window. ``lab``: the lab sells no fewer. ``dearer``: fewer are enough, but cost more or earn less.
        ``survival``: few survive, or how many is uncertain. None if the number is not large.
    unhurried
        Plants that would be enough if all that survive were saleable in that week.
    other
        For ``early`` and ``late``, the first later week by which no such order is needed, if there is one; for
        ``late``, failing that, the last earlier one.
    loss, currency
        What the order costs and what its plants are expected to sell for, if that is less [currency]; else None.
    """

    variety: str
    quantity: int
    asked: int
    by: Week
    reason: Reason | None
    unhurried: int
    other: InReach | None = None
    loss: tuple[float, float] | None = None
    currency: str = ""

    def __str__(self) -> str:
        return words.excess(**vars(self))


def first_in_reach(case: Case, weeks: Iterable[Week], most: float) -> InReach | None:
    """Return the first of some weeks, in their order, by which an order of at most so many plants is enough.

    Notes
    -----
    The chance that n plants are enough never falls as n grows, so a week is in reach if for some delivery the largest
    quantity is enough; smaller ones are looked for in that week alone.
    """
    for week in weeks:
        other = case.by(week)
        if any(_is_enough(other, prices, delivery, most) for prices, delivery in other.every_way):
            enough = [other.enough(prices, delivery) for prices, delivery in other.every_way]
            return InReach(week, min(number for number in enough if number is not None))
    return None


def _is_enough(case: Case, prices: PriceList, delivery: Week, most: float) -> bool:
    """Return whether the largest quantity that is orderable up to a limit is enough."""
    largest = max((some[-1] for _, some in prices.ranges(int(most))), default=None)
    if largest is None:
        return False
    return bool(reaches(case.chance(largest, case.share(delivery)), case.service_level))


def weeks_in_reach(case: Case, shipment: Shipment) -> tuple[InReach | None, InReach | None]:
    """Return by which other week a target can be met that no order meets by its own, and by which with a usual order.

    The first is the first later week in reach; failing that, as plants are past their sale window, the last earlier
    one. By the second not most plants only beat the clock. `shipment` is the order that comes nearest.
    """
    most = max(case.most, *(prices.orderable(1) for prices in case.price_lists))
    first = first_in_reach(case, _later(case), most)
    if first is None:
        return first_in_reach(case, _earlier(case), most), None
    unhurried = case.unhurried(shipment.prices, shipment.week)
    weeks = [week for week in _later(case) if week >= first.week]
    return first, None if unhurried is None else first_in_reach(case, weeks, _USUAL * unhurried)


def excess(case: Case, shipment: Shipment, *, sold: bool = True) -> Excess | None:
    """Return why an order is large, or loses; None if it does neither. What it is `sold` for may be left aside."""
    unhurried = case.unhurried(shipment.prices, shipment.week) or shipment.quantity
    enough = min(case.enough(shipment.prices, shipment.week) or shipment.quantity, shipment.quantity)
    loss = _loss(case, shipment) if sold else None
    if loss is None and enough <= _HURRIED * unhurried and shipment.quantity <= _MOST_ASKED * case.asked:
        return None
    reason, other = _reason(case, shipment, enough, unhurried), None
    if reason in ("early", "late"):
        other = first_in_reach(case, _later(case), _USUAL * unhurried)
    if reason == "late" and other is None:
        other = first_in_reach(case, _earlier(case), _USUAL * unhurried)
    what = case.request.variety, shipment.quantity, case.asked, case.request.week
    return Excess(*what, reason, unhurried, other, loss, case.season.currency)


def hardest(season: Season, streams: Streams, shipment: Shipment) -> Case:
    """Return a case of all that is asked of a variety together, by the target's week that a shipment serves least."""
    cases = [Case(season, streams, row, 1) for row in season.targets_of(shipment.variety) if row.week >= shipment.week]
    least = min(cases, key=lambda case: float(case.share(shipment.week).mean())).request
    asked = sum(Case(season, streams, row, 1).asked for row in season.targets_of(shipment.variety))
    cells = {"variety": shipment.variety, "week": least.week, "service_level": least.service_level}
    return Case(season, streams, Target(**cells, target=asked), 1)


def _later(case: Case) -> list[Week]:
    by = case.request.week
    return [by + weeks for weeks in range(1, case.season.last_week - by + 1)]


def _earlier(case: Case) -> list[Week]:
    by = case.request.week
    return [by + -weeks for weeks in range(1, by - case.season.first_week + 1)]


def _reason(case: Case, shipment: Shipment, enough: int, unhurried: int) -> Reason | None:
    week, most = shipment.week, _MOST_ASKED * case.asked
    if enough > _USUAL * unhurried:
        ready = float(case.fate(week).ready(np.array([float(case.request.week - week)])).mean())
        past = ready - float(case.share(week).mean())
        return "early" if float(case.fate(week).survival.mean()) - ready >= past else "late"
    if shipment.quantity <= most:
        return None
    if shipment.prices.orderable(1) > most:
        return "lab"
    return "dearer" if enough <= most else "survival"


def _loss(case: Case, shipment: Shipment) -> tuple[float, float] | None:
    """Return what an order costs and is expected to sell for, if that is less [currency]; without a price nothing."""
    if case.season.variety(case.request.variety).sale_price is None:
        return None
    with suppress(Refused):  # sold for less than its markdown price by then
        cost, income = case.cost(shipment), Margins(case).earned(shipment.quantity, shipment.week)
        if cost > income:
            return cost, income
    return None
