"""Stages that run on warmth, against plants that are followed forward one by one.

The plants of a draw are stood for by thousands of vigours spread evenly in probability, each followed from stage to
stage with the clock of each draw: half a plant in their number is the error of that. `WarmFate` follows 33 vigours and
takes what lies between two of them as a straight line. So where clocks change their pace on a Monday it errs by up to
0.015 of the plants of a draw in some week, by 0.001 on average over the draws. Where plants stand still in one place
and then go on in a warmer one, those between two followed vigours are smeared: by up to 0.09 in a draw and week, 0.021
on average over the draws.
"""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from labelled import plants_by_state
from scipy.stats import norm
from small_seasons import season, stage

from forecast.fates.thermal_occupancy import WarmFate
from forecast.growth.simulation import draw_fate, season_streams, simulate

some = settings(max_examples=40, deadline=None, derandomize=True)
DRAWS, PLANTS, WEEKS, START = 16, 4001, 60, 5
EVERY = np.arange(WEEKS + 1.0)  # Monday since delivery
STILL = slice(21, 34)  # weeks drawn in which the cold house is too cold
CLOSE = 0.02, 0.001  # of the plants, in any draw and week, and in any week on average over the draws
SMEARED = 0.1, 0.025


def clock(kind, rng, draws=DRAWS):
    """Make degree-days by Mondays: of a cold or mild house in the course of a year, or none."""
    if kind == "weeks":
        return None
    week = np.arange(WEEKS + START)[:, None]
    daily = np.maximum(9 * np.sin(2 * np.pi * (week - 12) / 52) + 4, 0.3) + rng.normal(0, 1.5, (len(week), draws))
    if kind == "cold":
        daily[STILL] = 0
    return np.concatenate([np.zeros((1, draws)), 7 * np.maximum(daily, 0).cumsum(axis=0)])


def fate(spreads, kinds, needs, seed=1, draws=DRAWS):
    """Draw a batch; stages of the same kind share a clock."""
    rng = np.random.default_rng(seed)
    clocks = {kind: clock(kind, rng, draws) for kind in dict.fromkeys(kinds)}
    needed = np.array(needs)[:, None] * np.exp(rng.normal(0, 0.15, (len(needs), draws)))
    survival = rng.uniform(0.7, 0.99, needed.shape)
    return WarmFate(np.log(survival), needed, np.array(spreads), tuple(clocks[kind] for kind in kinds), START)


def when(shows, target):
    """Return when a clock first shows each target."""
    after = np.searchsorted(shows, target)
    at = after.clip(1, len(shows) - 1)
    part = (target - shows[at - 1]) / np.where(shows[at] > shows[at - 1], shows[at] - shows[at - 1], 1)
    return np.where(after < len(shows), at - 1 + part, np.inf)


def followed(batch):
    """Follow plants forward; give the shares past each stage and alive in each, shape (stages, weeks, draws)."""
    vigour = norm.ppf((np.arange(PLANTS) + 0.5) / PLANTS)
    stages, draws = batch.weeks.shape
    past, standing = np.zeros((2, stages, len(EVERY), draws))
    for d in range(draws):
        enters, reached = np.zeros(PLANTS), 1.0
        for k in range(stages):
            shows = EVERY if batch.clocks[k] is None else batch.clocks[k][batch.start :, d]
            begins, needs = np.interp(enters, EVERY, shows), batch.weeks[k, d] * np.exp(batch.log_sd[k] * vigour)
            leaves = when(shows, begins + needs) if batch.weeks[k].any() else enters
            leaves = np.where(np.isinf(enters), np.inf, leaves)
            past[k, :, d] = (leaves <= EVERY[:, None]).mean(axis=1)
            if batch.weeks[k].any():
                inside = (enters <= EVERY[:, None]) & (leaves > EVERY[:, None])
                done = ((shows[:, None] - begins) / needs).clip(0, 1)
                alive = np.where(inside, np.exp(batch.log_survival[k, d] * done), 0)
                standing[k, :, d] = reached * alive.mean(axis=1)
            reached, enters = reached * np.exp(batch.log_survival[k, d]), leaves
    return past, standing


