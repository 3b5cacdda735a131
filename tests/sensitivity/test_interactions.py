"""Whether inputs act together, where a product of two survivals says it in closed form."""

import re

import pytest
from small_seasons import beta_spread, season, stage

from forecast import what_drives


def said_of(ends, draws):
    """Two survivals, each Beta(ends, ends): mean one half, variance 1 / (4 (2 ends + 1))."""
    plan = season(
        [stage("arrival", **beta_spread(ends, ends)), stage("grading", **beta_spread(ends, ends))],
        targets=[{"variety": "A", "week": "2027-W20", "target": 300}],
    )
    cells = {"orders": [("A", "2027-W05", 400)], "answer": "saleable", "seed": 1}
    return what_drives(plan, draws=draws, **cells).interactions()


@pytest.mark.parametrize(
    ("ends", "together", "verdict"),
    [(4 / 3, 0.12, "Inputs act together"), (0.5, 0.2, "Inputs act together"), (12.0, 1 / 51, "Inputs hardly act")],
)
def test_a_product_acts_together_by_a_share_in_closed_form(ends, together, verdict):
    """With c the variance over the squared mean, the product's own is 2 c + c^2, and c^2 of it together."""
    c = 1 / (2 * ends + 1)
    assert together == pytest.approx(c / (2 + c))
    text = said_of(ends, 8192)
    alone, error = (float(number) for number in re.search(r"explain (\d+) %.* give or take (\d+)", text).groups())
    assert abs(alone - 100 * (1 - together)) <= 2 * error + 1
    assert error <= 6
    assert text.startswith(verdict)


def test_what_acts_together_is_named_and_few_draws_do_not_tell():
    assert re.search(r"Most of the rest has to do with survival in (arrival|grading), crop\.$", said_of(0.5, 8192))
    assert said_of(12.0, 32).startswith("More draws would tell whether inputs act together")
