"""What people read: ``from forecast import show``, then ``show.write_calendar(plan, path)``."""

from typing import TYPE_CHECKING

from forecast.facades import lazy

if TYPE_CHECKING:
    from forecast.show.calendar import write_calendar
    from forecast.show.cells import notebook
    from forecast.show.panel import what_if
    from forecast.show.plan_workbook import write_plan_workbook
    from forecast.show.sheets import order_sheet, write_order_sheet

__all__ = [
    "notebook", "order_sheet", "what_if", "write_calendar", "write_order_sheet", "write_plan_workbook",
]  # fmt: skip

if not TYPE_CHECKING:
    _HOMES = {
        "notebook": "show.cells", "order_sheet": "show.sheets", "what_if": "show.panel",
        "write_calendar": "show.calendar", "write_order_sheet": "show.sheets",
        "write_plan_workbook": "show.plan_workbook",
    }  # fmt: skip
    __getattr__, __dir__ = lazy(__name__, _HOMES)
