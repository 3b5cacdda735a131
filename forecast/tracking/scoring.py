"""How good forecasts of past batches were: made again from what was known then, and compared with their outcomes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import numpy as np
import pandas as pd
import scoringrules
from numpy.typing import NDArray
from scipy.stats import binom

from forecast.errors import Fault, Refused, faults_of, refuse, whole
from forecast.growth.summaries import RANGE
from forecast.records.learned_season import LearnedSeason
from forecast.records.records import Records
from forecast.season.season import Season
from forecast.streams import DRAWS, MOST_DRAWS, Streams
from forecast.tracking.hindcast import BENCHMARKS, LAST_YEAR, OVERALL, Hindcast
from forecast.words import records as words
from forecast.words.results import Result

Whole = NDArray[np.int64]

OURS = "forecast"
FORECASTERS = (OURS, *BENCHMARKS)
LEVELS = (0.5, 0.8, 0.9)  # of the intervals whose coverage is scored
_LONGEST = 520  # weeks after delivery
_FEW = 8  # batches below which coverage and benchmarks are not judged
_COLUMNS = (
    *("batch", "variety", "horizon", "day", "forecaster", "received", "p5", "median", "p95", "crps", "pit"),
    "observed",
)
_SCORES = (
    *("forecasts", "batches", "crps", "crps_share", *(f"coverage_{100 * level:.0f}" for level in LEVELS)),
    *("skill_last_year", "skill_overall"),
)


@dataclass(frozen=True, eq=False, repr=False)
class Scorecard(Result):
    """How good forecasts of past batches were, beside two benchmark forecasts.

    Parameters
    ----------
    forecasts
        A row for each batch, day of forecast and forecaster: batch, variety, horizon [weeks since delivery], day,
        forecaster ("forecast" is ours), received [plants]; p5, median and p95 of the number saleable; crps [plants],
        pit [0 to 1] and observed, the number that became saleable.
    draws, seed
        Number of draws of each forecast, and their seed.

    Notes
    -----
    The continuous ranked probability score is the sum over all numbers x of (chance of at most x, less 1 if at most x
    were observed) squared: the error in plants of a forecast that is a number, and less than that of its median if the
    interval is honest. The PIT (probability integral transform) is the chance that was given to fewer than observed,
    with a random part of the chance of just that number, so that it is uniform if the forecaster is right.

    References
    ----------
    Gneiting, T. and Raftery, A. E. (2007). Strictly proper scoring rules, prediction, and estimation. J. Amer.
    Statist. Assoc. 102, 359-378. doi:10.1198/016214506000001437. Czado, C., Gneiting, T. and Held, L. (2009).
    Predictive model assessment for count data. Biometrics 65, 1254-1261. doi:10.1111/j.1541-0420.2009.01191.x
    """

    forecasts: pd.DataFrame
    draws: int | None = None
    seed: int | None = None

    def table(self, by: str | None = None) -> pd.DataFrame:
        """Return the scores of each forecaster.

        Parameters
        ----------
        by
            variety or horizon; without it, all forecasts together.

        Returns
        -------
        DataFrame
            A row for each of these and forecaster: forecasts and batches [number]; crps, the mean [plants];
            crps_share, the same of the plants received [0 to 1]; coverage_50, coverage_80 and coverage_90, the share of
            outcomes within these intervals; skill_last_year and skill_overall, 1 - crps / crps of the benchmark, on the
            forecasts that both made (missing if none).

        Raises
        ------
        Refused
            If `by` is neither.

        Notes
        -----
        Coverage is read from the PIT, so that outcomes at the very ends of an interval count in part; else intervals of
        whole numbers would always cover a little more than their level.
        """
        if by not in (None, "variety", "horizon"):
            raise refuse("by", str(by), "not a way to group forecasts", "Write variety or horizon, or leave it out.")
        parts = [("", self.forecasts)] if by is None else self.forecasts.groupby(by, sort=True)
        rows: list[dict[str, Any]] = []
        for key, part in parts:
            rows += [{by or "": key} | _scores(part, name) for name in FORECASTERS]
        table = pd.DataFrame(rows, columns=[by or "", "forecaster", *_SCORES])
        table = table[table["forecasts"] > 0].reset_index(drop=True)
        return table if by else table.drop(columns="")

    def crps_gain(self, benchmark: str, horizon: int | None = None) -> tuple[float, float]:
        """Return by how much our CRPS is lower than that of a benchmark [plants], and the standard error of that.

        Parameters
        ----------
        benchmark
            "last year's rate" or "overall rate".
        horizon
            Weeks after delivery; without it, all of them.

        Raises
        ------
        Refused
            If there is no such benchmark.

        Notes
        -----
        Both forecast the same batches, so differences are taken batch by batch and then averaged. The standard error
        is that of independent batches; it is missing with fewer than two.
        """
        if benchmark not in BENCHMARKS:
            remedy = f"Write {LAST_YEAR!r} or {OVERALL!r}."
            raise refuse("benchmark", benchmark, "not a benchmark forecast", remedy)
        both = _paired(self._at(horizon), OURS, benchmark)
        gains = (both[benchmark] - both[OURS]).groupby(level="batch").mean()
        return float(gains.mean()), float(gains.std() / math.sqrt(max(len(gains), 1)))

    def facts(self) -> dict[str, object]:
        """Return how many forecasts of how many batches were scored, draws and seed."""
        ours = self.forecasts[self.forecasts["forecaster"] == OURS]
        facts = {"forecasts": len(ours), "batches": ours["batch"].nunique(), "draws": self.draws, "seed": self.seed}
        return {name: fact for name, fact in facts.items() if fact is not None}

    def __str__(self) -> str:
        scores = _scores(self.forecasts, OURS)
        number = scores["batches"]
        if not number:
            return words.NOTHING_SCORED
        answer = words.scored(
            forecasts=scores["forecasts"], records=number, crps=scores["crps"], share=scores["crps_share"]
        )
        if number < _FEW:
            return f"{answer} {words.too_few(number)}"
        error = 2 * math.sqrt(0.9 * 0.1 / number)
        covered = words.coverage(share=scores["coverage_90"], least=0.9 - error, most=0.9 + error, records=number)
        return "\n".join([answer, covered, *filter(None, map(self._against, BENCHMARKS))])

    def _at(self, horizon: int | None) -> pd.DataFrame:
        return self.forecasts if horizon is None else self.forecasts[self.forecasts["horizon"] == horizon]

    def _against(self, benchmark: str) -> str:
        both = _paired(self.forecasts, OURS, benchmark)
        weeks = both.index.get_level_values("horizon")
        if both.index.get_level_values("batch").nunique() < _FEW:
            return ""
        at_delivery = "" if weeks.min() > 0 or weeks.max() == 0 else self._compared(benchmark, 0)
        return words.against(benchmark=benchmark, overall=self._compared(benchmark), at_delivery=at_delivery)

    def _compared(self, benchmark: str, horizon: int | None = None) -> str:
        mean, error = self.crps_gain(benchmark, horizon)
        skill = math.copysign(_skill(self._at(horizon), OURS, benchmark), mean)
        return words.compared(skill=skill, known=abs(mean) > 2 * error)


def scorecard(
    season: Season, records: Records, *, horizons: Sequence[int] = (0, 8, 16), draws: int = DRAWS,
    seed: int | None = None,
) -> Scorecard:  # fmt: skip
    """Forecast past batches again from what was known then, and compare with their outcomes.

    Parameters
    ----------
    season
        The season with your estimates, before any record.
    records
        Batches and counts. A batch is scored when no plant of it remains.
    horizons
        Weeks after delivery at which forecasts are made, from 0. A batch that is finished by then is not forecast.
    draws, seed
        Number of draws of each forecast, at least 2, and their seed, the season's if not given.

    Returns
    -------
    Scorecard

    Raises
    ------
    Refused
        If the records do not suit the season, the season was learned from records (it would know the outcomes), or the
        draws, the seed or a horizon is not such a number.

    Notes
    -----
    Ours: plants go on from the stage in which they are. The share p of a batch that survives a stage is beta
    distributed, learned from batches that had finished the stage by the Monday of that week, as by `learn` (your
    estimate where none of the group had). Given D losses, and plants alive that had done parts f of the stage by
    their last count (1 if they left it), its density is that beta's times p^(sum of f) (1 - p^F)^D, F the mean f:
    losses fall evenly along the stage. Those still there survive what is left of it with p^(1 - f), those to come
    with p, binomially, stage by stage. f is the time since entry over the typical time, as in `time_records`, times a
    lognormal pace of the batch, at most 1. Typical times are your estimates and not learned; the pace holds their
    uncertainty (`PRIOR_LOG_SD`) and `batches_cv`, and that plants are still there counts as the evidence of one plant.
    Plants dead on the day of entry are no evidence on p.

    Finished batches are not all batches: in a running season they are the quick ones.

    Benchmarks: binomial, of the plants received. The rate is the share saleable of plants received in all batches that
    were finished by the day: of the same variety delivered in the calendar year before (else of all varieties of
    that year), and of all batches. Without such a batch a benchmark makes no forecast.

    The CRPS of draws is the fair one: that of the distribution they are drawn from, on average.

    References
    ----------
    Ferro, C. A. T. (2014). Fair scores for ensemble forecasts. Q. J. R. Meteorol. Soc. 140, 1917-1923.
    doi:10.1002/qj.2270

    Examples
    --------
    >>> from forecast import read_season
    >>> from forecast.records.records import read_records
    >>> scores = scorecard(read_season("demo_data"), read_records("demo_data"), draws=256, seed=1, horizons=[0])
    >>> scores.table()["forecaster"].tolist()
    ['forecast', "last year's rate", 'overall rate']
    """
    if isinstance(season, LearnedSeason):
        remedy = "Use the season with your estimates: the .prior of this one."
        raise refuse("season", season.name, "learned from records, so it knows the outcomes", remedy)
    faults: list[Fault] = []
    for name, value, low, high in (
        ("draws", draws, 2, MOST_DRAWS),
        *(("horizons", one, 0, _LONGEST) for one in horizons),
    ):
        faults += faults_of(whole, name, value, low, high)
    if faults:
        raise Refused(faults)
    records.against(season)
    streams, past = Streams(season.seed if seed is None else seed, draws), Hindcast(season, records)
    rows: list[tuple[object, ...]] = []
    for batch in records.batches:
        if batch.batch not in past.finished:
            continue
        end, observed = past.finished[batch.batch]
        for weeks in sorted({int(one) for one in horizons}):
            day = batch.delivered + timedelta(weeks=weeks)
            if day >= end or batch.received == batch.dead_on_arrival:
                continue
            rng = streams.generator("scorecard", batch.batch, str(weeks))
            scores = [(OURS, *scored(past.numbers(batch, day, rng, draws), observed, rng))]
            for name, rate in past.rates(batch, day):
                scores.append((name, *_benchmark(batch.received, rate, observed, rng)))
            about = batch.batch, batch.variety, weeks, day
            rows += [(*about, forecaster, batch.received, *numbers, observed) for forecaster, *numbers in scores]
    return Scorecard(pd.DataFrame(rows, columns=list(_COLUMNS)), draws, streams.seed)


def scored(numbers: Whole, observed: int, rng: np.random.Generator) -> tuple[float, ...]:
    """Return the 5th percentile, median and 95th of draws [plants], at least 2, their CRPS and their PIT."""
    ordered = np.sort(numbers).astype(np.float64)
    score = scoringrules.crps_ensemble(float(observed), ordered, estimator="pwm", sorted_ensemble=True, backend="numpy")
    below, at_most = (np.searchsorted(ordered, observed, side) for side in ("left", "right"))
    pit = (below + rng.random() * (at_most - below + 1)) / (len(ordered) + 1)
    return *np.quantile(ordered, RANGE, method="inverted_cdf").tolist(), float(score), float(pit)


def _benchmark(of: int, rate: float, observed: int, rng: np.random.Generator) -> tuple[float, ...]:
    """Return the same of a binomial forecast."""
    score = abs(observed - of * rate)
    if 0 < rate < 1:
        score = float(scoringrules.crps_binomial(observed, of, rate, backend="numpy"))
    below, at_most = np.asarray(binom.cdf([observed - 1, observed], of, rate)).tolist()
    return *np.asarray(binom.ppf(RANGE, of, rate)).tolist(), score, below + float(rng.random()) * (at_most - below)


def _scores(part: pd.DataFrame, forecaster: str) -> dict[str, Any]:
    """Return the scores of a forecaster on some forecasts."""
    mine = part[part["forecaster"] == forecaster]
    off = (mine["pit"] - 0.5).abs()
    skills = [_skill(part, forecaster, benchmark) for benchmark in BENCHMARKS]
    coverage = [float((off <= level / 2).mean()) for level in LEVELS]
    errors = float(mine["crps"].mean()), float((mine["crps"] / mine["received"]).mean())
    scores = (len(mine), mine["batch"].nunique(), *errors, *coverage, *skills)
    return {"forecaster": forecaster} | dict(zip(_SCORES, scores, strict=True))


def _skill(part: pd.DataFrame, forecaster: str, benchmark: str) -> float:
    if forecaster == benchmark:
        return 0.0
    both = _paired(part, forecaster, benchmark)
    worst = float(both[benchmark].mean()) if len(both) else 0.0
    return 1 - float(both[forecaster].mean()) / worst if worst else math.nan


def _paired(rows: pd.DataFrame, *forecasters: str) -> pd.DataFrame:
    """Return the CRPS of forecasters side by side, by batch and horizon, of what all of them forecast."""
    wide = rows.pivot_table(index=["batch", "horizon"], columns="forecaster", values="crps")
    return wide.reindex(columns=list(forecasters)).dropna()
