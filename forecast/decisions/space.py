"""Whether the plants fit on the benches, week by week."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import ndtr

from forecast.growth.outcome import RANGE, Outcome
from forecast.words import rounded, seasons


@dataclass(frozen=True, eq=False)
class BenchSpace:
    """Area that plants stand on, by place and week, against what there is.

    Parameters
    ----------
    weekly
        A row for each place and week: low, middle and high area [m2], nine in ten lie between low and
        high; ``there_is`` [m2]; ``overrun``, the chance that it does not suffice.
    places
        A row for each place: the week in which it is fullest, and the chance that it does not suffice in
        some week.
    """

    weekly: pd.DataFrame
    places: pd.DataFrame

    def __str__(self) -> str:
        lines = []
        for row in self.places.to_dict("records"):
            low, middle, high, there_is = (rounded(row[name]) for name in ("low", "middle", "high", "there_is"))
            verdict = f"it overruns in {seasons(row['overrun'])}" if row["overrun"] > 0 else "it fits"
            area = f"about {middle} m² ({low} to {high}) of {there_is}"
            lines.append(f"{row['place']}: fullest in {row['week']}, {area}; {verdict}.")
        return "\n".join(lines)


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
    Given a draw, the area in a place is a sum over many plants; its chance is taken as normal, with the
    exact mean and variance. Saleable plants stand in the place of the last stage until they are wanted.
    """
    area = outcome.area
    weekly, places = [], []
    for place in outcome.season.places:
        expected = area["expected"].sel(place=place.place).to_numpy()
        deviation = area["deviation"].sel(place=place.place).to_numpy()
        bench = np.array([place.bench(week) for week in outcome.weeks])[:, None]
        chance = outcome.score("bench", place.place)
        drawn = np.maximum(expected + deviation * chance, 0)
        low, middle, high = np.quantile(drawn, RANGE, axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            over = np.where(deviation > 0, ndtr((expected - bench) / deviation), expected > bench + 1e-9)
            any_plant = -np.expm1(-((expected / deviation) ** 2))  # a place that is shut is overrun by one
        over = np.where((bench == 0) & (deviation > 0), any_plant, over)
        overrun = over.mean(axis=1)
        frame = pd.DataFrame(
            {
                "place": place.place,
                "week": [str(week) for week in outcome.weeks],
                "low": low,
                "middle": middle,
                "high": high,
                "there_is": bench[:, 0],
                "overrun": overrun,
            }
        )
        weekly.append(frame.round({"low": 2, "middle": 2, "high": 2, "overrun": 4}))
        fullest = int(np.argmax(overrun if overrun.max() > 0.005 else middle))
        ever = float((ndtr(-chance) < over).any(axis=0).mean())
        places.append(
            (
                place.place,
                str(outcome.weeks[fullest]),
                low[fullest],
                middle[fullest],
                high[fullest],
                bench[fullest, 0],
                ever,
            )
        )
    columns = ["place", "week", "low", "middle", "high", "there_is", "overrun"]
    return BenchSpace(pd.concat(weekly, ignore_index=True), pd.DataFrame(places, columns=columns))
