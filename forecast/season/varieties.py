"""The rows of varieties: what they are, what they sell for, and how a price falls."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from typing import Annotated

from forecast.errors import refuse
from forecast.rounding import round_down
from forecast.season.cells import Counted, Money, Name, Note, PlantsOrNone, Row, ShareCell, Text, Unit
from forecast.words.numbers import figures

_YEAR = 52  # weeks


class Variety(Row):
    """One variety: its group, its prices, and how long it stays saleable.

    Parameters
    ----------
    variety, group
        Name, and the group whose stages it goes through unless it has its own.
    pot
        Pot it is sold in.
    sale_price
        Price per plant [currency].
    markdown_price
        Price per plant once marked down [currency]; not above the sale price in any week of sale.
    outlet
        Most plants that sell at the markdown price at the end; the rest stay unsold. Empty: as many as the variety's
        targets in all.
    yearly_fall, lowest_price
        For a novelty: share of the price above the lowest [currency] that is lost in a year (0.3 for 30 %), from the
        first week of the season on. Both empty: the price stays. Lowest empty: 0.
    saleable_weeks
        Whole weeks for which a saleable plant keeps its grade [weeks]. Empty: to the end of the season.
    """

    variety: Name
    group: Name
    pot: Text | None = None
    sale_price: Money | None = None
    markdown_price: Money | None = None
    outlet: PlantsOrNone | None = None
    yearly_fall: ShareCell | None = None
    lowest_price: Money | None = None
    saleable_weeks: Annotated[Counted, Unit(Unit.WEEKS)] | None = None
    note: Note = None

    def checks(self) -> Iterable[Callable[[], object]]:
        """Return the checks of cells beside each other."""
        return self._falls, self._lowest

    def _falls(self) -> None:
        if self.lowest_price is not None and self.yearly_fall is None:
            raise refuse("lowest_price", self.lowest_price, "used only when the price falls", "Fill yearly_fall, too.")

    def _lowest(self) -> None:
        if self.lowest_price is not None and self.sale_price is not None and self.lowest_price > self.sale_price:
            remedy = f"Write at most {figures(self.sale_price, 6)}, or raise sale_price."
            raise refuse("lowest_price", self.lowest_price, "above the sale price", remedy)

    def price(self, weeks: float) -> float:
        """Return the price a plant [currency] so many weeks after the first week of the season.

        `Refused` if it has no sale price.

        Notes
        -----
        lowest + (sale - lowest) (1 - fall)^(weeks / 52), with `lowest_price`, `sale_price` and `yearly_fall`. No rate
        was found published: the fall is the grower's own, or taken from two dated prices.

        Examples
        --------
        >>> novelty = Variety(variety="A", group="B", sale_price=10, yearly_fall=0.3, lowest_price=4)
        >>> novelty.price(0), round(novelty.price(52), 2), round(novelty.price(104), 2)
        (10.0, 8.2, 6.94)
        """
        if self.sale_price is None:
            remedy = "Fill sale_price in varieties."
            raise refuse("sale_price", self.variety, "this variety has no sale price", remedy)
        lowest = self.lowest_price or 0.0
        kept = math.pow(1 - (self.yearly_fall or 0.0), weeks / _YEAR)
        return lowest + (self.sale_price - lowest) * kept

    def marked_down(self, weeks: float) -> float:
        """Return the markdown price [currency] of plants of a target so many weeks after the first week of the season.

        `Refused` if it has no sale price, or is sold for less in that week.
        """
        price, down = self.price(weeks), self.markdown_price or 0.0
        if down > price:
            remedy = f"Write at most {round_down(100 * price) / 100:.2f}."
            raise refuse("markdown_price", down, "above its sale price in the target week", remedy)
        return down
