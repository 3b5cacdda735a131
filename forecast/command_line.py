"""What the command line does: ``python -m forecast``."""

from __future__ import annotations

import argparse
import io
import os
import sys
import warnings
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from forecast.errors import OutOfReach, Refused, listed, problems
from forecast.files_out import check_free, write_texts
from forecast.io.csv_folder import csv_text, table_text
from forecast.io.seasons import read_season
from forecast.season.orders import Delivery
from forecast.season.season import Season
from forecast.streams import DRAWS, PLANNING_DRAWS
from forecast.words import orders as order_words
from forecast.words import partner as page_words
from forecast.words import seasons as words
from forecast.words.numbers import counted
from forecast.words.results import plain

if TYPE_CHECKING:
    from forecast.ordering.order import Orders

REFUSED = 2
OUT_OF_REACH = 1
ENOUGH = 141
FEW_DRAWS = 1000
WRITTEN = ("orders.csv", "order_table.csv")
_OVERWRITE = "replace existing files"
_ORDER = "size an order for every target: on-time chance, cost, and whether it fits the benches"
_AIM = "margin: greatest expected margin; cost: every target at its service level for the least cost"


def run(arguments: Sequence[str] | None = None) -> int:
    """Run a command.

    Returns
    -------
    int
        0; 1 if a target is out of reach; 2 if the input is not accepted, or the output cannot be written; 141 if
        whoever reads the output, such as ``head``, ended before it was all written.
    """
    if sys.stdout is None:
        _complain("The output cannot be written: it is closed.")
        return REFUSED
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")  # names may hold letters that a terminal has not
    parsed = _parser().parse_args(arguments)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("always", UserWarning)
            warnings.showwarning = lambda message, *_, **__: _complain(f"{message}\n")
            code = int(parsed.run(parsed))
        sys.stdout.flush()
        return code
    except OSError as error:
        with suppress(io.UnsupportedOperation):  # what is left to be written goes nowhere
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        if isinstance(error, BrokenPipeError):
            return ENOUGH
        _complain(f"The output cannot be written: {error.strerror or error}.")
        return REFUSED
    except Refused as error:
        _complain(f"{error}\n{words.problems(problems(error.faults), writes=parsed.run is not _check)}")
        return REFUSED
    except MemoryError:
        _complain(words.NO_MEMORY)
        return REFUSED


def _complain(text: str) -> None:
    if sys.stderr is not None:
        print(text, file=sys.stderr)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m forecast", description="How many plantlets to order, and why.")
    commands = parser.add_subparsers(required=True, metavar="command")
    start = _command(commands, "start", _start, "write a small season to begin with, its records, and the notebooks")
    start.add_argument("--overwrite", action="store_true", help=_OVERWRITE)
    _command(commands, "check", _check, "read a season and its records, and list every problem and what is odd in them")
    order = _command(commands, "order", _order, _ORDER)
    order.add_argument("--out", help="folder to write orders.csv and order_table.csv into")
    _add_drawn(order, DRAWS)
    page = _command(commands, "report", _report, "write the whole order plan as one page for a partner")
    page.add_argument("--out", required=True, help="page to write, such as order.html")
    page.add_argument("--pdf", action="store_true", help="also print the page into a PDF, with an installed Chromium")
    page.add_argument("--aim", choices=("margin", "cost"), help=_AIM)
    _add_drawn(page, PLANNING_DRAWS)
    return parser


def _command(commands: Any, name: str, run: Callable[[argparse.Namespace], int], about: str) -> argparse.ArgumentParser:
    command: argparse.ArgumentParser = commands.add_parser(name, help=about)
    command.add_argument("folder")
    command.set_defaults(run=run)
    return command


def _add_drawn(command: argparse.ArgumentParser, draws: int) -> None:
    command.add_argument("--overwrite", action="store_true", help=_OVERWRITE)
    command.add_argument("--draws", type=int, default=draws, help=f"simulated seasons (default: {draws})")
    command.add_argument("--seed", type=int, help="seed of the simulated seasons (default: that of season.toml)")


def _start(parsed: argparse.Namespace) -> int:
    from forecast.starter.starter import start

    start(parsed.folder, overwrite=parsed.overwrite)
    print(words.started(Path(parsed.folder)))
    return 0


