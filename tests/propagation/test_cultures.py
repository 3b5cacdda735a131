"""What comes of cultures: tables, schedules and saleable plants, by hand where nothing is left to chance."""

import math

import numpy as np
import pandas as pd
import pytest
from small_cultures import SURE as CERTAIN
from small_cultures import UNSURE, nursery
from small_seasons import offer, season, stage

import forecast
from forecast import Refused
from forecast.growth.simulation import season_streams
from forecast.propagation.cultures import Cultures, Shortage
from forecast.propagation.multiplication import Generations
from forecast.weeks import Week
from forecast.words import propagation as words

DRAWS = 4096
FIRST = Week(2027, 1)


@pytest.fixture(scope="module")
def unsure():
    return forecast.multiply(nursery(UNSURE), "A", explants=30, subcultures=3, draws=DRAWS, seed=5)


def test_without_chance_the_table_is_the_arithmetic():
    made = forecast.multiply(nursery({}), "A", explants=4, subcultures=3, draws=8, seed=1)
    table = made.table()
    assert list(table["week"]) == ["2027-W03", "2027-W06", "2027-W09"]
    assert list(table["median"]) == [4, 12, 36]
    assert list(table["shoots"]) == [12, 36, 108]
    assert list(table["plantlets"]) == [0, 0, 108]
    assert (table[["extinct", "over_capacity"]] == 0).all(axis=None)
    assert str(made.enters(3)) == "2027-W14"


def test_what_is_not_kept_is_rooted_and_comes_earlier():
    made = forecast.multiply(nursery({}), "A", explants=4, subcultures=3, kept=[0.5, 1], draws=8, seed=1)
    assert made.rounds == (1, 3)
    assert [list(made.generations.plantlets[i]) for i in range(3)] == [[6] * 8, [0] * 8, [54] * 8]


def test_the_schedule_adds_up_to_vessels_hours_and_medium():
    """By hand: 4 explants in vessels of one, then 4, 12 and 36, then 108 shoots in vessels of ten."""
    culture = {"minutes_per_vessel": 6, "medium_per_vessel": 50}
    made = forecast.multiply(nursery(culture), "A", explants=4, subcultures=3, draws=8, seed=1)
    schedule = made.schedule()
    vessels = 4 + 4 + 12 + 36 + 11
    assert schedule["vessels"].sum() == pytest.approx(vessels, abs=0.3)
    for word in RANGE:
        assert schedule[f"medium_{word}"].sum() == pytest.approx(0.05 * vessels, abs=0.05)
        assert schedule[f"hours_{word}"].sum() == pytest.approx(0.1 * vessels, abs=0.05)
    assert list(schedule["shelf_median"]) == [4, 4, 4, 4, 4, 12, 12, 12, 36, 36, 36, 11, 11, 11]
    assert list(schedule["what"])[:3] == ["initiation", "initiation", "subculture 1"]


def test_a_schedule_never_needs_more_than_there_is():
    culture = UNSURE | {"explants": 20, "shelf_places": 20, "hood_hours": 0.5, "minutes_per_vessel": 4}
    made = forecast.multiply(nursery(culture), "A", subcultures=3, draws=512, seed=1)
    schedule = made.schedule()
    assert made.over_capacity > 0.2
    assert schedule["shelf_p95"].max() <= 20
    assert schedule["hours_p95"].max() <= 0.5 + 1e-9
    assert made.shortage().chance > 0.2


def test_the_chance_is_exact_given_the_plantlets(unsure):
    week = unsure.enters(3) + 6
    counts = unsure.saleable(week)
    for number in (50, 120, 250):
        found = unsure.chance(week=week, at_least=number)
        share = (counts >= number).mean()
        assert abs(found - share) <= 4 * np.sqrt(found * (1 - found) / DRAWS)


def test_saleable_plants_by_week_agree_with_those_of_one_week(unsure):
    table = unsure.by_week().set_index("week")
    week = unsure.enters(3) + 6
    low, middle, high = np.quantile(unsure.saleable(week), (0.05, 0.5, 0.95))
    row = table.loc[str(week)]
    for found, right in ((row["p5"], low), (row["median"], middle), (row["p95"], high)):
        assert abs(found - right) <= 0.06 * middle
    assert (table["p5"] <= table["median"]).all()
    assert (table["median"] <= table["p95"]).all()


