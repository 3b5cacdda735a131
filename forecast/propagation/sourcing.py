"""Supply routes: buy plantlets in, propagate in vitro, or divide stock plants."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations, pairwise

import numpy as np
import pandas as pd

from forecast.errors import OutOfReach, Refused, refuse
from forecast.growth.simulation import repeats, streams_of
from forecast.growth.summaries import at_least
from forecast.ordering.order import Order, order_of
from forecast.ordering.reach import Excess
from forecast.ordering.request import requested
from forecast.ordering.shipments import bill
from forecast.ordering.trial_orders import Case
from forecast.propagation.cultures import Cultures
from forecast.propagation.explants import MultiplicationPlan, made_plan
from forecast.propagation.outlays import expected_outlays
from forecast.propagation.search import Search
from forecast.rounding import reaches
from forecast.season.consistency import first_delivery
from forecast.season.season import Season
from forecast.season.targets import Target
from forecast.streams import PLANNING_DRAWS, Streams
from forecast.weeks import Week
from forecast.words import propagation as words
from forecast.words.numbers import apart, rounded
from forecast.words.results import Result

BUY, EXPLANTS, DIVISION = "buy in", "propagate in vitro", "divide stock"
_HORIZON = 520  # weeks within which the first one that meets the target is looked for
_CURVE_DRAWS = 512
_STEPS = (0.125, 0.25, 0.5, 1.0, 2.0, 4.0)  # of the target, for the cost of other numbers


@dataclass(frozen=True, eq=False)
class Route:
    """One supply route to a target, and what it costs.

    Parameters
    ----------
    route
        Its name.
    plan
        The order, or the plan to multiply; the nearest one if none meets the target, None if there is none.
    chance
        Chance that the target is met [0 to 1].
    start
        Week in which money is first spent.
    earliest
        First week in which the target could be met if it were started at once: by this plan if it meets the target,
        else about that of any plan; None if it is not known or never.
    cost, cost_per_plant, cost_per_saleable
        Expected cost until the week of the target [currency]; that for each plant of the target, if it is met; and that
        for each of the plants that are then saleable on average.
    weeks_out
        How long money is tied up on average before the week of the target [weeks].
    why_not
        Why it does not meet the target; empty if it does.
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


