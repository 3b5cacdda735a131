"""Files made to do harm, or mangled on their way: each is read as what it says, or refused in words."""

import io
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from refusals import refused, refused_lines

from forecast import Refused, Season, read_season, write_season
from forecast.__main__ import main
from forecast.records.records import read_records
from forecast.season.header import Header
from forecast.season.season import TABLES
from forecast.show.plan_workbook import write_plan_workbook
from forecast.weather.station import read_days

pytestmark = pytest.mark.filterwarnings("ignore:[0-9]+ entr")  # what is odd is read

Change = Callable[[str, str, str], None]
Refusal = Callable[[], list[str]]
NOT_FINITE = "not a number that can be used. Write a finite number."
WORDS = 'Write lines such as first_week = "2026-W40".'
CHAIN = f"season.toml: not a list of names and values. {WORDS}"


# Numbers


@pytest.mark.parametrize(
    "number", ["9" * 400, "-" + "9" * 400, "1e999", "-1e999", "nan", "inf", "-inf", "1e308", "9" * 5000]
)
def test_no_cell_of_any_table_takes_a_number_without_bound(multiplied: Path, number: str) -> None:
    """Put into every cell of every row in turn, it is refused or is a text; a season never holds it as a number."""
    sound = read_season(multiplied)
    refused: list[str] = []
    for table in TABLES:
        (row,) = getattr(sound, table)[:1] or (None,)
        for column in row.given() if row is not None else ():
            try:
                changed = row.replace(**{column: number})
            except Refused as error:
                refused.append(str(error))
            else:
                assert isinstance(getattr(changed, column), str)
    assert len(refused) > 60
    assert all("\n" not in told and len(told) < 600 for told in refused)


HUGE = {
    "400 digits": 10**400,
    "400 digits below 0": -(10**400),
    "5,000 digits": 10**5000,
    "12,000 digits": 1 << 40_000,
    "no number": float("nan"),
    "without end": float("inf"),
}


@pytest.mark.parametrize("number", HUGE.values(), ids=HUGE)
@pytest.mark.parametrize(
    "column", ["weeks", "service_level", "budget", "hourly_wage", "seed", "name", "currency", "first_week"]
)
def test_no_value_in_python_is_taken_without_bound(folder: Path, column: str, number: float) -> None:
    header = {name: value for name, value in read_season(folder).given().items() if name in Header.model_fields}
    (line,) = refused_lines(lambda: Header(**{**header, column: number}))
    assert line.startswith(f"Header, {column}")
    assert len(line) < 400


@pytest.mark.parametrize(
    ("toml", "said"),
    [
        ("budget = " + "9" * 400, NOT_FINITE),
        ("budget = 1e999", NOT_FINITE),
        ("budget = nan", NOT_FINITE),
        ("seed = 0x" + "f" * 10_000, f"season.toml, seed, what is too long to be shown: {NOT_FINITE}"),
        ("seed = " + "9" * 5000, f"season.toml: not valid TOML: a number with too many digits. {WORDS}"),
        ("note = " + "[" * 50_000, f"season.toml: not valid TOML: nested too deep. {WORDS}"),
        ("note = " + "{a = " * 50_000, f"season.toml: not valid TOML: nested too deep. {WORDS}"),
        ("a" + ".a" * 50_000 + " = 1", CHAIN),
        ("[" + "a." * 50_000 + "a]", CHAIN),
        ('x = {y = """\n", ' + "a." * 50_000 + 'a = 1, b = """"}', CHAIN),
        ("\n".join(f"k{i} = 1" for i in range(2000)), f"season.toml: more than 100 names. {WORDS}"),
        ("#" * 1_000_001, "season.toml: larger than 1 MB. Split the season, or check what was saved in it."),
        ('"\\u001b[31m" = 1', "season.toml, \\x1b[31m, 1: not a known setting."),
        ("seeds = 07:32:00", "season.toml, seeds, 07:32:00: not a known setting. Did you mean 'seed'?"),
    ],
)  # fmt: skip
def test_a_header_that_would_take_the_memory_or_the_stack_is_refused(
    folder: Path, refusal: Refusal, toml: str, said: str
) -> None:
    text = (folder / "season.toml").read_text(encoding="utf-8")
    name = toml.split(" ", maxsplit=1)[0]
    kept = [line for line in text.splitlines() if not line.startswith(name)]
    (folder / "season.toml").write_text("\n".join([*kept, toml]), encoding="utf-8")
    assert said in refusal()[0]


