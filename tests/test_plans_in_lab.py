"""Staffing plans in a running JupyterLab, as a project manager uses them, by keyboard too."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.error import HTTPError
from urllib.request import HTTPRedirectHandler, Request, build_opener

import pytest

from forecast.folder import read_project
from forecast.scenario_file import read_scenarios
from tests.lab import SECONDS, Lab, Visit, notebook_in, running_lab, visit
from tests.test_page import CHROMIUM

ROOT = Path(__file__).parent.parent
TINY = ROOT / "scenario_data" / "tiny"
FORM = ".plans-form"
NAME_OF_FOCUS = """() => {
    const at = document.activeElement;
    return (at.labels?.[0] ?? at).textContent.trim();
}"""

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="there is no Chromium on this machine"),
]


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the notebook, whose parameters name a project beside it."""
    place = tmp_path_factory.mktemp("place")
    shutil.copytree(os.environ.get("FORM_PROJECT", TINY), place / "project")
    notebook_in(place, "staffing_plans", {"folder": '"project"', "replications": "400"})
    return place


@pytest.fixture(scope="module")
def lab(place: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:
    """A JupyterLab of its own, with nobody's settings, on this machine only."""
    with running_lab(place, tmp_path_factory.mktemp("home")) as running:
        yield running


def picture(page: Any, name: str) -> None:
    """Keep what is seen, for somebody who asked to look at it."""
    if where := os.environ.get("FORM_PICTURES"):
        page.screenshot(path=f"{where}/{name}.png")


def field(page: Any, label: str) -> Any:
    """A field of the form by the words above it."""
    return page.locator(FORM).get_by_label(label, exact=True)


def fill(page: Any, label: str, text: str, which: int = 0) -> None:
    """Write into a field and leave it by the keyboard."""
    field(page, label).nth(which).fill(text)
    field(page, label).nth(which).press("Tab")


def button(page: Any, name: str) -> Any:
    """A button of the form."""
    return page.locator(FORM).get_by_role("button", name=name, exact=True)


def refined(page: Any) -> Any:
    """What is said once all futures are there; waiting for it is part of looking."""
    # A run says so, and so does a comparison.
    return page.locator(FORM).get_by_text("From 400 futures of each plan.").last


@pytest.fixture(scope="module")
def seen(lab: Lab) -> Iterator[Visit]:
    """The notebook, run once; what a test leaves there the next one finds."""
    from playwright.sync_api import expect

    expect.set_options(timeout=SECONDS * 1000)
    with visit(lab, "staffing_plans.ipynb", cells=3) as visited:
        yield visited


def test_the_first_that_is_seen_is_the_form_with_the_project_as_it_is(seen: Visit) -> None:
    from playwright.sync_api import expect

    form = seen.page.locator(FORM)
    expect(form.locator("p.lead")).to_contain_text("As planned")
    expect(refined(seen.page)).to_be_visible()
    picture(seen.page, "plans_first")
    expect(form).to_be_in_viewport()
    expect(seen.page.get_by_text("from forecast.plans_form")).to_have_count(0)


def test_other_hours_bring_another_sentence_and_chart(seen: Visit) -> None:
    from playwright.sync_api import expect

    page = seen.page
    chart = page.locator(f"{FORM} svg desc")
    before = chart.text_content()
    button(page, "Change AB").click()
    fill(page, "Fri", "6")
    fill(page, "Name of the plan", "AB on Fridays")
    expect(page.locator(FORM).get_by_text("Changed: choose Run")).to_be_visible()
    assert chart.text_content() == before
    button(page, "Run").press("Enter")
    expect(page.locator(f"{FORM} p.lead")).to_contain_text("AB on Fridays:")
    expect(refined(page)).to_be_visible()
    after = chart.text_content()
    half = r"Of 400 futures half are finished by \d+ \w+ \d{4} under this plan and by"
    assert re.match(half, after), after
    assert after != before
    picture(page, "plans_changed")
    page.locator(f"{FORM} svg").scroll_into_view_if_needed()
    picture(page, "plans_chart")


def test_nonsense_is_told_beside_its_field_and_nothing_is_run(seen: Visit) -> None:
    from playwright.sync_api import expect

    page = seen.page
    lead = page.locator(f"{FORM} p.lead").text_content()
    fill(page, "Fri", "plenty")
    wrong = page.locator(f"{FORM} .wrong")
    expect(wrong).to_contain_text("Here stands 'plenty'; expected a number from 0 to 24")
    at, said = field(page, "Fri").bounding_box(), wrong.bounding_box()
    assert 0 <= said["y"] - at["y"] < 60
    assert abs(said["x"] - at["x"]) < 60
    wrong.scroll_into_view_if_needed()
    picture(page, "plans_wrong")
    button(page, "Run").click()
    expect(page.locator(FORM).get_by_text("Nothing was run")).to_be_visible()
    assert page.locator(f"{FORM} p.lead").text_content() == lead
    fill(page, "Fri", "6")
    expect(wrong).to_have_count(0)


def test_plans_are_kept_and_compared(seen: Visit, place: Path) -> None:
    from playwright.sync_api import expect

    page, form = seen.page, seen.page.locator(FORM)
    button(page, "Keep").press("Enter")
    expect(form.get_by_text("Kept in scenarios.toml: AB on Fridays.")).to_be_visible()
    fill(page, "Cleaning benches", "2")
    fill(page, "Name of the plan", "And a bench more")
    button(page, "Keep").press("Enter")
    expect(form.get_by_text("Kept in scenarios.toml: And a bench more.")).to_be_visible()
    button(page, "Compare").press("Enter")
    table = form.get_by_role("region", name="Every plan in the same futures")
    expect(table.get_by_role("rowheader")).to_have_text(
        ["as planned", "AB on Fridays", "And a bench more"]
    )
    expect(refined(page)).to_be_visible()
    table.scroll_into_view_if_needed()
    picture(page, "plans_compared")
    project = read_project(place / "project")
    kept = read_scenarios(place / "project", project).scenarios
    assert [each.name for each in kept] == ["AB on Fridays", "And a bench more"]
    assert kept[1].changes[0] == kept[0].changes[0]


def test_the_keyboard_reaches_every_field_in_order(seen: Visit) -> None:
    page = seen.page
    page.locator(FORM).get_by_label("Folder", exact=True).focus()
    met = []
    for _ in range(60):
        met.append(page.evaluate(NAME_OF_FOCUS))
        page.keyboard.press("Tab")
        if met[-1] == "Compare":
            break
    wanted = ["Folder", "Open", "Plan", "Change AB", "Cleaning benches", "Items promised",
              "Name of the plan", "Run", "Keep", "Compare"]  # fmt: skip
    assert [name for name in met if name in wanted] == wanted


def test_no_accessibility_rule_is_broken(seen: Visit) -> None:
    from axe_playwright_python.sync_playwright import Axe

    button(seen.page, "Change AB").click()  # all kinds of fields are seen
    found = Axe().run(seen.page, context=FORM)
    assert found.violations_count == 0, found.generate_report()


def test_nobody_outside_was_asked_for_anything(seen: Visit) -> None:
    assert seen.asked
    assert seen.strangers == set()


class _Stay(HTTPRedirectHandler):
    def redirect_request(self, *_: Any) -> None:
        """Go nowhere: where one is sent to is what is asked."""


@pytest.mark.parametrize("path", ["lab", "lab/tree/staffing_plans.ipynb", "api/contents",
                                  "api/kernels", "files/project/team.csv"])  # fmt: skip
def test_without_the_token_nothing_is_shown(lab: Lab, path: str) -> None:
    opener = build_opener(_Stay)
    with pytest.raises(HTTPError) as refused:
        opener.open(Request(f"{lab.address}/{path}"), timeout=30)
    answer = refused.value
    login = answer.code == 302 and "/login" in answer.headers["Location"]
    assert login or answer.code == 403, answer.code
    assert b"AB" not in answer.read()
