"""What is to be done in which week, as a calendar file."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from importlib.metadata import version
from pathlib import Path
from uuid import NAMESPACE_OID, uuid5

import numpy as np
from icalendar import Calendar, Event, vText
from numpy.typing import NDArray

from forecast.errors import Refused, refuse
from forecast.growth.fate import Batch
from forecast.growth.outcome import Outcome
from forecast.growth.summaries import RANGE
from forecast.io.files_out import write_texts
from forecast.ordering.unit_costs import BEFORE
from forecast.planning.plan import Plan
from forecast.records.batches import read_day
from forecast.resources.money_flow import cash_flow
from forecast.show.page import CAUTIONS
from forecast.weeks import Week
from forecast.words.numbers import rounded, seasons

_UNNAMED = "a lab that is not named yet"
_BY_THE_WEEK = 7  # days


@dataclass(frozen=True)
class _Task:
    """One entry of the calendar: what makes it this one whatever its day, its kind, days, and what is said."""

    key: tuple[str, ...]
    kind: str
    first: date
    days: int
    said: str
    more: str
    place: str = ""


def write_calendar(
    plan: Plan | Outcome, path: str | os.PathLike[str], *, on_date: date | str | None = None, overwrite: bool = False
) -> None:
    """Write what is to be done in which week as an iCalendar file, which calendar programs open.

    Parameters
    ----------
    plan
        What to order, from `plan_orders`, or what comes of orders, from `simulate`.
    path
        The file; its name ends in ``.ics``.
    on_date
        Day of this version, by which calendars tell a newer one; the first Monday of the season if not given.
    overwrite
        Whether a file that is there may be replaced.

    Raises
    ------
    Refused
        If the name ends otherwise, the file is there already and `overwrite` is not asked for, nothing is ordered, or
        the season has begun.

    Notes
    -----
    All entries last whole days. On the first Monday of the season: orders and deposits. In their week: deliveries, the
    moves to each stage, and ready plants. On the Monday of their week: balances with freight, and what is wanted.

    A move, or ready plants, stand in the week by which half of those plants of a batch that live to enter the stage (to
    be saleable) have entered it: the middle one of all draws. Stages that plants enter as they come are named in the
    delivery; so are moves that half of the draws do not see by the end of the season. Payments are those of
    `cash_flow`; if it refuses the orders, the description of the calendar says why there are none.

    An entry keeps its identifier when only its day or number changes, so that a newer file replaces it in a calendar.
    The time of writing stands nowhere: the same plan gives the same bytes.

    References
    ----------
    Desruisseaux, B. (2009). Internet Calendaring and Scheduling Core Object Specification (iCalendar). RFC 5545.

    Daboo, C. (2016). New Properties for iCalendar. RFC 7986.
    """
    file = Path(path)
    if file.suffix.lower() != ".ics":
        raise refuse("path", str(path), "not the name of a calendar", "Let it end in .ics.")
    if isinstance(plan, Plan) and not plan.orders:
        raise refuse("plan", None, "nothing is ordered", "See why in the plan's text, and change the season.")
    outcome = plan.outcome if isinstance(plan, Plan) else plan
    if outcome.begun:
        remedy = "Give what simulate or plan_orders makes of the orders."
        raise refuse("plan", None, "a running season, whose deliveries have come in part", remedy)
    season = outcome.season
    told = [f"{outcome.draws:,} draws, seed {outcome.seed}, forecast {version('forecast')}.", *CAUTIONS]
    try:
        payments = list(_payments(outcome))
    except Refused as error:
        payments = []
        told.append(f"No payments are shown. {error}")
    tasks = [*_orders(outcome), *payments, *_wanted(outcome)]
    for batch in outcome.batches:
        tasks += _grown(outcome, batch)
    stamp = datetime.combine(season.first_week.monday if on_date is None else read_day(on_date), time(), UTC)
    calendar = Calendar()
    calendar.add("prodid", "-//forecast//plan//EN")
    calendar.add("version", "2.0")
    calendar.add("name", vText(season.name))  # else its commas would not be escaped
    calendar.add("description", "\n".join(told))
    for task in sorted(tasks, key=lambda task: (task.first, task.key)):
        event = Event()
        event.add("uid", str(uuid5(NAMESPACE_OID, "\n".join((season.name, str(season.first_week), *task.key)))))
        event.add("dtstamp", stamp)
        event.add("dtstart", task.first)
        event.add("dtend", task.first + timedelta(days=task.days))
        event.add("summary", task.said)
        event.add("description", task.more)
        event.add("categories", [task.kind])
        event.add("transp", "TRANSPARENT")  # it leaves the day free for appointments
        if task.place:
            event.add("location", task.place)
        calendar.add_component(event)
    write_texts({file.name: calendar.to_ical()}, file.parent, overwrite=overwrite)


def _orders(outcome: Outcome) -> Iterator[_Task]:
    by_lab: dict[str, list[Batch]] = defaultdict(list)
    for batch in outcome.batches:
        by_lab[batch.lab or _UNNAMED].append(batch)
    for lab, batches in by_lab.items():
        said = f"Order from {lab}: {sum(batch.quantity for batch in batches):,} plantlets"
        more = "\n".join(f"{batch.quantity:,} {batch.variety} for {batch.week}" for batch in batches)
        yield _Task(("order", lab), "order", outcome.season.first_week.monday, 1, said, more)


def _payments(outcome: Outcome) -> Iterator[_Task]:
    due: dict[tuple[Week, str, bool], list[tuple[str, float, str]]] = defaultdict(list)
    for row in cash_flow(outcome).entries().to_dict("records"):
        if row["table"] == "price_list":
            entry = (row["what"], round(-row["amount"], 2), row["variety"])
            due[Week.parse(row["week"]), row["lab"], row["what"] == "deposit"].append(entry)
    for (week, lab, at_once), entries in due.items():
        total = f"{sum(amount for _, amount, _ in entries):,.2f} {outcome.season.currency}"
        said = f"Pay {lab}, {'deposits' if at_once else 'balance and freight'}: {total}"
        more = "\n".join(f"{what} {amount:,.2f} for {variety}" for what, amount, variety in entries)
        key = ("deposit", lab) if at_once else ("payment", lab, str(week))
        yield _Task(key, "payment", week.monday, 1, said, more)


def _wanted(outcome: Outcome) -> Iterator[_Task]:
    ordered = outcome.targets().set_index(["variety", "week"])["chance"].to_dict()
    for row in outcome.season.targets:
        key = (row.variety, str(row.week))
        there = f"There in {seasons(ordered[key])}." if key in ordered else "Nothing of it is ordered."
        said = f"Target: {row.median_demand:,} {row.variety}"
        asked = f"Asked for: {row.demand}. " if row.demand else ""
        yield _Task(("target", *key), "target", row.week.monday, 1, said, f"{asked}{there}")


def _grown(outcome: Outcome, batch: Batch) -> Iterator[_Task]:
    """Return the delivery of a batch, and when half of its plants enter each later stage and are ready."""
    season, fate = outcome.season, outcome.fate(batch)
    route = season.route(batch.variety)
    of = (batch.variety, batch.lab or "", str(batch.week))
    source = f"from {batch.lab or _UNNAMED}, delivered {batch.week}"
    entered = 0  # stages that plants enter as they come
    while entered < len(route) and not any(row.typical for row in route[:entered]):
        entered += 1
    told = [f"Stages that begin: {', '.join(row.stage for row in route[:entered])}."]
    for stages, weeks in enumerate(_halves(outcome, batch)[entered:], start=entered):
        row = route[stages] if stages < len(route) else None
        low, middle, high = np.quantile(weeks, RANGE, method="inverted_cdf").tolist()
        if middle == season.weeks:
            told.append(f"By the end of the season not half are {f'in {row.stage}' if row else 'ready'}.")
            continue
        number = rounded(batch.quantity * float(fate.reached[stages].mean()))
        first, last = (season.first_week + week for week in (low, min(high, season.weeks - 1)))
        late = f"; in {seasons(float((weeks == season.weeks).mean()))} not by then" if high == season.weeks else ""
        more = (
            f"About {number} plants, {source}. Half of them are so far between the weeks of {first.monday} and "
            f"{last.monday}, nine times in ten{late}."
        )
        said = f"{batch.variety}: half in {row.stage}" if row else f"{batch.variety}: half are ready"
        key = ("stage", *of, row.stage) if row else ("ready", *of)
        when, place = (season.first_week + middle).monday, row.place if row else route[-1].place
        yield _Task(key, "move" if row else "ready", when, _BY_THE_WEEK, said, more, place)
    said = f"Delivery from {batch.lab or _UNNAMED}: {batch.quantity:,} {batch.variety}"
    place = route[entered - 1].place
    yield _Task(("delivery", *of), "delivery", batch.week.monday, _BY_THE_WEEK, said, "\n".join(told), place)


def _halves(outcome: Outcome, batch: Batch) -> NDArray[np.intp]:
    """Return the week of the season, from 0, in which half of those that will have left the first 0, 1, ... all stages.

    Returns
    -------
    array of shape (stages + 1, draws)
        The number of weeks in the season where half have not by its end.
    """
    ends = np.arange(1, outcome.season.weeks + 1, dtype=np.float64) - (batch.week - outcome.season.first_week) - BEFORE
    left = np.array(outcome.fate(batch).boundaries(ends))
    return np.asarray((left < 0.5).sum(axis=1), dtype=np.intp)
