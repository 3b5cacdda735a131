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

from forecast.errors import Fault, OutOfReach, Refused, listed, problems, refuse
from forecast.files_out import check_free, write_texts
from forecast.io.csv_folder import csv_text, form_of, table_cells, table_text
from forecast.io.files_in import HEADER, is_workbook
from forecast.io.seasons import read_season
from forecast.io.tables import by_sheet, opened
from forecast.more_commands import add_learn, add_today, add_whatif, joined, learn_rates, today, whatif
from forecast.season.orders import Delivery
from forecast.season.season import TABLES, Season
from forecast.streams import PLANNING_DRAWS
from forecast.words import orders as order_words
from forecast.words import partner as page_words
from forecast.words import seasons as words
from forecast.words import starting as starting_words
from forecast.words.numbers import counted
from forecast.words.results import plain, records

if TYPE_CHECKING:
    import pandas as pd

    from forecast.planning.plan import Plan
    from forecast.resources.valued import Valued

REFUSED = 2
OUT_OF_REACH = 1
ENOUGH = 141
FEW_DRAWS = 1000
WRITTEN = ("orders.csv", "order_table.csv")
_OVERWRITE = "replace existing files"
_WITH = "add what a first season leaves out, also to a season that is there; see below"
_PLANTS = "what labs send: plantlets (default), unrooted plantlets, hardened plantlets or plugs"
_ORDER = "find what to order of everything: on-time chances, cost, and whether it fits the benches"
_TODAY = "a running season: what will be there for each target, and whether to top up, by when"
_LEARN = "what your own records say: survivals and times, and how good forecasts were"
_WHATIF = "what comes of the plan's orders if survival, delivery weeks or prices are not as stated"
_EXAMPLES = """examples:
  python -m forecast order my_season
  python -m forecast today my_season --on 2027-05-03
  python -m forecast whatif my_season --survival "acclimatisation -10"
"""
_OUT = "folder to write orders.csv and order_table.csv into, or .xlsx workbook that gets these sheets"
_DRAWN = f"simulated seasons (default: {PLANNING_DRAWS})"
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
    parsed = _parser().parse_args(joined(sys.argv[1:] if arguments is None else arguments))
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
        _complain(
            f"{error}\n{words.problems(problems(error.faults), writes=parsed.run not in (_check, today, _whatif))}"
        )
        return REFUSED
    except MemoryError:
        _complain(words.NO_MEMORY)
        return REFUSED


def _complain(text: str) -> None:
    if sys.stderr is not None:
        print(text, file=sys.stderr)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m forecast", description="How many plantlets to order, and why.",
        epilog=_EXAMPLES, formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    commands = parser.add_subparsers(required=True, metavar="command")
    start = _command(commands, "start", _start, "write a season to begin with: from your crops, or an example")
    start.epilog, start.formatter_class = starting_words.help_of_start(), argparse.RawDescriptionHelpFormatter
    start.add_argument("folder", nargs="?")
    start.add_argument("--list", action="store_true", help="show crops and climates that are known, and write nothing")
    start.add_argument("--crops", help='crops that you grow, such as "aroids, echeverias"')
    start.add_argument("--climate", help="a city near you, or your latitude, such as -27.5 in the south")
    start.add_argument("--currency", default="EUR", help="three letters (default: EUR)")
    start.add_argument("--labs", default="Our lab", help='labs that you buy from, such as "Lab A, Lab B"')
    start.add_argument("--plants", default="plantlets", help=_PLANTS)
    start.add_argument("--bench", default="", metavar="M2", help="bench under cover (default: space for any number)")
    start.add_argument("--with", action="append", default=[], metavar="NAME", help=_WITH)
    start.add_argument("--overwrite", action="store_true", help=_OVERWRITE)
    _command(commands, "check", _check, "read a season and its records, and list every problem and what is odd in them")
    order = _command(commands, "order", _order, _ORDER)
    what = order.add_mutually_exclusive_group()
    what.add_argument("--out", help=_OUT)
    what.add_argument("--mine", action="store_true", help="value your own orders, those of orders.csv, beside the plan")
    what.add_argument("--by-hand", metavar="VARIETY", help="work out the order of one variety step by step")
    _add_plan(order)
    page = _command(commands, "report", _report, "write the whole order plan as one page for a partner")
    page.add_argument("--out", required=True, help="page to write, such as order.html")
    page.add_argument("--pdf", action="store_true", help="also print the page into a PDF, with an installed Chromium")
    _add_plan(page)
    running = _command(commands, "today", today, _TODAY)
    add_today(running)
    _add_drawn(running)
    taught = _command(commands, "learn", learn_rates, _LEARN)
    add_learn(taught)
    _add_drawn(taught)
    changed = _command(commands, "whatif", _whatif, _WHATIF)
    add_whatif(changed)
    _add_drawn(changed)
    return parser


