"""What other labs and weeks would take, also where nothing suffices, and what is said when no order does."""

import re

import pytest
from small_seasons import offer, season, stage

import forecast
from forecast import OutOfReach


def late():
    """Six weeks to grow, wanted in week 20; only what comes up to week 14 is ready."""
    offers = [offer(lab=lab, first_week="2027-W12", last_week="2027-W17") for lab in ("Other lab", "A lab")]
    return season([stage(typical=6, survival=1)], price_list=offers)


def test_weeks_in_which_nothing_suffices_stand_last_without_a_quantity():
    order = forecast.size_order(late(), "A", target=50, week="2027-W20", draws=8, seed=1)
    table = order.options()
    enough, none = table[table["quantity"].notna()], table[table["quantity"].isna()]
    assert sorted(enough["week"].unique()) == ["2027-W12", "2027-W13", "2027-W14"]
    assert sorted(none["week"].unique()) == ["2027-W15", "2027-W16", "2027-W17"]
    assert len(table) == 12
    assert none.index.min() > enough.index.max()
    assert none[["chance", "cost"]].isna().all(axis=None)
    assert (enough["quantity"] == 50).all()
    assert enough["cost"].is_monotonic_increasing


def test_options_that_cost_or_earn_the_same_stand_by_lab_and_week():
    plan = late().replace(targets=[{"variety": "A", "week": "2027-W20", "target": 50}])
    plan = plan.replace(varieties=[plan.variety("A").replace(sale_price=5.0)])
    for options in ({}, {"aim": "margin"}):
        table = forecast.size_order(plan, "A", draws=8, seed=1, **options).options()[:6]
        assert table["lab"].tolist() == ["A lab"] * 3 + ["Other lab"] * 3
        assert table["week"].tolist() == ["2027-W12", "2027-W13", "2027-W14"] * 2


@pytest.mark.parametrize(("weeks", "said"), [(40, "later (2027-W18 is in reach)"), (17, "later,")])
def test_out_of_reach_says_from_when_on_it_is_in_reach_if_the_season_lasts_so_long(weeks, said):
    plan = season([stage(typical=6, survival=1)], price_list=[offer(first_week="2027-W12")], weeks=weeks)
    with pytest.raises(OutOfReach, match=re.escape(f"Want fewer, want them {said}")):
        forecast.size_order(plan, "A", target=50, week="2027-W16", draws=8, seed=1)
