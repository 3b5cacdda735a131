"""The rows of targets: how many plants of a variety are needed by when, and how surely."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from typing import Annotated

from pydantic import Field

from forecast.errors import in_order, refuse
from forecast.rates.amounts import Amount, Count
from forecast.season.cells import AboveZero, Counted, Name, Note, Row, ShareCell, WeekCell


class Target(Row):
    """A sales target: plants of one variety that must be saleable by one week, on top of the targets of earlier weeks.

    Parameters
    ----------
    variety, week
        Variety, and the week on whose Monday its plants are needed.
    target
        Plants needed. Or, if demand is uncertain:
    p5, median, p95
        5th percentile, median and 95th percentile of the demand [plants].
    service_level
        Chance [0 to 1] with which the target must be met. Empty: that of the season.
    """

    variety: Name
    week: WeekCell
    target: Counted | None = None
    p5: AboveZero | None = None
    median: AboveZero | None = None
    p95: AboveZero | None = None
    service_level: Annotated[ShareCell, Field(gt=0, lt=1)] | None = None
    note: Note = None

    def checks(self) -> Iterable[Callable[[], object]]:
        """Return the checks of cells beside each other."""
        return self._stated, (lambda: in_order(vars(self), "p5", "median", "p95"))

    def _stated(self) -> None:
        number = self.target is not None
        some = [cell is not None for cell in (self.p5, self.median, self.p95)]
        if number == any(some) or any(some) != all(some):
            problem = "the target is stated in two ways" if number else "the target is empty or incomplete"
            raise refuse("target", self.target, problem, "Fill target, or all of p5, median and p95.")

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
