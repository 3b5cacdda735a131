"""The weather of a season: the air of its places, the harm it does, and what all batches of a draw share."""

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from labelled import plants_by_state
from scipy.special import expit, log_expit, logit
from small_seasons import season, stage
from southern_climate import HIGH, LOW, SPREAD

from forecast.fates.weather import Weather, lowered
from forecast.growth.simulation import draw_fate, season_streams, simulate
from forecast.season.places import Place
from forecast.weather.climate import Climate
from forecast.weeks import Week

some = settings(max_examples=100, deadline=None, derandomize=True)
FIRST = Week(2027, 1)
ANGLE = 2 * np.pi * np.arange(52) / 52


def weekly(low, high, spread=0.0):
    """Return a climate of 52 weeks from numbers or arrays."""
    table = np.broadcast_arrays(np.arange(1, 53), low, high, spread)
    names = ("week", "t_min", "t_max", "year_sd")
    return [dict(zip(names, (int(k), *map(float, rest)), strict=True)) for k, *rest in zip(*table, strict=True)]


def monthly(low=LOW, high=HIGH, spread=SPREAD, *, earlier=0, warmer=0.0):
    """Return the southern climate by month, a number of months earlier, and warmer."""
    rows = zip(*(np.roll(column, -earlier) for column in (low, high, spread)), strict=True)
    return [
        {"month": k, "t_min": low + warmer, "t_max": high + warmer, "year_sd": spread}
        for k, (low, high, spread) in enumerate(rows, start=1)
    ]


def house(**cells):
    return {"place": "house", "area": 100, "usable": 1} | cells


# --- the air of places


@pytest.mark.parametrize(
    ("cells", "low", "high"),
    [
        ({}, [-5, 15], [3, 30]),
        ({"warmer_by": 4}, [-1, 19], [7, 34]),
        ({"shaded_by": 3}, [-5, 15], [0, 27]),
        ({"held_above": 12}, [12, 15], [12, 30]),
        ({"warmer_by": 4, "shaded_by": 3, "held_above": 2}, [2, 19], [4, 31]),
        ({"shaded_by": 12}, [-5, 15], [-5, 18]),
    ],
)
def test_the_air_of_a_place_is_that_outside_warmed_shaded_and_held(cells, low, high):
    found = Place(**house(**cells)).air(np.array([-5.0, 15.0]), np.array([3.0, 30.0]))
    assert [part.tolist() for part in found] == [low, high]


@some
@given(
    low=st.floats(-30, 30),
    above=st.floats(0, 25),
    warmer=st.floats(0, 20),
    shade=st.floats(0, 20),
    held=st.none() | st.floats(-5, 25),
)
def test_a_maximum_never_lies_below_its_minimum_nor_a_minimum_below_what_is_held(low, above, warmer, shade, held):
    place = Place(**house(warmer_by=warmer, shaded_by=shade, held_above=held))
    night, day = place.air(np.array([low]), np.array([low + above]))
    assert day >= night
    assert night >= (low + warmer if held is None else max(low + warmer, held))


def test_a_place_that_is_open_twice_has_the_air_of_the_row_that_holds():
    rows = [
        house(warmer_by=5, first_week="2027-W02", last_week="2027-W10"),
        house(warmer_by=1, shaded_by=2, first_week="2027-W20", last_week="2027-W30"),
    ]
    plan = season([stage(typical=4)], places=rows, climate=weekly(8, 16))
    low, high = Weather.of(plan, season_streams(4, 1)).air("house", 40)
    for week in range(40):
        second = 20 <= week + 1 <= 30  # while it is shut, that of its first row
        assert (low[week] == (9 if second else 13)).all()
        assert (high[week] == (15 if second else 21)).all()


def test_a_stage_counts_the_degree_days_of_its_place():
    """At (12 + 20) / 2 = 16 °C, never below the base of 10, a day gives 6 and a week 42; held above 17, more."""
    warm = stage("growing on", runs_on="degree-days", typical=500, base_temperature=10, place="warm")
    rows = [house(), house(place="warm", held_above=17), house(place="warmer", warmer_by=2)]
    plan = season([warm], places=rows, climate=weekly(12, 20))
    weather = Weather.of(plan, season_streams(4, 1))
    row = plan.stages[0]
    found = {place: weather.clock(row.replace(place=place), 30) for place in ("house", "warm", "warmer")}
    weeks = np.arange(len(found["house"]))[:, None]
    assert found["house"] == pytest.approx(42 * weeks + np.zeros((1, 4)))
    assert found["warm"] == pytest.approx((8.5 * 7) * weeks + np.zeros((1, 4)))
    assert found["warmer"] == pytest.approx((8 * 7) * weeks + np.zeros((1, 4)))
    assert weather.clock(row.replace(upper_threshold=13, place="house"), 30)[-1] / len(weeks[1:]) == pytest.approx(
        np.full(4, 7 * CAPPED)
    )


