"""Every notebook runs to its end on seasons that are not the demo, and says nothing that is the demo's."""

import re
import time
from pathlib import Path

import nbformat
import pytest
from grower_seasons import EACH, SEASONS
from names_of_demo import names_of_demo
from nbclient import NotebookClient
from run_notebooks import run, shell

import forecast
from forecast.starter.notebooks import copies

NAMES = sorted(file.name for file in (Path(__file__).parents[2] / "notebooks").glob("*.ipynb"))
WITHOUT = {  # notebooks of seasons that have no records, or multiply nothing
    "southern": "4 5 6 a", "one_variety": "4 5 6 a", "no_prices": "4 5 6 a", "own_stages": "", "workbook": "4 5 6 a",
    "sixty": "4 5 6 a",
}  # fmt: skip
LONGEST = 90  # seconds of computing


@pytest.fixture(scope="module", params=EACH)
def ran(request, tmp_path_factory):
    """All notebooks of a season, run: the season, its name, and the cells and seconds of each notebook."""
    folder = SEASONS[request.param](tmp_path_factory.mktemp("grower") / "mine")
    day = "2027-05-04" if request.param == "own_stages" else ""
    settings = {"FOLDER": str(folder), "SEASON": str(folder), "TODAY": day, "COUNTED_EVERY": "0", "DRAWS": "256"}
    found = {}
    with shell() as within:
        for name, text in copies(settings).items():
            began = time.process_time()
            found[name] = run(text, within), time.process_time() - began
    return forecast.read_season(folder), request.param, found


@pytest.mark.filterwarnings("ignore::UserWarning")
@pytest.mark.parametrize("notebook", NAMES)
def test_a_notebook_fits_the_season(ran, notebook):
    season, name, found = ran
    cells, seconds = found[notebook]
    assert [str(cell) for cell in cells if not cell.fine] == []
    every = "\n".join(cell.printed + cell.shown for cell in cells)
    assert [one for one in names_of_demo() if re.search(rf"\b{re.escape(one)}\b", every, re.IGNORECASE)] == []
    assert not re.search(r"\bnan\b|\bNone\b|\binf\b|<NA>", "".join(cell.printed for cell in cells))
    assert seconds < LONGEST
    *_, last = cells
    if notebook[0] in WITHOUT[name]:
        assert last.nothing
        assert re.search(r": (batches|cultures|season\.xlsx)", last.printed)
    elif not last.nothing:
        assert any(row.variety in last.printed for row in season.varieties) or re.search(r"\d", last.printed)


def test_without_prices_the_plan_is_there_and_money_is_not(ran):
    _, name, found = ran
    cells = {cell.code: cell for cell in found["7_the_whole_order.ipynb"][0]}
    assert cells['show.order_sheet(plan)["labs"]'].shown
    (cash,) = (cell for code, cell in cells.items() if code.startswith("cash ="))
    assert cash.nothing == (name == "no_prices")
    if cash.nothing:
        assert "sale_price" in cash.printed


@pytest.mark.filterwarnings("ignore::UserWarning")
def test_a_copy_that_start_wrote_runs_in_a_kernel_on_a_first_season(tmp_path):
    SEASONS["one_variety"](tmp_path / "mine")
    file = tmp_path / "mine" / "notebooks" / NAMES[0]
    notebook = nbformat.read(file, as_version=4)
    first, second = (cell for cell in notebook.cells[:3] if cell.cell_type == "code")
    assert 'FOLDER = ".."' in first.source
    first.source = first.source.replace("1024", "256")
    NotebookClient(notebook, timeout=300, resources={"metadata": {"path": str(file.parent)}}).execute()
    outputs = [one for cell in notebook.cells for one in cell.get("outputs", [])]
    assert {one.output_type for one in outputs} == {"stream", "execute_result"}
    assert "Strawberry 'Example': order " in outputs[-1].text
    assert second.metadata["jupyter"] == {"source_hidden": True}