def test_potting_fewer_takes_the_earliest_and_no_more(unsure):
    fewer = unsure.replace(potted=100)
    assert (fewer.entering.sum(axis=0) == np.minimum(unsure.plantlets, 100)).all()
    assert (fewer.generations.plantlets == unsure.generations.plantlets).all()
    week = unsure.enters(3) + 6
    assert fewer.chance(week=week, at_least=60) <= unsure.chance(week=week, at_least=60)
    instalments = sure(kept=[0.5, 1], potted=10)
    assert [int(instalments.entering[i, 0]) for i in range(3)] == [6, 0, 4]


def test_another_start_changes_the_weeks_and_nothing_else(unsure):
    later = unsure.replace(start=unsure.start + 4)
    assert (later.plantlets == unsure.plantlets).all()
    assert later.enters(3) - unsure.enters(3) == 4
    week = unsure.enters(3) + 7
    assert later.chance(week=week + 4, at_least=100) == unsure.chance(week=week, at_least=100)


def test_losing_everything_has_its_chance():
    culture = UNSURE | {"start_contamination": 0.6}
    made = forecast.multiply(nursery(culture), "A", explants=1, subcultures=2, draws=DRAWS, seed=1)
    assert 0.6 < made.extinction_probability < 0.85
    assert list(made.table()["extinct"])[-1] <= made.extinction_probability


def test_off_types_are_lost_at_the_end():
    plain = forecast.multiply(nursery({}), "A", explants=30, subcultures=2, draws=DRAWS, seed=1)
    some = forecast.multiply(nursery({"off_types": "0.1 0.4"}), "A", explants=30, subcultures=2, draws=DRAWS, seed=1)
    week = plain.enters(2) + 12
    assert some.saleable(week).mean() / plain.saleable(week).mean() == pytest.approx(0.6, abs=0.01)


@pytest.mark.parametrize(
    ("asked", "told", "feasible"),
    [
        ({"subcultures": 5}, [words.too_many_subcultures(subcultures=5, most=3)], lambda c: c.subcultures == 3),
        ({"start": "2026-W40"}, [words.too_early(start=Week(2026, 40), earliest=FIRST)], lambda c: c.start == FIRST),
        ({"kept": [1.2, 1]}, [words.kept_range([1.2, 1.0])], lambda c: c.kept == (1, 1, 0)),
        ({"kept": [-0.1, 1]}, [words.kept_range([-0.1, 1.0])], lambda c: c.kept == (0, 1, 0)),
        ({"kept": [1]}, [words.kept_number(shares=1, subcultures=3)], lambda c: c.kept == (1, 1, 0)),
        ({"explants": 60}, [words.too_many_explants(explants=60, most=50)], lambda c: c.explants == 50),
        (
            {"subcultures": 9, "start": "2026-W01"},
            [words.too_many_subcultures(subcultures=9, most=3), words.too_early(start=Week(2026, 1), earliest=FIRST)],
            lambda c: c.subcultures == 3,
        ),
    ],
)
def test_what_cannot_be_done_is_reported_with_the_nearest_plan_that_can(asked, told, feasible):
    with pytest.raises(forecast.OutOfReach) as caught:
        forecast.multiply(nursery({"shelf_places": 50}), "A", **({"subcultures": 3} | asked), draws=8, seed=1)
    best = caught.value.best
    assert all(problem in str(caught.value) for problem in told)
    assert isinstance(best, Cultures)
    assert feasible(best)
    assert best.plantlets.shape == (8,)


def test_a_variety_without_a_culture_is_refused_with_those_that_have_one():
    with pytest.raises(forecast.Refused, match=r"not in cultures.*cultures has rows for: none"):
        forecast.multiply(nursery(None), "A", draws=8, seed=1)


def divided(draws=8, **cells):
    plan = nursery(None, cells)
    return Cultures(plan, plan.division("A"), season_streams(draws, 1), plan.first_week, 10, [1, 0])


