"""How long a stage takes, learned from counts at looks some days apart."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import expit

from forecast.errors import Fault, Refused, refuse
from forecast.fitting.interval_censored import LAWS, CensoredData, Fit, Likelihood, fit_best, maximise
from forecast.rates.distributions import Z90, Duration
from forecast.rates.levels import Level
from forecast.streams import Array
from forecast.words.numbers import counted, percent

TimeLaw = Literal["lognormal", "log-logistic", "weibull"]

_FEW = 10  # plants ready; with fewer, standard errors are too small
_MOST_TO_COME = 0.2  # share of those that will finish, still to come at the last look
_STEEPEST = 1.0  # log scale, a standard deviation of 2.7 in the logarithm: far beyond any plants or batches
_NO_MEDIAN = 9.0  # variance of the log of the median
_SPIKE = -8.0  # log scale, below which exact times count without bound
_FLAT = 0.01  # of log-likelihood, lost over a change by which it would fall if the spread were known
_CONTRADICTED = 1.920729  # fall of log-likelihood at which a 95 % interval ends


@dataclass(frozen=True)
class Counted:
    """So many plants that became ready between two looks, or that were still growing at the last.

    Parameters
    ----------
    count
        Number of plants, from 0.
    after
        Time of the last look at which they were not ready [weeks since the stage began], from 0.
    until
        Time of the look that found them ready [weeks]; infinite if they were still growing at the last look,
        and the same as `after` if they became ready exactly then.
    batch
        Name of their batch; None if batches are not told apart.

    Raises
    ------
    Refused
        With every fault, if the count is no whole number from 0 or the times are not in order.

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
        faults = []
        if not (_is_number(self.count) and 0 <= self.count < math.inf and self.count == int(self.count)):
            faults.append(_fault("count", self.count, "not a number of plants", "Give a whole number from 0."))
        after, until = _is_number(self.after), _is_number(self.until)
        if not (after and 0 <= self.after < math.inf):
            faults.append(_fault("after", self.after, "not the time of a look", "Give weeks since the start, from 0."))
            after = False
        if not (until and self.until > 0):
            remedy = "Give weeks above 0; infinity where still growing at the last look."
            faults.append(_fault("until", self.until, "not the time of a look", remedy))
        elif after and self.until < self.after:
            problem = f"ready until {self.until:g}, before the look at {self.after:g} that found them growing"
            faults.append(_fault("until", self.until, problem, "Give the times in order."))
        if not (self.batch is None or (isinstance(self.batch, str) and self.batch)):
            faults.append(_fault("batch", self.batch, "not the name of a batch", "Give a name, or None."))
        if faults:
            raise Refused(faults)


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float, np.integer)) and not isinstance(value, bool) and not math.isnan(value)


def _fault(column: str, value: object, problem: str, remedy: str) -> Fault:
    return Fault(problem, remedy, column=column, value=value)


