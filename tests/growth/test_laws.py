"""Laws that hold whatever the season."""

import multiprocessing

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from labelled import plants_by_state, saleable_by_week
from random_seasons import WEEKS, deliveries, seasons, week
from same_numbers import numbers

from forecast.growth.simulation import simulate

DRAWS = 64
some = settings(max_examples=60, deadline=None, derandomize=True)


@some
@given(plan=seasons(), orders=deliveries, at=st.integers(0, WEEKS - 1), target=st.integers(0, 60))
def test_one_more_plantlet_never_lowers_a_chance(plan, orders, at, target):
    (variety, delivered, quantity), *rest = orders
    more = [(variety, delivered, quantity + 1), *rest]
    before, after = (
        simulate(plan, rows, draws=DRAWS, seed=1).chances(variety, week=week(at), at_least=target)
        for rows in (orders, more)
    )
    assert (after >= before - 1e-12).all()


@some
@given(plan=seasons(), orders=deliveries, at=st.integers(0, WEEKS - 1), target=st.integers(0, 60))
def test_one_more_plant_needed_never_raises_a_chance(plan, orders, at, target):
    outcome = simulate(plan, orders, draws=DRAWS, seed=1)
    fewer, more = (outcome.chances(orders[0][0], week=week(at), at_least=n) for n in (target, target + 1))
    assert (more <= fewer + 1e-12).all()
    assert (more >= 0).all()
    assert (fewer <= 1).all()


@some
@given(plan=seasons(), orders=deliveries)
def test_plants_in_all_states_add_to_those_delivered_in_every_draw_and_week(plan, orders):
    outcome = simulate(plan, orders, draws=DRAWS, seed=1)
    for variety in outcome.varieties:
        states = plants_by_state(outcome, variety)
        delivered = np.zeros(WEEKS)
        for batch in outcome.batches:
            if batch.variety == variety:
                delivered[batch.week - plan.first_week :] += batch.quantity
        assert np.abs(states.sum("state").values - delivered[:, None]).max() < 1e-9
        assert states.values.min() > -1e-9


@some
@given(plan=seasons(), orders=deliveries)
def test_the_lost_and_those_past_their_best_never_come_back(plan, orders):
    outcome = simulate(plan, orders, draws=DRAWS, seed=1)
    for variety in outcome.varieties:
        for state in ("lost", "past its best"):
            assert np.diff(plants_by_state(outcome, variety).sel(state=state).values, axis=0).min() > -1e-9


@some
@given(plan=seasons(), orders=deliveries)
def test_a_sampled_history_never_holds_more_than_was_delivered(plan, orders):
    outcome = simulate(plan, orders, draws=DRAWS, seed=1)
    for variety in outcome.varieties:
        delivered = sum(batch.quantity for batch in outcome.batches if batch.variety == variety)
        counts = saleable_by_week(outcome).sel(variety=variety).values
        assert counts.min() >= 0
        assert counts.max() <= delivered


@some
@given(plan=seasons(), orders=deliveries, data=st.data())
def test_the_order_of_the_rows_changes_nothing(plan, orders, data):
    again = data.draw(st.permutations(orders))
    first, second = (simulate(plan, rows, draws=DRAWS, seed=1) for rows in (orders, again))
    assert first.batches == second.batches
    assert first.table().equals(second.table())


@some
@given(plan=seasons(), orders=deliveries)
def test_the_first_draws_of_twice_as_many_are_the_draws(plan, orders):
    short, long = (simulate(plan, orders, draws=n, seed=1) for n in (DRAWS, 2 * DRAWS))
    for variety in short.varieties:
        assert np.array_equal(plants_by_state(short, variety), plants_by_state(long, variety).isel(draw=slice(DRAWS)))


@some
@given(plan=seasons(), orders=deliveries, at=st.integers(0, WEEKS - 1))
def test_sampled_histories_and_exact_chances_give_the_same(plan, orders, at):
    """The mean of a history is that of its share, within 5 standard errors, given the draws."""
    outcome = simulate(plan, orders, draws=512, seed=1)
    for variety in outcome.varieties:
        expected = plants_by_state(outcome, variety).sel(state="saleable", week=week(at)).values
        counts = saleable_by_week(outcome).sel(variety=variety, week=week(at)).values
        delivered = sum(batch.quantity for batch in outcome.batches if batch.variety == variety)
        error = np.sqrt((expected * (1 - expected / max(delivered, 1))).clip(min=0).sum())
        assert abs((counts - expected).sum()) <= 5 * error + 1e-6


def test_the_same_seed_gives_the_same_numbers_in_another_process():
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        elsewhere = pool.apply(numbers, (3,))
    assert elsewhere == numbers(3)
    assert elsewhere != numbers(4)
