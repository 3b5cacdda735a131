"""The rows of the price list: what labs sell, in which numbers and weeks, and at what price."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from forecast.errors import in_order, refuse
from forecast.season.cells import Money, Name, Note, Plants, Row, ShareCell, Text, WeekCell, Weeks
from forecast.weeks import FIRST, LAST, Week


class PriceLine(Row):
    """One line of a lab's price list.

    Parameters
    ----------
    lab, variety
        Lab, and the variety it sells.
    form
        What is delivered: plantlet, plug or liner.
    from_quantity
        Number ordered from which on the price holds [plants]; one row for each price break.
    unit_price
        Price per plant [currency].
    minimum, multiple
        Smallest order, and the number of which every order is a multiple, such as a full tray [plants].
    lead_weeks
        Lead time from order to delivery [weeks].
    first_week, last_week
        First and last week of delivery. Empty: any.
    deposit
        Share of the price paid with the order [0 to 1].
    freight_per_box, plants_per_box
        Freight per box [currency], and plants per box [plants].
    """

    lab: Name
    variety: Name
    form: Text | None = None
    from_quantity: Plants = 1
    unit_price: Money
    minimum: Plants = 1
    multiple: Plants = 1
    lead_weeks: Weeks = 0
    first_week: WeekCell | None = None
    last_week: WeekCell | None = None
    deposit: ShareCell = 0.0
    freight_per_box: Money = 0.0
    plants_per_box: Plants | None = None
    note: Note = None

    def checks(self) -> Iterable[Callable[[], object]]:
        """Return the checks of cells beside each other."""
        return (lambda: in_order(vars(self), "first_week", "last_week")), self._boxed

    @property
    def opens(self) -> Week:
        """First week of delivery."""
        return self.first_week or FIRST

    @property
    def closes(self) -> Week:
        """Last week of delivery."""
        return self.last_week or LAST

    def _boxed(self) -> None:
        if self.freight_per_box and self.plants_per_box is None:
            remedy = "Write how many plants a box holds."
            raise refuse("plants_per_box", None, "required when freight_per_box is above 0", remedy)
