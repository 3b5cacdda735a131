"""Varieties within groups within a nursery, integrated on a lattice of logits: the numbers behind pooling."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline, make_interp_spline
from scipy.linalg import toeplitz
from scipy.sparse import csr_array
from scipy.special import expit, gammaln, logsumexp, ndtri
from scipy.stats import qmc

from forecast.streams import Array

Indices = NDArray[np.intp]
Messages = tuple[Array, Array, Array, Array, Array, Array]

EDGE = 10.0  # logits from -10 to 10: shares from 0.005 to 99.995 %
_KNOTS = np.linspace(-14.0, 14.0, 141)  # log-likelihoods are analytic to a distance of pi; wider by the shifts of labs
_FINEST, _COARSEST = 0.02, 0.25  # steps of the lattice
_FINE = 1.2  # step of the lattice over the narrowest distribution on it; at 1 a sum is an integral to 1e-8
_NEAR = 0.6  # a normal step of less than this of the lattice's goes to the next neighbours alone
_NODES = 11  # for each of log k and the two log spreads
_REACH = 4.5  # standard deviations of a prior that are searched
_DROP = 8.0  # log of the density below its peak at which a node is left out
_ENOUGH = 7  # nodes above it
_FEWER = 7  # nodes once centred, for each point of the shifts of labs
_PAIRS = 8  # pairs of points for the shifts of labs, at least
_TINY = 1e-300
_LOST = 1e-13  # of the mass of each logit, beyond the part of the lattice that is followed
_MARGIN = 0.5  # logits by which that part is wider, since it is found on the coarsest lattice
_MOST_KEPT = 2**24  # numbers of messages that are kept for the way down
_ROWS, _BLOCK = 32, 2**18  # rows of a block of a product, and multiplications in it


@dataclass(frozen=True)
class Normals:
    """Normal priors: mean and standard deviation of the nursery's logit, log k and the log spreads; sd of a lab."""

    nursery: tuple[float, float]
    log_k: tuple[float, float]
    log_varieties: tuple[float, float]
    log_groups: tuple[float, float]
    lab: float


@dataclass(frozen=True, eq=False)
class Counts:
    """Batches by variety and lab, as whole numbers: their order is lost at once."""

    variety: Indices
    lab: Indices
    survived: NDArray[np.int64]
    of: NDArray[np.int64]
    group: Indices  # of each variety
    groups: int
    labs: int  # 0 if there is no lab effect

    @property
    def varieties(self) -> int:
        """Number of varieties, with or without a record."""
        return len(self.group)

    @cached_property
    def _tables(self) -> list[tuple[Array, csr_array]]:
        pair = self.variety * max(self.labs, 1) + self.lab
        shape = self.varieties * max(self.labs, 1)
        tables = []
        for number in (self.survived, self.of - self.survived, self.of):
            values, at = np.unique(number, return_inverse=True)
            table = csr_array((np.ones(len(at)), (pair, at)), shape=(shape, max(len(values), 1)))
            table.sum_duplicates()
            tables.append((np.asarray(values if len(values) else [0], dtype=np.float64)[:, None], table))
        return tables

    def log_likelihood(self, log_k: float) -> Array:
        """Return the log-likelihood of variety by lab at the knots, without binomial coefficients."""
        k = math.exp(log_k)
        (y, alive), (z, dead), (n, there) = self._tables
        a, b = k * expit(_KNOTS), k * expit(-_KNOTS)
        found = alive @ (gammaln(y + a) - gammaln(a)) + dead @ (gammaln(z + b) - gammaln(b))
        whole = there @ (gammaln(n + k) - gammaln(k))
        return np.asarray(found - whole).reshape(self.varieties, max(self.labs, 1), len(_KNOTS))

    def narrowest(self, log_k: float, varieties: float) -> float:
        """Return about the least standard deviation of a logit, of varieties and groups, for a k and a spread."""
        size = self.of / (1 + (self.of - 1) / (math.exp(log_k) + 1))
        share = (self.survived + 0.5) / (self.of + 1)
        known = np.bincount(self.variety, share * (1 - share) * size, self.varieties)
        within = np.bincount(self.group, 1 / (varieties**2 + 1 / np.maximum(known, 1e-9)), self.groups)
        return float(1 / math.sqrt(max(known.max(), within.max(), 1e-9)))


