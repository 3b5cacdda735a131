"""What counts of running batches say of their rates: against weighted draws, conjugate laws and Gaussian algebra."""

import math
from datetime import date

import numpy as np
import pytest
from scipy import stats
from small_seasons import MIXED, beta_spread, season, stage

from forecast.growth.simulation import owners, season_streams
from forecast.rates.levels import Level
from forecast.records.batches import Interval
from forecast.records.thermal_time import ThermalTime
from forecast.tracking.evidence import BatchEvidence, StageEvidence, posterior_shifts

DRAWS, EVEN_DRAWS = 2**15, 2**14
FINE = np.linspace(-8, 8, 20_001)
CAME = date(2027, 1, 18)
SURVIVAL, TIME = "acclimatisation survival", "acclimatisation time"


def plan(level="batch", a=8.0, b=2.0, **cells):
    return season([stage(typical=4, survival_level=level, **beta_spread(a, b), **cells)], varieties=("A", "B"))


def counted(died, lived, waiting=0, weeks=2.0, name="acclimatisation"):
    """Return what was counted of a batch of which some died, some came through and some wait since so many weeks."""
    intervals = (Interval(weeks, math.inf, waiting, CAME),) if waiting else ()
    return StageEvidence(name, died, lived, waiting, intervals)


def scores(made, streams, batch, quantity, level, change):
    """Return the scores of a quantity of a batch, without and with what its counts say."""
    names = owners(made.route(batch.variety)[0], batch.variety, batch.number)
    plain = Level.parse(level).score(lambda word: streams.normal(names[word], quantity))
    return plain, plain + change.get(quantity, 0.0)


def weighted(values, log_weight):
    """Return mean, standard deviation and effective number of weighted draws."""
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    mean = float(weight @ values)
    return mean, math.sqrt(float(weight @ (values - mean) ** 2)), 1 / float((weight**2).sum())


@pytest.mark.parametrize(("died", "lived"), [(3, 7), (12, 88), (0, 40), (60, 40)])
def test_a_survival_given_the_counts_of_its_batch_has_mean_and_spread_of_draws_weighted_by_their_chance(died, lived):
    made, streams = plan(), season_streams(DRAWS, 1)
    batch = BatchEvidence("A", 1, (counted(died, lived),))
    (change,) = posterior_shifts(made, streams, [batch])
    plain, given = scores(made, streams, batch, SURVIVAL, "batch", change)
    law = stats.beta(8, 2)
    share = law.ppf(stats.norm.cdf(plain))
    mean, spread, number = weighted(plain, stats.binom.logpmf(lived, died + lived, share))
    assert given.mean() == pytest.approx(mean, abs=4 * spread / math.sqrt(number))
    assert given.std() == pytest.approx(spread, abs=4 * spread / math.sqrt(2 * number))


@pytest.mark.parametrize(
    ("a", "b", "died", "lived"),
    [
        (8, 2, 3, 7), (8, 2, 12, 88), (8, 2, 60, 140),
        (8, 2, 100, 0), (80, 20, 300, 100), (80, 20, 400, 0), (800, 200, 300, 100), (2, 8, 0, 100), (20, 80, 0, 400),
    ],
)  # fmt: skip
def test_a_beta_survival_becomes_the_beta_with_the_counts_added_after_a_disaster_too(a, b, died, lived):
    """Beta(8, 2) and 7 of 10: Beta(15, 5). Gelman et al. 2013, Bayesian Data Analysis, 3rd ed., section 2.4."""
    made, streams = plan(a=a, b=b), season_streams(DRAWS, 1)
    batch = BatchEvidence("A", 1, (counted(died, lived),))
    (change,) = posterior_shifts(made, streams, [batch])
    _, given = scores(made, streams, batch, SURVIVAL, "batch", change)
    share = np.exp(made.survivals("A")[0].log_at(given))
    exact = stats.beta(a + lived, b + died)
    shape = 0.04 * exact.std()  # of the posterior, which is normal on the score and a beta on the share
    assert share.mean() == pytest.approx(exact.mean(), abs=shape)
    assert share.std() == pytest.approx(exact.std(), abs=shape)


def test_plants_that_wait_count_for_the_part_of_the_loss_they_have_met():
    """Half-way through the stage a plant has survived with chance sqrt(p)."""
    made, streams = plan(), season_streams(DRAWS, 1)
    batch = BatchEvidence("A", 1, (counted(0, 0, waiting=60, weeks=2.0),))
    (change,) = posterior_shifts(made, streams, [batch])
    plain, given = scores(made, streams, batch, SURVIVAL, "batch", change)
    share = stats.beta(8, 2).ppf(stats.norm.cdf(plain))
    mean, spread, number = weighted(plain, 60 * 0.5 * np.log(share))
    assert given.mean() == pytest.approx(mean, abs=4 * spread / math.sqrt(number))
    assert given.std() == pytest.approx(spread, abs=4 * spread / math.sqrt(2 * number))


