"""The rows of orders and on_hand: deliveries ordered or considered, and plants that are there already."""

from __future__ import annotations

from typing import Literal

from forecast.season.cells import Name, Note, Plants, PlantsOrNone, Row, Text, WeekCell

SALEABLE = "saleable"  # where plants are that are through all stages


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
    placed
        ``yes`` if it is ordered already: then any number and week will do. Empty or ``no``: it is only considered.
    """

    variety: Name
    week: WeekCell
    quantity: PlantsOrNone
    lab: Name | None = None
    order: Name | None = None
    placed: Literal["yes", "no"] | None = None
    note: Note = None


class OnHand(Row):
    """Plants of one variety that are there when the season begins, in one stage: they count in every forecast.

    Parameters
    ----------
    variety, stage
        Variety, and the stage in which its plants are: one of its stages that take time, or ``saleable``.
    quantity
        Plants alive in it on the Monday of the first week of the season.
    since
        Week in which they entered it, at the latest the first of the season.
    """

    variety: Name
    stage: Text
    quantity: Plants
    since: WeekCell
    note: Note = None
