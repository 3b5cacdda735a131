"""What losses in the middle of a stage say of its survival: against draws weighted by the chance of the counts."""

import math
from datetime import date

import numpy as np
import pytest
from scipy import stats
from small_seasons import beta_spread, season, stage

from forecast.growth.simulation import owners, season_streams
from forecast.rates.levels import Level
from forecast.records.batches import Interval
from forecast.tracking.evidence import BatchEvidence, StageEvidence, posterior_shifts

DRAWS = 2**15
SURVIVAL = "acclimatisation survival"


@pytest.mark.parametrize(
    ("died", "weeks", "part"),
    [(20, 2.0, 0.5), (2, 1.0, 0.25), (30, 3.0, 0.75), (20, 4.0, 1.0), (20, 9.0, 1.0)],
)
def test_of_a_hundred_some_died_and_the_rest_wait(died, weeks, part):
    """Part of the way through a stage of four weeks a plant has survived with chance p^part, at its end with p."""
    made = season([stage(typical=4, survival_level="batch", **beta_spread(8.0, 2.0))])
    streams = season_streams(DRAWS, 1)
    waits = (Interval(weeks, math.inf, 100 - died, date(2027, 1, 18)),)
    batch = BatchEvidence("A", 1, (StageEvidence("acclimatisation", died, 0, 100 - died, waits),))
    (change,) = posterior_shifts(made, streams, [batch])
    names = owners(made.route("A")[0], "A", 1)
    plain = Level.parse("batch").score(lambda word: streams.normal(names[word], SURVIVAL))
    share = stats.beta(8, 2).ppf(stats.norm.cdf(plain))
    log_weight = stats.binom.logpmf(100 - died, 100, share**part)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    mean = float(weight @ plain)
    spread, number = math.sqrt(float(weight @ (plain - mean) ** 2)), 1 / float((weight**2).sum())
    given = plain + change[SURVIVAL]
    assert given.mean() == pytest.approx(mean, abs=4 * spread / math.sqrt(number))
    assert given.std() == pytest.approx(spread, abs=4 * spread / math.sqrt(2 * number))
