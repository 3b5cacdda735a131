"""Where notebooks and drawings are compared, the last printed digit of a number may differ by one, and nothing more."""

from pathlib import Path

import nbformat
import pytest
from printed import near, numbers_near

pytest_plugins = ["pytester"]
ROOT = Path(__file__).parents[1]


@pytest.mark.parametrize(
    ("found", "stored"),
    [
        ("1,234", "1,235"),
        ("0.228", "0.229"),
        ("at most 36.1 EUR (0.228 %) higher.", "at most 36.2 EUR (0.229 %) higher."),
        ("-0.01 EUR", "0.00 EUR"),
        ("1,999 EUR", "2,000 EUR"),
        ("0.3 m²", "0.299 m²"),  # 0.2995: the format drops a last 0
        ("12 %", "11.9 %"),
        ("1.23e-05", "1.24e-05"),
        ("<td>0.9047</td>", "<td>0.9046</td>"),
        (4526.74, 4526.75),
        (0.3, 0.29999999999999999),
        ({"data": [{"x": 1.5, "week": "2027-W10"}]}, {"data": [{"x": 1.6, "week": "2027-W10"}]}),
        (["a", None, True, 3], ["a", None, True, 3]),
    ],
)
def test_the_last_printed_digit_may_differ_by_one(found, stored):
    assert near(found, stored)
    assert near(stored, found)


@pytest.mark.parametrize(
    ("found", "stored"),
    [
        ("1,234", "1,236"),
        ("0.228", "0.230"),
        ("0.228", "0.238"),
        ("16,000 EUR", "15,500 EUR"),
        ("-0.01 EUR", "0.01 EUR"),
        ("12 plants", "13 plants"),  # a count, as whole numbers without separator are
        ("2027", "2028"),
        ("91 of 100 simulated seasons", "92 of 100 simulated seasons"),
        ("1400", "1401"),
        ("2027-W10", "2027-W11"),
        ("2027-03-01", "2027-03-02"),
        ("11.9-12.0 weeks", "12.0-12.0 weeks"),
        ("1.5px", "1.6px"),
        ("1.5 EUR", "1.5 USD"),
        ("1.5 more", "1.5 less"),
        ("1.5 and 2.5", "1.5"),
        ("1.5 2.5", "1.5  2.5"),
        ("1.5", ""),
        (4526.74, 4526.76),
        (1400, 1401),
        (1, True),
        (1.5, "1.5"),
        (1.5, None),
        (float("nan"), 1.5),
        ([1.5], [1.5, 1.5]),
        ({"x": 1.5}, {"y": 1.5}),
        ({"x": 1.5}, {"x": 1.5, "y": 1.5}),
    ],
)
def test_nothing_else_may_differ(found, stored):
    assert not near(found, stored)
    assert not near(stored, found)


def test_printed_numbers_are_as_many():
    assert numbers_near(["1.5", "2"], ["1.6", "2"])
    assert not numbers_near(["1.5", "2"], ["1.6"])
    assert not numbers_near(["1.5", "2"], ["1.6", "3"])


SAID = "12 plants earn 1,234 EUR (0.228 %)\n"
NEAR = [SAID, SAID.replace("234", "235").replace("0.228", "0.227")]
OTHERS = [SAID.replace("234", "236"), SAID.replace("12", "13", 1), SAID.replace("earn", "cost"), SAID * 2, ""]


def test_notebooks_are_compared_so(pytester):
    """A notebook of cells that say the same, and of each another output is stored."""
    outputs = [[nbformat.v4.new_output("stream", name="stdout", text=text)] if text else [] for text in NEAR + OTHERS]
    cells = [nbformat.v4.new_code_cell(f"print({SAID.strip()!r})", outputs=said, execution_count=1) for said in outputs]
    pytester.path.joinpath("one.ipynb").write_text(nbformat.writes(nbformat.v4.new_notebook(cells=cells)), "utf-8")
    pytester.makeconftest((ROOT / "notebooks" / "conftest.py").read_text(encoding="utf-8"))
    pytester.makeini(f"[pytest]\npythonpath = {ROOT / 'tests'}")
    done = pytester.runpytest_subprocess("--nbval", "one.ipynb")
    done.assert_outcomes(passed=len(NEAR), failed=len(OTHERS))