def test_divisions_grow_by_rounds_and_the_first_can_be_had_at_once():
    made = divided()
    assert list(made.plantlets) == [90] * 8
    assert made.enters(1) == made.season.first_week
    assert made.enters(2) == made.season.first_week + 20
    made = divided(DRAWS, survival=0.5)
    assert made.plantlets.mean() == pytest.approx(45, abs=4 * made.plantlets.std() / DRAWS**0.5)


# --- every cell by hand


SURE = {"minutes_per_vessel": 7, "medium_per_vessel": 50, "rooting_weeks": 4}
RANGE = ("p5", "median", "p95")


def sure(culture=None, *, survival=1.0, saleable_weeks=None, weeks=40, **asked):
    """Multiply without any chance: plantlets grow for five weeks exactly."""
    plan = nursery(culture or {}, growing=CERTAIN | {"survival": survival}, saleable_weeks=saleable_weeks, weeks=weeks)
    return forecast.multiply(plan, "A", **({"explants": 4, "subcultures": 3, "draws": 8, "seed": 1} | asked))


def known(culture, numbers, limited=None, kept=(0.5, 0.0), draws=4):
    """Return cultures of few draws of which all numbers are known, shape (cycles, draws) each."""
    plan = nursery(culture)
    made = Cultures(plan, plan.culture("A"), season_streams(draws, 1), plan.first_week, 10, kept)
    names = ("planted", "vessels", "clean", "shoots", "rooting", "rooting_vessels", "plantlets", "unplanted")
    zero = [[0] * draws] * len(kept)
    arrays = {name: np.array(numbers.get(name, zero), dtype=np.int64) for name in names}
    made.__dict__["generations"] = Generations(**arrays, shelf_limited=np.array(limited or zero, dtype=np.bool_))
    return made


def frame(columns, *rows):
    return pd.DataFrame(list(rows), columns=columns)


COLUMNS = ["subculture", "week", *RANGE, "shoots", "plantlets"]
COLUMNS += ["clean", "clean_so_far", "extinct", "over_capacity", "shelf"]


def test_the_table_of_sure_cultures_is_the_arithmetic_in_every_cell():
    right = frame(
        COLUMNS,
        (1, "2027-W03", 4, 4, 4, 12, 6, 1.0, 1.0, 0.0, 0.0, 0.0),
        (2, "2027-W06", 6, 6, 6, 18, 0, 1.0, 1.0, 0.0, 0.0, 0.0),
        (3, "2027-W09", 18, 18, 18, 54, 54, 1.0, 1.0, 0.0, 0.0, 0.0),
    )
    pd.testing.assert_frame_equal(sure(kept=[0.5, 1]).table(), right)


def test_the_table_informs_about_known_numbers_their_ranges_and_shares_rounded():
    """Of 5 + 6 + 7 + 9 = 27 vessels 17 stay clean, then 13 of 19; 17 / 27 is 0.6296, times 13 / 19 it is 0.4308."""
    numbers = {
        "planted": [[40, 10, 30, 20], [7, 0, 9, 8]],
        "vessels": [[5, 6, 7, 9], [4, 0, 7, 8]],
        "clean": [[5, 2, 7, 3], [4, 0, 7, 2]],
        "shoots": [[80, 20, 60, 40], [70, 0, 0, 0]],
        "plantlets": [[3, 1, 2, 4], [10, 30, 0, 20]],
        "unplanted": [[0, 0, 0, 0], [5, 0, 6, 7]],
    }
    table = known({}, numbers, limited=[[1, 1, 1, 1], [1, 1, 0, 1]]).table()
    right = frame(
        COLUMNS,
        (1, "2027-W03", 10, 20, 40, 40, 2, 0.6296, 0.6296, 0.0, 0.0, 0.0),
        (2, "2027-W06", 0, 7, 9, 0, 10, 0.6842, 0.4308, 0.75, 0.75, 0.67),
    )
    pd.testing.assert_frame_equal(table, right)


def test_chances_in_the_table_are_reported_to_four_places():
    """Of three draws one, two or none: a third is 0.3333, two thirds are 0.6667 or, of what is short, 0.67."""
    numbers = {"vessels": [[1, 1, 1]], "shoots": [[0, 1, 0]], "unplanted": [[1, 0, 0]]}
    (row,) = known({}, numbers, limited=[[0, 1, 1]], kept=(0.0,), draws=3).table().to_dict("records")
    assert (row["extinct"], row["over_capacity"], row["shelf"]) == (0.6667, 0.3333, 0.0)