# The mean over a day of min(16 + 4 sin(x), 13) - 10, by the midpoint rule.
CAPPED = np.mean(np.minimum(16 + 4 * np.sin((np.arange(200_000) + 0.5) / 200_000 * 2 * np.pi), 13) - 10)


# --- one history of weather for all batches of a draw


def test_all_batches_and_varieties_of_a_draw_have_the_same_weather():
    warm = stage("growing on", runs_on="degree-days", typical=300, base_temperature=5)
    plan = season([stage(typical=3), warm], varieties=("A", "B"), climate=weekly(8, 16, 2.0))
    streams = season_streams(64, 1)
    fates = [draw_fate(plan, streams, *batch) for batch in (("A", 1, FIRST + 2), ("A", 2, FIRST + 9), ("B", 1, FIRST))]
    assert all(np.array_equal(fates[0].clocks[1], fate.clocks[1]) for fate in fates[1:])
    assert [fate.start for fate in fates] == [2, 9, 0]
    assert np.ptp(fates[0].clocks[1][10]) > 20
    later = season([stage(typical=3), warm], climate=weekly(8, 16, 2.0), first_week="2027-W06")
    shown = draw_fate(later, streams, "A", 1, FIRST + 9).clocks[1]
    assert np.diff(shown, axis=0)[:30] == pytest.approx(np.diff(fates[0].clocks[1], axis=0)[5:35])


# --- harm


HARMED = {"cold_below": 5, "cold_loss": 0.2, "heat_above": 25, "heat_loss": 0.1, "survival": 0.9}


def survivals(rows, climate, week, **cells):
    plan = season(rows, climate=climate, **cells)
    return np.exp(draw_fate(plan, season_streams(2, 1), "A", 1, week).log_survival[:, 0])


def test_a_loss_on_arrival_is_of_the_air_outside_in_that_week():
    """2 °C lies 3 below 5 and 30 lies 5 above 25: 3 x 0.2 + 5 x 0.1 = 1.1 logits."""
    climate = weekly(10, 20)
    climate[6] = {"week": 7, "t_min": 2, "t_max": 30, "year_sd": 0}
    held = {"places": [house(held_above=22, shaded_by=6)]}  # where they stand later does not matter
    found = survivals([stage("arrival", **HARMED)], climate, FIRST + 6, **held)
    assert found == pytest.approx([expit(logit(0.9) - 1.1)])
    assert survivals([stage("arrival", **HARMED)], climate, FIRST + 5, **held) == pytest.approx([0.9])


def test_a_stage_that_takes_time_suffers_from_its_place_in_the_first_two_weeks():
    """In the house it is 4 and 35 °C, then 8 and 27: cold 1, then 0; heat 10, then 2; so (1.2 + 0.2) / 2 = 0.7."""
    climate = weekly(10, 20)
    climate[6] |= {"t_min": 1, "t_max": 34}
    climate[7] |= {"t_min": 5, "t_max": 26}
    climate[8] |= {"t_min": -20, "t_max": 50}
    rows = [stage("arrival", survival=0.95), stage(typical=4, **HARMED), stage("growing on", typical=4, survival=0.7)]
    found = survivals(rows, climate, FIRST + 6, places=[house(warmer_by=3, shaded_by=2)])
    assert found == pytest.approx([0.95, expit(logit(0.9) - 0.7), 0.7])


def test_every_stage_that_plants_are_in_when_they_come_can_suffer():
    rows = [stage("arrival", **HARMED), stage("unpacking", **HARMED), stage(typical=4, **HARMED), stage("grading")]
    found = survivals(rows, weekly(2, 20), FIRST + 6)
    assert found == pytest.approx([*[expit(logit(0.9) - 0.6)] * 3, 0.8])


def test_plants_that_came_before_the_season_met_the_weather_of_its_first_week():
    climate = weekly(2, 20)
    climate[0] |= {"t_min": -3}
    early, first = (survivals([stage("arrival", **HARMED)], climate, FIRST + k) for k in (-4, 0))
    assert early == first == pytest.approx([expit(logit(0.9) - 1.6)])


