"""Sentences about a season: how one begins, what it holds, its rates and its weather."""

from __future__ import annotations

import os
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from forecast.weeks import Week
from forecast.words.numbers import counted, dated, figures, percent

_PARTS = {
    "orders": "delivery on order", "on_hand": "batch on hand", "climate": "row of climate", "cultures": "culture",
    "divisions": "division",
}  # fmt: skip
_PLURALS = {"orders": "deliveries on order", "on_hand": "batches on hand", "climate": "rows of climate"}
_MONEY = {
    "budget": "Budget", "overdraft": "Overdraft", "opening_cash": "Opening cash", "fixed_costs": "Fixed costs",
}  # fmt: skip
_NINE_OF_TEN = {
    "season": "9 of 10 seasons", "variety": "9 of 10 varieties", "batch": "9 of 10 batches",
    "cycle": "9 of 10 subcultures", "plant": "9 of 10 plants",
}  # fmt: skip
NO_MEMORY = "Not enough memory; nothing was written. Give fewer simulated seasons (--draws), or close other programs."
_UNDERSTOOD = "Understood as follows; correct what is not meant:"
NO_TIME = "takes no time"
RECORDS = "Records: {records}."
_ONE_WORD = re.compile(r"[\w./\\:~+@-]+")  # for a shell
STAGE = "  {name}: {time}. Survival: {survival}."


def command(name: str, path: str | os.PathLike[str], *options: str) -> str:
    """Return a command to be typed; a path with spaces or marks in it is in quotes, on Windows as elsewhere.

    Examples
    --------
    >>> command("check", "my_season"), command("start", "spring 2027.xlsx", "--with records")
    ('python -m forecast check my_season', 'python -m forecast start "spring 2027.xlsx" --with records')
    """
    return " ".join(["python -m forecast", name, quoted(path), *options])


def quoted(path: str | os.PathLike[str]) -> str:
    """Return a path as an argument."""
    text = os.fspath(path)
    return text if _ONE_WORD.fullmatch(text) else f'"{text}"'


def started(path: Path, *, book: bool = False) -> str:
    """Return what to do with a season that was written to begin with into a folder, or a `book`."""
    first = f"Written to {path}. Fill in your own figures, then: {command('order', path)}"
    if book:
        return first
    return (
        f"{first}\nThe same with charts, and more: jupyter lab {quoted(path / 'notebooks')}, starting with notebook 1."
    )


def added(path: Path, columns: Mapping[str, Sequence[str]], *, book: bool = False) -> str:
    """Return which columns were added to the files, or of a `book` to the sheets, of a season."""
    if not columns:
        return f"The {'sheets' if book else 'tables'} in {path} have these columns already."
    places = {name: f"{path}, sheet {name}" if book else path / name for name in columns}
    return "\n".join(f"Added to {places[name]}: {', '.join(new)}." for name, new in columns.items())


def by_sheets(text: str) -> str:
    """Return a text in which the files of a season are the sheets of a workbook."""
    return re.sub(r"\b([a-z_]+)\.(?:csv|toml)\b", r"the sheet \1", text)


def problems(number: int, *, writes: bool) -> str:
    """Return how many problems were found, and that nothing was written if it else would be."""
    return f"{counted(number, 'problem')} found{'; nothing was written' if writes else ''}."


def checked(
    *, season: str, first: Week, last: Week, currency: str, varieties: int, price_lines: int, targets: int
) -> str:
    """Return what a season without problems holds."""
    return (
        f"{season}: {dated(first)} to {dated(last)}, {currency}.\n"
        f"{counted(varieties, 'variety', 'varieties')}, {counted(price_lines, 'price-list line')}, "
        f"{counted(targets, 'sales target')}. No problems found."
    )


def propagated(*, culture: bool, varieties: Sequence[str]) -> str:
    """Return which varieties are propagated in vitro or by division."""
    return f"{'Propagated in vitro' if culture else 'Divided from stock plants'}: {', '.join(varieties)}."