def test_a_time_given_censored_counts_has_mean_and_spread_of_draws_weighted_by_their_chance():
    """Of 30 plants 10 left between 3 and 4 weeks, 12 between 4 and 5, and 8 were still there."""
    rows = tuple(Interval(*ends, CAME) for ends in ((3.0, 4.0, 10), (4.0, 5.0, 12), (5.0, math.inf, 8)))
    made = plan(batches_cv=0.2, plants_cv=0.25, time_level="batch")
    streams = season_streams(DRAWS, 3)
    batch = BatchEvidence("A", 1, (StageEvidence("acclimatisation", 0, 22, 8, rows),))
    (change,) = posterior_shifts(made, streams, [batch])
    plain, given = scores(made, streams, batch, TIME, "batch", change)
    between, plants = (math.sqrt(math.log(1 + spread**2)) for spread in (0.2, 0.25))
    law = stats.norm(np.log(4) + between * plain, plants)
    log_chance = sum(n * np.log(law.cdf(np.log(late)) - law.cdf(np.log(early))) for early, late, n, _ in rows)
    mean, spread, number = weighted(plain, log_chance)
    assert given.mean() == pytest.approx(mean, abs=4 * spread / math.sqrt(number))
    assert given.std() == pytest.approx(spread, abs=4 * spread / math.sqrt(2 * number))


def together(level, seen, seed=1):
    """Return plain and conditioned scores of three batches of A, of which some were counted."""
    made, streams = plan(level, 16.0, 4.0), season_streams(DRAWS, seed)
    batches = [BatchEvidence("A", i + 1, () if one is None else (counted(*one),)) for i, one in enumerate(seen)]
    changes = posterior_shifts(made, streams, batches)
    pairs = [scores(made, streams, one, SURVIVAL, level, change) for one, change in zip(batches, changes, strict=True)]
    return np.array([plain for plain, _ in pairs]), np.array([given for _, given in pairs])


def test_batches_that_share_a_season_inform_about_each_other_and_of_the_next():
    """Two counted batches and one to come, against draws weighted by the chance of both counts."""
    level, seen = "season 0.5 batch 0.5", [(10, 30), (4, 36), None]
    plain, given = together(level, seen)
    share = stats.beta(16, 4).ppf(stats.norm.cdf(plain))
    log_chance = sum(stats.binom.logpmf(n[1], sum(n), share[i]) for i, n in enumerate(seen) if n)
    for before, now in zip(plain, given, strict=True):
        mean, spread, number = weighted(before, log_chance)
        shape = 0.02  # the looks are taken as normal
        assert now.mean() == pytest.approx(mean, abs=4 * spread / math.sqrt(number) + shape)
        assert now.std() == pytest.approx(spread, abs=4 * spread / math.sqrt(2 * number) + shape)
    mean = (
        weighted(plain[0] * plain[2], log_chance)[0]
        - weighted(plain[0], log_chance)[0] * weighted(plain[2], log_chance)[0]
    )
    assert np.cov(given)[0, 2] == pytest.approx(mean, abs=0.03)


def test_the_scores_given_the_counts_have_the_covariance_that_gaussian_algebra_gives():
    """Sigma - C (C + V)^-1 C of a trivariate normal; V from each batch alone."""
    level, seen = MIXED, [(10, 30), (4, 36), None]
    _, given = together(level, seen)
    alone = [together("batch", [one, None, None])[1][0] for one in seen[:2]]
    looks = np.array([1 / (1 / np.var(one) - 1) for one in alone])
    means = np.array([np.mean(one) * look / np.var(one) for one, look in zip(alone, looks, strict=True)])
    prior = 0.5 + 0.5 * np.eye(3)  # season 0.3 and variety 0.2 are shared
    gain = prior[:, :2] @ np.linalg.inv(prior[:2, :2] + np.diag(looks))
    error = 4 / math.sqrt(DRAWS)
    assert given.mean(axis=1) == pytest.approx(gain @ means, abs=2 * error)
    assert np.cov(given) == pytest.approx(prior - gain @ prior[:2], abs=2 * error)