CASES = {
    "one pace": ([0.1] * 3, ["weeks", "mild", "mild"], [4, 500, 700], CLOSE),
    "a clock that stands still over winter": ([0.15] * 3, ["weeks", "cold", "cold"], [4, 250, 300], CLOSE),
    "no pace at first": ([0, 0.1, 0.1], ["weeks", "mild", "mild"], [4, 500, 700], CLOSE),
    "no pace in between": ([0.1, 0, 0.1], ["weeks", "mild", "mild"], [4, 500, 700], CLOSE),
    "all alike": ([0, 0, 0], ["weeks", "mild", "cold"], [4, 250, 300], CLOSE),
    "weeks after warmth": ([0.1, 0.2, 0.15], ["mild", "weeks", "weeks"], [300, 5, 6], CLOSE),
    "losses alone between": ([0, 0.1, 0, 0.1], ["weeks", "mild", "weeks", "mild"], [0, 400, 0, 500], CLOSE),
    "mixed paces, from cold to mild": ([0.05, 0.15, 0.1], ["weeks", "cold", "mild"], [4, 400, 500], SMEARED),
    "wide paces, from mild to cold": ([0.3, 0.2, 0.1], ["mild", "cold", "weeks"], [200, 500, 9], SMEARED),
}


@pytest.fixture(scope="module", params=CASES)
def compared(request):
    *parts, close = CASES[request.param]
    batch = fate(*parts)
    return batch, *followed(batch), close


def agree(found, expected, close):
    apart = found - expected
    return np.abs(apart).max() < close[0] and np.abs(apart.mean(axis=-1)).max() < close[1]


def test_the_shares_past_each_stage_are_those_of_plants_followed_forward(compared):
    batch, past, _, close = compared
    boundaries = batch.boundaries(EVERY)
    for k, expected in enumerate(past):
        assert agree(batch.past(k + 1, EVERY), expected, close)
        assert np.array_equal(boundaries[k + 1], batch.past(k + 1, EVERY))
    assert (batch.past(0, EVERY) == 1).all()
    assert past[-1].max() > 0.9  # what is compared does happen


def test_those_alive_in_each_stage_are_those_of_plants_followed_forward(compared):
    batch, past, expected, close = compared
    standing, ready = batch.course(EVERY)
    for here, right in zip(standing, expected, strict=True):
        assert agree(here, right, close)
    assert agree(ready, batch.survival * past[-1], close)
    assert np.array_equal(batch.ready(EVERY), ready)


def test_a_requirement_wrong_by_two_per_cent_would_be_seen(compared):
    batch, past, _, close = compared
    if close is CLOSE:
        wrong = replace(batch, weeks=1.02 * batch.weeks)
        assert not agree(wrong.past(len(past), EVERY), past[-1], close)


def test_a_middling_plant_is_through_when_half_are(compared):
    batch, past, _, close = compared
    half = (past[-1] < 0.5).sum(axis=0)
    assert np.abs(batch.median_week() - half).max() <= (0 if close is CLOSE else 1)


def test_a_single_pace_on_a_single_clock_has_a_closed_form():
    """With one spread s all along, Phi(log(what the clock has shown / what all stages need) / s) have left."""
    batch = fate([0.15] * 3, ["cold"] * 3, [150, 250, 400])
    shown = batch.clocks[0][START:] - batch.clocks[0][START]
    for stages in (1, 2, 3):
        right = norm.cdf(np.log(np.maximum(shown, 1e-9) / batch.weeks[:stages].sum(axis=0)) / 0.15)
        assert np.abs(batch.past(stages, EVERY) - right).max() < 6e-4  # (0.25^2 / 8) 0.15 0.4


