"""The target of a call: that of the season's table, or what overrides it."""

from __future__ import annotations

from typing import Any

from forecast.errors import refuse
from forecast.season.season import Season
from forecast.season.targets import Target
from forecast.weeks import Week

_OVER_WEEKS = ("until", "profile", "price_end", "waits")  # columns of a target


def requested(
    season: Season,
    variety: str,
    target: int | None,
    week: Week | str | None,
    service_level: float | None,
    *,
    beyond: bool = False,
) -> tuple[Target, int]:
    """Return the target, and which delivery of the variety is to meet it.

    `target`, `week` and `service_level` override the season's table; `beyond`: the week may lie after the season. A
    target over weeks is taken as one of its first week, of which buyers do not wait.
    """
    season.variety(variety)
    rows = season.targets_of(variety)
    by = None if week is None else Week.parse(week)
    if by is not None and not (season.first_week <= by and (beyond or by <= season.last_week)):
        to = "" if beyond else f" to {season.last_week}"
        raise refuse("week", str(by), "outside the season", f"Give a week from {season.first_week}{to}.")
    match = [row for row in rows if row.week == by]
    if not match and len(rows) > 1 and (by is None or target is None):
        weeks = ", ".join(str(row.week) for row in rows)
        raise refuse("week", week, f"{variety} has targets in several weeks", f"Give one of {weeks}.")
    if len(match) > 1 and target is None:
        raise refuse("week", week, f"several customers want {variety} in this week", "Give target, the plants in all.")
    base = match or rows[:1] if len(rows) == 1 or match else []
    number = rows.index(base[0]) + 1 if base else 1
    cells: dict[str, Any] = base[0].given() if base else {"variety": variety}
    cells = {key: cell for key, cell in cells.items() if key not in _OVER_WEEKS}
    if target is not None:
        cells = {key: cell for key, cell in cells.items() if key not in ("p5", "median", "p95")} | {"target": target}
    if by is not None:
        cells["week"] = by
    if "week" not in cells or not cells.keys() & {"target", "p5"}:
        raise refuse("target", target, f"{variety} has no row in the season's targets", "Give target and week.")
    if service_level is not None:
        cells["promised"] = service_level
    return Target(**cells), number
