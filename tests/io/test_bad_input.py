"""Faulty files and folders: each is refused once, in words that name the place and what would do."""

import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from forecast import Refused, Season, read_season
from forecast.__main__ import main
from forecast.errors import Fault
from forecast.season.season import TABLES

Change = Callable[[str, str, str], None]
Refusal = Callable[[], list[str]]

COLUMNS = "variety,week,target,p5,median,p95,promised,note"
KNOWN = (
    "variety,week,until,target,p5,median,p95,channel,profile,price,price_end,promised,promised_share,short_cost,waits,"
    "note"
)
MISSING = "there is no such file."


@pytest.mark.parametrize(
    "name", ["season.toml", "varieties.csv", "stages.csv", "places.csv", "price_list.csv", "targets.csv"]
)
def test_a_missing_file_is_reported_alone(folder: Path, refusal: Refusal, name: str) -> None:
    (folder / name).unlink()
    assert refusal() == [f"{name}: {MISSING} Add {name}; `python -m forecast start` writes an example."]


@pytest.mark.parametrize(
    ("name", "misspelt"),
    [
        ("targets.csv", "tragets.csv"),
        ("places.csv", "Places.CSV"),
        ("varieties.csv", "varieties.csv.txt"),
        ("orders.csv", "order.csv"),
        ("season.toml", "seasons.toml"),
    ],
)
def test_a_misspelt_file_name_is_recognised(folder: Path, refusal: Refusal, name: str, misspelt: str) -> None:
    (folder / name).rename(folder / misspelt)
    assert refusal() == [f"{name}: {MISSING} Did you mean {misspelt}? Rename it."]


def test_a_workbook_beside_is_named_and_not_to_be_renamed(folder: Path, refusal: Refusal) -> None:
    (folder / "price_list.csv").rename(folder / "price_list.xlsx")
    assert refusal() == [f"price_list.csv: {MISSING} Save price_list.xlsx as price_list.csv, CSV in UTF-8."]


def test_other_files_of_the_grower_are_left_alone(folder: Path) -> None:
    before = read_season(folder)
    (folder / "counts.csv").write_bytes(b"\xff\xfe\x00")
    (folder / "orders of last year.csv").write_text("anything", encoding="utf-8")
    (folder / "notes.txt").write_text("anything", encoding="utf-8")
    assert read_season(folder) == before


@pytest.mark.parametrize("name", ["season.toml", "varieties.csv", "orders.csv"])
def test_a_folder_where_a_file_should_be_is_reported(folder: Path, refusal: Refusal, name: str) -> None:
    (folder / name).unlink()
    (folder / name).mkdir()
    assert refusal() == [f"{name}: this is a folder, not a file. Rename it, and put the file {name} here."]


def test_a_missing_folder_is_reported_with_its_whole_path(folder: Path) -> None:
    path = folder / "of a grower who likes long names" / "and deep folders"
    with pytest.raises(Refused) as caught:
        read_season(path)
    assert caught.value.faults[0].value == str(path)
    assert str(caught.value).endswith(
        "there is no such folder or workbook. Give the folder that holds season.toml, or an .xlsx workbook."
    )


def test_a_file_given_for_the_folder_is_reported(folder: Path) -> None:
    with pytest.raises(
        Refused, match=r"not a workbook\. Give the folder that holds season\.toml, or an \.xlsx workbook\."
    ):
        read_season(folder / "season.toml")


def test_a_file_that_may_not_be_read_is_reported(refusal: Refusal, monkeypatch: pytest.MonkeyPatch) -> None:
    read = Path.read_bytes

    def locked(path: Path) -> bytes:
        if path.name == "price_list.csv":
            raise PermissionError(13, "Permission denied")
        return read(path)

    monkeypatch.setattr(Path, "read_bytes", locked)
    remedy = "Close it in other programs, or ask for permission to read it."
    assert refusal() == [f"price_list.csv: cannot be opened: Permission denied. {remedy}"]


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be"])
@pytest.mark.parametrize(("name", "kind"), [("varieties.csv", "CSV"), ("season.toml", "text")])
def test_utf_16_is_reported(folder: Path, refusal: Refusal, encoding: str, name: str, kind: str) -> None:
    (folder / name).write_bytes((folder / name).read_text(encoding="utf-8").encode(encoding))
    assert refusal() == [f"{name}: saved as UTF-16. Save it again as {kind} in UTF-8."]


