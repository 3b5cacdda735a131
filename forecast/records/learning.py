"""Survivals and times of a season learned from the nursery's own records."""

from __future__ import annotations

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
from forecast.records.learned_season import LearnedSeason, Learning, Line
from forecast.records.records import Records
from forecast.records.stage_counts import StageTime, survived, timed, weighed
from forecast.season.rows import SURVIVALS, Stage
from forecast.season.season import Season
from forecast.words.numbers import percent

_LIMITS = 0.001, 0.999  # of a middle survival


def learn(season: Season, records: Records, *, executor: Executor | None = None) -> LearnedSeason:
    """Learn survivals and times of a season from the nursery's own records.

    Parameters
    ----------
    season
        What is stated.
    records
        Batches and counts (see `Records`).
    executor
        Who learns the stages, at once: an executor of ``concurrent.futures``, or of a library that has the same; the
        result is the same to the last bit. Without, it is done here.

    Returns
    -------
    LearnedSeason
        A season in which every variety of which something was learned has stages of its own; its ``table()`` tells
        what, and what it rests on.

    Raises
    ------
    Refused
        If the records do not suit the season (see `Records.against`), or the season was learned already: the same
        records would count twice.

    Notes
    -----
    Survival: for each stage one `Pooled` model of all varieties and their groups, from batches that are finished in the
    stage (see `survived`). The middle of its prior is the mean of what is stated for the stage, of those that enter
    it; it is as weak as `Priors` has it, so that a stage stated at 0.95 lies in this nursery between 0.50 and 0.997,
    nineteen times in twenty, and a few batches outweigh it. The share of the next batch goes into the rows, doubt
    about its mean included, at the level that is stated. A group without any finished batch keeps what is stated.

    Times: by group (or variety with a route of its own) and stage, learned from the looks between which plants left
    (see `timed`), and weighed against the stated time (see `weighed`).

    Batches that are still in a stage teach its time but not yet its survival. Order of records never matters. What is
    learned is held to six figures.

    Examples
    --------
    >>> from forecast import read_season
    >>> from forecast.records.records import read_records
    >>> learned = learn(read_season("demo_data"), read_records("demo_data"))
    >>> print(learned.sentence("Calla 'Daviorne'", "arrival"))
    Calla 'Daviorne', arrival: 95 % of the next batch survive, give or take 5, from 4 batches of its group
    and none of its own; 96 % were stated.
    """
    if isinstance(season, LearnedSeason):
        remedy = "Learn from the season as it was stated: it is .stated of this one."
        raise refuse("season", season.name, "learned already, so that records would count twice", remedy)
    records.against(season)
    alive, times = survived(season, records), timed(season, records)
    shares = {row.variety: season.survivals(row.variety) for row in season.varieties}
    pooled = pooled_by_stage(season, alive)
    routes = {
        (stage.applies_to, stage.stage): stage for name in shares for stage in season.route(name) if stage.typical
    }
    tasks: list[tuple[Any, ...]] = [(_integrated, one) for one in pooled.values()]
    tasks += [(_weighed, stage, times.get(key)) for key, stage in routes.items()]
    done = dict(handed_out(_called, tasks, executor))
    pooled = {name: done[at] for at, name in enumerate(pooled)}
    weights: dict[tuple[str, str], StageTime] = {key: done[at] for at, key in enumerate(routes, start=len(pooled))}
    batches = Counter((name, season.variety(one.variety).group) for name, found in alive.items() for one in found)
    counted = {key: set(rows["variety"]) for key, rows in times.items()}
    lines: list[Line] = []
    rows: list[Stage] = []
    for variety, route in shares.items():
        mine: list[Stage] = []
        rests = set()
        for stage, share in zip(season.route(variety), route, strict=True):
            key = (stage.applies_to, stage.stage)
            of_group = batches[stage.stage, season.variety(variety).group]
            told = [_survival(variety, stage.stage, share, pooled.get(stage.stage), of_group)]
            if stage.typical:
                told.append(_time(variety, stage, weights[key], own=variety in counted.get(key, ())))
            mine.append(_taught(variety, stage, told, weights.get(key)))
            lines += told
            rests |= {line.rests_on for line in told}
        rows += mine if rests != {"guess"} else []
    own_routes = {row.applies_to for row in rows}
    rows = [*(row for row in season.stages if row.applies_to not in own_routes), *rows]
    made = LearnedSeason(**{**season.given(), "stages": tuple(rows)})
    made._learning = Learning(season, records, alive, pooled, tuple(lines))
    return made


