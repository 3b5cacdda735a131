"""The order sheet: the plan's orders to the plant and the cent, and harmless whatever the files hold."""

import math
from collections import defaultdict
from datetime import date

import pandas as pd
import pytest
import small_seasons as small
from openpyxl import load_workbook

from forecast.planning.whole_order import plan_orders
from forecast.show.sheets import order_sheet, write_order_sheet
from forecast.words.partner import CAUTIONS


@pytest.fixture(scope="module")
def sheets(demo_plan):
    return order_sheet(demo_plan)


@pytest.fixture(scope="module")
def book(demo_plan, tmp_path_factory):
    file = tmp_path_factory.mktemp("sheet") / "order.xlsx"
    write_order_sheet(demo_plan, file)
    return file


def planned(rows, *, price_list=None, **varieties):
    """A plan of plants that all live and sell for 9; varieties in `rows` with the number wanted of each."""
    target = [{"variety": name, "week": "2027-W20", "target": number} for name, number in rows.items()]
    lines = price_list or [small.offer(name) for name in rows]
    season = small.season([small.stage(survival=0.999)], varieties=list(rows), price_list=lines, targets=target)
    priced = tuple(row.replace(**{"sale_price": 9, **varieties}) for row in season.varieties)
    return plan_orders(season.replace(varieties=priced, split_gain=5), draws=64, seed=1)


def test_the_orders_read_back_are_those_of_the_plan(demo_plan, sheets, book, tmp_path):
    write_order_sheet(demo_plan, tmp_path / "order.csv")
    said = demo_plan.table().sort_values(["lab", "week", "variety"], ignore_index=True)
    for found in (sheets["orders"], pd.read_excel(book, sheet_name="orders"), pd.read_csv(tmp_path / "order.csv")):
        pd.testing.assert_frame_equal(found[list(said.columns)], said, check_dtype=False)
    ordered = sorted((row.lab, str(row.week), row.variety, row.quantity) for row in demo_plan.orders)
    rows = sheets["orders"][["lab", "week", "variety", "quantity"]]
    assert list(rows.itertuples(index=False, name=None)) == ordered


def test_every_sheet_reads_back_as_it_was_made(sheets, book):
    read = pd.read_excel(book, sheet_name=None, keep_default_na=False)
    assert list(read) == ["orders", "deliveries", "labs", "targets", "money", "limits", "notes"]
    for name, table in sheets.items():
        dates = [column for column in table if isinstance(table[column].iloc[0], date)]
        found = read[name].assign(**{column: [day.date() for day in read[name][column]] for column in dates})
        filled = table.astype(object).where(table.notna(), "")
        pd.testing.assert_frame_equal(found.astype(object), filled, check_dtype=False)


def test_deposits_balances_and_freight_are_what_the_cash_counts(demo_plan, sheets):
    """`cash_flow` finds the offers by itself, from the orders alone."""
    orders, entries = sheets["orders"], demo_plan.cash_flow().entries()
    for what, week in (("balance", "week"), ("freight", "week"), ("deposit", None)):
        found = orders.groupby(["lab", "variety", *([week] if week else [])])[what].sum()
        paid = -entries[entries["what"] == what].groupby(["lab", "variety", *([week] if week else [])])["amount"].sum()
        pd.testing.assert_series_equal(found[found > 0], paid, check_names=False, atol=0.011)
    assert sheets["money"]["median"].iloc[0] == pytest.approx(-orders["deposit"].sum(), abs=0.01)


def test_boxes_are_whole_and_shared_by_what_a_lab_sends_in_a_week(demo_plan, sheets):
    filled = defaultdict(int)
    for row in sheets["orders"].itertuples():
        (offer,) = {
            (offer.freight_per_box, offer.plants_per_box)
            for offer in demo_plan.season.price_lines(row.variety)
            if (offer.lab, offer.form) == (row.lab, row.form)
        }
        filled[row.lab, row.week, *offer] += row.quantity
    boxes, freight = defaultdict(int), defaultdict(float)
    for (lab, week, each, size), plants in filled.items():
        boxes[lab, week] += math.ceil(plants / size)
        freight[lab, week] += math.ceil(plants / size) * each
    for row in sheets["deliveries"].itertuples():
        assert (row.boxes, row.freight) == (boxes[row.lab, row.week], pytest.approx(freight[row.lab, row.week]))
    assert len(boxes) == len(sheets["deliveries"])


def test_two_orders_that_fit_one_box_pay_for_one_to_the_cent():
    """30, 30 and 30 of 90 to a box of 10: a third each, and the cents add up."""
    boxed = {"freight_per_box": 10, "plants_per_box": 90, "minimum": 30, "multiple": 30, "last_week": small.FIRST}
    made = planned(dict.fromkeys("ABC", 25), price_list=[small.offer(name, **boxed) for name in "ABC"])
    sheets = order_sheet(made)
    assert sheets["orders"]["quantity"].tolist() == [30, 30, 30]
    assert sorted(sheets["orders"]["freight"]) == [3.33, 3.33, 3.34]
    assert sheets["orders"]["boxes"].tolist() == [0.33, 0.33, 0.33]
    (delivery,) = sheets["deliveries"].to_dict("records")
    assert (delivery["orders"], delivery["plantlets"], delivery["boxes"], delivery["freight"]) == (3, 90, 1, 10)


