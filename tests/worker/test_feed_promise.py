"""The feed's promise: whoever follows the cursor sees every event once, with writers that commit in any order."""

from __future__ import annotations

import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from random import Random

import pytest

from tests import builders
from tests.grown import fresh_postgres
from worker import ledger
from worker.database import Database, DatabaseUnavailable
from worker.installing import add_site

WRITERS = 4
TRANSACTIONS = 30
DATA = {"outcome": "severed", "material": "S355", "thickness_mm": 20}


class Reader:
    """Follows a site's feed from its beginning."""

    def __init__(self, database: Database, site: str = builders.SITE) -> None:
        self.database = database
        self.site = site
        self.cursor: str | None = None
        self.seen: list[bytes] = []

    def read_on(self, limit: int = 7) -> bool:
        """Read one page; True when it held something."""
        with self.database.read() as connection:
            items, self.cursor, _ = ledger.feed(connection, self.site, after=self.cursor, limit=limit)
        self.seen += [item.payload for item in items]
        return bool(items)


def append_slowly(database: Database, site: str, events: list[builders.Posted], *, seconds: float) -> None:
    """Append, and commit some time after the positions are drawn; again when the database was busy for too long."""
    while True:
        try:
            with database.write() as connection:
                ledger.append(connection, site, events, received_us=builders.NOW_US)
                time.sleep(seconds)
                return
        except DatabaseUnavailable:
            continue


def test_a_follower_sees_every_event_once_while_writers_on_several_connections_commit(database: Database) -> None:
    with database.write() as connection:
        add_site(connection, "other", now_us=builders.NOW_US)
    stopping = threading.Event()
    written: list[list[bytes]] = [[] for _ in range(WRITERS)]
    faults: list[Exception] = []

    def write(number: int) -> None:
        random = Random(number)
        try:
            with closing(Database(database.url)) as own:
                for turn in range(TRANSACTIONS):
                    events = [
                        builders.posted(builders.event("attempt.finished", f"a{number}-{turn}-{index}", **DATA))
                        for index in range(random.randint(1, 4))
                    ]
                    # Two sites draw positions from one sequence.
                    site = builders.SITE if turn % 3 else "other"
                    append_slowly(own, site, events, seconds=random.choice((0, 0.001, 0.004)))
                    if site == builders.SITE:
                        written[number] += [event.payload for event in events]
        except Exception as error:  # noqa: BLE001 - said in the test's own thread
            faults.append(error)

    readers = [Reader(database) for _ in range(2)]

    def follow(reader: Reader) -> None:
        while not stopping.is_set():
            reader.read_on()
        while reader.read_on():
            pass

    writers = [threading.Thread(target=write, args=(number,)) for number in range(WRITERS)]
    followers = [threading.Thread(target=follow, args=(reader,)) for reader in readers]
    for thread in (*followers, *writers):
        thread.start()
    for thread in writers:
        thread.join()
    stopping.set()
    for thread in followers:
        thread.join()
    assert faults == []
    expected = Counter(payload for one in written for payload in one)
    for reader in readers:
        assert Counter(reader.seen) == expected
    assert readers[0].seen == readers[1].seen


# --- on PostgreSQL, where two transactions are open at once ------------------------------------------------------


@pytest.fixture
def grown() -> Iterator[Database]:
    with fresh_postgres("feed", with_tables=True) as url, closing(builders.installed(url)) as opened:
        yield opened


def two_appends_of_which_the_first_commits_last(database: Database) -> Reader:
    """A reader that read on after the second append, while the first was still open, and once more at the end."""
    reader = Reader(database)
    late, early = (builders.posted(builders.event("attempt.finished", name, **DATA)) for name in ("late", "early"))
    second = threading.Thread(target=lambda: append_one(database, early))
    with database.write() as connection:
        ledger.append(connection, builders.SITE, [late], received_us=builders.NOW_US)
        second.start()
        second.join(timeout=0.5)
        reader.read_on()
    second.join()
    while reader.read_on():
        pass
    return reader


def append_one(database: Database, event: builders.Posted) -> None:
    with database.write() as connection:
        ledger.append(connection, builders.SITE, [event], received_us=builders.NOW_US)


def test_an_append_waits_for_the_one_before_it_at_its_site(grown: Database) -> None:
    assert len(two_appends_of_which_the_first_commits_last(grown).seen) == 2


def test_this_test_sees_the_loss_of_a_feed_on_a_bare_sequence(grown: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ledger, "take_turn", lambda _connection, _site: None)
    assert len(two_appends_of_which_the_first_commits_last(grown).seen) == 1


def test_an_append_does_not_wait_for_one_at_another_site(grown: Database) -> None:
    with grown.write() as connection:
        add_site(connection, "other", now_us=builders.NOW_US)
    with grown.write() as connection:
        event = builders.posted(builders.event("attempt.finished", "a", **DATA))
        ledger.append(connection, builders.SITE, [event], received_us=builders.NOW_US)
        builders.append(grown, [builders.event("attempt.finished", "b", **DATA)], site="other")
        reader = Reader(grown, "other")
        assert reader.read_on()
