"""Sensitivity of a function to its uncertain inputs: one input at a time (tornado), and Sobol indices."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats
from scipy.stats import qmc

from forecast.errors import refuse, whole
from forecast.streams import Array

Function = Callable[[Array], Array]
"""Returns an answer for every draw, shape (draws,), of values of the inputs, shape (inputs, draws)."""

TENTHS = (0.1, 0.9)  # quantiles at which an input counts as low and as high
_MOST = 2**20  # points


def tornado(function: Function, inputs: Mapping[str, Any], *, n: int, seed: int) -> pd.DataFrame:
    """Return how far the expected answer swings with each input, all others left random.

    Parameters
    ----------
    function
        The answer in every draw, shape (draws,), of values of the inputs, shape (inputs, draws).
    inputs
        SciPy's frozen distribution of each input by its name, in the order of the function's rows.
    n
        Number of draws, a power of two.
    seed
        Their seed.

    Returns
    -------
    DataFrame
        A row for each input, the largest swing first: input; p10 and p90, its quantiles 0.1 and 0.9; at_p10 and
        at_p90, the mean answer with the input set to these in the same draws; swing, how far apart these are.

    Raises
    ------
    Refused
        If `n` is no power of two.

    Examples
    --------
    >>> from scipy import stats
    >>> inputs = {"price": stats.norm(8, 1), "cost": stats.norm(5, 0.1)}
    >>> tornado(lambda x: x[0] - x[1], inputs, n=256, seed=1)["input"].tolist()
    ['price', 'cost']
    """
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


def ranked(table: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of a tornado with their swing, the largest first."""
    swung = table.assign(swing=(table["at_p90"] - table["at_p10"]).abs())
    return swung.sort_values("swing", ascending=False, kind="stable", ignore_index=True)


def indices(function: Function, inputs: Mapping[str, Any], *, n: int, seed: int) -> pd.DataFrame:
    """Return the first-order and total Sobol indices of a function of independent inputs.

    Parameters
    ----------
    function, inputs
        As for `tornado`.
    n
        Number of draws, a power of two; the function is asked for (inputs + 2) as many answers.
    seed
        Seed of the draws.

    Returns
    -------
    DataFrame
        As `sobol_table`.

    Raises
    ------
    Refused
        If `n` is no power of two.
    """
    known = list(inputs.values())
    one, other = np.split(_drawn([*known, *known], n, seed), 2)
    mixed = []
    for i in range(len(known)):
        values = one.copy()
        values[i] = other[i]
        mixed.append(function(values))
    return sobol_table(list(inputs), function(one), function(other), mixed)


def sobol_table(names: Sequence[str], one: Array, other: Array, mixed: Sequence[Array]) -> pd.DataFrame:
    """Return the first-order and total Sobol indices of inputs, or of groups of inputs, from answers.

    Parameters
    ----------
    names
        Names of the inputs.
    one, other
        Answers for two independent draws of all inputs, each of shape (draws,); their number is a power of two.
    mixed
        For each input the answers for the first draws, but this input as in the others.

    Returns
    -------
    DataFrame
        A row for each input: input; first, the share of the variance of the answer [0 to 1] that is gone once this
        input is known; total, the share that is left when all but this one are known; and their standard errors.

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


def _drawn(known: Sequence[Any], n: int, seed: int) -> Array:
    """Return even draws of inputs, shape (inputs, n)."""
    number = whole("n", n, 2, _MOST)
    if number & (number - 1):
        raise refuse("n", n, "not a power of two", "Give a number of draws such as 512 or 1024.")
    points = qmc.Sobol(len(known), rng=np.random.default_rng(whole("seed", seed, 0, 2**63 - 1)))
    even = points.random_base2(number.bit_length() - 1)
    return np.array([one.ppf(column) for one, column in zip(known, even.T, strict=True)], dtype=np.float64)
