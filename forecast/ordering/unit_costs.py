"""What it costs to grow a plantlet in the nursery."""

from __future__ import annotations

import numpy as np

from forecast.growth.fate import Fate
from forecast.season.season import Season
from forecast.season.stages import Stage
from forecast.streams import Array
from forecast.weeks import Week

_COSTED = 256  # draws from which expected costs are taken
BEFORE = 1e-6  # weeks before its Monday, a week begins


def growing_costs(
    season: Season, variety: str, fate: Fate, weeks: int, enters: str | None = None
) -> tuple[float, Array]:
    """Return the expected cost of a plantlet by stages and work, and of its bench by the week since it came.

    `fate` is that of plantlets from the stage on that they enter, the first if not given. The costs are those of stages
    and work for a plantlet that comes [currency], and of its bench in each week, shape (weeks,) [currency], at the cost
    that the first row of its place states; saleable plants stand until they are past their sale window.
    """
    route = season.route(variety)
    if enters is not None:
        route = route[[row.stage for row in route].index(enters) :]
    some = fate.take(slice(_COSTED))
    entering = np.concatenate([[1.0], some.reached[1:-1].mean(axis=1)])
    each = [row.cost + row.minutes / 60 * season.hourly_wage for row in route]
    rates = [season.place(row.place).cost_per_m2_week / row.plants_per_m2 for row in route]
    if not any(rates):
        return float(entering @ each), np.zeros(weeks)
    standing, ready = some.course(np.arange(weeks, dtype=np.float64))
    life = season.variety(variety).saleable_weeks
    bench = sum(rate * alive.mean(axis=1) for rate, alive in zip(rates, standing, strict=True))
    kept = ready.mean(axis=1)
    if life is not None:
        kept[life:] -= ready.mean(axis=1)[:-life]
    return float(entering @ each), bench + rates[-1] * kept


def rents(season: Season, stage: Stage) -> Array:
    """Return the cost of the bench of a plant in a stage in each week of the season [currency], shape (weeks,)."""
    places = (season.place_in(stage.place, season.first_week + i) for i in range(season.weeks))
    return np.array([place.cost_per_m2_week for place in places]) / stage.plants_per_m2


def stage_costs(season: Season, variety: str, fate: Fate, week: Week) -> Array:
    """Return the cost [currency] of stages and work of a plantlet delivered in a week, until the season's end.

    It is that expected given the draw, shape (draws,).
    """
    elapsed = np.array([season.last_week - week + 1.0 - BEFORE])
    left = np.array(fate.boundaries(elapsed))[:-1, 0]
    each = np.array([row.cost + row.minutes / 60 * season.hourly_wage for row in season.route(variety)])
    return np.asarray(each @ (fate.reached[:-1] * left))
