"""Numbers as a grower would say them."""

from __future__ import annotations

import math
from datetime import date

from forecast.rounding import round_up
from forecast.weeks import Week

TOO_LITTLE = "too little to be seen"
_MOST_PLACES = 12
_CENT = 0.005
_RARE = 5e-4  # a smaller share is not given a number
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def rounded(number: float) -> str:
    """Write a number to the two or three figures that draws support: 1,153 as 1,150."""
    step = _step(number)
    return f"{round(number / step) * step:,}"


def needed(number: float) -> str:
    """Write what is needed likewise, but never less than that: 1,153 as 1,200."""
    step = _step(number)
    return f"{round_up(number / step) * step:,}"


def cash(amount: float, currency: str = "") -> str:
    """Write the lowest cash: below 0 it is money that is needed, so that -1,153 is -1,200."""
    text = f"-{needed(-amount)}" if amount < 0 else rounded(amount)
    return f"{text} {currency}".rstrip()


def _step(number: float) -> int:
    return int(10 ** max(int(math.log10(max(number, 1))) - 1, 0) // 2 or 1)


def signed(amount: float) -> str:
    """Write a number that may be below 0 likewise: -1,153 as -1,150, and -0.2 as 0."""
    text = rounded(abs(amount))
    return f"-{text}" if amount < 0 and text != "0" else text


def money(amount: float, currency: str) -> str:
    """Write an amount of money to the figures that draws support, such as -1,150 EUR."""
    return f"{signed(amount)} {currency}"


def figures(number: float, most: int = 3) -> str:
    """Write a number to so many figures, all those before the decimal point, and without a power of ten.

    >>> figures(2_240), figures(50_000), figures(12.34), figures(0.0123), figures(0.9995, 6)
    ('2,240', '50,000', '12.3', '0.0123', '0.9995')
    """
    if not math.isfinite(number):
        return str(number)
    before = math.floor(math.log10(abs(number))) + 1 if number else 1
    places = min(max(most - before, 0), _MOST_PLACES)
    text = f"{number:,.{places}f}"
    text = text.rstrip("0").rstrip(".") if places else text
    return "0" if text == "-0" else text


def apart(difference: float, error: float = 0.0) -> bool:
    """Return whether a difference is larger than twice its standard error, and does not round to 0."""
    return abs(difference) > 2 * error and rounded(abs(difference)) != "0"


def at_most(number: float) -> str:
    """Write a number of plants that is the most there are: no more than 1,150, or none."""
    text = rounded(number)
    return "none" if text == "0" else f"no more than {text}"


def more_or_less(amount: float, currency: str, *, same: str = "as much") -> str:
    """Return a difference in money: 1,200 EUR more, 1,200 EUR less, or as much."""
    if not apart(amount):
        return same
    return f"{money(abs(amount), currency)} {'more' if amount > 0 else 'less'}"


def unit_worth(amount: float, *, error: float, available: float, gap: float, currency: str) -> str:
    """Write what one more unit of a limit is worth, as far as that is known: 1.20 EUR; or that it is too little to see.

    It is if it is no larger than twice its standard error, or if all that is available of the limit would be worth no
    more than the gap, how much better another plan can be [currency].
    """
    seen = amount >= max(_CENT, 2 * error) and apart(amount * available, gap / 2)
    return f"{known(amount, max(error, _CENT))} {currency}" if seen else TOO_LITTLE


def to_known(number: float, error: float, *, bound: bool = False) -> float:
    """Round a number to the place of the first figure of its error, at least to a hundredth; an upper bound is raised.

    >>> to_known(15_523.4, 41), to_known(0.228, 0.1, bound=True)
    (15520.0, 0.3)
    """
    place = _place(error)
    steps = number * 10.0**-place
    return round((round_up(steps) if bound else round(steps)) * 10.0**place, max(-place, 0))


def known(number: float, error: float, *, bound: bool = False) -> str:
    """Write a number to the place of the first figure of its error: 15,523 ± 41 as 15,520; an upper bound is raised."""
    return f"{to_known(number, error, bound=bound):,.{max(-_place(error), 0)}f}"


def _place(error: float) -> int:
    """Return the power of ten of the first figure of an error, at least that of a hundredth."""
    return max(math.floor(math.log10(error)), -2) if error > 0 else -2


def range_90(low: str, high: str) -> str:
    """Write a 90 % range in brackets after a number; nothing if it is that number alone.

    >>> range_90("120", "155"), range_90("6", "6")
    (' (90 % range 120 to 155)', '')
    """
    return "" if low == high else f" (90 % range {low} to {high})"


def counted(number: int, noun: str, plural: str = "") -> str:
    """Write a number of things: 1 cycle, 1,200 cycles; 2 varieties if the plural is given."""
    return f"{number:,} {noun if number == 1 else plural or noun + 's'}"


def seasons(chance: float, to: float | None = None) -> str:
    """Return a chance as a number of seasons, or a range of chances.

    >>> seasons(0.9124), seasons(0.82, 0.95)
    ('about 18 of 20 simulated seasons', '16 to 19 of 20 simulated seasons')
    """
    low, high = of_20(chance), of_20(chance if to is None else to)
    if low != high:
        both = low.endswith(_OF_20) and high.endswith(_OF_20)
        return f"{low.removesuffix(_OF_20) if both else low} to {high} simulated seasons"
    if chance in (0, 1):
        return "every simulated season" if chance else "no simulated season"
    exact = any(math.isclose(of * chance, round(of * chance)) for of in ((20,) if low.endswith(_OF_20) else (1000,)))
    if exact or "than" in low:
        return f"{low} simulated seasons"
    return f"{low.replace('all but ', 'all but about ') if 'all but' in low else f'about {low}'} simulated seasons"


_OF_20 = " of 20"


def of_20(chance: float) -> str:
    """Write a chance as so many of 20 seasons; close to 0 or 1, as so many of 1,000.

    >>> of_20(0.9), of_20(0.004), of_20(0.984), of_20(0.9999), of_20(1.0), of_20(0.0)
    ('18 of 20', '4 of 1,000', 'all but 16 of 1,000', 'all but 1 of 1,000', 'all', 'none')
    """
    number = round(20 * chance)
    if 0 < number < 20:
        return f"{number} of 20"
    rest = 1 - chance if number else chance
    few = f"{max(round(1000 * rest), 1)} of 1,000" if rest >= _RARE or number else "fewer than 1 of 1,000"
    if number:
        return f"all but {few}" if rest else "all"
    return few if rest else "none"


def of_100(chance: float) -> str:
    """Return a chance as a number of seasons where small differences matter: about 91 of 100 simulated seasons."""
    number = round(100 * chance)
    if number == 0:
        return "no simulated season" if chance == 0 else "fewer than 1 of 100 simulated seasons"
    if number == 100:
        return "every simulated season" if chance == 1 else "more than 99 of 100 simulated seasons"
    about = "" if math.isclose(100 * chance, number) else "about "
    return f"{about}{number} of 100 simulated seasons"


def met(target: int, chance: float, buyers: str = "", *, share: float = 1) -> str:
    """Return how often a target, or a share of it, is met; `buyers` says who buys, and when.

    >>> met(800, 0.9)
    'The target of 800 is met in 18 of 20 simulated seasons'
    >>> met(800, 0.9, share=0.85)
    '85 % of the target of 800 is met in 18 of 20 simulated seasons'
    """
    what = "The target" if share == 1 or math.isnan(share) else f"{percent(share)} % of the target"
    return f"{what} of {target:,}{buyers} is met in {seasons(chance)}"


def whose(variety: str, channel: str) -> str:
    """Return a variety, with the channel of a target that names one: Hosta 'First', retail."""
    return f"{variety}, {channel}" if channel else variety


def dated(week: Week | str) -> str:
    """Return a week with the day of its Monday: 2027-W41 as 11 Oct 2027 (2027-W41)."""
    return f"{day(Week.parse(week).monday)} ({week})"


def span(first: Week | str, last: Week | str | None = None) -> str:
    """Return one week as `dated` does, or several.

    >>> span("2027-W36", "2027-W42"), span("2027-W49", "2028-W03")
    ('6 Sep to 18 Oct 2027 (W36 to W42)', '6 Dec 2027 to 17 Jan 2028 (2027-W49 to 2028-W03)')
    """
    start, end = Week.parse(first), Week.parse(first if last is None else last)
    if start == end:
        return dated(start)
    begins, ends = day(start.monday), day(end.monday)
    (year, week), (other, last_week) = (str(one).split("-") for one in (start, end))
    if year == other:
        return f"{begins.removesuffix(f' {year}')} to {ends} ({week} to {last_week})"
    return f"{begins} to {ends} ({start} to {end})"


def day(of: date) -> str:
    """Write a day: 11 Oct 2027."""
    return f"{of.day} {_MONTHS[of.month - 1]} {of.year}"


def percent(share: float) -> str:
    """Write a share as a percentage, with a decimal where it is close to 0 or 100, and 100 only if it is all."""
    if 0 < share < _RARE:
        return "under 0.1"
    if 1 - _RARE < share < 1:
        return "over 99.9"
    return f"{100 * share:.0f}" if 0.01 <= share <= 0.985 else figures(100 * share)
