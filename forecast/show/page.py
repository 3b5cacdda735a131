"""The season's order on one page: HTML that needs nothing else, to open, print or send."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from html import escape
from importlib.metadata import version

import pandas as pd
import vl_convert

from forecast.decisions.order import Orders
from forecast.decisions.space import BenchSpace
from forecast.growth.outcome import Outcome
from forecast.season.plan import Season
from forecast.show import charts
from forecast.words import rounded, seasons

CAUTIONS = (
    "A planning aid, not advice. Where somebody is licensed to decide, they decide.",
    "Check plant-health and import rules before buying: phytosanitary certificate, plant passport, quarantine.",
    "Buying a plantlet is not permission to multiply it: check the breeder's right and licence of a variety first.",
    "Follow product labels and local codes for fungicides, disinfectants, flames and ethanol at the bench; rules on "
    "work in heat, on lifting and on lighting are local.",
    "At the sterile bench, ethanol near a flame catches fire, and hypochlorite burns skin and gives off chlorine with "
    "acids: learn the work from somebody who knows it, and keep to local rules.",
    "Money figures are estimates, not accounts.",
)

_STYLE = """
body { font: 16px/1.5 system-ui, sans-serif; color: #222; max-width: 52rem; margin: 2rem auto; padding: 0 1rem; }
h1 { font-size: 1.6rem; } h2 { font-size: 1.2rem; margin-top: 2rem; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; font-size: 0.85rem; }
caption { text-align: left; color: #555; padding-bottom: 0.4rem; }
th, td { padding: 0.3rem 0.5rem; border-bottom: 1px solid #ccc; text-align: left; }
td { white-space: nowrap; }
td.number, th.number { text-align: right; font-variant-numeric: tabular-nums; }
figure { margin: 1rem 0; } figure svg { max-width: 100%; height: auto; }
footer { color: #555; font-size: 0.85rem; margin-top: 2rem; }
@media print { figure { break-inside: avoid; } body { margin: 0; } }
"""


def order_page(
    season: Season,
    orders: Orders,
    outcome: Outcome,
    space: BenchSpace,
    *,
    progress: Callable[[int, int], None] | None = None,
) -> str:
    """Write the season's orders as one HTML page with its charts.

    Parameters
    ----------
    season, orders, outcome, space
        The season, its orders, what comes of them, and the bench space they take.
    progress
        Called with the number of charts drawn and their total.

    Returns
    -------
    str
        The page. It asks for nothing from outside and runs no script; text from files is escaped.
    """
    drawn = [
        *(charts.order_curve(order) for order in orders),
        *(charts.saleable(outcome, variety) for variety in outcome.varieties),
        *(charts.bench(space, place) for place in season.place_names),
    ]
    figures = []
    for number, chart in enumerate(drawn, start=1):
        figures.append(_figure(chart))
        if progress:
            progress(number, len(drawn))
    places = len(season.place_names)
    curves, fans, benches = figures[: len(orders)], figures[len(orders) : -places], figures[-places:]
    total = sum(order.cost for order in orders)
    purchase = sum(order.purchase for order in orders)
    summary = [
        f"{sum(order.quantity for order in orders):,} plantlets in {len(orders)} orders: about {rounded(purchase)} "
        f"{season.currency} for plants and freight, about {rounded(total)} with growing, until the weeks wanted."
    ]
    if season.budget is not None and total > season.budget:
        summary.append(f"With growing, that is more than the budget of {rounded(season.budget)} {season.currency}.")
    summary.append(f"Everything that is wanted is there in {seasons(outcome.chance_of_all())}.")
    body = [
        f"<h1>{escape(season.name)}: what to order</h1>",
        *(f"<p>{escape(line)}</p>" for line in (*summary, *map(str, orders.unmet), *str(space).splitlines())),
        _table(
            order_table(orders), f"Orders. Cost in {season.currency}. A chance is a share of {outcome.draws:,} draws."
        ),
        "<h2>Does it fit</h2>",
        *benches,
        "<h2>What comes of it</h2>",
        *fans,
        "<h2>How much is enough</h2>",
        *curves,
        "<h2>Please note</h2>",
        f"<ul>{''.join(f'<li>{escape(line)}</li>' for line in CAUTIONS)}</ul>",
        f"<footer>forecast {version('forecast')}, {outcome.draws:,} draws, seed {outcome.seed}, "
        f"written {date.today().isoformat()}.</footer>",
    ]
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(season.name)}: what to order</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n"
        + "\n".join(body)
        + "\n</body>\n</html>\n"
    )


def order_table(orders: Orders) -> pd.DataFrame:
    """Give the orders as a table for eyes: rounded, with the words of the trade as headers."""
    rows = [
        {
            "variety": order.variety,
            "lab": order.lab,
            "delivery": str(order.week),
            "order": f"{order.quantity:,}",
            "wanted": f"{order.wanted:,}",
            "by": str(order.by),
            "chance": f"{100 * order.chance:.0f} %",
            "from the mean": f"{order.from_mean:,}",
            "its chance": f"{100 * order.chance_from_mean:.0f} %",
            "cost": f"{order.cost:,.0f}",
        }
        for order in orders
    ]
    columns = ["variety", "lab", "delivery", "order", "wanted", "by", "chance", "from the mean", "its chance", "cost"]
    return pd.DataFrame(rows, columns=columns)


def _table(table: pd.DataFrame, caption: str) -> str:
    def row(cells: Sequence[str], tag: str) -> str:
        classes = ['class="number"' if name in _NUMBERS else "" for name in table.columns]
        scope = ' scope="col"' if tag == "th" else ""
        parts = [f"<{tag}{scope} {kind}>{escape(str(cell))}</{tag}>" for cell, kind in zip(cells, classes, strict=True)]
        return f"<tr>{''.join(parts)}</tr>".replace(" >", ">")

    body = "".join(row([str(cell) for cell in cells], "td") for cells in table.itertuples(index=False))
    head = row([str(name) for name in table.columns], "th")
    inside = f"<caption>{escape(caption)}</caption><thead>{head}</thead><tbody>{body}</tbody>"
    return f'<div class="wide"><table>{inside}</table></div>'


_NUMBERS = {"order", "wanted", "chance", "from the mean", "its chance", "cost"}


def _figure(chart: charts.Chart) -> str:
    spec = chart.to_dict()
    return f'<figure aria-label="{escape(spec["description"])}">{vl_convert.vegalite_to_svg(spec)}</figure>'
