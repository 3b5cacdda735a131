"""Random seasons that sell over weeks, made from a number: channels, promises, waiting buyers, limits."""

from __future__ import annotations

from typing import Any

import numpy as np
from small_seasons import FIRST, MIXED, offer, stage

from forecast.season.season import Season
from forecast.weeks import Week

WEEKS = 48
LEVELS = ("batch", "variety", MIXED, "season 0.5 batch 0.5")
ROUTE = (  # stage, weeks, least and most survival, plants to the square metre
    ("acclimatisation", 4, 0.7, 0.95, 400),
    ("growing on", 8, 0.85, 0.98, 60),
    ("spacing out", 5, 0.9, 0.99, 25),
)
PROFILE = (1, 3, 2, 1)


def _week(number: int) -> str:
    return str(Week.parse(FIRST) + number)


def _stages(rng: np.random.Generator, name: str, level: str, unsure: float) -> tuple[list[dict[str, Any]], float]:
    rows, takes = [], 0.0
    for step, usual, least, most, density in ROUTE:
        typical, mean = usual * float(rng.uniform(0.7, 1.1)), float(rng.uniform(least, most))
        takes += typical
        rows.append(
            stage(
                step, applies_to=f"route {name}", typical=typical, time_level=level, batches_cv=0.1 * unsure,
                plants_cv=0.12, survival=mean, survival_level=level,
                survival_sd=0.25 * unsure * (mean * (1 - mean)) ** 0.5, plants_per_m2=density,
                cost=float(rng.uniform(0.05, 0.4)), minutes=float(rng.uniform(0, 0.4)),
            )
        )  # fmt: skip
    return rows, takes


def _targets(rng: np.random.Generator, name: str, ready: int, paid: float, unsure: float) -> list[dict[str, Any]]:
    rows = []
    for channel in ("retail", "wholesale", "garden centre")[: int(rng.integers(1, 4))]:
        first = ready + int(rng.integers(-2, 6))
        likely, width = float(rng.integers(20, 300)), float(rng.uniform(0.1, 0.5)) * unsure
        row: dict[str, Any] = {"variety": name, "week": _week(first), "channel": channel}
        if rng.random() < 0.75:
            row["until"] = _week(first + int(rng.integers(1, 10)))
            if rng.random() < 0.4:
                row["profile"] = "season"
        if rng.random() < 0.5:
            row["target"] = int(likely)
        else:
            row |= {"p5": likely / (1 + width), "median": likely, "p95": likely * (1 + width)}
        if rng.random() < 0.6:
            row["price"] = round(paid * float(rng.uniform(0.6, 1.1)), 2)
            if "until" in row and rng.random() < 0.5:
                row["price_end"] = round(row["price"] * float(rng.uniform(0.7, 1.0)), 2)
        if rng.random() < 0.25:
            row["promised"] = float(rng.choice([0.5, 0.7, 0.8]))
            row |= {"promised_share": 0.8, "waits": 2} if rng.random() < 0.7 else {}
        if rng.random() < 0.3:
            row["waits"] = int(rng.integers(1, 4))
        if rng.random() < 0.3:
            row["short_cost"] = round(paid * float(rng.choice([0, 0.2, 1])), 2)
        rows.append(row)
    return rows


def _offers(rng: np.random.Generator, name: str, at: int, first: int, *, shared: bool) -> list[dict[str, Any]]:
    lab = "Lab" if shared else f"Lab {at}"
    unit, few, multiple = float(rng.uniform(0.5, 2)), int(rng.choice([1, 24, 72])), int(rng.choice([1, 12, 24]))
    last = first + int(rng.integers(2, 8))
    size, charge = int(rng.choice([120, 300, 600])), float(rng.choice([0, 15, 40]))
    return [
        offer(
            name, lab=lab, unit_price=unit * fall, from_quantity=start, minimum=few, multiple=multiple,
            first_week=_week(first), last_week=_week(last), freight_per_box=charge, plants_per_box=size,
        )
        for start, fall in ((1, 1.0), (int(rng.integers(150, 700)), float(rng.uniform(0.8, 0.95))))
    ]  # fmt: skip


def random_windows(number: int, *, promises: bool = True, limits: bool = False) -> Season:
    """Return a season of one to four varieties, each with one to three rows of targets.

    Survivals, times, spreads, prices, breaks, minimums, multiples, boxes, windows, profiles, waits, shelf lives and
    outlets are drawn. If there are to be limits, the house is small and the budget tight; if there are to be no
    promises, all rows are hoped for.
    """
    rng = np.random.default_rng([7, number])
    unsure, level = float(rng.uniform(0.3, 1.5)), str(rng.choice(LEVELS))
    shared = bool(rng.integers(2))
    rows: dict[str, list[dict[str, Any]]] = {"varieties": [], "stages": [], "price_list": [], "targets": []}
    for at in range(int(rng.integers(1, 5))):
        name, paid = f"V{at}", float(rng.uniform(3, 9))
        stages, takes = _stages(rng, name, level, unsure)
        first = int(rng.integers(2, 7))
        own = {"variety": name, "group": f"route {name}", "sale_price": paid}
        own["markdown_price"] = float(rng.uniform(0, 0.3)) * paid
        own["saleable_weeks"] = [None, None, 4, 8, 12][int(rng.integers(5))]
        if rng.random() < 0.5:
            own["outlet"] = int(rng.integers(0, 150))
        rows["varieties"].append(own)
        rows["stages"] += stages
        rows["targets"] += _targets(rng, name, round(first + 1.2 * takes), paid, unsure)
        rows["price_list"] += _offers(rng, name, at, first, shared=shared)
    varied = {"demand_cv": 0.15, "price_cv": 0.1} if rng.random() < 0.3 else {}
    area, budget = (float(rng.uniform(8, 40)), float(rng.uniform(300, 2500))) if limits else (1e5, None)
    place = {"place": "house", "area": area, "usable": 1, "cost_per_m2_week": float(rng.choice([0, 1.5]))}
    if not promises:
        for row in rows["targets"]:
            row.pop("promised", None)
            row.pop("promised_share", None)
    if any("profile" in row for row in rows["targets"]):
        rows["profiles"] = [{"profile": "season", "week": k, "weight": w} for k, w in enumerate(PROFILE, start=1)]
    header = {"name": "made", "currency": "EUR", "first_week": FIRST, "weeks": WEEKS, "service_level": 0.8}
    return Season(**header, **varied, **rows, places=[place], budget=budget, hourly_wage=15)


def in_one_week(season: Season) -> Season:
    """Return a season whose rows ask for all in the last week of their windows; nobody waits, nothing is promised."""
    rows = [
        row.replace(
            week=row.last, until=None, profile=None, price=None if row.price is None else season.prices_of(row)[-1],
            price_end=None, waits=0, short_cost=0, promised=None, promised_share=None,
        )
        for row in season.targets
    ]  # fmt: skip
    return season.replace(targets=tuple(rows), profiles=())
