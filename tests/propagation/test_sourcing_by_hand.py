"""Routes word for word and cell by cell, where no plant differs from another; crossings of costs drawn by hand."""

import math
from dataclasses import replace

import pandas as pd
import pytest
from scipy import stats
from small_cultures import CULTURE, DIVISION
from small_seasons import offer, season, stage

import forecast

FEW = {"draws": 8, "seed": 1}
ASKED = {"target": 60, "week": "2027-W20", "service_level": 0.9} | FEW


def sure(culture=None, division=None, survival=1.0, cost=0.5, **cells):
    """Five weeks of growing; what is bought comes in week 15."""
    rows = {
        "cultures": [CULTURE | {"cost_start": 30} | culture] if culture is not None else [],
        "divisions": [DIVISION | division] if division is not None else [],
    }
    usual = {"unit_price": 2, "first_week": "2027-W15", "last_week": "2027-W15"}
    growing = stage("growing", typical=5, survival=survival, cost=cost)
    return season([growing], price_list=[offer(**(usual | cells))], hourly_wage=20, **rows)


def routes(*rows, **cells):
    return forecast.compare_routes(sure(*rows, **cells), "A", **ASKED)


def test_routes_that_suffice_are_told_with_cost_and_weeks_and_the_cheapest_last():
    """Sixty at 2, paid five weeks ahead, and 0.5 each half way; to begin 30, then 20 explants in one cycle for free."""
    found = routes({})
    made = found["from explants"]
    assert str(found).splitlines() == [
        "buy in: every season, about 150 EUR, 2.50 a plant wanted, spent 5 weeks ahead on average.",
        f"from explants: every season, about 60 EUR, 1.00 a plant wanted, spent {made.weeks_out:.0f} weeks ahead on "
        "average.",
        "Cheapest: from explants.",
    ]
    assert made.weeks_out == pytest.approx((30 * (forecast.Week.parse("2027-W20") - made.start) + 30 * 3) / 60)
    assert found.best is made


def test_the_table_has_a_row_for_each_route_and_empty_cells_for_what_is_not_known():
    table = routes({"start_weeks": 30}).table()
    assert table.columns.tolist() == [
        *("route", "start", "earliest", "chance", "cost", "cost_per_plant", "cost_per_saleable", "weeks_out"),
        "why_not",
    ]
    bought, made = table.to_dict("records")
    weeks_out = round((120 * 5 + 30 * 3) / 150, 1)
    assert bought == {
        **{"route": "buy in", "start": "2027-W15", "earliest": "2027-W20", "chance": 1, "cost": 150},
        **{"cost_per_plant": 2.5, "cost_per_saleable": 2.5, "weeks_out": weeks_out, "why_not": ""},
    }
    assert {name: made[name] for name in ("route", "start", "chance", "why_not")} == {
        **{"route": "from explants", "start": "", "chance": 0},
        "why_not": "nothing is ready by then",
    }
    assert made["earliest"] == "2027-W41"  # 30 weeks to begin, three a cycle, two of rooting, five of growing
    assert all(math.isnan(made[name]) for name in ("cost", "cost_per_plant", "cost_per_saleable", "weeks_out"))


def test_what_costs_nothing_is_out_for_no_time():
    route = routes(unit_price=0, cost=0)["buy in"]
    assert (route.cost, route.cost_per_plant, route.cost_per_saleable, route.weeks_out) == (0, 0, 0, 0)
    assert str(route.start) == "2027-W15"


def test_too_few_are_told_with_their_chance_and_with_what_each_of_them_costs():
    """Ten stock plants divided once give 30, of which all live: too few for 60, at 1 each and 0.5 to grow."""
    route = routes(None, {"cost": 1})["divide stock"]
    assert (route.chance, route.why_not) == (0, "enough in no season in 100")
    assert route.cost == pytest.approx(30 * 1.5)
    assert route.cost_per_saleable == pytest.approx(1.5)
    assert math.isnan(route.cost_per_plant)
    assert route.weeks_out > 0
    assert route.plan.explants == 10
    assert str(route.earliest) == "2027-W26"  # divided again after 20 weeks, and grown for five


def test_a_route_that_is_not_there_and_a_variety_that_has_none_are_refused_in_words():
    with pytest.raises(forecast.Refused) as told:
        routes({})["divide stock"]
    assert str(told.value) == (
        "route, 'divide stock': there is no such route for this variety. There is: buy in, from explants."
    )
    empty = sure().replace(price_list=())
    with pytest.raises(forecast.Refused) as told:
        forecast.compare_routes(empty, "A", **ASKED)
    assert str(told.value) == (
        "variety, 'A': the season tells no way to come by it. Add a row for it to offers, cultures or divisions."
    )


def test_what_cannot_be_bought_in_time_says_why():
    """Offered from week 22 on for week 20."""
    route = routes(first_week="2027-W22", last_week="2027-W23")["buy in"]
    assert route.plan is None
    assert (route.chance, route.start, route.earliest) == (0, None, None)
    assert route.why_not == "A cannot be delivered then"


