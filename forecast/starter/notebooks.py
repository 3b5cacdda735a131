"""The notebooks, as copies to work with beside a season."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

_PACKAGE = Path(__file__).parents[1]
_NOTEBOOKS = (_PACKAGE / "notebooks", _PACKAGE.parent / "notebooks")  # as installed, and in the source tree


def copies(settings: Mapping[str, str]) -> dict[str, str]:
    """Return the notebooks as texts by file name, without outputs.

    Lines that give a name of the `settings`, such as ``FOLDER`` or ``DRAWS``, another text or number are changed.
    """
    folder = next(folder for folder in _NOTEBOOKS if folder.is_dir())
    return {file.name: _copy(file.read_text(encoding="utf-8"), settings) for file in sorted(folder.glob("*.ipynb"))}


def _copy(text: str, settings: Mapping[str, str]) -> str:
    notebook: dict[str, Any] = json.loads(text)
    for cell in notebook["cells"]:
        if cell["cell_type"] == "code":
            cell |= {"execution_count": None, "outputs": []}
            cell["source"] = [_set(line, settings) for line in cell["source"]]
    return json.dumps(notebook, indent=1, ensure_ascii=False) + "\n"


def _set(line: str, settings: Mapping[str, str]) -> str:
    return re.sub(
        r'^(\w+) = ("?)(?:[^"#]*?)\2(?=  #|$)',
        lambda found: f"{found[1]} = {found[2]}{settings[found[1]]}{found[2]}" if found[1] in settings else found[0],
        line,
    )
