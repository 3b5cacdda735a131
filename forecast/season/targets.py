"""The rows of targets: how many plants of a variety are needed by when, and how surely."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from forecast.rates.amounts import Amount, Count
from forecast.season.cells import AboveZero, Counted, Name, Note, Row, ShareCell, WeekCell, wrong


class Target(Row):
    """A number of one variety to be saleable by one week, on top of what earlier weeks want.

    Parameters
    ----------
    variety, week
        What, and by the Monday of which week.
    target
        Number of plants; or
    p5, median, p95
        demand that is uncertain: 5th percentile, median, 95th percentile.
    service_level
        Share of draws in which it is to be met; without it, that of the season.
    """

    variety: Name
    week: WeekCell
    target: Counted | None = None
    p5: AboveZero | None = None
    median: AboveZero | None = None
    p95: AboveZero | None = None
    service_level: Annotated[ShareCell, Field(gt=0, lt=1)] | None = None
    note: Note = None

    @model_validator(mode="after")
    def _sound(self) -> Self:
        number = self.target is not None
        some = [cell is not None for cell in (self.p5, self.median, self.p95)]
        if number == any(some) or any(some) != all(some):
            problem = "what is wanted is stated in two ways" if number else "how many are wanted is not stated"
            raise wrong(problem, "Fill target, or all of p5, median and p95.", "target", self.target)
        if not number and not (self.p5 or 0) <= (self.median or 0) <= (self.p95 or 0):
            raise wrong("p5, median and p95 are not in order", "Give p5 <= median <= p95.", "median", self.median)
        return self

    @property
    def demand(self) -> Count | None:
        """The range as a count; None if one number is wanted."""
        if self.p5 is None or self.median is None or self.p95 is None:
            return None
        return Count(Amount(self.p5, self.median, self.p95))

    @property
    def median_demand(self) -> int:
        """The number wanted, or the likely one of its range."""
        return self.target if self.target is not None else round(self.median or 0)
