"""Every page with the demo's shop, in a browser: whole, usable by all, in light and dark, on a phone, on paper."""

from __future__ import annotations

from collections.abc import Mapping
from io import BytesIO
from pathlib import Path
from typing import Any
from unicodedata import normalize

import pytest
from playwright.sync_api import Page, Response
from pypdf import PageObject, PdfReader

from service.app import create_app
from service.sessions import PAGES
from tests.browser.browsing import PHONE, Browsing, overhanging, violations
from tests.browser.places import NOT_PAGES, PLACES, Place
from worker.database import Database

#: What the week's page may weigh with all that it loads.
MOST_BYTES = 300_000
#: Sheets of A4 that a week takes at most.
MOST_SHEETS = 8


def opened(page: Page, place: Place, ids: Mapping[str, Any]) -> None:
    """Go to a place, which must be there."""
    response = page.goto(place.address.format_map(ids))
    assert response is not None
    assert response.status == 200, response.text()


each_place = pytest.mark.parametrize("place", PLACES, ids=lambda place: place.name)


def test_every_page_of_the_service_is_looked_at(tmp_path: Path) -> None:
    app = create_app(Database(f"sqlite:///{tmp_path / 'unused.sqlite3'}"), nudge=lambda: None)
    pages = {
        rule.rule
        for rule in app.url_map.iter_rules()
        if rule.endpoint.startswith(f"{PAGES}.") and "GET" in (rule.methods or ())
    }
    assert pages - NOT_PAGES == {place.rule for place in PLACES}
    assert pages >= NOT_PAGES


FAULTY = """
<!DOCTYPE html><html lang="en"><title>x</title><main><h1>x</h1>
<button></button><p>pale and wide</p>
<img src="/static/none.png" alt=""></main></html>
"""


def test_what_looks_at_pages_sees_faults(browsing: Browsing) -> None:
    page = browsing.page("reader", viewport=PHONE)
    page.goto("/key")
    page.evaluate("html => document.documentElement.innerHTML = html", FAULTY)
    page.evaluate("() => { document.querySelector('p').style.cssText = 'width: 600px; color: #999; background: #fff' }")
    page.evaluate("() => console.error('broken')")
    page.wait_for_load_state("networkidle")
    assert {found.partition(":")[0] for found in violations(page)} >= {"button-name", "color-contrast"}
    assert overhanging(page) != []
    seen = browsing.faults.seen
    assert any("broken" in fault for fault in seen)
    assert any("404" in fault and "none.png" in fault for fault in seen)
    browsing.faults.expected = ("",)


@each_place
def test_a_page_can_be_used_by_all_in_light_and_dark_and_on_a_phone(
    browsing: Browsing, ids: Mapping[str, Any], place: Place
) -> None:
    page = browsing.page(place.role)
    opened(page, place, ids)
    assert page.locator("h1").count() == 1
    assert (page.locator("script").count() == 0) == place.is_plain, "what loads no script works without them"
    assert violations(page) == []
    page.emulate_media(color_scheme="dark")
    page.set_viewport_size(PHONE)
    assert overhanging(page) == []
    assert violations(page) == []


def test_whoever_allows_no_scripts_signs_in_and_reads_the_same(browsing: Browsing) -> None:
    page = browsing.page(None, javascript=False)
    page.goto("/week")
    page.get_by_label("Key").fill(browsing.demo.keys["reader"])
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url("**/week")
    with_scripts = browsing.page("reader")
    with_scripts.goto("/week")
    # Not the head of the page: a minute may pass between the two.
    for part in ("main h2", "main td"):
        assert page.locator(part).all_inner_texts() == with_scripts.locator(part).all_inner_texts()
    page.get_by_role("link", name="Jobs").click()
    page.wait_for_url("**/jobs*")
    assert page.locator("main tbody tr").count() > 1


def test_what_is_not_there_is_said_on_a_page_that_all_can_use(browsing: Browsing) -> None:
    browsing.faults.expected = ("404",)
    page = browsing.page("reader", viewport=PHONE)
    response = page.goto("/jobs/no-such-job")
    assert response is not None
    assert response.status == 404
    assert page.get_by_role("alert").is_visible()
    assert overhanging(page) == []
    assert violations(page) == []


def test_the_week_is_light(browsing: Browsing) -> None:
    page = browsing.page("reader")
    loaded: list[Response] = []
    page.on("response", lambda response: loaded.append(response))
    page.goto("/week", wait_until="networkidle")
    weights = {response.url: len(response.body()) for response in loaded}
    assert len(weights) >= 2, "the page and its style"
    assert sum(weights.values()) < MOST_BYTES, weights


# --- on paper ---------------------------------------------------------------------------------------------------


def is_a4(sheet: PageObject) -> bool:
    """True for an upright sheet of A4, to a point."""
    return (round(sheet.mediabox.width), round(sheet.mediabox.height)) in ((595, 842), (596, 842))


def words(text: str) -> str:
    """A text without regard to how its lines are broken, or its letters set together."""
    return "".join(normalize("NFKC", text).split())


def test_the_week_prints_as_a_report_of_a_few_sheets(browsing: Browsing) -> None:
    page = browsing.page("reader")
    page.goto("/week")
    headings = page.locator("main h2").all_inner_texts()
    sheets = PdfReader(BytesIO(page.pdf(prefer_css_page_size=True, format="A4"))).pages
    assert 2 <= len(sheets) <= MOST_SHEETS
    assert all(is_a4(sheet) for sheet in sheets)
    told = [words(sheet.extract_text()) for sheet in sheets]
    assert all(len(text) > 100 for text in told), "no sheet is all but empty"
    assert words(page.locator("h1").inner_text()) in told[0]
    assert [heading for heading in headings if words(heading) not in "".join(told)] == []
    assert words("Sign out") not in "".join(told), "what only a screen can do is left out"


def test_the_week_can_be_taken_away_as_the_same_report(browsing: Browsing) -> None:
    browsing.faults.expected = ("ERR_ABORTED",)  # what is downloaded is no page
    page = browsing.page("reader")
    page.goto("/week")
    headings = page.locator("main h2").all_inner_texts()
    with page.expect_download() as taken:
        page.get_by_role("link", name="PDF").click()
    file = PdfReader(taken.value.path())
    told = [words(sheet.extract_text()) for sheet in file.pages]
    assert 2 <= len(told) <= MOST_SHEETS
    assert all(is_a4(sheet) for sheet in file.pages)
    assert words(page.locator("h1").inner_text()) in told[0]
    places = [next((at for at, text in enumerate(told) if words(heading) in text), None) for heading in headings]
    assert None not in places, dict(zip(headings, places, strict=True))
    assert file.metadata is not None
    assert file.metadata.title
