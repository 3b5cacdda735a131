"""The page of orders: whole, offline, and harmless whatever the files hold."""

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

import forecast
from forecast.show.page import order_page

ROOT = Path(__file__).parents[2]
VOID = {"meta", "br", "link", "img", "hr", "input"}


class Tree(HTMLParser):
    """Collects tags and addresses, and checks that what is opened is closed."""

    def __init__(self):
        super().__init__()
        self.open, self.tags, self.addresses = [], [], []

    def handle_starttag(self, tag, attributes):
        self.tags.append(tag)
        self.addresses += [value for name, value in attributes if name in ("src", "href", "xlink:href", "action")]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, _attributes):
        self.tags.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def page_of(season):
    orders = forecast.size_orders(season, draws=128, seed=1)
    outcome = forecast.simulate(season, orders, draws=128, seed=1)
    steps = []
    page = order_page(
        season, orders, outcome, forecast.bench_space(outcome), progress=lambda done, of: steps.append((done, of))
    )
    assert steps == [(i, len(steps)) for i in range(1, len(steps) + 1)]
    tree = Tree()
    tree.feed(page)
    assert tree.open == []
    return page, tree, orders


@pytest.fixture(scope="module")
def season():
    whole = forecast.read_season(ROOT / "demo_data")
    keep = {"Hosta 'Orrinfall'", "Calla 'Umbrasel'"}
    return whole.replace(
        varieties=tuple(row for row in whole.varieties if row.variety in keep),
        stages=tuple(row for row in whole.stages if row.applies_to in ("hosta", "calla")),
        offers=tuple(row for row in whole.offers if row.variety in keep),
        wanted=tuple(row for row in whole.wanted if row.variety in keep),
        orders=(),
        cultures=(),
        divisions=(),
    )


def test_the_page_holds_its_charts_and_asks_for_nothing(season):
    page, tree, orders = page_of(season)
    assert tree.tags.count("svg") == len(orders) + 2 + len(season.place_names)
    assert "script" not in tree.tags
    assert tree.addresses == []
    assert re.findall(r"url\((?!#)", page) == []
    for order in orders:
        assert f"{order.quantity:,}" in page
    for word in ("phytosanitary", "breeder", "seed 1", "128 draws"):
        assert word in page


def test_what_stands_in_files_is_text_and_never_markup(season):
    bad = '<script>alert(1)</script> & "quoted"'
    renamed = season.replace(
        name=bad,
        varieties=tuple(row.replace(variety=bad) if "Orrinfall" in row.variety else row for row in season.varieties),
        offers=tuple(
            row.replace(variety=bad, lab="<b>lab</b>") if "Orrinfall" in row.variety else row for row in season.offers
        ),
        wanted=tuple(row.replace(variety=bad) if "Orrinfall" in row.variety else row for row in season.wanted),
    )
    page, tree, _ = page_of(renamed)
    assert "script" not in tree.tags
    assert "b" not in tree.tags
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