def test_the_second_row_wanted_is_drawn_as_the_second_delivery():
    weeks = ("2027-W18", "2027-W20")
    plan = sure().with_stage("crop", "growing", survival=0.8, survival_sd=0.1)
    plan = plan.replace(targets=[{"variety": "A", "week": week, "target": 60} for week in weeks])
    plan = plan.replace(price_list=[plan.price_list[0].replace(first_week="2027-W10")])
    asked = {"draws": 64, "seed": 1}
    orders = list(forecast.size_orders(plan, **asked))
    for order, week in zip(orders, weeks, strict=True):
        route = forecast.compare_routes(plan, "A", week=week, **asked)["buy in"]
        assert (route.plan.quantity, route.chance, route.cost) == (order.quantity, order.chance, order.cost)
        assert route.cost_per_plant == order.cost / 60
        assert route.cost_per_saleable == order.cost / order.saleable
    assert orders[0].chance != orders[1].chance


def test_a_plan_begun_at_once_has_the_number_in_the_first_week_that_the_closed_form_says():
    """Ready within t weeks are Phi(ln(t / 5) / s) of the plants, s^2 = ln(1 + 0.3^2); 60 of 100 suffice by the mean."""
    plan = sure(first_week="2027-W04", multiple=100, minimum=100)
    plan = plan.replace(stages=[stage("growing", typical=5, survival=1, plants_cv=0.3, batches_cv=0)])
    route = forecast.compare_routes(plan, "A", **ASKED)["buy in"]
    width = math.sqrt(math.log(1 + 0.3**2))
    chances = [stats.binom.sf(59, 100, stats.norm.cdf(math.log(weeks / 5) / width)) for weeks in range(1, 12)]
    weeks = 1 + next(at for at, chance in enumerate(chances) if chance >= 0.9)
    assert route.plan.quantity == 100
    assert route.earliest == forecast.Week.parse("2027-W04") + weeks


# --- costs of other numbers


def test_the_curve_is_told_to_the_cent():
    curve = routes(unit_price=1.2345).curve
    assert curve.columns.tolist() == ["target", "route", "cost", "cost_per_plant"]
    assert curve["target"].tolist() == [8, 15, 30, 60, 120, 240]
    assert curve["cost"].tolist() == [round(1.7345 * n, 2) for n in (8, 15, 30, 60, 120, 240)]
    assert curve["cost_per_plant"].tolist() == [1.73] * 6


def crossings(**costs):
    """Return where costs of routes cross that are those of 10, 100, 1,000 and 10,000 plants."""
    rows = [
        (number, name, cost)
        for name, some in costs.items()
        for number, cost in zip((10, 100, 1_000, 10_000), some, strict=True)
        if cost is not None
    ]
    found = replace(routes())
    vars(found)["curve"] = pd.DataFrame(rows, columns=["target", "route", "cost"])
    table = found.break_even
    assert table.columns.tolist() == ["cheaper", "than", "target"]
    return table.to_numpy().tolist()


def test_costs_cross_between_two_numbers_on_a_logarithmic_scale():
    """Of b over a the logarithm is ln 4, then -ln 2: it is 0 two thirds of the way from 100 to 1,000, at 464."""
    assert crossings(a=(1, 1, 2, 2), b=(4, 4, 1, 1)) == [["b", "a", "465"]]
    assert crossings(a=(4, 4, 1, 1), b=(1, 1, 2, 2)) == [["a", "b", "465"]]


def test_of_several_crossings_the_last_counts():
    """The first half way from 10 to 100, the last half way from 1,000 to 10,000."""
    assert crossings(a=(1, 2, 2, 1), b=(2, 1, 1, 2)) == [["a", "b", "3,150"]]


def test_costs_that_are_equal_at_a_number_cross_there():
    assert crossings(a=(1, 1, 1, 1), b=(2, 2, 1, 0.5)) == [["b", "a", "1,000"]]
    assert crossings(a=(1, 1, 1, 1), b=(1, 2, 2, 0.5)) == [["b", "a", "3,150"]]


@pytest.mark.parametrize("b", [(2, 2, 1, 1), (2, 1, 2, 2), (1, 1, 2, 1), (1, 1, 1, 1)])
def test_costs_that_meet_and_do_not_cross_have_no_number_above_which_the_other_is_cheaper(b):
    assert crossings(a=(1, 1, 1, 1), b=b) == []


def test_a_route_that_costs_nothing_is_cheaper_as_long_as_it_does():
    assert crossings(a=(0, 0, 0, 0), b=(1, 1, 0, 1)) == []
    ((cheaper, than, number),) = crossings(a=(0, 0, 2, 2), b=(1, 1, 1, 1))
    assert (cheaper, than) == ("b", "a")
    assert 100 < float(number) < 1_000


def test_routes_of_which_one_is_always_cheaper_or_that_share_no_number_do_not_cross():
    assert crossings(a=(1, 1, 1, 1), b=(2, 2, 2, 2)) == []
    assert crossings(a=(1, 1, None, None), b=(None, None, 2, 2)) == []


def test_each_two_of_three_routes_are_compared():
    found = crossings(a=(1, 1, 1, 1), b=(4, 4, 4, 1 / 4), c=(4, 4, 1 / 4, 1 / 4))
    assert found == [["b", "a", "3,150"], ["c", "a", "315"]]


def test_routes_are_shown_without_the_season():
    text = repr(routes())
    assert text.startswith("Routes(routes=(Route(route='buy in', ")
    assert "_season" not in text
    assert "_request" not in text
    assert text.endswith("variety='A', target=60, by=Week(year=2027, week=20), service_level=0.9, currency='EUR')")
