"""The whole order: all varieties, price lists and delivery weeks at once, within budget and benches."""

from __future__ import annotations

import math
from collections.abc import Mapping
from concurrent.futures import Executor
from copy import copy
from dataclasses import dataclass, replace
from typing import Any, get_args

from forecast.errors import Fault, OutOfReach, Refused, real, refuse
from forecast.executors import Progress, check, handed_out
from forecast.growth.simulation import season_streams
from forecast.planning.column_generation import MOST_ROUNDS, Callback, best_plan, check_plan
from forecast.planning.plan import Plan
from forecast.season.consistency import unpriced
from forecast.season.season import Season
from forecast.streams import PLANNING_DRAWS
from forecast.worth.columns import Aim


@dataclass(frozen=True)
class _Options:
    """What a search is to find, and when it ends."""

    draws: int
    seed: int
    aim: Aim | None
    worst_tenth: float | None
    time_limit: float
    gap: float


def plan_orders(
    season: Season,
    *,
    draws: int = PLANNING_DRAWS,
    seed: int | None = None,
    aim: Aim | None = None,
    worst_tenth: float | None = None,
    time_limit: float = 60.0,
    gap: float = 0.003,
    like: Plan | None = None,
    progress: Progress | None = None,
) -> Plan:
    """Find what to order of everything at once, and prove how good it is.

    Parameters
    ----------
    season
        The season: targets, price list, budget, benches. Plants on hand, and orders that are placed, are sold and paid
        for with all else; its other orders do not count.
    draws, seed
        Number of simulated seasons, and their seed; that of the season if not given.
    aim
        ``margin``: the greatest expected margin, less the price of being short; what is promised is kept. ``cost``: the
        least expected cost at which every target is met at the chance promised, or at the service level of the season.
        Not given: the margin, or the cost if a variety with a target has no sale price.
    worst_tenth
        Minimum of the mean margin in the worst tenth of seasons [currency], for the aim ``margin``; none if not given.
    time_limit
        Time after which the best plan so far is returned [seconds].
    gap
        Optimality gap: the search ends once no plan can be better by more than this share.
    like
        A plan of a season that differs little, such as in one number. What has not changed, in the same draws and for
        the same aim, is taken from its search, and this one ends as near its bound, if that is farther than `gap`.
    progress
        Called with the number of rounds of the search that are done, and the most there can be; at last with that of
        all there were, twice.

    Returns
    -------
    Plan
        The same for the same season, draws and seed, and plan that it is like, unless the time limit ends the search.

    Raises
    ------
    Refused
        If there is no target, a variety with a target has no sale price, or an argument is not accepted.
    OutOfReach
        If no plan keeps all limits; it says which, and by how much.

    Notes
    -----
    Limits that every plan keeps: minimums, multiples and weeks of the labs; the budget, by what labs and carriers are
    paid; each place in each week, by the mean area in the tenth of draws in which it is fullest (of the first 256
    draws); the overdraft (not with aim "cost", which knows no sales), by the mean lowest cash of the tenth of draws in
    which it falls lowest; the minimum of the worst tenth. Plants of one lab in one week share boxes of one size.

    Promises (from 256 draws on), the minimum of the worst tenth and the overdraft are kept on draws other than those of
    the search, too: what is missed there is asked for at a higher level, until as many as eight times the draws keep
    it. A line that joins an order that is placed may reach a better price break than the search counts on.

    A plan may hold any number of deliveries of a variety, each an orderable quantity; the bound holds for all such
    plans, but for orders larger than four times what meets the largest demand. Given the draw, the number of a batch
    that becomes ready is taken as normal, and each possible delivery has the luck of a batch of its own. The margin
    of a plan is that of its cash flow, in which batches are numbered as they come: other luck of the same law.

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> plan = forecast.plan_orders(season, draws=128, seed=1)
    >>> plan.gap < 0.01
    True
    """
    options = _options(season, draws, seed, aim, worst_tenth, time_limit, gap)
    if like is not None and not isinstance(like, Plan):
        raise refuse("like", type(like).__name__, "not a plan", "Give what plan_orders returned.")
    if faults := _faults(season, options.aim):
        raise Refused(faults)

    done = 0

    def callback(*_: float) -> None:
        nonlocal done
        done += 1
        if progress:
            progress(done, MOST_ROUNDS)

    plan = _planned(season, options, callback, like)
    if progress:
        progress(done, done)
    return plan