def test_of_no_vessels_no_share_stays_clean():
    table = known({}, {"vessels": [[5, 0, 0, 0], [0] * 4], "clean": [[4, 0, 0, 0], [0] * 4]}).table()
    assert table["clean"].tolist() == pytest.approx([0.8, math.nan], nan_ok=True)
    assert table["clean_so_far"].tolist() == pytest.approx([0.8, math.nan], nan_ok=True)


def test_the_table_of_drawn_cultures_holds_what_was_drawn():
    row = UNSURE | {"explants": 20, "shelf_places": 20, "hood_hours": 0.5, "minutes_per_vessel": 4, "lines": 2}
    made = forecast.multiply(nursery(row), "A", subcultures=3, draws=50, seed=1)
    table, grown, so_far = made.table(), made.generations, 1.0
    for i, row in enumerate(table.to_dict("records")):
        planted = np.sort(grown.planted[i])  # of 50 the 3rd, 25th and 48th
        assert [row[name] for name in RANGE] == planted[[2, 24, 47]].tolist()
        assert (row["shoots"], row["plantlets"]) == (np.sort(grown.shoots[i])[24], np.sort(grown.plantlets[i])[24])
        clean = grown.clean[i].sum() / grown.vessels[i].sum()
        so_far *= clean
        cut = grown.unplanted[i] > 0
        assert row["clean"] == round(clean, 4)
        assert row["clean_so_far"] == round(so_far, 4)
        assert row["extinct"] == sum(grown.shoots[i] == 0) / 50
        assert row["over_capacity"] == sum(cut) / 50
        assert row["shelf"] == (round(sum(grown.shelf_limited[i] & cut) / sum(cut), 2) if sum(cut) else 0)
    assert table["over_capacity"].max() > 0


STEPS = ["step", *RANGE, "most"]


def test_the_steps_from_explants_to_plantlets_with_what_there_is_room_and_time_for():
    """Twelve places and, at 60 x 1 x 3 / 9, twenty vessels in the hours; at the start 60 x 1 x 2 / 9, thirteen."""
    room = {"shelf_places": 12, "hood_hours": 1, "minutes_per_vessel": 9, "explants": 4, "explants_per_vessel": 4}
    numbers = zip(("initiation", "1", "2", "3", "plantlets"), (4, 4, 12, 36, 108), (12, 48, 48, 48, 120), strict=True)
    right = frame(STEPS, *((step, number, number, number, most) for step, number, most in numbers))
    pd.testing.assert_frame_equal(sure(room).by_step(), right)
    hours = sure({**room, "shelf_places": None}).by_step()
    assert hours["most"].tolist() == [13, 80, 80, 80, 200]
    places = sure({"shelf_places": 12, "explants": 4}).by_step()
    assert places["most"].tolist() == [12, 12, 12, 12, 120]


def test_where_nothing_is_limited_the_most_is_missing():
    assert sure().by_step()["most"].isna().all()
    steps = divided().by_step()
    assert steps["step"].tolist() == ["initiation", "1", "2", "plantlets"]
    assert steps["median"].tolist() == [10, 10, 30, 90]
    assert steps["most"].isna().all()


MEASURES = [f"{name}_{word}" for name in ("medium", "hours", "shelf") for word in RANGE]


def row_of_work(week, what, plants, vessels, medium, hours, shelf):
    return (week, what, plants, vessels, *[medium] * 3, *[hours] * 3, *[shelf] * 3)


def test_the_schedule_of_sure_cultures_by_hand():
    """Work is spread over two weeks at the start and over three in each cycle; vessels of rooting stand for four.

    Four explants; four, then six, each in a vessel of its own; six shoots for rooting in one vessel, then 18 in two.
    """
    made = sure(SURE, subcultures=2, kept=[0.5])
    rows = [
        *[row_of_work(f"2027-W0{k}", "initiation", 2.0, 2.0, 0.1, 0.23, 4.0) for k in (1, 2)],
        *[row_of_work(f"2027-W0{k}", "subculture 1", 1.3, 1.3, 0.07, 0.16, 4.0) for k in (3, 4, 5)],
        *[row_of_work(f"2027-W0{k}", "rooting 1, subculture 2", 4.0, 2.3, 0.12, 0.27, 7.0) for k in (6, 7, 8)],
        row_of_work("2027-W09", "rooting 2", 6.0, 0.7, 0.03, 0.08, 3.0),
        *[row_of_work(f"2027-W{k}", "rooting 2", 6.0, 0.7, 0.03, 0.08, 2.0) for k in (10, 11)],
        row_of_work("2027-W12", "", 0.0, 0.0, 0.0, 0.0, 2.0),
    ]
    pd.testing.assert_frame_equal(made.schedule(), frame(["week", "what", "plants", "vessels", *MEASURES], *rows))


