"""What the notebooks show without a kernel: no warning, and no path of the machine that ran them."""

from pathlib import Path

import nbformat
import pytest

NOTEBOOKS = sorted((Path(__file__).parents[1] / "notebooks").glob("*.ipynb"))


@pytest.mark.parametrize("file", NOTEBOOKS, ids=lambda file: file.name)
def test_stored_outputs_hold_no_warning_and_no_path(file: Path) -> None:
    notebook = nbformat.read(file, 4)
    outputs = [one for cell in notebook.cells for one in cell.get("outputs", [])]
    assert outputs
    assert not [one for one in outputs if one.get("name") == "stderr"]
    text = file.read_text(encoding="utf-8")
    assert "site-packages" not in text
    assert str(Path.home()) not in text
