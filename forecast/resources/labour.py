"""How much work potting and moving is, week by week."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from forecast.errors import Fault, Refused, whole
from forecast.fates.fate import Batch
from forecast.growth.outcome import Outcome
from forecast.growth.summaries import RANGE, RANGE_NAMES
from forecast.ordering.unit_costs import BEFORE
from forecast.streams import Array
from forecast.words import resources
from forecast.words.results import Result


@dataclass(frozen=True, eq=False, repr=False)
class Hours(Result):
    """Hours of work by week: what plants take as they come and as they are potted, moved, spaced and graded.

    Parameters
    ----------
    by_stage
        A row for each week and stage that plants enter in it: p5, median and p95 of the number that enter, and
        expected hours [h].
    """

    _weekly: pd.DataFrame
    by_stage: pd.DataFrame
    _facts: dict[str, object] = field(default_factory=dict)

    def table(self, busiest: int | None = None) -> pd.DataFrame:
        """Return the hours of each week: week, and their p5, median and p95 [h].

        Parameters
        ----------
        busiest
            How many weeks at most, those with most hours (median), the busiest first; weeks without work are left out.
            `Refused` if there is no work in any.
        """
        if busiest is None:
            return self._weekly.copy()
        most = whole("busiest", busiest, 1, 1000)
        ranked = self._weekly.sort_values("median", ascending=False, kind="stable", ignore_index=True)
        if not ranked["p95"].any():
            raise Refused([Fault("no work is to be done: no stage states minutes", "Fill minutes.", "stages.csv")])
        return ranked[ranked["p95"] > 0].head(most)

    def facts(self) -> dict[str, object]:
        """Return what tells this result from others: facts of the outcome."""
        return self._facts

    def busiest(self) -> dict[Hashable, Any]:
        """Return the row of the busiest week, with the stage that takes most of its hours and its share of them."""
        busy = max(self._weekly.to_dict("records"), key=lambda row: (row["median"], row["p95"]))
        hours = self.by_stage[self.by_stage["week"] == busy["week"]].set_index("stage")["hours"]
        first = str(hours.idxmax()) if hours.any() else ""
        return {**busy, "stage": first, "share": float(hours.max() / hours.sum()) if first else 0.0}

    def __str__(self) -> str:
        return resources.busiest_week(self.busiest())


def hours_of_work(outcome: Outcome) -> Hours:
    """Return how much work the plants of an outcome are, potting and moving, week by week.

    Notes
    -----
    A stage's minutes are worked in the week in which a plant enters it. Given a draw the number that enter is taken at
    its expectation: single plants' chance adds little.

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> print(hours_of_work(forecast.simulate(season, draws=256, seed=1)).table().columns.tolist())
    ['week', 'p5', 'median', 'p95']
    """
    season = outcome.season
    shape = (season.weeks, outcome.draws)
    plants: dict[str, np.ndarray] = {}
    hours: dict[str, np.ndarray] = {}
    for batch in outcome.batches:
        for stage, number in zip(season.route(batch.variety), entering(outcome, batch), strict=True):
            plants[stage.stage] = plants.get(stage.stage, np.zeros(shape)) + number
            hours[stage.stage] = hours.get(stage.stage, np.zeros(shape)) + number * (stage.minutes / 60)
    weeks = [str(week) for week in outcome.weeks]
    weekly = pd.DataFrame({"week": weeks}).assign(**_range(sum(hours.values(), start=np.zeros(shape)), 2))
    parts = []
    for name, number in plants.items():
        part = pd.DataFrame({"week": weeks, "stage": name}).assign(**_range(number, 0))
        part = part.assign(hours=hours[name].mean(axis=1).round(2))
        parts.append(part[number.max(axis=1) > _SOME])
    by_stage = pd.concat(parts) if parts else pd.DataFrame(columns=["week", "stage", *RANGE_NAMES, "hours"])
    by_stage = by_stage.sort_values("week", kind="stable", ignore_index=True)
    return Hours(weekly, by_stage, outcome.facts())


_SOME = 0.5  # plants


def entering(outcome: Outcome, batch: Batch, *, ends: bool = False) -> Array:
    """Return the plants of a batch that enter each stage in each week, expected given the draw.

    Those that become saleable too, as one more stage, if it `ends` so; shape (stages, weeks, draws).
    """
    fate = outcome.fate(batch)
    edges = np.arange(outcome.season.weeks + 1, dtype=np.float64) - (batch.week - outcome.season.first_week)
    left = np.array(fate.boundaries(edges - BEFORE))  # those who enter a stage have left the ones before
    stages = slice(None if ends else -1)
    return np.asarray(batch.quantity * fate.reached[stages, None] * np.diff(left[stages], axis=1))


def _range(numbers: Array, digits: int) -> dict[str, Array]:
    return dict(zip(RANGE_NAMES, np.quantile(numbers, RANGE, axis=1).round(digits), strict=True))
