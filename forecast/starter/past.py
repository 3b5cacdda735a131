"""A small past to begin with: batches of two years and their counts."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta

from forecast.records.batches import BatchRecord, CountRecord
from forecast.records.records import Records
from forecast.weeks import Week

LABS = ("Our lab", "Another lab")
VARIETIES = ("Hosta 'First'", "Hosta 'Second'")

# Weeks from delivery to a count, the stage, and the part of those alive that is moved on.
_COUNTS = (
    (0, "acclimatisation", 0.0),
    (2, "acclimatisation", 0.0),
    (4, "acclimatisation", 0.35),
    (5, "acclimatisation", 0.6),
    (6, "acclimatisation", 1.0),
    (10, "growing on", 0.0),
    (13, "growing on", 0.25),
    (15, "growing on", 0.55),
    (17, "growing on", 1.0),
    (20, "hardening", 0.0),
    (22, "hardening", 0.2),
    (22, "grading", 0.0),
    (24, "hardening", 0.55),
    (24, "grading", 0.0),
    (27, "hardening", 1.0),
    (27, "grading", 0.0),
)
# Weeks from today to delivery, variety, lab, plants received, and those discarded at each count; all invented.
_BATCHES = (
    (-72, 0, 0, 432, (9, 31, 24, 9, 6, 8, 5, 2, 1, 6, 4, 2, 2, 6, 1, 5)),
    (-71, 1, 1, 144, (2, 16, 9, 4, 3, 4, 2, 1, 0, 3, 2, 1, 1, 3, 0, 2)),
    (-70, 0, 1, 288, (11, 27, 22, 8, 4, 9, 4, 2, 1, 8, 3, 1, 3, 4, 2, 5)),
    (-20, 0, 0, 360, (5, 19, 14, 6, 3, 5, 3, 1, 1, 4)),
    (-19, 1, 1, 240, (6, 20, 15, 5, 4, 6, 3, 1, 1)),
    (-18, 0, 1, 144, (2, 9, 8, 3, 2, 3, 2, 1, 0)),
)


def records_until(today: Week) -> Records:
    """Make the records beside the season to begin with: finished and running batches, last counted in a week."""
    batches: list[BatchRecord] = []
    counts: list[CountRecord] = []
    for number, (weeks, variety, lab, received, losses) in enumerate(_BATCHES, start=1):
        delivered = (today + weeks).monday
        batch = BatchRecord(
            batch=f"B{delivered:%y}-{number:02}", variety=VARIETIES[variety], lab=LABS[lab], delivered=delivered,
            ordered=received, received=received, dead_on_arrival=losses[0],
        )  # fmt: skip
        batches.append(batch)
        counts += _counted(batch, losses, today.monday)
    return Records(batches=batches, counts=counts)


def _counted(batch: BatchRecord, losses: tuple[int, ...], last: date) -> Iterator[CountRecord]:
    """Follow a batch from count to count, so that every plant is accounted for."""
    stages = list(dict.fromkeys(stage for _, stage, _ in _COUNTS))
    standing = dict.fromkeys(stages, 0) | {stages[0]: batch.received}
    for (weeks, stage, part), lost in zip(_COUNTS, losses, strict=False):
        day = batch.delivered + timedelta(weeks=weeks)
        if day > last:
            return
        alive = standing[stage] - lost
        sold = alive if stage == stages[-1] else 0
        moved = round(part * alive)
        standing[stage] = alive - moved - sold
        if moved:
            standing[stages[stages.index(stage) + 1]] += moved
        yield CountRecord(
            batch=batch.batch, date=day, stage=stage, alive=alive, transferred=moved, saleable=sold,
            losses=lost if weeks else 0,
        )  # fmt: skip