def test_a_start_of_no_weeks_is_done_in_the_first_and_takes_no_place():
    made = sure({"start_weeks": 0}, subcultures=1).schedule()
    assert made["what"].tolist() == ["initiation, subculture 1", "subculture 1", "subculture 1", *["rooting 1"] * 3]
    assert made["plants"].tolist() == [5.3, 1.3, 1.3, 4.0, 4.0, 4.0]
    assert made["vessels"].tolist() == [5.3, 1.3, 1.3, 0.7, 0.7, 0.7]
    assert made["shelf_p95"].tolist() == [4, 4, 4, 2, 2, 2]


def test_the_schedule_shows_the_mean_and_lies_on_a_line_between_draws():
    """Of four draws in order the 5 % point lies 0.15 on from the first, the middle half-way, the 95 % one 0.85 on."""
    numbers = {"planted": [[0, 30, 60, 90], [0] * 4], "vessels": [[0, 3, 6, 9], [0] * 4]}
    made = known({"minutes_per_vessel": 60, "medium_per_vessel": 1000}, numbers, kept=(1.0, 0.0)).schedule()
    row = made[made["what"] == "subculture 1"].iloc[0]
    assert row["plants"] == 15.0
    assert row["vessels"] == 1.5
    for name, times in (("medium", 1), ("hours", 1), ("shelf", 3)):
        assert [row[f"{name}_{word}"] for word in RANGE] == pytest.approx([times * 0.15, times * 1.5, times * 2.85])


def test_only_cycles_of_which_not_all_is_kept_are_rooted():
    work = sure(subcultures=3, kept=[1, 0.5]).schedule()["what"]
    assert [work.str.contains(f"rooting {cycle}").any() for cycle in (1, 2, 3)] == [False, True, True]


def test_the_work_of_dividing_begins_with_the_first_division():
    schedule = divided().schedule()
    assert len(schedule) == 40
    assert schedule["what"].tolist()[:2] == ["initiation, subculture 2", "subculture 2"]
    assert schedule["what"].tolist()[20:] == ["rooting 2"] * 20
    assert schedule["hours_p95"].max() == 0


def test_what_is_saleable_in_a_week_is_expected_by_hand():
    """Six plantlets from W08 on, 54 from W14 on, five weeks, 9 in 10 live; one in ten, then four are off-types."""
    cells = {"off_types": "0.1 0.2 0.4"}
    made = sure(cells, survival=0.9, kept=[0.5, 1])
    first = made.enters(1)
    assert [str(made.enters(cycle)) for cycle in (1, 2, 3)] == ["2027-W08", "2027-W11", "2027-W14"]
    assert [made.true(cycle) for cycle in (1, 2, 3)] == pytest.approx([0.9, 0.8, 0.6])
    assert made.share(1, first + 4).tolist() == [0] * 8
    assert made.share(1, first + 5) == pytest.approx([0.81] * 8)
    assert made.expected(first + 4) == 0
    assert made.expected(first + 5) == pytest.approx(6 * 0.81)
    assert made.expected(first + 11) == pytest.approx(6 * 0.81 + 54 * 0.54)
    short = sure(cells, survival=0.9, kept=[0.5, 1], saleable_weeks=6)
    assert short.expected(first + 10) == pytest.approx(6 * 0.81)
    assert short.expected(first + 11) == pytest.approx(54 * 0.54)
    assert short.expected(first + 17) == 0
    assert sure().true(3) == 1.0


