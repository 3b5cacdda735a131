"""What it costs to grow a plantlet in the nursery."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from forecast.fates.fate import Fate
from forecast.growth.stock import earlier
from forecast.season.season import Season
from forecast.season.stages import Stage
from forecast.streams import Array
from forecast.weeks import Week

_COSTED = 256  # draws from which expected costs are taken
BEFORE = 1e-6  # weeks before its Monday, a week begins


def growing_costs(
    season: Season, variety: str, fate: Fate, until: Week, weeks: int, enters: str | None = None
) -> tuple[float, Array]:
    """Return the expected cost of a plantlet by stages and work, and of its bench by how long before a week it comes.

    `fate` is that of plantlets from the stage on that they enter, the first if not given. The costs are those of stages
    and work for a plantlet that comes [currency], and of its bench until the week `until` if it comes 0, 1, 2, ...
    `weeks` weeks before, shape (weeks + 1,) [currency]; saleable plants stand until they are past their sale window.
    """
    route = season.route(variety)
    if enters is not None:
        route = route[[row.stage for row in route].index(enters) :]
    some = fate.take(slice(_COSTED))
    entering = np.concatenate([[1.0], some.reached[1:-1].mean(axis=1)])
    each = [row.paid(season.hourly_wage) for row in route]
    bench, first = np.zeros(weeks + 1), until + -weeks
    rates = [rents_between(season, row.place, first, until)[::-1] / row.plants_per_m2 for row in route]
    if not np.any(rates):
        return float(entering @ each), bench
    standing, ready = some.course(np.arange(weeks, dtype=np.float64))
    life = season.variety(variety).saleable_weeks
    kept = ready.mean(axis=1)
    if life is not None:
        kept[life:] -= ready.mean(axis=1)[:-life]
    for rate, alive in zip([*rates, rates[-1]], [*standing.mean(axis=2), kept], strict=True):
        bench[1:] += np.convolve(alive, rate)[:weeks]  # of w weeks before, t weeks old: rate w - 1 - t
    return float(entering @ each), bench


def rents(season: Season, stage: Stage) -> Array:
    """Return the cost of the bench of a plant in a stage in each week of the season [currency], shape (weeks,)."""
    return rents_between(season, stage.place, season.first_week, season.last_week + 1) / stage.plants_per_m2


def rents_between(season: Season, place: str, first: Week, until: Week) -> Array:
    """Return the cost of a square metre of a place in each week from the first to before the last [currency]."""
    if len([row for row in season.places if row.place == place]) == 1:
        return np.full(until - first, season.place(place).cost_per_m2_week)
    return np.array([season.place_in(place, first + i).cost_per_m2_week for i in range(until - first)])


def rent_saved(
    season: Season, variety: str, ready: NDArray[Any], left: NDArray[Any], last: int, aged: Array | None = None
) -> Array:
    """Return the cost of the bench that the sales of a variety save, shape (draws,) [currency].

    By each week `ready` have become saleable, and `left` are on hand after its sale, both of shape (weeks, draws)
    [plants]. After the sale in the week of number `last` all that is saleable leaves, and so it would unsold. Those
    `aged` were saleable before the season (see `forecast.growth.stock.aged_of`).

    Notes
    -----
    Unsold, a plant stands until it is past its sale window, and until the last sale. So in each week before that the
    rent is saved of those that would be in grade and are not on hand; of one that would be past it none is.
    """
    kept = ready - earlier(ready, season.variety(variety).saleable_weeks, aged)
    return np.asarray(rents(season, season.route(variety)[-1])[:last] @ (kept - left)[:last])


def most_rent_saved(season: Season, variety: str, last: int) -> Array:
    """Return the most that a plant saves of its bench that is sold in each week, shape (weeks,) [currency].

    That is if it became saleable in that week: for its sale window, but no longer than to the week of number `last`, in
    which all that is saleable leaves. A plant that waited for its buyer saves less (see `rent_saved`).
    """
    until = np.concatenate([[0.0], np.cumsum(rents(season, season.route(variety)[-1]))])
    weeks, life = np.arange(season.weeks), season.variety(variety).saleable_weeks
    ends = np.minimum(weeks + (season.weeks if life is None else life), last)
    return np.asarray(until[np.maximum(ends, weeks)] - until[weeks])


def stage_costs(season: Season, variety: str, fate: Fate, week: Week) -> Array:
    """Return the cost [currency] of stages and work of a plantlet delivered in a week, until the season's end.

    It is that expected given the draw, shape (draws,).
    """
    elapsed = np.array([season.last_week - week + 1.0 - BEFORE])
    if (fate.past(fate.stages, elapsed) == 1).all():  # all have left all stages
        left = np.ones((fate.stages, 1))
    else:
        left = np.array(fate.boundaries(elapsed))[:-1, 0]
    each = np.array([row.paid(season.hourly_wage) for row in season.route(variety)])
    return np.asarray(each @ (fate.reached[:-1] * left))


def outlays(season: Season, variety: str, fate: Fate, week: Week, last: Week) -> Array:
    """Return what a plantlet delivered in a week has cost by the end of each week of the season, shape (weeks,).

    Stages and work as it enters them, and its bench if it is never sold, until it is past its sale window or the week
    of the last sale has come: expected over some of the draws [currency].
    """
    some, route = fate.take(slice(_COSTED)), season.route(variety)
    elapsed = np.arange(season.weeks, dtype=np.float64) - (week - season.first_week)
    left = np.array(some.boundaries(elapsed + 1 - BEFORE))[:-1]
    each = np.array([row.paid(season.hourly_wage) for row in route])
    entered = np.einsum("k,kd,kwd->wd", each, some.reached[:-1], left).mean(axis=1)
    standing, ready = some.course(elapsed)
    kept = ready - earlier(ready, season.variety(variety).saleable_weeks)
    kept[last - season.first_week :] = 0
    stood = zip([*route, route[-1]], [*standing, kept], strict=True)
    bench = sum((rents(season, row) * alive.mean(axis=1) for row, alive in stood), np.zeros(season.weeks))
    return np.asarray(entered + np.cumsum(bench))
