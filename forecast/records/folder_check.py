"""Everything in a folder or workbook read at once: season and records, what is wrong with them, and what is odd."""

from __future__ import annotations

import os
from dataclasses import dataclass

from forecast.errors import Fault
from forecast.io.files_in import HEADER, RECORDS
from forecast.io.seasons import look_at_season
from forecast.io.tables import opened
from forecast.records.records import Records, look_at_records
from forecast.season.season import Season


@dataclass(frozen=True)
class Checked:
    """What a folder holds, if it can be used, everything that is wrong with it, and everything that is odd."""

    season: Season | None
    records: Records | None
    faults: tuple[Fault, ...]
    odd: tuple[Fault, ...]


def check_folder(path: str | os.PathLike[str]) -> Checked:
    """Read the season and, if there are any, the records of a folder or workbook; `Refused` if there is none."""
    source = opened(path, HEADER)
    season = look_at_season(source)
    if not any(table in source for table in RECORDS):
        return Checked(season.result, None, season.faults, season.odd)
    records = look_at_records(source, season.result)
    return Checked(season.result, records.result, season.faults + records.faults, season.odd + records.odd)
