"""How many explants to begin with, when, and for how many cycles."""

from __future__ import annotations

import math
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cached_property

import pandas as pd

from forecast.errors import OutOfReach, Refused
from forecast.growth.simulation import season_streams
from forecast.ordering.request import requested
from forecast.propagation.cultures import Cultures
from forecast.propagation.outlays import outlays
from forecast.propagation.search import Search, Tried
from forecast.season.propagation_rows import Division
from forecast.season.season import Season
from forecast.season.targets import Target
from forecast.weeks import Week
from forecast.words.numbers import counted, rounded, seasons


@dataclass(frozen=True, eq=False)
class MultiplicationPlan:
    """A plan to multiply a variety until a wanted number is saleable.

    Parameters
    ----------
    variety, target, by, service_level
        What is wanted (the likely number, if a range is), by which week, how surely.
    cultures
        What comes of the plan.
    chance
        Share of draws in which the number is saleable [0 to 1].
    cost
        Expected cost until that week [currency]: explants, vessels, work, stages and bench.
    by_average, chance_by_average
        Explants that the mean alone suggests for the same start and cycles, and their chance; 0 if it is hopeless.
    latest_start
        Last week in which the same explants suffice.
    currency
        ISO 4217 code.
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
    _search: Search = field(repr=False)

    @property
    def explants(self) -> int:
        """Explants to put into culture, or stock plants to divide."""
        return self.cultures.explants

    @property
    def cycles(self) -> int:
        """Cycles before the last shoots are rooted, or rounds of division."""
        return self.cultures.cycles

    @property
    def start(self) -> Week:
        """Week in which explants are put into culture."""
        return self.cultures.start

    @property
    def cut_over(self) -> Week:
        """Week from which all shoots are rooted and none is multiplied."""
        return self.start + (self.cultures.way.weeks(self.cycles) - self.cultures.way.rooting_weeks)

    @cached_property
    def alternatives(self) -> pd.DataFrame:
        """Every number of cycles that was thought of, with its start, explants, chance, cost and verdict."""
        return self._search.alternatives()

    def outlays(self) -> pd.DataFrame:
        """Return what it costs [currency], and when."""
        rows = [(what, str(week), round(amount, 2)) for what, week, amount in outlays(self.cultures, self.by)]
        return pd.DataFrame(rows, columns=["what", "week", "amount"])

    @property
    def potted(self) -> int | None:
        """Plantlets to take into the nursery at most; None if all are."""
        return self.cultures.potted

    def __str__(self) -> str:
        made = self.cultures
        if isinstance(made.row, Division):
            bought = max(self.explants - made.row.stock, 0)
            text = (
                f"Divide {self.explants:,} stock plants of {self.variety}"
                f"{f', {bought:,} of them bought,' if bought else ''} in {self.start}, in "
                f"{counted(self.cycles, 'round')}; the last divisions are potted in {made.enters(self.cycles)}."
            )
        else:
            spread = "in instalments, the last" if len(made.rounds) > 1 else "all"
            text = (
                f"Begin with {counted(self.explants, 'explant')} of {self.variety} in {self.start}, multiply for "
                f"{counted(self.cycles, 'cycle')}, and root {spread} from {self.cut_over}; plantlets come out by "
                f"{made.enters(self.cycles)}."
            )
        if self.potted is not None:
            text += f" Pot {self.potted:,} of them at most."
        text += (
            f"\nIn {seasons(self.chance)} they give the {self.target:,} wanted by {self.by}, for about "
            f"{rounded(self.cost)} {self.currency} in all."
        )
        if self.chance >= self.service_level:
            text += f" The last week to begin with as many is {self.latest_start}."
        if self.by_average:
            text += f"\nThe mean alone suggests {self.by_average:,}, enough in {seasons(self.chance_by_average)}."
        if made.lost:
            text += f"\nAll is lost in {seasons(made.lost)}."
        return f"{text}\n{made.shortage}".rstrip()


def explants_needed(
    season: Season,
    variety: str,
    *,
    draws: int,
    seed: int,
    target: int | None = None,
    week: Week | str | None = None,
    service_level: float | None = None,
) -> MultiplicationPlan:
    """Plan backwards from a wanted number: explants, cycles, start and the turn to rooting.

    Parameters
    ----------
    season, variety
        The season, and a variety that has a row in its cultures.
    draws, seed
        Number of simulated seasons, and seed of the draws.
    target, week, service_level
        Number wanted, by the Monday of which week, and in what share of draws; without them, what the season's
        first row for the variety says.

    Returns
    -------
    MultiplicationPlan
        The one with the least expected cost of those that suffice; ``alternatives`` tells of the others.

    Raises
    ------
    Refused
        If the variety has no row in cultures, or a number is of the wrong kind.
    OutOfReach
        If no plan suffices; ``best`` is the nearest: for a later week in which the number is in reach, or
        else the plan with the highest chance.

    Notes
    -----
    For every number of cycles up to the most, the weeks of starting are ranked by their cost with plants in
    proportion to explants; for the best, the smallest number of explants that suffices is found by bisection with
    the same draws. Where shelf or hood are short, rooting spread over two or three cycles is tried too. Plantlets
    are counted before they are potted, so to begin with some more and pot no more than suffice can cost less; that is
    tried with up to 1.7 times as many. With few draws, plans of nearly the same cost change places.

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> plan = forecast.explants_needed(season, "Heuchera 'Pellowen'", draws=512, seed=1)
    >>> plan.chance >= 0.95
    True
    """
    request, _ = requested(season, variety, target, week, service_level, beyond=True)
    row = season.culture(variety)
    streams = season_streams(draws, seed)
    search = Search(season, streams, row, request)
    best = search.best()
    if best is not None:
        return made_plan(search, best)
    later, reason = search.first_week_in_reach(), ""
    nearest = search.nearest()
    plan = None if nearest is None else made_plan(search, nearest)
    if later is not None:
        again = Search(season, streams, row, request.replace(week=later))
        found = again.best()
        if found is not None:
            plan, reason = made_plan(again, found), f" It is in reach by {later}."
    why = " ".join(f"{counted(one.cycles, 'cycle')}: {one.why_not}." for one in search.tried if one.instalments == 1)
    raise OutOfReach(
        f"No plan gives {request.median_demand:,} {variety} from explants by {request.week} in "
        f"{100 * search.service_level:g} seasons in 100. {why}{reason} Want fewer or later, ask for a lower service level, "
        "or buy in.",
        plan,
    )


def made_plan(search: Search, tried: Tried) -> MultiplicationPlan:
    """Make the plan of what a search found."""
    made = tried.cultures
    assert made is not None
    request: Target = search.request
    mean = float(sum((made.grown.plantlets[c - 1] * made.share(c, request.week)).mean() for c in made.rounds))
    by_average, chance_by_average = 0, 0.0
    if mean > 0:
        by_average = math.ceil(request.median_demand * made.explants / mean)
        with suppress(Refused):
            chance_by_average = search.chance(search.cultures(made.cycles, len(made.rounds), by_average, made.start))
    latest = made.start
    while latest < request.week and search.chance(made.but(start=latest + 1)) >= search.service_level:
        latest = latest + 1
    return MultiplicationPlan(
        request.variety, request.median_demand, request.week, search.service_level, made, tried.chance, tried.cost,
        by_average, chance_by_average, latest, search.season.currency, search,
    )  # fmt: skip