@pytest.mark.parametrize("name", ["varieties.csv", "season.toml"])
@pytest.mark.parametrize("where", [0, 40, 5000])
def test_nul_bytes_are_reported_with_their_row_and_not_taken_for_utf_16(
    folder: Path, refusal: Refusal, name: str, where: int
) -> None:
    data = (folder / name).read_bytes() + b"# " + b"x" * 6000 + b"\n"
    (folder / name).write_bytes(data[:where] + b"\0" + data[where:])
    row = data[:where].count(b"\n") + 1
    told = "contains NUL bytes, so it is damaged. Save it again, or take an earlier copy."
    assert refusal() == [f"{name}, row {row}: {told}"]
    (folder / name).write_bytes(bytes(len(data)))  # as a disk leaves what was not written to its end
    assert refusal() == [f"{name}, row 1: {told}"]


def test_latin_1_is_reported_with_its_row_and_the_letter_that_was_meant(
    folder: Path, change: Change, refusal: Refusal
) -> None:
    change("varieties.csv", "new here", "für Müller")
    file = folder / "varieties.csv"
    file.write_bytes(file.read_text(encoding="utf-8").encode("latin-1"))
    row = "\"Calla 'Corvane',calla,12 cm,9.80,12,für Müller\""
    assert refusal() == [f"varieties.csv, row 4, {row}: not UTF-8. Save it again as CSV in UTF-8."]


def test_a_workbook_under_the_name_of_a_csv_file_is_reported(folder: Path, refusal: Refusal) -> None:
    (folder / "places.csv").write_bytes(b"PK\x03\x04\x14\x00\x06\x00")
    assert refusal() == ["places.csv: a workbook with the name of a text file. Save it again as CSV in UTF-8."]


def test_a_file_too_large_for_a_season_is_reported(folder: Path, refusal: Refusal) -> None:
    os.truncate(folder / "price_list.csv", 10_000_001)
    assert refusal() == ["price_list.csv: larger than 10 MB. Split the season, or check what was saved in it."]


@pytest.mark.parametrize("text", ["", "\n \n", "# nothing yet\n", "\ufeff"])
def test_an_empty_file_is_reported_with_the_header_it_needs(folder: Path, refusal: Refusal, text: str) -> None:
    (folder / "targets.csv").write_text(text, encoding="utf-8")
    assert refusal() == [f"targets.csv: empty. Add the header, {KNOWN}, and at least one row."]


def test_a_header_without_rows_is_reported(folder: Path, refusal: Refusal) -> None:
    (folder / "targets.csv").write_text(f"{COLUMNS}\n{',' * COLUMNS.count(',')}\n", encoding="utf-8")
    assert refusal() == ["targets.csv: no rows. Add at least one row below the header."]


def test_orders_may_be_empty(folder: Path) -> None:
    (folder / "orders.csv").write_text("variety,week,quantity\n", encoding="utf-8")
    assert read_season(folder).orders == ()


def test_an_empty_header_file_is_reported_key_by_key(folder: Path, refusal: Refusal) -> None:
    (folder / "season.toml").write_text("", encoding="utf-8")
    keys = ["name", "currency", "first_week", "weeks", "service_level"]
    assert refusal() == [f"season.toml, {key}: empty but required. Fill it in." for key in keys]


def test_tabs_are_reported(folder: Path, refusal: Refusal) -> None:
    file = folder / "targets.csv"
    file.write_text(file.read_text(encoding="utf-8").replace(",", "\t"), encoding="utf-8")
    assert refusal() == ["targets.csv: separated by tabs. Save it as CSV, separated by commas."]


