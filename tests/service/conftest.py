"""The door of a running application: a site of its own for each test, a key for each role, and a clock that stands."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import count as counting
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient
from sqlalchemy import Connection
from sqlalchemy.event import listen, remove
from werkzeug.test import TestResponse

from service.app import create_app
from service.bodies import ARRAY, LINES, ONE_EVENT, ONE_OR_ARRAY
from service.rates import Limits, Rates
from tests.builders import NOW_US, count, event
from tests.conftest import ENGINES, installation_on
from worker import answers
from worker.database import Database
from worker.installing import add_site
from worker.keys import ROLES, new_key

Event = Mapping[str, Any]
#: The window that the door asks for when a test names none; the builders' events happen on 2026-03-04.
WINDOW: Mapping[str, str] = {"month": "2026-03"}
STEEL: Mapping[str, Any] = {"material": "S355", "thickness_mm": 20}
_WINDOWS = ("from", "to", "week", "month", "day", "last")


class Clock:
    """The server's clock, which stands at 2027-01-15T08:00Z until a test sets it."""

    def __init__(self, now_us: int = NOW_US) -> None:
        self.now_us = now_us

    def time_ns(self) -> int:
        return self.now_us * 1_000


class Keys(dict[str, str]):
    """Role -> a key of a site that holds it alone, made when it is first asked for: most tests ask as one role."""

    def __init__(self, database: Database, site: str, clock: Clock) -> None:
        super().__init__()
        self._database, self._site, self._clock = database, site, clock

    def make(self, connection: Connection, role: str) -> None:
        sites = [self._site]
        self[role], _ = new_key(connection, name=role, roles=[role], sites=sites, now_us=self._clock.now_us)

    def __missing__(self, role: str) -> str:
        if role not in ROLES:
            raise KeyError(role)
        with self._database.write() as connection:
            self.make(connection, role)
        return self[role]


@dataclass
class Door:
    """One site of a running application, asked with a key of any role."""

    database: Database
    client: FlaskClient
    site: str
    keys: Keys
    clock: Clock

    def key(
        self, *roles: str, sites: tuple[str, ...] = (), prefix: str | None = None, expires_us: int | None = None
    ) -> str:
        """A new key for this site, or for these sites."""
        with self.database.write() as connection:
            text, _ = new_key(
                connection, name="for a test", roles=roles, sites=sites or (self.site,), source_prefix=prefix,
                expires_us=expires_us, now_us=self.clock.now_us,
            )  # fmt: skip
        return text

    def ask(self, method: str, path: str, *, key: str | None = "admin", **how: Any) -> TestResponse:
        """Ask with the key of a role, with the key of this text, or with none."""
        headers = {} if key is None else {"Authorization": f"Bearer {self.keys[key] if key in ROLES else key}"}
        return self.client.open(path, method=method, headers=headers | how.pop("headers", {}), **how)

    def get(self, path: str, *, key: str | None = "admin", headers: Mapping[str, str] = {}, **query: Any) -> Any:
        return self.ask("GET", path, key=key, headers=dict(headers), query_string=query or None)

    def read(self, path: str, **query: Any) -> Any:
        """JSON of an answer that must be 200."""
        answer = self.get(path, **query)
        assert answer.status_code == 200, answer.text
        return answer.json

    def post(self, body: Any, *, kind: str | None = None, key: str | None = "admin", **how: Any) -> TestResponse:
        """Post an event, a list of events or raw bytes to the door in."""
        if not isinstance(body, bytes):
            kind = kind or (ARRAY if isinstance(body, list) else ONE_EVENT)
            body = as_lines(body) if kind == LINES else json.dumps(body).encode()
        return self.ask("POST", "/v1/events", key=key, data=body, content_type=kind or ONE_OR_ARRAY, **how)

    def told(self, *events: Event) -> list[dict[str, Any]]:
        """Post events, all of which must be taken, and count them; returns their items."""
        answer = self.post(list(events))
        assert answer.status_code == 202, answer.text
        self.count()
        items: list[dict[str, Any]] = answer.get_json()["items"]
        return items

    def statuses(self, *events: Event, **how: Any) -> list[str]:
        """Post events in one array; the status of each item."""
        return [item["status"] for item in self.post(list(events), **how).get_json()["items"]]

    def set(self, valid_from: str = "2000-01-01", **settings: Any) -> None:
        """Change the site's settings from a production day on, and count it. Each change is said a moment later."""
        self.clock.now_us += 1
        body = {"valid_from": valid_from, **settings}
        answer = self.ask("PUT", f"/v1/sites/{self.site}", json=body)
        assert answer.status_code == 200, answer.text
        self.count()

    def count(self) -> int:
        return count(self.database, site=self.site)

    def report(self, name: str = "yield", **asked: Any) -> Any:
        """A report as JSON, of March 2026 unless another window is asked for. `from_` stands for from."""
        asked = {parameter.rstrip("_"): value for parameter, value in asked.items()}
        window = {} if any(parameter in asked for parameter in _WINDOWS) else WINDOW
        return self.read(f"/v1/reports/{name}", **window, **asked)

    def rows(self, name: str = "yield", **asked: Any) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = self.report(name, **asked)["rows"]
        return found

    def totals(self, name: str = "yield", **asked: Any) -> dict[str, Any]:
        found: dict[str, Any] = self.report(name, **asked)["totals"]
        return found

    def findings(self, **asked: Any) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = self.read("/v1/findings", **asked)["items"]
        return found

    def contradictions(self) -> list[dict[str, Any]]:
        return self.findings(kind="contradiction")

    def attempt(self, name: str = "A") -> dict[str, Any]:
        found: dict[str, Any] = self.read(f"/v1/attempts/{name}")
        return found


