"""Whether to buy in, to multiply from explants, or to divide stock plants."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cached_property
from itertools import combinations, pairwise

import numpy as np
import pandas as pd

from forecast.errors import OutOfReach, Refused, refuse
from forecast.growth.simulation import season_streams
from forecast.growth.tails import at_least
from forecast.ordering.order import Order, order_of
from forecast.ordering.request import requested
from forecast.ordering.shipments import bill
from forecast.ordering.trial_orders import Case
from forecast.propagation.cultures import Cultures
from forecast.propagation.explants import MultiplicationPlan, made_plan
from forecast.propagation.outlays import outlays
from forecast.propagation.search import Search
from forecast.season.consistency import first_delivery
from forecast.season.season import Season
from forecast.season.targets import Target
from forecast.weeks import Week
from forecast.words.numbers import rounded, seasons

BUY, EXPLANTS, DIVISION = "buy in", "from explants", "divide stock"
_HORIZON = 520  # weeks that are looked ahead for the first week a number can be had
_CURVE_DRAWS = 512
_STEPS = (0.125, 0.25, 0.5, 1.0, 2.0, 4.0)  # of the wanted number, for the cost of other numbers


@dataclass(frozen=True, eq=False)
class Route:
    """One way to come by a wanted number, and what it costs.

    Parameters
    ----------
    route
        Its name.
    plan
        The order, or the plan to multiply; the nearest one if nothing suffices by the week wanted, None if there
        is none.
    chance
        Chance that the number is saleable by its week [0 to 1].
    start
        Week in which money is first spent.
    earliest
        First week in which the number could be had as surely as asked if it were begun at once: by this plan if it
        suffices, else about that of any plan; None if it is not known or never.
    cost, cost_per_plant, cost_per_saleable
        Expected cost until the week wanted [currency]; that for each plant wanted, if the number is had; and that for
        each of the plants, wanted or not, that are then saleable on average.
    weeks_out
        How long money is out on average before the week wanted [weeks].
    why_not
        Why it does not suffice; empty if it does.
    """

    route: str
    plan: Order | MultiplicationPlan | None
    chance: float = 0.0
    start: Week | None = None
    earliest: Week | None = None
    cost: float = math.nan
    cost_per_plant: float = math.nan
    cost_per_saleable: float = math.nan
    weeks_out: float = math.nan
    why_not: str = ""


@dataclass(frozen=True, eq=False)
class Routes:
    """The ways to come by a wanted number, side by side.

    Parameters
    ----------
    routes
        Buying in, from explants and dividing stock, as far as the season says how.
    variety, target, by, service_level, currency
        What is wanted.
    """

    routes: tuple[Route, ...]
    variety: str
    target: int
    by: Week
    service_level: float
    currency: str
    _season: Season = field(repr=False)
    _request: Target = field(repr=False)
    _draws: int = field(repr=False)
    _seed: int = field(repr=False)

    def __iter__(self) -> Iterator[Route]:
        return iter(self.routes)

    def __getitem__(self, name: str) -> Route:
        """Return a route by its name."""
        for route in self.routes:
            if route.route == name:
                return route
        known = ", ".join(route.route for route in self.routes)
        raise refuse("route", name, "there is no such route for this variety", f"There is: {known}.")

    @property
    def best(self) -> Route | None:
        """The cheapest route that suffices; None if none does."""
        found = [route for route in self.routes if not route.why_not]
        return min(found, key=lambda route: route.cost, default=None)

    def table(self) -> pd.DataFrame:
        """Return a row for each route: when, how sure, what it costs, how long money is out, and why not."""
        rows = [
            {
                "route": route.route,
                "start": str(route.start or ""),
                "earliest": str(route.earliest or ""),
                "chance": round(route.chance, 4),
                "cost": round(route.cost, 2),
                "cost_per_plant": round(route.cost_per_plant, 2),
                "cost_per_saleable": round(route.cost_per_saleable, 2),
                "weeks_out": round(route.weeks_out, 1),
                "why_not": route.why_not,
            }
            for route in self.routes
        ]
        return pd.DataFrame(rows)

    def _cost_of(self, number: int) -> dict[str, float]:
        """Cost of each route for a number wanted by the same week; missing where it does not suffice."""
        if number == self.target:
            return {route.route: route.cost for route in self.routes if not route.why_not}
        request = _scaled(self._request, number)
        draws, found = min(self._draws, _CURVE_DRAWS), {}
        for route in self.routes:
            if route.route == BUY:
                with suppress(OutOfReach, Refused):
                    found[BUY] = _order(self._season, request, draws, self._seed).cost
            elif best := _search(self._season, route.route, request, draws, self._seed).best():
                found[route.route] = best.cost
        return found

    @cached_property
    def curve(self) -> pd.DataFrame:
        """Cost of each route for other numbers wanted by the same week; takes some seconds.

        Columns: wanted, route, cost [currency] and cost_per_plant, of each plant wanted; other numbers from at most
        512 draws. A route has no row for a number that it cannot give.
        """
        rows = [
            (number, name, round(cost, 2), round(cost / number, 2))
            for number in sorted({max(round(self.target * step), 1) for step in _STEPS})
            for name, cost in self._cost_of(number).items()
        ]
        return pd.DataFrame(rows, columns=["target", "route", "cost", "cost_per_plant"])

    @cached_property
    def break_even(self) -> pd.DataFrame:
        """Numbers wanted above which one route stays cheaper than another; takes some seconds.

        Columns: cheaper and than, the two routes, and wanted, about the number between two of `curve` at which their
        costs cross for the last time, on a logarithmic scale; near it the routes cost much the same. Two routes without
        a row: one is never dearer at any number that both can give.
        """
        costs = self.curve.pivot_table(index="target", columns="route", values="cost")
        costs = costs.clip(lower=0.01)  # what is free has no logarithm
        rows = []
        for one, other in combinations(costs.columns, 2):
            crossing = None
            gap = (costs[one] / costs[other]).dropna().map(math.log)
            apart = gap.mask(gap == 0)  # at equal costs, the one cheaper before stays so by a hair
            gap = apart.fillna(1e-9 * apart.ffill()).dropna()
            for (low, before), (high, after) in pairwise(zip(gap.index, gap, strict=True)):
                if before * after < 0:
                    number = math.exp(math.log(low) + math.log(high / low) * before / (before - after))
                    cheaper, than = (one, other) if after < 0 else (other, one)
                    crossing = (cheaper, than, rounded(number))
            rows += [crossing] if crossing else []
        return pd.DataFrame(rows, columns=["cheaper", "than", "target"])

    def __str__(self) -> str:
        lines = []
        for route in self.routes:
            if route.why_not:
                when = f" Begun at once, it could be had by {route.earliest}." if route.earliest else ""
                lines.append(f"{route.route}: not by {self.by}; {route.why_not}.{when}")
            else:
                lines.append(
                    f"{route.route}: {seasons(route.chance)}, about {rounded(route.cost)} {self.currency}, "
                    f"{route.cost_per_plant:.2f} a plant wanted, spent {route.weeks_out:.0f} weeks ahead on average."
                )
        best = self.best
        lines.append(f"Cheapest: {best.route}." if best else "None of them gives the number by its week.")
        return "\n".join(lines)


def compare_routes(
    season: Season,
    variety: str,
    *,
    draws: int,
    seed: int,
    target: int | None = None,
    week: Week | str | None = None,
    service_level: float | None = None,
) -> Routes:
    """Set buying in, multiplying from explants and dividing stock plants side by side.

    Parameters
    ----------
    season, variety
        The season, and a variety with offers, a row in cultures or one in divisions.
    draws, seed
        Number of simulated seasons, and seed of the draws; the same for all routes.
    target, week, service_level
        As for `explants_needed`.

    Returns
    -------
    Routes

    Raises
    ------
    Refused
        If the variety or week is unknown, or the season tells no way to come by the variety.

    Notes
    -----
    Cost is expected cost until the week wanted, growing included. Money is out from the week it is spent: deposits
    with the order in the season's first week, balance and freight at delivery, vessels and work in their cycle, the
    nursery's cost half-way between potting and sale. Cheapest is not all: breeder's rights come first.

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> routes = forecast.compare_routes(season, "Heuchera 'Pellowen'", draws=256, seed=1)
    >>> [route.route for route in routes]
    ['buy in', 'from explants', 'divide stock']
    """
    request, _ = requested(season, variety, target, week, service_level, beyond=True)
    found = []
    if season.price_lines(variety):
        found.append(_buying(season, request, draws, seed))
    known = {row.variety for row in season.cultures}, {row.variety for row in season.divisions}
    for name, varieties in zip((EXPLANTS, DIVISION), known, strict=True):
        if variety in varieties:
            found.append(_multiplying(_search(season, name, request, draws, seed), name))
    if not found:
        remedy = "Add a row for it to offers, cultures or divisions."
        raise refuse("variety", variety, "the season tells no way to come by it", remedy)
    return Routes(
        tuple(found), variety, request.median_demand, request.week, request.service_level or season.service_level,
        season.currency, season, request, draws, seed,
    )  # fmt: skip


def _order(season: Season, request: Target, draws: int, seed: int) -> Order:
    """Size the order of a request, drawn as the delivery that the season's row would be."""
    weeks = [row.week for row in season.targets_of(request.variety)]
    number = weeks.index(request.week) + 1 if request.week in weeks else 1
    if request.week > season.last_week:
        raise refuse("week", str(request.week), "after the season", f"Give a week to {season.last_week}.")
    return order_of(Case(season, season_streams(draws, seed), request, number))


