"""Rows of targets."""

import pytest
from refusals import faults_of, refused_lines

from forecast.season.targets import Target, sold_by

WANTED = {"variety": "A", "week": "2027-W40", "target": 100}


def test_what_is_needed_is_a_number_or_a_range() -> None:
    ranged = {"variety": "A", "week": "2027-W40", "p5": 120, "median": 150, "p95": 200}
    assert (Target(**WANTED).median_demand, Target(**WANTED).demand) == (100, None)
    demand = Target(**ranged).demand
    assert demand is not None
    assert demand.quantile([0.05, 0.5, 0.95]).tolist() == [120, 150, 200]
    assert Target(**ranged).median_demand == 150
    assert "stated in two ways" in refused_lines(Target, **ranged, target=100)[0]
    assert "empty or incomplete" in refused_lines(Target, variety="A", week="2027-W40")[0]
    assert "empty or incomplete" in refused_lines(Target, **ranged | {"p95": None})[0]


@pytest.mark.parametrize(("p5", "median", "p95"), [(2, 1, 3), (1, 3, 2), (3, 2, 1)])
def test_a_range_is_in_order(p5: float, median: float, p95: float) -> None:
    (told,) = refused_lines(Target, variety="A", week="2027-W40", p5=p5, median=median, p95=p95)
    column, lower = ("median", "p5") if median < p5 else ("p95", "median")
    assert told.startswith(f"Target, {column}, ")
    assert f": below {lower}, " in told


@pytest.mark.parametrize("chance", [0, 1, 1.01, 95, -0.1, "90%"])
def test_a_confidence_lies_between_0_and_1_without_them(chance: object) -> None:
    (fault,) = faults_of(Target, **WANTED, promised=chance)
    assert (fault.column, fault.value) == ("promised", chance)


def test_a_window_has_a_last_week_and_a_row_says_what_is_absent_by_leaving_it_out() -> None:
    row = Target(**WANTED, until="2027-W44", channel="retail", promised=0.9, promised_share=0.8, waits=2)
    assert (row.last - row.week, row.waits) == (4, 2)
    assert Target(**WANTED).last == Target(**WANTED).week
    assert Target(**WANTED).given().keys() == WANTED.keys()
    assert row.given()["waits"] == 2
    assert row.replace(waits=0).waits == 0


@pytest.mark.parametrize(
    ("cells", "told"),
    [
        ({"until": "2027-W39"}, "Target, until, '2027-W39': before week, 2027-W40. Swap or correct the two."),
        ({"price_end": 5}, "Target, price_end, 5.0: used only over several weeks. Fill until, or use price."),
        (
            {"promised_share": 0.9},
            "Target, promised_share, 0.9: used only if the row is promised. Fill promised, too, or clear it.",
        ),
        ({"promised": 0.9, "promised_share": 0}, "Target, promised_share, 0: not above 0. Write a number above 0."),
        ({"promised": 90}, "Target, promised, 90: a share lies between 0 and 1. For 90 % write 0.9."),
        ({"waits": -1}, "Target, waits, -1: below 0. Write at least 0."),
        ({"service_level": 0.9}, "Target, service_level, 0.9: not a known column. Rename it promised."),
    ],
)
def test_a_row_that_contradicts_itself_is_refused(cells: dict[str, object], told: str) -> None:
    assert refused_lines(Target, **WANTED, **cells) == [told]


def test_whose_demand_it_is_depends_on_the_customer() -> None:
    row = Target(**WANTED)
    assert row.owner == ("demand", "A", "2027-W40")
    assert row.replace(channel="retail").owner == ("demand", "A", "2027-W40", "retail")


@pytest.mark.parametrize(
    ("weights", "weeks", "shares"),
    [
        ([1], 1, [1]),
        ([1], 4, [0.25, 0.5, 0.75, 1]),
        ([2, 1, 1], 3, [0.5, 0.75, 1]),
        ([1, 3], 4, [0.125, 0.25, 0.625, 1]),  # stretched: half of each weight a week
        ([1, 1, 3, 3], 2, [0.25, 1]),  # squeezed
        ([1, 3], 3, [1 / 6, 1 / 2, 1]),  # two thirds of the first weight have passed after a third of the window
        ([0, 1, 0], 3, [0, 1, 1]),
    ],
)
def test_a_profile_is_stretched_to_the_weeks_of_a_target(weights: list[float], weeks: int, shares: list[float]) -> None:
    assert sold_by(weights, weeks).tolist() == pytest.approx(shares, abs=1e-12)
    assert sold_by([7 * weight for weight in weights], weeks)[-1] == 1
