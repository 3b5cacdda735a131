"""Shares, times and amounts to the last digit, as they were when they were written down.

Whether they are right, other tests say.
"""

from collections.abc import Callable, Sequence

import numpy as np
import pytest
from same_digits import same, weighed

from forecast.rates.amounts import Amount, Count
from forecast.rates.by_cycle import ByCycle
from forecast.rates.distributions import Duration, Share
from forecast.rates.levels import Level

SCORES = np.array([-30.0, -9, -6.5, -3, -0.4, 0, 1.3, 4, 6.5, 8, 20, 40])
U = np.array([0.001, 0.05, 0.4, 0.5, 0.95, 0.999])


def shares() -> list[float]:
    """Of one with a peak inside, one with peaks at both ends, one known, and some by other numbers."""
    some = [Share(0.8, 0.12, "batch"), Share(0.5, 0.4, "batch"), Share(0.97, 0, "batch")]
    some += [Share.from_counts(45, 50, level="batch"), Share.from_range(0.6, 0.9, level="batch")]
    some += [Share.from_range(0.01, 0.99, level="batch"), Share.from_range(0.95, 0.999, level="batch")]
    ends = [(one.mean, one.sd, one.variance) for one in some]
    return [*weighed(ends), *weighed(*(one.log_at(SCORES) for one in some), *(one.quantile(U) for one in some))]


def times() -> list[float]:
    some = [Duration(4, 0.2, 0.1, "batch"), Duration.from_range(3, 6, plants_cv=0.2, level="batch")]
    numbers = [(one.median, one.batches_cv, one.plants_cv, *one.log_sds, one.mean, one.variance) for one in some]
    return weighed(numbers, *(one.quantile(U) for one in some), *(one.at(SCORES / 10) for one in some))


def amounts() -> list[float]:
    one, few = Amount(300, 400, 600), Amount(0.3, 2, 9)
    numbers = [(law.mean, law.variance) for amount in (one, few) for law in (amount, Count(amount))]
    laws = [law for amount in (one, few) for law in (amount, Count(amount))]
    return [*weighed(numbers), *weighed(*(law.quantile(U) for law in laws), *(law.at(SCORES / 10) for law in laws))]


def cycles() -> list[float]:
    some = [ByCycle.parse("3 4 3.5"), ByCycle.from_totals({1: 3.0, 3: 21.0, 5: 80.0}), ByCycle.parse(2.5)]
    score = Level.parse("season 0.3 variety 0.2 batch 0.5").score(lambda word: np.array([len(word) / 5, -1.0]))
    return weighed([[one.at(cycle) for cycle in range(1, 7)] for one in some], score)


CASES: dict[str, Callable[[], list[float]]] = {"shares": shares, "times": times, "amounts": amounts, "cycles": cycles}


KNOWN: dict[str, Sequence[float]] = {
    "shares": (
        9.59170850893,
        -72.2701828212,
        -2006.27558073,
        -0.541808382738,
        -14.2125574638,
        -40.0708308774,
        -1003.846918,
        -9.4785801761,
        6.25203915939,
        3.82680497192,
        8.0219,
        7.26798384487,
        6.14006760055,
        3.93182633434,
        8.03494631115,
    ),
    "times": (25.8623203353, 35.1554275317, 37.6038370858, 80.9716331735, 86.9274345791),
    "amounts": (
        31751.2633452,
        3750.08908891,
        3750.718,
        56.1281941082,
        55.252,
        8620.46229111,
        8621.412,
        185.312130092,
        185.654,
    ),
    "cycles": (73.6320148676, -0.763432583629),
}


@pytest.mark.parametrize("name", CASES)
def test_numbers_are_the_same_to_the_last_digit(name: str) -> None:
    assert CASES[name]() == same(*KNOWN[name])
