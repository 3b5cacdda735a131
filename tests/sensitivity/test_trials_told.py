"""What is said of a trial batch word for word, and its tables, where every number can be found by hand."""

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy import stats
from small_seasons import beta_spread, offer, season, stage

import forecast
from forecast.ordering.price_list import PriceList
from forecast.ordering.shipments import Shipment
from forecast.season.season import Season
from forecast.sensitivity.trials import TrialWorth

DEAR = offer(lab="Dear Lab", unit_price=6, multiple=6)


def plan() -> Season:
    """Lots of 100 at 305, each of which brings 500 times a survival that is Beta(8, 2); half dozens at 36."""
    lots = offer(unit_price=3.05, minimum=100, multiple=100)
    made = season(
        [stage("arrival", **beta_spread(8, 2), survival_level="belief")],
        price_list=[lots, DEAR],
        targets=[{"variety": "A", "week": "2027-W20", "target": 100}],
    )
    return made.replace(varieties=[{"variety": "A", "group": "crop", "sale_price": 5}])


@pytest.fixture(scope="module")
def trial() -> TrialWorth:
    return forecast.trial_worth(plan(), "A", plants=40, draws=16, seed=1)


def worth(plants: int) -> float:
    """After y of n the survival is Beta(8 + y, 2 + n - y): a lot of 100 earns 500 times its mean less 305, or none."""
    came = np.arange(plants + 1)
    gain = np.maximum(500 * (8 + came) / (10 + plants) - 305, 0)
    return float(stats.betabinom.pmf(came, plants, 8, 2) @ gain) - 95


def test_a_trial_is_told_word_for_word(trial: TrialWorth) -> None:
    """A lot earns 500 x 0.8 - 305; 42 of the dear lab cost 252, a lot 305; 500 (8 + y) / 50 > 305 from 23 on."""
    sure = 500 * 0.8 * stats.beta.sf(0.61, 9, 2) - 305 * stats.beta.sf(0.61, 8, 2) - 95
    assert str(trial) == (
        "Without a trial, order 100 from Lab for 2027-W20 of A; it is expected to earn about 95 EUR.\n"
        f"To try 40 first is worth about {worth(40):.0f} EUR (give or take 0 EUR) and costs about 250 EUR: it does "
        f"not pay. To know the survival for sure would be worth {sure:.0f} EUR.\n"
        "How the order changes: with fewer than 23 of 40 through, order none; from 23, 100 from Lab for 2027-W20."
    )


def test_a_trial_pays_only_if_it_is_worth_more_than_it_costs(trial: TrialWorth) -> None:
    assert "costs about 250 EUR: it does not pay. To" in str(replace(trial, worth=252.0))
    assert "costs about 250 EUR: it pays. To" in str(replace(trial, worth=252.1))


def test_the_curve_is_of_the_sizes_asked_for_and_of_its_own(trial: TrialWorth) -> None:
    table = trial.curve()
    assert table.columns.tolist() == ["plants", "bought", "worth", "error", "cost", "net"]
    assert table["plants"].tolist() == [0, 6, 12, 24, 36, 40, 48, 72, 108, 144, 216, 288]
    assert table["bought"].tolist() == [0, 6, 12, 24, 36, 42, 48, 100, 200, 200, 300, 300]
    assert table["cost"].tolist() == pytest.approx([0, 36, 72, 144, 216, 252, 288, 305, 610, 610, 915, 915])
    assert table["worth"].tolist() == pytest.approx([worth(n) for n in table["plants"]], abs=1e-3)
    assert (table["net"] == table["worth"] - table["cost"]).all()
    assert (table["error"] < 1e-9).all()
    assert trial.curve([40, 3, 3])["plants"].tolist() == [3, 40]


def test_decisions_are_told_with_lab_week_and_quantity(trial: TrialWorth) -> None:
    table = trial.decisions()
    assert table.columns.tolist() == [
        "survived", "chance", "survival", "lab", "week", "quantity", "margin", "changed",
    ]  # fmt: skip
    assert table["survived"].tolist() == list(range(41))
    assert table["lab"].tolist() == [""] * 23 + ["Lab"] * 18
    assert table["week"].tolist() == [""] * 23 + ["2027-W20"] * 18
    assert table["quantity"].tolist() == [0] * 23 + [100] * 18
    assert table["changed"].tolist() == [False] * 23 + [True] + [False] * 17
    assert table["chance"].sum() == pytest.approx(1)
    assert table["margin"].tolist()[:23] == [0] * 23