def _command(commands: Any, name: str, run: Callable[[argparse.Namespace], int], about: str) -> argparse.ArgumentParser:
    command: argparse.ArgumentParser = commands.add_parser(name, help=about)
    if run is not _start:
        command.add_argument("folder")
    command.set_defaults(run=run)
    return command


def _add_plan(command: argparse.ArgumentParser) -> None:
    command.add_argument("--aim", choices=("margin", "cost"), help=_AIM)
    command.add_argument("--overwrite", action="store_true", help=_OVERWRITE)
    _add_drawn(command)


def _add_drawn(command: argparse.ArgumentParser) -> None:
    command.add_argument("--draws", type=int, default=PLANNING_DRAWS, help=_DRAWN)
    command.add_argument("--seed", type=int, help="seed of the simulated seasons (default: that of season.toml)")


def _start(parsed: argparse.Namespace) -> int:
    if parsed.list:
        return _list()
    if parsed.folder is None:
        raise refuse("folder", None, "no folder to write into", "Give one, such as my_season or my_season.xlsx.")
    from forecast.starter.additions import begun
    from forecast.starter.starter import start

    names = [name.strip() for given in vars(parsed)["with"] for name in given.split(",")]
    there = bool(names) and not parsed.overwrite and begun(parsed.folder)
    asks = not (there or parsed.crops or parsed.climate or names) and _at_terminal()
    if asks or parsed.crops or parsed.climate:
        return _begin(parsed, names, asks=asks)
    new = start(parsed.folder, overwrite=parsed.overwrite, additions=names)
    path, book = Path(parsed.folder), is_workbook(parsed.folder)
    print(words.added(path, new, book=book) if there else words.started(path, book=book))
    return 0


def _at_terminal() -> bool:
    return sys.stdin is not None and sys.stdin.isatty() and sys.stdout.isatty()


def _begin(parsed: argparse.Namespace, names: Sequence[str], *, asks: bool) -> int:
    """Write the season that follows from answers: those of options, or asked for."""
    from forecast.starter import questions
    from forecast.starter.additions import begun
    from forecast.starter.answers import Answers
    from forecast.starter.columns import FILLED
    from forecast.starter.starter import begin

    if asks:
        if begun(parsed.folder) and not parsed.overwrite:
            remedy = "Choose another name, or allow it to be replaced (--overwrite)."
            raise refuse("folder", parsed.folder, "there is a season already", remedy)
        answers = questions.ask_all(input, _complain)
    else:
        missing = [name for name in ("crops", "climate") if not vars(parsed)[name]]
        if missing:
            raise refuse(missing[0], None, "not given", f"Give --{missing[0]}, or see --list.")
        answers = Answers(
            questions.split(parsed.crops), parsed.climate, questions.currency_of(parsed.currency),
            questions.split(parsed.labs), parsed.plants, questions.bench_of(parsed.bench),
        )  # fmt: skip
    season, assumed = begin(parsed.folder, answers, overwrite=parsed.overwrite, additions=names)
    columns = sum(len(table_cells(getattr(season, table), TABLES[table])[0]) for table in FILLED)
    path, book = Path(parsed.folder), is_workbook(parsed.folder)
    print(starting_words.filled(path, tables=FILLED, columns=columns, assumed=assumed, book=book))
    return 0


def _list() -> int:
    """Show the crops and climates that are known."""
    from forecast.defaults.climates import list_climates
    from forecast.defaults.crops import list_crops

    for table in (list_crops(), list_climates()):
        print(f"{table.to_string(index=False)}\n")
    return 0


