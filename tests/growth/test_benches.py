"""Plants and areas on the benches, what is sampled of them, and weather that is given, all by hand."""

from datetime import timedelta

import numpy as np
import pytest
from small_buyers import buyers
from small_seasons import TWO_PLACES, season, stage

from forecast.fates.stage_occupancy import TimedFate
from forecast.fates.weather import Weather, measure, measured_by, prescribe
from forecast.growth.benches import Grown, areas, held, occupied
from forecast.growth.simulation import COORDINATES, draw_fate, owners, season_streams
from forecast.growth.stock import drawn_demand, earlier, sampled
from forecast.weeks import Week

FIRST = Week(2027, 1)
SURVIVAL, TIME = "acclimatisation survival", "acclimatisation time"


def alike(survival, weeks, draws=2):
    """Return plants that all grow alike, in draws that do not differ."""
    table = np.repeat(np.array([survival, weeks])[:, :, None], draws, axis=2)
    return TimedFate(np.log(table[0]), table[1].copy(), np.zeros(len(weeks)))


def test_numbers_are_held_to_the_nearest_step_in_place():
    numbers = np.array([0.1, 1 / 3, 5.0, 0.0])
    step = 2.0**-32
    right = np.round(numbers / step) * step
    found = held(numbers, step)
    assert found is numbers
    assert found.tolist() == right.tolist()
    assert held(np.array([-np.inf, -2.5]), step).tolist() == [-np.inf, -2.5]


def test_the_areas_of_two_batches_add_and_so_do_the_variances_of_their_plants():
    """By the second week 10 and 20 plants have lost some; those of one place add before they are squared."""
    plan = season(
        [
            stage(typical=4, plants_per_m2=50),
            stage("growing on", typical=4, plants_per_m2=25),
            stage("hardening", typical=4, plants_per_m2=10, place="yard"),
        ],
        places=TWO_PLACES,
    )
    shares = [
        [np.array(part)[:, None] for part in ([0, 0.5, 0.2], [0, 0.25, 0.4], [0, 0.1, 0.2], [0.0, 0, 0.1])],
        [np.array(part)[:, None] for part in ([1, 0.5, 0.0], [0, 0, 0.0], [0, 0, 0.0], [0, 0, 0.0])],
    ]
    batches = [Grown(number, alike([1], [1]), np.arange(3.0)) for number in (10, 20)]
    found = areas(plan.route("A"), batches, shares)
    assert list(found) == ["house", "yard"]
    house = [10 * np.array([0, 0.02, 0.02]), 20 * np.array([0.02, 0.01, 0])]
    house_square = [10 * np.array([0, 0.0006, 0.00072]), 20 * np.array([0.0004, 0.0002, 0])]
    yard, yard_square = 10 * np.array([0, 0.01, 0.03]), 10 * np.array([0, 0.001, 0.003])
    assert found["house"][0][:, 0] == pytest.approx(sum(house), abs=1e-9)
    variance = sum(house_square) - house[0] ** 2 / 10 - house[1] ** 2 / 20
    assert found["house"][1][:, 0] == pytest.approx(variance, abs=1e-9)
    assert found["yard"][0][:, 0] == pytest.approx(yard, abs=1e-9)
    assert found["yard"][1][:, 0] == pytest.approx(yard_square - yard**2 / 10, abs=1e-9)


def test_of_two_batches_what_is_not_sold_is_shared_in_proportion_in_one_week_or_in_all():
    """40 of 60 and 30 of 30 are ready; 35 are sold in the sixth week, so half of both is left until the last sale."""
    elapsed = np.arange(10.0)
    batches = [
        Grown(80, alike([0.5], [3.0]), elapsed),
        Grown(30, alike([1.0], [2.0]), elapsed - 2),
    ]
    sales = [(5, np.array([35.0, 70.0])), (8, np.array([0.0, 0.0]))]
    every = occupied(batches, np.arange(10), buyers(sales, 10))
    one = occupied(batches, np.array([6]), buyers(sales, 10))
    for whole, part in zip(every, one, strict=True):
        assert all(np.array_equal(whole[k][6:7], part[k]) for k in (0, 1))
    assert every[0][1][:, 0].tolist() == [0, 0, 0, 0.5, 0.5, *[0.25] * 3, 0, 0]
    assert every[1][1][:, 0].tolist() == [0, 0, 0, 0, 1, *[0.5] * 3, 0, 0]
    assert every[0][1][5:, 1].tolist() == every[1][1][5:, 1].tolist() == [0] * 5
    assert every[1][0][:, 0].tolist() == [0, 0, 1, 1, 0, 0, 0, 0, 0, 0]


