"""The play, against a door that stumbles: blind retries, late streams, unexpected verdicts."""

from __future__ import annotations

import gzip
import io
import json
import socket
import threading
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
from rich.console import Console

from demo.run import PAGES_SOURCE, Played, play
from demo.shop import Shop, make_shop

NOW = datetime(2026, 3, 31, 9, 30, tzinfo=UTC)
ROW = {
    "thickness_mm": 20,
    "attempts": 12,
    "parts_judged_first": 48,
    "first_pass_yield": 0.875,
    "first_pass_yield_low": 0.75,
    "first_pass_yield_high": 0.941,
    "failed_pierce_rate": None,
    "rework_minutes": 31.5,
    "scrap_ratio": 0.0417,
    "cost_of_poor_quality": 1234.5,
}


@dataclass
class StubDoor:
    """What a service would hold, and how it is to stumble over the next posts of events."""

    stumbles: list[str] = field(default_factory=list)
    spoilt: dict[str, Any] | None = None
    refused_keys: bool = False
    settings: dict[str, Any] = field(default_factory=dict)
    keys: dict[str, dict[str, Any]] = field(default_factory=dict)
    events: dict[tuple[str, str], dict[str, Any]] = field(default_factory=dict)
    order: list[str] = field(default_factory=list)
    media_types: Counter[str] = field(default_factory=Counter)
    waits: int = 2
    found: list[dict[str, Any]] = field(default_factory=list)
    looked: dict[str, Any] | None = field(default_factory=lambda: {"position": 1, "at": "2026-03-31T09:30:00Z"})
    plans: list[dict[str, Any]] = field(default_factory=list)
    proven: list[dict[str, Any]] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)
    url: str = ""

    def answer(self, method: str, path: str, body: bytes, headers: dict[str, str]) -> tuple[int, dict[str, Any]] | None:
        """Status and JSON; None: hang up without an answer."""
        with self.lock:
            if (method, path) == ("PUT", "/v1/sites/main"):
                self.settings = json.loads(body)
                return 200, self.settings
            if (method, path) == ("POST", "/v1/keys"):
                if self.refused_keys:
                    return 403, {"title": "Forbidden", "detail": "this key may not make keys"}
                key = f"key-{len(self.keys)}"
                self.keys[key] = json.loads(body)
                return 201, {"key": key}
            if (method, path) == ("POST", "/v1/proofs"):
                self.plans.append(json.loads(body))
                return 201, {}
            if (method, path) == ("POST", "/v1/events"):
                return self._take(body, headers)
            if path == "/v1/findings":
                return 200, {"items": self.found, "next": None, "looked": self.looked}
            return 200, self._report()

    def _take(self, body: bytes, headers: dict[str, str]) -> tuple[int, dict[str, Any]] | None:
        stumble = self.stumbles.pop(0) if self.stumbles else ""
        if stumble.isdecimal():
            return int(stumble), {"title": "not now"}
        sender = self.keys[headers["authorization"].removeprefix("Bearer ")]
        if headers.get("content-encoding") == "gzip":
            body = gzip.decompress(body)
            self.media_types["gzip"] += 1
        self.media_types[headers["content-type"]] += 1
        if headers["content-type"] == "application/x-ndjson":
            events = [json.loads(line) for line in body.splitlines()]
        else:
            found = json.loads(body)
            events = found if isinstance(found, list) else [found]
        assert {event["source"] for event in events} == {sender["source_prefix"]}
        if sender["source_prefix"] == PAGES_SOURCE:
            self.proven += events
            return 202, {"items": [], "accepted": len(events)}
        self.order.append(sender["source_prefix"])
        items = [self._item(index, event) for index, event in enumerate(events)]
        if stumble == "taken, but hung up":
            return None
        fine = all(item["status"] in ("accepted", "duplicate") for item in items)
        counts = Counter(item["status"] for item in items)
        return (202 if fine else 207), {**counts, "items": items}

    def _item(self, index: int, event: dict[str, Any]) -> dict[str, Any]:
        if self.spoilt is not None:
            spoilt, self.spoilt = self.spoilt, None
            return {"index": index, "id": event["id"], **spoilt}
        key = (event["source"], event["id"])
        status = "duplicate" if key in self.events else "accepted"
        assert self.events.setdefault(key, event) == event
        return {"index": index, "id": event["id"], "status": status, "position": len(self.events)}

    def _report(self) -> dict[str, Any]:
        self.waits -= 1
        return {
            "report": "yield",
            "window": {"from": "2026-03-23", "to": "2026-03-29"},
            "confidence": 0.95,
            "as_of": {"position": 1, "at": "2026-03-31T09:30:00Z", "waiting": max(0, self.waits)},
            "rows": [ROW],
            "totals": {**ROW, "thickness_mm": None},
            "notes": ["provisional"],
        }


