"""A plan in short: how many, how much, how sure, by when, and what could go wrong."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from forecast.growth.outcome import Outcome
from forecast.growth.simulation import simulate
from forecast.growth.summaries import RANGE
from forecast.ordering.shipments import placed
from forecast.planning.plan import Plan
from forecast.resources.bench_use import BenchSpace, bench_space
from forecast.resources.money_flow import CashFlow, cash_flow
from forecast.resources.reached import given_away
from forecast.season.consistency import unpriced
from forecast.season.season import Season
from forecast.sensitivity.stress import poorer, share_saleable
from forecast.weeks import Week
from forecast.words import partner as words
from forecast.words.numbers import dated
from forecast.words.orders import costs, over_budget, target, target_columns
from forecast.words.resources import within_overdraft
from forecast.words.results import records

LOWER = 0.1  # how much lower survival is tried
_MOST_PLANTS = 0.9  # share of plants that have to be ready for most to be
_BOUGHT = ("deposit", "balance", "freight")


@dataclass(frozen=True, eq=False)
class Summary:
    """What a plan that orders something means to somebody who was not there when it was made."""

    plan: Plan

    @property
    def _unpriced(self) -> list[str]:
        return [*unpriced(self.plan.season.varieties, self.plan.season.targets)]

    @cached_property
    def earns(self) -> bool:
        """Whether every variety with a target has a price, so that the margin of the plan is known."""
        return not self._unpriced

    @cached_property
    def flow(self) -> CashFlow:
        """Where the money goes; payments only if a price is missing."""
        return self.plan.cash_flow() if self.earns else cash_flow(self._simulated(given_away(self.plan.season)))

    @cached_property
    def space(self) -> BenchSpace:
        """The benches."""
        return bench_space(self.plan.simulate())

    @cached_property
    def poorer(self) -> Outcome:
        """What comes of the same orders in the same draws if survival is lower in every variety."""
        return self._simulated(poorer(self.plan.season, points=LOWER))

    def answers(self) -> list[tuple[str, list[str]]]:
        """Return the questions, and sentences in answer to each."""
        answers = (self._how_many(), self._how_much(), self._how_sure(), self._by_when(), self._risks())
        return list(zip(words.QUESTIONS, answers, strict=True))

    def deliveries(self) -> pd.DataFrame:
        """Return a row of texts for all that one lab sends in one week."""
        rows = []
        for (week, lab), sent in self.plan.table().groupby(["week", "lab"], sort=True):
            what = "; ".join(f"{row.quantity:,} {row.variety}" for row in sent.itertuples())
            rows.append((dated(str(week)), lab, what, f"{sent['quantity'].sum():,}", f"{sent['price'].sum():,.0f}"))
        return pd.DataFrame(rows, columns=words.delivery_columns(self.plan.season.currency))

    def targets(self) -> pd.DataFrame:
        """Return a row of texts for each target: what is reached, what more takes, and when most plants are ready."""
        rows, currency = records(self._targets), self.plan.season.currency
        columns = target_columns(rows, currency)
        found = pd.DataFrame([target(row, currency) for row in rows])[list(columns)].rename(columns=columns)
        weeks = [self._ready.get(row["variety"]) for row in rows]
        ready = [["" if both is None else str(both[at] or words.NEVER) for both in weeks] for at in range(2)]
        return found.assign(**dict(zip(words.READY_COLUMNS, ready, strict=True)))

    def fill_rate(self, outcome: Outcome) -> float:
        """Return the share of plants needed that are ready in their week [0 to 1], on average over plants and draws."""
        there = asked = 0.0
        for variety in dict.fromkeys(row.variety for row in outcome.season.targets):
            sold = outcome.sold(variety)
            for at in range(len(sold.buyers.rows)):
                there += float(sold.total(at).mean())
                asked += float((sold.total(at) + sold.missing(at)).mean())
        return there / asked

    # Each answer

    def _how_many(self) -> list[str]:
        table = self.plan.table()
        weeks = [Week.parse(week) for week in sorted(table["week"])]
        return [
            *map(str, self.plan.surplus),
            words.how_many(
                plantlets=int(table["quantity"].sum()), varieties=table["variety"].nunique(), lines=len(table),
                labs=table["lab"].nunique(), first=weeks[0], last=weeks[-1],
            ),
            *filter(None, [self.plan.in_any_case]),
            *map(str, self.plan.excess),
        ]  # fmt: skip

    def _how_much(self) -> list[str]:
        season, point, entries = self.plan.season, self.flow.low_point, self.flow.entries()
        paid = -entries[entries["what"].isin(_BOUGHT)]["amount"].sum()
        deposits = -entries[entries["what"] == "deposit"]["amount"].sum()
        spent = costs(
            purchase=paid, deposits=deposits, total=self.plan.cost, budget=season.budget, currency=season.currency
        )
        if not self.earns:
            return [spent, words.all_paid(week=point.week, unpriced=self._unpriced)]
        return [spent, words.lowest_cash(**vars(point), currency=season.currency)]

    def _how_sure(self) -> list[str]:
        outcome, chances = self.plan.simulate(), self._targets["chance"]
        return [
            *([_margin("The season", self.flow)] if self.earns else []),
            words.fill_rate(
                aim=self.plan.aim,
                share=self.fill_rate(outcome),
                short=self.plan.weighs_shortage,
                promised=any(row.promised for row in self.plan.season.targets),
            ),
            words.targets_met(
                targets=len(chances), low=chances.min(), high=chances.max(), together=outcome.chance_of_all()
            ),
        ]

    def _by_when(self) -> list[str]:
        ready = sorted(week for week, _ in self._ready.values() if week)
        targets = sorted({week for row in self.plan.season.targets for week in (row.week, row.last)})
        return [" ".join([words.when_ready(targets=targets, ready=ready), *self._latest()])]

    def _risks(self) -> list[str]:
        season, row = self.plan.season, min(records(self._targets), key=lambda one: one["chance"])
        tightest = words.tightest(row)
        over = {place: chance for place, chance in self.space.overruns.items() if chance > 0}
        risks = [self._lower_survival(), tightest, words.benches(over)]
        if self.earns:
            needed = (season.opening_cash or 0.0) - self.flow.low_point.p5
            risks.append(words.cash_needed(amount=needed, currency=season.currency))
            overdrawn = self.flow.chance_overdrawn
            if season.overdraft is not None and overdrawn is not None:
                risks[-1] = f"{risks[-1]} {within_overdraft(season.overdraft, overdrawn, season.currency)}"
        if season.budget is not None and self.plan.paid > season.budget:
            risks.append(over_budget(budget=season.budget, currency=season.currency))
        return risks

    def _lower_survival(self) -> str:
        now, then = self.plan.simulate(), self.poorer
        text = words.lower_survival(
            points=LOWER, through=share_saleable(now), fewer=share_saleable(then), served=self.fill_rate(now),
            then=self.fill_rate(then), together=then.chance_of_all(),
        )  # fmt: skip
        if not self.earns:
            return text
        flow = cash_flow(then)
        less = float((self.flow.margin - flow.margin).mean())
        lower = words.less_than_now(amount=less, currency=flow.currency)
        return f"{text} {_margin('The season then', flow)} {lower}"

    def _latest(self) -> list[str]:
        """Return which variety is latest beside the last week in which it is needed, if any is."""
        last = {row.variety: row.last for row in sorted(self.plan.season.targets, key=lambda row: row.last)}
        late = {name: week for name, (_, week) in self._ready.items() if name in last}
        if not late:
            return []
        name = max(late, key=lambda name: math.inf if (week := late[name]) is None else week - last[name])
        return [words.latest(variety=name, ready=late[name], target=last[name])]

    # What the answers rest on

    @cached_property
    def _targets(self) -> pd.DataFrame:
        return self.plan.targets()

    @cached_property
    def _ready(self) -> dict[str, tuple[Week | None, Week | None]]:
        """By variety the week in which most plants are ready: in half of the draws by then, and in 19 of 20."""
        outcome, found = self.plan.simulate(), {}
        weeks = [*outcome.weeks, None]
        for variety in outcome.varieties:
            ready = outcome.ready(variety)
            there = (ready >= np.maximum(_MOST_PLANTS * ready[-1], 1)).argmax(axis=0)
            at = np.where(ready[-1] > 0, there, len(outcome.weeks))
            median, late = np.quantile(at, RANGE[1:], method="inverted_cdf").tolist()
            found[variety] = (weeks[median], weeks[late])
        return found

    def _simulated(self, season: Season) -> Outcome:
        return simulate(season, (*placed(season), *self.plan.shipments), draws=self.plan.draws, seed=self.plan.seed)


def _margin(subject: str, flow: CashFlow) -> str:
    p5, _, p95 = np.quantile(flow.margin, RANGE)
    return words.margin(
        subject=subject, mean=float(flow.margin.mean()), p5=p5, p95=p95, worst=flow.worst_tenth(),
        loss=flow.chance_of_loss, currency=flow.currency, fixed_costs=flow.fixed_costs,
    )  # fmt: skip
