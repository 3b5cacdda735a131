"""A refusal names the argument at fault, the value, and what would do."""

import re

import numpy as np
import pytest

from forecast import Refused
from forecast.weather.degree_days import base_from_rates, degree_days


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (
            lambda: base_from_rates([15, 20, 25], [0.3, 0.2, 0.1]),
            "rates, '-0.02 a degree': the rate does not rise with temperature. "
            "Leave out temperatures so warm that the rate no longer rose.",
        ),
        (
            lambda: base_from_rates([15, 20], [0.1]),
            "rates, '1 for 2 temperatures': not as many. Give one rate a temperature.",
        ),
        (
            lambda: base_from_rates([15, 15], [0.1, 0.2]),
            "temperatures, '[15.0, 15.0]': not two that differ. Give rates at two temperatures or more.",
        ),
        (
            lambda: base_from_rates([15, 20], [-0.1, 0.2]),
            "rates, '-0.1': a rate below 0. Give one over the days that the stage took.",
        ),
        (
            lambda: base_from_rates([15, np.nan, np.inf], [0.1, 0.2, 0.3]),
            "temperatures, 'nan and 1 more': not a finite number. Leave out days without a number.",
        ),
        (
            lambda: degree_days([5, 12], [9, 10], base=5, upper=None),
            "high, '10 with a minimum of 12': below the minimum. Give the minimum first, then the maximum.",
        ),
        (
            lambda: degree_days([5], [9], base=5, upper=5),
            "upper, '5 with a base of 5': not above the base. "
            "Give an upper threshold above the base, or None if there is no upper limit.",
        ),
        (
            lambda: degree_days([5, 6], [9, 10, 11], base=5, upper=None),
            "low, 'low (2,), high (3,), base ()': shapes that do not go together. Give as many minima as maxima.",
        ),
        (lambda: degree_days("cold", [9], base=5, upper=None), "t_min, 'cold': not numbers. Give numbers."),
    ],
)
def test_what_gives_no_warmth_is_refused_by_name(call, said):
    with pytest.raises(Refused, match="^" + re.escape(said) + "$"):
        call()
