"""How good our forecasts were: made again with what was known then, and held against what came."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

import numpy as np
import pandas as pd
import scoringrules
from numpy.typing import NDArray
from scipy.stats import binom

from forecast.errors import Fault, Refused, refuse, whole
from forecast.growth.summaries import RANGE
from forecast.records.learned_season import LearnedSeason
from forecast.records.records import Records
from forecast.season.season import Season
from forecast.streams import Streams
from forecast.tracking.hindcast import LAST_YEAR, OVERALL, RIVALS, Past
from forecast.words.numbers import counted

Whole = NDArray[np.int64]

OURS = "forecast"
FORECASTERS = (OURS, *RIVALS)
LEVELS = (0.5, 0.8, 0.9)  # of the ranges whose coverage is told
_LONGEST = 520  # weeks after delivery
_FEW = 8  # batches below which nothing is said of ranges or rivals
_COLUMNS = (
    "batch", "variety", "horizon", "day", "forecaster", "received", "p5", "median", "p95", "crps", "pit", "came",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Scorecard:
    """How good forecasts of past batches were, beside two simple rivals.

    Parameters
    ----------
    forecasts
        A row for each batch, day of forecast and forecaster: batch, variety, horizon [weeks since delivery], day,
        forecaster ("forecast" is ours), received [plants]; low, middle and high number saleable, between which nine
        in ten should come; crps [plants], pit [0 to 1] and came, the number that was saleable.

    Notes
    -----
    The continuous ranked probability score is the mean over all numbers x of (chance of at most x, less 1 if what
    came is at most x) squared, added up: the error in plants of a forecast that is a number, and less
    than that of its middle if the range is honest. The PIT is the chance that was given to fewer than came, with a
    random part of the chance of just that number, so that of a right forecaster it is uniform.

    References
    ----------
    Gneiting, T. and Raftery, A. E. (2007). Strictly proper scoring rules, prediction, and estimation. J. Amer.
    Statist. Assoc. 102, 359-378. doi:10.1198/016214506000001437. Czado, C., Gneiting, T. and Held, L. (2009).
    Predictive model assessment for count data. Biometrics 65, 1254-1261. doi:10.1111/j.1541-0420.2009.01191.x
    """

    forecasts: pd.DataFrame = field(repr=False)

    def table(self, by: str | None = None) -> pd.DataFrame:
        """Tell how good each forecaster was.

        Parameters
        ----------
        by
            variety or horizon; without it, all forecasts together.

        Returns
        -------
        DataFrame
            A row for each of these and forecaster: forecasts and batches [number]; crps, the mean [plants];
            crps_share, the same of the plants received [0 to 1]; within_50, within_80 and within_90, the share of
            batches that came within the ranges meant for so many in 100; over_last_year and over_overall, skill
            against each rival, 1 - crps / crps of the rival, on the forecasts that both made (missing if none).

        Raises
        ------
        Refused
            If `by` is neither.

        Notes
        -----
        Ranges are read from the PIT, so that numbers at their very ends count in part; else ranges of whole numbers
        would always hold a little more than they should.
        """
        if by not in (None, "variety", "horizon"):
            raise refuse("by", str(by), "not a way to group forecasts", "Write variety or horizon, or leave it out.")
        parts = [("", self.forecasts)] if by is None else self.forecasts.groupby(by, sort=True)
        rows: list[dict[str, Any]] = []
        for key, part in parts:
            rows += [{by or "": key} | _told(part, name) for name in FORECASTERS]
        table = pd.DataFrame(rows, columns=[by or "", "forecaster", *_TOLD])
        table = table[table["forecasts"] > 0].reset_index(drop=True)
        return table if by else table.drop(columns="")

    def gain(self, rival: str, horizon: int | None = None) -> tuple[float, float]:
        """Return by how much our CRPS is lower than a rival's [plants], and the standard error of that.

        Parameters
        ----------
        rival
            "last year's rate" or "overall rate".
        horizon
            Weeks after delivery; without it, all of them.

        Raises
        ------
        Refused
            If there is no such rival.

        Notes
        -----
        Both forecast the same batches, so differences are taken batch by batch and then averaged. The standard error
        is that of independent batches; it is missing with fewer than two.
        """
        if rival not in RIVALS:
            raise refuse("rival", rival, "not a rival", f"Write {LAST_YEAR!r} or {OVERALL!r}.")
        rows = self.forecasts if horizon is None else self.forecasts[self.forecasts["horizon"] == horizon]
        both = _paired(rows, OURS, rival)
        gains = (both[rival] - both[OURS]).groupby(level="batch").mean()
        return float(gains.mean()), float(gains.std() / math.sqrt(max(len(gains), 1)))

    def __str__(self) -> str:
        ours = self.forecasts[self.forecasts["forecaster"] == OURS]
        if not len(ours):
            return "No batch is finished yet, so no forecast can be held against what came."
        told = _told(self.forecasts, OURS)
        batches = ours["batch"].nunique()
        lines = [
            f"{counted(len(ours), 'forecast')} of {batches:,} batch{'' if batches == 1 else 'es'}: "
            f"off by {_plants(told['crps'])} on average, {100 * told['crps_share']:.1f} of 100 received."
        ]
        held = told["within_90"]
        if batches < _FEW:
            lines.append(f"{'One batch' if batches == 1 else f'{batches} batches'} cannot show more.")
            return " ".join(lines)
        error = 2 * math.sqrt(0.9 * 0.1 / batches)
        verdict = (
            "too narrow"
            if held < 0.9 - error
            else "too wide"
            if held > 0.9 + error
            else f"about right, as far as {batches:,} can tell"
        )
        lines.append(f"Ranges meant for 90 batches in 100 held {100 * held:.0f}: they are {verdict}.")
        for rival in RIVALS:
            lines += self._against(rival)
        return "\n".join(lines)

    def _against(self, rival: str) -> Iterator[str]:
        rows = _paired(self.forecasts, OURS, rival)
        weeks = rows.index.get_level_values("horizon")
        if rows.index.get_level_values("batch").nunique() < _FEW:
            return
        at_once = "" if weeks.min() > 0 or weeks.max() == 0 else f"; at delivery {self._compared(rival, 0)}"
        yield f"Against {rival}: errors are {self._compared(rival)}{at_once}."

    def _compared(self, rival: str, horizon: int | None = None) -> str:
        mean, error = self.gain(rival, horizon)
        if not abs(mean) > 2 * error:
            return "not known to differ"
        rows = self.forecasts if horizon is None else self.forecasts[self.forecasts["horizon"] == horizon]
        skill = _skill(rows, OURS, rival)
        if math.isnan(skill):
            return "larger: those were exactly right"
        return f"{100 * abs(skill):.0f} % {'smaller' if mean > 0 else 'larger'}"


_TOLD = (
    "forecasts", "batches", "crps", "crps_share", *(f"within_{100 * level:.0f}" for level in LEVELS),
    "over_last_year", "over_overall",
)  # fmt: skip


def scorecard(
    season: Season, records: Records, *, draws: int, seed: int, horizons: Sequence[int] = (0, 8, 16)
) -> Scorecard:
    """Forecast past batches again with what was known then, and hold it against what came.

    Parameters
    ----------
    season
        What was stated before there were records.
    records
        Batches and counts. A batch is scored when no plant of it remains.
    draws, seed
        Imagined futures of each forecast, at least 2, and their seed.
    horizons
        Weeks after delivery at which forecasts are made, from 0: as the plants stand there. A batch that is finished
        by then is not forecast any more.

    Returns
    -------
    Scorecard

    Raises
    ------
    Refused
        If the records do not suit the season, the season was learned from records (it would know what came), or the
        draws, the seed or a horizon is not such a number.

    Notes
    -----
    Ours: plants go on from the stage where they stand. The share p of a batch that survives a stage is beta
    distributed, learned from batches that had finished the stage by the Monday of that week, as `learn` does it (what
    is stated where none of the group had). Given D losses, and plants alive that had done parts f of the stage by
    their last look (1 if they left it), its density is that beta's times p^(sum of f) (1 - p^F)^D, F the mean f:
    losses fall evenly along the stage. Those still there survive what is left of it with p^(1 - f), those to come
    with p, binomially, stage by stage. f is the time since entry over the typical time, as `timed` counts it, times a
    lognormal pace of the batch, at most 1. Typical times are as stated and not learned; the pace holds the doubt
    about them (`STATED_DOUBT`) and `batches_cv`, and that plants are still there tells of it as much as one
    plant would. What was dead on the day of entry tells nothing of p.

    Batches that are finished are not all: while a season runs they are the quick ones.

    Rivals: binomial, of the plants received. The rate is the share saleable of plants received in all batches that
    were finished by the day: of the same variety delivered in the calendar year before (else of all varieties of
    that year), and of all batches. Without such a batch a rival makes no forecast.

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
        remedy = "Give the season as it was stated: it is .stated of this one."
        raise refuse("season", season.name, "learned from records, so that it knows what came", remedy)
    faults: list[Fault] = []
    for name, value, low, high in (("draws", draws, 2, 2**22), *(("horizons", one, 0, _LONGEST) for one in horizons)):
        try:
            whole(name, value, low, high)
        except Refused as refusal:
            faults += refusal.faults
    if faults:
        raise Refused(faults)
    records.against(season)
    streams, past = Streams(seed, draws), Past(season, records)
    rows: list[tuple[object, ...]] = []
    for batch in records.batches:
        if batch.batch not in past.finished:
            continue
        end, came = past.finished[batch.batch]
        for weeks in sorted({int(one) for one in horizons}):
            day = batch.delivered + timedelta(weeks=weeks)
            if day >= end or batch.received == batch.dead_on_arrival:
                continue
            rng = streams.generator("scorecard", batch.batch, str(weeks))
            told = [(OURS, *scored(past.numbers(batch, day, rng, draws), came, rng))]
            for name, rate in past.rates(batch, day):
                told.append((name, *_rival(batch.received, rate, came, rng)))
            rows += [(batch.batch, batch.variety, weeks, day, one[0], batch.received, *one[1:], came) for one in told]
    return Scorecard(pd.DataFrame(rows, columns=list(_COLUMNS)))


