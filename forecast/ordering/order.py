"""How many to order, of which offer, for which week."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import pandas as pd

from forecast.errors import OutOfReach, refuse
from forecast.growth.simulation import season_streams
from forecast.ordering.margins import Margins
from forecast.ordering.request import requested
from forecast.ordering.shipments import Shipment, bill
from forecast.ordering.trial_orders import Case
from forecast.season.rows import Delivery
from forecast.season.season import Season
from forecast.weeks import Week
from forecast.words.numbers import money, rounded, seasons

_COLUMNS = (
    *("variety", "lab", "week", "quantity", "target", "by", "service_level", "chance", "cost", "purchase"),
    *("saleable", "by_average", "chance_by_average", "currency"),
)


@dataclass(frozen=True, eq=False)
class Order:
    """One order, how sure it is, and what it costs.

    Parameters
    ----------
    shipment
        What is ordered: its variety, lab, week of delivery and number of plantlets.
    target, by, service_level
        The number that is to be saleable by a week (the likely one, if a range is wanted), and the share
        of draws in which it is to be.
    chance
        Share of draws in which it is [0 to 1].
    cost
        Expected cost [currency]: plants, freight, stages, work and bench until the week wanted. Freight is
        counted order by order, as if each came in boxes of its own.
    purchase
        Of this, plants and freight [currency].
    saleable
        Expected number of saleable plants in that week, of those ordered.
    by_average, chance_by_average
        The number that the mean share saleable suggests, before rounding to what the lab sells, and its
        chance [0 to 1].
    currency
        ISO 4217 code.
    margin
        Of an order of greatest margin, what it is expected to earn [currency]: plants sold up to the demand, as many
        as are wanted marked down, less the cost; else None.
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
    _case: Case = field(repr=False)
    margin: float | None = field(default=None, repr=False)

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

    def curve(self) -> pd.DataFrame:
        """Return chance and cost for other quantities of the same offer and week.

        Returns
        -------
        DataFrame
            Lawful quantities from well below to well above the order, with the chance of the wanted
            number, the expected cost [currency] and the expected number saleable; of an order of greatest margin,
            the expected margin [currency], too.
        """
        share, prices = self._case.share(self.week), self.shipment.prices
        lowest = min(self.by_average, self.quantity) * 0.75 - prices.row(1).multiple
        highest = max(self.quantity, self.by_average) * 1.25
        numbers = {prices.orderable(quantity) for quantity in np.linspace(lowest, highest, 41)} | {self.quantity}
        grid = [Shipment(prices, self.week, number) for number in sorted(numbers)]
        mean = float(share.mean())
        rows = [
            (one.quantity, self._case.chance(one.quantity, share), self._case.cost(one), one.quantity * mean)
            for one in grid
        ]
        frame = pd.DataFrame(rows, columns=["quantity", "chance", "cost", "saleable"])
        if self.margin is not None:
            margins = Margins(self._case)
            frame["margin"] = [margins.margin(one) for one in grid]
        return frame

    def options(self) -> pd.DataFrame:
        """Return the order that each lab and week of delivery would take, cheapest first.

        Returns
        -------
        DataFrame
            lab, week, quantity, chance, cost [currency]; where nothing suffices, the quantity is missing. Of an order
            of greatest margin, the margin [currency], too, and the greatest first.
        """
        if self.margin is not None:
            return self._margins()
        rows: list[tuple[object, ...]] = []
        for prices, week in self._case.ways():
            found = self._case.cheapest(prices, week)
            if found is None:
                rows.append((prices.lab, str(week), None, None, None))
            else:
                chance = self._case.chance(found.quantity, self._case.share(week))
                rows.append((prices.lab, str(week), found.quantity, chance, self._case.cost(found)))
        frame = pd.DataFrame(rows, columns=["lab", "week", "quantity", "chance", "cost"])
        frame = frame.astype({"quantity": "Int64", "chance": float, "cost": float}).round({"chance": 4, "cost": 2})
        return frame.sort_values(["cost", "lab", "week"], na_position="last", ignore_index=True)

    def _margins(self) -> pd.DataFrame:
        margins, rows = Margins(self._case), []
        for prices, week in self._case.ways():
            found, margin = margins.greatest(prices, week)
            chance = self._case.chance(found.quantity, self._case.share(week))
            rows.append((prices.lab, str(week), found.quantity, chance, self._case.cost(found), margin))
        frame = pd.DataFrame(rows, columns=["lab", "week", "quantity", "chance", "cost", "margin"])
        frame = frame.sort_values(["margin", "lab", "week"], ascending=[False, True, True], ignore_index=True)
        return frame.round({"chance": 4, "cost": 2, "margin": 2})

    def __str__(self) -> str:
        earns = ""
        if self.margin is not None:
            earns = f"No other order is expected to earn more than its {money(self.margin, self.currency)}.\n"
        they = "these and the plants there are" if self._case.topping_up else "they"
        return (
            f"Order {self.quantity:,} of {self.variety} from {self.lab} for {self.week}.\n"
            f"In {seasons(self.chance)} {they} give the {self.target:,} wanted by {self.by}, for about "
            f"{rounded(self.cost)} {self.currency} in all.\n{earns}"
            f"The mean alone suggests {self.by_average:,} before rounding to what the lab sells, enough in "
            f"{seasons(self.chance_by_average)}."
        )


