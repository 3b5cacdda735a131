"""What the nursery's own records say of each stage of a season: how many survived it, and how long it took."""

from __future__ import annotations

import math
import warnings
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import cast

import numpy as np
import pandas as pd

from forecast.errors import Refused
from forecast.fitting.stage_times import LearnedTime, learn_time
from forecast.fitting.survival import Record
from forecast.records.records import Records
from forecast.records.thermal_time import UsualWarmth
from forecast.season.rows import STAGES, Stage
from forecast.season.season import Season

ARRIVAL = STAGES[0]
STATED_DOUBT = 0.25  # standard deviation of the log of a stated typical time: a guess, common practice, no source
_ENOUGH_BATCHES = 5  # that tell how batches differ: a standard deviation from five is still wrong by a third
_NARROWEST = 0.01  # of the stated time: an interval in which no warmth came counts as this wide


def survived(season: Season, records: Records) -> dict[str, list[Record]]:
    """Return how many plants survived each stage, a record for each batch that is finished in it.

    Parameters
    ----------
    season
        The season that names stages and their order.
    records
        Records that suit it (see `Records.against`).

    Returns
    -------
    dict[str, list[Record]]
        By name of the stage, each with the name of its batch.

    Notes
    -----
    A batch is finished in a stage when none remains there, and none in a stage before it that could still come. What
    left alive has survived. A stage after one that was passed by uncounted is left out, with all that follow: its
    losses cannot be told from those of the other. Of arrival alone no count is needed: received less dead on arrival,
    at most as many as ordered, of those ordered.
    """
    found: dict[str, list[Record]] = defaultdict(list)
    routes = {row.variety: [one.stage for one in season.route(row.variety)] for row in season.varieties}
    for batch, passed in records.routes:
        route, counted = routes[batch.variety], [one.stage for one in passed]
        if route[0] == ARRIVAL and ARRIVAL not in counted and batch.ordered:
            alive = min(batch.received - batch.dead_on_arrival, batch.ordered)
            found[ARRIVAL].append(Record(batch.variety, alive, batch.ordered, batch.batch))
        for one in passed[: _followed(route, counted)]:
            of, alive = one.entered, one.left
            if alive + one.losses < of:
                break
            if one.stage == ARRIVAL:
                of, alive = batch.ordered, min(alive, batch.ordered)
            if of:
                found[one.stage].append(Record(batch.variety, alive, of, batch.batch))
    return dict(found)


def _followed(route: Sequence[str], counted: Sequence[str]) -> int:
    """Count the stages at the beginning of which none was passed by; arrival may be."""
    expected = route[1:] if route[0] == ARRIVAL and ARRIVAL not in counted else route
    pairs = zip(expected, counted, strict=False)
    return next((at for at, (one, other) in enumerate(pairs) if one != other), min(len(expected), len(counted)))


def timed(season: Season, records: Records) -> dict[tuple[str, str], pd.DataFrame]:
    """Return between which looks plants left a stage, by the clock of the stage, for `learn_time`.

    Parameters
    ----------
    season, records
        As for `survived`.

    Returns
    -------
    dict[tuple[str, str], DataFrame]
        By group or variety whose route it is, and name of the stage: variety, number, after, until [weeks or °C
        days] and batch.

    Notes
    -----
    Of a stage on degree-days the weeks since entry become the degree-days of those days in its place: of the weather
    measured on them, else of usual weather, a week's evenly over its days. What the weather of other days really was
    adds to how batches differ, and what was the same for all of them is not seen at all. An interval in which no
    warmth came at all counts as 1 % of the stated time wide.
    """
    table = records.times()
    if table.empty:
        return {}
    owners = {row.variety: season.route(row.variety)[0].applies_to for row in season.varieties}
    routes = {name: [row.stage for row in season.route(name)] for name in owners}
    kept: set[tuple[str, str]] = set()
    for batch, passed in records.routes:
        counted = [one.stage for one in passed]
        kept.update((batch.batch, name) for name in counted[: _followed(routes[batch.variety], counted)])
    table = table[[pair in kept for pair in zip(table["batch"], table["stage"], strict=True)]]
    warmth = UsualWarmth(season, records.measured)
    found: dict[tuple[str, str], pd.DataFrame] = {}
    for key, of_stage in table.groupby([table["variety"].map(owners), "stage"], sort=True):
        owner, name = cast("tuple[str, str]", key)
        stage = next(row for row in season.route(of_stage["variety"].iloc[0]) if row.stage == name)
        if not stage.typical:
            continue
        after, until = of_stage["after"].to_numpy(), of_stage["until"].to_numpy()
        if stage.runs_on == "degree-days":
            entered = np.array([day.toordinal() for day in of_stage["entered"]], dtype=np.float64)
            after, until = warmth.shown(stage, entered, after), warmth.shown(stage, entered, until)
            until = np.maximum(until, after + _NARROWEST * stage.typical)
        found[owner, name] = of_stage[["variety", "number", "batch"]].assign(after=after, until=until)
    return found