def scored(numbers: Whole, came: int, rng: np.random.Generator) -> tuple[float, ...]:
    """Return low, middle and high of draws, their CRPS and their PIT.

    Parameters
    ----------
    numbers
        Draws of a forecast [plants], at least 2.
    came
        What came [plants].
    rng
        For the random part of the PIT.
    """
    ordered = np.sort(numbers).astype(np.float64)
    score = scoringrules.crps_ensemble(float(came), ordered, estimator="pwm", sorted_ensemble=True, backend="numpy")
    below, at_most = np.searchsorted(ordered, came, "left"), np.searchsorted(ordered, came, "right")
    pit = (below + rng.random() * (at_most - below + 1)) / (len(ordered) + 1)
    return *np.quantile(ordered, RANGE, method="inverted_cdf").tolist(), float(score), float(pit)


def _rival(of: int, rate: float, came: int, rng: np.random.Generator) -> tuple[float, ...]:
    """Return the same of a binomial forecast."""
    score = abs(came - of * rate)
    if 0 < rate < 1:
        score = float(scoringrules.crps_binomial(came, of, rate, backend="numpy"))
    below, at_most = np.asarray(binom.cdf([came - 1, came], of, rate)).tolist()
    return *np.asarray(binom.ppf(RANGE, of, rate)).tolist(), score, below + float(rng.random()) * (at_most - below)


