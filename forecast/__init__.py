"""How many plantlets to order, of what, from which offer, for which week."""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from forecast.decisions.comparing import compare
    from forecast.decisions.drivers import what_drives
    from forecast.decisions.explants import explants_needed
    from forecast.decisions.midseason import reforecast
    from forecast.decisions.money import cash_flow
    from forecast.decisions.order import size_order, size_orders
    from forecast.decisions.programme import plan_orders
    from forecast.decisions.routes import compare_routes
    from forecast.decisions.scoring import scorecard
    from forecast.decisions.space import bench_space
    from forecast.decisions.timing import delivery_weeks
    from forecast.decisions.trial import trial_worth
    from forecast.decisions.work import hours_of_work
    from forecast.errors import ForecastError, OutOfReach, Refused
    from forecast.growth.initiation import multiply
    from forecast.growth.outcome import Outcome
    from forecast.growth.simulation import simulate
    from forecast.rates.distributions import Duration, Share
    from forecast.season.files import read_season, write_season
    from forecast.season.learning import learn
    from forecast.season.plan import Season
    from forecast.season.records import read_records
    from forecast.season.rows import Delivery
    from forecast.show.partner import report
    from forecast.weeks import Week

__all__ = [
    "Delivery",
    "Duration",
    "ForecastError",
    "OutOfReach",
    "Outcome",
    "Refused",
    "Season",
    "Share",
    "Week",
    "bench_space",
    "cash_flow",
    "compare",
    "compare_routes",
    "delivery_weeks",
    "explants_needed",
    "hours_of_work",
    "learn",
    "multiply",
    "plan_orders",
    "read_records",
    "read_season",
    "reforecast",
    "report",
    "scorecard",
    "simulate",
    "size_order",
    "size_orders",
    "trial_worth",
    "what_drives",
    "write_season",
]

if not TYPE_CHECKING:  # a name is imported when it is first asked for: all of them at once take two seconds
    _HOMES = {
        "Delivery": "season.rows",
        "Duration": "rates.distributions",
        "ForecastError": "errors",
        "OutOfReach": "errors",
        "Outcome": "growth.outcome",
        "Refused": "errors",
        "Season": "season.plan",
        "Share": "rates.distributions",
        "Week": "weeks",
        "bench_space": "decisions.space",
        "cash_flow": "decisions.money",
        "compare": "decisions.comparing",
        "compare_routes": "decisions.routes",
        "delivery_weeks": "decisions.timing",
        "explants_needed": "decisions.explants",
        "hours_of_work": "decisions.work",
        "learn": "season.learning",
        "multiply": "growth.initiation",
        "plan_orders": "decisions.programme",
        "read_records": "season.records",
        "read_season": "season.files",
        "reforecast": "decisions.midseason",
        "report": "show.partner",
        "scorecard": "decisions.scoring",
        "simulate": "growth.simulation",
        "size_order": "decisions.order",
        "size_orders": "decisions.order",
        "trial_worth": "decisions.trial",
        "what_drives": "decisions.drivers",
        "write_season": "season.files",
    }

    def __getattr__(name):
        if name not in _HOMES:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        globals()[name] = found = getattr(import_module(f"forecast.{_HOMES[name]}"), name)
        return found

    def __dir__():
        return sorted({*globals(), *__all__})
