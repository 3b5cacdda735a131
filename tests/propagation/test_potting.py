"""Plans that begin with more explants and take no more plantlets into the nursery than suffice."""

import pytest
from small_cultures import UNSURE, nursery

import forecast

WEEK = "2027-W30"


@pytest.fixture(scope="module")
def plan():
    """Growing a plantlet costs much and an explant little, so that it pays to begin with more than enough."""
    season = nursery(UNSURE | {"explants": 200, "cost_per_explant": 0.1})
    return forecast.explants_needed(season, "A", target=150, week=WEEK, service_level=0.9, draws=512, seed=3)


def test_what_is_potted_is_a_whole_number_of_plantlets_that_suffices_and_hardly_fewer_do(plan):
    tried = [one.cultures for one in plan._search.tried if one.cultures is not None and one.cultures.potted is not None]
    assert tried
    for made in tried:
        assert isinstance(made.potted, int)
        assert 150 <= made.potted < made.plantlets.max()
        assert made.chance(week=WEEK, at_least=150) >= 0.9
        assert made.but(potted=int(made.potted * 0.985)).chance(week=WEEK, at_least=150) < 0.9


def test_a_plan_that_pots_no_more_than_suffice_costs_less(plan):
    assert plan.potted is not None
    every = plan.cultures.but()
    all_potted = [one for one in plan._search.tried if one.cultures is not None and one.cultures.potted is None]
    assert plan.cost < min((one.cost for one in all_potted if not one.why_not), default=plan.cost + 1)
    assert (every.entering.sum(axis=0) <= plan.potted).all()
    assert (every.entering <= every.grown.plantlets).all()
    enough = every.plantlets >= plan.potted
    assert (every.entering.sum(axis=0)[enough] == plan.potted).all()
