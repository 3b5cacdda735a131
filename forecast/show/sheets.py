"""The order sheet: what to send to which lab, and when what is due."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from datetime import date
from importlib.metadata import version
from io import BytesIO
from pathlib import Path
from typing import Any

import pandas as pd
from openpyxl import Workbook
from openpyxl.styles import Alignment, Font
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.properties import PageSetupProperties
from openpyxl.worksheet.worksheet import Worksheet

from forecast.errors import refuse
from forecast.files_out import write_texts
from forecast.io.csv_folder import csv_text, form_of
from forecast.planning.plan import Plan
from forecast.season.cells import shielded
from forecast.weeks import Week
from forecast.words import partner as words

_SHIPMENT = ["lab", "week", "monday"]
_PAID = ["price", "freight", "deposit", "balance"]
_MONEY = {*_PAID, "due_on_delivery", "total", "p5", "median", "p95", "more_cost", "more_income"}
_WHOLE = {"quantity", "plantlets", "orders", "deliveries", "target", "more_plants"}
_CHANCES = {"chance", "level", "promised", "promised_share"}
FORMATS = {
    **dict.fromkeys(_WHOLE, "#,##0"),
    **dict.fromkeys(_MONEY | {"boxes", "used", "available"}, "#,##0.00"),
    **dict.fromkeys(("sold", "short"), "#,##0.0"),
    **dict.fromkeys(_CHANCES, "0.00##"),
    **dict.fromkeys(("unit_price", "shadow_price"), "#,##0.00##"),
}
_LIKE_A_SIGN = re.compile("_(?=x[0-9A-Fa-f]{4}_)")
_WIDEST = 100  # characters; longer texts are wrapped
_EVERY = "all labs"


def order_sheet(plan: Plan) -> dict[str, pd.DataFrame]:
    """Return the sheets of the order, by name.

    Parameters
    ----------
    plan
        What to order, from `plan_orders`.

    Returns
    -------
    dict of DataFrame
        - orders: lab, week of delivery and its monday, variety, form, quantity [plantlets], boxes filled, unit_price,
          price, freight (its share of that of the delivery), deposit, deposit_due, balance, balance_due (with the
          freight), currency.
        - deliveries: likewise for all that one lab sends in one week, in whole boxes; due_on_delivery is balance and
          freight.
        - labs: likewise for each lab, and for all; total is price and freight.
        - targets: as `Plan.targets` gives them.
        - money: cash by the end of each week [currency]: p5, median and p95.
        - limits: as `Plan.limits` gives them.
        - notes: how the plan was found, how to read the sheets, and what they do not say.

    Raises
    ------
    Refused
        If the plan orders nothing.
    """
    if not plan.orders:
        raise refuse("plan", None, "nothing is ordered", "See why in the plan's text, and change the season.")
    orders, boxes = _orders(plan)
    deliveries = _summed(orders.rename(columns={"quantity": "plantlets"}), _SHIPMENT, "orders")
    deliveries["boxes"] = pd.array(boxes, dtype="Int64")
    deliveries = deliveries[[*_SHIPMENT, "orders", "plantlets", "boxes", *_PAID, "due_on_delivery", "currency"]]
    both = [_summed(rows, ["lab"], "deliveries") for rows in (deliveries, deliveries.assign(lab=_EVERY))]
    labs = pd.concat(both, ignore_index=True)
    labs = labs.assign(deposit_due=plan.season.first_week.monday, total=(labs["price"] + labs["freight"]).round(2))
    columns = ["lab", "deliveries", "plantlets", *_PAID[:3], "deposit_due", "balance", "due_on_delivery", "total"]
    cash = plan.cash_flow().table()
    found_with = words.made_with(version=version("forecast"), draws=plan.draws, seed=plan.seed, aim=plan.aim)
    notes = words.sheet_notes(
        season=plan.season.name, plan=str(plan), found_with=found_with, first_week=plan.season.first_week,
        currency=plan.season.currency, opening_cash=plan.season.opening_cash,
    )  # fmt: skip
    cash.insert(1, "monday", [Week.parse(week).monday for week in cash["week"]])
    return {
        "orders": orders,
        "deliveries": deliveries,
        "labs": labs[[*columns, "currency"]],
        "targets": plan.targets(),
        "money": cash.assign(currency=plan.season.currency),
        "limits": plan.limits(),
        "notes": pd.DataFrame(notes, columns=["about", "note"]),
    }


def write_order_sheet(plan: Plan, path: str | os.PathLike[str], *, overwrite: bool = False) -> None:
    """Write the order by lab and week of delivery, as a CSV file or a workbook.

    Parameters
    ----------
    plan
        What to order, from `plan_orders`.
    path
        The file. A name that ends in ``.xlsx`` gets all sheets of `order_sheet`; one in ``.csv`` the sheet of orders.
    overwrite
        Whether an existing file may be replaced.

    Raises
    ------
    Refused
        If the name ends otherwise, the file exists and `overwrite` is false, or nothing is ordered.

    Notes
    -----
    Names come from files that others may have written. One that a spreadsheet would run as a formula is a text in the
    workbook; a CSV file puts an apostrophe before it, as in all CSV files of this package.
    """
    file = Path(path)
    ending = file.suffix.lower()
    if ending not in (".csv", ".xlsx"):
        raise refuse("path", str(path), "neither a CSV file nor a workbook", "Let it end in .csv or .xlsx.")
    sheets = order_sheet(plan)
    orders = sheets["orders"]
    content = (
        workbook(sheets) if ending == ".xlsx" else csv_text(list(orders.columns), _cells(orders), form_of(file.parent))
    )
    write_texts({file.name: content}, file.parent, overwrite=overwrite)


def _orders(plan: Plan) -> tuple[pd.DataFrame, list[int | None]]:
    """Return the orders by lab, week and variety, and the whole boxes of each lab and week; None without boxes."""
    rows: list[tuple[Any, ...]] = []
    whole: dict[tuple[str, Week], int] = {}
    for one, price, deposit, balance, freight in sorted(plan.bill.in_cents(), key=lambda charge: charge.shipment.lab):
        line, week, box = one.line, one.week, one.box
        whole[one.lab, week] = sum(
            number for box, number in plan.bill.boxes.items() if (box.lab, box.week) == (one.lab, week)
        )
        filled = round(box.parts(one.quantity), 2) if box else None
        what = (one.lab, str(week), week.monday, one.variety, line.form or "", one.quantity, filled, line.unit_price)
        due = (deposit, plan.season.first_week.monday, balance, week.monday, plan.season.currency)
        rows.append((*what, price, freight, *due))
    columns = [*_SHIPMENT, "variety", "form", "quantity", "boxes", "unit_price", "price", "freight"]
    columns += ["deposit", "deposit_due", "balance", "balance_due", "currency"]
    return pd.DataFrame(rows, columns=columns).astype({"boxes": float}), [count or None for count in whole.values()]


def _summed(rows: pd.DataFrame, by: list[str], counted: str) -> pd.DataFrame:
    """Add up what rows have plants and money in, and count the rows."""
    groups = rows.groupby(by, as_index=False)
    sums = groups[["plantlets", *_PAID]].sum().round(dict.fromkeys(_PAID, 2))
    due = (sums["balance"] + sums["freight"]).round(2)
    return sums.assign(due_on_delivery=due, currency=rows["currency"].iloc[0], **{counted: groups.size()["size"]})


def workbook(sheets: Mapping[str, pd.DataFrame], formats: Mapping[str, Mapping[str, str]] | None = None) -> bytes:
    """Make an .xlsx file of tables by sheet; columns have the number formats of the order sheet, or those given."""
    book = Workbook()
    book.properties.creator = "forecast"
    book.remove(book.worksheets[0])
    for name, table in sheets.items():
        _fill(book.create_sheet(name), table, (formats or {}).get(name, FORMATS))
    content = BytesIO()
    book.save(content)
    return content.getvalue()


def escaped(text: str) -> str:
    """Return a text as a workbook's file holds it (ECMA-376, part 1, 22.9.2.19).

    A sign may be written as its number there, a carriage return as _x000D_; so a text that looks like it is escaped.
    """
    return _LIKE_A_SIGN.sub("_x005F_", text).replace("\r", "_x000D_")


def _fill(sheet: Worksheet, table: pd.DataFrame, formats: Mapping[str, str]) -> None:
    """Write a table into a sheet, with its header kept in sight."""
    rows = [list(table.columns), *_cells(table)]
    for number, row in enumerate(rows, start=1):
        for at, value in enumerate(row, start=1):
            cell = sheet.cell(number, at, value)
            if isinstance(value, str):
                cell.value = escaped(value)
                cell.data_type = "s"  # openpyxl takes a text that begins with = for a formula
                cell.quotePrefix = shielded(value) != value
                cell.alignment = Alignment(wrap_text=len(value) > _WIDEST, vertical="top")
            elif isinstance(value, date):
                cell.number_format = "yyyy-mm-dd"
            else:
                if isinstance(value, float):
                    cell.value = repr(float(value))  # openpyxl writes 16 digits of a number, and some need 17
                    cell.data_type = "n"
                cell.number_format = formats.get(rows[0][at - 1], "General")
            if number == 1 or row[0] == _EVERY:
                cell.font = Font(bold=True)
    for at, column in enumerate(zip(*rows, strict=True), start=1):
        widest = max(len(str(value)) for value in column if value is not None)
        sheet.column_dimensions[get_column_letter(at)].width = min(widest, _WIDEST) + 3
    sheet.freeze_panes = "A2"
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToHeight = 0
    sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)


def _cells(table: pd.DataFrame) -> list[list[Any]]:
    """Return the rows of a table as plain values; None where a cell is empty."""
    return [[None if pd.isna(cell) else cell for cell in row] for row in table.itertuples(index=False, name=None)]
