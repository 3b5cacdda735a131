"""The house: rooms in the order of DEVELOPERS.md, each importing only from those above it, and small enough to know."""

import ast
import re
from collections import Counter, defaultdict
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

import forecast
from forecast import charts, show

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "forecast"
ROOMS = re.findall(r"^(\w+)/? {2,}\S", (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"), re.MULTILINE)
FILES = sorted(path for path in PACKAGE.rglob("*.py") if path.name != "__init__.py")
TREES = {file: ast.parse(file.read_text(encoding="utf-8")) for file in FILES}
MOST_FILES, MOST_SHARE, MOST_LINES, MOST_WORDS = 12, 0.12, 60, 5
CALCULATING = {
    "rates", "weather", "fitting", "fates", "growth", "ordering", "records", "propagation", "resources", "tracking",
    "sensitivity", "planning",
}  # fmt: skip
REFUSING = {"refuse", "wrong", "real", "Fault", "_fault", "Refused", "ForecastError", "ValueError"}


def _room(file):
    return file.relative_to(PACKAGE).parts[0].removesuffix(".py")


def _name(file):
    return str(file.relative_to(ROOT))


def _imports(file):
    """Files of the package that a file imports."""
    for node in ast.walk(TREES[file]):
        if isinstance(node, ast.ImportFrom) and node.level:
            yield file.parent / "a relative import"
        elif isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "forecast":
            home = ROOT / node.module.replace(".", "/")
            yield from ([home.with_suffix(".py")] if home.with_suffix(".py") in TREES else
                        [home / f"{one.name}.py" for one in node.names])  # fmt: skip
        elif isinstance(node, ast.Import):
            yield from (ROOT / f"{one.name.replace('.', '/')}.py" for one in node.names if one.name[:9] == "forecast.")


def test_every_room_has_a_floor_and_every_floor_a_room():
    assert sorted(ROOMS) == sorted({_room(file) for file in FILES})


@pytest.mark.parametrize("file", FILES, ids=_name)
def test_a_file_imports_only_from_its_room_and_those_above_it_in_the_list(file):
    allowed = ROOMS[: ROOMS.index(_room(file)) + 1]
    assert [_name(one) for one in _imports(file) if one not in TREES or _room(one) not in allowed] == []


def test_no_imports_go_in_a_circle():
    order = TopologicalSorter({file: set(_imports(file)) - {file} for file in FILES})
    assert len(list(order.static_order())) == len(FILES)  # a circle raises


def test_a_room_is_small_enough_to_know():
    files, lines = Counter(map(_room, FILES)), Counter()
    for file in FILES:
        lines[_room(file)] += file.read_text(encoding="utf-8").count("\n")
    assert {room: number for room, number in files.items() if number > MOST_FILES} == {}
    assert {room: number for room, number in lines.items() if number > MOST_SHARE * lines.total()} == {}


def _code(function, text):
    """Lines of code of a function, its signature among them: neither docstring, nor comments, nor empty lines."""
    said = function.body[0] if ast.get_docstring(function) else None
    silent = set(range(said.lineno, said.end_lineno + 1)) if said else set()
    lines = [text[at - 1].strip() for at in range(function.lineno, function.end_lineno + 1) if at not in silent]
    return sum(bool(line) and not line.startswith("#") for line in lines)


@pytest.mark.parametrize("file", FILES, ids=_name)
def test_a_function_is_short_enough_to_be_read(file):
    text = file.read_text(encoding="utf-8").splitlines()
    functions = [node for node in ast.walk(TREES[file]) if isinstance(node, ast.FunctionDef)]
    assert {one.name: _code(one, text) for one in functions if _code(one, text) > MOST_LINES} == {}


def _private(name):
    return name.startswith("_") and not name.endswith("__")


def _defined(room):
    """Private names that the files of a room define, as functions, classes, variables or attributes."""
    found = set()
    for file in FILES:
        if _room(file) == room:
            for node in ast.walk(TREES[file]):
                if isinstance(node, ast.FunctionDef | ast.ClassDef):
                    found.add(node.name)
                elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
                    found.add(node.id)
                elif isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Store):
                    found.add(node.attr)
    return found


def test_no_room_reaches_into_another_ones_private_parts():
    defined, reached = {room: _defined(room) for room in ROOMS}, defaultdict(set)
    for file in FILES:
        for node in ast.walk(TREES[file]):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("forecast"):
                reached[_name(file)] |= {one.name for one in node.names if _private(one.name)}
            elif isinstance(node, ast.Attribute) and _private(node.attr):
                homes = {room for room, names in defined.items() if node.attr in names}
                if homes and _room(file) not in homes:
                    reached[_name(file)].add(node.attr)
    assert {file: names for file, names in reached.items() if names} == {}


def test_no_module_shares_its_name_with_a_public_function():
    public = {name for home in (forecast, charts, show) for name in home.__all__ if callable(getattr(home, name))}
    for file in FILES:
        own = {node.name for node in TREES[file].body if isinstance(node, ast.FunctionDef)}
        assert file.stem not in own | public


def test_words_know_nothing_of_what_they_put_into_words():
    words = [file for file in FILES if _room(file) == "words"]
    assert {_room(one) for file in words for one in _imports(file)} <= {"errors", "weeks", "rounding", "words"}


def _text(node):
    if isinstance(node, ast.JoinedStr):
        return "".join(_text(part) if isinstance(part, ast.Constant) else "x" for part in node.values)
    return node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else ""


def _called(node):
    return getattr(node.func, "id", getattr(node.func, "attr", ""))


def _names(*nodes):
    inner = [one for node in nodes for one in ast.walk(node)]
    return {one.id for one in inner if isinstance(one, ast.Name)} | {
        _called(one) for one in inner if isinstance(one, ast.Call)
    }


def _refusing(tree):
    """Return the names of a file that reach a refusal: passed to one, or called for what is."""
    calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call) and _called(node) in REFUSING]
    found = _names(*(one for call in calls for one in (*call.args, *(word.value for word in call.keywords))))
    given = [node for node in ast.walk(tree) if isinstance(node, ast.Assign | ast.AugAssign)]
    more = True
    while more:
        more = {name for node in given if _targets(node) & found for name in _names(node.value)} - found
        found |= more
    return found