def test_counts_that_say_nothing_change_nothing():
    made, streams = plan("batch", batches_cv=0.2, plants_cv=0.1, time_level="batch"), season_streams(64, 1)
    fresh = StageEvidence("acclimatisation", 0, 0, 500, (Interval(0.0, math.inf, 500, CAME),))
    assert posterior_shifts(made, streams, [BatchEvidence("A", 1, (fresh,)), BatchEvidence("A", 2)]) == [{}, {}]
    known = plan("batch", a=1.0, b=1.0).with_stage("crop", "acclimatisation", survival=0.8, survival_sd=0)
    assert posterior_shifts(known, streams, [BatchEvidence("A", 1, (counted(60, 40),))]) == [{}]


def test_a_batch_that_shares_nothing_with_the_counted_ones_is_left_alone():
    made, streams = plan("batch"), season_streams(64, 1)
    told, other, untold = posterior_shifts(
        made, streams, [BatchEvidence(*one) for one in (("A", 1, (counted(60, 40),)), ("A", 2), ("B", 1))]
    )
    assert told[SURVIVAL].max() < 0
    assert all((one[SURVIVAL] == 0).all() for one in (other, untold))


def test_what_only_plants_differ_in_is_not_learned():
    made, streams = plan("plant"), season_streams(64, 1)
    assert posterior_shifts(made, streams, [BatchEvidence("A", 1, (counted(60, 40),))]) == [{}]


def test_the_order_in_which_batches_are_reported_changes_nothing_at_all():
    made = plan(MIXED, batches_cv=0.2, plants_cv=0.1, time_level=MIXED)
    streams = season_streams(256, 1)
    rows = (Interval(3.0, 4.0, 20, CAME), Interval(4.0, math.inf, 7, CAME))
    batches = [
        BatchEvidence("A", 1, (StageEvidence("acclimatisation", 3, 20, 7, rows),)),
        BatchEvidence("A", 2, (counted(6, 54),)),
        BatchEvidence("B", 1, (counted(20, 40),)),
        BatchEvidence("B", 2),
    ]
    first = posterior_shifts(made, streams, batches)
    for order in ([3, 2, 1, 0], [2, 0, 3, 1]):
        again = posterior_shifts(made, streams, [batches[i] for i in order])
        for at, i in enumerate(order):
            assert again[at].keys() == first[i].keys()
            assert all((again[at][name] == first[i][name]).all() for name in first[i])


