"""Shipments: so many plantlets of a price-list line for one week, and what they cost together."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import pandas as pd

from forecast.errors import FIRST_ROW, Fault, Refused
from forecast.fates.fate import Batch
from forecast.ordering.price_breaks import PriceList
from forecast.season.consistency import first_delivery
from forecast.season.orders import Delivery
from forecast.season.price_list import PriceLine
from forecast.season.season import Season
from forecast.weeks import Week


class Box(NamedTuple):
    """What can be shared: boxes of one size and freight [currency], from one lab in one week."""

    lab: str
    week: Week
    freight: float
    plants: int

    def parts(self, plantlets: Any) -> Any:
        """Return how many boxes a number of plantlets fills, whole and parts; so many for each number of an array."""
        return plantlets / self.plants

    def whole(self, plantlets: Any) -> Any:
        """Return how many boxes are sent, and paid for; likewise."""
        return -(-plantlets // self.plants)

    def cost(self, plantlets: Any) -> Any:
        """Return the freight of these boxes [currency]; likewise."""
        return self.whole(plantlets) * self.freight

    def fewer(self, plantlets: int) -> int:
        """Return the most plantlets that come in one box less than so many."""
        return int(self.whole(plantlets) - 1) * self.plants

    @property
    def each(self) -> float:
        """Freight of a plantlet in a full box [currency]."""
        return self.freight / self.plants


@dataclass(frozen=True, repr=False)
class Shipment:
    """So many plantlets of one price-list line, delivered in one week.

    Examples
    --------
    >>> import forecast
    >>> season = forecast.read_season("demo_data")
    >>> prices, *_ = PriceList.of(season.price_lines("Hosta 'Quenvara'"))
    >>> shipment = Shipment(prices, season.first_week + 20, 300)
    >>> shipment.lab, round(shipment.price, 2), bill([shipment]).freight
    ('Birch Lab', 1380.0, 44.0)
    """

    prices: PriceList
    week: Week
    quantity: int

    def __repr__(self) -> str:
        return f"Shipment({self.quantity:,} of {self.variety} from {self.lab} for {self.week})"

    @property
    def line(self) -> PriceLine:
        """The price-list line that holds for the quantity."""
        return self.prices.row(self.quantity)

    @property
    def lab(self) -> str:
        """Who sends it."""
        return self.prices.lab

    @property
    def variety(self) -> str:
        """What is sent."""
        return self.prices.breaks[0].variety

    @property
    def price(self) -> float:
        """Price of the plantlets [currency], without freight."""
        return self.quantity * self.line.unit_price

    @property
    def box(self) -> Box | None:
        """The boxes it comes in; None if it comes without."""
        line = self.line
        return Box(line.lab, self.week, line.freight_per_box, line.plants_per_box) if line.plants_per_box else None

    @property
    def delivery(self) -> Delivery:
        """The shipment as a row of the season's orders."""
        return Delivery(variety=self.variety, week=self.week, quantity=self.quantity, lab=self.lab)


class Charge(NamedTuple):
    """What is paid for a shipment [currency]: deposit and balance make up the price; freight is its share of boxes."""

    shipment: Shipment
    price: float
    deposit: float
    balance: float
    freight: float


@dataclass(frozen=True, repr=False)
class Bill:
    """What shipments cost together: what is paid for each line, in their order, and how many plantlets share boxes."""

    charges: tuple[Charge, ...]
    together: Mapping[Box, int]

    def __repr__(self) -> str:
        return f"Bill({len(self.charges)} shipments, total={self.total:,.2f})"

    @property
    def boxes(self) -> dict[Box, int]:
        """Number of whole boxes."""
        return {box: box.whole(plants) for box, plants in self.together.items()}

    @property
    def price(self) -> float:
        """Price of all plantlets [currency]."""
        return sum(charge.price for charge in self.charges)

    @property
    def freight(self) -> float:
        """Freight of all boxes [currency]."""
        return float(sum(box.cost(plants) for box, plants in self.together.items()))

    @property
    def total(self) -> float:
        """Price and freight [currency]."""
        return self.price + self.freight

    def table(self) -> pd.DataFrame:
        """Return a row for each line, as `Plan.table` does."""
        rows = []
        for one, price, deposit, balance, _ in self.in_cents():
            what = one.lab, str(one.week), one.variety, one.line.form or "", one.quantity
            rows.append((*what, one.line.unit_price, price, deposit, balance))
        columns = ["lab", "week", "variety", "form", "quantity", "unit_price", "price", "deposit", "balance"]
        return pd.DataFrame(rows, columns=columns)

    def in_cents(self) -> Iterator[Charge]:
        """Return the charges to the cent: deposit and balance add up to the price, shares of freight to whole boxes."""
        sent: dict[Box, int] = defaultdict(int)
        for shipment, exact, due, *_ in self.charges:
            price, deposit, freight, box = round(exact, 2), round(due, 2), 0.0, shipment.box
            if box is not None:
                each = box.cost(self.together[box]) / self.together[box]
                before, sent[box] = sent[box], sent[box] + shipment.quantity
                freight = round(round(each * sent[box], 2) - round(each * before, 2), 2)
            yield Charge(shipment, price, deposit, round(price - deposit, 2), freight)