def test_a_note_of_many_sentences_in_the_header_is_no_chain_of_names(folder: Path) -> None:
    season = read_season(folder).replace(note="It is so. ''' \"\"\" \n" * 5000, location="a.b" * 60)
    write_season(season, folder, overwrite=True)
    assert read_season(folder) == season


DEGREES = [10**400, -(10**400), 10**5000, float("inf"), 1j, b"x", []]


@pytest.mark.parametrize("value", DEGREES, ids=range(len(DEGREES)))
def test_a_station_record_takes_no_such_temperature(value: object) -> None:
    (told,) = refused_lines(lambda: read_days(["2027-01-01"], [value], [5.0], "C"))
    assert "not an air temperature in °C" in told


DAYS = [np.datetime64(2**62, "D"), np.datetime64("NaT", "D"), pd.NaT, 10**400, b"2027-01-01", "2027-02-30", "1_000"]


@pytest.mark.parametrize("day", DAYS, ids=range(len(DAYS)))
def test_a_station_record_takes_no_such_day(day: object) -> None:
    (told,) = refused_lines(lambda: read_days([day], [1.0], [5.0], "C"))
    assert told.endswith("not a date. Write it as 2027-04-13.")


# Texts


def test_a_message_never_moves_the_cursor_nor_hides_anything(change: Change, refusal: Refusal) -> None:
    change("targets.csv", "promised,note", "promised,\x1b[2J\u202eetouq")
    change("orders.csv", "North Lab", "\x1b[31mLab")
    told = refusal()
    assert all(line.isprintable() for line in told)
    assert told[0].startswith("targets.csv, row 1, column \\x1b[2J\\u202eetouq: no such column.")


def test_a_column_of_a_long_name_is_reported_in_short(change: Change, refusal: Refusal) -> None:
    change("targets.csv", "promised,note", f"promised,{'x' * 100_000}")
    (told,) = refusal()
    assert told.startswith("targets.csv, row 1, column xxx")
    assert len(told) < 300


MANGLED = [
    ("a cell of 10 MB", "targets.csv", lambda text: text.replace(",400,", f',400,,,,,"{"x" * 9_000_000}"'),
     "targets.csv, row 2: not valid CSV: field larger than field limit (131072). Look for a stray double quote; "
     "within a quoted text, write it twice."),
    ("a million columns", "targets.csv", lambda _: ",".join(f"c{i}" for i in range(1_000_000)) + "\n1\n",
     "targets.csv, row 1: more than 1,000 columns. Keep the known ones: variety, week, until, target, p5, median, "
     "p95, channel, profile, price, price_end, promised, promised_share, short_cost, waits, note."),
    ("a million rows", "targets.csv", lambda text: text + "#\n" * 1_000_000,
     "targets.csv: more than 50,000 rows. Keep those of a few years."),
    ("zeros", "places.csv", lambda text: text.replace("80", "8\0000"),
     "places.csv, row 2: contains NUL bytes, so it is damaged. Save it again, or take an earlier copy."),
    ("a zero far below", "places.csv", lambda text: text + "#" * 2000 + "\nshed\0,1,1,1\n",
     "places.csv, row 5: contains NUL bytes, so it is damaged. Save it again, or take an earlier copy."),
    ("a mark of order in the middle", "targets.csv", lambda text: text.replace("Calla", "\ufeffCalla"),
     "targets.csv, row 4, column variety, \"\\ufeffCalla 'Corvane'\": no variety of this name in varieties. "
     "Correct the spelling, or add it to varieties. Did you mean \"Calla 'Corvane'\"?"),
    ("a note that no file keeps", "targets.csv", lambda text: text.replace(",400,,,,,", f",400,,,,,{'x' * 100_001}"),
     f"targets.csv, row 2, column note, '{'x' * 116}...: too long. Shorten it to 100000 characters."),
]  # fmt: skip