def test_the_more_plants_were_counted_the_narrower_is_what_is_known():
    made, streams = plan("season 0.5 batch 0.5"), season_streams(4096, 1)
    own, other = [1.0], [1.0]
    for plants in (10, 50, 250, 1250):
        batches = [BatchEvidence("A", 1, (counted(plants // 5, plants - plants // 5),)), BatchEvidence("A", 2)]
        changes = posterior_shifts(made, streams, batches)
        for spreads, batch, change in zip((own, other), batches, changes, strict=True):
            spreads.append(scores(made, streams, batch, SURVIVAL, "season 0.5 batch 0.5", change)[1].std())
    assert (np.diff(own) < 0).all()
    assert (np.diff(other) < 0).all()
    assert other[-1] > math.sqrt(1 - 0.5**2) - 0.02  # however many: the other batch has luck of its own


def test_the_clock_of_a_stage_shows_weeks_or_the_degree_days_of_usual_weather():
    """Always 14 degrees above a base of 4: 70 degree-days a week, 10 a day."""
    climate = [{"month": i + 1, "t_min": 14, "t_max": 14, "year_sd": 0} for i in range(12)]
    warm = {"runs_on": "degree-days", "base_temperature": 4, "typical": 300}
    made = season([stage(typical=4), stage("growing on", **warm)], climate=climate)
    start, usual = made.first_week.monday.toordinal(), ThermalTime(made, {})
    since = np.array([0, 1, 10, 38])
    weeks, days = (usual.since(row, start + np.arange(4), since / 7) for row in made.route("A"))
    assert weeks == pytest.approx(since / 7)
    assert days == pytest.approx(10 * since)
    assert usual.since(made.route("A")[1], [start], [math.inf]).tolist() == [math.inf]


def test_on_degree_days_a_cold_start_counts_for_little():
    """Four weeks of 280 degree-days: in 14 degrees all of it; in 6.5 degrees a quarter, as one week of four."""

    def learned(weeks, **cells):
        made = season([stage(survival_level="batch", **beta_spread(8.0, 2.0), **cells)], climate=climate)
        (change,) = posterior_shifts(
            made, season_streams(1024, 1), [BatchEvidence("A", 1, (counted(0, 0, 100, weeks),))]
        )
        return change[SURVIVAL]

    warm = {"runs_on": "degree-days", "base_temperature": 4, "typical": 280}
    climate = [{"month": i + 1, "t_min": 14, "t_max": 14, "year_sd": 0} for i in range(12)]
    assert learned(4.0, **warm) == pytest.approx(learned(4.0, typical=4), abs=1e-9)
    climate = [row | {"t_min": 6.5, "t_max": 6.5} for row in climate]
    assert learned(4.0, **warm) == pytest.approx(learned(1.0, typical=4), abs=1e-9)
    assert learned(4.0, typical=4).mean() > 1.5 * learned(1.0, typical=4).mean() > 0


@pytest.mark.parametrize(
    ("died", "weeks", "part"),
    [(20, 2.0, 0.5), (2, 1.0, 0.25), (30, 3.0, 0.75), (20, 4.0, 1.0), (20, 9.0, 1.0)],
)
def test_of_a_hundred_some_died_and_the_rest_wait(died, weeks, part):
    """Part of the way through a stage of four weeks a plant has survived with chance p^part, at its end with p."""
    made, streams = plan(), season_streams(DRAWS, 1)
    batch = BatchEvidence("A", 1, (counted(died, 0, 100 - died, weeks),))
    (change,) = posterior_shifts(made, streams, [batch])
    plain, given = scores(made, streams, batch, SURVIVAL, "batch", change)
    share = stats.beta(8, 2).ppf(stats.norm.cdf(plain))
    mean, spread, number = weighted(plain, stats.binom.logpmf(100 - died, 100, share**part))
    assert given.mean() == pytest.approx(mean, abs=4 * spread / math.sqrt(number))
    assert given.std() == pytest.approx(spread, abs=4 * spread / math.sqrt(2 * number))


# Against the posterior on a fine grid


def one_stage(**cells):
    usual = {"typical": 4, "survival_level": "batch", "time_level": "batch"} | beta_spread(8.0, 2.0)
    return season([stage(**(usual | cells))])


def given_counts(made, seen, quantity):
    """Return mean and standard deviation of the score of a counted batch, given its counts."""
    streams = season_streams(EVEN_DRAWS, 1)
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


def agrees(found, right):
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
    agrees(given_counts(one_stage(), seen, SURVIVAL), posterior(log_chance))


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
    agrees(given_counts(one_stage(**cells), seen, TIME), posterior(log_chance))


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
    given, deviation = given_counts(one_stage(batches_cv=spread, typical=typical), seen, TIME)
    assert given == pytest.approx(mean, abs=0.02)
    assert deviation == pytest.approx(math.sqrt(weight @ (fine - mean) ** 2), abs=0.01)


def test_plants_that_left_between_two_looks_without_warmth_left_then():
    """A hundred at once at 4.4 weeks of 4: 0.1 wide, of a spread of 0.198 between batches and 0.02 between plants."""
    seen = StageEvidence("acclimatisation", 0, 0, 0, (Interval(4.4, 4.4, 100, CAME),))
    given, _ = given_counts(one_stage(batches_cv=0.2, typical=4), seen, TIME)
    batches = math.sqrt(math.log1p(0.2**2))
    assert given == pytest.approx(math.log(1.1) / batches, abs=0.01)


def test_times_of_less_than_a_week_count_as_they_are():
    """Of a stage of half a week: four left between 0.2 and 0.4 weeks, six until 0.7, two had not by then."""
    rows = ((0.2, 0.4, 4), (0.4, 0.7, 6), (0.7, math.inf, 2))
    batches, within = math.sqrt(math.log1p(0.2**2)), math.sqrt(math.log1p(0.3**2))
    law = stats.norm(np.log(0.5) + batches * FINE, within)
    log_chance = sum(n * np.log(law.cdf(np.log(late)) - law.cdf(np.log(early))) for early, late, n in rows)
    seen = StageEvidence("acclimatisation", 0, 0, 0, tuple(Interval(*row, CAME) for row in rows))
    made = one_stage(batches_cv=0.2, plants_cv=0.3, typical=0.5)
    agrees(given_counts(made, seen, TIME), posterior(log_chance))


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
    made, streams = season(rows, varieties=("A", "B")), season_streams(EVEN_DRAWS, 1)
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
def test_survivals_and_times_inform_about_other_batches_by_levels_of_their_own(survival, time):
    made = one_stage(survival_level=survival, time_level=time, batches_cv=0.2, plants_cv=0.1)
    seen = StageEvidence("acclimatisation", 20, 20, 0, (Interval(5.0, 6.0, 20, CAME),))
    counted_one, other = posterior_shifts(
        made, season_streams(64, 1), [BatchEvidence("A", 1, (seen,)), BatchEvidence("A", 2)]
    )
    assert counted_one[SURVIVAL].any()
    assert counted_one[TIME].any()
    assert other[SURVIVAL].any() == (survival == "season")
    assert other[TIME].any() == (time == "season")