def test_chances_of_two_rounds_are_shares_of_histories_and_of_one_round_exact():
    both, one = sure(kept=[0.5, 1]), sure()
    week = both.enters(3) + 5
    assert both.saleable(week).tolist() == [60] * 8
    assert both.saleable(str(week)).dtype == np.int64
    found = both.chances(week=week, at_least=[0, 59, 60, 61, 60, 60, 60, 1000])
    assert found.tolist() == [1, 1, 1, 0, 1, 1, 1, 0]
    assert found.dtype == np.float64
    assert both.chance(week=str(week), at_least=60) == 1
    assert [one.chance(week=week, at_least=number) for number in (0, 108, 109, 10**12)] == [1, 1, 0, 0]
    assert one.chances(week=week + (-1), at_least=1).tolist() == [0] * 8


@pytest.mark.parametrize("number", [-1, 10**12 + 1, 0.5])
def test_a_number_that_cannot_be_saleable_is_refused(number):
    with pytest.raises(Refused) as refusal:
        sure().chance(week="2027-W30", at_least=number)
    told = "not usable. Give a whole number from 0 to 1,000,000,000,000."
    assert str(refusal.value) == f"at_least, '{number}': {told}"


@pytest.mark.parametrize(
    ("saleable_weeks", "weeks", "last", "counts"),
    [
        (None, 40, "2027-W40", [0] * 5 + [6] * 6 + [60] * 22),
        (None, 10, "2027-W21", [0] * 5 + [6] * 6 + [60] * 3),
        (4, 25, "2027-W25", [0] * 5 + [6] * 4 + [0] * 2 + [54] * 4 + [0] * 3),
    ],
)
def test_saleable_plants_by_week_from_the_first_plantlets_until_all_have_had_their_time(
    saleable_weeks, weeks, last, counts
):
    """To the end of the season, or until 1.3 times five weeks after the last plantlets came, in W14."""
    made = sure(kept=[0.5, 1], saleable_weeks=saleable_weeks, weeks=weeks)
    table = made.by_week()
    assert table.columns.tolist() == ["week", *RANGE]
    assert table["week"].tolist() == [str(made.enters(1) + k) for k in range(len(counts))]
    assert table["week"].iloc[-1] == last
    for word in RANGE:
        assert table[word].tolist() == counts
        assert table[word].dtype == np.int64


def test_plants_are_followed_for_three_years_at_most():
    made = sure({"cycle_weeks": 100}, kept=[0.5, 1])
    table = made.by_week()
    assert len(table) == 157
    assert table["week"].tolist()[::156] == [str(made.enters(1)), str(made.enters(1) + 156)]
    assert table["p95"].max() == 6


def test_plants_by_week_are_ranges_of_histories():
    """Of fifty draws the third, the 25th and the 48th; no fewer where nothing is past its best."""
    made = forecast.multiply(nursery(UNSURE), "A", explants=30, subcultures=2, draws=4096, seed=5)
    table = made.by_week().set_index("week")
    assert (table.diff().dropna() >= 0).all(axis=None)
    week, counts = made.enters(2) + 12, np.sort(made.plantlets)
    last = table.loc[str(week)]
    for name, rank in (("p5", 204), ("median", 2047), ("p95", 3891)):  # ceil(q 4096), from 0
        assert last[name] == pytest.approx(0.9 * counts[rank], rel=0.06)


WARM = stage("growing", runs_on="degree-days", typical=300, base_temperature=5, survival=0.9, plants_cv=0.1)
SPRING = [{"month": k, "t_min": 2 + 2 * min(k, 6), "t_max": 10 + 2 * min(k, 6), "year_sd": 0} for k in range(1, 13)]


def test_cultures_begun_later_meet_other_weather_and_keep_what_was_multiplied():
    plan = season([WARM], cultures=[nursery(UNSURE).cultures[0]], price_list=[offer("A")], climate=SPRING)
    asked = {"explants": 20, "subcultures": 2, "potted": 50, "draws": 64, "seed": 1}
    made = forecast.multiply(plan, "A", **asked)
    later, fresh = made.replace(start=made.start + 8), forecast.multiply(plan, "A", **asked, start=made.start + 8)
    assert later.generations is made.generations
    assert later.potted == 50
    assert (later.entering.sum(axis=0) == np.minimum(made.plantlets, 50)).all()
    week = later.enters(2) + 4
    assert np.array_equal(later.share(2, week), fresh.share(2, week))
    assert not np.array_equal(later.share(2, week), made.share(2, week + (-8)))
    fewer = made.replace(potted=20)
    assert (fewer.start, fewer.potted) == (made.start, 20)
    assert fewer.fates is made.fates
    plain = forecast.multiply(nursery(UNSURE), "A", **asked)
    assert plain.replace(start=plain.start + 8).fates is plain.fates  # on weeks it is all the same when they come


