"""What commands do once there is a season: today, learn and whatif."""

from __future__ import annotations

import argparse
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from forecast.errors import Fault, Refused
from forecast.io.seasons import read_season
from forecast.io.tables import opened
from forecast.season.season import Season
from forecast.streams import PLANNING_DRAWS
from forecast.weeks import read_day
from forecast.words import orders as order_words
from forecast.words import records as words
from forecast.words.numbers import counted
from forecast.words.results import plain, records

if TYPE_CHECKING:
    from forecast.records.records import Records
    from forecast.tracking.reforecasting import Reforecast
    from forecast.tracking.top_ups import TopUp

OUT_OF_REACH = 1
_OPTIONS = {"on_date": "--on", "date": "--on", "counted_every": "--counted-every"}
_RECORDED = ("batches", "counts")
_RECORDS = "folder of batches.csv and counts.csv (default: FOLDER)"
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
        raise Refused([Fault(*words.NOTHING_RUNS, "orders.csv")])
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


def _by_option(error: Refused) -> Refused:
    """Return a refusal of arguments by the names of their options."""
    return Refused([replace(one, column=_OPTIONS.get(one.column, one.column)) for one in error.faults])


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
