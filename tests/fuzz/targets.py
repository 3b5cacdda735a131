"""What is fed to each reader, how it is mutated, and what must hold whatever it is fed."""

from __future__ import annotations

import contextlib
import csv
import io
import itertools
import os
import random
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from icalendar import Calendar
from nasty import NASTY, XML

from forecast import Refused, Season, read_season, simulate, write_season
from forecast.__main__ import main
from forecast.errors import OutOfReach
from forecast.io.csv_folder import table_cells
from forecast.records.records import Records, read_records, write_records
from forecast.season.cells import Row
from forecast.show.calendar import write_calendar
from forecast.show.plan_workbook import write_plan_workbook
from forecast.show.sheets import workbook
from forecast.weather.station import months_measured, read_days

DEMO = Path(__file__).parents[2] / "demo_data"
MOST_DRAWS = 512  # more are only slow


@dataclass(frozen=True)
class Target:
    """A reader to be fuzzed.

    Parameters
    ----------
    seeds
        Inputs to begin with.
    feed
        Gives it an input; anything but a refusal that it raises is a fault.
    mutate
        Makes another input of one, from random numbers; None where bytes alone are mutated.
    """

    seeds: Callable[[Path], list[bytes]]
    feed: Callable[[bytes, Path], None]
    mutate: Callable[[bytes, random.Random], bytes] | None = None


def small() -> Season:
    """Return two varieties of the demonstration, with all that is planned of them."""
    whole = read_season(DEMO)
    names = [row.variety for row in whole.varieties[:2]]
    return whole.only(names).replace(orders=tuple(row for row in whole.orders if row.variety in names))


def few() -> Records:
    """Return two batches of the demonstration, their counts, and five days of weather."""
    whole = read_records(DEMO)
    names = {row.batch for row in whole.batches[:2]}
    counts = tuple(row for row in whole.counts if row.batch in names)
    return whole.replace(batches=whole.batches[:2], counts=counts, weather=whole.weather[:5])


def refused(call: Callable[[], Any]) -> Any:
    """Return what a call gives; a refusal must say on a line each what is wrong and what would do."""
    try:
        return call()
    except OutOfReach:
        return None
    except Refused as error:
        told = error
    assert told.faults
    assert all(fault.problem and fault.remedy for fault in told.faults)
    assert all(line.isprintable() for line in str(told).splitlines())
    assert len(str(told)) < 100_000
    return None


# A folder: the first byte of an input says which file the others are.


def _files(folder: Path) -> list[Path]:
    return sorted(file for file in folder.iterdir() if file.is_file())


def _seed_season(folder: Path) -> list[bytes]:
    write_season(small(), folder)
    return [bytes([i]) + file.read_bytes() for i, file in enumerate(_files(folder))]


def _seed_records(folder: Path) -> list[bytes]:
    write_records(few(), folder)
    return [bytes([i]) + file.read_bytes() for i, file in enumerate(_files(folder))]


_SOUND: dict[Path, bytes] = {}


@contextlib.contextmanager
def _spoilt(data: bytes, folder: Path) -> Iterator[None]:
    files = _files(folder)
    file = files[data[0] % len(files)]
    _SOUND.setdefault(file, file.read_bytes())
    file.write_bytes(data[1:])
    try:
        yield
    finally:
        file.write_bytes(_SOUND[file])


def _there_and_back(data: bytes, folder: Path, read: Callable[[Path], Any], write: Callable[..., None]) -> Any:
    """Read a folder with one file spoilt; what is read is written and read again. None if it is refused."""
    if not data:
        return None
    with _spoilt(data, folder):
        found = refused(lambda: read(folder))
    if found is not None:
        write(found, folder / "again", overwrite=True)
        assert read(folder / "again") == found
    return found


def _feed_season(data: bytes, folder: Path) -> None:
    _there_and_back(data, folder, read_season, write_season)


def _feed_records(data: bytes, folder: Path) -> None:
    found = _there_and_back(data, folder, read_records, write_records)
    if found is not None:
        found.stages()
        found.times()


