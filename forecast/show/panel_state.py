"""The live panel without its looks: from a position of the sliders to sentences, numbers and data of charts."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, NamedTuple

import pandas as pd

from forecast.charts.base import dated
from forecast.errors import OutOfReach, refuse
from forecast.growth.draws import KeptDraws
from forecast.growth.outcome import Outcome
from forecast.growth.simulation import outcome_of, simulate, streams_of
from forecast.ordering.margins import Margins
from forecast.ordering.order import Order, order_of
from forecast.ordering.shipments import shipment_of
from forecast.ordering.trial_orders import Case
from forecast.resources.bench_use import space_taken
from forecast.resources.money_flow import cash_flow
from forecast.season.orders import Delivery
from forecast.season.season import Season
from forecast.show import panel_sliders as sliders
from forecast.show.panel_sliders import Asked, Slider
from forecast.streams import Array
from forecast.weeks import Week
from forecast.words import partner as words
from forecast.words.numbers import money, seasons

_ANSWERS, _OUTCOMES = 256, 16  # that are remembered


@dataclass(frozen=True, eq=False)
class Answer:
    """What comes of one position of the sliders.

    With its season and all its orders every other call gives the same numbers. `plants` are those ordered of the
    variety; `chance` [0 to 1] is that of the target which is met least often; `cost` and `margin` [currency] are as
    `Order` has them if orders are sized, else as `cash_flow`, with no margin without a sale price. The tables are by
    week, as charts take them; `fullest` says of each place how full it gets.
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
            seasons_more=round(100 * self.chance) - round(100 * base.chance),
            cost=self.cost - base.cost,
            margin=(self.margin or 0.0) - (base.margin or 0.0),
            currency=self.season.currency,
        )


