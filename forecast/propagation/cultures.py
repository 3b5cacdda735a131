"""What comes of explants that are multiplied: plants by cycle, work by week, saleable plants by week."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from forecast.errors import whole
from forecast.growth.fate import RouteFate
from forecast.growth.simulation import draw_fate
from forecast.growth.stock import earlier, sampled
from forecast.growth.summaries import RANGE, RANGE_NAMES
from forecast.growth.tails import at_least as _chance
from forecast.propagation.multiplication import Grown, Multiplication, Rates, grow
from forecast.season.propagation_rows import Culture, Division
from forecast.season.season import Season
from forecast.streams import Array, Streams
from forecast.weeks import Week
from forecast.words.numbers import counted, rounded, seasons

_LOOKED = 156  # weeks for which plants are followed in the nursery


class Cultures:
    """What comes of explants of one variety that are multiplied, rooted and grown on.

    Parameters
    ----------
    season
        The season.
    row
        How the variety is multiplied: a row of its cultures or divisions.
    streams
        What it is drawn from.
    start
        Week in which explants are put into culture.
    explants
        How many.
    kept
        Share of the shoots of each cycle that is planted again [0 to 1], the last 0; the rest is rooted.
    potted
        Plantlets taken into the nursery at most, the earliest first; the rest is given up. None if all are.
    """

    def __init__(
        self, season: Season, row: Culture | Division, streams: Streams, start: Week, explants: int,
        kept: Sequence[float], potted: int | None = None,
    ) -> None:  # fmt: skip
        self.season, self.row, self.streams = season, row, streams
        self.variety, self.start, self.explants, self.kept = row.variety, start, explants, tuple(kept)
        self.potted = potted
        self.cycles, self.draws = len(self.kept), streams.draws
        self.way = Multiplication.of(row)

    def but(self, *, start: Week | None = None, potted: int | None = None) -> Cultures:
        """Return the same cultures, begun in another week, or with fewer plantlets taken into the nursery."""
        other = Cultures(
            self.season, self.row, self.streams, start or self.start, self.explants, self.kept, potted or self.potted
        )
        other.__dict__["grown"] = self.grown
        if other.start == self.start or not self.season.by_weather(self.variety):
            other.__dict__["fates"] = self.fates
        return other

    @cached_property
    def grown(self) -> Grown:
        """What comes of them cycle by cycle, in every draw."""
        return grow(Rates(self.way, self.streams), self.explants, self.kept)

    @cached_property
    def rounds(self) -> tuple[int, ...]:
        """Cycles after which shoots are rooted."""
        return tuple(cycle for cycle in range(1, self.cycles + 1) if self.kept[cycle - 1] < 1)

    def enters(self, cycle: int) -> Week:
        """Return the week in which the plantlets of a cycle enter the nursery."""
        return self.start + self.way.weeks(cycle)

    @property
    def plantlets(self) -> NDArray[np.int64]:
        """Number of plantlets that come out of culture, shape (draws,)."""
        return np.asarray(self.grown.plantlets.sum(axis=0))

    @cached_property
    def entering(self) -> NDArray[np.int64]:
        """Number of plantlets of each cycle that are taken into the nursery, shape (cycles, draws)."""
        if self.potted is None:
            return self.grown.plantlets
        return np.diff(np.minimum(np.cumsum(self.grown.plantlets, axis=0), self.potted), axis=0, prepend=0)

    @property
    def lost(self) -> float:
        """Chance [0 to 1] that no plantlet at all comes of them."""
        return float((self.plantlets == 0).mean())

    @property
    def short(self) -> float:
        """Chance [0 to 1] that shelf or hood do not suffice in some cycle."""
        return float((self.grown.unplanted > 0).any(axis=0).mean())

    def table(self) -> pd.DataFrame:
        """Return the plants by cycle.

        Returns
        -------
        DataFrame
            cycle, week it is planted; low, middle and high number of explants planted; shoots and plantlets
            (their middle number); clean, the share of its vessels that stay clean, and clean_so_far, that of
            vessels followed from the first cycle on; lost, the chance that nothing is left by its end; short, the
            chance that shelf or hood do not suffice, and shelf, in how many of these cases it is the shelf [0 to 1].
        """
        grown, rows, so_far = self.grown, [], 1.0
        for i in range(self.cycles):
            vessels = int(grown.vessels[i].sum())
            clean = float(grown.clean[i].sum() / vessels) if vessels else math.nan
            so_far *= clean
            cut = grown.unplanted[i] > 0
            rows.append(
                {
                    "cycle": i + 1,
                    "week": str(self.start + (self.way.lead + i * self.way.cycle_weeks)),
                    **dict(zip(RANGE_NAMES, _quantiles(grown.planted[i]), strict=True)),
                    "shoots": _quantiles(grown.shoots[i])[1],
                    "plantlets": _quantiles(grown.plantlets[i])[1],
                    "clean": round(clean, 4),
                    "clean_so_far": round(so_far, 4),
                    "lost": round(float((grown.shoots[i] == 0).mean()), 4),
                    "short": round(float(cut.mean()), 4),
                    "shelf": round(float(grown.crowded[i][cut].mean()), 2) if cut.any() else 0.0,
                }
            )
        return pd.DataFrame(rows)

    def by_step(self) -> pd.DataFrame:
        """Return the plants from explants to plantlets, with what there is room and time for.

        Returns
        -------
        DataFrame
            step (``start``, the cycles, ``plantlets``); low, middle and high number; most, the number that shelf and
            hood allow if nothing else stands there, missing where nothing is limited.
        """
        vessels = min((most for most in (self.way.places, self.way.vessels_in_hours) if most is not None), default=None)
        first = self.row.most_explants if isinstance(self.row, Culture) else None
        numbers = [np.full(self.draws, self.explants), *self.grown.planted, self.plantlets]
        full = [1, *[self.way.vessel] * self.cycles, self.way.rooting_vessel]
        rows = [
            (step, *_quantiles(number), first if step == "start" else None if vessels is None else vessels * most)
            for step, number, most in zip(
                ["start", *map(str, range(1, self.cycles + 1)), "plantlets"], numbers, full, strict=True
            )
        ]
        return pd.DataFrame(rows, columns=["step", *RANGE_NAMES, "most"])

    def schedule(self) -> pd.DataFrame:
        """Return the work of each week on the bench.

        Returns
        -------
        DataFrame
            week and what is done; explants or shoots, and vessels, done in it (expected); low, middle and high
            medium [L], hood hours [h] and shelf places [vessels]. The work of the start, of a cycle and of rooting is
            spread evenly over the weeks until the first cycle or those of a cycle; vessels stand from the first week on
            until the work is done, and rooting ones until shoots have rooted.
        """
        way, grown = self.way, self.grown
        jobs: list[tuple[int, int, int, str, Any, Any]] = [
            (0, max(way.lead, 1), max(way.lead, 0), "start", self.explants, self.explants)
        ]
        for i in range(self.cycles):
            at = way.lead + i * way.cycle_weeks
            jobs.append((at, way.cycle_weeks, way.cycle_weeks, f"cycle {i + 1}", grown.planted[i], grown.vessels[i]))
            if i + 1 in self.rounds:
                at += way.cycle_weeks
                name = f"rooting {i + 1}"
                jobs.append(
                    (
                        at,
                        way.cycle_weeks,
                        max(way.cycle_weeks, way.rooting_weeks),
                        name,
                        grown.rooting[i],
                        grown.rooting_vessels[i],
                    )
                )
        last = max(at + max(work, stand) for at, work, stand, *_ in jobs)
        minutes = getattr(self.row, "minutes_per_vessel", 0.0)
        medium = getattr(self.row, "medium_per_vessel", 0.0)
        rows = []
        for week in range(max(last, 0)):
            doing = [(name, plants / work, vessels / work) for at, work, _, name, plants, vessels in jobs
                     if at <= week < at + work]  # fmt: skip
            made = sum((vessels for _, _, vessels in doing), start=np.zeros(self.draws))
            standing = [vessels for at, _, stand, _, _, vessels in jobs if at <= week < at + stand]
            shelf = sum(standing, start=np.zeros(self.draws))
            row: dict[str, Any] = {"week": str(self.start + week), "what": ", ".join(name for name, _, _ in doing)}
            row |= {"plants": round(float(np.mean(sum(plants for _, plants, _ in doing))), 1)}
            row |= {"vessels": round(float(made.mean()), 1)}
            for name, number in (("medium", medium / 1000 * made), ("hours", minutes / 60 * made), ("shelf", shelf)):
                row |= {
                    f"{name}_{word}": round(float(q), 2)
                    for word, q in zip(RANGE_NAMES, np.quantile(number, RANGE), strict=True)
                }
            rows.append(row)
        return pd.DataFrame(rows)

    @cached_property
    def fates(self) -> dict[int, RouteFate]:
        """What the plantlets of each cycle meet in the nursery."""
        names = {cycle: f"culture {self.cycles - cycle}" for cycle in self.rounds}  # counted from the last
        return {
            cycle: draw_fate(
                self.season, self.streams, self.variety, name, self.enters(cycle), enters=self.row.enters, weeks=_LOOKED
            )
            for cycle, name in names.items()
        }

    def share(self, cycle: int, week: Week) -> Array:
        """Return the share of the plantlets of a cycle that is saleable in a week, shape (draws,)."""
        elapsed, life = np.array([float(week - self.enters(cycle))]), self.season.variety(self.variety).saleable_weeks
        return np.asarray(self.true(cycle) * self.fates[cycle].saleable(elapsed, life)[0])

    def expected(self, week: Week) -> float:
        """Return the expected number of plants that are saleable in a week."""
        return sum(float((self.entering[cycle - 1] * self.share(cycle, week)).mean()) for cycle in self.rounds)

    def true(self, cycle: int) -> float:
        """Return the share of plants true to the variety after so many cycles."""
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

        Parameters
        ----------
        week
            On the Monday of which week.
        at_least
            How many plants, one number for all draws or shape (draws,).

        Returns
        -------
        array of shape (draws,)
        """
        monday = Week.parse(week)
        if len(self.rounds) == 1:
            cycle = self.rounds[0]
            return _chance(at_least, self.entering[cycle - 1], self.share(cycle, monday))
        return (self.saleable(monday) >= np.asarray(at_least)).astype(np.float64)

    def saleable(self, week: Week | str) -> NDArray[np.int64]:
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
            week, low, middle and high number, from the week in which the first plantlets enter the nursery on until
            all have had their time.
        """
        first = self.enters(self.rounds[0])
        slowest = max(float(np.quantile(fate.middling(), 0.95)) for fate in self.fates.values())
        last = max(self.enters(self.rounds[-1]) + math.ceil(1.3 * slowest), self.season.last_week)
        last = min(last, self.enters(self.rounds[0]) + _LOOKED)
        weeks, life = [first + i for i in range(last - first + 1)], self.season.variety(self.variety).saleable_weeks
        counts = np.zeros((len(weeks), self.draws), dtype=np.int64)
        for cycle in self.rounds:
            elapsed = np.array([float(week - self.enters(cycle)) for week in weeks])
            rng = self.streams.generator("culture", self.variety, "history", str(cycle))
            ready = sampled(self.true(cycle) * self.fates[cycle].ready(elapsed), self.entering[cycle - 1], rng)
            counts += ready - earlier(ready, life)
        frame = pd.DataFrame({"week": [str(week) for week in weeks]})
        quantiles = np.quantile(counts, RANGE, axis=1, method="inverted_cdf").astype(int)
        return frame.assign(**dict(zip(RANGE_NAMES, quantiles, strict=True)))

    @property
    def shortage(self) -> str:
        """What is short first, in which cycle and how often, as a sentence; empty if nothing ever is."""
        table = self.table()
        short = table[table["short"] > 0].to_dict("records")
        if not short:
            return ""
        worst = max(short, key=lambda row: (row["short"], -row["cycle"]))
        what = "shelf places are" if worst["shelf"] >= 0.5 else "hood hours are"
        left = float(self.grown.unplanted[worst["cycle"] - 1].mean())
        return (
            f"{what.capitalize()} short at cycle {worst['cycle']} in {seasons(worst['short'])}; "
            f"about {rounded(left)} shoots are left over on average."
        )

    def __str__(self) -> str:
        low, middle, high = _quantiles(self.plantlets)
        text = (
            f"{self.variety}: {counted(self.explants, 'explant')}, {counted(self.cycles, 'cycle')} from {self.start}: "
            f"about {rounded(middle)} plantlets ({rounded(low)} to {rounded(high)}) by {self.enters(self.cycles)}."
        )
        text += f" All is lost in {seasons(self.lost)}." if self.lost else ""
        return f"{text} {self.shortage}".rstrip()


def _quantiles(numbers: NDArray[np.int64]) -> list[int]:
    return [int(q) for q in np.quantile(numbers, RANGE, method="inverted_cdf")]
