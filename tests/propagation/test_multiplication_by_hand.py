"""Rates of multiplying: whose they are, and what becomes of explants where all of it can be reckoned by hand."""

import math

import numpy as np
import pytest
from small_cultures import CULTURE, DIVISION

from forecast.growth.simulation import season_streams
from forecast.propagation.multiplication import Multiplication, Rates, draw_generations
from forecast.rates.distributions import Share
from forecast.season.propagation_rows import Culture, Division

DRAWS = 256


def culture(**cells):
    return Culture(**(CULTURE | cells))


def rates(row, draws=DRAWS, seed=1):
    return Rates(Multiplication.from_row(row), season_streams(draws, seed))


def grown(row, explants, kept):
    """Multiply without chance, in two draws."""
    found = draw_generations(rates(row, 2), explants, kept)
    assert (found.planted[:, 0] == found.planted[:, 1]).all()
    return {name: array[:, 0].tolist() for name, array in vars(found).items()}


def test_a_way_to_multiply_has_the_numbers_of_its_row():
    row = culture(
        start_weeks=5, cycle_weeks=4, rooting_weeks=7, explants_per_vessel=6, rooting_per_vessel=9,
        multiplication="3 4", multiplication_cv=0.3, explants_cv=0.8, start_contamination=0.2,
        start_contamination_sd=0.05, start_death=0.1, rooting=0.7, rooting_sd=0.1, deflasking=0.95,
        contamination="0.1 0.2", contamination_sd=0.04, lines=3, shelf_places=50, hood_hours=2,
        minutes_per_vessel=8,
    )  # fmt: skip
    way = Multiplication.from_row(row)
    assert (way.variety, way.start_weeks, way.cycle_weeks, way.rooting_weeks) == ("A", 5, 4, 7)
    assert (way.explants_per_vessel, way.rooting_per_vessel) == (6, 9)
    assert [way.rates.at(cycle) for cycle in (1, 2, 3)] == [3, 4, 4]
    assert (way.cv, way.level) == (0.3, row.multiplication_level)
    assert way.size == pytest.approx(1 / (0.8**2 - 1 / 3))
    assert [way.clean(cycle, 9).mean for cycle in (1, 2, 3)] == pytest.approx([0.9, 0.8, 0.8])
    assert [way.clean(cycle, 9).sd for cycle in (1, 2)] == pytest.approx([0.04, 0.08])
    assert (way.start_clean.mean, way.start_clean.sd, way.start_death) == (pytest.approx(0.8), 0.05, 0.1)
    assert (way.rooted, way.deflasking) == (Share(0.7, 0.1, row.rooting_level), 0.95)
    assert (way.lines, way.shelf_places, way.vessels_in_hours) == (3, 50, 60)
    assert [way.weeks(cycles) for cycles in (1, 2, 3)] == [16, 20, 24]


def test_dividing_is_a_way_with_nothing_lost_but_what_must_live_to_be_divided_again():
    row = Division(**(DIVISION | {"divisions": "3 4", "divisions_cv": 0.2, "plants_cv": 0.8, "survival": 0.9}))
    way = Multiplication.from_row(row)
    assert (way.variety, way.start_weeks, way.cycle_weeks, way.rooting_weeks) == ("A", -20, 20, 0)
    assert (way.explants_per_vessel, way.rooting_per_vessel, way.lines) == (1, 1, 1)
    assert (way.shelf_places, way.vessels_in_hours) == (None, None)
    assert [way.rates.at(cycle) for cycle in (1, 2)] == [3, 4]
    assert (way.cv, way.level) == (0.2, row.divisions_level)
    assert way.size == pytest.approx(1 / (0.8**2 - 1 / 3))
    assert [way.clean(cycle, 3).mean for cycle in (1, 2, 3, 4)] == [1, 0.9, 0.9, 1]
    assert (way.start_clean.mean, way.start_clean.sd, way.start_death) == (1, 0, 0)
    assert (way.rooted.mean, way.deflasking) == (1, 1)
    assert [way.weeks(rounds) for rounds in (1, 2, 3)] == [0, 20, 40]


