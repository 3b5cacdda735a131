"""Part of the table: survivals learned by pooling, beside a general-purpose sampler at an equal error.

Equal error is 1 % of a posterior standard deviation, in the mean of the share that is learned worst: a sampler needs
10,000 independent samples for it. Our own error, told by a finer lattice, is smaller; as small a one would take the
sampler hours. So a chain is run that is long enough to tell its
autocorrelation time, and the time to 10,000 samples follows from it. A chain that is less than some 50 such times long
tells too short a one (Goodman and Weare 2010, Comm. App. Math. Comp. Sci. 5, 65-80, doi:10.2140/camcos.2010.5.65;
the number is that of emcee's manual), and so is too kind to the sampler. The steps left out at first are not counted.
What the two say is compared in ``calibration.py``.
"""

from __future__ import annotations

import logging
import statistics
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
from calibration import Density, finer, learned, sample, survivals
from measuring import Row, peak, seconds
from scipy.special import expit, logit
from simulated_records import Truth, simulated
from small_seasons import offer, season, stage

import forecast
from forecast.fitting.survival import Pooled, Priors, Record

logging.getLogger("emcee").setLevel(logging.ERROR)  # how long a chain is, its row says
ERROR = 0.01  # of a posterior standard deviation
SURVIVAL = {"arrival": 0.95, "acclimatisation": 0.85, "growing on": 0.93, "grading": 0.95}
TYPICAL = {"acclimatisation": 4.0, "growing on": 7.0}


def rows(*, quick: bool) -> Iterator[Row]:
    """Measure the demo records, records of more varieties, and a large nursery."""
    steps, seeds = (3000, (7,)) if quick else (10_000, (7, 8, 9))
    yield from beside("demo records", *survivals("acclimatisation"), steps=steps, walkers=80, seeds=seeds)
    steps, seeds = (1000, (7,)) if quick else (6000, (7,))
    yield from beside("40 varieties, 200 batches", *records(40, 200), steps=steps, walkers=128, seeds=seeds)
    yield from large(500 if quick else 5000, 1 if quick else 3)


def beside(
    name: str, records: list[Record], groups: dict[str, str], *, steps: int, walkers: int, seeds: tuple[int, ...]
) -> Iterator[Row]:
    """Measure one stage's records: our error and time, and the sampler's time."""
    pooled, density = Pooled(records, groups), Density(records, groups, Priors())
    took = seconds(lambda: learned(replace(pooled)), 5)
    runs = [sample(density, walkers=walkers, steps=steps, first=steps // 5, seed=seed) for seed in seeds]
    off = float((np.abs(learned(pooled)[0] - finer(pooled)[0]) / runs[0].spread).max())
    yield Row(f"{name}: our error, of a posterior deviation", off, 1, against="asked", theirs=ERROR)
    each = statistics.median(run.seconds / float(run.samples.min()) for run in runs)
    forgets = statistics.median(float(run.times.max()) for run in runs)
    what = f"{name}: to {ERROR:g} of a deviation; its chain {steps / forgets:.0f} autocorrelation times long"
    yield Row(what, took, len(runs), "s", against="emcee", theirs=each / ERROR**2)
    yield Row(f"{name}: to our own error", took, len(runs), "s", against="emcee", theirs=each / off**2)


def records(varieties: int, batches: int) -> tuple[list[Record], dict[str, str]]:
    """Draw counts of one stage, of groups of five varieties each."""
    rng = np.random.default_rng(1)
    groups = {f"V{i:02d}": f"G{i // 5}" for i in range(varieties)}
    centres = dict(zip(dict.fromkeys(groups.values()), rng.normal(1.7, 0.4, varieties), strict=False))
    means = {name: float(expit(rng.normal(centres[group], 0.3))) for name, group in groups.items()}
    found = []
    for number in range(batches):
        name = f"V{number % varieties:02d}"
        of = int(rng.integers(50, 500))
        found.append(Record(name, int(rng.binomial(of, rng.beta(20 * means[name], 20 * (1 - means[name])))), of))
    return found, groups


def large(batches: int, repeats: int) -> Iterator[Row]:
    """Measure all that is learned of batches of 200 varieties in 20 groups, four stages, two of them timed."""
    rng, names = np.random.default_rng(1), [f"V{i:03d}" for i in range(200)]
    groups = {name: f"G{i // 10:02d}" for i, name in enumerate(names)}
    timed = {"batches_cv": 0.1, "plants_cv": 0.1}
    stages = [
        stage(name, applies_to=group, survival=mean, survival_sd=0.03, typical=TYPICAL.get(name, 0))
        | (timed if name in TYPICAL else {})
        for group in dict.fromkeys(groups.values())
        for name, mean in SURVIVAL.items()
    ]
    cells = season([stage()]).given() | {"stages": stages, "price_list": [offer(name) for name in names]}
    plan = forecast.Season(**cells | {"varieties": [{"variety": n, "group": g} for n, g in groups.items()]})
    means = {
        (n, s): float(expit(logit(mean) + 0.4 * rng.standard_normal())) for n in names for s, mean in SURVIVAL.items()
    }
    deliveries = [(names[i % 200], date(2022, 1, 3) + timedelta(int(rng.integers(1400))), 300) for i in range(batches)]
    made = simulated(plan, deliveries, Truth(means, 20, TYPICAL), rng)
    what = f"{batches:,} batches of 200 varieties: all survivals and times"
    yield Row(what, seconds(lambda: forecast.learn(plan, made.model_copy()), repeats), repeats, "s")
    yield Row(f"{batches:,} batches of 200 varieties: most memory, all before included", peak(), 1, "bytes")
