"""Large invented cooperatives of many varieties, for memory, speed and work that is shared out."""

from __future__ import annotations

from typing import Any

import numpy as np
from small_seasons import MIXED, offer, season, stage

from forecast.season.season import Season
from forecast.weeks import Week


def cooperative(varieties: int, weeks: int = 104, *, groups: int = 10, seed: int = 1) -> Season:
    """Return a season of many varieties in groups of their own routes, each with two deliveries and two targets.

    Parameters
    ----------
    varieties, groups
        How many.
    weeks
        Of the season, from 52.
    seed
        Of what differs between varieties and groups.
    """
    rng, first = np.random.default_rng(seed), Week.parse("2027-W01")
    houses = ("covered house", "shade house")
    stages: list[dict[str, Any]] = []
    for number in range(groups):
        times = {"acclimatisation": 4, "growing on": 6, "hardening": 10}
        rows = [("arrival", 0.96), ("acclimatisation", 0.85), ("growing on", 0.95), ("hardening", 0.95)]
        stages += [
            stage(
                name, applies_to=f"G{number}", place=houses[name == "hardening"], survival_sd=0.04,
                survival=round(share - 0.05 * float(rng.random()), 3), plants_per_m2=100 if name == "arrival" else 60,
                typical=times.get(name, 0), survival_level=MIXED,
                **({"time_level": MIXED, "batches_cv": 0.12, "plants_cv": 0.1} if name in times else {}),
            )
            for name, share in rows
        ]  # fmt: skip
    names = [f"V{i:05d}" for i in range(varieties)]
    orders, targets = [], []
    for name in names:
        week, number = int(rng.integers(8, 16)), int(rng.integers(100, 400))
        orders += [{"variety": name, "week": first + week + 3 * i, "quantity": number} for i in (0, 1)]
        targets += [{"variety": name, "week": first + week + 22 + 6 * i, "target": int(0.65 * number)} for i in (0, 1)]
    cells = season([stage()], weeks=weeks).given()
    return Season(
        **cells
        | {
            "varieties": [{"variety": name, "group": f"G{i % groups}"} for i, name in enumerate(names)],
            "stages": stages,
            "places": [{"place": place, "area": 10.0 * varieties, "usable": 0.8} for place in houses],
            "price_list": [offer(name) for name in names],
            "orders": orders,
            "targets": targets,
        }
    )
