"""The plan as a workbook: the season comes back exactly, the figures are those of the calls, and names stay texts."""

import re
import zipfile
from datetime import date
from importlib.metadata import version
from pathlib import Path

import pandas as pd
import pytest
import small_seasons as small
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook
from refusals import refused

import forecast
from forecast import Refused
from forecast.planning.whole_order import plan_orders
from forecast.records.records import read_records
from forecast.season.cells import is_error
from forecast.season.season import TABLES
from forecast.show.plan_workbook import write_plan_workbook
from forecast.show.sheets import order_sheet
from forecast.words.partner import CAUTIONS, YOUR_ESTIMATE

DEMO = Path(__file__).parents[2] / "demo_data"
RESULTS = ["orders", "deliveries", "labs", "targets", "money", "limits", "saleable", "benches", "work", "moves"]
RESULTS += ["notes"]


@pytest.fixture(scope="module")
def book(demo_plan, tmp_path_factory):
    file = tmp_path_factory.mktemp("plan") / "plan.xlsx"
    write_plan_workbook(demo_plan, file)
    return file


def changed(book, folder, change):
    made = load_workbook(book)
    change(made)
    made.save(folder / "changed.xlsx")
    return folder / "changed.xlsx"


def back(season, folder):
    write_plan_workbook(season, folder / "season.xlsx", overwrite=True)
    return forecast.read_season(folder / "season.xlsx")


def test_the_season_comes_back_exactly(demo_plan, book):
    assert forecast.read_season(book) == demo_plan.season


def test_both_demo_seasons_and_that_of_a_folder_are_the_same(tmp_path):
    for folder in (DEMO, DEMO / "season_2026"):
        season = forecast.read_season(folder)
        assert back(season, tmp_path) == season
        forecast.write_season(back(season, tmp_path), tmp_path / "folder", overwrite=True)
        assert forecast.read_season(tmp_path / "folder") == season


def test_a_learned_season_comes_back_as_a_plain_one(tmp_path):
    learned = forecast.learn(forecast.read_season(DEMO), read_records(DEMO))
    assert back(learned, tmp_path) == learned.replace()


def test_a_number_of_seventeen_digits_comes_back(tmp_path):
    season = small.season([small.stage(cost=0.1 + 0.2)], targets=[{"variety": "A", "week": "2027-W20", "target": 5}])
    assert back(season, tmp_path).stages[0].cost == 0.30000000000000004


@settings(max_examples=40, deadline=None)
@given(
    shares=st.tuples(st.floats(0.01, 1), st.floats(1e-4, 1)),
    amounts=st.tuples(st.floats(1e-6, 1e9), st.floats(0, 1e9), st.floats(-40, 40)),
    number=st.integers(1, 10**9),
)
@pytest.mark.filterwarnings("ignore:[0-9]+ entr")
def test_every_number_comes_back_exactly(shares, amounts, number, tmp_path_factory):
    held, paid, warmth = amounts
    row = small.stage(survival=shares[0], plants_per_m2=held, cost=paid)
    season = small.season(
        [row],
        price_list=[small.offer(deposit=shares[1], unit_price=paid, minimum=number)],
        targets=[{"variety": "A", "week": "2027-W20", "target": number}],
        places=[{"place": "house", "area": held, "usable": shares[1], "held_above": warmth}],
        budget=held,
    )
    assert back(season, tmp_path_factory.mktemp("numbers")) == season


WORDS = st.text(st.characters(exclude_categories=("Cc", "Cs"), exclude_characters="\ufffe\uffff"), max_size=30).filter(
    lambda text: not is_error(text.strip())
)
NAMES = WORDS.filter(lambda text: text.strip() and not text.strip().startswith("#"))
NOTES = st.text(st.sampled_from("=+-@'\"<>&;,_x000D\r\n\t aé🌱#"), max_size=20).filter(
    lambda text: not is_error(text.strip())
)


@settings(max_examples=60, deadline=None)
@given(name=NAMES, lab=NAMES, title=WORDS.filter(str.strip), note=NOTES)
def test_every_text_comes_back_exactly(name, lab, title, note, tmp_path_factory):
    season = small.season(
        [small.stage(note=note)],
        varieties=[f"{name} variety"],
        price_list=[small.offer(f"{name} variety", lab=lab, note=note)],
        targets=[{"variety": f"{name} variety", "week": "2027-W20", "target": 5, "note": note}],
        name=title,
    )
    assert back(season, tmp_path_factory.mktemp("texts")) == season


