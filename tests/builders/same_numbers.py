"""The numbers of one season and seed, for a process to work out by itself."""

from __future__ import annotations

from small_seasons import MIXED, season, stage

import forecast


def numbers(seed: int) -> tuple[object, ...]:
    """Return a forecast's table, chances and orders as plain values."""
    plan = season(
        [
            stage("arrival", survival=0.96, survival_sd=0.03, survival_level=MIXED),
            stage(typical=4, batches_cv=0.2, plants_cv=0.1, survival_sd=0.1, time_level=MIXED),
        ],
        varieties=("A", "B"),
        targets=[{"variety": "A", "week": "2027-W20", "target": 50}],
    )
    outcome = forecast.simulate(plan, [("A", "2027-W05", 70), ("B", "2027-W07", 30)], draws=256, seed=seed)
    space = forecast.bench_space(outcome)
    order = forecast.size_order(plan, "A", draws=256, seed=seed)
    return (
        outcome.table().to_csv(),
        outcome.chance("A", week="2027-W12", at_least=50),
        space.table().to_csv(),
        str(space.overruns),
        order.table().to_csv(),
    )