def test_a_history_of_plants_that_are_sure_is_their_number():
    ready = np.array([[0, 0], [0, 1.0], [1, 1], [1, 1]])
    rng = np.random.default_rng(1)
    counts = sampled(ready, 7, rng)
    assert counts.tolist() == [[0, 0], [0, 7], [7, 7], [7, 7]]
    assert counts.dtype == np.int32
    assert sampled(ready, np.array([3, 5]), rng).tolist() == [[0, 0], [0, 5], [3, 5], [3, 5]]
    assert sampled(0 * ready, 7, rng).tolist() == [[0, 0]] * 4
    assert sampled(ready[1:], 7, rng)[0].tolist() == [0, 7]


def test_a_history_never_falls_and_each_step_is_binomial():
    ready = np.repeat(np.array([0.0, 0.2, 0.2, 0.5, 0.9])[:, None], 20_000, axis=1)
    counts = sampled(ready, 10, np.random.default_rng(1))
    assert (np.diff(counts, axis=0) >= 0).all()
    assert counts.mean(axis=1) == pytest.approx([0, 2, 2, 5, 9], abs=0.06)
    assert counts.var(axis=1) == pytest.approx([0, 1.6, 1.6, 2.5, 0.9], rel=0.06)
    assert (counts[1] == counts[2]).all()


def test_those_past_their_best_were_ready_so_many_weeks_before():
    ready = np.array([[1], [2], [5], [9]])
    assert earlier(ready, 2).tolist() == [[0], [0], [1], [2]]
    assert earlier(ready, 9).tolist() == earlier(ready, None).tolist() == [[0]] * 4


def test_what_is_needed_is_one_number_or_drawn_from_a_range():
    rows = [
        {"variety": "A", "week": "2027-W20", "target": 30},
        {"variety": "A", "week": "2027-W21", "p5": 20, "median": 40, "p95": 80},
        {"variety": "A", "week": "2027-W22", "p5": 20, "median": 40, "p95": 80},
    ]
    plan, streams = season([stage()], targets=rows), season_streams(1024, 1)
    one, first, second = (drawn_demand(streams, row) for row in plan.targets)
    assert one.tolist() == [30.0] * 1024
    for drawn in (first, second):
        assert (drawn < 20).mean() == pytest.approx(0.05, abs=0.01)
        assert (drawn < 40).mean() == pytest.approx(0.5, abs=0.02)
        assert (drawn > 80).mean() == pytest.approx(0.05, abs=0.01)
    assert abs(np.corrcoef(first, second)[0, 1]) < 0.15
    assert np.array_equal(first, drawn_demand(season_streams(1024, 1), plan.targets[1]))


def test_the_scores_of_each_level_belong_to_those_that_share_it():
    plan = season([stage(typical=4)])
    assert owners(plan.stages[0], "A", 3) == {
        "belief": ("belief", "crop"),
        "season": ("season",),
        "variety": ("variety", "A"),
        "batch": ("batch", "A", "3"),
    }
    assert len(COORDINATES) == len(set(COORDINATES))
    assert {SURVIVAL, TIME} <= set(COORDINATES)
    streams = season_streams(16, 7)
    assert (streams.seed, streams.draws, streams.coordinates) == (7, 16, COORDINATES)