class _Unpriced(NamedTuple):
    """What the sale price does not change: the orders, their sentences, what comes of them, and how it is shown."""

    orders: tuple[Delivery, ...]
    sentences: tuple[str, ...]
    sized: tuple[Order, ...]
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
        given: tuple[Delivery, ...] = season.orders
        if orders is not None:
            batches = simulate(season, orders, draws=draws, seed=seed).batches
            given = tuple(batch.delivery for batch in batches if batch.quantity)
        self.variety = _chosen(season, variety, None if orders is None else {row.variety for row in given})
        self._sizing = orders is None
        own = tuple(row for row in given if row.variety == self.variety)
        self._beside = tuple(row for row in given if row.variety != self.variety)
        if self._sizing:
            own = tuple(self._unsized(season))
        else:
            cash_flow(outcome_of(season, own, self._streams))  # refuses what no price-list line covers, or has no price
        self._stage = sliders.doubtful(season, self.variety)
        self._asked = Asked(season, own)
        self.sliders = tuple(self._sliders())
        self.base = tuple(slider.base for slider in self.sliders)
        weeks = [value for slider in self.sliders for value in slider.values if isinstance(value, Week)]
        self._first = str(min([*weeks, *(row.week for row in self._beside)]))
        self._apart = outcome_of(season, [row for row in self._beside if not self._shares(row.variety)], self._streams)
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
        target = asked.season.targets_of(self.variety)
        if self._stage:
            yield sliders.survival(asked, self._stage)
        for at in range(len(asked.orders)):
            if self._sizing:
                yield from sliders.to_size(asked, at, self._case(asked.season, at))
            else:
                yield from sliders.ordered(asked, at, target[-1].week)
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
        chance = min(order.chance for order in found.sized) if self._sizing else float(found.target["chance"].min())
        cost, margin = self._sums(season, found)
        sentences = list(found.sentences)
        if margin is not None:
            total = None if self._sizing else cost
            sentences.append(words.sold_at(price=price or 0.0, cost=total, margin=margin, currency=season.currency))
        orders, plants = (*found.orders, *self._beside), sum(row.quantity for row in found.orders)
        target = dated(found.target[["week", "target", "chance"]])
        drawn = (found.saleable, target, found.benches, found.fullest)
        return Answer(season, orders, "\n".join(sentences), plants, chance, cost, margin, *drawn)

    def _without_price(self, at: tuple[int, ...]) -> _Unpriced:
        asked = self._moved(at)
        sized, sentences = self._sized(asked) if self._sizing else ((), ())
        orders = tuple(order.delivery for order in sized) if self._sizing else asked.orders
        own = outcome_of(asked.season, orders, self._streams)
        target = own.targets(self.variety)
        areas = zip(own.drawn.area(), self._others(at[0] if self._stage else 0), strict=True)
        space = space_taken(own, *(one + beside for one, beside in areas))
        weekly = dated(space.table()[["week", "p5", "median", "p95", "available"]])
        places = [(place, weekly[space.table()["place"] == place]) for place in asked.season.place_names]

        def from_first(table: pd.DataFrame) -> pd.DataFrame:
            return table[table["week"] >= self._first]  # before it no delivery can come

        return _Unpriced(
            orders=orders,
            sentences=sentences or self._sentences(own, target),
            sized=sized,
            own=own,
            target=target,
            saleable=from_first(dated(own.table(self.variety, sold=True))),
            benches={place: from_first(rows) for place, rows in places},
            fullest={place: _fullest(rows, space.overruns[place]) for place, rows in places},
        )

    def _sized(self, asked: Asked) -> tuple[tuple[Order, ...], tuple[str, ...]]:
        """Return the orders that are sized, and their sentences."""
        orders, sentences = [], []
        for at, row in enumerate(asked.orders):
            try:
                order: Order = order_of(self._case(asked.season, at), row.week)
                sentences.append(str(order))
            except OutOfReach as error:
                order = error.best
                sentences.append(str(error))
            orders.append(order)
        return tuple(orders), tuple(sentences)

    def _sentences(self, own: Outcome, target: pd.DataFrame) -> tuple[str, ...]:
        """Return what comes of given orders."""
        met = target.drop(columns="variety").to_dict("records")
        return (
            words.ordered(self.variety, [(row.quantity, row.lab, row.week) for row in own.batches]),
            *(words.target_met(**{str(name): cell for name, cell in row.items()}) for row in met),
        )

    def _sums(self, season: Season, found: _Unpriced) -> tuple[float, float | None]:
        """Return what orders cost and earn at the prices of a season [currency]."""
        if not self._sizing:
            batches = found.own.batches
            own = Outcome(KeptDraws(season, batches, map(found.own.fate, batches), self._streams))
            row = cash_flow(own).by_variety().iloc[0]
            return float(row["outlay"]), float(row["margin"])
        cost = sum(order.cost for order in found.sized)
        if not season.variety(self.variety).sale_price:
            return cost, None
        return cost, sum(
            Margins(self._case(season, at)).margin(shipment_of(season, order.delivery))
            for at, order in enumerate(found.sized)
        )

    def _case(self, season: Season, at: int) -> Case:
        return Case(season, self._streams, season.targets_of(self.variety)[at], at + 1)

    def _unsized(self, season: Season) -> Iterator[Delivery]:
        """Return an order of no plants yet for each target, for its cheapest week."""
        for at in range(len(season.targets_of(self.variety))):
            case = self._case(season, at)
            found = case.best() or case.nearest()
            yield Delivery(variety=self.variety, week=found.week, quantity=0)

    def _shares(self, variety: str) -> bool:
        """Whether another variety goes through the stage of which the survival can be moved."""
        return self._stage is not None and self._stage in self._asked.season.route(variety)

    def _grown_beside(self, to: int) -> tuple[Array, Array]:
        """Return the area of other varieties and its variance, as `Draws.area`, with the survival at a position."""
        season = self.sliders[0].moved(self._asked, to).season if self._stage else self._asked.season
        shared = [row for row in self._beside if self._shares(row.variety)]
        areas = zip(outcome_of(season, shared, self._streams).drawn.area(), self._apart.drawn.area(), strict=True)
        expected, variance = (one + apart for one, apart in areas)
        return expected, variance


def _chosen(season: Season, variety: str | None, ordered: set[str] | None) -> str:
    """Return the variety that is asked about, by default that with the largest target."""
    known = list(season.targeted)
    if ordered is None:
        can, problem = {row.variety for row in season.price_list}, "no lab sells it, and no orders are given"
    else:
        can, problem = ordered, "not ordered"
    possible = [name for name in known if name in can]
    names = f"Give one of {', '.join(possible)}." if possible else "Fill the tables targets and price_list first."
    if variety is not None:
        season.variety(variety)
        if variety not in possible:
            raise refuse("variety", variety, problem if variety in known else "it has no target", names)
        return variety
    if not possible:
        raise refuse("variety", None, "no variety has both a target and a supplier", names)
    return max(possible, key=lambda name: sum(row.median_demand for row in season.targets_of(name)))


def _beside(table: pd.DataFrame, base: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a table, each with the median of the base plan in its week."""
    rows = table.assign(base=base["median"].to_numpy()).to_dict("records")
    return [{str(name): cell for name, cell in row.items()} for row in rows]


def _fullest(weekly: pd.DataFrame, overrun: float) -> str:
    row = max(weekly.to_dict("records"), key=lambda row: row["median"])
    return words.fullest(area=row["median"], available=row["available"], week=row["week"], overrun=overrun)
