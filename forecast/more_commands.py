"""What commands do once there is a season: today, learn and whatif."""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from forecast.errors import Fault, Refused, refuse
from forecast.files_out import check_free
from forecast.io.files_in import HEADER, OPTIONAL, is_workbook
from forecast.io.seasons import read_season, season_tables, write_season
from forecast.io.tables import by_sheet, opened
from forecast.season.season import TABLES, Season
from forecast.streams import PLANNING_DRAWS
from forecast.weeks import read_day
from forecast.words import orders as order_words
from forecast.words import records as words
from forecast.words import sensitivity as sensitivity_words
from forecast.words.numbers import counted
from forecast.words.results import plain, records

if TYPE_CHECKING:
    from forecast.planning.plan import Plan
    from forecast.records.learned_season import LearnedSeason
    from forecast.records.records import Records
    from forecast.tracking.reforecasting import Reforecast
    from forecast.tracking.top_ups import TopUp

OUT_OF_REACH = 1
_OPTIONS = {
    "on_date": "--on",
    "date": "--on",
    "counted_every": "--counted-every",
    "stage": "--survival",
    "points": "--survival",
    "variety": "--variety",
}
_RECORDED = ("batches", "counts")
_RECORDS = "folder of batches.csv and counts.csv, or workbook with these sheets (default: FOLDER)"
_WRITE = "folder or .xlsx workbook to write the season with learned survivals and times into, such as my_season_learned"
_OVERWRITE = "replace existing files"
_SURVIVAL = 'survival of a stage in points, such as "acclimatisation -10" for 75 instead of 85 of 100'
_WEEK = "weeks by which all deliveries come later, such as +2, or earlier, such as -2"
_PRICE = "sale prices in per cent, such as +10%% or -10%%"
_POINTS = 'Write a stage and points of 100, such as "acclimatisation -10".'
_WEEKS = "Write whole weeks later or earlier, such as +2 or -2."
_PERCENT = "Write per cent more or less, such as +10% or -10%."
_ALL = 100
_ON = "day of the forecast, such as 2027-05-03 (default: today)"
_COUNTED = "weeks between counts, where plants are moved and sold only on days of a count"


def add_records(command: argparse.ArgumentParser) -> None:
    """Add the option that says where the records are."""
    command.add_argument("--records", metavar="FOLDER", help=_RECORDS)


def add_today(command: argparse.ArgumentParser) -> None:
    """Add the options of `today`."""
    command.add_argument("--on", metavar="DAY", help=_ON)
    command.add_argument("--counted-every", type=float, default=0.0, metavar="WEEKS", help=_COUNTED)
    add_records(command)


def today(parsed: argparse.Namespace) -> int:
    """Show what will come of a running season, and whether to top up.

    Returns
    -------
    int
        0; 1 if a target falls short that no order can make up for.
    """
    from forecast.tracking.reforecasting import reforecast

    season = read_season(parsed.folder)
    found = _read_records(parsed, season)
    if not (season.orders or season.on_hand or found.batches):
        raise Refused([by_sheet(Fault(*words.NOTHING_RUNS, "orders.csv"), opened(parsed.folder, HEADER))])
    try:
        now = reforecast(
            season, found, on_date=date.today() if parsed.on is None else read_day(parsed.on),
            counted_every=parsed.counted_every, draws=parsed.draws, seed=parsed.seed,
        )  # fmt: skip
    except Refused as error:
        raise _by_option(error) from error
    top_up = now.top_up()
    print(_coming(now))
    print(_topped_up(now, top_up))
    if parsed.draws < PLANNING_DRAWS:
        print(order_words.few_draws(draws=parsed.draws, enough=PLANNING_DRAWS))
    return OUT_OF_REACH if top_up.unmet else 0


def add_whatif(command: argparse.ArgumentParser) -> None:
    """Add the options of `whatif`."""
    change = command.add_mutually_exclusive_group(required=True)
    change.add_argument("--survival", metavar="CHANGE", help=_SURVIVAL)
    change.add_argument("--week", metavar="CHANGE", help=_WEEK)
    change.add_argument("--price", metavar="CHANGE", help=_PRICE)
    command.add_argument("--variety", help="of one variety (default: of all)")


