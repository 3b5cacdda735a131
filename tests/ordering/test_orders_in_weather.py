"""Orders where warmth drives a stage, so that every week of delivery meets something else."""

import pytest
from small_seasons import CLIMATE, asks, offer, season, stage

import forecast

WEEKS = [f"2027-W{week:02}" for week in (4, 8, 12, 16)]
BY, WANTED = "2027-W28", 60


@pytest.fixture(scope="module")
def plan():
    rows = [
        stage(typical=300, runs_on="degree-days", base_temperature=5, batches_cv=0.2, plants_cv=0.1, survival=0.85)
        | {"survival_sd": 0.08, "cold_below": 4, "cold_loss": 0.3, "cost": 0.4},
        stage("growing on", typical=5, batches_cv=0.15, plants_cv=0.1, survival=0.95),
    ]
    places = [{"place": "house", "area": 100, "usable": 1, "cost_per_m2_week": 2}]
    offers = [offer(first_week=WEEKS[0], last_week=WEEKS[-1])]
    return season(rows, price_list=offers, targets=[asks(WANTED, BY)], climate=CLIMATE, places=places)


def test_every_week_of_delivery_has_the_chance_of_a_forecast_of_its_own_order(plan):
    order = forecast.size_order(plan, "A", draws=256, seed=1)
    options = order.options().set_index("week")
    assert len(options) == 13
    for week in WEEKS[:3]:
        row = options.loc[week]
        outcome = forecast.simulate(plan, [("A", week, int(row["quantity"]), "Lab")], draws=256, seed=1)
        assert row["chance"] == pytest.approx(outcome.chance("A", week=BY, at_least=WANTED), abs=5e-5)
    assert options.loc[WEEKS[0], "quantity"] > options.loc[WEEKS[1], "quantity"]  # frost takes more of the early ones


def test_weeks_are_costed_by_what_they_meet(plan):
    """The first, with frost, loses more of its plants before they take up bench; the plan is the cheapest of all."""
    order = forecast.size_order(plan, "A", draws=256, seed=1)
    options = order.options()
    assert order.cost == pytest.approx(options["cost"].min(), abs=0.006)
    alone = [forecast.size_order(plan, "A", delivery=week, draws=256, seed=1) for week in WEEKS[:3]]
    for one in alone:
        row = options.set_index("week").loc[str(one.week)]
        assert (one.quantity, one.cost) == (row["quantity"], pytest.approx(row["cost"], abs=0.006))