def _targets(node):
    return _names(*(node.targets if isinstance(node, ast.Assign) else [node.target]))


def _prose(text):
    """Return whether a text is more than a name: a sentence of some words, or many words."""
    words = [word for word in text.split() if re.search("[a-z]", word)]
    return len(words) > (3 if text.endswith((".", "?", "!")) else MOST_WORDS)


def _refuses(node, refusing):
    """Return whether a node is a docstring, a ``repr``, or what a refusal says."""
    if isinstance(node, ast.Expr):
        return isinstance(node.value, ast.Constant)
    if isinstance(node, ast.Call):
        return _called(node) in REFUSING
    if isinstance(node, ast.FunctionDef):
        texts = node.returns is not None and "str" in ast.unparse(node.returns)
        return node.name == "__repr__" or (texts and node.name in refusing)
    return isinstance(node, ast.Assign | ast.AugAssign) and _targets(node) <= refusing


def _sentences(node, refusing):
    """Yield the prose below a node that neither is a docstring nor reaches a refusal."""
    for child in ast.iter_child_nodes(node):
        if _refuses(child, refusing):
            continue
        if _prose(text := _text(child).strip()):
            yield text
        elif not isinstance(child, ast.JoinedStr):
            yield from _sentences(child, refusing)


@pytest.mark.parametrize("file", [file for file in FILES if _room(file) in CALCULATING], ids=_name)
def test_what_calculates_leaves_sentences_to_words(file):
    assert list(_sentences(TREES[file], _refusing(TREES[file]))) == []


@pytest.mark.parametrize(
    ("code", "found"),
    [
        ("problem = 'Is that enough?'", []),  # three words
        ("problem = 'Did you order enough plants?'", ["Did you order enough plants?"]),
        ("def remedy() -> str:\n    return 'Order many fewer plants.'", ["Order many fewer plants."]),
        ("def f(n):\n    return f'{n} of the plants are lost by spring'", ["x of the plants are lost by spring"]),
        (
            "def f(n):\n    problem = 'too many plants for such a house'\n    raise refuse('n', n, problem, 'Less.')",
            [],
        ),
        (
            "def f(n):\n    raise refuse('n', n, g(n), 'Less.')\ndef g(n) -> str:\n    return 'Give 1 to 9, or none.'",
            [],
        ),
    ],
)
def test_prose_is_found_whatever_it_is_named_unless_a_refusal_says_it(code, found):
    tree = ast.parse(code)
    assert list(_sentences(tree, _refusing(tree))) == found


def test_the_tests_mirror_the_rooms():
    mirrored = {path.name for path in (ROOT / "tests").iterdir() if path.is_dir() and any(path.glob("test_*.py"))}
    assert mirrored - {"browser", "worked_examples", "seasons"} == {
        _room(file) for file in FILES if file.parent != PACKAGE
    }


def test_the_top_level_holds_what_the_card_allows():
    allowed = {"README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml"}
    allowed |= {"forecast", "notebooks", "tests", "demo_data"}
    tracked = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    assert tracked - {"build", "dist"} == allowed