def logits(step: float) -> Array:
    """Return logits from -10 to 10 with about this step."""
    return np.linspace(-EDGE, EDGE, 1 + 2 * math.ceil(EDGE / step))


def kernel(x: Array, spread: float) -> Array:
    """Return the chances to come from a logit (row) to another (column) by a normal step; each row adds to 1.

    Steps below 0.6 of the lattice's go to the next neighbours alone, with the right variance.
    """
    step = x[1] - x[0]
    if spread < _NEAR * step:
        side = np.full(len(x) - 1, spread**2 / (2 * step**2))
        steps = np.diag(side, 1) + np.diag(side, -1)
        return np.asarray(steps + np.diag(1 - steps.sum(axis=1)))
    steps = toeplitz(np.exp(-0.5 * ((x - x[0]) / spread) ** 2))
    return np.asarray(steps / steps.sum(axis=1, keepdims=True))


@lru_cache(maxsize=1)
def _spline() -> BSpline[np.float64]:
    return make_interp_spline(_KNOTS, np.eye(len(_KNOTS)), k=7)


@lru_cache(maxsize=64)
def _finer(points: int, shift: float) -> Array:
    return np.asarray(_spline()(np.clip(np.linspace(-EDGE, EDGE, points) + shift, _KNOTS[0], _KNOTS[-1])))


def _log_normal(x: Array, normal: tuple[float, float]) -> Array:
    return -0.5 * ((x - normal[0]) / normal[1]) ** 2


