"""For which week to have plants delivered, and what it buys to split a delivery."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from typing import Literal

import numpy as np
import pandas as pd

from forecast.errors import OutOfReach, refuse, whole
from forecast.growth.simulation import season_streams
from forecast.growth.summaries import RANGE
from forecast.growth.tails import sum_at_least
from forecast.ordering.order import Order, order_of
from forecast.ordering.price_list import PriceList
from forecast.ordering.request import requested
from forecast.ordering.shipments import Shipment
from forecast.ordering.trial_orders import Case
from forecast.season.season import Season
from forecast.streams import DRAWS, Array
from forecast.weeks import Week
from forecast.words import orders as words
from forecast.words.results import Result

_MOST_PARTS = 3  # into which a delivery is split
_WORST = 0.1  # share of draws
_BY = {"cost": True, "chance": False, "survival": False, "ready": True}  # whether less is better
_COLUMNS = [
    *("week", "lab", "survival_p5", "survival", "survival_p95", "ready_first", "ready", "ready_last"),
    *("chance", "order_quantity", "cost"),
]


@dataclass(frozen=True, eq=False, repr=False)
class DeliveryWeeks(Result):
    """The weeks in which plants of one variety can be delivered, compared in the same simulated seasons.

    Parameters
    ----------
    quantity
        Plants of which each week's survival, ready dates and chance are shown, the same for all weeks.
    order
        The cheapest order that suffices, or if none does the one that comes nearest.
    cases, ways
        The target, for each part of a split; and the offers and weeks of delivery that are possible.
    """

    quantity: int
    order: Order
    cases: tuple[Case, ...]
    ways: tuple[tuple[PriceList, Week], ...]

    @property
    def variety(self) -> str:
        """Which variety."""
        return self.order.variety

    @property
    def target(self) -> int:
        """Plants that are to be saleable."""
        return self.order.target

    @property
    def by(self) -> Week:
        """By the Monday of which week."""
        return self.order.by

    @property
    def service_level(self) -> float:
        """Share of draws in which they are to be [0 to 1]."""
        return self.order.service_level

    @property
    def currency(self) -> str:
        """ISO 4217 code."""
        return self.order.currency

    def facts(self) -> dict[str, object]:
        """Return the variety, its target, the quantity compared, draws and seed."""
        facts = {name: getattr(self, name) for name in ("variety", "target", "by", "quantity")}
        streams = self.cases[0].streams
        return facts | {"weeks": len(self._rows), "draws": streams.draws, "seed": streams.seed}

    def table(self, by: Literal["cost", "chance", "survival", "ready"] = "cost") -> pd.DataFrame:
        """Return the delivery weeks, the best first.

        Parameters
        ----------
        by
            What ranks them: the ``cost`` of the order that suffices, the ``chance`` that the same quantity gives, the
            ``survival``, or the week by which half of the plants are ``ready``.

        Returns
        -------
        DataFrame
            week and lab; survival_p5, survival, survival_p95, of the plants delivered to saleable ones (90 % range);
            ready_first, ready, ready_last, the Mondays by which 5, 50 and 95 of 100 surviving plants are ready (empty
            if later than the season); chance of the target with `quantity` plants; order_quantity, which suffices, and
            its expected cost [currency], missing where none does.

        Raises
        ------
        Refused
            If `by` is none of these words.
        """
        if by not in _BY:
            raise refuse("by", by, "ranks no delivery week", f"Give one of {', '.join(_BY)}.")
        ranked = self._rows.assign(ready=self._rows["ready"].replace("", "z"))
        order = ranked.sort_values([by, "cost", "week", "lab"], ascending=[_BY[by], True, True, True]).index
        return self._rows.loc[order].reset_index(drop=True)

    @property
    def last_week(self) -> Week:
        """Last week of the season."""
        return self.cases[0].season.last_week

    @cached_property
    def _rows(self) -> pd.DataFrame:
        case, rows = self.cases[0], []
        for prices, week in self.ways:
            fate = case.fate(week)
            survival = np.quantile(fate.survival, RANGE).round(4)
            last = min(case.season.last_week - week, fate.last)
            through = fate.ready(np.arange(last + 1.0)).mean(axis=1) / fate.survival.mean()
            ready = [
                str(week + int(np.argmax(through >= q))) if through[-1] >= q else "" for q in (0.05, 0.5, 0.95)
            ]  # fmt: skip
            chance = round(case.chance(self.quantity, case.share(week)), 4)
            found = case.cheapest(prices, week)
            order = (found.quantity, case.cost(found)) if found else (None, None)
            rows.append((str(week), prices.lab, *survival, *ready, chance, *order))
        frame = pd.DataFrame(rows, columns=_COLUMNS)
        return frame.astype({"order_quantity": "Int64", "cost": float}).round({"cost": 2})

    def splits(self) -> pd.DataFrame:
        """Return what it buys to split the order over two or three weeks of the same lab.

        Returns
        -------
        DataFrame
            deliveries, their number; weeks; quantity in all, split as evenly as the lab sells it; chance of the target;
            worst_tenth, the plants saleable by then in the worst tenth of draws, on average; median; and cost
            [currency], expected, growing included. The weeks are those that are best in the worst tenth.
        """
        return self._splits.copy()

    @cached_property
    def _splits(self) -> pd.DataFrame:
        prices = self.order.shipment.prices
        weeks = sorted({week for other, week in self.ways if other is prices})
        rows = []
        for number in range(1, min(_MOST_PARTS, len(weeks)) + 1):
            parts: list[int] = []
            for left in range(number, 0, -1):
                parts.append(prices.orderable((self.quantity - sum(parts)) / left))
            best = max(combinations(weeks, number), key=lambda some: _worst_tenth(self._plants(some, parts)))
            plants = self._plants(best, parts)
            chance = float(sum_at_least(self.cases[0].needed, parts, self._shares(best)).mean())
            shipments = [Shipment(prices, week, part) for part, week in zip(parts, best, strict=True)]
            cost = sum(self.cases[0].cost(shipment) for shipment in shipments)
            worst, median = round(_worst_tenth(plants), 1), round(float(np.median(plants)), 1)
            rows.append(
                (number, ", ".join(map(str, best)), sum(parts), round(chance, 4), worst, median, round(cost, 2))
            )
        return pd.DataFrame(
            rows, columns=["deliveries", "weeks", "quantity", "chance", "worst_tenth", "median", "cost"]
        )

    def _shares(self, weeks: Sequence[Week]) -> list[Array]:
        return [case.share(week) for case, week in zip(self.cases, weeks, strict=False)]

    def _plants(self, weeks: Sequence[Week], parts: Sequence[int]) -> Array:
        return np.asarray(sum(part * share for part, share in zip(parts, self._shares(weeks), strict=True)))

    def __str__(self) -> str:
        return "\n".join(self._sentences())

    def _sentences(self) -> Iterator[str]:
        rows, currency = self._rows, self.currency
        if rows["cost"].notna().any():
            week, lab, *_, quantity, cost = self.table().iloc[0]
            yield words.cheapest_week(
                variety=self.variety, week=week, lab=lab, quantity=quantity, cost=cost, currency=currency
            )
        else:
            yield words.no_week(variety=self.variety, target=self.target, by=self.by)
        best, worst = rows.iloc[int(rows["chance"].argmax())], rows.iloc[int(rows["chance"].argmin())]
        if best["chance"] == 0:
            soonest = min((week for week in rows["ready"] if week), default="")
            yield words.every_week_too_late(quantity=self.quantity, target=self.target, by=self.by, soonest=soonest)
            return
        yield words.best_and_worst_week(
            quantity=self.quantity,
            target=self.target,
            by=self.by,
            best=best["week"],
            chance=best["chance"],
            worst=worst["week"],
            least=worst["chance"],
        )
        if len(self._splits) > 1:
            one, two = self._splits.iloc[0], self._splits.iloc[1]
            yield words.split(
                quantity=one["quantity"],
                week=one["weeks"],
                worst_tenth=one["worst_tenth"],
                split_quantity=two["quantity"],
                weeks=two["weeks"],
                split_worst_tenth=two["worst_tenth"],
                dearer=two["cost"] - one["cost"],
                currency=currency,
            )


def _worst_tenth(plants: Array) -> float:
    """Return the mean of the worst tenth of draws."""
    worst = max(round(_WORST * plants.size), 1)
    return float(np.partition(plants, worst - 1)[:worst].mean())


def delivery_weeks(
    season: Season,
    variety: str,
    *,
    draws: int = DRAWS,
    seed: int | None = None,
    target: int | None = None,
    week: Week | str | None = None,
    service_level: float | None = None,
    lab: str | None = None,
    quantity: int | None = None,
) -> DeliveryWeeks:
    """Compare the possible weeks of delivery: survival, ready dates, chance and cost; and splitting.

    Parameters
    ----------
    season, variety
        The season, and which of its varieties.
    draws, seed
        Number of simulated seasons, and their seed; that of the season if not given.
    target, week, service_level
        As for `size_order`.
    lab
        Only deliveries of this lab, if given.
    quantity
        Plants for which the weeks are compared; those of the cheapest order that suffices if not given.

    Returns
    -------
    DeliveryWeeks

    Raises
    ------
    Refused
        If the variety, week or lab is unknown, or the target is not clear.

    Notes
    -----
    Draws are paired: all weeks are compared in the same simulated seasons and weather, so that a hot week harms every
    delivery that comes in it. A split delivery is as many batches, each with its own luck at the level ``batch``.

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> weeks = forecast.delivery_weeks(season, "Heuchera 'Pellowen'", draws=256, seed=1)
    >>> weeks.splits()["deliveries"].tolist()
    [1, 2, 3]
    """
    request, number = requested(season, variety, target, week, service_level)
    streams = season_streams(draws, season.seed if seed is None else seed)
    cases = tuple(Case(season, streams, request, number + i) for i in range(_MOST_PARTS))
    try:
        order = order_of(cases[0], lab=lab)
    except OutOfReach as error:
        order = error.best
    plants = order.quantity if quantity is None else whole("quantity", quantity, 1, 10**9)
    return DeliveryWeeks(plants, order, cases, tuple(cases[0].ways(lab=lab)))