@pytest.mark.parametrize(("name", "mangle", "said"), [case[1:] for case in MANGLED], ids=[case[0] for case in MANGLED])
def test_a_mangled_file_is_reported(
    folder: Path, refusal: Refusal, name: str, mangle: Callable[[str], str], said: str
) -> None:
    text = (folder / name).read_text(encoding="utf-8")
    (folder / name).write_text(mangle(text), encoding="utf-8", newline="")
    assert said in refusal()


@pytest.mark.parametrize("end", [b"\n", b"\r", b"\r\n"])
def test_one_row_in_another_encoding_is_reported_by_its_number(folder: Path, refusal: Refusal, end: bytes) -> None:
    rows = (folder / "varieties.csv").read_bytes().splitlines()
    rows[2] = "Hosta 'Belwin',hosta,1 l,8.50,26,größer".encode("cp1252")
    (folder / "varieties.csv").write_bytes(end.join(rows) + end)
    row = "\"Hosta 'Belwin',hosta,1 l,8.50,26,größer\""
    assert refusal() == [f"varieties.csv, row 3, {row}: not UTF-8. Save it again as CSV in UTF-8."]


def test_rows_that_end_in_different_ways_say_the_same(folder: Path) -> None:
    season = read_season(folder)
    for file in folder.glob("*.csv"):
        rows = file.read_bytes().splitlines()
        ends = [b"\r\n", b"\n", b"\r"]
        file.write_bytes(b"".join(row + ends[number % 3] for number, row in enumerate(rows)))
    assert read_season(folder) == season


# What stands in the place of a file


@pytest.mark.parametrize("name", ["season.toml", "targets.csv", "orders.csv"])
@pytest.mark.parametrize("what", ["pipe", "zeros", "link to a pipe"])
def test_what_would_be_waited_for_or_never_ends_is_not_read(folder: Path, name: str, what: str) -> None:
    (folder / name).unlink()
    if what == "zeros":
        (folder / name).symlink_to("/dev/zero")
    elif what == "pipe":
        os.mkfifo(folder / name)
    else:
        os.mkfifo(folder.parent / "pipe")
        (folder / name).symlink_to(folder.parent / "pipe")
    assert refused(read_season, folder) == f"{name}: not a regular file. Put a file of this name here."


@pytest.mark.parametrize("name", ["season.toml", "targets.csv", "orders.csv"])
def test_a_link_that_leads_nowhere_is_reported(folder: Path, name: str) -> None:
    (folder / name).unlink()
    (folder / name).symlink_to(folder / "gone")
    (told,) = refused_lines(lambda: read_season(folder))
    assert told.startswith(f"{name}: there is no such file. Add {name}")


@pytest.mark.parametrize("read", [read_season, read_records])
def test_a_pipe_named_like_a_workbook_is_not_waited_for(tmp_path: Path, read: Callable[[Path], object]) -> None:
    os.mkfifo(tmp_path / "ours.xlsx")
    said = "ours.xlsx: not a regular file. Put a file of this name here."
    assert refused_lines(lambda: read(tmp_path / "ours.xlsx")) == [said]


def test_a_link_that_leads_to_itself_is_reported(folder: Path) -> None:
    (folder / "targets.csv").unlink()
    (folder / "targets.csv").symlink_to(folder / "targets.csv")
    remedy = "Close it in other programs, or ask for permission to read it."
    assert refused_lines(lambda: read_season(folder)) == [
        f"targets.csv: cannot be opened: Too many levels of symbolic links. {remedy}"
    ]


def test_links_to_a_folder_and_to_files_are_followed(folder: Path) -> None:
    season = read_season(folder)
    (folder / "targets.csv").rename(folder.parent / "wanted of us.csv")
    (folder / "targets.csv").symlink_to(folder.parent / "wanted of us.csv")
    (folder.parent / "link").symlink_to(folder)
    assert read_season(folder.parent / "link") == season


