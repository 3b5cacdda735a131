"""Random seasons small enough that all their plans can be tried: a few plants, sold over some weeks."""

from __future__ import annotations

from typing import Any

import numpy as np
from small_seasons import offer, season, stage

from forecast.season.season import Season
from forecast.weeks import Week

FIRST, WEEKS = "2027-W01", 16
KINDS = ("alike", "batches", "seasons", "spread")
"""How survival varies: plants alone; batch by batch; partly with the season; and as plants, ready in several weeks."""


def _week(number: int) -> str:
    return str(Week.parse(FIRST) + number)


def _stages(rng: np.random.Generator, kind: str) -> list[dict[str, Any]]:
    mean = float(rng.choice([0.7, 0.8, 0.9]))
    row = stage("growing on", typical=3.6, survival=mean, survival_sd=0, cost=float(rng.choice([0.1, 0.4])), minutes=1)
    if kind in ("batches", "seasons"):
        row["survival_sd"] = round(float(rng.choice([0.1, 0.3]) * (mean * (1 - mean)) ** 0.5), 4)
        row["survival_level"] = "batch" if kind == "batches" else "season 0.5 batch 0.5"
    if kind == "spread":
        row |= {"typical": float(rng.choice([3.9, 4.05])), "plants_cv": 0.05}  # ready in one of two weeks
    return [row]


def _offers(rng: np.random.Generator, name: str, size: float, most: int) -> list[dict[str, Any]]:
    rows, shared = [], bool(rng.integers(2))
    labs, first = min(int(rng.choice([1, 1, 2])), most), int(rng.integers(0, 3))
    weeks = int(rng.integers(1, 4 if size < 10 and labs == 1 and most > 1 else 3))
    for lab in ("Lab", "Other lab")[:labs]:
        multiple = max(int(size * rng.choice([0.4, 0.6])), 2)
        usual = {
            "lab": lab,
            "unit_price": float(rng.choice([0.8, 1.2, 2.0])),
            "minimum": int(rng.choice([1, multiple + 1])),
            "multiple": multiple,
            "first_week": _week(first),
            "last_week": _week(first + weeks - 1),
        }
        if rng.random() < 0.6:
            box = 20 if shared else int(rng.choice([8, 30]))
            usual |= {"plants_per_box": box, "freight_per_box": float(rng.choice([2, 6]))}
        rows.append(offer(name, **usual))
        if rng.random() < 0.5:
            cheaper = {"from_quantity": 2 * multiple, "unit_price": round(0.85 * usual["unit_price"], 2)}
            rows.append(offer(name, **(usual | cheaper)))
    return rows


def _targets(rng: np.random.Generator, name: str, size: float, price: float, *, ranges: int) -> list[dict[str, Any]]:
    rows = []
    for channel in ("retail", "wholesale")[: int(rng.integers(1, 3))]:
        first = int(rng.integers(4, 8))
        number = max(int(size * rng.uniform(0.4, 0.9)), 2)
        row: dict[str, Any] = {"variety": name, "week": _week(first), "channel": channel}
        if rng.random() < 0.7:
            row["until"] = _week(first + int(rng.integers(1, 5)))
        if rng.random() < 0.5 and ranges:
            ranges, row = 0, row | {"p5": number / 1.5, "median": number, "p95": 1.5 * number}
        else:
            row["target"] = number
        if rng.random() < 0.5:
            row["price"] = round(price * float(rng.uniform(0.6, 1.3)), 2)
            if "until" in row:
                row["price_end"] = round(row["price"] * float(rng.choice([0.7, 1.0, 1.2])), 2)
        if rng.random() < 0.35:
            row |= {"promised": float(rng.choice([0.5, 0.7, 0.85])), "promised_share": float(rng.choice([0.8, 1.0]))}
        if rng.random() < 0.4:
            row["waits"] = int(rng.integers(1, 3))
        if rng.random() < 0.5:
            row["short_cost"] = float(rng.choice([0, 1, 4]))
        rows.append(row)
    return rows


def small_windows(
    seed: int, kind: str, *, varieties: int = 1, size: int | None = None, budget: float | None = None
) -> Season:
    """Make a season of some varieties, each with one or two labs, some weeks of delivery and a few quantities.

    The size is about how many plants are asked for; by chance if not given.
    """
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    usual = int(rng.integers(5, 10 if kind == "spread" else 22))
    size = size or usual
    names = "ABC"[:varieties]
    offers, targets, own = [], [], []
    for name in names:
        price = float(rng.choice([5.0, 8.0, 12.0]))
        row = {"variety": name, "group": "crop", "sale_price": price}
        kept = rng.choice([0, 0, 2, 4])
        row["saleable_weeks"] = int(kept) or None
        if rng.random() < 0.5:
            row |= {"markdown_price": 0.2 * price, "outlet": int(rng.integers(1, 8))}
        mine = _offers(rng, name, size, 1 if kind == "spread" else 2)
        few = mine[0]["first_week"] == mine[0]["last_week"] or len(mine) == 1
        offers += mine
        targets += _targets(rng, name, size, price, ranges=int(few))
        own.append(row)
    rent = float(rng.choice([0, 0, 5]))
    places = [{"place": "house", "area": 1000, "usable": 1, "cost_per_m2_week": rent}]
    made = season(_stages(rng, kind), varieties=tuple(names), price_list=offers, weeks=WEEKS, places=places)
    header = {"hourly_wage": 12.0, "service_level": 0.7, "budget": budget}
    return made.replace(varieties=own, targets=targets, **header)
