"""What is asked of every chart, read from its description."""

import json

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