CHOICES = [
    None,
    *(Shipment(PriceList.of(plan().price_list)[0], forecast.Week.parse("2027-W20"), n) for n in (100, 1200, 1300)),
]
NAMES = ["none", *(f"{n} from Lab for 2027-W20" for n in ("100", "1,200", "1,300"))]


def found(best: list[int], chances: list[float] | None = None, now: int = 1) -> TrialWorth:
    """These are the best choices by the number that survives, all equally likely if not given."""
    likely = np.full(len(best), 1 / len(best)) if chances is None else np.array(chances)
    tables: Any = SimpleNamespace(choices=CHOICES, outcomes=lambda _: (likely, likely, np.array(best), likely))
    return TrialWorth(
        *("A", len(best) - 1, ("arrival",), 9.0, 8.0, 1.0, 7.0, 80, "Lab", CHOICES[now], 50.0, "EUR", tables)
    )


def told(best: list[int], chances: list[float] | None = None, now: int = 1) -> str:
    """What is said of it: its last line, once the others are as they should be."""
    made = found(best, chances, now)
    assert str(made).startswith(
        f"Without a trial, order {NAMES[now]} of A; it is expected to earn about 50 EUR.\n"
        f"To try {len(best) - 1:,} first is worth about 8 EUR (give or take 1 EUR) and costs about 7 EUR: it pays. To "
        "know the survival for sure would be worth 9 EUR.\n"
        if now
        else "Without a trial, order none of A: every order is expected to lose.\nTo try "
    )
    return str(made).splitlines()[-1]


def test_up_to_four_decisions_are_all_told() -> None:
    assert told([0, 0, 1, 2, 2, 3]) == (
        f"How the order changes: with fewer than 2 of 5 through, order none; from 2, {NAMES[1]}; from 3, {NAMES[2]}; "
        f"from 5, {NAMES[3]}."
    )
    assert told([1, 1, 2], now=0) == (
        f"How the order changes: with fewer than 2 of 2 through, order {NAMES[1]}; from 2, {NAMES[2]}."
    )
    assert told([1, 1, 1]) == "No outcome that is at all likely changes the order."


def test_of_more_than_four_the_first_the_last_and_what_leaves_the_order_as_it_is_are_told() -> None:
    assert told([0, 1, 1, 2, 1, 3]) == (
        f"How the order changes: with fewer than 1 of 5 through, order none; from 1, {NAMES[1]}; from 4, {NAMES[1]}; "
        f"from 5, {NAMES[3]}."
    )


def test_what_is_hardly_ever_seen_at_either_end_is_passed_over() -> None:
    """One in a thousand is unlikely, more is not."""
    rare = 0.0009
    assert told([0, 1, 1, 2], [rare, 0.5, 0.5 - 2 * rare, rare]).startswith("No outcome that is at all likely")
    for chances in ([0.001, 0.999], [0.999, 0.001]):
        assert told([0, 1], chances).startswith("No outcome that is at all likely")
    seen = 0.0012
    assert told([0, 1, 1, 2], [seen, 0.5, 0.5 - 2 * seen, seen]) == (
        f"How the order changes: with fewer than 1 of 3 through, order none; from 1, {NAMES[1]}; from 3, {NAMES[2]}."
    )
    assert told([0, 0, 1, 1, 2, 2], [rare, seen, 0.5, 0.5 - 2 * (rare + seen), seen, rare]) == (
        f"How the order changes: with fewer than 2 of 5 through, order none; from 2, {NAMES[1]}; from 4, {NAMES[2]}."
    )


def test_the_first_outcome_changes_nothing_and_the_second_may() -> None:
    table = found([0, 1, 1, 2, 2]).decisions()
    assert table["changed"].tolist() == [False, True, False, True, False]
    assert table["quantity"].tolist() == [0, 100, 100, 1200, 1200]
    assert "Namespace" not in repr(found([0, 1]))


def test_large_numbers_are_told_with_commas() -> None:
    assert told([0] * 1200 + [3] * 100, now=2) == (
        f"How the order changes: with fewer than 1,200 of 1,299 through, order none; from 1,200, {NAMES[3]}."
    )


