"""Routes by hand where no plant differs from another: when money is out, how soon, and why not."""

import pytest
from small_cultures import CULTURE, DIVISION
from small_seasons import offer, season, stage

import forecast

WANTED = {"target": 60, "service_level": 0.9, "draws": 8, "seed": 1}


def sure(culture=None, division=None, **cells):
    """Five weeks of growing at 0.5 a plantlet; every plant survives, all take the same time."""
    growing = stage("growing", typical=5, survival=1, cost=0.5)
    rows = {
        "cultures": [CULTURE | culture] if culture is not None else [],
        "divisions": [DIVISION | division] if division is not None else [],
    }
    usual = {"unit_price": 2, "first_week": "2027-W04", "last_week": "2027-W26"}
    return season([growing], price_list=[offer(**(usual | cells))], **rows)


def test_a_deposit_is_out_from_the_first_week_on_and_the_rest_from_delivery():
    """Sixty at 2, a fifth at once; delivered in week 15 for week 20, growing is paid half way."""
    route = forecast.compare_routes(sure(deposit=0.2, first_week="2027-W15"), "A", week="2027-W20", **WANTED)["buy in"]
    order = route.plan
    assert (order.quantity, str(order.week), route.cost) == (60, "2027-W15", 150)
    assert str(route.start) == "2027-W01"
    assert route.weeks_out == pytest.approx((24 * 19 + 96 * 5 + 30 * 3) / 150)
    assert (route.cost_per_plant, route.cost_per_saleable) == (2.5, 2.5)
    unpaid = forecast.compare_routes(sure(first_week="2027-W15"), "A", week="2027-W20", **WANTED)["buy in"]
    assert str(unpaid.start) == "2027-W15"
    assert unpaid.weeks_out == pytest.approx((120 * 5 + 30 * 3) / 150)


@pytest.mark.parametrize(("lead_weeks", "ready"), [(0, "2027-W09"), (6, "2027-W12")])
def test_bought_plants_could_be_had_when_the_first_delivery_has_grown(lead_weeks, ready):
    route = forecast.compare_routes(sure(lead_weeks=lead_weeks), "A", week="2027-W30", **WANTED)["buy in"]
    assert str(route.earliest) == ready


def test_multiplied_plants_could_be_had_after_all_weeks_in_culture_and_growing():
    """Two weeks to begin, three a cycle, two of rooting, five of growing; 40 explants give 120 in one cycle."""
    routes = forecast.compare_routes(sure({"explants": 40}), "A", week="2027-W30", **WANTED)
    assert str(routes["from explants"].earliest) == "2027-W13"
    assert routes["from explants"].plan.cycles == 1


def test_what_comes_too_late_says_why_and_from_when_on_it_could_be_had():
    routes = forecast.compare_routes(sure({}, {}), "A", week="2027-W07", **WANTED)
    assert routes.best is None
    lines = str(routes).splitlines()
    assert lines[0].startswith("buy in: not by 2027-W07; enough in no season in 100.")
    assert lines[0].endswith(" Begun at once, it could be had by 2027-W09.")
    assert (
        lines[1]
        == "from explants: not by 2027-W07; nothing is ready by then. Begun at once, it could be had by 2027-W13."
    )
    for route in routes:
        assert route.cost_per_plant != route.cost_per_plant  # of none that is had


def test_after_the_season_nothing_is_bought_but_cultures_go_on():
    routes = forecast.compare_routes(sure({}), "A", week="2027-W45", **WANTED)
    assert routes["buy in"].why_not == "after the season"
    assert routes["buy in"].plan is None
    assert routes["buy in"].earliest is None
    assert str(routes).splitlines()[0] == "buy in: not by 2027-W45; after the season."
    assert routes["from explants"].why_not == ""
    assert routes.best.route == "from explants"


def test_the_curve_asks_for_an_eighth_to_four_times_the_number_and_bought_plants_cost_in_proportion():
    """At 2 a plantlet and 0.5 for growing; forty explants give 120 plants in a cycle, 360 in two."""
    curve = forecast.compare_routes(sure({}), "A", week="2027-W30", **WANTED).curve
    assert sorted(set(curve["target"])) == [8, 15, 30, 60, 120, 240]
    bought = curve[curve["route"] == "buy in"].set_index("target")
    assert bought["cost"].to_dict() == {n: 2.5 * n for n in (8, 15, 30, 60, 120, 240)}
    assert (bought["cost_per_plant"] == 2.5).all()
    assert (curve["cost"] / curve["target"]).round(2).equals(curve["cost_per_plant"])


def test_what_never_is_enough_has_no_earliest_week():
    """All that are bought are past their best after two weeks; a hundredth survives, and no order is so large."""
    plan = sure(lead_weeks=0)
    plan = plan.replace(varieties=[plan.variety("A").replace(saleable_weeks=2)])
    poor = plan.with_stage("crop", "growing", survival=0.001)
    route = forecast.compare_routes(poor, "A", week="2027-W30", **WANTED)["buy in"]
    assert route.earliest is None
    assert route.why_not.startswith("enough in no season in 100")
