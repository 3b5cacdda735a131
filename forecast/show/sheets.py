"""The order sheet: what to send to which lab, and when what is due."""

from __future__ import annotations

import os
from collections.abc import Mapping
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pandas as pd

from forecast.errors import refuse
from forecast.files_out import check_free, write_texts
from forecast.io.csv_folder import csv_text, form_of
from forecast.io.workbook_out import WorkbookOut
from forecast.planning.plan import Plan
from forecast.season.consistency import unpriced
from forecast.weeks import Week
from forecast.words import partner as words
from forecast.workbooks.sheets import Column, Page

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
        - money: cash by the end of each week [currency]: p5, median and p95; not without sale prices.
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
    found_with = words.made_with(version=version("forecast"), draws=plan.draws, seed=plan.seed, aim=plan.aim)
    notes = words.sheet_notes(
        season=plan.season.name, plan=str(plan), found_with=found_with, first_week=plan.season.first_week,
        currency=plan.season.currency, opening_cash=plan.season.opening_cash,
    )  # fmt: skip
    return {
        "orders": orders,
        "deliveries": deliveries,
        "labs": labs[[*columns, "currency"]],
        "targets": plan.targets(),
        **_money(plan),
        "limits": plan.limits(),
        "notes": pd.DataFrame(notes, columns=["about", "note"]),
    }


def _money(plan: Plan) -> dict[str, pd.DataFrame]:
    """Return the sheet of cash by its name; none if a variety with a target has no sale price."""
    if unpriced(plan.season.varieties, plan.season.targets):
        return {}
    cash = plan.cash_flow().table()
    cash.insert(1, "monday", [Week.parse(week).monday for week in cash["week"]])
    return {"money": cash.assign(currency=plan.season.currency)}


def write_order_sheet(plan: Plan, path: str | os.PathLike[str], *, overwrite: bool = False) -> None:
    """Write the order by lab and week of delivery, as a CSV file or a workbook.

    Parameters
    ----------
    plan
        What to order, from `plan_orders`.
    path
        The file. A name that ends in ``.xlsx`` gets all sheets of `order_sheet`; one in ``.csv`` the sheet of orders.
    overwrite
        Whether an existing file may be replaced; of a workbook, the rows of these sheets.

    Raises
    ------
    Refused
        If the name ends otherwise, the file exists and `overwrite` is false, one of the sheets holds something else,
        anything in it would be lost, or nothing is ordered.

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
    if ending == ".xlsx":
        check_free((file.name,), file.parent, overwrite=overwrite)
        book = WorkbookOut(file, overwrite=overwrite)
        put_tables(book, sheets)
        book.write()
        return
    orders = sheets["orders"]
    content = csv_text(list(orders.columns), _cells(orders), form_of(file.parent))
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


def put_tables(
    book: WorkbookOut,
    sheets: Mapping[str, pd.DataFrame],
    formats: Mapping[str, Mapping[str, str]] | None = None,
    *,
    ours: bool = False,
) -> None:
    """Put tables into sheets of a workbook; columns have the number formats of the order sheet, or those given.

    `ours` says that sheets of these names hold nothing else, whatever their headings are.
    """
    for name, table in sheets.items():
        known = (formats or {}).get(name, FORMATS)
        columns = tuple(Column(str(one), format=known.get(str(one), "General")) for one in table.columns)
        page = Page(columns, _cells(table), bold=lambda row: row[0] == _EVERY)
        book.put_result(name, page, ours=ours)


def _cells(table: pd.DataFrame) -> list[list[Any]]:
    """Return the rows of a table as plain values; None where a cell is empty."""
    return [[None if pd.isna(cell) else cell for cell in row] for row in table.itertuples(index=False, name=None)]
