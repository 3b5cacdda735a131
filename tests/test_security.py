"""The package runs no code that it was given, speaks to no other machine, and writes only where it was told to."""

import ast
import json
import os
import re
import socket
import subprocess
import sys
from html import unescape
from pathlib import Path

import html5lib
import pytest
import watched

import forecast
from forecast.season.season import TABLES
from forecast.starter import starter
from forecast.weeks import Week

ROOT = Path(__file__).parents[1]
FILES = sorted(ROOT.glob("forecast/**/*.py"))
UNWANTED_MODULES = {
    "aiohttp", "asyncio", "cloudpickle", "code", "codeop", "ctypes", "dbm", "dill", "ftplib", "http", "httpx",
    "imaplib", "joblib", "marshal", "multiprocessing", "pickle", "poplib", "pty", "requests", "runpy", "shelve",
    "smtplib", "socket", "socketserver", "ssl", "urllib", "urllib3", "webbrowser", "websocket", "xmlrpc", "yaml",
}  # fmt: skip
UNWANTED_CALLS = {"eval", "exec", "compile", "__import__", "breakpoint", "input"}
UNWANTED_METHODS = {  # of os, of pandas and of numpy: they start programs, run texts as code, or unpickle
    "system", "popen", "execv", "execve", "execvp", "execl", "execlp", "fork", "posix_spawn", "spawnv", "spawnl",
    "startfile", "eval", "query", "read_pickle", "to_pickle", "read_html", "urlopen",
}  # fmt: skip
UNWANTED_KEYWORDS = {"shell", "allow_pickle"}


def _nodes(kind):
    for file in FILES:
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, kind):
                yield file.relative_to(ROOT).as_posix(), node


def _imported():
    for file, node in _nodes(ast.Import):
        yield from ((file, name.name) for name in node.names)
    for file, node in _nodes(ast.ImportFrom):
        yield file, node.module
        yield from ((file, f"{node.module}.{name.name}") for name in node.names)


def _called(file, call):
    """The name that is called, and of what if it is of something: ``subprocess.run``."""
    return f"{file}: {ast.unparse(call.func)}"


# What stands in the code


def test_nothing_is_imported_that_unpickles_runs_texts_or_speaks_to_a_network():
    imported = list(_imported())
    assert ("forecast/show/partner.py", "subprocess") in imported  # so imports are seen
    assert not [one for one in imported if one[1].split(".")[0] in UNWANTED_MODULES]


def test_no_text_is_run_as_code_and_nothing_is_unpickled():
    found = []
    for file, call in _nodes(ast.Call):
        by_name = isinstance(call.func, ast.Name) and call.func.id in UNWANTED_CALLS
        of_something = isinstance(call.func, ast.Attribute) and call.func.attr in UNWANTED_METHODS
        if by_name or of_something or {word.arg for word in call.keywords} & UNWANTED_KEYWORDS:
            found.append(_called(file, call))
    assert not found


def test_modules_are_imported_by_their_names_in_the_code_alone():
    calls = [_called(file, call) for file, call in _nodes(ast.Call) if "import_module" in ast.unparse(call.func)]
    assert calls == ["forecast/facades.py: import_module"]  # of the names that stand there


def test_a_program_is_started_in_one_place_without_a_shell():
    """To print the page: a list of arguments, none of which stands in a file that is read."""
    places = [(file, call) for file, call in _nodes(ast.Call) if ast.unparse(call.func).startswith("subprocess.")]
    ((file, call),) = places
    assert (file, ast.unparse(call.func), ast.unparse(call.args[0])) == (
        "forecast/show/partner.py", "subprocess.run", "command",
    )  # fmt: skip
    pools = [_called(file, call) for file, call in _nodes(ast.Call) if "ProcessPool" in ast.unparse(call.func)]
    assert not pools


def test_what_runs_in_a_browser_speaks_to_python_alone_and_writes_texts_as_texts():
    script = (ROOT / "forecast" / "show" / "panel.js").read_text(encoding="utf-8")
    assert "textContent" in script
    for unwanted in (
        r"\bfetch\b", "XMLHttpRequest", "WebSocket", "EventSource", "sendBeacon", r"\beval\b", r"\bnew Function\b",
        "innerHTML", "outerHTML", "insertAdjacentHTML", r"document\.write", "https?:", r"\bimport\(",
    ):  # fmt: skip
        assert not re.search(unwanted, script), unwanted


