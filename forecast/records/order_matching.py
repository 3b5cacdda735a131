"""Which batches came of which orders, and what of each order is still to come."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from forecast.records.batches import BatchRecord
from forecast.season.orders import Delivery
from forecast.weeks import Week
from forecast.words import records as words

if TYPE_CHECKING:
    import pandas as pd

State = Literal["delivered", "expected", "overdue"]

_FAR = 4  # weeks between a batch and its order beyond which this is said
_TOLERANCE = 0.1  # of an order by which labs deliver more or less: common practice, no source


class _Pair(NamedTuple):
    """A batch and an order that it may have come of, and how they rank: the smallest rank is matched first."""

    rank: tuple[object, ...]
    batch: int
    order: int


@dataclass(frozen=True)
class OrderStatus:
    """What came of an order, and what is still to come of it [plants].

    `batches` are those that came of it, each with the plants that it brought.
    """

    order: Delivery
    to_come: int
    batches: tuple[tuple[BatchRecord, int], ...] = ()

    @property
    def received(self) -> int:
        """Plants that came."""
        return sum(plants for _, plants in self.batches)

    @property
    def rest(self) -> Delivery:
        """What is still to come, as an order."""
        return self.order.replace(quantity=self.to_come)

    @property
    def surplus(self) -> int:
        """Plants that came or are to come beyond those ordered; below 0 if some will not come."""
        return self.received + self.to_come - self.order.quantity

    def state(self, today: date) -> State:
        """Return whether nothing more is to come, or some is and its week is not over, or is."""
        if not self.to_come:
            return "delivered"
        return "expected" if self.order.week >= Week.of(today) else "overdue"


@dataclass(frozen=True)
class MatchedOrders:
    """The orders of a season, and the batches that came of none of them."""

    orders: tuple[OrderStatus, ...]
    unordered: tuple[BatchRecord, ...]

    def table(self, today: date) -> pd.DataFrame:
        """Return a row for each order, by variety and week.

        Returns
        -------
        DataFrame
            variety, lab, week, quantity; batch (names, divided by commas), received and to_come [plants]; state:
            delivered, expected, or overdue if its week is over and plants are still to come.
        """
        rows = [
            (
                *(one.order.variety, one.order.lab or "", str(one.order.week), one.order.quantity),
                *(", ".join(batch.batch for batch, _ in one.batches), one.received, one.to_come, one.state(today)),
            )
            for one in self.orders
        ]
        names = ["variety", "lab", "week", "quantity", "batch", "received", "to_come", "state"]
        import pandas as pd  # noqa: PLC0415 (takes a fifth of a second, and matching needs none)

        return pd.DataFrame(rows, columns=names)

    def overdue(self, today: date) -> Iterator[str]:
        """Return the orders whose week is over and of which plants are still to come."""
        for one in self.orders:
            if one.state(today) == "overdue":
                yield words.overdue(**_cells(one.order), to_come=one.to_come)

    def remarks(self) -> Iterator[str]:
        """Return what does not fit: batches without an order, or far from its week, and orders of another number.

        Labs deliver a little more or less than ordered: a little more is not said, a little less is, without advice.
        """
        for batch in self.unordered if self.orders else ():
            cells = {name: getattr(batch, name) for name in ("batch", "variety", "lab", "received", "order")}
            yield words.unordered(**cells, delivered=batch.delivered)
        for one in self.orders:
            order, names = _cells(one.order), [batch.batch for batch, _ in one.batches]
            for batch, _ in one.batches:
                late = _weeks_late(batch, one.order)
                if abs(late) > _FAR:
                    yield words.far_from_order(**order, batch=batch.batch, late=late)
            if abs(one.surplus) > _TOLERANCE * one.order.quantity:
                yield words.other_number(**order, batches=names, received=one.received, surplus=one.surplus)
            elif one.surplus < 0 and not one.to_come:
                yield words.came_short(**order, received=one.received)
            ordered = sum(batch.ordered for batch, _ in one.batches)
            if len(one.batches) > 1 and ordered > (1 + _TOLERANCE) * max(one.order.quantity, one.received):
                yield words.ordered_twice(**order, batches=names, ordered=ordered)


def match_orders(orders: Iterable[Delivery], batches: Iterable[BatchRecord]) -> MatchedOrders:
    """Return which batches came of which orders.

    Notes
    -----
    A batch that names its order came of that one; if the name has several rows, of one of its variety if there is one.
    Any other came of the order of its variety and lab, of which plants are still to come, whose week is nearest; an
    order or a batch without a lab fits any lab, if none fits better. Pairs are matched from the nearest on; of equally
    near ones the most alike in number, then the earlier order. A batch with more ordered than is to come of its order
    fills other orders that it covers whole. One that finds no plants still to come is a part of the nearest order that
    came short, if there is one; else it came of no order. Orders of one variety, lab, week and name are one.

    Of an order is still to come what its batches neither brought nor state as ``ordered``. So of 1,000 plants 400 are
    to come after a batch of 600 ordered and 600 received; after one of 1,000 ordered and 600 received none are: the 400
    are losses of the delivery. Quantity = received + to come - surplus.
    """
    book = _Book(_together(orders), sorted(batches, key=lambda row: (row.delivered, row.batch)))
    pairs = sorted(book.pairs())
    for named in (True, False):
        for _, batch, order in pairs:
            if (book.batches[batch].order is not None) == named:
                book.match(batch, order)
    for _, batch, order in pairs:
        book.add(batch, order)
    return book.matched()


def _together(orders: Iterable[Delivery]) -> list[Delivery]:
    """Return orders with those of one variety, week, lab and name as one."""
    found: dict[tuple[str, Week, str, str], int] = defaultdict(int)
    for row in orders:
        found[row.variety, row.week, row.lab or "", row.order or ""] += row.quantity
    return [
        Delivery(variety=variety, week=week, quantity=quantity, lab=lab or None, order=name or None)
        for (variety, week, lab, name), quantity in sorted(found.items())
    ]


class _Book:
    """Orders, of each what is still to come, and batches, of each what no order has yet."""

    def __init__(self, orders: Sequence[Delivery], batches: Sequence[BatchRecord]) -> None:
        self.orders, self.batches = orders, batches
        self.to_come = [row.quantity for row in orders]
        self.left = [row.ordered for row in batches]
        self.taken: list[dict[int, int]] = [{} for _ in batches]  # plants by order, of each batch

    def pairs(self) -> Iterator[_Pair]:
        """Return every batch with every order that it may have come of."""
        fitting: dict[tuple[str, str | None], list[int]] = defaultdict(list)
        for at, one in enumerate(self.orders):
            for name in {None, one.order}:
                fitting[one.variety, name].append(at)
            fitting["", one.order].append(at)
        for at, row in enumerate(self.batches):
            named = fitting["", row.order] if row.order else []
            for other in fitting[row.variety, row.order] or named:
                order = self.orders[other]
                if row.order or order.lab is None or row.lab in (None, order.lab):
                    unlike = row.lab != order.lab, abs(row.ordered - order.quantity)
                    yield _Pair((abs(_weeks_late(row, order)), *unlike, other, at), at, other)

    def match(self, batch: int, order: int) -> None:
        """Let a batch fill an order if it has none yet, or covers it whole with what it has left."""
        if self.to_come[order] and (not self.taken[batch] or self.left[batch] >= self.to_come[order]):
            plants = min(self.left[batch], self.to_come[order])
            self.taken[batch][order] = plants
            self.left[batch] -= plants
            self.to_come[order] -= plants

    def add(self, batch: int, order: int) -> None:
        """Let a batch that has no order be a part of one that came short, or of the one that it names."""
        if self.taken[batch]:
            return
        brought = sum(row.received for row, own in zip(self.batches, self.taken, strict=True) if order in own)
        if self.batches[batch].order or brought < self.orders[order].quantity:
            self.taken[batch][order] = 0

    def matched(self) -> MatchedOrders:
        """Return what came of each order: of a batch of several orders to each what it took, to the last the rest."""
        brought: dict[int, list[tuple[BatchRecord, int]]] = defaultdict(list)
        for row, own in zip(self.batches, self.taken, strict=True):
            left = row.received
            for order, taken in own.items():
                plants = left if order == next(reversed(own)) else min(left, taken)
                brought[order].append((row, plants))
                left -= plants
        found = []
        for at, one in enumerate(self.orders):
            lacking = max(one.quantity - sum(plants for _, plants in brought[at]), 0)
            found.append(OrderStatus(one, min(self.to_come[at], lacking), tuple(brought[at])))
        return MatchedOrders(
            tuple(found),
            tuple(row for row, own in zip(self.batches, self.taken, strict=True) if not own),
        )


def _weeks_late(batch: BatchRecord, order: Delivery) -> int:
    return Week.of(batch.delivered) - order.week


def _cells(order: Delivery) -> dict[str, Any]:
    """Return the cells of an order that its sentences name."""
    return {name: getattr(order, name) for name in ("variety", "lab", "week", "quantity")}
