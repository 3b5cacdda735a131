"""By which weeks an order is enough, and orders of which most plants only beat the clock or miss their sale window."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from typing import Literal, NamedTuple

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


Reason = Literal["early", "window", "lab", "dearer", "survival"]


class InReach(NamedTuple):
    """A week by which an order is enough, and the smallest that is [plants]."""

    week: Week
    quantity: int


class Loss(NamedTuple):
    """What an order costs and its plants are expected to sell for [currency], and whether some may sell marked down."""

    cost: float
    income: float
    markdown: bool
    currency: str


@dataclass(frozen=True)
class Excess:
    """Why an order is large for what is asked, or loses, and by which week fewer plants are enough.

    Parameters
    ----------
    variety, quantity, asked, by
        The variety, plants ordered and asked for (at the service level, if that is uncertain), and the target's week.
    reason
        ``early``: many plants only make up for the week, by which few are ready yet. ``window``: many are outside
        their sale window in that week; if it never ended, far fewer would be enough. ``lab``: the lab sells no fewer.
        ``dearer``: fewer are enough, but cost more or earn less. ``survival``: few survive, or how many is uncertain.
        None if the number is not large.
    unhurried
        Plants that would be enough if all that survive were saleable in that week.
    other
        For ``early`` and ``window``, the nearest week of the season by which no such order is needed; failing that,
        the one that needs fewest, if these are at most half of the order.
    loss
        What the order costs and what its plants are expected to sell for, markdown included, if that is less
        [currency]; else None.
    saleable_weeks
        Whole weeks for which a plant is saleable; None if to the end of the season.
    """

    variety: str
    quantity: int
    asked: int
    by: Week
    reason: Reason | None
    unhurried: int
    other: InReach | None = None
    loss: Loss | None = None
    saleable_weeks: int | None = None

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
        if _any_enough(other, most):
            ways = [other.enough(prices, delivery) for prices, delivery in other.every_way]
            if found := [number for number in ways if number is not None]:
                return InReach(week, min(found))
    return None


def _any_enough(case: Case, most: float) -> bool:
    """Return whether an order of at most so many plants is enough in some week of delivery."""
    return any(_is_enough(case, prices, delivery, most) for prices, delivery in case.every_way)


def _is_enough(case: Case, prices: PriceList, delivery: Week, most: float) -> bool:
    """Return whether the largest quantity that is orderable up to a limit is enough."""
    largest = max((some[-1] for _, some in prices.ranges(int(most))), default=None)
    if largest is None:
        return False
    return bool(reaches(case.chance(largest, case.share(delivery)), case.service_level))


def weeks_in_reach(case: Case, shipment: Shipment) -> tuple[InReach | None, InReach | None]:
    """Return by which other week a target can be met that no order meets by its own, and by which with a usual order.

    The first is the first later week in reach; failing that, as plants are past their sale window, the last earlier
    one. From there on, the second is the first by which not most plants only beat the clock or miss their sale window;
    failing that, of earlier weeks, the one that needs fewest, if at most half. `shipment` is the order that comes
    nearest.
    """
    most = max(case.most, *(prices.orderable(1) for prices in case.price_lists))
    unhurried = case.unhurried(shipment.prices, shipment.week)
    for weeks in (_later(case), _earlier(case)):
        first = first_in_reach(case, weeks, most)
        if first is not None:
            beyond = weeks[weeks.index(first.week) :]
            usual = first_in_reach(case, beyond, _USUAL * unhurried) if unhurried else None
            if usual is None and first.week < case.request.week:
                usual = _fewest(case, beyond, first.quantity // 2)
            return first, usual
    return None, None


def excess(case: Case, shipment: Shipment, *, sold: bool = True) -> Excess | None:
    """Return why an order is large, or loses; None if it does neither. What it is `sold` for may be left aside."""
    unhurried = case.unhurried(shipment.prices, shipment.week) or shipment.quantity
    enough = min(case.enough(shipment.prices, shipment.week) or shipment.quantity, shipment.quantity)
    loss = _loss(case, shipment) if sold else None
    if loss is None and enough <= _HURRIED * unhurried and shipment.quantity <= _MOST_ASKED * case.asked:
        return None
    reason, other = _reason(case, shipment, enough, unhurried), None
    if reason in ("early", "window"):
        weeks, fewer = _nearest_first(case), min(shipment.quantity // 2, enough - 1)
        other = first_in_reach(case, weeks, _USUAL * unhurried) or _fewest(case, weeks, fewer)
    what = case.request.variety, shipment.quantity, case.asked, case.request.week
    return Excess(*what, reason, unhurried, other, loss, case.saleable_weeks)


def _nearest_first(case: Case) -> list[Week]:
    """Return the weeks in which fewer plants may be enough: earlier ones only if plants pass their sale window."""
    weeks = _later(case) + (_earlier(case) if case.saleable_weeks else [])
    return sorted(weeks, key=lambda week: abs(week - case.request.week))


def _fewest(case: Case, weeks: Iterable[Week], most: int) -> InReach | None:
    """Return the week by which fewest plants are enough, at most so many: the first in their order of such weeks."""
    best = None
    for week in weeks:
        best = first_in_reach(case, [week], best.quantity - 1 if best else most) or best
    return best


def hardest(season: Season, streams: Streams, shipment: Shipment) -> Case:
    """Return a case of all that is asked of a variety together, by the target's week that a shipment serves least."""
    rows = [row.in_week(row.last) for row in season.targets_of(shipment.variety)]
    cases = [Case(season, streams, row, 1) for row in rows if row.week >= shipment.week]
    least = min(cases, key=lambda case: float(case.share(shipment.week).mean())).request
    asked = sum(Case(season, streams, row, 1).asked for row in rows)
    cells = {"variety": shipment.variety, "week": least.week, "promised": least.promised}
    return Case(season, streams, Target(**cells, target=asked), 1)


def _later(case: Case) -> list[Week]:
    by = case.request.week
    return [by + weeks for weeks in range(1, case.season.last_week - by + 1)]


def _earlier(case: Case) -> list[Week]:
    by = case.request.week
    return [by + -weeks for weeks in range(1, by - case.season.first_week + 1)]


def _reason(case: Case, shipment: Shipment, enough: int, unhurried: int) -> Reason | None:
    most = _MOST_ASKED * case.asked
    if enough > _USUAL * unhurried:
        return "window" if _by_window(case, shipment, max(_USUAL * unhurried, enough / 2)) else "early"
    if shipment.quantity <= most:
        return None
    if shipment.prices.orderable(1) > most:
        return "lab"
    return "dearer" if enough <= most else "survival"


def _by_window(case: Case, shipment: Shipment, most: float) -> bool:
    """Return whether at most so many were enough if no plant passed its sale window: in the same week of delivery.

    Or in any, if in none with its sale window: plants that become ready over more weeks than it lasts.
    """
    if case.saleable_weeks is None:
        return False
    unfading = case.unfading()
    if _is_enough(unfading, shipment.prices, shipment.week, most):
        return True
    return not _any_enough(case, most) and _any_enough(unfading, most)


def _loss(case: Case, shipment: Shipment) -> Loss | None:
    """Return what an order costs and is expected to sell for, if that is less [currency]; without a price nothing."""
    own = case.season.variety(case.request.variety)
    if own.sale_price is None:
        return None
    with suppress(Refused):  # sold for less than its markdown price by then
        cost, income = case.cost(shipment), Margins(case).earned(shipment.quantity, shipment.week)
        if cost > income:
            return Loss(cost, income, bool(own.markdown_price), case.season.currency)
    return None
