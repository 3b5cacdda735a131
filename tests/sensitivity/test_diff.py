"""What differs between two seasons: each changed cell once, and nothing else."""

from pathlib import Path

import pytest

import forecast
from forecast.season.season import TABLES
from forecast.sensitivity.diff import differences

DEMO = Path(__file__).parents[2] / "demo_data"
CHANGES = {
    "varieties": {"saleable_weeks": 3},
    "stages": {"minutes": 9.5},
    "places": {"area": 77.5},
    "price_list": {"unit_price": 9.25},
    "targets": {"promised": 0.55},
    "profiles": {"weight": 3.5},
    "orders": {"quantity": 17},
    "on_hand": {"quantity": 18},
    "climate": {"year_sd": 3.25},
    "cultures": {"cycle_weeks": 9},
    "divisions": {"stock": 7},
}


@pytest.fixture(scope="module")
def season():
    there = [{"variety": "Hosta 'Quenvara'", "stage": "growing on", "quantity": 30, "since": "2026-W37"}]
    return forecast.read_season(DEMO).replace(on_hand=there)


def test_a_season_does_not_differ_from_itself_read_again(season):
    assert differences(season, forecast.read_season(DEMO).replace(on_hand=season.on_hand)).empty


@pytest.mark.parametrize("table", TABLES)
def test_one_changed_cell_of_any_table_is_the_only_difference(season, table):
    rows = list(getattr(season, table))
    ((column, cell),) = CHANGES[table].items()
    before = getattr(rows[-1], column)
    rows[-1] = rows[-1].replace(**{column: cell})
    found = differences(season, season.replace(**{table: tuple(rows)}))
    assert found[["table", "column", "from", "to"]].to_numpy().tolist() == [[table, column, before, cell]]


def test_rows_in_another_order_are_the_same(season):
    turned = season.replace(price_list=season.price_list[::-1], targets=season.targets[::-1])
    assert differences(season, turned).empty


def test_two_customers_of_a_week_are_compared_each_with_himself(season):
    row = season.targets[0]
    both = [row, row.replace(channel="retail", target=10), *season.targets[1:]]
    other = [row.replace(channel="retail", target=12), *both[2:], row]
    found = differences(season.replace(targets=both), season.replace(targets=other)).to_numpy().tolist()
    assert found == [["targets", f"{row.variety}, {row.week}, retail", "target", 10, 12]]


def test_what_holds_for_all_and_rows_that_are_new_or_gone_are_named(season):
    other = season.replace(service_level=0.8, price_list=season.price_list[1:])
    found = differences(season, other).to_numpy().tolist()
    gone = season.price_list[0]
    name = f"{gone.lab}, {gone.variety}, {gone.form}, {gone.from_quantity}, {gone.first_week}"
    assert found == [["season", "", "service_level", 0.9, 0.8], ["price_list", name, "", "there", "not there"]]
    assert differences(other, season).to_numpy().tolist()[1] == ["price_list", name, "", "not there", "there"]


def test_stages_that_a_variety_got_of_its_own_are_compared_with_those_of_its_group(season):
    other = season.with_stage("Hosta 'Tellamarsh'", "acclimatisation", survival=0.9)
    expected = [["stages", "Hosta 'Tellamarsh', acclimatisation", "survival", 0.85, 0.9]]
    assert differences(season, other).to_numpy().tolist() == expected
    expected[0][3:] = [0.9, 0.85]
    assert differences(other, season).to_numpy().tolist() == expected


def test_remarks_do_not_count(season):
    rows = tuple(row.replace(note="seen", source="seen") for row in season.stages)
    assert differences(season, season.replace(stages=rows)).empty


def test_two_rows_of_one_name_are_distinguished(season):
    row = season.orders[0]
    one = season.replace(orders=(row, row.replace(quantity=100)))
    other = season.replace(orders=(row, row.replace(quantity=50)))
    found = differences(one, other).to_numpy().tolist()
    assert found == [["orders", f"{row.variety}, {row.week}, {row.lab}, 2", "quantity", 100, 50]]
