"""A page from its templates, with tables of texts and drawings of charts; it needs nothing else."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

import pandas as pd
import vl_convert
from jinja2 import Environment, PackageLoader
from markupsafe import Markup

_ON_ONE_PAGE = 15  # rows of a table that is not parted between pages


@dataclass(frozen=True)
class Table:
    """A table of texts whose first column names its rows, with columns set as numbers, and others kept on one line."""

    table: pd.DataFrame
    caption: str
    numbers: Collection[str] = ()
    short: Collection[str] = ()

    @property
    def columns(self) -> list[str]:
        """Names of its columns."""
        return [str(name) for name in self.table.columns]

    @property
    def rows(self) -> list[tuple[Any, ...]]:
        """Its cells, row by row."""
        return list(self.table.itertuples(index=False, name=None))

    @property
    def kept(self) -> bool:
        """Whether it is kept on one page in print."""
        return len(self.table) <= _ON_ONE_PAGE


@dataclass(frozen=True)
class Figure:
    """A drawing with the text that says the same, and a sentence below it."""

    attributes: Markup
    marks: Markup
    description: str
    sentence: str


def figure(chart: Any, sentence: str) -> Figure:
    """Return the drawing of an Altair chart: one image with one text, its description, not many."""
    spec = chart.to_dict()
    spec.setdefault("config", {})["aria"] = False
    opening, _, parts = vl_convert.vegalite_to_svg(spec).partition(">")
    return Figure(
        Markup(opening.removeprefix("<svg")), Markup(parts.removesuffix("</svg>")), spec["description"], sentence
    )


def rendered(**values: Any) -> str:
    """Return the page from values by the names of the template; the values are text, never markup."""
    templates = Environment(
        loader=PackageLoader("forecast", "show/templates"), autoescape=True, trim_blocks=True, lstrip_blocks=True
    )
    return templates.get_template("page.html").render(values)
