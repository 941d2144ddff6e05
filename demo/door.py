"""The way to the service: its HTTP door, asked again blindly until it answers."""

from __future__ import annotations

import gzip
import json
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Final, Self
from urllib.parse import urlencode

import urllib3

from demo.sayings import Event

ONE: Final = "application/cloudevents+json"
BATCH: Final = "application/cloudevents-batch+json"
LINES: Final = "application/x-ndjson"
#: Answers that say: nothing was taken, ask again.
BUSY: Final = frozenset({429, 503})
#: Answers of the events' door that count item by item.
COUNTED: Final = frozenset({202, 207, 409, 422})


class DoorRefused(Exception):
    """The service answered with an error that asking again does not mend."""

    def __init__(self, what: str, *, status: int, detail: str) -> None:
        super().__init__(f"{what} was answered with {status}: {detail}")
        self.status = status
        self.detail = detail


class DoorSilent(Exception):
    """The service gave no answer within the time allowed."""


@dataclass(slots=True)
class Door:
    """One client's connection: a base URL, its key (None: without), and how long it asks again (seconds).

    `asked_again` counts the repeats. Not to be shared between threads.
    """

    url: str
    key: str | None
    patience_seconds: float = 60.0
    first_pause_seconds: float = 0.1
    asked_again: int = 0
    _pool: urllib3.PoolManager | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._pool is not None:
            self._pool.clear()

    def get(self, path: str, *, query: Mapping[str, str]) -> dict[str, Any]:
        """Return the JSON answer of a read."""
        return self._json("GET", f"{path}?{urlencode(query)}")

    def send(self, method: str, path: str, *, body: Mapping[str, Any]) -> dict[str, Any]:
        """Send a JSON body and return the JSON answer."""
        return self._json(method, path, body=json.dumps(body).encode(), headers={"Content-Type": "application/json"})

    def post_events(self, events: Sequence[Event], *, site: str, media_type: str, packed: bool) -> dict[str, Any]:
        """Post a batch in one of the formats, packed with gzip or not, and return the counts and items."""
        body, headers = worded(events, media_type=media_type), {"Content-Type": media_type}
        if packed:
            body, headers["Content-Encoding"] = gzip.compress(body, mtime=0), "gzip"
        answer = self._asked("POST", f"/v1/events?{urlencode({'site': site})}", body=body, headers=headers)
        found = _read(answer)
        if answer.status not in COUNTED or "items" not in found:
            raise DoorRefused("POST /v1/events", status=answer.status, detail=_detail(found))
        return found

    def _json(
        self, method: str, path: str, *, body: bytes | None = None, headers: Mapping[str, str] | None = None
    ) -> dict[str, Any]:
        answer = self._asked(method, path, body=body, headers=headers)
        found = _read(answer)
        if answer.status >= 300:
            raise DoorRefused(f"{method} {path}", status=answer.status, detail=_detail(found))
        return found

    def _asked(
        self, method: str, path: str, *, body: bytes | None, headers: Mapping[str, str] | None
    ) -> urllib3.BaseHTTPResponse:
        """Ask until there is an answer other than `busy`; sending again is free, so nothing is looked into."""
        pool = self._pool = self._pool or urllib3.PoolManager(retries=False, timeout=30.0)
        sent = {"Accept": "application/json", **(headers or {})}
        if self.key is not None:
            sent["Authorization"] = f"Bearer {self.key}"
        deadline, pause = time.monotonic() + self.patience_seconds, self.first_pause_seconds
        while True:
            try:
                answer = pool.request(method, self.url + path, body=body, headers=sent)
                wait, found = _wait(answer, pause=pause), f"answered with {answer.status}"
            except urllib3.exceptions.HTTPError as error:
                answer, wait, found = None, pause, f"gave no answer ({error})"
            if answer is not None and answer.status not in BUSY:
                return answer
            if time.monotonic() + wait > deadline:
                raise DoorSilent(f"{method} {path} {found}, and {self.patience_seconds:g} s are over")
            time.sleep(wait)
            self.asked_again, pause = self.asked_again + 1, min(2 * pause, 5.0)


def worded(events: Sequence[Event], *, media_type: str) -> bytes:
    """Return the body of a batch: one event, an array, or one event a line."""
    if media_type == ONE:
        (event,) = events
        return _text(event)
    if media_type == LINES:
        return b"".join(_text(event) + b"\n" for event in events)
    return b"[" + b",".join(map(_text, events)) + b"]"


def _text(event: Event) -> bytes:
    return json.dumps(event, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


def _wait(answer: urllib3.BaseHTTPResponse, *, pause: float) -> float:
    stated = answer.headers.get("Retry-After", "")
    return float(stated) if stated.isdecimal() else pause


def _read(answer: urllib3.BaseHTTPResponse) -> dict[str, Any]:
    try:
        found = json.loads(answer.data)
    except ValueError:
        found = None
    return found if isinstance(found, dict) else {"detail": answer.data[:200].decode("utf-8", "replace")}


def _detail(found: Mapping[str, Any]) -> str:
    return " ".join(str(found[name]) for name in ("title", "detail", "errors") if found.get(name)) or "no detail"