TEXTS = ['=HYPERLINK("x")', "+1", "-2", "@A1", "'=1", "007", "1e5", "TRUE", "2027-03-01"]
TEXTS += ["_x000D_", "_x005F_x0041_x0042_", "a\r\nb\rc\nd"]


@pytest.mark.parametrize("text", TEXTS)
def test_texts_that_look_like_something_else_come_back(tmp_path, text):
    """Numbers, dates, formulas, and signs written by their number (ECMA-376, part 1, 22.9.2.19)."""
    target = [{"variety": "A", "week": "2027-W20", "target": 5, "note": text}]
    season = small.season([small.stage()], price_list=[small.offer(lab=text.split("\r")[0])], targets=target)
    assert back(season, tmp_path) == season


def test_names_that_a_spreadsheet_would_run_are_texts_on_every_sheet(tmp_path):
    name, lab = "<script>alert(1)</script>", '=HYPERLINK("x")'
    stages = [small.stage("@s", typical=4, place="-p", source="+1+1", survival=0.999)]
    season = small.season(
        stages,
        varieties=[name],
        price_list=[small.offer(name, lab=lab)],
        targets=[{"variety": name, "week": "2027-W20", "target": 20}],
        places=[{"place": "-p", "area": 100, "usable": 1}],
        name="=1+1",
    )
    season = season.replace(varieties=tuple(row.replace(sale_price=9) for row in season.varieties))
    made = plan_orders(season, draws=64, seed=1)
    write_plan_workbook(made, tmp_path / "plan.xlsx")
    assert forecast.read_season(tmp_path / "plan.xlsx") == season
    found = load_workbook(tmp_path / "plan.xlsx")
    for sheet in found:
        for cell in (cell for row in sheet for cell in row if isinstance(cell.value, str)):
            assert cell.data_type == "s"
            assert cell.quotePrefix == (cell.value[:1] in "=+-@")
            assert cell.hyperlink is None
    assert {cell.value for row in found["result orders"] for cell in row} >= {name, lab}
    with zipfile.ZipFile(tmp_path / "plan.xlsx") as archive:
        for part in archive.namelist():
            data = archive.read(part)
            assert not re.search(rb"<(\w+:)?f[ >/]", data)  # a formula
            assert b"<script" not in data


def test_results_are_not_read_back(demo_plan, book, tmp_path):
    def change(made):
        for name in RESULTS:
            made[f"result {name}"]["A2"] = "=1/0"
            made[f"result {name}"].sheet_state = "hidden"
        made["assumptions"].delete_rows(1, 50)

    assert forecast.read_season(changed(book, tmp_path, change)) == demo_plan.season


def test_the_orders_of_the_plan_are_not_taken_for_those_of_the_season(demo_plan, book, tmp_path):
    found = forecast.read_season(changed(book, tmp_path, lambda made: made.remove(made["orders"])))
    assert found == demo_plan.season.replace(orders=())


def test_what_is_changed_in_a_table_is_read(demo_plan, book, tmp_path):
    def change(made):
        column = {cell.value: cell.column for cell in made["stages"][1]}["survival"]
        made["stages"].cell(3, column, 0.5)

    found = forecast.read_season(changed(book, tmp_path, change))
    assert found.stages[1].survival == 0.5
    assert found.replace(stages=demo_plan.season.stages) == demo_plan.season


def at(sheet, cell, value):
    def change(made):
        made[sheet][cell] = value

    return change


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (at("season", "A2", "EURO"), "sheet season, row 2, column currency, 'EURO': not a currency code."),
        (at("season", "A3", "USD"), "sheet season, row 3: more than one row. Keep one."),
        (at("season", "A1", "money"), "sheet season, row 1, column currency: the column is missing. Add it to"),
        (at("price_list", "E2", "dear"), "sheet price_list, row 2, column unit_price, 'dear': not a number."),
        (at("targets", "A2", "Hosta"), "sheet targets, row 2, column variety, 'Hosta': "),
        (lambda made: made.remove(made["stages"]), "sheet stages"),
        (lambda made: made.remove(made["season"]), "sheet season"),
        (lambda made: made["season"].delete_rows(2), "sheet season: "),
        (lambda made: setattr(made["places"], "sheet_state", "hidden"), "sheet places: a hidden sheet."),
    ],
)
def test_a_fault_is_reported_with_its_sheet_and_cell(book, tmp_path, change, line):
    told = refused(forecast.read_season, changed(book, tmp_path, change)).splitlines()
    assert any(line in one for one in told)
    assert all(one.startswith("changed.xlsx") for one in told)


