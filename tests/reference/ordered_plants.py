"""Orders and deliveries kept plant by plant: what the tables mean, without any matching.

Every plant ordered is an object. A lab sends it on a day, never sends it, or sends one that nobody ordered; a batch is
a list of such plants. So which order a plant came of is known and need not be found.
"""

import random
from dataclasses import dataclass, field
from datetime import date, timedelta


@dataclass
class Plant:
    """One plant: the order it was ordered in (None if nobody ordered it), and the day it came, if it did."""

    order: int | None
    came: date | None = None
    batch: str | None = None


@dataclass
class Ledger:
    """Rows of the tables orders and batches, and the plants behind them."""

    orders: list[dict] = field(default_factory=list)
    batches: list[dict] = field(default_factory=list)
    plants: list[Plant] = field(default_factory=list)

    def order(self, variety, monday, number, lab, name=None):
        """Order plants, and return the number of the order."""
        year, week, _ = monday.isocalendar()
        row = {"variety": variety, "week": f"{year}-W{week:02}", "quantity": number, "lab": lab, "monday": monday}
        self.orders.append(row | ({"order": name} if name else {}))
        self.plants += [Plant(len(self.orders) - 1) for _ in range(number)]
        return len(self.orders) - 1

    def send(self, order, day, number, *, extra=0, named=False):
        """Send so many plants of an order on a day, and some that nobody ordered."""
        row, name = self.orders[order], f"N{len(self.batches) + 1:02}"
        due = [plant for plant in self.plants if plant.order == order and plant.came is None][:number]
        assert len(due) == number
        more = [Plant(None) for _ in range(extra)]
        self.plants += more
        for plant in due + more:
            plant.came, plant.batch = day, name
        cells = {"batch": name, "variety": row["variety"], "lab": row["lab"], "delivered": day}
        cells |= {"ordered": number, "received": number + extra}
        self.batches.append(cells | ({"order": row["order"]} if named else {}))

    def there(self, day):
        """Return the number of plants that came by a day."""
        return sum(plant.came is not None and plant.came <= day for plant in self.plants)

    def lacking(self, day):
        """Return of each order the plants that had not come by a day, and whether its week was over."""
        found = []
        for number, row in enumerate(self.orders):
            mine = [plant for plant in self.plants if plant.order == number]
            late = day > row["monday"] + timedelta(days=6)
            found.append((sum(plant.came is None or plant.came > day for plant in mine), late))
        return found


def nursery(seed, *, named):
    """Make the ledger of a random nursery: parts, surpluses, early and late deliveries, and plants that never come.

    Orders of one variety from one lab are six weeks apart, and plants come at most two weeks early or late, so that
    the nearest order is the right one. If `named`, every batch names its order, and may come at any time.
    """
    rng = random.Random(seed)
    book = Ledger()
    for variety in "AB":
        for lab in ("Lab", "Other lab"):
            for at in range(rng.randint(0, 3)):
                monday = date(2027, 1, 18) + timedelta(weeks=6 * at + rng.randint(0, 1))
                number = rng.randint(1, 400)
                order = book.order(variety, monday, number, lab, f"{variety}{lab[0]}{at}" if named else None)
                rest, longest = number, 16 if named else 2
                times = [timedelta(weeks=rng.randint(-2, longest), days=rng.randint(0, 6)) for _ in range(3)]
                for day in sorted(monday + time for time in times):
                    part = rng.choice((0, rest, rng.randint(0, rest)))
                    if not part:
                        continue
                    extra = rng.randint(0, 20) if part == rest else 0
                    book.send(order, max(day, date(2027, 1, 4)), part, extra=extra, named=named)
                    rest -= part
    return book
