"""demo_data/TABLES.md is what the rows of the code say today, and the rows do what it says."""

import re

import pytest
from tables import PAGE, ROWS, page, table

from forecast import Refused
from forecast.rates.by_cycle import ByCycle
from forecast.season.season import Season
from forecast.starter.columns import cell_of

README = PAGE.parents[1] / "README.md"
COLUMNS = [(name, *row) for name in ROWS for row in table(name)]
NUMBERS = [row for row in COLUMNS if cell_of(ROWS[row[0]], row[1].strip("`")).kind in (int, float, ByCycle)]


def _ids(row):
    return f"{row[0]} {row[1].strip('`')}"


def accepts(name, column, value):
    """Whether a cell is accepted by itself."""
    return column in vars(ROWS[name].part({column: value}, set()))


def test_the_page_is_what_the_rows_say_today():
    assert PAGE.read_text(encoding="utf-8") == page(), "python tests/tables.py writes it anew"


@pytest.mark.parametrize("name", ROWS)
def test_every_column_is_explained_once(name):
    columns = [row[0].strip("`") for row in table(name)]
    assert sorted([*columns, "note"]) == sorted(ROWS[name].model_fields)
    assert all(meaning and empty for _, meaning, _, _, _, empty, _ in table(name))


def _probes(said):
    """Return numbers that lie within what a column is said to accept, and numbers that do not."""
    said = said.removeprefix("one or more numbers, ").replace("−", "-").replace(",", "")
    whole, said = said.startswith("whole number"), said.removeprefix("whole number ")
    ends = re.fullmatch(
        r"(?P<above>above )?(?P<low>[-\d.]+)(?: to (?P<below>below )?(?P<high>[\d.]+))?(?P<open> or more)?", said
    )
    low, high = float(ends["low"]), float(ends["high"] or 1e9)
    step = 1 if whole else 1e-9 if ends["above"] is None and ends["high"] else 1
    inside = [(low + high) / 2 if not whole else int(low + high) // 2]
    outside = [low - step, high + max(step, high * 1e-9)]
    (outside if ends["above"] else inside).append(low)
    (outside if ends["below"] else inside).append(high)
    return inside, outside


BESIDE = {("stages", "typical"), ("season.toml", "opening_cash"), ("stages", "survival"), ("stages", "survived")}
BOUNDED = [row for row in NUMBERS if (row[0], row[1].strip("`")) not in BESIDE]


@pytest.mark.parametrize("row", BOUNDED, ids=_ids)
def test_a_number_is_accepted_just_where_the_page_says(row):
    inside, outside = _probes(row[4])
    name, column = row[0], row[1].strip("`")
    assert [value for value in inside if not accepts(name, column, value)] == []
    assert [value for value in outside if accepts(name, column, value)] == []


def test_most_columns_hold_numbers_and_all_of_their_bounds_are_tried():
    assert len(BOUNDED) > 90


def test_other_cells_of_a_stage_narrow_its_numbers_as_the_page_says(demo: Season):
    timed = next(row for row in demo.stages if row.runs_on == "weeks" and row.typical and row.survival)
    heated = next(row for row in demo.stages if row.runs_on == "degree-days")
    counted = next(row for row in demo.stages if row.survived)
    assert timed.replace(typical=520).typical == 520
    assert heated.replace(typical=50_000).typical == 50_000
    assert counted.replace(survived=1).survived == 1
    assert timed.replace(survival=1, survival_sd=0).survival == 1
    for row, column, value in (
        (timed, "typical", 521), (heated, "typical", 50_001), (counted, "survived", 0), (timed, "survival", 0),
        (timed, "survival", 1.01), (timed, "typical", -1),
    ):  # fmt: skip
        with pytest.raises(Refused):
            row.replace(**{column: value})


@pytest.mark.parametrize("row", [row for row in COLUMNS if row[7]], ids=_ids)
def test_an_example_is_accepted(row):
    assert accepts(row[0], row[1].strip("`"), row[7])


@pytest.mark.parametrize("name", ROWS)
def test_what_is_required_cannot_be_left_out_and_all_else_can(name):
    kind = ROWS[name]
    required = {row[0].strip("`") for row in table(name) if row[5] == "required"}
    with pytest.raises(Refused) as caught:
        kind()
    lacking = {fault.column for fault in caught.value.faults if "required" in fault.problem}
    assert required <= lacking
    assert lacking - required <= {row[0].strip("`") for row in table(name) if row[5].startswith("required, unless")}


def test_the_readme_and_the_demo_lead_to_the_page():
    assert f"demo_data/{PAGE.name}" in README.read_text(encoding="utf-8")
    assert f"({PAGE.name})" in (PAGE.parent / "README.md").read_text(encoding="utf-8")
