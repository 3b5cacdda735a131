"""Rates of the running season given the counts of its batches."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from forecast.fates.weather import measured_by
from forecast.fitting.interval_censored import LAWS
from forecast.growth.simulation import owners
from forecast.rates.distributions import Share
from forecast.rates.levels import Level
from forecast.records.batches import Interval
from forecast.records.thermal_time import ThermalTime
from forecast.season.season import Season
from forecast.season.stages import Stage
from forecast.streams import Array, Streams

_GRIDS = np.linspace(-5, 5, 401), np.linspace(-34, 34, 2721)  # of scores, the second for extreme counts
_NARROW = 1e-6  # of the time, between two counts without any warmth
_NEAR = 4  # largest score for which the first grid will do
_LEAST_LOG_SD = 0.02  # between plants: counts are made by the day at best
_UNINFORMATIVE = 1e-3  # of the variance


@dataclass(frozen=True)
class StageEvidence:
    """Counts of one batch in one stage."""

    stage: str
    losses: int
    left: int  # alive
    remaining: int
    intervals: tuple[Interval, ...]  # when plants left, or that they had not; see `StageHistory.times`


@dataclass(frozen=True)
class BatchEvidence:
    """One batch of the season, counted or still to come: whose scores it has, and its counts."""

    variety: str
    number: int
    stages: tuple[StageEvidence, ...] = ()


def posterior_shifts(season: Season, streams: Streams, batches: Sequence[BatchEvidence]) -> list[dict[str, Array]]:
    """Return what turns the scores of each batch, drawn before any count, into scores drawn given the counts.

    For each of all batches of the season, counted or still to come: from the name of a quantity, such as
    ``acclimatisation survival``, to the shifts that are added to its scores, shape (draws,).

    Notes
    -----
    The scores z of a quantity are normal, and batches share parts of them by their levels: cov(z_i, z_j) = sum of
    sqrt(share_i share_j) over the words whose owner is the same. The counts of batch i alone are about as informative
    on z_i as one observation with a normal error: m_i with variance v_i, from the mean and variance of prior times
    likelihood on a grid of scores, to 34 either way. Given all observations, z + K (m - z - e), K = C (C + V)^-1, is a
    posterior draw for every prior draw z (conditioning by kriging, Matheron's rule); without a count nothing changes.
    Likelihood: of plants that left a stage and those that died, binomial; of those still there, of the part of the loss
    that they have met by the estimated time; times of plants interval-censored, lognormal. Thermal time so far is that
    of measured days (see `measure`), of climate normals where none was measured. Losses to heat and cold are not
    separated from the survival of their batch. The order of the batches does not matter.

    References
    ----------
    Chiles, J.-P. and Delfiner, P. (2012). Geostatistics, 2nd ed., ch. 7 (conditioning by kriging). Wiley.
    """
    found: list[dict[str, Array]] = [{} for _ in batches]
    for quantity, rows in _observations(season, streams, batches).items():
        observed = [k for k, (_, _, observation) in enumerate(rows) if observation is not None]
        if not observed:
            continue
        parts = [_parts(quantity, stage, batches[i]) for i, stage, _ in rows]
        scores = np.array([_score(streams, parts[k], quantity) for k in observed])
        shared = np.array([[_covariance(parts[i], parts[k]) for k in observed] for i in range(len(rows))])
        mean, variance = np.array([rows[k][2] for k in observed], dtype=np.float64).T
        gain = np.linalg.solve(shared[observed] + np.diag(variance), shared.T).T
        error = np.array([_error(streams, batches[rows[k][0]], quantity) for k in observed])
        change = gain @ (mean[:, None] - scores - np.sqrt(variance)[:, None] * error)
        for (i, _, _), shift in zip(rows, change, strict=True):
            found[i][quantity] = shift
    return found


def _observations(
    season: Season, streams: Streams, batches: Sequence[BatchEvidence]
) -> dict[str, list[tuple[int, Stage, tuple[float, float] | None]]]:
    """Return for each quantity that varies the batches that have it, with stage and observation, if there is one."""
    found: dict[str, list[tuple[int, Stage, tuple[float, float] | None]]] = {}
    thermal = ThermalTime(season, measured_by(streams))
    for i in sorted(range(len(batches)), key=lambda i: (batches[i].variety, batches[i].number)):
        batch = batches[i]
        counted = {one.stage: one for one in batch.stages}
        for stage, share in zip(season.route(batch.variety), season.survivals(batch.variety), strict=True):
            one = counted.get(stage.stage)
            if share.sd and not Level.parse(share.level).plant:
                seen = None if one is None else _observation(_survival(one, stage, share, thermal))
                found.setdefault(f"{stage.stage} survival", []).append((i, stage, seen))
            if stage.batches_cv and not Level.parse(stage.duration.level).plant:
                seen = None if one is None else _observation(_times(one, stage, thermal))
                found.setdefault(f"{stage.stage} time", []).append((i, stage, seen))
    return found


def _parts(quantity: str, stage: Stage, batch: BatchEvidence) -> Mapping[tuple[str, ...], float]:
    """Return the root of the share of each owner in the score of a quantity."""
    level = stage.duration.level if quantity.endswith(" time") else stage.varies_by
    names = owners(stage, batch.variety, batch.number)
    return {names[word]: math.sqrt(share) for word, share in Level.parse(level).shares}


def _score(streams: Streams, parts: Mapping[tuple[str, ...], float], quantity: str) -> Array:
    return np.asarray(sum(root * streams.normal(owner, quantity) for owner, root in parts.items()))


def _error(streams: Streams, batch: BatchEvidence, quantity: str) -> Array:
    return streams.normal(("seen", batch.variety, str(batch.number)), quantity)


def _covariance(one: Mapping[tuple[str, ...], float], other: Mapping[tuple[str, ...], float]) -> float:
    return sum(root * other.get(owner, 0.0) for owner, root in one.items())


def _observation(log_likelihood: Callable[[Array], Array]) -> tuple[float, float] | None:
    """Return mean and variance of the normal observation of a score that equals a likelihood; None if it is flat."""
    for grid in _GRIDS:
        log_weight = log_likelihood(grid) - grid**2 / 2
        weight = np.exp(log_weight - log_weight.max())
        weight /= weight.sum()
        mean = float(weight @ grid)
        variance = float(weight @ (grid - mean) ** 2) + (grid[1] - grid[0]) ** 2 / 12
        if abs(mean) < _NEAR:
            break
    if variance > 1 - _UNINFORMATIVE:
        return None
    error = 1 / (1 / variance - 1)
    return mean * error / variance, error


def _stage_time(one: StageEvidence, stage: Stage, thermal: ThermalTime) -> list[tuple[float, float]]:
    """Return the ends of each interval since plants entered the stage [weeks or °C days]."""
    entered = [row.entered.toordinal() for row in one.intervals]
    ends = ([getattr(row, end) for row in one.intervals] for end in ("after", "until"))
    early, late = (thermal.since(stage, entered, end).tolist() for end in ends)
    return list(zip(early, late, strict=True))


def _survival(one: StageEvidence, stage: Stage, share: Share, thermal: ThermalTime) -> Callable[[Array], Array]:
    """Return the log-likelihood of a score of survival, given the losses counted."""
    since = _stage_time(one, stage, thermal)
    met = [
        (row.number, min(early / stage.typical, 1.0) if stage.typical else 0.0)
        for row, (early, late) in zip(one.intervals, since, strict=True)
        if math.isinf(late)
    ]
    waiting = sum(number * part for number, part in met)
    alive = one.left + one.remaining
    mean_part = (one.left + waiting) / alive if alive else 1.0

    def log_likelihood(score: Array) -> Array:
        log_share = share.log_at(score)
        dead = np.log(-np.expm1(np.minimum(max(mean_part, 1e-3) * log_share, -1e-12)))
        return np.asarray((one.left + waiting) * log_share + one.losses * dead)

    return log_likelihood


def _times(one: StageEvidence, stage: Stage, thermal: ThermalTime) -> Callable[[Array], Array]:
    """Return the log-likelihood of a score of time, given the times counted."""
    batches, plants = stage.duration.log_sds
    plants = max(plants, _LEAST_LOG_SD)
    since = _stage_time(one, stage, thermal)

    def log_likelihood(score: Array) -> Array:
        median = math.log(stage.typical) + batches * score
        found = np.zeros(score.size)
        for row, (early, late) in zip(one.intervals, since, strict=True):
            if early > 0 or math.isfinite(late):
                low = (math.log(early) - median) / plants if early > 0 else np.full(score.size, -np.inf)
                high = (math.log(max(late, early * (1 + _NARROW), 1e-9)) - median) / plants
                found += row.number * LAWS["lognormal"].between(low, high, high - low)[0]
        return found

    return log_likelihood
