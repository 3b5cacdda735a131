"""What the command line prints."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

from forecast.weeks import Week
from forecast.words.numbers import counted, dated, seasons

ABOUT = "How many plantlets to order, and why."
START = "write a small season to begin with, its records, and the notebooks"
CHECK = "read a season and list every problem in it"
ORDER = "size an order for every target: on-time chance, cost, and whether it fits the benches"
REPORT = "write the whole order plan as one page for a partner"
OVERWRITE = "replace existing files"
ORDERS_OUT = "folder to write orders.csv and order_table.csv into"
PAGE_OUT = "page to write, such as order.html"
PDF = "also print the page into a PDF, with an installed Chromium"
AIM = "margin: greatest expected margin; cost: every target at its service level for the least cost"
SEED = "seed of the simulated seasons (default: that of season.toml)"
NO_PAGE = "No page was written."
DRAWS = "simulated seasons (default: {})"
NO_OUTPUT = "The output cannot be written: {reason}."
NO_TIME = "takes no time"
STAGE = "  {name}: {time}. Survival: {survival}."
ORDER_TITLE = "{season}: what to order, from {draws:,} simulated seasons, seed {seed}. Money in {currency}."
WRITTEN = "Written to {folder}: {files}."
COLUMNS = {
    "variety": "variety",
    "lab": "lab",
    "week": "delivery",
    "quantity": "order qty",
    "target": "needed",
    "by": "ready by",
    "chance": "on-time chance",
    "by_average": "order by average",
    "chance_by_average": "its on-time chance",
    "cost": "cost",
}
"""Columns of an order that are printed, and their headings."""


def started(folder: Path) -> str:
    """Return what to do after the start."""
    return (
        f"Written to {folder}. Fill in your own figures, then: python -m forecast order {folder}\n"
        f"The same with charts, and more: jupyter lab {folder / 'notebooks'}, starting with notebook 1."
    )


def problems(number: int, *, writes: bool) -> str:
    """Return how many problems a command found, and that it wrote nothing if it else would."""
    return f"{counted(number, 'problem')} found{'; nothing was written' if writes else ''}."


def checked(
    *, season: str, first: Week, last: Week, currency: str, varieties: int, price_lines: int, targets: int
) -> str:
    """Return what a season without problems holds."""
    return (
        f"{season}: {dated(first)} to {dated(last)}, {currency}.\n"
        f"{counted(varieties, 'variety', 'varieties')}, {counted(price_lines, 'price-list line')}, "
        f"{counted(targets, 'sales target')}. No problems found."
    )


def propagated(*, culture: bool, varieties: Sequence[str]) -> str:
    """Return which varieties are propagated in vitro or by division."""
    return f"{'Propagated in vitro' if culture else 'Divided from stock plants'}: {', '.join(varieties)}."


def order_costs(*, purchase: float, total: float, budget: float | None, currency: str) -> str:
    """Return what all orders cost, and whether that is over the budget [currency]."""
    text = f"Plants and freight cost {purchase:,.0f} {currency}; with growing, about {total:,.0f} {currency}."
    over = budget is not None and total > budget
    return f"{text}\nThat is over the budget of {budget:,.0f} {currency}." if over else text


def all_met(*, targets: int, chance: float) -> str:
    """Return the chance that all targets are met."""
    if targets == 1:
        return f"The target is met in {seasons(chance)}."
    return f"All {targets} targets are met together in {seasons(chance)}."


def few_draws(*, draws: int, enough: int) -> str:
    """Return how accurate chances are with few draws."""
    points = counted(round(100 / math.sqrt(draws)), "percentage point")
    return f"With {counted(draws, 'simulated season')}, chances are accurate to about ±{points}; use --draws {enough}."


def page_written(path: Path, *, pdf: bool) -> str:
    """Return that the page was written."""
    return f"Written: {path}{' and the same as .pdf' if pdf else ''}."
