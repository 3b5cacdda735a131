"""Weather drawn given measured days: closed forms, conditioning by brute force, and laws."""

from datetime import timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from southern_climate import HIGH, LOW, SPREAD

from forecast.streams import Streams
from forecast.weather.climate import Climate, variance_of_mean
from forecast.weather.measured import daily_persistence, draw_given, observation
from forecast.weeks import Week

some = settings(max_examples=60, deadline=None, derandomize=True)
FIRST = Week(2027, 10)
DRAWS = 2**14
CLIMATE = Climate(LOW, HIGH, SPREAD, persistence=0.4)


def days(week, low, high, weekdays=range(7)):
    """Return measured days of a week whose minima and maxima rise by a degree a day about these means."""
    middle = np.mean(list(weekdays))
    return {week.monday + timedelta(k): (low + k - middle, high + k - middle) for k in weekdays}


def departing(climate, week, by, weekdays=range(7), wider=0.0):
    """Return days whose mean departs from the usual by so many spreads, in a range so much wider."""
    low, high = climate.normal(week)
    more = by * climate.weekly_sd(week)
    return days(week, low + more - wider, high + more + wider, weekdays)


def scores(climate, drawn, weeks):
    """Return the departures of drawn weeks over their spread."""
    return np.array(
        [
            ((low + high - sum(climate.normal(week))) / 2) / climate.weekly_sd(week)
            for week, low, high in zip(weeks, *drawn, strict=True)
        ]
    )


# --- days and weeks


@some
@given(persistence=st.floats(0, 0.95))
def test_means_of_neighbouring_weeks_of_such_days_correlate_as_stated(persistence):
    """Of two means with variance v and correlation c, the mean has a variance of v (1 + c) / 2."""
    r = daily_persistence(persistence)
    assert 2 * variance_of_mean(14, r) / variance_of_mean(7, r) - 1 == pytest.approx(persistence, abs=1e-9)


@pytest.mark.parametrize("persistence", [0.0, 0.3, 0.9])
@pytest.mark.parametrize("weekdays", [[0], [6], [2, 3], [0, 1, 2], [1, 4, 5, 6], [0, 1, 2, 3, 4, 5]])
def test_a_look_informs_about_the_week_what_conditioning_seven_days_on_some_of_them_does(weekdays, persistence):
    r = daily_persistence(persistence)
    covariance = r ** np.abs(np.subtract.outer(np.arange(7), np.arange(7))) if r else np.eye(7)
    covariance /= covariance.sum() / 49  # the mean of the week has a variance of 1
    both = np.array([np.ones(7) / 7, np.isin(np.arange(7), weekdays) / len(weekdays)])
    (_, shared), (_, own) = both @ covariance @ both.T
    scale, error = observation(weekdays, persistence)
    seen = 1.7
    assert seen / scale / (1 + error) == pytest.approx(shared / own * seen)
    assert error / (1 + error) == pytest.approx(1 - shared**2 / own)


def test_the_more_days_of_a_week_are_measured_the_less_is_left_to_chance():
    errors = [observation(range(k), 0.3)[1] for k in range(1, 8)]
    assert (np.diff(errors) < 0).all()
    assert errors[3] == pytest.approx(0.238, abs=0.001)
    assert errors[-1] == 0


# --- the law of the weeks that were not measured


def test_weeks_ahead_depart_by_powers_of_the_persistence():
    """After a departure of z spreads, week k departs by p^k z, give or take sqrt(1 - p^2k)."""
    last = FIRST + 5
    measured = departing(CLIMATE, last + -1, -1.0) | departing(CLIMATE, last, 2.5)
    weeks = [FIRST + k for k in range(20)]
    found = scores(CLIMATE, draw_given(CLIMATE, measured, FIRST, 20, Streams(1, DRAWS)), weeks)
    ahead = np.arange(1, 15)
    mean, variance = 2.5 * 0.4**ahead, 1 - 0.4 ** (2 * ahead)
    assert np.abs(found[6:].mean(axis=1) - mean).max() < 4 * np.sqrt(1 / DRAWS)
    assert found[6:].var(axis=1) == pytest.approx(variance, abs=4 * np.sqrt(2 / DRAWS))
    back = found[3 - np.arange(3)]  # and weeks before a gap alike
    assert back.mean(axis=1) == pytest.approx(-(0.4 ** np.arange(1, 4)), abs=4 * np.sqrt(1 / DRAWS))


