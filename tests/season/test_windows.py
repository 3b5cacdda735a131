"""Targets over weeks: what a season says of their demand, prices, promises and what is left."""

from pathlib import Path

import numpy as np
import pytest
from refusals import refused_lines
from small_seasons import FIRST, LIVE, asks, season

from forecast.io.seasons import read_season, write_season
from forecast.season.season import Season
from forecast.season.targets import Target

EARLY = [{"profile": "early", "week": week, "weight": weight} for week, weight in ((1, 3), (2, 1))]
OWN = {"variety": "A", "group": "crop", "sale_price": 10, "markdown_price": 2}


def made(*rows: dict[str, object], own: dict[str, object] | None = None, **cells: object) -> Season:
    """Make a season of one variety with these targets."""
    found = season([LIVE], targets=[{"variety": "A", "week": "2027-W10", "target": 100} | row for row in rows], **cells)
    return found.replace(varieties=[OWN | (own or {})])


def only(plan: Season) -> Target:
    return plan.targets[0]


def test_a_row_of_one_week_sells_all_in_it_at_the_price_of_its_variety() -> None:
    plan = made({})
    assert list(plan.weeks_of(only(plan))) == [9]
    assert plan.sold_by(only(plan)).tolist() == [1]
    assert plan.prices_of(only(plan)).tolist() == [10]
    assert plan.short_cost_of(only(plan)) == 5
    assert (plan.last_sale("A"), plan.outlet_of("A")) == (only(plan).week, 100)


def test_a_window_has_its_profile_its_prices_and_the_weeks_for_which_buyers_wait() -> None:
    plan = made({"until": "2027-W13", "profile": "early", "price": 12, "price_end": 6, "waits": 3}, profiles=EARLY)
    assert list(plan.weeks_of(only(plan))) == [9, 10, 11, 12]
    assert plan.sold_by(only(plan)).tolist() == pytest.approx([0.375, 0.75, 0.875, 1])
    assert plan.prices_of(only(plan)).tolist() == [12, 10, 8, 6]
    assert plan.short_cost_of(only(plan)) == 4.5
    assert str(plan.last_sale("A")) == "2027-W16"
    assert made({"short_cost": 0}).short_cost_of(Target(**asks(1, short_cost=0))) == 0


def test_prices_are_those_of_the_variety_unless_the_row_has_its_own() -> None:
    falls = {"yearly_fall": 0.36}
    plan = made({"week": "2027-W01", "until": "2027-W27"}, own=falls)
    assert plan.prices_of(only(plan))[[0, 26]].tolist() == pytest.approx([10, 8])
    assert made({"price": 7}, own=falls).prices_of(only(made({"price": 7}))).tolist() == [7]
    row = {"week": "2027-W01", "until": "2027-W03", "price_end": 8}
    assert made(row, own=falls).prices_of(only(made(row))).tolist() == [10, 9, 8]
    free = made({"price": 7}, own={"sale_price": None, "markdown_price": None})
    assert free.prices_of(only(free)).tolist() == [7]
    none = made({}, own={"sale_price": None, "markdown_price": None})
    assert none.short_cost_of(only(none)) == 0


def test_what_is_needed_of_a_promise_is_its_share_rounded_up_but_for_last_digits() -> None:
    plan = made({"promised": 0.9, "promised_share": 0.7})
    assert plan.needed(only(plan), np.array([10, 11, 0])).tolist() == [7, 8, 0]
    assert plan.needed(only(made({"promised": 0.9})), 11).tolist() == 11


def test_what_is_over_finds_the_buyers_of_the_outlet_or_as_many_as_all_targets() -> None:
    two = {}, {"week": "2027-W20", "p5": 10, "median": 20, "p95": 30, "target": None}
    assert made(*two).outlet_of("A") == 120
    assert made(*two, own={"outlet": 7}).outlet_of("A") == 7
    assert made(*two, own={"outlet": 0}).outlet_of("A") == 0


def test_the_last_sale_is_in_the_season_and_of_the_row_that_waits_longest() -> None:
    rows = {"until": "2027-W12"}, {"week": "2027-W09", "waits": 9}
    assert str(made(*rows).last_sale("A")) == "2027-W18"
    assert str(made({"waits": 500}).last_sale("A")) == "2027-W40"
    assert season([LIVE]).last_sale("A") is None


def test_a_part_of_a_season_keeps_the_profiles_that_it_uses() -> None:
    rows = [asks(5, variety=name, profile=shape) for name, shape in (("A", "early"), ("B", "late"))]
    profiles = [*EARLY, {"profile": "late", "week": 1, "weight": 1}]
    plan = season([LIVE], varieties="AB", targets=rows, profiles=profiles)
    assert {row.profile for row in plan.only(["B"]).profiles} == {"late"}


