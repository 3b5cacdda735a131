"""The model of the bought-in route, written a second time, without the engine and its formulas.

Once as a simulation in which every plant is a process of its own (SimPy), and once as the arrays of
plants that an analyst would write (NumPy). Both read a season's rows and nothing else of the package.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import simpy
from numpy.typing import NDArray
from scipy import stats

from forecast.season.plan import Season
from forecast.weeks import Week

Array = NDArray[np.float64]
SALEABLE, PAST, LOST = "saleable", "past its best", "lost"
_AFTER = 1e-6  # weeks after the Monday on which it is counted, when what happens on delivery is done


@dataclass(frozen=True)
class Drawn:
    """What each batch meets in every replicate, arrays of shape (stages, replicates)."""

    variety: str
    start: int
    plants: int
    survival: Array
    weeks: Array
    spread: Array


def draw(
    season: Season, orders: Sequence[tuple[str, str, int]], replicates: int, rng: np.random.Generator
) -> list[Drawn]:
    """Draw survival and times of every batch from the stated distributions, joined by a Gaussian copula."""
    shared: dict[tuple[str, ...], Array] = {}

    def uniform(level: Any, quantity: str, owners: dict[str, str]) -> Array:
        total = np.zeros(replicates)
        for word, part in level.shares:
            key = (word, owners[word], quantity)
            if key not in shared:
                shared[key] = rng.standard_normal(replicates)
            total += np.sqrt(part) * shared[key]
        return stats.norm.cdf(total)

    batches = []
    for number, (variety, week, plants) in enumerate(orders):
        survival, weeks, spread = [], [], []
        for row in season.route(variety):
            owners = {"belief": row.applies_to, "season": "", "variety": variety, "batch": str(number)}
            share = np.full(replicates, row.survival)
            if row.survival_spread and str(row.survival_level) != "plant":
                size = row.survival * (1 - row.survival) / row.survival_spread**2 - 1
                law = stats.beta(row.survival * size, (1 - row.survival) * size)
                share = law.ppf(uniform(row.survival_level, f"{row.stage} survival", owners))
            time = np.full(replicates, float(row.typical))
            if row.spread_batches:
                law = stats.lognorm(np.sqrt(np.log(1 + row.spread_batches**2)), scale=row.typical)
                time = law.ppf(uniform(row.time_level, f"{row.stage} time", owners))
            survival.append(share)
            weeks.append(time)
            spread.append(np.sqrt(np.log(1 + row.spread_plants**2)))
        start = Week.parse(week) - season.first_week
        batches.append(Drawn(variety, start, plants, np.array(survival), np.array(weeks), np.array(spread)))
    return batches


def walk(season: Season, variety: str, batches: Sequence[Drawn], replicate: int, rng: np.random.Generator) -> Array:
    """Simulate every plant of a variety as a process; give its plants by state and week.

    Returns
    -------
    array of shape (stages + 3, weeks): the stages of the route, saleable, past its best, lost
    """
    names = [row.stage for row in season.route(variety)] + [SALEABLE, PAST, LOST]
    shelf_life = season.variety(variety).shelf_life
    now: Counter[str] = Counter()
    env = simpy.Environment()

    def plant(life: Array, survival: Array, times: Array) -> Iterator[Any]:
        for name, exposure, share, time in zip(names, life, survival, times, strict=False):
            hazard = -np.log(share)  # for the whole stage; it acts evenly along the stage's clock
            dies = exposure < hazard
            if time > 0 or dies:
                now[name] += 1
                yield env.timeout(time * exposure / hazard if dies else time)
                now[name] -= 1
            if dies:
                now[LOST] += 1
                return
        now[SALEABLE] += 1
        if shelf_life is not None:
            yield env.timeout(shelf_life)
            now[SALEABLE] -= 1
            now[PAST] += 1

    def delivery(batch: Drawn) -> Iterator[Any]:
        yield env.timeout(batch.start)
        stages = len(batch.spread)
        vigour = rng.standard_normal(batch.plants)
        lives = rng.exponential(size=(batch.plants, stages)).tolist()
        times = batch.weeks[:, replicate] * np.exp(batch.spread * vigour[:, None])
        survival = batch.survival[:, replicate].tolist()
        for life, time in zip(lives, times.tolist(), strict=True):
            env.process(plant(life, survival, time))

    counts = np.zeros((len(names), season.weeks))

    def count() -> Iterator[Any]:
        yield env.timeout(_AFTER)
        for week in range(season.weeks):
            counts[:, week] = [now[name] for name in names]
            yield env.timeout(1)

    for batch in batches:
        if batch.variety == variety:
            env.process(delivery(batch))
    env.process(count())
    env.run(until=season.weeks)
    return counts


def saleable(season: Season, variety: str, batches: Sequence[Drawn], week: int, rng: np.random.Generator) -> Array:
    """Count saleable plants of a variety in one week with arrays of plants, shape (replicates,)."""
    shelf_life = season.variety(variety).shelf_life
    total = 0.0
    for batch in batches:
        if batch.variety != variety:
            continue
        shape = (batch.weeks.shape[1], batch.plants)
        vigour = rng.standard_normal(shape)
        time = sum(
            m[:, None] * np.exp(s * vigour) for m, s in zip(batch.weeks, batch.spread, strict=True) if m.any()
        ) + np.zeros(shape)
        good = (rng.random(shape) < batch.survival.prod(axis=0)[:, None]) & (time <= week - batch.start)
        if shelf_life is not None:
            good &= time > week - batch.start - shelf_life
        total = total + good.sum(axis=1)
    return np.asarray(total, dtype=np.float64)
