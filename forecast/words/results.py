"""How a result shows itself: in one line, as a short answer, and as a table in a notebook."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from forecast.words.tables import styled

if TYPE_CHECKING:
    import pandas as pd


class Result:
    """What a calculation returns.

    ``repr`` is one line of named facts, ``str`` the answer in words, and a notebook shows the answer and the table.
    A result defines `facts`, ``__str__`` and `table`; if it is a dataclass, it is one with ``repr=False``.
    """

    def facts(self) -> dict[str, object]:
        """Return what tells this result from others of its kind, such as the draws and the seed, by name."""
        return {}

    def table(self) -> pd.DataFrame:
        """Return this result as a table."""
        raise NotImplementedError

    def __repr__(self) -> str:
        facts = (f"{name}={value:,}" if isinstance(value, int) else f"{name}={value}" for name, value in
                 self.facts().items())  # fmt: skip
        return " ".join(f"{type(self).__name__}({', '.join(facts)})".split())

    def _repr_html_(self) -> str:
        answer = "".join(f"<p>{escape(line)}</p>" for line in str(self).splitlines() if line)
        return answer + styled(self.table())
