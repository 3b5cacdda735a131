"""An order for each target of a season, sized by itself."""

from __future__ import annotations

from typing import Any

import pandas as pd

import forecast
from forecast.ordering.order import Order
from forecast.season.season import Season


def each_sized(season: Season, **drawn: Any) -> list[Order]:
    """Return the order of each target, as `size_order` finds it; all of them can be met."""
    rows = (row for _, row in season.each_target())
    return [forecast.size_order(season, row.variety, week=row.week, **drawn) for row in rows]


def sizes(season: Season, **drawn: Any) -> pd.DataFrame:
    """Return the same as a table, without what each was found with."""
    rows = (row for _, row in season.each_target())
    orders = (forecast.size_order(season, row.variety, week=row.week, **drawn).table() for row in rows)
    return pd.concat(orders, ignore_index=True)
