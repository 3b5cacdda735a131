"""What is no branching process is refused word for word."""

import math
import re

import pytest

from forecast.errors import ForecastError
from forecast.propagation.branching import Branching


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (
            lambda: Branching((0.5, -0.5, 1.0)),
            "chances, (0.5, -0.5, 1.0): a chance lies between 0 and 1. Give finite numbers from 0.",
        ),
        (
            lambda: Branching((0.5, 0.2)),
            "chances, (0.5, 0.2): the chances add to 0.7, not to 1. Divide each by their sum.",
        ),
        (
            lambda: Branching((0.0, 0.0)),
            "chances, (0.0, 0.0): the chances add to 0, not to 1. Give the chances of 0, 1, 2, ... shoots.",
        ),
        (
            lambda: Branching.negative_binomial(0, 1),
            "mean, 0: not a mean number of shoots. Give a finite number above 0.",
        ),
        (
            lambda: Branching.negative_binomial(math.inf, 1),
            "mean, inf: not a mean number of shoots. Give a finite number above 0.",
        ),
        (
            lambda: Branching.negative_binomial(2, 0),
            "size, 0: not a size. Give a number above 0; infinite for a Poisson number.",
        ),
        (
            lambda: Branching.negative_binomial(1e6, 0.01),
            "size, 0.01: an explant may give over 16,384 shoots. Give a larger size.",
        ),
        (
            lambda: Branching((0.5, 0.5)).with_loss(1.5),
            "share, 1.5: a share lost lies between 0 and 1. For 4 % write 0.04.",
        ),
        (
            lambda: Branching((0.0, 0.0, 1.0)).mean(2000),
            "generation, 2000: more plants than a number can hold. Give fewer generations.",
        ),
        (
            lambda: Branching((0.0, 0.0, 1.0)).distribution(60),
            "generation, 60: there may be over 4,194,304 plants, too many for chances of each number. "
            "Give fewer generations, or ask for the mean or a sample.",
        ),
        (lambda: Branching((0.5, 0.5)).quantile(1, 2), "q, 1: not a chance between 0 and 1. Give one such as 0.05."),
    ],
)
def test_what_is_no_process_is_refused_word_for_word(call, said):
    with pytest.raises(ForecastError, match=f"^{re.escape(said)}$"):
        call()
