"""Everything that is wrong with season.toml is told at once, each with the remedy that fits."""

from pathlib import Path

import pytest
from refusals import refused, refused_lines

from forecast import read_season

START = 'name = "A small season"\ncurrency = "EUR"\nfirst_week = "2026-W40"\nweeks = 70\nservice_level = 0.9\n'
BILT = 'Write location = "De Bilt".'
PLAIN = "Write digits with a decimal point, without unit or spaces, such as 12.5."
MARKS = "a number with marks or spaces between its thousands. Write it without them, such as 1200."
TWO = "could be read in two ways. Write"
EXAMPLE = 'Write lines such as first_week = "2026-W40".'


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("budget = 12,000", f"budget, '12,000': {TWO} 12000 or 12, whichever is meant."),
        ("budget = 12,500 # x", f"budget, '12,500': {TWO} 12500 or 12.5, whichever is meant."),
        ('budget = "12,000"', f"budget, '12,000': {TWO} 12000 or 12, whichever is meant."),
        ("budget = 1,200,000", f"budget, '1,200,000': {MARKS}"),
        ("budget = 12 000", f"budget, '12 000': {MARKS}"),
        ("hourly_wage = 18,50", "hourly_wage, '18,50': a decimal comma. Write 18.50."),
        ("hourly_wage = 18 EUR", f"hourly_wage, '18 EUR': not a number. {PLAIN}"),
        ("seed = 007", "seed, '007': not a number as TOML has it. Write seed = 7."),
        ("seed = 7 7", f"seed, '7 7': not a number. {PLAIN}"),
        ("location = De Bilt", f"location, 'De Bilt': a text without double quotes around it. {BILT}"),
        ("location = “De Bilt”", f"location, 'De Bilt': a text without double quotes around it. {BILT}"),
        ('location = "De Bilt', f"location, 'De Bilt': a text without double quotes around it. {BILT}"),
        ("budget 5000", "budget, '5000': no = between the name and its value. Write budget = 5000."),
        ("location: De Bilt", f"location, 'De Bilt': no = between the name and its value. {BILT}"),
        ("budget =", f"budget, 'budget =': not a name and a value. {EXAMPLE}"),
        ("our budget = 5", f"'our budget = 5': not a name and a value. {EXAMPLE}"),
    ],
)  # fmt: skip
def test_a_line_that_is_no_toml_is_reported_with_the_remedy_that_fits(folder: Path, line: str, told: str) -> None:
    (folder / "season.toml").write_text(f"{START}\n# a remark\n{line}\n", encoding="utf-8")
    (said,) = refused_lines(read_season, folder)
    assert said.removeprefix("season.toml, ").removeprefix("row 8, ").removeprefix("column ") == told


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("service_level = 90 %", "'90 %': a percentage. Write the share itself: 0.9."),
        ("service_level = 90%", "'90%': a percentage. Write the share itself: 0.9."),
        ("service_level = 0,9", "'0,9': a decimal comma. Write 0.9."),
    ],
)
def test_a_share_that_is_no_toml_is_reported_with_the_share(folder: Path, line: str, told: str) -> None:
    (folder / "season.toml").write_text(START.replace("service_level = 0.9", line), encoding="utf-8")
    (said,) = refused_lines(read_season, folder)
    assert said.endswith(f"service_level, {told}")


def test_all_that_is_wrong_is_reported_at_once_by_row(folder: Path) -> None:
    lines = [
        "name = Our nursery", 'currency = "EURO"', "first_week = 2026-W40", "weeks = 70,5", "service_level = 90 %",
        "budget = 12,000", "hourly_wage 18", "buget = 5", 'note = """', "weeks = none of the above", '"""', "seed = 1",
        "seed = 2",
    ]  # fmt: skip
    (folder / "season.toml").write_text("\r\n".join(lines), encoding="utf-8", newline="")
    assert refused_lines(read_season, folder) == [
        "season.toml, row 1, column name, 'Our nursery': a text without double quotes around it. Write name = \"Our "
        'nursery".',
        "season.toml, row 2, column currency, 'EURO': not a currency code. Write its three capital "
        "letters, such as EUR.",
        "season.toml, row 3, column first_week, '2026-W40': a text without double quotes around it. Write first_week = "
        '"2026-W40".',
        "season.toml, row 4, column weeks, '70,5': a decimal comma. Write 70.5.",
        "season.toml, row 5, column service_level, '90 %': a percentage. Write the share itself: 0.9.",
        f"season.toml, row 6, column budget, '12,000': {TWO} 12000 or 12, whichever is meant.",
        "season.toml, row 7, column hourly_wage, '18': no = between the name and its value. Write hourly_wage = 18.",
        "season.toml, row 8, column buget, 5: not a known setting. Did you mean 'budget'?",
        "season.toml, row 13, column seed: appears twice. Keep one of the two.",
    ]


def test_a_misspelt_name_of_a_required_setting_is_one_fault(folder: Path) -> None:
    (folder / "season.toml").write_text(START.replace("currency", "curency"), encoding="utf-8")
    assert refused_lines(read_season, folder) == [
        "season.toml, curency, 'EUR': not a known setting. Did you mean 'currency'?"
    ]


def test_what_is_wrong_in_the_tables_is_reported_with_it(folder: Path) -> None:
    (folder / "season.toml").write_text(START.replace("0.9", "90 %"), encoding="utf-8")
    targets = folder / "targets.csv"
    targets.write_text(targets.read_text(encoding="utf-8").replace("2027-W40", "2027-W60"), encoding="utf-8")
    said = refused(read_season, folder)
    assert "season.toml, row 5, column service_level, '90 %': a percentage." in said
    assert "targets.csv, row 4, column week, '2027-W60'" in said


def test_a_file_of_nothing_but_faults_is_reported_in_short(folder: Path) -> None:
    (folder / "season.toml").write_text("what is this\n" * 50_000, encoding="utf-8")
    assert refused_lines(read_season, folder) == [f"season.toml: more than 100 names. {EXAMPLE}"]


def test_a_text_over_several_lines_that_never_ends_is_reported(folder: Path) -> None:
    (folder / "season.toml").write_text(f'{START}note = """never\nends\n', encoding="utf-8")
    (said,) = refused_lines(read_season, folder)
    assert said.startswith("season.toml, row 6, column note")
