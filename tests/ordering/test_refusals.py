"""What cannot be decided is refused: which argument or cell is at fault, and its value."""

import pytest
from small_seasons import asks, offer, season, stage

import forecast
from forecast.errors import Refused
from forecast.ordering.baselines import simple_orders

PLAN = season(
    [stage(typical=4, survival=0.8, survival_sd=0.1)],
    varieties=("A", "B"),
    price_list=[offer(first_week="2027-W05", last_week="2027-W09", lead_weeks=2, multiple=5)],
    targets=[asks(40), asks(30, "2027-W24")],
)


def sized(variety="A", **options):
    return forecast.size_order(PLAN, variety, draws=8, seed=1, **options)


@pytest.mark.parametrize(
    ("call", "faults"),
    [
        (sized, [("week", None)]),
        (lambda: sized(week="2027-W22"), [("week", "2027-W22")]),
        (lambda: sized(week="2028-W02", target=5), [("week", "2028-W02")]),
        (lambda: sized("B"), [("target", None)]),
        (lambda: sized(week="2027-W20", lab="Nobody"), [("lab", "Nobody")]),
        (lambda: sized("B", week="2027-W20", target=5, lab="Lab"), [("lab", "Lab")]),
        (lambda: sized(week="2027-W20", delivery="2027-W12"), [("delivery", "2027-W12")]),
        (lambda: sized(week="2027-W02", target=5), [("delivery", "2027-W02")]),
        (lambda: sized(week="2027-W20", aim="profit"), [("aim", "profit")]),
        (lambda: forecast.delivery_weeks(PLAN, "A", week="2027-W20", draws=8).table(by="luck"), [("by", "luck")]),
        (lambda: simple_orders(PLAN, overage=-0.1), [("overage", -0.1)]),
        (lambda: simple_orders(PLAN, overage=True), [("overage", True)]),
    ],
)
def test_what_cannot_be_decided_is_refused_by_argument_and_value(call, faults):
    with pytest.raises(Refused) as refused:
        call()
    assert [(fault.column, fault.value) for fault in refused.value.faults] == faults
