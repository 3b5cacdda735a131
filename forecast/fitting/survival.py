"""Survival learned from counts by batch: varieties borrow strength from their group, groups from the nursery."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from scipy.special import expit, logit, ndtr

from forecast.errors import Fault, Refused, faults_of, real, refuse, whole
from forecast.fitting.betabinomial import mixed_pmf
from forecast.fitting.lattice import Counts, Normals, Posterior, integrate
from forecast.rates.distributions import Share
from forecast.rates.levels import Level
from forecast.streams import Array

_MOST = 10**9  # plants of a batch
_BIGGEST = 20_000  # plants of a next batch


@dataclass(frozen=True)
class Record:
    """What came of one batch, or of a part of it that was counted by itself: plants that `survived`, `of` at least 1.

    Records of a variety and lab that name the same batch are added; a record without a name is a batch of its own. All
    records name a lab, or none.
    """

    variety: str
    survived: int
    of: int
    batch: str = ""
    lab: str = ""

    def __post_init__(self) -> None:
        of = whole("of", self.of, 1, _MOST)
        object.__setattr__(self, "survived", whole("survived", self.survived, 0, of))
        object.__setattr__(self, "of", of)


@dataclass(frozen=True)
class Priors:
    """Prior distributions, before any record: proper, and weak unless made strong.

    Parameters
    ----------
    survival
        Median survival of the nursery [0 to 1]: its log-odds are the mean of their normal prior.
    nursery_sd
        Standard deviation of that prior [log-odds]. With 1.5 and 0.75, 95 % of nurseries lie between 0.14 and 0.98.
    group_sd, variety_sd
        Median standard deviation of the groups in the nursery, and of the varieties in a group [log-odds]; 0.5 makes of
        0.75 between 0.65 and 0.83. Both are lognormal.
    log_sd_of_sds
        Standard deviation of the logarithm of these two; with 0.7 they lie within a factor of 4 of the median.
    concentration
        Median k = a + b of the beta distribution of batches, lognormal: batches of a variety with mean m have a
        standard deviation of sqrt(m (1 - m) / (k + 1)); 20 makes 0.09 at 0.75.
    concentration_log_sd
        Standard deviation of log k.
    lab_sd
        Standard deviation of the shift of a lab [log-odds], normal around 0.

    Raises
    ------
    Refused
        If survival is not between 0 and 1, or another number is not above 0; every problem is listed.
    """

    survival: float = 0.75
    nursery_sd: float = 1.5
    group_sd: float = 0.3
    variety_sd: float = 0.5
    log_sd_of_sds: float = 0.7
    concentration: float = 20.0
    concentration_log_sd: float = 1.0
    lab_sd: float = 0.4

    def __post_init__(self) -> None:
        faults = [
            fault
            for name, (low, high) in _LIMITS.items()
            for fault in faults_of(real, name, getattr(self, name), ge=low, le=high)
        ]
        if faults:
            raise Refused(faults)

    @property
    def normals(self) -> Normals:
        """The same as means and standard deviations of normal distributions."""
        return Normals(
            (float(logit(self.survival)), self.nursery_sd),
            (math.log(self.concentration), self.concentration_log_sd),
            (math.log(self.variety_sd), self.log_sd_of_sds),
            (math.log(self.group_sd), self.log_sd_of_sds),
            self.lab_sd,
        )


_LIMITS = {
    "survival": (0.001, 0.999), "nursery_sd": (0.05, 5), "group_sd": (0.01, 3), "variety_sd": (0.01, 3),
    "log_sd_of_sds": (0.01, 2), "concentration": (0.5, 1e5), "concentration_log_sd": (0.01, 2), "lab_sd": (0.01, 2),
}  # fmt: skip


@dataclass(frozen=True)
class Estimate:
    """What is known of the survival of one variety, of a new one in a group, or of one in a new group.

    `batches` and `plants` are records of its own [number]. `mean` and `sd` are those of the survival of its next batch
    [0 to 1], `prior_mean` and `prior_sd` the same before all records; `centre` and `centre_sd` those of its mean over
    batches, or of a group or the nursery, of its median variety's. `weight` is that of its own records against those of
    the others [0 to 1]; of a group or the nursery 1 if it has any.
    """

    name: str
    batches: int
    plants: int
    mean: float
    sd: float
    centre: float
    centre_sd: float
    weight: float
    prior_mean: float
    prior_sd: float


@dataclass(frozen=True, eq=False)
class Pooled:
    """Survival by variety, group and nursery, learned from all records together.

    `groups` names the group of each variety; every one that a record names has one.

    Notes
    -----
    Survivors of batch b of variety v and lab l are binomial with the batch's own share, which is
    Beta(m k, (1 - m) k) with logit m = theta_v + delta_l. theta_v is normal around the mean of its group with
    standard deviation s_v, the means of groups are normal around the nursery's mu with s_g, and delta_l is normal
    around 0. `Priors` states the priors: mu normal; log s_v, log s_g and log k normal. Without labs delta is 0.

    No chain is drawn. Logits lie on a lattice from -10 to 10 (shares of 0.005 to 99.995 %) with a step of at most
    1.2 times the narrowest distribution on it, but not below 0.02. Given log k and the two log spreads, all messages
    from batches to varieties, groups and nursery and back are sums on it, exact for the lattice. Only the part that
    holds all logits but for about 1e-12 is followed; it is found on the coarsest lattice. Log k and the log spreads run
    over 11 values each, centred where the posterior is in up to eight passes. Shifts of labs, which tie
    varieties together, are integrated by 16 or more points in pairs, with the mean and covariance of a normal
    approximation and weighted by the true density over it; this part is good to about a tenth of a shift's spread.

    The weight of a variety's own records is 1 - V / W, with V the variance of theta_v and W the same without these
    records. Records in any order give the same results to the last digit.

    References
    ----------
    Gelman, A., Carlin, J. B., Stern, H. S., Dunson, D. B., Vehtari, A. and Rubin, D. B. (2013). Bayesian Data Analysis,
    3rd ed., ch. 5. Crowder, M. J. (1978). Appl. Statist. 27, 34-37. doi:10.2307/2346223.
    Pearl, J. (1988). Probabilistic Reasoning in Intelligent Systems, ch. 4 (messages on a tree).

    Examples
    --------
    >>> pooled = Pooled([Record("Alba", 45, 50), Record("Alba", 38, 50)], {"Alba": "ferns", "Nova": "ferns"})
    >>> round(pooled.variety("Nova").mean, 2)
    0.78
    """

    records: Sequence[Record]
    groups: Mapping[str, str]
    priors: Priors = Priors()

    def __post_init__(self) -> None:
        object.__setattr__(self, "records", tuple(self.records))
        object.__setattr__(self, "groups", dict(self.groups))
        unknown = sorted({record.variety for record in self.records} - set(self.groups))
        remedy = "Name its group; a group may hold one variety."
        faults = [Fault("a variety without a group", remedy, column="variety", value=name) for name in unknown]
        if not self.groups:
            faults.append(Fault("there is no variety", "Name at least one, with its group.", column="groups"))
        named = {bool(record.lab) for record in self.records}
        if len(named) > 1:
            remedy = "Name the lab of all records, or of none."
            faults.append(Fault("only some records name a lab", remedy, column="lab"))
        if faults:
            raise Refused(faults)

    @cached_property
    def varieties(self) -> tuple[str, ...]:
        """Names of the varieties, in alphabetical order."""
        return tuple(sorted(self.groups))

    @cached_property
    def labs(self) -> tuple[str, ...]:
        """Names of the labs, in alphabetical order."""
        return tuple(sorted({record.lab for record in self.records if record.lab}))

    def variety(self, name: str, *, lab: str = "") -> Estimate:
        """Return what is known of a variety; without a lab, of plants from a lab that is not known yet."""
        unit, at = self._unit(name), self._lab(lab)
        mine = self._counts.variety == unit
        plants = int(self._counts.of[mine].sum())
        return self._estimate(name, unit, at, int(mine.sum()), plants, float(self._posterior.own[unit]))

    def group(self, name: str) -> Estimate:
        """Return what is known of a new variety of a group."""
        names = sorted(set(self.groups.values()))
        if name not in names:
            raise refuse("group", name, "not a group of these varieties", f"Write one of {', '.join(names)}.")
        at = names.index(name)
        mine = self._counts.group[self._counts.variety] == at
        unit = len(self.groups) + at
        return self._estimate(name, unit, 0, int(mine.sum()), int(self._counts.of[mine].sum()), float(mine.any()))

    def nursery(self) -> Estimate:
        """Return what is known of a variety of a new group."""
        batches, plants = len(self._counts.of), int(self._counts.of.sum())
        return self._estimate("", self._posterior.units.shape[1] - 1, 0, batches, plants, float(batches > 0))

    def share(self, variety: str, level: Level | str, *, lab: str = "") -> Share:
        """Return the survival of the next batch as a beta share with the same mean and standard deviation."""
        learned = self.variety(variety, lab=lab)
        return Share(learned.mean, learned.sd, level)

    def predictive(self, variety: str, of: int, *, lab: str = "") -> Array:
        """Return the chances that 0, 1, ..., `of` plants of the next batch survive; `of` is at most 20,000.

        Without a lab, that of one that is not known yet.
        """
        of = whole("of", of, 1, _BIGGEST)
        weights = self._posterior.units[self._lab(lab), self._unit(variety)]
        k, x = np.exp(self._posterior.log_k)[:, None], self._posterior.x
        return mixed_pmf(of, k * expit(x), k * expit(-x), weights / weights.sum())

    def compare_labs(self, one: str, two: str) -> tuple[float, float, float]:
        """Return mean and sd of how far one lab's shift exceeds the other's [log-odds], and the chance that it does.

        The chance takes the difference as normal.
        """
        at = [self._lab(lab) - 1 for lab in (one, two)]
        if min(at) < 0 or one == two:
            remedy = f"Write two of {', '.join(self.labs)}."
            if len(self.labs) < 2:
                remedy = f"Learn from records of two labs or more; these name {'one' if self.labs else 'none'}."
            raise refuse("lab", f"{one}, {two}", "not two labs of these records", remedy)
        sign = np.zeros(len(self.labs))
        sign[at] = 1, -1
        mean = float(sign @ self._posterior.shifts)
        sd = math.sqrt(float(sign @ self._posterior.covariance @ sign))
        return mean, sd, float(ndtr(mean / sd))

    @cached_property
    def _counts(self) -> Counts:
        batches: dict[tuple[str, ...], list[int]] = {}
        for row, record in enumerate(self.records):
            key = (record.variety, record.lab, record.batch, "" if record.batch else str(row))
            total = batches.setdefault(key, [0, 0])
            total[0] += record.survived
            total[1] += record.of
        names, labs, groups = self.varieties, self.labs, sorted(set(self.groups.values()))
        variety, lab = ({name: at for at, name in enumerate(owners)} for owners in (names, labs or ("",)))
        rows = sorted((variety[key[0]], lab[key[1]], *total) for key, total in batches.items())
        columns = np.array(rows, dtype=np.int64).reshape(-1, 4).T
        group = np.array([groups.index(self.groups[name]) for name in names], dtype=np.intp)
        at = columns[:2].astype(np.intp)
        return Counts(at[0], at[1], columns[2], columns[3], group, len(groups), len(labs))

    @cached_property
    def _posterior(self) -> Posterior:
        return integrate(self._counts, self.priors.normals)

    def _unit(self, variety: str) -> int:
        if variety not in self.groups:
            raise refuse("variety", variety, "not one of these varieties", "Name it in groups; it needs no record.")
        return self.varieties.index(variety)

    def _lab(self, lab: str) -> int:
        if lab and lab not in self.labs:
            remedy = f"Write one of {', '.join(self.labs)}, or none." if self.labs else "Leave it out."
            raise refuse("lab", lab, "no record names this lab", remedy)
        return 1 + self.labs.index(lab) if lab else 0

    def _estimate(self, name: str, unit: int, lab: int, batches: int, plants: int, weight: float) -> Estimate:
        found = self._posterior
        mean, sd, centre, centre_sd = _moments(found.units[lab, unit], found.log_k, found.x)
        if unit >= len(self.groups):
            _, _, centre, centre_sd = _moments(found.means[[unit - len(self.groups)]], np.zeros(1), found.x)
        prior = _before(self.priors, bool(self.labs))
        return Estimate(name, batches, plants, mean, sd, centre, centre_sd, weight, *prior)


def _moments(weights: Array, log_k: Array, x: Array) -> tuple[float, float, float, float]:
    """Return mean and standard deviation of the share of a batch, and of the mean over batches."""
    weights, m = weights / weights.sum(), expit(x)
    mean = float((weights @ m).sum())
    between = float((weights @ (m - mean) ** 2).sum())
    within = float((weights @ (m * expit(-x))) @ (1 / (np.exp(log_k) + 1)))
    return mean, math.sqrt(between + within), mean, math.sqrt(between)


@lru_cache(maxsize=64)
def _before(priors: Priors, labs: bool) -> tuple[float, float]:
    none = np.zeros(0, dtype=np.intp)
    counts = Counts(none, none, none.astype(np.int64), none.astype(np.int64), np.zeros(1, dtype=np.intp), 1, int(labs))
    found = integrate(counts, priors.normals)
    return _moments(found.units[0, 0], found.log_k, found.x)[:2]
