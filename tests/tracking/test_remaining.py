"""Plants seen in a stage and followed on: against plants followed one by one, and laws."""

import numpy as np
import pytest
from small_seasons import season, stage

from forecast.growth.simulation import draw_fate, season_streams
from forecast.growth.stage_occupancy import TimedFate
from forecast.growth.thermal_occupancy import WarmFate
from forecast.tracking.remaining import SaleableFate, cohort_fate
from forecast.weeks import Week

PLANTS = 400_000
SURVIVAL = np.array([0.7, 0.85, 0.9])
NEED = {"weeks": np.array([4.0, 6.0, 0.0]), "degree-days": np.array([300.0, 520.0, 0.0])}
PACE = {"one pace": np.array([0.15, 0.15, 0.0]), "own paces": np.array([0.15, 0.3, 0.0])}
WEEKS = np.arange(0, 26.0)
_RATES = 8 + 6 * np.sin(np.arange(60) / 4)  # °C days a day, week by week: an invented course
CLOCK = np.concatenate([[0], np.cumsum(7 * np.maximum(_RATES, 0))])


def fate(clock, spread, start=3):
    """Return what three stages mean for plants, in one draw, on a clock that begins some weeks before they come."""
    parts = np.log(SURVIVAL)[:, None], NEED[clock][:, None].copy(), PACE[spread].copy()
    if clock == "weeks":
        return TimedFate(*parts)
    return WarmFate(*parts, (CLOCK[:, None], CLOCK[:, None], None), start)


def after(whole, looked):
    """Return what plants meet from the second stage on."""
    parts = whole.log_survival[1:].copy(), whole.weeks[1:].copy(), whole.log_sd[1:].copy()
    if isinstance(whole, WarmFate):
        return WarmFate(*parts, whole.clocks[1:], whole.start + int(looked))
    return TimedFate(*parts)


def seen_there(whole, seen, offset=None, waits=None):
    """Return the same for plants seen there so many weeks later; weeks are counted from `offset` on."""
    offset = np.floor(seen) if offset is None else offset
    done = SaleableFate(3, whole.weeks.shape[1])
    overdue = cohort_fate(after(whole, np.floor(seen)), 1, 0.0, 0.0, done, waits)
    return cohort_fate(whole, 0, offset, seen, overdue, waits)


def followed(clock, spread, seen, start=3):
    """Follow plants one by one; give by week since the look where those are that were alive and there at the look."""
    rng = np.random.default_rng(20270613)
    vigour = rng.standard_normal(PLANTS)
    shows = (lambda week: week) if clock == "weeks" else (lambda week: np.interp(week + start, np.arange(61), CLOCK))
    ends = shows(0) + np.cumsum(NEED[clock][:, None] * np.exp(PACE[spread][:, None] * vigour), axis=0)
    begins = np.concatenate([np.full((1, PLANTS), shows(0)), ends[:-1]])
    lives = rng.exponential(size=(3, PLANTS))
    hazard = -np.log(SURVIVAL)[:, None]
    part = np.minimum(lives / hazard, 1)
    dies = begins + np.where(lives < hazard, part * (ends - begins), np.inf)
    dead_at = dies.min(axis=0)
    there = (ends[0] > shows(seen)) & (dead_at > shows(seen))
    found = []
    for week in WEEKS:
        now = shows(week + np.floor(seen))
        alive = there & (dead_at > now)
        inside = [(alive & (begins[k] <= now) & (now < ends[k])).sum() for k in range(3)]
        found.append([*inside, (alive & (ends[2] <= now)).sum()])
    return np.array(found).T / there.sum(), int(there.sum())


@pytest.mark.parametrize("clock", ["weeks", "degree-days"])
@pytest.mark.parametrize("spread", ["one pace", "own paces"])
@pytest.mark.parametrize("seen", [0, 1, 3, 4, 5])
def test_plants_followed_one_by_one_from_the_last_look_stand_where_they_are_said_to(clock, spread, seen):
    shares, number = followed(clock, spread, seen)
    standing, ready = seen_there(fate(clock, spread), float(seen)).course(WEEKS)
    error = 5 * np.sqrt(np.maximum(shares * (1 - shares), 1 / number) / number)
    grid = 0.0 if clock == "weeks" else 0.012  # between followed vigours and between Mondays; see WarmFate
    assert (np.abs(ready[:, 0] - shares[3]) < error[3] + grid).all()
    assert (np.abs(standing[0, :, 0] - shares[0]) < error[0] + grid).all()
    assert (np.abs(standing[1, :, 0] - shares[1]) < error[1] + grid).all()
    assert standing[2].max() == 0


