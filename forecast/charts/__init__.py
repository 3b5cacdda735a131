"""Pictures: ``from forecast import charts``, then ``charts.order_curve(order)``."""

from typing import TYPE_CHECKING

from forecast.facades import lazy

if TYPE_CHECKING:
    from forecast.charts.base import bench, clean, cycles, draw_offline, order_curve, ready, routes, saleable
    from forecast.charts.cash import cash_chart, margin_chart, order_chart, service_level_chart
    from forecast.charts.drivers import comparison_chart, tornado_chart
    from forecast.charts.learned import labs, next_batch, shrinkage
    from forecast.charts.scores import calibration
    from forecast.charts.weekly import chances, narrowing, ready_dates, space_map, survival_by_week, work_calendar

__all__ = [
    "bench", "calibration", "cash_chart", "chances", "clean", "comparison_chart", "cycles", "draw_offline", "labs",
    "margin_chart", "narrowing", "next_batch", "order_chart", "order_curve", "ready", "ready_dates", "routes",
    "saleable", "service_level_chart", "shrinkage", "space_map", "survival_by_week", "tornado_chart",
    "work_calendar",
]  # fmt: skip

if not TYPE_CHECKING:
    _HOMES = {
        "bench": "charts.base", "calibration": "charts.scores", "cash_chart": "charts.cash",
        "chances": "charts.weekly", "clean": "charts.base", "comparison_chart": "charts.drivers",
        "cycles": "charts.base", "draw_offline": "charts.base", "labs": "charts.learned",
        "margin_chart": "charts.cash", "narrowing": "charts.weekly", "next_batch": "charts.learned",
        "order_chart": "charts.cash", "order_curve": "charts.base", "ready": "charts.base",
        "ready_dates": "charts.weekly", "routes": "charts.base", "saleable": "charts.base",
        "service_level_chart": "charts.cash", "shrinkage": "charts.learned", "space_map": "charts.weekly",
        "survival_by_week": "charts.weekly", "tornado_chart": "charts.drivers", "work_calendar": "charts.weekly",
    }  # fmt: skip
    __getattr__, __dir__ = lazy(__name__, _HOMES)
