"""The form in a running JupyterLab, as somebody in the team uses it: fill in, save, read."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from forecast.folder import read_project
from forecast.recording import read_history
from tests.lab import Lab, notebook_in, running_lab, visit
from tests.test_page import CHROMIUM

ROOT = Path(__file__).parent.parent
TINY = ROOT / "scenario_data" / "tiny"

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="there is no Chromium on this machine"),
]


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A folder with the notebook, whose parameters name a project beside it."""
    shutil.copytree(TINY, tmp_path / "tiny")
    notebook_in(tmp_path, "weekly_return", {"folder": '"tiny"', "issue_forecast": "False"})
    return tmp_path


@pytest.fixture
def lab(place: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:
    """A JupyterLab of its own, with nobody's settings, on this machine only."""
    with running_lab(place, tmp_path_factory.mktemp("home")) as running:
        yield running


def test_a_number_that_is_filled_in_and_saved_is_on_record(
    lab: Lab, place: Path
) -> None:
    from playwright.sync_api import expect

    project = read_project(place / "tiny")
    with visit(lab, "weekly_return.ipynb") as seen:
        page = seen.page
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
        assert seen.strangers == set()
    (told,) = read_history(place / "tiny", project).returns
    assert told.week == date(2026, 1, 5)
    assert [row.items for row in told.counts] == [4]