@pytest.mark.parametrize("spread", ["one pace", "own paces"])
def test_a_look_within_a_week_is_met_on_the_next_mondays(spread):
    """StageEvidence 3 weeks and 2 days after they came; the weeks begin 3 weeks after."""
    shares, number = followed("weeks", spread, 3 + 2 / 7)
    made = seen_there(fate("weeks", spread), 3 + 2 / 7)
    standing, ready = made.course(WEEKS)
    error = 5 * np.sqrt(np.maximum(shares * (1 - shares), 1 / number) / number)
    assert (np.abs(ready[:, 0] - shares[3]) < error[3])[1:].all()
    assert (np.abs(standing[0, :, 0] - shares[0]) < error[0])[1:].all()
    assert standing[0, 0, 0] == pytest.approx(1, abs=1e-12)


@pytest.mark.parametrize("clock", ["weeks", "degree-days"])
@pytest.mark.parametrize("spread", ["one pace", "own paces"])
@pytest.mark.parametrize("seen", [0.0, 0.4, 2.0, 3.7, 5.0, 9.0, 30.0])
@pytest.mark.parametrize("early", [0, 3 / 7])
def test_shares_add_to_one_at_most_and_only_grow_where_they_must(clock, spread, seen, early):
    made = seen_there(fate(clock, spread), seen, np.floor(seen) - early)
    elapsed = np.arange(-3, 24.0)
    standing, ready = made.course(elapsed)
    total = standing.sum(axis=0) + ready
    assert standing.min() >= 0
    assert total.max() < 1 + 1e-5
    assert (np.diff(ready, axis=0) > -1e-12).all()
    assert (np.diff(total[3:], axis=0) < 1e-5).all()
    assert total[:3].max() == 0
    assert total[3] == pytest.approx(1, abs=1e-5)  # losses within a stage are a cubic


@pytest.mark.parametrize("clock", ["weeks", "degree-days"])
@pytest.mark.parametrize("spread", ["one pace", "own paces"])
def test_plants_that_have_just_come_meet_what_a_delivery_meets(clock, spread):
    whole = fate(clock, spread)
    made = seen_there(whole, 0.0)
    for found, expected in zip(made.course(WEEKS), whole.course(WEEKS), strict=True):
        assert np.abs(found - expected).max() < 1e-12
    assert (made.ready(WEEKS) == whole.ready(WEEKS)).all()
    assert (made.saleable(WEEKS, 3) == whole.saleable(WEEKS, 3)).all()
    assert np.abs(made.reached - whole.reached).max() < 1e-15


@pytest.mark.parametrize("clock", ["weeks", "degree-days"])
def test_overdue_plants_all_leave_at_the_last_look(clock):
    """After 12 weeks in a stage of 4 hardly one in a million should be there: the next stage begins with the look."""
    whole = fate(clock, "one pace")
    made, rest = seen_there(whole, 12.0), after(whole, 12)
    assert made.survival == pytest.approx(rest.survival)
    assert made.reached[1:] == pytest.approx(rest.reached)
    assert (made.ready(WEEKS) == rest.ready(WEEKS)).all()
    assert (made.course(WEEKS)[0][1:] == rest.course(WEEKS)[0]).all()
    assert made.course(WEEKS)[0][0].max() == 0
    assert made.reached[1, 0] == 1


def test_the_longer_plants_have_stood_the_more_of_them_come_through():
    survival = [
        float(seen_there(fate("weeks", "one pace"), seen).survival[0]) for seen in (0.0, 1.0, 2.0, 3.0, 4.0, 12.0)
    ]
    assert survival == sorted(survival)
    assert survival[0] == pytest.approx(SURVIVAL.prod())
    assert survival[-1] == pytest.approx(SURVIVAL[1:].prod())


