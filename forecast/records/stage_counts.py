"""Records by stage of a season: how many plants survived it, and how long it took."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import cast

import numpy as np
import pandas as pd

from forecast.errors import Refused
from forecast.fitting.stage_times import LearnedTime, fit_time
from forecast.fitting.survival import Record
from forecast.records.records import Records
from forecast.records.thermal_time import ThermalTime
from forecast.season.season import Season
from forecast.season.stages import Stage
from forecast.words.records import NOT_COUNTED

PRIOR_LOG_SD = 0.25  # standard deviation of the log of an estimated typical time: common practice, no source
_ENOUGH_BATCHES = 5  # to learn how batches differ: a standard deviation from five is still wrong by a third
_NARROWEST = 0.01  # of the estimated time: an interval in which no warmth came counts as this wide


def survival_records(season: Season, records: Records) -> dict[str, list[Record]]:
    """Return how many plants survived each stage, by its name: a record for each batch that is finished in it.

    Notes
    -----
    A batch is finished in a stage when no plant remains there, and none in a stage before it that could still come.
    Plants that left alive have survived. A stage after one that was not counted is left out, with all that follow: its
    losses cannot be separated from those of the other. A first stage that takes no time, such as arrival, needs no
    count: received less dead on arrival, at most as many as ordered, of those ordered.
    """
    found: dict[str, list[Record]] = defaultdict(list)
    routes = {row.variety: season.route(row.variety) for row in season.varieties}
    for batch, histories in records.histories:
        route, counted = routes[batch.variety], [one.stage for one in histories]
        arrival = passed_at_once(route)
        if arrival is not None and arrival not in counted and batch.ordered:
            alive = min(batch.received - batch.dead_on_arrival, batch.ordered)
            found[arrival].append(Record(batch.variety, alive, batch.ordered, batch.batch))
        for one in histories[: _in_sequence(route, counted)]:
            of, alive = one.entered, one.left
            if alive + one.losses < of:
                break
            if one.stage == arrival:
                of, alive = batch.ordered, min(alive, batch.ordered)
            if of:
                found[one.stage].append(Record(batch.variety, alive, of, batch.batch))
    return dict(found)


def passed_at_once(route: Sequence[Stage]) -> str | None:
    """Return the name of the first stage of a route if it takes no time and others follow: it need not be counted."""
    return route[0].stage if len(route) > 1 and not route[0].typical else None


def _in_sequence(route: Sequence[Stage], counted: Sequence[str]) -> int:
    """Return how many stages were counted from the first on before one was not; one passed at once need not be."""
    names, arrival = [stage.stage for stage in route], passed_at_once(route)
    expected = names[1:] if arrival is not None and arrival not in counted else names
    pairs = zip(expected, counted, strict=False)
    return next((at for at, (one, other) in enumerate(pairs) if one != other), min(len(expected), len(counted)))


def time_records(season: Season, records: Records) -> dict[tuple[str, str], pd.DataFrame]:
    """Return between which counts plants left a stage, in weeks or degree-days as the stage runs, for `learn_time`.

    By group or variety whose route it is, and name of the stage: variety, number, after, until [weeks or °C days] and
    batch.

    Notes
    -----
    Where a stage runs on degree-days, weeks since entry become the degree-days of those days in its growing area: of
    measured weather, else of climate normals, a week's evenly over its days. What the weather of unmeasured days really
    was adds to how batches differ, and what was the same for all of them is not seen. An interval without any warmth
    counts as 1 % of the estimated time wide.
    """
    table = records.times()
    if table.empty:
        return {}
    owners = {row.variety: season.route(row.variety)[0].applies_to for row in season.varieties}
    routes = {name: season.route(name) for name in owners}
    kept: set[tuple[str, str]] = set()
    for batch, histories in records.histories:
        counted = [one.stage for one in histories]
        kept.update((batch.batch, name) for name in counted[: _in_sequence(routes[batch.variety], counted)])
    table = table[[pair in kept for pair in zip(table["batch"], table["stage"], strict=True)]]
    warmth = ThermalTime(season, records.measured)
    found: dict[tuple[str, str], pd.DataFrame] = {}
    for key, of_stage in table.groupby([table["variety"].map(owners), "stage"], sort=True):
        owner, name = cast("tuple[str, str]", key)
        stage = next(row for row in season.route(of_stage["variety"].iloc[0]) if row.stage == name)
        if not stage.typical:
            continue
        after, until = of_stage["after"].to_numpy(), of_stage["until"].to_numpy()
        if stage.runs_on == "degree-days":
            entered = np.array([day.toordinal() for day in of_stage["entered"]], dtype=np.float64)
            after, until = warmth.since(stage, entered, after), warmth.since(stage, entered, until)
            until = np.maximum(until, after + _NARROWEST * stage.typical)
        found[owner, name] = of_stage[["variety", "number", "batch"]].assign(after=after, until=until)
    return found


@dataclass(frozen=True)
class StageTime:
    """How long a stage takes: the estimate in the season and the time learned from records, weighted by precision."""

    typical: float  # time half of the plants need [weeks or °C days]
    batches_cv: float  # how batches, and the plants of a batch, differ, as shares of the typical time
    plants_cv: float
    weight: float  # of the records against the estimate [0 to 1]; 0 if the estimate is kept
    log_sd: float  # standard deviation of the log of the typical time
    batches: int  # in the records
    plants: int
    kept_because: str = ""  # why the estimate is kept; empty if it is not


def posterior_time(stage: Stage, rows: pd.DataFrame | None) -> StageTime:
    """Return the estimated time of a stage, weighted against the time that its `time_records` teach, if there are any.

    Notes
    -----
    With m the log of the estimated median, 0.25 its standard deviation, l the log of the learned one and s its standard
    error, the log of the median is (m / 0.25^2 + l / s^2) / (1 / 0.25^2 + 1 / s^2), and the weight of the records is
    the share of the second in that sum. The 0.25 (an estimate of 4 weeks lies between 2.7 and 6 with 90 % probability)
    is common practice, no source. Five batches or more that differ by more than chance show how batches differ: their
    variance then has that of the log of the median added. Else the estimated variation is kept, and s^2 has its
    variance, over the number of batches, added.
    """
    batches = 0 if rows is None else rows["batch"].nunique()
    plants = 0 if rows is None else int(rows["number"].sum())
    learned, why = (None, NOT_COUNTED) if rows is None else _learned(rows)
    if learned is None:
        own = (stage.typical, stage.batches_cv, stage.plants_cv)
        return StageTime(*own, 0.0, PRIOR_LOG_SD, batches, plants, why)
    between = learned.batch_log_sd > 0 and batches >= _ENOUGH_BATCHES
    between = between and math.isfinite(learned.standard_errors["batch_log_sd"])
    variance = learned.covariance[0][0]
    if not between:
        variance += stage.duration.log_sds[0] ** 2 / batches
    weight = PRIOR_LOG_SD**2 / (PRIOR_LOG_SD**2 + variance)
    typical = math.exp((1 - weight) * math.log(stage.typical) + weight * math.log(learned.median))
    log_sd = math.sqrt(weight * variance)
    batches_cv = stage.batches_cv
    if between and not (stage.time_level is not None and stage.time_level.plant):
        batches_cv = math.sqrt(math.expm1(learned.batch_log_sd**2 + log_sd**2))
    return StageTime(typical, batches_cv, learned.duration("batch").plants_cv, weight, log_sd, batches, plants)


def _learned(rows: pd.DataFrame) -> tuple[LearnedTime | None, str]:
    """Return the time that counts teach, or why they leave it open."""
    try:
        learned, doubts = fit_time(rows[["number", "after", "until", "batch"]].itertuples(index=False, name=None))
    except Refused as refusal:
        return None, refusal.faults[0].problem
    return (None, doubts[0][0]) if doubts else (learned, "")
