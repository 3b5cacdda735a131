"""Rows of targets."""

import pytest
from refusals import faults_of, refused_lines

from forecast.season.targets import Target

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


@pytest.mark.parametrize("service_level", [0, 1, 1.01, 95, -0.1, "90%"])
def test_a_confidence_lies_between_0_and_1_without_them(service_level: object) -> None:
    (fault,) = faults_of(Target, **WANTED, service_level=service_level)
    assert (fault.column, fault.value) == ("service_level", service_level)
