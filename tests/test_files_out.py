"""What is written is whole or not at all: on a full or read-only disk, through links, and when it is cut short."""

import errno
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from disks import SPACE, fill, full_after, held, mounted
from refusals import refused

from forecast import file_sets, read_season, write_season
from forecast.file_sets import settle
from forecast.files_out import check_free, write_texts
from forecast.io import csv_folder, files_in, layout
from forecast.records.records import read_records, write_records
from forecast.season.season import TABLES
from forecast.starter.starter import start

DEMO = Path(__file__).parents[1] / "demo_data"
ROOM = "Free some space, or choose another folder."
RIGHT = "Close it in other programs, ask for permission to write there, or choose another folder."
KILLS = int(os.environ.get("KILLS", "15"))

Writer = Callable[[Path], None]
WRITERS: list[Writer] = [
    lambda folder: write_season(read_season(DEMO), folder, overwrite=True),
    lambda folder: write_records(read_records(DEMO), folder, overwrite=True),
    lambda folder: start(folder, overwrite=True),
]


# What would not be read again


def limited(monkeypatch: pytest.MonkeyPatch, rows: int, size: int) -> None:
    for module in (csv_folder, layout):
        monkeypatch.setattr(module, "MOST_ROWS", rows)
    monkeypatch.setitem(files_in.MOST_BYTES, ".csv", size)


