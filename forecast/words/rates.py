"""Sentences about rates and weather: shares, times, amounts, climates and thermal time."""

from __future__ import annotations

from collections.abc import Sequence

from forecast.words.numbers import percent

_NINE_OF_TEN = {
    "season": "9 of 10 seasons", "variety": "9 of 10 varieties", "batch": "9 of 10 batches",
    "cycle": "9 of 10 subcultures", "plant": "9 of 10 plants",
}  # fmt: skip


def _range(varies_by: str, low: str, high: str) -> str:
    if varies_by == "belief":
        return f"the true value lies between {low} and {high} (90 % sure)"
    return f"between {low} and {high} in {_NINE_OF_TEN[varies_by]}"


def share(*, mean: float, p5: float, p95: float, varies_by: str) -> str:
    """Return a share [0 to 1] with its range; `varies_by` is the word of a level."""
    if p5 == p95:
        return f"{percent(mean)} % in every batch (no variation entered)"
    return f"{percent(mean)} % on average; {_range(varies_by, percent(p5), f'{percent(p95)} %')}"


def duration(*, median: float, unit: str, p5: float, p95: float, varies_by: str) -> str:
    """Return a time [unit] with the range of its medians."""
    text = f"{median:.3g} {unit}"
    low, high = (f"{end:.2g}" if end < 99.5 else f"{end:.0f}" for end in (p5, p95))
    return text if p5 == p95 else f"{text}; {_range(varies_by, low, high)}"


def amount(*, p5: float, median: float, p95: float) -> str:
    """Return an amount with its range."""
    return f"about {median:.3g} (90 % range {p5:.3g} to {p95:.3g})"


def climate(*, t_min: Sequence[float], t_max: Sequence[float], by: str, within: float) -> str:
    """Return the range of normals [°C] `by` month or week, and how far nine years in ten lie from them."""
    low, high = (f"{min(column):.1f} to {max(column):.1f} °C" for column in (t_min, t_max))
    years = f"in 9 of 10 years a {by} is within {within:.2g} °C of normal" if within else "every year is the same"
    return f"Climate normals by {by}: minima {low}, maxima {high}; {years}."


def thermal_time(*, degree_days: float, base: float) -> str:
    """Return thermal time [°C days] with its base temperature [°C]."""
    return f"{degree_days:.3g} degree-days above {base:.3g} °C"


def base_below_freezing(*, base: float, rates: int, coldest: float, warmest: float) -> str:
    """Return the warning that rates at temperatures [°C] give a base temperature below 0 °C."""
    return (
        f"The base temperature comes out at {base:.3g} °C, below freezing: {rates} rates at {coldest:g} to {warmest:g} "
        "°C are too few, or do not lie on a line. Time the stage at a cooler temperature, or enter a base temperature."
    )