def together(shipments: Iterable[Shipment]) -> tuple[Shipment, ...]:
    """Put together what one lab sends of one price list in one week: its plants are one line, in the first one's place.

    So they reach the price break of their sum, and fill boxes together.
    """
    every = tuple(shipments)
    if len(every) < 2:
        return every
    plants: dict[tuple[PriceList, Week], int] = defaultdict(int)
    for one in every:
        plants[one.prices, one.week] += one.quantity
    if len(plants) == len(every):
        return every
    return tuple(Shipment(prices, week, quantity) for (prices, week), quantity in plants.items())


def packed(shipments: Iterable[Shipment]) -> dict[Box, int]:
    """Return how many plantlets of shipments share boxes."""
    found: dict[Box, int] = {}
    for one in shipments:
        if one.box is not None:
            found[one.box] = found.get(one.box, 0) + one.quantity
    return found


def bill(shipments: Iterable[Shipment]) -> Bill:
    """Price shipments together: each at the price break that it reaches, in boxes shared by lab and week.

    What one lab sends of one price list in one week is one line, and one charge (see `together`). Plantlets of one lab
    in one week share boxes of one size and freight, and whole boxes are paid for. A line bears the freight of its boxes
    by its part of their plantlets.
    """
    every = together(shipments)
    boxes, charges = packed(every), []
    for shipment in every:
        line, price, box, freight = shipment.line, shipment.price, shipment.box, 0.0
        if box is not None and shipment.quantity:
            freight = box.cost(boxes[box]) * shipment.quantity / boxes[box]
        charges.append(Charge(shipment, price, line.deposit * price, (1 - line.deposit) * price, freight))
    return Bill(tuple(charges), boxes)


def placed(season: Season) -> tuple[Shipment, ...]:
    """Return what is ordered already, by week, lab and variety: the rows of the season's orders that are placed.

    Each is the cheapest shipment of its lab that it can be (see `shipment_of`).
    """
    plants: dict[tuple[str, Week, str | None], int] = defaultdict(int)
    for row in season.orders:
        if row.placed == "yes" and row.quantity:
            plants[row.variety, row.week, row.lab] += row.quantity
    found = [
        shipment_of(season, Delivery(variety=variety, week=week, quantity=number, lab=lab, placed="yes"))
        for (variety, week, lab), number in plants.items()
    ]
    return together(sorted(found, key=lambda one: (one.week, one.lab, one.variety)))


def shipment_of(season: Season, order: Delivery | Batch) -> Shipment:
    """Return the cheapest shipment, freight included, that an order of a season can be, placed in its first week.

    If the order names no lab, it is any lab's. An order that no line covers is refused with what would be accepted. One
    that is placed already can have any number, and come sooner than if it were ordered now.
    """
    lists = [one for one in PriceList.of(season.price_lines(order.variety)) if order.lab in (None, one.lab)]
    rows = [
        (at, row)
        for at, row in enumerate(season.orders, start=FIRST_ROW)
        if (row.variety, row.week, row.lab) == (order.variety, order.week, order.lab)
    ]
    if sum(row.quantity for _, row in rows) != order.quantity:
        rows = []  # then the orders are not those of the season's table
    bound = isinstance(order, Delivery) and order.placed == "yes"
    bound = bound or (bool(rows) and all(row.placed == "yes" for _, row in rows))
    if possible := list(_possible(season, lists, order, bound=bound)):
        return min(possible, key=lambda one: bill([one]).total)
    raise Refused([_uncovered(season, lists, order, rows[0][0] if rows else None)])


def _possible(
    season: Season, lists: Sequence[PriceList], order: Delivery | Batch, *, bound: bool
) -> Iterator[Shipment]:
    """Return the shipments that an order can be; if it is `bound`, of any number, and whenever it was ordered."""
    if bound:
        spans = [(one.breaks[0].opens, one.breaks[0].closes) for one in lists]
        then = [one for one, (first, last) in zip(lists, spans, strict=True) if first <= order.week <= last]
        yield from (Shipment(one, order.week, order.quantity) for one in then or lists)
        return
    for one in lists:
        if order.week in one.weeks(season.first_week, order.week) and one.orderable(order.quantity) == order.quantity:
            yield Shipment(one, order.week, order.quantity)


def _uncovered(season: Season, lists: Sequence[PriceList], order: Delivery | Batch, row: int | None) -> Fault:
    """Return that no price-list line covers an order, with what would be accepted."""
    ordered, number = season.first_week, order.quantity
    timely = [one for one in lists if order.week in one.weeks(ordered, order.week)]
    whose = f" from {order.lab}" if order.lab else ""
    problem = f"no price-list line covers {number:,} of {order.variety} for {order.week}{whose}"
    value: int | str | None
    if timely:
        remedy = f"The next number that is accepted is {min(one.orderable(number) for one in timely):,}."
        column, value = "quantity", number
    elif lists:
        last = season.last_week
        spans = sorted({(first_delivery(one.breaks[0], ordered), min(one.breaks[0].closes, last)) for one in lists})
        windows = " or ".join(f"{first} to {last}" for first, last in spans)
        remedy, column, value = f"Ordered in {ordered}, it can come in {windows}.", "week", str(order.week)
    else:
        labs = ", ".join(sorted({line.lab for line in season.price_lines(order.variety)}))
        remedy = f"Labs that offer it: {labs}." if labs else "No lab offers it: add it to the price list."
        column, value = "lab", order.lab
    return Fault(problem, remedy, "orders", row, column, value)
