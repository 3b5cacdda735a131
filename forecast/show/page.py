"""The parts of an HTML page that needs nothing else, to open, print or send."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from html import escape
from typing import Any

import pandas as pd
import vl_convert

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

_ON_ONE_PAGE = 15  # rows of a table that is not parted between pages
_ALLOWED = "default-src 'none'; style-src 'unsafe-inline'"  # so a browser refuses scripts, and what lies outside

_STYLE = """
@page { margin: 14mm; }
* { box-sizing: border-box; }
html { font-size: 15px; }
body { font: 1rem/1.42 system-ui, sans-serif; color: #222; background: #fff; max-width: 60rem; margin: 1.5rem auto;
  padding: 0 1rem; overflow-wrap: break-word; }
h1 { font-size: 1.6rem; margin: 0 0 0.6rem; } h2 { font-size: 1.25rem; margin: 2rem 0 0.5rem; }
h3 { font-size: 1rem; margin: 1.2rem 0 0.3rem; }
p, ul, dl { margin: 0.4rem 0; } ul { padding-left: 1.2rem; }
dl { display: grid; grid-template-columns: 7rem 1fr; gap: 0.35rem 1rem; }
dt { font-weight: 600; } dd { margin: 0; } dd p { margin: 0; } dd ul { margin: 0; }
table { border-collapse: collapse; width: 100%; font-size: 0.85rem; margin: 0.8rem 0; }
caption { text-align: left; color: #555; padding-bottom: 0.4rem; }
th, td { padding: 0.25rem 0.5rem; border-bottom: 1px solid #ccc; text-align: left; vertical-align: top; }
tbody th { font-weight: 400; }
.number { text-align: right; font-variant-numeric: tabular-nums; } .number, .short { white-space: nowrap; }
.wide { overflow-x: auto; }
figure { margin: 1rem 0; } figure svg { display: block; max-width: 100%; height: auto; }
figcaption { margin-top: 0.2rem; font-size: 0.9rem; }
.pairs { display: grid; grid-template-columns: 1fr 1fr; gap: 0.5rem 1.5rem; } .pairs figure { margin: 0.3rem 0; }
footer { color: #555; font-size: 0.85rem; margin-top: 2rem; }
@media screen and (max-width: 40rem) { dl, .pairs { grid-template-columns: 1fr; } }
@media print {
  html { font-size: 12px; } body { max-width: none; margin: 0; padding: 0; } .wide { overflow: visible; }
  figure svg { max-height: 21cm; width: auto; }
  h2, h3, h2 + p, h2 + p + p, caption { break-after: avoid; } figure, .kept, tr, dd, li { break-inside: avoid; }
}
"""


def whole_page(title: str, body: Iterable[str], footer: str) -> str:
    """Return a whole page: a text as its title, parts in HTML, and a text at its foot.

    It asks for nothing from outside and runs no script.
    """
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{_ALLOWED}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(title)}</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n<main>\n"
        + "\n".join([tagged("h1", title), *body])
        + f"\n</main>\n{tagged('footer', footer)}\n</body>\n</html>\n"
    )


def tagged(tag: str, text: str) -> str:
    """Return a text in a tag, its signs escaped."""
    return f"<{tag}>{escape(text)}</{tag}>"


def bullets(texts: Iterable[str]) -> str:
    """Return texts as a list."""
    return f"<ul>{''.join(tagged('li', text) for text in texts)}</ul>"


def answered(answers: Iterable[tuple[str, Sequence[str]]]) -> str:
    """Return questions with their answers; several sentences of one answer stand below each other."""
    rows = (
        f"{tagged('dt', question)}<dd>{''.join(tagged('p', text) for text in texts)}</dd>"
        for question, texts in answers
    )
    return f"<dl>{''.join(rows)}</dl>"


def tabled(table: pd.DataFrame, caption: str, *, numbers: Collection[str] = (), short: Collection[str] = ()) -> str:
    """Return a table whose first column names its rows.

    Parameters
    ----------
    table
        Its cells as they are to be read.
    caption
        What it says.
    numbers, short
        Columns that are set as numbers, and others that are kept on one line.
    """

    def cell(tag: str, column: str, text: Any) -> str:
        kind = ' class="number"' if column in numbers else ' class="short"' if column in short else ""
        return f"<{tag}{kind}>{escape(str(text))}</{tag.split(maxsplit=1)[0]}>"

    names = [str(name) for name in table.columns]
    head = "".join(cell('th scope="col"', name, name) for name in names)
    tags = ['th scope="row"', *["td"] * (len(names) - 1)]
    rows = [f"<tr>{''.join(map(cell, tags, names, cells))}</tr>" for cells in table.itertuples(index=False, name=None)]
    parts = f"<thead><tr>{head}</tr></thead><tbody>{''.join(rows)}</tbody>"
    kept = " kept" if len(table) <= _ON_ONE_PAGE else ""
    named = (
        f'<div class="wide{kept}" role="region" tabindex="0" aria-label="{escape(caption)}">'  # to be scrolled by keys
    )
    return f"{named}<table>{tagged('caption', caption)}{parts}</table></div>"


def figure(chart: Any, sentence: str) -> str:
    """Return an Altair chart as a drawing with a sentence below it; its description is the text that says the same."""
    spec = chart.to_dict()
    spec.setdefault("config", {})["aria"] = False
    opening, _, parts = vl_convert.vegalite_to_svg(spec).partition(">")
    named = f'{opening} role="img" aria-label="{escape(spec["description"])}">'
    hidden = f'<g aria-hidden="true">{parts.removesuffix("</svg>")}</g></svg>'  # one image with one text, not many
    return f"<figure>{named}{hidden}{tagged('figcaption', sentence)}</figure>"
