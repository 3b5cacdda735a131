"""The command line: ``python -m forecast``."""

from __future__ import annotations

import argparse
import io
import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from forecast.errors import OutOfReach, Refused
from forecast.io.csv_folder import csv_text, table_text
from forecast.io.files_out import check_free, write_texts
from forecast.io.seasons import read_season
from forecast.season.rows import Delivery
from forecast.season.season import Season
from forecast.words.numbers import seasons

if TYPE_CHECKING:
    import pandas as pd

    from forecast.ordering.order import Orders

REFUSED = 2
OUT_OF_REACH = 1
STOPPED = 130
FEW_DRAWS = 1000
WRITTEN = ("orders.csv", "order_table.csv")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command.

    Returns
    -------
    int
        0; 1 if something wanted is out of reach; 2 if something given cannot be used, or the output cannot be written;
        130 if it was stopped by the keyboard.
    """
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")  # names may hold letters that a terminal has not
    parsed = _parser().parse_args(arguments)
    try:
        code = int(parsed.run(parsed))
        sys.stdout.flush()
        return code
    except KeyboardInterrupt:
        return STOPPED
    except OSError as error:
        with suppress(io.UnsupportedOperation):  # what is left to be written goes nowhere
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        if isinstance(error, BrokenPipeError):  # whoever read the output, such as head, has had enough
            return 0
        print(f"The output cannot be written: {error.strerror or error}.", file=sys.stderr)
        return REFUSED
    except Refused as error:
        count = len(error.faults)
        print(f"{error}\n{count} fault{'s' if count > 1 else ''} found; nothing was written.", file=sys.stderr)
        return REFUSED


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m forecast", description="How many plantlets to order, and why.")
    commands = parser.add_subparsers(required=True, metavar="command")
    command = commands.add_parser("start", help="write a small season to begin with, its records, and the notebooks")
    command.add_argument("folder", type=Path)
    command.add_argument("--overwrite", action="store_true", help="replace what is there")
    command.set_defaults(run=_start)
    command = commands.add_parser("check", help="read a season and list everything that is wrong with it")
    command.add_argument("folder", type=Path)
    command.set_defaults(run=_check)
    command = commands.add_parser("order", help="say what to order, how sure it is, and whether it fits")
    command.add_argument("folder", type=Path)
    command.add_argument("--out", type=Path, help="folder to write orders.csv and order_table.csv into")
    command.add_argument("--overwrite", action="store_true", help="replace them if they are there")
    command.add_argument("--draws", type=int, default=4096, help="simulated seasons (4096)")
    command.add_argument("--seed", type=int, help="seed of the draws (that of season.toml)")
    command.set_defaults(run=_order)
    command = commands.add_parser("report", help="write the whole order as one page for a partner")
    command.add_argument("folder", type=Path)
    command.add_argument("--out", type=Path, required=True, help="page to write, such as order.html")
    command.add_argument("--pdf", action="store_true", help="print it into a PDF, too, with an installed Chromium")
    command.add_argument(
        "--aim", choices=("margin", "cost"), help="greatest margin, or every number for the least cost"
    )
    command.add_argument("--overwrite", action="store_true", help="replace what is there")
    command.add_argument("--draws", type=int, default=1024, help="simulated seasons (1024)")
    command.add_argument("--seed", type=int, help="seed of the draws (that of season.toml)")
    command.set_defaults(run=_report)
    return parser


def _start(parsed: argparse.Namespace) -> int:
    from forecast.starter.starter import start

    start(parsed.folder, overwrite=parsed.overwrite)
    print(f"Written to {parsed.folder}. Fill in your own figures, then: python -m forecast order {parsed.folder}")
    print(f"The same with charts, and more: jupyter lab {parsed.folder / 'notebooks'}, from notebook 1 on.")
    return 0


def _check(parsed: argparse.Namespace) -> int:
    season = read_season(parsed.folder)
    print(f"{season.name}: {season.first_week} to {season.last_week}, {season.currency}.")
    counts = (len(rows) for rows in (season.varieties, season.price_list, season.targets))
    print("{} varieties, {} offers, {} wanted. No fault found.".format(*counts))
    for name, rows in (("culture", season.cultures), ("stock plants", season.divisions)):
        if rows:
            print(f"Multiplied from {name}: {', '.join(row.variety for row in rows)}.")
    routes = {season.route(row.variety)[0].applies_to: row.variety for row in season.varieties}
    for owner, variety in routes.items():
        print(f"\n{owner}")
        for stage, share in zip(season.route(variety), season.survivals(variety), strict=True):
            time = "no time" if stage.typical == 0 else str(stage.duration)
            print(f"  {stage.stage}: {time}. Survives: {share}.")
    return 0


def _order(parsed: argparse.Namespace) -> int:
    from forecast.ordering.order import size_orders

    season = read_season(parsed.folder)
    if parsed.out:
        check_free(WRITTEN, parsed.out, overwrite=parsed.overwrite)
    seed = season.seed if parsed.seed is None else parsed.seed
    orders = size_orders(season, draws=parsed.draws, seed=seed)
    for error in orders.unmet:
        print(error, file=sys.stderr)
    if len(orders):
        _show(parsed, season, orders, seed)
    return OUT_OF_REACH if orders.unmet else 0


def _show(parsed: argparse.Namespace, season: Season, orders: Orders, seed: int) -> None:
    from forecast.growth.simulation import simulate
    from forecast.resources.bench_use import bench_space

    outcome = simulate(season, orders, draws=parsed.draws, seed=seed)
    space = bench_space(outcome)
    print(
        f"{season.name}: what to order, from {parsed.draws:,} simulated seasons, seed {seed}. In {season.currency}.\n"
    )
    print(_table(orders).to_string(index=False))
    total = sum(order.cost for order in orders)
    purchase = sum(order.purchase for order in orders)
    print(f"\nPlants and freight {purchase:,.0f} {season.currency}; with growing, about {total:,.0f}.")
    if season.budget is not None and total > season.budget:
        print(f"That is more than the budget of {season.budget:,.0f} {season.currency}.")
    print(f"Everything that is wanted is there in {seasons(outcome.chance_of_all())}.")
    if parsed.draws < FEW_DRAWS:
        print(f"With {parsed.draws:,} draws a chance may be off by {100 / parsed.draws**0.5:.0f} points; use more.")
    print(f"\n{space}")
    if parsed.out:
        rows, table = tuple(order.delivery for order in orders), orders.table()
        texts = {
            "orders.csv": table_text(rows, Delivery),
            "order_table.csv": csv_text(list(table.columns), table.itertuples(index=False)),
        }
        write_texts(texts, parsed.out, overwrite=parsed.overwrite)
        print(f"\nWritten to {parsed.out}: {', '.join(texts)}.")


def _table(orders: Orders) -> pd.DataFrame:
    """Return the orders as a table for eyes: rounded, with the words of the trade as headers."""
    import pandas as pd

    rows = [
        {
            "variety": order.variety,
            "lab": order.lab,
            "delivery": str(order.week),
            "order": f"{order.quantity:,}",
            "target": f"{order.target:,}",
            "by": str(order.by),
            "chance": f"{100 * order.chance:.0f} %",
            "from the mean": f"{order.by_average:,}",
            "its chance": f"{100 * order.chance_by_average:.0f} %",
            "cost": f"{order.cost:,.0f}",
        }
        for order in orders
    ]
    return pd.DataFrame(rows)


def _report(parsed: argparse.Namespace) -> int:
    from tqdm import tqdm

    from forecast.planning.whole_order import plan_orders
    from forecast.show.partner import report
    from forecast.show.partner_summary import aim_for

    season = read_season(parsed.folder)
    draws, seed = parsed.draws, season.seed if parsed.seed is None else parsed.seed
    try:
        with tqdm(desc="search", disable=None, leave=False, bar_format="{desc} {elapsed}") as clock:
            plan = plan_orders(
                season, draws=draws, seed=seed, aim=parsed.aim or aim_for(season), progress=lambda *_: clock.refresh()
            )
        with tqdm(desc="report", disable=None, leave=False) as bar:

            def progress(done: int, total: int) -> None:
                bar.total = total
                bar.update(done - bar.n)

            report(
                season, parsed.out, draws=draws, seed=seed, plan=plan, overwrite=parsed.overwrite, pdf=parsed.pdf,
                progress=progress,
            )  # fmt: skip
    except OutOfReach as error:
        print(f"{error}\nNo page was written.", file=sys.stderr)
        return OUT_OF_REACH
    print(f"Written: {parsed.out}{' and the same as .pdf' if parsed.pdf else ''}.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
