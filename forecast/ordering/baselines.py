"""What would be ordered without a plan, and what more or a lower service level would cost."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pandas as pd

from forecast.errors import Refused, refuse
from forecast.growth.simulation import season_streams
from forecast.ordering.order import size_orders
from forecast.ordering.price_list import PriceList
from forecast.ordering.shipments import Shipment
from forecast.ordering.trial_orders import Case
from forecast.season.rows import Delivery
from forecast.season.season import Season
from forecast.weeks import Week

_LEVELS = (0.5, 0.6, 0.7, 0.75, 0.8, 0.85, 0.9, 0.925, 0.95)
_FEWEST = 0.01  # mean share saleable below which a delivery comes too late to be thought of


def simple_orders(season: Season, *, overage: float | None = None, draws: int, seed: int) -> tuple[Delivery, ...]:
    """Return what would be ordered from the mean alone, or with a flat overage.

    Parameters
    ----------
    season
        The season. Its confidences, budget and benches are not looked at.
    overage
        Plants ordered beyond those wanted, as a share of these: 0.2 is a fifth more. If not given, as many are ordered
        as give the number wanted by the mean share saleable.
    draws, seed
        Number of simulated seasons, and their seed.

    Returns
    -------
    tuple of Delivery
        One for each wanted row, in the order of varieties and weeks. A row has none if no lab offers its variety, or
        from no delivery that can still be had 1 % is saleable by its week on average.

    Raises
    ------
    Refused
        If `overage` is no such share.

    Notes
    -----
    Every row is taken by itself, by its likely number, and rounded up to what the lab accepts. The order from the mean
    is that of the offer and week at which it costs least, until the week wanted. The flat overage knows nothing of
    losses, so the cheapest week for it would be the last one, too late to be ready; it takes the week of the order from
    the mean, and in it the offer that is cheapest for its own number.

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> orders = simple_orders(season, overage=0.2, draws=128, seed=1)
    >>> orders[0].quantity  # of 800 wanted
    1000
    """
    if overage is not None and (
        isinstance(overage, bool) or not isinstance(overage, int | float) or not 0 <= overage <= 100
    ):
        raise refuse("overage", overage, "not a share of the plants wanted", "Give 0.2 for a fifth more, for example.")
    streams = season_streams(draws, seed)
    orders = []
    for number, row in season.each_target():
        case = Case(season, streams, row, number)
        ways = [(prices, week) for prices, week in case.every_way if case.share(week).mean() >= _FEWEST]
        if not ways:
            continue
        found = _cheapest(case, [(*way, case.by_average(way[1])) for way in ways])
        if overage is not None:
            asked = math.ceil(round((1 + overage) * row.median_demand, 6))  # 1.1 times 100 is 110, not 111
            found = _cheapest(case, [(*way, asked) for way in ways if way[1] == found.week])
        orders.append(found.delivery)
    return tuple(orders)


def service_level_prices(season: Season, *, levels: Sequence[float] = _LEVELS, draws: int, seed: int) -> pd.DataFrame:
    """Say what it costs to meet every wanted number, by how surely.

    Parameters
    ----------
    season
        The season.
    levels
        Confidences tried [0 to 1]; each holds for every wanted row, whatever that says.
    draws, seed
        Number of simulated seasons, and their seed.

    Returns
    -------
    DataFrame
        service_level, ascending; plantlets ordered; their cost until the weeks wanted, growing included [currency];
        currency; and unmet: number of wanted rows that no order meets so surely, and whose cost is not in it.

    Raises
    ------
    Refused
        If `levels` is empty or one of them is no such share, or what `size_orders` refuses.

    Notes
    -----
    The orders are those of `size_orders`: every wanted row by itself, freight order by order. Budget and benches are
    not looked at, so that a level shows what it costs even where it does not fit; what fits is the work of
    `plan_orders`.

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> service_level_prices(season, levels=(0.5, 0.9), draws=128, seed=1)["cost"].is_monotonic_increasing
    True
    """
    faults = [
        fault
        for level in levels
        if not isinstance(level, int | float) or not 0 < level < 1
        for fault in refuse("levels", level, "not a service_level", "Give numbers between 0 and 1, such as 0.9.").faults
    ]
    if faults:
        raise Refused(faults)
    if not len(levels):
        raise refuse("levels", None, "no service level is given", "Give at least one, such as 0.9.")
    rows = []
    for level in sorted(set(levels)):
        asked = season.replace(targets=tuple(row.replace(service_level=level) for row in season.targets))
        orders = size_orders(asked, draws=draws, seed=seed)
        cost, plants = sum(order.cost for order in orders), sum(order.quantity for order in orders)
        rows.append((level, plants, round(cost, 2), season.currency, len(orders.unmet)))
    return pd.DataFrame(rows, columns=["service_level", "plantlets", "cost", "currency", "unmet"])


def _cheapest(case: Case, asked: Sequence[tuple[PriceList, Week, int]]) -> Shipment:
    """Return the shipment that costs least until the target's week, of offers and weeks with the plants to order of each."""
    tried = [Shipment(prices, week, prices.orderable(number)) for prices, week, number in asked]
    return min(tried, key=lambda one: (case.cost(one), -one.week.monday.toordinal()))
