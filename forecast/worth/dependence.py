"""What of a season the deliveries of one variety depend on: if it is the same, so is all that they earn and take."""

from __future__ import annotations

from forecast.season.header import Header
from forecast.season.season import Season

_LIMITS = {"budget", "overdraft", "opening_cash", "fixed_costs", "area", "usable"}  # of all varieties together
_SAID = {"name", "currency", "location", "note", "seed"}  # no number is worked out from these


def concerns(season: Season, variety: str) -> tuple[object, ...]:
    """Return what the deliveries of a variety depend on: all of a season but its limits and other varieties' rows."""
    targets = season.targets_of(variety)
    profiles = {row.profile for row in targets}
    return (
        growing(season, variety),
        season.variety(variety),
        targets,
        [row for row in season.profiles if row.profile in profiles],
        [row for row in season.on_hand if row.variety == variety],
        [row for row in season.orders if row.variety == variety and row.placed == "yes"],
    )


def growing(season: Season, variety: str) -> tuple[object, ...]:
    """Return what their growth and its cost depend on: less than all that they earn depends on."""
    return (
        [getattr(season, name) for name in Header.model_fields if name not in _LIMITS | _SAID],
        season.overdraft is None,
        bool(season.on_hand),
        season.variety(variety).saleable_weeks,
        min(row.week for row in season.targets_of(variety)),
        season.last_sale(variety),
        season.route(variety),
        season.price_lines(variety),
        [{name: cell for name, cell in row.given().items() if name not in _LIMITS} for row in season.places],
        season.climate,
    )
