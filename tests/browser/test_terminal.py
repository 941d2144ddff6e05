"""The terminal in a browser: few taps, nothing lost, what is wrong said and mended."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, Request, Route, ViewportSize, expect

from tests.browser.browsing import PHONE, overhanging, violations
from tests.browser.demo import SITE, TERMINAL_SOURCE
from tests.browser.terminals import PANEL, Shop, Terminal, copied_shop, ledger
from tests.service.serving import Serving, wait_until
from worker.database import Database
from worker.keys import new_key

Open = Callable[..., Terminal]
#: Screens, and what is tapped to come to them from that of the plates.
SCREENS = {
    "plates": [],
    "run": [".tile.plate"],
    "became": [".tile.plate", "#part-0-1"],
    "why": [".tile.plate", "#part-0-1", "#mark-scrap"],
    "jobs": [".tile.plate", "#job-0"],
    "stop": [".tile.plate", "#gave-up"],
    "stopped": [".tile.plate", "#gave-up", "#pierce-failed"],
    "time": ["#forgotten"],
    "recorded": [".tile.plate", "#part-0-1", "#mark-lost", ".cause", "#finish"],
    "rework": ["#place-rework", "#another-run"],
    "operation": ["#place-rework", "#another-run", "[data-attempt]"],
    "service": ["#place-service"],
    "handover": ["#place-handover"],
    "entries": ["#place-entries"],
    "machine": ["#place-entries", "#change-machine"],
    "timer": ["#place-rework", "#another-run", "[data-attempt]", "[data-operation]"],
    "rework end": ["#place-rework", "[data-timer]"],
}
WALL_NOW = """async () => {
    const [{ theShop }, { wallOf }] = await Promise.all(
        ["app", "zones"].map((name) => import(`/static/terminal/${name}.js`)));
    return wallOf(Date.now(), theShop().zone);
}"""
COUNT_TAPS = """() => {
    globalThis.taps = 0;
    addEventListener("click", (event) => { globalThis.taps += event.isTrusted ? 1 : 0; }, true);
}"""
#: A glove's touch; less than this is not hit.
LEAST_PIXELS = 56
#: What the clock in Berlin shows -> when that is.
CLOCKS = {
    "2026-01-15T06:15": "2026-01-15T05:15Z",
    "2026-07-15T06:15": "2026-07-15T04:15Z",
    "2026-03-29T01:59": "2026-03-29T00:59Z",
    "2026-03-29T02:30": "2026-03-29T01:30Z",  # left out by the clock: what follows
    "2026-10-25T02:30": "2026-10-25T00:30Z",  # there twice: the first
    "2026-10-25T03:00": "2026-10-25T02:00Z",
}

#: Quantities of the jobs in a run, marks in the first, outcome, reason, good parts -> what each job's attempt tells as
#: outcome, tried, good, rework, scrap.
GIVEN_UP: tuple[tuple[Any, Any], ...] = (
    # The parts after that at which it stopped were never tried.
    (([12], {}, "pierce_failed", "pierce", [2]), [["pierce_failed", 3, 2, 0, 0]]),
    (([12], {}, "aborted", "shift_end", [2]), [["aborted", 2, 2, 0, 0]]),
    # What parts were marked as before stands.
    (([12], {1: "scrap", 2: "rework"}, "aborted", "lost_cut", [3]), [["aborted", 6, 3, 1, 1]]),
    (([12], {4: "lost"}, "aborted", "lost_cut", [3]), [["aborted", 4, 3, 0, 0]]),
    # One job of the run has the part at which it stopped.
    (([2, 5], {}, "pierce_failed", "pierce", [2, 1]), [["aborted", 2, 2, 0, 0], ["pierce_failed", 2, 1, 0, 0]]),
)


@pytest.fixture(scope="module")
def shop(demo_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Shop:
    return copied_shop(demo_folder, tmp_path_factory.mktemp("terminal") / "shop")


@pytest.fixture(scope="module")
def server(shop: Shop) -> Iterator[Serving]:
    with shop.served() as running:
        yield running


@pytest.fixture
def errors() -> list[str]:
    """What scripts of the page failed with."""
    return []


@pytest.fixture(scope="module")
def sessions() -> dict[str, Any]:
    """Key -> the cookies of a session that was begun with it, by the form, once."""
    return {}


@pytest.fixture
def opened(
    chromium: Browser, shop: Shop, server: Serving, errors: list[str], sessions: dict[str, Any]
) -> Iterator[Open]:
    """Opens terminals that somebody is signed in at, with the machine chosen; no script of theirs may fail."""
    contexts: list[BrowserContext] = []

    def open_terminal(
        key: str = "terminal",
        *,
        viewport: ViewportSize = PANEL,
        clock: datetime | None = None,
        worker: bool = False,
        **how: Any,
    ) -> Terminal:
        # A worker loads all files once more: only who needs one has one.
        context = chromium.new_context(
            base_url=shop.url, viewport=viewport, has_touch=True, locale="en-GB", reduced_motion="reduce",
            storage_state=sessions.get(key), service_workers="allow" if worker else "block", **how,
        )  # fmt: skip
        contexts.append(context)
        context.on("weberror", lambda error: errors.append(str(error.error)))
        terminal = Terminal(context.new_page())
        if clock:
            terminal.page.clock.install(time=clock)
        if key in sessions:
            terminal.open()
        else:
            terminal.sign_in(shop.keys[key])
            sessions[key] = context.storage_state()
        terminal.choose_machine()
        return terminal

    yield open_terminal
    for context in contexts:
        context.close()
    assert errors == []


@pytest.fixture(scope="module")
def read_up_to() -> dict[str, str]:
    """Up to where the ledger was read when the last test began."""
    return {}


@pytest.fixture
def said(shop: Shop, server: Serving, read_up_to: dict[str, str]) -> Callable[..., list[dict[str, Any]]]:
    """What terminals posted since the test began, oldest first."""
    more = True
    while more:
        query = urlencode({"limit": 1000} | read_up_to)
        begun = server.ask("GET", f"/v1/events?{query}", key=shop.keys["admin"]).json()
        more = begun["more"]
        read_up_to["after"] = begun["next"]
    after = read_up_to["after"]

    def since(*sources: str) -> list[dict[str, Any]]:
        return ledger(server, shop.keys["admin"], *(sources or (TERMINAL_SOURCE,)), after=after)

    return since


Said = Callable[..., list[dict[str, Any]]]


def attempt(server: Serving, shop: Shop, name: str) -> dict[str, Any]:
    """An attempt as the service counts it."""
    path = f"/v1/attempts/{name}"
    wait_until(lambda: server.ask("GET", path, key=shop.keys["admin"]).status == 200, what="the attempt")
    found: dict[str, Any] = server.ask("GET", path, key=shop.keys["admin"]).json()
    return found


def taps(page: Page) -> int:
    """How often the page was touched since it was last asked."""
    return int(page.evaluate("() => { const count = globalThis.taps; globalThis.taps = 0; return count; }"))


# --- few taps ---------------------------------------------------------------------------------------------------


def test_a_normal_run_takes_two_taps_and_a_failure_five(opened: Open, said: Said) -> None:
    terminal = opened()
    page = terminal.page
    page.evaluate(COUNT_TAPS)
    terminal.tap(".tile.plate")
    terminal.finish()
    assert taps(page) == 2
    terminal.tap("#other-plate")
    taps(page)
    terminal.tap(".tile.plate")
    terminal.mark([1], "lost")
    terminal.finish()
    assert taps(page) == 5
    terminal.waits(0)
    good, lost = said()
    assert good["data"]["outcome"] == "severed"
    assert good["data"]["good"] == good["data"]["quantity"]
    assert {good["data"]["rework"], good["data"]["scrap"]} == {0}
    assert good["data"]["job"] == lost["data"]["job"], "the last one on this plate"
    assert (lost["data"]["outcome"], lost["data"]["good"]) == ("not_severed", lost["data"]["quantity"] - 1)
    assert lost["data"]["causes"][0]["certainty"] == "suspected"


def test_a_scanner_picks_the_plate_and_a_run_takes_the_parts_of_the_one_before(opened: Open, said: Said) -> None:
    terminal = opened()
    plate = terminal.page.locator(".tile.plate").nth(2).get_attribute("data-plate")
    for _ in range(2):
        terminal.page.keyboard.type(f"{plate}")
        terminal.page.keyboard.press("Enter")
        expect(terminal.page.locator("h1")).to_have_text(f"Plate {plate}")
        field = terminal.page.locator("#quantity-0")
        if field.input_value() != "7":
            terminal.set_parts(7)
            terminal.tap("h1")
        terminal.finish()
    terminal.waits(0)
    assert [(event["data"]["plate"], event["data"]["good"]) for event in said()] == [(plate, 7)] * 2


def test_what_is_still_to_make_counts_each_run_once(opened: Open, said: Said, server: Serving, shop: Shop) -> None:
    terminal = opened()
    page = terminal.page
    plate = page.locator(".tile.plate").nth(5).get_attribute("data-plate")
    terminal.tap(f"[data-plate='{plate}']")
    # Which job is proposed depends on how far the day of the demo's shop is; some have few parts to go.
    jobs = page.request.get("/terminal/known").json()["jobs"]
    most = max(jobs, key=lambda one: one["still_to_make"])["job"]
    terminal.tap("#job-0")
    page.locator("#job").fill(most)
    terminal.tap(f"[data-job='{most}']")
    for _ in range(5):
        terminal.set_parts(1)
        terminal.tap("h1")
        terminal.finish()
        terminal.tap("#next-run")
    terminal.waits(0)
    job = said()[0]["data"]["job"]
    wait_until(lambda: attempt(server, shop, said()[-1]["subject"])["state"] == "finished", what="it")
    left = server.ask("GET", f"/v1/jobs/{job}", key=shop.keys["admin"]).json()["to_make"]
    assert left > 0
    for _ in range(2):
        expect(page.locator("#job-0 .short")).to_contain_text(f"still to make: {left} of")
        # As soon as it was sent, and when the service has told anew what it counted.
        page.evaluate("async () => (await import('/static/terminal/app.js')).refresh()")


def test_every_screen_can_be_used_by_all_and_hit_with_gloves(opened: Open) -> None:
    terminal = opened(color_scheme="light")
    page = terminal.page
    wrong: list[tuple[str, Any]] = []
    for name, way in SCREENS.items():
        if page.locator("#other-plate").count():
            terminal.tap("#other-plate")
        terminal.tap("#place-plates")
        for step in way:
            terminal.tap(step)
        page.wait_for_function("() => document.title.includes(' - ')")
        assert page.locator("h1").count() == 1
        for scheme, viewport in (("light", PANEL), ("dark", PHONE)):
            page.emulate_media(color_scheme=scheme)
            page.set_viewport_size(viewport)
            wrong += [(name, one) for one in (*overhanging(page), *small(page))]
        wrong += [(name, one) for one in violations(page)]
        page.emulate_media(color_scheme="light")
        page.set_viewport_size(PANEL)
    assert wrong == []


def small(page: Page) -> list[str]:
    """What is tapped and is too small for gloves."""
    found: list[str] = page.evaluate(
        """(least) => [...document.querySelectorAll("button, a.button, input, textarea")]
            .map((one) => [one, one.getBoundingClientRect()])
            .filter(([, { width, height }]) => height && (width < least || height < least))
            .map(([one, { width, height }]) => `${one.id || one.textContent}: ${width} x ${height}`)""",
        LEAST_PIXELS,
    )
    return found


# --- what can be said -------------------------------------------------------------------------------------------


def test_lost_parts_are_made_again_as_a_retry_of_the_same_piece(
    opened: Open, said: Said, server: Serving, shop: Shop
) -> None:
    terminal = opened()
    terminal.choose_plate()
    terminal.set_parts(6)
    terminal.tap("h1")
    terminal.mark([2, 5], "lost")
    terminal.finish()
    terminal.tap("[data-retry=resume]")
    expect(terminal.page.locator(".part")).to_have_count(2)
    terminal.finish()
    terminal.waits(0)
    first, again = said()
    assert again["data"]["retry_of"] == first["subject"]
    assert (again["data"]["mode"], again["data"]["quantity"]) == ("resume", 2)
    assert again["data"]["piece"] == first["data"]["piece"]
    assert attempt(server, shop, again["subject"])["attempt_no"] == 2


def test_jobs_nested_in_one_run_are_an_attempt_each(opened: Open, said: Said) -> None:
    terminal = opened()
    terminal.choose_plate()
    # The job that was cut from the plate last, if any, is the first one's already.
    proposed = terminal.page.locator(".cut").get_attribute("aria-label")
    terminal.tap("#add-job")
    terminal.page.locator("#job").fill("J")
    terminal.page.locator(f"[data-job]:not([data-job='{proposed}'])").nth(1).tap()
    terminal.tap("#part-1-1")
    terminal.tap("#mark-rework")
    terminal.tap(".cause")
    terminal.finish()
    terminal.waits(0)
    one, other = said()
    assert one["data"]["run"] == other["data"]["run"]
    assert one["data"].get("job") != other["data"]["job"]
    assert one["subject"] != other["subject"]
    assert [event["data"]["rework"] for event in (one, other)] == [0, 1]


def test_a_run_that_was_started_is_finished_as_the_same_attempt(opened: Open, said: Said) -> None:
    terminal = opened()
    terminal.choose_plate()
    terminal.tap("#start")
    terminal.tap(".open-run")
    terminal.finish()
    terminal.waits(0)
    began, ended = said()
    assert [event["type"].rpartition(".")[2] for event in (began, ended)] == ["started", "finished"]
    assert began["subject"] == ended["subject"]
    assert began["data"]["run"] == ended["data"]["run"]


def test_a_run_that_was_given_up_says_why(opened: Open, said: Said) -> None:
    terminal = opened()
    terminal.choose_plate()
    terminal.set_parts(5)
    terminal.tap("#gave-up")
    terminal.tap("[data-reason=lost_cut]")
    terminal.tap("[id='good-0-1']")
    terminal.tap("#cause-unknown")
    terminal.is_recorded()
    terminal.waits(0)
    (event,) = said()
    told = {name: event["data"].get(name) for name in ("outcome", "stop_reason", "good", "quantity", "causes")}
    assert told == {"outcome": "aborted", "stop_reason": "lost_cut", "good": 1, "quantity": 5, "causes": None}
    made = "async ([quantities, marks, told]) => { const events = await import('/static/terminal/events.js');"
    made += " const cuts = quantities.map((one) => events.newCut(null, one)); cuts[0].marks = marks;"
    made += " return events.stopped({ cuts }, 's', 0, told).map(({ data }) =>"
    made += " [data.outcome, data.tried, data.good, data.rework, data.scrap]); }"
    for (quantities, marks, outcome, reason, good), expected in GIVEN_UP:
        how = {"outcome": outcome, "reason": reason, "good": good, "cause": None}
        marked = {str(part): {"mark": name, "cause": None} for part, name in marks.items()}
        assert terminal.page.evaluate(made, [quantities, marked, how]) == expected


def test_a_forgotten_entry_gets_its_own_time_by_the_clock_of_the_site(opened: Open, said: Said) -> None:
    terminal = opened(timezone_id="Pacific/Auckland")
    page = terminal.page
    terminal.tap("#forgotten")
    terminal.tap("#by-60")
    field = page.locator("#time")
    expect(field).not_to_have_value(page.evaluate(WALL_NOW))
    wall = field.input_value()
    zone = page.evaluate("async () => (await import('/static/terminal/app.js')).theShop().zone")
    assert zone == "Europe/Berlin"
    terminal.tap("#use-time")
    expect(page.locator("#other-time")).to_be_visible()
    terminal.tap(".tile.plate")
    terminal.finish()
    terminal.tap("#next-run")
    terminal.finish()
    terminal.waits(0)
    forgotten, now = (datetime.fromisoformat(event["time"]) for event in said())
    assert timedelta(minutes=59) < now - forgotten < timedelta(minutes=62)
    expected = page.evaluate(
        "async ([at, zone]) => (await import('/static/terminal/zones.js')).wallOf(at, zone)",
        [forgotten.timestamp() * 1000, zone],
    )
    assert expected == wall


def test_what_lies_in_the_future_is_not_taken(opened: Open) -> None:
    terminal = opened()
    terminal.tap("#forgotten")
    terminal.tap("#by15")
    expect(terminal.page.get_by_role("alert").filter(has_text="future")).to_be_visible()
    terminal.page.locator("#use-time").tap(force=True)
    expect(terminal.page.locator("h1")).to_have_text("When was it?")


def test_the_clock_of_the_site_is_read_rightly_when_it_changes(opened: Open) -> None:
    read = "async (walls) => {"
    read += " const { instantOf } = await import('/static/terminal/zones.js');"
    read += " return walls.map((wall) => instantOf(wall, 'Europe/Berlin')); }"
    found = opened().page.evaluate(read, list(CLOCKS))
    assert [datetime.fromtimestamp(ms / 1000, UTC) for ms in found] == [
        datetime.fromisoformat(utc) for utc in CLOCKS.values()
    ]


def test_the_clock_of_rework_runs_on_while_the_page_is_closed_and_asks_after_a_long_time(
    opened: Open, said: Said
) -> None:
    terminal = opened()
    page = terminal.page
    terminal.choose_plate()
    terminal.mark([1], "rework")
    terminal.finish()
    terminal.tap("#place-rework")
    begun = datetime.now(UTC)
    page.clock.install(time=begun)
    terminal.tap("[data-attempt]")
    terminal.tap("[data-operation=grinding]")
    expect(page.locator("[data-since]")).to_be_visible()
    page.goto("about:blank")
    page.clock.set_fixed_time(begun + timedelta(minutes=50))
    terminal.open()
    asked = page.locator(".ask", has_text="still at it?")
    expect(asked).to_be_visible()
    asked.get_by_role("button", name="Yes").tap()
    expect(asked).to_have_count(0)
    terminal.tap("#place-rework")
    terminal.tap("[data-timer]")
    expect(page.locator("#minutes")).to_have_value("50")
    terminal.tap("[id='minutes--10']")
    terminal.tap("#record-rework")
    terminal.is_recorded()
    terminal.waits(0)
    cut, work = said()
    assert work["subject"] == cut["subject"]
    told = {"operation": "grinding", "minutes": 40, "parts": 1, "recovered": 1, "scrapped": 0}
    assert work["data"] == told
    assert datetime.now(UTC) - datetime.fromisoformat(work["time"]) < timedelta(minutes=2), "its clock is put right"
    # As if the browser had been closed after the entry was kept, and before its clock was let go of.
    restored = "async (id) => (await import('/static/terminal/store.js')).keep('timers', [{ id, startedAt: 0,"
    restored += " askAt: 0, endedAt: 1, operation: 'grinding', run: {} }])"
    page.evaluate(restored, terminal.kept()[-1]["group"])
    terminal.open()
    terminal.tap("#place-rework")
    expect(page.locator("h2")).to_have_text("Parts in rework")
    expect(page.locator("[data-timer]")).to_have_count(0)


@pytest.mark.parametrize("off", [timedelta(days=3), timedelta(days=-3650)], ids=["ahead", "behind"])
def test_a_device_whose_clock_is_wrong_makes_entries_with_right_times(opened: Open, said: Said, off: timedelta) -> None:
    terminal = opened(clock=datetime.now(UTC) + off)
    expect(terminal.page.locator("#bar")).to_contain_text("set it")
    before = datetime.now(UTC)
    terminal.tap("#place-service")
    terminal.tap("[data-service=slats]")
    terminal.is_recorded()
    terminal.tap("#take-back")
    expect(terminal.page.locator("h1")).to_have_text("Which plate?")
    terminal.waits(0)
    done, void = (datetime.fromisoformat(event["time"]) for event in said())
    assert abs(done - before) < timedelta(minutes=1)
    assert abs(void - before) < timedelta(minutes=1)


def test_two_tabs_keep_the_clocks_of_both(opened: Open, said: Said) -> None:
    terminal = opened()
    terminal.choose_plate()
    terminal.finish()
    other = Terminal(terminal.page.context.new_page())
    other.open()
    for one, operation in ((terminal, "grinding"), (other, "straightening")):
        one.page.bring_to_front()
        one.tap("#place-rework")
        one.tap("#another-run")
        one.tap("[data-attempt]")
        one.tap(f"[data-operation={operation}]")
        expect(one.page.locator("[data-since]").first).to_be_visible()
    other.tap("#place-plates")
    other.choose_plate()
    terminal.open()
    terminal.tap("#place-rework")
    expect(terminal.page.locator("[data-timer]")).to_have_count(2)


def test_parts_that_were_not_judged_are_judged_later_also_without_network(opened: Open, said: Said) -> None:
    terminal = opened()
    terminal.page.context.set_offline(True)
    terminal.choose_plate()
    terminal.set_parts(4)
    terminal.tap("#not-judged")
    terminal.is_recorded()
    cut = terminal.last()
    terminal.tap("#other-plate")
    terminal.tap("#unjudged")
    terminal.tap(f"[data-attempt='{cut['subject']}']")
    terminal.tap("[id='judge-scrap-1']")
    terminal.tap("#cause-unknown")
    terminal.is_recorded()
    terminal.waits(2)
    terminal.page.context.set_offline(False)
    terminal.waits(0)
    first, verdict = said()
    assert (first["data"]["outcome"], first["data"].get("good")) == ("severed", None)
    assert (verdict["subject"], verdict["data"]) == (cut["subject"], {"good": 3, "rework": 0, "scrap": 1})


def test_a_note_for_the_next_shift_is_made_without_network(opened: Open, said: Said) -> None:
    terminal = opened()
    page = terminal.page
    page.context.set_offline(True)
    terminal.tap("#place-handover")
    page.locator("#note").fill("Nozzle centred.\nP-7 is left on the slats.")
    terminal.tap("#hand-over")
    terminal.is_recorded()
    terminal.tap("#place-handover")
    expect(page.locator("blockquote").first).to_contain_text("P-7 is left on the slats.")
    page.context.set_offline(False)
    terminal.waits(0)
    (event,) = said()
    assert (event["type"], event["subject"]) == ("cutledger.shift.handed_over", "laser-15kw")
    assert event["data"] == {"note": "Nozzle centred.\nP-7 is left on the slats."}


# --- taking back ------------------------------------------------------------------------------------------------


def looked_at(opened: Open, server: Serving, shop: Shop) -> None:
    """Somebody looked at the machine just now: what other tests let fail on it is over."""
    machine = opened().page.evaluate("async () => (await import('/static/terminal/app.js')).state.machine")
    told = {
        "specversion": "1.0", "id": f"looked {datetime.now(UTC).isoformat()}", "source": "/maintenance",
        "type": "cutledger.machine.checked", "subject": machine, "time": datetime.now(UTC).isoformat(),
        "data": {"checks": [{"what": "nozzle", "found": "replaced"}]},
    }  # fmt: skip
    assert server.ask("POST", "/v1/events", key=shop.keys["admin"], body=told).status == 202


def test_three_failed_pierces_ask_at_once_what_was_found_also_without_network(
    opened: Open, said: Said, server: Serving, shop: Shop
) -> None:
    looked_at(opened, server, shop)
    terminal = opened()
    page = terminal.page
    page.context.set_offline(True)
    for turn in range(3):
        assert page.locator("#look-now").count() == 0, turn
        terminal.choose_plate()
        terminal.tap("#gave-up")
        terminal.tap("#pierce-failed")
        terminal.tap(".cause")
        terminal.is_recorded()
    alert = page.get_by_role("alert", name="Look at the machine first")
    expect(alert).to_contain_text("Failed pierces in succession: 3")
    assert violations(page) == []
    terminal.tap("#look-now")
    assert [one.inner_text() for one in page.locator("section.cut h2").all()] == [
        "nozzle", "centring of the nozzle", "protective window", "gas",
    ]  # fmt: skip
    terminal.tap("#nozzle-replaced")
    terminal.tap("#nozzle_centring-set_right")
    assert violations(page) == []
    terminal.tap("#record-check")
    terminal.is_recorded()
    assert page.locator("#look-now").count() == 0
    page.context.set_offline(False)
    page.evaluate("() => dispatchEvent(new Event('online'))")
    terminal.waits(0)
    checked = said()[-1]
    assert checked["type"] == "cutledger.machine.checked"
    assert [(one["what"], one["found"]) for one in checked["data"]["checks"]] == [
        ("nozzle", "replaced"), ("nozzle_centring", "set_right"), ("protective_window", "not_looked_at"),
        ("gas", "not_looked_at"),
    ]  # fmt: skip
    terminal.tap("#place-plates")
    assert page.locator("#look-now").count() == 0


def test_the_next_run_of_a_trial_is_shown_and_recorded_as_it(
    opened: Open, said: Said, server: Serving, shop: Shop
) -> None:
    machine = opened().page.evaluate("async () => (await import('/static/terminal/app.js')).state.machine")
    plan = {
        "id": "TR-terminal", "question": "slower?", "machine": machine, "material": "S355J2+N", "thickness_mm": 20,
        "response": "first_pass", "factors": [{"name": "feed_mm_min", "levels": [850, 950]}], "replicates": 1,
        "seed": 1,
    }  # fmt: skip
    planned = server.ask("POST", "/v1/trials", key=shop.keys["admin"], body=plan)
    assert planned.status == 201, planned.body
    first = planned.json()["sheet"][0]
    terminal = opened()
    terminal.choose_plate()
    page = terminal.page
    expect(page.get_by_role("heading", name="Trial TR-terminal, run 1")).to_be_visible()
    terminal.tap("#trial-TR-terminal")
    expect(page.locator("#trial-TR-terminal")).to_have_attribute("aria-pressed", "true")
    assert violations(page) == []
    terminal.finish()
    terminal.waits(0)
    finished, cut = said()
    assert finished["data"]["purpose"] == "trial"
    assert finished["data"]["recipe"] == {"feed_mm_min": first["levels"][0]}
    assert (cut["type"], cut["subject"]) == ("cutledger.trial.cut", "TR-terminal")
    assert cut["data"] == {"run": 1, "attempt": finished["subject"]}
    ended = {"reason": "abandoned", "conclusion": "it was a test"}
    server.ask("POST", "/v1/trials/TR-terminal/conclusion", key=shop.keys["admin"], body=ended)


@contextmanager
def acted(server: Serving, shop: Shop, plate: dict[str, Any], machine: str) -> Iterator[None]:
    """A hold on a plate, and settings released for it; both ended after it."""
    admin = shop.keys["admin"]
    place = {
        "machine": machine, "material": plate["material"], "thickness_mm": plate["thickness_mm"], "gas": "oxygen",
        "reason": "proven",
    }  # fmt: skip
    settings = {"name": "R-1", "revision": "C", "power_w": 12000, "feed_mm_min": 900.5}
    held = server.ask("POST", "/v1/holds", key=admin, body={"plate": plate["plate"], "reason": "pitted"})
    released = server.ask("POST", "/v1/releases", key=admin, body=place | {"recipe": settings})
    assert (held.status, released.status) == (201, 201), held.body + released.body
    yield
    lifting = f"/v1/holds/{held.json()['id']}/lifting"
    assert server.ask("POST", lifting, key=admin, body={"reason": "cleaned"}).status == 201
    assert server.ask("POST", "/v1/releases/withdrawal", key=admin, body=place).status == 201


def test_a_hold_is_shown_before_the_cut_and_released_settings_are_taken_or_said_to_be_others(
    opened: Open, said: Said, server: Serving, shop: Shop
) -> None:
    known = opened().page.evaluate("async () => (await import('/static/terminal/app.js')).theShop().plates")
    machine = opened().page.evaluate("async () => (await import('/static/terminal/app.js')).state.machine")
    with acted(server, shop, known[0], machine):
        terminal = opened()
        page = terminal.page
        page.evaluate(f"async () => (await import('/static/terminal/app.js')).beginRun({known[0]['plate']!r})")
        expect(page.get_by_role("alert", name="On hold")).to_contain_text("pitted")
        expect(page.locator(".released")).to_contain_text("R-1 / C")
        terminal.tap("#as-released-oxygen")
        expect(page.locator("#as-released-oxygen")).to_have_attribute("aria-pressed", "true")
        terminal.finish()
        page.evaluate(f"async () => (await import('/static/terminal/app.js')).beginRun({known[0]['plate']!r})")
        terminal.tap("#otherwise-oxygen")
        page.locator("#setting-feed_mm_min").fill("nothing")
        page.locator("#setting-feed_mm_min").press("Enter")
        expect(page.locator("p[role=alert]")).to_have_text("Each setting is a number")
        page.locator("#setting-feed_mm_min").fill("850,5")
        page.locator("#setting-feed_mm_min").press("Enter")
        assert violations(page) == []
        terminal.tap("#use-settings")
        expect(page.locator(".release")).to_contain_text("Settings that are not as released: 1")
        assert violations(page) == []
        terminal.finish()
        terminal.waits(0)
    as_released, otherwise = said()
    assert as_released["data"]["recipe"] == {"name": "R-1", "revision": "C", "power_w": 12000, "feed_mm_min": 900.5}
    assert otherwise["data"]["recipe"] == as_released["data"]["recipe"] | {"feed_mm_min": 850.5}
    assert {one["data"]["gas"] for one in (as_released, otherwise)} == {"oxygen"}


@pytest.mark.parametrize("is_sent", [True, False], ids=["sent", "not yet sent"])
def test_the_last_entry_is_taken_back_by_a_void(opened: Open, said: Said, is_sent: bool) -> None:
    terminal = opened()
    page = terminal.page
    page.context.set_offline(not is_sent)
    terminal.choose_plate()
    terminal.finish()
    if is_sent:
        terminal.waits(0)
    terminal.tap("#other-plate")
    terminal.tap("#take-back")
    terminal.tap("#take-back-yes")
    expect(page.locator("#take-back-yes")).to_have_count(0)
    page.context.set_offline(False)
    terminal.waits(0)
    cut, void = said()
    assert void["type"] == "cutledger.event.voided"
    assert (void["data"]["source"], void["data"]["id"]) == (cut["source"], cut["id"])
    assert void["subject"] == cut["subject"]


# --- what goes wrong --------------------------------------------------------------------------------------------


def posted(request: Request) -> list[dict[str, Any]]:
    """The events of a request."""
    events: list[dict[str, Any]] = json.loads(request.post_data or "[]")
    return events


def test_a_refused_entry_is_kept_and_said_and_holds_nothing_up(opened: Open, said: Said) -> None:
    terminal = opened()
    page = terminal.page

    spoiled = {"what": "no-such-thing"}
    late = ["so"]

    def spoil(route: Route) -> None:
        events = posted(route.request)
        for event in events:
            if event["type"].endswith("serviced"):
                event["data"] |= spoiled
                event["time"] = "2099-01-01T00:00:00Z" if "what" not in spoiled and late else event["time"]
        route.continue_(post_data=json.dumps(events))

    page.route("**/v1/events*", spoil)
    page.context.set_offline(True)
    terminal.tap("#place-service")
    terminal.tap("[data-service=lens]")
    terminal.is_recorded()
    terminal.choose_plate()
    terminal.finish()
    terminal.waits(2)
    page.context.set_offline(False)
    terminal.waits(0)
    assert [event["type"].rpartition(".")[2] for event in said()] == ["finished"]
    expect(page.locator("#bar")).to_contain_text("Refused: 1")
    terminal.tap("#waits")
    expect(page.locator("#refused")).to_contain_text("no-such-thing")
    # What was wrong about it was not the entry's fault: it is sent once more, and at its right time.
    spoiled.clear()
    terminal.tap("[id^=again-]")
    expect(page.locator("#refused")).to_contain_text("ahead of the server's clock")
    late.clear()
    terminal.tap("[id^=retime-]")
    terminal.tap("#by-15")
    terminal.tap("#use-time")
    expect(page.locator("#refused")).to_have_count(0)
    terminal.waits(0)
    made = datetime.fromisoformat(said()[-1]["time"])
    assert timedelta(minutes=14) < datetime.now(UTC) - made < timedelta(minutes=17)
    assert [entry["state"] for entry in terminal.kept()] == ["posted", "posted"]
    # Another one is put aside.
    spoiled["what"] = "no-such-thing"
    terminal.tap("#place-service")
    terminal.tap("[data-service=lens]")
    terminal.is_recorded()
    expect(page.locator("#bar")).to_contain_text("Refused: 1")
    terminal.tap("#waits")
    terminal.tap("[data-aside]")
    expect(page.locator("#refused")).to_have_count(0)
    assert [entry["state"] for entry in terminal.kept()] == ["posted", "posted", "refused"], "kept all the same"


def test_a_lost_session_keeps_all_and_goes_on_after_signing_in(opened: Open, said: Said, shop: Shop) -> None:
    terminal = opened()
    page = terminal.page
    page.context.clear_cookies()
    terminal.choose_plate()
    terminal.finish()
    expect(page.locator(".link")).to_contain_text("Signed out")
    terminal.waits(1)
    assert said() == []
    terminal.tap("#sign-in")
    page.get_by_label("Key").fill(shop.keys["terminal"])
    page.get_by_role("button", name="Sign in").click()
    terminal.waits(0)
    assert len(said()) == 1


def test_entries_wait_for_a_key_that_may_send_them(opened: Open, said: Said, shop: Shop) -> None:
    database = Database(f"sqlite:///{shop.folder / 'data' / 'cutledger.sqlite3'}")
    now_us = int(datetime.now(UTC).timestamp() * 1_000_000)
    with database.write() as connection:
        other = new_key(
            connection, name="bay 9", roles=["terminal"], sites=[SITE], source_prefix="/terminals/bay-9", now_us=now_us
        )[0]
    database.close()
    terminal = opened()
    page = terminal.page
    page.context.set_offline(True)
    terminal.choose_plate()
    terminal.finish()
    page.context.clear_cookies()
    page.context.set_offline(False)
    terminal.sign_in(other)
    expect(page.locator("#bar")).to_contain_text("Kept for another key: 1")
    terminal.choose_plate()
    terminal.finish()
    terminal.waits(1)
    assert [event["source"] for event in said(TERMINAL_SOURCE, "/terminals/bay-9")] == ["/terminals/bay-9"]
    page.context.clear_cookies()
    terminal.sign_in(shop.keys["terminal"])
    terminal.waits(0)
    assert [event["source"] for event in said()] == [TERMINAL_SOURCE]


@pytest.mark.parametrize("status", [413, 503, 404])
def test_what_the_service_cannot_take_now_is_sent_again(opened: Open, said: Said, status: int) -> None:
    terminal = opened()
    sent: list[int] = []
    network = {"is_cut": True}

    def refuse(route: Route) -> None:
        if network["is_cut"]:
            route.abort()
            return
        sent.append(len(posted(route.request)))
        if sent[-1] > 1 if status == 413 else len(sent) == 1:
            # A 404 like this is none of ours: nothing is held back by it.
            route.fulfill(status=status, headers={"Retry-After": "0"}, json={"detail": "not now"})
        else:
            route.continue_()

    terminal.page.route("**/v1/events*", refuse)
    for _ in range(3):
        terminal.tap("#place-service")
        terminal.tap("[data-service=slats]")
        terminal.is_recorded()
    network["is_cut"] = False
    # It need not wait for the time at which it tries again by itself.
    terminal.page.evaluate("dispatchEvent(new Event('online'))")
    terminal.waits(0)
    assert sent == ([3, 2, 1, 1, 1] if status == 413 else [3, 3])
    assert len(said()) == 3


def test_an_entry_at_which_the_service_fails_holds_the_others_not_up(opened: Open, said: Said) -> None:
    terminal = opened()
    page = terminal.page
    fails = {"lens"}

    def fail(route: Route) -> None:
        if any(event["data"]["what"] in fails for event in posted(route.request)):
            route.fulfill(status=500, json={"detail": "a fault"})
        else:
            route.continue_()

    page.route("**/v1/events*", fail)
    page.context.set_offline(True)
    for what in ("slats", "lens", "filter"):
        terminal.tap("#place-service")
        terminal.tap(f"[data-service={what}]")
        terminal.is_recorded()
    page.context.set_offline(False)
    terminal.waits(1)
    assert [event["data"]["what"] for event in said()] == ["slats", "filter"]
    fails.clear()
    terminal.tap("#waits")
    terminal.tap("#send-now")
    terminal.waits(0)
    assert [event["data"]["what"] for event in said()] == ["slats", "filter", "lens"]


def test_two_tabs_send_each_entry_once(opened: Open, said: Said) -> None:
    terminal = opened(worker=True)
    other = Terminal(terminal.page.context.new_page())
    other.open()
    requests: list[Sequence[str]] = []
    terminal.page.context.on(
        "request",
        lambda request: request.method == "POST" and requests.append([event["id"] for event in posted(request)]),
    )
    terminal.page.bring_to_front()
    for _ in range(3):
        terminal.choose_plate()
        terminal.finish()
    terminal.waits(0)
    other.page.bring_to_front()
    other.waits(0)
    ids = [event["id"] for event in said()]
    assert len(ids) == 3
    assert sorted(one for ids in requests for one in ids) == sorted(ids)


def test_a_new_release_takes_the_place_of_the_old_one_and_keeps_what_waits(opened: Open, said: Said) -> None:
    terminal = opened(worker=True)
    page = terminal.page
    page.evaluate("navigator.serviceWorker.ready")
    kept = "async () => (await caches.keys()).filter((name) => name.startsWith('terminal-'))"
    (before,) = page.evaluate(kept)
    page.context.set_offline(True)
    terminal.choose_plate()
    terminal.finish()
    terminal.waits(1)
    page.context.set_offline(False)
    page.goto("/language/de?next=/terminal")
    expect(page.locator("html")).to_have_attribute("lang", "de")
    (after,) = page.evaluate(kept)
    assert after != before
    script = page.evaluate("async () => (await navigator.serviceWorker.ready).active.scriptURL")
    assert "plain" not in script, "with modules, so that it can send while no page is open"
    terminal.waits(0)
    assert len(said()) == 1


def test_the_worker_sends_while_no_page_of_the_terminal_is_open(opened: Open, said: Said) -> None:
    terminal = opened(worker=True)
    page, context = terminal.page, terminal.page.context
    page.evaluate("navigator.serviceWorker.ready")
    context.set_offline(True)
    terminal.choose_plate()
    terminal.finish()
    terminal.waits(1)
    other = context.new_page()
    page.close()
    tools = context.new_cdp_session(other)
    registered: list[dict[str, Any]] = []
    tools.on("ServiceWorker.workerRegistrationUpdated", lambda told: registered.extend(told["registrations"]))
    tools.send("ServiceWorker.enable")
    wait_until(lambda: bool(registered) or other.wait_for_timeout(50) is not None, what="the worker")
    context.set_offline(False)
    told = {"origin": registered[0]["scopeURL"].removesuffix("/terminal"), "tag": "entries", "lastChance": False}
    tools.send("ServiceWorker.dispatchSyncEvent", {**told, "registrationId": registered[0]["registrationId"]})
    wait_until(lambda: len(said()) == 1, what="the entry")
