"""A set of files is written as one: by real processes, killed at every step and racing."""

import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from disks import held
from refusals import refused

from forecast import file_sets, read_season, write_season
from forecast.file_sets import settle
from forecast.files_out import write_texts
from forecast.starter.starter import example
from forecast.weeks import Week

MEMORY = Path("/dev/shm")
LONG_AGO = (time.time() - 700,) * 2
NAMES = ["a.csv", "b.csv", "deep/c.csv", "z.csv"]


@pytest.fixture
def quick() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(dir=MEMORY if MEMORY.is_dir() else None) as made:
        yield Path(made)


def texts(letter: str) -> dict[str, str]:
    return dict.fromkeys(NAMES, letter * 100)


def letters(folder: Path) -> str:
    """Return what each file of a folder begins with, but what stands aside."""
    files = sorted(at for at in folder.rglob("*.csv") if ".writing-" not in str(at))
    assert all(len(set(at.read_text(encoding="ascii"))) == 1 for at in files)
    return "".join(at.read_text(encoding="ascii")[0] for at in files)


# What is not the package's own


def foreign(folder: Path) -> list[Path]:
    """Make what may look like the package's own: a folder, marks that are another's, links, and a file within."""
    own, copied, linked, within = (folder / f".writing-{name}" for name in ("x", "copied", "linked", "within"))
    elsewhere = folder.parent / ".writing-elsewhere"
    for one in (own, copied, linked, within, elsewhere):
        one.mkdir()
        (one / "my notes.txt").write_text("mine", encoding="utf-8")
    mark = json.dumps({"folder": ".writing-first", "files": ["a.csv"]})
    (copied / "made_by_forecast.json").write_text(mark, encoding="utf-8")
    (elsewhere / "mark").write_text(json.dumps({"folder": ".writing-linked", "files": ["my notes.txt"]}), "utf-8")
    (linked / "made_by_forecast.json").symlink_to(elsewhere / "mark")
    (within / "made_by_forecast.json").write_text(json.dumps({"folder": within.name, "files": ["a"]}), "utf-8")
    (elsewhere / "made_by_forecast.json").write_text(json.dumps({"folder": ".writing-link", "files": ["a"]}), "utf-8")
    (folder / ".writing-link").symlink_to(elsewhere)
    (folder / ".writing-file").write_text("mine", encoding="utf-8")
    found = [own, copied, linked, within, folder / ".writing-file", elsewhere]
    for one in found:
        os.utime(one, LONG_AGO)
    return found


@pytest.mark.parametrize("overwrite", [False, True])
def test_a_folder_of_the_user_is_left_alone_whatever_its_name_and_age(folder: Path, overwrite: bool) -> None:
    foreign(folder)
    before = held(folder.parent)
    write_texts({"new.csv": "x"}, folder, overwrite=overwrite)
    assert held(folder.parent) == before | {"season/new.csv": b"x"}
    assert (folder / ".writing-link").is_symlink()


