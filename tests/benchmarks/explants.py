"""A part of the engine's part of the table: multiplying explants, beside a culture-by-culture simulation."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from typing import Any

from culture_by_culture import many
from measuring import Row, seconds

import forecast
from forecast.growth.simulation import season_streams
from forecast.propagation.multiplication import Multiplication, Rates, draw_generations

CULTURE = forecast.read_season("demo_data").culture("Heuchera 'Pellowen'")
VARIETIES, CYCLES, DRAWS = 50, 10, 4096


def rows(*, quick: bool) -> Iterator[Row]:
    """Measure four cycles of one variety, and many varieties by one process and by two."""
    row = CULTURE.replace(shelf_places=None, hood_hours=None, lines=1)
    multiplication = Multiplication.from_row(row)
    kept = [1.0, 1.0, 1.0, 0.0]

    def engine(explants: int) -> Any:
        return draw_generations(Rates(multiplication, season_streams(DRAWS, 1)), explants, kept)

    def pieces(replicates: int) -> Any:
        return many(
            replicates, 1, explants=30, lines=1, cycles=4, kept=[1, 1, 1, 0], vessel=5, rooting_vessel=12,
            start_survival=0.8, contamination=[0.05, 0.04, 0.03, 0.03, 0.03], means=[[2.6], [3.2], [3.4], [3.2]],
            size=multiplication.size, whole_shoots=False, rooted=0.9, start_weeks=5, cycle_weeks=4, rooting_weeks=4,
        )  # fmt: skip

    few, lots = (seconds(lambda explants=explants: engine(explants), 5) for explants in (30, 30_000))  # type: ignore[misc]
    each = seconds(lambda: pieces(20), 3) / 20
    yield Row(
        "30 explants, 4 cycles: a draw", few / DRAWS, 5, "s",
        against="culture by culture", theirs=each,
    )  # fmt: skip
    yield Row(
        f"30 explants, 4 cycles: {DRAWS:,} draws", few, 5, "s",
        against="30,000 explants", theirs=lots,
    )  # fmt: skip
    varieties = VARIETIES // 5 if quick else VARIETIES
    alone = seconds(lambda: [grown(i) for i in range(varieties)], 3)
    with ProcessPoolExecutor(2) as pool:
        list(pool.map(grown, range(4)))
        both = seconds(lambda: list(pool.map(grown, range(varieties), chunksize=max(varieties // 10, 1))), 3)
    what = f"{varieties} varieties of explants, {CYCLES} cycles, 10,000 draws: two processes"
    yield Row(what, both, 3, "s", against="one process", theirs=alone)


def grown(number: int) -> float:
    """Multiply one variety over ten cycles; plants that come of it on average."""
    row = CULTURE.replace(variety=f"V{number}", most_cycles=CYCLES, shelf_places=None, hood_hours=None, lines=1)
    rates = Rates(Multiplication.from_row(row), season_streams(10_000, 1))
    found = draw_generations(rates, 30, [1.0] * (CYCLES - 1) + [0.0])
    return float(found.plantlets.mean())
