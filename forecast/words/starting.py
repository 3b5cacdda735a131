"""Sentences and questions of the way in: what is asked, what was assumed, and what comes next."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from forecast.weeks import Week
from forecast.words.numbers import counted, dated, figures, money, percent
from forecast.words.seasons import by_sheets, command

CROPS = "Which crops do you grow? Names with commas between them"
CLIMATE = "Where? A city near you, or your latitude, such as -27.5 in the south"
CURRENCY = "Currency, in three letters"
LABS = "Which labs do you buy from? Names with commas between them"
PLANTS = "What do they send? {forms}"
BENCH = "How many m² of bench under cover? Leave it empty if space is no concern"
SEE_LIST = "See the list: python -m forecast start --list"
ADDED = {
    "ranges": "demand as a range instead of one number",
    "windows": "sales over several weeks, with a profile and a last price",
    "channels": "retail, wholesale or other buyers, each with a price",
    "promises": "numbers that must be there, penalties, buyers who wait",
    "terms": "trays, price breaks, deposits, boxes and freight",
    "leftovers": "what is left over: a markdown price and its buyers",
    "costs": "pots and work of each stage",
    "stages": "spreads, levels and sources of each stage",
    "orders": "orders of your own, for order --mine",
    "stock": "plants that are there already",
    "records": "deliveries and counts, for today and learn",
    "cultures": "multiplication from explants in your own lab",
    "divisions": "stock plants that you divide",
}
"""What `start` adds by each name, for its help."""
HELP = "names of --with, which may be repeated:\n{names}\n\nexamples:\n{examples}"
EXAMPLES = (
    'start my_season --crops "ferns, agaves" --climate perth',
    "start my_season.xlsx --crops hostas --climate dublin",
    "start my_season --with promises --with costs",
)
ASSUMED = "Assumed until you change it:"
PLACE_NOTE = "judgement: write your own area, temperature and cost"


def help_of_start() -> str:
    """Return what ends the help of ``start``: the names of `ADDED`, and examples."""
    names = "\n".join(f"  {name:10}  {what}" for name, what in ADDED.items())
    return HELP.format(names=names, examples="\n".join(f"  python -m forecast {one}" for one in EXAMPLES))


def any_of(names: Iterable[str]) -> str:
    """Return names as a choice: a, b or c."""
    *first, last = names
    return f"{', '.join(first)} or {last}" if first else last


def crop(
    *, survival: float, low: float | None, high: float | None, basis: str, weeks: float, least: float | None,
    most: float | None, grade: str,
) -> str:  # fmt: skip
    """Return what was assumed of a crop."""
    batches = f" ({percent(low)} to {percent(high)} in 9 of 10 batches)" if low and high else ""
    times = f" ({figures(least)} to {figures(most)})" if least and most else ""
    return (
        f"{percent(survival)} % live through acclimatisation{batches}, {basis}; "
        f"{figures(weeks)} weeks to sale{times}, {grade}"
    )


def climate(*, name: str, country: str, latitude: float) -> str:
    """Return which climate was assumed."""
    return f"{name}, {country}, {abs(latitude):.0f}° {'S' if latitude < 0 else 'N'}, 1991-2020"


def house(*, held_above: float | None, bench: float | None) -> str:
    """Return what was assumed of the house."""
    space = "space for any number" if bench is None else f"{figures(bench)} m² of bench"
    return f"never below {figures(held_above or 0.0)} °C; {space}"


def growing(*, bench: float, currency: str) -> str:
    """Return what growing was assumed to cost."""
    return f"a m² of bench under cover costs {bench:.2f} {currency} a week; pots and work nothing yet: --with costs"


def labs(*, plants: str, lead_weeks: int) -> str:
    """Return what was assumed of labs."""
    return f"send {plants} {lead_weeks} weeks after the order or later, in any number"


def prices(*, bought: float, sold: float, currency: str) -> str:
    """Return which prices the examples have."""
    return f"a plantlet costs {bought:.2f} {currency} and a plant sells for {sold:.2f}: examples"


def sales(*, number: int, weeks: Sequence[Week]) -> str:
    """Return what the examples sell."""
    return f"{number:,} of each in the spring, {' or '.join(dated(week) for week in weeks)}: examples"


def certainty(*, level: float, gain: float, currency: str) -> str:
    """Return how sure orders are to be, and when a delivery is split."""
    split = f"a delivery is split where that adds {money(gain, currency)} or more"
    return f"{percent(level)} % sure where nothing else decides; {split}"


def filled(
    folder: Path, *, tables: Sequence[str], columns: int, assumed: Sequence[tuple[str, str]], book: bool = False
) -> str:
    """Return what to fill in, what was assumed, and what to do then; `book` says that it is a workbook."""
    names = tables if book else [f"{table}.csv" for table in tables]
    width = max(len(what) for what, _ in assumed)
    lines = [f"  {what:{width}}  {value}" for what, value in assumed]
    return "\n".join(
        [
            f"Written to {folder}. Replace the examples in three {'sheets' if book else 'tables'}, "
            f"{counted(columns, 'column')} in all:",
            f"  {any_of(names).replace(' or ', ' and ')}.",
            f"Then: {command('check', folder)}",
            f"      {command('order', folder)}",
            "",
            ASSUMED,
            *lines,
        ]
    )


# In a workbook

START_HERE = "start here"
LISTS = "What there is to choose from on the other sheets. Add a lab, a group or a stage at the end of its column."
NOTE = "Anything worth remembering. It changes no number."
WEEKS = "A week such as 2027-W41. The sheet lists has the Monday of each week."
SHARE = "A share: 0.85 or 85 %."
LEVELS = "What it varies by: one of the words, or shares that add to 1, such as season 0.3 variety 0.2 batch 0.5."
SUCH_AS = {"Week": "such as 2027-W41", "date": "such as 2027-04-13"}
_HOW = (
    "Point at a heading to read what it means. Rows that begin with # are comments. Colours, notes, more sheets and "
    "formulas are yours: they stay as they are."
)


def heading(column: str, meaning: str, *, accepted: str, default: str, if_empty: str) -> str:
    """Return the note on a heading: its column, what it means, and what may be written."""
    lines = [column, by_sheets(meaning)]
    if accepted != "text":
        lines.append(accepts(accepted))
    if if_empty == "required":
        lines.append("Required.")
    elif if_empty:
        lines.append(f"Empty: {default if if_empty == 'the default' else if_empty}.")
    return "\n".join(lines)


def accepts(accepted: str) -> str:
    """Return what a cell accepts, as a sentence."""
    return f"Write {'a ' if accepted.startswith('whole') else ''}{accepted}."


def not_listed(sheet: str, column: str) -> str:
    """Return that a name is not among those to choose from."""
    return f"There is no {column} of this name on the sheet {sheet}. Add it there first, or keep it and add it later."


def one_row(summary: str) -> str:
    """Return what a row of a table is."""
    return f"One row is {summary[0].lower()}{summary[1:]}"


def start_here(
    name: str, *, columns: int, tables: Sequence[str], additions: Iterable[str], assumed: Sequence[tuple[str, str]]
) -> list[tuple[str, str]]:
    """Return the lines of the first sheet of a workbook: what to fill in, what comes then, and what was assumed."""
    lines = [
        ("Start here", ""),
        ("", ""),
        (
            "Fill in",
            f"{any_of(tables).replace(' or ', ' and ')}: replace the examples, {counted(columns, 'column')} in all.",
        ),
        ("Then", command("check", name)),
        ("", command("order", name)),
        ("Headings", _HOW),
        ("More", f"{command('start', name, '--with NAME')} adds {any_of(additions)}."),
    ]
    return [*lines, ("", ""), (ASSUMED, ""), *assumed] if assumed else lines