@dataclass(frozen=True)
class Orders:
    """The orders of a season.

    Parameters
    ----------
    orders
        One for each row that is wanted and can be met.
    unmet
        Why the others cannot.
    """

    orders: tuple[Order, ...]
    unmet: tuple[OutOfReach, ...]

    def __iter__(self) -> Iterator[Order]:
        return iter(self.orders)

    def __len__(self) -> int:
        return len(self.orders)

    def table(self) -> pd.DataFrame:
        """Return a row for each order: what to order, how sure it is, what it costs."""
        rows = [
            [str(cell) if isinstance(cell := getattr(order, name), Week) else cell for name in _COLUMNS]
            for order in self.orders
        ]
        return pd.DataFrame(rows, columns=list(_COLUMNS)).round(
            {"chance": 4, "chance_by_average": 4, "purchase": 2, "cost": 2, "saleable": 1}
        )

    def __str__(self) -> str:
        return "\n".join(str(line) for line in (*self.orders, *self.unmet))


def size_order(  # noqa: PLR0913  # each keyword overrides one thing
    season: Season,
    variety: str,
    *,
    draws: int,
    seed: int,
    target: int | None = None,
    week: Week | str | None = None,
    service_level: float | None = None,
    delivery: Week | str | None = None,
    lab: str | None = None,
    aim: Literal["service_level", "margin"] = "service_level",
) -> Order:
    """Find the cheapest order that gives the wanted number by its week, as surely as asked, or that which earns most.

    Parameters
    ----------
    season, variety
        The season, and which of its varieties.
    draws, seed
        Number of simulated seasons, and their seed.
    target, week, service_level
        Number of plants, by the Monday of which week, in which share of draws; each overrides the
        season's table of what is wanted.
    delivery, lab
        Only deliveries of this week, or of this lab, if given.
    aim
        ``service_level``: as above. ``margin``: the greatest expected margin, whatever the chance that the number is met.

    Returns
    -------
    Order
        The smallest orderable quantity, or a larger one that a price break makes cheaper, of the offer and
        week of delivery with the least expected cost; or the orderable quantity, offer and week of greatest margin.

    Raises
    ------
    Refused
        If the variety, week or lab is unknown, or it is not clear what is wanted. For the margin, if the variety has
        no sale price, or sells for less than its markdown price in the week wanted.
    OutOfReach
        If no offer meets it, or every order is expected to lose; ``best`` is the order that comes nearest.

    Notes
    -----
    The chance that n plantlets suffice is the mean over draws of P(Binomial(n, share saleable) >= wanted),
    which never falls as n grows; the smallest n is found by bisection and is exact on the draws. Offers
    and weeks are tried in the order of a bound on their cost, 2 % and three plants below a normal approximation.
    Expected costs of growing are means over the first 256 draws.
    The margin is sale price E[min(D, Y)] + markdown price (E[min(D + M, Y)] - E[min(D, Y)]) - cost, with the demand D,
    the number saleable Y, the likely number wanted M, and the sale price of the week wanted: as many are sold marked
    down as are wanted, and the rest is thrown away. Given the draw Y is binomial, so it is exact on the draws.
    The order is chosen and judged on the same draws, so with few of them its chance looks a little too good.

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> order = forecast.size_order(season, "Heuchera 'Pellowen'", draws=1024, seed=1)
    >>> order.chance >= order.service_level
    True
    """
    request, number = requested(season, variety, target, week, service_level)
    case = Case(season, season_streams(draws, seed), request, number)
    if aim not in ("service_level", "margin"):
        raise refuse("aim", aim, "not an aim", "Write service_level or margin.")
    found = order_of if aim == "service_level" else _most_profitable
    return found(case, None if delivery is None else Week.parse(delivery), lab)


def size_orders(season: Season, *, draws: int, seed: int) -> Orders:
    """Find the order for every row that is wanted, one by one, as `size_order` does.

    Each row gets a delivery of its own; what another row of the same variety may leave over is not counted
    on. `Outcome.targets` tells what comes of all of them together.

    Parameters
    ----------
    season
        The season.
    draws, seed
        Number of simulated seasons, and their seed.

    Returns
    -------
    Orders
    """
    streams = season_streams(draws, seed)

    orders, unmet = [], []
    for number, row in season.each_target():
        if not season.price_lines(row.variety):
            unmet.append(OutOfReach(f"No lab offers {row.variety}; see what multiplying or dividing gives."))
            continue
        try:
            orders.append(order_of(Case(season, streams, row, number)))
        except OutOfReach as error:
            unmet.append(error)
    return Orders(tuple(orders), tuple(unmet))


def order_of(case: Case, delivery: Week | None = None, lab: str | None = None) -> Order:
    """Return the cheapest order of a case, as `size_order` does."""
    best = case.best(delivery, lab)
    if best is not None:
        return _made(case, best)
    nearest = _made(case, case.nearest(delivery, lab))
    mean = float(case.share(nearest.week).mean())
    fewer = f"{100 * mean:.0f} %" if mean >= 0.01 else "fewer than 1 %"
    first = case.first_week_in_reach()
    later = f"later ({first} is in reach)" if first else "later"
    raise OutOfReach(
        f"No order of {nearest.variety} gives {nearest.target:,} by {nearest.by} in {100 * nearest.service_level:g} "
        f"seasons in 100. The best delivery is {nearest.week}, of which {fewer} are saleable by then on average. "
        f"Want fewer, want them {later}, ask for a lower service level, or find an earlier offer or plants further on.",
        nearest,
    )


def _most_profitable(case: Case, delivery: Week | None = None, lab: str | None = None) -> Order:
    shipment, margin = Margins(case).best(delivery, lab)
    order = _made(case, shipment, margin)
    if margin <= 0:
        raise OutOfReach(
            f"No order of {order.variety} is expected to earn anything. The best, {order.quantity:,} from {order.lab} "
            f"for {order.week}, leaves {money(margin, order.currency)}. Order none, or find a cheaper offer or a "
            "better price.",
            order,
        )
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
        _case=case,
        margin=margin,
    )
