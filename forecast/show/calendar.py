"""What is to be done in which week, as a calendar file."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from importlib.metadata import version
from pathlib import Path
from typing import Any
from uuid import NAMESPACE_OID, uuid5

import numpy as np
from icalendar import Calendar, Event, vText
from numpy.typing import NDArray

from forecast.errors import Refused, refuse
from forecast.fates.fate import Batch
from forecast.files_out import write_texts
from forecast.growth.outcome import Outcome
from forecast.growth.summaries import RANGE
from forecast.ordering.reach import Excess
from forecast.ordering.unit_costs import BEFORE
from forecast.planning.plan import Plan
from forecast.resources.money_flow import cash_flow
from forecast.season.stages import Stage
from forecast.weeks import Week, read_day
from forecast.words import partner as words
from forecast.words.numbers import dated
from forecast.words.results import records

_BY_THE_WEEK = 7  # days
_ESCAPED = str.maketrans({"\\": r"\\", ";": r"\;", ",": r"\,", "\n": r"\n"})  # RFC 5545, 3.3.11


class _Text(vText):
    r"""A text that comes back as it was: the library takes a name's ``\N`` for the end of a line."""

    def to_ical(self) -> bytes:
        """Return it escaped."""
        return self.translate(_ESCAPED).encode()


@dataclass(frozen=True)
class _Task:
    """One entry of the calendar: what identifies it whatever its day, its kind, days, title, text and place."""

    key: tuple[str, ...]
    kind: str
    first: date
    days: int
    title: str
    text: str
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
        Whether an existing file may be replaced.

    Raises
    ------
    Refused
        If the name ends otherwise, the file exists and `overwrite` is false, nothing is ordered, or the season has
        begun.

    Notes
    -----
    All entries last whole days. On the first Monday of the season: orders and deposits. In their week: deliveries, the
    transfer to each stage, and ready plants. On the Monday of their week: balances with freight, and targets; of a
    target that is sold over weeks, the first Monday and the last week.

    A transfer, or ready plants, is in the week by which half of those plants of a batch that live to enter the stage
    (to be saleable) have entered it: the median of all draws. The delivery names the stages that plants enter as they
    come, and transfers that half of the draws do not see by the end of the season. Payments are those of `cash_flow`;
    if it refuses the orders, the description of the calendar says why there are none.

    An entry keeps its identifier when only its day or number changes, so that a newer file replaces it in a calendar.
    No time of writing is kept: the same plan gives the same bytes.

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
    outcome = plan.simulate() if isinstance(plan, Plan) else plan
    if outcome.begun:
        remedy = "Give what simulate or plan_orders makes of the orders."
        raise refuse("plan", None, "a running season, some of whose deliveries have arrived", remedy)
    season = outcome.season
    about = [words.made_with(version=version("forecast"), draws=outcome.draws, seed=outcome.seed), *words.CAUTIONS]
    try:
        payments = list(_payments(outcome))
    except Refused as error:
        payments = []
        about.append(words.NOT_SHOWN.format(what="payments", error=error))
    tasks = [*_orders(outcome, plan.excess if isinstance(plan, Plan) else ()), *payments]
    tasks += _targets(outcome)
    for batch in outcome.batches:
        tasks += _grown(outcome, batch)
    stamp = datetime.combine(season.first_week.monday if on_date is None else read_day(on_date), time(), UTC)
    calendar = Calendar()
    calendar.add("prodid", "-//forecast//plan//EN")
    calendar.add("version", "2.0")
    calendar.add("name", _Text(season.name))
    calendar.add("description", _Text("\n".join(about)))
    for task in sorted(tasks, key=lambda task: (task.first, task.key)):
        event = Event()
        event.add("uid", str(uuid5(NAMESPACE_OID, "\n".join((season.name, str(season.first_week), *task.key)))))
        event.add("dtstamp", stamp)
        event.add("dtstart", task.first)
        event.add("dtend", task.first + timedelta(days=task.days))
        event.add("summary", _Text(task.title))
        event.add("description", _Text(task.text))
        event.add("categories", [task.kind])
        event.add("transp", "TRANSPARENT")  # it leaves the day free for appointments
        if task.place:
            event.add("location", _Text(task.place))
        calendar.add_component(event)
    write_texts({file.name: calendar.to_ical()}, file.parent, overwrite=overwrite)


def _orders(outcome: Outcome, excess: Sequence[Excess]) -> Iterator[_Task]:
    by_lab: dict[str, list[Batch]] = defaultdict(list)
    for batch in outcome.ordered:
        by_lab[batch.lab or words.UNNAMED_LAB].append(batch)
    for lab, batches in by_lab.items():
        title = words.ORDER_FROM.format(lab=lab, plantlets=sum(batch.quantity for batch in batches))
        lines = [words.ORDER_LINE.format(row.quantity, row.variety, dated(row.week)) for row in batches]
        lines += [str(one) for one in excess if one.variety in {row.variety for row in batches}]
        yield _Task(("order", lab), "order", outcome.season.first_week.monday, 1, title, "\n".join(lines))