def test_a_batch_is_ready_in_two_flushes_before_and_after_a_winter_in_which_nothing_grows():
    batch = fate([0.2, 0.2], ["cold", "cold"], [200, 390])
    ready = batch.past(2, EVERY)
    before, after = STILL.start - START, STILL.stop - START
    two = (ready[before] > 0.2) & (ready[before] < 0.8)
    assert two.sum() >= DRAWS // 3
    assert (ready[before] == ready[after]).all()
    assert (ready[before - 4, two] < ready[before, two] - 0.05).all()
    assert (ready[after + 12, two] > ready[after, two] + 0.1).all()
    standing, _ = batch.course(EVERY)
    assert (standing[:, before] == standing[:, after]).all()


def test_between_two_mondays_shares_lie_on_a_line_and_before_delivery_they_are_none():
    batch = fate([0.1, 0.2], ["weeks", "mild"], [4, 500])
    for stages in (1, 2):
        past = batch.past(stages, EVERY)
        assert batch.past(stages, EVERY[:-1] + 0.25) == pytest.approx(0.75 * past[:-1] + 0.25 * past[1:], abs=1e-12)
        assert (batch.past(stages, np.array([-3.0, -0.5])) == 0).all()
    assert (batch.past(0, np.array([-1.0, 0.0])) == [[0], [1]]).all()
    standing, ready = batch.course(np.array([-2.0, -1.0, 0.0, 5.0]))
    assert (standing[:, :2] == 0).all()
    assert (ready[:2] == 0).all()
    assert (standing[0, 2] == 1).all()


@pytest.mark.parametrize("kinds", [["mild", "cold", "weeks"], ["cold", "cold", "mild"]])
def test_no_answer_depends_on_what_else_is_asked(kinds):
    needs = [400, 500, 0.5] if kinds[-1] == "weeks" else [300, 300, 20]  # a last stage so short that ends show
    batch = fate([0.3] * 3, kinds, needs)
    whole, (standing, _) = batch.past(3, EVERY), batch.course(EVERY)
    for week in (10, 23, 41, 45, 60):
        one = replace(batch)  # asked for the first time
        assert np.array_equal(one.past(3, np.array([float(week)]))[0], whole[week])
        assert np.array_equal(one.past(3, np.array([week, -1.0, 2.0])), [whole[week], 0 * whole[0], whole[2]])
        assert np.array_equal(replace(batch).course(EVERY[: week + 1])[0], standing[:, : week + 1])
        assert np.array_equal(replace(batch).boundaries(EVERY[: week + 1])[2][week], batch.past(2, EVERY)[week])
    some_draws = batch.take(slice(3, 9))
    assert np.abs(some_draws.past(3, EVERY) - whole[:, 3:9]).max() < 1e-9
    assert np.abs(some_draws.course(EVERY)[0] - standing[:, :, 3:9]).max() < 1e-9


@pytest.mark.parametrize(
    "ask", [lambda b, t: b.past(2, t), lambda b, t: b.course(t), lambda b, t: b.boundaries(t), lambda b, t: b.ready(t)]
)
def test_weeks_without_weather_are_not_made_up(ask):
    batch = fate([0.1, 0.2], ["weeks", "mild"], [4, 500])
    assert batch.last == WEEKS
    ask(batch, np.array([WEEKS * 1.0]))
    with pytest.raises(ValueError, match="weather is drawn for 60 weeks after delivery, but 61 are asked for"):
        ask(batch, np.array([WEEKS + 0.5]))


