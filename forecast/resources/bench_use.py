"""Whether the plants fit on the benches, week by week."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from forecast.growth.outcome import Outcome
from forecast.growth.summaries import RANGE, RANGE_NAMES
from forecast.resources.overruns import Remedies, causes, ever, overrun, remedies
from forecast.words.numbers import rounded, seasons

_SMALL = 10  # area of which tenths are told [m²]


@dataclass(frozen=True, eq=False)
class BenchSpace:
    """Area that plants stand on, by place and week, against what there is.

    Parameters
    ----------
    weekly
        A row for each place and week: low, middle and high area [m²], nine in ten lie between low and
        high; ``available`` [m²]; ``overrun``, the chance [0 to 1] that it does not suffice.
    overruns
        For each place, the chance [0 to 1] that it does not suffice in some week.
    """

    weekly: pd.DataFrame
    overruns: dict[str, float]
    _outcome: Outcome = field(repr=False)

    def __str__(self) -> str:
        return "\n".join(self.sentence(place) for place in self.overruns)

    def causes(self, place: str) -> pd.DataFrame:
        """Say which batches make a place overrun; the first causes most.

        Returns
        -------
        DataFrame
            variety, week, lab and quantity of the largest batches there in the week in which it overruns most often,
            of equal ones the fullest; ``area`` [m²], the expected area of each in that week; ``overrun``, the chance
            [0 to 1] of an overrun in some week, and ``without``, the same if the batch were not there.
        """
        return causes(self._outcome, place)

    def remedies(self, place: str, *, most: float = 0.1) -> Remedies:
        """Try to split, to move and to cut each of the deliveries that cause most; takes some seconds.

        Parameters
        ----------
        place
            Which place.
        most
            Chance of an overrun [0 to 1] that can be lived with.

        Raises
        ------
        Refused
            If the place is unknown, or `most` is no chance.

        Notes
        -----
        Tried with the first 1,024 draws for three batches, the rest of the plan as it is: halves two to six
        weeks apart, the whole so much earlier or later, and a tenth to all of it less, in weeks and quantities
        that the lab (any lab, if none is named) accepts. Of each kind the mildest change that suffices is kept,
        if it costs no more than 2 points of the chance of what is wanted; else the one that overruns least
        without costing more; else the one that overruns least. They are ranked in the same way, and by the
        order split, move, cut. What a change does to other places, and what it costs, is not looked at.
        """
        return remedies(self._outcome, place, most)

    def sentence(self, place: str) -> str:
        """Say when a place is fullest, and how often it does not suffice."""
        weekly = self.weekly[self.weekly["place"] == place]
        if weekly["p95"].max() == 0:
            return f"{place}: not used."
        fullest = max(weekly.to_dict("records"), key=lambda row: row["median"])
        worst = max(weekly.to_dict("records"), key=lambda row: row["overrun"])
        text = f"{place}: fullest in {fullest['week']}, {_area(fullest)}; "
        if self.overruns[place] == 0:
            return f"{text}it fits."
        text += f"it overruns in {seasons(self.overruns[place])}"
        if worst["overrun"] > fullest["overrun"]:
            text += f", most often in {worst['week']}, {_area(worst)}"
        return f"{text}."


def bench_space(outcome: Outcome) -> BenchSpace:
    """Say what area plants stand on, week by week, and how likely it is that it does not suffice.

    Parameters
    ----------
    outcome
        What comes of the orders.

    Returns
    -------
    BenchSpace

    Notes
    -----
    Given a draw, the area in a place is a sum over many plants; its chance is taken as normal, with its
    mean and variance, and the same in all weeks. Of plants that are sold in part, the rest is taken at its
    expected number. Saleable plants stand in the place of the last stage until what is wanted in a
    week is sold; the rest stands there until it is past its best.

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> space = forecast.bench_space(forecast.simulate(season, draws=256, seed=1))
    >>> space.overruns["covered house"]
    0.0
    """
    area = outcome.area
    weekly, overruns = [], {}
    for place in outcome.season.place_names:
        expected = area["expected"].sel(place=place).to_numpy()
        deviation = area["deviation"].sel(place=place).to_numpy()
        bench = np.array([outcome.season.bench(place, week) for week in outcome.weeks])[:, None]
        chance = outcome.score("bench", place)
        drawn = np.maximum(expected + deviation * chance, 0)
        ends = dict(zip(RANGE_NAMES, np.quantile(drawn, RANGE, axis=1), strict=True))
        over = overrun(expected, deviation, bench)
        frame = pd.DataFrame({"place": place, "week": [str(week) for week in outcome.weeks]})
        frame = frame.assign(**ends, available=bench[:, 0], overrun=over.mean(axis=1))
        weekly.append(frame.round({"p5": 2, "median": 2, "p95": 2, "overrun": 4}))
        overruns[place] = ever(over, chance)
    return BenchSpace(pd.concat(weekly, ignore_index=True), overruns, outcome)


def _area(row: dict[Hashable, Any]) -> str:
    low, middle, high = (rounded(row[name]) if row[name] >= _SMALL else f"{row[name]:.2g}" for name in RANGE_NAMES)
    available = f"of {row['available']:.3g}" if row["available"] else "while it is shut"
    return f"about {middle} m² ({low} to {high}) {available}"
