"""What cannot be decided is refused word for word: what is at fault, the value, what is wrong, and what would do."""

import re

import pytest
from small_seasons import offer, season, stage

import forecast
from forecast.errors import ForecastError
from forecast.ordering.baselines import service_level_prices, simple_orders
from forecast.records.records import Records
from forecast.tracking.reforecasting import reforecast

PLAN = season(
    [stage(typical=4, survival=0.8, survival_sd=0.1)],
    varieties=("A", "B"),
    price_list=[offer(first_week="2027-W05", last_week="2027-W09", lead_weeks=2)],
    targets=[{"variety": "A", "week": "2027-W20", "target": 40}, {"variety": "A", "week": "2027-W24", "target": 30}],
)
FEW = {"draws": 8, "seed": 1}
ORDERS = [("A", "2027-W05", 50)]
PRICED = PLAN.replace(varieties=[row.replace(sale_price=3.0) for row in PLAN.varieties])


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (
            lambda: forecast.size_order(PLAN, "A", **FEW),
            "week: A is wanted in several weeks. Give one of 2027-W20, 2027-W24.",
        ),
        (
            lambda: forecast.size_order(PLAN, "A", week="2027-W22", **FEW),
            "week, '2027-W22': A is wanted in several weeks. Give one of 2027-W20, 2027-W24.",
        ),
        (
            lambda: forecast.size_order(PLAN, "A", week="2028-W02", target=5, **FEW),
            "week, '2028-W02': outside the season. Give a week from 2027-W01 to 2027-W40.",
        ),
        (
            lambda: forecast.size_order(PLAN, "B", **FEW),
            "wanted: B is not in the season's table of what is wanted. Give wanted and week.",
        ),
        (
            lambda: forecast.size_order(PLAN, "A", week="2027-W20", lab="Nobody", **FEW),
            "lab, 'Nobody': no offer of A. Labs that offer it: Lab.",
        ),
        (
            lambda: forecast.size_order(PLAN, "B", week="2027-W20", target=5, lab="Lab", **FEW),
            "lab, 'Lab': no offer of B. Labs that offer it: none.",
        ),
        (
            lambda: forecast.size_order(PLAN, "A", week="2027-W20", delivery="2027-W12", **FEW),
            "delivery, '2027-W12': A cannot be delivered then. Possible are 2027-W05 to 2027-W09.",
        ),
        (
            lambda: forecast.size_order(PLAN, "A", week="2027-W02", target=5, **FEW),
            "delivery, '2027-W02': A cannot be delivered then. The first delivery can come in 2027-W05.",
        ),
        (
            lambda: forecast.size_order(
                PLAN.replace(price_list=[PLAN.offers[0].replace(lead_weeks=12)]), "A", week="2027-W20", **FEW
            ),
            "price_list, row 1, column last_week, '2027-W09': too late to order. "
            "Ordered in 2027-W01, it would arrive in 2027-W13: change lead_weeks, last_week or season.toml.",
        ),
        (
            lambda: forecast.size_order(PLAN, "A", week="2027-W20", aim="profit", **FEW),
            "aim, 'profit': not an aim. Write service_level or margin.",
        ),
        (
            lambda: forecast.size_order(
                PLAN.with_stage("crop", "acclimatisation", survival=0.001, survival_sd=0.0),
                "A",
                week="2027-W20",
                **FEW,
            ),
            "No order of A gives 40 by 2027-W20 in 90 seasons in 100. "
            "The best delivery is 2027-W05, of which fewer than 1 % are saleable by then on average. "
            "Want fewer, want them later, ask for a lower service level, or find an earlier offer or plants further on.",
        ),
        (
            lambda: forecast.size_order(
                PRICED.replace(price_list=[PLAN.offers[0].replace(unit_price=9.0)]),
                "A",
                week="2027-W20",
                aim="margin",
                **FEW,
            ),
            "No order of A is expected to earn anything. The best, 1 from Lab for 2027-W09, leaves -7 EUR. "
            "Order none, or find a cheaper offer or a better price.",
        ),
        (
            lambda: forecast.delivery_weeks(PLAN, "A", week="2027-W20", **FEW).table(by="luck"),
            "by, 'luck': ranks no delivery week. Give one of cost, chance, survival, ready.",
        ),
        (
            lambda: simple_orders(PLAN, overage=-0.1, **FEW),
            "overage, -0.1: not a share of the plants wanted. Give 0.2 for a fifth more, for example.",
        ),
        (
            lambda: simple_orders(PLAN, overage=True, **FEW),
            "overage, True: not a share of the plants wanted. Give 0.2 for a fifth more, for example.",
        ),
        (
            lambda: service_level_prices(PLAN, levels=(1, 0.5, True), **FEW),
            "levels, 1: not a service level. "
            "Give numbers between 0 and 1, such as 0.9.\nlevels, True: not a service level. "
            "Give numbers between 0 and 1, such as 0.9.",
        ),
        (
            lambda: service_level_prices(PLAN, levels=(), **FEW),
            "levels: no service level is given. Give at least one, such as 0.9.",
        ),
        (
            lambda: forecast.cash_flow(forecast.simulate(PRICED, ORDERS, **FEW)).worst_tenth(0),
            "share, 0: not a share of the seasons. Give a number above 0 and up to 1, such as 0.1.",
        ),
        (
            lambda: forecast.cash_flow(forecast.simulate(PLAN, ORDERS, **FEW)),
            "varieties, row 1, column sale_price: wanted, but without a price. Fill in the price at which it is sold.",
        ),
        (
            lambda: forecast.cash_flow(forecast.simulate(PRICED, [("A", "2027-W12", 50)], **FEW)),
            "orders, week, '2027-W12': no offer covers 50 of A for 2027-W12. "
            "Ordered in 2027-W01, it can come in 2027-W05 to 2027-W09.",
        ),
        (
            lambda: forecast.cash_flow(forecast.simulate(PRICED, [("B", "2027-W05", 50)], **FEW)),
            "orders, lab: no offer covers 50 of B for 2027-W05. No lab offers it: add a row with its price to offers.",
        ),
        (
            lambda: forecast.bench_space(forecast.simulate(PLAN, ORDERS, **FEW)).remedies("house", most=2),
            "most, 2: not a chance. Give a number from 0 to 1, such as 0.1.",
        ),
        (
            lambda: forecast.bench_space(forecast.simulate(PLAN, ORDERS, **FEW)).remedies("nowhere"),
            "place, 'nowhere': this season has no such place. Known names: house.",
        ),
        (
            lambda: reforecast(PLAN, Records(), on_date="2029-01-01", **FEW),
            "on_date, '2029-01-01': outside the season. Choose a day from 2027-01-04 to 2027-10-10.",
        ),
        (
            lambda: reforecast(PLAN, Records(), on_date="2027-01-05", counted_every=20, **FEW),
            "counted_every, '20': not a time between counts. Write weeks from 0 to 13.",
        ),
        (
            lambda: forecast.compare_routes(PLAN, "B", target=5, week="2027-W20", **FEW),
            "variety, 'B': the season tells no way to come by it. Add a row for it to offers, cultures or divisions.",
        ),
        (
            lambda: forecast.simulate(PLAN, **FEW),
            "orders: there are no orders to simulate. "
            "Give rows of variety, week and quantity, or orders from size_orders(season, ...).",
        ),
    ],
)
def test_what_cannot_be_decided_is_refused_word_for_word(call, said):
    with pytest.raises(ForecastError, match=f"^{re.escape(said)}$"):
        call()
