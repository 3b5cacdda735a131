"""Plants seen in a stage and followed on: against plants followed one by one, and laws."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.stats import norm
from small_seasons import season, stage

from forecast.fates.cohorts import CohortFate, SaleableFate, cohort_fate, with_waits
from forecast.fates.stage_occupancy import TimedFate
from forecast.fates.thermal_occupancy import WarmFate
from forecast.growth.simulation import draw_fate, season_streams
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
def test_plants_followed_one_by_one_from_the_last_look_are_where_they_are_said_to(clock, spread, seen):
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


def test_the_longer_plants_have_been_there_the_more_of_them_come_through():
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


def test_where_no_plant_dies_all_come_through_and_never_more_than_all():
    made = seen_there(TimedFate(np.zeros((3, 1)), NEED["weeks"][:, None].copy(), PACE["one pace"].copy()), 4.2)
    for share in (made.survival, made.reached):
        assert share == pytest.approx(1)
        assert share.max() <= 1


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


# Against integrals over vigour

KEPT, TAKES = np.array([0.6, 0.8]), np.array([4.0, 6.0])
PACES = {"one pace": np.array([0.2, 0.2]), "own paces": np.array([0.15, 0.3])}
ENTERED, COUNTED = 3.25, 2.5
ELAPSED = np.array([-4.0, -1.0, 0.0, 1.0, 2.0, 4.0, 6.0, 8.0, 12.0, 30.0])


def timed(spread):
    return TimedFate(np.log(KEPT)[:, None], TAKES[:, None].copy(), PACES[spread].copy())


def counted_there(spread, first=1):
    """Return what plants of the second of three stages meet that were counted there, 2.5 weeks after they came."""
    return cohort_fate(timed(spread), first, ENTERED, COUNTED, SaleableFate(first + 2, 1))


def vigour_of_leavers(spread, stages, since):
    """Return the vigour of plants that have just left so many stages by then."""
    if since <= 0:
        return -np.inf

    def late(vigour):
        return (TAKES[:stages] * np.exp(PACES[spread][:stages] * vigour)).sum() - since

    return brentq(late, -20, 20) if stages else np.inf


def share_alive(spread, k, since, above):
    """Return the share of all that entered that is slower than `above`, in stage k, and alive."""
    low, high = max(vigour_of_leavers(spread, k + 1, since), above), vigour_of_leavers(spread, k, since)

    def kept(vigour):
        pace = np.exp(PACES[spread] * vigour)
        part = (since - (TAKES[:k] * pace[:k]).sum()) / (TAKES[k] * pace[k])
        return KEPT[:k].prod() * KEPT[k] ** part * norm.pdf(vigour)

    return quad(kept, max(low, -9), min(high, 9))[0] if high > low else 0.0


@pytest.mark.parametrize("spread", PACES)
def test_those_seen_are_the_slow_and_alive_ones_of_those_that_came_with_them(spread):
    """Shares past a stage are exact; those alive are a quadrature at three nodes."""
    made, bar, apart = counted_there(spread), vigour_of_leavers(spread, 1, COUNTED), 2e-3
    there = share_alive(spread, 0, COUNTED, bar)
    survival = 0.48 * norm.sf(bar) / there
    assert made.survival == pytest.approx([survival], abs=apart)
    assert made.reached[:, 0] == pytest.approx([1, 1, 0.6 * norm.sf(bar) / there, survival], abs=apart)
    standing, ready = made.course(ELAPSED)
    assert standing.shape == (3, 10, 1)
    assert (standing[0] == 0).all()
    for at, elapsed in enumerate(ELAPSED):
        since, come = elapsed + ENTERED, elapsed >= 0
        for k in (0, 1):
            right = come * share_alive(spread, k, since, bar) / there
            assert standing[k + 1, at, 0] == pytest.approx(right, abs=apart)
        gone = [max(norm.cdf(vigour_of_leavers(spread, n, since)) - norm.cdf(bar), 0) / norm.sf(bar) for n in (1, 2)]
        for n in (1, 2):
            assert made.past(n + 1, np.array([elapsed])) == pytest.approx(come * gone[n - 1], abs=2e-7)
        assert ready[at, 0] == pytest.approx(come * survival * gone[1], abs=apart)
    assert (made.past(0, ELAPSED) == 1).all()
    assert (made.past(1, ELAPSED) == 1).all()
    assert made.past(1, ELAPSED).shape == (10, 1)
    for stages, edge in enumerate(made.boundaries(ELAPSED)):
        assert np.array_equal(edge, made.past(stages, ELAPSED))


def test_the_stages_before_theirs_take_nothing_and_no_time():
    made = counted_there("own paces", first=2)
    assert isinstance(made, CohortFate)
    assert (made.first, made.entered, made.counted, made.parts) == (2, ENTERED, COUNTED, 1)
    assert made.stages == 4
    assert made.reached[:3, 0].tolist() == [1, 1, 1]
    assert made.past(2, ELAPSED)[:, 0].tolist() == [1] * len(ELAPSED)
    part = made.take(slice(0, 1))
    assert (part.first, part.entered, part.counted, part.parts) == (2, ENTERED, COUNTED, 1)
    assert np.array_equal(part.course(ELAPSED)[0], made.course(ELAPSED)[0])


@pytest.mark.parametrize(("gone", "late"), [(0.9985, False), (0.9995, True)])
def test_a_cohort_is_overdue_if_fewer_than_one_in_a_thousand_should_be_there(gone, late):
    since = 4 * np.exp(0.2 * norm.ppf(gone))
    overdue = TimedFate(np.log([[1.0], [0.5]]), np.array([[0.0], [3.0]]), np.zeros(2))
    made = cohort_fate(timed("one pace"), 0, 0.0, since, overdue)
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


def test_plants_that_wait_are_in_the_stage_they_are_ready_to_leave():
    """Four weeks and a wait of two, then six and one of one: alive as at the end of the stage until they are moved."""
    whole = TimedFate(np.log(KEPT)[:, None], TAKES[:, None].copy(), np.zeros(2))
    made = cohort_fate(whole, 1, 0.0, 0.0, SaleableFate(3, 1), np.array([[9.0], [2.0], [1.0]]))
    assert made.parts == 2
    standing, ready = made.course(np.array([2.0, 4.0, 5.0, 6.0, 9.0, 12.0, 13.0]))
    assert standing[1, :, 0] == pytest.approx([0.6**0.5, 0.6, 0.6, 0, 0, 0, 0])
    assert standing[2, :, 0] == pytest.approx([0, 0, 0, 0.6, 0.6 * 0.8**0.5, 0.48, 0])
    assert ready[:, 0] == pytest.approx([0, 0, 0, 0, 0, 0, 0.48])
    assert made.reached[:, 0] == pytest.approx([1, 1, 0.6, 0.48])


def test_plants_that_are_saleable_have_left_all_stages_but_the_last_before_they_are_reported():
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
@pytest.mark.parametrize(("looked", "apart"), [((3.0, 3.0), 0.015), ((ENTERED, COUNTED), 0.084), ((-0.5, 0.0), 0.084)])
def test_in_steady_warmth_plants_are_where_they_would_on_weeks(spread, looked, apart):
    """At 70 °C days a week. Warmth is told by Mondays, on lines between these: a normal curve with a deviation of
    0.15 x 4 weeks lies up to 0.242 / 0.6^2 / 8 = 0.084 off its chord over a week."""
    warm = np.repeat(70.0 * np.arange(60)[:, None], 1, axis=1)
    plain = timed(spread)
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