@dataclass(frozen=True, eq=False, repr=False)
class Routes(Result):
    """The supply routes to a target, side by side.

    Parameters
    ----------
    routes
        Buying in, propagating in vitro and dividing stock, as far as the season has rows for them.
    season, request, draws, seed
        What they were compared for.
    """

    routes: tuple[Route, ...]
    season: Season
    request: Target
    draws: int
    seed: int

    def facts(self) -> dict[str, object]:
        """Return variety, target, its week, draws and seed."""
        asked = {"variety": self.request.variety, "target": self.request.median_demand, "by": self.request.week}
        return asked | {"draws": self.draws, "seed": self.seed}

    def __iter__(self) -> Iterator[Route]:
        return iter(self.routes)

    def __getitem__(self, name: str) -> Route:
        """Return a route by its name."""
        for route in self.routes:
            if route.route == name:
                return route
        known = ", ".join(route.route for route in self.routes)
        raise refuse("route", name, "there is no such route for this variety", f"There is: {known}.")

    def headline(self) -> str:
        """Return which route is the cheapest for what, or that none meets the target."""
        asked, cheapest = self.request, str(self).splitlines()[-1]
        return words.for_target(asked.median_demand, asked.variety, asked.week, cheapest)

    @property
    def best(self) -> Route | None:
        """The cheapest route that meets the target; None if none does."""
        found = [route for route in self.routes if not route.why_not]
        return min(found, key=lambda route: route.cost, default=None)

    def table(self) -> pd.DataFrame:
        """Return a row for each route: start, chance, costs, how long money is tied up, and why it falls short."""
        digits = {"chance": 4, "cost": 2, "cost_per_plant": 2, "cost_per_saleable": 2, "weeks_out": 1}
        rows = [
            {"route": route.route, "start": str(route.start or ""), "earliest": str(route.earliest or "")}
            | {name: round(getattr(route, name), places) for name, places in digits.items()}
            | {"why_not": route.why_not}
            for route in self.routes
        ]
        return pd.DataFrame(rows)

    def _cost_of(self, number: int) -> dict[str, float]:
        """Return the cost of each route to another target by the same week; missing where it does not meet it."""
        if number == self.request.median_demand:
            return {route.route: route.cost for route in self.routes if not route.why_not}
        request = _scaled(self.request, number)
        draws, found = min(self.draws, _CURVE_DRAWS), {}
        for route in self.routes:
            if route.route == BUY:
                with suppress(OutOfReach, Refused):
                    found[BUY] = order_of(_case(self.season, request, self._streams(draws))).cost
            elif best := _search(self.season, route.route, request, draws, self.seed).best():
                found[route.route] = best.cost
        return found

    def curve(self) -> pd.DataFrame:
        """Return the cost of each route to other targets by the same week; takes some seconds.

        Returns
        -------
        DataFrame
            target, route, cost [currency] and cost_per_plant, of each plant of the target; other targets from at most
            512 draws. A route has no row for a target that it cannot meet.
        """
        return self._curve.copy()

    @cached_property
    def _curve(self) -> pd.DataFrame:
        rows = [
            (number, name, round(cost, 2), round(cost / number, 2))
            for number in sorted({max(round(self.request.median_demand * step), 1) for step in _STEPS})
            for name, cost in self._cost_of(number).items()
        ]
        return pd.DataFrame(rows, columns=["target", "route", "cost", "cost_per_plant"])

    def break_even(self) -> pd.DataFrame:
        """Return the targets above which one route stays cheaper than another; takes some seconds.

        Returns
        -------
        DataFrame
            cheaper and than, the two routes, and target, about the number between two of `curve` at which their costs
            cross for the last time, on a logarithmic scale; near it the routes cost much the same. Two routes without a
            row: one is never dearer at any target that both can meet.
        """
        costs = self._curve.pivot_table(index="target", columns="route", values="cost")
        costs = costs.clip(lower=0.01)  # what is free has no logarithm
        found = (_last_crossing(costs[one], costs[other]) for one, other in combinations(costs.columns, 2))
        return pd.DataFrame([row for row in found if row], columns=["cheaper", "than", "target"])

    def __str__(self) -> str:
        lines = [f"{self._sentence(route)} {_excess(route) or ''}".rstrip() for route in self.routes]
        return "\n".join([*lines, words.cheapest(self._cheapest())])

    def _cheapest(self) -> list[str]:
        """Return the cheapest route that meets the target, and those of which it cannot be seen that they cost more."""
        if (best := self.best) is None:
            return []
        more = {name: self[name].cost - best.cost for name in self._errors}
        return [best.route, *(name for name, error in self._errors.items() if not apart(more[name], error))]

    @cached_property
    def _errors(self) -> dict[str, float]:
        """Standard error of how much more each other route that meets the target costs than the cheapest [currency].

        It is that of the expected costs of their plans, as these are, in the same draws.
        """
        best = self.best
        others = [route for route in self.routes if route is not best and not route.why_not]
        if best is None or not others:
            return {}
        every = [*others, best]
        costs = [[self._again(one, streams) for one in every] for streams in repeats(self._streams(self.draws))]
        more = np.array(costs)[:, :-1] - np.array(costs)[:, -1:]
        return {one.route: float(error) for one, error in zip(others, more.std(axis=0, ddof=1), strict=True)}

    def _streams(self, draws: int) -> Streams:
        return streams_of(self.season, draws, self.seed)

    def _again(self, route: Route, streams: Streams) -> float:
        """Return what the plan of a route is expected to cost under other streams [currency]."""
        if isinstance(route.plan, Order):
            return _case(self.season, self.request, streams).cost(route.plan.shipment)
        assert route.plan is not None
        made = route.plan.cultures
        again = Cultures(self.season, made.row, streams, made.start, made.explants, made.kept, made.potted)
        return sum(amount for _, _, amount in expected_outlays(again, self.request.week))

    def _sentence(self, route: Route) -> str:
        return (
            words.no_route(name=route.route, by=self.request.week, why=route.why_not, earliest=route.earliest)
            if route.why_not
            else words.route(
                name=route.route, chance=route.chance, cost=route.cost, each=route.cost_per_plant,
                currency=self.season.currency, weeks=route.weeks_out,
            )
        )  # fmt: skip


def compare_routes(
    season: Season,
    variety: str,
    *,
    target: int | None = None,
    week: Week | str | None = None,
    service_level: float | None = None,
    draws: int = PLANNING_DRAWS,
    seed: int | None = None,
) -> Routes:
    """Compare the supply routes to a target: buying in, propagating in vitro and dividing stock plants.

    Parameters
    ----------
    season, variety
        The season, and a variety with price-list lines, a row in cultures or one in divisions.
    target, week, service_level
        As for `explants_needed`.
    draws, seed
        Number of simulated seasons, and their seed (the season's if not given); the same for all routes.

    Returns
    -------
    Routes

    Raises
    ------
    Refused
        If the variety or week is unknown, or the season has no supply route for the variety.

    Notes
    -----
    Cost is expected cost until the week of the target, growing included. Money is tied up from the week it is spent:
    deposits with the order in the season's first week, balance and freight at delivery, vessels and work in their
    subculture, the nursery's cost half-way between potting and sale. Plant breeder's rights come before cost.

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> routes = forecast.compare_routes(season, "Heuchera 'Pellowen'", draws=64)
    >>> [route.route for route in routes]
    ['buy in', 'propagate in vitro', 'divide stock']
    """
    request, _ = requested(season, variety, target, week, service_level, beyond=True)
    seed = season.seed if seed is None else seed
    found = []
    if season.price_lines(variety):
        found.append(_buying(season, request, draws, seed))
    known = {row.variety for row in season.cultures}, {row.variety for row in season.divisions}
    for name, varieties in zip((EXPLANTS, DIVISION), known, strict=True):
        if variety in varieties:
            found.append(_multiplying(_search(season, name, request, draws, seed), name))
    if not found:
        remedy = "Add a row for it to price_list, cultures or divisions."
        raise refuse("variety", variety, "the season has no supply route for it", remedy)
    return Routes(tuple(found), season, request, draws, seed)