@dataclass(frozen=True)
class LearnedTime:
    """How long a stage takes, as counts tell it. Made by `learn_time`.

    Parameters
    ----------
    law
        Law of the time of a plant in its batch: lognormal, log-logistic or weibull.
    location, scale
        Of the logarithm of that time in a usual batch: ``scipy.stats.lognorm(scale, scale=exp(location))``,
        and ``fisk`` and ``weibull_min`` with the shape 1 / scale.
    ever
        Share of plants that ever get ready [0 to 1].
    batches
        Standard deviation of the logarithm of the factor by which batches differ; 0 if none was seen.
    log_likelihood
        At its greatest; an exact time counts by its density per unit of time.
    covariance
        Of the log of the median, the log of the scale, the logit of `ever` and the log of `batches`, four rows of
        four; not a number where the counts do not tell, or the value is on its edge.
    plants, ready, groups
        Number of plants, of those found ready, and of batches told apart.
    """

    law: TimeLaw
    location: float
    scale: float
    ever: float
    batches: float
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
    def spread(self) -> float:
        """Standard deviation of the logarithm of the time between the plants of a batch."""
        return self.scale * LAWS[self.law].deviation

    @property
    def variation(self) -> float:
        """Coefficient of variation of the time between the plants of a batch; infinite if it has none."""
        if self.law == "lognormal":
            return math.sqrt(math.expm1(min(self.scale**2, 700)))
        if self.law == "log-logistic":
            angle = math.pi * self.scale
            return math.sqrt(math.tan(angle) / angle - 1) if self.scale < 0.5 else math.inf
        return math.sqrt(math.expm1(math.lgamma(1 + 2 * self.scale) - 2 * math.lgamma(1 + self.scale)))

    @property
    def errors(self) -> dict[str, float]:
        """Standard errors of ``median``, ``spread``, ``ever`` and ``batches``, by the delta method."""
        slopes = self.median, self.spread, self.ever * (1 - self.ever), self.batches
        logs = np.sqrt(np.diag(self.covariance))
        names = ("median", "spread", "ever", "batches")
        return {name: float(slope * log) for name, slope, log in zip(names, slopes, logs, strict=True)}

    def quantile(self, u: ArrayLike) -> Array:
        """Return the time by which a share `u` of those of a usual batch that ever get ready are so [weeks].

        Parameters
        ----------
        u
            Shares [0 to 1], any shape.
        """
        return np.exp(self.location + self.scale * LAWS[self.law].quantile(np.asarray(u, dtype=np.float64)))

    def cdf(self, time: ArrayLike) -> Array:
        """Return the share ready by a time [weeks] of those of a usual batch that ever get ready."""
        with np.errstate(divide="ignore", over="ignore"):
            score = (np.log(np.maximum(np.asarray(time, dtype=np.float64), 0)) - self.location) / self.scale
            return np.asarray(LAWS[self.law].cdf(score))

    def duration(self, level: Level | str | None = None) -> Duration:
        """Return the time as a plan holds it.

        Parameters
        ----------
        level
            The level at which batches differ. None splits it between ``belief``, for what the counts leave
            open, and ``batch``, for how batches were seen to differ.

        Notes
        -----
        Lognormal with the same median. The variance of the log between batches is that of the batches plus
        the squared standard error of the log median. The plants of a batch are spread so that nine in ten lie
        within as wide a range (as a ratio) as under the law learned. The share that never gets ready is not
        part of it.
        """
        doubt = self.covariance[0][0]
        if level is None:
            belief = doubt / (doubt + self.batches**2)
            level = Level((("belief", belief), ("batch", 1 - belief)) if belief < 1 else (("belief", 1.0),))
        low, high = self.quantile([0.05, 0.95])
        within = math.log(high / low) / (2 * Z90)
        between = math.expm1(doubt + self.batches**2)
        return Duration(self.median, math.sqrt(between), math.sqrt(math.expm1(within**2)), level)

    def __str__(self) -> str:
        wide = math.exp(Z90 * math.sqrt(self.covariance[0][0]))
        said = f"{self.median:.3g} weeks ({self.median / wide:.3g} to {self.median * wide:.3g}, nine times in ten)"
        low, high = self.quantile([0.05, 0.95])
        said += f"; nine plants of a batch in ten between {low:.2g} and {high:.2g}"
        if self.batches > 0:
            said += f"; batches differ by {percent(math.sqrt(math.expm1(self.batches**2)))} %"
        if self.ever < 1:
            said += f"; {percent(self.ever)} % ever get ready"
        return f"{said}. Learned from {self.ready:,} of {self.plants:,} plants that got ready."


def learn_time(
    rows: Iterable[Counted | Sequence[object]], *, law: TimeLaw = "lognormal", never: bool = False
) -> LearnedTime:
    """Learn how long a stage takes from counts of plants found ready, or still growing, at some looks.

    Parameters
    ----------
    rows
        `Counted`, or the same as sequences: count, after, until and, if batches are told apart, batch. Times in
        weeks since the stage began; any other unit will do if it is kept. Their order does not matter, nor
        whether equal rows are added up. Two batches or more give a factor from batch to batch.
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
        With every fault of every row; or if no plant got ready, batches are named in some rows only, or the
        counts tell no time: all became ready before the first look, there was but one look, or a spread runs away.

    Warns
    -----
    UserWarning
        If fewer than 10 plants got ready; if the spread between plants is not told, as when all got ready
        between the same two looks (it is then the widest that the counts do not contradict at 95 %, and
        standard errors hold given it); if the share that ever gets ready is on its edge at 1, or a fifth or
        more were still to come; if the median lies far beyond the last look; if batches differ no more than chance.

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
    3.83 weeks (3.49 to 4.2, nine times in ten); nine plants of a batch in ten between 2.6 and 5.7;
    95 % ever get ready. Learned from 19 of 20 plants that got ready.
    """
    if law not in get_args(TimeLaw):
        raise refuse("law", law, "no such law", f"Give one of: {', '.join(get_args(TimeLaw))}.")
    read = _read(rows)
    names = {row.batch for row in read}
    table = CensoredData((row.batch or "", float(row.after), float(row.until), int(row.count)) for row in read)
    growing = any(math.isinf(row.until) for row in read)
    fit, over, across = fit_best(table, LAWS[law], never=never and growing, many=len(names) > 1)
    fit, told = _spread_told(fit, Likelihood(table, LAWS[law], never=over, between=across))
    plants, ready = (sum(int(row.count) for row in read if row.until <= most) for most in (math.inf, 1e300))
    learned = LearnedTime(
        law,
        float(fit.parameters[0]),
        math.exp(fit.parameters[1]),
        float(expit(fit.parameters[2])) if over else 1.0,
        math.exp(fit.parameters[-1]) if across else 0.0,
        fit.log_likelihood,
        _covariance(fit, law, told=told, over=over, across=across),
        *(plants, ready, len(names)),
    )
    for words in _doubts(learned, read, told=told, never=never):
        warnings.warn(words, stacklevel=2)
    return learned


