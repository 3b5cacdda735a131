"""Survivals to start from: by one method for all crops, what nobody knows yet and what differs between batches."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
from scipy.special import expit, logit

from forecast.defaults.lookup import Figure, Grade, rows_of, sources
from forecast.rates.distributions import Share
from forecast.rates.levels import Level
from forecast.words.numbers import figures

Ease = Literal["easy", "usual", "hard"]

ALL_SURVIVED = 0.985  # what a paper's 100 % of an unknown number counts as; judgement
BEST_TREATMENT = 0.5  # log-odds by which a paper's best treatment lies above a nursery's practice; judgement
EASES: dict[Ease, float] = {"easy": 0.5, "usual": 0.0, "hard": -0.5}  # log-odds; judgement
NOT_ROOTED = -1.0  # log-odds; judgement between no difference (pineapple) and -2.2 (raspberry, 43-76 against 81-98 %)
HARDENED = 0.5  # log-odds of plantlets hardened in the lab; judgement, well below calla's 2.5 (60 against 95 %)
WEIGHT = 1.0  # counted batches that a default is worth; judgement
_NODES = np.polynomial.hermite_e.hermegauss(60)


@dataclass(frozen=True)
class Plants:
    """How plants come: as `plantlet` or weaned `plug`; plantlets `rooted`, and `hardened`, in the lab or not."""

    form: Literal["plantlet", "plug"] = "plantlet"
    rooted: bool = True
    hardened: bool = False


@dataclass(frozen=True)
class Pool:
    """What is known of a stage of any crop: median survival [log-odds], and the variance of its figures [log-odds²]."""

    median: float
    variance: float
    grade: Grade
    source: str


# The first follows from survivals.csv, as the tests work out again; of the others too few figures are published.
POOLS: Mapping[str, Pool] = {
    "arrival": Pool(3.9, 0.36, "practice", "from memory: 95 to 99 % on arrival"),
    "acclimatisation": Pool(
        2.2, 1.76, "judgement",
        "67 published figures of 43 crops, 0.5 log-odds lower, since papers print their best treatment",
    ),
    "growing on": Pool(2.94, 0.64, "extension", "Rutgers Cooperative Extension: 95 % of the pots started are sold"),
    "hardening": Pool(3.9, 0.36, "practice", "common practice, no source"),
}  # fmt: skip


@dataclass(frozen=True)
class Counted:
    """A published survival of a crop in a stage: two ends of a range [0 to 1], or a count."""

    taxon: str
    low: float
    high: float
    survived: int | None
    of: int | None
    source: str
    note: str

    @property
    def log_odds(self) -> float:
        """Mean log-odds of both ends, at most those of `ALL_SURVIVED`."""
        return float(np.mean(logit(np.minimum([self.low, self.high], ALL_SURVIVED))))

    def __str__(self) -> str:
        if self.of:
            return f"{self.survived:,} of {self.of:,}"
        ends = dict.fromkeys(f"{figures(100 * end)}" for end in (self.low, self.high))
        return f"{' to '.join(ends)} %"


@dataclass(frozen=True)
class Survival:
    """What to assume of a stage until batches are counted.

    `mean` is the expected share of plants that survive [0 to 1]. `doubt` is the standard deviation of the nursery's
    own mean, which nobody knows yet, and `batches` that of its batches around it [same unit]. `weight` is the number of
    counted batches that the default is worth.
    """

    mean: Figure
    doubt: Figure
    batches: Figure
    weight: float

    @property
    def share(self) -> Share:
        """The same as one share, which varies by ``belief`` and ``batch``."""
        shares = ("belief", 1 / (1 + self.weight)), ("batch", self.weight / (1 + self.weight))
        return Share(self.mean.typical, round(math.hypot(self.doubt.typical, self.batches.typical), 3), Level(shares))


@cache
def published() -> Mapping[tuple[str, str], tuple[Counted, ...]]:
    """Return the published survivals, by crop and stage."""
    found: dict[tuple[str, str], list[Counted]] = defaultdict(list)
    for row in rows_of("survivals.csv"):
        survived, of = (int(row[name]) if row[name] else None for name in ("survived", "of"))
        low, high = [survived / of] * 2 if survived and of else (float(row[name]) for name in ("low", "high"))
        counted = Counted(row["taxon"], low, high, survived, of, sources()[row["source"]].citation, row["note"])
        found[row["crop"], row["stage"]].append(counted)
    return {key: tuple(rows) for key, rows in found.items()}


def assumed(crop: str, ease: Ease, stage: str, plants: Plants) -> Survival:
    """Return what to assume of a stage of a crop.

    Notes
    -----
    The log-odds of a batch are normal. Their median is that of all crops, moved by how easy the crop is taken to be and
    by how its plants come. A crop's own published figures do not move it: those of one crop differ as much as those of
    several, so that the variance between crops is estimated as 0. The variance is divided between the nursery's own
    mean and its batches so that the default is worth `WEIGHT` batches; the intraclass correlation of plants of a batch
    is then about 0.09. The nearest measured one is 0.14, of cuttings of Acer and Pyrus: 234 of 576 rooted in 48 batches
    (beta-binomial, computed). Mean and standard deviation of the share are found by Gauss-Hermite quadrature.

    References
    ----------
    R package pairwiseCI, data on rooting of cuttings of Acer and Pyrus (thesis, Hannover 2005).
    """
    pool, median = POOLS[stage], POOLS[stage].median
    if stage == "acclimatisation":
        median += EASES[ease] + NOT_ROOTED * (not plants.rooted) + HARDENED * plants.hardened
    shares, weights = expit(median + math.sqrt(pool.variance) * _NODES[0]), _NODES[1] / _NODES[1].sum()
    mean = float(weights @ shares)
    variance = float(weights @ (shares - mean) ** 2)
    parts = [math.sqrt(variance * part / (1 + WEIGHT)) for part in (1.0, WEIGHT)]
    ends = expit(median + math.sqrt(pool.variance) * np.array([-1.645, 1.645]))
    own = [f"{one} in {one.source}" for one in published().get((crop, stage), ())]
    basis = f"{pool.source}; this crop: {', '.join(own)}" if own else pool.source
    low, high = (round(float(end), 3) for end in ends)
    doubt = f"judgement: worth {figures(WEIGHT)} counted batch, of the spread between published figures of one crop"
    spread = "judgement: the rest of that spread; batches of one nursery are not published"
    return Survival(
        Figure(round(mean, 3), pool.grade, basis, low, high),
        Figure(round(parts[0], 3), "judgement", doubt),
        Figure(round(parts[1], 3), "judgement", spread),
        WEIGHT,
    )
