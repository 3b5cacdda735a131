"""What a plan reaches of each target, what more would take, and what it grows on purpose to be marked down."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import cached_property
from typing import NamedTuple

import pandas as pd

from forecast.growth.draws import KeptDraws
from forecast.growth.outcome import Outcome
from forecast.growth.simulation import batches_of
from forecast.ordering.shipments import Shipment, bill
from forecast.resources.money_flow import CashFlow, cash_flow
from forecast.rounding import reaches
from forecast.season.season import Season
from forecast.season.targets import Target
from forecast.words import orders as words

_MOST = 16  # times the plants of a delivery: more are not looked at
_STATED = ["variety", "channel", "week", "until", "promised", "promised_share"]
_MORE = ["more_cost", "more_income"]
_INCOME = ("sales", "markdown")
_GROWING = ("stages", "materials", "work", "bench")


class More(NamedTuple):
    """How many more plants bring a target to its level, what they cost, and what they bring back [currency].

    The last is None if a variety with a target has no sale price.
    """

    plants: int
    cost: float
    income: float | None


class Surplus(NamedTuple):
    """Plants of a variety that are grown on purpose to be marked down, of so many ordered, and their price [currency].

    They are: at that price one more plantlet brings more than it costs.
    """

    variety: str
    plants: float
    ordered: int
    price: float
    currency: str

    def __str__(self) -> str:
        return words.surplus(**self._asdict())


class _Money(NamedTuple):
    """What the plants of a variety cost once they are there, and bring in [currency], on average."""

    growing: float
    income: float
    markdown: float


class Reached:
    """What comes of the targets of a plan: its orders, what comes of them, and the money; None without sale prices.

    Of orders that are `settled` there can be no more.
    """

    def __init__(
        self, outcome: Outcome, shipments: Sequence[Shipment], flow: CashFlow | None, settled: Sequence[Shipment] = ()
    ) -> None:
        self.season, self._outcome, self._flow = outcome.season, outcome, flow
        self._shipments, self._settled = tuple(shipments), tuple(settled)
        self._priced = given_away(self.season) if flow is None else self.season

    @cached_property
    def _entries(self) -> pd.DataFrame:
        if self._flow is not None:
            return self._flow.entries()
        fates = map(self._outcome.fate, self._outcome.batches)
        return cash_flow(
            Outcome(KeptDraws(self._priced, self._outcome.batches, fates, self._outcome.streams))
        ).entries()

    @cached_property
    def _paid(self) -> float:
        return bill([*self._settled, *self._shipments]).total

    @property
    def cost(self) -> float:
        """What is paid and grown in all, plants on hand included [currency], on average."""
        amounts = self._entries["amount"]
        return -float(amounts[amounts < 0].sum())

    def table(self, *varieties: str) -> pd.DataFrame:
        """Return the rows of `Plan.targets`, of some varieties or of all."""
        rows = [cells for variety in varieties or self.season.targeted for cells in self._rows(variety)]
        columns = [*_STATED, "target", "chance", "sold", "short", "level", "more_plants", *_MORE]
        frame = pd.DataFrame(rows, columns=columns).astype({"more_plants": "Int64"})
        frame = frame.drop(columns=[name for name in _STATED if frame[name].isna().all()])
        money = frame[_MORE].astype(float)
        return frame.assign(**money).round({"chance": 4, "sold": 1, "short": 1, "more_cost": 2, "more_income": 2})

    def surplus(self) -> tuple[Surplus, ...]:
        """Return what is grown on purpose to be marked down, by variety."""
        found = (self._surplus(variety) for variety in self._outcome.varieties)
        return tuple(one for one in found if one is not None)

    def _rows(self, variety: str) -> Iterator[tuple[object, ...]]:
        season, outcome = self.season, self._outcome
        ordered = variety in outcome.varieties
        chances = outcome.targets(variety)["chance"].tolist() if ordered else []
        made = outcome.sold(variety)
        for at, row in enumerate(season.targets_of(variety)):
            level, chance = row.promised or season.service_level, chances[at] if ordered else 0.0
            sold, short = float(made.total(at).mean()), float(made.missing(at).mean())
            more = More(0, 0.0, 0.0) if reaches(chance, level) else self._more(row, at, level)
            found = (more.plants, more.cost, more.income) if more else (None, None, None)
            until = None if row.until is None else str(row.until)
            stated = variety, row.channel, str(row.week), until, row.promised, row.promised_share, row.median_demand
            yield (*stated, chance, sold, short, level, *found)

    def _more(self, row: Target, at: int, level: float) -> More | None:
        """Return what brings a target to a level, on one of the deliveries of its variety: what costs least."""
        found: list[tuple[float, Shipment, Shipment]] = []
        for one in self.timely(row):
            if larger := self.enough(one, at, level):
                more = larger.quantity - one.quantity
                found.append((self._dearer(one, larger) + more * self.growing(row.variety), one, larger))
        if not found:
            return None
        _, one, larger = min(found, key=lambda each: each[0])
        then, now = _money(cash_flow(self.grown(one, larger)).entries()), self._money(row.variety)
        cost = self._dearer(one, larger) + then.growing - now.growing
        return More(larger.quantity - one.quantity, cost, None if self._flow is None else then.income - now.income)

    def enough(self, one: Shipment, at: int, level: float, *, orderable: bool = True) -> Shipment | None:
        """Return the same shipment with the fewest plants that bring a target to a level; None if none do.

        Of those that the lab accepts, or of all whole numbers.
        """
        accepted = one.prices.orderable if orderable else math.ceil

        def reached(quantity: int) -> bool:
            grown = self.grown(one, replace(one, quantity=quantity))
            return bool(reaches(grown.targets(one.variety)["chance"].iloc[at], level))

        low, high, step = 0, one.quantity, max(one.prices.breaks[-1].multiple, one.quantity // 8)
        while not reached(high):
            if high > _MOST * one.quantity:
                return None
            low, high = high, accepted(high + step)
            step *= 2
        while accepted(low + 1) < high:
            middle = accepted(max((low + high) // 2, low + 1))
            if middle >= high:
                middle = accepted(low + 1)
            low, high = (low, middle) if reached(middle) else (middle, high)
        return replace(one, quantity=high)

    def timely(self, row: Target) -> list[Shipment]:
        """Return the deliveries of the variety of a target that come before its sale ends."""
        return [one for one in self._of(row.variety) if one.week <= row.last]

    def grown(self, one: Shipment, other: Shipment) -> Outcome:
        """Return what comes of one variety alone, in the same draws, with another shipment in the place of one."""
        own = [other if each is one else each for each in self._of(one.variety)]
        every = batches_of(self.season, [*(each for each in self._settled if each.variety == one.variety), *own])
        batches = [batch for batch in every if batch.variety == one.variety]  # plants on hand of others apart
        fates = map(self._outcome.fate, self._outcome.drawn.batches_of(one.variety))
        return Outcome(KeptDraws(self._priced, batches, fates, self._outcome.streams))

    def growing(self, variety: str) -> float:
        """Return what it costs to grow a plant of a variety, ordered or on hand [currency], on average."""
        return self._money(variety).growing / self._plants(variety)

    def _surplus(self, variety: str) -> Surplus | None:
        season, own = self.season, self._of(variety)
        price, ordered = season.variety(variety).markdown_price, sum(one.quantity for one in own)
        if not price or self._flow is None or not ordered:
            return None
        money, every = self._money(variety), self._plants(variety)
        share, plants = float(self._outcome.ready(variety)[-1].mean()) / every, money.markdown / price
        last = max(map(landed, own)) + money.growing / every
        if plants < 0.5 or price * share <= last:
            return None
        return Surplus(variety, plants, ordered, price, season.currency)

    def _plants(self, variety: str) -> int:
        """Return the plants of a variety that are ordered or on hand."""
        return sum(batch.quantity for batch in self._outcome.drawn.batches_of(variety))

    def _of(self, variety: str) -> list[Shipment]:
        return [one for one in self._shipments if one.variety == variety]

    def _dearer(self, one: Shipment, larger: Shipment) -> float:
        """Return how much more plants and freight cost if a shipment is larger [currency]."""
        every = [*self._settled, *(larger if each is one else each for each in self._shipments)]
        return bill(every).total - self._paid

    def _money(self, variety: str) -> _Money:
        return _money(self._entries[self._entries["variety"] == variety])


def income(outcome: Outcome) -> float:
    """Return what sales and markdown of an outcome bring in [currency], on average."""
    return _money(cash_flow(outcome).entries()).income


def landed(one: Shipment) -> float:
    """Return what one more plantlet of a shipment costs with its freight [currency], boxes being filled."""
    return one.line.unit_price + (one.box.each if one.box else 0.0)


def _money(entries: pd.DataFrame) -> _Money:
    amounts = entries.groupby("what")["amount"].sum()
    growing, income = (float(amounts.reindex(names).fillna(0.0).sum()) for names in (_GROWING, _INCOME))
    return _Money(-growing, income, float(amounts.get("markdown", 0.0)))


def given_away(season: Season) -> Season:
    """Return a season in which nothing is sold for money, so that only payments count."""
    none = dict.fromkeys(("markdown_price", "yearly_fall", "lowest_price"))
    varieties = tuple(row.replace(sale_price=0, **none) for row in season.varieties)
    return season.replace(
        varieties=varieties, targets=tuple(row.replace(price=None, price_end=None) for row in season.targets)
    )