def test_faults_of_all_sheets_are_reported_at_once(book, tmp_path):
    def change(made):
        made["season"]["C2"] = -1
        made["places"]["B2"] = 0
        made["varieties"]["D3"] = "x"

    told = refused(forecast.read_season, changed(book, tmp_path, change)).splitlines()
    assert [one.split(",")[1].strip() for one in told] == ["sheet season", "sheet varieties", "sheet places"]


def test_no_workbook_is_refused_with_what_would_do(tmp_path):
    (tmp_path / "text.xlsx").write_text("name,week", encoding="utf-8")
    remedy = "Give the folder that holds season.toml, or an .xlsx workbook."
    said = refused(forecast.read_season, tmp_path / "none.xlsx")
    assert said.endswith(f"there is no such folder or workbook. {remedy}")
    assert refused(forecast.read_season, tmp_path / "text.xlsx") == f"text.xlsx: not a workbook. {remedy}"


def test_every_result_is_that_of_its_call(demo_plan, book):
    read = pd.read_excel(book, sheet_name=None, keep_default_na=False)
    work = forecast.hours_of_work(demo_plan.simulate())
    results = {
        **{name: table for name, table in order_sheet(demo_plan).items() if name != "notes"},
        "saleable": demo_plan.simulate().table(),
        "benches": forecast.bench_space(demo_plan.simulate()).table(),
        "work": work.table(),
        "moves": work.by_stage,
    }
    filled = [name for name in TABLES if getattr(demo_plan.season, name)]
    assert list(read) == ["season", *filled, "assumptions", *(f"result {name}" for name in RESULTS)]
    for name, table in results.items():
        found = read[f"result {name}"]
        assert len(found) == len(table) > 0
        for column in table:
            values = [value.date() if isinstance(value, pd.Timestamp) else value for value in found[column]]
            assert values == table[column].astype(object).where(table[column].notna(), "").tolist()


def test_each_week_is_beside_its_monday(book):
    for name in ("targets", "saleable", "benches", "work", "moves", "money", "orders", "deliveries"):
        table = pd.read_excel(book, sheet_name=f"result {name}")
        for week, monday in zip(table["week"], table["monday"], strict=True):
            year, number = week.split("-W")
            assert monday.date() == date.fromisocalendar(int(year), int(number), 1)


def test_headers_stay_in_sight_and_numbers_have_their_format(book):
    made = load_workbook(book)
    for sheet in made:
        assert sheet.freeze_panes == "A2"
        assert all(cell.font.bold for cell in sheet[1])
        assert all(sheet.column_dimensions[cell.column_letter].width > len(str(cell.value)) for cell in sheet[1])
    shown = {
        (sheet, cell.value): made[sheet].cell(2, cell.column).number_format
        for sheet in made.sheetnames
        for cell in made[sheet][1]
    }
    assert shown["result saleable", "p5"] == shown["result moves", "median"] == "#,##0"
    assert shown["result benches", "p5"] == shown["result work", "p95"] == shown["result money", "p5"] == "#,##0.00"
    assert shown["result benches", "overrun"] == shown["result targets", "chance"] == "0.00##"
    assert shown["result saleable", "monday"] == "yyyy-mm-dd"
    assert shown["price_list", "deposit"] == shown["stages", "survival"] == "General"


def test_every_rate_is_an_assumption_with_its_source(demo_plan, book):
    table = pd.read_excel(book, sheet_name="assumptions", keep_default_na=False).set_index(["about", "what"])
    for row in demo_plan.season.stages:
        survival = table.loc[(row.applies_to, f"{row.stage}: survival")]
        assert survival.tolist() == [str(row.stated), str(row.survival_level), YOUR_ESTIMATE, row.source]
        assert ((row.applies_to, f"{row.stage}: time") in table.index) == (row.typical > 0)
        if row.typical:
            time = table.loc[(row.applies_to, f"{row.stage}: time")]
            assert time.tolist() == [str(row.duration), str(row.time_level), YOUR_ESTIMATE, row.source]
        assert ((row.applies_to, f"{row.stage}: heat") in table.index) == (row.heat_above is not None)
    for row in demo_plan.season.cultures:
        assert table.loc[(row.variety, "culture: rooting")].tolist()[0] == str(row.rooted())
    for row in demo_plan.season.divisions:
        assert table.loc[(row.variety, "division: survival")].tolist()[-1] == row.source
    assert "World Meteorological Organization" in table.loc[(demo_plan.season.location, "weather")]["source"]
    (made,) = table.xs("made with", level="what")["assumed"]
    assert made == f"forecast {version('forecast')}, 128 simulated seasons, seed 1, aim margin"


