"""Names that only the demo has: of its varieties, stages, labs and places."""

from collections.abc import Iterator
from pathlib import Path

import forecast

DEMO = Path(__file__).parents[2] / "demo_data"
COMMON = {"arrival", "grading", "acclimatisation", "growing on", "hardening", "covered house", "shade house"}
"""What a season that `start` writes has, too."""


def names_of_demo() -> Iterator[str]:
    """Yield each name."""
    season = forecast.read_season(DEMO)
    yield season.name.split(",")[0]
    for row in season.varieties:
        yield row.variety.split("'")[1]
    yield from {row.lab for row in season.price_list}
    yield from {row.stage for row in season.stages} - COMMON
    yield from {*season.place_names} - COMMON
    yield "De Bilt"
