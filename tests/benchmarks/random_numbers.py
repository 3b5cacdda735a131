"""Part of the table: the demo season, beside the bare cost of its random numbers."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from each_sized import each_sized
from measuring import Row, seconds

import forecast
from forecast.fates.fate import Batch
from forecast.growth.benches import elapsed
from forecast.growth.simulation import draw_fate, season_streams


def rows(*, quick: bool) -> Iterator[Row]:
    """Measure a forecast and all orders."""
    demo, draws, repeats = forecast.read_season("demo_data"), 4096, 3 if quick else 9
    seed = iter(range(10**6))  # a new seed each time, so that nothing is remembered
    outcome = forecast.simulate(demo, draws=draws, seed=1)
    steps = [np.ascontiguousarray(steps_of(outcome, batch)) for batch in outcome.batches]
    target = [
        (row.variety, number) for row in demo.varieties for number in range(1, len(demo.targets_of(row.variety)) + 1)
    ]

    def whole() -> None:
        made = forecast.simulate(demo, draws=draws, seed=next(seed))
        for row in demo.targets:
            made.chance(row.variety, week=row.week, at_least=row.median_demand)
        made.table()
        forecast.bench_space(made)

    def bare_whole() -> None:
        streams = season_streams(draws, next(seed))
        for batch, step in zip(outcome.batches, steps, strict=True):
            draw_fate(demo, streams, batch.variety, batch.number, batch.week)
            streams.generator("plants", batch.variety, str(batch.number)).multinomial(batch.quantity, step)
        for place in demo.places:
            streams.normal(("plants", "bench", place.place), "chance")

    def orders() -> None:
        each_sized(demo, draws=draws, seed=next(seed))

    def bare_orders() -> None:
        streams = season_streams(draws, next(seed))
        for variety, number in target:
            draw_fate(demo, streams, variety, number, demo.first_week)

    works = (
        ("simulate, chances, table, benches", whole, bare_whole),
        ("each target sized", orders, bare_orders),
    )
    total = np.zeros(2)
    for name, work, random in works:
        took = np.array([seconds(one, repeats) for one in (work, random)])
        total += took
        yield _row(name, took, draws, repeats)
    yield _row("both together", total, draws, repeats)


def _row(name: str, took: Any, draws: int, repeats: int) -> Row:
    ours, bare = (float(one) / draws for one in took)
    what = f"demo season, {draws:,} draws, a draw of {name}; ours / bare"
    return Row(what, ours, repeats, "s", against="bare numbers", theirs=bare, ratio=ours / bare)


def steps_of(outcome: forecast.Outcome, batch: Batch) -> Any:
    """Shares newly ready by week, as the engine samples them."""
    ready = outcome.fate(batch).ready(elapsed(outcome.season, batch))
    return np.diff(ready, axis=0, prepend=0, append=1).clip(min=0).T