def test_a_round_meets_the_same_however_many_went_before():
    """Rounds are counted from the last, so that plans of more and fewer cycles are paired."""
    asked = {"explants": 4, "draws": 64, "seed": 1}
    two, three = (forecast.multiply(nursery({}), "A", subcultures=n, kept=[0.5] * (n - 1), **asked) for n in (2, 3))
    for back in (0, 1):
        here, there = two.fates[2 - back], three.fates[3 - back]
        assert np.array_equal(here.weeks, there.weeks)
        assert np.array_equal(here.log_survival, there.log_survival)
    assert not np.array_equal(two.fates[1].weeks, two.fates[2].weeks)


def test_the_least_and_the_most_that_can_be_asked_for_is_no_fault():
    one = forecast.multiply(nursery({}), "A", subcultures=1, explants=1, potted=1, draws=8, seed=1)
    assert (one.subcultures, one.explants, one.potted) == (1, 1, 1)
    many = forecast.multiply(nursery({}), "A", explants=10**9, potted=10**9, kept=[0, 1], draws=8, seed=1)
    assert (many.subcultures, many.explants, many.potted, many.kept) == (3, 10**9, 10**9, (0, 1, 0))
    full = nursery({"shelf_places": 20, "explants": 20, "start": "2027-W05"})
    made = forecast.multiply(full, "A", explants=20, start="2027-W05", draws=8, seed=1)
    assert (made.explants, str(made.start)) == (20, "2027-W05")


def test_a_share_that_is_no_number_counts_as_all_in_the_nearest_plan():
    with pytest.raises(forecast.OutOfReach) as caught:
        forecast.multiply(nursery({}), "A", subcultures=3, kept=[math.nan, -1], draws=8, seed=1)
    assert caught.value.best.kept == (1, 0, 0)


def test_stock_is_asked_for_no_medium_and_no_off_types():
    made = divided()
    assert made.true(2) == 1.0
    assert made.way.weeks(1) == 0
    for word in RANGE:
        assert (made.schedule()[f"medium_{word}"] == 0).all()


def test_of_known_plantlets_the_chance_that_all_is_lost_is_the_share_without_any():
    numbers = {"plantlets": [[0] * 4, [0, 1200, 1500, 900]], "unplanted": [[0] * 4, [0] * 4]}
    made = known({}, numbers)
    assert made.plantlets.tolist() == [0, 1200, 1500, 900]
    assert (made.extinction_probability, made.over_capacity, made.shortage()) == (0.25, 0, None)


@pytest.mark.parametrize(
    ("cells", "shelf"),
    [({"shelf_places": 20, "explants": 4}, True), ({"hood_hours": 1, "minutes_per_vessel": 9}, False)],
)
def test_the_first_of_the_limits_met_most_often_counts(cells, shelf):
    """Of 36 explants of the third subculture 20 have room or time, and of 60 of the fourth."""
    for subcultures in (3, 4):
        made = sure({**cells, "most_cycles": 4}, subcultures=subcultures)
        assert made.over_capacity == 1
        assert made.shortage() == Shortage(3, 1.0, shelf, 16.0)


@pytest.mark.parametrize(("limited", "shelf"), [((1, 1), True), ((1, 0), True), ((0, 0), False)])
def test_the_limit_is_that_of_the_subculture_most_often_short_and_of_at_least_half_of_its_cases(limited, shelf):
    numbers = {"unplanted": [[0, 0, 9, 0], [0, 15, 0, 25]]}
    made = known({}, numbers, [[0] * 4, [1 - limited[0], limited[0], 1 - limited[1], limited[1]]])
    assert made.over_capacity == 0.75
    assert made.shortage() == Shortage(2, 0.5, shelf, 10.0)