def _excess(route: Route) -> Excess | None:
    """Return why the order of a route that meets the target is large or loses; None if it is not."""
    return route.plan.excess if isinstance(route.plan, Order) and not route.why_not else None


def _case(season: Season, request: Target, streams: Streams) -> Case:
    """Return all that is needed to order for a target, drawn as the delivery that the season's row would be."""
    weeks = [row.week for row in season.targets_of(request.variety)]
    number = weeks.index(request.week) + 1 if request.week in weeks else 1
    if request.week > season.last_week:
        raise refuse("week", str(request.week), "after the season", f"Give a week to {season.last_week}.")
    return Case(season, streams, request, number)


def _last_crossing(one: pd.Series[float], other: pd.Series[float]) -> tuple[str, str, int] | None:
    """Return which of two routes is cheaper from where on, by their costs of several targets; None if always one."""
    gap = (one / other).dropna().map(math.log)
    apart = gap.mask(gap == 0)  # at equal costs, the one cheaper before stays so by a hair
    gap = apart.fillna(1e-9 * apart.ffill()).dropna()
    for (low, before), (high, after) in reversed([*pairwise(zip(gap.index, gap, strict=True))]):
        if before * after < 0:
            number = math.exp(math.log(low) + math.log(high / low) * before / (before - after))
            cheaper, than = (one, other) if after < 0 else (other, one)
            return str(cheaper.name), str(than.name), int(rounded(number).replace(",", ""))
    return None


def _scaled(request: Target, number: int) -> Target:
    """Return the same target for another median demand, its range in proportion."""
    if request.p5 is None or request.median is None or request.p95 is None:
        return request.replace(target=number)
    part = number / request.median
    return request.replace(p5=request.p5 * part, median=float(number), p95=request.p95 * part)


def _search(season: Season, route: str, request: Target, draws: int, seed: int) -> Search:
    row = season.culture(request.variety) if route == EXPLANTS else season.division(request.variety)
    return Search(season, streams_of(season, draws, seed), row, request)


def _multiplying(search: Search, name: str) -> Route:
    best = search.best()
    tried = best or search.nearest()
    if tried is None or tried.cultures is None:
        return Route(name, None, earliest=search.first_week_in_reach(), why_not=words.NOTHING)
    made = tried.cultures
    spent = [(week, amount) for _, week, amount in expected_outlays(made, search.by)]
    plants = made.expected(search.by)
    why = "" if best else words.enough_in(tried.chance)
    earliest = _first_week(search, made.replace(start=search.earliest)) if best else search.first_week_in_reach()
    return Route(
        name, made_plan(search, tried), tried.chance, made.start, earliest, tried.cost,
        tried.cost / search.request.median_demand if best else math.nan,
        tried.cost / plants if plants else math.nan, _weeks_out(spent, search.by), why,
    )  # fmt: skip


def _weeks_out(spent: Sequence[tuple[Week, float]], by: Week) -> float:
    """Return how long money is tied up on average before a week [weeks]."""
    total = sum(amount for _, amount in spent)
    return sum(amount * (by - week) for week, amount in spent) / total if total else 0.0


def _first_week(search: Search, made: Cultures) -> Week | None:
    """Return the first week in which a plan started at once meets the target."""
    first = made.enters(made.rounds[0])
    for later in range(_HORIZON):
        week = first + later
        if reaches(made.chances(week=week, at_least=search.needed).mean(), search.service_level):
            return week
    return None


def _buying(season: Season, request: Target, draws: int, seed: int) -> Route:
    why = ""
    try:
        case = _case(season, request, streams_of(season, draws, seed))
        order = order_of(case)
    except OutOfReach as error:
        order, why = error.best, words.enough_in(error.best.chance)
    except Refused as error:
        return Route(BUY, None, why_not=error.faults[0].problem)
    (deposit,) = (charge.deposit for charge in bill([order.shipment]).charges)
    spent = [
        (season.first_week, deposit),
        (order.week, order.purchase - deposit),
        (order.week + (order.by - order.week) // 2, order.cost - order.purchase),
    ]
    delivered = min(first_delivery(row, season.first_week) for row in order.shipment.prices.breaks)
    fate, life = case.fate(delivered), season.variety(request.variety).saleable_weeks
    saleable = fate.saleable(np.arange(min(105.0, fate.last + 1)), life)
    chances = [float(at_least(case.needed, order.quantity, share).mean()) for share in saleable]
    enough = reaches(chances, order.service_level)
    earliest = delivered + int(np.argmax(enough)) if enough.any() else None
    return Route(
        BUY, order, order.chance, season.first_week if deposit else order.week, earliest, order.cost,
        math.nan if why else order.cost / order.target,
        order.cost / order.saleable if order.saleable > 0.5 else math.nan, _weeks_out(spent, order.by), why,
    )  # fmt: skip
