"""Events and small installations for the tests: plain functions with defaults."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import orjson

from worker import ledger, tallies
from worker.database import Database
from worker.folding import instant_us
from worker.installing import add_site, install
from worker.schema import migrate

NOW_US = 1_800_000_000_000_000
SITE = "main"


@dataclass(frozen=True)
class Posted:
    """An event as the door would hand it to the ledger."""

    source: str
    id: str
    type: str
    subject: str
    time_us: int
    payload: bytes
    content_hash: bytes
    void_target: tuple[str, str] | None


def posted(event: Mapping[str, Any]) -> Posted:
    payload = orjson.dumps(event, default=float)
    data = event["data"]
    return Posted(
        source=event["source"],
        id=event["id"],
        type=event["type"],
        subject=event["subject"],
        time_us=instant_us(event["time"]),
        payload=payload,
        content_hash=hashlib.blake2b(payload, digest_size=16).digest(),
        void_target=(data["source"], data["id"]) if event["type"] == "cutledger.event.voided" else None,
    )


_serial = iter(range(1, 10**9))


def event(
    type_: str,
    subject: str,
    *,
    time: str = "2026-03-04T10:00:00Z",
    source: str = "/terminals/bay-1",
    id: str | None = None,  # noqa: A002
    **data: Any,
) -> dict[str, Any]:
    return {
        "specversion": "1.0",
        "id": id or f"e{next(_serial):06d}",
        "source": source,
        "type": f"cutledger.{type_}",
        "subject": subject,
        "time": time,
        "data": data,
    }


@cache
def _empty_file() -> bytes:
    """An SQLite file with the tables of this release: to copy it takes a hundredth of the time that they take."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "empty.sqlite3"
        database = Database(f"sqlite:///{path}")
        migrate(database)
        database.close()
        return path.read_bytes()


def installed(url: str, *, sites: Iterable[str] = (SITE,)) -> Database:
    """A new installation; on PostgreSQL in a database that may have its tables already."""
    database = Database(url)
    if database.is_sqlite and not database.path.exists():
        database.path.write_bytes(_empty_file())
    migrate(database)
    with database.write() as connection:
        install(connection, now_us=NOW_US)
        for site in set(sites) - {SITE}:
            add_site(connection, site, now_us=NOW_US)
    return database


def embedded(folder: Path) -> Database:
    return installed(f"sqlite:///{folder / 'test.sqlite3'}")


def append(
    database: Database, events: Iterable[Mapping[str, Any]], *, site: str = SITE, received_us: int = NOW_US
) -> list[str]:
    with database.write() as connection:
        verdicts = ledger.append(connection, site, [posted(event) for event in events], received_us=received_us)
    return [verdict.status for verdict in verdicts]


def count(database: Database, *, site: str = SITE, limit: int = 2_000) -> int:
    """Count as the loop does: what is counted is looked at first where others wait to write meanwhile."""
    counted = 0
    while True:
        ahead = None
        if database.is_sqlite:
            with database.read() as connection:
                ahead = tallies.look_ahead(connection, site, limit=limit, least=1)
        with database.write() as connection:
            step = tallies.bring_up_to_date(connection, site, now_us=NOW_US, limit=limit, ahead=ahead)
        if not step:
            return counted
        counted += step


def told(database: Database, *events: Mapping[str, Any]) -> None:
    append(database, events)
    count(database)
