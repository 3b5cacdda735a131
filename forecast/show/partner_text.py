"""A plan in plain words: how many, how much, how sure, by when, and what could go wrong."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from forecast.growth.outcome import Outcome
from forecast.growth.simulation import simulate
from forecast.growth.stock import drawn_demand
from forecast.growth.summaries import RANGE
from forecast.planning.plan import Aim, Plan
from forecast.resources.bench_use import BenchSpace, bench_space
from forecast.resources.money_flow import CashFlow, cash_flow
from forecast.season.season import Season
from forecast.sensitivity.stress import poorer, share_saleable
from forecast.weeks import Week
from forecast.words.numbers import counted, money, rounded, seasons, signed

LOWER = 0.1  # how much lower survival is tried
_MOST_PLANTS = 0.9  # share of plants that have to be ready for most to be
_BOUGHT = ("deposit", "balance", "freight")


def unpriced(season: Season) -> list[str]:
    """Return the varieties that are wanted without a price at which they are sold."""
    return [name for name in season.targeted if season.variety(name).sale_price is None]


def aim_for(season: Season) -> Aim:
    """Return what to aim at: the margin, or the cost if not everything has a price at which it is sold."""
    return "cost" if unpriced(season) else "margin"


@dataclass(frozen=True, eq=False)
class Told:
    """What a plan says to somebody who was not there when it was made.

    Parameters
    ----------
    plan
        The plan; it orders something.
    """

    plan: Plan

    @cached_property
    def earns(self) -> bool:
        """Whether all that is wanted has a price, so that it can be said what the plan earns."""
        return not unpriced(self.plan.season)

    @cached_property
    def flow(self) -> CashFlow:
        """Where the money goes; only what is paid if not all that is wanted has a price."""
        return self.plan.cash if self.earns else cash_flow(self._simulated(_given_away(self.plan.season)))

    @cached_property
    def space(self) -> BenchSpace:
        """The benches."""
        return bench_space(self.plan.outcome)

    @cached_property
    def poorer(self) -> Outcome:
        """What comes of the same orders in the same draws if survival is lower in every variety."""
        return self._simulated(poorer(self.plan.season, points=LOWER))

    @property
    def questions(self) -> list[tuple[str, list[str]]]:
        """The questions, and one to five sentences in answer to each."""
        return [
            ("How many?", self._how_many()),
            ("How much?", self._how_much()),
            ("How sure?", self._how_sure()),
            ("By when?", self._by_when()),
            ("What could go wrong?", self._risks()),
        ]

    def deliveries(self) -> pd.DataFrame:
        """Return a row of texts for all that one lab sends in one week."""
        rows = []
        for (week, lab), sent in self.plan.table().groupby(["week", "lab"], sort=True):
            what = "; ".join(f"{row.quantity:,} {row.variety}" for row in sent.itertuples())
            rows.append(
                (_day(Week.parse(str(week))), lab, what, f"{sent['quantity'].sum():,}", f"{sent['price'].sum():,.0f}")
            )
        columns = ["delivery", "lab", "plantlets of", "plantlets", f"price, {self.plan.season.currency}"]
        return pd.DataFrame(rows, columns=columns)

    def varieties(self) -> pd.DataFrame:
        """Return a row of texts for each number wanted: how surely it is met, and when most plants are ready."""
        when = self._ready()
        rows = []
        for row in self._wanted.to_dict("records"):
            here = f"{row['median']:,} ({row['p5']:,} to {row['p95']:,})"
            middle, late = when.get(row["variety"], ("", ""))
            chance = f"{100 * row['chance']:.0f} in 100"
            rows.append((row["variety"], row["week"], f"{row['target']:,}", here, chance, middle, late))
        columns = [
            "variety",
            "wanted by",
            "target",
            "there then",
            "seasons in which they suffice",
            "ready",
            "ready late",
        ]
        return pd.DataFrame(rows, columns=columns)

    def served(self, outcome: Outcome) -> float:
        """Return the share of what is wanted that is there in its week [0 to 1], on average over plants and draws."""
        there = asked = 0.0
        for variety in outcome.season.targeted:
            before, after = outcome.on_hand(variety)
            there += float((before - after).mean(axis=1).sum())
            asked += sum(float(drawn_demand(outcome.streams, row).mean()) for row in outcome.season.targets_of(variety))
        return there / asked

    # Each answer

    def _how_many(self) -> list[str]:
        table = self.plan.table()
        weeks = sorted(table["week"])
        said = (
            f"Order {table['quantity'].sum():,} plantlets of {_kinds(table['variety'].nunique())} in "
            f"{counted(len(table), 'order')} from {counted(table['lab'].nunique(), 'lab')}, "
        )
        span = f"delivered {weeks[0]} to {weeks[-1]}" if weeks[0] != weeks[-1] else f"delivered {weeks[0]}"
        return [f"{said}{span}. The table below has what to order from each lab for which week."]

    def _how_much(self) -> list[str]:
        season, currency = self.plan.season, self.plan.season.currency
        entries = self.flow.entries()
        paid = -entries[entries["what"].isin(_BOUGHT)]["amount"].sum()
        deposit = -entries[entries["what"] == "deposit"]["amount"].sum()
        now = f", of it {rounded(deposit)} as deposits when ordering" if deposit > 0.5 else ""
        of = f" of a budget of {rounded(season.budget)}" if season.budget is not None else ""
        said = [
            f"Plants and freight cost about {money(paid, currency)}{now}; with growing, until the last plants are "
            f"sold, about {money(self.plan.cost, currency)}{of}."
        ]
        point = self.flow.low_point
        if self.earns:
            said.append(
                f"Before the first sales pay for it, cash falls to about {money(point.median, currency)} "
                f"({signed(point.p5)} to {signed(point.p95)} in nine seasons of ten), lowest most often in "
                f"{point.week}."
            )
        else:
            said.append(
                f"All of it is paid by {point.week}. Nothing is said of what comes in: {self._without_price()}."
            )
        return said

    def _how_sure(self) -> list[str]:
        outcome, said = self.plan.outcome, []
        if self.earns:
            said.append(f"The season {_margins(self.flow)}.")
            aimed = "The order is the one that earns most, not the one that meets every number: of"
        else:
            aimed = "Of"
        if self.plan.aim == "cost":
            aimed = "Every number is met as surely as the season asks, by itself: of"
        chances = self._wanted["chance"]
        span = seasons(chances.min())
        if round(100 * chances.min()) != round(100 * chances.max()):
            span = f"{100 * chances.min():.0f} to {100 * chances.max():.0f} seasons in 100"
        said.append(
            f"{aimed} 100 plants wanted, about {100 * self.served(outcome):.0f} are there in their week. Each number "
            f"by itself is met in full in {span}, all of them together in {seasons(outcome.chance_of_all())}."
        )
        return said

    def _by_when(self) -> list[str]:
        when = self._ready()
        known = sorted(middle for middle, _ in when.values() if middle != _NEVER)
        if not known:
            return ["Within the season most plants of no variety are ready."]
        span = f"between {known[0]} and {known[-1]}" if known[0] != known[-1] else f"by {known[0]}"
        weeks = sorted({row.week for row in self.plan.season.targets})
        target = f"from {weeks[0]} to {weeks[-1]}" if len(weeks) > 1 else f"in {weeks[0]}"
        return [
            f"Plants are wanted {target}. In half of the seasons nine in ten of the plants that become saleable are "
            f"ready {span}{', depending on the variety' if len(known) > 1 else ''}. {self._latest()}"
        ]

    def _risks(self) -> list[str]:
        return [self._fewer(), self._least_sure(), self._benches(), *self._costly()]

    # What could go wrong

    def _fewer(self) -> str:
        (through, there), (fewer, then) = (
            (100 * share_saleable(outcome), 100 * self.served(outcome)) for outcome in (self.plan.outcome, self.poorer)
        )
        said = (
            f"Survival ten points lower in every variety (in the weather that was drawn, {fewer:.0f} of 100 plantlets "
            f"become saleable, not {through:.0f}): with the same orders about {then:.0f} of 100 plants wanted are "
            f"there in their week, not {there:.0f}; all numbers are met in {seasons(self.poorer.chance_of_all())}."
        )
        if not self.earns:
            return said
        flow = cash_flow(self.poorer)
        less = float((self.plan.cash.margin - flow.margin).mean())
        return f"{said} The season then {_margins(flow)}. That is about {money(less, self.plan.season.currency)} less."

    def _least_sure(self) -> str:
        row = min(self._wanted.to_dict("records"), key=lambda one: one["chance"])
        return (
            f"Least sure: the {row['target']:,} {row['variety']} wanted by {row['week']}, there in "
            f"{seasons(row['chance'])}; in one season of twenty there are {rounded(row['p5'])} or fewer."
        )

    def _latest(self) -> str:
        """Say which variety is latest, beside the last week in which it is wanted."""
        last = {row.variety: row.week for row in sorted(self.plan.season.targets, key=lambda row: row.week)}
        late = {name: when for name, (_, when) in self._ready().items() if name in last}
        if not late:
            return ""
        name = max(late, key=lambda one: _after(late[one], last[one]))
        weeks = _after(late[name], last[name])
        said = f"Latest is {name}: in one season of twenty"
        if math.isinf(weeks):
            return f"{said} they are not ready within the season; the last are wanted in {last[name]}."
        if weeks <= 0:
            return f"{said} they are ready only by {late[name]}, in time for {last[name]}, when the last are wanted."
        return f"{said} they are ready only by {late[name]}, {counted(int(weeks), 'week')} after the last are wanted."

    def _benches(self) -> str:
        over = {place: chance for place, chance in self.space.overruns.items() if chance > 0}
        if not over:
            return "Benches: all places suffice in all seasons that were imagined."
        said = "; ".join(f"{place} overruns in {seasons(chance)}" for place, chance in over.items())
        return f"Benches: {said}."

    def _costly(self) -> list[str]:
        season, low = self.plan.season, self.flow.low_point.p5
        said = []
        if self.earns:
            paid = money(-low, season.currency)
            said.append(f"Money: in one season of twenty {paid} or more has to be paid before it comes back.")
        if season.budget is not None and self.plan.cost > season.budget:
            said.append(f"The budget of {money(season.budget, season.currency)} does not suffice.")
        return said

    # What the answers rest on

    @cached_property
    def _wanted(self) -> pd.DataFrame:
        """Each number wanted, those of which nothing is ordered, too."""
        rows = self.plan.outcome.targets()
        missing = [row for row in self.plan.season.targets if row.variety not in self.plan.outcome.varieties]
        more = [(row.variety, str(row.week), row.median_demand, 0, 0, 0, 0.0) for row in missing]
        return pd.concat([rows, pd.DataFrame(more, columns=rows.columns)], ignore_index=True) if more else rows

    def _ready(self) -> dict[str, tuple[str, str]]:
        """Return by variety the week in which most plants are ready: in half of the draws by then, and in 19 of 20."""
        outcome, found = self.plan.outcome, {}
        names = [*map(str, outcome.weeks), _NEVER]
        for variety in outcome.varieties:
            ready = outcome.ready[variety]
            there = (ready >= np.maximum(_MOST_PLANTS * ready[-1], 1)).argmax(axis=0)
            at = np.where(ready[-1] > 0, there, len(outcome.weeks))
            middle, late = np.quantile(at, RANGE[1:], method="inverted_cdf").tolist()
            found[variety] = (names[middle], names[late])
        return found

    def _without_price(self) -> str:
        names = unpriced(self.plan.season)
        shown = ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")
        return f"{shown} {'has' if len(names) == 1 else 'have'} no sale price"

    def _simulated(self, season: Season) -> Outcome:
        return simulate(season, self.plan.orders, draws=self.plan.draws, seed=self.plan.seed)


_NEVER = "not in the season"


def _given_away(season: Season) -> Season:
    """Make a season in which nothing is sold for money, so that only what is paid is counted."""
    none = dict.fromkeys(("markdown_price", "yearly_fall", "lowest_price"))
    return season.replace(varieties=tuple(row.replace(sale_price=0, **none) for row in season.varieties))


def _margins(flow: CashFlow) -> str:
    """Say what a season earns, as a part of a sentence."""
    currency = flow._outcome.season.currency
    low, _, high = np.quantile(flow.margin, RANGE)
    return (
        f"earns about {money(float(flow.margin.mean()), currency)} on average ({signed(low)} to {signed(high)} in "
        f"nine seasons of ten), in the worst tenth of seasons about {money(flow.worst_tenth(), currency)}; it makes a "
        f"loss in {seasons(flow.chance_of_loss)}"
    )


def _after(week: str, target: Week) -> float:
    """Return how many weeks after another a week is; infinite if it never comes."""
    return math.inf if week == _NEVER else Week.parse(week) - target


def _day(week: Week) -> str:
    """Write a week with its Monday."""
    return f"{week}, {week.monday.day} {week.monday:%b %Y}"


def _kinds(number: int) -> str:
    return "1 variety" if number == 1 else f"{number} varieties"