def test_what_was_learned_is_reported_as_learned(tmp_path):
    learned = forecast.learn(forecast.read_season(DEMO), read_records(DEMO).until("2025-10-01"))
    write_plan_workbook(learned, tmp_path / "plan.xlsx")
    table = pd.read_excel(tmp_path / "plan.xlsx", sheet_name="assumptions").set_index(["about", "what"])
    said = {
        name: f"learned from {one}" for name, one in (("records", "its own records"), ("group", "records of its group"))
    }
    said["estimate"] = YOUR_ESTIMATE
    for line in learned.table().to_dict("records"):
        own = any(row.applies_to == line["variety"] for row in learned.stages)  # else a group of guesses keeps its rows
        about = line["variety"] if own else learned.variety(line["variety"]).group
        key = (about, f"{line['stage']}: {line['what']}")
        assert table.loc[key, "based_on"] == said[line["based_on"]]
    assert set(learned.table()["based_on"]) == said.keys()


def test_a_survival_of_the_original_number_is_reported_as_such_and_a_missing_source_too(tmp_path):
    season = small.season([small.stage(share_of="original")])
    write_plan_workbook(season, tmp_path / "plan.xlsx")
    table = pd.read_excel(tmp_path / "plan.xlsx", sheet_name="assumptions").set_index("what")
    assert table.loc["acclimatisation: survival", "assumed"] == f"{season.stages[0].stated}, of the original number"
    assert table.loc["acclimatisation: survival", "source"] == "none given"


def test_a_season_alone_has_no_results(tmp_path):
    season = small.season([small.stage()], targets=[{"variety": "A", "week": "2027-W20", "target": 5}])
    write_plan_workbook(season, tmp_path / "season.xlsx")
    names = ["season", "varieties", "stages", "places", "price_list", "targets", "assumptions"]
    assert load_workbook(tmp_path / "season.xlsx").sheetnames == names
    assert forecast.read_season(tmp_path / "season.xlsx") == season


def test_an_outcome_whose_money_cannot_be_counted_says_why(tmp_path):
    target = [{"variety": "A", "week": "2027-W20", "target": 5}]
    season = small.season([small.stage(typical=4)], targets=target)
    outcome = forecast.simulate(season, [("A", "2027-W05", 10)], draws=16, seed=1)
    write_plan_workbook(outcome, tmp_path / "plan.xlsx")
    read = pd.read_excel(tmp_path / "plan.xlsx", sheet_name=None)
    assert "result money" not in read
    notes = read["result notes"].groupby("about")["note"].apply(list)
    (said,) = notes["money"]
    assert said.startswith("No money shown. varieties, row 2, column sale_price: ")
    assert notes["please note"] == list(CAUTIONS)
    assert read["result orders"][["variety", "week", "quantity"]].to_numpy().tolist() == [["A", "2027-W05", 10]]


def test_a_running_season_has_its_forecast_and_no_money(tmp_path):
    season = forecast.read_season(DEMO / "season_2026")
    now = forecast.reforecast(season, read_records(DEMO), on_date="2026-05-01", draws=16, seed=1)
    write_plan_workbook(now.outcome, tmp_path / "plan.xlsx")
    assert forecast.read_season(tmp_path / "plan.xlsx") == season
    assert pd.read_excel(tmp_path / "plan.xlsx", sheet_name="result targets")["chance"].tolist() == (
        now.outcome.targets()["chance"].tolist()
    )


@pytest.mark.parametrize(
    ("note", "told"),
    [
        ("a" * 32_768, "longer than the 32,767 characters of a cell. Shorten it."),
        ("\r" + "_x0041_" * 2_521 + "\ra", "longer than the 32,767 characters of a cell. Shorten it."),
        ("a\uffffb", "no text that a workbook can keep. Write it otherwise."),
    ],
)
def test_a_text_that_a_workbook_cannot_keep_is_refused(tmp_path, note, told):
    season = small.season([small.stage(note=f"{note}")], price_list=[small.offer(note=f"{note}")])
    with pytest.raises(Refused) as caught:
        write_plan_workbook(season, tmp_path / "season.xlsx")
    where = [(fault.table, fault.row, fault.column) for fault in caught.value.faults]
    assert where == [("stages", 1, "note"), ("price_list", 1, "note")]
    assert all(line.endswith(told) for line in str(caught.value).splitlines())
    assert list(tmp_path.iterdir()) == []


def test_the_longest_text_comes_back(tmp_path):
    offers = [small.offer(note="a" * 32_767)]
    target = [{"variety": "A", "week": "2027-W20", "target": 5}]
    season = small.season([small.stage()], price_list=offers, targets=target)
    assert back(season, tmp_path) == season
