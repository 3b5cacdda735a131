"""Where plants stand, to the accuracy that is promised: closed forms, edges, and times of single plants by hand."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from forecast.growth.stage_occupancy import TimedFate, cells

SURVIVAL = np.array([[0.9, 0.6], [0.5, 0.8], [0.7, 1.0]])
WEEKS = np.array([[4.0, 3.0], [0.0, 0.0], [6.0, 2.0]])
ALIKE, APART = np.array([0.2, 0.0, 0.2]), np.array([0.1, 0.0, 0.3])


def fate(spread=ALIKE, survival=SURVIVAL, weeks=WEEKS):
    return TimedFate(np.log(survival), weeks.copy(), spread.copy())


def test_survivals_and_times_of_middling_plants_by_hand():
    made = fate()
    assert made.survival == pytest.approx([0.315, 0.48])
    assert made.reached == pytest.approx(np.array([[1, 1], [0.9, 0.6], [0.45, 0.48], [0.315, 0.48]]))
    assert made.middling().tolist() == [10, 5]
    for array in (made.log_survival, made.weeks, made.log_sd):
        with pytest.raises(ValueError, match="read-only"):
            array.flat[0] = 1


@pytest.mark.parametrize("spread", [ALIKE, APART])
def test_a_plant_leaves_each_stage_when_the_times_of_its_vigour_are_over(spread):
    made, vigour = fate(spread), np.array([1.5, -2.0, 0.3])
    pace = np.exp(spread[:, None] * vigour)
    draw = np.array([1, 0, 1])
    for stages in (0, 1, 2, 3):
        right = (WEEKS[:stages, draw] * pace[:stages]).sum(axis=0)
        assert made.until(stages, vigour, draw) == pytest.approx(right)
        assert made.until(stages, 1.5) == pytest.approx((WEEKS[:stages] * pace[:stages, :1]).sum(axis=0))
        assert made.until(stages, 1.5).shape == (2,)


def test_with_one_pace_the_share_past_a_stage_is_that_of_the_normal_table_to_two_in_a_hundred_million():
    made, elapsed = fate(), np.concatenate([[-1.0, 0.0], np.geomspace(1.2, 27, 400)])
    for stages, needs in ((1, [4, 3]), (2, [4, 3]), (3, [10, 5])):
        score = np.log(np.maximum(elapsed, 1e-9)[:, None] / needs) / 0.2
        right = np.where(score < -5, 0, np.where(score >= 5, 1, norm.cdf(score)))
        assert np.abs(made.past(stages, elapsed) - right).max() < 2e-8


def test_with_paces_of_their_own_the_vigour_that_just_makes_it_is_found_exactly():
    made, vigour = fate(APART), np.linspace(-4.99, 4.99, 301)
    for draw in (0, 1):
        times = (WEEKS[:, draw, None] * np.exp(APART[:, None] * vigour)).sum(axis=0)
        assert np.abs(made.past(3, times)[:, draw] - norm.cdf(vigour)).max() < 1e-9
        assert np.abs(made.past(2, WEEKS[0, draw] * np.exp(0.1 * vigour))[:, draw] - norm.cdf(vigour)).max() < 1e-9


@pytest.mark.parametrize("spread", [ALIKE, APART])
def test_vigours_beyond_five_count_as_five(spread):
    made = fate(spread)
    for stages in (1, 3):
        quick, slow = ((WEEKS[:stages] * np.exp(spread[:stages, None] * vigour)).sum(axis=0)[0] for vigour in (-5, 5))
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
    found = fate(spread).boundaries(elapsed)
    assert len(found) == 4
    for stages, edge in enumerate(found):
        assert np.array_equal(edge, fate(spread).past(stages, elapsed))
    assert found[0][:, 0].tolist() == [0, 1, 1, 1, 1]


def alive(made, k, time, draw):
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
    made, elapsed = fate(spread), np.array([-1.0, 0.0, 2.0, 3.0, 4.0, 5.0, 7.0, 9.0, 10.5, 13.0, 60.0])
    standing, ready = made.course(elapsed)
    assert standing.shape == (3, 11, 2)
    for draw in (0, 1):
        for k in (0, 2):
            right = [alive(made, k, time, draw) if time >= 0 else 0 for time in elapsed]
            assert standing[k, :, draw] == pytest.approx(right, abs=apart)
    assert (standing[1] == 0).all()
    assert (standing[:, [0, -1]] == 0).all()
    assert standing[0, 1].tolist() == pytest.approx([1, 1], abs=1e-4)
    assert np.array_equal(ready, made.ready(elapsed))
    assert np.array_equal(ready, made.survival * made.past(3, elapsed))


def test_of_a_batch_that_grows_alike_half_is_lost_half_way_in_a_course_of_one_week_or_many():
    made = fate(np.zeros(3))
    for elapsed in (np.array([2.0]), np.array([2.0, 100.0]), np.array([-5.0, 2.0])):
        at = elapsed.tolist().index(2.0)
        assert made.course(elapsed)[0][0, at] == pytest.approx([0.9**0.5, 0.6 ** (2 / 3)])
    standing, ready = made.course(np.array([4.0, 7.0, 10.0]))
    assert standing[2, :, 0] == pytest.approx([0.45, 0.45 * 0.7**0.5, 0])
    assert ready[:, 0] == pytest.approx([0, 0, 0.315])
    assert made.past(1, np.array([3.999, 4.0]))[:, 0].tolist() == [0, 1]


def test_plants_are_saleable_while_they_keep_their_grade():
    made = fate(np.zeros(3))
    elapsed = np.array([9.0, 10.0, 12.0, 13.0])
    assert made.saleable(elapsed, None)[:, 0] == pytest.approx([0, 0.315, 0.315, 0.315])
    assert made.saleable(elapsed, 3)[:, 0] == pytest.approx([0, 0.315, 0.315, 0])
    assert made.saleable(elapsed, 3).shape == (4, 2)


def test_cells_that_are_true_are_named_by_week_draw_and_position():
    week, draw, cell = cells(np.array([[False, True, False], [True, False, True]]))
    assert (week.tolist(), draw.tolist(), cell.tolist()) == ([0, 1, 1], [1, 0, 2], [1, 3, 5])
