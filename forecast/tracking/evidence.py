"""What counts of running batches say of the rates that the rest of the season depends on."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from forecast.fitting.interval_censored import LAWS
from forecast.growth.simulation import owners
from forecast.growth.weather import measured_by
from forecast.rates.distributions import Share
from forecast.rates.levels import Level
from forecast.records.batches import Interval
from forecast.records.thermal_time import UsualWarmth
from forecast.season.rows import Stage
from forecast.season.season import Season
from forecast.streams import Array, Streams

_GRIDS = np.linspace(-5, 5, 401), np.linspace(-34, 34, 2721)  # of scores, the second after a disaster or a marvel
_NARROW = 1e-6  # of the time, between two looks among which no warmth came
_NEAR = 4  # largest score for which the first will do
_LEAST_SPREAD = 0.02  # between plants [log]: counts are made by the day at best
_SAYS_NOTHING = 1e-3  # of the variance


@dataclass(frozen=True)
class Seen:
    """What was counted of one batch in one stage.

    Parameters
    ----------
    stage
        Its name.
    losses, left, remaining
        Plants taken out, plants that came through, plants still there.
    intervals
        When they left, or that they had not; see `Passage.times`.
    """

    stage: str
    losses: int
    left: int
    remaining: int
    intervals: tuple[Interval, ...]


@dataclass(frozen=True)
class Followed:
    """One batch of the season, counted or still to come: whose scores it has, and what was counted."""

    variety: str
    number: int
    seen: tuple[Seen, ...] = ()


def shifts(season: Season, streams: Streams, batches: Sequence[Followed]) -> list[dict[str, Array]]:
    """Return what has to be added to the scores of each batch, so that they agree with what was counted.

    Parameters
    ----------
    season, streams
        The season, and its streams.
    batches
        All its batches, counted ones and those still to come.

    Returns
    -------
    list for each batch
        from the name of a quantity, such as ``acclimatisation survival``, to an array of shape (draws,).

    Notes
    -----
    The scores z of a quantity are normal, and batches share parts of them by their levels: cov(z_i, z_j) = sum of
    sqrt(share_i share_j) over the words whose owner is the same. The counts of batch i alone say of z_i about as much
    as one look at it with a normal error: m_i with variance v_i, from the mean and variance of prior times likelihood
    on a grid of scores, to 34 either way. With all looks together, z + K (m - z - e), K = C (C + V)^-1, is a draw given
    the counts for every draw z given none (Matheron's rule); without a count nothing changes. Likelihood: of those that
    left a stage and those that died, binomial; of those still there the part of the loss that the usual time says they
    have met; times of plants interval-censored, lognormal. Thermal time so far is that of the days that were measured
    (see `measure`), of usual weather where they were not. What heat and cold took of plants is not told apart from the
    survival of their batch. The order of the batches is of no account.

    References
    ----------
    Chiles, J.-P. and Delfiner, P. (2012). Geostatistics, 2nd ed., ch. 7 (conditioning by kriging). Wiley.
    """
    found: list[dict[str, Array]] = [{} for _ in batches]
    asked: dict[str, list[tuple[int, Stage, tuple[float, float] | None]]] = {}
    usual = UsualWarmth(season, measured_by(streams))
    for i in sorted(range(len(batches)), key=lambda i: (batches[i].variety, batches[i].number)):
        batch = batches[i]
        counted = {one.stage: one for one in batch.seen}
        for stage, share in zip(season.route(batch.variety), season.survivals(batch.variety), strict=True):
            one = counted.get(stage.stage)
            if share.sd and not Level.parse(share.level).plant:
                look = None if one is None else _look(_survival(one, stage, share, usual))
                asked.setdefault(f"{stage.stage} survival", []).append((i, stage, look))
            if stage.batches_cv and not Level.parse(stage.duration.level).plant:
                look = None if one is None else _look(_times(one, stage, usual))
                asked.setdefault(f"{stage.stage} time", []).append((i, stage, look))
    for quantity, rows in asked.items():
        looks = [k for k, (_, _, look) in enumerate(rows) if look is not None]
        if not looks:
            continue
        parts = [_parts(quantity, stage, batches[i]) for i, stage, _ in rows]
        scores = np.array([_score(streams, parts[k], quantity) for k in looks])
        shared = np.array([[_shared(parts[i], parts[k]) for k in looks] for i in range(len(rows))])
        mean, variance = np.array([rows[k][2] for k in looks], dtype=np.float64).T
        gain = np.linalg.solve(shared[looks] + np.diag(variance), shared.T).T
        error = np.array(
            [
                streams.normal(("seen", batches[rows[k][0]].variety, str(batches[rows[k][0]].number)), quantity)
                for k in looks
            ]
        )
        change = gain @ (mean[:, None] - scores - np.sqrt(variance)[:, None] * error)
        for (i, _, _), shift in zip(rows, change, strict=True):
            found[i][quantity] = shift
    return found


def _parts(quantity: str, stage: Stage, batch: Followed) -> Mapping[tuple[str, ...], float]:
    """Return the root of the share of each owner in the score of a quantity."""
    level = stage.duration.level if quantity.endswith(" time") else stage.survival_level
    names = owners(stage, batch.variety, batch.number)
    return {names[word]: math.sqrt(share) for word, share in Level.parse(level).shares}


def _score(streams: Streams, parts: Mapping[tuple[str, ...], float], quantity: str) -> Array:
    return np.asarray(sum(root * streams.normal(owner, quantity) for owner, root in parts.items()))


def _shared(one: Mapping[tuple[str, ...], float], other: Mapping[tuple[str, ...], float]) -> float:
    return sum(root * other.get(owner, 0.0) for owner, root in one.items())


def _look(log_likelihood: Callable[[Array], Array]) -> tuple[float, float] | None:
    """Return the normal look at a score that says as much as a likelihood; None if it says nothing."""
    for grid in _GRIDS:
        log_weight = log_likelihood(grid) - grid**2 / 2
        weight = np.exp(log_weight - log_weight.max())
        weight /= weight.sum()
        mean = float(weight @ grid)
        variance = float(weight @ (grid - mean) ** 2) + (grid[1] - grid[0]) ** 2 / 12
        if abs(mean) < _NEAR:
            break
    if variance > 1 - _SAYS_NOTHING:
        return None
    look = 1 / (1 / variance - 1)
    return mean * look / variance, look


def _shown(one: Seen, stage: Stage, usual: UsualWarmth) -> list[tuple[float, float]]:
    """Return what the clock of the stage shows at the ends of each interval, since plants entered it."""
    entered = [row.entered.toordinal() for row in one.intervals]
    ends = ([getattr(row, end) for row in one.intervals] for end in ("after", "until"))
    early, late = (usual.shown(stage, entered, end).tolist() for end in ends)
    return list(zip(early, late, strict=True))


def _survival(one: Seen, stage: Stage, share: Share, usual: UsualWarmth) -> Callable[[Array], Array]:
    """Return the logarithm of the chance of the losses counted, by score."""
    shown = _shown(one, stage, usual)
    met = [
        (row.number, min(early / stage.typical, 1.0) if stage.typical else 0.0)
        for row, (early, late) in zip(one.intervals, shown, strict=True)
        if math.isinf(late)
    ]
    waiting = sum(number * part for number, part in met)
    alive = one.left + one.remaining
    mean_part = (one.left + waiting) / alive if alive else 1.0

    def log_chance(score: Array) -> Array:
        log_share = share.log_at(score)
        dead = np.log(-np.expm1(np.minimum(max(mean_part, 1e-3) * log_share, -1e-12)))
        return np.asarray((one.left + waiting) * log_share + one.losses * dead)

    return log_chance


def _times(one: Seen, stage: Stage, usual: UsualWarmth) -> Callable[[Array], Array]:
    """Return the logarithm of the chance of the times counted, by score."""
    batches, plants = stage.duration.log_sds
    plants = max(plants, _LEAST_SPREAD)
    shown = _shown(one, stage, usual)

    def log_chance(score: Array) -> Array:
        middle = math.log(stage.typical) + batches * score
        found = np.zeros(score.size)
        for row, (early, late) in zip(one.intervals, shown, strict=True):
            if early > 0 or math.isfinite(late):
                low = (math.log(early) - middle) / plants if early > 0 else np.full(score.size, -np.inf)
                high = (math.log(max(late, early * (1 + _NARROW), 1e-9)) - middle) / plants
                found += row.number * LAWS["lognormal"].between(low, high, high - low)[0]
        return found

    return log_chance
