"""What comes of a season's orders, in every draw, and what is asked of it first."""

from __future__ import annotations

from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from forecast.errors import refuse, whole
from forecast.growth.draws import chances, saleable, stock
from forecast.growth.fate import Batch, Counts, Draws, Fate
from forecast.growth.summaries import RANGE, as_targets, by_week
from forecast.streams import Array
from forecast.weeks import Week
from forecast.words import outcomes
from forecast.words.results import Result
from forecast.words.tables import styled


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
        """Varieties of which plants are ordered, in the season's order."""
        ordered = {batch.variety for batch in self.batches}
        return tuple(row.variety for row in self.season.varieties if row.variety in ordered)

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
        return stock(self.drawn, variety)

    def chance(self, variety: str, *, week: Week | str, at_least: int) -> float:
        """Return the chance that at least so many plants of a variety are saleable in a week.

        Parameters
        ----------
        variety
            Which variety.
        week
            On the Monday of which week.
        at_least
            How many plants.

        Returns
        -------
        float
            Chance [0 to 1], the mean over draws of exact binomial chances.

        Raises
        ------
        Refused
            If the variety is unknown, the week lies outside the season or the number is not whole.

        Notes
        -----
        The standard error of the mean is at most sqrt(p (1 - p) / draws), and usually far less.
        """
        return float(self.chances(variety, week=week, at_least=whole("at_least", at_least, 0, 10**12)).mean())

    def chances(self, variety: str, *, week: Week | str, at_least: ArrayLike) -> Array:
        """Return the chance of at least so many saleable plants in every draw, of which `chance` is the mean.

        Parameters
        ----------
        variety, week
            Which variety, on the Monday of which week.
        at_least
            How many plants, one number for all draws or shape (draws,).

        Returns
        -------
        array of shape (draws,)
        """
        return chances(self.drawn, variety, self.week(week), at_least)

    def quantile(self, variety: str, *, week: Week | str, q: ArrayLike = RANGE) -> NDArray[np.int64]:
        """Return quantiles of the number of saleable plants of a variety in a week.

        Parameters
        ----------
        variety, week
            Which variety, on the Monday of which week.
        q
            Probabilities [0 to 1], any shape.

        Returns
        -------
        whole numbers of the shape of `q`
        """
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
            Whether each week's target is sold in it, as far as there are plants: then the number is what is on hand
            before that week's sale.

        Returns
        -------
        DataFrame
            variety, week, p5, median and p95: 5th percentile, median and 95th percentile of the number.
        """
        names = self.varieties if variety is None else (variety,)
        return by_week(names, [*map(str, self.weeks)], [self.drawn.ranges(name, sold=sold) for name in names])

    def targets(self, variety: str | None = None) -> pd.DataFrame:
        """Return what comes of each sales target.

        Parameters
        ----------
        variety
            Which variety; all that are ordered if not given.

        Returns
        -------
        DataFrame
            variety, week, target (the median of an uncertain demand), p5, median and p95 of the number on hand in that
            week after earlier targets are sold, and the chance that it meets the target.

        Notes
        -----
        The chance of the first target of a variety is exact given the draws; that of a later one is the share of
        sampled histories. An uncertain demand is drawn anew in every draw.
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
        asked, first, last = Week.parse(week), self.season.first_week, self.season.last_week
        if not first <= asked <= last:
            raise refuse("week", str(asked), "outside the season", f"Give a week from {first} to {last}.")
        return asked

    def facts(self) -> dict[str, object]:
        """Return the season, the number of varieties ordered, the draws and the seed."""
        facts = {"season": self.season.name, "varieties": len(self.varieties), "draws": self.draws, "seed": self.seed}
        return {name: value for name, value in facts.items() if value is not None}

    def __str__(self) -> str:
        return outcomes.targets_met(self.targets().to_dict("records"))

    def _repr_html_(self) -> str:
        return styled(self.targets())
