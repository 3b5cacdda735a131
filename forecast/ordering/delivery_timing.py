"""For which week to have plants delivered, and what it buys to split a delivery."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
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
from forecast.streams import Array
from forecast.weeks import Week
from forecast.words.numbers import rounded, seasons

_MOST_PARTS = 3  # into which a delivery is split
_BAD = 0.1  # share of draws that are the bad years
_BY = {"cost": True, "chance": False, "survival": False, "ready": True}  # whether less is better


@dataclass(frozen=True, eq=False)
class DeliveryWeeks:
    """The weeks for which plants of one variety could be ordered, against each other.

    Parameters
    ----------
    variety
        Which variety.
    target, by, service_level
        The number that is to be saleable by a week, and the share of draws in which it is to be.
    quantity
        Plants of which each week's survival, ready dates and chance are told, the same for all weeks.
    order
        The cheapest order that suffices, or if none does the one that comes nearest.
    currency
        ISO 4217 code.
    """

    variety: str
    target: int
    by: Week
    service_level: float
    quantity: int
    order: Order
    currency: str
    _cases: tuple[Case, ...] = field(repr=False)
    _ways: tuple[tuple[PriceList, Week], ...] = field(repr=False)

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
            week and lab; survival_p5, survival, survival_p95, of the plants delivered to saleable ones (nine draws
            in ten); ready_first, ready, ready_last, the Mondays by which 5, 50 and 95 of 100 plants that live are
            ready (empty if later than the season); chance of the wanted number with `quantity` plants;
            order, the quantity that suffices, and its expected cost [currency], missing where none does.

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
        return self._cases[0].season.last_week

    @cached_property
    def _rows(self) -> pd.DataFrame:
        rows = []
        for prices, week in self._ways:
            fate, share = self._cases[0].fate(week), self._cases[0].share(week)
            survival = np.quantile(fate.survival, RANGE).round(4)
            last = min(self._cases[0].season.last_week - week, fate.last)
            through = fate.ready(np.arange(last + 1.0)).mean(axis=1) / fate.survival.mean()
            ready = [
                str(week + int(np.argmax(through >= q))) if through[-1] >= q else "" for q in (0.05, 0.5, 0.95)
            ]  # fmt: skip
            chance = self._cases[0].chance(self.quantity, share)
            found = self._cases[0].cheapest(prices, week)
            order = (found.quantity, self._cases[0].cost(found)) if found else (None, None)
            rows.append((str(week), prices.lab, *survival, *ready, round(chance, 4), *order))
        columns = ["week", "lab", "survival_p5", "survival", "survival_p95", "ready_first", "ready", "ready_last"]
        frame = pd.DataFrame(rows, columns=[*columns, "chance", "order", "cost"])
        return frame.astype({"order": "Int64", "cost": float}).round({"cost": 2})

    @cached_property
    def splits(self) -> pd.DataFrame:
        """What it buys to split the order over two or three weeks of the same lab.

        Columns: deliveries, their number; weeks; quantity in all, split as evenly as the lab sells it; chance of the
        wanted number; worst_tenth, the plants saleable by then in the worst tenth of draws, on average; middle; and cost
        [currency], expected, growing included. The weeks are those that are best in the bad years.
        """
        prices = self.order.shipment.prices
        weeks = sorted({week for other, week in self._ways if other is prices})
        rows = []
        for number in range(1, min(_MOST_PARTS, len(weeks)) + 1):
            parts: list[int] = []
            for left in range(number, 0, -1):
                parts.append(prices.orderable((self.quantity - sum(parts)) / left))
            best = max(combinations(weeks, number), key=lambda some: _worst_tenth(self._plants(some, parts)))
            plants = self._plants(best, parts)
            chance = float(sum_at_least(self._cases[0].needed, parts, self._shares(best)).mean())
            cost = sum(
                self._cases[0].cost(Shipment(prices, week, part)) for part, week in zip(parts, best, strict=True)
            )
            bad, middle = round(_worst_tenth(plants), 1), round(float(np.median(plants)), 1)
            rows.append((number, ", ".join(map(str, best)), sum(parts), round(chance, 4), bad, middle, round(cost, 2)))
        return pd.DataFrame(
            rows, columns=["deliveries", "weeks", "quantity", "chance", "worst_tenth", "median", "cost"]
        )

    def _shares(self, weeks: Sequence[Week]) -> list[Array]:
        return [case.share(week) for case, week in zip(self._cases, weeks, strict=False)]

    def _plants(self, weeks: Sequence[Week], parts: Sequence[int]) -> Array:
        return np.asarray(sum(part * share for part, share in zip(parts, self._shares(weeks), strict=True)))

    def __str__(self) -> str:
        return "\n".join(self._sentences())

    def _sentences(self) -> Iterator[str]:
        rows = self._rows
        if rows["cost"].notna().any():
            best = self.table().iloc[0]
            yield (
                f"{self.variety}: the cheapest week to have it delivered is {best['week']} ({best['lab']}), "
                f"{best['order']:,} plants for about {rounded(best['cost'])} {self.currency} in all."
            )
        else:
            yield f"{self.variety}: no single week of delivery gives {self.target:,} by {self.by} as surely as asked."
        sure, poor = rows.iloc[int(rows["chance"].argmax())], rows.iloc[int(rows["chance"].argmin())]
        if sure["chance"] == 0:
            soonest = min((week for week in rows["ready"] if week), default="")
            yield (
                f"{self.quantity:,} plants give {self.target:,} by {self.by} in {seasons(0)}, whatever the week "
                "of delivery."
            )
            yield (
                f"Half of those that live are ready by {soonest} at the earliest."
                if soonest
                else "In no week of delivery are half of those that live ready within the season: look at the times of "
                "the stages, and at base and cap against the warmth of their places."
            )
            return
        yield (
            f"{self.quantity:,} plants give {self.target:,} by {self.by} most often if delivered in {sure['week']}: in "
            f"{seasons(sure['chance'])}; worst is {poor['week']}, in {seasons(poor['chance'])}."
        )
        if len(self.splits) > 1:
            one, two = self.splits.iloc[0], self.splits.iloc[1]
            dearer = two["cost"] - one["cost"]
            yield (
                f"In the worst tenth of years {one['quantity']:,} delivered in {one['weeks']} give about "
                f"{rounded(one['worst_tenth'])}; {two['quantity']:,} split over {two['weeks'].replace(', ', ' and ')} "
                f"about {rounded(two['worst_tenth'])}, for about {rounded(abs(dearer))} {self.currency} "
                f"{'more' if dearer > 0 else 'less'}."
            )


def _worst_tenth(plants: Array) -> float:
    """Return the mean of the worst tenth of draws."""
    worst = max(round(_BAD * plants.size), 1)
    return float(np.partition(plants, worst - 1)[:worst].mean())


def delivery_weeks(
    season: Season,
    variety: str,
    *,
    draws: int,
    seed: int,
    target: int | None = None,
    week: Week | str | None = None,
    service_level: float | None = None,
    lab: str | None = None,
    quantity: int | None = None,
) -> DeliveryWeeks:
    """Set the possible weeks of delivery side by side: survival, ready dates, chance and cost; and splitting.

    Parameters
    ----------
    season, variety
        The season, and which of its varieties.
    draws, seed
        Number of simulated seasons, and their seed.
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
        If the variety, week or lab is unknown, or it is not clear what is wanted.

    Notes
    -----
    Draws are paired: all weeks are compared in the same simulated seasons and weather, so that a hot week harms every
    delivery that comes in it. A split delivery is as many batches, each with its own luck at the level ``batch``.

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> weeks = forecast.delivery_weeks(season, "Heuchera 'Pellowen'", draws=256, seed=1)
    >>> weeks.splits["deliveries"].tolist()
    [1, 2, 3]
    """
    request, number = requested(season, variety, target, week, service_level)
    streams = season_streams(draws, seed)
    cases = tuple(Case(season, streams, request, number + i) for i in range(_MOST_PARTS))
    try:
        order = order_of(cases[0], lab=lab)
    except OutOfReach as error:
        order = error.best
    plants = order.quantity if quantity is None else whole("quantity", quantity, 1, 10**9)
    ways = tuple(cases[0].ways(lab=lab))
    return DeliveryWeeks(
        variety,
        request.median_demand,
        request.week,
        cases[0].service_level,
        plants,
        order,
        season.currency,
        cases,
        ways,
    )
