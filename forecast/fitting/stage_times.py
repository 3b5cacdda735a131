"""How long a stage takes, learned from counts some days apart."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import expit

from forecast.errors import Fault, Refused, faults_of, in_order, real, refuse, whole
from forecast.fitting.interval_censored import LAWS, CensoredData, Fit, Likelihood, fit_best, maximise
from forecast.rates.distributions import Z90, Duration
from forecast.rates.levels import Level
from forecast.streams import Array
from forecast.words import records as words
from forecast.words.numbers import figures
from forecast.words.results import Result

TimeLaw = Literal["lognormal", "log-logistic", "weibull"]

_FEW = 10  # plants ready; with fewer, standard errors are too small
_MOST_TO_COME = 0.2  # share of those that will finish, still growing at the last count
_FAR = 1.5  # medians that lie further beyond the last count
_STEEPEST = 1.0  # log scale, a standard deviation of 2.7 in the logarithm: far beyond any plants or batches
_NO_MEDIAN = 9.0  # variance of the log of the median
_SPIKE = -8.0  # log scale, below which exact times count without bound
_FLAT = 0.01  # of log-likelihood, lost over a change by which it would fall if the spread were known
_CONTRADICTED = 1.920729  # fall of log-likelihood at which a 95 % interval ends
_MOST = 10**9  # plants of a count
_NO_TIME, _INFINITE = "not the time of a count", "infinity for plants still growing"
_ESTIMATED = ("median", "log_sd", "ever", "batch_log_sd")


@dataclass(frozen=True)
class Counted:
    """A number of plants that became ready between two counts, or that were still growing at the last.

    Parameters
    ----------
    count
        Number of plants, from 0.
    after
        Time of the last count at which they were not ready [weeks since the stage began], from 0.
    until
        Time of the count that found them ready [weeks]; infinite if they were still growing at the last count,
        and the same as `after` if they became ready exactly then.
    batch
        Name of their batch; None if batches are not named.

    Raises
    ------
    Refused
        If the count is no whole number from 0 or the times are not in order; every problem is listed.

    Examples
    --------
    >>> Counted(12, 3, 4, "May")
    Counted(count=12, after=3, until=4, batch='May')
    """

    count: int
    after: float
    until: float
    batch: str | None = None

    def __post_init__(self) -> None:
        faults = [
            *faults_of(whole, "count", self.count, 0, _MOST),
            *faults_of(real, "after", self.after, ge=0, problem=_NO_TIME),
            *faults_of(real, "until", self.until, gt=0, le=math.inf, problem=_NO_TIME, such_as=_INFINITE),
        ]
        if not {"after", "until"} & {fault.column for fault in faults}:
            faults += faults_of(in_order, vars(self), "after", "until")
        if not (self.batch is None or (isinstance(self.batch, str) and self.batch)):
            faults.append(Fault("not the name of a batch", "Write a name, or None.", column="batch", value=self.batch))
        if faults:
            raise Refused(faults)


@dataclass(frozen=True, repr=False)
class LearnedTime(Result):
    """How long a stage takes, learned from counts. Made by `learn_time`.

    Parameters
    ----------
    law
        Law of the time of a plant in its batch: lognormal, log-logistic or weibull.
    location, scale
        Of the logarithm of that time in a usual batch: ``scipy.stats.lognorm(scale, scale=exp(location))``,
        and ``fisk`` and ``weibull_min`` with the shape 1 / scale.
    ever
        Share of plants that ever get ready [0 to 1].
    batch_log_sd
        Standard deviation of the logarithm of the factor by which batches differ; 0 if none was seen.
    log_likelihood
        At its greatest; an exact time counts by its density per unit of time.
    covariance
        Of the log of the median, the log of the scale, the logit of `ever` and the log of `batch_log_sd`, four
        rows of four; not a number where counts leave it open, or the value is at its edge.
    plants, ready, groups
        Number of plants, of those found ready, and of batches named.
    """

    law: TimeLaw
    location: float
    scale: float
    ever: float
    batch_log_sd: float
    log_likelihood: float
    covariance: tuple[tuple[float, ...], ...]
    plants: int
    ready: int
    groups: int

    @property
    def median(self) -> float:
        """Time until half of those of a usual batch that ever get ready are so [weeks]."""
        return float(self.quantile(0.5))

    @property
    def log_sd(self) -> float:
        """Standard deviation of the logarithm of the time between the plants of a batch."""
        return self.scale * LAWS[self.law].deviation

    @property
    def standard_errors(self) -> dict[str, float]:
        """Standard errors of ``median``, ``log_sd``, ``ever`` and ``batch_log_sd``, by the delta method."""
        slopes = self.median, self.log_sd, self.ever * (1 - self.ever), self.batch_log_sd
        logs = np.sqrt(np.diag(self.covariance))
        return {name: float(slope * log) for name, slope, log in zip(_ESTIMATED, slopes, logs, strict=True)}

    def quantile(self, u: ArrayLike) -> Array:
        """Return the time by which shares `u` [0 to 1] of those of a usual batch that ever get ready are so [weeks]."""
        return np.exp(self.location + self.scale * LAWS[self.law].quantile(np.asarray(u, dtype=np.float64)))

    def cdf(self, time: ArrayLike) -> Array:
        """Return the share ready by a time [weeks] of those of a usual batch that ever get ready."""
        with np.errstate(divide="ignore", over="ignore"):
            score = (np.log(np.maximum(np.asarray(time, dtype=np.float64), 0)) - self.location) / self.scale
            return np.asarray(LAWS[self.law].cdf(score))

    def duration(self, level: Level | str | None = None) -> Duration:
        """Return the time as a season holds it.

        Parameters
        ----------
        level
            The level at which batches differ. None splits it between ``belief``, for what the counts leave
            open, and ``batch``, for how batches were seen to differ.

        Notes
        -----
        Lognormal with the same median. The variance of the log between batches is that of the batches plus
        the squared standard error of the log median. The plants of a batch are spread so that 90 % lie
        within as wide a range (as a ratio) as under the law learned. The share that never gets ready is not
        part of it.
        """
        doubt = self.covariance[0][0]
        if level is None:
            belief = doubt / (doubt + self.batch_log_sd**2)
            level = Level((("belief", belief), ("batch", 1 - belief)) if belief < 1 else (("belief", 1.0),))
        low, high = self.quantile([0.05, 0.95])
        within = math.log(high / low) / (2 * Z90)
        between = math.expm1(doubt + self.batch_log_sd**2)
        return Duration(self.median, math.sqrt(between), math.sqrt(math.expm1(within**2)), level)

    def facts(self) -> dict[str, object]:
        """Return the law, and what it was learned from."""
        return {"law": self.law, "plants": self.plants, "ready": self.ready, "batches": self.groups}

    def table(self) -> pd.DataFrame:
        """Return what was estimated: a row for each of median, log_sd, ever and batch_log_sd.

        Returns
        -------
        DataFrame
            quantity, learned and standard_error; that is missing where counts leave it open.
        """
        found = [getattr(self, name) for name in _ESTIMATED]
        errors = self.standard_errors.values()
        return pd.DataFrame({"quantity": _ESTIMATED, "learned": found, "standard_error": list(errors)})

    def __str__(self) -> str:
        wide = math.exp(Z90 * math.sqrt(self.covariance[0][0]))
        quickest, slowest = self.quantile([0.05, 0.95]).tolist()
        return words.stage_time(
            median=self.median, p5=self.median / wide, p95=self.median * wide, quickest=quickest, slowest=slowest,
            batches_cv=math.sqrt(math.expm1(self.batch_log_sd**2)), ever=self.ever, ready=self.ready,
            plants=self.plants,
        )  # fmt: skip


def learn_time(
    rows: Iterable[Counted | Sequence[object]], *, law: TimeLaw = "lognormal", never: bool = False
) -> LearnedTime:
    """Learn how long a stage takes from counts of plants found ready, or still growing, some days apart.

    Parameters
    ----------
    rows
        `Counted`, or the same as sequences: count, after, until and, if batches are named, batch. Times in weeks since
        the stage began; any other unit will do if it is kept. Neither the order of rows nor adding up equal ones
        matters. From two batches on, a factor from batch to batch is learned.
    law
        Law of the time of a plant in its batch.
    never
        Whether some plants never get ready. If not, all that still grow are taken to get ready in the end.

    Returns
    -------
    LearnedTime

    Raises
    ------
    Refused
        With every fault of every row; or if no plant got ready, batches are named in some rows only, or no time can be
        learned: all became ready before the first count, there was but one count, or a spread runs away.

    Warns
    -----
    UserWarning
        If fewer than 10 plants got ready; if counts do not show the spread between plants, as when all got ready
        between the same two (it is then the widest that they do not contradict at 95 %, and standard errors hold given
        it); if the share that ever gets ready is at its edge at 1, or a fifth or more were still growing; if the median
        lies far beyond the last count; if batches differ no more than by chance.

    Notes
    -----
    log T = location + scale W + batches z, with W standard normal, logistic or smallest extreme value and z
    standard normal by batch. A row counts by log of ever (F(until) - F(after)), of ever f(until) if exact, of
    1 - ever F(after) if still growing. Greatest likelihood; standard errors from the second derivatives there.
    `ever` is taken to be the same in all batches. Plants of a batch are independent given z.

    References
    ----------
    Lawless, J. F. (2003). Statistical Models and Methods for Lifetime Data, 2nd ed., ch. 5.
    doi:10.1002/9781118033005
    Ritz, C., Pipper, C. B. and Streibig, J. C. (2013). Analysis of germination data from agricultural
    experiments. Eur. J. Agron. 45, 1-6. doi:10.1016/j.eja.2012.10.003

    Examples
    --------
    >>> wheat = [(1, 2, 3), (12, 3, 4), (3, 4, 5), (3, 6, 7), (1, 18, float("inf"))]
    >>> print(learn_time(wheat, law="log-logistic", never=True))
    Median 3.83 weeks (90 % interval 3.49 to 4.2); 90 % of the plants of a batch take 2.6 to 5.7. 95 % ever
    get ready. Learned from 20 plants, of which 19 got ready.
    """
    learned, doubts = fit_time(rows, law=law, never=never)
    if learned.groups > 1 and learned.batch_log_sd == 0:
        doubts.append(words.doubt("alike", groups=learned.groups))
    for doubt in doubts:
        warnings.warn(words.warning(doubt), stacklevel=2)
    return learned


def fit_time(
    rows: Iterable[Counted | Sequence[object]], *, law: TimeLaw = "lognormal", never: bool = False
) -> tuple[LearnedTime, list[words.Doubt]]:
    """Return what `learn_time` learns, and what counts leave open of its median and the spread between plants."""
    if law not in get_args(TimeLaw):
        raise refuse("law", law, "no such law", f"Write one of: {', '.join(get_args(TimeLaw))}.")
    read = _read(rows)
    names = {row.batch for row in read}
    data = CensoredData((row.batch or "", float(row.after), float(row.until), int(row.count)) for row in read)
    growing = any(math.isinf(row.until) for row in read)
    fit, over, across = fit_best(data, LAWS[law], never=never and growing, many=len(names) > 1)
    fit, known = _with_spread(fit, Likelihood(data, LAWS[law], never=over, between=across))
    plants, ready = (sum(int(row.count) for row in read if row.until <= most) for most in (math.inf, 1e300))
    learned = LearnedTime(
        law,
        float(fit.parameters[0]),
        math.exp(fit.parameters[1]),
        float(expit(fit.parameters[2])) if over else 1.0,
        math.exp(fit.parameters[-1]) if across else 0.0,
        fit.log_likelihood,
        _covariance(fit, law, known=known, over=over, across=across),
        *(plants, ready, len(names)),
    )
    return learned, list(_doubts(learned, read, known=known, never=never))


def _read(rows: Iterable[Counted | Sequence[object]]) -> list[Counted]:
    read, faults = [], []
    for number, row in enumerate(rows, start=1):
        try:
            read.append(row if isinstance(row, Counted) else Counted(*row))  # type: ignore[arg-type]
        except Refused as refusal:
            faults += [fault.placed("rows", number) for fault in refusal.faults]
        except TypeError:
            problem, remedy = "not a row of counts", "Write count, after, until and perhaps batch."
            faults.append(Fault(problem, remedy, "rows", number, value=str(row)))
    if faults:
        raise Refused(faults)
    read = [row for row in read if row.count > 0 and (row.after > 0 or row.until < math.inf)]
    ready = [row for row in read if row.until < math.inf]
    if not ready:
        raise refuse("rows", f"{len(read)} with plants", "no plant got ready", "Enter your own estimate instead.")
    if len({row.batch is None for row in read}) > 1:
        raise refuse("batch", None, "a batch is named in some rows only", "Name it in all rows, or in none.")
    exact = {row.until for row in ready if row.after == row.until}
    if len(exact) == 1 and all(row.after in exact for row in ready):
        remedy = "Write the counts between which they became ready, such as after 3 until 4."
        raise refuse("rows", figures(min(exact), 6), "all became ready at the same time", remedy)
    if all(row.after == 0 for row in ready) and len({row.after or row.until for row in read}) == 1:
        raise _unknown("one count")
    return read


def _unknown(why: str) -> Refused:
    remedy = "Count more often; use never=True if some plants never get ready; or enter your own estimate."
    return refuse("rows", "counts", words.UNKNOWN[why], remedy)


def _with_spread(fit: Fit, likelihood: Likelihood) -> tuple[Fit, bool]:
    """Return whether counts show the spread of plants, and if not, the fit with the widest they do not contradict."""
    widest = max(fit.parameters[1], fit.parameters[-1] if likelihood.between else -math.inf)
    if not (np.isfinite(fit.information).all() and widest < _STEEPEST):
        raise _unknown("spreads")
    if fit.parameters[1] < _SPIKE and (likelihood.data.width == 0).any():
        raise _unknown("exact")
    values, vectors = np.linalg.eigh(fit.information)
    sound = bool(values[0] > 1e-7)
    if sound and (vectors[1] ** 2 / values).sum() < 0.5:
        return fit, True

    def held(log_scale: float) -> Fit:
        start = fit.parameters.copy()
        start[1] = log_scale
        return maximise(likelihood, start.tolist(), scale_held=True)

    top, log_scale = fit.log_likelihood, float(fit.parameters[1])
    narrow = held(log_scale - 2).log_likelihood
    if narrow < top - _FLAT:
        if not sound or held(log_scale + 2).log_likelihood > top - _FLAT:
            raise _unknown("flat")
        return fit, True
    least, wide, step = max(top, narrow) - _CONTRADICTED, log_scale, 0.5
    for _ in range(60):  # up in steps, then halving them
        up = held(wide + step).log_likelihood > least
        wide += step if up else 0.0
        step *= 1.0 if up and step == 0.5 else 0.5
        if wide > _STEEPEST:
            raise _unknown("spread")
    return held(wide), False


def _covariance(fit: Fit, law: TimeLaw, *, known: bool, over: bool, across: bool) -> tuple[tuple[float, ...], ...]:
    used = [0, 1] + [2] * over + [3] * across
    free = [i for i, of in enumerate(used) if known or of != 1]
    information = fit.information[np.ix_(free, free)]
    if np.linalg.eigvalsh(information)[0] <= 0:
        raise _unknown("flat")
    to_median = np.eye(len(used))
    to_median[0, 1] = math.exp(fit.parameters[1]) * float(LAWS[law].quantile(np.array(0.5)))
    turn = to_median[np.ix_(free, free)]
    found, at = np.full((4, 4), math.nan), [used[i] for i in free]
    found[np.ix_(at, at)] = turn @ np.linalg.inv(information) @ turn.T
    if not 0 <= found[0, 0] < _NO_MEDIAN:
        raise _unknown("median")
    return tuple(tuple(line) for line in found.tolist())


def _doubts(learned: LearnedTime, read: Sequence[Counted], *, known: bool, never: bool) -> Iterator[words.Doubt]:
    """Return what counts leave open; `known` if they show the spread between plants."""
    last = max(row.after for row in read)
    if learned.ready < _FEW:
        yield words.doubt("few", ready=learned.ready)
    if not known:
        yield words.doubt("spread")
    elif len({(row.after, row.until) for row in read if row.until < math.inf}) == 1:
        yield words.doubt("one interval", law=learned.law)
    if never and learned.ever == 1:
        yield words.doubt("all ready")
    to_come = 1 - float(learned.cdf(last))
    if learned.ever < 1 and to_come > _MOST_TO_COME:
        yield words.doubt("to come", law=learned.law, share=to_come)
    elif learned.median > _FAR * last:
        yield words.doubt("far", law=learned.law)
