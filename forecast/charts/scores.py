"""Charts of how good forecasts were."""

from __future__ import annotations

import math

import altair as alt
import numpy as np
import pandas as pd

from forecast.charts.base import BLACK, BLUE, ORANGE, Chart, layered
from forecast.errors import refuse
from forecast.rates.distributions import Z90
from forecast.tracking.scoring import OURS, Scorecard
from forecast.words import charts as words

_BINS = 10


def calibration(scores: Scorecard) -> Chart:
    """Draw where outcomes lay in our forecasts, against the band that is consistent with chance.

    Parameters
    ----------
    scores
        The forecasts and their outcomes.

    Returns
    -------
    LayerChart
        A bar for each tenth of the forecast distributions: the share of forecasts that came in it. All are a tenth
        if forecasts are right; a hump in the middle shows ranges that are too wide, one at either end ranges too
        narrow, a slope to the left numbers that are too high. The band holds the bar nine times in ten.

    Raises
    ------
    Refused
        If no forecast could be scored.

    Notes
    -----
    Forecasts of one batch at several horizons resemble each other, which chance shares out less evenly than as many
    batches. With r the share of their pairs that lie in one tenth, a bar has the variance
    (n p (1 - p) + pairs (p r - p^2)) / n^2 around p = 1/10, n forecasts, pairs counted in both orders.
    """
    ours = scores.forecasts[scores.forecasts["forecaster"] == OURS]
    if not len(ours):
        raise refuse("scores", len(ours), "no forecast was scored", "Wait until a batch is finished.")
    at = np.minimum((ours["pit"].to_numpy() * _BINS).astype(np.intp), _BINS - 1)
    share = np.bincount(at, minlength=_BINS) / len(at)
    error = Z90 * _spread(pd.crosstab(ours["batch"], at).to_numpy())
    low, high = max(1 / _BINS - error, 0.0), 1 / _BINS + error
    edges = np.arange(_BINS + 1) / _BINS
    rows = pd.DataFrame({"start": edges[:-1].round(1), "end": edges[1:].round(1), "share": share.round(4)})
    x = alt.X(
        "start:Q", bin="binned", title="forecast chance of fewer than the outcome [%]", axis=alt.Axis(format=".0%")
    )
    y = alt.Y("share:Q", title="forecasts [% of all]", axis=alt.Axis(format=".0%"), scale=alt.Scale(zero=True))
    tips = [*(alt.Tooltip(name, format=".0%") for name in ("start", "end")), alt.Tooltip("share", format=".1%")]
    bars = alt.Chart(rows).mark_bar(color=BLUE, opacity=0.6).encode(x=x, x2="end:Q", y=y, tooltip=tips)
    band = pd.DataFrame([{"p5": round(low, 4), "p95": round(high, 4), "even": 1 / _BINS}])
    chance = alt.Chart(band).mark_rect(color=ORANGE, opacity=0.18).encode(y="p5:Q", y2="p95:Q")
    even = alt.Chart(band).mark_rule(color=BLACK, strokeDash=[5, 4]).encode(y="even:Q")
    outside = int(((share < low) | (share > high)).sum())
    text = words.calibration(
        forecasts=len(ours), batches=ours["batch"].nunique(), shares=share.tolist(), low=low, high=high, outside=outside
    )
    return layered(chance, bars, even, title=words.CALIBRATION_TITLE, reads=words.CALIBRATION, text=text)


def _spread(counts: np.ndarray) -> float:
    """Return the standard deviation of the share in one bin, of forecasts counted by batch and bin."""
    n, p = float(counts.sum()), 1 / _BINS
    of = counts.sum(axis=1)
    pairs, alike = float((of * (of - 1)).sum()), float((counts * (counts - 1)).sum())
    together = max(alike / pairs, p) if pairs else p
    return math.sqrt(n * p * (1 - p) + pairs * (p * together - p**2)) / n
