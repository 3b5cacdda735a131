"""What a season says of itself."""

from __future__ import annotations

from collections.abc import Mapping

from forecast.weeks import Week
from forecast.words.numbers import counted, dated

_PARTS = {"orders": "delivery on order", "climate": "row of climate", "cultures": "culture", "divisions": "division"}
_PLURALS = {"orders": "deliveries on order", "climate": "rows of climate"}


def summary(
    *,
    name: str,
    currency: str,
    first_week: Week,
    last_week: Week,
    counts: Mapping[str, int],
    bench: float,
    service_level: float,
    budget: float | None = None,
) -> dict[str, str]:
    """Return what a season holds in one screen: texts by their labels.

    Parameters
    ----------
    name, currency, first_week, last_week
        Its name, currency, and first and last week.
    counts
        Numbers of rows by table, and of groups of varieties, labs, and plants in all targets.
    bench
        Bench area of all places [m²].
    service_level, budget
        Service level [0 to 1], and budget [currency] if there is one.
    """
    parts = [counted(counts[table], noun, _PLURALS.get(table, "")) for table, noun in _PARTS.items() if counts[table]]
    found = {
        "Season": name,
        "Weeks": f"{dated(first_week)} to {dated(last_week)}, {counted(last_week - first_week + 1, 'week')}",
        "Currency": currency,
        "Varieties": f"{counts['varieties']:,} in {counted(counts['groups'], 'group')}",
        "Targets": f"{counts['targets']:,}, for {counted(counts['plants'], 'plant')}",
        "Service level": f"{100 * service_level:g} % unless a target says otherwise",
        "Price list": f"{counted(counts['price_list'], 'line')} from {counted(counts['labs'], 'lab')}",
        "Growing areas": f"{bench:,.0f} m² of bench",
        "Budget": f"{budget:,.0f} {currency}" if budget is not None else "",
        "Also": ", ".join(parts),
    }
    return {label: text for label, text in found.items() if text}