@pytest.fixture
def door() -> Iterator[StubDoor]:
    stub = StubDoor()

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"
        # Headers and body in one packet: else each answer waits for the client's delayed acknowledgement.
        wbufsize = 65_536

        def _serve(self) -> None:
            body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
            headers = {name.lower(): value for name, value in self.headers.items()}
            url = urlsplit(self.path)
            assert url.path in ("/v1/keys", "/v1/proofs", "/v1/sites/main") or parse_qs(url.query)["site"] == ["main"]
            found = stub.answer(self.command, url.path, body, headers)
            if found is None:
                self.close_connection = True
                self.connection.shutdown(socket.SHUT_RDWR)
                return
            status, answer = found
            text = json.dumps(answer).encode()
            self.send_response(status)
            self.send_header("Content-Length", str(len(text)))
            if status in (429, 503):
                self.send_header("Retry-After", "0")
            self.end_headers()
            self.wfile.write(text)

        do_GET = do_POST = do_PUT = _serve  # noqa: N815

        def log_message(self, *_: Any) -> None:
            """Say nothing."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    stub.url = f"http://127.0.0.1:{server.server_port}"
    yield stub
    server.shutdown()
    server.server_close()
    thread.join()


@pytest.fixture(scope="module")
def small() -> Shop:
    return make_shop(7, last_day=date(2026, 3, 31), until=NOW, weeks=2)


def played(door: StubDoor, shop: Shop, *, patience_seconds: float = 20.0) -> tuple[Played, str]:
    screen = io.StringIO()
    console = Console(file=screen, width=160)
    done = play(
        url=door.url,
        admin_key="admin",
        until=NOW,
        console=console,
        shop=shop,
        patience_seconds=patience_seconds,
        looking_seconds=0.3,
    )
    return done, screen.getvalue()


def test_play_repeats_blindly_after_busy_answers_and_dropped_connections(door: StubDoor, small: Shop) -> None:
    door.stumbles = ["503", "taken, but hung up", "429", "taken, but hung up", "503"]
    done, said = played(door, small)
    assert done.complaints == []
    assert done.exit_code == 0
    assert done.asked_again == 5
    assert list(door.events.values()) != []
    assert sorted(door.events) == sorted((event["source"], event["id"]) for event in small.events)
    assert done.posted == small.posted == done.verdicts["accepted"] + done.verdicts["duplicate"]
    assert "asked again 5 times" in said


def test_play_plans_a_proof_and_then_cuts_what_passes_it(door: StubDoor, small: Shop) -> None:
    began = datetime.now(UTC)
    played(door, small)
    (plan,) = door.plans
    cuts = [event for event in door.proven if event["type"] == "cutledger.attempt.finished"]
    assert plan["reliability"] ** len(cuts) <= 1 - plan["confidence"] < plan["reliability"] ** (len(cuts) - 1)
    for cut in cuts:
        seconds = timedelta(seconds=cut["data"]["seconds"])
        assert began < datetime.fromisoformat(cut["time"]) - seconds < began + timedelta(minutes=10)
        assert cut["data"]["good"] == cut["data"]["quantity"] == 1
    assert len({cut["data"]["plate"] for cut in cuts}) >= plan["least_plates"]


def test_play_shows_the_week_and_where_to_look(door: StubDoor, small: Shop) -> None:
    done, said = played(door, small)
    assert done.week == "2026-W13"
    assert done.report is not None
    for text in ("2026-W13", "87.5 % (75.0-94.1)", "31.5", "4.2 %", "1,234.50", "cost EUR", "provisional"):
        assert text in said
    assert f"{door.url}/docs" in said
    pages = next(key for key, made in door.keys.items() if made["roles"] == ["engineer", "terminal"])
    assert f"Look at it: {door.url}/\n" in said
    assert f"  {pages}\n" in said
    reader = next(key for key, made in door.keys.items() if made["roles"] == ["reader"])
    assert f'curl -H "Authorization: Bearer {reader}" "{door.url}/v1/reports/yield?week=2026-W13' in said
    assert "evidence from past cuts, not permission" in said
    assert "failed pierces" not in said  # null in every row: nothing to show


def test_play_posts_each_sender_under_its_own_key_and_the_late_one_last(door: StubDoor, small: Shop) -> None:
    played(door, small)
    assert door.settings == small.settings
    made = {key["source_prefix"]: key["roles"] for key in door.keys.values() if "source_prefix" in key}
    senders = {stream.source: [stream.role] for stream in small.streams}
    assert made == senders | {"/terminals/demo": ["engineer", "terminal"]}
    assert door.order[-1] == "/terminals/handheld"
    assert door.order.count("/terminals/handheld") == 1
    assert door.media_types["gzip"] == 1
    assert {"application/x-ndjson", "application/cloudevents-batch+json"} <= set(door.media_types)


@pytest.mark.parametrize(
    "spoilt",
    [
        {"status": "conflict", "position": 3},
        {"status": "invalid", "errors": [{"pointer": "/data/minutes", "detail": "is negative"}]},
    ],
)
def test_an_unexpected_verdict_is_an_error(door: StubDoor, small: Shop, spoilt: dict[str, Any]) -> None:
    door.spoilt = spoilt
    done, said = played(door, small)
    assert done.exit_code == 1
    assert done.verdicts[spoilt["status"]] == 1
    assert "Unexpected: /" in said
    assert spoilt["status"] in said


def test_a_refusal_is_said_and_ends_the_play(door: StubDoor, small: Shop) -> None:
    door.refused_keys = True
    done, said = played(door, small)
    assert done.exit_code == 1
    assert "403: Forbidden this key may not make keys" in said
    assert door.events == {}


def test_a_door_that_stays_busy_is_given_up(door: StubDoor, small: Shop) -> None:
    door.stumbles = ["503"] * 10_000
    done, said = played(door, small, patience_seconds=0.3)
    assert done.exit_code == 1
    assert done.report is None
    assert "answered with 503, and 0.3 s are over" in said


def test_a_door_that_is_not_there_is_given_up(small: Shop) -> None:
    with socket.socket() as nobody:
        nobody.bind(("127.0.0.1", 0))
        url = f"http://127.0.0.1:{nobody.getsockname()[1]}"
        done, said = played(StubDoor(url=url), small, patience_seconds=0.3)
    assert done.exit_code == 1
    assert "gave no answer" in said


def finding(kind: str, detail: str) -> dict[str, Any]:
    return {"kind": kind, "detail": detail}


def test_play_shows_the_causes_that_were_found_and_counts_what_else_is_open(door: StubDoor, small: Shop) -> None:
    door.found = [
        finding("condition", "a disturbed surface costs 12 % of the parts"),
        finding("left_open", "it started 30 hours ago"), finding("new_name", "x"), finding("new_name", "y"),
    ]  # fmt: skip
    done, said = played(door, small)
    assert done.findings == door.found
    assert "Found in all weeks\n- a disturbed surface costs 12 % of the parts\n" in said
    assert "Also open: 1 left open, 2 new name." in said


def test_play_says_when_there_is_no_cause(door: StubDoor, small: Shop) -> None:
    done, said = played(door, small)
    assert (done.findings, "Found in all weeks: no cause." in said) == ([], True)


@pytest.mark.parametrize("looked", [None, {"position": 0, "at": "2026-03-31T09:30:00Z"}])
def test_play_does_not_wait_forever_for_a_look(door: StubDoor, small: Shop, looked: Any) -> None:
    door.looked = looked
    done, said = played(door, small)
    assert (done.findings, done.exit_code) == (None, 0)
    assert "has not looked for findings yet" in said
