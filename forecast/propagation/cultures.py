"""What comes of explants that are multiplied: plants by cycle, work by week, saleable plants by week."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from forecast.errors import whole
from forecast.fates.fate import RouteFate
from forecast.growth.simulation import draw_fate
from forecast.growth.stock import earlier, sampled
from forecast.growth.summaries import RANGE, RANGE_NAMES
from forecast.growth.summaries import at_least as chance_of_at_least
from forecast.propagation.multiplication import Generations, Multiplication, Numbers, Rates, draw_generations
from forecast.season.propagation_rows import Culture, Division
from forecast.season.season import Season
from forecast.streams import Array, Streams
from forecast.weeks import Week
from forecast.words import propagation as words
from forecast.words.results import Result

_LOOKED = 156  # weeks for which plants are followed in the nursery, if no later week is asked for


@dataclass(frozen=True)
class Shortage:
    """Which limit of the laboratory is met most often: at which subculture, with which chance [0 to 1].

    It is the shelf if places, rather than hood hours, run short in at least half of these cases; `unplanted` shoots
    find no room on average.
    """

    cycle: int
    chance: float
    shelf: bool
    unplanted: float

    def __str__(self) -> str:
        return words.shortage(**vars(self))


@dataclass(frozen=True, eq=False)
class _Job:
    """Work on the bench: its first week after the start, its weeks, and those for which its vessels need a place."""

    at: int
    weeks: int
    standing: int
    name: str
    plants: Any
    vessels: Any


class Cultures(Result):
    """What comes of explants of one variety that are multiplied, rooted and grown on.

    Parameters
    ----------
    season, row, streams
        The season, how the variety is multiplied (a row of its cultures or divisions), and what it is drawn from.
    start, explants
        Week in which explants are initiated, and how many.
    kept
        Share of the shoots of each subculture that is planted again [0 to 1], the last 0; the rest is rooted.
    potted
        Plantlets potted at most, the earliest first; the rest is discarded. None if all are potted.
    """

    def __init__(
        self, season: Season, row: Culture | Division, streams: Streams, start: Week, explants: int,
        kept: Sequence[float], potted: int | None = None,
    ) -> None:  # fmt: skip
        self.season, self.row, self.streams = season, row, streams
        self.variety, self.start, self.explants, self.kept = row.variety, start, explants, tuple(kept)
        self.potted = potted
        self.subcultures, self.draws = len(self.kept), streams.draws
        self.way = Multiplication.from_row(row)

    def replace(self, *, start: Week | None = None, potted: int | None = None) -> Cultures:
        """Return the same cultures with another start, or with fewer plantlets potted."""
        other = Cultures(
            self.season, self.row, self.streams, start or self.start, self.explants, self.kept, potted or self.potted
        )
        other.__dict__["generations"] = self.generations
        if other.start == self.start or not self.season.by_weather(self.variety):
            other.__dict__["fates"] = self.fates
        return other

    def facts(self) -> dict[str, object]:
        """Return variety, explants, subcultures, start, draws and seed."""
        names = ("variety", "explants", "subcultures", "start", "draws")
        return {name: getattr(self, name) for name in names} | {"seed": self.streams.seed}

    @cached_property
    def generations(self) -> Generations:
        """Plants of every subculture, in every draw."""
        return draw_generations(Rates(self.way, self.streams), self.explants, self.kept)

    @cached_property
    def rounds(self) -> tuple[int, ...]:
        """Subcultures after which shoots are rooted."""
        return tuple(cycle for cycle, kept in enumerate(self.kept, start=1) if kept < 1)

    def enters(self, cycle: int) -> Week:
        """Return the week in which the plantlets of a subculture enter the nursery."""
        return self.start + self.way.weeks(cycle)

    @property
    def plantlets(self) -> Numbers:
        """Number of plantlets that come out of culture, shape (draws,)."""
        return np.asarray(self.generations.plantlets.sum(axis=0))

    @cached_property
    def entering(self) -> Numbers:
        """Number of plantlets of each subculture that are potted, shape (subcultures, draws)."""
        if self.potted is None:
            return self.generations.plantlets
        sums = np.cumsum(self.generations.plantlets, axis=0)
        return np.diff(np.minimum(sums, self.potted), axis=0, prepend=0)

    @property
    def extinction_probability(self) -> float:
        """Chance [0 to 1] that no plantlet at all comes of them."""
        return float((self.plantlets == 0).mean())

    @property
    def over_capacity(self) -> float:
        """Chance [0 to 1] that shelf or hood run short at some subculture."""
        return float((self.generations.unplanted > 0).any(axis=0).mean())

    def table(self) -> pd.DataFrame:
        """Return the plants by subculture.

        Returns
        -------
        DataFrame
            subculture, week it is planted; p5, median and p95 of the explants planted; shoots and plantlets (medians);
            clean, the share of its vessels that stay clean, and clean_so_far, that of vessels followed from the first
            subculture on; extinct, the chance that nothing is left by its end; over_capacity, the chance that shelf or
            hood run short, and shelf, in which share of these cases it is the shelf.
        """
        found, rows, so_far = self.generations, [], 1.0
        for i in range(self.subcultures):
            vessels = int(found.vessels[i].sum())
            clean = float(found.clean[i].sum() / vessels) if vessels else math.nan
            so_far *= clean
            cut = found.unplanted[i] > 0
            rows.append(
                {
                    "subculture": i + 1,
                    "week": str(self.start + (self.way.start_weeks + i * self.way.cycle_weeks)),
                    **dict(zip(RANGE_NAMES, _quantiles(found.planted[i]), strict=True)),
                    "shoots": _quantiles(found.shoots[i])[1],
                    "plantlets": _quantiles(found.plantlets[i])[1],
                    "clean": round(clean, 4),
                    "clean_so_far": round(so_far, 4),
                    "extinct": round(float((found.shoots[i] == 0).mean()), 4),
                    "over_capacity": round(float(cut.mean()), 4),
                    "shelf": round(float(found.shelf_limited[i][cut].mean()), 2) if cut.any() else 0.0,
                }
            )
        return pd.DataFrame(rows)

    def by_step(self) -> pd.DataFrame:
        """Return the plants from explants to plantlets, with what there is room and time for.

        Returns
        -------
        DataFrame
            step (``initiation``, the subcultures, ``plantlets``); p5, median and p95 of the number; most, the number
            that shelf and hood allow if nothing else is there, missing where nothing is limited.
        """
        way = self.way
        vessels = min((most for most in (way.shelf_places, way.vessels_in_hours) if most is not None), default=None)
        first = self.row.most_explants if isinstance(self.row, Culture) else None
        numbers = [np.full(self.draws, self.explants), *self.generations.planted, self.plantlets]
        full = [*[way.explants_per_vessel] * self.subcultures, way.rooting_per_vessel]
        most = [first, *(None if vessels is None else vessels * each for each in full)]
        steps = ["initiation", *map(str, range(1, self.subcultures + 1)), "plantlets"]
        rows = [(step, *_quantiles(number), cap) for step, number, cap in zip(steps, numbers, most, strict=True)]
        return pd.DataFrame(rows, columns=["step", *RANGE_NAMES, "most"])

    def schedule(self) -> pd.DataFrame:
        """Return the work of each week on the bench.

        Returns
        -------
        DataFrame
            week and what is done; explants or shoots, and vessels, done in it (expected); p5, median and p95 of medium
            [L], hood hours [h] and shelf places [vessels]. The work of initiation, of a subculture and of rooting is
            spread evenly over the weeks until the first subculture or those of a subculture; vessels need a place from
            the first week on until the work is done, and rooting ones until shoots have rooted.
        """
        jobs = list(self._jobs())
        minutes = getattr(self.row, "minutes_per_vessel", 0.0)
        medium = getattr(self.row, "medium_per_vessel", 0.0)
        last = max(job.at + max(job.weeks, job.standing) for job in jobs)
        rows, none = [], np.zeros(self.draws)
        for week in range(max(last, 0)):
            doing = [job for job in jobs if job.at <= week < job.at + job.weeks]
            made = sum((job.vessels / job.weeks for job in doing), start=none)
            shelf = sum((job.vessels for job in jobs if job.at <= week < job.at + job.standing), start=none)
            row: dict[str, Any] = {
                "week": str(self.start + week),
                "what": ", ".join(job.name for job in doing),
                "plants": round(float(np.mean(sum(job.plants / job.weeks for job in doing))), 1),
                "vessels": round(float(made.mean()), 1),
            }
            for name, number in (("medium", medium / 1000 * made), ("hours", minutes / 60 * made), ("shelf", shelf)):
                quantiles = zip(RANGE_NAMES, np.quantile(number, RANGE), strict=True)
                row |= {f"{name}_{word}": round(float(q), 2) for word, q in quantiles}
            rows.append(row)
        return pd.DataFrame(rows)

    def _jobs(self) -> Iterator[_Job]:
        way, found = self.way, self.generations
        yield _Job(0, max(way.start_weeks, 1), max(way.start_weeks, 0), "initiation", self.explants, self.explants)
        for i in range(self.subcultures):
            at, weeks = way.start_weeks + i * way.cycle_weeks, way.cycle_weeks
            yield _Job(at, weeks, weeks, f"subculture {i + 1}", found.planted[i], found.vessels[i])
            if i + 1 in self.rounds:
                stay = max(weeks, way.rooting_weeks)
                yield _Job(at + weeks, weeks, stay, f"rooting {i + 1}", found.rooting[i], found.rooting_vessels[i])

    @cached_property
    def fates(self) -> dict[int, RouteFate]:
        """What the plantlets of each subculture meet in the nursery."""
        return {cycle: self.drawn(cycle, self.enters(cycle), _LOOKED) for cycle in self.rounds}

    def drawn(self, cycle: int, week: Week, weeks: int) -> RouteFate:
        """Return what the plantlets of a subculture meet if they enter the nursery in a week, so many weeks on."""
        batch = self.variety, f"culture {self.subcultures - cycle}", week  # counted from the last
        return draw_fate(self.season, self.streams, *batch, enters=self.row.enters, weeks=weeks)

    def fate(self, cycle: int, until: Week) -> RouteFate:
        """Return what the plantlets of a subculture meet in the nursery, with weather at least until a week."""
        weeks, known = until - self.enters(cycle), self.fates[cycle]
        if weeks > known.last:  # twice as far, so that week after week can be asked for
            self.fates[cycle] = self.drawn(cycle, self.enters(cycle), max(weeks, 2 * known.last))
        return self.fates[cycle]

    def share(self, cycle: int, week: Week) -> Array:
        """Return the share of the plantlets of a subculture that is saleable in a week, shape (draws,)."""
        elapsed, life = np.array([float(week - self.enters(cycle))]), self.season.variety(self.variety).saleable_weeks
        return np.asarray(self.true(cycle) * self.fate(cycle, week).saleable(elapsed, life)[0])

    def expected(self, week: Week) -> float:
        """Return the expected number of plants that are saleable in a week."""
        return sum(float((self.entering[cycle - 1] * self.share(cycle, week)).mean()) for cycle in self.rounds)

    def true(self, cycle: int) -> float:
        """Return the share of plants true to the variety after so many subcultures."""
        off_types = getattr(self.row, "off_types", None)
        return 1 - off_types.at(cycle) if off_types else 1.0

    def chance(self, *, week: Week | str, at_least: int) -> float:
        """Return the chance that at least so many plants are saleable in a week.

        Parameters
        ----------
        week
            On the Monday of which week.
        at_least
            How many plants.

        Returns
        -------
        float
            Chance [0 to 1]: exact, given the plantlets of a draw, if all are rooted at once; else the share of
            sampled histories.
        """
        return float(self.chances(week=week, at_least=whole("at_least", at_least, 0, 10**12)).mean())

    def chances(self, *, week: Week | str, at_least: ArrayLike) -> Array:
        """Return the chance of at least so many saleable plants in every draw, as `chance` gives their mean.

        `at_least` is one number for all draws or one for each, shape (draws,), as the chances are.
        """
        monday = Week.parse(week)
        if len(self.rounds) == 1:
            cycle = self.rounds[0]
            return chance_of_at_least(at_least, self.entering[cycle - 1], self.share(cycle, monday))
        return (self.saleable(monday) >= np.asarray(at_least)).astype(np.float64)

    def saleable(self, week: Week | str) -> Numbers:
        """Sample the number of saleable plants in a week, shape (draws,); no history joins one week to another."""
        monday = Week.parse(week)
        total = np.zeros(self.draws, dtype=np.int64)
        for cycle in self.rounds:
            rng = self.streams.generator("culture", self.variety, "saleable", str(cycle))
            total += rng.binomial(self.entering[cycle - 1], self.share(cycle, monday))
        return total

    def by_week(self) -> pd.DataFrame:
        """Return the number of saleable plants by week, if none is sold.

        Returns
        -------
        DataFrame
            week, p5, median and p95, from the week in which the first plantlets enter the nursery on until
            all have had their time.
        """
        first = self.enters(self.rounds[0])
        slowest = max(float(np.quantile(fate.median_week(), 0.95)) for fate in self.fates.values())
        last = max(self.enters(self.rounds[-1]) + math.ceil(1.3 * slowest), self.season.last_week)
        last = min(last, self.enters(self.rounds[0]) + _LOOKED)
        weeks, life = [first + i for i in range(last - first + 1)], self.season.variety(self.variety).saleable_weeks
        counts = np.zeros((len(weeks), self.draws), dtype=np.int64)
        for cycle in self.rounds:
            elapsed = np.array([float(week - self.enters(cycle)) for week in weeks])
            rng = self.streams.generator("culture", self.variety, "history", str(cycle))
            ready = sampled(self.true(cycle) * self.fate(cycle, last).ready(elapsed), self.entering[cycle - 1], rng)
            counts += ready - earlier(ready, life)
        frame = pd.DataFrame({"week": [str(week) for week in weeks]})
        quantiles = np.quantile(counts, RANGE, axis=1, method="inverted_cdf").astype(int)
        return frame.assign(**dict(zip(RANGE_NAMES, quantiles, strict=True)))

    def shortage(self) -> Shortage | None:
        """Return which limit is met most often, at the earliest subculture if at several; None if none ever is."""
        cut = self.generations.unplanted > 0
        chances = cut.mean(axis=1)
        worst = int(np.argmax(chances))
        if not chances[worst]:
            return None
        shelf = self.generations.shelf_limited[worst][cut[worst]].mean() >= 0.5
        unplanted = float(self.generations.unplanted[worst].mean())
        return Shortage(worst + 1, float(chances[worst]), bool(shelf), unplanted)

    @property
    def implied(self) -> str:
        """The sentence on a rate that is implied, by a total or by the last rate stated; empty if each is stated."""
        values = self.way.rates.values
        total = getattr(self.row, "total", None)
        return words.implied(total=total, rate=values[-1], stated=len(values), subcultures=self.subcultures)

    def __str__(self) -> str:
        return words.cultures(
            variety=self.variety, explants=self.explants, subcultures=self.subcultures, start=self.start,
            plantlets=_quantiles(self.plantlets), ready=self.enters(self.subcultures),
            extinction=self.extinction_probability, shortage=str(self.shortage() or ""), rates=self.implied,
        )  # fmt: skip


def _quantiles(numbers: Numbers) -> list[int]:
    return [int(q) for q in np.quantile(numbers, RANGE, method="inverted_cdf")]
