"""A year of attempts put into a ledger and counted there, without the door: the quickest honest way to many."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

from rich.console import Console

from service.clock import now_us
from tests.bench.places import EMBEDDED, Place
from tests.bench.progress import bar
from tests.bench.serving import prepared
from tests.bench.shop import Shop
from tests.bench.storing import bare_store, bytes_of_tables, rows_of
from tests.builders import SITE, Posted, posted
from worker import ledger, tallies
from worker.batches import in_batches
from worker.database import Database

#: Events appended, and stored bare, in one transaction.
BATCH: Final = 5_000
#: Events counted in one transaction.
CLAIM: Final = 50_000


@dataclass
class Loaded:
    """What was put in, and the seconds that it took; `claims` are (events, seconds) of each counting transaction."""

    events: int = 0
    payload_bytes: int = 0
    append_seconds: float = 0.0
    raw_seconds: float = 0.0
    claims: list[tuple[int, float]] = field(default_factory=list)
    table_bytes: dict[str, int] = field(default_factory=dict)
    tallies: int = 0

    @property
    def appended_a_second(self) -> float:
        """Events appended a second."""
        return self.events / self.append_seconds

    @property
    def stored_a_second(self) -> float:
        """Events stored a second by the database's driver alone."""
        return self.events / self.raw_seconds

    def counted_a_second(self, first: float = 0.0, last: float = 1.0) -> float:
        """Events counted a second over a part of the claims, from and to a share (0-1) of their number."""
        some = self.claims[int(first * len(self.claims)) : max(1, int(last * len(self.claims)))]
        return sum(events for events, _ in some) / sum(seconds for _, seconds in some)


def load(place: Place, shop: Shop, console: Console) -> Loaded:
    """Append and count all that happened in the shop, in a new installation at a place."""
    loaded = Loaded()
    database = prepared(place)
    try:
        with bare_store(place) as raw, bar(console, f"{shop.attempts:,} attempts", total=shop.attempts) as advance:
            for batch in _batches(shop):
                _append(database, batch, loaded)
                loaded.raw_seconds += raw.store(rows_of(batch), at_once=BATCH)
                if loaded.events % CLAIM == 0:
                    _count(database, loaded)
                advance(sum(event.type == "cutledger.attempt.finished" for event in batch))
            _count(database, loaded)
        with database.read() as connection:
            loaded.tallies = connection.exec_driver_sql("select count(*) from tallies").scalar_one()
    finally:
        database.close()
    loaded.table_bytes = bytes_of_tables(place.file) if place.kind == EMBEDDED else {}
    return loaded


def _batches(shop: Shop) -> Iterator[list[Posted]]:
    return in_batches(map(posted, shop.events()), BATCH)


def _append(database: Database, batch: list[Posted], loaded: Loaded) -> None:
    began = time.perf_counter()
    with database.write() as connection:
        ledger.append(connection, SITE, batch, received_us=now_us())
    loaded.append_seconds += time.perf_counter() - began
    loaded.events += len(batch)
    loaded.payload_bytes += sum(len(event.payload) for event in batch)


def _count(database: Database, loaded: Loaded) -> None:
    """Count all that is owed, as the embedded loop does: the log of the database is folded back after each claim."""
    while True:
        began = time.perf_counter()
        with database.write() as connection:
            counted = tallies.bring_up_to_date(connection, SITE, now_us=now_us(), limit=CLAIM)
        database.checkpoint()
        if not counted:
            return
        loaded.claims.append((counted, time.perf_counter() - began))
