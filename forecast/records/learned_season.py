"""A season whose survivals and times were learned from records, and what can be asked of it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import cached_property
from itertools import combinations
from typing import Any, Literal

import numpy as np
import pandas as pd
from pydantic import PrivateAttr
from scipy.special import expit, logit

from forecast.errors import refuse, whole
from forecast.fitting.betabinomial import mixed_pmf
from forecast.fitting.survival import Pooled, Record
from forecast.rates.distributions import Z90, Share
from forecast.records.records import Records
from forecast.season.cells import suggestion
from forecast.season.season import Season
from forecast.streams import Array

RestsOn = Literal["records", "group", "guess"]

_MOST = 20_000  # plants of a next batch
_SURE, _LIKELY = 0.95, 0.8  # chances that one lab is better
_COLUMNS = ("variety", "stage", "what", "stated", "batches", "plants", "learned", "sd", "weight", "rests_on")


@dataclass(frozen=True)
class Line:
    """What was learned of one survival or time of one variety; the columns of `LearnedSeason.table`."""

    variety: str
    stage: str
    what: Literal["survival", "time"]
    stated: float
    batches: int
    plants: int
    learned: float
    sd: float
    weight: float
    rests_on: RestsOn
    sentence: str


@dataclass(frozen=True, eq=False)
class Learning:
    """What records taught, and of which season.

    Parameters
    ----------
    stated
        The season as it was stated.
    records
        The records.
    survived
        What came of their batches by stage.
    pooled
        What was learned of them by stage.
    lines
        What was learned of each variety and stage, in the order of the season.
    """

    stated: Season
    records: Records
    survived: Mapping[str, Sequence[Record]]
    pooled: Mapping[str, Pooled]
    lines: Sequence[Line]

    @cached_property
    def by_lab(self) -> dict[str, Pooled]:
        """What was learned of each stage with a shift for each lab, as far as it was asked for."""
        return {}


class LearnedSeason(Season):
    """A season in which survivals and times are learned from records; made by `learn`.

    It is used like any other season. What is made from it, by `replace` or `with_stage`, is a plain season that
    holds the learned rows but no longer tells what they were learned from.
    """

    _learning: Learning = PrivateAttr()

    def replace(self, **changes: Any) -> Season:  # type: ignore[override]
        """Make a plain season that differs in the named cells or tables."""
        return Season(**{**self.given(), **changes})

    @property
    def stated(self) -> Season:
        """The season as it was stated, before any record."""
        return self._learning.stated

    def table(self, name: str = "") -> pd.DataFrame:
        """Return what was learned, or one of the season's tables.

        Parameters
        ----------
        name
            Of a table, as for `Season.table`; without it, what was learned.

        Returns
        -------
        DataFrame
            What was learned: a row for each variety, stage of its route and ``what`` (survival, or time where the stage
            takes any), in the order of the season. ``stated`` and ``learned`` are the mean share of those that
            enter, or the typical time [weeks or °C days]. ``batches`` and ``plants`` are those of the records: of a
            survival the variety's own, finished in the stage; of a time all of its route. ``sd`` is the standard
            deviation of the survival of the next batch, or that of its time as a share of the typical one. ``weight``
            of a survival is that of the variety's own records against all other belief: 1 less the variance of its
            logit over what that was without them; 0 if it has none. That of a time is the share of the records in
            the precision (1 over variance) of the log of the typical time, 0 if the stated one is kept.
            ``rests_on`` is records if the variety has any, group if only others of its group or route have, else
            guess: what is stated holds. ``sentence`` says all this.
        """
        if name:
            return super().table(name)
        return pd.DataFrame([asdict(line) for line in self._learning.lines], columns=[*_COLUMNS, "sentence"])

    def sentence(self, variety: str, stage: str) -> str:
        """Say what was learned of a variety in a stage."""
        self._row(variety, stage)
        lines = self._learning.lines
        return " ".join(line.sentence for line in lines if (line.variety, line.stage) == (variety, stage))

    def shares(self, stage: str) -> pd.DataFrame:
        """Return the survivals of a stage, stated, counted and learned.

        Parameters
        ----------
        stage
            Name of the stage.

        Returns
        -------
        DataFrame
            A row for each variety that has the stage: variety, group, stated, counted (share of all plants of its own
            finished batches; missing without any), batches, learned, low and high (between which the mean of its
            batches lies nine times in ten; missing if it rests on a guess) and rests_on.
        """
        self._known(stage)
        pooled, rows = self._learning.pooled.get(stage), []
        for line in self._learning.lines:
            if line.stage != stage or line.what != "survival":
                continue
            mine = [row for row in self._learning.survived.get(stage, ()) if row.variety == line.variety]
            alive = sum(row.survived for row in mine) / line.plants if mine else math.nan
            low = high = math.nan
            if pooled is not None and line.rests_on != "guess":
                found = pooled.variety(line.variety)
                low, high = Share(found.centre, found.doubt, "belief").quantile([0.05, 0.95]).tolist()
            group = self.variety(line.variety).group
            rows.append((line.variety, group, line.stated, alive, line.batches, line.learned, low, high, line.rests_on))
        columns = ["variety", "group", "stated", "counted", "batches", "learned", "p5", "p95", "rests_on"]
        return pd.DataFrame(rows, columns=columns)

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
        line = next(one for one in self._learning.lines if (one.variety, one.stage) == (variety, stage))
        if line.rests_on != "guess":
            return self._learning.pooled[stage].predictive(variety, of)
        of, share = whole("of", of, 1, _MOST), self.stated.survivals(variety)[at]
        a, b = share.parameters if share.sd else (1e9 * share.mean, 1e9 * (1 - share.mean))
        return mixed_pmf(of, np.array([[a]]), np.array([[max(b, 1e-9)]]), np.ones((1, 1)))

    def sensitivity(self, stage: str) -> pd.DataFrame:
        """Learn the survivals of a stage again under other priors.

        Parameters
        ----------
        stage
            Name of the stage.

        Returns
        -------
        DataFrame
            A row for each variety that has the stage and does not rest on a guess: variety, stated, batches; weak,
            as_it_is and strong, what is learned if the standard deviations of the prior (of the nursery's logit, and
            the middle ones of groups and of varieties) are doubled, as they are, and halved; and differs, the
            largest difference between the three.

        Raises
        ------
        Refused
            If no batch is finished in the stage.
        """
        pooled, means = self._pooled(stage), {}
        for name, factor in (("weak", 2.0), ("as_it_is", 1.0), ("strong", 0.5)):
            old = pooled.priors
            wide = {part: factor * getattr(old, part) for part in ("belief", "groups", "varieties")}
            tried = pooled if factor == 1 else pooled.with_priors(replace(old, **wide))
            means[name] = {variety: tried.variety(variety).mean for variety in tried.varieties}
        table = self.shares(stage)
        table = table.loc[table["rests_on"] != "guess", ["variety", "stated", "batches"]]
        table = table.assign(**{name: [of[one] for one in table["variety"]] for name, of in means.items()})
        three = table[list(means)]
        return table.assign(differs=three.max(axis=1) - three.min(axis=1)).reset_index(drop=True)

    def labs(self, stage: str) -> pd.DataFrame:
        """Compare the labs whose plants went through a stage, varieties allowed for.

        Parameters
        ----------
        stage
            Name of the stage.

        Returns
        -------
        DataFrame
            A row for each two labs: lab, other, batches and other_batches, better_by (by how much more survives of the
            plants of the first, at the middle survival of the nursery [share]), low and high (nine times in ten),
            chance (that the first is better) and said. Batches whose lab is not known are left out.

        Raises
        ------
        Refused
            If batches of fewer than two labs are finished in the stage.

        Notes
        -----
        The survivals of a learned season hold no lab's shift; see `Pooled.compare_labs` for the model.
        """
        pooled = self._by_lab(stage)
        batches = {lab: sum(row.lab == lab for row in pooled.records) for lab in pooled.labs}
        middle, rows = float(logit(pooled.nursery().centre)), []
        for lab, other in combinations(pooled.labs, 2):
            shift, spread, chance = pooled.compare_labs(lab, other)
            by, low, high = (_points(middle, shift + z * spread) for z in (0.0, -Z90, Z90))
            said = _compared(lab, other, chance)
            rows.append((lab, other, batches[lab], batches[other], by, low, high, chance, said))
        columns = ["lab", "other", "batches", "other_batches", "better_by", "p5", "p95", "chance", "said"]
        return pd.DataFrame(rows, columns=columns)

    def __str__(self) -> str:
        lines = self._learning.lines
        batches = len(self._learning.records.batches)
        by = {on: sum(line.rests_on == on for line in lines) for on in ("records", "group", "guess")}
        return (
            f"{batches:,} batch{'' if batches == 1 else 'es'} taught {by['records']:,} of {len(lines):,} numbers of "
            f"this season; {by['group']:,} rest on the group alone, {by['guess']:,} still on a guess."
        )

    def _by_lab(self, stage: str) -> Pooled:
        self._known(stage)
        labs = {batch.batch: batch.lab for batch in self._learning.records.batches}
        known = [(row, labs[row.batch]) for row in self._learning.survived.get(stage, ())]
        named = [replace(row, lab=lab) for row, lab in known if lab]
        if len({row.lab for row in named}) < 2:
            remedy = "Labs are compared once batches of two are finished in it, with the lab written down."
            raise refuse("stage", stage, "batches of fewer than two labs are finished in it", remedy)
        if stage not in self._learning.by_lab:
            pooled = self._pooled(stage)
            self._learning.by_lab[stage] = Pooled(named, pooled.groups, pooled.priors)
        return self._learning.by_lab[stage]

    def _pooled(self, stage: str) -> Pooled:
        self._known(stage)
        if stage not in self._learning.pooled:
            raise refuse("stage", stage, "no batch is finished in it", "Take a stage that batches have passed.")
        return self._learning.pooled[stage]

    def _known(self, stage: str) -> None:
        names = list(dict.fromkeys(line.stage for line in self._learning.lines))
        if stage not in names:
            raise refuse("stage", stage, "no variety has such a stage", suggestion(stage, names))

    def _row(self, variety: str, stage: str) -> int:
        names = [row.stage for row in self.stated.route(variety)]
        if stage not in names:
            raise refuse("stage", stage, f"{variety} has no such stage", suggestion(stage, names))
        return names.index(stage)


def _points(middle: float, shift: float) -> float:
    """Return a shift between two labs as a difference in survival, with the middle between them."""
    return float(expit(middle + shift / 2) - expit(middle - shift / 2))


def _compared(lab: str, other: str, chance: float) -> str:
    better, worse, sure = (lab, other, chance) if chance >= 0.5 else (other, lab, 1 - chance)
    if sure >= _SURE:
        verdict = "it is better"
    elif sure >= _LIKELY:
        verdict = "it is probably better, but they overlap"
    else:
        verdict = "the two overlap and cannot be told apart"
    number = min(round(100 * sure), 99)
    return f"More survive from {better} than from {worse} with a chance of {number} in 100: {verdict}."
