"""Notebooks run cell by cell in one shell of this process, which is faster than a kernel for each."""

from __future__ import annotations

import json
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import altair
from IPython.core.interactiveshell import InteractiveShell
from IPython.utils.capture import capture_output


@dataclass(frozen=True)
class Ran:
    """One code cell: its code, whether it ran without an error, what it printed, and what its outputs hold."""

    code: str
    fine: bool
    printed: str
    shown: str

    @property
    def nothing(self) -> bool:
        """Whether it says that it has nothing to show."""
        return self.printed.startswith("Nothing to show here") and not self.shown

    def __str__(self) -> str:
        return f"{self.code}\n{self.printed}{self.shown}"


@contextmanager
def shell() -> Iterator[InteractiveShell]:
    """A shell of its own; what notebooks set for the whole process is put back."""
    shown, drawn = warnings.showwarning, altair.renderers.active
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        warnings.filterwarnings("default", category=UserWarning, module="forecast")
        warnings.simplefilter("always", UserWarning)
        try:
            yield InteractiveShell.instance(colors="nocolor")
        finally:
            warnings.showwarning = shown
            altair.renderers.enable(drawn)
            InteractiveShell.clear_instance()


def run(notebook: str, within: InteractiveShell) -> list[Ran]:
    """Run the code cells of a notebook, which is given as its text."""
    within.reset(new_session=False)
    ran: list[Ran] = []
    kept: list[str] = []
    within.displayhook.write_output_prompt = lambda: None
    within.displayhook.write_format_data = lambda data, _: kept.extend(map(str, data.values()))
    for cell in json.loads(notebook)["cells"]:
        if cell["cell_type"] == "code":
            code = "".join(cell["source"])
            kept.clear()
            with capture_output() as captured:
                result = within.run_cell(code)
            ran.append(Ran(code, bool(result.success), (captured.stdout + captured.stderr).strip(), "\n".join(kept)))
    return ran
