"""How many plantlets to order, of what, from which lab, for which week."""

from typing import TYPE_CHECKING

from forecast.facades import lazy

if TYPE_CHECKING:
    from forecast.errors import ForecastError, OutOfReach, Refused
    from forecast.growth.outcome import Outcome
    from forecast.growth.simulation import simulate
    from forecast.io.seasons import read_season, write_season
    from forecast.ordering.delivery_timing import delivery_weeks
    from forecast.ordering.order import size_order
    from forecast.planning.whole_order import plan_orders, plan_scenarios
    from forecast.propagation.explants import explants_needed
    from forecast.propagation.initiation import multiply
    from forecast.propagation.sourcing import compare_routes
    from forecast.rates.distributions import Duration, Share
    from forecast.records.learning import learn
    from forecast.records.records import read_records
    from forecast.resources.bench_use import bench_space
    from forecast.resources.labour import hours_of_work
    from forecast.resources.money_flow import cash_flow
    from forecast.season.season import Season
    from forecast.sensitivity.comparing import compare
    from forecast.sensitivity.drivers import what_drives
    from forecast.sensitivity.trials import trial_worth
    from forecast.show.partner import report
    from forecast.tracking.reforecasting import reforecast
    from forecast.tracking.scoring import scorecard
    from forecast.weeks import Week

__all__ = [
    "Duration", "ForecastError", "OutOfReach", "Outcome", "Refused", "Season", "Share", "Week", "bench_space",
    "cash_flow", "compare", "compare_routes", "delivery_weeks", "explants_needed", "hours_of_work", "learn",
    "multiply", "plan_orders", "plan_scenarios", "read_records", "read_season", "reforecast", "report", "scorecard",
    "simulate", "size_order", "trial_worth", "what_drives", "write_season",
]  # fmt: skip

if not TYPE_CHECKING:
    _HOMES = {
        "Duration": "rates.distributions", "ForecastError": "errors", "OutOfReach": "errors",
        "Outcome": "growth.outcome", "Refused": "errors", "Season": "season.season", "Share": "rates.distributions",
        "Week": "weeks", "bench_space": "resources.bench_use", "cash_flow": "resources.money_flow",
        "compare": "sensitivity.comparing", "compare_routes": "propagation.sourcing",
        "delivery_weeks": "ordering.delivery_timing", "explants_needed": "propagation.explants",
        "hours_of_work": "resources.labour", "learn": "records.learning", "multiply": "propagation.initiation",
        "plan_orders": "planning.whole_order", "plan_scenarios": "planning.whole_order",
        "read_records": "records.records", "read_season": "io.seasons", "reforecast": "tracking.reforecasting",
        "report": "show.partner", "scorecard": "tracking.scoring", "simulate": "growth.simulation",
        "size_order": "ordering.order", "trial_worth": "sensitivity.trials",
        "what_drives": "sensitivity.drivers", "write_season": "io.seasons",
    }  # fmt: skip
    __getattr__, __dir__ = lazy(__name__, _HOMES)