def summary(
    *,
    name: str,
    currency: str,
    first_week: Week,
    last_week: Week,
    counts: Mapping[str, int],
    bench: float,
    service_level: float,
    money: Mapping[str, float],
) -> dict[str, str]:
    """Return what a season holds in one screen: texts by their labels.

    `counts` are the rows of each table, groups of varieties, labs, and plants in all targets; `bench` is in m².
    `money` are the budget, overdraft, opening cash and fixed costs that are stated [currency].
    """
    parts = [counted(counts[table], noun, _PLURALS.get(table, "")) for table, noun in _PARTS.items() if counts[table]]
    found = {
        "Season": name,
        "Weeks": f"{dated(first_week)} to {dated(last_week)}, {counted(last_week - first_week + 1, 'week')}",
        "Currency": currency,
        "Varieties": f"{counts['varieties']:,} in {counted(counts['groups'], 'group')}",
        "Targets": f"{counts['targets']:,}, for {counted(counts['plants'], 'plant')}",
        "Service level": f"{figures(100 * service_level, 6)} % unless a target says otherwise",
        "Price list": f"{counted(counts['price_list'], 'line')} from {counted(counts['labs'], 'lab')}",
        "Growing areas": f"{bench:,.0f} m² of bench",
        **{_MONEY[name]: f"{amount:,.0f} {currency}" for name, amount in money.items()},
        "Also": ", ".join(parts),
    }
    return {label: text for label, text in found.items() if text}


def odd(lines: str, number: int) -> str:
    """Return that so many entries of tables may be slips, with a line for each."""
    may, them = ("may be a slip", "it") if number == 1 else ("may be slips", "them")
    return f"{counted(number, 'entry', 'entries')} {may}; check {them}:\n{lines}"


def understood(cells: Iterable[tuple[str, str, str, str, str, int]]) -> str:
    """Return what was read as something plainer than is written, a line for each column and kind.

    `cells` are table, column (empty for a whole table), kind, a text, what it was read as, and the number of cells.
    """
    first: dict[tuple[str, str, str], tuple[str, str]] = {}
    numbers: Counter[tuple[str, str, str]] = Counter()
    for table, column, kind, written, read, number in cells:
        first.setdefault((table, column, kind), (written, read))
        numbers[table, column, kind] += number
    lines = [_UNDERSTOOD]
    for key, (written, read) in first.items():
        table, column, kind = key
        if not column:
            lines.append(f"numbers in {table} have a {kind}")
            continue
        row = f"{table}, {column}" if numbers[key] == 1 and table == "season.toml" else f"{table}, column {column}"
        lines.append(f"{row}: {written} read as {read}, {counted(numbers[key], 'cell')}")
    return "\n".join(lines)


def _range(varies_by: str, low: str, high: str, *, doubted: bool) -> str:
    if varies_by == "belief":
        return f"the true value lies between {low} and {high} (90 % sure)"
    doubt = ", doubt included" if doubted else ""
    return f"between {low} and {high} in {_NINE_OF_TEN[varies_by]}{doubt}"


def share(*, mean: float, p5: float, p95: float, varies_by: str, doubted: bool = False) -> str:
    """Return a share [0 to 1] with its range; `varies_by` is a level, `doubted` whether it holds belief too."""
    if p5 == p95:
        return f"{percent(mean)} % in every batch (no variation entered)"
    return f"{percent(mean)} % on average; {_range(varies_by, percent(p5), f'{percent(p95)} %', doubted=doubted)}"


def duration(*, median: float, unit: str, p5: float, p95: float, varies_by: str, doubted: bool = False) -> str:
    """Return a time [unit] with the range of its medians."""
    text = f"{figures(median)} {unit}"
    low, high = (figures(end, 2) if end < 99.5 else f"{end:.0f}" for end in (p5, p95))
    return text if p5 == p95 else f"{text}; {_range(varies_by, low, high, doubted=doubted)}"


def amount(*, p5: float, median: float, p95: float) -> str:
    """Return an amount with its range."""
    return f"about {figures(median)} (90 % range {figures(p5)} to {figures(p95)})"


def climate(*, t_min: Sequence[float], t_max: Sequence[float], by: str, within: float) -> str:
    """Return the range of normals [°C] `by` month or week, and how far 9 of 10 years lie from them."""
    low, high = (f"{min(column):.1f} to {max(column):.1f} °C" for column in (t_min, t_max))
    years = (
        f"in 9 of 10 years a {by} is within {figures(within, 2)} °C of normal" if within else "every year is the same"
    )
    return f"Climate normals by {by}: minima {low}, maxima {high}; {years}."


def thermal_time(*, degree_days: float, base: float) -> str:
    """Return thermal time [°C days] with its base temperature [°C]."""
    return f"{figures(degree_days)} degree-days above {figures(base)} °C"


def base_below_freezing(*, base: float, rates: int, coldest: float, warmest: float) -> str:
    """Return the warning that rates at temperatures [°C] give a base temperature below 0 °C."""
    between = f"{figures(coldest, 6)} to {figures(warmest, 6)} °C"
    return (
        f"The base temperature comes out at {figures(base)} °C, below freezing: {rates} rates at {between} "
        "are too few, or do not lie on a line. Time the stage at a cooler temperature, or enter a base temperature."
    )