def swap_cells(data: bytes, draw: random.Random) -> bytes:
    """Put nasty cells in the place of some cells of a CSV file, or of some texts of a TOML file."""
    text = data[1:].decode("utf-8", errors="replace")
    if draw.random() < 0.5:
        rows = [line.split(",") for line in text.split("\n")]
        for _ in range(draw.randint(1, 3)):
            row = draw.choice(rows)
            row[draw.randrange(len(row))] = draw.choice(NASTY)
        text = "\n".join(map(",".join, rows))
    elif draw.random() < 0.5:
        try:
            rows = list(csv.reader(io.StringIO(text)))
        except csv.Error:
            rows = []
        filled = [row for row in rows if row]
        if filled:
            first, second = draw.choice(filled), draw.choice(filled)
            at = draw.randrange(len(first))
            first[at] = draw.choice([*second, *NASTY])
            draw.choice([rows.append, rows.remove])(first)
            written = io.StringIO()
            csv.writer(written).writerows(rows)
            text = written.getvalue()
    else:
        at = draw.randrange(len(text) + 1)
        text = text[:at] + draw.choice(NASTY) + text[at + draw.choice([0, 0, 1, 5, 50]) :]
    return data[:1] + text.encode("utf-8", errors="replace")


# A workbook: an input is its file, and what is mutated is the XML of one of its parts.


def _seed_workbook(folder: Path) -> list[bytes]:
    write_plan_workbook(small(), folder / "book.xlsx")
    return [stored((folder / "book.xlsx").read_bytes())]


def _seed_records_workbook(_: Path) -> list[bytes]:
    found = few()
    tables = {"batches": found.batches, "counts": found.counts[:20], "weather": found.weather}
    frames = {}
    for name, rows in tables.items():
        columns, cells = table_cells(rows, type(rows[0]))
        frames[name] = pd.DataFrame(cells, columns=columns, dtype=object)
    return [stored(workbook(frames))]


def stored(data: bytes) -> bytes:
    """Return a workbook whose parts are not packed, which is faster."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return _zipped([(part.filename, archive.read(part)) for part in archive.infolist()])


def _zipped(parts: list[tuple[str, bytes]]) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w") as archive:
        for name, data in parts:
            archive.writestr(zipfile.ZipInfo(name), data)
    return made.getvalue()


def mutate_part(data: bytes, draw: random.Random) -> bytes:
    """Change the XML of a part, or take out, double or rename one."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            parts = [(part.filename, archive.read(part)) for part in archive.infolist()]
    except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError, RuntimeError, EOFError, zlib.error):
        return data
    if not parts:
        return data
    at = draw.randrange(len(parts))
    name, xml = parts[at]
    kind = draw.random()
    if kind < 0.05:
        del parts[at]
    elif kind < 0.1:
        parts[at] = (draw.choice(["../../x", "/etc/passwd", "xl/vbaProject.bin", parts[-1][0], "\x00"]), xml)
    else:
        for _ in range(draw.randint(1, 3)):
            marks = [i for i, byte in enumerate(xml) if byte in b'<>" '] or [0]
            start = draw.choice(marks)
            stop = start + draw.choice([0, 0, 1, 3, draw.choice(marks[:50]) - marks[0], 20])
            text = draw.choice([*XML, *NASTY, xml[start : start + 200].decode("utf-8", errors="replace")])
            xml = xml[:start] + text.encode("utf-8", errors="replace") + xml[max(start, stop) :]
        parts[at] = (name, xml)
    try:
        return _zipped(parts)
    except (ValueError, UserWarning):
        return data


def _feed_workbook(data: bytes, folder: Path) -> None:
    (folder / "book.xlsx").write_bytes(data)
    found = refused(lambda: read_season(folder / "book.xlsx"))
    if found is not None:
        refused(lambda: write_plan_workbook(found, folder / "again.xlsx", overwrite=True))


