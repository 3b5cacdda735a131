"""Learning survivals and times of a season from the nursery's own records."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from forecast.errors import refuse
from forecast.executors import handed_out
from forecast.fitting.survival import Pooled, Priors, Record
from forecast.rates.distributions import Z90, Share
from forecast.records.learned_season import BasedOn, LearnedRate, LearnedSeason, Learning
from forecast.records.records import Records
from forecast.records.stage_counts import StageTime, posterior_time, survival_records, time_records
from forecast.season.season import Season
from forecast.season.stages import SURVIVALS, Stage
from forecast.words import records as words

_LIMITS = 0.001, 0.999  # of a median survival


def learn(season: Season, records: Records, *, executor: Executor | None = None) -> LearnedSeason:
    """Learn survivals and times of a season from the nursery's own records.

    Parameters
    ----------
    season
        The season with your estimates.
    records
        Batches and counts (see `Records`).
    executor
        Learns stages in parallel: an executor of ``concurrent.futures``, or of a library that has the same; the result
        is the same to the last bit. Without one, stages are learned here.

    Returns
    -------
    LearnedSeason
        A season in which every variety of which something was learned has stages of its own; its ``table()`` lists
        what was learned, and from what.

    Raises
    ------
    Refused
        If the records do not suit the season (see `Records.against`), or the season was learned before: the same
        records would count twice.

    Notes
    -----
    Survival: for each stage one `Pooled` model of all varieties and their groups, from batches that are finished in the
    stage (see `survival_records`). The median of its prior is the mean of the estimates for the stage, of those that
    enter it; it is as weak as in `Priors`, so that a stage estimated at 0.95 lies in this nursery between 0.50 and
    0.997 with 95 % probability, and a few batches outweigh it. The rows hold the share of the next batch, uncertainty
    of its mean included, varying by the level in the season. A group without any finished batch keeps its estimates.

    Times: by group (or variety with a route of its own) and stage, learned from the counts between which plants left
    (see `time_records`), and weighted against the estimate (see `posterior_time`).

    Batches of one variety are taken as alike but for chance and their own luck: a change of substrate, or of the person
    who counts, is not seen. Survivals hold what heat and cold took in the years of the records; where a stage states
    losses by heat and cold too, these count twice: leave `heat_loss` and `cold_loss` empty there.

    Batches that are still in a stage teach its time but not yet its survival. The order of records never matters.
    Learned numbers are rounded to six figures.

    Examples
    --------
    >>> from forecast import read_season
    >>> from forecast.records.records import read_records
    >>> learned = learn(read_season("demo_data"), read_records("demo_data"))
    >>> print(learned.sentence("Calla 'Daviorne'", "arrival"))
    Calla 'Daviorne', arrival – expected survival of the next batch: 95 % ± 5 points (1 SD). Based on 4 batches
    of its group, none of its own; your estimate was 96 %.
    """
    if isinstance(season, LearnedSeason):
        remedy = "Use the season with your estimates: the .prior of this one."
        raise refuse("season", season.name, "learned before, so records would count twice", remedy)
    records.against(season)
    finished, times = survival_records(season, records), time_records(season, records)
    shares = {row.variety: season.survivals(row.variety) for row in season.varieties}
    pooled = pooled_by_stage(season, finished)
    routes = {
        (stage.applies_to, stage.stage): stage for name in shares for stage in season.route(name) if stage.typical
    }
    tasks: list[tuple[Any, ...]] = [(_integrated, one) for one in pooled.values()]
    tasks += [(_weighted, stage, times.get(key)) for key, stage in routes.items()]
    done = dict(handed_out(_called, tasks, executor))
    pooled = {name: done[at] for at, name in enumerate(pooled)}
    weights: dict[tuple[str, str], StageTime] = {key: done[at] for at, key in enumerate(routes, start=len(pooled))}
    batches = Counter((name, season.variety(one.variety).group) for name, found in finished.items() for one in found)
    counted = {key: set(rows["variety"]) for key, rows in times.items()}
    rates: list[LearnedRate] = []
    rows: list[Stage] = []
    for variety, route in shares.items():
        mine: list[Stage] = []
        based_on = set()
        for stage, share in zip(season.route(variety), route, strict=True):
            key = (stage.applies_to, stage.stage)
            of_group = batches[stage.stage, season.variety(variety).group]
            learned = [_survival(variety, stage.stage, share, pooled.get(stage.stage), of_group)]
            if stage.typical:
                learned.append(_time(variety, stage, weights[key], own=variety in counted.get(key, ())))
            mine.append(_with_learned(variety, stage, learned, weights.get(key)))
            rates += learned
            based_on |= {rate.based_on for rate in learned}
        rows += mine if based_on != {"estimate"} else []
    own_routes = {row.applies_to for row in rows}
    rows = [*(row for row in season.stages if row.applies_to not in own_routes), *rows]
    made = LearnedSeason(**{**season.given(), "stages": tuple(rows)})
    made._learning = Learning(season, records, finished, pooled, tuple(rates))
    return made


def pooled_by_stage(season: Season, finished: Mapping[str, Sequence[Record]]) -> dict[str, Pooled]:
    """Return the model of each stage that batches have finished; `finished` holds their survivals by stage.

    The median of its prior is the mean of the estimates of the season for the stage.
    """
    estimates: dict[str, dict[str, float]] = defaultdict(dict)
    for variety in (row.variety for row in season.varieties):
        for stage, share in zip(season.route(variety), season.survivals(variety), strict=True):
            estimates[stage.stage][variety] = share.mean
    pooled = {}
    for name, found in sorted(finished.items()):
        groups = {variety: season.variety(variety).group for variety in estimates[name]}
        median = float(np.clip(np.mean(list(estimates[name].values())), *_LIMITS))
        pooled[name] = Pooled(found, groups, Priors(survival=median))
    return pooled


def _called(work: Callable[..., Any], *arguments: Any) -> Any:
    return work(*arguments)


def _integrated(pooled: Pooled) -> Pooled:
    pooled.nursery()  # needs the integrals, which are kept
    return pooled


def _weighted(stage: Stage, rows: pd.DataFrame | None) -> StageTime:
    time = posterior_time(stage, rows)
    names = () if time.kept_because else ("typical", "batches_cv", "plants_cv", "weight", "log_sd")
    rounded: dict[str, Any] = {name: _rounded(getattr(time, name)) for name in names}
    return replace(time, **rounded)


def _survival(variety: str, stage: str, estimate: Share, pooled: Pooled | None, of_group: int) -> LearnedRate:
    """Return what was learned of a survival; `of_group` is the number of records of its group."""
    if pooled is None or not of_group:
        sentence = words.survival_kept(variety=variety, stage=stage, mean=estimate.mean)
        kept = estimate.mean, estimate.sd, 0.0
        return LearnedRate(variety, stage, "survival", estimate.mean, 0, 0, *kept, "estimate", sentence)
    found = pooled.variety(variety)
    sentence = words.survival(
        variety=variety, stage=stage, mean=found.mean, sd=found.sd, own=found.batches, of_group=of_group,
        before=estimate.mean,
    )  # fmt: skip
    mean, sd, weight = (_rounded(number) for number in (found.mean, found.sd, found.weight))
    based_on: BasedOn = "records" if found.batches else "group"
    counts = found.batches, found.plants
    return LearnedRate(variety, stage, "survival", estimate.mean, *counts, mean, sd, weight, based_on, sentence)


def _time(variety: str, stage: Stage, found: StageTime, *, own: bool) -> LearnedRate:
    """Return what was learned of a time."""
    based_on: BasedOn = "estimate" if found.kept_because else "records" if own else "group"
    if found.kept_because:
        sentence = words.time_kept(
            variety=variety, stage=stage.stage, base=stage.base_temperature, typical=stage.typical,
            why=found.kept_because,
        )  # fmt: skip
    else:
        p5, p95 = (found.typical * math.exp(z * found.log_sd) for z in (-Z90, Z90))
        sentence = words.time(
            variety=variety, stage=stage.stage, base=stage.base_temperature, typical=found.typical, p5=p5, p95=p95,
            records=found.batches, own=own, before=stage.typical,
        )  # fmt: skip
    learned = found.batches, found.plants, found.typical, found.batches_cv, found.weight
    return LearnedRate(variety, stage.stage, "time", stage.typical, *learned, based_on, sentence)


def _rounded(number: float) -> float:
    """Return a number with six figures, beyond which machines may differ in the last of their sums."""
    return float(f"{number:.6g}")


def _with_learned(variety: str, stage: Stage, rates: Sequence[LearnedRate], time: StageTime | None) -> Stage:
    """Return the row of a stage of a variety with what was learned."""
    changes: dict[str, object] = {"applies_to": variety, "share_of": "entering"}
    survival = rates[0]
    if survival.based_on != "estimate" or stage.share_of == "original":
        changes |= dict.fromkeys(cell for form in SURVIVALS for cell in form)
        changes |= {"survival": survival.learned, "survival_sd": survival.sd}
    if time is not None and not time.kept_because:
        changes |= {"typical": time.typical, "batches_cv": time.batches_cv, "plants_cv": time.plants_cv}
    learned = [rate.what for rate in rates if rate.based_on != "estimate"]
    if learned:
        before = f"; before: {stage.source}" if stage.source else ""
        changes["source"] = f"{' and '.join(learned)}: own records{before}"
    return stage.replace(**changes)
