"""Seasons: routes, losses in points, and rows that contradict each other."""

import copy
import pickle
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from refusals import refused

from forecast import Refused, Season, Week, read_season
from forecast.season.consistency import entering
from forecast.season.stages import Stage

DEMO = read_season(Path(__file__).parents[2] / "demo_data")


@pytest.fixture
def season(folder: Path) -> Season:
    return read_season(folder)


def route(survivals: Sequence[float], share_of: str, spread: float = 0) -> list[Stage]:
    return [
        Stage(
            applies_to="crop",
            stage=f"stage {number}",
            place="house",
            runs_on="weeks",
            typical=0,
            survival=survival,
            survival_sd=spread,
            survival_level="batch",
            share_of=share_of,
            plants_per_m2=36,
        )
        for number, survival in enumerate(survivals)
    ]


def left(stages: Sequence[Stage]) -> float:
    share = 1.0
    for survival in entering(stages):
        share *= survival.mean
    return share


def test_losses_in_points_of_the_original_leave_60_as_mattson_burnett_krug_and_lopez_2009_count_them() -> None:
    """Greenhouse Grower, May 2009: of 100 cuttings 20, 11 and 9 are lost on the way, 60 are left."""
    assert left(route([0.80, 0.89, 0.91], "original")) == pytest.approx(0.60, abs=1e-12)


def test_the_same_losses_as_shares_of_those_entering_leave_64_8() -> None:
    assert left(route([0.80, 0.89, 0.91], "entering")) == pytest.approx(0.648, abs=5e-4)


def test_a_ten_percent_loss_needs_1112_not_1100() -> None:
    (survival,) = entering(route([0.9], "entering"))
    assert [int(quantity * survival.mean) >= 1000 for quantity in (1100, 1111, 1112)] == [False, False, True]


@given(st.lists(st.floats(0.001, 0.3), min_size=1, max_size=3))
def test_points_add_up_whatever_they_are(losses: list[float]) -> None:
    stages = route([1 - loss for loss in losses], "original")
    assert left(stages) == pytest.approx(1 - sum(losses), rel=1e-9)
    assert left(list(reversed(stages))) == pytest.approx(left(stages), rel=1e-9)


@given(st.lists(st.floats(0.5, 1), min_size=1, max_size=4))
def test_shares_of_those_entering_are_taken_as_they_are(survivals: list[float]) -> None:
    assert [share.mean for share in entering(route(survivals, "entering"))] == survivals


def test_a_spread_in_points_grows_as_fewer_are_left() -> None:
    """The loss keeps its standard deviation in points of the original: 0.02 of 1, then of 0.8."""
    assert [share.sd for share in entering(route([0.8, 0.9], "original", spread=0.02))] == pytest.approx([0.02, 0.025])


@pytest.mark.parametrize("survivals", [(0.4, 0.4), (0.5, 0.5), (0.7, 0.7, 0.6)])
def test_points_that_leave_nothing_are_refused_with_the_stage(survivals: tuple[float, ...]) -> None:
    assert refused(entering, route(survivals, "original")).startswith(f"stage {len(survivals) - 1}: 0.")


def test_a_variety_goes_through_the_stages_of_its_group_or_its_own(season: Season) -> None:
    own = season.with_stage("Hosta 'Belwin'", "grading", survived=80)
    assert [row.stage for row in own.route("Hosta 'Belwin'")] == ["acclimatisation", "growing on", "grading"]
    assert {row.applies_to for row in own.route("Hosta 'Belwin'")} == {"Hosta 'Belwin'"}
    assert own.route("Hosta 'Ambrel'") == season.route("Hosta 'Ambrel'") == own.route("Hosta 'Ambrel'")
    assert {row.applies_to for row in own.route("Hosta 'Ambrel'")} == {"hosta"}


def test_with_stage_changes_one_stage_and_nothing_else(season: Season) -> None:
    changed = season.with_stage("calla", "growing on", survival=0.88)
    different = [(old, new) for old, new in zip(season.stages, changed.stages, strict=True) if old != new]
    assert [(new.applies_to, new.stage, new.survival) for _, new in different] == [("calla", "growing on", 0.88)]
    assert changed.replace(stages=season.stages) == season


def test_a_new_mean_of_a_survival_stated_as_a_range_or_count_keeps_its_standard_deviation(season: Season) -> None:
    for name in ("growing on", "grading"):
        before = next(row for row in season.route("Hosta 'Ambrel'") if row.stage == name)
        changed = season.with_stage("hosta", name, survival=0.9).route("Hosta 'Ambrel'")
        after = next(row for row in changed if row.stage == name)
        assert before.survival is None
        assert (after.stated.mean, after.stated.sd) == (0.9, before.stated.sd)