@pytest.mark.parametrize("persistence", [0.0, 0.3, 0.9])
def test_gaps_and_weeks_measured_in_part_are_conditioned_as_a_multivariate_normal_is(persistence):
    """Twelve weeks; measured are the second before them, 1, 2 and 7, and 4 and 10 in part."""
    climate = Climate(LOW, HIGH, SPREAD, persistence=persistence)
    seen = {-2: (2.0, 7), 1: (-1.5, 7), 2: (0.5, 7), 4: (1.0, 3), 7: (2.2, 7), 10: (-2.0, 4)}
    measured = {}
    for week, (by, count) in seen.items():
        measured |= departing(climate, FIRST + week, by, range(count))
    at = np.arange(-2, 12)
    looks = np.array([week + 2 for week in seen])
    scale, error = np.array([observation(range(count), persistence) for _, count in seen.values()]).T
    prior = np.power(persistence, np.abs(np.subtract.outer(at, at)))
    cross, own = prior[:, looks], prior[np.ix_(looks, looks)] + np.diag(error)
    gain = cross @ np.linalg.inv(own)
    mean = gain @ (np.array([by for by, _ in seen.values()]) / scale)
    covariance = prior - gain @ cross.T
    weeks = [FIRST + k for k in range(12)]
    found = scores(climate, draw_given(climate, measured, FIRST, 12, Streams(3, DRAWS)), weeks)
    bound = 4.5 / np.sqrt(DRAWS)  # of 12 means and 78 covariances
    assert np.abs(found.mean(axis=1) - mean[2:]).max() < bound
    assert np.abs(np.cov(found) - covariance[2:, 2:]).max() < np.sqrt(2) * bound
    assert np.diag(covariance)[[3, 4, 9]] == pytest.approx(0, abs=1e-12)
    assert found[[1, 2, 7]].std(axis=1) == pytest.approx(0, abs=1e-12)


def test_a_measured_week_has_its_own_minimum_and_maximum_in_every_draw():
    week = FIRST + 3
    measured = departing(CLIMATE, week, 1.0, wider=2.5)
    low, high = draw_given(CLIMATE, measured, FIRST, 8, Streams(1, 64))
    for column, k in ((low, 0), (high, 1)):
        mean = np.mean([pair[k] for pair in measured.values()])
        assert column[3] == pytest.approx(np.full(64, mean), abs=1e-12)
        assert np.ptp(column[3]) == 0
        assert (column[[2, 4]].std(axis=1) > 0.3).all()
    assert high[4] - low[4] == pytest.approx(np.full(64, np.subtract(*CLIMATE.normal(week + 1)[::-1])))


@pytest.mark.parametrize("sd", [0.0, 1.5])
def test_days_measured_count_for_their_part_and_the_others_have_the_usual_range(sd):
    """Three days at 2 to 20 °C where 8 to 16 is usual: the range of the week is (3 x 18 + 4 x 8) / 7."""
    climate = Climate([8.0] * 52, [16.0] * 52, sd, persistence=0.3)
    measured = {FIRST.monday + timedelta(k): (2.0, 20.0) for k in (0, 2, 5)}
    low, high = (column[0] for column in draw_given(climate, measured, FIRST, 3, Streams(1, 4096)))
    assert high - low == pytest.approx(np.full(4096, (3 * 18 + 4 * 8) / 7))
    rest = (7 * (low + high) / 2 - 3 * 11) / 4
    scale, error = observation([0, 2, 5], 0.3)
    week = -1 / scale / (1 + error) if sd else 0.0  # the mean of the week departs by so much
    assert rest.mean() == pytest.approx(12 + (7 * week + 3) / 4 if sd else 12, abs=4 * sd * 7 / 4 / 64 + 1e-9)
    assert rest.std() == pytest.approx(sd * 7 / 4 * np.sqrt(error / (1 + error)), rel=4 / np.sqrt(2 * 4096), abs=1e-9)