def _feed_records_workbook(data: bytes, folder: Path) -> None:
    (folder / "book.xlsx").write_bytes(data)
    found = refused(lambda: read_records(folder / "book.xlsx"))
    if found is not None:
        write_records(found, folder / "again", overwrite=True)
        assert read_records(folder / "again") == found


# The record of a station: eleven bytes are a day.

_DAYS = [
    *("2027-04-13", " 2027-04-14 ", "20270415", "2027-W14-1", "", "x", None, 5, 1e300, date(2027, 1, 1), datetime.max),
    *(
        np.datetime64("NaT", "D"),
        np.datetime64("2027-05-01"),
        np.datetime64(2**62, "D"),
        pd.NaT,
        pd.Timestamp("2027-06-01"),
    ),
    *(b"2027-04-13", date.min, date.max, True, [], {}),
]
_DEGREES = [None, "", " ", "5", "5,5", "nan", "1e999", 10**400, float("nan"), float("inf"), pd.NA, pd.NaT, b"5"]
_DEGREES += [[], 1j, True, 10**5000]


def _feed_station(data: bytes, _: Path) -> None:
    dates, lows, highs = [], [], []
    for kind, what, day, low, high in itertools.islice(struct.iter_unpack("<BHlBB", data[: len(data) // 9 * 9]), 400):
        dates.append(_DAYS[what % len(_DAYS)] if kind & 1 else date.fromordinal(day % date.max.toordinal() + 1))
        lows.append(_DEGREES[low % len(_DEGREES)] if kind & 2 else low - 128.0)
        highs.append(_DEGREES[high % len(_DEGREES)] if kind & 4 else high - 128.0)
    for unit in "CF":
        found = refused(lambda unit=unit: read_days(dates, lows, highs, unit))
        if found is not None:
            assert len(months_measured(*found)) == 12


# Names: what is written of a season, its calendar among it, holds them as they are.


def _seed_names(_: Path) -> list[bytes]:
    return ["\n".join(NASTY[i : i + 6]).encode("utf-8", errors="replace") for i in range(0, len(NASTY), 6)]


def _named(names: list[str]) -> Season:
    season = SMALL[0]
    old = season.varieties[0].variety
    variety, lab, place, stage, title, note = (names + [""] * 6)[:6]

    def renamed(row: Row) -> Row:
        changes = {}
        for column, name in (("variety", variety), ("lab", lab), ("place", place), ("stage", stage), ("enters", stage)):
            if name.strip() and hasattr(row, column):
                given = getattr(row, column)
                if (column == "variety" and given == old) or (column != "variety" and given == FIRST.get(column)):
                    changes[column] = name
        if hasattr(row, "note"):
            changes["note"] = note
        return row.replace(**changes)

    tables = ("varieties", "stages", "places", "price_list", "target", "orders", "cultures", "divisions")
    changed = {table: tuple(map(renamed, getattr(season, table))) for table in tables}
    return season.replace(name=title if title.strip() else season.name, note=note, **changed)


SMALL: list[Season] = []
FIRST: dict[str, str] = {}


def _feed_names(data: bytes, folder: Path) -> None:
    if not SMALL:
        SMALL.append(small())
        stage = SMALL[0].route(SMALL[0].varieties[0].variety)[-1]
        FIRST.update(place=stage.place, stage=stage.stage, enters=stage.stage, lab=SMALL[0].price_list[0].lab)
    season = refused(lambda: _named(data.decode("utf-8", errors="replace").split("\n")))
    if season is None:
        return
    write_season(season, folder / "season", overwrite=True)
    assert read_season(folder / "season") == season
    refused(lambda: write_plan_workbook(season, folder / "season.xlsx", overwrite=True))
    outcome = simulate(season, draws=4, seed=1)
    write_calendar(outcome, folder / "plan.ics", overwrite=True)
    written = (folder / "plan.ics").read_bytes()
    assert written.endswith(b"END:VCALENDAR\r\n")
    assert all(len(line) <= 75 for line in written.split(b"\r\n"))
    calendar = Calendar.from_ical(written)
    escaped = season.name.translate({ord(sign): f"\\{sign}" for sign in "\\;,"})
    assert f"NAME:{escaped}" in written.replace(b"\r\n ", b"").decode().split("\r\n")
    assert {component.name for component in calendar.walk()} == {"VCALENDAR", "VEVENT"}
    told = {str(event["SUMMARY"]) for event in calendar.walk("VEVENT")}
    for batch in outcome.batches:
        assert f"Delivery from {batch.lab or 'a lab that is not named yet'}: {batch.quantity:,} {batch.variety}" in told


# The command line: arguments are separated by line ends.


def _seed_commands(folder: Path) -> list[bytes]:
    write_season(small(), folder / "season")
    _feed_command(b"report\nseason\n--draws\n8\n--out\npage.html", folder)  # what it needs is imported
    given = [
        ["check", "season"], ["check", "nowhere"], ["start", "new"], ["start", "new", "--overwrite"], ["--help"],
        ["order", "season", "--draws", "8"], ["order", "season", "--draws", "8", "--seed", "1", "--out", "out"],
        ["order", "season", "--draws", "8", "--out", "out", "--overwrite"], ["order"], [], ["report", "season"],
        ["report", "season", "--draws", "8", "--out", "page.html", "--aim", "cost", "--overwrite"],
        ["report", "nowhere", "--out", "page.pdf", "--pdf"], ["check", "season/../season"],
        ["start", "season/targets.csv"], ["order", "season", "--draws", "9" * 400], ["order", "season", "--seed", "-1"],
        ["check", "\x1b[31m", "é" * 300],
    ]  # fmt: skip
    return ["\n".join(arguments).encode() for arguments in given]


def swap_words(data: bytes, draw: random.Random) -> bytes:
    """Put other words in the place of some arguments."""
    words = data.decode("utf-8", errors="replace").split("\n")
    known = ["check", "order", "start", "report", "season", "8", "margin"]
    known += ["--out", "--draws", "--overwrite", "--aim", "--"]
    for _ in range(draw.randint(1, 3)):
        at = draw.randrange(len(words) + 1)
        words[at : at + draw.choice([0, 1])] = [draw.choice([*known, *NASTY])]
    return "\n".join(words).encode("utf-8", errors="replace")


def _within(word: str) -> str:
    """Return an argument that leads no further than three folders up, which all are those of this run."""
    within = word.replace("\0", "").replace("=/", "=").lstrip("/")
    return within.replace("..", "\0", 3).replace("..", "").replace("\0", "..")


def _feed_command(data: bytes, folder: Path) -> None:
    os.chdir(folder)
    arguments = [_within(word) for word in data.decode("utf-8", errors="surrogateescape").split("\n")][:12]
    numbers = [word.split("=")[-1] for word in arguments]
    if any(len(number) < 9 and number.isdecimal() and int(number) > MOST_DRAWS for number in numbers):
        return
    told, faulty = io.TextIOWrapper(io.BytesIO(), encoding="ascii"), io.StringIO()
    with contextlib.redirect_stdout(told), contextlib.redirect_stderr(faulty):
        try:
            code = main(arguments)
        except SystemExit as ended:
            code = ended.code
    assert code in (0, 1, 2)
    assert code == 0 or faulty.getvalue()
    assert "Traceback" not in faulty.getvalue()


TARGETS = {
    "season from CSV and TOML": Target(_seed_season, _feed_season, swap_cells),
    "records from CSV": Target(_seed_records, _feed_records, swap_cells),
    "season from a workbook": Target(_seed_workbook, _feed_workbook, mutate_part),
    "records from a workbook": Target(_seed_records_workbook, _feed_records_workbook, mutate_part),
    "record of a station": Target(lambda _: [bytes(range(90)), bytes(900)], _feed_station),
    "names in files and calendar": Target(_seed_names, _feed_names),
    "command line": Target(_seed_commands, _feed_command, swap_words),
}
