"""What a search leaves behind for that of a season which differs little: what is the same is not found again."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple, Self

import numpy as np

from forecast.planning.fresh_draws import FreshDraws
from forecast.planning.master import Cut, Duals, MasterProblem
from forecast.planning.pricing import Priced, PricingProblem
from forecast.season.season import Season
from forecast.streams import Array, Streams
from forecast.worth.columns import Aim, Column, Ways
from forecast.worth.dependence import concerns

_COLUMNS = 40  # of a variety that are kept


class Tight(NamedTuple):
    """The duals at which the bound of a search is tightest, and what pricing problems find there, by their items."""

    duals: Duals
    priced: Mapping[int, Priced]


@dataclass(frozen=True, eq=False)
class Kept:
    """What a search knew before it raised any promise."""

    season: Season
    aim: Aim
    streams: Streams
    fresh: FreshDraws
    problems: tuple[PricingProblem, ...]
    columns: tuple[Column, ...]
    plans: tuple[tuple[Column, ...], ...]  # the best one, and the one that keeps promises on fresh draws, too
    cuts: tuple[Cut, ...]
    tails: tuple[Array, ...]
    tight: Tight
    apart: float  # what its linear program left to the bound [currency]
    gap: float  # optimality gap of the first of the searches of which each began with what the one before left

    @classmethod
    def nothing(cls, season: Season, streams: Streams, aim: Aim) -> Self:
        """Return what is known before the first search."""
        even = np.full(streams.draws, 1 / streams.draws)
        duals = Duals(even, 0.0, 1.0, np.zeros(0), np.zeros(0), {}, {})
        fresh = FreshDraws(season, streams)
        return cls(season, aim, streams, fresh, (), (), (), (), (), Tight(duals, {}), 0.0, 0.0)

    def left(
        self, master: MasterProblem, problems: Sequence[PricingProblem], chosen: Sequence[Column], tight: Tight,
        apart: float,
    ) -> Kept:  # fmt: skip
        """Return what a search leaves that began with this."""
        old = {one.key for one in self.columns}
        some: dict[int, list[Column]] = {problem.item: [] for problem in problems}
        for one in (*chosen, *sorted(master.columns, key=lambda one: one.key in old)):  # the new ones first
            if len(some[one.item]) < _COLUMNS and one not in some[one.item]:
                some[one.item].append(one)
        every = tuple(problem.anew(some[problem.item]) for problem in problems)
        columns = tuple(one for each in some.values() for one in each)
        fresh = self.fresh.of(master.season, [problems[item].ways.variety for item in self.known(problems)])
        cuts, tails = tuple(master.cuts), tuple(master.tails)
        plans = (tuple(chosen),)
        return Kept(
            master.season, self.aim, self.streams, fresh, every, columns, plans, cuts, tails, tight, apart, self.gap
        )

    def ended(self, chosen: Sequence[Column], gap: float) -> Kept:
        """Return the same with the plan that the search came to at last, and its optimality gap."""
        return replace(self, plans=(*self.plans, tuple(chosen)), gap=self.gap or gap)

    def suits(self, streams: Streams, aim: Aim) -> bool:
        """Say whether another search has the same draws and aim."""
        return (self.streams.seed, self.streams.draws, self.aim) == (streams.seed, streams.draws, aim)

    def problems_of(self, season: Season, names: Sequence[str]) -> tuple[PricingProblem, ...]:
        """Return the pricing problems of varieties of another season: a copy of what is the same, the others anew."""
        return tuple(self._problem_of(season, item, name) for item, name in enumerate(names))

    def _problem_of(self, season: Season, item: int, name: str) -> PricingProblem:
        old = self.problems[item] if item < len(self.problems) else None
        if old is None or old.ways.variety != name:
            return PricingProblem(item, Ways(season, self.streams, name, aim=self.aim))
        if concerns(self.season, name) == concerns(season, name):
            return old.anew([one for one in self.columns if one.item == item])
        return PricingProblem(item, Ways(season, self.streams, name, aim=self.aim, like=old.ways)).beginning_as(old)

    def begin(self, master: MasterProblem, problems: Sequence[PricingProblem]) -> None:
        """Give a master problem the columns, and the limits that were met."""
        before = master.area(()) if self.cuts else np.zeros(0)
        for cut in self.cuts:
            week = cut.cash_week
            held = before[cut.row, cut.draws].mean() if week is None else 0.0
            bench = (master.benches[cut.row] if week is None else master.spare[week]) - held
            master.cuts.append(cut._replace(bench=float(bench)))
        master.tails += self.tails if master.floor is not None else ()
        for one in (*self.columns, *(one for plan in self.plans for one in plan)):
            if (new := self._like(one, problems)) is not None:
                master.add(new)

    def again(self, problems: Sequence[PricingProblem]) -> Iterator[list[Column]]:
        """Yield the plans of this search, without what cannot be ordered now or does not keep a promise."""
        for plan in self.plans:
            yield [new for one in plan if (new := self._like(one, problems)) is not None]

    def _like(self, column: Column, problems: Sequence[PricingProblem]) -> Column | None:
        return problems[column.item].like(column) if column.item < len(problems) else None

    def known(self, problems: Sequence[PricingProblem]) -> dict[int, Priced]:
        """Return what those pricing problems found that are the same as before, where the bound was tightest."""
        pairs = zip(problems, self.problems, strict=False)
        return {new.item: self.tight.priced[new.item] for new, old in pairs if new.ways.same(old.ways)}
