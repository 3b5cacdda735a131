"""Whether survivals learned by `forecast.fitting.survival` are as sure as they say, and what a sampler makes of them.

Run by hand from the project's folder: ``python tests/benchmarks/calibration.py [nurseries] [steps] [lab nurseries]``.

Calibration: nurseries are drawn from the priors, records from the nurseries, and the truth is placed in what is learned
from the records. If all is right its places are uniform from 0 to 1 (Cook, Gelman and Rubin 2006, J. Comput. Graph.
Statist. 15, 675-692, doi:10.1198/106186006X136976; Talts et al. 2018, arXiv:1804.06788). Counts are placed at random
within their own chance (Czado, Gneiting and Held 2009, Biometrics 65, 1254-1261, doi:10.1111/j.1541-0420.2009.01191.x).

Comparison: emcee (Foreman-Mackey et al. 2013, PASP 125, 306-312, doi:10.1086/670067) on the survivals of the demo
records, by a log density that shares nothing with the lattice.
"""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import emcee  # type: ignore[import-untyped]
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats
from scipy.interpolate import CubicSpline
from scipy.special import betaln, expit
from tqdm import tqdm

from forecast.fitting import lattice
from forecast.fitting.betabinomial import mixed_pmf
from forecast.fitting.survival import Pooled, Priors, Record

Array = NDArray[np.float64]

DEMO = Path(__file__).parents[2] / "demo_data"
LEVELS = (0.5, 0.8, 0.95)
THIN = 10  # steps of the sampler for one that is kept; it forgets in about 90
SHARPER = 0.7  # of the standard deviation: what a calibration must catch
SHARES = ("share, fewest batches", "share, most batches", "middle of a group", "middle of the nursery", "likeness")
NEXT = ("next batch, fewest", "next batch, most", "next batch, new variety", "next batch, new group")
SPREADS = ("spread of varieties", "spread of groups")


# Simulated nurseries


@dataclass(frozen=True)
class Truth:
    """A nursery drawn from the priors, and what was counted in it.

    ``logits`` holds those of the varieties with the fewest and most batches, of the first group's mean and of the
    nursery's; ``hyper`` log k and the log spreads; ``following`` the sizes and survivors of next batches; ``known`` the
    positions of the two varieties. With labs the first next batch comes from that of the first record, the others, like
    the variety with most batches, from labs not known yet.
    """

    records: list[Record]
    groups: dict[str, str]
    logits: tuple[float, float, float, float]
    hyper: tuple[float, float, float]
    following: tuple[tuple[int, int], ...]
    known: tuple[int, int]


def nursery(rng: np.random.Generator, priors: Priors, *, most: int = 40, labs: int = 0) -> Truth:
    """Draw a nursery of two groups with one to three varieties each, with 1 to `most` batches of 5 to 2,000 plants."""
    normals = priors.normals
    mu = rng.normal(*normals.nursery)
    log_k, log_v, log_g = (float(rng.normal(*p)) for p in (normals.log_k, normals.log_varieties, normals.log_groups))
    k, s_v, s_g = np.exp((log_k, log_v, log_g))
    owner = np.repeat([0, 1], rng.integers(1, 4, 2))
    of_group = rng.normal(mu, s_g, 2)
    theta = rng.normal(of_group[owner], s_v)
    shifts = rng.normal(0, normals.lab, labs) if labs else np.zeros(1)

    def survivors(logit: float, of: int) -> int:
        return int(rng.binomial(of, rng.beta(max(k * expit(logit), 1e-9), max(k * expit(-logit), 1e-9))))

    many = np.exp(rng.uniform(0, math.log(most + 1), len(owner))).astype(int)
    records = []
    for v, number in enumerate(many):
        for of in np.exp(rng.uniform(math.log(5), math.log(2001), number)).astype(int).tolist():
            lab = int(rng.integers(len(shifts)))
            records.append(Record(f"{v}", survivors(theta[v] + shifts[lab], of), of, lab=f"{lab}" if labs else ""))
    few, most = int(many.argmin()), int(many.argmax())
    new = (rng.normal(of_group[0], s_v), rng.normal(rng.normal(mu, s_g), s_v))
    sizes = np.exp(rng.uniform(math.log(5), math.log(201), 4)).astype(int).tolist()
    other = [rng.normal(0, normals.lab) if labs else 0.0 for _ in sizes]
    other[0] = shifts[int(records[0].lab or 0)]
    logits = [logit + shift for logit, shift in zip((theta[few], theta[most], *new), other, strict=True)]
    following = tuple((of, survivors(logit, of)) for logit, of in zip(logits, sizes, strict=True))
    groups = {f"{v}": f"{g}" for v, g in enumerate(owner)}
    places = (float(logits[0]), float(logits[1]), float(of_group[0]), float(mu))
    return Truth(records, groups, places, (log_k, log_v, log_g), following, (few, most))


