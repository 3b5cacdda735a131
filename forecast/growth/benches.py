"""What is on the benches: plants by stage, and the area they take."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from forecast.executors import in_parts
from forecast.fates.fate import Batch, Draws, Fate
from forecast.growth.selling import Buyers, buyers_of, sell
from forecast.growth.stock import age_of, earlier
from forecast.season.season import Season
from forecast.season.stages import Stage
from forecast.streams import Array

_EVERY = slice(None)
_AREA_STEP, _VARIANCE_STEP = 2.0**-32, 2.0**-36  # m² and m4


class Grown(NamedTuple):
    """One batch as it grows: plants delivered, its fate, the weeks since delivery, shape (weeks,), and its `age_of`."""

    quantity: int
    fate: Fate
    elapsed: Array
    age: int = 0


def elapsed(season: Season, batch: Batch) -> Array:
    """Return the time since a delivery on each Monday of the season [weeks], shape (weeks,)."""
    return np.arange(season.weeks, dtype=np.float64) - (batch.week - season.first_week)


def grown(drawn: Draws, variety: str, draws: slice = _EVERY) -> list[Grown]:
    """Return the batches of a variety as they grow, in some of the draws."""
    return [
        Grown(
            one.quantity,
            fate if draws == _EVERY else fate.take(draws),
            elapsed(drawn.season, one),
            age_of(drawn.season, one),
        )
        for one in drawn.batches_of(variety)
        for fate in [drawn.fate(one)]
    ]


def on_benches(
    drawn: Draws, variety: str, batches: Sequence[Grown], at: NDArray[np.intp] | None = None, draws: slice = _EVERY
) -> list[list[Array]]:
    """Return what `occupied` does for the batches of a variety, its targets sold; in all weeks if not said which."""
    buyers = buyers_of(drawn.season, drawn.streams, variety, drawn.batches_of(variety))
    come = foreseen(drawn, variety) if buyers.holds else None
    weeks = np.arange(drawn.season.weeks) if at is None else at
    return occupied(batches, weeks, buyers.part(draws), come)


def foreseen(drawn: Draws, variety: str) -> Array:
    """Return the plants of a variety that are expected to have become ready by each week, shape (weeks,)."""
    own = drawn.batches_of(variety)
    ready = (one.quantity * drawn.fate(one).ready(elapsed(drawn.season, one)).mean(axis=1) for one in own)
    return np.asarray(sum(ready, np.zeros(drawn.season.weeks)))


def area(drawn: Draws) -> tuple[Array, Array]:
    """Return the expected area [m²] that plants take and its variance [m⁴], shapes (places, weeks, draws)."""
    season, places = drawn.season, list(drawn.season.place_names)
    expected = np.zeros((len(places), season.weeks, drawn.streams.draws))
    variance = np.zeros_like(expected)

    def fill(part: slice) -> None:
        for row in season.varieties:
            if batches := grown(drawn, row.variety, part):
                shares = on_benches(drawn, row.variety, batches, draws=part)
                for place, (mean, chance) in areas(season.route(row.variety), batches, shares).items():
                    expected[places.index(place), :, part] += mean
                    variance[places.index(place), :, part] += chance

    in_parts(drawn.streams.draws, fill)
    return expected, variance


def occupied(
    batches: Sequence[Grown],
    at: NDArray[np.intp],
    buyers: Buyers,
    come: Array | None = None,
) -> list[list[Array]]:
    """Return the share of each batch of a variety that is on the benches, expected given the draw.

    For each batch: arrays of shape (weeks, draws) [0 to 1] for each stage, and for saleable plants not sold yet.
    Batches know the weeks of the whole season, `at` numbers those that are asked for: one, or all. What is sold in a
    week, as by `sell`, which foresees what will `come`, leaves the bench on its Monday; from the last sale on so does
    all that is saleable.
    """
    standing, through = [], []
    for batch in batches:
        alive, ready = batch.fate.course(batch.elapsed[at])
        standing.append(alive)
        through.append(ready if at.size == batch.elapsed.size else batch.fate.ready(batch.elapsed))
    plants = np.asarray(sum(batch.quantity * ready for batch, ready in zip(batches, through, strict=True)))
    unsold = sell(plants, buyers, come).after
    unsold[buyers.last if buyers.rows else len(unsold) :] = 0
    unsold = unsold[at]
    lives = [None if (life := buyers.saleable_weeks) is None else max(life - one.age, 0) for one in batches]
    fresh = [(ready - earlier(ready, life))[at] for ready, life in zip(through, lives, strict=True)]
    whole = sum(batch.quantity * share for batch, share in zip(batches, fresh, strict=True))
    part = np.minimum(unsold / np.maximum(whole, 1e-9), 1)
    return [[*alive, good * part] for alive, good in zip(standing, fresh, strict=True)]


def areas(
    route: Sequence[Stage], batches: Sequence[Grown], shares: Sequence[Sequence[Array]]
) -> dict[str, tuple[Array, Array]]:
    """Return the area of a variety in each place, and its variance by the chance of single plants.

    By place, expected area [m²] and variance [m⁴], arrays of shape (weeks, draws), of the `shares` that `occupied`
    returns. Saleable plants are in the place of the last stage.

    Notes
    -----
    Given the draw the N plants of a batch are spread over stages by a multinomial distribution: with shares p_k
    of a_k m² each, the variance is N (sum p_k a_k^2 - (sum p_k a_k)^2). Areas are held to multiples of 2^-32 m² and
    variances to 2^-36 m4, so that those of many varieties add to the same in any order.
    """
    stages = (*route, route[-1])
    shape = shares[0][0].shape
    found = {row.place: (np.zeros(shape), np.zeros(shape)) for row in stages}
    for batch, parts in zip(batches, shares, strict=True):
        here: dict[str, list[tuple[slice, Array, Array]]] = {place: [] for place in found}
        for row, share in zip(stages, parts, strict=True):
            weeks = _span(share)
            area = share[weeks] / row.plants_per_m2
            here[row.place].append((weeks, area, area / row.plants_per_m2))
        for place, terms in here.items():
            weeks = slice(min(w.start for w, _, _ in terms), max(w.stop for w, _, _ in terms))
            one = np.zeros((weeks.stop - weeks.start, shape[1]))
            square = np.zeros_like(one)
            for w, area, squared in terms:
                one[w.start - weeks.start : w.stop - weeks.start] += area
                square[w.start - weeks.start : w.stop - weeks.start] += squared
            expected, variance = found[place]
            expected[weeks] += batch.quantity * one
            square -= one**2
            variance[weeks] += batch.quantity * np.maximum(square, 0, out=square)
    return {
        place: (held(expected, _AREA_STEP), held(variance, _VARIANCE_STEP))
        for place, (expected, variance) in found.items()
    }


def held(numbers: Array, step: float) -> Array:
    """Hold numbers, in place, to whole multiples of a step, a power of two: sums of these are exact.

    So sums do not depend on their order, as long as they are below 2^53 steps. Numbers above 2^51 steps are held to
    larger ones.
    """
    numbers += 1.5 * 2**52 * step  # whose last digit is the step
    numbers -= 1.5 * 2**52 * step
    return numbers


def _span(share: Array) -> slice:
    """Weeks from the first to the last in which there is anything."""
    weeks = np.flatnonzero(share.any(axis=1))
    return slice(int(weeks[0]), int(weeks[-1]) + 1) if weeks.size else slice(0, 0)
