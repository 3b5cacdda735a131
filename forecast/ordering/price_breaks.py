"""What a lab offers: orderable quantities and price breaks."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from forecast.rounding import round_up
from forecast.season.consistency import first_delivery
from forecast.season.price_list import PriceLine
from forecast.weeks import Week


@dataclass(frozen=True)
class PriceList:
    """One price list: lines of a lab that differ by the quantity from which their price holds, in its order.

    The price of the last break reached holds for all plants of the order.
    """

    breaks: tuple[PriceLine, ...]

    @classmethod
    def of(cls, lines: Iterable[PriceLine]) -> tuple[PriceList, ...]:
        """Put price-list lines together by lab, form and delivery weeks."""
        together: dict[tuple[str, str, Week | None, Week | None, int], list[PriceLine]] = defaultdict(list)
        for row in lines:
            together[row.lab, row.form or "", row.first_week, row.last_week, row.lead_weeks].append(row)
        return tuple(cls(tuple(sorted(rows, key=lambda row: row.from_quantity))) for rows in together.values())

    @property
    def lab(self) -> str:
        """Whose it is."""
        return self.breaks[0].lab

    def weeks(self, ordered: Week, until: Week) -> Iterator[Week]:
        """Return the weeks of delivery that are possible if ordered in one week and needed by another."""
        first = first_delivery(self.breaks[0], ordered)
        last = min(self.breaks[0].closes, until)
        return (first + i for i in range(last - first + 1))

    def row(self, quantity: int) -> PriceLine:
        """Return the price-list line that holds for an order of this quantity."""
        return [row for row in self.breaks if row.from_quantity <= quantity or row is self.breaks[0]][-1]

    def orderable(self, quantity: float) -> int:
        """Return the smallest quantity from `quantity` that the lab accepts."""
        number = max(round_up(quantity), self.breaks[0].from_quantity, 1)
        while True:
            row = self.row(number)
            accepted = -(-max(number, row.minimum) // row.multiple) * row.multiple
            if self.row(accepted) is row:
                return accepted
            number = min(later.from_quantity for later in self.breaks if later.from_quantity > number)

    def worth_buying(self, quantity: int) -> list[int]:
        """Return a quantity and the larger ones at which a lower price begins."""
        return [quantity, *(self.orderable(row.from_quantity) for row in self.breaks if row.from_quantity > quantity)]

    def ranges(self, most: int) -> Iterator[tuple[PriceLine, range]]:
        """Return each price-list line with the quantities up to `most` that the lab accepts under it, if any."""
        ends = [later.from_quantity for later in self.breaks[1:]]
        for row, end in zip(self.breaks, [*ends, most + 1], strict=True):
            first = -(-max(row.from_quantity, row.minimum) // row.multiple) * row.multiple
            quantities = range(first, min(end, most + 1), row.multiple)
            if quantities:
                yield row, quantities