def aim_for(season: Season) -> Aim:
    """Return what to aim at: the margin, or the cost if a variety with a target has no sale price."""
    return "cost" if unpriced(season.varieties, season.targets) else "margin"


def plan_scenarios(  # those of `plan_orders`, and who plans
    scenarios: Mapping[str, Season],
    *,
    draws: int = PLANNING_DRAWS,
    seed: int | None = None,
    aim: Aim | None = None,
    worst_tenth: float | None = None,
    time_limit: float = 60.0,
    gap: float = 0.003,
    progress: Progress | None = None,
    executor: Executor | None = None,
) -> dict[str, Plan]:
    """Plan several scenarios of a season, all in the same draws.

    Parameters
    ----------
    scenarios
        Seasons by the names of the scenarios.
    draws, seed, aim, worst_tenth, time_limit, gap
        As for `plan_orders`; the seed is that of the first scenario if not given.
    progress
        Called with the number of scenarios that are planned and that there are.
    executor
        Plans them at once: one of ``concurrent.futures`` or alike; else they are planned here, one by one.

    Returns
    -------
    dict
        The plans by the names of the scenarios: the same as of `plan_orders`, for all executors.

    Raises
    ------
    Refused, OutOfReach
        As `plan_orders`, with the faults of all scenarios; ``best`` has the plans of those that are in reach.
    """
    if executor is not None:
        check(executor)
    if not isinstance(scenarios, Mapping):
        raise refuse("scenarios", type(scenarios).__name__, "not seasons by name", "Give a dict of seasons.")
    options = _options(next(iter(scenarios.values()), None), draws, seed, aim, worst_tenth, time_limit, gap)
    faults = [
        fault.placed(", ".join(filter(None, (str(name), fault.table))), fault.row)
        for name, season in scenarios.items()
        for fault in _faults(season, options.aim)
    ]
    if faults:
        raise Refused(faults)
    names = list(scenarios)
    found: dict[str, Plan | OutOfReach] = {}
    for at, plan in handed_out(_scenario, [(season, options) for season in scenarios.values()], executor):
        found[names[at]] = plan
        if progress:
            progress(len(found), len(names))
    plans = {name: plan for name in names if isinstance(plan := found[name], Plan)}
    failed = [f"{name}: {error}" for name in names if isinstance(error := found[name], OutOfReach)]
    if failed:
        raise OutOfReach("\n".join(failed), plans)
    return plans


def _options(season: object, draws: int, seed: int | None, *others: Any) -> _Options:
    """Return the options of a search, or refuse those that are not accepted."""
    if seed is None:
        seed = season.seed if isinstance(season, Season) else 1
    options = _Options(draws, seed, *others)
    aim, floor = options.aim, options.worst_tenth
    if aim not in (None, *get_args(Aim)):
        raise refuse("aim", aim, "no such aim", f"Give one of {', '.join(get_args(Aim))}.")
    for name in ("time_limit", "gap"):
        real(name, getattr(options, name), gt=0, le=math.inf)
    if floor is not None:
        real("worst_tenth", floor)
        if aim == "cost":
            raise refuse("worst_tenth", floor, "no minimum for this aim", "Leave it out, or aim for the margin.")
    season_streams(draws, seed)  # refuses what is not usable
    return replace(options, time_limit=float(options.time_limit), gap=float(options.gap))


def _planned(season: Season, options: _Options, callback: Callback | None = None, like: Plan | None = None) -> Plan:
    streams = season_streams(options.draws, options.seed)
    check_plan(season, streams.draws)
    aim = options.aim or aim_for(season)
    found = best_plan(
        season, streams, aim=aim, floor=options.worst_tenth, time_limit=options.time_limit, gap=options.gap,
        callback=callback, kept=None if like is None else like._solution.kept,
    )  # fmt: skip
    return Plan(season, aim, found.seconds, options.draws, options.seed, found)


def _scenario(season: Season, options: _Options) -> Plan | OutOfReach:
    """Plan one of several scenarios, as a worker does; its tables are not kept."""
    try:
        return copy(_planned(season, options))
    except OutOfReach as error:
        return error


def _faults(season: object, aim: Aim | None) -> list[Fault]:
    """Return why no plan can be searched for: there is no target, or no price for which it is sold."""
    if not isinstance(season, Season):
        return [Fault("not a season", "Give a season.", column="season", value=type(season).__name__)]
    if not season.targets:
        return [Fault("there are none", "Add rows to targets: variety, week and target.", column="targets")]
    if aim != "margin":
        return []
    return [*unpriced(season.varieties, season.targets).values()]
