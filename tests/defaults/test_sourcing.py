"""What a number rests on, by what its source says."""

import pytest

from forecast.defaults.sourcing import footing


@pytest.mark.parametrize(
    ("source", "survival", "time"),
    [
        (None, "no source", "no source"),
        ("", "no source", "no source"),
        ("a trial in our own house, 2024", "source", "source"),
        ("my guess", "judgement", "judgement"),
        ("from memory", "from memory", "from memory"),
        ("survival: a trial of 2024; times and density: common practice, no source", "source", "common practice"),
        ("survival: a trial of 2024", "source", "no source"),
        ("survival: a trial, 2024; its standard deviation, times: judgement", "source", "judgement"),
        ("survival, degree-days and density: common practice", "common practice", "common practice"),
        ("default: survival: from memory: 95 to 99 %; time: extension, a leaflet", "from memory", "source"),
        ("survival: common practice; another trial lost none; weeks: a trial", "common practice", "source"),
    ],
)
def test_the_clause_that_names_a_number_says_what_it_rests_on(source, survival, time):
    assert (footing(source, "survival"), footing(source, "time")) == (survival, time)
