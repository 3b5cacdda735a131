"""What Windows would make of texts, names and paths, as far as it can be told elsewhere."""

import ast
import errno
import os
import re
import shlex
import subprocess
import sys
from itertools import pairwise
from pathlib import Path, PureWindowsPath

import pytest

import forecast
from forecast.__main__ import main
from forecast.files_out import write_texts
from forecast.show.plan_workbook import write_plan_workbook
from forecast.starter import starter
from forecast.weeks import Week

ROOT = Path(__file__).parents[1]
FILES = sorted(ROOT.glob("forecast/**/*.py"))
SEASON = starter.example(Week.parse("2026-W40"))
OTHER_SYSTEMS = {"fcntl", "grp", "posix", "pwd", "resource", "termios", "tty"}
# Microsoft (2024). Naming Files, Paths, and Namespaces.
RESERVED = {"CON", "PRN", "AUX", "NUL", *(f"{port}{i}" for port in ("COM", "LPT") for i in range(10))}
SIGNS = re.compile(r'[<>:"\\|?*\x00-\x1f]')
LONGEST = 260 - len(r"C:\Users\somebody with a long name\Documents\the nursery\forecast") - 1


def _calls():
    for file in FILES:
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                yield file.relative_to(ROOT).as_posix(), node


def _name_of(call):
    return call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")


def _legal(path):
    """Say whether a relative path is one on Windows: its signs, names of devices, and points or spaces at an end."""
    parts = Path(path).parts
    plain = all(not SIGNS.search(part) and part[-1] not in ". " for part in parts)
    return plain and not any(part.split(".")[0].rstrip().upper() in RESERVED for part in parts)


# Texts


def _mode(call):
    """The mode of a call that opens a file: None if it is no such call, or opens a part of an archive."""
    modes = [word.value.value for word in call.keywords if word.arg == "mode" and isinstance(word.value, ast.Constant)]
    if isinstance(call.func, ast.Name) and call.func.id == "open":
        return (modes or [arg.value for arg in call.args[1:2] if isinstance(arg, ast.Constant)] or ["r"])[0]
    if _name_of(call) == "open" and all(isinstance(arg, ast.Constant) for arg in call.args):  # a path of its own
        return (modes or [arg.value for arg in call.args] or ["r"])[0]
    return None


def test_every_text_file_is_opened_in_a_stated_encoding():
    """Without one, Windows reads and writes in a code page of its own."""
    opened, unstated = set(), []
    for file, call in _calls():
        stated = {word.arg for word in call.keywords}
        text = _name_of(call) in ("read_text", "write_text") and isinstance(call.func, ast.Attribute)
        text |= "b" not in (_mode(call) or "b") or _name_of(call) in ("fdopen", "NamedTemporaryFile", "TemporaryFile")
        text |= ast.unparse(call.func).startswith("subprocess.") and bool(stated & {"text", "universal_newlines"})
        if text or _mode(call):
            opened.add(file)
        if text and "encoding" not in stated:
            unstated.append(f"{file}, line {call.lineno}: {ast.unparse(call)}")
    assert unstated == []
    assert opened >= {"forecast/file_sets.py", "forecast/starter/notebooks.py"}


@pytest.mark.parametrize(
    ("code", "mode"),
    [("open(p)", "r"), ("open(p, 'wb')", "wb"), ("p.open()", "r"), ("p.open('xb')", "xb"), ("p.open(mode='w')", "w"),
     ("archive.open(part)", None), ("p.read_bytes()", None)],
)  # fmt: skip
def test_how_a_file_is_opened_is_seen(code, mode):
    assert _mode(ast.parse(code).body[0].value) == mode


@pytest.mark.parametrize("command", [["check"], ["order", "--draws", "64", "--out", "out"]])
def test_no_encoding_is_left_to_the_system(command, tmp_path):
    """PEP 597: Python warns of each file that is opened in the encoding of the system; others' files are theirs."""
    starter.start(tmp_path / "ours", first_week=Week.parse("2026-W40"))
    told, (verb, *others) = ["-X", "warn_default_encoding", "-m", "forecast"], command
    done = subprocess.run(
        [sys.executable, *told, verb, str(tmp_path / "ours"), *others],
        cwd=tmp_path, env=os.environ | {"PYTHONPATH": str(ROOT)}, capture_output=True, encoding="utf-8", check=True,
    )  # fmt: skip
    assert not [line for line in done.stderr.splitlines() if "EncodingWarning" in line and "forecast" in line]


