"""The page in a browser: nothing from outside, no barrier, nothing cut off."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from forecast.report import write_page
from forecast.schedule_forecast import schedule_report
from tests.made_up import futures

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("chrome")
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="there is no Chromium on this machine"),
]


@pytest.fixture(scope="module")
def page_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("page") / "forecast.html"
    return write_page(schedule_report(futures(200, 20), "team"), out)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield opened
        opened.close()


def opened(browser: Any, page_file: Path, width: int) -> tuple[Any, list[str]]:
    """The page in a window of a width, and every address that it asked for besides itself."""
    page = browser.new_page(viewport={"width": width, "height": 900})
    asked: list[str] = []

    def only_itself(route: Any) -> None:
        if route.request.url == page_file.as_uri():
            route.continue_()
        else:
            asked.append(route.request.url)
            route.abort()

    page.route("**/*", only_itself)
    page.goto(page_file.as_uri(), wait_until="load")
    return page, asked


@pytest.mark.parametrize("width", [1280, 400])
def test_the_page_asks_for_nothing_and_fits_the_window(
    browser: Any, page_file: Path, width: int
) -> None:
    page, asked = opened(browser, page_file, width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert asked == []
    page.close()


@pytest.mark.parametrize("width", [1280, 400])
def test_no_accessibility_rule_is_broken(browser: Any, page_file: Path, width: int) -> None:
    from axe_playwright_python.sync_playwright import Axe

    page, asked = opened(browser, page_file, width)
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    assert asked == []
    page.close()


def test_no_word_of_a_chart_is_cut_off(browser: Any, page_file: Path) -> None:
    page, _ = opened(browser, page_file, 1280)
    outside = page.evaluate(
        """() => [...document.querySelectorAll('svg')].flatMap(svg => {
            const frame = svg.getBoundingClientRect();
            return [...svg.querySelectorAll('text')].filter(text => {
                const box = text.getBoundingClientRect();
                return box.width && (box.left < frame.left - 1 || box.right > frame.right + 1
                    || box.top < frame.top - 1 || box.bottom > frame.bottom + 1);
            }).map(text => text.textContent);
        })"""
    )
    assert outside == []
    page.close()


def test_the_page_can_be_used_by_keyboard_alone(browser: Any, page_file: Path) -> None:
    page, _ = opened(browser, page_file, 400)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "To the report"
    page.keyboard.press("Enter")
    assert page.evaluate("location.hash") == "#main"
    page.close()