def semicolons(folder: Path, name: str) -> None:
    """Save a file of the folder as European spreadsheets do."""
    lines = (folder / name).read_text(encoding="utf-8").replace(",", ";").replace(".", ",")
    (folder / name).write_text(lines, encoding="utf-8")


def nothing_settled(change: Change) -> None:
    """Take away the other decimals of the varieties, which would settle how the file writes numbers."""
    change("varieties.csv", "9,50", "9")
    change("varieties.csv", "8,50", "8")


@pytest.mark.parametrize(
    ("written", "remedy"),
    [
        ("1.200", "Write 1200 or 1.2, whichever is meant."),
        ("1,200", "Write 1200 or 1,2, whichever is meant."),
        ("1,234", "Write 1234 or 1,2340, whichever is meant."),
        ("12.000", "Write 12000 or 12, whichever is meant."),
    ],
)
def test_a_number_that_could_mean_two_things_is_not_guessed(
    folder: Path, change: Change, refusal: Refusal, written: str, remedy: str
) -> None:
    semicolons(folder, "varieties.csv")
    nothing_settled(change)
    change("varieties.csv", "9,80", written)
    place = f"varieties.csv, row 4, column sale_price, '{written}'"
    assert refusal() == [f"{place}: could be read in two ways. {remedy}"]


@pytest.mark.filterwarnings("ignore:[0-9]+ entr")  # 1,200 for a plant is odd
@pytest.mark.parametrize("written", ["1200", "1200,0", "1.2", "1,2", "1.2340", "1,2340", "12"])
def test_what_the_remedy_says_can_be_read(folder: Path, change: Change, written: str) -> None:
    semicolons(folder, "varieties.csv")
    nothing_settled(change)
    change("varieties.csv", "9,80", written)
    assert read_season(folder).varieties[2].sale_price == float(written.replace(",", "."))


def test_a_semicolon_too_many_is_reported(folder: Path, change: Change, refusal: Refusal) -> None:
    semicolons(folder, "orders.csv")
    change("orders.csv", "North Lab", "North; Lab")
    remedy = "Put a text with a semicolon in double quotes, or remove the extra cells."
    row = "\"Hosta 'Ambrel';2027-W10;504;North; Lab\""
    assert refusal() == [f"orders.csv, row 2, {row}: 5 cells under 4 columns. {remedy}"]


def test_a_doubled_column_is_reported_once_and_its_cells_are_not_judged(change: Change, refusal: Refusal) -> None:
    change("targets.csv", "promised,note", "promised,promised")
    change("targets.csv", "0.8,", "0.8,80%")
    place = "targets.csv, row 1, column promised"
    assert refusal() == [f"{place}: the column appears twice. Keep one of the two."]


def test_a_doubled_variety_is_reported_with_the_first_of_the_two(folder: Path, refusal: Refusal) -> None:
    file = folder / "varieties.csv"
    file.write_text(file.read_text(encoding="utf-8") + "Hosta 'Ambrel',hosta,2 l,12,26,\n", encoding="utf-8")
    remedy = "Keep one of the two rows, or change its variety."
    place = "varieties.csv, row 5, column variety, \"Hosta 'Ambrel'\""
    assert refusal() == [f"{place}: the same as row 2. {remedy}"]


def test_a_variety_may_not_have_the_name_of_a_group(folder: Path, refusal: Refusal) -> None:
    file = folder / "varieties.csv"
    file.write_text(file.read_text(encoding="utf-8") + "calla,hosta,2 l,12,26,\n", encoding="utf-8")
    remedy = "Rename the group, so that stages.csv is unambiguous."
    assert refusal() == [f"varieties.csv, row 5, column variety, 'calla': also the name of a group. {remedy}"]


def test_five_faults_in_four_files_are_reported_at_once(change: Change, refusal: Refusal) -> None:
    change("season.toml", '"EUR"', '"EURO"')
    change("stages.csv", ",0.85,", ",85,")
    change("places.csv", ",120,", ",-120,")
    change("targets.csv", "Hosta 'Belwin'", "Hosta 'Bellwin'")
    change("targets.csv", "2027-W40", "2027-W60")
    assert [line.split(":")[0] for line in refusal()] == [
        "season.toml, currency, 'EURO'",
        "stages.csv, row 2, column survival, '85'",
        "places.csv, row 3, column area, '-120'",
        "targets.csv, row 4, column week, '2027-W60'",
        "targets.csv, row 3, column variety, \"Hosta 'Bellwin'\"",
    ]