@st.composite
def fates(draw):
    """Draw a batch of 1 to 4 stages, one at least on degree-days, some without time."""
    kinds = draw(st.lists(st.sampled_from(["weeks", "mild", "cold"]), min_size=1, max_size=4))
    kinds[draw(st.integers(0, len(kinds) - 1))] = draw(st.sampled_from(["mild", "cold"]))
    needs = [draw(st.sampled_from([0, 1, 4, 8])) * (1 if kind == "weeks" else 70) for kind in kinds]
    needs[next(k for k, kind in enumerate(kinds) if kind != "weeks")] = draw(st.sampled_from([10, 200, 500]))
    spreads = [draw(st.sampled_from([0, 0.05, 0.1, 0.3, 0.6])) for _ in kinds]
    return fate(spreads, kinds, needs, seed=draw(st.integers(0, 10**6)), draws=3)


@some
@given(batch=fates())
def test_shares_lie_between_0_and_1_and_never_fall(batch):
    past = np.array(batch.boundaries(EVERY))
    assert past.min() >= 0
    assert past.max() <= 1
    assert np.diff(past, axis=1).min(initial=0) >= -1e-12
    assert np.diff(past, axis=0).max() <= 1e-9  # a later stage is left later


@some
@given(batch=fates())
def test_without_loss_those_in_the_stages_and_through_them_add_to_all(batch):
    kept = replace(batch, log_survival=np.zeros(batch.weeks.shape))
    standing, ready = kept.course(EVERY)
    assert standing.min() >= 0
    assert np.abs(standing.sum(axis=0) + ready - 1).max() < 1e-6
    past = np.array(kept.boundaries(EVERY))
    assert np.abs(standing - (past[:-1] - past[1:])).max() < 1e-6


@some
@given(batch=fates())
def test_with_losses_no_more_are_alive_than_without_and_no_fewer_than_survive(batch):
    standing, ready = batch.course(EVERY)
    alive = standing.sum(axis=0) + ready
    assert standing.min() >= 0
    assert alive.max() <= 1 + 1e-9
    assert (alive >= batch.survival - 1e-6).all()


def followed_through(share):
    """Count the vigours that `WarmFate` follows among those that have left."""
    return np.floor((norm.ppf(share).clip(-4, 4) + 4) / 0.25 + 1e-6)


@some
@example(fate([0.3, 0, 0, 0], ["weeks", "cold", "weeks", "weeks"], [4, 10, 0, 0], seed=0, draws=3), 1, 0)
@given(batch=fates(), more=st.floats(0, 5), seed=st.integers(0, 99))
def test_plants_of_a_warmer_place_are_never_later(batch, more, seed):
    """Plants of a followed vigour never are; between two of them shares lie on a line that depends on the clock."""
    added = np.random.default_rng(seed).uniform(0, more, (WEEKS + START, 3))
    warmer = np.concatenate([np.zeros((1, 3)), 7 * added.cumsum(axis=0)])
    clocks = tuple(None if shows is None else shows + warmer for shows in batch.clocks)
    for before, after in zip(batch.boundaries(EVERY), replace(batch, clocks=clocks).boundaries(EVERY), strict=True):
        assert (followed_through(after) >= followed_through(before)).all()
        assert (after >= before - CLOSE[0]).all()


@some
@given(batch=fates(), factor=st.floats(1, 2), at=st.integers(0, 3))
def test_plants_that_need_more_are_never_earlier(batch, factor, at):
    needs = batch.weeks.copy()
    needs[at % len(needs)] *= factor
    for before, after in zip(batch.boundaries(EVERY), replace(batch, weeks=needs).boundaries(EVERY), strict=True):
        assert (after <= before + 1e-9).all()


def climate(degrees, spread=0.0):
    return [{"week": k, "t_min": degrees, "t_max": degrees, "year_sd": spread} for k in range(1, 53)]


