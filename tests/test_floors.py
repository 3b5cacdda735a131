"""The floors of the house: a file imports only from files above it in the list of DEVELOPERS.md."""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
LIST = re.findall(r"^(forecast/\S+\.py) ", (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"), re.MULTILINE)
MOST_LINES = 400


def _imports(file):
    for node in ast.walk(ast.parse((ROOT / file).read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{file} imports relatively"
            yield node.module
            yield from (f"{node.module}.{name.name}" for name in node.names)


def _modules(file):
    """Files of the package that a file imports, and packages whose __init__ it imports by name."""
    for name in _imports(file):
        if name.split(".")[0] == "forecast":
            path = name.replace(".", "/")
            if (ROOT / f"{path}.py").is_file():
                yield f"{path}.py"
            elif (ROOT / path / "__init__.py").is_file():
                yield path


def test_every_file_has_a_floor_and_every_floor_a_file():
    files = {str(path.relative_to(ROOT)) for path in ROOT.glob("forecast/**/*.py") if path.name != "__init__.py"}
    assert files == set(LIST)
    assert len(LIST) == len(set(LIST))


@pytest.mark.parametrize("file", LIST)
def test_a_file_imports_only_from_the_floors_below_it(file):
    below = LIST[: LIST.index(file)]
    above = [module for module in _modules(file) if module.endswith(".py") and module not in below]
    assert not above


@pytest.mark.parametrize("file", LIST)
def test_a_file_takes_nothing_from_the_init_of_a_package(file):
    for node in ast.walk(ast.parse((ROOT / file).read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and (ROOT / node.module.replace(".", "/") / "__init__.py").is_file():
            taken = [
                n.name for n in node.names if not (ROOT / node.module.replace(".", "/") / f"{n.name}.py").is_file()
            ]
            assert not taken


@pytest.mark.parametrize("file", LIST)
def test_a_file_is_short_enough_to_be_read(file):
    assert len((ROOT / file).read_text(encoding="utf-8").splitlines()) <= MOST_LINES


def test_no_module_shares_its_name_with_a_function_it_exports():
    for file in LIST:
        tree = ast.parse((ROOT / file).read_text(encoding="utf-8"))
        assert Path(file).stem not in {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}


def test_the_top_level_holds_what_the_card_allows():
    allowed = {"README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml"}
    allowed |= {"forecast", "notebooks", "tests", "demo_data"}
    tracked = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    assert tracked - {"build", "dist"} == allowed
