"""What the cells of a notebook do beside their code: draw, say in a line why there is nothing to show, and progress."""

from __future__ import annotations

import ast
import os
import warnings
from threading import Event, Thread
from time import monotonic
from types import TracebackType
from typing import Any

import pandas as pd

from forecast.charts.base import draw_offline
from forecast.errors import ForecastError, OutOfReach
from forecast.words import results as words

PROGRESS = "FORECAST_PROGRESS"
_CELL = "_forecast_cell"  # the run of a cell, in its code
_RUN = f'__import__("{__name__}", fromlist=["Cell"]).Cell'  # whatever is deleted from the notebook's names
_PATIENCE = 2.0  # seconds before progress is shown, as common practice has it for waiting at a screen
_EVERY = 1.0  # seconds


def notebook() -> None:
    """Set a notebook up: charts without a network, a line instead of a traceback where there is nothing to show.

    From the next cell on. A cell that is refused (`ForecastError`) prints why, and the notebook goes on; a cell that
    uses a name which such a cell would have assigned is not run, and says the same. Any other error is shown as ever.
    A cell that takes over two seconds shows for how many it has run; what it prints comes when it ends. The
    environment variable ``FORECAST_PROGRESS``, set to ``off``, leaves that away.

    Outside of Jupyter it lets charts be drawn, and nothing else.
    """
    draw_offline()
    shell = _shell()
    if shell is None:
        return
    shell.ast_transformers[:] = [one for one in shell.ast_transformers if type(one).__name__ != _InCells.__name__]
    shell.ast_transformers.append(_InCells())
    shell.display_formatter.formatters["text/html"].for_type(pd.DataFrame, words.in_notebook)
    warnings.showwarning = _warned


_showwarning = warnings.showwarning


def _warned(message: Warning | str, category: type[Warning], *where: Any, **more: Any) -> None:
    """Show what is odd in a season as a plain line, and any other warning as ever."""
    if issubclass(category, UserWarning):
        print(message)
    else:
        _showwarning(message, category, *where, **more)


def _shell() -> Any:
    """Return the shell of IPython that runs this; None outside of one."""
    try:
        from IPython import get_ipython  # noqa: PLC0415 (notebooks alone need it)
    except ImportError:
        return None
    return get_ipython()  # type: ignore[no-untyped-call, unused-ignore]


class NothingToShow(ForecastError):
    """A cell that builds on one with nothing to show."""


class _Nothing:
    """What stands for a name that has no value, because its cell had nothing to show."""

    def __init__(self, why: str) -> None:
        self.why = why

    def __repr__(self) -> str:
        return self.why


class _InCells(ast.NodeTransformer):
    """Puts the code of a cell into ``with Cell(...) as cell: cell.begin(); ...; cell.shown = last``, then the last."""

    def visit_Module(self, node: ast.Module) -> ast.Module:
        names = [one for one in ast.walk(node) if isinstance(one, ast.Name)]
        made = sorted({one.id for one in names if isinstance(one.ctx, ast.Store)})
        used = sorted({one.id for one in names} - {*made})
        head, inside = _parsed(f"with {_RUN}({used}, {made}) as {_CELL}:\n    {_CELL}.begin()")
        inside += node.body
        if inside and isinstance(last := node.body[-1], ast.Expr):
            (kept,) = _parsed(f"{_CELL}.shown = None")[0]
            (shown,) = _parsed(f"{_CELL}.shown")[0]
            kept.value = last.value
            inside[-1] = ast.copy_location(kept, last)
            head.append(ast.copy_location(shown, last))
        return ast.Module(head, node.type_ignores)


def _parsed(code: str) -> tuple[list[Any], list[Any]]:
    """Return the statements of a text, and those inside of the first."""
    body = ast.parse(code).body
    return list(body), getattr(body[0], "body", [])


class Cell:
    """One run of a cell: `shown` is what its last line gives."""

    def __init__(self, used: list[str], made: list[str]) -> None:
        self.shown: Any = None
        self._shell, self._used, self._made = (shell := _shell()), used, made
        self._before = {name: shell.user_ns.get(name) for name in made}
        self._progress = _Progress(shell)

    def __enter__(self) -> Cell:
        self._progress.begin()
        return self

    def begin(self) -> None:
        """Say that there is nothing to show if the cell uses what another could not make."""
        for name in self._used:
            if isinstance(found := self._shell.user_ns.get(name), _Nothing):
                raise NothingToShow(found.why)

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None) -> bool:
        self._progress.end()
        if not isinstance(error, ForecastError):
            return False
        again = isinstance(error, NothingToShow)
        print(error if isinstance(error, OutOfReach) else words.nothing(str(error), again=again))
        why = str(error) if again else words.shortly(str(error))
        for name in self._made:
            if self._shell.user_ns.get(name) is self._before[name]:
                self._shell.user_ns[name] = _Nothing(why)
        return True


class _Progress:
    """How long a cell has run, shown after two seconds in place of what it prints, which comes when it ends."""

    def __init__(self, shell: Any) -> None:
        self._shell, self._ended, self._shown = shell, Event(), False
        self._on = hasattr(shell, "kernel") and os.environ.get(PROGRESS) != "off"
        self._thread = Thread(target=self._show, daemon=True)

    def begin(self) -> None:
        if not self._on:
            return
        from IPython.utils.capture import capture_output  # noqa: PLC0415 (notebooks alone need it)

        self._screen, self._began = self._shell.display_pub, monotonic()
        self._capture = capture_output()  # type: ignore[no-untyped-call, unused-ignore]
        self._printed = self._capture.__enter__()
        self._thread.start()

    def _show(self) -> None:
        wait = _PATIENCE
        while not self._ended.wait(wait):
            wait, self._shown = _EVERY, True
            self._screen.clear_output(wait=True)
            self._screen.publish({"text/plain": words.running(monotonic() - self._began)})

    def end(self) -> None:
        """Take it away, and show what was printed meanwhile."""
        if not self._on:
            return
        self._ended.set()
        self._thread.join()
        self._capture.__exit__(None, None, None)
        if self._shown:
            self._screen.clear_output(wait=False)
        self._printed.show()  # type: ignore[no-untyped-call, unused-ignore]