@pytest.mark.parametrize("level", ["belief", "season", "variety", "batch"])
def test_survivals_and_times_are_shared_as_their_level_says(level):
    cells = {"survival_level": level, "time_level": level, "survival": 0.8, "survival_sd": 0.1}
    plan = season([stage(typical=4, batches_cv=0.2, **cells)], varieties=("A", "B"))
    streams = season_streams(64, 1)
    one, again, other, variety = (
        draw_fate(plan, streams, *batch)
        for batch in (("A", 1, FIRST), ("A", 1, FIRST + 9), ("A", 2, FIRST), ("B", 1, FIRST))
    )
    for name in ("log_survival", "weeks"):
        here = getattr(one, name)
        assert np.array_equal(here, getattr(again, name))
        assert np.array_equal(here, getattr(other, name)) == (level != "batch")
        assert np.array_equal(here, getattr(variety, name)) == (level in ("belief", "season"))
    assert abs(np.corrcoef(one.log_survival[0], one.weeks[0])[0, 1]) < 0.4
    shift = {SURVIVAL: np.full(64, 0.5), TIME: np.full(64, -0.5)}
    shifted = draw_fate(plan, streams, "A", 1, FIRST, shifts=shift)
    assert (shifted.log_survival > one.log_survival).all()
    assert shifted.weeks == pytest.approx(one.weeks * np.exp(-0.5 * np.sqrt(np.log1p(0.2**2))))


def test_what_only_plants_differ_in_counts_by_its_mean():
    plan = season([stage(survival=0.8, survival_sd=0.1, survival_level="plant"), stage("grading", survival=0.9)])
    made = draw_fate(plan, season_streams(4, 1), "A", 1, FIRST)
    assert np.exp(made.log_survival) == pytest.approx(np.array([[0.8] * 4, [0.9] * 4]))
    later = draw_fate(plan, season_streams(4, 1), "A", 1, FIRST, enters="grading")
    assert np.exp(later.log_survival) == pytest.approx(np.array([[0.9] * 4]))


CLIMATE = [{"week": k, "t_min": 10, "t_max": 20, "year_sd": 2} for k in range(1, 53)]
WARM = stage("growing on", runs_on="degree-days", typical=300, base_temperature=5)


def test_weather_that_is_given_is_not_drawn():
    """Ten °C days a day in the first week, none in the second and twenty in all others."""
    plan, streams = season([WARM], climate=CLIMATE, weeks=6), season_streams(4, 1)
    mean = np.repeat(np.array([15.0, 5.0, *[25.0] * 6])[:, None], 4, axis=1)
    prescribe(streams, mean, mean)
    made = draw_fate(plan, streams, "A", 1, FIRST + 1)
    assert made.start == 1
    assert made.clocks[0][:, 0] == pytest.approx([0, 70, 70, 210, 350, 490, 630, 770, 910])
    low, high = Weather.of(plan, streams).outside(3)
    assert low is high is mean


def test_days_that_were_measured_are_as_they_were():
    plan, streams = season([WARM], climate=CLIMATE), season_streams(4, 1)
    assert measured_by(season_streams(4, 1)) == {}
    days = {FIRST.monday + timedelta(k): (4.0, 12.0) for k in range(7)}
    measure(streams, days)
    assert measured_by(streams) == days
    low, high = Weather.of(plan, streams).outside(2)
    assert low[0] == pytest.approx([4] * 4)
    assert high[0] == pytest.approx([12] * 4)
    assert np.ptp(low[1]) > 0
    assert Weather.of(plan, streams) is Weather.of(plan, streams)


def test_weather_is_drawn_for_a_season_and_a_week_or_whole_years_more():
    plan = season([WARM], climate=CLIMATE, weeks=20)
    weather = Weather.of(plan, season_streams(4, 1))
    assert len(weather.outside(5)[0]) == 21
    assert len(weather.outside(22)[0]) == 21 + 52
    assert len(weather.outside(21)[0]) == 21 + 52
    assert len(weather.air("house", 80)[0]) == 21 + 104
    row = plan.stages[0]
    assert weather.clock(row, 30).shape == (126, 4)
    with pytest.raises(ValueError, match="read-only"):
        weather.clock(row, 30)[0, 0] = 1


def test_plants_harmed_before_they_were_seen_are_not_harmed_again():
    rows = [stage(typical=4, survival=0.9, cold_below=15, cold_loss=0.2)]
    plan, streams = season(rows, climate=CLIMATE), season_streams(16, 1)
    ahead, behind = (draw_fate(plan, streams, "A", 1, FIRST, harmed=harmed) for harmed in (True, False))
    assert np.exp(behind.log_survival) == pytest.approx(np.full((1, 16), 0.9))
    assert (ahead.log_survival < behind.log_survival).all()
    assert (draw_fate(plan, streams, "A", 1, FIRST).log_survival == ahead.log_survival).all()
