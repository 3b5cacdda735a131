"""The live panel in JupyterLab, in a real browser, without a network: keys move it, and what it shows changes."""

import os
import re
from pathlib import Path

import pytest
from browser.test_lab import COUNTS, READY, TOKEN, browser, lab
from playwright.sync_api import expect

__all__ = ["browser", "lab"]  # the Lab and the Chromium of the other tests

NOTEBOOK = "8_what_would_change_the_answer.ipynb"
PANEL = 11  # cell of the first panel
MORE = re.compile(r"\d{3} more plants would")
ORDERED = "1,300"  # by the plan of the demo, which notebook 1 prints
DRAWN = "panel => [...panel.querySelectorAll('svg.marks path')].map(path => path.getAttribute('d')).join()"


@pytest.fixture
def page(lab, browser):
    """The notebook, run; gives the page, and what went wrong or left this machine."""
    page = browser.new_page(viewport={"width": 1280, "height": 1600})
    asked, said = [], []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: said.append(message.text) if message.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: said.append(str(error)))
    page.goto(f"{lab}/lab/tree/notebooks/{NOTEBOOK}?token={TOKEN}&reset")
    page.wait_for_selector(".jp-NotebookPanel", timeout=60_000)
    page.wait_for_function(READY, timeout=60_000)
    page.evaluate("() => { window.jupyterapp.commands.execute('notebook:run-all-cells'); }")
    page.wait_for_function(f"() => ({COUNTS})().every(Boolean)", timeout=120_000)
    page.evaluate(f"() => window.jupyterapp.shell.currentWidget.content.scrollToItem({PANEL})")
    page.wait_for_selector(".forecast-live svg.marks")
    yield page
    assert [url for url in asked if not url.startswith((lab, "data:", "blob:", "ws://127.0.0.1"))] == []
    assert said == []
    page.close()


def test_keys_move_a_slider_and_the_sentence_and_the_chart_follow(page):
    panel = page.locator(".forecast-live").first
    sentence, survival = panel.locator(".forecast-live-sentence"), panel.get_by_role("slider", name="Survival")
    base, drawn = sentence.inner_text(), panel.evaluate(DRAWN)
    assert re.match(rf"Ordered of Hosta 'Orrinfall': {ORDERED} from Birch Lab", base)
    assert survival.get_attribute("aria-valuetext") == "85 %"
    survival.focus()
    for _ in range(10):
        page.keyboard.press("ArrowLeft")
    expect(sentence).to_contain_text(MORE)
    expect(panel.locator(".forecast-live-difference")).to_contain_text("fewer seasons")
    expect(panel.locator(".forecast-live-chart")).to_have_attribute("aria-label", MORE)
    page.wait_for_function(f"([panel, drawn]) => ({DRAWN})(panel) !== drawn", arg=[panel.element_handle(), drawn])
    assert survival.get_attribute("aria-valuetext") == "75 %"
    assert page.evaluate("() => document.activeElement.type") == "range"  # no shortcut of the notebook took the keys


def test_a_scenario_is_kept_beside_the_base_plan_and_reset_goes_back_to_it(page):
    panel = page.locator(".forecast-live").first
    row = panel.get_by_role("row", name=re.compile("^plantlets ordered")).get_by_role("cell")
    drawn = panel.evaluate(DRAWN)
    panel.get_by_role("slider", name="Plantlets").focus()
    page.keyboard.press("Home")
    expect(row).to_have_text([ORDERED, "300"])
    panel.get_by_role("button", name="Keep this as scenario").press("Enter")
    expect(row).to_have_text([ORDERED, "300", "300"])
    if os.environ.get("SCREENSHOTS"):
        panel.screenshot(path=Path(os.environ["SCREENSHOTS"]) / "live.png")
    panel.get_by_role("button", name="Back to the base plan").press("Enter")
    expect(row).to_have_text([ORDERED, ORDERED, "300"])
    page.wait_for_function(f"([panel, drawn]) => ({DRAWN})(panel) === drawn", arg=[panel.element_handle(), drawn])
    assert panel.get_by_role("slider", name="Plantlets").get_attribute("aria-valuetext") == ORDERED


def test_at_twice_the_size_nothing_is_cut_off(page):
    page.set_viewport_size({"width": 640, "height": 800})  # what 1280 x 1600 pixels hold at 200 %
    page.wait_for_timeout(500)
    panel = page.locator(".forecast-live").first
    width = panel.bounding_box()["width"]
    for part in (".forecast-live-sliders", ".forecast-live-sentence", "svg.marks"):
        assert panel.locator(part).bounding_box()["width"] <= width
    for slider in panel.get_by_role("slider").all():
        assert slider.bounding_box()["width"] > 100
    if os.environ.get("SCREENSHOTS"):
        panel.screenshot(path=Path(os.environ["SCREENSHOTS"]) / "live_twice.png")
