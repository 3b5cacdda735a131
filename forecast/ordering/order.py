"""How many plantlets to order for one target, of which price-list line, for which week."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
import pandas as pd

from forecast.errors import OutOfReach, refuse
from forecast.growth.simulation import streams_of
from forecast.ordering.margins import Margins
from forecast.ordering.reach import Excess, excess, weeks_in_reach
from forecast.ordering.request import requested
from forecast.ordering.shipments import Shipment, bill
from forecast.ordering.trial_orders import Case
from forecast.season.orders import Delivery
from forecast.season.season import Season
from forecast.streams import DRAWS
from forecast.weeks import Week
from forecast.words import orders as words
from forecast.words.numbers import percent
from forecast.words.results import Result

_COLUMNS = [
    *("variety", "lab", "week", "quantity", "target", "by", "service_level", "chance", "cost", "purchase"),
    *("saleable", "by_average", "chance_by_average", "currency"),
]


@dataclass(frozen=True, eq=False, repr=False)
class Order(Result):
    """An order for one target, how sure it is, and what it costs.

    Parameters
    ----------
    shipment
        What is ordered: its variety, lab, week of delivery and number of plantlets.
    target, by, service_level
        The number that is to be saleable by a week (the median, if demand is uncertain), and the share of draws in
        which it is to be.
    chance
        Share of draws in which it is [0 to 1].
    cost
        Expected cost [currency]: plants, freight, stages, work and bench until the target's week. Freight is that of
        boxes of its own.
    purchase
        Of this, plants and freight [currency].
    saleable
        Expected number of saleable plants in that week, of those ordered.
    by_average, chance_by_average
        The order by average survival, before rounding to what the lab sells, and its chance [0 to 1].
    currency
        ISO 4217 code.
    case
        The target, and all that is needed to try other orders for it.
    margin
        Of an order of greatest margin, what it is expected to earn [currency]: plants sold up to the demand, as many
        as the target marked down, less the cost; else None.
    """

    shipment: Shipment
    target: int
    by: Week
    service_level: float
    chance: float
    cost: float
    purchase: float
    saleable: float
    by_average: int
    chance_by_average: float
    currency: str
    case: Case
    margin: float | None = None

    @property
    def variety(self) -> str:
        """What is ordered."""
        return self.shipment.variety

    @property
    def lab(self) -> str:
        """From which lab."""
        return self.shipment.lab

    @property
    def week(self) -> Week:
        """Week of delivery."""
        return self.shipment.week

    @property
    def quantity(self) -> int:
        """Plantlets ordered."""
        return self.shipment.quantity

    @property
    def delivery(self) -> Delivery:
        """The order as a row of the season's orders."""
        return self.shipment.delivery

    @cached_property
    def excess(self) -> Excess | None:
        """Why the order is large for what is asked, or loses, and by which week fewer are enough; None if neither."""
        return excess(self.case, self.shipment)

    def facts(self) -> dict[str, object]:
        """Return what is ordered, its chance, draws and seed."""
        what = {name: getattr(self, name) for name in ("variety", "lab", "week", "quantity", "target", "by")}
        streams = self.case.streams
        return what | {"chance": f"{percent(self.chance)} %", "draws": streams.draws, "seed": streams.seed}

    def table(self) -> pd.DataFrame:
        """Return the order as one row: what to order, how sure it is, what it costs."""
        return order_table([self])

    def curve(self) -> pd.DataFrame:
        """Return chance and cost for other quantities of the same price-list line and week.

        Returns
        -------
        DataFrame
            Orderable quantities from well below to well above the order, with the chance of the target, the expected
            cost [currency] and the expected number saleable; of an order of greatest margin, the expected margin
            [currency], too.
        """
        share, prices = self.case.share(self.week), self.shipment.prices
        lowest = min(self.by_average, self.quantity) * 0.75 - prices.breaks[0].multiple
        highest = max(self.quantity, self.by_average) * 1.25
        numbers = {prices.orderable(quantity) for quantity in np.linspace(lowest, highest, 41)} | {self.quantity}
        grid = [Shipment(prices, self.week, number) for number in sorted(numbers)]
        mean = float(share.mean())
        rows = [
            (one.quantity, self.case.chance(one.quantity, share), self.case.cost(one), one.quantity * mean)
            for one in grid
        ]
        frame = pd.DataFrame(rows, columns=["quantity", "chance", "cost", "saleable"])
        if self.margin is not None:
            margins = Margins(self.case)
            frame["margin"] = [margins.margin(one) for one in grid]
        return frame

    def options(self) -> pd.DataFrame:
        """Return the order that each lab and week of delivery would take, cheapest first.

        Returns
        -------
        DataFrame
            lab, week, quantity, chance, cost [currency]; where nothing is enough, the quantity is missing. Of an order
            of greatest margin, the margin [currency], too, and the greatest first.
        """
        if self.margin is not None:
            return self._margins()
        rows: list[tuple[object, ...]] = []
        for prices, week in self.case.ways():
            found = self.case.cheapest(prices, week)
            if found is None:
                rows.append((prices.lab, str(week), None, None, None))
            else:
                chance = self.case.chance(found.quantity, self.case.share(week))
                rows.append((prices.lab, str(week), found.quantity, chance, self.case.cost(found)))
        frame = pd.DataFrame(rows, columns=["lab", "week", "quantity", "chance", "cost"])
        frame = frame.astype({"quantity": "Int64", "chance": float, "cost": float}).round({"chance": 4, "cost": 2})
        return frame.sort_values(["cost", "lab", "week"], na_position="last", ignore_index=True)

    def _margins(self) -> pd.DataFrame:
        margins, rows = Margins(self.case), []
        for prices, week in self.case.ways():
            found, margin = margins.greatest(prices, week)
            chance = self.case.chance(found.quantity, self.case.share(week))
            rows.append((prices.lab, str(week), found.quantity, chance, self.case.cost(found), margin))
        frame = pd.DataFrame(rows, columns=["lab", "week", "quantity", "chance", "cost", "margin"])
        frame = frame.sort_values(["margin", "lab", "week"], ascending=[False, True, True], ignore_index=True)
        return frame.round({"chance": 4, "cost": 2, "margin": 2})

    def __str__(self) -> str:
        known = {name: getattr(self, name) for name in ("target", "by", "chance", "cost", "currency")}
        amount = demand.amount if (demand := self.case.request.demand) else None
        ends = (amount.p5, amount.p95) if amount else ()
        what = words.order(quantity=self.quantity, variety=self.variety, lab=self.lab, week=self.week)
        lines = [
            f"{what} {self.excess or ''}".rstrip(),
            words.yields(**known, topping_up=self.case.topping_up, demand=ends),
        ]
        if self.margin is not None:
            lines.append(words.greatest_margin(margin=self.margin, currency=self.currency))
        return "\n".join([*lines, words.order_by_average(quantity=self.by_average, chance=self.chance_by_average)])