def test_of_plants_that_all_grow_alike_half_of_the_loss_is_behind_them_half_way():
    """A stage of 4 weeks with a loss of 30 %: after 2 weeks the square root of 0.7 is left to survive."""
    parts = np.log(SURVIVAL)[:, None], NEED["weeks"][:, None].copy(), np.zeros(3)
    made = seen_there(TimedFate(*parts), 2.0)
    assert made.survival[0] == pytest.approx(0.7**0.5 * 0.85 * 0.9, rel=1e-3)
    assert made.ready(np.array([7.9, 8.0]))[:, 0] == pytest.approx([0, made.survival[0]])


def test_what_is_entered_before_is_never_entered_again():
    whole = fate("weeks", "own paces")
    later = cohort_fate(after(whole, 3), 3, 0.0, 0.0, SaleableFate(5, 1))
    made = cohort_fate(whole, 2, 3.0, 3.0, later)
    edges = made.boundaries(np.arange(-2, 20.0))
    assert all((edge == 1).all() for edge in edges[:3])
    assert edges[3][0, 0] == 0
    assert edges[3][-1, 0] == pytest.approx(1)
    assert (made.reached[:3] == 1).all()
    assert made.reached[-1, 0] == pytest.approx(made.survival[0])
    standing, _ = made.course(np.arange(0, 20.0))
    assert standing[:2].max() == 0


def test_each_draw_is_followed_by_itself():
    plan = season(
        [
            stage(typical=4, batches_cv=0.3, plants_cv=0.1, survival_sd=0.1),
            stage("growing on", typical=3, batches_cv=0.3, plants_cv=0.2, survival_sd=0.1),
            stage("grading"),
        ]
    )
    whole = draw_fate(plan, season_streams(64, 1), "A", 1, Week.parse("2027-W03"))
    made = seen_there(whole, 3.0)
    part = made.take(slice(10, 20))
    for found, expected in zip(part.course(WEEKS), made.course(WEEKS), strict=True):
        assert (found == expected[..., 10:20]).all()
    assert (part.ready(WEEKS) == made.ready(WEEKS)[:, 10:20]).all()


def test_saleable_plants_are_there_from_their_monday_on_until_they_are_past_their_best():
    done = SaleableFate(3, 2)
    elapsed = np.arange(-1, 5.0)
    assert done.ready(elapsed).tolist() == [[0, 0]] + 5 * [[1, 1]]
    assert done.saleable(elapsed, 2)[:, 0].tolist() == [0, 1, 1, 0, 0, 0]
    assert done.course(elapsed)[0].max() == 0
    assert all((edge == 1).all() for edge in done.boundaries(elapsed)[:3])
    assert done.take(slice(1)).ready(elapsed).shape == (6, 1)


@pytest.mark.parametrize("clock", ["weeks", "degree-days"])
@pytest.mark.parametrize("seen", [0.0, 3.0])
def test_plants_that_wait_for_the_next_count_are_that_much_later_and_no_fewer(clock, seen):
    """On weeks a wait of 1 and of 2 weeks after two stages is 3 weeks in all; grading waits for nothing."""
    whole, waits = fate(clock, "one pace"), np.array([[1.0], [2.0], [5.0]])
    made, plain = seen_there(whole, seen, waits=waits), seen_there(whole, seen)
    assert made.survival == pytest.approx(plain.survival)
    assert made.reached == pytest.approx(plain.reached)
    total = made.course(WEEKS)[0].sum(axis=0) + made.ready(WEEKS)
    assert total.max() < 1 + 1e-5
    assert total.min() > made.survival[0] - 1e-5
    if clock == "weeks":
        assert made.past(1, WEEKS[1:]) == pytest.approx(plain.past(1, WEEKS[:-1]), abs=1e-6)
        assert made.ready(WEEKS[3:]) == pytest.approx(plain.ready(WEEKS[:-3]), abs=1e-6)
    else:
        assert (made.ready(WEEKS) <= plain.ready(WEEKS) + 1e-9).all()


def test_a_wait_of_no_time_changes_nothing():
    for clock in NEED:
        whole = fate(clock, "own paces")
        made, plain = seen_there(whole, 2.0, waits=np.zeros((3, 1))), seen_there(whole, 2.0)
        for found, expected in zip(made.course(WEEKS), plain.course(WEEKS), strict=True):
            assert found == pytest.approx(expected, abs=1e-12)