@pytest.mark.parametrize("encoding", ["cp1252", "cp437", "cp932", "ascii"])
def test_a_console_that_lacks_a_sign_shows_another_in_its_place(encoding, tmp_path):
    """A code page of Windows cannot show every name."""
    one, *others = SEASON.varieties
    season = SEASON.replace(name="Nášrýneček 苗圃 🌱", varieties=(one.replace(pot="ø 9 cm"), *others), currency="EUR")
    forecast.write_season(season, tmp_path / "ours")
    done = subprocess.run(
        [sys.executable, "-m", "forecast", "order", str(tmp_path / "ours"), "--draws", "64"],
        cwd=ROOT, env=os.environ | {"PYTHONIOENCODING": encoding}, capture_output=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    said = done.stdout.decode(encoding)
    assert r"\U0001f331" in said.splitlines()[0]
    assert "covered house: fullest in" in said


def test_what_is_written_has_one_kind_of_line_end_on_every_system(tmp_path, monkeypatch):
    """CSV has CR LF (RFC 4180), all else LF: the bytes of a season are the same wherever it is written."""
    starter.start(tmp_path / "here", first_week=Week.parse("2026-W40"))
    monkeypatch.setattr(os, "linesep", "\r\n")
    starter.start(tmp_path / "there", first_week=Week.parse("2026-W40"))
    written = sorted(file.relative_to(tmp_path / "here") for file in (tmp_path / "here").rglob("*") if file.is_file())
    assert {file.suffix for file in written} == {".csv", ".toml", ".ipynb"}
    for file in written:
        data = (tmp_path / "here" / file).read_bytes()
        assert data == (tmp_path / "there" / file).read_bytes()
        ends = set(re.findall(rb"\r\n|\n|\r", data))
        assert ends == ({b"\r\n"} if file.suffix == ".csv" else {b"\n"}), file


def test_a_season_saved_by_an_editor_of_windows_is_the_same(tmp_path):
    """With a byte order mark and CR LF in every file at once, and through checkout with other line ends."""
    forecast.write_season(SEASON, tmp_path / "season")
    for file in (tmp_path / "season").iterdir():
        lines = file.read_bytes().replace(b"\r\n", b"\n")
        file.write_bytes(b"\xef\xbb\xbf" + lines.replace(b"\n", b"\r\n"))
    assert forecast.read_season(tmp_path / "season") == SEASON


# Names and paths


ANY_NAMES = ["two words", "Kulturgärtnerei", "苗圃", "it's 100 %", "a" * 120, r"back\slash"]


@pytest.mark.parametrize("name", ANY_NAMES)
@pytest.mark.parametrize("kind", [str, Path])
def test_a_folder_may_have_any_name_and_be_given_as_text_or_path(name, kind, tmp_path):
    folder = tmp_path / name / "season"
    forecast.write_season(SEASON, kind(folder))
    assert forecast.read_season(kind(folder)) == SEASON
    write_plan_workbook(SEASON, kind(folder / f"{name}.xlsx"))
    assert forecast.read_season(kind(folder / f"{name}.xlsx")) == SEASON


@pytest.mark.parametrize("name", ANY_NAMES)
@pytest.mark.parametrize("ending", ["", ".xlsx"])
def test_every_command_takes_a_folder_or_workbook_of_any_name(name, ending, tmp_path, capsys):
    mine = str(tmp_path / name / f"my {name}{ending}")
    assert main(["start", mine, "--crops", "hostas", "--climate", "dublin"]) == 0
    asked = [shlex.split(line)[3:] for line in re.findall("python -m forecast .*", capsys.readouterr().out)]
    assert [line[:2] for line in asked[:2]] == [["check", mine], ["order", mine]]
    for line in asked[:2]:
        assert main([*line, *(["--draws", "16"] if line[0] == "order" else [])]) == 0
    assert main(["start", mine, "--with", "records"]) == 0
    assert main(["check", mine]) == 0


def test_a_path_too_long_for_the_system_is_refused(tmp_path):
    long = tmp_path.joinpath("b" * 300)
    with pytest.raises(forecast.Refused, match="there is no such folder"):
        forecast.read_season(long)
    with pytest.raises(forecast.Refused, match="cannot be written: File name too long; everything is as it was"):
        forecast.write_season(SEASON, long)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["CON", "NUL.csv", "aux .txt", "a:b", "dot.", "space ", 'quo"te', "what?", "bell\a"])
def test_names_that_windows_does_not_take_are_known_here(name):
    assert not _legal(name)


