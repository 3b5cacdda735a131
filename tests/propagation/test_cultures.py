"""What comes of cultures: tables, schedules, saleable plants, and what cannot be done."""

import numpy as np
import pytest
from small_cultures import UNSURE, nursery

import forecast
from forecast.growth.simulation import season_streams
from forecast.propagation.cultures import Cultures

DRAWS = 4096


@pytest.fixture(scope="module")
def unsure():
    return forecast.multiply(nursery(UNSURE), "A", explants=30, cycles=3, draws=DRAWS, seed=5)


def test_without_chance_the_table_is_the_arithmetic():
    made = forecast.multiply(nursery({}), "A", explants=4, cycles=3, draws=8, seed=1)
    table = made.table()
    assert list(table["week"]) == ["2027-W03", "2027-W06", "2027-W09"]
    assert list(table["median"]) == [4, 12, 36]
    assert list(table["shoots"]) == [12, 36, 108]
    assert list(table["plantlets"]) == [0, 0, 108]
    assert (table[["lost", "short"]] == 0).all(axis=None)
    assert str(made.enters(3)) == "2027-W14"
    assert str(made) == "A: 4 explants, 3 cycles from 2027-W01: about 110 plantlets (110 to 110) by 2027-W14."


def test_what_is_not_kept_is_rooted_and_comes_earlier():
    made = forecast.multiply(nursery({}), "A", explants=4, cycles=3, kept=[0.5, 1], draws=8, seed=1)
    assert made.rounds == (1, 3)
    assert [list(made.grown.plantlets[i]) for i in range(3)] == [[6] * 8, [0] * 8, [54] * 8]


def test_the_schedule_adds_up_to_vessels_hours_and_medium():
    """By hand: 4 explants in vessels of one, then 4, 12 and 36, then 108 shoots in vessels of ten."""
    culture = {"minutes_per_vessel": 6, "medium_per_vessel": 50}
    made = forecast.multiply(nursery(culture), "A", explants=4, cycles=3, draws=8, seed=1)
    schedule = made.schedule()
    vessels = 4 + 4 + 12 + 36 + 11
    assert schedule["vessels"].sum() == pytest.approx(vessels, abs=0.3)
    for word in forecast.growth.outcome.RANGE_NAMES:
        assert schedule[f"medium_{word}"].sum() == pytest.approx(0.05 * vessels, abs=0.05)
        assert schedule[f"hours_{word}"].sum() == pytest.approx(0.1 * vessels, abs=0.05)
    assert list(schedule["shelf_median"]) == [4, 4, 4, 4, 4, 12, 12, 12, 36, 36, 36, 11, 11, 11]
    assert list(schedule["what"])[:3] == ["start", "start", "cycle 1"]


def test_a_schedule_never_needs_more_than_there_is():
    culture = UNSURE | {"explants": 20, "shelf_places": 20, "hood_hours": 0.5, "minutes_per_vessel": 4}
    made = forecast.multiply(nursery(culture), "A", cycles=3, draws=512, seed=1)
    schedule = made.schedule()
    assert made.short > 0.2
    assert schedule["shelf_p95"].max() <= 20
    assert schedule["hours_p95"].max() <= 0.5 + 1e-9
    assert "short at cycle" in made.shortage


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
    fewer = unsure.but(potted=100)
    assert (fewer.entering.sum(axis=0) == np.minimum(unsure.plantlets, 100)).all()
    assert (fewer.grown.plantlets == unsure.grown.plantlets).all()
    week = unsure.enters(3) + 6
    assert fewer.chance(week=week, at_least=60) <= unsure.chance(week=week, at_least=60)
    instalments = forecast.multiply(nursery({}), "A", explants=4, cycles=3, kept=[0.5, 1], potted=10, draws=8, seed=1)
    assert [int(instalments.entering[i, 0]) for i in range(3)] == [6, 0, 4]