def order_table(orders: Sequence[Order]) -> pd.DataFrame:
    """Return a row for each order: what to order, how sure it is, what it costs."""
    rows = [
        [str(cell) if isinstance(cell := getattr(order, name), Week) else cell for name in _COLUMNS] for order in orders
    ]
    return pd.DataFrame(rows, columns=_COLUMNS).round(
        {"chance": 4, "chance_by_average": 4, "purchase": 2, "cost": 2, "saleable": 1}
    )


def size_order(  # noqa: PLR0913  # each keyword overrides one thing
    season: Season,
    variety: str,
    *,
    draws: int = DRAWS,
    seed: int | None = None,
    target: int | None = None,
    week: Week | str | None = None,
    service_level: float | None = None,
    delivery: Week | str | None = None,
    lab: str | None = None,
    aim: Literal["cost", "margin"] = "cost",
) -> Order:
    """Find the cheapest order that meets a target at its service level, or the one of greatest expected margin.

    Parameters
    ----------
    season, variety
        The season, and which of its varieties.
    draws, seed
        Number of simulated seasons, and their seed; that of the season if not given.
    target, week, service_level
        Number of plants, by the Monday of which week, in which share of draws; each overrides the season's targets.
    delivery, lab
        Only deliveries of this week, or of this lab, if given.
    aim
        ``cost``: to meet the target at its service level at the least expected cost. ``margin``: the greatest expected
        margin, whatever the chance of the target.

    Returns
    -------
    Order
        The smallest orderable quantity, or a larger one that a price break makes cheaper, of the price-list line and
        week of delivery with the least expected cost; or the orderable quantity, line and week of greatest margin.

    Raises
    ------
    Refused
        If the variety, week or lab is unknown, or the target is not clear. For the margin, if the variety has no sale
        price, or sells for less than its markdown price in the target's week.
    OutOfReach
        If no order meets it, or every order is expected to lose; ``best`` is the order that comes nearest.

    Notes
    -----
    The chance that n plantlets are enough is the mean over draws of P(Binomial(n, share saleable) >= target),
    which never falls as n grows; the smallest n is found by bisection and is exact on the draws. Offers
    and weeks are tried in the order of a bound on their cost, 2 % and three plants below a normal approximation.
    Expected costs of growing are means over the first 256 draws.
    The margin is sale price E[min(D, Y)] + markdown price (E[min(D + M, Y)] - E[min(D, Y)]) - cost, with the demand D,
    the number saleable Y, the target M, and the sale price of its week: at most as many as the target are sold marked
    down, and the rest is dumped at no value. Given the draw Y is binomial, so it is exact on the draws.
    The order is chosen and judged on the same draws, so with few of them its chance looks a little too good.
    Neither plants on hand nor orders that are placed are looked at: the target is taken as what is still lacking.

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> order = forecast.size_order(season, "Heuchera 'Pellowen'", draws=1024, seed=1)
    >>> order.chance >= order.service_level
    True
    """
    request, number = requested(season, variety, target, week, service_level)
    case = Case(season, streams_of(season, draws, seed), request, number)
    if aim not in ("cost", "margin"):
        raise refuse("aim", aim, "not an aim", "Write cost or margin.")
    found = order_of if aim == "cost" else _most_profitable
    return found(case, None if delivery is None else Week.parse(delivery), lab)


