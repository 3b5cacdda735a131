"""What a grower writes in a cell is read where it can mean one thing only, and noted; else it is asked about."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from datetime import date
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl import Workbook

from forecast import read_season, write_season
from forecast.__main__ import main
from forecast.io.csv_folder import USUAL, Form, form_of
from forecast.io.layout import Sheet, lay_out, read_row
from forecast.records.weather_rows import WeatherRecord
from forecast.season.cells import Row
from forecast.season.orders import Delivery
from forecast.season.places import Normal, Place
from forecast.season.price_list import PriceLine
from forecast.season.propagation_rows import Culture
from forecast.season.targets import Target
from forecast.season.varieties import Variety

Change = Callable[[str, str, str], None]
Refusal = Callable[[], list[str]]


def sheet_of(kind: type[Row], **columns: list[str]) -> Sheet:
    """Return the sheet of some columns of cells."""
    rows = [list(columns), *map(list, zip(*columns.values(), strict=True))]
    return lay_out("a.csv", list(enumerate(rows, start=1)), kind, mark=",")


def meant(kind: type[Row], column: str, *texts: str) -> list[str]:
    """Return what the texts of a column are read as, or what is asked about them."""
    sheet = sheet_of(kind, **{column: list(texts)})
    asked = [next((f"{fault.problem}. {fault.remedy}" for fault in line.faults), "") for line in sheet.lines]
    return [why or line.cells[column] for why, line in zip(asked, sheet.lines, strict=True)]


@pytest.mark.parametrize(
    ("kind", "column", "text", "read"),
    [
        (Target, "promised", "90 %", "0.9"),
        (Target, "promised", "90%", "0.9"),
        (Target, "promised", "87.5\u00a0%", "0.875"),
        (Target, "promised", "87,5 %", "0.875"),
        (Target, "promised", "90 percent", "0.9"),
        (Culture, "contamination", "6% 4 %", "0.06 0.04"),
        (Culture, "multiplication", "2,1 2,6 2,4", "2.1 2.6 2.4"),
        (PriceLine, "unit_price", "$1.60", "1.60"),
        (PriceLine, "unit_price", "1.60 EUR", "1.60"),
        (PriceLine, "unit_price", "1.60eur", "1.60"),
        (PriceLine, "unit_price", "€1,60", "1.60"),
        (PriceLine, "unit_price", "A$ 1.60", "1.60"),
        (PriceLine, "unit_price", "kr 12", "12"),
        (PriceLine, "unit_price", "Fr.12", "12"),
        (Place, "area", "12 m2", "12"),
        (Place, "area", "12 m²", "12"),
        (PriceLine, "lead_weeks", "4 weeks", "4"),
        (PriceLine, "lead_weeks", "28 days", "4"),
        (PriceLine, "lead_weeks", "28 d", "4"),
        (Culture, "minutes_per_vessel", "12 min.", "12"),
        (Normal, "t_max", "21 °C", "21"),
        (Normal, "t_min", "\u22124.5", "-4.5"),
        (Normal, "t_min", "- 4.5 °C", "-4.5"),
        (Delivery, "quantity", "504 plants", "504"),
        (Delivery, "quantity", "\uff15\uff10\uff14", "504"),
        (Delivery, "quantity", "1'200", "1200"),
        (Delivery, "quantity", "1 200", "1200"),
        (Delivery, "quantity", "1\u202f200", "1200"),
        (Delivery, "quantity", "1,234,567", "1234567"),
        (Variety, "sale_price", "1.234,5", "1234.5"),
        (Variety, "sale_price", "1,234.5", "1234.5"),
        (Variety, "sale_price", "0,85", "0.85"),
        (Delivery, "placed", "Yes", "yes"),
        (Delivery, "placed", "FALSE", "no"),
    ],
)  # fmt: skip
def test_what_can_mean_one_thing_only_is_read_and_noted(kind: type[Row], column: str, text: str, read: str) -> None:
    sheet = sheet_of(kind, **{column: [text]})
    assert [(line.cells[column], line.faults) for line in sheet.lines] == [(read, ())]
    assert [(one.written, one.read, one.rows) for one in sheet.understood] == [(text, read, (2,))]


@pytest.mark.parametrize(
    ("kind", "column", "text"),
    [
        (Variety, "sale_price", "90 %"),
        (PriceLine, "unit_price", "abc 12"),
        (PriceLine, "unit_price", "12 - 15"),
        (PriceLine, "unit_price", "1,2,3"),
        (PriceLine, "unit_price", "12 34"),
        (PriceLine, "unit_price", "EUR 12 $"),
        (PriceLine, "minimum", "12 x 6"),
        (PriceLine, "lead_weeks", "2027-W14"),
        (PriceLine, "lead_weeks", "9" * 100),
        (PriceLine, "first_week", "in spring"),
        (PriceLine, "first_week", "31/02/2027"),
        (PriceLine, "first_week", "9999-12-31"),
        (PriceLine, "first_week", "99999"),
        (PriceLine, "first_week", "week 60 2027"),
        (Delivery, "placed", "maybe"),
    ],
)
def test_what_is_no_number_or_week_is_left_to_the_check_of_its_cell(kind: type[Row], column: str, text: str) -> None:
    sheet = sheet_of(kind, **{column: [text]})
    assert [(line.cells, line.faults, sheet.understood) for line in sheet.lines] == [({column: text}, (), ())]
    _, faults = read_row(sheet.lines[0], kind)
    assert text in [fault.value for fault in faults if fault.column == column]


@pytest.mark.parametrize(
    ("kind", "column", "text", "asked"),
    [
        (Variety, "sale_price", "1.200", "could be read in two ways. Write 1200 or 1.2, whichever is meant."),
        (Variety, "sale_price", "-12,345", "could be read in two ways. Write -12345 or -12,3450, whichever is meant."),
        (PriceLine, "lead_weeks", "3 months", "'months' is not the unit of this column. Write it in weeks, as a number "
         "alone."),
        (Normal, "t_max", "70 °F", "'°F' is not the unit of this column. Write it in °C, as a number alone."),
        (Target, "promised", "150 %", "more than 100 %. Write at most 100 %."),
        (Target, "week", "14", "a week without its year. Write it with its year, such as 2027-W14."),
        (Target, "week", "4/2027", "could be a week or a month. Write 2027-W04 if it is the week, or a day of that "
         "month."),
        (Target, "week", "03/04/2027", "could be read in two ways. Write 2027-W13 or 2027-W09, whichever is meant."),
        (WeatherRecord, "date", "03/04/2027", "could be read in two ways. Write 2027-04-03 or 2027-03-04 "
         "(year-month-day), whichever is meant."),
    ],
)  # fmt: skip
def test_what_may_mean_two_things_is_asked_about(kind: type[Row], column: str, text: str, asked: str) -> None:
    assert meant(kind, column, text) == [asked]


@pytest.mark.parametrize(
    ("texts", "read"),
    [
        (("1,200",), ["1200"]),
        (("1.200",), ["1200"]),
        (("1.200", "2.500"), ["1200", "2500"]),
        (("12.000",), ["could be read in two ways. Write 12000 or 12, whichever is meant."]),
        (("1.5",), ["1.5"]),
    ],
)
def test_thousands_of_whole_plants_are_not_a_fraction_of_a_plant(texts: tuple[str, ...], read: list[str]) -> None:
    assert meant(Target, "target", *texts) == read


@pytest.mark.parametrize(
    "text",
    ["2027 W14", "2027-w14", "2027w14", "2027 week 14",
     "W14 2027", "week 14 2027", "Week 14, 2027", "14/2027", "KW 14 2027", "2027-04-05",
     "5 April 2027", "5 Apr 2027", "5. April 2027", "April 5, 2027", "5 avril 2027", "5 de abril de 2027", "5-apr-2027",
     "05/04/2027", "5.4.2027", "46482"],
)  # fmt: skip
def test_a_week_in_other_words_is_read(text: str) -> None:
    """46482: 5 April 2027 is 46,482 days after 30 December 1899, by the calendar."""
    assert (date(2027, 4, 5) - date(1899, 12, 30)).days == 46482
    sheet = sheet_of(Target, week=[text, "25/04/2027"])
    assert [line.cells["week"] for line in sheet.lines] == ["2027-W14", "2027-W16"]
    assert text in [one.written for one in sheet.understood]


def test_the_order_of_day_and_month_is_that_of_the_file() -> None:
    assert meant(WeatherRecord, "date", "03/04/2027", "25/04/2027") == ["2027-04-03", "2027-04-25"]
    assert meant(WeatherRecord, "date", "03/04/2027", "04/25/2027") == ["2027-03-04", "2027-04-25"]
    torn = meant(WeatherRecord, "date", "03/04/2027", "04/25/2027", "26/04/2027")
    assert torn[0].startswith("could be read in two ways")
    assert torn[1:] == ["2027-04-25", "2027-04-26"]


def test_two_styles_of_numbers_in_a_file_are_a_fault_that_names_both_cells() -> None:
    asked = meant(Variety, "sale_price", "9.80", "7.50", "8,50")
    where = "'9.80' in row 2, column sale_price"
    assert asked == ["9.80", "7.50", f"a decimal comma, but {where}, has a decimal point. Write 8.50."]


def test_days_of_a_stage_on_degree_days_are_not_weeks() -> None:
    from forecast.season.stages import Stage  # noqa: PLC0415

    sheet = sheet_of(Stage, typical=["28 days", "28 days"], runs_on=["weeks", "degree-days"])
    assert [line.cells["typical"] for line in sheet.lines] == ["4", "28 days"]


styles = st.sampled_from(
    [(t, d) for d in ".," for t in (",", ".", " ", "\u00a0", "\u2009", "'", "\u2019", "") if t != d]
)
numbers = st.decimals(0, 10**9, places=3, allow_nan=False) | st.integers(0, 10**9).map(Decimal)
CERTAIN = Decimal("1234567.5")


def in_style(number: Decimal, style: tuple[str, str]) -> str:
    """Write a number in a style, of thousands and decimals."""
    thousands, decimal = style
    text = f"{number:,f}"
    return text.translate({ord(","): thousands, ord("."): decimal})


@given(st.lists(numbers, min_size=1, max_size=6), styles)
def test_any_number_in_any_style_comes_back_beside_one_that_is_certain(
    some: list[Decimal], style: tuple[str, str]
) -> None:
    texts = [in_style(number, style) for number in (*some, CERTAIN)]
    sheet = sheet_of(Variety, sale_price=texts)
    assert [line.faults for line in sheet.lines] == [()] * len(texts)
    assert [Decimal(line.cells["sale_price"]) for line in sheet.lines] == [*some, CERTAIN]
    noted = {one.written for one in sheet.understood}
    assert {text for text, line in zip(texts, sheet.lines, strict=True) if line.cells["sale_price"] != text} == noted


@given(st.integers(1, 999), st.integers(0, 999), st.sampled_from(".,"), st.sampled_from(["", "-"]))
def test_a_number_that_may_be_two_is_never_read_alone(whole: int, rest: int, mark: str, sign: str) -> None:
    sheet = sheet_of(Variety, sale_price=[f"{sign}{whole}{mark}{rest:03d}"])
    assert [fault.problem for line in sheet.lines for fault in line.faults] == ["could be read in two ways"]


@pytest.mark.parametrize("written", ["1.60 USD", "$1.60"])
def test_another_currency_than_that_of_the_season_is_refused(change: Change, refusal: Refusal, written: str) -> None:
    change("varieties.csv", "9.80", written)
    place = f"varieties.csv, row 4, column sale_price, '{written}'"
    assert refusal() == [f"{place}: not in EUR, the currency of the season. Write it in EUR."]


def test_a_week_without_its_year_is_asked_about_with_those_of_the_season(change: Change, refusal: Refusal) -> None:
    change("targets.csv", "2027-W40", "40")
    assert refusal()[0].startswith("targets.csv, row 4, column week, '40': a week without its year. Write 202")


def test_check_says_what_was_understood(folder: Path, change: Change, capsys: pytest.CaptureFixture[str]) -> None:
    change("varieties.csv", "9.80", "€9.80")
    change("targets.csv", "2027-W40", "week 40 2027")
    change("season.toml", '"2026-W40"', '"2026 W40"')
    assert main(["check", str(folder)]) == 0
    told = capsys.readouterr().out
    assert "varieties.csv, column sale_price: €9.80 read as 9.80, 1 cell\n" in told
    assert "targets.csv, column week: week 40 2027 read as 2027-W40, 1 cell" in told
    assert "season.toml, first_week: 2026 W40 read as 2026-W40" in told


def commas(folder: Path) -> None:
    """Save all tables of a folder as European spreadsheets do: with semicolons and decimal commas."""
    for file in folder.glob("*.csv"):
        rows = list(csv.reader(io.StringIO(file.read_text(encoding="utf-8"))))
        text = io.StringIO()
        writer = csv.writer(text, delimiter=";")
        for row in rows:
            numbers = [cell.replace(".", ",") if cell.replace(".", "", 1).isdigit() else cell for cell in row]
            writer.writerow(numbers)
        file.write_text(text.getvalue(), encoding="utf-8")


@pytest.mark.filterwarnings("ignore:[0-9]+ entr")
def test_a_season_with_decimal_commas_is_written_back_with_them(multiplied: Path, tmp_path: Path) -> None:
    before = read_season(multiplied)
    commas(multiplied)
    assert read_season(multiplied) == before
    assert form_of(multiplied) == Form(";", ",")
    changed = before.replace(varieties=tuple(row.replace(sale_price=1.125) for row in before.varieties))
    write_season(changed, multiplied, overwrite=True)
    text = (multiplied / "varieties.csv").read_text(encoding="utf-8")
    assert "1,1250" in text
    assert "." not in (multiplied / "price_list.csv").read_text(encoding="utf-8").replace("'.", "")
    assert read_season(multiplied) == changed
    write_season(changed, tmp_path / "new")
    assert form_of(tmp_path / "new") == USUAL
    assert "1.1250" in (tmp_path / "new" / "varieties.csv").read_text(encoding="utf-8")
    assert read_season(tmp_path / "new") == changed


def _workbook(file: Path, **columns: list[object]) -> Path:
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "weather"
    for row in [list(columns), *map(list, zip(*columns.values(), strict=True))]:
        sheet.append(row)
    book.save(file)
    return file


def test_numbers_of_a_workbook_have_no_style(tmp_path: Path) -> None:
    from forecast.io.xlsx import Workbook as Book  # noqa: PLC0415

    file = _workbook(tmp_path / "a.xlsx", date=[46482, "25/04/2027"], t_min=[1.125, "-2,5"], t_max=[12.5, "7 °C"])
    sheet = Book(file, "").sheet("weather", WeatherRecord)
    rows = [read_row(line, WeatherRecord)[0] for line in sheet.lines]
    assert rows == [
        WeatherRecord(date="2027-04-05", t_min=1.125, t_max=12.5),
        WeatherRecord(date="2027-04-25", t_min=-2.5, t_max=7),
    ]
    noted = {(one.column, one.written, one.read) for one in sheet.understood}
    assert noted == {
        ("date", "46482", "2027-04-05"), ("date", "25/04/2027", "2027-04-25"), ("", "-2,5", "-2.5"),
        ("t_max", "7 °C", "7"),
    }  # fmt: skip


def test_units_of_columns_are_those_that_their_meaning_states() -> None:
    from forecast.io.as_written import _contents  # noqa: PLC0415
    from forecast.season.season import TABLES  # noqa: PLC0415
    from forecast.starter.remarks import parameters  # noqa: PLC0415

    stated = {"currency": "the currency of the season", "weeks": "weeks", "m²": "m²", "°C": "°C", "plants": "plants"}
    seen = 0
    for kind in TABLES.values():
        for names, meaning in parameters(kind):
            for unit, name in stated.items():
                if meaning.count("[") == 1 == len(names) and f"[{unit}]" in meaning:
                    seen += 1
                    assert _contents(kind)[names[0]].unit == name, (kind, names)
    assert seen > 15


def test_tables_that_are_added_or_ordered_are_written_like_those_of_the_season(folder: Path, tmp_path: Path) -> None:
    commas(folder)
    assert main(["start", str(folder), "--with", "windows"]) == 0
    assert (folder / "profiles.csv").read_text(encoding="utf-8").splitlines()[-1] == "autumn;3;2"
    assert "until" in (folder / "targets.csv").read_text(encoding="utf-8").split(";")
    assert main(["order", str(folder), "--out", str(tmp_path / "out"), "--draws", "64"]) in (0, 1)
    written = (tmp_path / "out" / "order_table.csv").read_text(encoding="utf-8")
    assert all(";" in line and "." not in line.replace("'.", "") for line in written.splitlines())