@some
@given(log_survival=st.floats(-30, -1e-6), harm=st.floats(0, 60))
@example(log_survival=-1e-14, harm=40.0)
def test_a_survival_is_lowered_on_the_logit_scale(log_survival, harm):
    right = log_expit(log_survival - np.log(-np.expm1(log_survival)) - harm)
    assert lowered(np.array([log_survival]), np.array([harm])) == pytest.approx([right], rel=1e-9, abs=1e-12)


@some
@given(share=st.floats(0.01, 0.99), first=st.floats(0, 5), second=st.floats(0, 5))
def test_harm_twice_is_the_sum_of_both_and_no_harm_changes_nothing(share, first, second):
    start = np.log([share])
    assert lowered(lowered(start, np.array([first])), np.array([second])) == pytest.approx(
        lowered(start, np.array([first + second])), abs=1e-12
    )
    assert lowered(start, np.zeros(1)) == pytest.approx(start, abs=1e-15)
    assert np.exp(lowered(start, np.array([first]))) == pytest.approx(expit(logit([share]) - first))


@pytest.mark.parametrize("harm", [0.0, 1.0, 30.0, 40.0, 800.0])
def test_where_no_plant_can_die_none_does_whatever_the_harm(harm):
    assert lowered(np.zeros(2), np.full(2, harm)).tolist() == [0, 0]


# --- risks that batches share


def test_a_hot_week_hits_every_batch_that_comes_in_it_and_none_that_comes_much_later():
    """Ten weeks apart the weather correlates by 0.3^10, so survivals only by sampling: 1 / sqrt(draws)."""
    rows = [stage("arrival", survival=0.9, survival_sd=0.04, heat_above=18, heat_loss=0.3)]
    plan = season(rows, varieties=("A", "B", "C"), climate=weekly(10, 18, 3.0))
    draws = 4096
    streams = season_streams(draws, 1)
    batches = (("A", 1, FIRST + 5), ("B", 1, FIRST + 5), ("C", 1, FIRST + 6), ("A", 2, FIRST + 15))
    log = np.array([draw_fate(plan, streams, *batch).log_survival[0] for batch in batches])
    same, next_week, later = np.corrcoef(log)[0, 1:]
    assert 0.4 < same < 0.9  # each batch has luck of its own, too
    assert 3 / np.sqrt(draws) < next_week < 0.5 * same
    assert abs(later) < 3.5 / np.sqrt(draws)


def total(weeks, draws, seed):
    """Return the survivors of four batches of 100 delivered in some weeks, and their chance in one of the weeks."""
    rows = [stage("arrival", survival=0.9, heat_above=0, heat_loss=0.02)]
    plan = season(rows, varieties=tuple("ABCD"), climate=weekly(10, 20, 2.0), persistence=0.4)
    orders = [(variety, str(FIRST + week), 100) for variety, week in zip("ABCD", weeks, strict=True)]
    outcome = simulate(plan, orders, draws=draws, seed=seed)
    each = np.array(
        [plants_by_state(outcome, name).sel(state="saleable", week=str(FIRST + 30)).values for name in "ABCD"]
    )
    return each, each.sum(axis=0)


def test_four_batches_in_one_week_are_a_wider_risk_than_in_four_by_the_closed_ratio():
    """Four terms of one variance add to 4^2 of it, or to 4 + 2 (3 p + 2 p^2 + p^3) if one week follows another.

    Always above the threshold, the logit falls by 0.02 for each degree, so the survival is a straight line over the
    spread of 2 °C to within 0.1 %. The logarithm of a variance has a standard error of sqrt(2 / draws).
    """
    draws, p = 16384, 0.4
    (one, together), (four, apart) = (total(weeks, draws, 1) for weeks in ([5] * 4, [5, 6, 7, 8]))
    assert one.mean(axis=1) == pytest.approx(four.mean(axis=1), abs=4 * one[0].std() * np.sqrt(2 / draws))
    assert one.std(axis=1) == pytest.approx(four.std(axis=1), rel=4 * np.sqrt(1 / draws))
    ratio = 16 / (4 + 2 * (3 * p + 2 * p**2 + p**3))
    assert together.var() / apart.var() == pytest.approx(ratio, rel=3 * np.sqrt(4 / draws))
    assert ratio > 1.9
    assert np.quantile(together, 0.05) < np.quantile(apart, 0.05)


# --- the other hemisphere


