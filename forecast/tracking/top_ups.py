"""Orders placed today that make up for what is likely to be missing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import pandas as pd

from forecast.errors import OutOfReach
from forecast.ordering.order import Order, order_table
from forecast.season.consistency import first_delivery
from forecast.season.season import Season
from forecast.weeks import Week
from forecast.words import orders as order_words
from forecast.words import records as words
from forecast.words.results import Result


class Awaited(NamedTuple):
    """How likely a target is met without a top-up if the overdue plants of its variety arrive by a week."""

    variety: str
    quantity: int
    arrives: Week
    target: int
    by: Week
    chance: float


@dataclass(frozen=True, repr=False)
class TopUp(Result):
    """Orders that make up for what is likely to be missing of a running season.

    Parameters
    ----------
    orders
        One for each target that needs it and can be met. Overdue plants are not counted on.
    unmet
        Why the others cannot.
    awaited
        For each target that falls short and would be met more often if the overdue plants of its variety arrived now:
        variety, quantity of these plants, the week by which they arrive, target, by, and the chance without a top-up.
    """

    orders: tuple[Order, ...]
    unmet: tuple[OutOfReach, ...]
    awaited: tuple[Awaited, ...] = ()

    def __iter__(self) -> Iterator[Order]:
        return iter(self.orders)

    def __len__(self) -> int:
        return len(self.orders)

    def facts(self) -> dict[str, object]:
        """Return the number of orders and of unmet targets, draws and seed."""
        counts: dict[str, object] = {"orders": len(self.orders), "unmet": len(self.unmet)}
        streams = self.orders[0].case.streams if self.orders else None
        return counts | ({"draws": streams.draws, "seed": streams.seed} if streams else {})

    def table(self) -> pd.DataFrame:
        """Return a row for each order: what to order, how sure it is, what it costs."""
        return order_table(self.orders)

    def __str__(self) -> str:
        if not (self.orders or self.unmet):
            return words.NO_TOP_UP_NEEDED
        excessive = [order.excess is not None for order in self.orders] + [False] * len(self.unmet)
        orders = order_words.several([str(one) for one in (*self.orders, *self.unmet)], excessive)
        lines = [orders, *(words.awaited(**one._asdict()) for one in self.awaited)]
        return "\n".join(filter(None, [*lines, words.ASK_FIRST if self.awaited else ""]))


def too_late(season: Season, variety: str, *, by: Week, ordered: Week) -> str:
    """Return why no delivery of an order placed in a week comes in time."""
    arrivals = {row: first_delivery(row, ordered) for row in season.price_lines(variety)}
    possible = [week for row, week in arrivals.items() if week <= row.closes]
    row = max(arrivals, key=lambda row: row.closes, default=None)
    last = None if possible or row is None else row.closes
    arrival = min(possible, default=None if row is None else arrivals[row])
    return words.no_top_up(variety=variety, by=by, ordered=ordered, arrival=arrival, last=last)