def test_order_leaves_a_folder_of_the_user_alone(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    foreign(out)
    before = held(tmp_path)
    season = tmp_path / "ours"
    write_season(example(Week.parse("2026-W40")), season)
    command = [sys.executable, "-m", "forecast", "order", str(season), "--draws", "64", "--out", str(out)]
    assert subprocess.run(command, capture_output=True, check=False).returncode == 0
    after = held(tmp_path)
    assert {name: after.get(name) for name in before} == before


def test_what_a_writing_that_was_cut_short_left_aside_is_cleared_away_in_time(tmp_path: Path) -> None:
    left = tmp_path / ".writing-left"
    (left / "new").mkdir(parents=True)
    (left / "made_by_forecast.json").write_text(json.dumps({"folder": left.name, "files": ["a.csv"]}), "utf-8")
    (left / "new" / "a.csv").write_text("half", encoding="utf-8")
    write_texts({"b.csv": "b"}, tmp_path)
    assert left.is_dir()  # another may be writing it just now
    os.utime(left, LONG_AGO)
    write_texts({"b.csv": "c"}, tmp_path, overwrite=True)
    assert held(tmp_path) == {"b.csv": b"c"}


@pytest.mark.parametrize("name", ["my notes.txt", ".writing-abc"])
def test_a_folder_of_the_user_with_the_name_of_the_turn_is_reported_and_left_alone(
    folder: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    (folder / ".writing-now").mkdir()
    (folder / ".writing-now" / name).write_text("mine", encoding="utf-8")
    before, season = held(folder), read_season(folder)
    monkeypatch.setattr(file_sets, "_PATIENCE", 0.05)
    assert "cannot be written: Directory not empty; everything is as it was" in refused(
        lambda: write_season(season, folder, overwrite=True)
    )
    assert held(folder) == before


# Killed at every step

KILLED = """
import os, signal, sys
from pathlib import Path
from forecast.files_out import write_texts
left = None
STEPS = {"open", "os.mkdir", "os.rename", "os.link", "os.remove", "os.rmdir", "os.listdir", "os.scandir", "os.utime"}
def step(event, given):
    global left
    if left is not None and event in STEPS:
        left -= 1
        if left < 0:
            os.kill(os.getpid(), signal.SIGKILL)
sys.addaudithook(step)
for line in sys.stdin:
    folder, letter, overwrite, number, *names = line.split()
    child = os.fork()
    if not child:
        left = int(number)
        write_texts({name: letter * 100 for name in names}, folder, overwrite=overwrite == "True")
        os._exit(0)
    print(os.waitpid(child, 0)[1], flush=True)
"""


@pytest.mark.parametrize("kind", ["replaced", "new", "new folder", "partly replaced"])
def test_a_set_is_written_or_not_wherever_the_process_is_killed(
    quick: Path, kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(file_sets, "_PATIENCE", 0.02)
    found, mixed, number = [], 0, 0
    with subprocess.Popen(
        [sys.executable, "-c", KILLED], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as writer:
        assert writer.stdin
        assert writer.stdout
        status = 9
        while status:
            folder = quick / f"{number}"
            before = {"replaced": "oooo", "partly replaced": "oo"}.get(kind, "")
            if kind != "new folder":
                folder.mkdir()
                write_texts(dict(list(texts("o").items())[: len(before)]), folder)
            writer.stdin.write(f"{folder} n {bool(before)} {number} {' '.join(NAMES)}\n")
            writer.stdin.flush()
            status = int(writer.stdout.readline())
            mixed += letters(folder) not in (before, "nnnn")
            if folder.is_dir():
                settle(folder)
            found.append(letters(folder))
            assert found[-1] in (before, "nnnn"), number
            write_texts(texts("e"), folder, overwrite=True)  # the next one is not kept from it
            assert letters(folder) == "eeee"
            for left in folder.glob(".writing-*"):
                os.utime(left, LONG_AGO)
            write_texts(texts("f"), folder, overwrite=True)  # which clears away what is old
            assert not list(folder.glob(".writing-*")), number
            number += 1
        writer.stdin.close()
    assert found == sorted(found, key=lambda one: one == "nnnn")  # from one step on it is written
    assert number > 25
    assert mixed > 2  # there was something to put back


def test_what_was_changed_since_a_writing_was_cut_short_is_left_as_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(file_sets, "_PATIENCE", 0.02)
    write_texts(texts("o"), tmp_path)
    code = f"""
import os, signal
from forecast.files_out import write_texts
move, moved = os.replace, []
def cut(source, target):
    move(source, target)
    moved.append(target)
    if len(moved) == 2:
        os.kill(os.getpid(), signal.SIGKILL)
os.replace = cut
write_texts({texts("n")!r}, {str(tmp_path)!r}, overwrite=True)
"""
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == -9
    assert letters(tmp_path) == "nnoo"
    (tmp_path / "a.csv").write_text("mmm", encoding="ascii")
    settle(tmp_path)
    assert letters(tmp_path) == "mooo"
    assert sorted(at.name for at in tmp_path.iterdir()) == ["a.csv", "b.csv", "deep", "z.csv"]


def test_a_season_of_which_the_writing_was_killed_is_read_as_it_was(folder: Path, monkeypatch) -> None:
    monkeypatch.setattr(file_sets, "_PATIENCE", 0.02)
    season = read_season(folder)
    code = f"""
import os, signal
from forecast import read_season, write_season
season = read_season({str(folder)!r})
move = os.replace
def cut(source, target):
    if str(target).endswith("places.csv"):
        os.kill(os.getpid(), signal.SIGKILL)
    move(source, target)
os.replace = cut
write_season(season.replace(weeks=80, name="Other"), {str(folder)!r}, overwrite=True)
"""
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == -9
    assert "Other" in (folder / "season.toml").read_text(encoding="utf-8")
    assert read_season(folder) == season


def test_what_cannot_be_put_back_is_reported_and_nothing_is_read(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: Path) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("forecast.io.tables.settle", full)
    assert refused(lambda: read_season(folder)) == (
        f"folder, '{folder}': cannot be put back as it was before a writing that was cut short: Permission denied. "
        "Close its files in other programs, or ask for permission to write there."
    )


def test_a_journal_that_leads_out_of_the_folder_is_not_followed(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As of a folder that was sent by somebody."""
    monkeypatch.setattr(file_sets, "_PATIENCE", 0.02)
    victim, linked = folder.parent / "victim.csv", folder.parent / "linked"
    linked.mkdir()
    (folder / "link").symlink_to(linked)
    for file in (victim, linked / "victim.csv"):
        file.write_text("mine", encoding="utf-8")
    names = ["../victim.csv", str(victim), "link/victim.csv"]
    aside, after = folder / ".writing-evil", file_sets._what(victim)
    (aside / "new").mkdir(parents=True)
    (aside / "made_by_forecast.json").write_text(json.dumps({"folder": aside.name, "files": names}), "utf-8")
    (aside / "journal.json").write_text(json.dumps({name: ["", after] for name in names}), encoding="utf-8")
    (folder / ".writing-now").mkdir()
    (folder / ".writing-now" / aside.name).write_text(aside.name, encoding="utf-8")
    settle(folder)
    assert victim.read_text(encoding="utf-8") == (linked / "victim.csv").read_text(encoding="utf-8") == "mine"


# Two at once

RACING = """
import sys
from forecast.errors import Refused
from forecast import files_out
letter, overwrite, links = sys.argv[1:]
if links == "none":
    import os
    def link(source, target):
        raise PermissionError(1, "Operation not permitted")
    os.link = link
for line in sys.stdin:
    folder, *names = line.split()
    try:
        files_out.write_texts({name: letter * 100 for name in names}, folder, overwrite=overwrite == "True")
        print("written", flush=True)
    except Refused as error:
        print(" ".join(str(error).split()), flush=True)
"""


@pytest.mark.parametrize(
    ("kind", "links"), [("new", "links"), ("new folder", "none"), ("replaced", "links")], ids=lambda at: at
)
def test_of_150_races_each_is_won_by_one_and_its_set_is_whole(quick: Path, kind: str, links: str) -> None:
    """Three times 150: without `overwrite` one of two writers is refused; with it the set is that of either."""
    overwrite = kind == "replaced"
    ends, wins = [], {"x": 0, "y": 0}
    with ExitStack() as running:
        racers = [
            running.enter_context(
                subprocess.Popen(
                    [sys.executable, "-c", RACING, letter, str(overwrite), links],
                    stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
                )
            )
            for letter in "xy"
        ]  # fmt: skip
        for race in range(150):
            folder = quick / f"{race}"
            if kind != "new folder":
                folder.mkdir()
            if overwrite:
                write_texts(texts("o"), folder)
            for racer in racers[:: 1 - 2 * (race % 2)]:
                racer.stdin.write(f"{folder} {' '.join(NAMES)}\n")
                racer.stdin.flush()
            said = sorted(racer.stdout.readline().strip() for racer in racers)
            ends.append(sum(one == "written" for one in said))
            assert overwrite or "already exists; nothing was written" in said[0]
            assert letters(folder) in ("xxxx", "yyyy"), race
            wins[letters(folder)[0]] += 1
            assert not list(folder.glob(".writing-*"))
        for racer in racers:
            racer.stdin.close()
    assert set(ends) == {2 if overwrite else 1}
    assert min(wins.values()) > 0, wins


@pytest.mark.parametrize("looked_at", ["", "new", "new/deep"])
def test_a_turn_that_ends_while_another_looks_at_it_is_no_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, looked_at: str
) -> None:
    """Else one of two writers is refused now and then."""
    aside, turn, scan = tmp_path / ".writing-other", tmp_path / ".writing-now", os.scandir
    (aside / "new" / "deep").mkdir(parents=True)
    turn.mkdir()
    (turn / aside.name).write_text(aside.name, encoding="utf-8")

    def late(at: Path | str | int) -> object:
        if not isinstance(at, int) and Path(at) == aside / looked_at and turn.is_dir():
            shutil.rmtree(turn)
            shutil.rmtree(aside)
        return scan(at)

    monkeypatch.setattr(os, "scandir", late)
    settle(tmp_path)
    assert not list(tmp_path.iterdir())


def test_on_a_disk_of_which_the_clock_is_late_no_writing_is_cleared_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As of a server: what another has just put aside must not look old."""
    clock, flush, began = time.time, os.fsync, []
    monkeypatch.setattr(time, "time", lambda: clock() + 3600)

    def slow(number: int) -> None:
        if not began:
            began.append(number)
            write_texts({"other.csv": "e"}, tmp_path)
        flush(number)

    monkeypatch.setattr(os, "fsync", slow)
    write_texts(texts("n"), tmp_path)
    assert sorted(at.name for at in tmp_path.rglob("*.csv")) == ["a.csv", "b.csv", "c.csv", "other.csv", "z.csv"]


def test_two_sets_of_which_some_files_are_the_same_are_not_mixed(quick: Path) -> None:
    (quick / "b.csv").write_text("mine", encoding="ascii")
    assert "b.csv: already exists" in refused(lambda: write_texts(texts("n"), quick))
    assert held(quick) == {"b.csv": b"mine"}


def test_a_file_that_another_program_makes_just_then_is_not_replaced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    link = os.link

    def late(source: Path, target: Path) -> None:
        if Path(target).name == "z.csv":
            Path(target).write_text("mine", encoding="ascii")
        link(source, target)

    monkeypatch.setattr(os, "link", late)
    said = refused(lambda: write_texts(texts("n"), tmp_path))
    assert said.startswith(f"{tmp_path / 'z.csv'}: already exists; nothing was written")
    assert {name: one for name, one in held(tmp_path).items() if one is not None} == {"z.csv": b"mine"}


def test_a_writer_that_slept_too_long_writes_nothing_more(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another takes its turn over in the middle of its moves."""
    write_texts(texts("o"), tmp_path)
    move, moved = os.replace, []

    def sleepy(source: Path, target: Path) -> None:
        if Path(source).parts[-2:-1] == ("new",) and not moved.append(target) and len(moved) == 2:
            monkeypatch.setattr(file_sets, "_PATIENCE", 0.02)
            write_texts(texts("e"), tmp_path, overwrite=True)
        move(source, target)

    monkeypatch.setattr(os, "replace", sleepy)
    with pytest.raises(Exception, match="No such file or directory; everything is as it was"):
        write_texts(texts("n"), tmp_path, overwrite=True)
    assert letters(tmp_path) == "eeee"
    assert sorted(at.name for at in tmp_path.iterdir()) == ["a.csv", "b.csv", "deep", "z.csv"]