def pooled_by_stage(season: Season, alive: Mapping[str, Sequence[Record]]) -> dict[str, Pooled]:
    """Learn the survivals of each stage that batches have finished.

    Parameters
    ----------
    season
        The season; the mean of what it states for a stage is the middle from which its varieties start.
    alive
        What came of batches, by stage.
    """
    stated: dict[str, dict[str, float]] = defaultdict(dict)
    for variety in (row.variety for row in season.varieties):
        for stage, share in zip(season.route(variety), season.survivals(variety), strict=True):
            stated[stage.stage][variety] = share.mean
    pooled = {}
    for name, found in sorted(alive.items()):
        groups = {variety: season.variety(variety).group for variety in stated[name]}
        middle = float(np.clip(np.mean(list(stated[name].values())), *_LIMITS))
        pooled[name] = Pooled(found, groups, Priors(survival=middle))
    return pooled


def _called(work: Callable[..., Any], *arguments: Any) -> Any:
    return work(*arguments)


def _integrated(pooled: Pooled) -> Pooled:
    pooled.nursery()  # needs the integrals, which are kept
    return pooled


def _weighed(stage: Stage, rows: pd.DataFrame | None) -> StageTime:
    return _rounded(weighed(stage, rows))


def _survival(variety: str, stage: str, stated: Share, pooled: Pooled | None, of_group: int) -> Line:
    """Tell what was learned of a survival; `of_group` is the number of records of its group."""
    said = f"{variety}, {stage}: "
    before = f"{percent(stated.mean)} % were stated"
    if pooled is None or not of_group:
        said += f"{percent(stated.mean)} % survive, as stated: no batch of its group is finished."
        return Line(
            *(variety, stage, "survival", stated.mean, 0, 0, stated.mean, stated.sd, 0.0, "guess"), sentence=said
        )
    found = pooled.variety(variety)
    mean, spread, weight = (_held(number) for number in (found.mean, found.sd, found.weight))
    said += f"{percent(found.mean)} % of the next batch survive, give or take {percent(found.sd)}"
    if found.batches:
        said += f", from {_batches(found.batches)} of its own; {before}."
    else:
        said += f", from {_batches(of_group)} of its group and none of its own; {before}."
    return Line(
        *(variety, stage, "survival", stated.mean, found.batches, found.plants, mean, spread, weight),
        "records" if found.batches else "group",
        said,
    )


def _time(variety: str, stage: Stage, found: StageTime, *, own: bool) -> Line:
    """Tell what was learned of a time."""
    unit = "weeks" if stage.runs_on == "weeks" else f"degree-days above {stage.base_temperature:g} °C"
    said = f"{variety}, {stage.stage}: half of the plants need "
    if found.why:
        said += f"{stage.typical:.3g} {unit}, as stated: {found.why}."
    else:
        low, high = (found.typical * np.exp(z * found.doubt) for z in (-Z90, Z90))
        whose = "its route" if own else "its group and none of its own"
        said += f"{_figures(found.typical)} {unit} ({_figures(low)} to {_figures(high)}, nine times in ten), "
        said += f"from {_batches(found.batches)} of {whose}; {stage.typical:.3g} were stated."
    return Line(
        *(variety, stage.stage, "time", stage.typical, found.batches, found.plants, found.typical),
        *(found.batches_cv, found.weight, "guess" if found.why else "records" if own else "group", said),
    )


def _held(number: float) -> float:
    """Round to six figures, beyond which machines may differ in the last of their sums."""
    return float(f"{number:.6g}")


def _rounded(time: StageTime) -> StageTime:
    if time.why:
        return time
    names = ("typical", "batches_cv", "plants_cv", "weight", "doubt")
    held: dict[str, Any] = {name: _held(getattr(time, name)) for name in names}
    return replace(time, **held)


def _batches(number: int) -> str:
    return f"{number:,} batch{'' if number == 1 else 'es'}"


def _figures(number: float) -> str:
    """Write a time to two figures, or three where it is above 100."""
    return f"{number:.2g}" if number < 100 else f"{number:.0f}"


def _taught(variety: str, stage: Stage, told: Sequence[Line], time: StageTime | None) -> Stage:
    """Make the row of a stage of a variety that holds what was learned."""
    changes: dict[str, object] = {"applies_to": variety, "share_of": "entering"}
    survival = told[0]
    if survival.rests_on != "guess" or stage.share_of == "original":
        changes |= dict.fromkeys(cell for form in SURVIVALS for cell in form)
        changes |= {"survival": survival.learned, "survival_sd": survival.sd}
    if time is not None and not time.why:
        changes |= {"typical": time.typical, "batches_cv": time.batches_cv}
        changes |= {"plants_cv": time.plants_cv}
    learned = [line.what for line in told if line.rests_on != "guess"]
    if learned:
        before = f"; before: {stage.source}" if stage.source else ""
        changes["source"] = f"{' and '.join(learned)}: own records{before}"
    return stage.replace(**changes)
