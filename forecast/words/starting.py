"""Sentences and questions of the way in: what is asked, what was assumed, and what comes next."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from forecast.weeks import Week
from forecast.words.numbers import counted, dated, figures, money, percent

CROPS = "Which crops do you grow? Names with commas between them"
CLIMATE = "Where? A city near you, or your latitude, such as -27.5 in the south"
CURRENCY = "Currency, in three letters"
LABS = "Which labs do you buy from? Names with commas between them"
PLANTS = "What do they send? {forms}"
BENCH = "How many m² of bench under cover? Leave it empty if space is no concern"
SEE_LIST = "See the list: python -m forecast start --list"
ASSUMED = "Assumed until you change it:"
GROWING = "costs nothing beside the plantlets until you say what it does: --with costs"
HOUSE_NOTE = "judgement: write your own area and temperature"
SHADE_NOTE = "judgement: write your own area"


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


def filled(folder: Path, *, columns: int, assumed: Sequence[tuple[str, str]]) -> str:
    """Return what to fill in, what was assumed, and what to do then."""
    width = max(len(what) for what, _ in assumed)
    lines = [f"  {what:{width}}  {value}" for what, value in assumed]
    return "\n".join(
        [
            f"Written to {folder}. Replace the examples in three tables, {counted(columns, 'column')} in all:",
            "  varieties.csv, price_list.csv and targets.csv.",
            f"Then: python -m forecast check {folder}",
            f"      python -m forecast order {folder}",
            "",
            ASSUMED,
            *lines,
        ]
    )
