"""The search for how many explants to start with, when, and for how many subcultures."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from forecast.errors import Refused
from forecast.growth.blocks import numbers_of_batch
from forecast.growth.stock import demand_of
from forecast.ordering.unit_costs import growing_costs
from forecast.propagation.cultures import Cultures
from forecast.propagation.initiation import earliest_start
from forecast.propagation.multiplication import Multiplication
from forecast.propagation.outlays import expected_outlays
from forecast.rounding import reaches, round_up
from forecast.season.propagation_rows import Culture, Division
from forecast.season.season import Season
from forecast.season.targets import Target
from forecast.streams import Array, Streams
from forecast.weeks import Week
from forecast.words import propagation as words

MOST_EXPLANTS = 1_000_000
_LONGEST_WAIT = 104  # weeks that plantlets are thought to be grown at most
_MORE = (1.0, 1.15, 1.35, 1.7)  # times the smallest number to begin with, of which fewer plantlets need be potted
_SAFE = 20  # explants of which at least one nearly always lives
_NUMBERS = 10  # that are kept of a subculture in a draw
_TRIED = 2  # starts that are worked out for a number of subcultures
_FEWER = 60  # times a twentieth less: a twentieth of all at last
_OFTEN = 0.02  # a shortage in fewer seasons is no reason to root in several batches
_MOST_BATCHES = 3  # over so many subcultures rooting is spread at most, where shelf or hood run short


@dataclass(frozen=True, eq=False)
class Tried:
    """One plan that was tried: what comes of it, or why it is not enough."""

    cycles: int
    batches: int
    cultures: Cultures | None
    chance: float
    cost: float
    why_not: str = ""


class Search:
    """Search for the cheapest plan that meets a target at its service level, from one row of cultures or divisions."""

    def __init__(self, season: Season, streams: Streams, row: Culture | Division, request: Target) -> None:
        self.season, self.streams, self.row, self.request = season, streams, row, request
        self.by = request.week
        self.service_level = request.promised or season.service_level
        self.needed = demand_of(season, streams, request)
        self.earliest = earliest_start(season, row)
        self._way = Multiplication.from_row(row)
        if isinstance(row, Division):
            self.unit, self.most_cycles, usual = "stock plant", row.most_rounds, row.stock
            self.most = row.stock if row.price is None else MOST_EXPLANTS
        else:
            self.unit, self.most_cycles, usual = "explant", row.most_cycles, row.explants
            self.most = min(row.explants, row.most_explants or row.explants)
        self._usual = min(max(usual, _SAFE), self.most)  # to start with; enough that all is rarely lost
        self._ready: dict[int, Array] = {}
        self._plans = object()  # which its streams keep what comes of

    def cultures(self, cycles: int, batches: int, explants: int, start: Week) -> Cultures:
        """Return what comes of a plan; plans that differ by their start alone are drawn once."""

        def make() -> Cultures:
            return Cultures(self.season, self.row, self.streams, start, explants, self._kept(cycles, batches))

        numbers = _NUMBERS * cycles + batches * numbers_of_batch(self.season, self.row.variety)
        return self.streams.latest((self._plans, cycles, batches, explants), make, numbers).replace(start=start)

    def chance(self, cultures: Cultures) -> float:
        """Return the chance that a plan meets the target."""
        return float(cultures.chances(week=self.by, at_least=self.needed).mean())

    def meets(self, chance: float) -> bool:
        """Return whether a chance is that of the service level or more."""
        return bool(reaches(chance, self.service_level))

    def cost(self, cultures: Cultures) -> float:
        """Return the expected cost of a plan until the week of the target [currency]."""
        return sum(amount for _, _, amount in expected_outlays(cultures, self.by))

    @cached_property
    def tried(self) -> tuple[Tried, ...]:
        """Every number of subcultures, and of rooting batches where shelf or hood run short, each at its best."""
        return tuple(self._each())

    def best(self) -> Tried | None:
        """Return the cheapest plan that meets the target; None if none does."""
        found = [one for one in self.tried if one.cultures is not None and not one.why_not]
        return min(found, key=lambda one: (one.cost, one.cycles), default=None)

    def nearest(self) -> Tried | None:
        """Return the plan that comes nearest where none meets the target; None if nothing is saleable in time."""
        found = [(one.chance, one.cultures.expected(self.by), one) for one in self.tried if one.cultures is not None]
        return max(found, key=lambda ranked: ranked[:2], default=(0.0, 0.0, None))[2]

    def first_week_in_reach(self) -> Week | None:
        """Return about the first later week by which a plan meets the target."""
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

    def alternatives(self) -> pd.DataFrame:
        """Return every plan that was tried.

        Returns
        -------
        DataFrame
            subcultures, batches (of rooting), start, explants, potted (plantlets potted at most), chance, cost
            [currency] and verdict: chosen, or why not.
        """
        best = self.best()
        rows = []
        for one in self.tried:
            made, verdict = one.cultures, one.why_not or ("chosen" if best is one else "")
            if not verdict and best is not None:
                verdict = words.dearer(one.cost - best.cost, self.season.currency)
            row = {"subcultures": one.cycles, "batches": one.batches, "start": str(made.start) if made else ""}
            if made:
                row |= {"explants": made.explants, "potted": made.potted}
                row |= {"chance": round(one.chance, 4), "cost": round(one.cost, 2)}
            rows.append(row | {"verdict": verdict})
        columns = ["subcultures", "batches", "start", "explants", "potted", "chance", "cost", "verdict"]
        frame = pd.DataFrame(rows, columns=columns)
        return frame.astype({"explants": "Int64", "potted": "Int64", "chance": float, "cost": float})

    def _each(self) -> Iterator[Tried]:
        for cycles in range(1, self.most_cycles + 1):
            try:
                first = self._try(cycles, 1)
            except Refused as error:  # more plants than can be counted, and more still in later cycles
                yield Tried(cycles, 1, None, 0.0, math.inf, error.faults[0].problem)
                return
            yield first
            limited = isinstance(self.row, Culture) and (self.row.shelf_places or self.row.hood_hours)
            short = first.cultures is not None and first.cultures.over_capacity > _OFTEN
            if limited and short:
                for batches in range(2, min(_MOST_BATCHES, cycles) + 1):
                    yield self._try(cycles, batches)

    def _try(self, cycles: int, batches: int) -> Tried:
        """Find the best start and number of explants for a number of subcultures."""
        longest = self._begin(cycles, 0) - self.earliest
        if longest < 0:
            why = words.too_late(weeks=-longest, earliest=self.earliest)
            return Tried(cycles, batches, None, 0.0, math.inf, why)
        costs, enough = self._waits(cycles, batches)
        possible = np.flatnonzero((enough <= self.most) & np.isfinite(costs))
        in_time = possible[possible <= longest]
        if not in_time.size:
            late = self._too_late(cycles, batches, enough)
            if not self.meets(late.chance) or late.cultures is None:
                return late
            in_time, enough = np.array([longest]), np.full(enough.shape, float(late.cultures.explants))
        found: list[Tried] = []
        for wait in in_time[np.argsort(costs[in_time], kind="stable")][:_TRIED]:
            start = self._begin(cycles, int(wait))
            smallest = self._smallest(cycles, batches, start, float(enough[wait]))
            found.append(smallest)
            if smallest.cultures is not None and not smallest.why_not:
                found += self._potting(batches, smallest.cultures)
        return min(found, key=lambda one: (bool(one.why_not), one.cost if not one.why_not else -one.chance))

    def _too_late(self, cycles: int, batches: int, enough: Array) -> Tried:
        """Return the best that can be done where no start in time seems enough, and why it is not; it may be."""
        made = self.cultures(cycles, batches, self.most if self.most < MOST_EXPLANTS else self._usual, self.earliest)
        chance = self.chance(made)
        fewer, its = made, chance
        # a shelf full of cultures has no room for what is rooted early
        for _ in range(_FEWER if batches > 1 else 0):
            if self.meets(its) or fewer.over_capacity <= _OFTEN or fewer.explants == 1:
                break
            fewer = self.cultures(cycles, batches, fewer.explants * 19 // 20, self.earliest)
            its = self.chance(fewer)
        if self.meets(its):
            made, chance = fewer, its
        return Tried(cycles, batches, made, chance, self.cost(made), self._reason(cycles, enough, made, chance))

    def _reason(self, cycles: int, enough: Array, made: Cultures, chance: float) -> str:
        possible = np.flatnonzero(enough <= self.most)
        if possible.size:
            return words.start_too_early(needed=self._begin(cycles, int(possible[0])), earliest=self.earliest)
        if made.over_capacity > _OFTEN:
            return self._why_not(made, chance)
        if math.isfinite(enough.min()):
            return words.too_few(needed=float(enough.min()), most=self.most, unit=self.unit)
        return words.never_enough(self.unit)

    def _smallest(self, cycles: int, batches: int, start: Week, about: float) -> Tried:
        """Find the smallest number of explants that is enough for a start."""

        def tried(explants: int) -> Tried:
            made = self.cultures(cycles, batches, explants, start)
            return Tried(cycles, batches, made, self.chance(made), math.nan)

        def result(one: Tried, *, enough: bool) -> Tried:
            assert one.cultures is not None
            why = "" if enough else self._why_not(one.cultures, one.chance)
            return replace(one, cost=self.cost(one.cultures), why_not=why)

        low, high = 0, min(max(round(about), 1), self.most)
        best = tried(high)
        while not self.meets(best.chance):
            low, before = high, best
            if high >= self.most:
                return result(best, enough=False)
            high = min(max(high + 1, round_up(high * 1.25)), self.most)
            try:
                best = tried(high)
            except Refused:
                return result(before, enough=False)
            if low > 8 * about and best.chance <= before.chance + 1e-3:  # shelf or hood limit whatever is started with
                return result(best, enough=False)
        while high - low > 1:
            middle = max((low + high) // 2, math.floor(high * 0.9)) if low == 0 else (low + high) // 2
            fewer = tried(middle)
            if self.meets(fewer.chance):
                high, best = middle, fewer
            else:
                low = middle
        return result(best, enough=True)

    def _potting(self, batches: int, smallest: Cultures) -> Iterator[Tried]:
        """Start with more, and pot no more plantlets than are enough."""
        for more in _MORE:
            explants = min(round_up(smallest.explants * more), self.most)
            try:
                made = self.cultures(smallest.subcultures, batches, explants, smallest.start)
                low, high = 0, int(made.plantlets.max())
            except Refused:
                return
            while high - low > max(high // 200, 1):  # plantlets are not counted more exactly than that
                middle = (low + high) // 2
                enough = self.meets(self.chance(made.replace(potted=middle)))
                low, high = (low, middle) if enough else (middle, high)
            made = made.replace(potted=high)
            if self.meets(chance := self.chance(made)):
                yield Tried(made.subcultures, batches, made, chance, self.cost(made))
            if explants == self.most:
                return

    def _why_not(self, cultures: Cultures, chance: float) -> str:
        short = cultures.shortage()
        if short is None:
            return words.enough_in(chance, words.all_used(most=self.most, unit=self.unit))
        return words.enough_in(chance, words.limit(shelf=short.shelf, cycle=short.cycle, chance=short.chance))

    def _waits(self, cycles: int, batches: int) -> tuple[Array, Array]:
        """Return about the cost, and about the explants that are enough, by the weeks from the last plantlets to sale.

        Plants are taken to grow in proportion to explants; shelf and hood are looked at when a plan is tried.
        """
        usual, first = self._usual, None
        # as many as are about needed, so that shelf and hood are met as they will be
        for _ in range(2):
            made = self.cultures(cycles, batches, usual, self._begin(cycles, 0))
            waits = range(_LONGEST_WAIT + 1)
            plants = np.zeros((len(waits), self.streams.draws))
            for cycle in made.rounds:
                before = self._way.cycle_weeks * (cycles - cycle)
                shares = self._shares(made, cycle)[before : before + len(waits)]
                plants += made.generations.plantlets[cycle - 1] * shares
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
        spent = expected_outlays(made, made.enters(made.subcultures))
        fixed = sum(amount for what, _, amount in spent if what == "initiation")
        variable = sum(amount for _, _, amount in spent) - fixed
        cycle, plants = made.subcultures, float(made.plantlets.mean())
        fate, enters = made.fates[cycle], self.row.enters
        stages, bench = growing_costs(self.season, made.variety, fate, self.by, _LONGEST_WAIT, enters)
        return fixed, lambda wait: variable + plants * (float(bench[wait]) + (stages if wait > 0 else 0.0))

    def _shares(self, made: Cultures, cycle: int) -> Array:
        """Return the share of a cycle's plantlets saleable by the weeks since they came, shape (weeks, draws)."""
        last = made.subcultures - cycle  # fates are counted from the last
        if last not in self._ready:
            self._ready[last] = self._by_wait(made, cycle, _LONGEST_WAIT + 1 + last * self._way.cycle_weeks)
        return self._ready[last] * made.true(cycle)

    def _by_wait(self, made: Cultures, cycle: int, weeks: int) -> Array:
        """Return the share saleable by the week of the target of plantlets that came 0, 1, 2, ... weeks before."""
        life, every = self.season.variety(made.variety).saleable_weeks, np.arange(weeks, dtype=np.float64)
        if not self.season.by_weather(made.variety):
            return made.fates[cycle].saleable(every, life)
        longest = min(weeks - 1, self.by - self.season.first_week)
        shares = np.zeros((weeks, self.streams.draws))
        for wait in range(1, longest + 1):
            fate = made.drawn(cycle, self.by + -wait, wait + 1)
            shares[wait] = fate.saleable(every[wait : wait + 1], life)[0]
        return shares

    def _begin(self, cycles: int, wait: int) -> Week:
        """Return the start with which the last plantlets come so long before the week of the target."""
        return self.by + -(self._way.weeks(cycles) + wait)

    def _kept(self, cycles: int, batches: int) -> list[float]:
        """Return shares that keep all, and in the last subcultures what keeps their number level."""
        kept = [1.0] * (cycles - 1) + [0.0]
        if isinstance(self.row, Culture):
            for cycle in range(cycles - batches + 1, cycles):
                growth = self.row.multiplication.at(cycle) * (1 - self.row.contamination.at(cycle))
                kept[cycle - 1] = min(1 / growth, 1.0)
        return kept
