"""The lattice of logits: laws of its steps, and nothing learned from no records."""

import math

import numpy as np
import pytest

from forecast.fitting.lattice import Counts, integrate, kernel, logits
from forecast.fitting.survival import Priors


@pytest.mark.parametrize("step", [0.05, 0.13, 0.4])
def test_logits_go_from_minus_ten_to_ten_through_nought_by_no_more_than_the_step(step):
    x = logits(step)
    assert (x[0], x[-1], x[len(x) // 2]) == pytest.approx((-10, 10, 0), abs=1e-12)
    assert np.diff(x) == pytest.approx(x[1] - x[0])
    assert 0.5 * step < x[1] - x[0] <= step * (1 + 1e-9)


@pytest.mark.parametrize("spread", [0.01, 0.05, 0.11, 0.13, 0.2, 0.5, 1.0])
def test_a_normal_step_keeps_the_mean_and_adds_its_variance(spread):
    """On a lattice of 0.2, away from its ends; steps below 0.6 of that go to the neighbours alone."""
    x = logits(0.2)
    steps = kernel(x, spread)
    assert steps.sum(axis=1) == pytest.approx(1)
    assert steps.min() >= 0
    for row in range(len(x) // 2 - 10, len(x) // 2 + 10):
        mean = steps[row] @ x
        assert mean == pytest.approx(x[row], abs=1e-9)
        assert steps[row] @ (x - mean) ** 2 == pytest.approx(spread**2, rel=0.02)
    if spread < 0.12:
        assert np.count_nonzero(steps[len(x) // 2]) == 3


@pytest.mark.parametrize(
    "priors",
    [Priors(), Priors(concentration=50, concentration_log_sd=0.5, variety_sd=0.3, group_sd=0.2, log_sd_of_sds=0.4)],
)
def test_without_records_concentration_and_deviations_are_those_of_the_priors(priors):
    none = np.zeros(0, dtype=np.intp)
    counts = Counts(none, none, none.astype(np.int64), none.astype(np.int64), np.zeros(1, dtype=np.intp), 1, 0)
    found = integrate(counts, priors.normals).hyper
    middles = [math.log(priors.concentration), math.log(priors.variety_sd), math.log(priors.group_sd)]
    assert found[:, 0] == pytest.approx(middles, abs=0.02)
    assert found[:, 1] == pytest.approx(
        [priors.concentration_log_sd, priors.log_sd_of_sds, priors.log_sd_of_sds], rel=0.03
    )
