"""Numbers as they are told: of tables rounded to the cent, and of inputs in their own unit."""

import re

import pandas as pd
import pytest
from small_seasons import beta_spread, offer, season, stage

import forecast
from forecast.ordering.baselines import service_level_prices
from forecast.sensitivity.inputs import told


@pytest.mark.parametrize(
    ("value", "unit", "said"),
    [
        (1.8, "of the stated price", "+80 %"),
        (0.25, "of the stated price", "-75 %"),
        (1.0, "of the stated price", "+0 %"),
        (-2.26, "°C from usual", "-2.3 °C from usual"),
        (0.9955, "share", "1.00"),
    ],
)
def test_an_input_is_told_in_its_unit(value, unit, said):
    assert told(value, unit) == said


def test_the_table_of_orders_is_rounded_to_the_cent_and_the_orders_are_not():
    offers = [offer(unit_price=1.23456)]
    plan = season([stage(survival=0.7, survival_sd=0.05, cost=0.123)], price_list=offers)
    plan = plan.replace(targets=[{"variety": "A", "week": "2027-W20", "target": 77}])
    (order,) = made = forecast.size_orders(plan, draws=64, seed=1)
    row = made.table().iloc[0]
    for name, digits in (("chance", 4), ("chance_by_average", 4), ("purchase", 2), ("cost", 2), ("saleable", 1)):
        exact = getattr(order, name)
        assert row[name] == round(exact, digits)
        assert row[name] != exact
    assert (row["variety"], row["lab"], row["week"]) == ("A", "Lab", str(order.week))
    assert isinstance(made.table(), pd.DataFrame)


def test_confidences_that_are_tried_unless_said_go_from_even_odds_to_nineteen_in_twenty():
    plan = season([stage("arrival", survival=0.8, survival_sd=0.1)])
    plan = plan.replace(targets=[{"variety": "A", "week": "2027-W20", "target": 40}])
    table = service_level_prices(plan, draws=64, seed=1)
    assert (table["service_level"].iloc[0], table["service_level"].iloc[-1]) == (0.5, 0.95)
    assert table["service_level"].is_monotonic_increasing
    assert table["plantlets"].is_monotonic_increasing
    for row in table.to_dict("records"):
        asked = plan.replace(targets=[plan.targets[0].replace(service_level=row["service_level"])])
        (order,) = forecast.size_orders(asked, draws=64, seed=1)
        assert (row["plantlets"], row["cost"], row["unmet"]) == (order.quantity, round(order.cost, 2), 0)


def test_what_an_answer_hangs_on_is_said_in_seasons_in_plants_or_in_money():
    """Of 400 plantlets 0.8 survive: 320 plants, sold at 2 and bought at 1."""
    offers = [offer(unit_price=1)]
    plan = season([stage("arrival", **beta_spread(8.0, 2.0))], price_list=offers)
    plan = plan.replace(
        targets=[{"variety": "A", "week": "2027-W20", "target": 10_000}],
        varieties=[plan.variety("A").replace(sale_price=2.0)],
    )
    asked = {"orders": [("A", "2027-W05", 400)], "draws": 4096, "seed": 1}
    says = {
        "margin": r"The expected margin, 240 EUR, hangs most on survival in arrival, crop: 0\.\d\d gives -?\d+ EUR",
        "saleable": r"The number saleable, 320 plants, hangs most on survival in arrival, crop: 0\.\d\d gives \d+ p",
        "chance": r"The chance of what is wanted, (in )?no season in 100, hangs most on survival in arrival, crop",
    }
    for answer, said in says.items():
        assert re.match(said, str(forecast.what_drives(plan, answer=answer, **asked))), answer


@pytest.mark.parametrize(
    ("typical", "last"),
    [
        (30, "Half of those that live are ready by 2027-W31 at the earliest."),
        (
            60,
            "In no week of delivery are half of those that live ready within the season: look at the times of the "
            "stages, and at base and cap against the warmth of their places.",
        ),
    ],
)
def test_weeks_that_are_all_too_late_are_said_to_be(typical, last):
    plan = season([stage(typical=typical, survival=1)], targets=[{"variety": "A", "week": "2027-W20", "target": 50}])
    found = forecast.delivery_weeks(plan, "A", draws=8, seed=1)
    assert str(found).splitlines() == [
        "A: no single week of delivery gives 50 by 2027-W20 as surely as asked.",
        f"{found.quantity:,} plants give 50 by 2027-W20 in no season in 100, whatever the week of delivery.",
        last,
    ]