class Lattice:
    """The model on one lattice, of which a part is followed: nodes of log k and two spreads, and messages between."""

    def __init__(
        self, counts: Counts, normals: Normals, axes: list[Array], step: float, part: Sequence[float] = (-EDGE, EDGE)
    ) -> None:
        self.counts, self.normals, self.axes = counts, normals, axes
        self.full = logits(step)
        first, last = np.searchsorted(self.full, part)
        self.cut = slice(first, last + 1)
        self.x = self.full[self.cut]
        self.variety_steps, self.group_steps = (
            np.stack([kernel(self.full, s)[self.cut, self.cut] for s in np.exp(axis)]) for axis in axes[1:]
        )
        log_mu = _log_normal(self.full, normals.nursery)
        self.log_mu = (log_mu - logsumexp(log_mu))[self.cut]
        priors = (normals.log_k, normals.log_varieties, normals.log_groups)
        parts = [_log_normal(axis, prior) for axis, prior in zip(axes, priors, strict=True)]
        self.log_prior = parts[0][:, None, None] + parts[1][:, None] + parts[2]
        self.knots = [counts.log_likelihood(log_k) for log_k in axes[0]]
        self.member = csr_array(
            (np.ones(counts.varieties), (counts.group, np.arange(counts.varieties))),
            shape=(counts.groups, counts.varieties),
        )
        self._kept: dict[int, tuple[bytes, Messages]] = {}

    def likelihood(self, node: int, shifts: Array) -> Array:
        """Return log-likelihoods of varieties on the lattice, at a node of log k."""
        lines = shifts if len(shifts) else np.zeros(1)
        fine = (_finer(len(self.full), float(shift))[self.cut] for shift in lines)
        return np.asarray(sum(_times(self.knots[node][:, lab], one.T) for lab, one in enumerate(fine)))

    def up(self, node: int, shifts: Array) -> Messages:
        """Pass likelihoods up: variety, group, nursery; the last is the log of the evidence by the two spreads."""
        key, found = self._kept.get(node, (b"none", None))
        if found is not None and key == shifts.tobytes():
            return found
        like = self.likelihood(node, shifts)
        top = like.max(axis=1, keepdims=True)
        like = np.exp(like - top)
        s, r, g, t = len(self.axes[1]), len(self.axes[2]), self.counts.groups, len(self.x)
        of_group = np.stack([_times(like, steps.T) for steps in self.variety_steps])
        of_group += _TINY
        together = np.stack([self.member @ one for one in np.log(of_group)])
        peak = together.max(axis=2, keepdims=True)
        together = np.exp(together - peak)
        of_nursery = np.empty((s, r, g, t))
        for at, steps in enumerate(self.group_steps):
            of_nursery[:, at] = _times(together.reshape(s * g, t), steps.T).reshape(s, g, t)
        of_nursery += _TINY
        whole = np.log(of_nursery).sum(axis=2) + self.log_mu
        evidence = logsumexp(whole, axis=2) + top.sum() + peak.sum(axis=(1, 2))[:, None]
        found = like, of_group, together, of_nursery, whole, evidence
        if len(self.knots) * sum(one.size for one in found) <= _MOST_KEPT:
            self._kept[node] = shifts.tobytes(), found
        return found

    def evidence(self, shifts: Array) -> Array:
        """Return log prior times evidence by log k and the two log spreads."""
        return self.log_prior + np.stack([self.up(node, shifts)[-1] for node in range(len(self.knots))])

    def down(self, node: int, shifts: Array, log_weight: float) -> tuple[Array, Array, Array, Array]:
        """Pass the evidence of all records back down, at a node of log k, `log_weight` added to the log of its prior.

        Return prior times evidence by the two spreads, which weighs all that follows; the posterior of the logit of
        each variety, of a new one in each group, and of a new one in a new group; likewise of the mean of each group,
        and of the nursery; and for each variety 1 - posterior variance / variance without its own records.
        """
        messages = self.up(node, shifts)
        log_weights = self.log_prior[node] + messages[-1] + log_weight
        posterior, rest, drawn, centres = self.each_down(messages, log_weights)
        units = np.concatenate([posterior.sum(axis=0), drawn.sum(axis=0)])
        weights = np.exp(log_weights)
        part = 1 - _variance(posterior, self.x) / _variance(rest, self.x)
        return weights, units, centres.sum(axis=0), np.clip(part, 0, 1).T @ weights.sum(axis=1)

    def each_down(self, messages: Messages, log_weights: Array) -> tuple[Array, Array, Array, Array]:
        """Return, by spread of varieties, varieties, the same without their records, new ones, and means of groups."""
        like, of_group, together, of_nursery, whole, _ = messages
        s, _, g, t = of_nursery.shape
        mu = np.exp(whole + (log_weights - logsumexp(whole, axis=2))[:, :, None])
        groups, new = np.zeros((s * g, t)), np.zeros((s, t))
        for at, steps in enumerate(self.group_steps):
            groups += _times((mu[:, at, None] / of_nursery[:, at]).reshape(s * g, t), steps)
            new += _times(mu[:, at], steps)
        groups = groups.reshape(s, g, t) * together
        rest = groups[:, self.counts.group] / of_group
        rest = np.stack([_times(one, steps) for one, steps in zip(rest, self.variety_steps, strict=True)])
        drawn = np.concatenate([groups, new[:, None]], axis=1)
        drawn = np.stack([_times(one, steps) for one, steps in zip(drawn, self.variety_steps, strict=True)])
        return rest * like, rest, drawn, np.concatenate([groups, mu.sum(axis=1)[:, None]], axis=1)


def _part(counts: Counts, normals: Normals, axes: list[Array], shifts: Array, reach: float = 0) -> tuple[float, float]:
    """Return from where to where all logits lie, found on the coarsest lattice at the ends of the axes."""
    least = math.log(_NEAR * _COARSEST)
    ends = [axes[0][[0, -1]], *(np.maximum(axis[[0, -1]], least) for axis in axes[1:])]
    model = Lattice(counts, normals, ends, _COARSEST)
    there = np.zeros(len(model.x), dtype=bool)
    for messages in (model.up(node, shifts) for node in (0, 1)):
        for found in model.each_down(messages, np.zeros((2, 2))):
            there |= (found > _LOST * found.sum(axis=2, keepdims=True)).any(axis=(0, 1))
    low, high = model.x[np.flatnonzero(there)[[0, -1]]].tolist()
    return max(low - _MARGIN - reach, -EDGE), min(high + _MARGIN + reach, EDGE)


