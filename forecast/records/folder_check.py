"""Everything in a folder or workbook read at once: season and records, what is wrong with them, and what is odd."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass

from forecast.errors import Fault
from forecast.io.as_written import Understood
from forecast.io.files_in import HEADER, RECORDS
from forecast.io.seasons import look_at_season
from forecast.io.tables import opened
from forecast.records.order_matching import match_orders
from forecast.records.records import Records, look_at_records
from forecast.season.season import Season
from forecast.words import records as words


@dataclass(frozen=True)
class Checked:
    """What a folder holds, if it can be used, all that is wrong with it, all that is odd, and what was understood."""

    season: Season | None
    records: Records | None
    faults: tuple[Fault, ...]
    odd: tuple[Fault, ...]
    understood: tuple[Understood, ...]


def check_folder(path: str | os.PathLike[str]) -> Checked:
    """Read the season and, if there are any, the records of a folder or workbook; `Refused` if there is none."""
    source = opened(path, HEADER)
    season = look_at_season(source)
    if not any(table in source for table in RECORDS):
        return Checked(season.result, None, season.faults, season.odd, season.understood)
    records = look_at_records(source, season.result)
    odd = season.odd + records.odd
    if season.result and records.result and "batches" in source:
        unlike = _unlike_orders(season.result, records.result)
        odd += tuple(fault.placed(source.place(fault.table), None) for fault in unlike)
    faults, found = season.faults + records.faults, season.understood + records.understood
    return Checked(season.result, records.result, faults, odd, found)


def _unlike_orders(season: Season, records: Records) -> Iterator[Fault]:
    """List the orders of a season that did not come by the last day of its records, and batches unlike their orders."""
    matched = match_orders(season.orders, (row for row in records.batches if row.delivered >= season.first_week.monday))
    days = [row.delivered for row in records.batches]
    days += [row.date for rows in (records.counts, records.weather) for row in rows]
    if days:
        for sentence in matched.overdue(max(days)):
            yield Fault(sentence.removesuffix("."), words.not_recorded(max(days)), "orders")
    for sentence in matched.remarks():
        yield Fault(sentence.removesuffix("."), "", "batches")
