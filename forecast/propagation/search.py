"""How many explants for how many cycles, begun when: the search behind the plans that multiply."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from forecast.errors import Refused
from forecast.growth.simulation import draw_fate
from forecast.growth.stock import drawn_demand
from forecast.ordering.unit_costs import growing_costs
from forecast.propagation.cultures import Cultures
from forecast.propagation.initiation import earliest_start
from forecast.propagation.multiplication import Multiplication
from forecast.propagation.outlays import outlays
from forecast.season.propagation_rows import Culture, Division
from forecast.season.season import Season
from forecast.season.targets import Target
from forecast.streams import Array, Streams
from forecast.weeks import Week
from forecast.words.numbers import counted, rounded, seasons

MOST_EXPLANTS = 1_000_000
_LONGEST_WAIT = 104  # weeks that plantlets are thought to be grown at most
_MORE = (1.0, 1.15, 1.35, 1.7)  # times the smallest number to begin with, of which fewer plantlets need be potted
_SAFE = 20  # explants of which at least one nearly always lives
_TRIED = 2  # weeks of starting that are worked out for a number of cycles
_FEWER = 60  # times a twentieth less: a twentieth of all at last
_OFTEN = 0.02  # a shortage in fewer seasons is no reason to spread rooting over several cycles
_INSTALMENTS = 3  # cycles over which rooting is spread at most, where shelf or hood are short


@dataclass(frozen=True, eq=False)
class Tried:
    """One way to multiply that was thought of: what comes of it, or why it was given up."""

    cycles: int
    instalments: int
    cultures: Cultures | None
    chance: float
    cost: float
    why_not: str = ""


class Search:
    """Looks for the cheapest way to multiply that gives a wanted number as surely as asked.

    Parameters
    ----------
    season, streams
        The season, and what is drawn from.
    row
        How the variety is multiplied.
    request
        What is wanted, by when, how surely.
    """

    def __init__(self, season: Season, streams: Streams, row: Culture | Division, request: Target) -> None:
        self.season, self.streams, self.row, self.request = season, streams, row, request
        self.by = request.week
        self.service_level = request.service_level or season.service_level
        self.needed = drawn_demand(streams, request)
        self.earliest = earliest_start(season, row)
        self.most = _most(row)
        self._way = Multiplication.of(row)
        self._ready: dict[int, Array] = {}
        self._made: dict[tuple[int, int, int], Cultures] = {}

    def cultures(self, cycles: int, instalments: int, explants: int, start: Week) -> Cultures:
        """Return what comes of a plan; plans that differ by their start alone are grown once."""
        key = (cycles, instalments, explants)
        if key not in self._made:
            kept = self._kept(cycles, instalments)
            self._made[key] = Cultures(self.season, self.row, self.streams, start, explants, kept)
        return self._made[key].but(start=start)

    def chance(self, cultures: Cultures) -> float:
        """Return the chance that a plan suffices."""
        return float(cultures.chances(week=self.by, at_least=self.needed).mean())

    def cost(self, cultures: Cultures) -> float:
        """Return the expected cost of a plan until the week wanted [currency]."""
        return sum(amount for _, _, amount in outlays(cultures, self.by))

    @cached_property
    def tried(self) -> tuple[Tried, ...]:
        """Every number of cycles, and of instalments where shelf or hood are short, each at its best."""
        return tuple(self._each())

    def best(self) -> Tried | None:
        """Return the cheapest plan that suffices; None if none does."""
        found = [one for one in self.tried if one.cultures is not None and not one.why_not]
        return min(found, key=lambda one: (one.cost, one.cycles), default=None)

    def nearest(self) -> Tried | None:
        """Return the plan that comes nearest where none suffices; None if nothing is ready in time."""
        found = [(one.chance, one.cultures.expected(self.by), one) for one in self.tried if one.cultures is not None]
        return max(found, key=lambda ranked: ranked[:2], default=(0.0, 0.0, None))[2]

    def first_week_in_reach(self) -> Week | None:
        """Return about the first later week by which a plan suffices."""
        weeks = []
        for cycles in range(1, self.most_cycles + 1):
            try:
                possible = np.flatnonzero(self._waits(cycles, 1)[1] <= self.most)
            except Refused:
                break
            if possible.size:
                weeks.append(self.earliest + self._way.weeks(cycles) + int(possible[0]))
        later = [week for week in weeks if week > self.by]
        return min(later, default=None)

    @property
    def most_cycles(self) -> int:
        """Most cycles, or rounds of division, that are thought of."""
        return self.row.most_rounds if isinstance(self.row, Division) else self.row.most_cycles

    def alternatives(self) -> pd.DataFrame:
        """Return every plan that was thought of.

        Returns
        -------
        DataFrame
            cycles, instalments (cycles over which rooting is spread), start, explants, potted (plantlets taken into
            the nursery at most), chance, cost [currency] and verdict: chosen, or why not.
        """
        best = self.best()
        rows = []
        for one in self.tried:
            made = one.cultures
            verdict = one.why_not or ("chosen" if best is one else "")
            if not verdict and best is not None:
                verdict = f"costs about {rounded(one.cost - best.cost)} {self.season.currency} more"
            rows.append(
                {
                    "cycles": one.cycles,
                    "instalments": one.instalments,
                    "start": str(made.start) if made else "",
                    "explants": made.explants if made else None,
                    "potted": made.potted if made else None,
                    "chance": round(one.chance, 4) if made else None,
                    "cost": round(one.cost, 2) if made else None,
                    "verdict": verdict,
                }
            )
        return pd.DataFrame(rows).astype({"explants": "Int64", "potted": "Int64", "chance": float, "cost": float})

    def _each(self) -> Iterator[Tried]:
        for cycles in range(1, self.most_cycles + 1):
            try:
                first = self._try(cycles, 1)
            except Refused as error:  # more plants than can be counted, and more still in later cycles
                yield Tried(cycles, 1, None, 0.0, math.inf, error.faults[0].problem)
                return
            yield first
            limited = isinstance(self.row, Culture) and (self.row.shelf_places or self.row.hood_hours)
            short = first.cultures is not None and first.cultures.short > _OFTEN
            if limited and short:
                for instalments in range(2, min(_INSTALMENTS, cycles) + 1):
                    yield self._try(cycles, instalments)

    def _try(self, cycles: int, instalments: int) -> Tried:
        """Find the best start and number of explants for a number of cycles."""
        longest = self._begin(cycles, 0) - self.earliest
        if longest < 0:
            why = f"plantlets come {counted(-longest, 'week')} too late, even if begun in {self.earliest}"
            return Tried(cycles, instalments, None, 0.0, math.inf, why)
        costs, enough = self._waits(cycles, instalments)
        possible = np.flatnonzero((enough <= self.most) & np.isfinite(costs))
        in_time = possible[possible <= longest]
        if not in_time.size:
            late = self._too_late(cycles, instalments, enough)
            if late.chance < self.service_level or late.cultures is None:
                return late
            in_time, enough = np.array([longest]), np.full(enough.shape, float(late.cultures.explants))
        found: list[Tried] = []
        for wait in in_time[np.argsort(costs[in_time], kind="stable")][:_TRIED]:
            start = self._begin(cycles, int(wait))
            smallest = self._smallest(cycles, instalments, start, float(enough[wait]))
            found.append(smallest)
            if smallest.cultures is not None and not smallest.why_not:
                found += self._potting(instalments, smallest.cultures)
        return min(found, key=lambda one: (bool(one.why_not), one.cost if not one.why_not else -one.chance))

    def _too_late(self, cycles: int, instalments: int, enough: Array) -> Tried:
        """Say why no start in time suffices, with what comes of the best that can be done, which may suffice."""
        made = self.cultures(
            cycles, instalments, self.most if self.most < MOST_EXPLANTS else self._usual, self.earliest
        )
        chance = self.chance(made)
        fewer, its = made, chance
        # a shelf full of cultures has no room for what is rooted early
        for _ in range(_FEWER if instalments > 1 else 0):
            if its >= self.service_level or fewer.short <= _OFTEN or fewer.explants == 1:
                break
            fewer = self.cultures(cycles, instalments, fewer.explants * 19 // 20, self.earliest)
            its = self.chance(fewer)
        if its >= self.service_level:
            made, chance = fewer, its
        possible = np.flatnonzero(enough <= self.most)
        if possible.size:
            why = f"would have to begin by {self._begin(cycles, int(possible[0]))}, before {self.earliest}"
        elif made.short > _OFTEN:
            why = self._why_not(made, chance)
        elif math.isfinite(enough.min()):
            why = f"needs about {rounded(float(enough.min()))} to begin with, of {self.most:,}"
        else:
            why = "no number to begin with suffices"
        return Tried(cycles, instalments, made, chance, self.cost(made), why)

    def _smallest(self, cycles: int, instalments: int, start: Week, about: float) -> Tried:
        """Find the smallest number of explants that suffices for a start."""

        def made(explants: int) -> tuple[Cultures, float]:
            cultures = self.cultures(cycles, instalments, explants, start)
            return cultures, self.chance(cultures)

        high = min(max(round(about), 1), self.most)
        low, (cultures, chance) = 0, made(high)
        while chance < self.service_level:
            low = high
            if high >= self.most:
                return Tried(
                    cycles, instalments, cultures, chance, self.cost(cultures), self._why_not(cultures, chance)
                )
            high = min(max(high + 1, math.ceil(high * 1.25)), self.most)
            before = chance
            try:
                cultures, chance = made(high)
            except Refused:
                return Tried(
                    cycles, instalments, cultures, before, self.cost(cultures), self._why_not(cultures, before)
                )
            if low > 8 * about and chance <= before + 1e-3:  # shelf or hood hold back whatever is begun with
                return Tried(
                    cycles, instalments, cultures, chance, self.cost(cultures), self._why_not(cultures, chance)
                )
        while high - low > 1:
            middle = max((low + high) // 2, math.floor(high * 0.9)) if low == 0 else (low + high) // 2
            tried, its = made(middle)
            if its >= self.service_level:
                high, cultures, chance = middle, tried, its
            else:
                low = middle
        return Tried(cycles, instalments, cultures, chance, self.cost(cultures))

    def _potting(self, instalments: int, smallest: Cultures) -> Iterator[Tried]:
        """Begin with more, and take no more plantlets into the nursery than suffice."""
        for more in _MORE:
            explants = min(math.ceil(smallest.explants * more), self.most)
            try:
                made = self.cultures(smallest.cycles, instalments, explants, smallest.start)
                low, high = 0, int(made.plantlets.max())
            except Refused:
                return
            while high - low > max(high // 200, 1):  # plantlets are not counted more exactly than that
                middle = (low + high) // 2
                low, high = (
                    (low, middle) if self.chance(made.but(potted=middle)) >= self.service_level else (middle, high)
                )
            made = made.but(potted=high)
            if (chance := self.chance(made)) >= self.service_level:
                yield Tried(made.cycles, instalments, made, chance, self.cost(made))
            if explants == self.most:
                return

    def _why_not(self, cultures: Cultures, chance: float) -> str:
        short = cultures.shortage.split(";")[0]
        reason = short or f"no more than {self.most:,} to begin with"
        return f"enough in {seasons(chance)}: {reason[0].lower()}{reason[1:]}"

    def _waits(self, cycles: int, instalments: int) -> tuple[Array, Array]:
        """Return about the cost, and about the explants that suffice, for each wait between the last plantlets and sale.

        Plants are taken to grow in proportion to explants; shelf and hood are looked at when a plan is tried.
        """
        usual, first = self._usual, None
        # as many as are about needed, so that shelf and hood are met as they will be
        for _ in range(2):
            made = self.cultures(cycles, instalments, usual, self._begin(cycles, 0))
            waits = range(_LONGEST_WAIT + 1)
            plants = np.zeros((len(waits), self.streams.draws))
            for cycle in made.rounds:
                before = self._way.cycle_weeks * (cycles - cycle)
                plants += made.grown.plantlets[cycle - 1] * self._shares(made, cycle)[before : before + len(waits)]
            with np.errstate(divide="ignore", invalid="ignore"):
                factor = np.where(plants > 0, self.needed / plants, np.inf)
            found = usual * np.quantile(factor, self.service_level, axis=1, method="inverted_cdf")
            best = float(found.min())
            if first is not None and not math.isfinite(best):  # with so few, all is lost too often to tell
                made, usual, enough = first
                break
            enough, first = found, (made, usual, found)
            if not math.isfinite(best) or 0.5 < best / usual < 2:
                break
            usual = int(min(max(round(best), 1), self.most))
        scale = enough / usual
        fixed, each = self._costs(made)
        with np.errstate(invalid="ignore"):
            costs = fixed + scale * np.array([each(wait) for wait in waits])
        return costs, enough

    def _costs(self, made: Cultures) -> tuple[float, Any]:
        """Return the fixed cost, and that in proportion to explants by the wait before sale."""
        spent = outlays(made, made.enters(made.cycles))
        fixed = sum(amount for what, _, amount in spent if what == "beginning")
        variable = sum(amount for _, _, amount in spent) - fixed
        cycle, plants = made.cycles, float(made.plantlets.mean())
        stages, bench = growing_costs(
            self.season, made.variety, made.fates[cycle], _LONGEST_WAIT + 1, self.row.enters
        )  # fmt: skip
        total = np.concatenate([[0.0], np.cumsum(bench)])
        return fixed, lambda wait: variable + plants * (float(total[wait]) + (stages if wait > 0 else 0.0))

    def _shares(self, made: Cultures, cycle: int) -> Array:
        """Return the share of a cycle's plantlets saleable by the weeks since they came, shape (weeks, draws)."""
        last = made.cycles - cycle  # fates are counted from the last
        if last not in self._ready:
            weeks = _LONGEST_WAIT + 1 + last * self._way.cycle_weeks
            self._ready[last] = self._by_wait(made, cycle, weeks)
        return self._ready[last] * made.true(cycle)

    def _by_wait(self, made: Cultures, cycle: int, weeks: int) -> Array:
        """Return the share saleable by the week wanted of plantlets that came 0, 1, 2, ... weeks before."""
        life, every = self.season.variety(made.variety).saleable_weeks, np.arange(weeks, dtype=np.float64)
        if not self.season.by_weather(made.variety):
            return made.fates[cycle].saleable(every, life)
        name, enters = f"culture {made.cycles - cycle}", self.row.enters
        longest = min(weeks - 1, self.by - self.season.first_week)
        shares = np.zeros((weeks, self.streams.draws))
        for wait in range(1, longest + 1):
            fate = draw_fate(
                self.season, self.streams, made.variety, name, self.by + -wait, enters=enters, weeks=wait + 1
            )
            shares[wait] = fate.saleable(every[wait : wait + 1], life)[0]
        return shares

    @property
    def _usual(self) -> int:
        """What to look at first: the explants of the row, or the stock; enough that all is rarely lost."""
        usual = self.row.stock if isinstance(self.row, Division) else self.row.explants
        return int(min(max(usual, _SAFE), self.most))

    def _begin(self, cycles: int, wait: int) -> Week:
        """Return the week to begin in, so that the last plantlets come so long before the week wanted."""
        return self.by + -(self._way.weeks(cycles) + wait)

    def _kept(self, cycles: int, instalments: int) -> list[float]:
        """Keep all, and in the last cycles what keeps their number level, so that rooting is spread over them."""
        kept = [1.0] * (cycles - 1) + [0.0]
        if isinstance(self.row, Culture):
            for cycle in range(cycles - instalments + 1, cycles):
                growth = self.row.multiplication.at(cycle) * (1 - self.row.contamination.at(cycle))
                kept[cycle - 1] = min(1 / growth, 1.0)
        return kept


def _most(row: Culture | Division) -> int:
    if isinstance(row, Division):
        return MOST_EXPLANTS if row.price is not None else row.stock
    return min(row.explants, row.most_explants or row.explants)
