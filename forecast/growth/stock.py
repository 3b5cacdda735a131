"""What is on hand of a variety, week by week, as plants become ready, are sold and pass their best."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forecast.season.rows import Wanted
from forecast.streams import Streams

Array = NDArray[np.float64]


def drawn_demand(streams: Streams, row: Wanted) -> Array:
    """Give the number wanted [plants] in every draw, shape (draws,): the same in all, or drawn from its range."""
    if row.demand is None:
        return np.full(streams.draws, float(row.likely_number))
    return row.demand.at(streams.normal(("demand", row.variety, str(row.week)), "demand"))


def earlier(ready: NDArray[Any], weeks: int | None) -> NDArray[Any]:
    """Give those that were ready `weeks` before, shape (weeks, draws): they are past their best."""
    before = np.zeros_like(ready)
    if weeks is not None:
        before[weeks:] = ready[:-weeks]
    return before


def on_hand(ready: NDArray[Any], shelf_life: int | None, sales: Sequence[tuple[int, Array]]) -> tuple[Array, Array]:
    """Give what is on hand in each week, before and after that week's sale.

    Parameters
    ----------
    ready
        Plants that have become saleable by each week [plants], shape (weeks, draws).
    shelf_life
        Weeks for which a plant keeps its grade; None if for the whole season.
    sales
        Number of the week, and plants asked for in it, shape (draws,). The oldest plants are sold first;
        what cannot be had is not sold later.

    Returns
    -------
    before, after
        arrays of shape (weeks, draws) [plants]
    """
    asked = dict(sales)
    past = earlier(ready, shelf_life)
    gone = np.zeros(ready.shape[1])
    before, after = np.empty(ready.shape), np.empty(ready.shape)
    for week in range(ready.shape[0]):
        gone = np.maximum(gone, past[week])
        before[week] = ready[week] - gone
        if week in asked:
            gone = gone + np.minimum(before[week], asked[week])
        after[week] = ready[week] - gone
    return before, after
