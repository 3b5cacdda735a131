"""What simple rules would order."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress

from forecast.errors import OutOfReach, Refused, real
from forecast.growth.simulation import streams_of
from forecast.ordering.order import size_order
from forecast.ordering.price_breaks import PriceList
from forecast.ordering.shipments import Shipment
from forecast.ordering.trial_orders import Case
from forecast.rounding import round_up
from forecast.season.orders import Delivery
from forecast.season.season import Season
from forecast.streams import DRAWS
from forecast.weeks import Week

_FEWEST = 0.01  # mean share saleable below which a delivery comes too late


def simple_orders(
    season: Season, *, overage: float | None = None, draws: int = DRAWS, seed: int | None = None
) -> tuple[Delivery, ...]:
    """Return what would be ordered by average survival, or with a flat overage.

    Parameters
    ----------
    season
        The season. Its service levels, budget and benches are not looked at.
    overage
        Plants ordered beyond the target, as a share of it: 0.2 adds 20 %. If not given, the order is by average: as
        many as give the target at the mean share saleable.
    draws, seed
        Number of simulated seasons, and their seed; that of the season if not given.

    Returns
    -------
    tuple of Delivery
        One for each target, in the order of varieties and weeks. A target has none if no lab offers its variety, or
        less than 1 % of any delivery that can still be had is saleable by its week on average.

    Raises
    ------
    Refused
        If `overage` is no such share.

    Notes
    -----
    Each target is taken by itself, by its median demand, and rounded up to what the lab accepts. The order by average
    is that of the line and week at which it costs least, until the target's week. The flat overage knows nothing of
    losses, so the cheapest week for it would be the last one, too late to be ready; it takes the week of the order by
    average, and in it the line that is cheapest for its own number.

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> orders = simple_orders(season, overage=0.2, draws=128, seed=1)
    >>> orders[0].quantity  # for a target of 800
    1000
    """
    if overage is not None:
        real("overage", overage, ge=0, le=100, problem="not a share of the target", such_as="0.2 to add 20 %")
    streams = streams_of(season, draws, seed)
    orders = []
    for number, row in season.each_target():
        case = Case(season, streams, row, number)
        ways = [(prices, week) for prices, week in case.every_way if case.share(week).mean() >= _FEWEST]
        if not ways:
            continue
        found = _cheapest(case, [(*way, case.by_average(way[1])) for way in ways])
        if overage is not None:
            plants = round_up((1 + overage) * row.median_demand)
            found = _cheapest(case, [(*way, plants) for way in ways if way[1] == found.week])
        orders.append(found.delivery)
    return tuple(orders)


def each_by_itself(season: Season, *, draws: int = DRAWS, seed: int | None = None) -> tuple[Delivery, ...]:
    """Return what is ordered if each target has an order of its own that meets its service level.

    Parameters
    ----------
    season
        The season. Its budget and benches are not looked at, nor that targets of a variety can share their safety.
    draws, seed
        Number of simulated seasons, and their seed; that of the season if not given.

    Returns
    -------
    tuple of Delivery
        One for each target that an order can meet, in the order of varieties and weeks.
    """
    orders = []
    for _, row in season.each_target():
        with suppress(OutOfReach, Refused):  # no order is enough, or no lab offers it in time
            orders.append(size_order(season, row.variety, week=row.week, draws=draws, seed=seed).delivery)
    return tuple(orders)


def _cheapest(case: Case, numbers: Sequence[tuple[PriceList, Week, int]]) -> Shipment:
    """Return the shipment that costs least until the target's week, of so many plants from each line and week."""
    tried = [Shipment(prices, week, prices.orderable(number)) for prices, week, number in numbers]
    return min(tried, key=lambda one: (case.cost(one), -one.week.monday.toordinal()))