@some
@example(degrees=8, below=2, weeks=[3, 3], spreads=[0.2, 0.2, 0])
@example(degrees=8, below=2, weeks=[7, 7, 3], spreads=[0.2, 0.2, 0.2])
@given(
    degrees=st.floats(8, 30),
    below=st.floats(2, 20),
    weeks=st.lists(st.sampled_from([0, 3, 7]), min_size=1, max_size=3),
    spreads=st.lists(st.sampled_from([0, 0.1, 0.2]), min_size=3, max_size=3),
)
def test_degree_days_at_a_constant_temperature_are_weeks(degrees, below, weeks, spreads):
    rows = [
        stage(f"stage {k}", typical=typical, survival_sd=0.1)
        | ({"batches_cv": 0.15, "plants_cv": spread} if typical else {})
        for k, (typical, spread) in enumerate(zip(weeks, spreads, strict=False))
    ]
    warm = [
        row | {"runs_on": "degree-days", "typical": row["typical"] * 7 * below, "base_temperature": degrees - below}
        for row in rows
    ]
    plain, warmed = (
        plants_by_state(
            simulate(season(route, climate=climate(degrees)), [("A", "2027-W05", 1)], draws=64, seed=1), "A"
        )
        for route in (rows, warm)
    )
    apart = np.abs(warmed - plain)
    assert apart.sel(state="saleable").max() < 0.25**2 / 8 * 0.2 * 0.4 + 4e-5  # a line for a curve, and the tails
    assert apart.max() < 1.4e-3  # those that live are a quadrature here and a cubic there


def test_those_alive_in_a_short_stage_are_known_to_a_thousandth_or_so_in_a_draw_and_a_third_of_it_on_average():
    """Two short stages of plants that differ much, in the week in which most move on: few points for a tail.

    The exact share is a midpoint sum over 20,000 vigours.
    """
    rows = [stage(f"stage {k}", typical=3, survival_sd=0.1, batches_cv=0.15, plants_cv=0.2) for k in range(2)]
    warm = [row | {"runs_on": "degree-days", "typical": 42, "base_temperature": 6} for row in rows]
    outcome = simulate(season(warm, climate=climate(8)), [("A", "2027-W05", 1)], draws=64, seed=1)
    fate, vigour = outcome.fate(outcome.batches[0]), norm.ppf((np.arange(20_000) + 0.5) / 20_000)
    pace, told, apart = (
        np.exp(fate.log_sd[:, None] * vigour),
        plants_by_state(outcome, "A").values[1],
        np.zeros((8, 64)),
    )
    for draw in range(64):
        first, second = fate.weeks[:, draw, None] / 14 * pace
        for week in range(1, 9):
            part = (week - first) / second
            kept = np.exp(fate.log_survival[0, draw] + fate.log_survival[1, draw] * part)
            exact = float((kept * ((part >= 0) & (part < 1))).mean())
            apart[week - 1, draw] = exact - told[4 + week, draw]
    assert np.abs(apart).max() < 0.0014
    assert np.abs(apart.mean(axis=1)).max() < 0.0003


WARM = [
    stage("acclimatisation", typical=4, batches_cv=0.1, plants_cv=0.1, survival_sd=0.05),
    stage("growing on", runs_on="degree-days", typical=500, base_temperature=5, batches_cv=0.1, plants_cv=0.2),
]


@pytest.mark.parametrize("draws", [100, 512])
def test_the_first_draws_of_twice_as_many_are_the_draws(draws):
    plan = season(WARM, climate=climate(14, 2.0))
    orders = [("A", "2027-W03", 10), ("A", "2027-W08", 5)]
    short, long = (plants_by_state(simulate(plan, orders, draws=n, seed=1), "A").values for n in (draws, 2 * draws))
    assert np.array_equal(short, long[..., :draws])
    other = plants_by_state(simulate(plan, orders, draws=draws, seed=2), "A").values
    assert np.abs(other - short).max() > 0.1


