"""Forecasts of past batches, made again with what was known then."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Hashable, Iterator, Sequence
from dataclasses import replace
from datetime import date

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaln, log_ndtr

from forecast.fitting.survival import Pooled, Record
from forecast.rates.distributions import Share
from forecast.records.batches import BatchRecord, CountRecord, StageHistory, stage_histories
from forecast.records.learning import pooled_by_stage
from forecast.records.records import Records
from forecast.records.stage_counts import PRIOR_LOG_SD, passed_at_once, survival_records
from forecast.records.thermal_time import ThermalTime
from forecast.season.season import Season
from forecast.season.stages import Stage
from forecast.streams import Array
from forecast.weeks import Week

Whole = NDArray[np.int64]

LAST_YEAR, OVERALL = BENCHMARKS = ("last year's rate", "overall rate")
_LEAST_PART, _EDGE = 1e-3, 1e-12
_LEAST_LOG_SD = 0.05  # between plants


class Hindcast:
    """Forecasts of past batches, each from what was known on its day; the season is that before any record."""

    def __init__(self, season: Season, records: Records) -> None:
        self.season, self.records = season, records
        self.counts: dict[str, list[CountRecord]] = defaultdict(list)
        for row in records.counts:
            self.counts[row.batch].append(row)
        ends = ((row, _end(row, self.counts[row.batch])) for row in records.batches)
        self.finished = {row.batch: end for row, end in ends if end}
        self._known: dict[date, dict[str, tuple[Record, ...]]] = {}
        self._pooled: dict[Hashable, Pooled] = {}
        self._shares: dict[Hashable, Share] = {}
        self._thermal = ThermalTime(season, records.measured)

    def rates(self, batch: BatchRecord, day: date) -> Iterator[tuple[str, float]]:
        """Return the rates of the benchmark forecasts."""
        done = [
            row for row in self.records.batches if row.batch in self.finished and self.finished[row.batch][0] <= day
        ]
        last = [row for row in done if row.delivered.year == batch.delivered.year - 1]
        mine = [row for row in last if row.variety == batch.variety]
        for name, kinds in ((LAST_YEAR, (mine, last)), (OVERALL, (done,))):
            for rows in kinds:
                received = sum(row.received for row in rows)
                if received:
                    yield name, sum(self.finished[row.batch][1] for row in rows) / received
                    break

    def numbers(self, batch: BatchRecord, day: date, rng: np.random.Generator, draws: int) -> Whole:
        """Draw how many plants of a batch become saleable in the end, from what was known on a day."""
        route = self.season.route(batch.variety)
        names = [stage.stage for stage in route]
        counted: dict[int, list[StageHistory]] = defaultdict(list)
        place, saleable = int(passed_at_once(route) is not None), 0
        for one in stage_histories(batch, [row for row in self.counts[batch.batch] if row.date <= day]):
            place = names.index(one.stage) if one.stage else place
            counted[place].append(one)
            saleable += sum(row.saleable for row in one.counts)
            place = min(place + 1, len(names) - 1)
        moving = np.zeros(draws, dtype=np.int64)
        for at, stage in enumerate(route):
            waiting = [
                (number, self._part(stage, on, weeks)) for one in counted[at] for on, weeks, number in one.cohorts()
            ]
            if not waiting and not moving.any():
                continue
            left = sum(one.left for one in counted[at])
            dead = sum(
                row.losses for one in counted[at] for row in one.counts if one.entries and row.date > one.entries[0][0]
            )
            share = self.share(batch.variety, at, Week.of(day).monday)
            survive, pace = _posterior(share, left, dead, waiting, stage, rng, draws)
            moving = rng.binomial(moving, survive)
            for number, part in waiting:
                moving += rng.binomial(number, survive ** (1 - np.minimum(part * pace, 1)))
        return np.asarray(saleable + moving)

    def share(self, variety: str, at: int, day: date) -> Share:
        """Return the share of the next batch of a variety that survives a stage, as learned on that day."""
        if (variety, at, day) not in self._shares:
            self._shares[variety, at, day] = self._learned(variety, at, day)
        return self._shares[variety, at, day]

    def _learned(self, variety: str, at: int, day: date) -> Share:
        stage = self.season.route(variety)[at].stage
        if day not in self._known:
            found = survival_records(self.season, self.records.until(day))
            self._known[day] = {name: tuple(replace(row, lab="") for row in rows) for name, rows in found.items()}
        rows = self._known[day].get(stage, ())
        key = stage, rows
        if key not in self._pooled:
            self._pooled[key] = pooled_by_stage(self.season, {stage: rows})[stage]
        pooled = self._pooled[key]
        if not any(pooled.groups[row.variety] == pooled.groups[variety] for row in pooled.records):
            return self.season.survivals(variety)[at]
        return pooled.share(variety, "batch")

    def _part(self, stage: Stage, entered: date, weeks: float) -> float:
        """Return the time since plants entered a stage over its typical time."""
        if not stage.typical:
            return 0.0
        return float(self._thermal.since(stage, entered.toordinal(), weeks)) / stage.typical


def _end(batch: BatchRecord, counts: Sequence[CountRecord]) -> tuple[date, int] | None:
    """Return the day on which no plant of a batch remained, and how many became saleable; None if some remain."""
    open_, saleable = batch.received - batch.dead_on_arrival, 0
    day = batch.delivered
    for row in sorted(counts, key=lambda row: row.date):
        if open_ == 0:
            break
        open_ -= row.saleable + row.losses
        saleable, day = saleable + row.saleable, row.date
    return None if open_ else (day, saleable)


def _posterior(
    share: Share, left: int, dead: int, waiting: Sequence[tuple[int, float]], stage: Stage, rng: np.random.Generator,
    draws: int,
) -> tuple[Array, Array]:  # fmt: skip
    """Draw the share of a batch that survives a stage, and its pace there, given its counts so far."""
    batches, plants = stage.duration.log_sds
    log_pace = math.hypot(PRIOR_LOG_SD, batches) * rng.standard_normal(draws) if stage.typical else np.zeros(draws)
    pace = np.exp(log_pace)
    if not share.sd:
        return np.full(draws, share.mean), pace
    remaining = sum(number for number, _ in waiting)
    alive, of = left + sum(number * np.minimum(part * pace, 1) for number, part in waiting), left + remaining
    middle = sum(number * part for number, part in waiting) / max(remaining, 1)
    part = np.maximum(alive / of if of else np.ones(draws), _LEAST_PART)
    a, b = share.parameters
    found = np.clip(rng.beta(a + alive, b + dead, draws), _EDGE, 1 - _EDGE)
    died = np.log(-np.expm1(part * np.log(found))) - np.log1p(-found)
    log_weight = betaln(a + alive, b + dead) + dead * died
    if middle > 0:
        log_weight += log_ndtr(-(math.log(middle) + log_pace) / max(plants, _LEAST_LOG_SD))
    weight = np.exp(log_weight - log_weight.max())
    at = rng.choice(draws, draws, p=weight / weight.sum())
    return found[at], pace[at]
