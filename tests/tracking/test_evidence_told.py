"""What counts say of a score, against the posterior of its very chance, integrated over a fine grid."""

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

CAME, DRAWS = date(2027, 1, 18), 2**14
FINE = np.linspace(-8, 8, 20_001)
SURVIVAL, TIME = "acclimatisation survival", "acclimatisation time"


def plan(**cells):
    usual = {"typical": 4, "survival_level": "batch", "time_level": "batch"} | beta_spread(8.0, 2.0)
    return season([stage(**(usual | cells))])


def learned(made, seen, quantity):
    """Return mean and standard deviation of the score of a counted batch, given its counts."""
    streams = season_streams(DRAWS, 1)
    (change,) = posterior_shifts(made, streams, [BatchEvidence("A", 1, (seen,))])
    names = owners(made.route("A")[0], "A", 1)
    given = Level.parse("batch").score(lambda word: streams.normal(names[word], quantity)) + change[quantity]
    return given.mean(), given.std()


def posterior(log_chance):
    """Return mean and standard deviation of a standard normal score times its chance."""
    weight = np.exp(log_chance - log_chance.max() - FINE**2 / 2)
    weight /= weight.sum()
    mean = weight @ FINE
    return mean, math.sqrt(weight @ (FINE - mean) ** 2)


def agree(found, right):
    """Hold a mean to even draws, and a spread to two sets of these that are not quite independent."""
    assert found[0] == pytest.approx(right[0], abs=2e-3)
    assert found[1] == pytest.approx(right[1], abs=6e-3)


@pytest.mark.parametrize(
    ("died", "left", "waits"),
    [
        (10, 30, ()),
        (0, 25, ()),
        (7, 0, ()),
        (0, 0, ((2.0, 60),)),
        (5, 20, ((1.0, 40), (3.0, 10))),
        (5, 20, ((4.0, 40),)),
        (5, 20, ((9.0, 40),)),
        (6, 0, ((1.0, 40),)),
    ],
)
def test_losses_are_binomial_in_the_part_of_the_loss_that_plants_have_met(died, left, waits):
    """Those that wait have met p^(part of four weeks); those that died, the mean part of all that are alive."""
    share = stats.beta(8, 2).ppf(stats.norm.cdf(FINE).clip(1e-12, 1 - 1e-12))
    met = left + sum(number * min(weeks / 4, 1) for weeks, number in waits)
    alive = left + sum(number for _, number in waits)
    log_chance = met * np.log(share)
    if died:
        log_chance = log_chance + died * np.log1p(-np.minimum(share ** (met / alive if alive else 1), 1 - 1e-12))
    rows = tuple(Interval(weeks, math.inf, number, CAME) for weeks, number in waits)
    came_through = (Interval(3.0, 4.0, left, CAME),) if left else ()
    seen = StageEvidence("acclimatisation", died, left, alive - left, (*came_through, *rows))
    agree(learned(plan(), seen, SURVIVAL), posterior(log_chance))


@pytest.mark.parametrize("plants", [0.25, None])
@pytest.mark.parametrize(
    "rows",
    [
        ((3.0, 4.0, 1),),
        ((3.0, 4.0, 10), (4.0, 5.0, 12), (5.0, math.inf, 8)),
        ((0.0, 4.0, 3),),
        ((0.0, math.inf, 50), (3.5, math.inf, 1)),
        ((0.0, 3.0, 1), (4.0, math.inf, 1)),
        ((8.0, 9.0, 5),),
    ],
)
def test_times_are_lognormal_and_known_to_lie_between_two_counts(rows, plants):
    """Plants that are not said to differ are taken to differ by 2 %: counts are made by the day at best."""
    cells = {"batches_cv": 0.2} | ({"plants_cv": plants} if plants else {})
    batches = math.sqrt(math.log1p(0.2**2))
    within = math.sqrt(math.log1p(plants**2)) if plants else 0.02
    log_chance = np.zeros(FINE.size)
    for early, late, number in rows:
        score = [(np.log(end) - np.log(4) - batches * FINE) / within if end else -np.inf for end in (early, late)]
        inside = stats.norm.cdf(score[1]) - stats.norm.cdf(score[0])
        log_chance += number * np.log(np.maximum(inside, stats.norm.sf(score[0]) * math.isinf(late)).clip(1e-300))
    seen = StageEvidence("acclimatisation", 0, 0, 0, tuple(Interval(*row, CAME) for row in rows))
    agree(learned(plan(**cells), seen, TIME), posterior(log_chance))


