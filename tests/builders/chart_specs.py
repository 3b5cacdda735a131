"""What is asked of every chart, read from its description."""

import json
import re
from functools import cache

import vl_convert

from forecast.charts.base import BLACK, BLUE, ORANGE


def titles(spec):
    """The titles of all axes and channels."""
    layers = spec.get("layer") or spec["spec"]["layer"]
    channels = (channel for layer in layers for channel in layer.get("encoding", {}).values())
    return {channel["title"] for channel in channels if isinstance(channel, dict) and channel.get("title")}


def rows(spec, column):
    """The rows of the data of a chart that have a column."""
    return [row for data in spec["datasets"].values() for row in data if column in row]


def says_what_it_shows(spec, *, most):
    """Check that axes name their units, a text says the same, and that a chart holds a summary of so many rows."""
    assert len([title for title in titles(spec) if "[" in title]) >= 2
    assert len(spec["description"]) > 60
    assert spec["title"]["text"]
    assert isinstance(spec["width"], int)
    assert sum(len(data) for data in spec["datasets"].values()) <= most
    assert len(json.dumps(spec)) < 240 * most


def is_a_summary_in_few_colours(spec, draws):
    """Check that a chart holds fewer rows than draws and few colours, and that it can be drawn."""
    assert all(len(data) < draws for data in spec["datasets"].values())
    text = json.dumps(spec)
    assert len(text) < 20_000
    used = {word for word in text.split('"') if word.startswith("#")}
    assert used - {"#555555"} <= {BLUE, ORANGE, BLACK}
    assert "<svg" in vl_convert.vegalite_to_svg(spec)


_NUMBER = re.compile(r"[-−]?\d{1,3}(,\d{3})*(\.\d+)?%?")
_SAMPLES = (2_240_000, 50_000, 2240, 12, 3, 0)
_DOMAINS = {"linear": ((0, 2_240_000), (0, 50_000), (-3000, 9000), (0, 3)), "log": ((1, 2_240_000), (3, 900))}
_PARTS, _SHARES = (1, 0.304, 0.05, 0), ((0, 1), (0.5, 0.62))


def badly_printed(spec):
    """The texts that Vega would print of sample numbers, of which thousands are not separated, or that have a power.

    The samples go through the format of every text and tooltip of a chart, and through every axis and legend of
    numbers, with its scale.
    """
    found = set()
    for channel, cells in _numeric(spec):
        if channel in ("text", "tooltip"):
            shown = cells.get("format")
            found |= {(cells["field"], shown, text) for text in _texts(shown) if not _NUMBER.fullmatch(text)}
        elif channel in ("x", "y", "color") and cells.get("axis", {}) is not None:
            guide = cells.get("legend" if channel == "color" else "axis") or {}
            shown, scale = guide.get("format"), cells.get("scale", {}).get("type", "linear")
            for domain in _SHARES if (shown or "").endswith("%") else _DOMAINS[scale]:
                labels = _labels(shown, scale, domain)
                assert len(labels) > 1
                twice = [text for text in labels if labels.count(text) > 1]
                bad = [text for text in labels if not _NUMBER.fullmatch(text)]
                found |= {(cells["field"], shown, text) for text in bad + twice}
    return found


def _numeric(spec):
    """Each channel of numbers, with its name."""
    if isinstance(spec, list):
        for one in spec:
            yield from _numeric(one)
    if isinstance(spec, dict):
        for channel, cells in spec.get("encoding", {}).items():
            many = cells if isinstance(cells, list) else [cells]
            yield from ((channel, one) for one in many if one.get("type") == "quantitative" and not one.get("bin"))
        for inner in ("layer", "vconcat", "spec"):
            yield from _numeric(spec.get(inner))


@cache
def _texts(shown):
    text = {"field": "v", "type": "quantitative", **({} if shown is None else {"format": shown})}
    return _drawn(
        {"v": _PARTS if (shown or "").endswith("%") else _SAMPLES},
        {"y": {"field": "v", "type": "ordinal", "axis": None}, "text": text},
        "text",
    )


@cache
def _labels(shown, scale, domain):
    axis = {} if shown is None else {"format": shown}
    limits = {"type": scale, "domain": domain, "nice": False}
    x = {"field": "v", "type": "quantitative", "scale": limits, "title": None, "axis": axis}
    return _drawn({"v": domain}, {"x": x}, "point")


def _drawn(columns, encoding, mark):
    rows = [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]
    spec = {"data": {"values": rows}, "mark": mark, "encoding": encoding, "width": 600}
    return re.findall(r"<text[^>]*>([^<]+)</text>", vl_convert.vegalite_to_svg(spec))
