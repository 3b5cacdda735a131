"""What is imported when: nobody waits for what the answer does not need."""

import ast
import subprocess
import sys
import time
from importlib import import_module
from pathlib import Path

import pytest

import forecast
from forecast import charts, show

FACADES = [forecast, charts, show]
ROOT = Path(__file__).parents[1]
CHARTS = {"altair", "vl_convert", "IPython", "ipykernel", "jupyterlab", "anywidget"}
FILES = {"openpyxl", "icalendar", "tqdm"}
SOLVERS = {"highspy", "scoringrules"}
TABLES = {"pandas", "xarray", "scipy.stats"}
READ = "import forecast; season = forecast.read_season('demo_data')"
RUN = "from forecast.__main__ import main; code = main([{}]); assert code == 0"


def _imported_by(code):
    """Names of the modules that a fresh Python imports for some code."""
    watched = f"import sys; before = set(sys.modules)\n{code}\nprint(); print(*sorted(set(sys.modules) - before))"
    done = subprocess.run([sys.executable, "-c", watched], cwd=ROOT, capture_output=True, text=True, check=True)
    return set(done.stdout.splitlines()[-1].split())


def test_importing_the_package_imports_nothing_but_the_standard_library():
    tops = {name.split(".")[0] for name in _imported_by("import forecast")}
    assert "forecast" in tops
    assert tops - {"forecast"} <= sys.stdlib_module_names


@pytest.mark.parametrize(
    ("code", "unneeded"),
    [
        (READ, CHARTS | FILES | SOLVERS | TABLES),
        (RUN.format("'check', 'demo_data'"), CHARTS | FILES | SOLVERS | TABLES),
        (f"{READ}; forecast.simulate(season, draws=64, seed=1)", CHARTS | FILES | SOLVERS),
        (RUN.format("'order', 'demo_data', '--draws', '64'"), CHARTS | FILES - {"tqdm"}),
    ],
    ids=["read_season", "check", "simulate", "order"],
)
def test_what_an_answer_does_not_need_is_not_imported(code, unneeded):
    imported = _imported_by(code)
    assert "numpy" in imported  # so the names are those of sys.modules
    assert not imported & unneeded


def test_what_is_not_needed_at_first_is_imported_when_it_is(tmp_path):
    page = str(tmp_path / "order.html")
    imported = _imported_by(RUN.format(f"'report', 'demo_data', '--draws', '64', '--out', {page!r}"))
    assert {"altair", "vl_convert", "highspy", "pandas", "scipy.stats", "tqdm"} <= imported


def test_importing_the_package_takes_less_than_a_second():
    """It takes a few hundredths; the best of five, because a machine may be busy with other things."""
    times = []
    for _ in range(5):
        began = time.perf_counter()
        subprocess.run([sys.executable, "-c", "import forecast"], cwd=ROOT, check=True)
        times.append(time.perf_counter() - began)
    assert min(times) < 1


@pytest.mark.parametrize("package", FACADES, ids=lambda package: package.__name__)
def test_types_and_names_have_the_same_homes(package):
    tree = ast.parse(Path(package.__file__).read_text(encoding="utf-8"))
    found = [one for one in ast.walk(tree) if isinstance(one, ast.ImportFrom) and one.module.startswith("forecast.")]
    homes = {name.name: one.module.removeprefix("forecast.") for one in found for name in one.names}
    assert homes == package._HOMES | {"lazy": "facades"}
    assert sorted(package._HOMES) == package.__all__
    for name, home in package._HOMES.items():
        assert getattr(package, name) is getattr(import_module(f"forecast.{home}"), name)


def test_names_that_were_not_asked_for_yet_are_listed():
    code = "import forecast; print(*dir(forecast)); from forecast import *; print(size_order.__name__)"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    listed, called = done.stdout.splitlines()
    assert set(forecast.__all__) <= set(listed.split())
    assert called == "size_order"


def test_a_name_that_there_is_not_is_refused_as_python_does():
    with pytest.raises(AttributeError, match="module 'forecast' has no attribute 'size_odrer'"):
        _ = forecast.size_odrer