def whatif(parsed: argparse.Namespace, plan_of: Callable[[argparse.Namespace, Season], Plan]) -> int:
    """Show what comes of the plan's orders if one thing is other than stated, beside what comes of them as it is."""
    import pandas as pd

    from forecast.sensitivity.comparing import compare

    season = read_season(parsed.folder)
    already = tuple(row for row in season.orders if row.placed == "yes")
    try:
        _changed(parsed, season.replace(orders=already))  # refused before any work is done
    except Refused as error:
        raise _by_option(error) from error
    plan = plan_of(parsed, season)
    ordered = season.replace(orders=(*already, *plan.orders))
    if not ordered.orders:
        print(sensitivity_words.NOTHING_ORDERED)
        return 0
    other, change = _changed(parsed, ordered)
    found = compare(ordered, other, draws=parsed.draws, seed=parsed.seed)
    drawn, seed = counted(parsed.draws, "simulated season"), found.outcome.seed
    print(sensitivity_words.WHAT_IF.format(season=season.name, change=change, seasons=drawn, seed=seed))
    cells = pd.DataFrame(sensitivity_words.effect(row, season.currency) for row in records(found.effects()))
    print(f"\n{plain(cells, sensitivity_words.EFFECTS)}\n\n{sensitivity_words.EFFECTS_NOTE}")
    if parsed.draws < PLANNING_DRAWS:
        print(order_words.few_draws(draws=parsed.draws, enough=PLANNING_DRAWS))
    return 0


def _changed(parsed: argparse.Namespace, season: Season) -> tuple[Season, str]:
    """Return the season with the change that is asked for, and the change in words."""
    from forecast.sensitivity.variants import with_deliveries, with_prices, with_survival

    one = parsed.variety
    if parsed.survival is not None:
        stage, points = _read("--survival", parsed.survival, r"(\S.*?)\s+([+-]\d+(?:\.\d+)?)(?: ?points?)?", _POINTS)
        text = sensitivity_words.survival_changed(stage, float(points), one or "every variety that has it")
        return with_survival(season, stage, float(points) / _ALL, variety=one), text
    if parsed.week is not None:
        (weeks,) = _read("--week", parsed.week, r"([+-]\d{1,2})(?: ?weeks?)?", _WEEKS)
        text = sensitivity_words.week_changed(int(weeks), one or "all varieties")
        return with_deliveries(season, int(weeks), variety=one), text
    (share,) = _read("--price", parsed.price, r"([+-]\d+(?:\.\d+)?) ?%", _PERCENT)
    if float(share) <= -_ALL:
        raise refuse("--price", parsed.price, "no price is left", _PERCENT)
    text = sensitivity_words.price_changed(float(share), one or "all varieties")
    return with_prices(season, 1 + float(share) / _ALL, variety=one), text


def _read(option: str, text: str, form: str, example: str) -> tuple[str, ...]:
    """Return the parts of a change as it was typed, or refuse it with an example."""
    found = re.fullmatch(form, text.strip())
    if found is None or not float(found[found.lastindex or 0]):
        raise refuse(option, text, "not such a change", example)
    return found.groups()


def joined(arguments: Sequence[str]) -> list[str]:
    """Return arguments in which a change below 0 is not taken for an option: --price -10% as --price=-10%."""
    found: list[str] = []
    for one in arguments:
        if found and found[-1] in ("--week", "--price") and re.match(r"-\d", one):
            found[-1] += f"={one}"
        else:
            found.append(one)
    return found


def add_learn(command: argparse.ArgumentParser) -> None:
    """Add the options of `learn`."""
    command.add_argument("--write", metavar="OUT", help=_WRITE)
    command.add_argument("--overwrite", action="store_true", help=_OVERWRITE)
    add_records(command)


def learn_rates(parsed: argparse.Namespace) -> int:
    """Show what the nursery's own records say of its survivals and times, and write the learned season if asked to."""
    from forecast.records.learning import learn
    from forecast.tracking.scoring import scorecard

    season = read_season(parsed.folder)
    _check_out(parsed, season)
    found = _read_records(parsed, season)
    if not found.batches:
        raise Refused([by_sheet(Fault(*words.NOTHING_COUNTED, "batches.csv"), opened(parsed.folder, HEADER))])
    learned = learn(season, found)
    scores = scorecard(season, found, draws=parsed.draws, seed=parsed.seed)
    print(words.LEARNED.format(season=season.name, batches=words.batches(len(found.batches))))
    print(f"\n{_rates(learned)}\n\n{learned}")
    if scores.facts()["forecasts"]:
        print(scores)
    with suppress(BrokenPipeError):  # whoever reads it has had enough, and gets the files all the same
        sys.stdout.flush()
    if parsed.write is not None:
        write_season(learned, parsed.write, overwrite=parsed.overwrite, like=parsed.folder)
        print(words.learned_written(parsed.write))
    return 0


