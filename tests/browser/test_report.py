"""The page for a partner in a real browser without a network: drawn, readable by all, and harmless; and its print."""

import re
import shutil
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import sync_playwright
from whole_orders import large

import forecast
from forecast.__main__ import main

ROOT = Path(__file__).parents[2]
HOSTILE = "<script>document.title = 'taken'; fetch('http://127.0.0.1:9/')</script>"


@pytest.fixture(scope="module")
def browser():
    """A headless Chromium that can reach nothing."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    assert chromium, "this test needs Chromium"
    arguments = ["--no-sandbox", "--disable-gpu", "--no-first-run", "--host-resolver-rules=MAP * ~NOTFOUND"]
    with sync_playwright() as play:
        opened = play.chromium.launch(executable_path=chromium, args=arguments)
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def season():
    """The demo with a hostile name, lab and note in it."""
    demo = forecast.read_season(ROOT / "demo_data")

    def renamed(rows, **more):
        return tuple(row.replace(variety=HOSTILE, **more) if "Mirabrel" in row.variety else row for row in rows)

    return demo.replace(
        varieties=renamed(demo.varieties),
        targets=renamed(demo.targets, note="\"quoted\" & 'so'"),
        price_list=renamed(demo.price_list, lab='=HYPERLINK("x")'),
        orders=(),
    )


@pytest.fixture(scope="module")
def file(season, tmp_path_factory):
    """The page and its print, as the command line makes them."""
    folder = tmp_path_factory.mktemp("report")
    forecast.write_season(season, folder / "season")
    written = folder / "out" / "order.html"
    assert main(["report", str(folder / "season"), "--out", str(written), "--pdf", "--draws", "256"]) == 0
    return written


@pytest.fixture
def opened(browser, file):
    """The page as it is opened from its file, and what it asked for and complained of."""
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    asked, said = [], []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.goto(file.as_uri())
    page.wait_for_timeout(300)
    yield page, asked, said
    page.close()


def test_it_asks_for_nothing_but_itself_and_complains_of_nothing(opened, file):
    page, asked, said = opened
    assert asked == [file.as_uri()]
    assert said == []
    assert page.title().endswith(": what to order")
    assert page.locator("script").count() == 0
    assert page.get_by_text(HOSTILE).count() > 2


def test_all_charts_are_drawn_and_none_is_cut(opened, season):
    page, _, _ = opened
    drawings = page.locator("figure svg")
    assert drawings.count() == 3 + len(season.varieties) + len(season.place_names)
    for number in range(drawings.count()):
        drawing = drawings.nth(number)
        assert drawing.locator("path").count() > 5
        box = drawing.bounding_box()
        assert box["width"] > 250
        assert box["height"] > 150
        assert box["x"] + box["width"] <= 1280
    texts = page.evaluate("() => [...document.querySelectorAll('figure svg text')].map(t => t.textContent).join()")
    assert "Hosta 'Orrinfall'" in texts


def test_the_first_screen_has_all_five_answers_and_the_table_begins_on_it(opened):
    page, _, _ = opened
    for question in page.locator("dt").all():
        assert question.bounding_box()["y"] < 900
    assert page.locator("table").first.bounding_box()["y"] < 850


@pytest.mark.parametrize("width", [1280, 380])
def test_everybody_can_read_it(opened, width):
    page, _, _ = opened
    page.set_viewport_size({"width": width, "height": 900})
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_on_paper_nothing_is_wider_than_the_page(opened, paper):
    page, _, _ = opened
    millimetres = {"A4": 210, "Letter": 215.9}[paper] - 2 * 14
    width = round(millimetres / 25.4 * 96)
    page.emulate_media(media="print")
    page.set_viewport_size({"width": width, "height": 900})
    wide = """width => [...document.querySelectorAll('body *')]
      .filter(one => !one.closest('svg') || one.tagName === 'svg')
      .filter(one => one.getBoundingClientRect().right > width + 1).map(one => one.outerHTML.slice(0, 80))"""
    assert page.evaluate(wide, width) == []


def test_the_print_is_on_a4(file):
    printed = file.with_suffix(".pdf").read_bytes()
    assert printed.startswith(b"%PDF")
    boxes = {tuple(map(float, box)) for box in re.findall(rb"/MediaBox \[(\S+) (\S+) (\S+) (\S+)\]", printed)}
    assert len(boxes) == 1
    assert boxes.pop() == pytest.approx((0, 0, 210 / 25.4 * 72, 297 / 25.4 * 72), abs=1)


def test_a_chart_of_forty_deliveries_fits_on_one_sheet(browser, tmp_path):
    forecast.report(large(40, 2), tmp_path / "page.html", draws=64, seed=1)
    page = browser.new_page(viewport={"width": 700, "height": 900})
    page.goto((tmp_path / "page.html").as_uri())
    page.emulate_media(media="print")
    sheet = (279.4 - 2 * 14) / 25.4 * 96  # of Letter, the lower of the two papers [pixels]
    assert max(figure.bounding_box()["height"] for figure in page.locator("figure").all()) < 0.92 * sheet
    page.close()
