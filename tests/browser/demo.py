"""The demo's shop in a folder, built once for all who look at it, and servers on copies of that folder."""

from __future__ import annotations

import fcntl
import json
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from demo import hours
from demo.shop import make_shop
from demo.truth import LASER_15
from service.preparing import prepare
from service.settling import settle
from tests.builders import append, event
from tests.service.serving import Serving, serving
from worker.database import Database
from worker.findings import look_when_due
from worker.keys import ROLES, new_key
from worker.loop import count_owed
from worker.publishing import publish_due
from worker.settings import Installation

SITE = "main"
#: What a key of a terminal of the demo posts as.
TERMINAL_SOURCE = "/terminals/demo"
_KEYS = "keys.json"
#: So long before the end of the shop's eight weeks a thickness is planned to be proven.
_PLANNED = timedelta(weeks=6)


@dataclass(frozen=True)
class Demo:
    """A running server with eight weeks of the demo's shop, and a key of each role."""

    running: Serving
    folder: Path
    keys: Mapping[str, str]

    @property
    def url(self) -> str:
        return f"http://{self.running.host}:{self.running.port}"

    def read(self, path: str, *, role: str = "admin") -> Any:
        """JSON of an answer that must be 200."""
        answer = self.running.ask("GET", path, key=self.keys[role])
        assert answer.status == 200, (path, answer.body)
        return answer.json()


def built_once(shared: Path) -> Path:
    """The folder with the demo in it, below a folder that several processes share: the first one builds it."""
    folder = shared / "demo"
    with (shared / "demo.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (folder / _KEYS).exists():
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir()
            _build(folder)
    return folder


def keys_of(folder: Path) -> dict[str, str]:
    """Role -> its key, of a folder with the demo in it."""
    found: dict[str, str] = json.loads((folder / _KEYS).read_text())
    return found


def database_of(folder: Path) -> str:
    """Address of the database in a folder with the demo."""
    return str(Installation.from_environment({}, data=str(folder / "data")).database_url)


@contextmanager
def served(folder: Path) -> Iterator[Demo]:
    """A server on a folder with the demo; what is posted to it stays in that folder."""
    with serving(folder, "--quiet") as running:
        try:
            yield Demo(running, folder, keys_of(folder))
        finally:
            running.end()


@contextmanager
def served_copy(of: Path, at: Path) -> Iterator[Demo]:
    """A server on a copy of a folder with the demo."""
    shutil.copytree(of, at)
    with served(at) as running:
        yield running


def _build(folder: Path) -> None:
    """Put the shop into the ledger at once, and do what a server does in its first minute; its door is not asked."""
    installation = Installation.from_environment({}, data=str(folder / "data"))
    prepare(installation)
    until = datetime.now(UTC)
    shop = make_shop(last_day=hours.production_day(until), until=until)
    now_us = int(until.timestamp() * 1_000_000)
    database = Database(installation.database_url)
    try:
        with database.write() as connection:
            settle(connection, SITE, shop.settings, source="/keys/demo", now_us=now_us)
            keys = _new_keys(connection, now_us)
        append(database, [_plan(until)], received_us=int((until - _PLANNED).timestamp() * 1_000_000))
        append(database, shop.events, received_us=now_us)
        count_owed(database)
        look_when_due(database, now_us=now_us)
        while publish_due(database, now_us=now_us):
            pass
    finally:
        database.close()
    # Last: whoever finds it finds all the rest.
    (folder / _KEYS).write_text(json.dumps(keys))


def _plan(until: datetime) -> dict[str, Any]:
    """A proof that was planned in time for cuts of the shop to pass it, as one of its reliability does in any play."""
    what = {"thickness_mm": 15, "machine": LASER_15, "material": "S355J2+N"}
    asked = {"reliability": 0.6, "confidence": 0.8, "failures_allowed": 3}
    when = (until - _PLANNED).isoformat()
    return event("proof.planned", "PR-15", source="/keys/demo", time=when, **asked, **what)


def _new_keys(connection: Connection, now_us: int) -> dict[str, str]:
    """A key of each role, and one of an engineer who cuts; what terminals see is what they posted themselves."""
    roles_of = {role: [role] for role in ROLES} | {"foreman": ["engineer", "terminal"]}
    return {
        name: new_key(
            connection, name=f"demo {name}", roles=roles, sites=[SITE], now_us=now_us,
            source_prefix=TERMINAL_SOURCE if "terminal" in roles else None,
        )[0]
        for name, roles in roles_of.items()
    }  # fmt: skip
