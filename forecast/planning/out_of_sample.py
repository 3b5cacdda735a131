"""The out-of-sample check: how good a plan is on draws that had no part in finding it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from forecast.growth.simulation import season_streams, simulate
from forecast.ordering.shipments import Shipment
from forecast.planning.column_generation import Solution, best_plan
from forecast.resources.money_flow import cash_flow
from forecast.season.season import Season
from forecast.words import orders as words
from forecast.words.numbers import to_known
from forecast.words.results import Result

_CONFIDENCE = 0.95
_GAP = 1e-3  # at which a repeated search stops [share of the margin]


@dataclass(frozen=True, repr=False)
class OutOfSample(Result):
    """What a plan is worth on new draws, and how much better the best of all plans could be.

    Parameters
    ----------
    margin, error
        Mean margin on the new draws, in whole plants, and its standard error [currency].
    worst_tenth
        Mean margin of the worst tenth of them [currency].
    expected
        What the search expected on its own draws [currency].
    better_by
        With a confidence of 95 %, no plan has an expected margin that is greater by more than this [currency];
        None without repeated searches.
    gaps
        By how much the bound of each repeated search is above the plan on the same draws [currency].
    draws, seed, currency
        Number of new draws, their seed, and the ISO 4217 code.
    """

    margin: float
    error: float
    worst_tenth: float
    expected: float
    better_by: float | None
    gaps: tuple[float, ...]
    draws: int
    seed: int
    currency: str

    def facts(self) -> dict[str, object]:
        """Return draws, seed and the number of repeated searches."""
        return {"draws": self.draws, "seed": self.seed, "searches": len(self.gaps)}

    def table(self) -> pd.DataFrame:
        """Return one row: margin, error, worst_tenth, expected and, rounded up, better_by [currency]."""
        row = {name: getattr(self, name) for name in ("margin", "error", "worst_tenth", "expected", "better_by")}
        if self.better_by is not None:
            row["better_by"] = to_known(self.better_by, _GAP * abs(self.margin), bound=True)
        return pd.DataFrame([row]).astype(float).round(2)

    def __str__(self) -> str:
        return words.out_of_sample(
            margin=self.margin, error=self.error, worst_tenth=self.worst_tenth, better=self.better_by,
            searches=len(self.gaps), gap=_GAP, currency=self.currency,
        )  # fmt: skip


def evaluate(
    season: Season,
    orders: Sequence[Shipment],
    found: Solution,
    *,
    expected: float,
    draws: int,
    seed: int,
    searches: int,
    time_limit: float,
) -> OutOfSample:
    """Value orders on new draws, and bound what the best plan could earn more, by searches on draws of their own.

    Searches take as many draws as the one that found the orders, and the seeds that follow that of the new draws.

    Notes
    -----
    The best margin found on a sample is too good on average, so a bound on it, less the margin of the plan on the same
    sample, is on average at least what the best plan earns more. Over independent samples its mean has a one-sided
    interval by Student's t: Mak, Morton and Wood 1999, Operations Research Letters 24, 47-56,
    doi:10.1016/S0167-6377(98)00054-6.
    Limits on benches and the worst tenth hold on each sample by itself, so that a plan may miss them a little there.
    """
    flow = cash_flow(simulate(season, orders, draws=draws, seed=seed))
    margin = flow.margin
    gaps = []
    for number in range(1, searches + 1):
        streams = season_streams(found.master.draws, seed + number)
        floor = found.master.floor
        other = best_plan(season, streams, aim="margin", floor=floor, time_limit=time_limit, gap=_GAP)
        gaps.append(other.bound - _on_draws_of(other, found))
    better = None
    if gaps:
        error = float(np.std(gaps, ddof=1)) / math.sqrt(len(gaps))
        better = max(float(np.mean(gaps)), 0.0) + float(stats.t.ppf(_CONFIDENCE, len(gaps) - 1)) * error
    new = float(margin.mean()), float(margin.std(ddof=1)) / math.sqrt(draws), flow.worst_tenth()
    return OutOfSample(*new, expected, better, tuple(gaps), draws, seed, season.currency)


def _on_draws_of(other: Solution, found: Solution) -> float:
    """Return the margin of a plan on the draws of another search [currency]."""
    columns = []
    for one in found.chosen:
        problem = other.problems[one.item]
        columns.append(problem.column({way.at: quantity for way, quantity in one.plants.items()}))
    return other.master.worth(columns)
