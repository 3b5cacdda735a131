"""The rows of targets: how many plants of a variety are wanted when, by whom, at what price, and how surely."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from typing import Annotated, Any, ClassVar

import numpy as np
from pydantic import Field

from forecast.errors import in_order, refuse
from forecast.rates.amounts import Amount, Count
from forecast.season.cells import (
    AboveZero,
    Counted,
    FromZero,
    Money,
    Name,
    Note,
    Plants,
    Row,
    ShareCell,
    Unit,
    WeekCell,
    Weeks,
)
from forecast.streams import Array
from forecast.weeks import Week
from forecast.words.numbers import figures


class Target(Row):
    """A sales target: plants of one variety that buyers want in a week, or over some weeks.

    Parameters
    ----------
    variety, week
        Variety, and the (first) week of sale, on whose Monday its plants are wanted.
    until
        Last week of sale. Empty: one week.
    target
        Plants wanted in all.
    p5, median, p95
        Instead of target, if demand is uncertain: its 5th percentile, median and 95th percentile [plants].
    channel
        Who buys: retail, wholesale or a customer. Rows of one variety share its plants.
    profile
        Name of a profile in profiles.csv, which says how sales are spread over the weeks. Empty: evenly.
    price
        Price per plant [currency]. Empty: the sale price of the variety.
    price_end
        Price in the last week [currency], on a straight line from that of the first. Empty: it stays. Buyers who wait
        pay the price of the week in which they came.
    promised
        Chance [0 to 1] with which the number must be sold to these buyers. Empty: hoped for, not promised.
    promised_share
        Share of the number that is promised [0 to 1]. Empty: the whole number.
    short_cost
        Cost of a plant that is missing, beyond the lost sale: goodwill or a penalty [currency]. Empty: half the mean
        price of its weeks, or nothing without prices.
    waits
        Weeks that a buyer waits for plants, after the last week too. Empty: 0.
    """

    RENAMED: ClassVar[dict[str, str]] = {"service_level": "promised"}

    variety: Name
    week: WeekCell
    until: WeekCell | None = None
    target: Plants | None = None
    p5: Annotated[AboveZero, Unit(Unit.PLANTS)] | None = None
    median: Annotated[AboveZero, Unit(Unit.PLANTS)] | None = None
    p95: Annotated[AboveZero, Unit(Unit.PLANTS)] | None = None
    channel: Name | None = None
    profile: Name | None = None
    price: Money | None = None
    price_end: Money | None = None
    promised: Annotated[ShareCell, Field(gt=0, lt=1)] | None = None
    promised_share: Annotated[ShareCell, Field(gt=0)] | None = None
    short_cost: Money | None = None
    waits: Weeks = 0
    note: Note = None

    def checks(self) -> Iterable[Callable[[], object]]:
        """Return the checks of cells beside each other."""
        return (
            self._stated,
            (lambda: in_order(vars(self), "p5", "median", "p95")),
            (lambda: in_order(vars(self), "week", "until")),
            self._ends,
            self._part,
        )

    def _stated(self) -> None:
        number = self.target is not None
        some = [cell is not None for cell in (self.p5, self.median, self.p95)]
        if number == any(some) or any(some) != all(some):
            problem = "the target is stated in two ways" if number else "the target is empty or incomplete"
            raise refuse("target", self.target, problem, "Fill target, or all of p5, median and p95.")

    def _ends(self) -> None:
        if self.price_end not in (None, self.price) and self.last == self.week:
            raise refuse("price_end", self.price_end, "used only over several weeks", "Fill until, or use price.")

    def _part(self) -> None:
        if self.promised_share is not None and self.promised is None:
            remedy = "Fill promised, too, or clear it."
            raise refuse("promised_share", self.promised_share, "used only if the row is promised", remedy)

    def given(self) -> dict[str, Any]:
        """Return the cells that are filled, by column."""
        return {name: cell for name, cell in super().given().items() if (name, cell) != ("waits", 0)}

    @property
    def last(self) -> Week:
        """Last week of sale, waiting buyers apart."""
        return self.week if self.until is None else self.until

    def in_week(self, week: Week) -> Target:
        """Return a target for all its plants in one week, of which buyers do not wait."""
        return self.replace(week=week, until=None, profile=None, price_end=None, waits=0)

    @property
    def owner(self) -> tuple[str, ...]:
        """Whose demand it is, as streams name it."""
        return ("demand", self.variety, str(self.week), *([] if self.channel is None else [self.channel]))

    @property
    def demand(self) -> Count | None:
        """The uncertain demand; None if the target is one number."""
        if self.p5 is None or self.median is None or self.p95 is None:
            return None
        return Count(Amount(self.p5, self.median, self.p95))

    @property
    def median_demand(self) -> int:
        """The target, or the median of the uncertain demand [plants]."""
        return self.target if self.target is not None else math.floor((self.median or 0) + 0.5)


class Weight(Row):
    """One week of a profile: how much of a target is sold in it, beside the other weeks.

    Parameters
    ----------
    profile, week
        Name of the profile, and the number of its week: 1 for the first.
    weight
        How much is sold in this week, in any unit: 2 is twice as much as 1. A profile is stretched or squeezed evenly
        to the weeks of a target.
    """

    profile: Name
    week: Annotated[Counted, Field(le=520)]
    weight: FromZero
    note: Note = None


def sold_by(weights: Sequence[float], weeks: int) -> Array:
    """Return the share of a target that is wanted by the end of each of its weeks, shape (weeks,); the last is 1.

    `weights` are those of a profile by week, not all 0: their running sum is stretched evenly to so many weeks.

    Examples
    --------
    >>> sold_by([1, 2, 1], 3).tolist(), sold_by([1, 3], 4).tolist()
    ([0.25, 0.75, 1.0], [0.125, 0.25, 0.625, 1.0])
    """
    sums = np.concatenate([[0.0], np.cumsum(np.asarray(weights, dtype=np.float64))])
    at = np.arange(1, weeks + 1) * (len(weights) / weeks)
    shares = np.interp(at, np.arange(sums.size), sums) / sums[-1]
    shares[-1] = 1.0
    return np.asarray(shares)


def incomplete(weights: Sequence[tuple[int, Weight]]) -> tuple[int, str, str, str] | None:
    """Return what keeps numbered rows from being one profile: row, column, problem and how to fix it; None if nothing.

    Its weeks are 1, 2, 3, ... without a gap, and not all its weights are 0.
    """
    known = {row.week for _, row in weights}
    number = weights[0][0]
    absent = next(week for week in range(1, len(known) + 2) if week not in known)
    if absent < max(known):
        problem = f"week {figures(absent)} of this profile is missing"
        return number, "week", problem, "Add it; its weight is 0 if nothing is sold in it."
    if not any(row.weight for _, row in weights):
        return number, "weight", "all weights of this profile are 0", "Write at least one above 0."
    return None