def heap(x: Array, weights: Array) -> tuple[Array, Array]:
    """Return numbers and the chances of less, for a density known on a lattice whose log is smooth between."""
    fine = np.linspace(x[0], x[-1], 8001)
    density = np.exp(CubicSpline(x, np.log(np.maximum(weights / weights.max(), 1e-30)))(fine))
    below = np.cumsum(density) - density / 2
    return fine, np.asarray(below / density.sum())


def place(x: Array, weights: Array, truth: float, sharper: float = 1.0) -> float:
    """Return the chance of less than the truth; of a posterior whose standard deviation is so many times what it is."""
    mean = float(weights @ x / weights.sum())
    return float(np.interp(mean + (truth - mean) / sharper, *heap(x, weights)))


def places(
    rng: np.random.Generator,
    number: int,
    priors: Priors,
    *,
    most: int = 40,
    labs: int = 0,
    shown: Callable[[Any], Any] = iter,
) -> dict[str, Array]:
    """Place truths of simulated nurseries in what is learned; wrong posteriors, and z of log spreads, beside them."""
    found: dict[str, list[float]] = {}
    for _ in shown(range(number)):
        truth = nursery(rng, priors, most=most, labs=labs)
        pooled = Pooled(truth.records, truth.groups, priors)
        posterior, varieties = pooled._posterior, len(truth.groups)
        x, log_k = posterior.x, posterior.log_k
        units = posterior.units[0, [*truth.known, varieties, -1]]
        units[0] = posterior.units[pooled._lab(truth.records[0].lab), truth.known[0]]
        lines = [*units[:2].sum(axis=1), posterior.means[0], posterior.means[-1]]
        for name, weights, logit in zip(SHARES[:4], lines, truth.logits, strict=True):
            found.setdefault(name, []).append(place(x, weights, logit))
            found.setdefault(f"{name}, sharpened", []).append(place(x, weights, logit, SHARPER))
        found.setdefault(SHARES[4], []).append(place(log_k, units[0].sum(axis=1), truth.hyper[0]))
        for name, weights, (of, survived) in zip(NEXT, units, truth.following, strict=True):
            luck = rng.random()
            for end, k in (("", np.exp(log_k)[:, None]), (", alike batches", np.full((len(log_k), 1), 1e7))):
                if end and name != NEXT[1]:
                    continue
                chances = mixed_pmf(of, k * expit(x), k * expit(-x), weights / weights.sum())
                found.setdefault(name + end, []).append(float(chances[:survived].sum() + luck * chances[survived]))
        for name, (mean, spread), value in zip(SPREADS, posterior.hyper[1:], truth.hyper[1:], strict=True):
            found.setdefault(name, []).append((value - mean) / spread)
    return {name: np.array(values) for name, values in found.items()}


def evenness(at: Array) -> float:
    """Return the chance of places as uneven as these, if all were right.

    Twice the lesser of two chances, at most 1: by Kolmogorov and Smirnov, and of the sum of squared normal scores,
    which is chi-squared and sees what is too sharp or too flat.
    """
    scores = stats.norm.ppf(np.clip(at, 1e-9, 1 - 1e-9))
    squares = stats.chi2(len(at)).cdf((scores**2).sum())
    return float(min(1.0, 2 * min(stats.kstest(at, "uniform").pvalue, 2 * squares, 2 * (1 - squares))))


def coverage(at: Array, level: float) -> tuple[float, float]:
    """Return the share of places in the middle interval of a level, and by how many binomial errors it is off."""
    inside = float((np.abs(at - 0.5) < level / 2).mean())
    return inside, (inside - level) / math.sqrt(level * (1 - level) / len(at))


# A sampler


def survivals(stage: str, folder: Path = DEMO) -> tuple[list[Record], dict[str, str]]:
    """Read what survived a stage by batch from the demo records, and the groups; unfinished batches are left out."""
    counts, batches, varieties = (pd.read_csv(folder / f"{name}.csv") for name in ("counts", "batches", "varieties"))
    by_batch = counts[counts["stage"] == stage].groupby("batch", sort=True)
    total, last = by_batch[["transferred", "saleable", "losses"]].sum(), by_batch.last()
    remaining = last["alive"] - last["transferred"] - last["saleable"]
    variety = batches.set_index("batch")["variety"]
    survived = total["transferred"] + total["saleable"]
    entered = survived + total["losses"] + remaining
    records = [
        Record(variety[batch], int(survived[batch]), int(entered[batch]), batch=batch)
        for batch in entered.index[remaining == 0]
    ]
    return records, dict(zip(varieties["variety"], varieties["group"], strict=True))