def _check(parsed: argparse.Namespace) -> int:
    from forecast.records.folder_check import check_folder

    checked = check_folder(parsed.folder)
    odd = f"\n{words.odd(listed(checked.odd), problems(checked.odd))}" if checked.odd else ""
    cells = ((one.table, one.column, one.kind, one.written, one.read, len(one.rows)) for one in checked.understood)
    odd += f"\n{words.understood(cells)}" if checked.understood else ""
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
    season = read_season(parsed.folder)
    if parsed.mine:
        return _mine(parsed, season)
    if parsed.by_hand is not None:
        season.variety(parsed.by_hand)
    if parsed.out is not None:
        _check_out(parsed)
    try:
        plan = _planned(parsed, season)
    except OutOfReach as error:
        _complain(str(error))
        return OUT_OF_REACH
    if parsed.by_hand is not None:
        print(_worksheet(plan, parsed.by_hand))
        return 0
    try:
        _show(plan)
        sys.stdout.flush()  # where it cannot be written, files are not written either
    except BrokenPipeError:  # whoever reads it has had enough, and gets the files all the same
        _written(parsed, plan)
        raise
    print(_written(parsed, plan), end="")
    return 0


def _check_out(parsed: argparse.Namespace) -> None:
    """Refuse, before any work is done, a folder or workbook into which the orders cannot be written."""
    if is_workbook(parsed.out):
        from forecast.io.workbook_out import WorkbookOut

        WorkbookOut(parsed.out, overwrite=parsed.overwrite).check_free([Path(name).stem for name in WRITTEN])
    else:
        check_free(WRITTEN, parsed.out, overwrite=parsed.overwrite)


def _worksheet(plan: Plan, variety: str) -> str:
    """Return the order of one variety step by step, or why none is ordered."""
    from forecast.ordering.by_hand import worked_out
    from forecast.words.by_hand import NO_TARGET

    shipments = [one for one in plan.shipments if one.variety == variety]
    if shipments:
        return str(worked_out(plan.season, variety, shipments, plan.simulate()))
    if (why := plan.left_out().get(variety)) is None:
        return NO_TARGET.format(variety=variety)
    return order_words.not_ordered(variety, why, there=why.there)


def _mine(parsed: argparse.Namespace, season: Season) -> int:
    """Show what the orders of the season are worth, beside the plan."""
    from forecast.resources.valued import value_orders

    if not season.orders:
        raise Refused([by_sheet(Fault(*order_words.NO_ORDERS, "orders.csv"), opened(parsed.folder, HEADER))])
    mine = value_orders(season, draws=parsed.draws, seed=parsed.seed)
    drawn, seed = counted(mine.outcome.draws, "simulated season"), mine.outcome.seed
    table = words.by_sheets("orders.csv") if is_workbook(parsed.folder) else "orders.csv"
    print(order_words.MINE.format(season=season.name, table=table, seasons=drawn, seed=seed, currency=season.currency))
    print(f"\n{_lines(mine.table())}\n")
    if season.targets:
        print(f"{_targets(mine.targets(), season.currency)}\n")
    print(f"{mine}\n")
    print(_beside(parsed, mine))
    _few(parsed.draws)
    return 0


def _beside(parsed: argparse.Namespace, mine: Valued) -> str:
    """Return own orders beside the plan, as text."""
    import pandas as pd

    from forecast.resources.beside import Beside, Side

    try:
        plan = _planned(parsed, mine.outcome.season)
    except (OutOfReach, Refused) as error:
        return order_words.NO_PLAN.format(why=error)
    own = Side(mine.outcome, mine.bill.total, mine.flow if mine.earns else None)
    found = Beside(own, Side(plan.simulate(), plan.paid, plan.cash_flow() if mine.earns else None))
    cells = pd.DataFrame(order_words.compared(row) for row in records(found.table()))
    return f"{plain(cells, order_words.BESIDE)}\n\n{found}"


def _lines(table: pd.DataFrame) -> str:
    """Return what is ordered, as text."""
    import pandas as pd

    return plain(pd.DataFrame(order_words.line(row) for row in records(table)), order_words.LINES)


def _few(draws: int) -> None:
    if draws < FEW_DRAWS:
        print(order_words.few_draws(draws=draws, enough=PLANNING_DRAWS))