def _scaled(request: Target, number: int) -> Target:
    """Return the same request for another likely number, its range in proportion."""
    if request.p5 is None or request.median is None or request.p95 is None:
        return request.replace(target=number)
    part = number / request.median
    return request.replace(p5=request.p5 * part, median=float(number), p95=request.p95 * part)


def _search(season: Season, route: str, request: Target, draws: int, seed: int) -> Search:
    row = season.culture(request.variety) if route == EXPLANTS else season.division(request.variety)
    return Search(season, season_streams(draws, seed), row, request)


def _multiplying(search: Search, name: str) -> Route:
    best = search.best()
    tried = best or search.nearest()
    if tried is None or tried.cultures is None:
        return Route(name, None, earliest=search.first_week_in_reach(), why_not="nothing is ready by then")
    made = tried.cultures
    spent = [(week, amount) for _, week, amount in outlays(made, search.by)]
    plants = made.expected(search.by)
    why = "" if best else f"enough in {seasons(tried.chance)}"
    earliest = _first_week(search, made.but(start=search.earliest)) if best else search.first_week_in_reach()
    return Route(
        name, made_plan(search, tried), tried.chance, made.start, earliest, tried.cost,
        tried.cost / search.request.median_demand if best else math.nan,
        tried.cost / plants if plants else math.nan, _weeks_out(spent, search.by), why,
    )  # fmt: skip


