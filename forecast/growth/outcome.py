"""What comes of a season's orders, in every draw, and the questions that can be asked of it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import ArrayLike, NDArray

from forecast.errors import refuse, whole
from forecast.executors import in_parts
from forecast.growth.benches import Grown, areas, held, occupied
from forecast.growth.fate import Batch, Fate
from forecast.growth.stock import drawn_demand, earlier, on_hand, sampled
from forecast.growth.summaries import RANGE, RANGE_NAMES, as_targets, by_week, ranges
from forecast.growth.tails import sum_at_least
from forecast.season.season import Season
from forecast.streams import Array, Streams
from forecast.weeks import Week
from forecast.words.numbers import rounded, seasons

_LOG_STEP = 2.0**-32


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
    begun
        Whether the season has begun, so that the batches are what is left of its deliveries.
    """

    def __init__(
        self, season: Season, batches: Sequence[Batch], fates: Sequence[Fate], streams: Streams, *, begun: bool = False
    ) -> None:
        self.season = season
        self.begun = begun
        self.batches = tuple(batches)
        self.draws = streams.draws
        self.seed = streams.seed
        self.streams = streams
        self._fates: Mapping[Batch, Fate] = dict(zip(self.batches, fates, strict=True))

    @cached_property
    def weeks(self) -> tuple[Week, ...]:
        """Weeks of the season."""
        return tuple(self.season.first_week + i for i in range(self.season.weeks))

    @cached_property
    def _names(self) -> list[str]:
        return [str(week) for week in self.weeks]

    @cached_property
    def varieties(self) -> tuple[str, ...]:
        """Varieties of which plants are ordered, in the season's order."""
        ordered = {batch.variety for batch in self.batches}
        return tuple(row.variety for row in self.season.varieties if row.variety in ordered)

    def chance(self, variety: str, *, week: Week | str, at_least: int) -> float:
        """Return the chance that at least so many plants of a variety are saleable in a week.

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
        return float(self.chances(variety, week=week, at_least=whole("at_least", at_least, 0, 10**12)).mean())

    def chances(self, variety: str, *, week: Week | str, at_least: ArrayLike) -> Array:
        """Return the chance of at least so many saleable plants in every draw, as `chance` gives their mean.

        Parameters
        ----------
        variety, week
            Which variety, on the Monday of which week.
        at_least
            How many plants, one number for all draws or shape (draws,).

        Returns
        -------
        array of shape (draws,)
        """
        monday = self._week(week)
        if not (batches := self._of(variety)):
            return np.broadcast_to(np.where(np.asarray(at_least) <= 0, 1.0, 0.0), (self.draws,)).astype(np.float64)
        life = self._saleable_weeks(variety)
        shares = [self._fates[one].saleable(np.array([float(monday - one.week)]), life)[0] for one in batches]
        return sum_at_least(at_least, [batch.quantity for batch in batches], shares)

    def quantile(self, variety: str, *, week: Week | str, q: ArrayLike = RANGE) -> NDArray[np.int64]:
        """Return quantiles of the number of saleable plants of a variety in a week.

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
        try:
            target = np.asarray(q, dtype=np.float64)
        except (TypeError, ValueError):
            target = np.array(np.nan)
        if not ((target >= 0) & (target <= 1)).all():
            raise refuse("q", str(q), "not a probability", "Give numbers from 0 to 1.")
        at = self._week(week) - self.season.first_week
        counts = self.counted(variety)[at] if self._of(variety) else np.zeros(1)
        return np.asarray(np.quantile(counts, target, method="inverted_cdf"), dtype=np.int64)

    @cached_property
    def saleable(self) -> xr.DataArray:
        """Number of saleable plants in one history a draw, by variety, week and draw, if none is sold."""
        counts = np.zeros((len(self.varieties), self.season.weeks, self.draws), dtype=np.int32)
        for i, variety in enumerate(self.varieties):
            counts[i] = self.counted(variety)
        names = {"variety": list(self.varieties), "week": self._names}
        return xr.DataArray(_frozen(counts), dims=("variety", "week", "draw"), coords=names)

    def table(self, variety: str | None = None, *, sold: bool = False) -> pd.DataFrame:
        """Return the number of saleable plants by variety and week.

        Parameters
        ----------
        variety
            Which variety; all that are ordered if not given.
        sold
            Whether what is wanted in a week is sold in it, as far as it is there: then the number is what is
            on hand before that week's sale.

        Returns
        -------
        DataFrame
            variety, week, low, middle and high number; nine in ten lie between low and high.
        """
        names = self.varieties if variety is None else (variety,)
        found = [ranges(self.on_hand(name)[0] if sold else self.counted(name)) for name in names]
        return by_week(names, self._names, found)

    def targets(self, variety: str | None = None) -> pd.DataFrame:
        """Return, for each row that is wanted, what comes of it.

        Parameters
        ----------
        variety
            Which variety; all that are ordered if not given.

        Returns
        -------
        DataFrame
            variety, week, wanted (the likely number of a range), low, middle and high number on hand in that
            week after what earlier weeks want is sold, and the chance that it suffices.

        Notes
        -----
        The chance of the first row of a variety is exact given the draws; that of a later one is the share of
        sampled histories. A range that is wanted is drawn anew in every draw.
        """
        names = self.varieties if variety is None else (variety,)
        return as_targets(row for name in names for row in self.asked(name)[0])

    def chance_of_all(self) -> float:
        """Return the chance [0 to 1] that everything that is wanted is met, in one and the same season.

        What nobody has ordered is not met.
        """
        names = self.season.targeted
        return float(np.exp(sum((self.asked(name)[1] for name in names), np.zeros(self.draws))).mean())

    def asked(self, variety: str) -> tuple[list[tuple[Any, ...]], Array]:
        """Return what comes of all that is wanted of a variety.

        Returns
        -------
        rows of `wanted`, and the logarithm of the chance that all of it is met, shape (draws,)
            Of several rows, which hang together, all are taken from the same sampled history. Held to multiples of
            2^-32, so that sums over varieties do not depend on their order.
        """
        sales = self._sales(variety)
        if not sales:
            self.season.variety(variety)
            return [], np.zeros(self.draws)
        hand = self.on_hand(variety)[0]
        there = np.array([hand[at] >= number for at, number in sales], dtype=np.float64)
        first = self.chances(variety, week=self.season.first_week + sales[0][0], at_least=sales[0][1])
        rows = [
            (variety, str(row.week), row.median_demand, *ranges(hand[at : at + 1])[:, 0], round(float(met.mean()), 4))
            for row, (at, _), met in zip(self.season.targets_of(variety), sales, [first, *there[1:]], strict=True)
        ]
        with np.errstate(divide="ignore"):  # the logarithm of no chance at all
            return rows, held(np.log(first if len(sales) == 1 else there.min(axis=0)), _LOG_STEP)

    def _sales(self, variety: str) -> list[tuple[int, Array]]:
        rows = self.season.targets_of(variety)
        return [(row.week - self.season.first_week, drawn_demand(self.streams, row)) for row in rows]

    def on_hand(self, variety: str) -> tuple[Array, Array]:
        """Return the plants of one history a draw before and after each week's sale, arrays of shape (weeks, draws)."""
        return on_hand(self.ready[variety], self._saleable_weeks(variety), self._sales(variety))

    def counted(self, variety: str) -> NDArray[np.int32]:
        """Return the saleable plants of one history a draw, if none is sold, shape (weeks, draws)."""
        ready = self.ready[variety]
        counts: NDArray[np.int32] = ready - earlier(ready, self._saleable_weeks(variety))
        return counts

    @cached_property
    def ready(self) -> Mapping[str, NDArray[np.int32]]:
        """Number that have become saleable by each week in one history a draw, shape (weeks, draws)."""
        nothing = np.zeros((self.season.weeks, self.draws), dtype=np.int32)
        found: dict[str, NDArray[np.int32]] = defaultdict(lambda: nothing)
        for batch in self.batches:
            share = self._fates[batch].ready(self._elapsed(batch))
            rng = self.streams.generator("plants", batch.variety, str(batch.number))
            found[batch.variety] = _frozen(found[batch.variety] + sampled(share, batch.quantity, rng))
        return found

    def states(self, variety: str) -> xr.DataArray:
        """Return where the delivered plants of a variety are, in every week and draw.

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
        route = [stage.stage for stage in self.season.route(variety)]
        numbers = np.zeros((len(route) + 3, self.season.weeks, self.draws))
        for batch in self._of(variety):
            elapsed = self._elapsed(batch)
            delivered = (elapsed >= 0).astype(np.float64)[:, None]
            alive, ready = self._fates[batch].course(elapsed)
            past = earlier(ready, self._saleable_weeks(variety))
            shares = [*alive, ready - past, past, delivered - alive.sum(axis=0) - ready]
            numbers += batch.quantity * np.array(shares)
        names = [*route, "saleable", "past its best", "lost"]
        return xr.DataArray(numbers, dims=("state", "week", "draw"), coords={"state": names, "week": self._names})

    def in_place(self, week: Week | str) -> pd.DataFrame:
        """Return how many plants stand where in a week.

        Parameters
        ----------
        week
            On the Monday of which week.

        Returns
        -------
        DataFrame
            A row for each place, variety and stage with plants: low, middle and high number expected given the
            draw (single plants' chance adds little and is left out), and the middle area [m²]. What is wanted
            by then counts as sold.
        """
        at = self._week(week) - self.season.first_week
        rows = []
        for variety in self.varieties:
            stages = self.season.route(variety)
            shares = self._occupied(variety, np.array([at]), slice(None))
            sizes = [batch.quantity for batch in self._of(variety)]
            plants = np.tensordot(sizes, np.array(shares)[:, :, 0], axes=1)
            names = [*(one.stage for one in stages), "saleable"]
            for row, name, number in zip([*stages, stages[-1]], names, plants, strict=True):
                low, middle, high = np.rint(np.quantile(number, RANGE)).astype(int)
                if high > 0:
                    rows.append((row.place, variety, name, low, middle, high, round(middle / row.plants_per_m2, 2)))
        columns = ["place", "variety", "stage", *RANGE_NAMES, "area_m2"]
        return pd.DataFrame(rows, columns=columns).sort_values(["place", "variety"], ignore_index=True)

    @cached_property
    def area(self) -> xr.Dataset:
        """Area that plants stand on, by place, week and draw.

        ``expected`` [m²] given the draw, and ``deviation`` [m²], the standard deviation that the chance
        of single plants adds to it. What is wanted by a week counts as sold in it.
        """
        expected, variance = self.area_sums()
        dims = ("place", "week", "draw")
        return xr.Dataset(
            {"expected": (dims, expected), "deviation": (dims, np.sqrt(variance))},
            coords={"place": list(self.season.place_names), "week": self._names},
        )

    def area_sums(self) -> tuple[Array, Array]:
        """Return the expected area and its variance, shapes (places, weeks, draws)."""
        places = list(self.season.place_names)
        expected = np.zeros((len(places), self.season.weeks, self.draws))
        variance = np.zeros_like(expected)

        def fill(part: slice) -> None:
            for variety in self.varieties:
                route, grown = self.season.route(variety), self._grown(variety, part)
                shares = self._occupied(variety, np.arange(self.season.weeks), part)
                for place, (area, chance) in areas(route, grown, shares).items():
                    expected[places.index(place), :, part] += area
                    variance[places.index(place), :, part] += chance

        in_parts(self.draws, fill)
        return expected, variance

    def fate(self, batch: Batch) -> Fate:
        """Return what one of the batches meets in every draw."""
        return self._fates[batch]

    def area_of(self, batch: Batch) -> dict[str, tuple[Array, Array]]:
        """Return the expected area of one batch in each place [m²] and its variance; sales are shared in proportion."""
        shares = self._occupied(batch.variety, np.arange(self.season.weeks), slice(None))
        at, grown = self._of(batch.variety).index(batch), self._grown(batch.variety, slice(None))
        return areas(self.season.route(batch.variety), [grown[at]], [shares[at]])

    def score(self, *name: str) -> Array:
        """Return normal scores for the chance of single plants under a name, shape (draws,)."""
        return self.streams.normal(("plants", *name), "chance")

    def __str__(self) -> str:
        parts = [
            f"{row['variety']}: about {rounded(row['median'])} saleable in {row['week']} ({rounded(row['p5'])} to "
            f"{rounded(row['p95'])}); the {row['target']:,} wanted in {seasons(row['chance'])}."
            for row in self.targets().to_dict("records")
        ]
        return "\n".join(parts) or "Nothing that is wanted has been ordered."

    def _occupied(self, variety: str, at: NDArray[np.intp], draws: slice) -> list[list[Array]]:
        sales = [(week, number[draws]) for week, number in self._sales(variety)]
        return occupied(self._grown(variety, draws), at, self._saleable_weeks(variety), sales)

    def _grown(self, variety: str, draws: slice) -> list[Grown]:
        return [Grown(row.quantity, self._fates[row].take(draws), self._elapsed(row)) for row in self._of(variety)]

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
        asked, first, last = Week.parse(week), self.season.first_week, self.season.last_week
        if not first <= asked <= last:
            raise refuse("week", str(asked), "outside the season", f"Give a week from {first} to {last}.")
        return asked

    def _elapsed(self, batch: Batch) -> Array:
        return np.arange(self.season.weeks, dtype=np.float64) - (batch.week - self.season.first_week)

    def _saleable_weeks(self, variety: str) -> int | None:
        return self.season.variety(variety).saleable_weeks


def _frozen(counts: NDArray[np.int32]) -> NDArray[np.int32]:
    counts.flags.writeable = False
    return counts