def test_as_many_rows_are_written_as_are_read_and_no_more(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    season, records = read_season(DEMO), read_records(DEMO)
    longest, counts = max(len(getattr(season, table)) for table in TABLES), len(records.counts)
    limited(monkeypatch, longest, 10_000_000)
    write_season(season, tmp_path / "season")
    assert read_season(tmp_path / "season") == season
    limited(monkeypatch, longest - 1, 10_000_000)
    said = refused(lambda: write_season(season, tmp_path / "more"))
    assert f"{longest:,} rows is over the {longest - 1:,}-row limit for reading the file back. Split it" in said
    limited(monkeypatch, counts - 1, 10_000_000)
    assert f"counts.csv: not saved: {counts:,} rows is over the" in refused(
        lambda: write_records(records, tmp_path / "more")
    )
    assert not (tmp_path / "more").exists()


def test_as_large_a_file_is_written_as_is_read_and_no_larger(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    season = read_season(DEMO)
    write_season(season, tmp_path / "season")
    largest = max(file.stat().st_size for file in (tmp_path / "season").glob("*.csv"))
    limited(monkeypatch, 50_000, largest)
    write_season(season, tmp_path / "again")
    assert read_season(tmp_path / "again") == season
    limited(monkeypatch, 50_000, largest - 1)
    assert f"{largest / 1e6:.2f} MB is over the" in refused(lambda: write_season(season, tmp_path / "more"))
    assert not (tmp_path / "more").exists()


# A full disk


@pytest.mark.parametrize("write", WRITERS)
@pytest.mark.parametrize("left", [0, 16_384])
def test_a_full_disk_is_reported_and_everything_is_as_it_was(tmp_path: Path, write: Writer, left: int) -> None:
    with mounted(tmp_path / "disk", "size=1m") as disk:
        write_texts({"targets.csv": "old", "season.toml": "old"}, disk)
        fill(disk, left)
        before = held(disk)
        said = f"folder, '{disk}': cannot be written: {SPACE}; everything is as it was. {ROOM}"
        assert refused(lambda: write(disk)) == said
        assert held(disk) == before
        assert refused(lambda: write(disk / "new" / "season")).endswith(said.split(": ", 1)[1])
        assert held(disk) == before


@pytest.mark.parametrize("files", [0, 1, 5])
def test_a_disk_that_is_full_after_some_files_leaves_no_trace(
    folder: Path, monkeypatch: pytest.MonkeyPatch, files: int
) -> None:
    season, before = read_season(folder), held(folder.parent)
    full_after(monkeypatch, files)
    for path in (folder, folder.parent / "new" / "deep"):
        said = f"folder, '{path}': cannot be written: {SPACE}; everything is as it was. {ROOM}"
        assert refused(lambda path=path: write_season(season.replace(weeks=80), path, overwrite=True)) == said
        assert held(folder.parent) == before


@pytest.mark.parametrize("files", range(7))
def test_a_file_that_cannot_be_moved_into_place_puts_back_those_that_were(
    folder: Path, monkeypatch: pytest.MonkeyPatch, files: int
) -> None:
    """As where a spreadsheet holds one of them open."""
    season, before, move, moved = read_season(folder), held(folder), os.replace, []

    def held_open(source: Path, target: Path) -> None:
        if ".before" not in Path(source).parts:
            moved.append(target)
            if len(moved) > files:
                raise PermissionError(errno.EACCES, "Permission denied")
        move(source, target)

    monkeypatch.setattr(os, "replace", held_open)
    said = refused(lambda: write_season(season.replace(weeks=80), folder, overwrite=True))
    assert said == f"folder, '{folder}': cannot be written: Permission denied; everything is as it was. {RIGHT}"
    assert held(folder) == before
    assert len(moved) == files + 1


def test_a_writing_stopped_by_the_keyboard_puts_everything_back(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    season, before, move = read_season(folder), held(folder), os.replace

    def stopped(source: Path, target: Path) -> None:
        if Path(target).name == "places.csv" and ".before" not in Path(source).parts:
            raise KeyboardInterrupt
        move(source, target)

    monkeypatch.setattr(os, "replace", stopped)
    with pytest.raises(KeyboardInterrupt):
        write_season(season.replace(weeks=80), folder, overwrite=True)
    assert held(folder) == before


# A disk or folder that may not be written


@pytest.mark.parametrize("write", WRITERS)
def test_a_disk_to_be_read_alone_is_reported(tmp_path: Path, write: Writer) -> None:
    with mounted(tmp_path / "disk", "size=1m", "ro") as disk:
        said = "cannot be written: Read-only file system; everything is as it was"
        assert refused(lambda: write(disk)) == f"folder, '{disk}': {said}. {RIGHT}"
        assert refused(lambda: write(disk / "new")) == f"folder, '{disk / 'new'}': {said}. {RIGHT}"


def test_a_folder_that_may_not_be_written_is_reported(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    season, before, make = read_season(folder), held(folder), os.mkdir

    def closed(path: str, *mode: int) -> None:
        if folder in Path(path).parents:
            raise PermissionError(errno.EACCES, "Permission denied")
        make(path, *mode)

    monkeypatch.setattr(os, "mkdir", closed)
    said = refused(lambda: write_season(season, folder, overwrite=True))
    assert said == f"folder, '{folder}': cannot be written: Permission denied; everything is as it was. {RIGHT}"
    assert held(folder) == before


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("a" * 300, "cannot be written: File name too long; everything is as it was. Choose another folder."),
        ("a\0b", "no folder can have this name. Choose a folder."),
    ],
)
def test_a_name_that_no_folder_can_have_is_reported(folder: Path, name: str, said: str) -> None:
    assert refused(lambda: write_season(read_season(folder), folder / name)).endswith(f": {said}")
    assert refused(lambda: read_season(folder / name)).endswith(
        "there is no such folder or workbook. Give the folder that holds season.toml, or an .xlsx workbook."
    )


# Nothing is written outside the folder


@pytest.mark.parametrize("name", ["../targets.csv", "/tmp/targets.csv", "a/../../targets.csv"])
def test_a_name_that_leads_out_of_the_folder_is_refused(tmp_path: Path, name: str) -> None:
    home = tmp_path / "home"
    home.mkdir()
    said = f"{Path(name).parent}: leads out of the folder. Use a name within it."
    assert refused(lambda: write_texts({name: "x"}, home, overwrite=True)) == said
    assert held(tmp_path) == {"home": None}


@pytest.mark.parametrize("name", ["../../etc/passwd", "/etc/passwd", "..", "C:\\con", "a/b", "season.toml"])
def test_a_variety_named_like_a_path_is_never_one(folder: Path, name: str) -> None:
    text = {file.name: file.read_text(encoding="utf-8").replace("Hosta 'Ambrel'", name) for file in folder.iterdir()}
    write_texts(text, folder, overwrite=True)
    season, around = read_season(folder), set(folder.parent.rglob("*"))
    assert season.varieties[0].variety == name
    write_season(season, folder / "again")
    assert read_season(folder / "again") == season
    made = set(folder.parent.rglob("*")) - around
    assert {path.parent for path in made} == {folder, folder / "again"}


def test_a_link_in_the_place_of_a_file_is_replaced_and_what_it_leads_to_left_alone(folder: Path) -> None:
    other = folder.parent / "other.csv"
    shutil.move(folder / "targets.csv", other)
    (folder / "targets.csv").symlink_to(other)
    season, before = read_season(folder), other.read_bytes()
    assert "already exists" in refused(lambda: write_season(season, folder))
    write_season(season.replace(weeks=80), folder, overwrite=True)
    assert other.read_bytes() == before
    assert not (folder / "targets.csv").is_symlink()
    assert read_season(folder) == season.replace(weeks=80)


def test_a_link_that_leads_nowhere_is_there_already_and_nothing_is_made_where_it_leads(folder: Path) -> None:
    season, nowhere = read_season(folder), folder.parent / "nowhere.csv"
    out = folder.parent / "out"
    out.mkdir()
    (out / "targets.csv").symlink_to(nowhere)
    remedy = "Choose another folder, or allow it to be replaced (overwrite=True, --overwrite)."
    said = f"{out / 'targets.csv'}: already exists; nothing was written. {remedy}"
    assert refused(lambda: write_season(season, out)) == said
    write_season(season, out, overwrite=True)
    assert not nowhere.exists()
    assert read_season(out) == season


def test_a_link_is_put_back_as_a_link(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    season, move = read_season(folder), os.replace
    (folder / "targets.csv").rename(folder.parent / "other.csv")
    (folder / "targets.csv").symlink_to("../other.csv")

    def fails(source: Path, target: Path) -> None:
        if Path(target).name == "orders.csv" and ".before" not in Path(source).parts:
            raise OSError(errno.EIO, "Input/output error")
        move(source, target)

    monkeypatch.setattr(os, "replace", fails)
    refused(lambda: write_season(season, folder, overwrite=True))
    assert (folder / "targets.csv").readlink() == Path("../other.csv")


def test_through_a_link_in_the_place_of_a_folder_nothing_is_written(tmp_path: Path) -> None:
    elsewhere, home = tmp_path / "elsewhere", tmp_path / "home"
    elsewhere.mkdir()
    home.mkdir()
    (home / "notebooks").symlink_to(elsewhere)
    remedy = "Rename or move it, or choose another folder."
    said = f"{home / 'notebooks'}: a link to another folder; nothing is written through links. {remedy}"
    assert refused(lambda: start(home, overwrite=True)) == said
    assert list(elsewhere.iterdir()) == []
    assert list(home.iterdir()) == [home / "notebooks"]


def test_a_link_to_a_folder_may_be_given_for_the_folder(folder: Path) -> None:
    season, link = read_season(folder), folder.parent / "link"
    link.symlink_to(folder)
    write_season(season.replace(weeks=80), link, overwrite=True)
    assert link.is_symlink()
    assert read_season(folder) == read_season(link) == season.replace(weeks=80)


@pytest.mark.parametrize("path", ["targets.csv", "nowhere", "pipe"])
def test_what_is_no_folder_is_not_written_into(folder: Path, path: str) -> None:
    (folder / "nowhere").symlink_to(folder / "gone")
    os.mkfifo(folder / "pipe")
    problem = "this is a file" if path == "targets.csv" else "no folder can have this name"
    said = f"folder, '{folder / path}': {problem}. Choose a folder."
    assert refused(lambda: check_free(["targets.csv"], folder / path, overwrite=True)) == said


def test_a_pipe_in_the_place_of_a_file_is_left_alone(folder: Path) -> None:
    season = read_season(folder)
    (folder / "targets.csv").unlink()
    os.mkfifo(folder / "targets.csv")
    said = f"{folder / 'targets.csv'}: neither a file nor a folder. Rename or move it."
    assert refused(lambda: write_season(season, folder, overwrite=True)) == said


# Cut short

SIZES = {**{f"{number}.csv": 300_000 for number in range(4)}, "a.ipynb": 1000}
WRITES_ON = """
import os, sys
from itertools import cycle
from forecast import file_sets
from forecast.files_out import write_texts
file_sets._PATIENCE = 0.02
for line in sys.stdin:
    child = os.fork()
    if not child:
        for letter in cycle(line.strip()):
            texts = {f"{number}.csv": letter * 300_000 for number in range(4)}
            write_texts({**texts, "notebooks/a.ipynb": letter * 1000}, sys.argv[1], overwrite=True)
    print(child, flush=True)
    os.waitpid(child, 0)
    print("ended", flush=True)
"""


def test_a_writing_that_is_killed_leaves_all_files_old_or_new_and_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed at random moments: as often as the environment variable KILLS says, else 15 times."""
    monkeypatch.setattr(file_sets, "_PATIENCE", 0.02)
    draw, found, aside = random.Random(1), set(), 0
    write_texts({f"{number}.csv": "z" * 300_000 for number in range(4)} | {"notebooks/a.ipynb": "z" * 1000}, tmp_path)
    command = [sys.executable, "-c", WRITES_ON, str(tmp_path)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as writer:
        assert writer.stdin
        assert writer.stdout
        for kill in range(KILLS):
            writer.stdin.write("".join(draw.sample("abcdefgh", 8)) + "\n")
            writer.stdin.flush()
            child = int(writer.stdout.readline())
            time.sleep(draw.uniform(0, 0.15))
            os.kill(child, signal.SIGKILL)
            assert writer.stdout.readline() == "ended\n", kill
            aside += any(tmp_path.glob(".writing-*"))
            settle(tmp_path)
            files = [file for file in tmp_path.rglob("*.*") if file.is_file() and ".writing-" not in str(file)]
            texts = {file.name: file.read_text(encoding="ascii") for file in files}
            assert {name: len(text) for name, text in texts.items()} == SIZES
            assert len({letter for text in texts.values() for letter in text}) == 1
            found |= {text[0] for text in texts.values()}
            for left in tmp_path.glob(".writing-*"):
                os.utime(left, (time.time() - 700,) * 2)
        writer.stdin.close()
    assert aside > KILLS / 5  # so many were killed while they wrote
    assert len(found) > 2
    write_texts({"0.csv": "b"}, tmp_path, overwrite=True)
    assert not list(tmp_path.glob(".writing-*"))
