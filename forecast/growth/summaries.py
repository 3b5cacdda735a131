"""Draws in short: percentiles, their tables, and the chance that at least so many plants come through."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.fft import irfft, next_fast_len
from scipy.special import bdtrc, xlogy

from forecast.rounding import TOLERANCE, round_down
from forecast.streams import Array

RANGE = (0.05, 0.5, 0.95)
RANGE_NAMES = ("p5", "median", "p95")
TENTH = 0.1  # share of draws in which seasons are worst, and benches fullest
_PROMISES = ("promised", "promised_share")
_MAY_BE_EMPTY = ("until", "channel", *_PROMISES)  # of a target
_SURE = 41.0  # exp(-41) is below 1e-17
_SMALL = 31.0  # exp(-31) is below 1e-13
_TOGETHER = 256  # draws that are worked on together, so that they stay in fast memory


def ranges(counts: NDArray[Any]) -> NDArray[np.int64]:
    """Return p5, median and p95 of whole numbers, shape (weeks, draws), as an array of shape (3, weeks)."""
    ranks = [max(math.ceil(q * counts.shape[1]) - 1, 0) for q in RANGE]
    return np.partition(counts, ranks, axis=1)[:, ranks].T.astype(np.int64)


def tenth(draws: int) -> int:
    """Return how many draws, at least one, are a tenth of them where they count whole."""
    return max(round(TENTH * draws), 1)


def worst_tenth_by_draw(values: Array) -> Array:
    """Return terms, shape (draws,), whose mean is the mean of the worst tenth of values, and whose spread its error.

    Notes
    -----
    With the tenth percentile q they are q - max(q - value, 0) / 0.1 (Rockafellar and Uryasev 2000, J. Risk 2(3),
    21-41, doi:10.21314/JOR.2000.038).
    """
    q = np.quantile(values, TENTH)
    return np.asarray(q - np.maximum(q - values, 0) / TENTH)


def worst_seasons(margin: Array, share: float = TENTH) -> Array:
    """Return weights, which add to one, of the worst share of draws, as `CashFlow.worst_tenth` takes them."""
    order = np.argsort(margin, kind="stable")
    weights = np.zeros(margin.size)
    left = share * margin.size
    counted = round_down(left)
    weights[order[:counted]] = 1
    if left - counted > TOLERANCE:
        weights[order[counted]] = left - counted
    return weights / left


def by_week(varieties: Sequence[str], weeks: Sequence[str], found: Sequence[NDArray[np.int64]]) -> pd.DataFrame:
    """Return a table of variety, week, p5, median and p95 from the `ranges` of varieties."""
    frame = pd.DataFrame({"variety": np.repeat(varieties, len(weeks)), "week": [*weeks] * len(varieties)})
    return frame.assign(**{name: np.ravel([one[i] for one in found]) for i, name in enumerate(RANGE_NAMES)})


def as_targets(rows: Iterable[tuple[Any, ...]]) -> pd.DataFrame:
    """Return the table of rows of variety, week, target, p5, median, p95 and chance.

    They may go on with until, channel, promised and promised_share: the table has those of these columns that are
    filled.
    """
    columns = ["variety", "week", "target", *RANGE_NAMES, "chance", *_MAY_BE_EMPTY]
    filled = [(*row, *[None] * (len(columns) - len(row))) for row in rows]
    table = pd.DataFrame(filled, columns=columns)
    some = [name for name in _MAY_BE_EMPTY if table[name].notna().any()]
    order = ["variety", "week", "until", "target", "channel", *_PROMISES, *RANGE_NAMES, "chance"]
    table = table[[name for name in order if name in some or name not in _MAY_BE_EMPTY]]
    texts = {name: "" for name in ("until", "channel") if name in some}
    return table.fillna(texts).astype({name: float for name in _PROMISES if name in some})


def at_least(number: ArrayLike, of: ArrayLike, share: Array) -> Array:
    """Return P(Binomial(of, share) >= number), exactly, shape (draws,).

    Shares have the shape (draws,); `number` and `of` are whole numbers, or one for each share.

    Notes
    -----
    The regularised incomplete beta function, I_share(number, of - number + 1). Where Chernoff's
    bound, exp(-of * KL(number / of, share)), leaves less than 1e-17, 0 or 1 is returned at once.

    References
    ----------
    Chernoff, H. (1952). A measure of asymptotic efficiency for tests of a hypothesis based on the sum
    of observations. Ann. Math. Statist. 23, 493-507. doi:10.1214/aoms/1177729330
    """
    share = np.asarray(share, dtype=np.float64)
    number = np.broadcast_to(np.asarray(number, dtype=np.float64), share.shape)
    of = np.broadcast_to(np.asarray(of, dtype=np.int64), share.shape)
    chance = np.where(number <= of * share, 1.0, 0.0)
    # The two tails meet at number and number - 1; each is bounded on its own side of the mean.
    near = np.where(chance > 0, number - 1, number)
    with np.errstate(divide="ignore", invalid="ignore"):
        bound = xlogy(near, near / (of * share)) + xlogy(of - near, (of - near) / (of * (1 - share)))
    open_ = (number <= of) & ~(bound > _SURE)
    chance[open_] = bdtrc(number[open_] - 1, of[open_], share[open_])
    return chance


def sum_at_least(number: ArrayLike, of: Sequence[int], shares: Sequence[Array]) -> Array:
    """Return the chance that batches with a share each come to at least `number` plants together, shape (draws,).

    The batches have `of` plants each, and their plants come through with `shares` of shape (draws,); `number` is one,
    or one for each draw. Right to about 1e-13.

    Notes
    -----
    The distribution of a sum of binomials is found from its characteristic function by a discrete
    Fourier transform over a window of 15 standard deviations and 40 plants.

    References
    ----------
    Hong, Y. (2013). On computing the distribution function for the Poisson binomial distribution.
    Comput. Stat. Data Anal. 59, 41-51. doi:10.1016/j.csda.2012.10.006
    """
    some = [(n, share) for n, share in zip(of, shares, strict=True) if n > 0]
    if len(some) < 2:
        n, share = some[0] if some else (0, shares[0])
        return at_least(number, n, share)
    sizes = np.array([n for n, _ in some], dtype=np.float64)
    table = np.array([share for _, share in some])
    number = np.broadcast_to(np.asarray(number, dtype=np.float64), table.shape[1:])
    mean = sizes @ table
    deviation = np.sqrt(sizes @ (table * (1 - table)))
    chance = np.empty(table.shape[1])
    order = np.argsort(deviation)  # draws that spread alike share a window
    for start in range(0, order.size, _TOGETHER):
        part = order[start : start + _TOGETHER]
        width = int(min(sizes.sum() + 1, 15 * deviation[part[-1]] + 40))
        width = next_fast_len(width, real=True)
        first = np.clip(np.floor(mean[part] - width / 2), 0, max(sizes.sum() + 1 - width, 0))
        mass = _modulo(width, sizes, table[:, part], deviation[part[0]])
        inside = first[:, None] + (np.arange(width) - first[:, None]) % width >= number[part, None]
        chance[part] = np.where(number[part] <= first, 1.0, (mass * inside).sum(axis=1))
    return np.clip(chance, 0, 1)


def _modulo(width: int, sizes: Array, shares: Array, least: float) -> Array:
    """Probabilities that the number of plants leaves 0, 1, ... width - 1 when divided by width, shape (draws, width).

    Frequencies at which a sum with a standard deviation of at least `least` has nothing left are passed over.
    """
    angle = 2 * np.pi * np.arange(width // 2 + 1) / width
    angle = angle[least**2 * (1 - np.cos(angle)) <= _SMALL]  # the size is at most exp(-variance (1 - cosine))
    found = np.ones((shares.shape[1], angle.size), dtype=np.complex128)
    for n, share in zip(sizes, shares, strict=True):
        factor, left = 1 + share[:, None] * np.expm1(-1j * angle), int(n)
        while left:  # factor to the power n, by squaring
            if left % 2:
                found *= factor
            factor *= factor
            left //= 2
    return np.asarray(irfft(found, n=width, axis=1))