def _read(rows: Iterable[Counted | Sequence[object]]) -> list[Counted]:
    read, faults = [], []
    for number, row in enumerate(rows, start=1):
        try:
            read.append(row if isinstance(row, Counted) else Counted(*row))  # type: ignore[arg-type]
        except Refused as refusal:
            faults += [fault.placed("rows", number) for fault in refusal.faults]
        except TypeError:
            problem, remedy = "not a count between two looks", "Give count, after, until and perhaps batch."
            faults.append(Fault(problem, remedy, "rows", number, value=str(row)))
    if faults:
        raise Refused(faults)
    read = [row for row in read if row.count > 0 and (row.after > 0 or row.until < math.inf)]
    ready = [row for row in read if row.until < math.inf]
    if not ready:
        raise refuse("rows", f"{len(read)} with plants", "no plant got ready", "State a range of times instead.")
    if len({row.batch is None for row in read}) > 1:
        raise refuse("batch", None, "a batch is named in some rows only", "Name it in all rows, or in none.")
    exact = {row.until for row in ready if row.after == row.until}
    if len(exact) == 1 and all(row.after in exact for row in ready):
        remedy = "Give the looks between which they became so, such as after 3 until 4."
        raise refuse("rows", f"{min(exact):g}", "all became ready at one same time", remedy)
    if all(row.after == 0 for row in ready) and len({row.after or row.until for row in read}) == 1:
        raise _untold("all that became ready were so at the only look")
    return read


def _untold(problem: str) -> Refused:
    remedy = "Look more often; give never=True if some plants never get ready; or state a range of times."
    return refuse("rows", "counts", problem, remedy)


def _spread_told(fit: Fit, likelihood: Likelihood) -> tuple[Fit, bool]:
    """Tell whether the counts know the spread of plants; if not, take the widest that they do not contradict."""
    widest = max(fit.parameters[1], fit.parameters[-1] if likelihood.between else -math.inf)
    if not (np.isfinite(fit.information).all() and widest < _STEEPEST):
        raise _untold("the spread between plants, or between batches, runs away")
    if fit.parameters[1] < _SPIKE and (likelihood.data.width == 0).any():
        raise _untold("an exact time draws all others to it")
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
            raise _untold("no one time fits better than the others")
        return fit, True
    least, wide, step = max(top, narrow) - _CONTRADICTED, log_scale, 0.5
    for _ in range(60):  # up in steps, then halving them
        up = held(wide + step).log_likelihood > least
        wide += step if up else 0.0
        step *= 1.0 if up and step == 0.5 else 0.5
        if wide > _STEEPEST:
            raise _untold("the spread between plants runs away")
    return held(wide), False


def _covariance(fit: Fit, law: TimeLaw, *, told: bool, over: bool, across: bool) -> tuple[tuple[float, ...], ...]:
    used = [0, 1] + [2] * over + [3] * across
    free = [i for i, of in enumerate(used) if told or of != 1]
    information = fit.information[np.ix_(free, free)]
    if np.linalg.eigvalsh(information)[0] <= 0:
        raise _untold("no one time fits better than the others")
    to_median = np.eye(len(used))
    to_median[0, 1] = math.exp(fit.parameters[1]) * float(LAWS[law].quantile(np.array(0.5)))
    turn = to_median[np.ix_(free, free)]
    found, at = np.full((4, 4), math.nan), [used[i] for i in free]
    found[np.ix_(at, at)] = turn @ np.linalg.inv(information) @ turn.T
    if not 0 <= found[0, 0] < _NO_MEDIAN:
        raise _untold("the median could be almost any")
    return tuple(tuple(line) for line in found.tolist())


def _doubts(learned: LearnedTime, read: Sequence[Counted], *, told: bool, never: bool) -> Iterable[str]:
    if learned.ready < _FEW:
        plants = counted(learned.ready, "plant")
        yield f"Only {plants} got ready: the times learned from them, and their errors, are rough."
    if not told:
        yield (
            "The counts do not tell how the plants of a batch differ, since all could have got ready at once: the "
            "spread given is the widest that they do not contradict. Look more often to learn it."
        )
    elif len({(row.after, row.until) for row in read if row.until < math.inf}) == 1:
        yield (
            "All that got ready did so between the same two looks: how plants differ rests on those still growing "
            f"and on the {learned.law} law. Give never=True if some will never get ready."
        )
    if never and learned.ever == 1:
        yield (
            "The share that ever gets ready is on its edge: the counts fit best if all plants get ready in the end. "
            "It has no standard error; that all do is not shown."
        )
    to_come = 1 - float(learned.cdf(max(row.after for row in read)))
    if learned.ever < 1 and to_come > _MOST_TO_COME:
        yield (
            f"The share that ever gets ready rests on the {learned.law} law more than on counts: {percent(to_come)} % "
            "of those that will get ready were still to come at the last look. Go on looking."
        )
    elif learned.median > 1.5 * max(row.after for row in read):
        yield f"The median lies far beyond the last look, and rests on the {learned.law} law. Go on looking."
    if learned.groups > 1 and learned.batches == 0:
        yield (
            f"The {learned.groups} batches differ no more than chance would have it: the factor between batches is "
            "on its edge at none, and has no standard error."
        )
