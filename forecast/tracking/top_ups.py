"""Orders placed today that make up for what is likely to be missing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from forecast.ordering.order import Orders
from forecast.season.consistency import first_delivery
from forecast.season.season import Season
from forecast.weeks import Week
from forecast.words import records as words


class Awaited(NamedTuple):
    """How likely a target is met without a top-up if the overdue plants of its variety arrive by a week."""

    variety: str
    quantity: int
    arrives: Week
    target: int
    by: Week
    chance: float


@dataclass(frozen=True, repr=False)
class TopUp(Orders):
    """Orders that make up for what is likely to be missing of a running season.

    Parameters
    ----------
    orders, unmet
        As for `Orders`. Overdue plants are not counted on.
    awaited
        For each target that falls short and would be met more often if the overdue plants of its variety arrived now:
        variety, quantity of these plants, the week by which they arrive, target, by, and the chance without a top-up.
    """

    awaited: tuple[Awaited, ...] = ()

    def __str__(self) -> str:
        lines = [super().__str__(), *(words.awaited(**one._asdict()) for one in self.awaited)]
        return "\n".join(filter(None, [*lines, words.ASK_FIRST if self.awaited else ""]))


def too_late(season: Season, variety: str, *, by: Week, ordered: Week) -> str:
    """Return why no delivery of an order placed in a week comes in time."""
    arrivals = {row: first_delivery(row, ordered) for row in season.price_lines(variety)}
    possible = [week for row, week in arrivals.items() if week <= row.last_week]
    row = max(arrivals, key=lambda row: row.last_week, default=None)
    last = None if possible or row is None else row.last_week
    arrival = min(possible, default=None if row is None else arrivals[row])
    return words.no_top_up(variety=variety, by=by, ordered=ordered, arrival=arrival, last=last)
