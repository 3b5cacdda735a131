"""Where the plants of a batch stand, against numerical integration over their vigour."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import fixed_quad
from scipy.optimize import brentq
from scipy.stats import norm

from forecast.growth.stage_occupancy import TimedFate

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
def test_without_losses_all_plants_stand_somewhere(fate):
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
