"""Whether two outputs say the same, but for the last printed digit of a number that another processor rounds otherwise.

A number printed with decimals or with a thousands separator was rounded: its last digit may differ by one. Whole
numbers without either are counts, weeks and years: they are the same, as is everything that is no number.
"""

import re
from collections.abc import Sequence
from decimal import Decimal
from typing import Any

_NUMBER = re.compile(r"(?<![\w.,])[-+]?(?:\d{1,3}(?:,\d{3})+|\d+)(?:\.\d+)?(?:e[-+]?\d+)?(?![\w-]|[.,]\d)")


def near(found: Any, stored: Any) -> bool:
    """Whether two outputs, texts or what JSON holds, are the same but for last printed digits."""
    if isinstance(found, dict) and isinstance(stored, dict):
        return found.keys() == stored.keys() and all(near(found[key], stored[key]) for key in stored)
    if isinstance(found, list) and isinstance(stored, list):
        return len(found) == len(stored) and all(map(near, found, stored))
    if isinstance(found, str) and isinstance(stored, str):
        return _between(found) == _between(stored) and numbers_near(_NUMBER.findall(found), _NUMBER.findall(stored))
    if {type(found), type(stored)} <= {int, float}:
        return numbers_near([repr(found)], [repr(stored)])
    return type(found) is type(stored) and found == stored


def as_stored(found: Any, stored: Any) -> Any:
    """Return an output with all that is near the stored one as it is stored."""
    if isinstance(found, dict) and isinstance(stored, dict):
        return type(found)((key, as_stored(found[key], stored.get(key))) for key in found)
    if isinstance(found, list) and isinstance(stored, list) and len(found) == len(stored):
        return list(map(as_stored, found, stored))
    return stored if near(found, stored) else found


def numbers_near(found: Sequence[str], stored: Sequence[str]) -> bool:
    """Whether printed numbers are as many as others, and each is its other but for the last digit."""
    return len(found) == len(stored) and all(map(_number_near, found, stored))


def _number_near(found: str, stored: str) -> bool:
    """Whether two printed numbers are the same, or differ by one in the last place that either prints."""
    if found == stored:
        return True
    if not any(sign in number for number in (found, stored) for sign in ".,e"):
        return False
    one, other = (Decimal(number.replace(",", "")) for number in (found, stored))
    if not (one.is_finite() and other.is_finite()):
        return False
    last = min(int(number.as_tuple().exponent) for number in (one, other))
    return abs(one - other) <= Decimal(1).scaleb(last)


def _between(text: str) -> str:
    """Return a text with a sign in place of each number."""
    return _NUMBER.sub("\0", text)