class Density:
    """The log density of a nursery, for a sampler: mu, log k and the log spreads, then groups, then varieties.

    Everything is standard normal before the records: ``at`` holds scores, one row a walker.
    """

    def __init__(self, records: Iterable[Record], groups: dict[str, str], priors: Priors) -> None:
        self.names, self.group_names = sorted(groups), sorted(set(groups.values()))
        self.group = np.array([self.group_names.index(groups[name]) for name in self.names])
        rows = [(self.names.index(r.variety), r.survived, r.of) for r in records]
        self.owner, self.survived, self.of = np.array(rows).T
        middle = math.log(priors.survival / (1 - priors.survival))
        self.centre = np.array([middle, *np.log([priors.concentration, priors.variety_sd, priors.group_sd])])
        self.width = np.array(
            [priors.nursery_sd, priors.concentration_log_sd, priors.log_sd_of_sds, priors.log_sd_of_sds]
        )
        self.size = 4 + len(self.group_names) + len(self.names)

    def logits(self, at: Array) -> tuple[Array, Array, Array]:
        """Return log k, and logits of varieties, and of groups and then the nursery, by walker."""
        mu, log_k, log_v, log_g = (self.centre + self.width * at[:, :4]).T[:, :, None]
        end = 4 + len(self.group_names)
        of_group = mu + np.exp(log_g) * at[:, 4:end]
        return log_k, of_group[:, self.group] + np.exp(log_v) * at[:, end:], np.concatenate([of_group, mu], axis=1)

    def __call__(self, at: Array) -> Array:
        """Return the log density by walker."""
        log_k, theta, _ = self.logits(at)
        k, m = np.exp(log_k), np.clip(expit(theta), 1e-9, 1 - 1e-9)
        a, b = k * m, k * (1 - m)
        prior = betaln(a, b)[:, self.owner]
        alive = betaln(a[:, self.owner] + self.survived, b[:, self.owner] + self.of - self.survived)
        return np.asarray((alive - prior).sum(axis=1) - 0.5 * (at**2).sum(axis=1))

    def shares(self, at: Array) -> Array:
        """Return shares of varieties, of groups' middles and the nursery's, by walker."""
        return np.asarray(expit(np.concatenate(self.logits(at)[1:], axis=1)))


@dataclass(frozen=True)
class Sampled:
    """What a sampler found, by quantity: means and ends of the 90 % interval with Monte Carlo errors, and its cost.

    ``times`` are autocorrelation times [steps], ``samples`` effective sample sizes, ``seconds`` the time sampled.
    """

    mean: Array
    mean_error: Array
    spread: Array
    ends: Array
    ends_error: Array
    times: Array
    samples: Array
    seconds: float


