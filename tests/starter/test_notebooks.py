"""The notebooks are a course that a grower reads in order, and that `start` copies beside a season to begin with."""

import json
import re
import tomllib
from pathlib import Path

import nbformat
import pytest
from names_of_demo import names_of_demo
from nbclient import NotebookClient

import forecast
from forecast.starter.starter import start
from forecast.weeks import Week

ROOT = Path(__file__).parents[2]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
WEEK = Week(2026, 40)


def cells(file, kind):
    found = json.loads(file.read_text(encoding="utf-8"))["cells"]
    return ["".join(cell["source"]) for cell in found if cell["cell_type"] == kind]


def own_words():
    """Yield what no other nursery has: names of the demo's stages, groups, varieties, labs and places."""
    season = forecast.read_season(ROOT / "demo_data")
    yield from (row.group for row in season.varieties)
    yield from (row.stage for row in season.stages if row.stage not in ("arrival", "grading"))  # a grower's words
    yield from (*names_of_demo(), *season.place_names)


def title(file):
    return cells(file, "markdown")[0].splitlines()[0]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A season to begin with."""
    written = tmp_path_factory.mktemp("begin") / "mine"
    start(written, first_week=WEEK)
    return written


@pytest.mark.parametrize("file", NOTEBOOKS, ids=lambda file: file.stem)
def test_a_notebook_asks_a_question_and_ends_with_what_to_do(file):
    named = re.match(r"(?:appendix_)?\d", file.name)[0].replace("_", " ").capitalize()
    assert re.fullmatch(rf"# {named}\. .*\?", title(file))
    assert cells(file, "markdown")[-1].split("## ")[-1].startswith("What to do\n")
    assert cells(file, "markdown")[-2].endswith("## The answer")
    assert "headline()" in cells(file, "code")[-1]


def test_the_first_notebook_lists_the_questions_of_all():
    first = cells(NOTEBOOKS[0], "markdown")[0]
    listed = re.findall(r"^(\d)\. \*(.*\?)\*", first, re.MULTILINE)
    assert [f"# {number}. {question}" for number, question in listed] == [title(file) for file in NOTEBOOKS[:8]]


@pytest.mark.parametrize("file", NOTEBOOKS, ids=lambda file: file.stem)
def test_only_the_first_code_cell_names_what_is_the_demos_own(file):
    first, *others = cells(file, "code")
    assert 'FOLDER = "../demo_data"' in first
    for text in (*others, *cells(file, "markdown")):
        assert [name for name in own_words() if re.search(rf"\b{re.escape(name)}\b", text, re.IGNORECASE)] == []
        assert not re.search(r"20\d\d|W\d\d|\d,\d\d\d|\d %", text)  # no week and no number of it


@pytest.mark.parametrize("file", NOTEBOOKS, ids=lambda file: file.stem)
def test_code_is_folded_away_but_for_the_first_cell(file):
    found = json.loads(file.read_text(encoding="utf-8"))["cells"]
    folded = [cell["metadata"].get("jupyter", {}).get("source_hidden", False) for cell in found]
    code = [fold for cell, fold in zip(found, folded, strict=True) if cell["cell_type"] == "code"]
    assert code == [False] + [True] * (len(code) - 1)
    assert sum(folded) == len(code) - 1


def test_the_copies_hold_the_same_text_no_output_and_the_folder_beside_them(folder):
    copies = sorted((folder / "notebooks").iterdir())
    assert [file.name for file in copies] == [file.name for file in NOTEBOOKS]
    for file, source in zip(copies, NOTEBOOKS, strict=True):
        assert cells(file, "markdown") == cells(source, "markdown")
        code = "\n".join(cells(file, "code"))
        assert 'FOLDER = ".."' in code
        assert "demo_data" not in code
        notebook = nbformat.read(file, as_version=4)
        nbformat.validate(notebook)
        assert not any(cell.get("outputs") or cell.get("execution_count") for cell in notebook.cells)
    assert 'SEASON = "../running"' in (today := cells(copies[5], "code")[0])
    assert 'TODAY = "2026-09-28"' in today


def test_a_wheel_takes_every_notebook_along():
    build = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["hatch"]["build"]
    taken = build["targets"]["wheel"]["force-include"]
    assert taken == {f"notebooks/{file.name}": f"forecast/notebooks/{file.name}" for file in NOTEBOOKS}


@pytest.mark.parametrize("week", [Week(2026, 1), Week(2026, 53), Week(2030, 52)])
def test_the_records_to_begin_with_are_sound_whenever_it_is_begun(tmp_path, week):
    start(tmp_path / "new", first_week=week)
    records = forecast.read_records(tmp_path / "new")
    season, running = (forecast.read_season(tmp_path / "new" / part) for part in (".", "running"))
    records.against(season)
    records.against(running)
    assert max(row.date for row in records.counts) == week.monday
    assert running.first_week + 40 == week == season.first_week


def test_a_batch_to_begin_with_is_sold_discarded_or_still_there(folder):
    records = forecast.read_records(folder)
    ended = 0
    for batch, route in records.histories:
        alive = batch.received - batch.dead_on_arrival
        counts = [row for row in records.counts if row.batch == batch.batch]
        sold, losses = sum(row.saleable for row in counts), sum(row.losses for row in counts)
        assert alive == sold + losses + sum(passage.remaining for passage in route)
        ended += sold > 0 and alive == sold + losses
    assert ended == 3


def _run(folder, number):
    file = next((folder / "notebooks").glob(f"{number}_*.ipynb"))
    notebook = nbformat.read(file, as_version=4)
    first = next(cell for cell in notebook.cells if cell.cell_type == "code")
    first.source = re.sub(r"DRAWS = \d+", "DRAWS = 128", first.source)
    NotebookClient(notebook, timeout=600, resources={"metadata": {"path": str(file.parent)}}).execute()
    outputs = [output for cell in notebook.cells if cell.cell_type == "code" for output in cell.outputs]
    text = "\n".join(output.get("text", "") or output.get("data", {}).get("text/plain", "") for output in outputs)
    return text, sum("vegalite" in kind for output in outputs for kind in output.get("data", {}))


@pytest.mark.parametrize(
    ("number", "said", "charts"),
    [
        (1, r"Order [\d,]+ of Hosta 'First' from \w+ lab for 2027-W\d\d\.", 3),
        (3, r"covered house: fullest in the week of .* \(2027-W\d\d\), about \d+ m²", 3),
        (7, r"Order [\d,]+ plantlets of 2 varieties in \d deliveries", 4),
    ],
)
def test_a_copy_runs_from_top_to_bottom_on_the_season_to_begin_with(folder, number, said, charts):
    text, drawn = _run(folder, number)
    assert re.search(said, text)
    assert drawn == charts