def _times(a: Array, b: Array) -> Array:
    """Multiply two matrices in blocks too small to be split between threads, which wait long where cores are busy."""
    (m, inner), n = a.shape, b.shape[1]
    columns = max(_BLOCK // (_ROWS * inner), 1)
    product = np.empty((m, n))
    for row in range(0, m, _ROWS):
        for at in range(0, n, columns):
            one = slice(row, row + _ROWS), slice(at, at + columns)
            np.matmul(a[one[0]], b[:, one[1]], out=product[one])
    return product


def _variance(weights: Array, x: Array) -> Array:
    weights = weights / np.maximum(weights.sum(axis=-1, keepdims=True), _TINY)
    mean = weights @ x
    return np.asarray(np.maximum(weights @ x**2 - mean**2, _TINY))


@dataclass(frozen=True, eq=False)
class Posterior:
    """What comes of the integration.

    ``units`` is by lab (first: a lab not named, or none), unit, log k and logit; ``means`` by group (last: the
    nursery) and logit; ``own`` by variety; ``hyper`` holds mean and standard deviation of log k, log spread of
    varieties and log spread of groups; ``shifts`` and ``covariance`` are those of the labs.
    """

    x: Array
    log_k: Array
    units: Array
    means: Array
    own: Array
    hyper: Array
    shifts: Array
    covariance: Array


def integrate(counts: Counts, normals: Normals) -> Posterior:
    """Integrate the model; the cost is linear in batches, and in varieties."""
    shifts = np.zeros(counts.labs)
    priors = (normals.log_k, normals.log_varieties, normals.log_groups)
    bounds = [(mean - _REACH * sd, mean + _REACH * sd) for mean, sd in priors]
    model, density = _narrowed(counts, normals, bounds, shifts)
    points, covariance, log_density = np.zeros((1, counts.labs)), np.zeros((counts.labs, counts.labs)), np.zeros(1)
    if counts.labs:
        shifts, covariance = _peak(model, density)
        model, density = _narrowed(counts, normals, bounds, shifts)
        points, log_density = _points(shifts, covariance)
        axes = [np.linspace(axis[0], axis[-1], _FEWER) for axis in model.axes]
        held = _part(counts, normals, axes, shifts, float(np.abs(points - shifts).max()))
        model = Lattice(counts, normals, axes, float(model.full[1] - model.full[0]), held)
    log_weights = 0.5 * ((shifts**2).sum() - (points**2).sum(axis=1)) / normals.lab**2 - log_density - density.max()
    x, cut, nodes = model.full, model.cut, len(model.knots)
    units = np.zeros((1 + counts.labs, counts.varieties + counts.groups + 1, nodes, len(x)))
    means, own = np.zeros((counts.groups + 1, len(x))), np.zeros(counts.varieties)
    weights = np.zeros((len(points), *model.log_prior.shape))
    for at, (point, log_weight) in enumerate(zip(points, log_weights, strict=True)):
        for node in range(nodes):
            weights[at, node], unit, mean, part = model.down(node, point, float(log_weight))
            units[0, :, node, cut] += unit
            for lab, shift in enumerate(point, 1):
                units[lab, :, node] += _moved(unit, shift / (x[1] - x[0]), cut.start, len(x))
            means[:, cut] += mean
            own += part
    if counts.labs:
        units[0] = _times(units[0].reshape(-1, len(x)), kernel(x, normals.lab)).reshape(units[0].shape)
    total = weights.sum()
    units, means, own, weights = units / total, means / total, own / total, weights / total
    mass = weights.sum(axis=(1, 2, 3))
    shifts = mass @ points
    covariance = ((points - shifts).T * mass) @ (points - shifts)
    hyper = np.stack([_moments(weights.sum(axis=0), axis, model.axes[axis]) for axis in range(3)])
    return Posterior(x, model.axes[0], units, means, own, hyper, shifts, covariance)


def _moments(weights: Array, axis: int, nodes: Array) -> Array:
    marginal = weights.sum(axis=tuple({0, 1, 2} - {axis}))
    mean = float(marginal @ nodes)
    return np.array([mean, math.sqrt(max(float(marginal @ (nodes - mean) ** 2), 0))])


def _narrowed(
    counts: Counts, normals: Normals, bounds: list[tuple[float, float]], shifts: Array
) -> tuple[Lattice, Array]:
    """Centre the nodes where the posterior is, starting from all that the priors allow."""
    step = _COARSEST
    for _ in range(8):
        axes = [np.linspace(low, high, _NODES) for low, high in bounds]
        model = Lattice(counts, normals, axes, step, _part(counts, normals, axes, shifts))
        density = model.evidence(shifts)
        kept, inner = [], []
        for axis, nodes in enumerate(axes):
            marginal = logsumexp(density, axis=tuple({0, 1, 2} - {axis}))
            high = np.flatnonzero(marginal > marginal.max() - _DROP)
            kept.append(high[-1] - high[0] + 1)
            inner.append((nodes[max(high[0] - 1, 0)], nodes[min(high[-1] + 1, _NODES - 1)]))
        finer = _FINE * counts.narrowest(float(axes[0][-1]), math.exp(float(axes[1][0])))
        finer = float(np.clip(finer, _FINEST, _COARSEST))
        if min(kept) >= _ENOUGH and step <= finer * 1.5:
            break
        step, bounds = (finer, bounds) if min(kept) >= _ENOUGH else (step, inner)
    return model, density


def _peak(model: Lattice, density: Array) -> tuple[Array, Array]:
    """Find the mode of the shifts of labs, and the covariance there, at the mean of the other unknowns."""
    weights = np.exp(density - logsumexp(density))
    axes = [np.array([_moments(weights, axis, model.axes[axis])[0]]) for axis in range(3)]
    small = Lattice(model.counts, model.normals, axes, float(model.full[1] - model.full[0]))
    labs, width = model.counts.labs, 0.05

    def value(point: Array) -> float:
        return float(small.evidence(point)[0, 0, 0]) - 0.5 * float((point**2).sum()) / model.normals.lab**2

    at, curve, steps = np.zeros(labs), np.eye(labs), width * np.eye(labs)
    for _ in range(6):
        middle = value(at)
        up, down = np.array([[value(at + sign * step) for step in steps] for sign in (1, -1)])
        slope = (up - down) / (2 * width)
        curve = np.diag((2 * middle - up - down) / width**2)
        for one in range(labs):
            for two in range(one):
                both = value(at + steps[one] + steps[two]) - up[one] - up[two] + middle
                curve[one, two] = curve[two, one] = -both / width**2
        values, vectors = np.linalg.eigh(curve)
        curve = (vectors * np.maximum(values, 1 / model.normals.lab**2)) @ vectors.T
        move = np.linalg.solve(curve, slope)
        at = at + np.clip(move, -1, 1)
        if np.abs(move).max() < 0.01:
            break
    return at, np.asarray(np.linalg.inv(curve))


def _points(mean: Array, covariance: Array) -> tuple[Array, Array]:
    """Return points in pairs about the mean, with just this mean and covariance, and their log normal density."""
    labs = len(mean)
    pairs = max(_PAIRS, 1 << (2 * labs - 1).bit_length())
    normal = ndtri(qmc.Sobol(labs, scramble=False).random(pairs) + 0.5 / pairs)
    normal = normal @ np.linalg.inv(np.linalg.cholesky(normal.T @ normal / pairs)).T
    normal = np.concatenate([normal, -normal])
    return np.asarray(mean + normal @ np.linalg.cholesky(covariance).T), np.asarray(-0.5 * (normal**2).sum(axis=1))


def _moved(weights: Array, steps: float, start: int, size: int) -> Array:
    """Move weights along a lattice by a number of steps, whole or not; what leaves it stays at its edge."""
    low, to = math.floor(steps), start + np.arange(weights.shape[-1])
    moved = np.zeros((*weights.shape[:-1], size))
    for whole, part in ((low, 1 - steps + low), (low + 1, steps - low)):
        inner = (to + whole >= 0) & (to + whole < size)
        moved[..., to[inner] + whole] += part * weights[..., inner]
        moved[..., 0] += part * weights[..., to + whole < 0].sum(axis=-1)
        moved[..., -1] += part * weights[..., to + whole >= size].sum(axis=-1)
    return moved