def test_a_missing_file_does_not_hide_what_is_wrong_between_the_others(
    folder: Path, change: Change, refusal: Refusal
) -> None:
    (folder / "places.csv").unlink()
    change("orders.csv", "Calla 'Corvane'", "Calla 'Corvanne'")
    assert [line.split(":")[0] for line in refusal()] == [
        "places.csv",
        "orders.csv, row 3, column variety, \"Calla 'Corvanne'\"",
    ]


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("varieties.csv", "9.80,12,", "9.80,twelve,"),  # a variety that others name
        ("varieties.csv", "9.80,12,", "9,80,12,"),  # the same with its cells shifted
        ("places.csv", "80,0.6", "80,60"),  # a place of stages
        ("price_list.csv", "1.10,100", "one,100"),  # the offer of a wanted variety
        ("stages.csv", "9,0.2,0.1,batch,0.89", "9,0.2,0.1,batch,0.15,"),  # a stage of a route
        ("stages.csv", "batches_cv", "spread_betches"),
        ("price_list.csv", "from_quantity", "from_quantty"),
    ],
)
def test_one_fault_is_not_reported_again_where_the_row_is_referred_to(
    change: Change, refusal: Refusal, name: str, old: str, new: str
) -> None:
    change(name, old, new)
    lines = refusal()
    assert len(lines) == 1
    assert lines[0].startswith(name)


def test_a_target_is_not_called_too_early_while_an_earlier_offer_is_at_fault(change: Change, refusal: Refusal) -> None:
    change("price_list.csv", "1.45,72,72,16,2027-W08", "1.45,72,0,16,2027-W08")
    change("price_list.csv", "1.25,72,72,16,2027-W08", "1.25,72,72,16,2027-W15")
    change("targets.csv", "2027-W41", "2027-W12")
    assert refusal() == ["price_list.csv, row 2, column multiple, '0': below 1. Write at least 1."]


def test_a_row_is_numbered_as_a_spreadsheet_does(change: Change, refusal: Refusal) -> None:
    change("targets.csv", COLUMNS, f"# a remark,\n\n{COLUMNS}")
    change("targets.csv", "400,,,,,", '400,,,,,"two\nlines"')
    change("targets.csv", ",0.8,", ",1.8,")
    assert refusal()[0].startswith("targets.csv, row 5, column promised, '1.8': a share lies between 0 and 1.")


def test_the_same_fault_in_many_rows_takes_one_line(folder: Path, refusal: Refusal) -> None:
    file = folder / "price_list.csv"
    file.write_text(file.read_text(encoding="utf-8").replace("Hosta 'Ambrel'", "Hosta Ambrel"), encoding="utf-8")
    line = "price_list.csv, rows 2 to 3, column variety, 'Hosta Ambrel': no variety of this name in varieties."
    assert refusal()[0] == f"{line} Correct the spelling, or add it to varieties. Did you mean \"Hosta 'Ambrel'\"?"


def test_ten_thousand_bad_rows_are_reported_in_few_lines_and_all_kept(folder: Path) -> None:
    rows = [f"Hosta 'Ambrel',{week}-2027,-{week},,,,850%,\n" for week in range(10_000)]
    (folder / "targets.csv").write_text(f"{COLUMNS}\n{''.join(rows)}", encoding="utf-8")
    start = time.process_time()
    with pytest.raises(Refused) as caught:
        read_season(folder)
    assert time.process_time() - start < 10
    assert len(caught.value.faults) == 30_000
    assert caught.value.faults[-1].row == 10_001
    lines = str(caught.value).splitlines()
    assert len(lines) == 21
    assert "targets.csv, rows 2 to 10001, column promised, '850%': more than 100 %. Write at most 100 %." in lines
    assert lines[-1] == "... and 19,981 more in targets.csv. Correct these first."