def test_with_stage_for_a_variety_changes_no_other_of_its_group(season: Season) -> None:
    changed = season.with_stage("Hosta 'Ambrel'", "growing on", typical=12)
    assert [row.typical for row in changed.route("Hosta 'Ambrel'")] == [4, 12, 0]
    assert [row.typical for row in changed.route("Hosta 'Belwin'")] == [4, 10, 0]


def test_with_stage_twice_is_as_once(season: Season) -> None:
    once = season.with_stage("Hosta 'Ambrel'", "growing on", typical=12)
    assert once.with_stage("Hosta 'Ambrel'", "growing on", typical=12) == once


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda season: season.with_stage("hosta", "hardning", survival=0.9),
            "stage, 'hardning': hosta has no such stage. Known names: acclimatisation, growing on, grading.",
        ),
        (
            lambda season: season.with_stage("hosta", "growing", survival=0.9),
            "stage, 'growing': hosta has no such stage. Did you mean 'growing on'?",
        ),
        (
            lambda season: season.with_stage("hostas", "grading", survived=90),
            "applies_to, 'hostas': this season has no such group or variety. Did you mean 'hosta'?",
        ),
        (
            lambda season: season.variety("Hosta Ambrel"),
            "variety, 'Hosta Ambrel': this season has no such variety. Did you mean \"Hosta 'Ambrel'\"?",
        ),
        (
            lambda season: season.place("shed"),
            "place, 'shed': this season has no such place. Known names: house, shade.",
        ),
        (
            lambda season: season.table("weather"),
            "name, 'weather': a season has no such table. It has varieties, stages, places, price_list, targets, "
            "profiles, orders, on_hand, climate, cultures, divisions.",
        ),
    ],
)
def test_what_a_season_has_not_is_reported_with_what_it_has(
    season: Season, call: Callable[[Season], object], message: str
) -> None:
    assert refused(call, season) == message


def test_a_changed_stage_is_checked_like_any_other(season: Season) -> None:
    with pytest.raises(Refused, match=r"Stage, survival, 85: a share lies between 0 and 1\. For 85 % write 0\.85\."):
        season.with_stage("hosta", "acclimatisation", survival=85)
    with pytest.raises(Refused, match=r"but it loses 0\.85 of the original\. Lower the losses"):
        season.with_stage("calla", "growing on", survival=0.15)


def test_a_season_made_of_dicts_names_the_table_and_row_at_fault(season: Season) -> None:
    places = [{"place": "house", "area": -1, "usable": 1}, {"place": "shade", "usable": 1}]
    assert refused(season.replace, places=places).splitlines() == [
        "places, row 2, column area, -1: not above 0. Write a number above 0.",
        "places, row 3, column area: this cell is empty but required. Fill it in.",
    ]


def test_a_season_is_a_value(season: Season, folder: Path) -> None:
    assert season == read_season(folder) == copy.deepcopy(season) == pickle.loads(pickle.dumps(season))
    assert season.replace(weeks=71) != season


def test_target_rows_come_by_week_whatever_their_order(season: Season) -> None:
    first = season.targets[0]
    later = season.replace(targets=(first.replace(week="2027-W45", target=7), *season.targets))
    assert [str(row.week) for row in later.targets_of(first.variety)] == ["2027-W41", "2027-W45"]
    assert [row.unit_price for row in season.price_lines("Hosta 'Ambrel'")] == [1.45, 1.25]
    assert season.price_lines("Iris") == season.targets_of("Iris") == ()


def test_the_last_week_is_part_of_the_season(season: Season) -> None:
    assert season.last_week == Week(2028, 4)
    last = season.targets[0].replace(week=season.last_week)
    assert season.replace(targets=(last,)).targets == (last,)
    with pytest.raises(Refused, match="outside the season"):
        season.replace(targets=(last.replace(week=season.last_week + 1),))


def test_an_offer_can_be_delivered_in_its_last_week_but_not_after(season: Season) -> None:
    offer = season.price_list[-1].replace(lead_weeks=30, last_week=season.first_week + 30)
    assert season.replace(price_list=(*season.price_list[:-1], offer)).price_list[-1] == offer
    with pytest.raises(Refused, match="too late to order"):
        season.replace(price_list=(*season.price_list[:-1], offer.replace(lead_weeks=31)))