def test_every_file_that_start_writes_has_a_name_that_windows_takes(tmp_path):
    starter.start(tmp_path / "ours", first_week=Week.parse("2026-W40"))
    names = [file.relative_to(tmp_path / "ours").as_posix() for file in (tmp_path / "ours").rglob("*")]
    assert "notebooks/1_how_many_to_order.ipynb" in names
    assert all(map(_legal, names))
    assert len({name.lower() for name in names}) == len(names)


def test_every_file_of_this_folder_has_a_name_that_windows_takes():
    """None differs from another in capitals alone, and none is too long below a usual folder."""
    kept = [path for part in ("forecast", "notebooks", "demo_data", "tests") for path in (ROOT / part).rglob("*")]
    names = [path.relative_to(ROOT).as_posix() for path in kept]
    names = [name for name in names if not re.search(r"__pycache__|/\.", name)]
    assert len(names) > 200
    assert [name for name in names if not _legal(name)] == []
    assert len({name.lower() for name in names}) == len(names)
    assert [name for name in names if len(name) > LONGEST] == []


def test_no_path_is_put_together_by_hand():
    """As f"{folder}/name" would be: it mixes two kinds of separators on Windows."""
    found = []
    for file in FILES:
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.JoinedStr):
                parts = [part.value if isinstance(part, ast.Constant) else None for part in node.values]
                after = [text for before, text in pairwise(parts) if before is None and text]
                if any(re.match(r"/[\w.-]+$|/$", text) for text in after):
                    found.append(f"{file.relative_to(ROOT).as_posix()}: {ast.unparse(node)}")
    assert found == []


def test_names_within_a_folder_are_paths_on_windows_too():
    """``a/b.csv`` is how `write_texts` is told of a file in a folder of the folder."""
    assert PureWindowsPath("C:/ours") / "running/season.toml" == PureWindowsPath(r"C:\ours\running\season.toml")
    assert (PureWindowsPath("C:/ours") / "notebooks/1.ipynb").relative_to("C:/ours").as_posix() == "notebooks/1.ipynb"


def test_nothing_is_imported_that_windows_lacks():
    for file in FILES:
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            names = [name.name for name in node.names] if isinstance(node, ast.Import) else []
            names += [node.module] if isinstance(node, ast.ImportFrom) else []
            assert not OTHER_SYSTEMS & {name.split(".")[0] for name in names}, file
    lacking = {"geteuid", "getuid", "chown", "mkfifo", "fork", "sched_getaffinity"}
    asked = {(file, _name_of(call)) for file, call in _calls() if _name_of(call) in lacking}
    assert asked == {("forecast/show/partner.py", "geteuid")}  # asked for only where there is one
    assert 'hasattr(os, "geteuid")' in (ROOT / "forecast" / "show" / "partner.py").read_text(encoding="utf-8")


# Files that another program holds


def test_a_file_that_is_open_in_another_program_is_refused_and_all_stays(tmp_path, monkeypatch):
    """Windows lets nobody replace a file that a spreadsheet holds open."""
    write_texts({"a.csv": "old", "b.csv": "old"}, tmp_path)
    replace = os.replace

    def held(source, target):
        if Path(target) == tmp_path / "b.csv":
            raise PermissionError(errno.EACCES, "The process cannot access the file", str(target))
        replace(source, target)

    monkeypatch.setattr(os, "replace", held)
    with pytest.raises(forecast.Refused) as refused:
        write_texts({"a.csv": "new", "b.csv": "new"}, tmp_path, overwrite=True)
    assert "cannot be written: The process cannot access the file; everything is as it was" in str(refused.value)
    assert "Close" in str(refused.value)
    there = {file.name: file.read_text(encoding="utf-8") for file in tmp_path.iterdir()}
    assert there == {"a.csv": "old", "b.csv": "old"}


@pytest.mark.parametrize("case", [str.title, str.upper])
def test_a_sheet_named_in_other_capitals_is_reported_with_its_remedy(case, tmp_path):
    """Spreadsheets take names of sheets alike whatever their capitals; here they are to be as they are written."""
    import openpyxl  # noqa: PLC0415

    write_plan_workbook(SEASON, tmp_path / "plan.xlsx")
    for name in ("varieties", "orders"):  # one that is needed, and one that may be absent
        book = openpyxl.load_workbook(tmp_path / "plan.xlsx")
        book[name].title = f"{name} to rename"
        book[f"{name} to rename"].title = case(name)
        book.save(tmp_path / "other.xlsx")
        with pytest.raises(forecast.Refused) as refused:
            forecast.read_season(tmp_path / "other.xlsx")
        assert f"no sheet {name}" in str(refused.value)
        assert case(name) in str(refused.value)