SAME = {  # level: whether cycles, lines, varieties and these two quantities of one season share it
    "season": (True, True, True),
    "belief": (True, True, False),
    "variety": (True, True, False),
    "batch": (True, False, False),
    "cycle": (False, True, False),
}


@pytest.mark.parametrize("level", SAME)
def test_a_rate_is_shared_by_cycles_lines_and_varieties_as_its_level_says(level):
    cells = {
        "multiplication_level": level, "multiplication_cv": 0.3, "contamination_level": level,
        "contamination": 0.2, "contamination_sd": 0.05, "start_contamination": 0.2,
        "start_contamination_sd": 0.05, "rooting": 0.8, "rooting_sd": 0.05, "rooting_level": level, "lines": 2,
    }  # fmt: skip
    one, other = (rates(culture(variety=name, **cells)) for name in "AB")
    cycles, lines, varieties = SAME[level]

    def alike(first, second, expected):
        assert first.shape == second.shape == (DRAWS,)
        assert np.allclose(first, second) == expected
        assert expected or abs(np.corrcoef(first, second)[0, 1]) < 0.3

    for ask in (lambda made, cycle, line: made.mean(cycle, line), lambda made, cycle, line: made.clean(cycle, 5, line)):
        alike(ask(one, 1, 1), ask(one, 2, 1), cycles)
        alike(ask(one, 1, 1), ask(one, 1, 2), lines)
        alike(ask(one, 1, 1), ask(other, 1, 1), varieties)
    alike(one.rooted(1), one.rooted(2), cycles)
    alike(one.rooted(1), other.rooted(1), varieties)
    alike(one.start(1), one.start(2), lines)
    alike(one.start(1), one.clean(1, 5, 1), cycles)  # what is clean at the start and in a cycle hangs together
    alike(one.rooted(1), one.clean(1, 5, 1), expected=False)
    alike(one.mean(1, 1) / 3, one.clean(1, 5, 1), expected=False)


def test_rates_are_lognormal_numbers_and_shares_have_their_means_and_spreads():
    """Log-mean log 3 - w^2 / 2 and log-spread w, w^2 = log(1 + 0.3^2): even points give both to a few thousandths."""
    row = culture(
        multiplication_level="season", multiplication_cv=0.3, contamination_level="season", contamination=0.2,
        contamination_sd=0.05, start_contamination=0.3, start_contamination_sd=0.1, start_death=0.25,
        rooting_level="season", rooting=0.7, rooting_sd=0.1, deflasking=0.9,
    )  # fmt: skip
    made, variance = rates(row, 4096), math.log(1 + 0.3**2)
    logs = np.log(made.mean(1, 1))
    assert logs.mean() == pytest.approx(math.log(3) - variance / 2, abs=1e-3)
    assert logs.std() == pytest.approx(math.sqrt(variance), rel=5e-3)
    for share, mean, spread in (
        (made.clean(1, 3, 1), 0.8, 0.05),
        (made.start(1), 0.7 * 0.75, 0.1 * 0.75),
        (made.rooted(1), 0.7 * 0.9, 0.1 * 0.9),
        (made.rooting_clean(4, 3), 0.8, 0.05),
    ):
        assert share.mean() == pytest.approx(mean, abs=1e-3)
        assert share.std() == pytest.approx(spread, rel=0.01)


def test_what_differs_by_plant_alone_or_not_at_all_is_its_mean():
    row = culture(
        multiplication_level="plant", multiplication="3 4", contamination_level="plant", contamination="0.1 0.2",
        rooting_level="plant", rooting=0.7, deflasking=0.9, start_contamination=0.3, start_death=0.5, lines=2,
    )  # fmt: skip
    for made in (rates(row), rates(row.replace(multiplication_level="cycle", contamination_level="cycle"))):
        assert [made.mean(cycle, 1).tolist() for cycle in (1, 2)] == [[3], [4]]
        assert [made.clean(cycle, 2, 1).tolist() for cycle in (1, 2)] == [[0.9], [0.8]]
        assert made.start(2) == pytest.approx([0.35])
        assert made.rooted(1) == pytest.approx([0.63])
        assert made.rooting_clean(2, 1) == pytest.approx([0.8])


