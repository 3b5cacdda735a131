"""Whether the plants fit on the benches, week by week."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from forecast.growth.benches import grown, on_benches
from forecast.growth.outcome import Outcome
from forecast.growth.summaries import RANGE, RANGE_NAMES
from forecast.resources.overruns import Remedies, causes, ever, luck, overrun, remedies
from forecast.streams import Array
from forecast.weeks import Week
from forecast.words import resources
from forecast.words.results import Result

_NO_AREA = 1e-9  # m², of a place that is closed


@dataclass(frozen=True, eq=False, repr=False)
class BenchSpace(Result):
    """Area that plants take, by place and week, and what there is.

    Parameters
    ----------
    overruns
        For each place, the chance [0 to 1] that it is over capacity in some week.
    """

    _weekly: pd.DataFrame
    overruns: dict[str, float]
    _outcome: Outcome

    def table(self) -> pd.DataFrame:
        """Return the area taken by place and week.

        Returns
        -------
        DataFrame
            place and week; p5, median and p95 of the area [m²]; ``available`` [m²]; ``overrun``, the chance [0 to 1]
            that it is over capacity.
        """
        return self._weekly.copy()

    def facts(self) -> dict[str, object]:
        """Return what tells this result from others: those of the outcome."""
        return self._outcome.facts()

    def __str__(self) -> str:
        return "\n".join(self.sentence(place) for place in self.overruns)

    def headline(self) -> str:
        """Return the line of the growing area that is over capacity most often, or if none is, is fullest."""
        filled = {}
        for place, overrun_chance in self.overruns.items():
            row = self.fullest(place)
            filled[place] = overrun_chance, float(row["median"]) / max(float(row["available"]), _NO_AREA)
        return self.sentence(max(filled, key=lambda place: filled[place])) if filled else ""

    def plants(self, week: Week | str) -> pd.DataFrame:
        """Return how many plants are in which place in a week.

        Parameters
        ----------
        week
            On the Monday of which week.

        Returns
        -------
        DataFrame
            A row for each place, variety and stage with plants: p5, median and p95 of the number expected given the
            draw (single plants' chance adds little and is left out), and the median area [m²]. Targets until then
            count as sold.
        """
        outcome, rows = self._outcome, []
        at = np.array([outcome.week(week) - outcome.season.first_week])
        for variety in outcome.varieties:
            batches = grown(outcome.drawn, variety)
            shares = on_benches(outcome.drawn, variety, batches, at)
            numbers = np.tensordot([one.quantity for one in batches], np.array(shares)[:, :, 0], axes=1)
            route = outcome.season.route(variety)
            for row, name, number in zip(
                [*route, route[-1]], [*(one.stage for one in route), "saleable"], numbers, strict=True
            ):
                low, median, high = np.rint(np.quantile(number, RANGE)).astype(int)
                if high > 0:
                    rows.append((row.place, variety, name, low, median, high, round(median / row.plants_per_m2, 2)))
        columns = ["place", "variety", "stage", *RANGE_NAMES, "area_m2"]
        return pd.DataFrame(rows, columns=columns).sort_values(["place", "variety"], ignore_index=True)

    def causes(self, place: str) -> pd.DataFrame:
        """Return the batches that put a place over capacity; the first causes most.

        Returns
        -------
        DataFrame
            variety, week, lab and quantity of the largest batches there in the week in which it overruns most often,
            of equal ones the fullest; ``area`` [m²], the expected area of each in that week; ``overrun``, the chance
            [0 to 1] of an overrun in some week, and ``without``, the same if the batch were not there.
        """
        return causes(self._outcome, place)

    def remedies(self, place: str, *, most: float = 0.1) -> Remedies:
        """Try to split, to move and to cut each of the deliveries that cause most, which takes some seconds.

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
        that the lab (any lab, if none is named) accepts. Of each kind the mildest change that is enough is kept,
        if it costs no more than 2 points of the chance of a target; else the one that overruns least
        without costing more; else the one that overruns least. They are ranked in the same way, and by the
        order split, move, cut. What a change does to other places, and what it costs, is not looked at.
        """
        return remedies(self._outcome, place, most)

    def fullest(self, place: str, *, by: str = "median") -> dict[Hashable, Any]:
        """Return the week of the table in which a place has the largest median, or `by` another column; the first."""
        weeks = self._weekly[self._weekly["place"] == place].to_dict("records")
        return max(weeks, key=lambda row: float(row[by]))

    def sentence(self, place: str) -> str:
        """Say when a place is fullest, and how often it is over capacity."""
        worst, most = self.fullest(place, by="overrun"), self.fullest(place, by="p95")["p95"]
        overrun = self.overruns[place]
        return resources.bench_use(place, fullest=self.fullest(place), worst=worst, overrun=overrun, used=most > 0)


def bench_space(outcome: Outcome) -> BenchSpace:
    """Return the area that the plants of an outcome take, week by week, and how often it is over capacity.

    Notes
    -----
    Given a draw, the area in a place is a sum over many plants; its chance is taken as normal, with its
    mean and variance, and the same in all weeks. Of plants that are sold in part, the rest is taken at its
    expected number. Saleable plants are in the place of the last stage until the target of a
    week is sold; the rest is there until it is past its sale window, or the last target of its variety is sold.

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> space = forecast.bench_space(forecast.simulate(season, draws=256, seed=1))
    >>> space.overruns["covered house"]
    0.0
    """
    return space_taken(outcome, *outcome.drawn.area())


def space_taken(outcome: Outcome, expected: Array, variance: Array) -> BenchSpace:
    """Return the bench space if plants take an area, as `Draws.area` gives it, or the sum of several."""
    weekly, overruns = [], {}
    for place, mean, deviation in zip(outcome.season.place_names, expected, np.sqrt(variance), strict=True):
        bench = np.array([outcome.season.bench(place, week) for week in outcome.weeks])[:, None]
        chance = luck(outcome, place)
        drawn = np.maximum(mean + deviation * chance, 0)
        ends = dict(zip(RANGE_NAMES, np.quantile(drawn, RANGE, axis=1), strict=True))
        over = overrun(mean, deviation, bench)
        frame = pd.DataFrame({"place": place, "week": [str(week) for week in outcome.weeks]})
        frame = frame.assign(**ends, available=bench[:, 0], overrun=over.mean(axis=1))
        weekly.append(frame.round({"p5": 2, "median": 2, "p95": 2, "overrun": 4}))
        overruns[place] = ever(over, chance)
    return BenchSpace(pd.concat(weekly, ignore_index=True), overruns, outcome)
