"""Outcomes of different varieties put together, so that one can change without reckoning the others again."""

from __future__ import annotations

import numpy as np

from forecast.growth.outcome import Outcome


def together(one: Outcome, other: Outcome) -> Outcome:
    """Return what comes of the orders of both, as if they had been forecast together.

    Parameters
    ----------
    one, other
        Outcomes of different varieties under the same streams; the season is that of `one`, and `other` was forecast
        with the same benches, weeks, stages and sales of its varieties.

    Returns
    -------
    Outcome

    Notes
    -----
    Streams belong to varieties and batches, and plants of different varieties meet only on the benches. So the areas
    add, and so do the variances that the chance of single plants adds to them.
    """
    batches = (*one.batches, *other.batches)
    both = Outcome(one.season, batches, [*map(one.fate, one.batches), *map(other.fate, other.batches)], one.streams)
    both.area = one.area.assign(
        expected=one.area["expected"] + other.area["expected"],
        deviation=np.hypot(one.area["deviation"], other.area["deviation"]),
    )
    return both
