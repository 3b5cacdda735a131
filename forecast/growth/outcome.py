"""What comes of a season's orders, in every draw, and the questions that can be asked of it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import ArrayLike, NDArray

from forecast.cores import on_all_cores
from forecast.errors import refuse
from forecast.growth.stages import Fate
from forecast.growth.tails import sum_at_least
from forecast.season.plan import Season
from forecast.season.rows import Stage, Wanted
from forecast.streams import Streams
from forecast.weeks import Week
from forecast.words import rounded, seasons

Array = NDArray[np.float64]

RANGE = (0.05, 0.5, 0.95)  # nine in ten lie between the first and the last
RANGE_NAMES = ("low", "middle", "high")
_TOGETHER = 1024  # draws that are worked on together, so that they stay in fast memory


@dataclass(frozen=True)
class Batch:
    """Plants of one variety delivered together.

    Parameters
    ----------
    variety, lab
        What, and from which lab if that is known.
    number
        1 for the first delivery of the variety, 2 for the second, and so on.
    week
        Week of delivery; the plants come on its Monday.
    quantity
        Plants ordered.
    """

    variety: str
    number: int
    week: Week
    quantity: int
    lab: str | None = None


class Outcome:
    """What comes of a season's orders, in every draw.

    Numbers are as they stand on the Monday of a week, if nothing has been sold. Chances are averages
    over the draws of exact binomial chances; quantiles and tables come from one sampled history a draw.

    Parameters
    ----------
    season
        The season.
    batches
        Its deliveries.
    fates
        What each batch meets in every draw.
    streams
        The streams they were drawn from.
    """

    def __init__(self, season: Season, batches: Sequence[Batch], fates: Sequence[Fate], streams: Streams) -> None:
        self.season = season
        self.batches = tuple(batches)
        self.draws = streams.draws
        self.seed = streams.seed
        self._streams = streams
        self._fates = dict(zip(self.batches, fates, strict=True))

    @cached_property
    def weeks(self) -> tuple[Week, ...]:
        """Weeks of the season."""
        return tuple(self.season.first_week + i for i in range(self.season.weeks))

    @cached_property
    def varieties(self) -> tuple[str, ...]:
        """Varieties of which plants are ordered, in the season's order."""
        ordered = {batch.variety for batch in self.batches}
        return tuple(row.variety for row in self.season.varieties if row.variety in ordered)

    def chance(self, variety: str, *, week: Week | str, at_least: int) -> float:
        """Give the chance that at least so many plants of a variety are saleable in a week.

        Parameters
        ----------
        variety
            Which variety.
        week
            On the Monday of which week.
        at_least
            How many plants.

        Returns
        -------
        float
            Chance [0 to 1], the mean over draws of exact binomial chances.

        Raises
        ------
        Refused
            If the variety is unknown, the week lies outside the season or the number is not whole.

        Notes
        -----
        The standard error of the mean is at most sqrt(p (1 - p) / draws), and usually far less.
        """
        if isinstance(at_least, bool) or at_least != np.floor(at_least):
            raise refuse("at_least", at_least, "not a whole number", "Give a number of plants.")
        return float(self.chances(variety, week=week, at_least=at_least).mean())

    def chances(self, variety: str, *, week: Week | str, at_least: ArrayLike) -> Array:
        """Give the chance in every draw, shape (draws,); `at_least` may differ between draws."""
        monday = self._week(week)
        batches = self._of(variety)
        if not batches:
            return np.broadcast_to(np.where(np.asarray(at_least) <= 0, 1.0, 0.0), (self.draws,)).astype(np.float64)
        shares = [self._saleable_share(batch, np.array([monday - batch.week]))[0] for batch in batches]
        return sum_at_least(at_least, [batch.quantity for batch in batches], shares)

    def quantile(self, variety: str, *, week: Week | str, q: ArrayLike = RANGE) -> NDArray[np.int64]:
        """Give quantiles of the number of saleable plants of a variety in a week.

        Parameters
        ----------
        variety, week
            Which variety, on the Monday of which week.
        q
            Probabilities [0 to 1], any shape.

        Returns
        -------
        whole numbers of the shape of `q`
        """
        q = np.asarray(q, dtype=np.float64)
        if not ((q >= 0) & (q <= 1)).all():
            raise refuse("q", q.tolist(), "not a probability", "Give numbers from 0 to 1.")
        self._of(variety)
        counts = (
            self.saleable.sel(variety=variety, week=str(self._week(week))).to_numpy()
            if variety in self.varieties
            else 0
        )
        return np.asarray(np.quantile(counts, q, method="inverted_cdf"), dtype=np.int64)

    @cached_property
    def saleable(self) -> xr.DataArray:
        """Number of saleable plants in one history a draw, by variety, week and draw."""
        counts = np.zeros((len(self.varieties), self.season.weeks, self.draws), dtype=np.int32)
        for batch, ready in zip(self.batches, on_all_cores(self._sampled_ready, self.batches), strict=True):
            counts[self.varieties.index(batch.variety)] += ready - _later(ready, self._shelf_life(batch.variety))
        counts.flags.writeable = False
        weeks = [str(week) for week in self.weeks]
        return xr.DataArray(
            counts, dims=("variety", "week", "draw"), coords={"variety": list(self.varieties), "week": weeks}
        )

    def table(self, variety: str | None = None) -> pd.DataFrame:
        """Give the number of saleable plants by variety and week.

        Parameters
        ----------
        variety
            Which variety; all that are ordered if not given.

        Returns
        -------
        DataFrame
            variety, week, low, middle and high number; nine in ten lie between low and high.
        """
        names = self.varieties if variety is None else (variety,)
        counts = self.saleable.sel(variety=list(names)).to_numpy()
        quantiles = np.quantile(counts, RANGE, axis=2, method="inverted_cdf").astype(np.int64)
        weeks = [str(week) for week in self.weeks]
        frame = pd.DataFrame({"variety": np.repeat(names, len(weeks)), "week": weeks * len(names)})
        return frame.assign(**{name: part.ravel() for name, part in zip(RANGE_NAMES, quantiles, strict=True)})

    def wanted(self, variety: str | None = None) -> pd.DataFrame:
        """Give, for each row that is wanted, what comes of it.

        Parameters
        ----------
        variety
            Which variety; all that are ordered if not given.

        Returns
        -------
        DataFrame
            variety, week, wanted (all that is wanted of the variety by then; the likely number of a
            range), low, middle and high number saleable, and the chance that it suffices, where a range
            is drawn anew in every draw.
        """
        rows = []
        for name in self.varieties if variety is None else (variety,):
            total, needed = 0, np.zeros(self.draws)
            for row in self.season.wanted_of(name):
                total += row.likely_number
                needed = needed + drawn_demand(self._streams, row)
                chance = float(self.chances(name, week=row.week, at_least=needed).mean())
                low, middle, high = self.quantile(name, week=row.week)
                rows.append((name, str(row.week), total, low, middle, high, round(chance, 4)))
        return pd.DataFrame(rows, columns=["variety", "week", "wanted", *RANGE_NAMES, "chance"])

    def states(self, variety: str) -> xr.DataArray:
        """Give where the delivered plants of a variety are, in every week and draw.

        Parameters
        ----------
        variety
            Which variety.

        Returns
        -------
        DataArray of dimensions (state, week, draw)
            Expected number of plants, given the draw: in each stage of its route, ``saleable``, ``past
            its best`` and ``lost``. They add to the plants delivered so far.
        """
        batches = self._of(variety)
        route = [stage.stage for stage in self.season.route(variety)]
        numbers = np.zeros((len(route) + 3, self.season.weeks, self.draws))
        for batch in batches:
            elapsed = self._elapsed(batch)
            fate = self._fates[batch]
            delivered = (elapsed >= 0).astype(np.float64)[:, None]
            alive, ready = fate.course(elapsed)
            past = _later(ready, self._shelf_life(variety))
            shares = [*alive, ready - past, past, delivered - alive.sum(axis=0) - ready]
            numbers += batch.quantity * np.array(shares)
        names = [*route, "saleable", "past its best", "lost"]
        weeks = [str(week) for week in self.weeks]
        return xr.DataArray(numbers, dims=("state", "week", "draw"), coords={"state": names, "week": weeks})

    def in_place(self, week: Week | str) -> pd.DataFrame:
        """Give how many plants stand where in a week.

        Parameters
        ----------
        week
            On the Monday of which week.

        Returns
        -------
        DataFrame
            A row for each place, variety and stage with plants: low, middle and high number, and the
            middle area [m2]. What is wanted by then counts as sold.
        """
        at = self._week(week) - self.season.first_week
        rows = []
        for variety in self.varieties:
            stages = self.season.route(variety)
            batches = self._occupied(variety, range(at, at + 1), slice(None))
            plants = [sum(parts)[0] for parts in zip(*batches, strict=True)]
            for row, name, number in zip([*stages, stages[-1]], [*_names(stages), "saleable"], plants, strict=True):
                low, middle, high = np.rint(np.quantile(number, RANGE)).astype(int)
                if high > 0:
                    rows.append((row.place, variety, name, low, middle, high, round(middle / row.plants_per_m2, 2)))
        columns = ["place", "variety", "stage", *RANGE_NAMES, "area_m2"]
        return pd.DataFrame(rows, columns=columns).sort_values(["place", "variety"], kind="stable", ignore_index=True)

    @cached_property
    def area(self) -> xr.Dataset:
        """Area that plants stand on, by place, week and draw.

        ``expected`` [m2] given the draw, and ``deviation`` [m2], the standard deviation that the chance
        of single plants adds to it. What is wanted by a week counts as sold in it.
        """
        places = [row.place for row in self.season.places]
        expected = np.zeros((len(places), self.season.weeks, self.draws))
        variance = np.zeros_like(expected)
        parts = [slice(start, start + _TOGETHER) for start in range(0, self.draws, _TOGETHER)]
        jobs = [(variety, part) for part in parts for variety in self.varieties]
        for (_, part), areas in zip(jobs, on_all_cores(lambda job: self._areas(*job), jobs), strict=True):
            for place, (area, chance) in areas.items():
                expected[places.index(place), :, part] += area
                variance[places.index(place), :, part] += chance
        weeks = [str(week) for week in self.weeks]
        dims = ("place", "week", "draw")
        return xr.Dataset(
            {"expected": (dims, expected), "deviation": (dims, np.sqrt(variance))},
            coords={"place": places, "week": weeks},
        )

    def score(self, *name: str) -> Array:
        """Give normal scores for the chance of single plants under a name, shape (draws,)."""
        return self._streams.normal(("plants", *name), "chance")

    def __str__(self) -> str:
        parts = [
            f"{row['variety']}: about {rounded(row['middle'])} saleable in {row['week']} ({rounded(row['low'])} to "
            f"{rounded(row['high'])}); the {row['wanted']:,} wanted in {seasons(row['chance'])}."
            for row in self.wanted().to_dict("records")
        ]
        return "\n".join(parts) or "Nothing that is wanted has been ordered."

    def _areas(self, variety: str, draws: slice) -> dict[str, tuple[Array, Array]]:
        """Give the expected area [m2] of a variety in each place given the draw, and its variance by chance."""
        route = self.season.route(variety)
        stages = (*route, route[-1])  # saleable plants stand where the last stage did
        found: dict[str, tuple[Any, Any]] = {row.place: (0.0, 0.0) for row in stages}
        for batch, plants in zip(
            self._of(variety), self._occupied(variety, range(self.season.weeks), draws), strict=True
        ):
            for place, (total, variance) in found.items():
                here = [(row.plants_per_m2, n) for row, n in zip(stages, plants, strict=True) if row.place == place]
                area = sum(n / density for density, n in here)
                square = sum(n / density**2 for density, n in here)
                found[place] = (total + area, variance + np.maximum(square - area**2 / max(batch.quantity, 1), 0))
        return found

    def _occupied(self, variety: str, weeks: range, draws: slice) -> list[list[Array]]:
        """Plants of each batch on the benches by stage, given the draw, arrays of shape (weeks, draws).

        After the stages come saleable plants that are not sold yet; what is wanted by a week is sold in it.
        """
        first, life = self.season.first_week, self._shelf_life(variety)
        found: list[list[Array]] = []
        ready: Any = 0.0
        past: Any = 0.0
        for batch in self._of(variety):
            elapsed = np.array([float(first - batch.week + at) for at in weeks])
            fate = self._fates[batch].of(draws)
            standing, through = fate.course(elapsed)
            gone = np.zeros_like(through)
            if life is not None:
                gone = _later(through, life) if len(weeks) > 1 else fate.ready(elapsed - life)
            found.append([batch.quantity * alive for alive in (*standing, through - gone)])
            ready = ready + batch.quantity * through
            past = past + batch.quantity * gone
        wanted = self.season.wanted_of(variety)
        sold = np.array([sum(row.likely_number for row in wanted if row.week - first <= at) for at in weeks])
        unsold = ready - np.maximum(past, np.minimum(ready, sold[:, None]))
        for plants in found:
            plants[-1] *= unsold / np.maximum(ready - past, 1e-300)
        return found

    def _of(self, variety: str) -> list[Batch]:
        self.season.variety(variety)
        return self._by_variety.get(variety, [])

    @cached_property
    def _by_variety(self) -> dict[str, list[Batch]]:
        found: dict[str, list[Batch]] = defaultdict(list)
        for batch in self.batches:
            found[batch.variety].append(batch)
        return dict(found)

    def _week(self, week: Week | str) -> Week:
        asked = Week.parse(week)
        if not self.season.first_week <= asked <= self.season.last_week:
            remedy = f"Give a week from {self.season.first_week} to {self.season.last_week}."
            raise refuse("week", str(asked), "outside the season", remedy)
        return asked

    def _elapsed(self, batch: Batch) -> Array:
        return np.arange(self.season.weeks, dtype=np.float64) - (batch.week - self.season.first_week)

    def _shelf_life(self, variety: str) -> int | None:
        return self.season.variety(variety).shelf_life

    def _saleable_share(self, batch: Batch, elapsed: NDArray[np.int_]) -> Array:
        fate, life = self._fates[batch], self._shelf_life(batch.variety)
        ready = fate.ready(elapsed.astype(np.float64))
        return ready if life is None else ready - fate.ready(elapsed.astype(np.float64) - life)

    def _sampled_ready(self, batch: Batch) -> NDArray[np.int32]:
        """Sample the number ready by each week, one history a draw, shape (weeks, draws)."""
        ready = self._fates[batch].ready(self._elapsed(batch))
        steps = np.diff(ready, axis=0, prepend=0, append=1).clip(min=0).T
        rng = self._streams.generator("plants", batch.variety, str(batch.number))
        newly = rng.multinomial(batch.quantity, np.ascontiguousarray(steps))[:, :-1]
        return np.cumsum(newly, axis=1, dtype=np.int32).T


def drawn_demand(streams: Streams, row: Wanted) -> Array:
    """Give the number wanted in every draw, shape (draws,): always the same, or drawn from its range."""
    if row.demand is None:
        return np.full(streams.draws, float(row.likely_number))
    return row.demand.at(streams.normal(("demand", row.variety, str(row.week)), "demand"))


def _names(stages: Sequence[Stage]) -> list[str]:
    return [row.stage for row in stages]


def _later(ready: NDArray[Any], weeks: int | None) -> NDArray[Any]:
    """Those that were ready `weeks` before, shape (weeks, draws)."""
    before = np.zeros_like(ready)
    if weeks is not None:
        before[weeks:] = ready[:-weeks]
    return before
