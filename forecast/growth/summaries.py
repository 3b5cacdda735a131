"""Percentiles of draws, and their tables."""

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
    """Return p5, median and p95 of whole numbers, shape (weeks, draws), as an array of shape (3, weeks)."""
    ranks = [max(math.ceil(q * counts.shape[1]) - 1, 0) for q in RANGE]
    return np.partition(counts, ranks, axis=1)[:, ranks].T.astype(np.int64)


def by_week(varieties: Sequence[str], weeks: Sequence[str], found: Sequence[NDArray[np.int64]]) -> pd.DataFrame:
    """Return a table of variety, week, p5, median and p95 from the `ranges` of varieties."""
    frame = pd.DataFrame({"variety": np.repeat(varieties, len(weeks)), "week": [*weeks] * len(varieties)})
    return frame.assign(**{name: np.ravel([one[i] for one in found]) for i, name in enumerate(RANGE_NAMES)})


def as_targets(rows: Iterable[tuple[Any, ...]]) -> pd.DataFrame:
    """Return a table of rows of variety, week, target, p5, median, p95 and chance."""
    return pd.DataFrame(list(rows), columns=["variety", "week", "target", *RANGE_NAMES, "chance"])
