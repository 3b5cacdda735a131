"""One seed, and a named stream of random numbers for every uncertain quantity."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Hashable, Mapping, Sequence
from threading import Lock
from typing import Any, TypeVar, cast

import numpy as np
import scipy  # imports its parts when they are used: stats takes a third of a second
from numpy.typing import NDArray
from scipy.special import ndtri

from forecast.errors import whole

Array = NDArray[np.float64]
_Made = TypeVar("_Made")

DRAWS = 4096  # of a simulation, by default
PLANNING_DRAWS = 1024  # of a search over many orders, by default
MOST_DRAWS = 2**22
_EDGE = 2.0**-32
_POINTS = 2**26  # bytes of scores that are kept
_LATEST = 2**27  # bytes of what else is kept while there is room


class Latest:
    """What was made or asked for last, as far as it fits into so many bytes; what has gone is made again."""

    def __init__(self, most: int) -> None:
        self._most, self._bytes, self._lock = most, 0, Lock()
        self._made: dict[Hashable, tuple[Any, int]] = {}

    def __reduce__(self) -> tuple[Any, ...]:
        """Send how much is kept, and nothing that is."""
        return Latest, (self._most,)

    def get(self, key: Hashable, make: Callable[[], _Made], size: int) -> _Made:
        """Return what is kept under a key, or make it: it takes about so many bytes."""
        with self._lock:
            found = self._made.pop(key, None)
            if found is not None:
                self._made[key] = found
        if found is None:
            found = make(), size  # by two threads at once, perhaps: what they make is the same
            with self._lock:
                self._bytes += size - self._made.pop(key, (None, 0))[1]
                self._made[key] = found
                while self._bytes > self._most and len(self._made) > 1:
                    self._bytes -= self._made.pop(next(iter(self._made)))[1]
        return cast("_Made", found[0])


class Streams:
    """Standard normal scores for named quantities, the same for the same seed and name.

    Every owner (the season, a variety, a batch) has its own scrambled Sobol points in its own
    order; the quantities of one owner that are in `coordinates` are the coordinates of these points,
    so they fill their space evenly together. Any other quantity has points of its own, one
    coordinate wide. A stream depends on the seed, the owner and the quantity alone: what else a
    season holds never changes it. The first N of 2N draws are the N draws; there can be 1 to 4,194,304,
    and powers of two are the most even.

    Notes
    -----
    The points of different owners are put in different orders by shuffling positions 2^k to
    2^(k+1) - 1 among themselves, which keeps every prefix of 2^k points a digital net and every
    shorter run the beginning of a longer one.

    References
    ----------
    Owen, A. B. (1998). Scrambling Sobol' and Niederreiter-Xing points. J. Complexity 14, 466-489.
    doi:10.1006/jcom.1998.0487

    Examples
    --------
    >>> short, long = Streams(7, 512), Streams(7, 1024)
    >>> owner = ("batch", "A", "1")
    >>> bool((long.normal(owner, "survival")[:512] == short.normal(owner, "survival")).all())
    True
    """

    def __init__(self, seed: int, draws: int, coordinates: Sequence[str] = ()) -> None:
        self.seed = whole("seed", seed, 0, 2**63 - 1)
        self.draws = whole("draws", draws, 1, MOST_DRAWS)
        self.coordinates = tuple(coordinates)
        self._coordinates = {name: i for i, name in enumerate(coordinates)}
        self._points, self._latest = Latest(_POINTS), Latest(_LATEST)
        self._once: dict[Hashable, Any] = {}

    def normal(self, owner: tuple[str, ...], quantity: str) -> Array:
        """Return the standard normal scores of one quantity of an owner, shape (draws,), read-only."""
        if quantity in self._coordinates:
            name, at = owner, self._coordinates[quantity]
        else:
            name, at = (*owner, quantity), 0
        scores: Array = self._scores(name, len(self._coordinates) if name is owner else 1)[at]
        return scores

    def generator(self, *name: str) -> np.random.Generator:
        """Return the pseudo-random generator of a name, for the luck of single plants."""
        return np.random.default_rng(self._entropy(name))

    def once(self, key: Hashable, make: Callable[[], _Made]) -> _Made:
        """Return what was made of these streams under a key, made on the first call."""
        if key not in self._once:
            self._once[key] = make()
        return cast("_Made", self._once[key])

    def latest(self, key: Hashable, make: Callable[[], _Made], numbers: int) -> _Made:
        """Return what was made of these streams under a key, about so many numbers a draw, or make it if it has gone.

        Of what was made and asked for last an eighth of a gibibyte is kept.
        """
        return self._latest.get(key, make, 8 * self.draws * numbers)

    def _entropy(self, name: tuple[str, ...]) -> list[int]:
        digest = hashlib.blake2b("\x1f".join(name).encode(), digest_size=16).digest()
        return [self.seed, *np.frombuffer(digest, dtype="<u4").tolist()]

    def _scores(self, name: tuple[str, ...], width: int) -> Array:
        return self._points.get(name, lambda: self._drawn(name, width), 8 * self.draws * width)

    def _drawn(self, name: tuple[str, ...], width: int) -> Array:
        rng = self.generator(*name)
        powers = (self.draws - 1).bit_length()
        sobol = scipy.stats.qmc.Sobol(width, scramble=True, rng=rng)
        shells = [2**k + rng.permutation(2**k) for k in range(powers)]
        order = np.concatenate([[0], *shells]).astype(np.intp)[: self.draws]
        uniform = np.ascontiguousarray(sobol.random_base2(powers)[order].T)
        scores: Array = ndtri(np.clip(uniform, _EDGE, 1 - _EDGE))
        scores.flags.writeable = False
        return scores


class IndependentSets(Streams):
    """Streams of which the draws are some sets, one after the other, each with points of its own.

    Within a set draws are as even as those of `Streams`; sets are independent, so that what they differ by is the error
    of a mean over all. Their sizes differ by at most one.
    """

    def __init__(self, seed: int, draws: int, coordinates: Sequence[str], sets: int) -> None:
        super().__init__(seed, draws, coordinates)
        sizes = [draws // sets + (at < draws % sets) for at in range(sets)]
        seeds = [int(self.generator("set", str(at)).integers(2**62)) for at in range(sets)]
        self._sets = [Streams(one, size, coordinates) for one, size in zip(seeds, sizes, strict=True) if size]

    def _drawn(self, name: tuple[str, ...], width: int) -> Array:
        scores = np.concatenate([part._drawn(name, width) for part in self._sets], axis=1)
        scores.flags.writeable = False
        return scores


class GivenStreams(Streams):
    """Streams of which some scores are given, by owner and quantity, shape (draws,) each; the others are of `streams`.

    With `same_weather`, what was made `once` of the other streams, such as their weather, is shared.
    """

    def __init__(
        self, streams: Streams, given: Mapping[tuple[tuple[str, ...], str], Array], *, same_weather: bool
    ) -> None:
        super().__init__(streams.seed, streams.draws, streams.coordinates)
        self._points = streams._points  # drawn for all
        self._given = given
        if same_weather:
            self._once = streams._once

    def normal(self, owner: tuple[str, ...], quantity: str) -> Array:
        """Return the scores of one quantity of one owner: those given, or else those drawn."""
        given = self._given.get((owner, quantity))
        return super().normal(owner, quantity) if given is None else given