def test_another_start_changes_the_weeks_and_nothing_else(unsure):
    later = unsure.but(start=unsure.start + 4)
    assert (later.plantlets == unsure.plantlets).all()
    assert later.enters(3) - unsure.enters(3) == 4
    week = unsure.enters(3) + 7
    assert later.chance(week=week + 4, at_least=100) == unsure.chance(week=week, at_least=100)


def test_losing_everything_is_told():
    culture = UNSURE | {"start_contamination": 0.6}
    made = forecast.multiply(nursery(culture), "A", explants=1, cycles=2, draws=DRAWS, seed=1)
    assert 0.6 < made.lost < 0.85
    assert "All is lost in about" in str(made)
    assert list(made.table()["lost"])[-1] <= made.lost


def test_off_types_are_lost_at_the_end():
    plain = forecast.multiply(nursery({}), "A", explants=30, cycles=2, draws=DRAWS, seed=1)
    some = forecast.multiply(nursery({"off_types": "0.1 0.4"}), "A", explants=30, cycles=2, draws=DRAWS, seed=1)
    week = plain.enters(2) + 12
    assert some.saleable(week).mean() / plain.saleable(week).mean() == pytest.approx(0.6, abs=0.01)


@pytest.mark.parametrize(
    ("asked", "told", "feasible"),
    [
        ({"cycles": 5}, "5 cycles: off-types become too many, cultures allows 3", lambda c: c.cycles == 3),
        (
            {"start": "2026-W40"},
            "Start 2026-W40: in the past; the first week possible is 2027-W01",
            lambda c: str(c.start) == "2027-W01",
        ),
        ({"kept": [1.2, 1]}, "Kept .* more than there is", lambda c: c.kept == (1, 1, 0)),
        ({"kept": [-0.1, 1]}, "less than nothing", lambda c: c.kept == (0, 1, 0)),
        ({"kept": [1]}, "kept has 1 shares, but 3 cycles need 2", lambda c: c.kept == (1, 1, 0)),
        (
            {"explants": 60},
            "60 explants: each begins in a vessel of its own, and shelf and hood allow 50",
            lambda c: c.explants == 50,
        ),
        ({"cycles": 9, "start": "2026-W01"}, "9 cycles.*Start 2026-W01", lambda c: c.cycles == 3),
    ],
)
def test_what_cannot_be_done_is_told_with_the_nearest_plan_that_can(asked, told, feasible):
    with pytest.raises(forecast.OutOfReach, match=f"(?i){told}") as caught:
        forecast.multiply(nursery({"shelf_places": 50}), "A", **({"cycles": 3} | asked), draws=8, seed=1)
    best = caught.value.best
    assert isinstance(best, Cultures)
    assert feasible(best)
    assert best.plantlets.shape == (8,)


@pytest.mark.parametrize(
    ("asked", "told"),
    [({"cycles": 0}, "cycles"), ({"explants": 0}, "explants"), ({"cycles": 1.5}, "cycles"), ({"potted": 0}, "potted")],
)
def test_numbers_of_the_wrong_kind_are_refused(asked, told):
    with pytest.raises(forecast.Refused, match=told):
        forecast.multiply(nursery({}), "A", **asked, draws=8, seed=1)


def test_a_variety_without_a_culture_is_refused_with_those_that_have_one():
    with pytest.raises(forecast.Refused, match=r"not in cultures.*there is one for: none"):
        forecast.multiply(nursery(None), "A", draws=8, seed=1)


def test_divisions_grow_by_rounds_and_the_first_can_be_had_at_once():
    season = nursery(None, {})
    made = Cultures(season, season.division("A"), season_streams(8, 1), season.first_week, 10, [1, 0])
    assert list(made.plantlets) == [90] * 8
    assert made.enters(1) == season.first_week
    assert made.enters(2) == season.first_week + 20
    poorer = nursery(None, {"survival": 0.5})
    made = Cultures(poorer, poorer.division("A"), season_streams(DRAWS, 1), poorer.first_week, 10, [1, 0])
    assert made.plantlets.mean() == pytest.approx(45, abs=4 * made.plantlets.std() / DRAWS**0.5)
