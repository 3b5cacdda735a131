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
from forecast.growth.simulation import streams_of
from forecast.growth.summaries import RANGE, sum_at_least, tenth
from forecast.ordering.order import Order, order_of
from forecast.ordering.price_breaks import PriceList
from forecast.ordering.request import requested
from forecast.ordering.shipments import Shipment
from forecast.ordering.trial_orders import Case
from forecast.season.season import Season
from forecast.streams import DRAWS, Array
from forecast.weeks import Week
from forecast.words import orders as words
from forecast.words.results import Result

_MOST_PARTS = 3  # into which a delivery is split
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
        The cheapest order that is enough, or if none is the one that comes nearest.
    cases, ways
        The target, for each part of a split; and the price-list lines and weeks of delivery that are possible.
    """

    quantity: int
    order: Order
    cases: tuple[Case, ...]
    ways: tuple[tuple[PriceList, Week], ...]

    def facts(self) -> dict[str, object]:
        """Return the variety, its target, the quantity compared, draws and seed."""
        facts = {name: getattr(self.order, name) for name in ("variety", "target", "by")}
        streams, weeks = self.cases[0].streams, len(self._rows)
        return facts | {"quantity": self.quantity, "weeks": weeks, "draws": streams.draws, "seed": streams.seed}

    def table(self, by: Literal["cost", "chance", "survival", "ready"] = "cost") -> pd.DataFrame:
        """Return the delivery weeks, the best first.

        Parameters
        ----------
        by
            What ranks them: the ``cost`` of the order that is enough, the ``chance`` that the same quantity gives, the
            ``survival``, or the week by which half of the plants are ``ready``.

        Returns
        -------
        DataFrame
            week and lab; survival_p5, survival, survival_p95, of the plants delivered to saleable ones (90 % range);
            ready_first, ready, ready_last, the Mondays by which 5, 50 and 95 of 100 surviving plants are ready (empty
            if later than the season); chance of the target with `quantity` plants; order_quantity, which is enough, and
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
        rows, variety, currency = self._rows, self.order.variety, self.order.currency
        quantity, target, by = self.quantity, self.order.target, self.order.by
        if rows["cost"].notna().any():
            ranked = self.table()
            equal = ranked[ranked["cost"] == ranked["cost"].iloc[0]]
            week, lab, *_, least, cost = equal[equal["week"] == equal["week"].max()].iloc[0]  # there for least time
            yield words.cheapest_week(variety=variety, week=week, lab=lab, quantity=least, cost=cost, currency=currency)
            if self.order.excess:
                yield str(self.order.excess)
        else:
            yield words.no_week(variety=variety, target=target, by=by)
        best, worst = rows.iloc[int(rows["chance"].argmax())], rows.iloc[int(rows["chance"].argmin())]
        if best["chance"] == 0:
            soonest = min((week for week in rows["ready"] if week), default="")
            yield words.every_week_too_late(quantity=quantity, target=target, by=by, soonest=soonest)
            return
        ends = {"best": best["week"], "chance": best["chance"], "worst": worst["week"], "least": worst["chance"]}
        yield words.best_and_worst_week(quantity=quantity, target=target, by=by, **ends)
        if len(self._splits) > 1:
            one, two = self._splits[["quantity", "weeks", "worst_tenth"]].head(2).itertuples(index=False, name=None)
            yield words.split(one, two, dearer=float(self._splits["cost"].diff()[1]), currency=currency)


def _worst_tenth(plants: Array) -> float:
    """Return the mean of the worst tenth of draws."""
    worst = tenth(plants.size)
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
        Plants for which the weeks are compared; those of the cheapest order that is enough if not given.

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
    streams = streams_of(season, draws, seed)
    cases = tuple(Case(season, streams, request, number + i) for i in range(_MOST_PARTS))
    try:
        order = order_of(cases[0], lab=lab)
    except OutOfReach as error:
        order = error.best
    plants = order.quantity if quantity is None else whole("quantity", quantity, 1, 10**9)
    return DeliveryWeeks(plants, order, cases, tuple(cases[0].ways(lab=lab)))
