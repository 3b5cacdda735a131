"""Rates that change from subculture to subculture."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from forecast.errors import Refused, real, refuse

_NUMBER = re.compile(r"(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")
_STEEPEST = 100.0  # of the logarithm of a rate


@dataclass(frozen=True)
class ByCycle:
    """A number, finite and from 0, for each subculture (cycle) from the first; the last holds for all later ones.

    Examples
    --------
    >>> rate = ByCycle.parse("2.1 2.6 2.4")
    >>> rate.at(2), rate.at(9)
    (2.6, 2.4)
    """

    values: tuple[float, ...]

    def __post_init__(self) -> None:
        if not self.values or not all(0 <= value < math.inf for value in self.values):
            raise _refused(str(self))

    @classmethod
    def parse(cls, cell: str | float | Sequence[float] | ByCycle) -> ByCycle:
        """Read numbers separated by spaces, a number, or a sequence of numbers; `Refused` if it is none of these."""
        if isinstance(cell, ByCycle):
            return cell
        if isinstance(cell, bool):
            raise _refused(cell)
        if isinstance(cell, str):
            words = cell.split()
            if not words or not all(_NUMBER.fullmatch(word) for word in words):
                raise _refused(cell)
            return cls(tuple(float(word) for word in words))
        try:
            return cls(tuple(float(value) for value in cell) if isinstance(cell, Sequence) else (float(cell),))
        except (TypeError, ValueError, OverflowError) as error:
            raise _refused(str(cell)) from error

    @classmethod
    def from_totals(cls, totals: Mapping[int, float], *, start: float = 1.0) -> ByCycle:
        """Return the rates, falling or rising by the same share each cycle, that fit counts after some cycles.

        `totals` are plants after so many cycles, such as ``{6: 584, 8: 3451}``; `start` the plants at the beginning.
        `Refused` if a total is not above 0, a cycle not a whole number from 1, or the fit gives no rates.

        Notes
        -----
        The rate of cycle i is a f^(i - 1); log totals are fitted by least squares, exactly if there are two.
        One total gives the same rate in all cycles.
        """
        real("start", start, gt=0)
        if not totals or not all(1 <= n < 10**6 and n == int(n) and 0 < t < math.inf for n, t in totals.items()):
            remedy = "Give cycles from 1 with plants above 0, such as {6: 584, 8: 3451}."
            raise refuse("totals", str(dict(totals)), "not plants counted after cycles", remedy)
        cycles = np.array(sorted(totals), dtype=np.float64)
        logs = np.log([totals[int(n)] / start for n in cycles])
        columns = np.stack([cycles, cycles * (cycles - 1) / 2], axis=1)[:, : min(len(totals), 2)]
        found = [*np.linalg.lstsq(columns, logs, rcond=None)[0], 0.0]
        rates = found[0] + found[1] * np.arange(cycles[-1])
        if np.abs(rates).max() > _STEEPEST:
            remedy = "Check the totals; they would need rates beyond any that occur."
            raise refuse("totals", str(dict(totals)), "no rates fit these totals", remedy)
        return cls(tuple(np.exp(rates).tolist()))

    def at(self, cycle: int) -> float:
        """Return the number for a cycle, counted from 1."""
        return self.values[min(max(cycle, 1), len(self.values)) - 1]

    def __str__(self) -> str:
        return " ".join(repr(float(value)).removesuffix(".0") for value in self.values)  # every digit


def _refused(cell: object) -> Refused:
    remedy = "Write one number, or one for each cycle separated by spaces, such as 2.1 2.6 2.4; decimals with a point."
    return refuse("values", cell, "not numbers from 0, one for each cycle", remedy)