def test_a_stage_of_no_time_may_name_degree_days_too():
    warm = {"runs_on": "degree-days", "base_temperature": 5, "survival": 0.9}
    for route in ([stage("grading", **warm)], [stage(typical=4), stage("grading", **warm)]):
        plain = [row | {"runs_on": "weeks", "base_temperature": None} for row in route]
        plans = [season(rows, climate=climate(14)) for rows in (route, plain)]
        one, other = (plants_by_state(simulate(plan, [("A", "2027-W03", 10)], draws=16, seed=1), "A") for plan in plans)
        assert np.array_equal(one, other)
        one, other = (draw_fate(plan, season_streams(16, 1), "A", 1, plan.first_week).median_week() for plan in plans)
        assert np.array_equal(one, other)


def test_what_is_delivered_is_in_one_state_or_another_in_every_week_and_draw():
    plan = season(WARM, climate=climate(14, 2.0), saleable_weeks=5)
    states = plants_by_state(simulate(plan, [("A", "2027-W03", 10), ("A", "2027-W08", 5)], draws=256, seed=1), "A")
    weeks = np.arange(plan.weeks)[:, None]
    assert np.abs(states.sum("state").values - 10 * (weeks >= 2) - 5 * (weeks >= 7)).max() < 1e-9
    assert states.values.min() > -1e-6  # a smaller share of a batch is not looked for in a stage


VIGOURS = np.linspace(-4, 4, 33)
MONDAYS = np.arange(31.0)
GONE_BY, AT = 4, 17  # weeks drawn before plants come, and the Monday since then that is asked for


def uneven(seed):
    """Draw degree-days by Mondays, one course for each vigour, each in some week without any."""
    daily = np.random.default_rng(seed).uniform(3, 12, (34, VIGOURS.size))
    daily[8] = 0
    return np.concatenate([np.zeros((1, VIGOURS.size)), 7 * daily.cumsum(axis=0)])


def shows(drawn, week):
    """Return what the uneven of each draw shows so many weeks after plants came."""
    since = drawn[GONE_BY:] - drawn[GONE_BY]
    return np.array([np.interp(at, MONDAYS, column) for at, column in zip(week, since.T, strict=True)])


@pytest.mark.parametrize("first", ["weeks", "warmth"])
def test_at_a_followed_vigour_the_share_is_exact_from_place_to_place(first):
    """Each draw needs as much as lets plants of one followed vigour leave the second stage on the Monday asked for."""
    one, other = uneven(1), uneven(2)
    if first == "weeks":
        leaves = 2.5 * np.exp(0.1 * VIGOURS)
        needs = np.full(VIGOURS.size, 2.5)
    else:
        leaves = np.full(VIGOURS.size, 6.3)
        needs = shows(one, leaves) / np.exp(0.1 * VIGOURS)
    then = (shows(other, np.full(VIGOURS.size, float(AT))) - shows(other, leaves)) / np.exp(0.2 * VIGOURS)
    clocks = (None if first == "weeks" else one, other)
    batch = WarmFate(np.log(np.full((2, 33), 0.8)), np.array([needs, then]), np.array([0.1, 0.2]), clocks, GONE_BY)
    assert batch.last == 30
    right = norm.cdf(VIGOURS)
    for found in (batch.past(2, np.array([float(AT)]))[0], batch.boundaries(MONDAYS)[2][AT]):
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


def test_plants_that_are_all_alike_are_where_the_clock_says():
    """At 14 °C days a week: 4 weeks, 70 °C days are 5 weeks, no time for grading, and 28 °C days are 2."""
    draws = 2
    warm = np.repeat(14.0 * np.arange(21)[:, None], draws, axis=1)
    survival = np.array([[0.95, 0.5], [0.4, 0.97], [0.9, 0.9], [0.8, 0.99]])
    weeks = np.array([[4.0] * draws, [70.0] * draws, [0.0] * draws, [28.0] * draws])
    batch = WarmFate(np.log(survival), weeks, np.zeros(4), (None, warm, None, warm), 3)
    assert batch.last == 17
    assert batch.median_week().tolist() == [11, 11]
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
    assert batch.median_week().tolist() == [5, 10, 11]


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