def order_of(case: Case, delivery: Week | None = None, lab: str | None = None) -> Order:
    """Return the cheapest order of a case, as `size_order` does."""
    best = case.best(delivery, lab)
    if best is not None:
        return _made(case, best)
    nearest = _made(case, case.nearest(delivery, lab))
    known = {name: getattr(nearest, name) for name in ("variety", "target", "by", "service_level", "week")}
    share = float(case.share(nearest.week).mean())
    first, sane = weeks_in_reach(case, nearest.shipment)
    life = case.saleable_weeks
    said = words.out_of_reach(**known, share=share, first=first, sane=sane, saleable_weeks=life)
    raise OutOfReach(said, nearest)


def _most_profitable(case: Case, delivery: Week | None = None, lab: str | None = None) -> Order:
    shipment, margin = Margins(case).best(delivery, lab)
    order = _made(case, shipment, margin)
    if margin <= 0:
        known = {name: getattr(order, name) for name in ("variety", "quantity", "lab", "week", "currency")}
        raise OutOfReach(words.all_lose(**known, margin=margin), order)
    return order


def _made(case: Case, shipment: Shipment, margin: float | None = None) -> Order:
    share, by_average = case.share(shipment.week), case.by_average(shipment.week)
    return Order(
        shipment=shipment,
        target=case.request.median_demand,
        by=case.request.week,
        service_level=case.service_level,
        chance=case.chance(shipment.quantity, share),
        cost=case.cost(shipment),
        purchase=bill([shipment]).total,
        saleable=shipment.quantity * float(share.mean()),
        by_average=by_average,
        chance_by_average=case.chance(by_average, share),
        currency=case.season.currency,
        case=case,
        margin=margin,
    )
