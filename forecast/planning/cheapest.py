"""The plan of least cost that meets every target at its service level, by one mixed-integer program."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from forecast.errors import OutOfReach, Refused
from forecast.ordering.order import order_of
from forecast.ordering.trial_orders import Case
from forecast.planning.column_generation import Callback, Incumbent, Solution, relaxation
from forecast.planning.columns import Column, Way, footprint
from forecast.planning.master import MasterProblem
from forecast.season.season import Season
from forecast.streams import Streams
from forecast.words import orders as words


def least_cost(
    season: Season, streams: Streams, *, time_limit: float, gap: float, callback: Callback | None = None
) -> Solution:
    """Find the plan that meets every target at its service level, at the least expected cost.

    Notes
    -----
    Every target has a delivery of its own, as in `size_order`: of each price list and week the smallest quantity that
    is enough, and those at which a lower price begins. All of them are columns, so the program is exact.
    """
    best = Incumbent(time_limit, gap, callback)
    master = _master(season, streams)
    while True:
        chosen, bound = master.solve_integer(best.left, gap)
        if chosen is None:
            shortfalls = master.shortfalls()
            raise OutOfReach(words.limits_short(shortfalls, season.currency) if shortfalls else words.NOT_IN_TIME)
        if not master.add_cuts(chosen):
            break
    best.chosen, best.value = chosen, float(master.margin(chosen).mean())
    best.bound = max(bound, best.value)
    return best.solution(master, (), relaxation(master).duals)


def _master(season: Season, streams: Streams) -> MasterProblem:
    """Return the program with all columns, an item for each target."""
    items: list[list[Column]] = []
    unmet: list[str] = []
    for number, row in season.each_target():
        case = Case(season, streams, row, number)
        items.append(list(_enough(case, len(items), number)))
        if not season.price_lines(row.variety):
            unmet.append(words.no_lab(variety=row.variety))
        elif not items[-1]:
            try:
                order_of(case)  # says why
            except (OutOfReach, Refused) as error:
                unmet.append(str(error))
    if unmet:
        raise OutOfReach("\n".join(unmet))
    master = MasterProblem(season, streams.draws, items=len(items), every_item=True)
    for column in (one for columns in items for one in columns):
        master.add(column)
    return master


def _enough(case: Case, item: int, number: int) -> Iterator[Column]:
    """Return the orders of a case that are enough, and could be part of the cheapest plan."""
    season, row = case.season, case.request
    nothing = np.zeros((1, case.streams.draws))
    for prices, week in case.every_way:
        enough = case.enough(prices, week)
        if enough is None:
            continue
        quantities = np.unique(prices.worth_buying(enough))
        area, _ = footprint(season, row.variety, case.fate(week), week, row.week)
        growing = np.full(case.streams.draws, case.growing(week))
        way = Way(prices, week, number - 1, quantities, nothing, nothing, nothing[0], growing, area)
        for quantity in quantities.tolist():
            cost = way.shipment(quantity).price + quantity * case.growing(week)
            yield Column(item, {way: quantity}, np.full(case.streams.draws, -cost), cost)
