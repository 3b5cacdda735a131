"""How many explants to start with, when, and for how many subcultures."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass

import pandas as pd

from forecast.errors import OutOfReach, Refused
from forecast.growth.simulation import streams_of
from forecast.ordering.request import requested
from forecast.propagation.cultures import Cultures
from forecast.propagation.outlays import expected_outlays
from forecast.propagation.search import Search, Tried
from forecast.rounding import round_up
from forecast.season.propagation_rows import Division
from forecast.season.season import Season
from forecast.streams import PLANNING_DRAWS
from forecast.weeks import Week
from forecast.words import propagation as words
from forecast.words.results import Result


@dataclass(frozen=True, eq=False, repr=False)
class MultiplicationPlan(Result):
    """A plan to multiply a variety until a target is met.

    Parameters
    ----------
    variety, target, by, service_level
        The target (the median demand, if it is a range), its week, and its service level.
    cultures
        What comes of the plan.
    chance
        Chance that the target is met [0 to 1].
    cost
        Expected cost until that week [currency]: explants, vessels, work, stages and bench.
    by_average, chance_by_average
        Explants that are enough on average with the same start and subcultures, and their chance; 0 if none are.
    latest_start
        Last week in which the same explants are enough.
    currency
        ISO 4217 code.
    search
        The search that found it.
    """

    variety: str
    target: int
    by: Week
    service_level: float
    cultures: Cultures
    chance: float
    cost: float
    by_average: int
    chance_by_average: float
    latest_start: Week
    currency: str
    search: Search

    @property
    def explants(self) -> int:
        """Explants to initiate, or stock plants to divide."""
        return self.cultures.explants

    @property
    def subcultures(self) -> int:
        """Subcultures before the last shoots are rooted, or rounds of division."""
        return self.cultures.subcultures

    @property
    def start(self) -> Week:
        """Week in which explants are initiated."""
        return self.cultures.start

    @property
    def last_subculture(self) -> Week:
        """Week in which the last subculture is over: from then on all shoots are rooted."""
        return self.start + (self.cultures.way.weeks(self.subcultures) - self.cultures.way.rooting_weeks)

    @property
    def potted(self) -> int | None:
        """Plantlets to pot at most; None if all are."""
        return self.cultures.potted

    def facts(self) -> dict[str, object]:
        """Return variety, explants, subcultures, start, draws and seed."""
        return self.cultures.facts()

    def table(self) -> pd.DataFrame:
        """Return the plants by subculture, as `Cultures.table`."""
        return self.cultures.table()

    def alternatives(self) -> pd.DataFrame:
        """Return every number of subcultures that was tried, with its start, explants, chance, cost and verdict."""
        return self.search.alternatives()

    def outlays(self) -> pd.DataFrame:
        """Return what the plan costs [currency], and when."""
        rows = [(what, str(week), round(amount, 2)) for what, week, amount in expected_outlays(self.cultures, self.by)]
        return pd.DataFrame(rows, columns=["what", "week", "amount"])

    def __str__(self) -> str:
        made, unit = self.cultures, self.search.unit
        if isinstance(made.row, Division):
            plan = words.division_plan(
                variety=self.variety, plants=self.explants, bought=max(self.explants - made.row.stock, 0),
                start=self.start, rounds=self.subcultures, last=made.enters(self.subcultures),
            )  # fmt: skip
        else:
            plan = words.culture_plan(
                variety=self.variety, explants=self.explants, start=self.start, subcultures=self.subcultures,
                batches=len(made.rounds) > 1, last=self.last_subculture, ready=made.enters(self.subcultures),
            )  # fmt: skip
        known = {name: getattr(self, name) for name in ("chance", "target", "by", "cost", "currency")}
        latest = self.latest_start if self.search.meets(self.chance) else None
        lines = [
            f"{plan} {words.pot(self.potted)}".rstrip(),
            made.implied,
            words.plan_yield(**known, latest=latest),
            words.by_average(number=self.by_average, unit=unit, chance=self.chance_by_average),
            words.lost(made.extinction_probability),
            str(made.shortage() or ""),
        ]
        return "\n".join(line for line in lines if line)


def explants_needed(
    season: Season,
    variety: str,
    *,
    target: int | None = None,
    week: Week | str | None = None,
    service_level: float | None = None,
    draws: int = PLANNING_DRAWS,
    seed: int | None = None,
) -> MultiplicationPlan:
    """Plan backwards from a target: explants, subcultures, start and the last subculture.

    Parameters
    ----------
    season, variety
        The season, and a variety that has a row in its cultures.
    target, week, service_level
        Number of saleable plants, by the Monday of which week, at which service level; without them, what the season's
        first target of the variety says.
    draws, seed
        Number of simulated seasons, and their seed; the season's if not given.

    Returns
    -------
    MultiplicationPlan
        The one with the least expected cost of those that meet the target; ``alternatives`` holds the others.

    Raises
    ------
    Refused
        If the variety has no row in cultures, or a number is of the wrong kind.
    OutOfReach
        If no plan meets the target; ``best`` is the nearest: for a later week in which it is in reach, or else the plan
        with the highest chance.

    Notes
    -----
    For every number of subcultures up to the most, starts are ranked by their cost with plants in proportion to
    explants; for the best, the smallest number of explants that is enough is found by bisection with the same draws.
    Where shelf or hood run short, rooting spread over two or three subcultures is tried too. Plantlets are counted
    before they are potted, so to start with some more and pot no more than are enough can cost less; that is tried with
    up to 1.7 times as many. With few draws, plans of nearly the same cost change places.

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> plan = forecast.explants_needed(season, "Heuchera 'Pellowen'", draws=256)
    >>> plan.chance >= plan.service_level
    True
    """
    request, _ = requested(season, variety, target, week, service_level, beyond=True)
    row = season.culture(variety)
    streams = streams_of(season, draws, seed)
    search = Search(season, streams, row, request)
    best = search.best()
    if best is not None:
        return made_plan(search, best)
    later, nearest = search.first_week_in_reach(), search.nearest()
    plan, reach = None if nearest is None else made_plan(search, nearest), None
    if later is not None:
        again = Search(season, streams, row, request.replace(week=later))
        found = again.best()
        if found is not None:
            plan, reach = made_plan(again, found), later
    why = [(one.cycles, one.why_not) for one in search.tried if one.batches == 1]
    text = words.no_plan(
        variety=variety, target=request.median_demand, by=request.week, service_level=search.service_level, why=why,
        later=reach,
    )  # fmt: skip
    raise OutOfReach(text, plan)


def made_plan(search: Search, tried: Tried) -> MultiplicationPlan:
    """Make the plan of what a search found."""
    made, request = tried.cultures, search.request
    assert made is not None
    plantlets = made.generations.plantlets
    mean = float(sum((plantlets[cycle - 1] * made.share(cycle, request.week)).mean() for cycle in made.rounds))
    by_average, chance_by_average = 0, 0.0
    if mean > 0:
        by_average = round_up(request.median_demand * made.explants / mean)
        with suppress(Refused):
            alone = search.cultures(made.subcultures, len(made.rounds), by_average, made.start)
            chance_by_average = search.chance(alone)
    latest = made.start
    while search.meets(search.chance(made.replace(start=latest + 1))):
        latest = latest + 1
    return MultiplicationPlan(
        request.variety, request.median_demand, request.week, search.service_level, made, tried.chance, tried.cost,
        by_average, chance_by_average, latest, search.season.currency, search,
    )  # fmt: skip
