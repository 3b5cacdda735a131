"""What comes of a season's orders, in every draw."""

from __future__ import annotations

from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from forecast.errors import refuse, whole
from forecast.fates.fate import Batch, Counts, Draws, Fate
from forecast.growth.draws import chances, saleable, sales
from forecast.growth.selling import Sold
from forecast.growth.summaries import RANGE, as_targets, by_week
from forecast.streams import Array
from forecast.weeks import Week
from forecast.words import resources
from forecast.words.results import Result, styled


class Outcome(Result):
    """What comes of a season's orders, in every simulated season (draw).

    Numbers are those on the Monday of a week, if nothing has been sold. Chances are averages over the draws of exact
    binomial chances; quantiles and tables come from one sampled history a draw.

    Parameters
    ----------
    drawn
        What comes of the deliveries, drawn.
    begun
        Whether the season has begun, so that the batches are what is left of its deliveries.
    """

    def __init__(self, drawn: Draws, *, begun: bool = False) -> None:
        self.drawn, self.begun = drawn, begun
        self.season, self.batches, self.streams = drawn.season, drawn.batches, drawn.streams
        self.draws, self.seed = drawn.streams.draws, drawn.streams.seed

    @cached_property
    def weeks(self) -> tuple[Week, ...]:
        """Weeks of the season."""
        return tuple(self.season.first_week + i for i in range(self.season.weeks))

    @cached_property
    def varieties(self) -> tuple[str, ...]:
        """Varieties of which plants are ordered or on hand, in the season's order."""
        ordered = {batch.variety for batch in self.batches}
        return tuple(row.variety for row in self.season.varieties if row.variety in ordered)

    @property
    def ordered(self) -> tuple[Batch, ...]:
        """The batches that are ordered: all but the plants that were on hand when the season began."""
        return tuple(batch for batch in self.batches if batch.there is None)

    def fate(self, batch: Batch) -> Fate:
        """Return what one of the batches meets in every draw."""
        return self.drawn.fate(batch)

    def ready(self, variety: str) -> Counts:
        """Return the number that have become saleable by each week in one history a draw, shape (weeks, draws)."""
        return self.drawn.ready(variety)

    def saleable(self, variety: str) -> Counts:
        """Return the saleable plants of a variety in one history a draw, if none is sold, shape (weeks, draws)."""
        return saleable(self.drawn, variety)

    def on_hand(self, variety: str) -> tuple[Array, Array]:
        """Return the plants of one history a draw before and after each week's sale, arrays of shape (weeks, draws)."""
        sold = self.sold(variety)
        return sold.before, sold.after

    def sold(self, variety: str) -> Sold:
        """Return what is sold of a variety in one history a draw."""
        return sales(self.drawn, variety)

    def chance(self, variety: str, *, week: Week | str, at_least: int) -> float:
        """Return the chance [0 to 1] that at least so many plants of a variety are saleable on the Monday of a week.

        Raises
        ------
        Refused
            If the variety is unknown, the week lies outside the season or the number is not whole.

        Notes
        -----
        The mean over draws of exact binomial chances; its standard error is at most sqrt(p (1 - p) / draws).
        """
        return float(self.chances(variety, week=week, at_least=whole("at_least", at_least, 0, 10**12)).mean())

    def chances(self, variety: str, *, week: Week | str, at_least: ArrayLike) -> Array:
        """Return the chances in every draw, shape (draws,), of which `chance` is the mean."""
        return chances(self.drawn, variety, self.week(week), at_least)

    def quantile(self, variety: str, *, week: Week | str, q: ArrayLike = RANGE) -> NDArray[np.int64]:
        """Return quantiles of the number of saleable plants of a variety on the Monday of a week, shaped as `q`."""
        try:
            target = np.asarray(q, dtype=np.float64)
        except (TypeError, ValueError):
            target = np.array(np.nan)
        if not ((target >= 0) & (target <= 1)).all():
            raise refuse("q", str(q), "not a probability", "Give numbers from 0 to 1.")
        counts = self.saleable(variety)[self.week(week) - self.season.first_week]
        return np.asarray(np.quantile(counts, target, method="inverted_cdf"), dtype=np.int64)

    def table(self, variety: str | None = None, *, sold: bool = False) -> pd.DataFrame:
        """Return the number of saleable plants by variety and week.

        Parameters
        ----------
        variety
            Which variety; all that are ordered if not given.
        sold
            Whether each target is sold in its week: then the number is what is on hand before that week's sale.

        Returns
        -------
        DataFrame
            variety, week; p5, median and p95 of the number.
        """
        names = self.varieties if variety is None else (variety,)
        return by_week(names, [*map(str, self.weeks)], [self.drawn.ranges(name, sold=sold) for name in names])

    def targets(self, variety: str | None = None) -> pd.DataFrame:
        """Return what comes of each sales target of a variety, or of all that are ordered.

        Returns
        -------
        DataFrame
            variety, week, target (the median of an uncertain demand), p5, median and p95 of the number on hand in that
            week after earlier targets are sold, and the chance that it meets the target. Where they are filled, until,
            channel, promised and promised_share, too: the chance is that of the share that is promised. Of a target
            over weeks, of one whose buyers wait, or of several in one week, p5, median and p95 are those of the number
            sold to it.

        Notes
        -----
        The chance of the first target of a variety, if it is for one week, is exact given the draws; that of another
        is the share of sampled histories. An uncertain demand is drawn anew in every draw.
        """
        names = self.varieties if variety is None else (self.season.variety(variety).variety,)
        return as_targets(row for name in names for row in self.drawn.targets(name))

    def chance_of_all(self) -> float:
        """Return the chance [0 to 1] that all targets are met in one and the same season.

        A target of which nothing is ordered is not met.
        """
        return float(np.exp(self.drawn.log_met()).mean())

    def week(self, week: Week | str) -> Week:
        """Return a week of the season, and refuse any other."""
        found, first, last = Week.parse(week), self.season.first_week, self.season.last_week
        if not first <= found <= last:
            raise refuse("week", str(found), "outside the season", f"Give a week from {first} to {last}.")
        return found

    def facts(self) -> dict[str, object]:
        """Return the season, the number of varieties ordered, the draws and the seed."""
        return {"season": self.season.name, "varieties": len(self.varieties), "draws": self.draws, "seed": self.seed}

    def __str__(self) -> str:
        return resources.targets_met(self.targets().to_dict("records"))

    def _repr_html_(self) -> str:
        return styled(self.targets())
