"""Tables hold money to the cent and chances to four figures, and what they were rounded from."""

import numpy as np
import pytest
from small_cultures import UNSURE, nursery

import forecast

ASKED = {"target": 60, "week": "2027-W30", "service_level": 0.85, "draws": 128, "seed": 1}
COSTS = {"cost_start": 31.337, "cost_per_explant": 1.2345, "cost_per_vessel": 0.777, "minutes_per_vessel": 1.7}


@pytest.fixture(scope="module")
def season():
    division = {"price": 1.9876, "cost": 0.1234, "survival": 0.83, "survival_sd": 0.05, "stock": 5}
    return nursery(UNSURE | COSTS | {"explants": 60}, division)


def rounded(column, digits):
    """Say whether all have so many decimals, and some have no fewer."""
    scaled = 10**digits * column.dropna().astype(float).to_numpy()
    return np.allclose(scaled, scaled.round(), atol=1e-6) and not np.allclose(scaled % 10, 0, atol=1e-6)


def test_routes_are_reported_to_the_cent_and_chances_to_four_figures(season):
    routes = forecast.compare_routes(season, "A", **ASKED)
    table = routes.table()
    for name, digits in (("cost", 2), ("cost_per_plant", 2), ("cost_per_saleable", 2), ("chance", 4), ("weeks_out", 1)):
        assert rounded(table[name], digits), name
        exact = [getattr(route, name) for route in routes]
        assert table[name].to_numpy() == pytest.approx(exact, abs=0.5001 * 10**-digits, nan_ok=True)
    starts = [(str(route.start), str(route.earliest)) for route in routes]
    assert list(zip(table["start"], table["earliest"], strict=True)) == starts


def test_alternatives_are_reported_to_the_cent_and_chances_to_four_figures(season):
    plan = forecast.explants_needed(season, "A", **ASKED)
    table = plan.alternatives()
    assert rounded(table["cost"], 2)
    assert rounded(table["chance"], 4)
    tried = [one for one in plan.search.tried if one.cultures is not None]
    known = table[table["cost"].notna()]
    assert known["cost"].to_numpy() == pytest.approx([one.cost for one in tried], abs=0.005001)
    assert known["chance"].to_numpy() == pytest.approx([one.chance for one in tried], abs=0.000051)
    assert known["start"].tolist() == [str(one.cultures.start) for one in tried]
    assert known["explants"].tolist() == [one.cultures.explants for one in tried]


def test_options_are_reported_to_the_cent_and_chances_to_four_figures(season):
    dear = season.replace(price_list=[row.replace(unit_price=1.23456) for row in season.price_list])
    order = forecast.size_order(dear, "A", **ASKED)
    table = order.options()
    assert rounded(table["cost"], 2)
    assert rounded(table["chance"], 4)
    row = table[table["week"] == str(order.week)].iloc[0]
    assert (row["cost"], row["chance"]) == (round(order.cost, 2), round(order.chance, 4))