@pytest.mark.parametrize(
    ("typical", "spread", "rows", "score"),
    [
        (4, 0.2, ((3, 4, 50), (6, 7, 50)), 1.01),
        (4, 0.2, ((3, 4, 50), (5, 6, 50)), 0.56),
        (8, 0.1, ((16, 17, 100),), 7.2),
        (8, 0.1, ((3.5, 4, 100),), -7.51),
    ],
)
def test_times_far_from_what_is_usual_count_in_full_late_ones_as_early_ones(typical, spread, rows, score):
    """Plants differ by 2 %. Chances are taken in the tail where they are small, score by score, from SciPy's."""
    batches, fine = math.sqrt(math.log1p(spread**2)), np.linspace(-12, 12, 48_001)
    log_chance = -(fine**2) / 2
    for early, late, number in rows:
        low, high = ((np.log(end / typical) - batches * fine) / 0.02 for end in (early, late))
        above, below = stats.norm.logsf(low), stats.norm.logcdf(high)
        with np.errstate(divide="ignore"):
            up = above + np.log1p(-np.exp(stats.norm.logsf(high) - above))
            down = below + np.log1p(-np.exp(stats.norm.logcdf(low) - below))
        log_chance += number * np.where(low > 0, up, down)
    weight = np.exp(log_chance - log_chance.max())
    weight /= weight.sum()
    mean = weight @ fine
    assert mean == pytest.approx(score, abs=0.05)
    seen = StageEvidence("acclimatisation", 0, 0, 0, tuple(Interval(*row, CAME) for row in rows))
    given, deviation = learned(plan(batches_cv=spread, typical=typical), seen, TIME)
    assert given == pytest.approx(mean, abs=0.02)
    assert deviation == pytest.approx(math.sqrt(weight @ (fine - mean) ** 2), abs=0.01)


def test_plants_that_left_between_two_looks_without_warmth_left_then():
    """A hundred at once at 4.4 weeks of 4: 0.1 wide, of a spread of 0.198 between batches and 0.02 between plants."""
    seen = StageEvidence("acclimatisation", 0, 0, 0, (Interval(4.4, 4.4, 100, CAME),))
    given, _ = learned(plan(batches_cv=0.2, typical=4), seen, TIME)
    batches = math.sqrt(math.log1p(0.2**2))
    assert given == pytest.approx(math.log(1.1) / batches, abs=0.01)


def test_times_of_less_than_a_week_count_as_they_are():
    """Of a stage of half a week: four left between 0.2 and 0.4 weeks, six until 0.7, two had not by then."""
    rows = ((0.2, 0.4, 4), (0.4, 0.7, 6), (0.7, math.inf, 2))
    batches, within = math.sqrt(math.log1p(0.2**2)), math.sqrt(math.log1p(0.3**2))
    law = stats.norm(np.log(0.5) + batches * FINE, within)
    log_chance = sum(n * np.log(law.cdf(np.log(late)) - law.cdf(np.log(early))) for early, late, n in rows)
    seen = StageEvidence("acclimatisation", 0, 0, 0, tuple(Interval(*row, CAME) for row in rows))
    made = plan(batches_cv=0.2, plants_cv=0.3, typical=0.5)
    agree(learned(made, seen, TIME), posterior(log_chance))


def test_of_each_quantity_of_each_counted_stage_a_shift_is_given_by_name():
    rows = [
        stage(typical=4, batches_cv=0.2, plants_cv=0.1, **beta_spread(8.0, 2.0)),
        stage("growing on", typical=6, batches_cv=0.2, plants_cv=0.1, **beta_spread(8.0, 2.0)),
        stage("grading", **beta_spread(8.0, 2.0)),
    ]
    seen = StageEvidence("growing on", 5, 20, 0, (Interval(5.0, 6.0, 20, CAME),))
    first, second = posterior_shifts(
        season(rows), season_streams(64, 1), [BatchEvidence("A", 1, (seen,)), BatchEvidence("A", 2)]
    )
    assert sorted(first) == sorted(second) == ["growing on survival", "growing on time"]
    assert all(change.shape == (64,) and change.any() for change in first.values())
    assert not any(change.any() for change in second.values())
    assert BatchEvidence("A", 1).stages == ()


def test_counts_of_two_varieties_that_share_a_belief_are_put_together():
    """With all of the score shared, two looks at it add: 1 / v = 1 / v_1 + 1 / v_2."""
    rows = [stage(typical=4, survival_level="belief", **beta_spread(8.0, 2.0))]
    made, streams = season(rows, varieties=("A", "B")), season_streams(DRAWS, 1)
    seen = [StageEvidence("acclimatisation", died, left, 0, ()) for died, left in ((10, 30), (2, 58))]
    share = stats.beta(8, 2).ppf(stats.norm.cdf(FINE).clip(1e-12, 1 - 1e-12))
    alone = [posterior(stats.binom.logpmf(one.left, one.left + one.losses, share)) for one in seen]
    precision = [1 / spread**2 - 1 for _, spread in alone]
    spread = 1 / math.sqrt(1 + sum(precision))
    mean = spread**2 * sum(mean / spread**2 for mean, spread in alone)
    changes = posterior_shifts(
        made, streams, [BatchEvidence(name, 1, (one,)) for name, one in zip("AB", seen, strict=True)]
    )
    plain = streams.normal(("belief", "crop"), SURVIVAL)
    for change in changes:
        given = plain + change[SURVIVAL]
        assert (given.mean(), given.std()) == pytest.approx((mean, spread), abs=0.01)


@pytest.mark.parametrize(("survival", "time"), [("batch", "season"), ("season", "batch")])
def test_survivals_and_times_tell_of_other_batches_by_levels_of_their_own(survival, time):
    made = plan(survival_level=survival, time_level=time, batches_cv=0.2, plants_cv=0.1)
    seen = StageEvidence("acclimatisation", 20, 20, 0, (Interval(5.0, 6.0, 20, CAME),))
    told, other = posterior_shifts(made, season_streams(64, 1), [BatchEvidence("A", 1, (seen,)), BatchEvidence("A", 2)])
    assert told[SURVIVAL].any()
    assert told[TIME].any()
    assert other[SURVIVAL].any() == (survival == "season")
    assert other[TIME].any() == (time == "season")
