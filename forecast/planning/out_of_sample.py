"""How good orders are on draws that had no part in finding them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from forecast.growth.simulation import season_streams, simulate
from forecast.planning.column_generation import Solved, best_margin
from forecast.resources.money_flow import cash_flow
from forecast.season.rows import Delivery
from forecast.season.season import Season
from forecast.words.numbers import money, percent

_SURE = 0.95


@dataclass(frozen=True)
class Certificate:
    """What a plan is worth on fresh draws, and how much better the best of all plans could be.

    Parameters
    ----------
    margin, error
        Mean margin on fresh draws, in whole plants, and its standard error [currency].
    worst_tenth
        Mean margin of the worst tenth of them [currency].
    expected
        What the search expected on its own draws [currency].
    better
        With a confidence of 95 %, no plan has an expected margin that is greater by more than this [currency];
        None without repeated searches.
    gaps
        By how much the bound of each repeated search is above the plan on the same draws [currency].
    currency
        ISO 4217 code.
    """

    margin: float
    error: float
    worst_tenth: float
    expected: float
    better: float | None
    gaps: tuple[float, ...]
    currency: str

    def __str__(self) -> str:
        text = (
            f"On fresh draws the plan earns {money(self.margin, self.currency)}, give or take "
            f"{self.error:,.0f}; in the worst tenth of them {money(self.worst_tenth, self.currency)}."
        )
        if self.better is None:
            return text
        share = percent(self.better / max(abs(self.margin), 1e-9))
        return (
            f"{text}\nWith 95 % confidence no plan is expected to earn more than {money(self.better, self.currency)} "
            f"({share} %) more; {len(self.gaps)} searches on draws of their own say so."
        )


def certify(
    season: Season,
    orders: Sequence[Delivery],
    found: Solved,
    *,
    draws: int,
    seed: int,
    searches: int,
    deliveries: int,
    time_limit: float,
) -> Certificate:
    """Value orders on fresh draws, and bound what the best plan could earn more.

    Parameters
    ----------
    season, orders, found
        The season, the orders, and the search that found them.
    draws, seed
        Number of fresh draws, and their seed; repeated searches take as many draws as the first, and the seeds that
        follow.
    searches
        How often the search is repeated, 0 or from 2 on; none for the aim ``cost``.
    deliveries, time_limit
        As for `plan_orders`.

    Notes
    -----
    The best margin found on a sample is too good on average, so a bound on it, less the margin of the plan on the same
    sample, is on average at least what the best plan earns more. Over independent samples its mean has a one-sided
    interval by Student's t: Mak, Morton and Wood 1999, Operations Research Letters 24, 47-56,
    doi:10.1016/S0167-6377(98)00054-6.
    Limits on benches and bad years hold on each sample by itself, so that a plan may miss them a little there.
    """
    flow = cash_flow(simulate(season, orders, draws=draws, seed=seed))
    margin = flow.margin
    floor = found.sharing.floor
    gaps = []
    for number in range(1, searches + 1):
        streams = season_streams(found.sharing.draws, seed + number)
        other = best_margin(season, streams, deliveries=deliveries, floor=floor, time_limit=time_limit, gap=1e-3)
        gaps.append(other.bound - _on_draws_of(other, found))
    better = None
    if gaps:
        width = float(np.std(gaps, ddof=1)) / math.sqrt(len(gaps))
        better = max(float(np.mean(gaps)), 0.0) + float(stats.t.ppf(_SURE, len(gaps) - 1)) * width
    return Certificate(
        float(margin.mean()),
        float(margin.std(ddof=1)) / math.sqrt(draws),
        flow.worst_tenth(),
        found.value,
        better,
        tuple(gaps),
        season.currency,
    )


def _on_draws_of(other: Solved, found: Solved) -> float:
    """Return the margin of a plan on the draws of another search [currency]."""
    bundles = []
    for one in found.chosen:
        bidder = other.bidders[one.item]
        same = {(way.prices, way.week, way.slot): way for slot in bidder.ways.slots for way in slot}
        bundles.append(bidder.bundle({same[way.prices, way.week, way.slot]: n for way, n in one.plants.items()}))
    return float(other.sharing.margin(bundles).mean())