def _check(parsed: argparse.Namespace) -> int:
    from forecast.records.folder_check import check_folder

    checked = check_folder(parsed.folder)
    odd = f"\n{words.odd(listed(checked.odd), problems(checked.odd))}" if checked.odd else ""
    if checked.season is None or checked.faults:
        _complain(f"{listed(checked.faults)}\n{words.problems(problems(checked.faults), writes=False)}")
        if odd:
            _complain(odd)
        return REFUSED
    season = checked.season
    print(
        words.checked(
            season=season.name, first=season.first_week, last=season.last_week, currency=season.currency,
            varieties=len(season.varieties), price_lines=len(season.price_list), targets=len(season.targets),
        )
    )  # fmt: skip
    for culture, rows in ((True, season.cultures), (False, season.divisions)):
        if rows:
            print(words.propagated(culture=culture, varieties=[row.variety for row in rows]))
    routes = {season.route(row.variety)[0].applies_to: row.variety for row in season.varieties}
    for owner, variety in routes.items():
        print(f"\n{owner}")
        for stage, share in zip(season.route(variety), season.survivals(variety), strict=True):
            time = stage.duration if stage.typical else words.NO_TIME
            print(words.STAGE.format(name=stage.stage, time=time, survival=str(share)))
    if checked.records is not None:
        print(f"\n{words.RECORDS.format(records=checked.records)}")
    if odd:
        print(odd)
    return 0


def _order(parsed: argparse.Namespace) -> int:
    from forecast.ordering.order import size_orders

    season = read_season(parsed.folder)
    if parsed.out is not None:
        check_free(WRITTEN, parsed.out, overwrite=parsed.overwrite)
    seed = season.seed if parsed.seed is None else parsed.seed
    orders = size_orders(season, draws=parsed.draws, seed=seed)
    for error in orders.unmet:
        _complain(str(error))
    if len(orders):
        try:  # before the output, of which whoever reads it may have enough
            written = "" if parsed.out is None else _written(parsed, orders)
        finally:
            _show(parsed, season, orders, seed)
        print(written, end="")
    return OUT_OF_REACH if orders.unmet else 0


def _show(parsed: argparse.Namespace, season: Season, orders: Orders, seed: int) -> None:
    from forecast.growth.simulation import simulate
    from forecast.ordering.shipments import bill
    from forecast.resources.bench_use import bench_space

    outcome = simulate(season, orders, draws=parsed.draws, seed=seed)
    table, currency = orders.table(), season.currency
    drawn = counted(parsed.draws, "simulated season")
    print(order_words.TABLE.format(season=season.name, seasons=drawn, seed=seed, currency=currency))
    print(f"\n{plain(table, order_words.COLUMNS)}\n")
    for order in orders:
        if order.excess:
            print(order.excess)
    purchase = bill(order.shipment for order in orders).total  # what one lab sends in one week shares lines and boxes
    total = purchase + sum(order.cost - order.purchase for order in orders)
    print(order_words.costs(purchase=purchase, total=total, currency=currency, budget=season.budget))
    if season.budget is not None and purchase > season.budget:
        print(order_words.over_budget(budget=season.budget, currency=currency))
    print(order_words.all_met(targets=len(season.targets), chance=outcome.chance_of_all()))
    if parsed.draws < FEW_DRAWS:
        print(order_words.few_draws(draws=parsed.draws, enough=DRAWS))
    print(f"\n{bench_space(outcome)}")


def _written(parsed: argparse.Namespace, orders: Orders) -> str:
    """Write the tables of orders; return that they are written."""
    table = orders.table()
    texts = {
        "orders.csv": table_text(tuple(order.delivery for order in orders), Delivery),
        "order_table.csv": csv_text(list(table.columns), table.itertuples(index=False)),
    }
    write_texts(texts, parsed.out, overwrite=parsed.overwrite)
    return f"\nWritten to {parsed.out}: {', '.join(texts)}.\n"


def _report(parsed: argparse.Namespace) -> int:
    from tqdm import tqdm

    from forecast.planning.whole_order import plan_orders
    from forecast.show.partner import check_page, report
    from forecast.show.partner_summary import aim_for

    season = read_season(parsed.folder)
    check_page(parsed.out, overwrite=parsed.overwrite, pdf=parsed.pdf)
    draws, seed = parsed.draws, season.seed if parsed.seed is None else parsed.seed
    hidden = None if sys.stderr else True  # None: but for a terminal
    try:
        with tqdm(desc="search", disable=hidden, leave=False, bar_format="{desc} {elapsed}") as clock:
            plan = plan_orders(
                season, draws=draws, seed=seed, aim=parsed.aim or aim_for(season), progress=lambda *_: clock.refresh()
            )
        with tqdm(desc="report", disable=hidden, leave=False) as bar:

            def progress(done: int, total: int) -> None:
                bar.total = total
                bar.update(done - bar.n)

            report(
                season, parsed.out, draws=draws, seed=seed, plan=plan, overwrite=parsed.overwrite, pdf=parsed.pdf,
                progress=progress,
            )  # fmt: skip
    except OutOfReach as error:
        _complain(f"{error}\n{page_words.NO_PAGE}")
        return OUT_OF_REACH
    print(page_words.page_written(Path(parsed.out), pdf=parsed.pdf))
    return 0
