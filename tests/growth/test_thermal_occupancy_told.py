"""Plants in warmth at the vigours that are followed, where they are exact, and all alike, where all is by hand."""

import numpy as np
import pytest
from scipy.stats import norm

from forecast.growth.thermal_occupancy import WarmFate

VIGOURS = np.linspace(-4, 4, 33)
WEEKS = np.arange(31.0)
START, AT = 4, 17  # weeks drawn before plants come, and the Monday since then that is asked for


def clock(seed):
    """Draw degree-days by Mondays, one course for each vigour, each in some week without any."""
    daily = np.random.default_rng(seed).uniform(3, 12, (34, VIGOURS.size))
    daily[8] = 0
    return np.concatenate([np.zeros((1, VIGOURS.size)), 7 * daily.cumsum(axis=0)])


def shows(drawn, week):
    """Return what the clock of each draw shows so many weeks after plants came."""
    since = drawn[START:] - drawn[START]
    return np.array([np.interp(at, WEEKS, column) for at, column in zip(week, since.T, strict=True)])


@pytest.mark.parametrize("first", ["weeks", "warmth"])
def test_at_a_followed_vigour_the_share_is_exact_from_place_to_place(first):
    """Each draw needs as much as lets plants of one followed vigour leave the second stage on the Monday asked for."""
    one, other = clock(1), clock(2)
    if first == "weeks":
        leaves = 2.5 * np.exp(0.1 * VIGOURS)
        needs = np.full(VIGOURS.size, 2.5)
    else:
        leaves = np.full(VIGOURS.size, 6.3)
        needs = shows(one, leaves) / np.exp(0.1 * VIGOURS)
    then = (shows(other, np.full(VIGOURS.size, float(AT))) - shows(other, leaves)) / np.exp(0.2 * VIGOURS)
    clocks = (None if first == "weeks" else one, other)
    batch = WarmFate(np.log(np.full((2, 33), 0.8)), np.array([needs, then]), np.array([0.1, 0.2]), clocks, START)
    assert batch.last == 30
    right = norm.cdf(VIGOURS)
    for found in (batch.past(2, np.array([float(AT)]))[0], batch.boundaries(WEEKS)[2][AT]):
        assert found[1:-1] == pytest.approx(right[1:-1], abs=1e-9)
        assert found[0] < 4e-5  # vigours beyond 4 count as 4
        assert found[-1] > 1 - 4e-5
    assert batch.ready(np.array([float(AT)]))[0] == pytest.approx(0.64 * batch.past(2, np.array([float(AT)]))[0])
    if first == "weeks":
        week = np.array([2.5, 3.25])
        right = norm.cdf(np.log(week / 2.5) / 0.1)
        assert batch.boundaries(week)[1][:, 5] == pytest.approx(right, abs=1e-3)  # known within weeks, too
    else:
        mondays = batch.past(1, np.array([6.0, 7.0]))
        line = mondays[0] + 0.3 * (mondays[1] - mondays[0])
        assert batch.past(1, np.array([6.3]))[0] == pytest.approx(line, abs=1e-12)


def test_plants_that_are_all_alike_stand_where_the_clock_says():
    """At 14 °C days a week: 4 weeks, 70 °C days are 5 weeks, no time for grading, and 28 °C days are 2."""
    draws = 2
    warm = np.repeat(14.0 * np.arange(21)[:, None], draws, axis=1)
    survival = np.array([[0.95, 0.5], [0.4, 0.97], [0.9, 0.9], [0.8, 0.99]])
    weeks = np.array([[4.0] * draws, [70.0] * draws, [0.0] * draws, [28.0] * draws])
    batch = WarmFate(np.log(survival), weeks, np.zeros(4), (None, warm, None, warm), 3)
    assert batch.last == 17
    assert batch.middling().tolist() == [11, 11]
    standing, ready = batch.course(np.arange(18.0))
    done = np.arange(18.0)[:, None]
    came = survival.cumprod(axis=0)
    right = [
        np.where(done < 4, survival[0] ** (done / 4), 0),
        np.where((done >= 4) & (done < 9), came[0] * survival[1] ** ((done - 4) / 5), 0),
        np.zeros((18, draws)),
        np.where((done >= 9) & (done < 11), came[2] * survival[3] ** ((done - 9) / 2), 0),
    ]
    assert standing == pytest.approx(np.array(right), abs=1e-12)
    assert ready == pytest.approx(np.where(done >= 11, came[3], 0), abs=1e-12)
    assert batch.past(3, np.array([8.0, 9.0, 10.0]))[:, 0].tolist() == [0, 1, 1]
    assert batch.past(2, np.array([8.5]))[0] == pytest.approx([0.5, 0.5])  # on a line between two Mondays


def test_a_batch_that_meets_no_warmth_enough_is_through_on_no_monday():
    warm = np.repeat(np.arange(11.0)[:, None], 3, axis=1)
    batch = WarmFate(np.log(np.full((1, 3), 0.9)), np.array([[5.0, 10.0, 11.0]]), np.zeros(1), (warm,), 0)
    assert batch.last == 10
    assert batch.past(1, np.array([4.0, 5.0, 9.0, 10.0])).tolist() == [[0, 0, 0], [1, 0, 0], [1, 0, 0], [1, 1, 0]]
    assert batch.middling().tolist() == [5, 10, 11]


@pytest.mark.parametrize("survival", [0.95, 0.85, 0.3])
def test_those_alive_part_of_the_way_are_the_mean_of_what_each_vigour_has_kept(survival):
    """One stage at one pace: a plant of vigour v is t / (8 exp(s v)) of the way; three nodes, or fewer if few die."""
    warm = np.repeat(10.0 * np.arange(31)[:, None], 1, axis=1)
    batch = WarmFate(np.log([[survival]]), np.array([[80.0]]), np.array([0.15]), (warm,), 0)
    vigour = norm.ppf((np.arange(40_000) + 0.5) / 40_000)
    standing, _ = batch.course(np.arange(16.0))
    for week in range(16):
        part = week / (8 * np.exp(0.15 * vigour))
        exact = np.where(part < 1, survival**part, 0).mean()
        assert standing[0, week, 0] == pytest.approx(exact, abs=1.5e-3)
    assert standing[0, 0, 0] == pytest.approx(1, abs=1e-9)


def test_some_draws_of_a_batch_share_its_clock():
    warm = 14.0 * np.arange(21)[:, None] * np.array([1.0, 1.5, 2.0])
    batch = WarmFate(np.log(np.full((3, 3), 0.9)), np.full((3, 3), 30.0), np.full(3, 0.1), (warm, None, warm), 2)
    part = batch.take(slice(1, 3))
    assert part.clocks[0] is part.clocks[2]
    assert part.clocks[1] is None
    assert np.array_equal(part.clocks[0], warm[:, 1:])
    assert (part.start, part.last) == (2, 18)
    assert part.log_survival.shape == part.weeks.shape == (3, 2)