def test_sums_of_labs_are_those_of_their_orders(sheets):
    orders, labs = sheets["orders"], sheets["labs"].set_index("lab")
    for lab, rows in [*orders.groupby("lab"), ("all labs", orders)]:
        for column in ("price", "freight", "deposit", "balance"):
            assert labs[column][lab] == pytest.approx(rows[column].sum(), abs=0.005)
        assert labs["plantlets"][lab] == rows["quantity"].sum()
        assert labs["deliveries"][lab] == len(rows[["lab", "week"]].drop_duplicates())
        assert labs["total"][lab] == pytest.approx(labs["deposit"][lab] + labs["due_on_delivery"][lab], abs=0.005)
    assert list(labs.index)[-1] == "all labs"


def test_deposits_are_due_on_the_first_monday_and_balances_on_that_of_the_delivery(demo_plan, sheets):
    first = demo_plan.season.first_week
    for row in sheets["orders"].itertuples():
        year, week = row.week.split("-W")
        assert row.monday == row.balance_due == date.fromisocalendar(int(year), int(week), 1)
        assert row.deposit_due == date.fromisocalendar(first.year, first.week, 1)
        assert row.deposit + row.balance == pytest.approx(row.price, abs=0.001)
    assert set(sheets["labs"]["deposit_due"]) == {first.monday}


def test_money_and_limits_are_those_of_the_plan(demo_plan, sheets):
    pd.testing.assert_frame_equal(sheets["money"][["week", "p5", "median", "p95"]], demo_plan.cash_flow().table())
    pd.testing.assert_frame_equal(sheets["limits"], demo_plan.limits())


def test_notes_say_seed_draws_version_and_every_caution(demo_plan, sheets):
    notes = sheets["notes"]
    (found,) = notes[notes["about"] == "found with"]["note"]
    assert found == "forecast 0.1.0, 128 simulated seasons, seed 1, aim margin"
    assert notes[notes["about"] == "please note"]["note"].tolist() == list(CAUTIONS)
    assert notes[notes["about"] == "plan"]["note"].tolist() == str(demo_plan).splitlines()


def test_headers_stay_in_sight_columns_are_wide_enough_and_numbers_have_their_format(book):
    made = load_workbook(book)
    for sheet in made:
        assert sheet.freeze_panes == "A2"
        assert all(cell.font.bold for cell in sheet[1])
        for column in sheet.columns:
            texts = [str(cell.value.date() if cell.is_date else cell.value or "") for cell in column]
            assert sheet.column_dimensions[column[0].column_letter].width >= min(max(map(len, texts)), 100)
    formats = {cell.value: made["orders"].cell(2, cell.column).number_format for cell in made["orders"][1]}
    assert (formats["quantity"], formats["price"], formats["monday"]) == ("#,##0", "#,##0.00", "yyyy-mm-dd")
    assert formats["unit_price"] == "#,##0.00##"


def test_names_that_a_spreadsheet_would_run_are_texts(tmp_path):
    names = ["=1+1", "+A", "-B", "@C"]
    made = planned(
        dict.fromkeys(names, 20), price_list=[small.offer(name, lab="=cmd|' /C calc'!A0", form="@f") for name in names]
    )
    write_order_sheet(made, tmp_path / "order.xlsx")
    write_order_sheet(made, tmp_path / "order.csv")
    orders = load_workbook(tmp_path / "order.xlsx")["orders"]
    for row in orders.iter_rows(min_row=2):
        for cell in row[:1] + row[3:5]:
            assert cell.data_type == "s"
            assert cell.quotePrefix
    assert {row[3].value for row in orders.iter_rows(min_row=2)} == set(names)
    assert not any(
        cell.data_type == "f" for sheet in load_workbook(tmp_path / "order.xlsx") for row in sheet for cell in row
    )
    read = pd.read_csv(tmp_path / "order.csv")
    assert set(read["variety"]) == {f"'{name}" for name in names}
    assert set(read["lab"]) == {"'=cmd|' /C calc'!A0"}
    assert set(read["form"]) == {"'@f"}


def test_without_boxes_there_is_no_number_of_boxes(tmp_path):
    made = planned({"A": 20})
    sheets = order_sheet(made)
    assert sheets["orders"]["boxes"].isna().all()
    assert sheets["deliveries"]["boxes"].isna().all()
    assert sheets["orders"]["freight"].tolist() == [0]
    write_order_sheet(made, tmp_path / "order.xlsx")
    assert pd.read_excel(tmp_path / "order.xlsx", sheet_name="deliveries")["boxes"].isna().all()
