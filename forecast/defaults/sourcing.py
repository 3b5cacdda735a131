"""How well a number of a table is founded, by what its source says."""

from __future__ import annotations

import re
from typing import Literal

Footing = Literal["no source", "judgement", "from memory", "common practice", "source"]
"""From the weakest to the strongest."""

_MARKS: tuple[tuple[str, Footing], ...] = (
    ("judgement", "judgement"), ("guess", "judgement"), ("from memory", "from memory"), ("practice", "common practice"),
)  # fmt: skip
_NAMES = {"survival": ("survival",), "time": ("time", "times", "weeks", "degree-days")}
_OTHERS = ("standard deviation", "spread", "density", "base temperature", "cost", "minutes")
_WORD = f"(?:{'|'.join([*_NAMES['survival'], *reversed(_NAMES['time']), *_OTHERS])})"
_HEAD = re.compile(rf"(?:its )?({_WORD}(?:(?:,| and|, and) {_WORD})*):")
_BETWEEN = re.compile(", and |, | and ")


def footing(source: str | None, what: Literal["survival", "time"]) -> Footing:
    """Return what a survival or a time of a stage rests on.

    A source may hold clauses, such as ``survival: a trial of 2024; times and density: common practice``; without them
    all of it counts.
    """
    text = source or ""
    heads = list(_HEAD.finditer(text))
    ends = [head.start() for head in heads[1:]] + [len(text)] * bool(heads)
    own = [
        text[head.end() : end]
        for head, end in zip(heads, ends, strict=True)
        if set(_BETWEEN.split(head[1])) & set(_NAMES[what])
    ]
    said = " ".join(own) if heads else text
    if not said.strip():
        return "no source"
    return next((found for mark, found in _MARKS if mark in said.lower()), "source")
