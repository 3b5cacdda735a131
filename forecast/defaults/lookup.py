"""The data files of the package, and names found as a grower types them."""

from __future__ import annotations

import csv
import difflib
import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Literal, TypeVar

from forecast.errors import Refused, refuse

Grade = Literal["published", "extension", "practice", "judgement"]

_T = TypeVar("_T")
_HERE = Path(__file__).parent
_OFFERED = 4  # names near one that is not known
_NEAR = 0.7  # twice the letters in common, over all letters of both; judgement


@dataclass(frozen=True)
class Source:
    """Where a figure comes from: a `citation`, and a `licence` if its data have one."""

    citation: str
    licence: str


@dataclass(frozen=True)
class Figure:
    """One number, its range (None where nobody stated one), and how well it is founded.

    `grade` is ``published`` (a trial), ``extension`` (a university or an agency), ``practice`` (suppliers, growers) or
    ``judgement``. `source` is its citation, or says that there is none; `note` what it holds for.
    """

    typical: float
    grade: Grade
    source: str
    low: float | None = None
    high: float | None = None
    note: str = ""


def rows_of(name: str) -> list[dict[str, str]]:
    """Return the rows of a data file of this room."""
    with (_HERE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@cache
def sources() -> Mapping[str, Source]:
    """Return all sources, by the names that the data files use."""
    return {row["source"]: Source(row["citation"], row["licence"]) for row in rows_of("sources.csv")}


def same_name(text: str) -> str:
    """Return what is left of a name without capitals, accents, marks and plurals."""
    plain = "".join(one for one in unicodedata.normalize("NFKD", text.casefold()) if not unicodedata.combining(one))
    return " ".join(map(_singular, re.findall(r"[a-z0-9]+", plain.replace("'", "").replace("’", ""))))


def _singular(word: str) -> str:
    """Return the singular of an English word, and something shorter of a Latin one: the same for the same word."""
    if word.endswith("ies") and len(word) > 4:
        return f"{word[:-3]}y"
    if word.endswith(("sses", "shes", "ches", "xes")):
        return word[:-2]
    return word if word.endswith("ss") else word.removesuffix("s")


def not_known(column: str, typed: str, kind: str, known: Iterable[str]) -> Refused:
    """Return the refusal of a name, with the names nearest to it."""
    names = {same_name(name): name for name in known if name}
    near = difflib.get_close_matches(same_name(typed), names, n=_OFFERED, cutoff=_NEAR)
    offered = " or ".join(repr(names[name]) for name in near)
    remedy = f"Did you mean {offered}?" if near else f"python -m forecast start --list shows all {kind}s."
    return refuse(column, typed, f"not a {kind} of the list", remedy)