@pytest.mark.filterwarnings("ignore:[0-9]+ entr")  # of the budget for so many
def test_ten_thousand_good_rows_are_read_in_seconds(folder: Path) -> None:
    varieties = "".join(f"Hosta {i},hosta,,,,\n" for i in range(10_000))
    target = "".join(f"Hosta {i},2027-W41,{i + 1},,,,,\n" for i in range(10_000))
    offer = "plug,1,1.45,72,72,16,2027-W08,2027-W16,0.25,26.00,288\n"
    offers = "".join(f"North Lab,Hosta {i},{offer}" for i in range(10_000))
    for name, rows in (("varieties.csv", varieties), ("targets.csv", target), ("price_list.csv", offers)):
        (folder / name).write_text((folder / name).read_text(encoding="utf-8") + rows, encoding="utf-8")
    start = time.process_time()
    season = read_season(folder)
    assert time.process_time() - start < 10
    assert [row.target for row in season.targets[-2:]] == [9999, 10_000]


SPOILERS = [*'",;\n\r\t#-0%é\x00[\u2028=W', "", "99999999999", "1e308", "nan"]


@pytest.mark.filterwarnings("ignore:[0-9]+ entr")
@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    name=st.sampled_from(["season.toml", *(f"{table}.csv" for table in TABLES)]),
    spoils=st.lists(st.tuples(st.floats(0, 1), st.integers(0, 6), st.sampled_from(SPOILERS)), min_size=1, max_size=3),
)
def test_whatever_is_in_a_file_it_is_read_or_refused(
    multiplied: Path, name: str, spoils: list[tuple[float, int, str]]
) -> None:
    folder = multiplied
    text = before = (folder / name).read_text(encoding="utf-8")
    for where, length, spoiler in spoils:
        start = int(where * len(text))
        text = text[:start] + spoiler + text[start + length :]
    (folder / name).write_text(text, encoding="utf-8", newline="")
    faults: tuple[Fault, ...] = ()
    try:
        assert isinstance(read_season(folder), Season)
    except Refused as error:
        faults = error.faults
    finally:
        (folder / name).write_text(before, encoding="utf-8", newline="")
    assert {fault.table for fault in faults} <= {file.name for file in folder.iterdir()}
    assert all(fault.problem and fault.remedy for fault in faults)


def command(*arguments: str) -> subprocess.CompletedProcess[str]:
    run = [sys.executable, "-m", "forecast", *arguments]
    return subprocess.run(run, capture_output=True, text=True, encoding="utf-8", check=False)


def test_the_command_refuses_with_exit_code_2_on_stderr_alone(folder: Path, change: Change) -> None:
    change("places.csv", ",120,", ",-120,")
    told = command("order", str(folder), "--out", str(folder / "out"))
    assert told.returncode == 2
    assert told.stdout == ""
    assert told.stderr.splitlines() == [
        "places.csv, row 3, column area, '-120': not above 0. Write a number above 0.",
        "1 problem found; nothing was written.",
    ]
    assert not (folder / "out").exists()


def test_the_command_refuses_a_folder_that_is_not_there(folder: Path) -> None:
    told = command("check", str(folder / "elsewhere"))
    assert told.returncode == 2
    assert (
        "there is no such folder or workbook. Give the folder that holds season.toml, or an .xlsx workbook."
        in told.stderr
    )
    assert "Traceback" not in told.stderr


def test_the_command_finds_nothing_wrong_with_the_sound_season(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", str(folder)]) == 0
    told = capsys.readouterr()
    assert "No problems found." in told.out
    assert told.err == ""


def test_start_writes_a_season_that_is_sound_and_never_over_another(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["start", str(folder / "new")]) == 0
    assert read_season(folder / "new").varieties
    before = (folder / "targets.csv").read_bytes()
    assert main(["start", str(folder)]) == 2
    assert "already exists; nothing was written" in capsys.readouterr().err
    assert (folder / "targets.csv").read_bytes() == before
