"""A shift at the terminal: network cut, server killed, browser closed; the ledger holds each entry once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from itertools import cycle
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, expect

from tests.browser.terminals import Terminal, copied_shop, device, kill, ledger

Entry = Callable[[Terminal], None]


def all_good(terminal: Terminal) -> None:
    """A run without a fault, on the plate of the one before where there is one."""
    follows = terminal.page.locator("#next-run")
    if follows.count():
        terminal.tap("#next-run")
    else:
        terminal.choose_plate()
    terminal.finish()


def one_scrap(terminal: Terminal) -> None:
    terminal.choose_plate()
    terminal.mark([1], "scrap")
    terminal.finish()


def given_up(terminal: Terminal) -> None:
    terminal.choose_plate()
    terminal.tap("#gave-up")
    terminal.tap("#pierce-failed")
    terminal.tap(".cause")
    terminal.is_recorded()


def new_nozzle(terminal: Terminal) -> None:
    terminal.tap("#place-service")
    terminal.tap("[data-service=nozzle]")
    terminal.is_recorded()


#: Five entries, which make a part of a shift.
ENTRIES: tuple[Entry, ...] = (all_good, one_scrap, all_good, given_up, new_nozzle)
EACH = 15


def record(terminal: Terminal, entries: Any, made: list[tuple[datetime, datetime]]) -> None:
    """Make a quarter of the shift's entries, and note between which times each was made."""
    for _ in range(EACH):
        before = datetime.now(UTC)
        next(entries)(terminal)
        made.append((before, datetime.now(UTC)))


def test_a_shift_of_sixty_entries_reaches_the_ledger_once_each_whatever_is_cut(
    chromium: Browser, demo_folder: Path, tmp_path: Path
) -> None:
    shop, profile = copied_shop(demo_folder, tmp_path / "shop"), tmp_path / "profile"
    made: list[tuple[datetime, datetime]] = []
    entries = cycle(ENTRIES)
    with shop.served() as running, device(profile, chromium, shop) as browser:
        terminal = Terminal(browser.pages[0])
        terminal.sign_in(shop.keys["terminal"])
        terminal.choose_machine()
        record(terminal, entries, made)
        terminal.waits(0)
        # All files are on the device before the network goes.
        terminal.page.evaluate("navigator.serviceWorker.ready")
        browser.set_offline(True)
        record(terminal, entries, made)
        terminal.waits(EACH)
        expect(terminal.page.locator(".link")).to_contain_text("No network")
        kill(running)
    with device(profile, chromium, shop) as browser:
        terminal = Terminal(browser.pages[0])
        terminal.open()
        terminal.waits(EACH)
        expect(terminal.page.locator(".age")).to_contain_text("Shop data of")
        record(terminal, entries, made)
        terminal.waits(2 * EACH)
    with shop.served() as running, device(profile, chromium, shop) as browser:
        terminal = Terminal(browser.pages[0])
        terminal.open()
        record(terminal, entries, made)
        terminal.waits(0)
        held = ledger(running, shop.keys["admin"])
        kept = [entry["event"] for entry in terminal.kept()]
    assert len(made) == 60
    assert [event["id"] for event in held] == [event["id"] for event in kept], "each once, in the order of the shift"
    assert held == kept
    times = [datetime.fromisoformat(event["time"]) for event in held]
    assert outside(made, times) == []


def outside(made: Sequence[tuple[datetime, datetime]], times: Sequence[datetime]) -> list[Any]:
    """Entries whose time is not that at which they were made, to the millisecond that the browser's clock has."""
    return [
        (at, span)
        for span, at in zip(made, times, strict=True)
        if not span[0].timestamp() - 0.001 <= at.timestamp() <= span[1].timestamp()
    ]
