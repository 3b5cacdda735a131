"""How long a forecast takes at equal error, and beside its bare random numbers.

Run by hand from the project's folder: ``python tests/benchmarks/bench.py``. Medians over repeats.

The question of the first table is the chance that enough plants are saleable in a week. Error is the root mean
square over seeds. The two simulations are unbiased and their replicates independent, so that their error with R
replicates is sqrt(p (1 - p) / R) and the time they need for the engine's error follows from that of a replicate.
"""

from __future__ import annotations

import os
import resource
import statistics
import sys
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from scipy.special import betaincinv, expit, logit, ndtr

sys.path.insert(0, str(Path(__file__).parents[1]))

from culture_by_culture import many
from plant_by_plant import Drawn, draw, saleable, walk
from simulated_records import Truth, simulated
from small_seasons import MIXED, offer, season, stage

import forecast
from forecast.growth.multiplication import Multiplication, Rates, grow
from forecast.growth.simulation import draw_fate, season_streams
from forecast.growth.stages import Batch

DEMO_CULTURE = forecast.read_season("demo_data").culture("Heuchera 'Pellowen'")
SEEDS = range(1, 31)
LONG = 2**20
ROUTE = [
    stage("arrival", survival=0.96, survival_spread=0.03),
    stage("acclimatisation", typical=4, spread_batches=0.12, spread_plants=0.1, survival=0.85, survival_spread=0.08),
    stage("growing on", typical=5, spread_batches=0.15, spread_plants=0.1, survival=0.95, survival_spread=0.04),
    stage("spacing out", typical=5, spread_batches=0.15, spread_plants=0.1, survival=0.98, survival_spread=0.012),
    stage("hardening", typical=9, spread_batches=0.12, spread_plants=0.1, survival=0.95, survival_spread=0.035),
    stage("grading", survival=0.95, survival_level="plant"),
]
SHARED = [
    row
    | ({"survival_level": MIXED} if row["stage"] != "grading" else {})
    | ({"time_level": MIXED} if row["typical"] else {})
    for row in ROUTE
]
CASES = [
    ("one delivery of 400, level batch", season(ROUTE), (("A", "2027-W03", 400),), 28, 250),
    ("one delivery of 400, season 0.3 variety 0.2 batch 0.5", season(SHARED), (("A", "2027-W03", 400),), 28, 250),
    (
        "two of 200, season 0.3 variety 0.2 batch 0.5",
        season(SHARED),
        (("A", "2027-W03", 200), ("A", "2027-W05", 200)),
        30,
        250,
    ),
]


