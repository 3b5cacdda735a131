"""Random small seasons in which orders compete for budget, benches and boxes."""

from __future__ import annotations

from typing import Any

import numpy as np
from random_seasons import week
from small_seasons import FIRST, season, stage

from forecast.season.season import Season

WEEKS = 13


def _survival(rng: np.random.Generator) -> dict[str, float]:
    mean = rng.choice([0.75, 0.85, 0.95])
    return {"survival": mean, "survival_sd": round(float((mean * (1 - mean)) ** 0.5 * rng.choice([0.15, 0.5])), 4)}


def _stages(rng: np.random.Generator) -> list[dict[str, Any]]:
    rows = [
        stage("acclimatisation", typical=rng.choice([1.5, 2.0, 3.2]), cost=0.1, minutes=1, **_survival(rng)),
        stage("growing on", typical=rng.choice([1.0, 2.5]), place="yard", plants_per_m2=40, cost=0.2, **_survival(rng)),
        stage("grading", place="yard", plants_per_m2=40, **_survival(rng)),
    ]
    for row in rows[:2]:
        row["batches_cv"], row["plants_cv"] = float(rng.choice([0, 0.2])), float(rng.choice([0, 0.15, 0.3]))
        row["survival_level"] = str(rng.choice(["batch", "season", "season 0.3 batch 0.7"]))
    return rows


def _offers(rng: np.random.Generator, name: str, size: float, labs: int) -> list[dict[str, Any]]:
    rows = []
    for lab in rng.permutation(["Lab", "Other lab"])[:labs]:
        first, multiple = int(rng.integers(0, 4)), int(size * rng.choice([0.4, 0.5, 0.7]))
        usual = {
            "lab": str(lab),
            "variety": name,
            "unit_price": float(rng.choice([0.8, 1.2, 2.0])),
            "minimum": int(rng.choice([1, multiple + 1])),
            "multiple": multiple,
            "lead_weeks": int(rng.choice([0, 2])),
            "first_week": week(first),
            "last_week": week(max(first + int(rng.choice([0, 1])), 2)),
        }
        if rng.random() < 0.6:  # boxes of the same size for all, so that varieties share them
            usual |= {"plants_per_box": 50, "freight_per_box": float(rng.choice([4, 15]))}
        rows.append(usual)
        if rng.random() < 0.5:
            cheaper = {"from_quantity": 2 * multiple, "unit_price": round(0.8 * usual["unit_price"], 2)}
            rows.append(usual | cheaper)
    return rows


def competing(
    seed: int,
    varieties: int = 2,
    labs: int = 2,
    *,
    rows: int | None = None,
    earliest: int = 6,
    coarse: float = 1,
    lives: tuple[int | None, ...] = (None, None, 3, 6),
) -> Season:
    """Make a season of some varieties, each with one or two labs, a few weeks and a few quantities."""
    rng = np.random.default_rng(seed)
    names = "ABC"[:varieties]
    size = int(rng.integers(12, 40))
    target, offers, own = [], [], []
    for name in names:
        number = int(size * rng.uniform(0.7, 1.4))
        weeks = rng.choice(np.arange(earliest, WEEKS), size=rows or int(rng.integers(1, 3)), replace=False)
        for at in sorted(weeks.tolist()):
            asked = {"p5": number / 2, "median": number, "p95": 2 * number}
            target.append({"variety": name, "week": week(at)} | ({"target": number} if rng.random() < 0.5 else asked))
        offers += _offers(rng, name, coarse * size, labs)
        price = float(rng.choice([3.0, 5.0, 9.0]))
        row = {"variety": name, "group": "crop", "sale_price": price, "saleable_weeks": rng.choice(lives)}
        if rng.random() < 0.5:
            row["markdown_price"] = 0.3 * price
        if rng.random() < 0.3:
            row |= {"yearly_fall": 0.4, "lowest_price": 0.5 * price}
        own.append(row)
    costs = [0.0, 0.0] if any(row["saleable_weeks"] for row in own) else rng.choice([0, 1, 3], size=2).tolist()
    places = [
        {"place": name, "area": 100, "usable": 1, "cost_per_m2_week": cost}
        for name, cost in zip(("house", "yard"), costs, strict=True)
    ]
    plan = season(_stages(rng), varieties=tuple(names), price_list=offers, weeks=WEEKS, places=places, hourly_wage=12)
    return plan.replace(varieties=own, targets=target, service_level=float(rng.choice([0.5, 0.7])), first_week=FIRST)
