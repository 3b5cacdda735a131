"""How well and how soon the whole order is found, beside a general solver and beside simple rules.

Run by hand from the project's folder: ``python tests/benchmarks/orders.py``; with ``--check`` only the first part.

1. Tiny seasons with a tight budget and bench: without the luck of single plants, the plain program
   (`extensive_form`) finds nothing above the bound of the package's search, nor the search above that of the program.
2. Large seasons whose budget and bench are scarce: both against the clock, as ``table.py orders`` prints it. The
   solver's clock starts when its program stands; the search's clock counts everything.
3. Random seasons, all valued on fresh draws: what the plan earns more than ordering by average, and than ordering a
   fifth more than the targets. Budget and bench have room for anything, so that the simple orders are orderable.
"""

from __future__ import annotations

import statistics
import sys
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[1] / helpers) for helpers in ("reference", "builders")]

from extensive_form import WithoutLuck, extensive, recounted
from measuring import Row
from whole_orders import Array, Valued, compare, large, standard_error, varied

from forecast.growth.simulation import COORDINATES
from forecast.planning.column_generation import best_plan
from forecast.planning.plan import Plan
from forecast.planning.whole_order import plan_orders

SECONDS = 60.0  # of the solver
EXACT, NEAR = 1e-6, 0.01  # gaps
NEARLY = 0.9  # of a bench: weeks that are less full stand in no program
LARGE = ((20, 6, 375, 31_000, (100, 300, 1000)), (50, 8, 770, 64_000, (1000,)))
SEASONS, DRAWS, FRESH, EACH = 200, 512, 2048, 10.0  # seconds of a search


def agreement() -> None:
    """Print the first part; end with a fault if the two contradict each other."""
    print("tiny seasons, 64 draws        search      bound     solver      bound")
    proven, best = 0, 0
    for number in range(1, 25):
        season = varied(number, most=2, limits=True)
        streams = WithoutLuck(1, 64, COORDINATES)
        plan = best_plan(season, streams, aim="margin", floor=None, time_limit=SECONDS, gap=EXACT / 10)
        rival = extensive(season, draws=64, seed=1)
        worth, fits = recounted(plan, rival.orders or ())
        allowed = EXACT * max(abs(worth), 1)
        sound = fits and worth <= min(plan.bound, rival.bound) + allowed and plan.value <= rival.bound + allowed
        proven += plan.gap <= EXACT
        best += plan.value >= worth - allowed
        print(f"  {number:2d} {plan.value:30.4f} {plan.bound:10.4f} {worth:10.4f} {rival.bound:10.4f}")
        if not sound:
            raise SystemExit("the search and the plain program contradict each other")
    print(f"  the search found as much or more in {best} of 24, and proved it of {proven}; every bound holds")


def full_weeks(plan: Plan) -> list[tuple[str, int]]:
    """Return the places and weeks in which a plan comes near the bench."""
    season, master = plan.season, plan._solution.master
    full = np.flatnonzero(master.fullest(master.area(plan._solution.chosen)) >= NEARLY * master.benches)
    return [(season.place_names[row // season.weeks], int(row % season.weeks)) for row in full]


def rows(*, quick: bool) -> Iterator[Row]:
    """Measure both against the clock, for the table."""
    limit = SECONDS / 3 if quick else SECONDS
    for varieties, weeks, area, budget, counts in LARGE[:1] if quick else LARGE:
        season = large(varieties, weeks, area=area, budget=budget)
        for draws in counts[:1] if quick else counts:
            plans = [plan_orders(season, draws=draws, seed=1, gap=NEAR) for _ in range(3)]
            plan, took = plans[0], statistics.median(one.seconds for one in plans)
            full = full_weeks(plan)
            rival = extensive(season, draws=draws, seed=1, seconds=limit, gap=NEAR, looked_at=full)
            name = f"{varieties} varieties, {weeks} weeks, {draws:,} draws"
            reached = "" if plan.gap <= NEAR else f", got to {plan.gap:.1%}"
            late = rival.gap > NEAR
            yield Row(
                f"{name}: to within {NEAR:.0%}{reached}", took, 3, "s",
                against="HiGHS", theirs=rival.seconds, at_least=late,
            )  # fmt: skip
            what = f"{name}: gap then" + ("" if rival.orders else "; it has no orders yet")
            theirs = 100 * _gap(rival.value, rival.bound) if rival.orders else None
            yield Row(what, 100 * _gap(plan.margin, plan.bound), 3, "%", against="HiGHS", theirs=theirs)
            if rival.orders:
                margin, fits = recounted(plan._solution, rival.orders)
                what = f"{name}: margin; its orders {'keep' if fits else 'do not keep'} all limits"
                yield Row(what, plan.margin, 3, "EUR", against="HiGHS", theirs=margin)
            yield Row(f"{name}: columns of its program", rival.columns, 1)


def _gap(value: float, bound: float) -> float:
    """How much better other orders could be, as a share of the margin; infinite if there are none that earn."""
    return max(bound - value, 0.0) / value if value > EXACT else np.inf


def against_simple_orders() -> None:
    """Print the third part."""
    found: dict[str, list[Valued]] = defaultdict(list)
    for number in range(SEASONS):
        season = varied(1000 + number)
        for name, one in compare(season, draws=DRAWS, fresh=FRESH, seed=1, time_limit=EACH).items():
            found[name].append(one)
    print(f"\n{SEASONS} random seasons, {DRAWS} draws, valued on {FRESH:,} fresh draws [EUR a season]")
    for name, cases in found.items():
        mean, worst = (np.array([getattr(one, what) for one in cases]) for what in ("margin", "worst"))
        print(
            f"  {name:20s} margin {mean.mean():9.1f} +- {standard_error(mean):6.1f}, "
            f"worst tenth {worst.mean():9.1f} +- {standard_error(worst):6.1f}, in {len(cases)} seasons"
        )
    for plan, rival in (
        ("plan", "by average"),
        ("plan", "a fifth more"),
        ("guarded plan", "better in the worst tenth"),
    ):
        pairs = [(one, two) for one, two in zip(found[plan], found[rival], strict=True) if one.orders is not None]
        for what in ("margin", "worst"):
            ours, theirs = (np.array([getattr(pair[side], what) for pair in pairs]) for side in (0, 1))
            _pair(f"{plan} less {rival}, {'margin' if what == 'margin' else 'worst tenth'}", ours, theirs)
    for name in ("plan", "guarded plan"):
        plans = [one.plan for one in found[name] if one.plan is not None]
        took, gaps = np.array([plan.seconds for plan in plans]), np.array([plan.gap for plan in plans])
        print(
            f"  {name}: {SEASONS - len(plans)} out of reach; median {np.median(took):.2f} s, longest {took.max():.1f} s"
            f" of {EACH:.0f}; gap above 0.5 % in {(gaps > 0.005).sum()}, at most {gaps.max():.2%}"
        )


def _pair(name: str, ours: Array, theirs: Array) -> None:
    difference = ours - theirs
    share = difference / np.maximum(np.abs(theirs), 1)
    print(
        f"  {name:52s} {difference.mean():8.1f} +- {standard_error(difference):5.1f}, above 0 in "
        f"{(difference > 0).mean():6.1%}, least {difference.min():8.1f}; relative, median {np.median(share):7.2%}"
    )


if __name__ == "__main__":
    agreement()
    if "--check" not in sys.argv:
        against_simple_orders()