def test_rooting_vessels_hold_all_lines_and_stay_clean_by_the_mean_of_these():
    row = culture(contamination_level="batch", contamination=0.2, contamination_sd=0.1, lines=3)
    made = rates(row)
    lines = [made.clean(4, 3, line) for line in (1, 2, 3)]
    assert made.rooting_clean(4, 3) == pytest.approx(np.mean(lines, axis=0))


def test_explants_are_spread_over_lines_as_evenly_as_can_be():
    """Of eleven in three lines 4, 4 and 3; vessels of two, filled line by line: 2 + 2 + 2."""
    found = grown(culture(lines=3, explants_per_vessel=2, rooting_per_vessel=4), 11, (1, 0))
    assert found["planted"] == [11, 33]
    assert found["vessels"] == [6, 6 + 6 + 5]
    assert found["clean"] == found["vessels"]
    assert found["shoots"] == [33, 99]
    assert found["rooting"] == found["plantlets"] == [0, 99]
    assert found["rooting_vessels"] == [0, 25]


def test_places_and_hours_cut_by_hand():
    """Cycles of three weeks, rooting of six; twelve places, and hours for ten vessels of two.

    10 explants fill 5 vessels and give 30; 15 are kept and fill 8 vessels, so hours for 2 are left to root 10 shoots in
    2 vessels of five, and 5 are left over. Then 45, of which 22 are kept (half, rounded down): 10 places are free and
    hours for 10, so 20 fill all and 2 are left over, as are all 23 for rooting. All 60 of the last go for rooting: the
    2 vessels are gone by then, so hours for ten root 50.
    """
    row = culture(
        rooting_weeks=6, explants_per_vessel=2, rooting_per_vessel=5, shelf_places=12, explants=10, hood_hours=1,
        minutes_per_vessel=18,
    )  # fmt: skip
    found = grown(row, 10, (0.5, 0.5, 0))
    assert found["planted"] == [10, 15, 20]
    assert found["vessels"] == found["clean"] == [5, 8, 10]
    assert found["shoots"] == [30, 45, 60]
    assert found["rooting"] == found["plantlets"] == [10, 0, 50]
    assert found["rooting_vessels"] == [2, 0, 10]
    assert found["unplanted"] == [5, 23, 2 + 10]
    assert found["shelf_limited"] == [False, False, True]  # in the third as many places are free as there are hours


@pytest.mark.parametrize(
    ("cells", "shelf_limited"),
    [
        ({}, False),
        ({"hood_hours": 1, "minutes_per_vessel": 18}, False),
        ({"shelf_places": 10**6}, True),
        ({"shelf_places": 9, "explants": 4, "hood_hours": 1, "minutes_per_vessel": 18}, True),
        ({"shelf_places": 10, "explants": 4, "hood_hours": 1, "minutes_per_vessel": 18}, True),
        ({"shelf_places": 11, "explants": 4, "hood_hours": 1, "minutes_per_vessel": 18}, False),
    ],
)
def test_the_shelf_is_short_first_where_it_holds_no_more_than_the_hours(cells, shelf_limited):
    assert grown(culture(**cells), 4, (1, 0))["shelf_limited"] == [shelf_limited] * 2


def test_every_line_is_cut_in_proportion_and_may_need_a_vessel_that_is_not_full():
    """Two lines of 20 in vessels of four: of nine places one is left to the ends of lines, 32 explants stand."""
    room = {"explants_per_vessel": 4, "shelf_places": 9, "explants": 9, "rooting_per_vessel": 99}
    found = grown(culture(lines=2, multiplication="4 3", **room), 10, (1, 0))
    assert found["planted"] == [10, 32]
    assert found["vessels"] == [4, 8]
    assert found["unplanted"] == [0, 8]
    assert found["rooting"] == [0, 96]


