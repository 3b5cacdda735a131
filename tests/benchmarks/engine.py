"""Part of the table: how long a forecast takes at equal error.

The question is the chance that enough plants are saleable in a week. Error is the root mean square over seeds. The two
simulations are unbiased and their replicates independent, so that their error with R replicates is sqrt(p (1 - p) / R)
and the time they need for the engine's error follows from that of a replicate.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any

import explants
import numpy as np
from measuring import Row, seconds
from plant_by_plant import Drawn, draw, saleable, walk
from scipy.special import betaincinv, ndtr
from small_seasons import MIXED, season, stage

import forecast

ROUTE = [
    stage("arrival", survival=0.96, survival_sd=0.03),
    stage("acclimatisation", typical=4, batches_cv=0.12, plants_cv=0.1, survival=0.85, survival_sd=0.08),
    stage("growing on", typical=5, batches_cv=0.15, plants_cv=0.1, survival=0.95, survival_sd=0.04),
    stage("spacing out", typical=5, batches_cv=0.15, plants_cv=0.1, survival=0.98, survival_sd=0.012),
    stage("hardening", typical=9, batches_cv=0.12, plants_cv=0.1, survival=0.95, survival_sd=0.035),
    stage("grading", survival=0.95, survival_level="plant"),
]
SHARED = [
    row
    | ({"survival_level": MIXED} if row["stage"] != "grading" else {})
    | ({"time_level": MIXED} if row["typical"] else {})
    for row in ROUTE
]
CASES = [
    ("one delivery, level batch", season(ROUTE), (("A", "2027-W03", 400),), 28, 250),
    ("one delivery, levels mixed", season(SHARED), (("A", "2027-W03", 400),), 28, 250),
    ("two deliveries, levels mixed", season(SHARED), (("A", "2027-W03", 200), ("A", "2027-W05", 200)), 30, 250),
]
DRAWS = (1024, 4096, 16384)
Asked = Callable[[int, int], float]


def rows(*, quick: bool) -> Iterator[Row]:
    """Measure three cases at three numbers of draws, and the multiplication of explants."""
    seeds, checks, longest = (range(1, 11), 30, 2**17) if quick else (range(1, 31), 100, 2**20)
    for name, plan, orders, at, target in CASES:
        engine, arrays, processes = asked(plan, orders, at, target)
        long = min(longest, 2**17) if len(orders) > 1 else longest
        chance = float(np.mean([engine(long, seed) for seed in range(1001, 1005)]))
        checked = [arrays(2000, seed) for seed in range(checks)]
        error = np.std(checked) / checks**0.5
        what = f"{name}: chance, ± {error:.1g} of {2000 * checks:,} replicates"
        yield Row(what, chance, 4, against="NumPy", theirs=float(np.mean(checked)))
        each = {"NumPy": seconds(lambda: arrays(2000, 1), 7) / 2000, "SimPy": seconds(lambda: processes(40, 1), 5) / 40}  # noqa: B023
        for rival, time in each.items():
            yield Row(f"{name}: a replicate in {rival}", time, 7 if rival == "NumPy" else 5, "s")
        for draws in DRAWS:
            found = np.array([engine(draws, seed) for seed in seeds])
            rmse = float(np.mean((found - chance) ** 2) ** 0.5)
            took = seconds(lambda draws=draws: engine(draws, 1), 9)  # type: ignore[misc]  # noqa: B023
            for rival, time in each.items():
                needed = time * chance * (1 - chance) / rmse**2
                what = f"{name}: {draws:,} draws, to an error of {rmse:.1e}"
                yield Row(what, took, 9, "s", against=rival, theirs=needed)
    yield from explants.rows(quick=quick)


def asked(
    plan: forecast.Season, orders: Sequence[tuple[str, str, int]], at: int, target: int
) -> tuple[Asked, Asked, Asked]:
    """Return three ways to the chance that enough is saleable: the engine, NumPy, SimPy."""
    week = plan.first_week + at

    def engine(draws: int, seed: int) -> float:
        return forecast.simulate(plan, orders, draws=draws, seed=seed).chance("A", week=week, at_least=target)

    def arrays(replicates: int, seed: int) -> float:
        rng = np.random.default_rng(seed)
        batches = drawn(plan, orders, replicates, rng)
        return float((saleable(plan, "A", batches, at, rng) >= target).mean())

    def processes(replicates: int, seed: int) -> float:
        rng = np.random.default_rng(seed)
        batches = draw(plan, orders, replicates, rng)
        counts = [walk(plan, "A", batches, i, rng)[-3, at] for i in range(replicates)]
        return float(np.mean(np.array(counts) >= target))

    return engine, arrays, processes


def drawn(
    plan: forecast.Season, orders: Sequence[tuple[str, str, int]], replicates: int, rng: np.random.Generator
) -> list[Drawn]:
    """Draw what batches meet as quickly as NumPy can: direct generators where only batches differ."""
    batches, shared = [], {}

    def uniform(level: Any, quantity: str) -> Any:
        total = 0.0
        for word, part in level.shares:
            if word == "batch":
                total = total + part**0.5 * rng.standard_normal(replicates)
            else:
                if (word, quantity) not in shared:
                    shared[word, quantity] = rng.standard_normal(replicates)
                total = total + part**0.5 * shared[word, quantity]
        return total

    for variety, week, plants in orders:
        survival, weeks, spread = [], [], []
        for row in plan.route(variety):
            mean, spread_survival = row.survival or 0.0, row.survival_sd
            size = mean * (1 - mean) / (spread_survival or 1) ** 2 - 1
            a, b = mean * size, (1 - mean) * size
            if not spread_survival:
                survival.append(np.full(replicates, mean))
            elif str(row.survival_level) == "batch":
                survival.append(rng.beta(a, b, replicates))
            else:
                survival.append(betaincinv(a, b, ndtr(uniform(row.survival_level, f"{row.stage} survival"))))
            score = uniform(row.time_level, f"{row.stage} time") if row.typical else 0.0
            weeks.append(row.typical * np.exp(np.log1p(row.batches_cv**2) ** 0.5 * score) + np.zeros(replicates))
            spread.append(np.log1p(row.plants_cv**2) ** 0.5)
        start = forecast.Week.parse(week) - plan.first_week
        batches.append(Drawn(variety, start, plants, np.array(survival), np.array(weeks), np.array(spread)))
    return batches