@pytest.mark.parametrize(
    ("rows", "cells", "told"),
    [
        (
            [{"until": "2027-W41"}],
            {},
            "targets, row 2, column until, '2027-W41': outside the season. Write a week from 2027-W01 to 2027-W40, or "
            "change first_week or weeks in season.toml.",
        ),
        (
            [{"profile": "early"}],
            {},
            "targets, row 2, column profile, 'early': no profile of this name in profiles. Correct the spelling, or "
            "add it to profiles.",
        ),
        (
            [{"profile": "earli"}],
            {"profiles": EARLY},
            "targets, row 2, column profile, 'earli': no profile of this name in profiles. Correct the spelling, or "
            "add it to profiles. Did you mean 'early'?",
        ),
        (
            [{"channel": "retail"}, {"channel": "retail"}],
            {},
            "targets, row 3, column variety, 'A, 2027-W10, retail': the same as row 2. Keep one of the two rows, or "
            "change its variety, week or channel.",
        ),
        (
            [{}],
            {"profiles": [EARLY[0], EARLY[1] | {"week": 3}]},
            "profiles, row 2, column week, 'early': week 2 of this profile is missing. Add it; its weight is 0 if "
            "nothing is sold in it.",
        ),
        (
            [{}],
            {"profiles": [row | {"weight": 0} for row in EARLY]},
            "profiles, row 2, column weight, 'early': all weights of this profile are 0. Write at least one above 0.",
        ),
        (
            [{}],
            {"profiles": [*EARLY, EARLY[1]]},
            "profiles, row 4, column profile, 'early, 2': the same as row 3. Keep one of the two rows, or change its "
            "profile or week.",
        ),
    ],
)
def test_what_tables_contradict_is_reported(rows: list[dict[str, object]], cells: dict[str, object], told: str) -> None:
    assert refused_lines(made, *rows, **cells) == [told]


def test_the_lowest_price_of_a_row_is_not_below_the_markdown_price() -> None:
    plan = made({"until": "2027-W12", "price": 3, "price_end": 2})
    assert plan.prices_of(only(plan)).tolist() == [3, 2.5, 2]
    assert refused_lines(plan.replace, targets=[only(plan).replace(price_end=1.9)]) == [
        "targets, row 2, column price_end, 1.9: below the markdown price of A, 2. Raise it, or lower markdown_price in "
        "varieties."
    ]
    falls = plan.variety("A").replace(yearly_fall=0.36, markdown_price=8.5)
    windows = [Target(**asks(1, FIRST, until=until)) for until in ("2027-W10", "2027-W27")]
    assert plan.replace(varieties=[falls], targets=windows[:1]).targets == tuple(windows[:1])
    assert "above its sale price" in refused_lines(plan.replace, varieties=[falls], targets=windows[1:])[0]


def test_a_window_may_begin_before_the_first_delivery_but_not_end_before_it() -> None:
    late = [{"lab": "Lab", "variety": "A", "unit_price": 1, "first_week": "2027-W12", "last_week": "2027-W14"}]
    assert made({"until": "2027-W12"}, price_list=late).targets
    assert made({"waits": 2}, price_list=late).targets
    told = "before any delivery is possible. The first possible delivery is in 2027-W12: "
    assert told in refused_lines(made, {"until": "2027-W11"}, price_list=late)[0]
    assert told in refused_lines(made, {"waits": 1}, price_list=late)[0]


def test_the_old_name_of_a_column_is_reported_with_the_new_one(folder: Path) -> None:
    file = folder / "targets.csv"
    file.write_text(file.read_text(encoding="utf-8").replace("promised", "service_level"), encoding="utf-8")
    assert refused_lines(read_season, folder) == [
        "targets.csv, row 1, column service_level: no such column. Rename it promised."
    ]


def test_a_folder_with_windows_is_read_and_written_back(folder: Path, tmp_path: Path) -> None:
    (folder / "profiles.csv").write_text("profile,week,weight\nlate,2,3\nlate,1,1\n", encoding="utf-8")
    (folder / "targets.csv").write_text(
        "variety,week,until,target,channel,profile,price,price_end,promised,promised_share,short_cost,waits\n"
        "Hosta 'Ambrel',2027-W38,2027-W43,400,retail,late,12,9,,,,\n"
        "Hosta 'Ambrel',2027-W38,,100,garden centre,,8,,0.9,0.8,3,2\n",
        encoding="utf-8",
    )
    read = read_season(folder)
    assert read.sold_by(read.targets[0]).tolist() == pytest.approx(
        np.interp(np.arange(1, 7) / 3, [0, 1, 2], [0, 0.25, 1])
    )
    write_season(read, tmp_path / "again")
    assert read_season(tmp_path / "again") == read
    assert "waits" in read.table("targets").columns
    assert "profiles.csv" in {file.name for file in (tmp_path / "again").iterdir()}