@contextmanager
def alone(door: Door, module: str) -> Iterator[None]:
    """While it lasts, what this module does for each site it does for this one: the others belong to other tests."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(f"{module}.site_names", lambda _: [door.site])
        yield


@dataclass(frozen=True)
class Statement:
    """What a database was asked, and the values that it was given with it."""

    text: str
    values: tuple[Any, ...]


@contextmanager
def statements(database: Database) -> Iterator[list[Statement]]:
    """The statements that a database is asked meanwhile."""
    asked: list[Statement] = []

    def note(_connection: Any, _cursor: Any, text: str, values: Any, _context: Any, many: bool) -> None:
        rows = values if many else [values]
        held = [value for row in rows for value in (row.values() if isinstance(row, dict) else row)]
        asked.append(Statement(text, tuple(held)))

    # Readers of PostgreSQL have the engine of its writers.
    engines = (database._writer, database._reader) if database.is_sqlite else (database._writer,)
    for engine in engines:
        listen(engine, "before_cursor_execute", note)
    try:
        yield asked
    finally:
        for engine in engines:
            remove(engine, "before_cursor_execute", note)


def as_lines(events: list[Event]) -> bytes:
    """Events as NDJSON."""
    return b"".join(json.dumps(each).encode() + b"\n" for each in events)


def cut(attempt: str = "A", **data: Any) -> dict[str, Any]:
    """A finished event: severed, S355, 20 mm, unless told otherwise; a value of ... leaves a field out."""
    envelope = {name: data.pop(name) for name in ("id", "time", "source") if name in data}
    return event("attempt.finished", attempt, **envelope, **_stated({"outcome": "severed", **STEEL}, data))


def opened(job: str = "J", **data: Any) -> dict[str, Any]:
    """A job.opened event for 10 parts of 20 mm S355, unless told otherwise."""
    return event("job.opened", job, **_stated({"part_number": "BR-1", "quantity": 10, **STEEL}, data))


def received(plate: str = "P", **data: Any) -> dict[str, Any]:
    """A plate.received event of 20 mm S355, on the day before the cuts, unless told otherwise."""
    return event("plate.received", plate, **_stated({"time": "2026-03-03T10:00:00Z", **STEEL}, data))


def _stated(usual: Event, data: Event) -> dict[str, Any]:
    """What is usual and what is said; a thickness in inches is said instead of that in millimetres."""
    unusual = {"thickness_mm"} if "thickness_in" in data else set()
    stated = {name: value for name, value in usual.items() if name not in unusual} | dict(data)
    return {name: value for name, value in stated.items() if value is not ...}


def all_told(site: str) -> dict[str, Any]:
    """A setting by which no group is left out for being of few people."""
    return event("site.set", site, time="2000-01-02T00:00:00Z", valid_from="2000-01-01", least_people=1)


def void(target: Event, **how: Any) -> dict[str, Any]:
    """A void of an event."""
    said = {"source": target["source"], "id": target["id"], "reason": "a mistake"}
    return event("event.voided", how.pop("subject", target["subject"]), **how) | {"data": said}


@dataclass
class Service:
    """A running application, and its sites, each used once: a new site is a hundredth of the work of a new database."""

    app: Flask
    database: Database
    numbers: Iterator[int] = field(default_factory=lambda: counting(1))

    def door(self, clock: Clock | None = None, *, made: Sequence[str] = ("admin",)) -> Door:
        """A new site, with keys of these roles made beforehand."""
        site = f"site-{next(self.numbers)}"
        clock = clock or Clock()
        with self.database.write() as connection:
            add_site(connection, site, now_us=clock.now_us)
            keys = Keys(self.database, site, clock)
            for role in made:
                keys.make(connection, role)
        return Door(self.database, self.app.test_client(), site, keys, clock)


@contextmanager
def serving(database: Database) -> Iterator[Service]:
    """An application over a database, without a worker: tests count when they mean to."""
    # All tests of a session send their wrong keys from one address.
    yield Service(create_app(database, nudge=lambda: None, rates=Rates(Limits(failures=0))), database)


@pytest.fixture(scope="session", params=ENGINES)
def service(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    folder = tmp_path_factory.mktemp("service")
    with installation_on(request.param, folder, name="service") as opened, serving(opened) as running:
        yield running


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    """The server's clock, standing."""
    standing = Clock()
    monkeypatch.setattr("service.clock.time", standing)
    return standing


@pytest.fixture(autouse=True)
def nothing_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """A busy machine makes answers take long: none is kept, so that each is of now."""
    monkeypatch.setattr(answers, "KEPT_FROM_US", 10**12)


@pytest.fixture(autouse=True)
def no_use_noted(monkeypatch: pytest.MonkeyPatch) -> None:
    """When a key was last used is written beside the answers: not in the midst of other tests."""
    monkeypatch.setattr("service.asking.later", lambda _: None)


@pytest.fixture
def door(service: Service, clock: Clock) -> Door:
    """A site of its own, with a key for any role."""
    return service.door(clock)