def sample(density: Density, *, walkers: int, steps: int, first: int, seed: int) -> Sampled:
    """Sample with emcee, leaving out the first steps.

    By differential evolution (ter Braak 2006, Stat. Comput. 16, 239-249, doi:10.1007/s11222-006-8769-1). The snooker
    move of emcee 3.1 is not used: it does not keep the distribution (github.com/dfm/emcee/pull/531).
    """
    rng = np.random.default_rng(seed)
    moves = [(emcee.moves.DEMove(), 0.9), (emcee.moves.DEMove(gamma0=1.0), 0.1)]
    sampler = emcee.EnsembleSampler(walkers, density.size, density, moves=moves, vectorize=True)
    sampler.random_state = np.random.RandomState(seed).get_state()
    state = sampler.run_mcmc(rng.normal(size=(walkers, density.size)) * 0.5, first, store=False)
    start = time.perf_counter()
    kept = sampler.sample(state, iterations=steps // THIN, thin_by=THIN, store=False)
    chain = [density.shares(state.coords).astype(np.float32) for state in kept]
    seconds = time.perf_counter() - start
    draws = np.stack(chain)  # step x walker x quantity
    times = emcee.autocorr.integrated_time(draws, quiet=True)
    samples = walkers * len(draws) / times
    spread = draws.std(axis=(0, 1), dtype=np.float64)
    low, ends, high = (np.quantile(draws, [0.05 + by, 0.95 + by], axis=(0, 1)) for by in (-0.01, 0, 0.01))
    errors = np.sqrt(0.05 * 0.95 / samples) * (high - low).astype(np.float64) / 0.02
    mean = draws.mean(axis=(0, 1), dtype=np.float64)
    return Sampled(
        mean, spread / np.sqrt(samples), spread, ends.astype(np.float64), errors, THIN * times, samples, seconds
    )


def learned(pooled: Pooled) -> tuple[Array, Array]:
    """Return means and ends of the 90 % interval of the same shares, as the lattice has them."""
    posterior = pooled._posterior
    varieties = len(pooled.groups)
    lines = np.concatenate([posterior.units[0, :varieties].sum(axis=1), posterior.means])
    lines /= lines.sum(axis=1, keepdims=True)
    heaps = [heap(posterior.x, line) for line in lines]
    ends = np.array([np.interp([0.05, 0.95], below, fine) for fine, below in heaps]).T
    return np.asarray(lines @ expit(posterior.x)), np.asarray(expit(ends))


def finer(pooled: Pooled) -> tuple[Array, Array]:
    """Return what a lattice of half the step with twice the nodes makes of the same."""
    kept = lattice._NODES, lattice._FINE, lattice._FINEST, lattice._ENOUGH
    lattice._NODES, lattice._FINE, lattice._FINEST, lattice._ENOUGH = 23, kept[1] / 2, kept[2] / 2, 15
    try:
        return learned(replace(pooled))
    finally:
        lattice._NODES, lattice._FINE, lattice._FINEST, lattice._ENOUGH = kept


# Tables


def calibration_table(number: int, labs: int) -> None:
    """Print how evenly the truth of simulated nurseries is placed, and how often intervals hold it."""
    start = time.perf_counter()
    found = places(
        np.random.default_rng(29), number, Priors(), labs=labs, shown=lambda runs: tqdm(runs, mininterval=10)
    )
    seconds = time.perf_counter() - start
    print(f"\n{number} nurseries, {labs} labs, {seconds:.0f} s; binomial errors in brackets")
    print(f"{'':38s}{'evenness':>10s}" + "".join(f"{level:16.0%}" for level in LEVELS))
    for name, at in found.items():
        if name in SPREADS:
            square = at**2
            errors = (at.std() / math.sqrt(number), square.std() / math.sqrt(number))
            print(f"{name:38s} z {at.mean():.3f} +- {errors[0]:.3f}, z^2 {square.mean():.3f} +- {errors[1]:.3f}")
            continue
        inside = "".join(f"{'{:.3f} ({:+.1f})'.format(*coverage(at, level)):>16s}" for level in LEVELS)
        print(f"{name:38s}{evenness(at):10.2g}{inside}")


def sampler_table(steps: int) -> None:
    """Print the lattice beside a long run of the sampler; their times stand in ``table.py learning``."""
    records, groups = survivals("acclimatisation")
    pooled, density = Pooled(records, groups), Density(records, groups, Priors())
    means, ends = learned(pooled)
    fine, fine_ends = finer(pooled)
    run = sample(density, walkers=400, steps=steps, first=3000, seed=41)
    width = run.ends[1] - run.ends[0]
    print(f"\nacclimatisation, {len(records)} batches; sampler {steps} steps of 400 walkers; z and % of the width")
    print(f"{'':24s}{'mean':>8s}{'sampler':>9s}{'error':>9s}{'z':>6s}{'5 %':>8s}{'off':>8s}{'95 %':>8s}{'off':>8s}")
    for at, name in enumerate([*density.names, *density.group_names, "nursery"]):
        z = (means[at] - run.mean[at]) / run.mean_error[at]
        off = 100 * (ends[:, at] - run.ends[:, at]) / width[at]
        print(
            f"{name:24s}{means[at]:8.4f}{run.mean[at]:9.4f}{run.mean_error[at]:9.5f}{z:6.1f}"
            f"{ends[0, at]:8.4f}{off[0]:7.2f}%{ends[1, at]:8.4f}{off[1]:7.2f}%"
        )
    print(f"the sampler's own error on an end, at most {100 * (run.ends_error / width).max():.2f} % of the width")
    print(
        f"autocorrelation {run.times.min():.0f} to {run.times.max():.0f} steps; {run.samples.min():.0f} samples worth"
    )
    error = float((np.abs(means - fine) / run.spread).max())
    print(
        f"error of the lattice against a finer one: means {np.abs(means - fine).max():.1e}, {error:.1e} of a deviation;"
    )
    print(f"ends {np.abs(ends - fine_ends).max():.1e}")


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    nurseries, steps, with_labs = given + [1000, 40_000, 150][len(given) :]
    sampler_table(steps)
    calibration_table(nurseries, 0)
    if with_labs:
        calibration_table(with_labs, 2)
