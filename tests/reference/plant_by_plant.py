"""The model of the bought-in route, written a second time, without the engine and its formulas.

Once as a simulation in which every plant is a process of its own (SimPy), and once as the arrays of
plants that an analyst would write (NumPy). Both read a season's rows and nothing else of the package.
Weather is drawn from tables of 52 weeks, for seasons without a week 53.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import simpy
from scipy import special, stats

from forecast.season.season import Season
from forecast.streams import Array
from forecast.weeks import Week

SALEABLE, PAST, LOST = "saleable", "past its best", "lost"
_AFTER = 1e-6  # weeks after the Monday on which it is counted, when what happens on delivery is done
_PHASES = (np.arange(90) + 0.5) / 90 * np.pi - np.pi / 2  # of a day, from its minimum to its maximum


@dataclass(frozen=True)
class Drawn:
    """What each batch meets in every replicate, arrays of shape (stages, replicates).

    The time a stage needs is in weeks, or in the unit of its clock: degree-days since the first week of the season,
    shape (weeks + 1, replicates); without clocks all are in weeks.
    """

    variety: str
    start: int
    plants: int
    survival: Array
    weeks: Array
    log_sd: Array
    clocks: tuple[Array | None, ...] = ()


def weather(season: Season, replicates: int, rng: np.random.Generator) -> tuple[Array, Array]:
    """Draw the mean daily minima and maxima outside, two arrays of shape (weeks, replicates)."""
    rows = {row.week: row for row in season.climate}
    low, high = np.empty((2, season.weeks + 2, replicates))
    score = rng.standard_normal(replicates)
    for i in range(len(low)):
        row = rows[(season.first_week + i).week]
        low[i], high[i] = row.t_min + row.year_sd * score, row.t_max + row.year_sd * score
        score = season.persistence * score + np.sqrt(1 - season.persistence**2) * rng.standard_normal(replicates)
    return low, high


def indoors(season: Season, name: str, low: Array, high: Array) -> tuple[Array, Array]:
    """Return minima and maxima in a place that has one row."""
    (row,) = (row for row in season.places if row.place == name)
    floor = -np.inf if row.held_above is None else row.held_above
    low = np.maximum(low + row.warmer_by, floor)
    return low, np.maximum(high + row.warmer_by - row.shaded_by, low)


def clock(row: Any, low: Array, high: Array) -> Array:
    """Count degree-days from a Monday on, of days that run as a sine."""
    base, upper = row.base_temperature, np.inf if row.upper_threshold is None else row.upper_threshold
    daily = np.zeros(low.shape)
    for phase in _PHASES:
        daily += np.clip((low + high) / 2 + (high - low) / 2 * np.sin(phase), base, upper) - base
    return np.concatenate([np.zeros((1, low.shape[1])), 7 * daily.cumsum(axis=0) / _PHASES.size])


def harm(row: Any, low: Array, high: Array) -> Array:
    """Return by how many log-odds the weeks after delivery lower the survival."""
    cold = 0 if row.cold_below is None else row.cold_loss * (row.cold_below - low).clip(min=0)
    heat = 0 if row.heat_above is None else row.heat_loss * (high - row.heat_above).clip(min=0)
    return (cold + heat + np.zeros(low.shape)).mean(axis=0)


def draw(
    season: Season, orders: Sequence[tuple[str, str, int]], replicates: int, rng: np.random.Generator
) -> list[Drawn]:
    """Draw survival and times of every batch from the stated distributions, joined by a Gaussian copula."""
    shared: dict[tuple[str, ...], Array] = {}
    outside = weather(season, replicates, rng) if season.climate else ()

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
        survival, weeks, spread, clocks = [], [], [], []
        start = Week.parse(week) - season.first_week
        come = True
        for row in season.route(variety):
            owners = {"belief": row.applies_to, "season": "", "variety": variety, "batch": str(number)}
            share = np.full(replicates, row.survival)
            if row.survival_sd and str(row.survival_level) != "plant":
                size = row.survival * (1 - row.survival) / row.survival_sd**2 - 1
                law = stats.beta(row.survival * size, (1 - row.survival) * size)
                share = law.ppf(uniform(row.survival_level, f"{row.stage} survival", owners))
            time = np.full(replicates, float(row.typical))
            if row.batches_cv:
                law = stats.lognorm(np.sqrt(np.log(1 + row.batches_cv**2)), scale=row.typical)
                time = law.ppf(uniform(row.time_level, f"{row.stage} time", owners))
            if come and row.harmed:
                air = outside if row.typical == 0 else indoors(season, row.place, *outside)
                first = slice(start, start + (1 if row.typical == 0 else 2))
                share = special.expit(special.logit(share) - harm(row, air[0][first], air[1][first]))
            come = come and row.typical == 0
            survival.append(share)
            weeks.append(time)
            spread.append(np.sqrt(np.log(1 + row.plants_cv**2)))
            warm = row.runs_on == "degree-days"
            clocks.append(clock(row, *indoors(season, row.place, *outside)) if warm else None)
        parts = np.array(survival), np.array(weeks), np.array(spread), tuple(clocks)
        batches.append(Drawn(variety, start, plants, *parts))
    return batches


def reached(shows: Sequence[float], now: float, need: float) -> float:
    """Return when a clock, told by Mondays, has gone on by some units; after its end, never."""
    week = int(now)
    target = shows[week] + (now - week) * (shows[week + 1] - shows[week]) + need
    after = bisect_left(shows, target)
    if after == len(shows):
        return np.inf
    return after - 1 + (target - shows[after - 1]) / (shows[after] - shows[after - 1])


def walk(season: Season, variety: str, batches: Sequence[Drawn], replicate: int, rng: np.random.Generator) -> Array:
    """Simulate every plant of a variety as a process; return its plants by state and week.

    Returns
    -------
    array of shape (stages + 3, weeks): the stages of the route, saleable, past its best, lost
    """
    walked = _Walk(season, variety, replicate, rng)
    for batch in batches:
        if batch.variety == variety:
            walked.env.process(walked.delivery(batch))
    walked.env.process(walked.count())
    walked.env.run(until=season.weeks)
    return walked.counts


class _Walk:
    """Processes of plants, deliveries and of who counts them."""

    def __init__(self, season: Season, variety: str, replicate: int, rng: np.random.Generator) -> None:
        self.names = [row.stage for row in season.route(variety)] + [SALEABLE, PAST, LOST]
        self.saleable_weeks = season.variety(variety).saleable_weeks
        self.weeks, self.replicate, self.rng = season.weeks, replicate, rng
        self.counts = np.zeros((len(self.names), season.weeks))
        self.now: Counter[str] = Counter()
        self.env = simpy.Environment()

    def delivery(self, batch: Drawn) -> Iterator[Any]:
        yield self.env.timeout(batch.start)
        stages = len(batch.log_sd)
        vigour = self.rng.standard_normal(batch.plants)
        lives = self.rng.exponential(size=(batch.plants, stages)).tolist()
        times = batch.weeks[:, self.replicate] * np.exp(batch.log_sd * vigour[:, None])
        survival = batch.survival[:, self.replicate].tolist()
        clocks = batch.clocks or [None] * stages
        shown = [None if shows is None else shows[:, self.replicate].tolist() for shows in clocks]
        for life, time in zip(lives, times.tolist(), strict=True):
            self.env.process(self.plant(life, survival, time, shown))

    def plant(self, life: Array, survival: Array, times: Array, clocks: Sequence[Any]) -> Iterator[Any]:
        for name, exposure, share, time, shows in zip(self.names, life, survival, times, clocks, strict=False):
            hazard = -np.log(share)  # for the whole stage; it acts evenly along the stage's clock
            dies = exposure < hazard
            if time > 0 or dies:
                yield from self.stay(name, time * exposure / hazard if dies else time, shows)
            if dies:
                self.now[LOST] += 1
                return
        if self.saleable_weeks is None:
            self.now[SALEABLE] += 1
        else:
            yield from self.stay(SALEABLE, self.saleable_weeks, None)
            self.now[PAST] += 1

    def stay(self, state: str, needs: float, shows: Sequence[float] | None) -> Iterator[Any]:
        self.now[state] += 1
        if shows:
            needs = min(reached(shows, self.env.now, needs) - self.env.now, self.weeks)
        yield self.env.timeout(needs)
        self.now[state] -= 1

    def count(self) -> Iterator[Any]:
        yield self.env.timeout(_AFTER)
        for week in range(self.weeks):
            self.counts[:, week] = [self.now[name] for name in self.names]
            yield self.env.timeout(1)


def saleable(season: Season, variety: str, batches: Sequence[Drawn], week: int, rng: np.random.Generator) -> Array:
    """Count saleable plants of a variety in one week with arrays of plants, shape (replicates,)."""
    saleable_weeks = season.variety(variety).saleable_weeks
    total = 0.0
    for batch in batches:
        if batch.variety != variety:
            continue
        shape = (batch.weeks.shape[1], batch.plants)
        vigour = rng.standard_normal(shape)
        time = np.zeros(shape)
        clocks = batch.clocks or [None] * len(batch.log_sd)
        for middling, spread, shows in zip(batch.weeks, batch.log_sd, clocks, strict=True):
            need = middling[:, None] * np.exp(spread * vigour)
            time = time + need if shows is None else _after(shows, batch.start, time, need)
        good = (rng.random(shape) < batch.survival.prod(axis=0)[:, None]) & (time <= week - batch.start)
        if saleable_weeks is not None:
            good &= time > week - batch.start - saleable_weeks
        total = total + good.sum(axis=1)
    return np.asarray(total, dtype=np.float64)


def _after(shows: Array, start: int, time: Array, need: Array) -> Array:
    """Return when plants that enter at some time since delivery have what they need of a clock [weeks since then]."""
    weeks = np.arange(len(shows)) - start
    found = np.empty(time.shape)
    for i, clock_of_one in enumerate(shows.T):
        target = np.interp(time[i], weeks, clock_of_one) + need[i]
        after = np.searchsorted(clock_of_one, target)
        at = after.clip(1, len(weeks) - 1)
        part = (target - clock_of_one[at - 1]) / np.maximum(clock_of_one[at] - clock_of_one[at - 1], 1e-12)
        found[i] = np.where(after < len(weeks), weeks[at] - 1 + part, np.inf)
    return found
