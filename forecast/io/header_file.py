"""The file season.toml: its values, or everything that is wrong with it."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

from forecast.errors import Fault, Refused
from forecast.io.as_written import Line, Understood, understood
from forecast.io.files_in import HEADER, read_text
from forecast.io.layout import holds_number
from forecast.season.cells import REQUIRED, UNKNOWN, nearest
from forecast.season.header import Header

_MOST_NAMES = 100  # in season.toml
_CHAINED = 100  # dots in a line of season.toml that is neither a comment nor gives one text
_PLAIN = re.compile(r'\s*(#.*|[\w-]+\s*=\s*"(\\.|[^"\\])*"\s*)')
_MEANT = re.compile(r"\s*([\w-]+)\s*(=?)[:\s]*([^#]*)")
_SUCH_AS = 'Write lines such as first_week = "2026-W40".'
_QUOTES = " \t\"'\u201c\u201d\u201e\u2018\u2019\u00ab\u00bb"


def read_header(folder: Path) -> tuple[Header | None, list[Fault], Sequence[Understood]]:
    """Return what season.toml in a folder holds, or None and all that is wrong with it; and what was understood."""
    plainer: Sequence[Understood] = ()
    try:
        text = read_text(folder, HEADER)
        if _tangled(text):
            return None, [Fault("not a list of names and values", _SUCH_AS, HEADER)], ()
        cells, faults, rows = _parsed(text)
        if len(cells) + len(faults) > _MOST_NAMES:
            return None, [Fault(f"more than {_MOST_NAMES} names", _SUCH_AS, HEADER)], ()
        line, plainer = _plainer(cells)
        if line.faults:
            faults = [*faults, *line.faults]
        cells = {**cells, **line.cells}
        header = Header(**cells) if not faults else None
    except Refused as error:
        return None, _as_settings(error.faults), ()
    if header is None:
        faults = sorted([*faults, *_refused_too(cells, faults, rows)], key=lambda fault: fault.row or 0)
    return header, _as_settings(faults), plainer


def _plainer(cells: dict[str, Any]) -> tuple[Line, Sequence[Understood]]:
    """Return the texts and days among the settings as plain cells, and what was read as plainer."""
    texts = {name: str(cell) for name, cell in cells.items() if isinstance(cell, str | date)}
    (line,), found = understood(HEADER, [Line(0, texts, ())], Header)
    changed = {name: line.cells[name] for name in line.written or ()}
    return replace(line, cells=changed), found


def _as_settings(faults: Sequence[Fault]) -> list[Fault]:
    """Return faults of cells as those of settings; a required one whose name is misspelt is not missing, too."""
    words = {REQUIRED: "empty but required", UNKNOWN: "not a known setting"}
    meant = {nearest(fault.column, Header.model_fields) for fault in faults if fault.problem == UNKNOWN}
    return [
        replace(fault, problem=words.get(fault.problem, fault.problem), table=HEADER)
        for fault in faults
        if not (fault.problem == REQUIRED and fault.column in meant)
    ]


def _parsed(text: str) -> tuple[dict[str, Any], list[Fault], dict[str, int]]:
    """Return the values of a text in TOML by name; if it is none, the faults of its lines, and the row of each name."""
    try:
        return tomllib.loads(text), [], {}
    except tomllib.TOMLDecodeError:
        return _by_line(text)
    except (ValueError, RecursionError) as error:  # numbers of more digits than Python reads, among them
        reason = "nested too deep" if isinstance(error, RecursionError) else "a number with too many digits"
        raise Refused([Fault(f"not valid TOML: {reason}", _SUCH_AS)]) from error


def _by_line(text: str) -> tuple[dict[str, Any], list[Fault], dict[str, int]]:
    """Return what the lines of a text that is no TOML as a whole give one by one."""
    cells: dict[str, Any] = {}
    faults: list[Fault] = []
    rows: dict[str, int] = {}
    for number, line in _statements(text):
        try:
            found = tomllib.loads(line)
        except (ValueError, RecursionError):
            fault = _unread(number, line)
            faults.append(fault)
            rows[fault.column] = number
            continue
        faults += [
            Fault("appears twice", "Keep one of the two.", row=number, column=name) for name in found if name in rows
        ]
        rows |= dict.fromkeys(found, number)
        cells |= found
        if len(rows) + len(faults) > 2 * _MOST_NAMES:
            break
    return cells, faults, rows


def _statements(text: str) -> Iterator[tuple[int, str]]:
    """Yield the lines that are filled, and their numbers; a text over several lines as one."""
    begun, held = 0, ""
    for number, line in enumerate(text.splitlines(), start=1):
        begun, held = (begun, f"{held}\n{line}") if held else (number, line)
        if held.count('"""') % 2 == 0 and held.count("'''") % 2 == 0:
            if held.strip():
                yield begun, held
            held = ""
    if held:
        yield begun, held


def _unread(number: int, line: str) -> Fault:
    """Return what is wrong with a line that is no TOML, as far as it is known what it is meant to give."""
    found = _MEANT.match(line)
    name, mark, written = (found[1], found[2], found[3].strip(_QUOTES)) if found else ("", "", "")
    known = name in Header.model_fields
    if not known or not written:
        return Fault("not a name and a value", _SUCH_AS, row=number, column=name if known else "", value=line.strip())
    number_cell = holds_number(Header.model_fields[name].annotation)
    try:
        Header(**{name: written})
    except Refused as error:
        for fault in error.faults:
            if number_cell and fault.column == name:
                return replace(fault, row=number)
    value = f"{float(written):.12g}" if number_cell else json.dumps(written, ensure_ascii=False)
    problem = "not a number as TOML has it" if number_cell else "a text without double quotes around it"
    problem = problem if mark == "=" else "no = between the name and its value"
    return Fault(problem, f"Write {name} = {value}.", row=number, column=name, value=written)


def _refused_too(cells: dict[str, Any], faults: list[Fault], rows: dict[str, int]) -> Iterator[Fault]:
    """Yield what is wrong with the values that could be read, beside what could not be."""
    known = {fault.column for fault in faults}
    try:
        Header(**cells)
    except Refused as error:
        yield from (replace(fault, row=rows.get(fault.column)) for fault in error.faults if fault.column not in known)


def _tangled(text: str) -> bool:
    """Say whether names are chains so long that taking them apart would fill the memory."""
    quoted = False  # a text may go over several lines, so that a line no longer shows what it is
    for line in text.split("\n"):
        if not quoted and _PLAIN.fullmatch(line):
            continue
        if line.count(".") > _CHAINED:
            return True
        quoted = quoted or "'''" in line or '"""' in line
    return False
