"""Every notebook in JupyterLab, in a real browser, without a network: it runs, and its charts are drawn."""

import json
import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest
from playwright.sync_api import sync_playwright

ROOT = Path(__file__).parents[2]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
TOKEN = "browser-test"
NO_NEWS = {"@jupyterlab/apputils-extension:notification": {"fetchNews": "false", "checkForUpdates": False}}


def _free_port():
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        return held.getsockname()[1]


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    """A JupyterLab on a copy of the notebooks and the demo; gives its address and its folder."""
    folder = tmp_path_factory.mktemp("lab")
    for part in ("notebooks", "demo_data"):
        shutil.copytree(ROOT / part, folder / part, ignore=shutil.ignore_patterns(".ipynb_checkpoints"))
    config = folder / "config"
    (config / "labconfig").mkdir(parents=True)
    (config / "labconfig" / "default_setting_overrides.json").write_text(json.dumps(NO_NEWS), encoding="utf-8")
    port = _free_port()
    command = [
        sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", f"--port={port}",
        f"--ServerApp.root_dir={folder}", f"--IdentityProvider.token={TOKEN}", "--LabApp.expose_app_in_browser=True",
        "--LabApp.extension_manager=readonly", "--KernelManager.transport=ipc",
    ]  # fmt: skip
    environment = {**os.environ, "JUPYTER_CONFIG_DIR": str(config), "JUPYTER_RUNTIME_DIR": str(folder / "run")}
    with (
        (folder / "lab.log").open("w") as log,
        subprocess.Popen(command, env=environment, stdout=log, stderr=log) as server,
    ):
        address = f"http://127.0.0.1:{port}"
        try:
            for _ in range(240):
                try:
                    with urllib.request.urlopen(f"{address}/api/status?token={TOKEN}", timeout=2):
                        break
                except OSError:
                    time.sleep(0.25)
            else:
                pytest.fail((folder / "lab.log").read_text())
            yield address
        finally:
            server.terminate()
            server.wait(20)


@pytest.fixture(scope="module")
def browser():
    """A headless Chromium that can reach this machine alone."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    assert chromium, "this test needs Chromium"
    arguments = [
        "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update",
        "--disable-sync", "--no-first-run", "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
    ]  # fmt: skip
    with sync_playwright() as play:
        opened = play.chromium.launch(executable_path=chromium, args=arguments)
        yield opened
        opened.close()


READY = """async () => {
  const panel = window.jupyterapp.shell.currentWidget;
  if (!panel || !panel.sessionContext) return false;
  await panel.sessionContext.ready;
  const kernel = panel.sessionContext.session?.kernel;
  if (!kernel || kernel.connectionStatus !== 'connected') return false;
  await kernel.info;
  return kernel.status === 'idle';
}"""
COUNTS = """() => window.jupyterapp.shell.currentWidget.content.model.sharedModel.cells
  .filter(cell => cell.cell_type === 'code').map(cell => cell.execution_count)"""


def test_code_is_folded_away_until_it_is_asked_for_but_for_the_first_cell(lab, browser):
    page = browser.new_page(viewport={"width": 1280, "height": 2400})
    page.goto(f"{lab}/lab/tree/notebooks/{NOTEBOOKS[1].name}?token={TOKEN}&reset")
    page.wait_for_selector(".jp-NotebookPanel", timeout=60_000)
    page.wait_for_function(READY, timeout=60_000)
    first, second = (page.locator(".jp-CodeCell").nth(at) for at in (0, 1))
    assert first.locator(".jp-InputArea-editor").is_visible()
    assert "FOLDER" in first.inner_text()
    assert not second.locator(".jp-InputArea-editor").is_visible()
    folded = second.locator(".jp-InputPlaceholder")
    assert folded.is_visible()
    if os.environ.get("SCREENSHOTS"):
        page.screenshot(path=Path(os.environ["SCREENSHOTS"]) / "folded.png")
    folded.click()
    assert second.locator(".jp-InputArea-editor").is_visible()
    assert "read_season" in second.inner_text()
    page.close()


def _draws(cell):
    """Whether a chart was kept as the output of a cell."""
    return any("vegalite" in kind for output in cell.get("outputs", []) for kind in output.get("data", {}))


def _shown(page, cell):
    """The drawing of a cell, once it is scrolled to and there."""
    shown = page.locator(f".jp-Cell[data-windowed-list-index='{cell}'] svg.marks")
    for _ in range(60):
        page.evaluate(f"() => window.jupyterapp.shell.currentWidget.content.scrollToItem({cell})")
        page.wait_for_timeout(500)
        if shown.count():
            break
    assert shown.count() == 1
    return shown


@pytest.mark.parametrize("notebook", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_runs_and_draws_every_chart_without_a_network(lab, browser, notebook):
    page = browser.new_page(viewport={"width": 1280, "height": 1600})
    asked, said = [], []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: said.append(message.text) if message.type == "error" else None)
    page.goto(f"{lab}/lab/tree/notebooks/{notebook.name}?token={TOKEN}&reset")
    page.wait_for_selector(".jp-NotebookPanel", timeout=60_000)
    page.wait_for_function(READY, timeout=60_000)
    page.evaluate("() => { window.jupyterapp.commands.execute('notebook:run-all-cells'); }")
    cells = json.loads(notebook.read_text(encoding="utf-8"))["cells"]
    expected = sum(cell["cell_type"] == "code" for cell in cells)
    for _ in range(600):
        counts = page.evaluate(COUNTS)
        if counts == list(range(1, expected + 1)):
            break
        page.wait_for_timeout(300)
    assert counts == list(range(1, expected + 1))
    charts = [number for number, cell in enumerate(cells) if _draws(cell)]
    assert charts
    for cell in charts:
        shown = _shown(page, cell)
        assert shown.locator("path").count() > 5
        assert shown.bounding_box()["width"] > 300
        if os.environ.get("SCREENSHOTS"):
            page.screenshot(path=Path(os.environ["SCREENSHOTS"]) / f"{notebook.stem}_{cell:02d}.png")
    assert page.locator("[data-mime-type='application/vnd.jupyter.stderr']").count() == 0
    assert [url for url in asked if not url.startswith((lab, "data:", "blob:", "ws://127.0.0.1"))] == []
    assert said == []
    page.close()
