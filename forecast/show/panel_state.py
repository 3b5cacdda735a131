"""The live panel without its looks: from a position of the sliders to sentences, numbers and data of charts."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, NamedTuple

import pandas as pd

from forecast.charts.base import dated, sold_in
from forecast.errors import refuse
from forecast.growth.draws import KeptDraws
from forecast.growth.outcome import Outcome
from forecast.growth.simulation import outcome_of, simulate, streams_of
from forecast.ordering.shipments import shipment_of
from forecast.planning.whole_order import aim_for, plan_orders
from forecast.resources.bench_use import space_taken
from forecast.resources.money_flow import CashFlow, cash_flow
from forecast.resources.reached import Reached, given_away
from forecast.season.consistency import unpriced
from forecast.season.orders import Delivery
from forecast.season.season import Season
from forecast.show import panel_sliders as sliders
from forecast.show.panel_sliders import Asked, Slider
from forecast.streams import Array
from forecast.weeks import Week
from forecast.words import partner as words
from forecast.words.numbers import money, seasons
from forecast.words.results import records

_ANSWERS, _OUTCOMES = 256, 16  # that are remembered


@dataclass(frozen=True, eq=False)
class Answer:
    """What comes of one position of the sliders.

    With its season and all its orders every other call gives the same numbers. `plants` are those ordered of the
    variety; `chance` [0 to 1] is that of the target which is met least often; `cost` and `margin` [currency] are as
    `cash_flow` has them, with no margin without a sale price. The tables are by week, as charts take them; `fullest`
    says of each place how full it gets.
    """

    season: Season
    orders: tuple[Delivery, ...]
    sentence: str
    plants: int
    chance: float
    cost: float
    margin: float | None
    saleable: pd.DataFrame = field(repr=False)
    target: pd.DataFrame = field(repr=False)
    benches: dict[str, pd.DataFrame] = field(repr=False)
    fullest: dict[str, str] = field(repr=False)

    def against(self, base: Answer) -> str:
        """Return how this differs from another answer: plants, chance, cost and margin."""
        return words.difference(
            plantlets=self.plants - base.plants,
            seasons_more=round(20 * self.chance) - round(20 * base.chance),
            cost=self.cost - base.cost,
            margin=(self.margin or 0.0) - (base.margin or 0.0),
            currency=self.season.currency,
        )


class _Unpriced(NamedTuple):
    """What the sale price does not change: the orders, their sentences, what comes of them, and how it is shown."""

    orders: tuple[Delivery, ...]
    sentences: tuple[str, ...]
    own: Outcome
    target: pd.DataFrame
    saleable: pd.DataFrame
    benches: dict[str, pd.DataFrame]
    fullest: dict[str, str]


class WhatIf:
    """What can be asked of one variety's orders by sliders, on draws that stay the same; see `what_if`."""

    def __init__(
        self, season: Season, variety: str | None = None, *, orders: Any = None, draws: int, seed: int | None = None
    ) -> None:
        seed = season.seed if seed is None else seed
        self._streams = streams_of(season, draws, seed)
        if orders is None:
            given = plan_orders(season, draws=draws, seed=seed, aim=aim_for(season)).orders
        else:
            batches = simulate(season, orders, draws=draws, seed=seed).ordered
            given = tuple(batch.delivery for batch in batches if batch.quantity)
        self.variety = _chosen(season, variety, {row.variety for row in given}, planned=orders is None)
        self._earns = not unpriced(season.varieties, season.targets_of(self.variety))
        own = tuple(row for row in given if row.variety == self.variety)
        self._beside = tuple(row for row in given if row.variety != self.variety)
        self._flow(season, self._grown(season, own, [self.variety]))  # refuses what no price-list line covers
        self._stage = sliders.least_certain(season, self.variety)
        self._asked = Asked(season, own)
        self.sliders = tuple(self._sliders())
        self.base = tuple(slider.base for slider in self.sliders)
        weeks = [value for slider in self.sliders for value in slider.values if isinstance(value, Week)]
        self._first = str(min([*weeks, *(row.week for row in self._beside)]))
        apart = [
            row.variety for row in season.varieties if row.variety != self.variety and not self._shares(row.variety)
        ]
        self._apart = self._grown(season, self._beside, apart)
        self._others = lru_cache(_OUTCOMES)(self._grown_beside)
        self._unpriced = lru_cache(_OUTCOMES)(self._without_price)
        self._answers = lru_cache(_ANSWERS)(self._answered)

    def answer(self, at: Sequence[int] | None = None) -> Answer:
        """Return what comes of a position of the sliders, one number for each; of the base plan if not given."""
        asked = self.base if at is None else tuple(at)
        if len(asked) != len(self.sliders) or any(
            not 0 <= to < len(slider.values) for to, slider in zip(asked, self.sliders, strict=True)
        ):
            most = ", ".join(str(len(slider.values) - 1) for slider in self.sliders)
            raise refuse("at", str(list(asked)), "no such position", f"Give numbers from 0 to {most}.")
        return self._answers(asked)

    def side_by_side(self, at: Sequence[int] | None = None, kept: Iterable[Sequence[int]] = ()) -> pd.DataFrame:
        """Return the base plan, what is asked now and the scenarios that were kept, in words, a column for each."""
        base = self.answer()
        columns = {words.BASE_PLAN: self.base, words.NOW: self.base if at is None else tuple(at)}
        columns |= {f"{words.SCENARIO} {number}": tuple(one) for number, one in enumerate(kept, start=1)}
        return pd.DataFrame({name: self._column(one, base, name) for name, one in columns.items()})

    def _column(self, at: tuple[int, ...], base: Answer, name: str) -> dict[str, str]:
        answer = self.answer(at)
        currency = answer.season.currency
        moved = [
            f"{slider.label.split(' [')[0]}: {slider.texts[to]}"
            for slider, to in zip(self.sliders, at, strict=True)
            if to != slider.base
        ]
        cells = {
            words.ROWS["differs"]: "; ".join(moved) or "nothing",
            words.ROWS["plantlets"]: f"{answer.plants:,}",
            words.ROWS["met"]: seasons(answer.chance),
            words.ROWS["cost"]: money(answer.cost, currency),
        }
        if answer.margin is not None:
            cells[words.ROWS["margin"]] = money(answer.margin, currency)
        cells |= {f"{place}, at its fullest": text for place, text in answer.fullest.items()}
        return cells | {words.ROWS["against"]: "" if name == words.BASE_PLAN else answer.against(base)}

    def shown(self, at: Sequence[int], kept: Iterable[Sequence[int]] = ()) -> dict[str, Any]:
        """Return all that the panel shows of a position, as plain values: sentences, data of charts, and the table."""
        answer, base = self.answer(at), self.answer()
        table = self.side_by_side(at, kept)
        return {
            "sentence": answer.sentence,
            "difference": answer.against(base),
            "described": words.panel_described(answer.sentence, answer.fullest),
            "data": {
                "saleable": _beside(answer.saleable, base.saleable),
                "target": answer.target.to_dict("records"),
                **{f"bench {place}": _beside(rows, base.benches[place]) for place, rows in answer.benches.items()},
            },
            "columns": list(table.columns),
            "rows": [[name, *cells] for name, *cells in table.itertuples()],
        }

    # How an answer is found

    def _sliders(self) -> Iterator[Slider]:
        asked = self._asked
        targets = asked.season.targets_of(self.variety)
        if self._stage:
            yield sliders.survival(asked, self._stage)
        for at in range(len(asked.orders)):
            yield from sliders.ordered(asked, at, targets[-1].last)
        for at in range(len(targets)):
            yield sliders.target(asked, self.variety, at)
        yield from sliders.price(asked, self.variety)

    def _moved(self, at: Sequence[int]) -> Asked:
        asked = self._asked
        for slider, to in zip(self.sliders, at, strict=True):
            asked = slider.moved(asked, to)
        return asked

    def _answered(self, at: tuple[int, ...]) -> Answer:
        season = self._moved(at).season
        price = season.variety(self.variety).sale_price
        found = self._unpriced((*at[:-1], self.base[-1]) if price else at)  # the price comes last
        chance = float(found.target["chance"].min())
        cost, margin = self._sums(season, found)
        sentences = [*found.sentences, words.costs(cost=cost, price=price, margin=margin, currency=season.currency)]
        orders, plants = (*found.orders, *self._beside), sum(row.quantity for row in found.orders)
        target = sold_in(found.target)
        drawn = (found.saleable, target, found.benches, found.fullest)
        return Answer(season, orders, "\n".join(sentences), plants, chance, cost, margin, *drawn)

    def _without_price(self, at: tuple[int, ...]) -> _Unpriced:
        asked = self._moved(at)
        own = self._grown(asked.season, asked.orders, [self.variety])
        target = own.targets(self.variety)
        areas = zip(own.drawn.area(), self._others(at[0] if self._stage else 0), strict=True)
        space = space_taken(own, *(one + beside for one, beside in areas))
        weekly = dated(space.table()[["week", "p5", "median", "p95", "available"]])
        places = [(place, weekly[space.table()["place"] == place]) for place in asked.season.place_names]

        def from_first(table: pd.DataFrame) -> pd.DataFrame:
            return table[table["week"] >= self._first]  # before it no delivery can come

        return _Unpriced(
            orders=asked.orders,
            sentences=self._sentences(own, target),
            own=own,
            target=target,
            saleable=from_first(dated(own.table(self.variety, sold=True))),
            benches={place: from_first(rows) for place, rows in places},
            fullest={place: _fullest(rows, space.overruns[place]) for place, rows in places},
        )

    def _sentences(self, own: Outcome, target: pd.DataFrame) -> tuple[str, ...]:
        """Return what is ordered, what comes of each target, and how many more plants its level would take."""
        season = own.season
        shipments = [shipment_of(season, row.delivery) for row in own.ordered]
        each = zip(records(target), records(Reached(own, shipments, None).table(self.variety)), strict=True)
        return (
            words.ordered(self.variety, [(row.quantity, row.lab, row.week) for row in own.ordered]),
            *(words.reached(one | more, season.currency) for one, more in each),
        )

    def _sums(self, season: Season, found: _Unpriced) -> tuple[float, float | None]:
        """Return what orders cost and earn at the prices of a season [currency]."""
        row = self._flow(season, found.own).by_variety().iloc[0]
        return float(row["outlay"]), float(row["margin"]) if self._earns else None

    def _flow(self, season: Season, own: Outcome) -> CashFlow:
        priced = season if self._earns else given_away(season)
        return cash_flow(Outcome(KeptDraws(priced, own.batches, map(own.fate, own.batches), self._streams)))

    def _shares(self, variety: str) -> bool:
        """Whether another variety goes through the stage of which the survival can be moved."""
        return self._stage is not None and self._stage in self._asked.season.route(variety)

    def _grown(self, season: Season, orders: Sequence[Delivery], varieties: Sequence[str]) -> Outcome:
        """Return what comes of the orders of some varieties, and of their plants on hand."""
        own = [row for row in orders if row.variety in varieties]
        there = [row for row in season.on_hand if row.variety in varieties]
        return outcome_of(season, own, self._streams, there)

    def _grown_beside(self, to: int) -> tuple[Array, Array]:
        """Return the area of other varieties and its variance, as `Draws.area`, with the survival at a position."""
        season = self.sliders[0].moved(self._asked, to).season if self._stage else self._asked.season
        others = (row.variety for row in season.varieties if row.variety != self.variety)
        shared = self._grown(season, self._beside, [name for name in others if self._shares(name)])
        areas = zip(shared.drawn.area(), self._apart.drawn.area(), strict=True)
        expected, variance = (one + apart for one, apart in areas)
        return expected, variance


def _chosen(season: Season, variety: str | None, ordered: set[str], *, planned: bool) -> str:
    """Return the variety that is asked about, by default that with the largest target of those ordered."""
    possible = [name for name in season.targeted if name in ordered]
    names = f"Give one of {', '.join(possible)}." if possible else "Give orders of a variety that has a target."
    if variety is not None:
        season.variety(variety)
        if variety not in season.targeted:
            raise refuse("variety", variety, "it has no target", names)
        if variety not in possible:
            raise refuse("variety", variety, "the plan orders none of it" if planned else "not ordered", names)
        return variety
    if not possible:
        raise refuse("variety", None, "nothing is ordered of any variety with a target", names)
    return max(possible, key=lambda name: sum(row.median_demand for row in season.targets_of(name)))


def _beside(table: pd.DataFrame, base: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a table, each with the median of the base plan in its week."""
    rows = table.assign(base=base["median"].to_numpy()).to_dict("records")
    return [{str(name): cell for name, cell in row.items()} for row in rows]


def _fullest(weekly: pd.DataFrame, overrun: float) -> str:
    row = max(weekly.to_dict("records"), key=lambda row: row["median"])
    return words.fullest(area=row["median"], available=row["available"], week=row["week"], overrun=overrun)