def test_what_is_kept_is_rounded_down_but_for_what_rounding_of_numbers_takes():
    """0.29 of 100 is 29, though 0.29 x 100 is a little less; 0.999 of it is 99."""
    assert grown(culture(multiplication=10), 10, (0.29, 0))["planted"] == [10, 29]
    assert grown(culture(multiplication=10), 10, (0.999, 0))["planted"] == [10, 99]
    assert grown(culture(multiplication=10), 10, (0.0, 0))["shoots"] == [100, 0]


@pytest.mark.parametrize(("weeks", "standing"), [(2, 0), (3, 0), (4, 3), (6, 3), (7, 3)])
def test_rooting_vessels_block_a_cycle_until_shoots_have_rooted(weeks, standing):
    """Twelve places and cycles of three weeks; three vessels are rooted when the second cycle is planted."""
    row = culture(rooting_weeks=weeks, shelf_places=12, explants=4, rooting_per_vessel=2)
    found = grown(row, 4, (0.5, 1, 0))
    assert found["rooting_vessels"][0] == 3
    assert found["planted"] == [4, 6, 12 - standing]


@pytest.mark.parametrize("spread", [0, 0.8])
def test_explants_of_which_all_are_lost_give_nothing(spread):
    row = culture(contamination=0.999999, explants_cv=spread, contamination_level="season")
    found = draw_generations(rates(row, 64), 3, (1, 1, 0))
    assert found.planted[0].tolist() == [3] * 64
    assert (found.shoots <= 10 * found.clean).all()
    assert found.plantlets.sum() == 0


@pytest.mark.parametrize("limit", [{"hood_hours": 1, "minutes_per_vessel": 18}, {"shelf_places": 10, "explants": 10}])
def test_where_explants_fill_all_vessels_no_shoots_are_rooted(limit):
    """Of 30 shoots 15 are kept, and 10 have room or time; so none of the other 15 is rooted before the end."""
    found = grown(culture(rooting_per_vessel=4, **limit), 10, (0.5, 0))
    assert found["planted"] == [10, 10]
    assert found["rooting"] == [0, 30]
    assert found["rooting_vessels"] == [0, 8]
    assert found["unplanted"] == [15, 5]


def test_of_two_vessels_the_second_not_full_each_is_lost_as_often():
    """Seven explants in vessels of five that give a shoot each: none, five or two, or all seven are left."""
    row = culture(contamination=0.5, contamination_level="season", explants_per_vessel=5, multiplication=1)
    found = draw_generations(rates(row, 4096), 7, (0,))
    clean, shoots = found.clean[0], found.shoots[0]
    assert set(shoots[clean == 0]) == {0}
    assert set(shoots[clean == 1]) == {2, 5}
    assert set(shoots[clean == 2]) == {7}
    assert [(clean == number).mean() for number in (0, 1, 2)] == pytest.approx([0.25, 0.5, 0.25], abs=0.03)
    assert (shoots[clean == 1] == 5).mean() == pytest.approx(0.5, abs=0.05)


@pytest.mark.parametrize("spread", [1 / math.sqrt(3), 0.9])
def test_explants_that_differ_give_their_rate_on_average_with_the_spread_stated(spread):
    """Of 100 explants with a mean of 3: 300 shoots, with a variance of 100 (3 spread)^2, within four errors."""
    row = culture(explants_cv=spread)
    shoots = draw_generations(rates(row, 4096), 100, (0,)).shoots[0]
    variance = 100 * (3 * spread) ** 2
    assert shoots.mean() == pytest.approx(300, abs=4 * math.sqrt(variance / 4096))
    assert shoots.var() == pytest.approx(variance, rel=4 * math.sqrt(2 / 4096))


def test_a_rate_between_two_numbers_gives_one_or_the_other():
    shoots = draw_generations(rates(culture(multiplication=2.25), 4096), 1, (0,)).shoots[0]
    assert set(shoots) == {2, 3}
    assert shoots.mean() == pytest.approx(2.25, abs=0.03)
