"""What the first workbook says: on its headings, beside its cells, and on its first sheet."""

import pytest

from forecast.words import starting as words
from forecast.words.seasons import by_sheets


@pytest.mark.parametrize(
    ("cells", "lines"),
    [
        (
            {"accepted": "whole number, 1 or more", "default": "", "if_empty": "required"},
            ["target", "Plants wanted.", "Write a whole number, 1 or more.", "Required."],
        ),
        (
            {"accepted": "0 to 1", "default": "0.5", "if_empty": "the default"},
            ["target", "Plants wanted.", "Write 0 to 1.", "Empty: 0.5."],
        ),
        (
            {"accepted": "text", "default": "", "if_empty": "any buyer"},
            ["target", "Plants wanted.", "Empty: any buyer."],
        ),
    ],
)
def test_a_heading_says_what_it_means_what_to_write_and_what_an_empty_cell_means(cells, lines):
    assert words.heading("target", "Plants wanted.", **cells).splitlines() == lines


def test_files_of_a_folder_are_sheets_of_a_workbook():
    text = "Add climate.csv with 12 months, or change first_week in season.toml; 1.5 weeks, e.g. A.csv."
    assert by_sheets(text) == (
        "Add the sheet climate with 12 months, or change first_week in the sheet season; 1.5 weeks, e.g. A.csv."
    )


def test_the_first_sheet_names_what_to_fill_what_comes_then_and_what_was_assumed():
    lines = words.start_here(
        "mine.xlsx", columns=10, tables=("varieties", "targets"), additions=("costs", "stock"),
        assumed=[("climate", "De Bilt")],
    )  # fmt: skip
    assert ("Fill in", "varieties and targets: replace the examples, 10 columns in all.") in lines
    assert ("Then", "python -m forecast check mine.xlsx") in lines
    assert ("More", "python -m forecast start mine.xlsx --with NAME adds costs or stock.") in lines
    assert lines[-2:] == [(words.ASSUMED, ""), ("climate", "De Bilt")]
    bare = words.start_here("mine.xlsx", columns=10, tables=("varieties",), additions=("costs",), assumed=[])
    assert words.ASSUMED not in dict(bare)