def _payments(outcome: Outcome) -> Iterator[_Task]:
    due: dict[tuple[Week, str, bool], list[dict[str, Any]]] = defaultdict(list)
    for row in cash_flow(outcome).entries().to_dict("records"):
        if row["table"] == "price_list":
            entry = {"what": row["what"], "amount": round(-row["amount"], 2), "variety": row["variety"]}
            due[Week.parse(row["week"]), row["lab"], row["what"] == "deposit"].append(entry)
    for (week, lab, deposits), entries in due.items():
        total = sum(entry["amount"] for entry in entries)
        title = words.payment(lab=lab, deposits=deposits, total=total, currency=outcome.season.currency)
        lines = [words.PAYMENT_LINE.format(**entry) for entry in entries]
        key = ("deposit", lab) if deposits else ("payment", lab, str(week))
        yield _Task(key, "payment", week.monday, 1, title, "\n".join(lines))


def _targets(outcome: Outcome) -> Iterator[_Task]:
    """Return an entry for each target, or for the first and the last week of its sale."""
    reached = records(outcome.targets())
    met = {(row["variety"], row["week"], row.get("channel") or None): row["chance"] for row in reached}
    for row in outcome.season.targets:
        named = row.median_demand, row.variety, row.channel
        key = (row.variety, str(row.week), *([row.channel] if row.channel else []))
        demand = str(row.demand) if row.demand else None
        text = words.target_note(demand=demand, chance=met.get((row.variety, str(row.week), row.channel)))
        ends = row.last != row.week
        title = words.target_title(*named, sale="begins" if ends else None)
        yield _Task(("target", *key), "target", row.week.monday, 1, title, text)
        if ends:
            title = words.target_title(*named, sale="ends")
            yield _Task(("target ends", *key), "target", row.last.monday, _BY_THE_WEEK, title, text)


def _grown(outcome: Outcome, batch: Batch) -> Iterator[_Task]:
    """Return the delivery of a batch, and when half of its plants enter each later stage and are ready."""
    season, fate, lab = outcome.season, outcome.fate(batch), batch.lab or words.UNNAMED_LAB
    route = season.route(batch.variety)
    of = (batch.variety, batch.lab or "", str(batch.week) if batch.there is None else batch.luck)
    there = None if batch.there is None else (batch.there.stage, batch.there.since)
    entered = _entered(route, batch)
    about = [words.STAGES.format(stages=", ".join(row.stage for row in route[:entered]))]
    for stages, weeks in enumerate(_halves(outcome, batch)[entered:], start=entered):
        row = route[stages] if stages < len(route) else None
        low, median, high = np.quantile(weeks, RANGE, method="inverted_cdf").tolist()
        if median == season.weeks:
            about.append(words.not_half(row.stage if row else None))
            continue
        first, last = ((season.first_week + week).monday for week in (low, min(high, season.weeks - 1)))
        never = float((weeks == season.weeks).mean()) if high == season.weeks else 0.0
        text = words.half_note(
            plants=batch.quantity * float(fate.reached[stages].mean()), lab=lab, delivered=batch.week, first=first,
            last=last, never=never, ready=row is None, there=there,
        )  # fmt: skip
        title = words.half_entry(batch.variety, row.stage if row else None)
        key = ("stage", *of, row.stage) if row else ("ready", *of)
        when, place = (season.first_week + median).monday, (row or route[-1]).place
        yield _Task(key, "move" if row else "ready", when, _BY_THE_WEEK, title, text, place)
    if there is not None:
        return
    title = words.DELIVERY.format(lab=lab, quantity=batch.quantity, variety=batch.variety)
    place = route[entered - 1].place
    yield _Task(("delivery", *of), "delivery", batch.week.monday, _BY_THE_WEEK, title, "\n".join(about), place)


def _entered(route: Sequence[Stage], batch: Batch) -> int:
    """Return how many stages plants have entered as they come, or as the season begins: the first one at least."""
    entered = 0
    while entered < len(route) and not any(row.typical for row in route[:entered]):
        entered += 1
    if batch.there is None:
        return entered
    names = [row.stage for row in route]
    return names.index(batch.there.stage) + 1 if batch.there.stage in names else len(route) + 1


def _halves(outcome: Outcome, batch: Batch) -> NDArray[np.intp]:
    """Return the week, from 0, in which half of those that will have left the first 0, 1, ... all stages.

    Of shape (stages + 1, draws); the number of weeks of the season where half have not by its end.
    """
    ends = np.arange(1, outcome.season.weeks + 1, dtype=np.float64) - (batch.week - outcome.season.first_week) - BEFORE
    left = np.array(outcome.fate(batch).boundaries(ends))
    return np.asarray((left < 0.5).sum(axis=1), dtype=np.intp)
