"""Plants seen in a stage and followed on, against integrals over their vigour."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.stats import norm

from forecast.growth.stage_occupancy import TimedFate
from forecast.growth.thermal_occupancy import WarmFate
from forecast.tracking.remaining import CohortFate, SaleableFate, cohort_fate, with_waits

SURVIVAL, WEEKS = np.array([0.6, 0.8]), np.array([4.0, 6.0])
PACES = {"one pace": np.array([0.2, 0.2]), "own paces": np.array([0.15, 0.3])}
ENTERED, SEEN = 3.25, 2.5
ELAPSED = np.array([-4.0, -1.0, 0.0, 1.0, 2.0, 4.0, 6.0, 8.0, 12.0, 30.0])


def fate(spread):
    return TimedFate(np.log(SURVIVAL)[:, None], WEEKS[:, None].copy(), PACES[spread].copy())


def seen(spread, first=1):
    """Return what plants of the second of three stages meet that were seen there, 2.5 weeks after they came."""
    return cohort_fate(fate(spread), first, ENTERED, SEEN, SaleableFate(first + 2, 1))


def left(spread, stages, since):
    """Return the vigour of plants that have just left so many stages by then."""
    if since <= 0:
        return -np.inf

    def late(vigour):
        return (WEEKS[:stages] * np.exp(PACES[spread][:stages] * vigour)).sum() - since

    return brentq(late, -20, 20) if stages else np.inf


def alive(spread, k, since, above):
    """Return the share of all that entered that is slower than `above`, in stage k, and alive."""
    low, high = max(left(spread, k + 1, since), above), left(spread, k, since)

    def kept(vigour):
        pace = np.exp(PACES[spread] * vigour)
        part = (since - (WEEKS[:k] * pace[:k]).sum()) / (WEEKS[k] * pace[k])
        return SURVIVAL[:k].prod() * SURVIVAL[k] ** part * norm.pdf(vigour)

    return quad(kept, max(low, -9), min(high, 9))[0] if high > low else 0.0


@pytest.mark.parametrize("spread", PACES)
def test_those_seen_are_the_slow_and_alive_ones_of_those_that_came_with_them(spread):
    """Shares past a stage are exact; those alive are a quadrature at three nodes."""
    made, bar, apart = seen(spread), left(spread, 1, SEEN), 2e-3
    there = alive(spread, 0, SEEN, bar)
    survival = 0.48 * norm.sf(bar) / there
    assert made.survival == pytest.approx([survival], abs=apart)
    assert made.reached[:, 0] == pytest.approx([1, 1, 0.6 * norm.sf(bar) / there, survival], abs=apart)
    standing, ready = made.course(ELAPSED)
    assert standing.shape == (3, 10, 1)
    assert (standing[0] == 0).all()
    for at, elapsed in enumerate(ELAPSED):
        since, come = elapsed + ENTERED, elapsed >= 0
        for k in (0, 1):
            right = come * alive(spread, k, since, bar) / there
            assert standing[k + 1, at, 0] == pytest.approx(right, abs=apart)
        gone = [max(norm.cdf(left(spread, n, since)) - norm.cdf(bar), 0) / norm.sf(bar) for n in (1, 2)]
        for n in (1, 2):
            assert made.past(n + 1, np.array([elapsed])) == pytest.approx(come * gone[n - 1], abs=2e-7)
        assert ready[at, 0] == pytest.approx(come * survival * gone[1], abs=apart)
    assert (made.past(0, ELAPSED) == 1).all()
    assert (made.past(1, ELAPSED) == 1).all()
    assert made.past(1, ELAPSED).shape == (10, 1)
    for stages, edge in enumerate(made.boundaries(ELAPSED)):
        assert np.array_equal(edge, made.past(stages, ELAPSED))


def test_the_stages_before_theirs_take_nothing_and_no_time():
    made = seen("own paces", first=2)
    assert isinstance(made, CohortFate)
    assert (made.first, made.entered, made.counted, made.parts) == (2, ENTERED, SEEN, 1)
    assert made.stages == 4
    assert made.reached[:3, 0].tolist() == [1, 1, 1]
    assert made.past(2, ELAPSED)[:, 0].tolist() == [1] * len(ELAPSED)
    part = made.take(slice(0, 1))
    assert (part.first, part.entered, part.counted, part.parts) == (2, ENTERED, SEEN, 1)
    assert np.array_equal(part.course(ELAPSED)[0], made.course(ELAPSED)[0])


@pytest.mark.parametrize(("gone", "late"), [(0.9985, False), (0.9995, True)])
def test_a_cohort_is_overdue_if_fewer_than_one_in_a_thousand_should_be_there(gone, late):
    since = 4 * np.exp(0.2 * norm.ppf(gone))
    overdue = TimedFate(np.log([[1.0], [0.5]]), np.array([[0.0], [3.0]]), np.zeros(2))
    made = cohort_fate(fate("one pace"), 0, 0.0, since, overdue)
    assert (made.survival[0] == pytest.approx(0.5)) == late
    if late:
        assert made.ready(np.array([2.9, 3.0]))[:, 0] == pytest.approx([0, 0.5])
        assert made.reached[:, 0] == pytest.approx([1, 1, 0.5])
        assert made.past(1, np.array([-1.0, 0.0]))[:, 0].tolist() == [0, 1]
        assert made.course(np.array([1.5, 3.0]))[0][:, :, 0] == pytest.approx(np.array([[0, 0], [0.5**0.5, 0]]))


def test_waits_are_stages_of_their_own_without_loss_after_each_that_takes_time():
    plain = TimedFate(np.log([[0.6, 0.7], [0.9, 0.9]]), np.array([[4.0, 5.0], [0.0, 0.0]]), np.array([0.2, 0.0]))
    made = with_waits(plain, np.array([[1.0, 2.0], [3.0, 3.0]]))
    assert made.log_survival == pytest.approx(np.log([[0.6, 0.7], [1, 1], [0.9, 0.9], [1, 1]]))
    assert made.weeks.tolist() == [[4, 5], [1, 2], [0, 0], [0, 0]]
    assert made.log_sd.tolist() == [0.2, 0, 0, 0]
    assert not isinstance(made, WarmFate)
    clock = np.cumsum(np.ones((30, 2)), axis=0)
    warm = WarmFate(*(part.copy() for part in (plain.log_survival, plain.weeks, plain.log_sd)), (clock, None), 3)
    found = with_waits(warm, np.array([[1.0, 2.0], [3.0, 3.0]]))
    assert isinstance(found, WarmFate)
    assert found.start == 3
    assert found.clocks[0] is clock
    assert found.clocks[1:] == (None, None, None)
    assert found.weeks.tolist() == made.weeks.tolist()


def test_plants_that_wait_stand_in_the_stage_they_are_ready_to_leave():
    """Four weeks and a wait of two, then six and one of one: alive as at the end of the stage until they are moved."""
    whole = TimedFate(np.log(SURVIVAL)[:, None], WEEKS[:, None].copy(), np.zeros(2))
    made = cohort_fate(whole, 1, 0.0, 0.0, SaleableFate(3, 1), np.array([[9.0], [2.0], [1.0]]))
    assert made.parts == 2
    standing, ready = made.course(np.array([2.0, 4.0, 5.0, 6.0, 9.0, 12.0, 13.0]))
    assert standing[1, :, 0] == pytest.approx([0.6**0.5, 0.6, 0.6, 0, 0, 0, 0])
    assert standing[2, :, 0] == pytest.approx([0, 0, 0, 0.6, 0.6 * 0.8**0.5, 0.48, 0])
    assert ready[:, 0] == pytest.approx([0, 0, 0, 0, 0, 0, 0.48])
    assert made.reached[:, 0] == pytest.approx([1, 1, 0.6, 0.48])


def test_plants_that_are_saleable_have_left_all_stages_but_the_last_before_they_are_told_of():
    done = SaleableFate(2, 3)
    assert done.survival.tolist() == [1, 1, 1]
    assert done.reached.tolist() == [[1, 1, 1]] * 3
    elapsed = np.array([-1.0, 0.0, 5.0])
    assert done.past(1, elapsed).tolist() == [[1, 1, 1]] * 3
    assert done.past(2, elapsed).tolist() == [[0, 0, 0], [1, 1, 1], [1, 1, 1]]
    standing, ready = done.course(elapsed)
    assert standing.tolist() == [[[0] * 3] * 3] * 2
    assert ready.tolist() == done.past(2, elapsed).tolist()
    assert done.take(slice(1, 3)).past(2, elapsed).tolist() == [[0, 0], [1, 1], [1, 1]]


@pytest.mark.parametrize("spread", PACES)
@pytest.mark.parametrize(("looked", "apart"), [((3.0, 3.0), 0.015), ((ENTERED, SEEN), 0.084), ((-0.5, 0.0), 0.084)])
def test_in_steady_warmth_plants_stand_where_they_would_on_weeks(spread, looked, apart):
    """At 70 °C days a week. Warmth is told by Mondays, on lines between these: a normal curve with a deviation of
    0.15 x 4 weeks lies up to 0.242 / 0.6^2 / 8 = 0.084 off its chord over a week."""
    warm = np.repeat(70.0 * np.arange(60)[:, None], 1, axis=1)
    plain = fate(spread)
    parts = plain.log_survival.copy(), 70 * plain.weeks, plain.log_sd.copy()
    batch = WarmFate(*parts, (warm, warm), 4)
    done = SaleableFate(3, 1)
    weeks, warmth = (cohort_fate(one, 1, *looked, done) for one in (plain, batch))
    assert warmth.survival == pytest.approx(weeks.survival, abs=0.01)
    assert warmth.reached == pytest.approx(weeks.reached, abs=0.01)
    elapsed = np.arange(-4.0, 31)
    for found, right in zip(warmth.course(elapsed), weeks.course(elapsed), strict=True):
        assert found == pytest.approx(right, abs=apart)
    assert (warmth.course(elapsed)[0][:, :4] == 0).all()
    for found, right in zip(warmth.boundaries(elapsed), weeks.boundaries(elapsed), strict=True):
        assert found == pytest.approx(right, abs=apart)
