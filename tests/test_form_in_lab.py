"""The form in a running JupyterLab, as somebody in the team uses it: fill in, save, read."""

from __future__ import annotations

import json
import os
import re
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any
from urllib.error import URLError
from urllib.request import urlopen

import nbformat
import pytest
from ipykernel.kernelspec import write_kernel_spec

from forecast.folder import read_project
from forecast.recording import read_history
from tests.test_page import CHROMIUM, FLAGS

ROOT = Path(__file__).parent.parent
TINY = ROOT / "scenario_data" / "tiny"
TOKEN = "of-this-test-only"
SECONDS = 90

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="there is no Chromium on this machine"),
]


def _free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        port: int = found.getsockname()[1]
        return port


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A folder with the notebook, whose parameters name a project beside it."""
    shutil.copytree(TINY, tmp_path / "tiny")
    read: Any = nbformat.read  # nbformat has no types
    book = read(ROOT / "notebooks" / "weekly_return.ipynb", as_version=4)
    for cell in book.cells:
        if "parameters" in cell.metadata.get("tags", []):
            cell.source = 'folder: str = "tiny"\nissue_forecast: bool = False'
    write: Any = nbformat.write
    write(book, tmp_path / "weekly_return.ipynb")
    return tmp_path


@pytest.fixture
def lab(place: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A JupyterLab of its own, with nobody's settings, on this machine only."""
    home = tmp_path_factory.mktemp("home")
    write_kernel_spec(str(home / "data" / "kernels" / "python3"))
    settings = home / "config" / "lab" / "user-settings" / "@jupyterlab" / "apputils-extension"
    settings.mkdir(parents=True)
    quiet = {"fetchNews": "false", "checkForUpdates": False}
    (settings / "notification.jupyterlab-settings").write_text(json.dumps(quiet))
    port = _free_port()
    environment = os.environ | {
        "HOME": str(home),
        "IPYTHONDIR": str(home / "ipython"),
        "JUPYTER_CONFIG_DIR": str(home / "config"),
        "JUPYTER_DATA_DIR": str(home / "data"),
        "JUPYTER_RUNTIME_DIR": str(home / "runtime"),
        "JUPYTERLAB_SETTINGS_DIR": str(home / "config" / "lab" / "user-settings"),
        "JUPYTERLAB_WORKSPACES_DIR": str(home / "workspaces"),
        "PYTHONPATH": str(ROOT),
    }
    command = [sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root"]
    options = [
        "--ip=127.0.0.1", f"--port={port}", f"--IdentityProvider.token={TOKEN}",
        f"--ServerApp.root_dir={place}", "--ServerApp.port_retries=0",
    ]  # fmt: skip
    log = (home / "log").open("w")
    server = subprocess.Popen(
        [*command, *options], env=environment, cwd=place, stdout=log, stderr=log
    )
    address = f"http://127.0.0.1:{port}"
    try:
        _wait_for(f"{address}/api/status?token={TOKEN}", server)
        yield address
    finally:
        server.terminate()
        server.wait(30)
        log.close()


def _wait_for(address: str, server: subprocess.Popen[bytes]) -> None:
    for _ in range(SECONDS * 2):
        assert server.poll() is None, "JupyterLab has ended"
        try:
            urlopen(address, timeout=5).close()
        except URLError:
            time.sleep(0.5)
        else:
            return
    pytest.fail("JupyterLab does not answer")


def test_a_number_that_is_filled_in_and_saved_is_on_record(
    lab: str, place: Path, tmp_path: Path
) -> None:
    from playwright.sync_api import expect, sync_playwright

    project = read_project(place / "tiny")
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        page = browser.new_page(viewport={"width": 1280, "height": 1000})
        page.set_default_timeout(SECONDS * 1000)
        page.goto(f"{lab}/lab/tree/weekly_return.ipynb?token={TOKEN}")
        page.get_by_text(re.compile(r"Python 3.*\| Idle")).first.wait_for()
        page.get_by_role("menuitem", name="Run", exact=True).click()
        page.get_by_text("Run All Cells", exact=True).click()
        save = page.get_by_role("button", name="Save the return")
        save.wait_for()
        counts = page.locator(".jp-OutputArea-output .widget-hbox").filter(
            has=page.locator("option:checked", has_text="cleaning")
        )
        row = counts.first
        row.locator("input").first.fill("4")
        row.locator("input").first.press("Tab")
        if where := os.environ.get("FORM_PICTURES"):
            page.screenshot(path=f"{where}/form_filled.png")
        save.click()
        said = page.get_by_text("is recorded.")
        said.wait_for()
        expect(said).to_contain_text("week of Monday 5 January 2026")
        if where:
            said.scroll_into_view_if_needed()
            page.screenshot(path=f"{where}/form_saved.png")
        browser.close()
    (told,) = read_history(place / "tiny", project).returns
    assert told.week == date(2026, 1, 5)
    assert [row.items for row in told.counts] == [4]