def test_a_measured_week_without_spread_shows_nothing_of_the_weeks_after():
    climate = Climate([8.0] * 52, [16.0] * 52, [0.0 if k == FIRST.week - 1 else 2.0 for k in range(52)])
    measured = days(FIRST, 15, 25)
    low, high = draw_given(climate, measured, FIRST, 6, Streams(1, 256))
    assert (low[0] == 15).all()
    assert (high[0] == 25).all()
    plain = climate.draw(FIRST, 6, Streams(1, 256))
    assert low[1:] == pytest.approx(plain[0][1:])


# --- laws


def test_where_nothing_was_measured_nothing_changes_at_all():
    plain = CLIMATE.draw(FIRST, 30, Streams(1, 256))
    long_ago, later = departing(CLIMATE, FIRST + -60, 3.0), departing(CLIMATE, FIRST + 30, 3.0)
    for measured in ({}, long_ago, later, long_ago | later):
        found = draw_given(CLIMATE, measured, FIRST, 30, Streams(1, 256))
        assert all(np.array_equal(one, other) for one, other in zip(plain, found, strict=True))


def test_after_many_weeks_each_draw_is_what_it_was():
    plain = CLIMATE.draw(FIRST, 40, Streams(1, 256))
    found = draw_given(CLIMATE, departing(CLIMATE, FIRST + 2, 3.0), FIRST, 40, Streams(1, 256))
    apart = np.abs(found[0] - plain[0]).max(axis=1)
    assert apart[2] > 3
    assert (np.diff(apart[2:12]) < 0).all()
    assert apart[30:].max() < 1e-9


def test_the_order_of_the_days_the_number_of_draws_and_of_weeks_do_not_matter():
    measured = departing(CLIMATE, FIRST + -2, 1.0) | departing(CLIMATE, FIRST + 1, -2.0, range(3))
    found = draw_given(CLIMATE, measured, FIRST, 20, Streams(1, 256))
    turned = draw_given(CLIMATE, dict(reversed(measured.items())), FIRST, 20, Streams(1, 256))
    fewer = draw_given(CLIMATE, measured, FIRST, 20, Streams(1, 128))
    longer = draw_given(CLIMATE, measured, FIRST, 30, Streams(1, 256))
    for column, other in zip(found, turned, strict=True):
        assert np.array_equal(column, other)
    for column, half, long in zip(found, fewer, longer, strict=True):
        assert np.abs(column[:, :128] - half).max() < 1e-12
        assert np.abs(column - long[:20]).max() < 1e-12


@some
@given(
    low=st.floats(-30, 25),
    above=st.floats(0, 25),
    weekdays=st.sets(st.integers(0, 6), min_size=1),
    week=st.integers(-3, 10),
)
def test_no_maximum_lies_below_its_minimum_whatever_was_measured(low, above, weekdays, week):
    measured = {(FIRST + week).monday + timedelta(k): (low, low + above) for k in weekdays}
    lows, highs = draw_given(CLIMATE, measured, FIRST, 11, Streams(1, 16))
    assert (highs >= lows - 1e-9).all()


def test_the_longest_seasons_look_back_as_far_as_weeks_can_be_drawn():
    climate = Climate([8.0] * 52, [16.0] * 52, 2.0, persistence=0.95)
    measured = departing(climate, FIRST + -1, 2.0) | departing(climate, FIRST + -2, 0.0)
    plain = climate.draw(FIRST, 1040, Streams(1, 2))[0]
    assert np.array_equal(draw_given(climate, measured, FIRST, 1040, Streams(1, 2))[0], plain)
    found = draw_given(climate, measured, FIRST, 1039, Streams(1, 1024))[0][0]
    assert found.mean() == pytest.approx(8 + 0.95 * 4, abs=4 * 2 * np.sqrt(1 - 0.95**2) / 32)
