"""The play: the invented shop's terminals post through the real door, and the week is read back."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from threading import Event as Flag
from threading import Lock
from typing import Any, Final

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from demo import hours
from demo.door import BATCH, LINES, ONE, Door, DoorRefused, DoorSilent
from demo.posting import Stream
from demo.proving import prove
from demo.shop import Shop, make_shop
from demo.weekly import show_findings, show_week

SITE: Final = "main"
REPORT: Final = "/v1/reports/yield"
FINDINGS: Final = "/v1/findings"
#: Keys that belong to no sender; what is entered with the second is said by its source.
READER: Final = "reader"
PAGES: Final = "pages"
PAGES_SOURCE: Final = "/terminals/demo"
#: Complaints shown; the others are only counted.
SHOWN: Final = 5


@dataclass(slots=True)
class Played:
    """What came of it: verdicts of the door, seconds from the first post to the last count, the week's report.

    `report` is None when it was never reached; `complaints` are in words, and any of them makes the exit code 1.
    """

    week: str
    posted: int = 0
    verdicts: Counter[str] = field(default_factory=Counter)
    asked_again: int = 0
    seconds: float = 0.0
    reader_key: str | None = None
    #: Signs in to the pages, and records at the terminal.
    page_key: str | None = None
    report: dict[str, Any] | None = None
    #: What a look at all of it found; None when none came round in time.
    findings: list[dict[str, Any]] | None = None
    complaints: list[str] = field(default_factory=list)

    @property
    def exit_code(self) -> int:
        """0 when every event was accepted, or answered as the duplicate that it was; else 1."""
        return 1 if self.complaints or self.report is None else 0


def play(
    *,
    url: str,
    admin_key: str,
    until: datetime,
    seed: int = 7,
    console: Console,
    shop: Shop | None = None,
    patience_seconds: float = 60.0,
    counting_seconds: float = 180.0,
    looking_seconds: float = 60.0,
) -> Played:
    """Play the shop up to the aware instant `until` through the service at url, and print the last complete week.

    Sets the site's settings, makes a key for every terminal, posts all streams at once, waits until all is counted.
    A refusal, an unexpected verdict or a silent service is said on the console and in `complaints`; nothing is raised.
    """
    today = hours.production_day(until)
    played = Played(week=hours.week_name(hours.last_complete_week(today)))
    shop = shop or make_shop(seed, last_day=today, until=until)
    begun = time.monotonic()
    try:
        keys = _set_up(Door(url, admin_key, patience_seconds), shop)
        played.reader_key, played.page_key = keys[READER], keys[PAGES]
        _post_all(shop, keys, played, url=url, console=console, patience_seconds=patience_seconds)
        with Door(url, played.page_key, patience_seconds) as door:
            prove(door, site=SITE, source=PAGES_SOURCE, seed=shop.seed)
        with Door(url, played.reader_key, patience_seconds) as door:
            played.report = _counted_week(door, played.week, within_seconds=counting_seconds)
            played.seconds = time.monotonic() - begun
            position = played.report["as_of"]["position"]
            played.findings = _found(door, position, within_seconds=looking_seconds)
    except (DoorRefused, DoorSilent) as failure:
        played.complaints.append(str(failure))
    played.seconds = played.seconds or time.monotonic() - begun
    _show(console, played, url=url, currency=shop.settings["rates"]["currency"])
    return played


def _set_up(door: Door, shop: Shop) -> dict[str, str]:
    """Set the site, and make a key for each sender (by its source), one to read with and one for the pages."""
    with door:
        door.send("PUT", f"/v1/sites/{SITE}", body=shop.settings)
        keys = {
            READER: _new_key(door, "demo reader", "reader"),
            PAGES: _new_key(door, "demo foreman", "engineer", "terminal", source_prefix=PAGES_SOURCE),
        }
        for stream in shop.streams:
            name = f"demo {stream.source.rpartition('/')[2]}"
            keys[stream.source] = _new_key(door, name, stream.role, source_prefix=stream.source)
        return keys


def _new_key(door: Door, name: str, *roles: str, **bound: str) -> str:
    made = door.send("POST", "/v1/keys", body={"name": name, "roles": list(roles), "sites": [SITE], **bound})
    return str(made["key"])


def _post_all(
    shop: Shop, keys: dict[str, str], played: Played, *, url: str, console: Console, patience_seconds: float
) -> None:
    """Post the streams at once, one thread each; the late ones when the others are through."""
    with _progress(console, total=shop.posted) as advance:
        for late in (False, True):
            turn = [stream for stream in shop.streams if stream.late == late]
            if not turn:
                continue
            poster = _Poster(played, advance=advance)
            with ThreadPoolExecutor(len(turn)) as pool:
                doors = [Door(url, keys[stream.source], patience_seconds) for stream in turn]
                try:
                    list(pool.map(poster.post, turn, doors))
                finally:
                    # Also when the user ends it: no thread goes on to its next batch.
                    poster.stop.set()


class _Poster:
    """Posts streams from several threads, and books what the door answers."""

    def __init__(self, played: Played, *, advance: Callable[[int], None]) -> None:
        self.stop = Flag()
        self._played = played
        self._advance = advance
        self._lock = Lock()

    def post(self, stream: Stream, door: Door) -> None:
        """Post all batches of a stream in their order, the formats by turns; when one gives up, all stop."""
        try:
            with door:
                for number, batch in enumerate(stream.batches):
                    if self.stop.is_set():
                        return
                    media_type = ONE if len(batch) == 1 else (BATCH, LINES)[number % 2]
                    answer = door.post_events(batch, site=SITE, media_type=media_type, packed=stream.late)
                    self._book(answer, source=stream.source, posted=len(batch))
        except BaseException:
            self.stop.set()
            raise
        finally:
            with self._lock:
                self._played.asked_again += door.asked_again

    def _book(self, answer: dict[str, Any], *, source: str, posted: int) -> None:
        with self._lock:
            self._played.posted += posted
            for item in answer["items"]:
                self._played.verdicts[item["status"]] += 1
                if item["status"] not in ("accepted", "duplicate"):
                    found = item.get("errors") or "another event has this id"
                    self._played.complaints.append(f"{source} {item.get('id')}: {item['status']}: {found}")
            self._advance(posted)


@contextmanager
def _progress(console: Console, *, total: int) -> Iterator[Callable[[int], None]]:
    """Show a bar that goes away when done, or a line every fifth of the way where there is no terminal."""
    if console.is_terminal:
        columns = (TextColumn("posting events"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
        with Progress(*columns, console=console, transient=True) as progress:
            task = progress.add_task("posting", total=total)
            yield lambda posted: progress.advance(task, posted)
        return
    done = 0

    def advance(posted: int) -> None:
        nonlocal done
        fifths_before, done = 5 * done // total, done + posted
        if 5 * done // total > fifths_before:
            console.print(f"posted {done:,} of {total:,} events")

    yield advance


def _counted_week(door: Door, week: str, *, within_seconds: float) -> dict[str, Any]:
    """Read the week by thickness until no event waits to be counted."""
    deadline = time.monotonic() + within_seconds
    while True:
        report = door.get(REPORT, query={"site": SITE, "week": week, "by": "thickness"})
        if report["as_of"]["waiting"] == 0:
            return report
        if time.monotonic() > deadline:
            raise DoorSilent(f"{report['as_of']['waiting']} events still wait after {within_seconds:g} s")
        time.sleep(0.2)


def _found(door: Door, position: int, *, within_seconds: float) -> list[dict[str, Any]] | None:
    """Read the open findings once the worker has looked at what is counted up to a position."""
    deadline = time.monotonic() + within_seconds
    while True:
        page = door.get(FINDINGS, query={"site": SITE, "limit": "500"})
        if page["looked"] is not None and page["looked"]["position"] >= position:
            return list(page["items"])
        if time.monotonic() > deadline:
            return None
        time.sleep(0.2)


def _show(console: Console, played: Played, *, url: str, currency: str) -> None:
    if played.verdicts:
        counts = ", ".join(f"{count:,} {verdict}" for verdict, count in sorted(played.verdicts.items()))
        again = f", asked again {played.asked_again} times" if played.asked_again else ""
        console.print(
            f"Posted {played.posted:,} events: {counts}{again}; {played.seconds:.1f} s until all was counted.",
            highlight=False,
        )
    if played.report is not None:
        console.print(f"[bold]Week {played.week}[/bold]", highlight=False)
        show_week(console, played.report, currency=currency)
        show_findings(console, played.findings)
        console.print(f"[bold]Look at it: {url}/[/bold]", soft_wrap=True, highlight=False)
        console.print("Sign in with this key; it reads the pages, and records at the terminal:", highlight=False)
        console.print(f"  {played.page_key}", soft_wrap=True, highlight=False, markup=False)
        console.print(f"The door and its document: {url}/docs", soft_wrap=True, highlight=False)
        console.print("Ask for yourself:", highlight=False)
        ask = f'  curl -H "Authorization: Bearer {played.reader_key}" "{url}{REPORT}?week={played.week}&by=machine"'
        console.print(ask, soft_wrap=True, highlight=False, markup=False)
    for complaint in played.complaints[:SHOWN]:
        console.print(f"Unexpected: {complaint}", style="red", markup=False, highlight=False)
    if len(played.complaints) > SHOWN:
        console.print(f"... and {len(played.complaints) - SHOWN} more", style="red")
