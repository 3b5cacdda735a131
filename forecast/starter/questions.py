"""The questions that `start` asks at a terminal."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TypeVar

from forecast.defaults.crops import find_crop
from forecast.errors import Fault, Refused, refuse
from forecast.season.header import Header
from forecast.starter.answers import FORMS, Answers, station_of
from forecast.words import starting as words

_T = TypeVar("_T")
_CURRENCY = {"name": "any", "first_week": "2027-W01", "weeks": 1, "service_level": 0.9}
Ask = Callable[[str], str]
Say = Callable[[str], None]


def split(text: str) -> list[str]:
    """Return the names in a text, with commas between them."""
    return [name.strip() for name in text.split(",") if name.strip()]


def crops_of(text: str) -> list[str]:
    """Return names of crops, all of which are known."""
    names = split(text)
    faults: list[Fault] = []
    for name in names:
        try:
            find_crop(name)
        except Refused as error:
            faults += error.faults
    if not names:
        faults += refuse("crops", text, "no crop", words.SEE_LIST).faults
    if faults:
        raise Refused(faults)
    return names


def climate_of(text: str) -> str:
    """Return a climate that is known."""
    station_of(text.strip())
    return text.strip()


def currency_of(text: str) -> str:
    """Return the code of a currency; three letters in any case."""
    try:
        return Header(currency=text.strip().upper(), **_CURRENCY).currency
    except Refused as error:
        raise Refused([replace(one, table="", value=text) for one in error.faults]) from error


def plants_of(text: str) -> str:
    """Return what labs send."""
    if text.strip() not in FORMS:
        raise refuse("plants", text, "not what labs send", f"Give {words.any_of(FORMS)}.")
    return text.strip()


def bench_of(text: str) -> float | None:
    """Return an area of bench; None if it is empty."""
    if not text.strip():
        return None
    try:
        area = float(text)
    except ValueError:
        area = 0.0
    if not 0 < area <= 1e6:
        raise refuse("bench", text, "not an area", "Give square metres above 0, such as 80.")
    return area


def ask_all(ask: Ask, say: Say) -> Answers:
    """Return the answers of somebody at a terminal: each question is asked until its answer is understood."""
    usual = Answers((), "")
    return Answers(
        _ask(ask, say, words.CROPS, crops_of),
        _ask(ask, say, words.CLIMATE, climate_of),
        _ask(ask, say, words.CURRENCY, currency_of, usual.currency),
        _ask(ask, say, words.LABS, split, ", ".join(usual.labs)),
        _ask(ask, say, words.PLANTS.format(forms=words.any_of(FORMS)), plants_of, usual.plants),
        _ask(ask, say, words.BENCH, bench_of, ""),
    )


def _ask(ask: Ask, say: Say, question: str, read: Callable[[str], _T], usual: str | None = None) -> _T:
    shown = f"{question} [{usual}]: " if usual else f"{question}: "
    while True:
        try:
            return read(ask(shown).strip() or usual or "")
        except Refused as error:
            say(str(error))
