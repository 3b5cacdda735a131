"""Buyers who come in single weeks, made in one line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from small_seasons import FIRST

from forecast.growth.selling import Buyers, Row, Sold, sell
from forecast.season.targets import Target
from forecast.streams import Array
from forecast.weeks import Week


def buyers(sales: Sequence[tuple[int, Array]], weeks: int, saleable_weeks: int | None = None) -> Buyers:
    """Return buyers of the whole demand, shape (draws,), of each of some weeks, numbered from 0, of a season."""
    first = Week.parse(FIRST)
    targets = [Target(variety="A", week=first + week, target=1) for week, _ in sales]
    rows = [
        Row(target, week, np.asarray(demand)[None], np.zeros(1), range(week, week + 1))
        for target, (week, demand) in zip(targets, sales, strict=True)
    ]
    return Buyers(tuple(rows), np.zeros(weeks), saleable_weeks)


def sold(ready: Any, saleable_weeks: int | None, sales: Sequence[tuple[int, Array]]) -> Sold:
    """Sell what becomes ready, shape (weeks, draws), to such buyers."""
    return sell(ready, buyers(sales, len(ready), saleable_weeks))
