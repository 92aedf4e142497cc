"""The page in a real browser: axe-core finds no fault, nothing is fetched, it fits a phone."""

import pytest
from axe_playwright_python.sync_playwright import Axe

from halfvolley.report import write_report

RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
FAULTS = ["violations"]  # listing all that is well takes most of the time


@pytest.fixture(scope="module")
def opened(short_made, browser):
    write_report(short_made)
    page = browser.new_page(viewport={"width": 1200, "height": 900})
    fetched = []
    page.on("request", lambda request: fetched.append(request.url))
    page.goto((short_made / "report" / "report.html").as_uri())
    return page, fetched


def test_axe_finds_no_fault(opened):
    page, _ = opened
    options = {"runOnly": RULES, "resultTypes": FAULTS}
    result = Axe().run(page, options=options)
    found = [(v["id"], v["nodes"][0]["html"][:150]) for v in result.response["violations"]]
    assert found == []
    assert len(result.response["passes"]) > 15, "the rules did look at something"


def test_axe_would_notice_a_fault(opened):
    page, _ = opened
    page.evaluate("document.body.insertAdjacentHTML('beforeend', '<img id=bad src=data:,>')")
    options = {"runOnly": {"type": "rule", "values": ["image-alt"]}, "resultTypes": FAULTS}
    result = Axe().run(page, options=options)
    page.evaluate("document.getElementById('bad').remove()")
    assert "image-alt" in {v["id"] for v in result.response["violations"]}


def test_nothing_is_fetched_from_anywhere(opened):
    _, fetched = opened
    assert [url for url in fetched if not url.startswith(("file:", "data:"))] == []


@pytest.mark.parametrize("width", [360, 1200])
def test_no_page_is_wider_than_its_window(opened, width):
    page, _ = opened
    page.set_viewport_size({"width": width, "height": 800})
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_the_keyboard_reaches_the_content_and_every_table(opened):
    page, _ = opened
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "content"
    reachable = page.evaluate(
        "[...document.querySelectorAll('.scroll')].every(e => e.tabIndex === 0)"
    )
    assert reachable
