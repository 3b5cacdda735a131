"""Ranges of draws: low, middle and high, nine in ten between the first and the last."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

RANGE = (0.05, 0.5, 0.95)
RANGE_NAMES = ("p5", "median", "p95")


def ranges(counts: NDArray[Any]) -> NDArray[np.int64]:
    """Return the low, middle and high of whole numbers, shape (weeks, draws), as an array of shape (3, weeks)."""
    ranks = [max(math.ceil(q * counts.shape[1]) - 1, 0) for q in RANGE]
    return np.partition(counts, ranks, axis=1)[:, ranks].T.astype(np.int64)


def by_week(varieties: Sequence[str], weeks: Sequence[str], found: Sequence[NDArray[np.int64]]) -> pd.DataFrame:
    """Make a table of variety, week, low, middle and high of the `ranges` of varieties."""
    frame = pd.DataFrame({"variety": np.repeat(varieties, len(weeks)), "week": [*weeks] * len(varieties)})
    return frame.assign(**{name: np.ravel([one[i] for one in found]) for i, name in enumerate(RANGE_NAMES)})


def as_targets(rows: Iterable[tuple[Any, ...]]) -> pd.DataFrame:
    """Make a table of rows of variety, week, number wanted, low, middle and high number, and chance."""
    return pd.DataFrame(list(rows), columns=["variety", "week", "target", *RANGE_NAMES, "chance"])
