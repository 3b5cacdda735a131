"""A season whose survivals and times were learned from records."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from itertools import combinations
from typing import Any, Literal

import numpy as np
import pandas as pd
from pydantic import PrivateAttr
from scipy.special import expit, logit

from forecast.errors import Fault, Refused, refuse, whole
from forecast.fitting.betabinomial import mixed_pmf
from forecast.fitting.survival import Pooled, Record
from forecast.rates.distributions import Z90, Share
from forecast.records.records import Records
from forecast.season.cells import suggestion
from forecast.season.season import Season
from forecast.streams import Array
from forecast.words import records as words
from forecast.words.results import Result

BasedOn = Literal["records", "group", "estimate"]

_MOST = 20_000  # plants of a next batch
_SHARES = ("variety", "group", "estimate", "counted", "batches", "learned", "p5", "p95", "based_on")
_LABS = ("lab", "other", "batches", "other_batches", "better_by", "p5", "p95", "chance", "sentence")


@dataclass(frozen=True)
class LearnedRate:
    """What was learned of one survival or time of one variety; its fields are the columns of `LearnedSeason.table`."""

    variety: str
    stage: str
    what: Literal["survival", "time"]
    estimate: float
    batches: int
    plants: int
    learned: float
    sd: float
    weight: float
    based_on: BasedOn
    sentence: str


@dataclass(frozen=True, eq=False)
class Learning:
    """What was learned, and from what."""

    prior: Season  # before any record
    records: Records
    finished: Mapping[str, Sequence[Record]]  # survival of their batches, by stage
    pooled: Mapping[str, Pooled]  # what was learned of these, by stage
    rates: Sequence[LearnedRate]  # of each variety and stage, in the order of the season
    by_lab: dict[str, Pooled] = field(default_factory=dict)  # with a shift for each lab, kept once it was needed


class LearnedSeason(Result, Season):
    """A season with survivals and times learned from records; made by `learn`.

    It is used like any other season. `replace` and `with_stage` return a plain season with the learned rows, without
    what they were learned from.
    """

    _learning: Learning = PrivateAttr()

    def replace(self, **changes: Any) -> Season:  # type: ignore[override]
        """Return a plain season that differs in the named cells or tables."""
        return Season(**{**self.given(), **changes})

    @property
    def prior(self) -> Season:
        """The season with your own estimates, before any record."""
        return self._learning.prior

    def table(self, name: str = "", variety: str | None = None) -> pd.DataFrame:
        """Return what was learned, or one of the season's tables.

        Parameters
        ----------
        name
            Of a table, as for `Season.table`; without it, what was learned.
        variety
            Of which variety; of all if not given.

        Returns
        -------
        DataFrame
            What was learned: a row for each variety, stage of its route and ``what`` (survival, or time where the stage
            takes any), in the order of the season. ``estimate`` and ``learned`` are the mean share of those that enter,
            or the typical time [weeks or °C days], before and after. ``batches`` and ``plants`` are those of the
            records: of a survival the variety's own, finished in the stage; of a time all of its route. ``sd`` is the
            standard deviation of the survival of the next batch, or that of its time as a share of the typical one.
            ``weight`` of a survival is that of the variety's own records against all else: 1 less the variance of its
            log-odds over what that was without them; 0 if it has none. That of a time is the share of the records in
            the precision (1 over variance) of the log of the typical time, 0 if the estimate is kept.
            ``based_on`` is records if the variety has any, group if only others of its group or route have, else
            estimate: yours is kept. ``sentence`` puts all this in words.
        """
        if name:
            return Season.table(self, name, variety)
        columns = [one.name for one in fields(LearnedRate)]
        rates = [rate for rate in self._learning.rates if variety in (None, rate.variety)]
        return pd.DataFrame([asdict(rate) for rate in rates], columns=columns)

    def times(self) -> pd.DataFrame:
        """Return what was learned of times: a row for each stage that takes any, of each group or route of its own.

        Returns
        -------
        DataFrame
            applies_to (the group, or the variety with stages of its own), stage, runs_on, estimate and learned, the
            median time [weeks or °C days], batches, and weight of the records [0 to 1].
        """
        rows: dict[tuple[str, str], tuple[Any, ...]] = {}
        for rate in self._learning.rates:
            if rate.what == "time":
                stage = next(one for one in self.prior.route(rate.variety) if one.stage == rate.stage)
                found = rate.estimate, round(rate.learned, 2), rate.batches, round(rate.weight, 3)
                rows.setdefault((stage.applies_to, stage.stage), (stage.runs_on, *found))
        return pd.DataFrame(
            [(*names, *cells) for names, cells in rows.items()],
            columns=["applies_to", "stage", "runs_on", "estimate", "learned", "batches", "weight"],
        )

    @property
    def most_changed(self) -> LearnedRate:
        """The survival that its own records changed most; `Refused` if none has records of its own."""
        rates = [one for one in self._learning.rates if one.what == "survival" and one.based_on == "records"]
        if not rates:
            problem, remedy = "no batch is finished in any stage", "Count a batch until it has left a stage."
            raise Refused([Fault(problem, remedy, "counts.csv")])
        return max(rates, key=lambda one: abs(one.learned - one.estimate))

    def headline(self) -> str:
        """Return which survival the records changed most, in one line."""
        return words.most_changed(self.most_changed)

    def sentence(self, variety: str, stage: str) -> str:
        """Return what was learned of a variety in a stage, in words."""
        self._row(variety, stage)
        return " ".join(
            rate.sentence for rate in self._learning.rates if (rate.variety, rate.stage) == (variety, stage)
        )

    def shares(self, stage: str) -> pd.DataFrame:
        """Return the survivals of a stage: estimated, counted and learned.

        Returns
        -------
        DataFrame
            A row for each variety that has the stage: variety, group, estimate, counted (share of all plants of its own
            finished batches; missing without any), batches, learned, p5 and p95 (90 % credible interval of the mean of
            its batches; missing if only estimated) and based_on.
        """
        self._known(stage)
        pooled, rows = self._learning.pooled.get(stage), []
        for rate in self._learning.rates:
            if rate.stage != stage or rate.what != "survival":
                continue
            mine = [row for row in self._learning.finished.get(stage, ()) if row.variety == rate.variety]
            counted = sum(row.survived for row in mine) / rate.plants if mine else math.nan
            p5 = p95 = math.nan
            if pooled is not None and rate.based_on != "estimate":
                found = pooled.variety(rate.variety)
                p5, p95 = Share(found.centre, found.centre_sd, "belief").quantile([0.05, 0.95]).tolist()
            learned = counted, rate.batches, rate.learned, p5, p95, rate.based_on
            rows.append((rate.variety, self.variety(rate.variety).group, rate.estimate, *learned))
        return pd.DataFrame(rows, columns=[*_SHARES])

    def next_batch(self, variety: str, stage: str, *, of: int = 100) -> Array:
        """Return the chances that 0, 1, ..., `of` plants of the next batch survive a stage.

        Parameters
        ----------
        variety, stage
            Names of the variety and of a stage of its route.
        of
            Plants that enter it, at most 20,000.
        """
        at = self._row(variety, stage)
        rate = next(one for one in self._learning.rates if (one.variety, one.stage) == (variety, stage))
        if rate.based_on != "estimate":
            return self._learning.pooled[stage].predictive(variety, of)
        of, share = whole("of", of, 1, _MOST), self.prior.survivals(variety)[at]
        a, b = share.parameters if share.sd else (1e9 * share.mean, 1e9 * (1 - share.mean))
        return mixed_pmf(of, np.array([[a]]), np.array([[max(b, 1e-9)]]), np.ones((1, 1)))

    def prior_sensitivity(self, stage: str) -> pd.DataFrame:
        """Return the survivals of a stage, learned again under weaker and stronger priors.

        Returns
        -------
        DataFrame
            A row for each variety that has the stage and is not only estimated: variety, estimate, batches; weak, usual
            and strong, what is learned if the standard deviations of the prior (of the nursery's log-odds, and the
            median ones of groups and of varieties) are doubled, kept and halved; and range, the largest difference
            between the three.

        Raises
        ------
        Refused
            If no batch is finished in the stage.
        """
        pooled, means = self._pooled(stage), {}
        for name, factor in (("weak", 2.0), ("usual", 1.0), ("strong", 0.5)):
            old = pooled.priors
            wide = {part: factor * getattr(old, part) for part in ("nursery_sd", "group_sd", "variety_sd")}
            tried = pooled if factor == 1 else replace(pooled, priors=replace(old, **wide))
            means[name] = {variety: tried.variety(variety).mean for variety in tried.varieties}
        table = self.shares(stage)
        table = table.loc[table["based_on"] != "estimate", ["variety", "estimate", "batches"]]
        table = table.assign(**{name: [of[one] for one in table["variety"]] for name, of in means.items()})
        three = table[list(means)]
        return table.assign(range=three.max(axis=1) - three.min(axis=1)).reset_index(drop=True)

    def labs(self, stage: str) -> pd.DataFrame:
        """Compare the labs of the batches finished in a stage, adjusted for their varieties.

        Returns
        -------
        DataFrame
            A row for each two labs: lab, other, batches and other_batches, better_by (by how much more of the plants of
            the first survive, at the median survival of the nursery [share]), p5 and p95 (90 % credible interval),
            chance (that the first is better) and sentence. Batches whose lab is not known are left out.

        Raises
        ------
        Refused
            If batches of fewer than two labs are finished in the stage.

        Notes
        -----
        The survivals of a learned season are those of no lab; see `Pooled.compare_labs` for the model.
        """
        pooled = self._by_lab(stage)
        batches = {lab: sum(row.lab == lab for row in pooled.records) for lab in pooled.labs}
        median, rows = float(logit(pooled.nursery().centre)), []
        for lab, other in combinations(pooled.labs, 2):
            shift, sd, chance = pooled.compare_labs(lab, other)
            by, p5, p95 = (_points(median, shift + z * sd) for z in (0.0, -Z90, Z90))
            better, worse = (lab, other) if chance >= 0.5 else (other, lab)
            sentence = words.labs_compared(better=better, worse=worse, chance=max(chance, 1 - chance))
            rows.append((lab, other, batches[lab], batches[other], by, p5, p95, chance, sentence))
        return pd.DataFrame(rows, columns=[*_LABS])

    def facts(self) -> dict[str, object]:
        """Return the name of the season, and from how many batches it was learned."""
        return {"season": self.name, "batches": len(self._learning.records.batches)}

    def __str__(self) -> str:
        by = Counter(rate.based_on for rate in self._learning.rates)
        batches = len(self._learning.records.batches)
        return words.learned(records=batches, own=by["records"], group=by["group"], estimated=by["estimate"])

    def _by_lab(self, stage: str) -> Pooled:
        self._known(stage)
        labs = {batch.batch: batch.lab for batch in self._learning.records.batches}
        known = [(row, labs[row.batch]) for row in self._learning.finished.get(stage, ())]
        named = [replace(row, lab=lab) for row, lab in known if lab]
        if len({row.lab for row in named}) < 2:
            remedy = "Labs can be compared once batches of two labs are finished in it."
            raise refuse("stage", stage, "batches of fewer than two labs are finished in it", remedy)
        if stage not in self._learning.by_lab:
            pooled = self._pooled(stage)
            self._learning.by_lab[stage] = Pooled(named, pooled.groups, pooled.priors)
        return self._learning.by_lab[stage]

    def _pooled(self, stage: str) -> Pooled:
        self._known(stage)
        if stage not in self._learning.pooled:
            raise refuse("stage", stage, "no batch is finished in it", "Choose a stage that batches have finished.")
        return self._learning.pooled[stage]

    def _known(self, stage: str) -> None:
        names = list(dict.fromkeys(rate.stage for rate in self._learning.rates))
        if stage not in names:
            raise refuse("stage", stage, "no variety has such a stage", suggestion(stage, names))

    def _row(self, variety: str, stage: str) -> int:
        names = [row.stage for row in self.prior.route(variety)]
        if stage not in names:
            raise refuse("stage", stage, f"{variety} has no such stage", suggestion(stage, names))
        return names.index(stage)


def _points(median: float, shift: float) -> float:
    """Return a shift between two labs as a difference in survival, with the median between them."""
    return float(expit(median + shift / 2) - expit(median - shift / 2))
