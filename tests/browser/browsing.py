"""A browser that reads the pages: signed in, its faults collected, its pages looked at for what people cannot use."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, Final, Literal

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, Page, ViewportSize, sync_playwright

from tests.browser.demo import Demo
from tests.grown import NEEDED

Scheme = Literal["light", "dark"]
PHONE: Final[ViewportSize] = {"width": 390, "height": 844}
DESK: Final[ViewportSize] = {"width": 1280, "height": 800}
WALL: Final[ViewportSize] = {"width": 2560, "height": 1440}
#: A sheet of A4 at 96 dots an inch.
SHEET: Final[ViewportSize] = {"width": 794, "height": 1123}

#: Longer than anything takes on a machine under load.
MOST_MS: Final = 60_000
CHROMIUM: Final = shutil.which("chromium")
NO_CHROMIUM: Final = "no chromium is on the PATH (Debian's package is called chromium)"
#: The success criteria of WCAG 2.2 up to level AA that a program can check.
WCAG: Final = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa")


@contextmanager
def chromium_running() -> Iterator[Browser]:
    """A Chromium without a window."""
    with sync_playwright() as playwright:
        # The tests run as root in a container, where Chromium's own sandbox cannot be made.
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        try:
            yield browser
        finally:
            browser.close()


@dataclass
class Faults:
    """What went wrong in the pages of a context: errors on the console, in scripts, and requests that failed."""

    seen: list[str] = field(default_factory=list)
    #: Parts of the texts of faults that a test means to bring about.
    expected: tuple[str, ...] = ()

    def watch(self, context: BrowserContext) -> None:
        context.on("console", lambda said: said.type in ("error", "warning") and self._note(f"console: {said.text}"))
        context.on("weberror", lambda error: self._note(f"script: {error.error}"))
        context.on("requestfailed", lambda request: self._note(f"request: {request.url}: {request.failure}"))
        context.on(
            "response", lambda response: response.status >= 400 and self._note(f"{response.status}: {response.url}")
        )

    def unexpected(self) -> list[str]:
        return [one for one in self.seen if not any(part in one for part in self.expected)]

    def _note(self, text: str) -> None:
        self.seen.append(text)


class Browsing:
    """Pages of a running demo in contexts of their own, each signed in with the key of a role."""

    def __init__(self, browser: Browser, demo: Demo) -> None:
        self.browser = browser
        self.demo = demo
        self.faults = Faults()
        self._signed_in: dict[str, Any] = {}
        self._contexts: list[BrowserContext] = []

    def page(
        self,
        role: str | None = "engineer",
        *,
        viewport: ViewportSize = DESK,
        scheme: Scheme = "light",
        javascript: bool = True,
        language: str = "en-GB",
    ) -> Page:
        """A page signed in with the key of a role, or with None by nobody. Addresses may be given without a host."""
        context = self.browser.new_context(
            base_url=self.demo.url,
            storage_state=None if role is None else self._state(role),
            viewport=viewport,
            color_scheme=scheme,
            # A colour half way between two is none that a page has.
            reduced_motion="reduce",
            java_script_enabled=javascript,
            locale=language,
        )
        self._contexts.append(context)
        self.faults.watch(context)
        page = context.new_page()
        page.set_default_timeout(MOST_MS)
        return page

    def close(self) -> None:
        """Close what was opened since the last time."""
        while self._contexts:
            self._contexts.pop().close()
        self.faults = Faults()

    def _state(self, role: str) -> Any:
        """The cookies of a session that was begun by the form, once."""
        if role not in self._signed_in:
            context = self.browser.new_context(base_url=self.demo.url)
            page = context.new_page()
            page.goto("/sign-in?next=/key")
            page.get_by_label("Key").fill(self.demo.keys[role])
            page.get_by_role("button", name="Sign in").click()
            page.wait_for_url("**/key")
            self._signed_in[role] = context.storage_state()
            context.close()
        return self._signed_in[role]


def violations(page: Page) -> list[str]:
    """What of a page fails a success criterion, each with the elements and what is wrong with them."""
    options = {"runOnly": {"type": "tag", "values": list(WCAG)}, "resultTypes": ["violations"]}
    # Its script is large: a page that has it already is spared it.
    axe = Axe("0") if page.evaluate("'axe' in globalThis") else Axe()
    found = axe.run(page, options=options).response["violations"]
    return [
        f"{one['id']}: {' '.join(map(str, node['target']))}: {node.get('failureSummary', '').strip()}"
        for one in found
        for node in one["nodes"][:5]
    ]


def overhanging(page: Page) -> list[str]:
    """Elements by which a page is wider than the screen; none when nobody has to scroll sideways."""
    found: list[str] = page.evaluate(
        """() => {
            const width = document.documentElement.clientWidth;
            if (document.scrollingElement.scrollWidth <= width) return [];
            const beyond = [...document.body.querySelectorAll("*")]
                .filter((one) => one.getBoundingClientRect().right > width + 0.5)
                .map((one) => `${one.tagName.toLowerCase()}.${one.className?.baseVal ?? one.className}`
                    + ` to ${Math.round(one.getBoundingClientRect().right)} of ${width}`);
            return beyond.length ? beyond.slice(0, 8) : [`${document.scrollingElement.scrollWidth} of ${width}`];
        }"""
    )
    return found


def chromium_or_skip() -> None:
    """Skip the test where no Chromium is installed; fail it where all tests must run."""
    if CHROMIUM is None:
        pytest.fail(NO_CHROMIUM) if NEEDED else pytest.skip(NO_CHROMIUM)