@dataclass(frozen=True)
class StageTime:
    """How long a stage takes, as stated and as records tell it, weighed against each other.

    Parameters
    ----------
    typical
        Time half of the plants need [weeks or °C days].
    batches_cv, plants_cv
        How batches, and the plants of a batch, differ, as shares of the typical time.
    weight
        Of the records against what is stated [0 to 1]; 0 if the stated time is kept.
    doubt
        Standard deviation of the log of the typical time.
    batches, plants
        That the records are of [number].
    why
        Why the stated time is kept; empty if it is not.
    """

    typical: float
    batches_cv: float
    plants_cv: float
    weight: float
    doubt: float
    batches: int
    plants: int
    why: str = ""


def weighed(stage: Stage, rows: pd.DataFrame | None) -> StageTime:
    """Weigh the time that records tell against the stated one.

    Parameters
    ----------
    stage
        What is stated; it takes time.
    rows
        What `timed` gives of it; None if there is nothing.

    Notes
    -----
    With m the log of the stated median, 0.25 its standard deviation, l the log of the learned one and s its standard
    error, the log of the median is (m / 0.25^2 + l / s^2) / (1 / 0.25^2 + 1 / s^2), and the weight of the records the
    share of the second in that sum. The 0.25 (a stated 4 weeks lie between 2.7 and 6 nine times in ten) is a guess,
    common practice, no source. Five batches or more that differ by more than chance tell how batches differ: its
    variance then has the doubt about the median added. Else that is kept as stated, and s^2 has the stated variance
    between batches, over their number, added.
    """
    batches = 0 if rows is None else rows["batch"].nunique()
    plants = 0 if rows is None else int(rows["number"].sum())
    learned, why = (None, "no plants of it were counted out of this stage") if rows is None else _learned(rows)
    kept = (stage.typical, stage.batches_cv, stage.plants_cv)
    if learned is None:
        return StageTime(*kept, 0.0, STATED_DOUBT, batches, plants, why)
    only_plants = stage.time_level is not None and stage.time_level.plant
    told = learned.batches > 0 and batches >= _ENOUGH_BATCHES and math.isfinite(learned.errors["batches"])
    variance = learned.covariance[0][0]
    if not told:
        variance += stage.duration.log_sds[0] ** 2 / batches
    weight = STATED_DOUBT**2 / (STATED_DOUBT**2 + variance)
    typical = math.exp((1 - weight) * math.log(stage.typical) + weight * math.log(learned.median))
    doubt = math.sqrt(weight * variance)
    spread = math.sqrt(math.expm1(learned.batches**2 + doubt**2)) if told and not only_plants else kept[1]
    return StageTime(typical, spread, learned.duration("batch").plants_cv, weight, doubt, batches, plants)


def _learned(rows: pd.DataFrame) -> tuple[LearnedTime | None, str]:
    """Learn a time, or say why the counts do not tell it; warnings of `learn_time` become such reasons."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            learned = learn_time(rows[["number", "after", "until", "batch"]].itertuples(index=False, name=None))
        except Refused as refusal:
            return None, refusal.faults[0].problem
    alike = learned.groups > 1 and learned.batches == 0  # said last, and no doubt about the median
    doubts = [str(one.message) for one in caught][: len(caught) - alike]
    if doubts:
        why = doubts[0].split(":")[0].split(". ")[0].rstrip(".")
        return None, why[0].lower() + why[1:]
    return learned, ""
