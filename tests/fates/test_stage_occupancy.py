"""Where the plants of a batch stand, against numerical integration over their vigour."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import fixed_quad, quad
from scipy.optimize import brentq
from scipy.stats import norm

from forecast.fates.stage_occupancy import TimedFate, cells

some = settings(max_examples=40, deadline=None, derandomize=True)
WEEKS = np.array([-1.0, 0.0, 0.5, 1.0, 3.0, 6.0, 9.0, 14.0, 25.0, 60.0])


@st.composite
def fates(draw, least=0.02):
    """Draw one or two draws of 1 to 4 stages, of equal or unequal spreads, some without time or without loss."""
    spreads = st.floats(least, 0.5)
    stages = draw(st.integers(1, 4))
    draws = draw(st.integers(1, 2))

    def table(values):
        return np.array([[draw(values) for _ in range(draws)] for _ in range(stages)])

    timed = np.array([[draw(st.sampled_from([0.0, 1.0, 1.0]))] for _ in range(stages)])
    weeks = timed * table(st.floats(0.3, 9))
    survival = table(st.sampled_from([1.0, 0.98, 0.8, 0.5, 0.2]))
    alike = draw(spreads)
    spread = [alike] * stages if draw(st.booleans()) else [draw(spreads) for _ in range(stages)]
    return TimedFate(np.log(survival), weeks, np.array(spread) * timed[:, 0])


def leaves(fate, stages, vigour, draw):
    """Time at which a plant leaves the first stages, written plainly."""
    return sum(fate.weeks[k, draw] * np.exp(fate.log_sd[k] * vigour) for k in range(stages))


def share_past(fate, stages, time, draw):
    """Share of plants past the first stages: the normal chance of the vigour that just makes it."""
    if time < 0:
        return 0.0
    if leaves(fate, stages, 8, draw) <= time:
        return 1.0
    if leaves(fate, stages, -8, draw) > time:
        return 0.0
    if leaves(fate, stages, 8, draw) == leaves(fate, stages, -8, draw):
        return float(leaves(fate, stages, 0, draw) <= time)
    return norm.cdf(brentq(lambda v: leaves(fate, stages, v, draw) - time, -8, 8, xtol=1e-13))


def alive_in(fate, k, time, draw):
    """Share of plants alive in stage k: the integral over vigour of what each has survived so far."""
    before = np.exp(fate.log_survival[:k, draw].sum())

    def at(vigour):
        start, end = leaves(fate, k, vigour, draw), leaves(fate, k + 1, vigour, draw)
        part = np.clip((time - start) / (end - start), 0, 1)
        return before * np.exp(fate.log_survival[k, draw] * part) * norm.pdf(vigour)

    edges = [norm.ppf(np.clip(share_past(fate, n, time, draw), 1e-15, 1 - 1e-15)) for n in (k + 1, k)]
    return fixed_quad(at, *edges, n=80)[0]


@some
@given(fate=fates())
def test_the_share_past_each_stage_is_the_normal_chance_of_its_vigour(fate):
    for stages in range(len(fate.log_sd) + 1):
        past = fate.past(stages, WEEKS)
        for draw in range(fate.weeks.shape[1]):
            right = [share_past(fate, stages, time, draw) for time in WEEKS]
            assert past[:, draw] == pytest.approx(right, abs=1e-6)


@settings(some, max_examples=20)
@given(fate=fates(least=0.05))
def test_the_plants_alive_in_each_stage_are_the_integral_over_vigour(fate):
    """Two nodes of quadrature: within 1.2 % of what the stage loses, as shares of the batch; most often far less."""
    standing, ready = fate.course(WEEKS)
    for draw in range(fate.weeks.shape[1]):
        for k in range(len(fate.log_sd)):
            if fate.weeks[k, draw] > 0:
                right = [alive_in(fate, k, time, draw) if time >= 0 else 0.0 for time in WEEKS]
                assert standing[k, :, draw] == pytest.approx(
                    right, abs=1e-6 + 0.012 * (1 - np.exp(fate.log_survival[k, draw]))
                )
            else:
                assert not standing[k, :, draw].any()
        survived = np.exp(fate.log_survival[:, draw].sum())
        assert ready[:, draw] == pytest.approx(
            [survived * share_past(fate, len(fate.log_sd), t, draw) for t in WEEKS], abs=1e-6
        )


def test_with_mild_losses_and_spreads_two_nodes_of_quadrature_are_right_to_three_in_ten_thousand():
    fate = TimedFate(np.log([[0.85], [0.96], [0.95]]), np.array([[4.0], [5.0], [9.0]]), np.array([0.1, 0.12, 0.1]))
    weeks = np.arange(0.0, 26.0)
    standing, _ = fate.course(weeks)
    for k in range(3):
        assert standing[k, :, 0] == pytest.approx([alive_in(fate, k, time, 0) for time in weeks], abs=3e-4)


@some
@given(fate=fates())
def test_without_losses_all_plants_are_somewhere(fate):
    kept = TimedFate(np.zeros_like(fate.log_survival), fate.weeks.copy(), fate.log_sd.copy())
    standing, ready = kept.course(WEEKS)
    assert np.abs(standing.sum(axis=0) + ready - (WEEKS >= 0)[:, None]).max() < 1e-6


@some
@given(fate=fates())
def test_plants_ready_are_the_same_from_the_course_and_alone(fate):
    assert np.abs(fate.course(WEEKS)[1] - fate.ready(WEEKS)).max() < 1e-12


@some
@given(fate=fates(), steps=st.integers(2, 60))
def test_plants_are_never_past_fewer_stages_later(fate, steps):
    time = np.linspace(-1, 40, steps)
    for stages in range(len(fate.log_sd) + 1):
        past = fate.past(stages, time)
        assert (np.diff(past, axis=0) >= -1e-12).all()
        if stages:
            assert (past <= fate.past(stages - 1, time) + 1e-9).all()


def test_without_spread_all_plants_move_on_together_at_the_very_time():
    fate = TimedFate(np.log([[0.9], [0.5]]), np.array([[4.0], [2.0]]), np.zeros(2))
    standing, ready = fate.course(np.array([0.0, 2.0, 4.0, 5.0, 6.0]))
    assert standing[:, :, 0] == pytest.approx(np.array([[1, 0.9**0.5, 0, 0, 0], [0, 0, 0.9, 0.9 * 0.5**0.5, 0]]))
    assert ready[:, 0] == pytest.approx([0, 0, 0, 0, 0.45])


def test_stages_that_take_no_time_are_passed_on_the_day_of_delivery():
    fate = TimedFate(np.log([[0.9], [0.5]]), np.zeros((2, 1)), np.zeros(2))
    standing, ready = fate.course(np.array([-1.0, 0.0, 1.0]))
    assert not standing.any()
    assert ready[:, 0] == pytest.approx([0, 0.45, 0.45])


def test_some_of_the_draws_are_the_same_as_in_all():
    fate = TimedFate(np.log(np.array([[0.9, 0.5, 0.7]])), np.array([[4.0, 2.0, 3.0]]), np.array([0.2]))
    assert (fate.take(slice(1, 3)).ready(WEEKS) == fate.ready(WEEKS)[:, 1:3]).all()


@some
@given(fate=fates(), order=st.permutations(range(WEEKS.size)))
def test_times_may_be_asked_for_in_any_order(fate, order):
    assert (fate.ready(WEEKS[order]) == fate.ready(WEEKS)[order]).all()


SURVIVAL = np.array([[0.9, 0.6], [0.5, 0.8], [0.7, 1.0]])
TIMES = np.array([[4.0, 3.0], [0.0, 0.0], [6.0, 2.0]])
ALIKE, APART = np.array([0.2, 0.0, 0.2]), np.array([0.1, 0.0, 0.3])


def two_draws(spread=ALIKE, survival=SURVIVAL, weeks=TIMES):
    return TimedFate(np.log(survival), weeks.copy(), spread.copy())


def test_survivals_and_times_of_middling_plants_by_hand():
    made = two_draws()
    assert made.survival == pytest.approx([0.315, 0.48])
    assert made.reached == pytest.approx(np.array([[1, 1], [0.9, 0.6], [0.45, 0.48], [0.315, 0.48]]))
    assert made.median_week().tolist() == [10, 5]
    for array in (made.log_survival, made.weeks, made.log_sd):
        with pytest.raises(ValueError, match="read-only"):
            array.flat[0] = 1


@pytest.mark.parametrize("spread", [ALIKE, APART])
def test_a_plant_leaves_each_stage_when_the_times_of_its_vigour_are_over(spread):
    made, vigour = two_draws(spread), np.array([1.5, -2.0, 0.3])
    pace = np.exp(spread[:, None] * vigour)
    draw = np.array([1, 0, 1])
    for stages in (0, 1, 2, 3):
        right = (TIMES[:stages, draw] * pace[:stages]).sum(axis=0)
        assert made.until(stages, vigour, draw) == pytest.approx(right)
        assert made.until(stages, 1.5) == pytest.approx((TIMES[:stages] * pace[:stages, :1]).sum(axis=0))
        assert made.until(stages, 1.5).shape == (2,)


def test_with_one_pace_the_share_past_a_stage_is_that_of_the_normal_table_to_two_in_a_hundred_million():
    made, elapsed = two_draws(), np.concatenate([[-1.0, 0.0], np.geomspace(1.2, 27, 400)])
    for stages, needs in ((1, [4, 3]), (2, [4, 3]), (3, [10, 5])):
        score = np.log(np.maximum(elapsed, 1e-9)[:, None] / needs) / 0.2
        right = np.where(score < -5, 0, np.where(score >= 5, 1, norm.cdf(score)))
        assert np.abs(made.past(stages, elapsed) - right).max() < 2e-8


def test_with_paces_of_their_own_the_vigour_that_just_makes_it_is_found_exactly():
    made, vigour = two_draws(APART), np.linspace(-4.99, 4.99, 301)
    for draw in (0, 1):
        times = (TIMES[:, draw, None] * np.exp(APART[:, None] * vigour)).sum(axis=0)
        assert np.abs(made.past(3, times)[:, draw] - norm.cdf(vigour)).max() < 1e-9
        assert np.abs(made.past(2, TIMES[0, draw] * np.exp(0.1 * vigour))[:, draw] - norm.cdf(vigour)).max() < 1e-9


@pytest.mark.parametrize("spread", [ALIKE, APART])
def test_vigours_beyond_five_count_as_five(spread):
    made = two_draws(spread)
    for stages in (1, 3):
        quick, slow = ((TIMES[:stages] * np.exp(spread[:stages, None] * vigour)).sum(axis=0)[0] for vigour in (-5, 5))
        found = made.past(stages, np.array([0.999 * quick, 1.001 * quick, 0.999 * slow, 1.001 * slow]))[:, 0]
        assert found[0] == 0
        assert 0 < found[1] < 1e-6
        assert 1 - 1e-6 < found[2] < 1
        assert found[3] == 1
        edges = np.array([made.until(stages, vigour)[0] for vigour in (-5.0, 5.0)])
        assert made.past(stages, edges)[:, 0].tolist() == [0, 1]


@pytest.mark.parametrize("spread", [ALIKE, APART])
def test_all_boundaries_are_those_asked_for_one_by_one(spread):
    elapsed = np.array([-2.0, 0.0, 3.0, 7.0, 40.0])
    found = two_draws(spread).boundaries(elapsed)
    assert len(found) == 4
    for stages, edge in enumerate(found):
        assert np.array_equal(edge, two_draws(spread).past(stages, elapsed))
    assert found[0][:, 0].tolist() == [0, 1, 1, 1, 1]


def mean_alive(made, k, time, draw):
    """Integrate over vigour what plants that are in a stage have survived so far."""
    weeks, spread, log = made.weeks[:, draw], made.log_sd, made.log_survival[:, draw]

    def at(vigour):
        begin = (weeks[:k] * np.exp(spread[:k] * vigour)).sum()
        part = (time - begin) / (weeks[k] * np.exp(spread[k] * vigour))
        return np.exp(log[:k].sum() + log[k] * part) * norm.pdf(vigour) if 0 <= part < 1 else 0.0

    edges = []
    for stages in (k + 1, k):
        share = made.past(stages, np.array([time]))[0, draw]
        edges.append(float(norm.ppf(np.clip(share, 1e-12, 1 - 1e-12))))
    return quad(at, *edges)[0]


@pytest.mark.parametrize(("spread", "apart"), [(ALIKE, 2e-4), (APART, 4e-3)])
def test_plants_alive_in_each_stage_are_the_integral_over_vigour_in_every_draw(spread, apart):
    """A cubic through exp(f log 0.6) errs by (log 0.6)^4 / (4! 2^7), three nodes of quadrature by more."""
    made, elapsed = two_draws(spread), np.array([-1.0, 0.0, 2.0, 3.0, 4.0, 5.0, 7.0, 9.0, 10.5, 13.0, 60.0])
    standing, ready = made.course(elapsed)
    assert standing.shape == (3, 11, 2)
    for draw in (0, 1):
        for k in (0, 2):
            right = [mean_alive(made, k, time, draw) if time >= 0 else 0 for time in elapsed]
            assert standing[k, :, draw] == pytest.approx(right, abs=apart)
    assert (standing[1] == 0).all()
    assert (standing[:, [0, -1]] == 0).all()
    assert standing[0, 1].tolist() == pytest.approx([1, 1], abs=1e-4)
    assert np.array_equal(ready, made.ready(elapsed))
    assert np.array_equal(ready, made.survival * made.past(3, elapsed))


def test_of_a_batch_that_grows_alike_half_is_lost_half_way_in_a_course_of_one_week_or_many():
    made = two_draws(np.zeros(3))
    for elapsed in (np.array([2.0]), np.array([2.0, 100.0]), np.array([-5.0, 2.0])):
        at = elapsed.tolist().index(2.0)
        assert made.course(elapsed)[0][0, at] == pytest.approx([0.9**0.5, 0.6 ** (2 / 3)])
    standing, ready = made.course(np.array([4.0, 7.0, 10.0]))
    assert standing[2, :, 0] == pytest.approx([0.45, 0.45 * 0.7**0.5, 0])
    assert ready[:, 0] == pytest.approx([0, 0, 0.315])
    assert made.past(1, np.array([3.999, 4.0]))[:, 0].tolist() == [0, 1]


def test_plants_are_saleable_while_they_keep_their_grade():
    made = two_draws(np.zeros(3))
    elapsed = np.array([9.0, 10.0, 12.0, 13.0])
    assert made.saleable(elapsed, None)[:, 0] == pytest.approx([0, 0.315, 0.315, 0.315])
    assert made.saleable(elapsed, 3)[:, 0] == pytest.approx([0, 0.315, 0.315, 0])
    assert made.saleable(elapsed, 3).shape == (4, 2)


def test_cells_that_are_true_are_named_by_week_draw_and_position():
    week, draw, cell = cells(np.array([[False, True, False], [True, False, True]]))
    assert (week.tolist(), draw.tolist(), cell.tolist()) == ([0, 1, 1], [1, 0, 2], [1, 3, 5])
