"""Tornado and Sobol indices of any function of independent inputs, each of a SciPy distribution."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import qmc

from forecast.sensitivity.sobol import TENTHS, ranked, sobol_table
from forecast.streams import Array

Function = Callable[[Array], Array]  # answers by draw, shape (draws,), of values of inputs, shape (inputs, draws)


def tornado(function: Function, inputs: Mapping[str, Any], *, n: int, seed: int) -> pd.DataFrame:
    """Return the mean answers with one input at a time at its 10th and 90th percentile, in the same draws."""
    drawn = _drawn(list(inputs.values()), n, seed)
    rows = []
    for i, (name, known) in enumerate(inputs.items()):
        ends = [float(known.ppf(q)) for q in TENTHS]
        answers = []
        for end in ends:
            values = drawn.copy()
            values[i] = end
            answers.append(float(np.mean(function(values))))
        rows.append((name, *ends, *answers))
    return ranked(pd.DataFrame(rows, columns=["input", "p10", "p90", "at_p10", "at_p90"]))


def indices(function: Function, inputs: Mapping[str, Any], *, n: int, seed: int) -> pd.DataFrame:
    """Return the first-order and total Sobol indices from n draws, a power of two."""
    known = list(inputs.values())
    one, other = np.split(_drawn([*known, *known], n, seed), 2)
    mixed = []
    for i in range(len(known)):
        values = one.copy()
        values[i] = other[i]
        mixed.append(function(values))
    return sobol_table(list(inputs), function(one), function(other), mixed)


def _drawn(known: Sequence[Any], n: int, seed: int) -> Array:
    even = qmc.Sobol(len(known), rng=np.random.default_rng(seed)).random_base2(n.bit_length() - 1)
    return np.array([one.ppf(column) for one, column in zip(known, even.T, strict=True)], dtype=np.float64)