def test_without_a_doubt_that_lasts_nothing_is_said_of_a_trial_but_why() -> None:
    whole = plan().replace(stages=[stage("arrival", **beta_spread(8, 2), survival_level="batch")])
    trial = forecast.trial_worth(whole, "A", draws=16, seed=1)
    assert trial.plants == 72
    assert str(trial) == (
        "Without a trial, order 100 from Lab for 2027-W20 of A; it is expected to earn about "
        f"{trial.margin:.0f} EUR.\nNo survival of A is in doubt in a way that lasts (levels belief and variety), so a "
        "trial tells nothing of the big order and is worth 0."
    )


def test_no_plants_tried_cost_nothing_whoever_would_sell_them_cheapest() -> None:
    """The least that the dear lab sells costs 36, that of the other 305."""
    trial = forecast.trial_worth(plan(), "A", plants=0, draws=16, seed=1)
    assert (trial.cost, trial.bought, trial.lab) == (0, 0, "Dear Lab")
    assert trial.worth == pytest.approx(0, abs=1e-9)


def mixed(*stages: dict[str, Any], **cells: Any) -> TrialWorth:
    """Not all of the survival lasts, so that the worth has an error."""
    made = plan().replace(stages=stages, price_list=[offer(unit_price=3, multiple=25)], **cells)
    return forecast.trial_worth(made, "A", plants=30, draws=64, seed=1)


HALF = stage("arrival", **beta_spread(5, 2), survival_level="belief 0.5 batch 0.5")


def left_out(by_group: np.ndarray[Any, Any], group: int) -> np.ndarray[Any, Any]:
    return np.asarray(np.delete(by_group, group, axis=0).mean(axis=0))


def gained(weights: np.ndarray[Any, Any], margins: np.ndarray[Any, Any], chances: np.ndarray[Any, Any]) -> float:
    """What the best choice after each outcome earns, less that of the best without a trial."""
    weights = weights / weights.sum()
    after = sum(max((weights * chances[:, y]) @ margins) for y in range(chances.shape[1]))
    return float(after - max(weights @ margins))


def jackknife(values: list[float]) -> float:
    """Efron and Stein 1981, Annals of Statistics 9, 586-596: (n - 1) / n times the sum of squares about the mean."""
    mean = sum(values) / len(values)
    return (len(values) - 1) / len(values) * sum((value - mean) ** 2 for value in values)


@pytest.mark.parametrize("stages", [(HALF,), (HALF, stage("grading", **beta_spread(9, 2), survival_level="belief"))])
def test_the_error_is_that_of_the_jackknife_over_sixteen_groups_of_draws_and_of_scores(
    stages: tuple[dict[str, Any], ...],
) -> None:
    trial = mixed(*stages)
    tables = trial._tables
    margins, chances, weights = tables._by_group, tables._likelihoods(30), tables.weights
    assert margins.shape == (16, len(weights), len(tables.choices))
    assert chances.shape == (16, len(weights), 31)
    assert chances.sum(axis=2) == pytest.approx(1)
    assert trial.worth == pytest.approx(gained(weights, margins.mean(axis=0), chances.mean(axis=0)))
    groups = range(16)
    variance = jackknife([gained(weights, left_out(margins, g), left_out(chances, g)) for g in groups])
    if len(stages) > 1:
        assert len(weights) == 128
        some = [np.arange(128) % 16 != g for g in groups]
        means = margins.mean(axis=0), chances.mean(axis=0)
        variance += jackknife([gained(weights[k], means[0][k], means[1][k]) for k in some])
    assert trial.error > 0.01
    assert trial.error == pytest.approx(np.sqrt(variance))


def test_of_many_lawful_quantities_some_sixty_are_compared_up_to_what_can_pay() -> None:
    """All that can be sold brings 500; at 3 a plantlet, or at 2.90 from 101 on, 172 and a third cost as much."""
    rows = [offer("A", unit_price=3), offer("A", unit_price=2.9, from_quantity=101)]
    made = plan().replace(price_list=rows, stages=[stage("arrival", **beta_spread(8, 2), survival_level="batch")])
    trial = forecast.trial_worth(made, "A", plants=5, draws=16, seed=1)
    none, *choices = trial._tables.choices
    numbers = [choice.quantity for choice in choices]
    assert none is None
    assert numbers == sorted(set(numbers))
    assert (numbers[0], numbers[-1]) == (1, 173)
    assert {101, trial.choice.quantity} <= set(numbers)
    assert 60 <= len(numbers) <= 62
    assert max(np.diff(numbers)) == 3
