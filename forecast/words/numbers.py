"""Numbers as a grower would say them."""

from __future__ import annotations

import math


def rounded(number: float) -> str:
    """Write a number to the two or three figures that draws support: 1,153 as 1,150."""
    step = 10 ** max(int(math.log10(max(number, 1))) - 1, 0) // 2 or 1
    return f"{round(number / step) * step:,}"


def signed(amount: float) -> str:
    """Write a number that may be below 0 likewise: -1,153 as -1,150, and -0.2 as 0."""
    text = rounded(abs(amount))
    return f"-{text}" if amount < 0 and text != "0" else text


def money(amount: float, currency: str) -> str:
    """Write an amount of money to the figures that draws support, such as -1,150 EUR."""
    return f"{signed(amount)} {currency}"


def counted(number: int, noun: str) -> str:
    """Write a number of things: 1 cycle, 1,200 cycles."""
    return f"{number:,} {noun}{'' if number == 1 else 's'}"


def seasons(chance: float) -> str:
    """Write a chance as a number of seasons: 0.9124 as about 91 seasons in 100."""
    number = round(100 * chance)
    if number == 0:
        return "no season in 100" if chance == 0 else "fewer than 1 season in 100"
    if number == 100:
        return "every season" if chance == 1 else "more than 99 seasons in 100"
    return f"about {number} season{'s' if number > 1 else ''} in 100"


def percent(share: float) -> str:
    """Write a share as a percentage, with a decimal where it is close to 0 or 100."""
    return f"{100 * share:.0f}" if 0.01 <= share <= 0.985 else f"{100 * share:.3g}"
