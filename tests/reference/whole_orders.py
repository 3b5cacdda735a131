"""Seasons in which much is ordered at once, made at random from a number; and the plan beside simple orders in them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from small_seasons import FIRST, MIXED, offer, stage

from forecast.errors import OutOfReach
from forecast.growth.simulation import simulate
from forecast.ordering.baselines import simple_orders
from forecast.planning.plan import Plan
from forecast.planning.whole_order import plan_orders
from forecast.resources.money_flow import cash_flow
from forecast.season.orders import Delivery
from forecast.season.season import Season
from forecast.streams import Array
from forecast.weeks import Week

LEVELS = ("batch", "variety", MIXED, "season 0.5 batch 0.5")
ROUTE = (  # stage, weeks, least and most survival, plants to the square metre
    ("acclimatisation", 4, 0.7, 0.95, 400),
    ("growing on", 8, 0.85, 0.98, 60),
    ("spacing out", 6, 0.9, 0.99, 25),
)


def _week(number: int) -> str:
    return str(Week.parse(FIRST) + number)


def _season(
    rows: dict[str, list[dict[str, Any]]], area: float, budget: float | None = None, rent: float = 0.0
) -> Season:
    place = {"place": "house", "area": area, "usable": 1, "cost_per_m2_week": rent}
    header = {"name": "made", "currency": "EUR", "first_week": FIRST, "weeks": 40, "service_level": 0.9}
    return Season(**header, **rows, places=[place], budget=budget)


def large(varieties: int, weeks: int, *, area: float = 1e5, budget: float | None = None) -> Season:
    """Return varieties of three stages, each of a lab of its own that charges for every delivery of up to 100,000.

    Two prices by quantity, so many weeks of delivery; who asks for it in the same house at the same time is chance.
    """
    rng = np.random.default_rng(1)
    rows: dict[str, list[dict[str, Any]]] = {"varieties": [], "stages": [], "price_list": [], "targets": []}
    for number in range(varieties):
        name = f"V{number:02d}"
        route = (
            ("acclimatisation", 4, rng.uniform(0.75, 0.92), rng.uniform(0.05, 0.1), 450, 0.1),
            ("growing on", rng.uniform(6, 11), rng.uniform(0.9, 0.97), 0.04, rng.uniform(40, 80), 0.4),
            ("spacing out", rng.uniform(4, 8), 0.97, 0.02, rng.uniform(20, 36), 0.1),
        )
        rows["stages"] += [
            stage(
                step, applies_to=f"route {name}", typical=time, batches_cv=0.15, plants_cv=0.15,
                time_level=MIXED, survival=mean, survival_sd=spread, survival_level=MIXED,
                plants_per_m2=density, cost=cost,
            )
            for step, time, mean, spread, density, cost in route
        ]  # fmt: skip
        rows["varieties"].append(
            {"variety": name, "group": f"route {name}", "sale_price": rng.uniform(5, 10), "markdown_price": 0.5}
        )
        likely = int(rng.integers(150, 800))
        demand = {"week": _week(int(rng.integers(29, 35))), "p5": 0.75 * likely, "median": likely, "p95": 1.3 * likely}
        rows["targets"].append({"variety": name, "short_cost": 0, **demand})
        price = rng.uniform(1, 2)
        rows["price_list"] += [
            offer(
                name, lab=f"Lab {number}", unit_price=unit, from_quantity=start, minimum=72, multiple=24,
                first_week=_week(7), last_week=_week(6 + weeks), freight_per_box=60, plants_per_box=100_000,
            )
            for start, unit in ((1, price), (int(1.1 * likely), 0.9 * price))
        ]  # fmt: skip
    return _season(rows, area, budget, rent=1.5)


def varied(number: int, *, most: int = 6, limits: bool = False) -> Season:
    """Return a season of 3 (or fewer, if there are to be fewer at most) or more varieties; how sure it all is differs.

    Survivals, times, spreads, prices, breaks, multiples, boxes, sale windows and one or two target weeks of each
    variety are drawn; in these weeks most plants of a delivery are ready and within their sale window. The house and
    the budget have room for anything, unless there are to be limits.
    """
    rng = np.random.default_rng(number)
    unsure, level = float(rng.uniform(0.3, 1.5)), LEVELS[int(rng.integers(len(LEVELS)))]
    rows: dict[str, list[dict[str, Any]]] = {"varieties": [], "stages": [], "price_list": [], "targets": []}
    shared = bool(rng.integers(2))
    size, charge = int(rng.choice([120, 300, 600])), float(rng.choice([0, 15, 40]))
    for at in range(int(rng.integers(min(3, most), most + 1))):
        name, takes = f"V{at}", 0.0
        for step, usual, least, greatest, density in ROUTE:
            typical = usual * float(rng.uniform(0.7, 1.1))
            takes += typical
            mean = float(rng.uniform(least, greatest))
            rows["stages"].append(
                stage(
                    step, applies_to=f"route {name}", typical=typical, time_level=level,
                    batches_cv=0.12 * unsure, plants_cv=0.12, survival=mean, survival_level=level,
                    survival_sd=0.25 * unsure * (mean * (1 - mean)) ** 0.5, plants_per_m2=density,
                    cost=float(rng.uniform(0.05, 0.4)),
                )
            )  # fmt: skip
        paid = float(rng.uniform(3, 9))
        kept = [None, None, 12][int(rng.integers(3))]
        down = float(rng.uniform(0, 0.4)) * paid
        rows["varieties"].append(
            {
                "variety": name,
                "group": f"route {name}",
                "sale_price": paid,
                "markdown_price": down,
                "saleable_weeks": kept,
            }
        )
        first = int(rng.integers(2, 7))
        last = first + int(rng.integers(1, 4))
        weeks = round(first + 1.25 * takes) + rng.choice(5, size=int(rng.integers(1, 3)), replace=False)
        for week in sorted(weeks.tolist()):
            likely, width = float(rng.integers(60, 600)), float(rng.uniform(0.1, 0.5)) * unsure
            demand = {"p5": likely / (1 + width), "median": likely, "p95": likely * (1 + width)}
            rows["targets"].append({"variety": name, "week": _week(week), "short_cost": 0, **demand})
        unit, few, multiple = float(rng.uniform(0.5, 2)), int(rng.choice([1, 24, 72])), int(rng.choice([1, 12, 24]))
        for start, fall in ((1, 1.0), (int(rng.integers(150, 700)), float(rng.uniform(0.8, 0.95)))):
            rows["price_list"].append(
                offer(
                    name, lab="Lab" if shared else f"Lab {at}", unit_price=unit * fall, from_quantity=start,
                    minimum=few, multiple=multiple, first_week=_week(first), last_week=_week(last),
                    freight_per_box=charge, plants_per_box=size,
                )
            )  # fmt: skip
    if not limits:
        return _season(rows, 1e5)
    return _season(rows, area=float(rng.uniform(8, 40)), budget=float(rng.uniform(500, 4000)), rent=1.0)


@dataclass(frozen=True, eq=False)
class Valued:
    """What some orders earn on fresh draws.

    Parameters
    ----------
    orders
        The orders; None if there are none that keep the minimum of the worst tenth.
    margins
        Their margin in whole plants, shape (draws,) [currency].
    searched
        Likewise on the draws that they were found with.
    plan
        The plan that they are from, if any.
    """

    orders: tuple[Delivery, ...] | None
    margins: Array
    searched: Array
    plan: Plan | None = None

    @property
    def margin(self) -> float:
        """Mean margin [currency]."""
        return float(self.margins.mean())

    @property
    def worst(self) -> float:
        """Mean margin of the worst tenth [currency]."""
        return worst_tenth(self.margins)


def compare(season: Season, *, draws: int, fresh: int, seed: int, time_limit: float) -> dict[str, Valued]:
    """Value plans, found in so many seconds, and simple orders on fresh draws.

    The guarded plan must earn as much in the worst tenth of the draws it is found with as the simple orders that earn
    more there; these are called better in the worst tenth.
    """

    def valued(orders: tuple[Delivery, ...] | None, plan: Plan | None = None) -> Valued:
        if not orders:
            return Valued(orders, np.zeros(fresh), np.zeros(draws), plan)
        new, known = (simulate(season, orders, draws=n, seed=s) for n, s in ((fresh, seed + 1), (draws, seed)))
        return Valued(orders, cash_flow(new).margin, cash_flow(known).margin, plan)

    def planned(floor: float | None = None) -> Valued:
        try:
            plan = plan_orders(season, draws=draws, seed=seed, worst_tenth=floor, time_limit=time_limit)
        except OutOfReach:
            return valued(None)
        return valued(plan.orders, plan)

    mean = valued(simple_orders(season, draws=draws, seed=seed))
    fifth = valued(simple_orders(season, overage=0.2, draws=draws, seed=seed))
    better = max(mean, fifth, key=lambda one: worst_tenth(one.searched))
    return {
        "plan": planned(),
        "by average": mean,
        "a fifth more": fifth,
        "better in the worst tenth": better,
        "guarded plan": planned(worst_tenth(better.searched)),
    }


def worst_tenth(margins: Array) -> float:
    """Return the mean of the worst tenth, the last of them in part."""
    kept = margins.size / 10
    parts = np.clip(kept - np.arange(margins.size), 0, 1)
    return float(parts @ np.sort(margins) / kept)


def standard_error(numbers: Array) -> float:
    """Return the standard error of a mean."""
    return float(numbers.std(ddof=1) / numbers.size**0.5)
