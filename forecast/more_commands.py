"""What commands do once there is a season: today, learn and whatif."""

from __future__ import annotations

import argparse
import sys
from contextlib import suppress
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from forecast.errors import Fault, Refused
from forecast.files_out import check_free
from forecast.io.files_in import HEADER, OPTIONAL
from forecast.io.seasons import read_season, write_season
from forecast.io.tables import opened
from forecast.season.season import TABLES, Season
from forecast.streams import PLANNING_DRAWS
from forecast.weeks import read_day
from forecast.words import orders as order_words
from forecast.words import records as words
from forecast.words.numbers import counted
from forecast.words.results import plain, records

if TYPE_CHECKING:
    from forecast.records.learned_season import LearnedSeason
    from forecast.records.records import Records
    from forecast.tracking.reforecasting import Reforecast
    from forecast.tracking.top_ups import TopUp

OUT_OF_REACH = 1
_OPTIONS = {"on_date": "--on", "date": "--on", "counted_every": "--counted-every"}
_RECORDED = ("batches", "counts")
_RECORDS = "folder of batches.csv and counts.csv (default: FOLDER)"
_WRITE = "folder to write the season with learned survivals and times into, such as my_season_learned"
_OVERWRITE = "replace existing files"
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
        raise Refused([Fault(*words.NOTHING_COUNTED, "batches.csv")])
    learned = learn(season, found)
    scores = scorecard(season, found, draws=parsed.draws, seed=parsed.seed)
    print(words.LEARNED.format(season=season.name, batches=words.batches(len(found.batches))))
    print(f"\n{_rates(learned)}\n\n{learned}")
    if scores.facts()["forecasts"]:
        print(scores)
    with suppress(BrokenPipeError):  # whoever reads it has had enough, and gets the files all the same
        sys.stdout.flush()
    if parsed.write is not None:
        write_season(learned, parsed.write, overwrite=parsed.overwrite)
        print(words.learned_written(parsed.write))
    return 0


def _check_out(parsed: argparse.Namespace, season: Season) -> None:
    """Refuse, before any work is done, a folder into which the learned season cannot be written."""
    if parsed.write is None:
        return
    names = [HEADER, *(f"{table}.csv" for table in TABLES if getattr(season, table) or table not in OPTIONAL)]
    out = check_free(names, parsed.write, overwrite=parsed.overwrite or _same(parsed.write, parsed.folder))
    if _same(out, parsed.folder):
        raise Refused([Fault(*words.SAME_FOLDER, column="--write", value=parsed.write)])


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
