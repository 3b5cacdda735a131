"""What charts say, read from their descriptions."""

import json

import altair as alt
import pytest
from chart_specs import rows, says_what_it_shows

import forecast
from forecast import charts
from forecast.records.records import Records

VARIETY = "Hosta 'Orrinfall'"
HEUCHERA = "Heuchera 'Pellowen'"
NAMES = ["saleable", "order", "bench", "cycles", "clean", "ready", "routes"]


@pytest.fixture(scope="module")
def order(demo):
    return forecast.size_order(demo, VARIETY, draws=512, seed=1)


@pytest.fixture(scope="module")
def outcome(demo, order):
    return forecast.simulate(demo, [order], draws=512, seed=1)


@pytest.fixture(scope="module")
def cultures(demo):
    return forecast.multiply(demo, HEUCHERA, subcultures=4, draws=256, seed=1)


@pytest.fixture(scope="module")
def routes(demo):
    return forecast.compare_routes(demo, HEUCHERA, draws=256, seed=1)


@pytest.fixture(scope="module")
def drawn(outcome, order, cultures, routes):
    return {
        "cycles": charts.cycles(cultures).to_dict(),
        "clean": charts.clean(cultures).to_dict(),
        "ready": charts.ready(cultures).to_dict(),
        "routes": charts.routes(routes).to_dict(),
        "saleable": charts.saleable(outcome, VARIETY).to_dict(),
        "order": charts.order_curve(order).to_dict(),
        "bench": charts.bench(forecast.bench_space(outcome), "covered house").to_dict(),
    }


@pytest.mark.parametrize("name", NAMES)
def test_axes_name_their_units_a_text_says_the_same_and_the_draws_are_summed_up(drawn, name):
    says_what_it_shows(drawn[name], most=119)


def test_the_fan_shows_the_target_in_its_week(drawn):
    marks = rows(drawn["saleable"], "target")
    assert [(row["week"], row["monday"][:10], row["target"]) for row in marks] == [("2027-W41", "2027-10-11", 800)]
    assert "800 by 11 Oct 2027 (2027-W41)" in drawn["saleable"]["description"]


def test_the_fan_begins_at_delivery_and_is_in_order(drawn, order):
    band = rows(drawn["saleable"], "p5")
    assert band[0]["week"] == str(order.week)
    assert all(row["p5"] <= row["median"] <= row["p95"] for row in band)


def test_the_curve_marks_the_order_and_the_order_from_the_mean(drawn, order):
    marks = rows(drawn["order"], "which")
    assert [row["quantity"] for row in marks] == [order.quantity, order.by_average]
    assert marks[1]["chance"] < order.service_level <= marks[0]["chance"]


def test_space_for_any_number_is_not_drawn(demo):
    ample = demo.replace(places=[row.replace(area=100_000) for row in demo.places])
    space = forecast.bench_space(forecast.simulate(ample, draws=16, seed=1))
    assert len(charts.bench(space, "covered house").to_dict()["layer"]) == 2


def test_the_benches_are_drawn_against_what_there_is(drawn, demo):
    place = demo.place("covered house")
    assert {row["available"] for row in rows(drawn["bench"], "week")} == {place.area * place.usable}


def test_a_variety_that_nobody_wants_is_drawn_all_the_same(demo):
    target = tuple(row for row in demo.targets if row.variety != VARIETY)
    outcome = forecast.simulate(demo.replace(targets=target), [(VARIETY, "2027-W10", 100)], draws=64, seed=1)
    assert "Targets: none" in charts.saleable(outcome, VARIETY).to_dict()["description"]


def test_a_variety_that_is_not_ordered_is_refused(outcome):
    with pytest.raises(forecast.Refused, match=r"Hosta 'Quenvara'.*not ordered"):
        charts.saleable(outcome, "Hosta 'Quenvara'")


def test_where_nothing_is_ordered_no_list_of_what_is_begins(demo):
    season, records = demo.replace(orders=(), on_hand=()), Records(batches=(), counts=())
    outcome = forecast.reforecast(season, records, on_date="2026-12-07", draws=64).outcome
    with pytest.raises(forecast.Refused, match=r"not ordered\. Nothing is ordered yet\.$"):
        charts.saleable(outcome, VARIETY)


def test_notebooks_draw_with_what_jupyterlab_brings_along(drawn):
    with alt.renderers.enable():
        charts.draw_offline()
        bundle, metadata = alt.renderers.get()(drawn["order"])
        assert bundle["application/vnd.vegalite.v5+json"]["$schema"].endswith("/v5.json")
        assert bundle["text/plain"] == drawn["order"]["description"]
        assert set(metadata) == {"application/vnd.vegalite.v5+json"}


def test_plants_by_cycle_are_drawn_on_a_logarithmic_scale_with_what_there_is_room_for(drawn, demo):
    spec = drawn["cycles"]
    assert spec["layer"][0]["encoding"]["y"]["scale"]["type"] == "log"
    steps = next(iter(spec["datasets"].values()))
    assert [row["step"] for row in steps] == ["initiation", "1", "2", "3", "4", "plantlets"]
    assert all(row["p5_drawn"] >= 1 for row in steps)
    assert steps[0]["most"] == 210
    assert any(layer["mark"]["type"] == "tick" for layer in spec["layer"])
    free = demo.with_culture(HEUCHERA, shelf_places=None, hood_hours=None)
    unlimited = charts.cycles(forecast.multiply(free, HEUCHERA, subcultures=2, draws=64, seed=1)).to_dict()
    assert not any(layer["mark"]["type"] == "tick" for layer in unlimited["layer"])


def test_the_clean_share_is_drawn_for_each_cycle_and_so_far(drawn, cultures):
    table = cultures.table()
    drawn_shares = [[row["share"] for row in rows] for rows in drawn["clean"]["datasets"].values() if len(rows) == 4]
    assert sorted(drawn_shares) == sorted([list(table["clean"]), list(table["clean_so_far"])])
    assert f"{table['clean_so_far'].iloc[-1]:.0%} stay clean" in drawn["clean"]["description"]


def test_every_route_has_a_line_with_its_name(drawn, routes):
    text = json.dumps(drawn["routes"])
    for route in routes:
        assert route.route in text
    assert drawn["routes"]["description"] == str(routes)


def test_the_bar_of_a_target_spans_the_weeks_of_its_sale(demo):
    target = [{"variety": VARIETY, "week": "2027-W38", "until": "2027-W41", "target": 800}]
    outcome = forecast.simulate(demo.replace(targets=target), [(VARIETY, "2027-W10", 1_000)], draws=64, seed=1)
    spec = charts.saleable(outcome, VARIETY).to_dict()
    (bar,) = rows(spec, "end")
    assert (bar["monday"][:10], bar["end"][:10], bar["until"]) == ("2027-09-20", "2027-10-11", "2027-W41")
    assert "bars the weeks of their sale" in spec["title"]["subtitle"]


def test_a_target_of_one_week_ends_in_it_beside_one_of_several(demo):
    target = [{"variety": VARIETY, "week": "2027-W38", "until": "2027-W41", "target": 400, "channel": "retail"}]
    target += [{"variety": VARIETY, "week": "2027-W40", "target": 300, "channel": "wholesale"}]
    outcome = forecast.simulate(demo.replace(targets=target), [(VARIETY, "2027-W10", 1_000)], draws=64, seed=1)
    shown = charts.base.sold_in(outcome.targets())
    assert shown["until"].tolist() == ["2027-W41", "2027-W40"]
    assert shown["end"].tolist() == ["2027-10-11", "2027-10-04"]