def _weeks_out(spent: Sequence[tuple[Week, float]], by: Week) -> float:
    """Return how long money is out on average before a week [weeks]."""
    total = sum(amount for _, amount in spent)
    return sum(amount * (by - week) for week, amount in spent) / total if total else 0.0


def _first_week(search: Search, made: Cultures) -> Week | None:
    """Return the first week in which a plan begun at once has the number as surely as asked."""
    first = made.enters(made.rounds[0])
    for later in range(_HORIZON):
        week = first + later
        if made.chances(week=week, at_least=search.needed).mean() >= search.service_level:
            return week
    return None


def _buying(season: Season, request: Target, draws: int, seed: int) -> Route:
    why = ""
    try:
        order = _order(season, request, draws, seed)
    except OutOfReach as error:
        order, why = error.best, f"enough in {seasons(error.best.chance)}"
    except Refused as error:
        return Route(BUY, None, why_not=error.faults[0].problem)
    case, shipment = order._case, order.shipment
    (deposit,) = (charge.deposit for charge in bill([shipment]).charges)
    spent = [
        (season.first_week, deposit),
        (order.week, order.purchase - deposit),
        (order.week + (order.by - order.week) // 2, order.cost - order.purchase),
    ]
    delivered = min(first_delivery(row, season.first_week) for row in shipment.prices.breaks)
    fate = case.fate(delivered)
    ready = fate.ready(np.arange(min(105.0, fate.last + 1)))
    enough = [float(at_least(case.needed, order.quantity, share).mean()) >= order.service_level for share in ready]
    earliest = delivered + int(np.argmax(enough)) if any(enough) else None
    return Route(
        BUY, order, order.chance, season.first_week if deposit else order.week, earliest, order.cost,
        math.nan if why else order.cost / order.target,
        order.cost / order.saleable if order.saleable > 0.5 else math.nan, _weeks_out(spent, order.by), why,
    )  # fmt: skip
