"""Records of an imagined nursery whose true rates are known, plant by plant; written without the package's learning."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from forecast.records.batches import BatchRecord, CountRecord
from forecast.records.records import Records
from forecast.season.season import Season


@dataclass(frozen=True)
class Truth:
    """How the plants of the nursery really do.

    Parameters
    ----------
    survival
        Mean share surviving, by variety and stage.
    concentration
        k of the beta distribution of batches; infinite if they are alike.
    batches, plants
        Standard deviation of the log of the time between batches, and between plants.
    typical
        Median time of each stage [weeks, or what its clock counts].
    """

    survival: Mapping[tuple[str, str], float]
    concentration: float
    typical: Mapping[str, float]
    batches: float = 0.1
    plants: float = 0.1


Clock = Callable[[np.ndarray], np.ndarray]  # day since delivery -> what the stage's clock has counted by then


def weeks(days: np.ndarray) -> np.ndarray:
    """The clock of a stage that runs on weeks."""
    return days / 7


def simulated(
    season: Season,
    deliveries: list[tuple[str, date, int]],
    truth: Truth,
    rng: np.random.Generator,
    *,
    clocks: Callable[[int, str], Clock] = lambda _batch, _stage: weeks,
    every: int = 14,
    until: int = 500,
    labs: tuple[str, ...] = ("Lab",),
) -> Records:
    """Deliver batches (variety, day, ordered) and count them every so many days until so many days after delivery."""
    batches: list[BatchRecord] = []
    counts: list[CountRecord] = []
    for number, (variety, day, ordered) in enumerate(deliveries):
        name = f"B{number:05d}"
        there, route = ordered, [row.stage for row in season.route(variety)]
        if route[0] == "arrival":
            there = int(rng.binomial(ordered, _share(truth, variety, "arrival", rng)))
            route = route[1:]
        entered = np.zeros(there, dtype=np.int64)
        cells = {"batch": name, "variety": variety, "delivered": day, "ordered": ordered, "received": there}
        batches.append(BatchRecord(**cells, lab=labs[number % len(labs)]))
        looks = np.arange(every, until + 1, every)
        for stage in route:
            lives = rng.random(len(entered)) < _share(truth, variety, stage, rng)
            typical, last = truth.typical.get(stage, 0.0), stage == route[-1]
            if typical:
                takes = typical * np.exp(truth.batches * rng.standard_normal())
                takes = takes * np.exp(truth.plants * rng.standard_normal(len(entered)))
                takes = np.where(lives, takes, takes * rng.random(len(entered)))
                clock = clocks(number, stage)
                days = np.arange(until + 1)
                shown = clock(days.astype(np.float64))
                ends = np.interp(shown[entered] + takes, shown, days, right=np.inf)
                at = np.searchsorted(looks, np.maximum(ends, entered + 0.5))  # the look that finds it ready, or dead
            else:
                at = np.searchsorted(looks, entered)
            gone = np.bincount(at[lives], minlength=len(looks) + 1)
            dead = np.bincount(at[~lives], minlength=len(looks) + 1)
            there = 0
            for look, on in enumerate(looks):
                since = (entered < on) & (entered >= on - every) if typical else entered == on
                there += int(since.sum())
                if not there:
                    continue
                alive, left = there - int(dead[look]), int(gone[look])
                row = {"batch": name, "stage": stage, "date": day + timedelta(int(on)), "alive": alive}
                moved = {"transferred": 0, "saleable": left} if last else {"transferred": left, "saleable": 0}
                counts.append(CountRecord(**row, **moved, losses=int(dead[look])))
                there = alive - left
            out = lives & (at < len(looks))
            entered = looks[at[out]]
            if not len(entered):
                break
    return Records(batches=batches, counts=counts)


def _share(truth: Truth, variety: str, stage: str, rng: np.random.Generator) -> float:
    mean = truth.survival[variety, stage]
    if not np.isfinite(truth.concentration) or mean in (0, 1):
        return mean
    return float(rng.beta(mean * truth.concentration, (1 - mean) * truth.concentration))
