"""What a grower writes in a cell: read where it can mean one thing only, and every such reading noted.

Units, percentages, currencies, number styles, weeks and days are taken in; what could be read in two ways is asked
about, with both readings, and never guessed.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from functools import cache
from typing import Any, Literal, NamedTuple, get_args, get_origin

from forecast.errors import Fault, Refused
from forecast.io.number_style import Reading, Style, named, read_by, readings, settled, two_numbers
from forecast.io.written_days import days, order_of, week_of_year, weeks
from forecast.rates.by_cycle import ByCycle
from forecast.season.cells import Row, Unit
from forecast.weeks import Week

DAY_ZERO = date(1899, 12, 30)  # of serial days: ECMA-376 (2016), part 1, 18.17.4.1
COMMA = "decimal comma"
CURRENCY = "currency"
NO_YEAR = "a week without its year"
_LONGEST = 60  # characters of what is looked at
_BEYOND_ASCII = dict(zip(range(0xFF01, 0xFF5F), range(0x21, 0x7F), strict=True))  # full width
_ALIKE = str.maketrans(
    dict.fromkeys("\u2212\u2013\u2010\u2011", "-")
    | dict.fromkeys("\u00a0\u2007\u2009\u202f\u2002\u2003\u3000\t", " ")
    | dict.fromkeys("\u2019\u2018\u02bc\u00b4", "'")
)
_PLAIN = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?")
_AMOUNT = re.compile(
    r"(?P<before>[^0-9+-]*?) ?(?P<sign>[+-]?) ?(?P<money>[^\W\d_]{0,2}[$€£¥])? ?"
    r"(?P<body>[0-9](?:[0-9.,' ]*[0-9])?|(?<![^+\- ])[.,][0-9]+)(?P<power>[eE][+-]?[0-9]{1,3})?(?![0-9]) ?(?P<after>.*)"
)
_BARE_WEEK = re.compile(r"(?:w|wk|week|kw)?[ .-]?([0-9]{1,2})")
_PLAIN_WEEK = re.compile(r"[0-9]{4}-W[0-9]{2}")
_PLAIN_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_SPELT = {
    spelling: unit
    for unit, spellings in {
        Unit.SHARE: "% percent per cent pct prozent",
        Unit.WEEKS: "w wk wks week weeks woche wochen semaine semaines weken semana semanas",
        Unit.MINUTES: "min mins minute minutes minuten minutos",
        Unit.CELSIUS: "°c c degc ℃ °",
        Unit.AREA: "m2 m² sqm qm",
        Unit.PLANTS: "plant plants plantlet plantlets plug plugs liner liners pcs pc pieces",
        "days": "d day days tag tage tagen jour jours dag dagen día dias días",
        "months": "month months monat monate mois maand maanden mes meses",
        "hours": "h hr hrs hour hours stunden heures uur horas",
        "°F": "°f f degf ℉",
        "square feet": "ft2 ft² sqft",
    }.items()
    for spelling in spellings.split()
}
_LISTED = (
    "EUR USD GBP CHF SEK NOK DKK ISK PLN CZK HUF RON BGN TRY UAH AUD NZD CAD JPY CNY INR KRW TWD THB IDR MYR SGD VND "
    "PHP ZAR KES ETB EGP MAD ILS BRL MXN ARS CLP COP PEN CRC"
)
_CODES = frozenset(_LISTED.split())  # ISO 4217
_SIGNS = {
    "€": ("EUR",), "£": ("GBP", "EGP"), "¥": ("JPY", "CNY"), "₹": ("INR",), "zł": ("PLN",), "kč": ("CZK",),
    "ft": ("HUF",), "fr": ("CHF",), "sfr": ("CHF",), "kr": ("SEK", "NOK", "DKK", "ISK"), "r$": ("BRL",),
    "$": ("USD", "AUD", "NZD", "CAD", "SGD", "TWD", "MXN", "ARS", "CLP", "COP"), "us$": ("USD",), "a$": ("AUD",),
    "au$": ("AUD",), "nz$": ("NZD",), "c$": ("CAD",), "ca$": ("CAD",), "₺": ("TRY",), "₩": ("KRW",), "฿": ("THB",),
    "r": ("ZAR",),
}  # fmt: skip
_YES = {"yes", "y", "true", "ja", "oui", "si", "sí"}
_NO = {"no", "n", "false", "nein", "non", "nee"}


@dataclass(frozen=True)
class Line:
    """A row of a file: its number, its filled cells by column, and what is wrong with its form.

    Of cells that are read as something plainer, `written` holds the text of the file; those in `native` columns are
    numbers of a workbook.
    """

    number: int
    cells: dict[str, str]
    faults: tuple[Fault, ...]
    native: frozenset[str] = frozenset()
    written: Mapping[str, str] | None = None


@dataclass(frozen=True)
class Understood:
    """One text of a column and what it is read as, with the rows that hold it; of a whole file without a column."""

    table: str  # file or sheet
    column: str
    kind: str
    written: str
    read: str
    rows: tuple[int, ...]


class _Content(NamedTuple):
    """What a column holds: number, numbers, week, day or yes; its unit, the cell that it goes by; if all are whole."""

    kind: str
    unit: str
    only: tuple[str, str] | None
    whole: bool


class _Meaning(NamedTuple):
    """What a text is read as, or what is asked about it."""

    read: str
    kind: str
    fault: Fault | None = None
    by_unit: bool = False


class _Number(NamedTuple):
    """A number as it is written: its sign and power, all ways to read its digits, and the word beside it."""

    sign: str
    body: str
    power: str
    ways: tuple[Reading, ...]
    word: str

    def text(self, way: Reading) -> str:
        return f"{self.sign}{way.number}{self.power}"


def understood(
    name: str, lines: Sequence[Line], kind: type[Row], base: date = DAY_ZERO
) -> tuple[tuple[Line, ...], tuple[Understood, ...]]:
    """Return the lines of a file or sheet with plain cells in known columns, and what was read as something plainer.

    What could be read in two ways, or contradicts the other numbers of the file, is at fault in its line. Serial days
    count from `base`.
    """
    contents = _contents(kind)
    texts = {column: _texts(lines, column, content.kind) for column, content in contents.items()}
    numbers = {column: own for column, own in texts.items() if contents[column].kind in ("number", "numbers")}
    meanings = _numbers(numbers, contents, lambda column, text: _first(lines, column, text))
    meanings |= _dates({column: own for column, own in texts.items() if column not in numbers}, contents, base)
    meanings = {column: own for column, own in meanings.items() if own}
    if not meanings:
        return tuple(lines), ()
    rows: dict[tuple[str, str, str, str], list[int]] = defaultdict(list)
    read = tuple(_with(line, meanings, contents, rows) for line in lines)
    found = tuple(Understood(name, *key, tuple(numbers)) for key, numbers in rows.items())
    return read, found


def _texts(lines: Sequence[Line], column: str, kind: str) -> Counter[str]:
    """Return the texts of a column and how often each is there; a number of a workbook is no text."""
    cells = [line.cells.get(column, "") for line in lines]
    if kind == "number" and any(line.native for line in lines):
        cells = ["" if column in line.native else cell for cell, line in zip(cells, lines, strict=True)]
    texts = Counter(cells)
    del texts[""]
    return texts


def other_currencies(found: Iterable[Understood], currency: str) -> Iterator[Fault]:
    """Yield a fault for each cell with the sign or code of another currency than that of the season."""
    for one in found:
        if one.kind == CURRENCY and currency not in _codes(_parts(one.written)):
            problem, remedy = f"not in {currency}, the currency of the season", f"Write it in {currency}."
            yield from (Fault(problem, remedy, one.table, row, one.column, one.written) for row in one.rows)


def in_season(faults: Iterable[Fault], first: Week, last: Week) -> Iterator[Fault]:
    """Yield faults; of a week without its year the remedy names those of a season that may be meant."""
    for fault in faults:
        if fault.problem == NO_YEAR:
            number = re.sub("[^0-9]", "", str(fault.value))
            known = [week for year in range(first.year, last.year + 1) for week in weeks(f"{year}w{number}")]
            meant = [week for week in known if first <= week <= last] or known
            yield replace(fault, remedy=f"Write {' or '.join(map(str, meant))}.") if meant else fault
        else:
            yield fault


def _first(lines: Sequence[Line], column: str, text: str) -> int:
    """Return the number of the first line that has a text in a column."""
    return next(line.number for line in lines if line.cells.get(column) == text)


def _with(
    line: Line,
    meanings: Mapping[str, Mapping[str, _Meaning]],
    contents: Mapping[str, _Content],
    rows: dict[tuple[str, str, str, str], list[int]],
) -> Line:
    """Return a line with what its cells mean, and note what was read in which row."""
    cells, faults, written = line.cells, [], {}
    for column, own in meanings.items():
        text = line.cells.get(column)
        content = contents[column]
        if text is None or text not in own or (column in line.native and content.kind == "number"):
            continue
        meaning = own[text]
        if meaning.by_unit and content.only and line.cells.get(*content.only) != content.only[1]:
            continue
        if meaning.fault is not None:
            faults.append(replace(meaning.fault, column=column, value=text))
            continue
        cells = cells if cells is not line.cells else dict(cells)
        cells[column], written[column] = meaning.read, text
        key = ("", COMMA, text, meaning.read) if meaning.kind == COMMA else (column, meaning.kind, text, meaning.read)
        rows[key].append(line.number)
    if not (faults or written):
        return line
    named = {fault.column for fault in line.faults}
    faults = [*line.faults, *(fault for fault in faults if fault.column not in named)]
    return replace(line, cells=cells, faults=tuple(faults), written=written)


# numbers


def _numbers(
    texts: Mapping[str, Counter[str]], contents: Mapping[str, _Content], row: Callable[[str, str], int]
) -> dict[str, dict[str, _Meaning]]:
    """Return what the texts of number columns mean, by the style of the file."""
    single = {column: own for column, own in texts.items() if contents[column].kind == "number"}
    parsed = {(column, text): one for column, own in single.items() for text in own if (one := _parts(text))}
    votes: Counter[Style] = Counter()
    for (column, text), one in parsed.items():
        if len(one.ways) == 1 and any(one.ways[0].style):
            votes[one.ways[0].style] += texts[column][text]
    style, against = settled(votes)
    found: dict[str, dict[str, _Meaning]] = {column: {} for column in texts}
    for (column, text), one in parsed.items():
        own = one.ways[0].style if len(one.ways) == 1 else Style()
        meaning = _meant(text, one, style, contents[column])
        if own in against:
            at, other = next(
                key for key, other in parsed.items() if [way.style for way in other.ways] == [against[own]]
            )
            where = f"{other!r} in row {row(at, other)}, column {at}"
            problem = f"{named(own)}, but {where}, has {named(against[own])}"
            number = one.ways[0].number.replace(".", style.decimal or ".")
            remedy = f"Write {_cleaned(text).replace(one.body, number)}."
            meaning = _Meaning("", "", Fault(problem, remedy))
        if meaning:
            found[column][text] = meaning
    for column in texts.keys() - single.keys():
        for text in texts[column]:
            if meaning := _several(text, style, contents[column]):
                found[column][text] = meaning
    return found


def _parts(text: str) -> _Number | None:
    """Return the parts of a number as it is written; None if it is none."""
    if len(text) > _LONGEST:
        return None
    if text.isascii() and text.isdigit():
        return _Number("", text, "", (Reading(Style(), text),), "")
    clean = _cleaned(text)
    found = _AMOUNT.fullmatch(clean)
    if not found:
        return None
    words = [word for part in ("before", "money", "after") if (word := (found[part] or "").strip(" ."))]
    ways = readings(found["body"])
    if found["power"]:
        ways = tuple(way for way in ways if not way.style.thousands)
    if len(words) > 1 or not ways:
        return None
    sign = found["sign"] if found["sign"] == "-" or _PLAIN.fullmatch(clean) else ""
    return _Number(sign, found["body"], found["power"] or "", ways, words[0] if words else "")


def _cleaned(text: str) -> str:
    """Return a text with plain spaces, minus signs, apostrophes and digits instead of those that look alike."""
    return " ".join(text.translate(_ALIKE).translate(_BEYOND_ASCII).split())


def _meant(text: str, one: _Number, style: Style, content: _Content) -> _Meaning | None:
    """Return what a number means in a column; None if it is plain, or is left to the check of its cell."""
    unit = _unit(one.word, content)
    if unit is None:
        return None
    if isinstance(unit, Fault):
        return _Meaning("", "", unit, by_unit=True)
    kind, divisor = unit
    ways = read_by(style, one.ways)
    if content.whole and len(ways) > 1:  # of 1,200 plants 1.2 are not meant; 12.000 may be 12
        ways = tuple(way for way in ways if Decimal(way.number) % 1 == 0)
    if len(ways) != 1:
        first, second = two_numbers(one.body)
        remedy = f"Write {one.sign}{first} or {one.sign}{second}, whichever is meant."
        return _Meaning("", "", Fault("could be read in two ways", remedy))
    read = one.text(ways[0])
    if divisor > 1:
        read = f"{Decimal(read) / divisor:f}"
    if divisor == 100 and Decimal(read) > 1:
        return _Meaning("", "", Fault("more than 100 %", "Write at most 100 %."))
    if not one.word and (read == text or _PLAIN.fullmatch(text)) and not ways[0].style.thousands:
        return None
    if not kind:
        kind = "thousands" if ways[0].style.thousands else COMMA if ways[0].style.decimal == "," else "form"
    return _Meaning(read, kind, by_unit=bool(one.word))


def _unit(word: str, content: _Content) -> tuple[str, int] | Fault | None:
    """Return the kind of a reading and what divides it for the word beside a number; None if it is left as it is."""
    if not word:
        return "", 1
    unit = _SPELT.get(" ".join(word.casefold().split())) or (Unit.MONEY if _codes_of(word) else None)
    if unit is None or not content.unit:
        return None
    if unit == content.unit:
        return (CURRENCY, 1) if unit == Unit.MONEY else ("unit", 100 if unit == Unit.SHARE else 1)
    if (unit, content.unit) == ("days", Unit.WEEKS):
        return "days", 7
    if unit == Unit.SHARE:  # the check of the cell says how to write it
        return None
    return Fault(f"{word!r} is not the unit of this column", f"Write it in {content.unit}, as a number alone.")


def _codes_of(word: str) -> tuple[str, ...]:
    """Return the codes of the currencies that a sign or code may be."""
    code = word.upper()
    return (code,) if code in _CODES else _SIGNS.get(word.casefold(), ())


def _codes(one: _Number | None) -> tuple[str, ...]:
    return _codes_of(one.word) if one else ()


def _several(text: str, style: Style, content: _Content) -> _Meaning | None:
    """Return what one or more numbers in a cell mean; None if they are plain, or are left to the check of the cell.

    A spreadsheet takes several for a text, so a cell has a style of its own; what it leaves open is read by the file's.
    """
    words = [_parts(word) for word in re.sub(r" +%", "%", _cleaned(text)).split()]
    numbers = [word for word in words if word is not None]
    if len(numbers) < len(words):
        return None
    votes = Counter(word.ways[0].style for word in numbers if len(word.ways) == 1)
    own, against = settled(votes)
    meanings = [_meant(word.body, word, own if any(own) else style, content) for word in numbers]
    if against or all(meaning is None for meaning in meanings):
        return None
    faults = [meaning.fault for meaning in meanings if meaning and meaning.fault]
    if faults:
        return _Meaning("", "", faults[0])
    read = " ".join(
        meaning.read if meaning else f"{word.sign}{word.body}{word.power}"
        for meaning, word in zip(meanings, numbers, strict=True)
    )
    return _Meaning(read, "numbers")


# weeks, days, yes and no


def _dates(
    texts: Mapping[str, Counter[str]], contents: Mapping[str, _Content], base: date
) -> dict[str, dict[str, _Meaning]]:
    """Return what the texts of other columns mean; the order of day and month is that of the whole file."""
    odd = {
        column: {text: _cleaned(text).lower() for text in own if _is_odd(text, contents[column].kind)}
        for column, own in texts.items()
    }
    dated = {column: own for column, own in odd.items() if contents[column].kind != "yes"}
    order = order_of(days(clean, base) for own in dated.values() for clean in own.values())
    found = [week_of_year(clean) for own in dated.values() for clean in own.values()]
    by_week = any(one is not None and not one[1] for one in found)
    return {
        column: {
            text: meaning
            for text, clean in own.items()
            if (meaning := _other(clean, contents[column].kind, base, order, by_week=by_week))
        }
        for column, own in odd.items()
    }


def _is_odd(text: str, kind: str) -> bool:
    plain = {"week": _PLAIN_WEEK, "day": _PLAIN_DAY}.get(kind)
    return len(text) <= _LONGEST and not (plain.fullmatch(text) if plain else text in ("yes", "no"))


def _other(clean: str, kind: str, base: date, order: str, *, by_week: bool) -> _Meaning | None:
    if kind == "yes":
        return _Meaning("yes" if clean in _YES else "no", "yes") if clean in _YES | _NO else None
    if kind == "week" and (meaning := _week(clean, by_week=by_week)):
        return meaning
    try:
        ways = {begin: str(Week.of(day) if kind == "week" else day) for begin, day in days(clean, base).items()}
    except Refused:  # a day beyond all weeks
        return None
    either = list(dict.fromkeys(ways.values()))
    if len(either) > 1 and order not in ways:
        remedy = f"Write {' or '.join(either)}{' (year-month-day)' if kind == 'day' else ''}, whichever is meant."
        return _Meaning("", "", Fault("could be read in two ways", remedy))
    return _Meaning(ways[order] if order in ways else either[0], "day") if either else None


def _week(clean: str, *, by_week: bool) -> _Meaning | None:
    """Return the week that a text names."""
    for week in weeks(clean):
        return _Meaning(str(week), "week")
    if found := week_of_year(clean):
        week, monthly = found
        if monthly and not by_week:
            remedy = f"Write {week} if it is the week, or a day of that month."
            return _Meaning("", "", Fault("could be a week or a month", remedy))
        return _Meaning(str(week), "week")
    bare = _BARE_WEEK.fullmatch(clean)
    if bare and 1 <= int(bare[1]) <= 53:
        return _Meaning("", "", Fault(NO_YEAR, "Write it with its year, such as 2027-W14."))
    return None


# columns


@cache
def _contents(kind: type[Row]) -> dict[str, _Content]:
    """Return what the columns of a table hold, of those in which something is understood."""
    found = {}
    for name, cell in kind.model_fields.items():
        parts: list[Any] = [cell.annotation, *cell.metadata]
        for part in parts:  # it grows by what its parts are made of
            parts += get_args(part)
        unit = next((part for part in parts if isinstance(part, Unit)), None)
        if what := _holds(parts):
            found[name] = _Content(what, unit.name if unit else "", unit.only if unit else None, int in parts)
    return found


def _holds(parts: Sequence[Any]) -> str:
    """Return what a column of a type holds, of the parts of that type; an empty text if nothing is understood in it."""
    if any(get_origin(part) is Literal and set(get_args(part)) == {"yes", "no"} for part in parts):
        return "yes"
    for part, what in ((Week, "week"), (date, "day"), (ByCycle, "numbers"), (float, "number"), (int, "number")):
        if any(one is part for one in parts):
            return what
    return ""
