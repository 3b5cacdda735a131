"""The rows of orders: deliveries ordered or considered."""

from __future__ import annotations

from forecast.season.cells import Name, Note, Row, WeekCell, Whole


class Delivery(Row):
    """One delivery on order: the plants of one batch.

    Parameters
    ----------
    variety, week
        Variety, and the week on whose Monday it is delivered.
    quantity
        Plants ordered.
    lab
        Lab it comes from. Deliveries of one variety from one lab in one week are one batch.
    order
        Name of the order, such as the lab's number for it; several rows may have the same. A batch that came names it.
    """

    variety: Name
    week: WeekCell
    quantity: Whole
    lab: Name | None = None
    order: Name | None = None
    note: Note = None