def _planned(parsed: argparse.Namespace, season: Season) -> Plan:
    """Find the plan, the same for every command."""
    from tqdm import tqdm

    from forecast.planning.whole_order import aim_for, plan_orders

    with tqdm(desc="search", disable=_hidden(), leave=False, bar_format="{desc} {elapsed}") as clock:
        return plan_orders(
            season, draws=parsed.draws, seed=parsed.seed, aim=getattr(parsed, "aim", None) or aim_for(season),
            progress=lambda *_: clock.refresh(),
        ).without_search()  # fmt: skip


def _hidden() -> bool | None:
    return None if sys.stderr else True  # None: but for a terminal


def _show(plan: Plan) -> None:
    from forecast.resources.bench_use import bench_space
    from forecast.words.sensitivity import measure_first

    season, sentences, surplus = plan.season, str(plan).splitlines(), len(plan.surplus)
    drawn = counted(plan.draws, "simulated season")
    print(order_words.TABLE.format(season=season.name, seasons=drawn, seed=plan.seed, currency=season.currency))
    print("".join(f"\n{one}\n" for one in sentences[:surplus]))
    if plan.orders:
        print(f"{_lines(plan.table())}\n")
    if there := bool(plan.orders or plan.in_any_case):
        print(f"{_targets(plan.targets(), season.currency)}\n")
    print("\n".join(sentences[surplus:]))
    if there:
        outcome = plan.simulate()
        print(order_words.all_met(targets=len(season.targets), chance=outcome.chance_of_all()))
        _few(plan.draws)
        print(f"\n{bench_space(outcome)}")
    if first := measure_first(records(plan.measure_first()), season.currency):
        print(f"\n{first}")


def _targets(found: pd.DataFrame, currency: str) -> str:
    """Return what is reached of each target, and what more takes, as text."""
    import pandas as pd

    rows = records(found)
    columns = order_words.target_columns(rows, currency)
    text = plain(pd.DataFrame(order_words.target(row, currency) for row in rows), columns)
    if "more" not in columns:
        return text
    back = "" if found["more_income"].isna().all() else order_words.BACK
    return f"{text}\n\n{order_words.CERTAINTY.format(back=back)}"


def _written(parsed: argparse.Namespace, plan: Plan) -> str:
    """Write the tables of orders, if they are asked for; return that they are written."""
    if parsed.out is None:
        return ""
    table = plan.table().assign(currency=plan.season.currency)
    orders = (*(row for row in plan.season.orders if row.placed == "yes"), *plan.orders)
    if is_workbook(parsed.out):
        from forecast.io.workbook_out import WorkbookOut
        from forecast.show.sheets import put_tables

        book = WorkbookOut(parsed.out, overwrite=parsed.overwrite)
        book.check_free([Path(name).stem for name in WRITTEN])
        book.put_table("orders", Delivery, orders)
        put_tables(book, {"order_table": table}, ours=True)
        book.write()
        return f"\nWritten to {parsed.out}: {', '.join(Path(name).stem for name in WRITTEN)}.\n"
    form = form_of(parsed.out, parsed.folder)
    texts = {
        "orders.csv": table_text(orders, Delivery, form),
        "order_table.csv": csv_text(list(table.columns), table.itertuples(index=False), form),
    }
    write_texts(texts, parsed.out, overwrite=parsed.overwrite)
    return f"\nWritten to {parsed.out}: {', '.join(texts)}.\n"


def _whatif(parsed: argparse.Namespace) -> int:
    try:
        return whatif(parsed, _planned)
    except OutOfReach as error:
        _complain(str(error))
        return OUT_OF_REACH


def _report(parsed: argparse.Namespace) -> int:
    from tqdm import tqdm

    from forecast.show.partner import check_page, report

    season = read_season(parsed.folder)
    check_page(parsed.out, overwrite=parsed.overwrite, pdf=parsed.pdf)
    try:
        plan = _planned(parsed, season)
    except OutOfReach as error:
        _complain(f"{error}\n{page_words.NO_PAGE}")
        return OUT_OF_REACH
    with tqdm(desc="report", disable=_hidden(), leave=False) as bar:

        def progress(done: int, total: int) -> None:
            bar.total = total
            bar.update(done - bar.n)

        report(season, parsed.out, plan=plan, overwrite=parsed.overwrite, pdf=parsed.pdf, progress=progress)
    print(page_words.page_written(Path(parsed.out), pdf=parsed.pdf))
    return 0