GROWN = [
    stage("arrival", survival=0.95, cold_below=7, cold_loss=0.1),
    stage(
        typical=4, batches_cv=0.1, plants_cv=0.1, survival=0.85, survival_sd=0.08, heat_above=22,
        heat_loss=0.1,
    ),
    stage(
        "growing on", runs_on="degree-days", typical=420, base_temperature=5, upper_threshold=24, batches_cv=0.1,
        plants_cv=0.15,
    ),
    stage("hardening", runs_on="degree-days", typical=150, base_temperature=3, place="tunnel", plants_cv=0.15),
]  # fmt: skip
PLACES = [house(held_above=8), house(place="tunnel", warmer_by=2, shaded_by=1)]


def mirrored(spread, draws, seeds=(1, 1)):
    """Return the states of a season in the north, and of it half a year later in the south."""
    table = weekly(8 - 6 * np.cos(ANGLE), 16 - 8 * np.cos(ANGLE), spread)
    rows = [{**row, "week": (row["week"] - 1 + 26) % 52 + 1} for row in table]
    found = []
    for later, climate, seed in zip((0, 26), (table, rows), seeds, strict=True):
        plan = season(GROWN, places=PLACES, climate=climate, first_week=FIRST + later, saleable_weeks=6, price_list=())
        orders = [("A", FIRST + later + week, 20) for week in (4, 12)]
        found.append((plan, plants_by_state(simulate(plan, orders, draws=draws, seed=seed), "A").values))
    return found


def test_a_season_moved_by_half_a_year_in_a_climate_so_moved_is_the_same():
    (north, here), (south, there) = mirrored(0.0, 256)
    moved = Climate(*([getattr(row, name) for row in north.climate] for name in ("t_min", "t_max", "year_sd"))).shifted(
        26
    )
    for week in (FIRST + k for k in range(104)):
        assert south.normals.normal(week) == moved.normal(week)
    assert there == pytest.approx(here, abs=1e-9)
    assert np.abs(here.mean(axis=2) - np.roll(here, 1, axis=1).mean(axis=2)).max() > 1  # a week would be seen


def test_with_weather_the_moved_season_is_the_same_within_the_error_of_the_draws():
    draws = 8192
    (_, here), (_, there) = mirrored(1.5, draws, seeds=(1, 2))
    for state, week in ((0, 4), (1, 7), (2, 11), (2, 17), (3, 19), (4, 22), (4, 26), (5, 30), (6, 35)):
        first, second = here[state, week], there[state, week]
        error = np.sqrt((first.var() + second.var()) / draws)
        assert abs(first.mean() - second.mean()) <= 3 * error + 1e-9, (state, week)
    assert here[4, 26].mean() > 1


def southern(first, climate, target=75):
    """Return the chances of a number saleable in weeks of a season begun in `first`, and the normals of its weeks."""
    rows = [
        stage("arrival", survival=0.95),
        stage(typical=3, batches_cv=0.1, plants_cv=0.1, survival=0.9, survival_sd=0.05),
        stage("growing on", runs_on="degree-days", typical=220, base_temperature=10, batches_cv=0.15, plants_cv=0.15),
    ]
    rows[-1]["survival"] = 0.95
    plan = season(rows, climate=climate, first_week=first, price_list=())
    outcome = simulate(plan, [("A", first + 9, 100)], draws=1024, seed=1)
    chances = [outcome.chance("A", week=first + k, at_least=target) for k in range(12, 32)]
    return np.array(chances), np.array([plan.normals.normal(first + k) for k in range(40)])


def test_a_real_spring_in_the_south_is_that_in_the_north_half_a_year_apart():
    """Months differ in length, so the seasons are up to three days apart; warmth that much more or less bounds this.

    Plants of a warmer place are never later, so the chances in the south lie between those of the north made colder
    and warmer by the largest difference of the normals of any week. Of weather itself each draw has its own.
    """
    still = [0.0] * 12
    south, there = southern(Week(2027, 27), monthly(spread=still))  # delivered in September
    north, here = southern(FIRST, monthly(spread=still, earlier=6))  # delivered in March
    apart = np.abs(here - there).max()
    assert apart < 0.25
    colder, warmer = (southern(FIRST, monthly(spread=still, earlier=6, warmer=by))[0] for by in (-apart, apart))
    assert (colder - 1e-9 <= south).all()
    assert (south <= warmer + 1e-9).all()
    assert np.abs(south - north).max() < 0.05
    assert south[7] < 0.2
    assert south[9] > 0.7
    assert there[9:22].mean(axis=1)[-1] > there[9].mean() + 5  # September is spring
    wrong, _ = southern(Week(2027, 27), monthly(spread=still, earlier=6))
    assert np.abs(wrong - south).max() > 0.4
