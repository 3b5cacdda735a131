"""Arrays in one number each, to see whether any of their digits has changed."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest


def same(*numbers: float) -> Any:
    """Return numbers to compare with, to as many digits as all processors agree in."""
    return pytest.approx(list(numbers), rel=1e-9)


def weighed(*arrays: Any) -> list[float]:
    """Return the sum of each array, its places weighed each a little differently."""
    return [float(np.ravel(one) @ (1 + np.arange(np.size(one)) * 0.618 % 1)) for one in arrays]


def columns(frame: pd.DataFrame) -> list[float]:
    """Return the sum of every column of numbers of a table, its rows weighed each a little differently."""
    return weighed(*(frame[name].fillna(0).to_numpy(np.float64) for name in frame.select_dtypes("number")))
