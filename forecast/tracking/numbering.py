"""The batches of a running season, those that came and those still to come, each with its luck."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from forecast.records.batches import BatchRecord
from forecast.records.order_matching import MatchedOrders
from forecast.season.orders import Delivery
from forecast.season.season import Season
from forecast.weeks import Week

_Key = tuple[str, Week, str]


class RunningBatch(NamedTuple):
    """A batch that came, or what is still to come of an order [plants], and its number among those of its variety."""

    variety: str
    week: Week
    lab: str
    name: str
    number: int
    came: BatchRecord | None
    plants: int


def running_batches(season: Season, batches: Sequence[BatchRecord], matched: MatchedOrders) -> list[RunningBatch]:
    """Return all batches of a season by variety, week, lab and name.

    An order has the number that it has in a forecast made before the season. Its first batch takes it over, and so
    keeps its luck whenever it comes; other batches, and the rest of an order that came in part, are numbered after.
    """
    last: dict[str, int] = defaultdict(int)
    free: dict[_Key | None, int] = {}
    for order in sorted({_key(row) for row in season.orders}):
        last[order[0]] += 1
        free[order] = last[order[0]]
    found = []
    for key, row in (*_came(batches, matched), *_to_come(matched)):
        if key not in free:
            last[row.variety] += 1
        found.append(row._replace(number=free.pop(key, last[row.variety])))
    return sorted(found, key=lambda row: row[:4])


def _key(order: Delivery) -> _Key:
    return order.variety, order.week, order.lab or ""


def _came(batches: Sequence[BatchRecord], matched: MatchedOrders) -> Iterator[tuple[_Key | None, RunningBatch]]:
    """Yield each batch that came, without its number, and the first order of its variety that it came of."""
    keys: dict[str, _Key] = {}
    for one in matched.orders:
        for batch, _ in one.batches:
            if batch.variety == one.order.variety:
                keys.setdefault(batch.batch, _key(one.order))
    rows = (RunningBatch(row.variety, Week.of(row.delivered), row.lab or "", row.batch, 0, row, 0) for row in batches)
    yield from ((keys.get(row.name), row) for row in sorted(rows, key=lambda row: row[:4]))


def _to_come(matched: MatchedOrders) -> Iterator[tuple[_Key, RunningBatch]]:
    """Yield what is still to come of the orders of each variety, week and lab, without its number."""
    plants: dict[_Key, int] = defaultdict(int)
    for one in matched.orders:
        plants[_key(one.order)] += one.to_come
    yield from ((key, RunningBatch(*key, "", 0, None, number)) for key, number in sorted(plants.items()) if number)