def test_a_target_in_the_week_of_the_first_delivery_is_possible_on_paper(season: Season) -> None:
    target = season.targets[0].replace(week="2027-W08")
    assert season.replace(targets=(target,)).targets == (target,)
    with pytest.raises(Refused, match="before any delivery is possible"):
        season.replace(targets=(target.replace(week="2027-W07"),))


def test_a_plant_never_brings_more_marked_down_than_in_a_week_in_which_it_is_needed(season: Season) -> None:
    """From 10.00 in 2026-W40 to 10 x 0.64^0.5 = 8.00 in 2027-W13, where it is wanted last within the season."""
    own = season.varieties[0].replace(sale_price=10, yearly_fall=0.36, markdown_price=8)
    weeks = [season.targets[0].replace(week=week) for week in ("2027-W10", "2027-W13")]

    def priced(**cells: float) -> Season:
        return season.replace(varieties=(own.replace(**cells), *season.varieties[1:]), targets=weeks)

    assert priced().varieties[0].marked_down(26) == 8
    assert refused(priced, markdown_price=8.01) == (
        "varieties, row 2, column markdown_price, 8.01: above its sale price in the target week. Write at most 8.00."
    )
    unpriced = own.replace(sale_price=None, markdown_price=20)
    assert season.replace(varieties=(unpriced, *season.varieties[1:]), targets=weeks).varieties[0] == unpriced
    unwanted = own.replace(markdown_price=20)
    assert (
        season.replace(varieties=(unwanted, *season.varieties[1:]), targets=season.targets[1:]).outlet_of(own.variety)
        == 0
    )


def test_a_season_of_some_varieties_keeps_all_that_concerns_them():
    names = ["Calla 'Daviorne'", "Hosta 'Orrinfall'"]
    part = DEMO.only(names)
    assert [row.variety for row in part.varieties] == names
    assert {row.applies_to for row in part.stages} == {"calla", "hosta"}
    for name in names:
        assert part.route(name) == DEMO.route(name)
        assert part.survivals(name) == DEMO.survivals(name)
        assert part.price_lines(name) == DEMO.price_lines(name)
        assert part.targets_of(name) == DEMO.targets_of(name)
    assert (part.places, part.climate, part.orders) == (DEMO.places, DEMO.climate, ())
    assert {row.variety for row in (*part.price_list, *part.targets, *part.cultures, *part.divisions)} <= set(names)


def test_a_season_of_a_variety_with_stages_of_its_own_leaves_those_of_its_group_out():
    own = DEMO.with_stage("Hosta 'Orrinfall'", "acclimatisation", survival=0.7)
    part = own.only(["Hosta 'Orrinfall'"])
    assert {row.applies_to for row in part.stages} == {"Hosta 'Orrinfall'"}
    assert part.route("Hosta 'Orrinfall'") == own.route("Hosta 'Orrinfall'")


def test_a_season_of_a_variety_that_is_not_there_is_refused():
    with pytest.raises(Refused, match="no such variety"):
        DEMO.only(["Hosta 'Orinfall'"])


def test_a_variety_named_twice_is_there_once_and_a_season_of_none_is_refused():
    name = "Hosta 'Orrinfall'"
    assert DEMO.only([name, name]) == DEMO.only(row for row in [name]) == DEMO.only(name)
    with pytest.raises(Refused, match="none is named"):
        DEMO.only([])


def test_a_season_shows_itself_in_one_screen_and_one_line():
    assert str(DEMO).splitlines()[0] == f"Season: {DEMO.name}"
    assert len(str(DEMO).splitlines()) == 10
    assert repr(DEMO) == f"Season({DEMO.name}, 2026-W40 to 2028-W04, 10 varieties)"
    assert "4,350 plants" in DEMO._repr_html_()
    assert "Budget" not in str(DEMO.replace(budget=None))


def test_each_target_comes_once_by_variety_and_week_with_its_number():
    found = list(DEMO.each_target())
    assert [row for _, row in found] == [row for name in DEMO.targeted for row in DEMO.targets_of(name)]
    assert sorted(row.variety for _, row in found) == sorted(row.variety for row in DEMO.targets)
    assert [(n, str(row.week)) for n, row in found if row.variety == "Heuchera 'Brunnock'"] == [
        (1, "2027-W37"),
        (2, "2027-W38"),
    ]
    one = DEMO.replace(targets=DEMO.targets[3:4])
    assert one.targeted == (DEMO.targets[3].variety,)
