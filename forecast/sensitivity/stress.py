"""The same season with a lower survival."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from forecast.errors import real
from forecast.growth.outcome import Outcome
from forecast.rates.distributions import Share
from forecast.season.season import Season
from forecast.season.stages import Stage


def poorer(season: Season, *, points: float = 0.1) -> Season:
    """Return a season in which survival from delivery to saleable is lower in every variety.

    Parameters
    ----------
    season
        The season.
    points
        How much lower [share of the plants delivered]: at 0.1, ten fewer of 100 survive. Where survival is less than
        twice that, it is halved.

    Returns
    -------
    Season

    Raises
    ------
    Refused
        If `points` is no such share.

    Notes
    -----
    The survival of a route is taken as the product of the mean survivals of its stages. It is lowered in the stage that
    loses most, whose mean is multiplied by 1 - points / product; there the shares keep the a + b of their beta
    distribution. Simulated with the same seed, a season and its poorer one are paired: no draw is better. Weather comes
    on top, so that what is saleable falls by a little more or less.

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> [share.mean for share in poorer(season).survivals("Hosta 'Orrinfall'")][1] < 0.85
    True
    """
    real("points", points, gt=0, lt=1, problem="not a share of the plants delivered", such_as="0.1 for ten points")
    routes = {season.route(row.variety)[0].applies_to: row.variety for row in season.varieties}
    lowered: dict[int, Stage] = {}
    for variety in routes.values():
        route = season.route(variety)
        rows = _lowered(route, season.survivals(variety), points)
        lowered |= {id(row): new for row, new in zip(route, rows, strict=True)}
    return season.replace(stages=tuple(lowered.get(id(row), row) for row in season.stages))


def share_saleable(outcome: Outcome) -> float:
    """Return the share of all plants delivered that become saleable within the season, on average [0 to 1]."""
    ready = sum(float(outcome.ready(variety)[-1].mean()) for variety in outcome.varieties)
    return ready / sum(batch.quantity for batch in outcome.batches)


def _lowered(route: Sequence[Stage], shares: Sequence[Share], points: float) -> list[Stage]:
    """Return the stages of a route with the survival of the one that loses most lowered."""
    worst = int(np.argmin([share.mean for share in shares]))
    through = math.prod(share.mean for share in shares)
    kept = 1 - min(points / through, 0.5)
    rows = []
    for at, (row, share) in enumerate(zip(route, shares, strict=True)):
        rows.append(row.surviving(share.around(share.mean * kept) if at == worst else share))
    return rows