# What is done


def _run(tmp_path, *command):
    """Run a module under watch, in a folder of its own; give how it ended and what it did where."""
    log, here = tmp_path / "log", tmp_path / "here"
    here.mkdir(exist_ok=True)
    done = subprocess.run(
        [sys.executable, str(ROOT / "tests" / "builders" / "watched.py"), str(log), *map(str, command)],
        cwd=here, capture_output=True, text=True, check=False,
        env=os.environ | {"PYTHONDONTWRITEBYTECODE": "1", "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    return done, [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]


COMMANDS = {
    "check": ("check", ROOT / "demo_data"),
    "order": ("order", ROOT / "demo_data", "--draws", "64", "--out", "given/orders"),
    "start": ("start", "given/begun"),
    "report": ("report", "ours", "--draws", "64", "--out", "given/order.html"),
}


@pytest.mark.parametrize("command", COMMANDS.values(), ids=COMMANDS)
def test_a_command_opens_no_socket_unpickles_nothing_starts_nothing_and_writes_where_it_was_asked_to(command, tmp_path):
    starter.start(tmp_path / "here" / "ours", first_week=Week.parse("2026-W40"))
    done, did = _run(tmp_path, "forecast", *command)
    assert done.returncode == 0, done.stderr
    given = tmp_path / "here" / "given"
    assert [entry for entry in did if not Path(entry[1]).is_relative_to(given)] == []
    assert bool(did) is (command[0] != "check")
    assert {event for event, _ in did} <= {"open", "os.mkdir", "os.rename", "os.link", "os.chmod"}


def test_names_from_files_lead_nowhere(tmp_path):
    """A season whose every name would be a path: what is written has the names it always has."""
    season = starter.example(Week.parse("2026-W40"))
    to = {row.variety: f"../../{i}/CON: {row.variety}." for i, row in enumerate(season.varieties)}
    renamed = {
        table: tuple(
            row.replace(variety=to[row.variety]) if row.variety in to else row for row in getattr(season, table)
        )
        for table in ("varieties", "price_list", "targets", "orders", "cultures", "divisions")
    }
    stages = tuple(row.replace(applies_to=to.get(row.applies_to, row.applies_to)) for row in season.stages)
    season = season.replace(name="../out/NUL", stages=stages, **renamed)
    forecast.write_season(season, tmp_path / "season")
    assert forecast.read_season(tmp_path / "season") == season
    done, did = _run(tmp_path, "forecast", "report", tmp_path / "season", "--draws", "64", "--out", "given/order.html")
    assert done.returncode == 0, done.stderr
    assert [entry for entry in did if not Path(entry[1]).is_relative_to(tmp_path / "here" / "given")] == []
    assert sorted(file.name for file in (tmp_path / "here" / "given").rglob("*")) == ["order.html"]
    assert sorted(tmp_path.iterdir()) == [tmp_path / name for name in ("here", "log", "season")]


def test_names_of_places_stages_groups_and_labs_are_text_on_the_page_and_in_its_drawings(tmp_path):
    """Each of them ends a tag, a text and an attribute, and would run a script; and a browser is told to run none."""
    named = ("name", "variety", "applies_to", "group", "stage", "place", "lab", "form", "pot", "note", "source")
    sly = "\"'></text></title><img src=x onerror=alert(1)><a href=javascript:alert(1)>&amp;"

    def taken_over(row):
        cells = {name: getattr(row, name, None) for name in named}
        return row.replace(**{name: f"{text} {sly}" for name, text in cells.items() if text})

    season = starter.example(Week.parse("2026-W40")).replace(cultures=(), divisions=())
    tables = {table: tuple(map(taken_over, getattr(season, table))) for table in TABLES if table != "climate"}
    season = season.replace(name=sly, location=sly, **tables)
    forecast.report(season, tmp_path / "page.html", draws=32, seed=1)
    text = (tmp_path / "page.html").read_text(encoding="utf-8")
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(text)
    tags = {str(found.tag).split("}")[-1] for found in tree.iter()}
    assert {"svg", "figure", "table"} <= tags
    assert not tags & {"script", "img", "a", "iframe", "object", "link", "foreignObject"}
    attributes = {str(name).split("}")[-1].lower() for found in tree.iter() for name in found.attrib}
    assert not {name for name in attributes if name.startswith("on")} | attributes & {"src", "href", "srcdoc"}
    shown = unescape(text)
    for row, name in ((season.places[0], "place"), (season.stages[1], "stage"), (season.price_list[0], "lab")):
        assert getattr(row, name) in shown
    (policy,) = (one for one in tree.iter("meta") if one.get("http-equiv") == "Content-Security-Policy")
    assert policy.get("content") == "default-src 'none'; style-src 'unsafe-inline'"


@pytest.mark.parametrize(
    ("text", "event"),
    [
        ("import socket; socket.socket()", "socket.__new__"),
        ("import _socket; _socket.socket()", "socket.__new__"),
        ("import socket; socket.getaddrinfo('localhost', 80)", "socket.getaddrinfo"),
        ("import os, pickle; pickle.loads(pickle.dumps(os.getcwd))", "pickle.find_class"),
    ],
)
def test_the_watch_ends_what_opens_a_socket_or_unpickles(text, event, tmp_path):
    (tmp_path / "here").mkdir()
    (tmp_path / "here" / "sly.py").write_text(f"try:\n    {text}\nexcept BaseException:\n    pass\n", encoding="utf-8")
    done, did = _run(tmp_path, "sly")
    assert done.returncode == watched.ENDED
    assert did[-1][0] == event


def test_the_watch_sees_what_is_written_and_started(tmp_path):
    (tmp_path / "here").mkdir()
    code = (
        "import os, pathlib, subprocess, sys",
        "pathlib.Path('a').write_text('')", "os.replace('a', 'b')", "os.close(os.open('c', os.O_RDWR | os.O_CREAT))",
        "os.mkdir('d')", "subprocess.run([sys.executable, '-c', ''])",
    )  # fmt: skip
    (tmp_path / "here" / "busy.py").write_text("\n".join(code), encoding="utf-8")
    done, did = _run(tmp_path, "busy")
    assert done.returncode == 0, done.stderr
    told = {(event, Path(place).name) for event, place in did if event != "subprocess.Popen"}
    assert told >= {("open", "a"), ("os.rename", "a"), ("os.rename", "b"), ("open", "c"), ("os.mkdir", "d")}
    assert any(event == "subprocess.Popen" for event, _ in did)


# The tests themselves


@pytest.mark.parametrize("address", [("192.0.2.1", 80), ("2001:db8::1", 80, 0, 0)])
def test_a_test_reaches_no_other_machine(address):
    """Addresses that are kept for examples: RFC 5737 and RFC 3849."""
    kind = socket.AF_INET6 if len(address) == 4 else socket.AF_INET
    with socket.socket(kind, socket.SOCK_STREAM) as one, pytest.raises(RuntimeError, match="a test reached for"):
        one.connect(address)
    with socket.socket(kind, socket.SOCK_DGRAM) as one, pytest.raises(RuntimeError, match="a test reached for"):
        one.sendto(b"", address)


@pytest.mark.parametrize("ask", [socket.create_connection, lambda address: socket.getaddrinfo(*address)])
def test_a_test_asks_for_no_other_machine(ask):
    """A name that is kept for examples: RFC 2606."""
    with pytest.raises(RuntimeError, match=r"a test reached for forecast\.invalid"):
        ask(("forecast.invalid", 80))


def test_a_test_reaches_this_machine():
    with socket.socket() as heard:
        heard.bind(("127.0.0.1", 0))
        heard.listen()
        with socket.create_connection(("localhost", heard.getsockname()[1])) as said:
            said.sendall(b"here")
            taken, _ = heard.accept()
            with taken:
                assert taken.recv(4) == b"here"
