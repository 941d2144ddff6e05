"""A terminal in a browser: what a person taps, and what the device and the ledger hold then."""

from __future__ import annotations

import json
import os
import shutil
import signal
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from playwright.sync_api import Browser, BrowserContext, Page, ViewportSize, expect

from tests.browser.browsing import CHROMIUM
from tests.browser.demo import TERMINAL_SOURCE
from tests.service.serving import Serving, free_port, serving

PANEL: Final[ViewportSize] = {"width": 1280, "height": 800}
#: Waiting in the browser is cut short; a machine under load needs longer than a person would wait.
PATIENCE_MS: Final = 20_000
_PAGE_SIZE: Final = 1000

expect.set_options(timeout=PATIENCE_MS)


@dataclass
class Shop:
    """A folder with the demo's shop, served on one port as often as is wanted, and the keys to it."""

    folder: Path
    port: int
    keys: Mapping[str, str]

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @contextmanager
    def served(self) -> Iterator[Serving]:
        with serving(self.folder, "--quiet", port=self.port) as running:
            yield running
            if running.process.poll() is None:
                running.end()


def copied_shop(demo: Path, at: Path) -> Shop:
    """The demo's shop in a folder of its own."""
    shutil.copytree(demo, at)
    return Shop(at, free_port(), json.loads((at / "keys.json").read_text()))


def kill(running: Serving) -> None:
    """End a server as a power cut would, with all its processes."""
    for process in (running.process.pid, *running.children()):
        os.kill(process, signal.SIGKILL)
    running.process.wait()


def ledger(running: Serving, key: str, *sources: str, after: str | None = None) -> list[dict[str, Any]]:
    """All events of these sources in the ledger, in its order."""
    found: list[dict[str, Any]] = []
    while True:
        query = f"?limit={_PAGE_SIZE}" + (f"&after={after}" if after else "")
        answer = running.ask("GET", f"/v1/events{query}", key=key)
        assert answer.status == 200, answer.body
        piece = answer.json()
        found += [item["event"] for item in piece["items"]]
        after = piece["next"]
        if not piece["more"]:
            return [event for event in found if event["source"] in (sources or (TERMINAL_SOURCE,))]


@contextmanager
def device(profile: Path, browser: Browser, shop: Shop) -> Iterator[BrowserContext]:
    """A browser that keeps what it has in a folder; closing it ends its process."""
    context = browser.browser_type.launch_persistent_context(
        str(profile), executable_path=CHROMIUM, args=["--no-sandbox"], base_url=shop.url, viewport=PANEL,
        has_touch=True, locale="en-GB", reduced_motion="reduce",
    )  # fmt: skip
    try:
        yield context
    finally:
        context.close()


class Terminal:
    """The terminal's page, as a person uses it."""

    def __init__(self, page: Page) -> None:
        self.page = page

    def sign_in(self, key: str) -> None:
        """Sign in by the form."""
        self.page.goto("/sign-in?next=/terminal")
        self.page.get_by_label("Key").fill(key)
        self.page.get_by_role("button", name="Sign in").click()
        self.page.wait_for_url("**/terminal")

    def open(self) -> None:
        """Open the page, as a bookmark would."""
        self.page.goto("/terminal")
        expect(self.page.locator("#waits")).to_be_visible()

    def tap(self, selector: str) -> None:
        """Tap what is there."""
        self.page.locator(selector).first.tap()

    def choose_machine(self) -> None:
        """Say once which machine this is."""
        expect(self.page.locator("h1")).to_have_text("Which machine is this?")
        self.tap(".tile")
        expect(self.page.locator("h1")).to_have_text("Which plate?")

    def choose_plate(self) -> None:
        """Pick the first plate."""
        self.tap("#place-plates")
        self.tap(".tile.plate")
        expect(self.page.locator("#finish")).to_be_visible()

    def set_parts(self, parts: int) -> None:
        """Say how many parts the run has."""
        field = self.page.locator("#quantity-0")
        field.fill(str(parts))
        field.press("Enter")
        expect(self.page.locator(".part")).to_have_count(parts)

    def mark(self, parts: list[int], mark: str) -> None:
        """Say what became of parts, for the cause that is used most."""
        for part in parts:
            self.tap(f"#part-0-{part}")
        self.tap(f"#mark-{mark}")
        self.tap(".cause")

    def finish(self) -> None:
        """End the run as it is marked."""
        self.tap("#finish")
        self.is_recorded()

    def is_recorded(self) -> None:
        """It is shown as done."""
        expect(self.page.locator("h1")).to_have_text("Recorded")

    def waits(self, count: int) -> None:
        """So many entries wait, as the page says."""
        expect(self.page.locator("#waits")).to_have_attribute("data-waiting", str(count))
        expect(self.page.locator("#waits strong")).to_have_text(str(count))

    def kept(self) -> list[dict[str, Any]]:
        """All entries that the device keeps."""
        found: list[dict[str, Any]] = self.page.evaluate(
            "async () => (await import('/static/terminal/store.js')).readEntries()"
        )
        return found

    def last(self) -> dict[str, Any]:
        """The event that was made last."""
        event: dict[str, Any] = self.kept()[-1]["event"]
        return event
