"""From the demo's address and key to the week, the limit and one run of one's own, by the README's steps alone."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Locator, Page, expect

from tests.browser.browsing import DESK, MOST_MS, Faults
from tests.browser.demo import Demo

README = Path(__file__).parents[2] / "README.md"


class Walk:
    """Clicks what the README names, and notes what was named."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.clicked: list[str] = []

    def link(self, name: str) -> None:
        self.clicked.append(name)
        self.page.get_by_role("link", name=name, exact=True).first.click()

    def button(self, name: str) -> None:
        """Buttons may say more beneath their name."""
        self.clicked.append(name)
        self.page.get_by_role("button", name=re.compile(rf"^{re.escape(name)}")).first.click()

    def sees(self, name: str) -> None:
        self.clicked.append(name)
        expect(self.page.get_by_role("heading", level=1)).to_contain_text(name, timeout=MOST_MS)


def signed_in(demo: Demo, chromium: Browser, faults: Faults) -> tuple[BrowserContext, Walk]:
    """A browser at the first page, and who walks there; what goes wrong is noted."""
    context = chromium.new_context(base_url=demo.url, viewport=DESK, locale="en-GB", reduced_motion="reduce")
    faults.watch(context)
    page = context.new_page()
    page.set_default_timeout(MOST_MS)
    walk = Walk(page)
    page.goto("/")
    page.get_by_label("Key").fill(demo.keys["foreman"])
    walk.button("Sign in")
    return context, walk


@pytest.fixture
def told() -> str:
    """The README's section for newcomers."""
    return README.read_text().partition("\n## Look at it\n")[2].partition("\n## ")[0]


def test_readme_leads_a_newcomer_to_week_limit_and_a_run_of_their_own(
    own_demo: Demo, chromium: Browser, told: str
) -> None:
    before = end_of_feed(own_demo)
    faults = Faults(expected=("ERR_INTERNET_DISCONNECTED",))
    context, walk = signed_in(own_demo, chromium, faults)
    page = walk.page
    walk.sees("Week")
    walk.link("Limit")
    walk.sees("Limit")
    walk.button("Show")
    walk.link("Terminal")
    page.get_by_role("button", name="laser-15kw").click()
    page.get_by_role("button", name=re.compile(r"^P\d+-\w+.*mm", re.DOTALL)).first.click()
    with page.expect_response("**/v1/events?*"):
        walk.button("All good")
    expect(waiting(page, 0)).to_be_visible(timeout=MOST_MS)
    context.set_offline(True)
    walk.button("Next run on this plate")
    walk.button("All good")
    expect(waiting(page, 1)).to_be_visible(timeout=MOST_MS)
    context.set_offline(False)
    expect(waiting(page, 0)).to_be_visible(timeout=MOST_MS)
    with page.expect_response("**/v1/events?*"):
        walk.button("Take it back")
    expect(waiting(page, 0)).to_be_visible(timeout=MOST_MS)
    walk.button("Entries")
    walk.link("Your key, language, sign out")
    walk.link("Attempts")
    walk.sees("Attempts")
    walk.link("Week")
    context.close()
    assert faults.unexpected() == []
    assert dict.fromkeys(re.findall(r"\*\*(.+?)\*\*", told)).keys() - set(walk.clicked) == set()
    kinds = [item["event"]["type"] for item in own_demo.read("/v1/events?limit=1000&after=" + before)["items"]]
    assert kinds == ["cutledger.attempt.finished"] * 2 + ["cutledger.event.voided"]


def test_readme_leads_an_engineer_from_a_drift_to_what_is_released(own_demo: Demo, chromium: Browser) -> None:
    told = README.read_text().partition("\n## From a drift to what is released\n")[2].partition("\n## ")[0]
    before = end_of_feed(own_demo)
    faults = Faults()
    context, walk = signed_in(own_demo, chromium, faults)
    page = walk.page
    walk.link("Findings")
    page.get_by_role("link", name=re.compile("laser-15kw")).filter(has_text=re.compile("Drift|drift")).first.click()
    walk.sees("laser-15kw")
    walk.link("Hold it")
    expect(page.get_by_label("Machine", exact=True)).to_have_value("laser-15kw")
    page.get_by_label("Why", exact=True).fill("failed pierces rose")
    walk.button("Hold it")
    walk.sees("Machine laser-15kw")
    walk.link("Terminal")
    page.get_by_role("button", name="laser-15kw").click()
    page.get_by_role("button", name=re.compile(r"^P\d+-\w+.*mm", re.DOTALL)).first.click()
    expect(page.get_by_role("heading", name="On hold")).to_be_visible(timeout=MOST_MS)
    walk.clicked.append("On hold")
    page.goto("/")
    walk.link("Change")
    walk.sees("Change")
    walk.link("Trial series")
    walk.link("TR-feed")
    walk.sees("TR-feed")
    page.go_back()
    _plan(page)
    walk.button("Plan it")
    walk.sees("Trial")
    expect(page.get_by_role("heading", name="Run sheet")).to_be_visible(timeout=MOST_MS)
    walk.link("Holds")
    page.get_by_role("link", name="Machine laser-15kw").click()
    page.get_by_label("What was found").fill("nozzle changed")
    walk.button("Lift it")
    expect(page.get_by_text("The hold is lifted.")).to_be_visible(timeout=MOST_MS)
    walk.link("Released")
    _release(page)
    walk.button("Release them")
    expect(page.get_by_text("The settings are released.")).to_be_visible(timeout=MOST_MS)
    walk.link("Trace")
    walk.sees("Trace")
    context.close()
    assert faults.unexpected() == []
    assert dict.fromkeys(re.findall(r"\*\*(.+?)\*\*", told)).keys() - set(walk.clicked) == set()
    kinds = [item["event"]["type"] for item in own_demo.read("/v1/events?limit=1000&after=" + before)["items"]]
    assert kinds == [
        "cutledger.hold.placed", "cutledger.trial.planned", "cutledger.hold.lifted", "cutledger.recipe.released",
    ]  # fmt: skip


def _plan(page: Page) -> None:
    """Ask what a slower feed does."""
    for label, text in (
        ("What it is to answer", "does a slower feed save the pierce?"), ("Machine", "laser-15kw"),
        ("Material", "S355J2+N"), ("Thickness, mm", "20"),
    ):  # fmt: skip
        page.get_by_label(label, exact=True).fill(text)
    page.get_by_label("Setting 1").select_option("feed_mm_min")
    page.get_by_label("Its levels").first.fill("960 1020")


def _release(page: Page) -> None:
    """The settings of the weaker level."""
    for label, text in (
        ("Machine", "laser-15kw"), ("Material", "S355J2+N"), ("Thickness, mm", "20"), ("Recipe", "O2 15 kW 20 mm"),
        ("Revision of the recipe", "3"), ("Feed, mm/min", "960"), ("Why", "fewer failed pierces"),
    ):  # fmt: skip
        page.get_by_label(label, exact=True).last.fill(text)


def end_of_feed(demo: Demo) -> str:
    """The cursor after all that is in the ledger."""
    page = {"next": "", "more": True}
    while page["more"]:
        page = demo.read(f"/v1/events?limit=1000{'&after=' + page['next'] if page['next'] else ''}")
    return str(page["next"])


def waiting(page: Page, count: int) -> Locator:
    """What the terminal says of entries that wait."""
    return page.get_by_role("button", name=re.compile(rf"^{count}\s*waiting"))
