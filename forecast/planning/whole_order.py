"""The whole order: all varieties, offers and delivery weeks at once, within budget and benches."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from copy import copy
from typing import Any, get_args, overload

from forecast.errors import Fault, OutOfReach, Refused, refuse, whole
from forecast.executors import check, handed_out
from forecast.growth.simulation import season_streams
from forecast.planning.alternatives import improved
from forecast.planning.column_generation import best_margin, least_cost
from forecast.planning.plan import Aim, Plan
from forecast.season.season import Season

Told = Callable[[float, float, float], None]


@overload
def plan_orders(
    season: Season,
    *,
    draws: int,
    seed: int,
    aim: Aim = ...,
    deliveries: int = ...,
    worst_tenth: float | None = ...,
    time_limit: float = ...,
    gap: float = ...,
    progress: Told | None = ...,
    executor: Executor | None = ...,
) -> Plan: ...
@overload
def plan_orders(
    season: Mapping[str, Season],
    *,
    draws: int,
    seed: int,
    aim: Aim = ...,
    deliveries: int = ...,
    worst_tenth: float | None = ...,
    time_limit: float = ...,
    gap: float = ...,
    progress: Told | None = ...,
    executor: Executor | None = ...,
) -> dict[str, Plan]: ...
def plan_orders(  # noqa: PLR0913  # each keyword overrides one thing
    season: Season | Mapping[str, Season],
    *,
    draws: int,
    seed: int,
    aim: Aim = "margin",
    deliveries: int = 2,
    worst_tenth: float | None = None,
    time_limit: float = 60.0,
    gap: float = 0.005,
    progress: Told | None = None,
    executor: Executor | None = None,
) -> Plan | dict[str, Plan]:
    """Find what to order of everything at once, and prove how good it is.

    Parameters
    ----------
    season
        The season: what is wanted, offers, budget, benches. Orders that it holds are not looked at. Or several, by the
        names of the scenarios that they are; all are planned in the same draws.
    draws, seed
        Number of simulated seasons, and their seed.
    aim
        ``margin``: the greatest expected margin; what is wanted is what can be sold. ``cost``: the least expected cost
        at which every wanted number is met as surely as its service level asks.
    deliveries
        Most deliveries of one variety, 1 or 2, for the aim ``margin``. For ``cost``, each wanted row has its own.
    worst_tenth
        Least that the worst tenth of seasons must earn on average [currency], for the aim ``margin``; no such floor if
        not given.
    time_limit
        Time after which the best plan so far is given [seconds].
    gap
        The search ends once no plan can be better by more than this share.
    progress
        Called with the best margin so far, the bound and the seconds gone; of several seasons, with the number that are
        planned, the number there are, and the seconds gone.
    executor
        Who plans several seasons, at once: an executor of ``concurrent.futures``, or of a library that has the same.
        Without, they are planned here one after the other. One season is always planned here.

    Returns
    -------
    Plan, or for several seasons a dict of plans
        The same for all executors, unless the time ends a search.

    Raises
    ------
    Refused
        If nothing is wanted, a wanted variety has no sale price, or an argument is at fault.
    OutOfReach
        If no plan keeps all limits; it says which, and by how much. Of several seasons, once all others are planned:
        ``best`` has the plans of these.

    Notes
    -----
    Limits kept by every plan: minimums, multiples and weeks of the labs; the budget, by the expected cost with freight
    and growing; each place in each week, by the mean area in the tenth of draws in which it is fullest (of the first
    512 draws); the floor on bad years. Plants of one lab in one week share boxes of one size.

    The margin of a plan is counted in expected plants, given the draw: prices of offers with their breaks, whole boxes,
    stages, work and bench; sales up to the demand, the oldest plants first; what is left after the last wanted week is
    sold marked down, as many as are wanted in all. Saleable plants stand until the last wanted week; rent that is saved
    by an early sale is counted until then, even if plants pass their best before. Of an offer at
    most 60 quantities a week are tried at first, finer ones near the best; the bound holds for all. No order is larger
    than four times what meets the largest demand.

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> plan = forecast.plan_orders(season, draws=128, seed=1)
    >>> plan.gap < 0.01
    True
    """
    if aim not in get_args(Aim):
        raise refuse("aim", aim, "no such aim", f"Give one of {', '.join(get_args(Aim))}.")
    whole("deliveries", deliveries, 1, 2)
    for name, number in (("time_limit", time_limit), ("gap", gap)):
        if isinstance(number, bool) or not isinstance(number, int | float) or not number > 0:
            raise refuse(name, number, "not a number above 0", "Give a number above 0.")
    number = isinstance(worst_tenth, int | float) and not isinstance(worst_tenth, bool) and math.isfinite(worst_tenth)
    if worst_tenth is not None and (aim == "cost" or not number):
        remedy = "Give a number, with the aim margin." if aim == "margin" else "Leave it out, or aim for the margin."
        raise refuse("worst_tenth", worst_tenth, "no floor for this aim", remedy)
    if executor is not None:
        check(executor)
    season_streams(draws, seed)  # refuses what cannot be used
    seasons = season if isinstance(season, Mapping) else {"": season}
    faults = [
        fault.placed(", ".join(filter(None, (str(name), fault.table))), fault.row)
        for name, one in seasons.items() for fault in _unaskable(one, aim)
    ]  # fmt: skip
    if faults:
        raise Refused(faults)
    asked = (draws, seed, aim, deliveries, worst_tenth, {"time_limit": float(time_limit), "gap": float(gap)})
    if isinstance(season, Season):
        return _planned(season, *asked, progress)
    return _all_planned(season, asked, progress, executor)


def _planned(
    season: Season,
    draws: int,
    seed: int,
    aim: Aim,
    deliveries: int,
    worst_tenth: float | None,
    until: dict[str, float],
    progress: Told | None = None,
) -> Plan:
    streams = season_streams(draws, seed)
    if aim == "margin":
        found = improved(
            best_margin(season, streams, deliveries=deliveries, floor=worst_tenth, progress=progress, **until)
        )
    else:
        found = least_cost(season, streams, progress=progress, **until)
    return Plan(season, aim, found.value, found.bound, found.seconds, draws, seed, deliveries, found)


def _scenario(season: Season, *asked: Any) -> Plan | OutOfReach:
    """Plan one of several seasons, as a worker does; its tables are not kept."""
    try:
        return copy(_planned(season, *asked))
    except OutOfReach as error:
        return error


def _all_planned(
    seasons: Mapping[str, Season], asked: tuple[Any, ...], progress: Told | None, executor: Executor | None
) -> dict[str, Plan]:
    began, names = time.monotonic(), list(seasons)
    found: dict[str, Plan | OutOfReach] = {}
    for at, plan in handed_out(_scenario, [(one, *asked) for one in seasons.values()], executor):
        found[names[at]] = plan
        if progress:
            progress(len(found), len(names), time.monotonic() - began)
    plans = {name: plan for name in names if isinstance(plan := found[name], Plan)}
    failed = [f"{name}: {error}" for name in names if isinstance(error := found[name], OutOfReach)]
    if failed:
        raise OutOfReach("\n".join(failed), plans)
    return plans


def _unaskable(season: object, aim: Aim) -> list[Fault]:
    """List why no orders can be found: nothing is wanted, or not said for how much it is sold."""
    if not isinstance(season, Season):
        kind = type(season).__name__
        return [Fault("not a season", "Give a season, or several by name.", column="season", value=kind)]
    if not season.targets:
        return [Fault("nothing is wanted", "Add rows to targets: variety, week and target.", column="targets")]
    if aim == "cost":
        return []
    return [
        Fault("wanted, but without a price", "Fill in the price at which it is sold.", "varieties", at, "sale_price")
        for at, row in enumerate(season.varieties, start=1)
        if row.sale_price is None and season.targets_of(row.variety)
    ]
