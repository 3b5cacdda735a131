"""Tables of sensitivity: the tornado's order, and Sobol indices from answers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from forecast.streams import Array

TENTHS = (0.1, 0.9)  # percentiles to which the tornado moves an input


def ranked(table: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of a tornado with their swing, the largest first."""
    swung = table.assign(swing=(table["at_p90"] - table["at_p10"]).abs())
    return swung.sort_values("swing", ascending=False, kind="stable", ignore_index=True)


def sobol_table(names: Sequence[str], one: Array, other: Array, mixed: Sequence[Array]) -> pd.DataFrame:
    """Return the first-order and total Sobol indices of inputs, or of groups of inputs, and their standard errors.

    `one` and `other` are answers for two independent draws of all inputs, each of shape (draws,), their number a power
    of two; `mixed` holds for each input the answers for the first draws, but this input as in the others.

    Notes
    -----
    The estimators are those of Saltelli et al. With f the answers less their mean and V their variance: first =
    mean(f_other (f_mixed - f_one)) / V, total = mean((f_one - f_mixed)^2) / (2 V). The errors are those of a ratio of
    two means of independent draws; even points are usually nearer.

    References
    ----------
    Saltelli, A., Annoni, P., Azzini, I., Campolongo, F., Ratto, M. and Tarantola, S. (2010). Variance based
    sensitivity analysis of model output. Comput. Phys. Commun. 181, 259-270. doi:10.1016/j.cpc.2009.09.018
    """
    twice = np.array([*mixed, mixed[-1]])  # SciPy takes no single input
    answers: Any = {"f_A": one[None], "f_B": other[None], "f_AB": twice[:, None]}
    found = stats.sobol_indices(func=answers, n=one.size)
    mean = (one.mean() + other.mean()) / 2
    one, other, swapped = one - mean, other - mean, np.array(mixed) - mean
    square = (one**2 + other**2) / 2
    parts = {"first": other * (swapped - one), "total": (one - swapped) ** 2 / 2}
    table = pd.DataFrame({"input": list(names)})
    for name, index in (("first", found.first_order), ("total", found.total_order)):
        table[name] = index[:-1]
        left = parts[name] - table[name].to_numpy()[:, None] * square
        scale = square.mean() * np.sqrt(one.size)
        table[f"{name}_error"] = left.std(axis=1) / scale if scale else 0.0
    return table
