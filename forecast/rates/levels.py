"""What a quantity varies by: the six levels of variation."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from forecast.errors import refuse
from forecast.streams import Array

WORDS = ("belief", "season", "variety", "batch", "cycle", "plant")
_CHAIN = re.compile(r"[a-z]+ [0-9.]+(?: [a-z]+ [0-9.]+)*")
_REMEDY = (
    "Write one of belief, season, variety, batch, cycle (of a culture), plant, or shares of all but the last "
    "that add to 1, such as 'season 0.3 variety 0.2 batch 0.5'."
)


@dataclass(frozen=True)
class Level:
    """What a quantity varies by: one of six levels of variation, or shares of several (variance components).

    ========== ================== ========================================================================
    word       varies by          in one simulated season
    ========== ================== ========================================================================
    `belief`   unknown true value all that share the rate have the same value: nobody knows the true one
    `season`   season             all batches have the same value, whatever their variety
    `variety`  variety            all batches of a variety have the same value
    `batch`    batch              each delivery has its own value, and each clone line of a culture
    `cycle`    subculture         each subculture of a culture has its own value
    `plant`    plant              each plant has its own value, so that only the mean counts
    ========== ================== ========================================================================

    `shares` are pairs of word and share of the variance [0 to 1] of the normal score. They add to 1, and ``plant``
    has no other beside it.

    Notes
    -----
    The normal score of batch b is z = sum over words of sqrt(share) * z[word, owner of b], and the
    quantity takes its quantile at Phi(z): a Gaussian copula. Every batch keeps the stated
    distribution; two batches are correlated through what they share.

    References
    ----------
    Nelsen, R. B. (2006). An Introduction to Copulas, 2nd ed. doi:10.1007/0-387-28678-0

    Examples
    --------
    >>> str(Level.parse("batch"))
    'batch'
    >>> Level.parse("season 0.3 variety 0.2 batch 0.5").shares
    (('season', 0.3), ('variety', 0.2), ('batch', 0.5))
    """

    shares: tuple[tuple[str, float], ...]

    def __post_init__(self) -> None:
        words = [word for word, _ in self.shares]
        shares = [share for _, share in self.shares]
        sound = (
            set(words) <= set(WORDS)
            and len(set(words)) == len(words)
            and (len(words) == 1 or "plant" not in words)
            and all(0 < share <= 1 for share in shares)
            and math.isclose(sum(shares), 1, abs_tol=1e-9)
        )
        if not sound:
            raise refuse("level", str(self), "not a level", _REMEDY)

    @classmethod
    def parse(cls, text: str | Level) -> Level:
        """Read one word, or words each with its share of the variance; a `Level` passes through."""
        if isinstance(text, Level):
            return text
        plain = " ".join(str(text).split())
        if plain in WORDS:
            return cls(((plain, 1.0),))
        if not _CHAIN.fullmatch(plain):
            raise refuse("level", text, "not a level", _REMEDY)
        parts = plain.split(" ")
        try:
            shares = tuple((word, float(share)) for word, share in zip(parts[::2], parts[1::2], strict=True))
        except ValueError as error:
            raise refuse("level", text, "not a level", _REMEDY) from error
        return cls(shares)

    @property
    def plant(self) -> bool:
        """Whether it varies by plant alone."""
        return self.shares[0][0] == "plant"

    @property
    def greatest(self) -> str:
        """The word with the greatest share; ``belief`` only where it is the only one."""
        return max(self.shares, key=lambda pair: (pair[0] != "belief", pair[1]))[0]

    @property
    def doubted(self) -> bool:
        """Whether a part of the variance is doubt about the true value, beside others."""
        return len(self.shares) > 1 and any(word == "belief" for word, _ in self.shares)

    def score(self, normal: Callable[[str], Array]) -> Array:
        """Return the standard normal scores by those of each word's owner; a single 0 if it varies by plant alone."""
        if self.plant:
            return np.zeros(1)
        return np.asarray(sum(math.sqrt(share) * normal(word) for word, share in self.shares))

    def __str__(self) -> str:
        if len(self.shares) == 1:
            return self.shares[0][0]
        return " ".join(f"{word} {Decimal(repr(float(share))):f}" for word, share in self.shares)  # every digit