def _check_out(parsed: argparse.Namespace, season: Season) -> None:
    """Refuse, before any work is done, a folder or workbook into which the learned season cannot be written."""
    if parsed.write is None:
        return
    same = _same(parsed.write, parsed.folder)
    if is_workbook(parsed.write):
        from forecast.io.workbook_out import WorkbookOut

        book = WorkbookOut(parsed.write, overwrite=parsed.overwrite or same)
        book.check_free([*season_tables(season)])
    else:
        names = [HEADER, *(f"{table}.csv" for table in TABLES if getattr(season, table) or table not in OPTIONAL)]
        check_free(names, parsed.write, overwrite=parsed.overwrite or same)
    if same:
        told = words.SAME_WORKBOOK if is_workbook(parsed.write) else words.SAME_FOLDER
        raise Refused([Fault(*told, column="--write", value=parsed.write)])


def _same(one: str | Path, other: str) -> bool:
    return Path(one).resolve() == Path(other).resolve()


def _rates(learned: LearnedSeason) -> str:
    """Return what was learned of each variety and stage, as text."""
    import pandas as pd

    shares = {stage: learned.shares(stage) for stage in dict.fromkeys(learned.table()["stage"])}
    counted_shares = {
        (row["variety"], stage): row["counted"] for stage, table in shares.items() for row in records(table)
    }
    rows, survivals = records(learned.table()), []
    times: dict[tuple[str, str], dict[str, str]] = {}
    for row in rows:
        variety, name = row["variety"], row["stage"]
        if row["what"] == "survival":
            survivals.append(words.survival_cells(row, counted_shares[variety, name]))
            continue
        stage = next(one for one in learned.prior.route(variety) if one.stage == name)
        times.setdefault((stage.applies_to, name), words.time_cells(row, stage.applies_to, stage.base_temperature))
    parts = [words.SURVIVAL_TABLE, plain(pd.DataFrame(survivals), words.SURVIVALS)]
    if times:
        parts += ["", words.TIME_TABLE, plain(pd.DataFrame(times.values()), words.TIMES)]
    if not all(row["batches"] for row in rows if row["what"] == "survival"):
        parts += ["", words.NOT_OWN]
    return "\n".join(parts)


def _by_option(error: Refused) -> Refused:
    """Return a refusal of arguments by the names of their options."""
    return Refused(
        [one if one.table else replace(one, column=_OPTIONS.get(one.column, one.column)) for one in error.faults]
    )


def _read_records(parsed: argparse.Namespace, season: Season) -> Records:
    """Read the records beside a season, or say which tables are needed."""
    from forecast.records.records import look_at_records

    folder = parsed.folder if parsed.records is None else parsed.records
    source = opened(folder, "batches.csv and counts.csv")
    if missing := [table for table in _RECORDED if table not in source]:
        above = Path(folder).resolve().parent
        elsewhere = str(above) if all((above / f"{table}.csv").is_file() for table in _RECORDED) else ""
        raise Refused([Fault(*words.no_records(one, folder, elsewhere), source.place(one)) for one in missing])
    return look_at_records(source, season).accepted()


def _coming(now: Reforecast) -> str:
    """Return what will be there for each target, and what did not come as ordered, as text."""
    import pandas as pd

    outcome = now.outcome
    drawn = counted(outcome.draws, "simulated season")
    lines = [words.today(season=outcome.season.name, on=now.on_date, seasons=drawn, seed=outcome.seed)]
    rows = records(now.targets())
    if rows:
        columns = words.coming_columns(rows)
        lines += ["", plain(pd.DataFrame(words.coming(row) for row in rows), columns)]
    return "\n".join([*lines, "", *now.matched.overdue(now.on_date), *now.matched.remarks()])


def _topped_up(now: Reforecast, top_up: TopUp) -> str:
    """Return what to order now, and by when, as text."""
    if not now.targets().shape[0]:
        return words.NO_MORE_TARGETS
    if not (top_up.orders or top_up.unmet):
        return words.NO_TOP_UP_NEEDED
    deadlines = dict.fromkeys(
        words.order_by(lab=one.lab, variety=one.variety, last=one.week + -one.shipment.line.lead_weeks, week=one.week)
        for one in top_up.orders
    )
    return "\n".join([str(top_up), *deadlines])