def _told(part: pd.DataFrame, forecaster: str) -> dict[str, Any]:
    """Tell how good a forecaster was on some forecasts."""
    mine = part[part["forecaster"] == forecaster]
    off = (mine["pit"] - 0.5).abs()
    skills = [_skill(part, forecaster, rival) for rival in RIVALS]
    within = [float((off <= level / 2).mean()) for level in LEVELS]
    errors = float(mine["crps"].mean()), float((mine["crps"] / mine["received"]).mean())
    told = (len(mine), mine["batch"].nunique(), *errors, *within, *skills)
    return {"forecaster": forecaster} | dict(zip(_TOLD, told, strict=True))


def _skill(part: pd.DataFrame, forecaster: str, rival: str) -> float:
    if forecaster == rival:
        return 0.0
    both = _paired(part, forecaster, rival)
    worst = float(both[rival].mean()) if len(both) else 0.0
    return 1 - float(both[forecaster].mean()) / worst if worst else math.nan


def _paired(rows: pd.DataFrame, *forecasters: str) -> pd.DataFrame:
    """Return the CRPS of forecasters side by side, by batch and horizon, of what all of them forecast."""
    wide = rows.pivot_table(index=["batch", "horizon"], columns="forecaster", values="crps")
    return wide.reindex(columns=list(forecasters)).dropna()


def _plants(number: float) -> str:
    return f"{number:.1f} plants" if number < 9.95 else f"{number:,.0f} plants"