def test_a_folder_named_like_a_file_is_a_folder(folder: Path) -> None:
    for name in ("season.csv", "season.xlsx"):
        folder = folder.rename(folder.parent / name)
        assert isinstance(read_season(folder), Season)


@pytest.mark.parametrize("gone", ["targets.csv", "season.toml"])
def test_a_file_that_vanishes_while_it_is_read_is_reported(
    folder: Path, monkeypatch: pytest.MonkeyPatch, gone: str
) -> None:
    read = Path.read_bytes

    def vanished(path: Path) -> bytes:
        if path.name == gone:
            path.unlink()
        return read(path)

    monkeypatch.setattr(Path, "read_bytes", vanished)
    (told,) = refused_lines(lambda: read_season(folder))
    assert told.startswith(f"{gone}: there is no such file. Add {gone}")


UNREADABLE = """
import os, sys
sys.path.insert(0, sys.argv[2])
import forecast, forecast.season.season, forecast.io.xlsx, pydantic, encodings.utf_8_sig, tomllib
from forecast import Refused, read_season
if os.geteuid() == 0:
    os.setgid(65534)
    os.setuid(65534)
try:
    read_season(sys.argv[1])
except Refused as error:
    print(error)
"""


@pytest.mark.parametrize("what", ["file", "folder", "workbook"])
def test_what_may_not_be_read_is_reported(folder: Path, what: str) -> None:
    """By another process that is not root, who may read everything; nobody else is let into the folders of tests."""
    with tempfile.TemporaryDirectory() as outside:
        Path(outside).chmod(0o755)
        not_read(shutil.copytree(folder, Path(outside) / "season"), what)


def not_read(folder: Path, what: str) -> None:
    path, told = folder, "targets.csv"
    if what == "workbook":
        path, told = folder / "season.xlsx", "season.xlsx"
        write_plan_workbook(read_season(folder), path)
        path.chmod(0)
    elif what == "file":
        (folder / "targets.csv").chmod(0)
    folder.chmod(0 if what == "folder" else 0o755)
    root = str(Path(__file__).parents[2])
    ended = subprocess.run(
        [sys.executable, "-c", UNREADABLE, str(path), root], capture_output=True, text=True, check=False
    )
    folder.chmod(0o755)
    remedy = "Close it in other programs, or ask for permission to read it."
    assert f"{told}: cannot be opened: Permission denied. {remedy}" in ended.stdout.splitlines(), ended.stderr


# The command line


def test_output_that_cannot_be_written_is_reported(folder: Path) -> None:
    with Path("/dev/full").open("w", encoding="utf-8") as full:
        command = [sys.executable, "-m", "forecast", "check", str(folder)]
        ended = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert ended.returncode == 2
    assert ended.stderr == "The output cannot be written: No space left on device.\n"


def test_a_terminal_without_the_letters_of_a_name_gets_their_numbers(
    folder: Path, change: Change, monkeypatch: pytest.MonkeyPatch
) -> None:
    change("season.toml", "A small season", "Nursery 木")
    written = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(written, encoding="ascii", write_through=True))
    assert main(["check", str(folder)]) == 0
    assert b"Nursery \\u6728: 28 Sep 2026 (2026-W40)" in written.getvalue()


def test_a_command_stopped_by_the_keyboard_says_so(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def stopped(_: Path) -> Season:
        raise KeyboardInterrupt

    monkeypatch.setattr("forecast.records.folder_check.check_folder", stopped)
    assert main(["check", str(folder)]) == 130
    assert capsys.readouterr() == ("", "Stopped.\n")


@pytest.mark.parametrize("draws", ["1e9", "9" * 5000, "nan", "½", "", "0x10"])
def test_no_number_of_draws_gives_a_traceback(folder: Path, capsys: pytest.CaptureFixture[str], draws: str) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["order", str(folder), "--draws", draws])
    assert ended.value.code == 2
    assert "invalid int value" in capsys.readouterr().err
