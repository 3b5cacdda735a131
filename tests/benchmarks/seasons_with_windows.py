"""How good the plan of a season that sells over weeks is, by programs that know nothing of how it is found.

Run by hand from the project's folder::

    python tests/benchmarks/seasons_with_windows.py [--quick] [part ...]

- ``every``: small seasons against all their plans, by exact values (`enumerated_sales`).
- ``kept``: promises and floors on fresh draws, and what floors cost.
- ``aims``: random seasons; the plan beside what was aimed at before sales had windows, and beside two simple rules.
- ``intake``: weekly bookings of a nursery that hardens plantlets; beside plans at random and at equal intervals.
- ``demo``: the demo nursery as it was when each target was a week, spread over weeks.
- ``said``: the margin of a plan, beside its cash account and beside its exact value.
- ``times``: time and memory, each in a process of its own.

Fresh draws have no part in a search. With --quick there are fewer cases; all take about two hours on a busy machine.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from pathlib import Path

for _library in ("OMP", "OPENBLAS", "MKL"):  # before NumPy is imported
    os.environ[f"{_library}_NUM_THREADS"] = "1"
sys.path[:0] = [str(Path(__file__).parents[1] / helpers) for helpers in ("reference", "builders")]

import numpy as np
from every_plan import Case, case, read
from measuring import GIB, peak
from random_windows import in_one_week, random_windows
from rival_intakes import Intakes, fullest
from small_windows import small_windows
from valued_orders import Worth, worth
from whole_orders import Array, large, standard_error
from window_seasons import hardening, old_demo, written

from forecast.errors import OutOfReach
from forecast.io.seasons import read_season
from forecast.ordering.baselines import simple_orders
from forecast.planning.plan import Plan
from forecast.planning.whole_order import plan_orders
from forecast.season.season import Season

DRAWS, FRESH = 1024, 16_384
SURE = 2.0  # standard errors


# --- small seasons


def every(*, quick: bool) -> None:
    """Set plans beside the best of all."""
    number, tried, faults, refused = 20 if quick else 200, 0, defaultdict(int), 0
    for k in range(number):
        one = case(k)
        found = one.found()
        if one.best is None or found is None:
            refused += 1
            if (one.best is None) != (found is None):
                faults["one has a plan, the other none"] += 1
                print(f"  {one.name}: {'no plan' if found is None else 'only a plan'} was found")
            continue
        tried += 1
        verdict = one.judged(found)
        said = f"  {one.name}: best {one.best.value:.2f}, plan {found.exact.value:.2f}, bound {found.bound:.2f}"
        for what, bad in (
            ("another is better", not verdict.best),
            ("another is above the bound", not verdict.bounded),
            ("a promise is broken", verdict.kept < 0),
        ):
            if bad:
                faults[what] += 1
                print(f"{said}: {what}")
    print(
        f"  {tried} seasons with plans, {refused} without: {dict(faults) or 'the best in all, and within all bounds'}"
    )


# --- promises and floors


def kept(*, quick: bool) -> None:
    """Count promises and floors that are kept on fresh draws."""
    plans, broken, slightly, needed = 0, 0, 0, 10 if quick else 60
    for number in range(10**6):
        season = random_windows(number, limits=number % 4 == 0)
        if not any(row.promised for row in season.targets):
            continue
        plan = planned(season)
        if plan is None or not plan.orders:
            continue
        plans += 1
        found = worth(season, plan.orders, draws=FRESH, seed=2)
        broken += not found.keeps(1.0)
        slightly += not found.keeps()
        if not found.keeps(1.0):
            print(f"  random_windows({number}): {found.chances}")
        if plans == needed:
            break
    print(f"  promises: {plans} plans, broken in {broken}; below the chance, but by an error, in {slightly - broken}")
    floors(10 if quick else 40)


def floors(needed: int) -> None:
    """Ask for a better worst tenth than that of the best plan."""
    lost, held = [], []
    for number in range(10**6):
        season = random_windows(number, promises=False)
        free = planned(season)
        if free is None or not free.orders:
            continue
        before = worth(season, free.orders, draws=FRESH, seed=2)
        floor = before.worst + 0.03 * abs(float(before.margin.mean()))
        guarded, sure = (planned(season, worst_tenth=floor, draws=draws) for draws in (DRAWS, 8 * DRAWS))
        if guarded is None or sure is None:
            continue
        one, other = (worth(season, plan.orders, draws=FRESH, seed=3) for plan in (guarded, sure))
        held.append(one.worst >= floor - tail_error(one.margin))
        lost.append((float(other.objective.mean()) - float(one.objective.mean())) / abs(float(other.margin.mean())))
        if not held[-1]:
            print(f"  random_windows({number}, promises=False): {floor:.1f} asked, {one.worst:.1f} on fresh draws")
        if len(held) == needed:
            break
    print(
        f"  floors: kept in {sum(held)} of {len(held)}; against plans of {8 * DRAWS:,} draws they cost "
        f"{np.mean(lost):.3%} of margin on average, at most {max(lost):.3%}"
    )


def tail_error(margins: Array) -> float:
    """Return the standard error of the mean of the worst tenth (Manistre and Hancock 2005, North American Actuarial
    Journal 9(2), 129-156)."""
    low = np.sort(margins)[: margins.size // 10]
    return float(np.sqrt((low.var(ddof=1) + 0.9 * (low.mean() - low[-1]) ** 2) / low.size))


def planned(season: Season, *, draws: int = DRAWS, worst_tenth: float | None = None) -> Plan | None:
    """Return the plan of a season, if there is one."""
    try:
        return plan_orders(season, draws=draws, seed=1, worst_tenth=worst_tenth)
    except OutOfReach:
        return None


# --- other aims and rules


def rivals(season: Season) -> Iterator[tuple[str, tuple[object, ...]]]:
    """Return orders by what was aimed at before, and by simple rules."""
    single = in_one_week(season)
    for name, aim in (("margin in the last weeks", "margin"), ("all at the service level", "cost")):
        try:
            yield name, plan_orders(single, draws=512, seed=1, aim=aim, time_limit=20).orders
        except OutOfReach:
            continue
    yield "by average", simple_orders(season, draws=512, seed=1)
    yield "a fifth more", simple_orders(season, overage=0.2, draws=512, seed=1)


def aims(*, quick: bool) -> None:
    """Set plans beside what was aimed at before, and beside simple rules, on fresh draws."""
    number, found = 20 if quick else 200, defaultdict(list)
    for k in range(number):
        season = random_windows(k, promises=bool(k % 2))
        plan = planned(season, draws=512)
        if plan is None:
            found["out of reach"].append((k, 0.0, 0.0, 0.0))
            continue
        mine, chosen = (worth(season, plan.orders, draws=n, seed=s) for n, s in ((4096, 2), (512, 1)))
        for name, orders in rivals(season):
            his = worth(season, orders, draws=4096, seed=2)
            if not his.keeps(1.0):
                continue  # it need not keep what the plan must
            more = mine.objective - his.objective
            searched = chosen.objective - worth(season, orders, draws=512, seed=1).objective
            error = float(np.hypot(standard_error(more), standard_error(searched)))
            margin = float((mine.margin - his.margin).mean())
            found[name].append((k, float(more.mean()), error, margin))
            if more.mean() < -SURE * error:
                print(
                    f"  random_windows({k}, promises={bool(k % 2)}): {name} is {-more.mean():.1f} +- {error:.1f} better"
                )
    print("  plan less                      seasons  objective [EUR]    margin  below by 2 errors")
    for name, cases in found.items():
        _, more, error, margin = (np.array(column) for column in zip(*cases, strict=True))
        below = int((more < -SURE * error).sum())
        se = more.std(ddof=1) / more.size**0.5 if more.size > 1 else 0.0
        print(f"  {name:30s} {more.size:7d} {more.mean():9.1f} +- {se:4.1f} {margin.mean():9.1f} {below:10d}")


# --- weekly bookings


def intake(*, quick: bool) -> None:
    """Set plans of weekly bookings beside others on fresh draws."""
    for name, season, tried in (
        ("1 variety, 20 weeks of 5,000", bookings(1, 20, 5000, area=130), 100 if quick else 1000),
        ("4 varieties, 30 weeks, 200,000 in all", bookings(4, 30, 6667, area=175), 20 if quick else 1000),
    ):
        start = time.perf_counter()
        plan = plan_orders(season, draws=DRAWS, seed=1, time_limit=20)
        took = time.perf_counter() - start
        used = fullest(season, plan.orders, seed=1)
        labs = {row.lab for row in plan.orders}
        print(
            f"  {name}: {len(plan.orders)} deliveries of {sum(row.quantity for row in plan.orders):,} plants from "
            f"{len(labs)} labs; margin {plan.margin:,.0f}, gap {plan.gap:.2%}, {took:.1f} s, house {used:.1%} full"
        )
        best = rival_intake(season, tried)
        mine = worth(season, plan.orders, draws=4096, seed=4)
        for what, orders in best.items():
            more = mine.objective - worth(season, orders, draws=4096, seed=4).objective
            print(f"    less the best {what}: {more.mean():9,.0f} +- {standard_error(more):.0f}")


def bookings(varieties: int, weeks: int, plants: int, *, area: float) -> Season:
    """Return a nursery that hardens plantlets, with bookings of so many weeks and a house that binds."""
    with tempfile.TemporaryDirectory() as folder:
        return read_season(written(hardening(varieties, weeks, plants, area=area), Path(folder) / "season"))


def rival_intake(season: Season, tried: int, *, finalists: int = 5) -> dict[str, tuple[object, ...]]:
    """Return the best plan at random and the best at equal intervals, found by 128 draws and then by 1,024."""
    others, rng = Intakes(season), np.random.default_rng(1)
    groups = {
        f"of {tried:,} at random": (others.at_random(rng) for _ in range(tried)),
        "at equal intervals": others.intervals(),
    }
    found = {}
    for name, plans in groups.items():
        fitting = [orders for one in plans if (orders := others.fitting(one, seed=1))]
        first = sorted(fitting, key=lambda one: -objective(season, one, 128, 2))[:finalists]
        found[name] = max(first, key=lambda one: objective(season, one, 1024, 3))
    return found


def objective(season: Season, orders: tuple[object, ...], draws: int, seed: int) -> float:
    """Return the mean margin less the price of being short."""
    return float(worth(season, orders, draws=draws, seed=seed).objective.mean())


# --- the demo as it was

GOAL = {  # what a trial by other means earned more than the plan for a week, by window and kind [EUR]
    ("nothing if short", 1): 21, ("nothing if short", 6): 180, ("nothing if short", 10): 275,
    ("nothing if short", -10): 1011, ("half the price", 1): -162, ("half the price", 6): -2,
    ("half the price", 10): 52, ("half the price", -10): 852, ("promised", 1): -1384, ("promised", 6): -1377,
}  # fmt: skip


def demo(*, quick: bool) -> None:
    """Spread the targets of the demo over weeks, and set its plans beside the plan for one week."""
    old = plan_orders(old_demo(1, short=0.0), draws=DRAWS, seed=1).orders
    print("  weeks  plan               margin   worst tenth  plants  short   more than the plan for a week (goal)")
    for weeks in (1, 6) if quick else (1, 6, 10, -10):
        usual = old_demo(abs(weeks), ending=weeks < 0)
        before = worth(usual, old, draws=FRESH, seed=2)
        _demo_line(weeks, "for a week", old, before, before, usual, None)
        for name, season in (
            ("nothing if short", old_demo(abs(weeks), ending=weeks < 0, short=0.0)),
            ("half the price", old_demo(abs(weeks), ending=weeks < 0, short=0.5)),
            ("promised", old_demo(abs(weeks), ending=weeks < 0, short=0.0, promised=True)),
        ):
            plan = planned(season)
            if plan is None:
                print(f"  {weeks:5d}  {name:18s} out of reach")
                continue
            found = worth(usual, plan.orders, draws=FRESH, seed=2)
            _demo_line(weeks, name, plan.orders, found, before, usual, GOAL.get((name, weeks)))


def _demo_line(
    weeks: int, name: str, orders: tuple[object, ...], found: Worth, before: Worth, season: Season, goal: int | None
) -> None:
    plants = sum(row.quantity for row in orders)  # type: ignore[attr-defined]
    priced = season.replace(targets=tuple(row.replace(short_cost=1) for row in season.targets))
    short = float(worth(priced, orders, draws=1024, seed=2).short.mean())
    more = found.margin - before.margin
    print(
        f"  {weeks:5d}  {name:18s} {found.margin.mean():8,.0f} {found.worst:12,.0f} {plants:8,d} {short:6.0f} "
        f"{more.mean():10,.0f} +- {standard_error(more):.0f}" + ("" if goal is None else f" ({goal:,})")
    )


# --- margins


def said(*, quick: bool) -> None:
    """Set the margins of plans beside their cash accounts, and beside exact values."""
    off = []
    for number in range(3 if quick else 12):
        season = random_windows(number, promises=False)
        plan = plan_orders(season, draws=DRAWS, seed=1)
        account = float(worth(season, plan.orders, draws=DRAWS, seed=1).margin.mean())
        entries = float(plan.cash_flow().entries()["amount"].sum()) if plan.orders else 0.0
        off.append(max(abs(plan.margin - account), abs(plan.margin - entries)))
    print(f"  off the cash account of the same draws: at most {max(off):.4f}, of {len(off)} plans")
    for size in (5, 20, 100):
        for draws in (DRAWS, FRESH):
            errors = list(_off_exact(size, draws, 8 if quick else 24))
            print(
                f"  about {size:3d} plants, {draws:6,d} draws: said less exact margin {np.mean(errors):7.3%} of it on "
                f"average, typically {np.median(np.abs(errors)):.3%}, at most {np.max(np.abs(errors)):.3%}"
            )


def _off_exact(size: int, draws: int, number: int) -> Iterator[float]:
    """Yield the errors of margins, as a share of them, of seasons that sell about so many plants at a profit."""
    done = 0
    for k in range(10**6):
        kind = ("alike", "batches", "seasons")[k % 3]
        season = small_windows(k, kind, size=size)
        one = Case(kind, season, read(season))
        found = one.found(draws=draws)
        if found is None or len(found.exact.orders) != 1 or found.exact.margin < 0.2 * one.sales:
            continue
        yield (found.margin - found.exact.margin) / found.exact.margin
        done += 1
        if done == number:
            return


# --- time and memory


def channels(varieties: int = 20, weeks: int = 8) -> Season:
    """Return varieties with so many weeks of delivery, and three channels each."""
    season, rows = large(varieties, weeks), []
    for row in season.targets:
        plants, price = row.median_demand, season.variety(row.variety).sale_price or 0.0
        for channel, part, early, late, share in (
            ("retail", 0.5, 0, 6, 1.0), ("wholesale", 0.3, -1, 2, 0.8), ("garden centre", 0.2, 2, 9, 0.9),
        ):  # fmt: skip
            rows.append(
                {
                    "variety": row.variety, "channel": channel, "week": str(row.week + early),
                    "until": str(row.week + late), "target": round(part * plants), "price": round(share * price, 2),
                }
            )  # fmt: skip
    return season.replace(targets=tuple(rows), weeks=season.weeks + 12)


SEASONS: dict[str, Callable[[], Season]] = {
    "demo": lambda: read_season(Path(__file__).parents[2] / "demo_data"),
    "20 varieties × 8 weeks × 3 channels": channels,
    "weekly bookings, 1 variety": lambda: bookings(1, 20, 5000, area=130),
    "weekly bookings, 4 varieties": lambda: bookings(4, 30, 6667, area=175),
}


def times(*, quick: bool) -> None:
    """Measure each season by processes of their own."""
    for name in SEASONS:
        runs = [alone(name) for _ in range(1 if quick else 3)]
        first, work, again, more, most = (statistics.median(column) for column in zip(*runs, strict=True))
        print(
            f"  {name:36s} {first:6.2f} s ({work:.2f} s of all cores), after one changed number {again:6.2f} s "
            f"({more:.2f} s), memory {most / GIB:.2f} GiB"
        )


def alone(name: str) -> list[float]:
    """Return time and work of a plan, the same after a change, and peak memory, in a process of its own."""
    command = [sys.executable, __file__, "alone", name]
    done = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True)
    return [float(word) for word in done.stdout.split()]


def measured(name: str) -> None:
    """Print what `alone` reads."""
    season = SEASONS[name]()
    row = season.targets[0]
    changed = season.replace(targets=(row.replace(target=round(1.1 * row.median_demand)), *season.targets[1:]))
    plan = None
    for one in (season, changed):
        start, work = time.perf_counter(), time.process_time()
        plan = plan_orders(one, draws=DRAWS, seed=1, like=plan)
        print(time.perf_counter() - start, time.process_time() - work)
    print(peak())


PARTS = {"every": every, "kept": kept, "aims": aims, "intake": intake, "demo": demo, "said": said, "times": times}

if __name__ == "__main__":
    if sys.argv[1:2] == ["alone"]:
        measured(sys.argv[2])
        sys.exit()
    words = [word for word in sys.argv[1:] if word != "--quick"]
    if unknown := set(words) - set(PARTS):
        sys.exit(f"no such part: {', '.join(sorted(unknown))}; there are {', '.join(PARTS)}")
    for part in words or PARTS:
        print(part, flush=True)
        PARTS[part](quick="--quick" in sys.argv)