def seconds(work: Callable[[], Any], repeats: int = 9) -> float:
    """Median time of a piece of work [s]."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


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
            size = row.survival * (1 - row.survival) / (row.survival_spread or 1) ** 2 - 1
            a, b = row.survival * size, (1 - row.survival) * size
            if not row.survival_spread:
                survival.append(np.full(replicates, row.survival))
            elif str(row.survival_level) == "batch":
                survival.append(rng.beta(a, b, replicates))
            else:
                survival.append(betaincinv(a, b, ndtr(uniform(row.survival_level, f"{row.stage} survival"))))
            score = uniform(row.time_level, f"{row.stage} time") if row.typical else 0.0
            weeks.append(row.typical * np.exp(np.log1p(row.spread_batches**2) ** 0.5 * score) + np.zeros(replicates))
            spread.append(np.log1p(row.spread_plants**2) ** 0.5)
        start = forecast.Week.parse(week) - plan.first_week
        batches.append(Drawn(variety, start, plants, np.array(survival), np.array(weeks), np.array(spread)))
    return batches


def at_equal_error() -> None:
    """Print the first table."""
    for name, plan, orders, at, wanted in CASES:
        week = plan.first_week + at

        def engine(draws: int, seed: int) -> float:
            return forecast.simulate(plan, orders, draws=draws, seed=seed).chance("A", week=week, at_least=wanted)  # noqa: B023

        def arrays(replicates: int, seed: int) -> float:
            rng = np.random.default_rng(seed)
            batches = drawn(plan, orders, replicates, rng)  # noqa: B023
            return float((saleable(plan, "A", batches, at, rng) >= wanted).mean())  # noqa: B023

        def processes(replicates: int, seed: int) -> float:
            rng = np.random.default_rng(seed)
            batches = draw(plan, orders, replicates, rng)  # noqa: B023
            counts = [walk(plan, "A", batches, i, rng)[-3, at] for i in range(replicates)]  # noqa: B023
            return float(np.mean(np.array(counts) >= wanted))  # noqa: B023

        long = 2**17 if len(orders) > 1 else LONG
        chance = float(np.mean([engine(long, seed) for seed in range(1001, 1005)]))
        checked = [arrays(2000, seed) for seed in range(100)]
        error = np.std(checked) / len(checked) ** 0.5
        per_array = seconds(lambda: arrays(2000, 1), 7) / 2000
        per_process = seconds(lambda: processes(40, 1), 5) / 40
        print(f"\n{name}: chance of {wanted} {chance:.6f}")
        print(f"  200,000 replicates in NumPy give {np.mean(checked):.4f} +- {error:.4f}")
        print(f"  a replicate takes {1e6 * per_array:.1f} us in NumPy, {1e6 * per_process:.0f} us in SimPy")
        print("   draws   error      plain draws  time [ms]   NumPy needs [s]  times   SimPy needs [s]  times")
        for draws in (1024, 4096, 16384):
            found = [engine(draws, seed) for seed in SEEDS]
            rmse = float(np.mean((np.array(found) - chance) ** 2) ** 0.5)
            chances = forecast.simulate(plan, orders, draws=draws, seed=1).chances("A", week=week, at_least=wanted)
            took = seconds(lambda draws=draws: engine(draws, 1))
            replicates = chance * (1 - chance) / rmse**2
            print(
                f"  {draws:6d}   {rmse:.2e}   {chances.std() / draws**0.5:.2e}   {1e3 * took:8.1f}   "
                f"{replicates * per_array:12.2f} {replicates * per_array / took:10,.0f} "
                f"{replicates * per_process:14.1f} {replicates * per_process / took:12,.0f}"
            )


def demo_season() -> None:
    """Print the second table."""
    demo, draws = forecast.read_season("demo_data"), 4096
    seed = iter(range(10**6))  # a new seed each time, so that nothing is remembered
    outcome = forecast.simulate(demo, draws=draws, seed=1)
    steps = [np.ascontiguousarray(steps_of(outcome, batch)) for batch in outcome.batches]
    wanted = [
        (row.variety, number) for row in demo.varieties for number in range(1, len(demo.wanted_of(row.variety)) + 1)
    ]

    def forecast_() -> None:
        made = forecast.simulate(demo, draws=draws, seed=next(seed))
        for row in demo.wanted:
            made.chance(row.variety, week=row.week, at_least=row.likely_number)
        made.table()
        forecast.bench_space(made)

    def orders() -> None:
        forecast.size_orders(demo, draws=draws, seed=next(seed))

    def bare_forecast() -> None:
        streams = season_streams(draws, next(seed))
        for batch, step in zip(outcome.batches, steps, strict=True):
            draw_fate(demo, streams, batch.variety, batch.number, batch.week)
            streams.generator("plants", batch.variety, str(batch.number)).multinomial(batch.quantity, step)
        for place in demo.places:
            streams.normal(("plants", "bench", place.place), "chance")

    def bare_orders() -> None:
        streams = season_streams(draws, next(seed))
        for variety, number in wanted:
            draw_fate(demo, streams, variety, number, demo.first_week)

    print(f"\ndemo season, {draws} draws, {os.cpu_count()} cores")
    print(f"{'':52s}time [s]   bare random numbers [s]   ratio")
    total, bare = 0.0, 0.0
    rows = (("simulate, chances, table, bench space", forecast_, bare_forecast), ("size_orders", orders, bare_orders))
    for name, whole, random in rows:
        took, numbers = seconds(whole), seconds(random)
        total, bare = total + took, bare + numbers
        print(f"  {name:42s} {took:14.3f} {numbers:20.3f} {took / numbers:14.1f}")
    print(f"  {'all':42s} {total:14.3f} {bare:20.3f} {total / bare:14.1f}")


def by_size() -> None:
    """Print the whole demo season for more weeks and more varieties, in weather and on weeks."""
    demo, draws, seed = forecast.read_season("demo_data"), 4096, iter(range(10**6))

    def larger(times: int, weeks: int) -> forecast.Season:
        tables: dict[str, tuple[Any, ...]] = {}
        for name in ("varieties", "offers", "wanted", "orders", "stages"):
            rows = getattr(demo, name)
            owner = "applies_to" if name == "stages" else "variety"
            known = {row.variety for row in demo.varieties}
            more = [
                row.replace(**{owner: f"{getattr(row, owner)} {i}"})
                for i in range(1, times) for row in rows if getattr(row, owner) in known
            ]  # fmt: skip
            tables[name] = (*rows, *more)
        return demo.replace(**tables, cultures=(), divisions=(), weeks=weeks)

    def whole(plan: forecast.Season) -> None:
        made = forecast.simulate(plan, draws=draws, seed=next(seed))
        for row in plan.wanted:
            made.chance(row.variety, week=row.week, at_least=row.likely_number)
        made.table()
        forecast.bench_space(made)

    print(f"\nwhole demo season in weather, {draws} draws: simulate, chances, table, bench space")
    print("  varieties   weeks   time [s]")
    for times, weeks in ((1, 70), (1, 87), (1, 104), (2, 70), (4, 70)):
        plan = larger(times, weeks)
        print(f"  {len(plan.varieties):9d} {weeks:7d} {seconds(lambda plan=plan: whole(plan), 5):10.3f}")  # type: ignore[misc]


def steps_of(outcome: forecast.Outcome, batch: Batch) -> Any:
    """Shares newly ready by week, as the engine samples them."""
    ready = outcome._fates[batch].ready(outcome._elapsed(batch))
    return np.diff(ready, axis=0, prepend=0, append=1).clip(min=0).T


def _grown(number: int) -> float:
    """Multiply one variety of the demo over ten cycles; plants that come of it on average."""
    row = DEMO_CULTURE.replace(variety=f"V{number}", most_cycles=10, shelf_places=None, hood_hours=None, lines=1)
    return float(grow(Rates(Multiplication.of(row), season_streams(10_000, 1)), 30, [1.0] * 9 + [0.0]).plantlets.mean())


def cultures() -> None:
    """Print the third table: explants, against a culture-by-culture simulation."""
    row = DEMO_CULTURE.replace(shelf_places=None, hood_hours=None, lines=1)
    alone = seconds(lambda: [_grown(i) for i in range(50)], 3)
    with ProcessPoolExecutor(2) as pool:
        list(pool.map(_grown, range(4)))
        both = seconds(lambda: list(pool.map(_grown, range(50), chunksize=5)), 3)
    print("\n50 varieties, 10 cycles, 10,000 draws")
    print(f"  {alone:.2f} s in one process, {both:.2f} s in two")

    def engine(explants: int) -> Any:
        return grow(Rates(Multiplication.of(row), season_streams(4096, 1)), explants, [1.0, 1.0, 1.0, 0.0])

    def pieces(replicates: int) -> Any:
        return many(
            replicates, 1, explants=30, lines=1, cycles=4, kept=[1, 1, 1, 0], vessel=5, rooting_vessel=12,
            start_survival=0.8, contamination=[0.05, 0.04, 0.03, 0.03, 0.03], means=[[2.6], [3.2], [3.4], [3.2]],
            size=multiplication.size, whole_shoots=False, rooted=0.9, start_weeks=5, cycle_weeks=4, rooting_weeks=4,
        )  # fmt: skip

    multiplication = Multiplication.of(row)
    few, lots = seconds(lambda: engine(30), 5), seconds(lambda: engine(30_000), 5)
    each = seconds(lambda: pieces(20), 3) / 20
    print(f"  4,096 draws of 4 cycles: {1e3 * few:.1f} ms with 30 explants, {1e3 * lots:.1f} ms with 30,000")
    print(
        f"  a draw takes {1e6 * few / 4096:.2f} us here and {1e6 * each:,.0f} us culture by culture, "
        f"{each * 4096 / few:,.0f} times as long"
    )


def learning() -> None:
    """Print a table of its own: 5,000 batches of 200 varieties in 20 groups, learned."""
    rng, names = np.random.default_rng(1), [f"V{i:03d}" for i in range(200)]
    groups = {name: f"G{i // 10:02d}" for i, name in enumerate(names)}
    survival = {"arrival": 0.95, "acclimatisation": 0.85, "growing on": 0.93, "grading": 0.95}
    typical = {"acclimatisation": 4, "growing on": 7}
    timed = {"spread_batches": 0.1, "spread_plants": 0.1}
    stages = [
        stage(name, applies_to=group, survival=mean, survival_spread=0.03, typical=typical.get(name, 0))
        | (timed if name in typical else {})
        for group in dict.fromkeys(groups.values())
        for name, mean in survival.items()
    ]
    cells = season([stage()]).given() | {"stages": stages, "offers": [offer(name) for name in names]}
    plan = forecast.Season(**cells | {"varieties": [{"variety": n, "group": g} for n, g in groups.items()]})
    means = {
        (n, s): float(expit(logit(mean) + 0.4 * rng.standard_normal())) for n in names for s, mean in survival.items()
    }
    deliveries = [(names[i % 200], date(2022, 1, 3) + timedelta(int(rng.integers(1400))), 300) for i in range(5000)]
    records = simulated(plan, deliveries, Truth(means, 20, typical), rng)
    took = seconds(lambda: forecast.learn(plan, records.model_copy()), 3)
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    print(f"\n{records}, of 200 varieties in 20 groups, four stages, two of them timed")
    print(f"  learned in {took:.1f} s; at most {most:.2f} GiB, the simulation of the records included")


if __name__ == "__main__":
    demo_season()
    learning()
    by_size()
    cultures()
    at_equal_error()
