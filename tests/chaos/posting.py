"""Clients that post stories and ask again blindly until they are answered; what was promised is in their journals."""

from __future__ import annotations

import http.client
import threading
import time
from collections import Counter, deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from random import Random
from typing import Any, Final

import orjson

from tests.chaos.stories import Event, story

BATCH: Final = "application/cloudevents-batch+json"
#: A client that heard nothing for so long asks again, elsewhere.
PATIENCE_SECONDS: Final = 4.0
#: Pauses between two tries grow up to this.
LONGEST_PAUSE_SECONDS: Final = 0.5
#: One request in so many is sent once more although it was answered.
ONE_AGAIN_IN: Final = 40

Key = tuple[str, str, str]


@dataclass
class Sent:
    """A request as it was sent, and what was answered in the end. Events are named by (site, source, id)."""

    site: str
    keys: list[Key]
    body: bytes
    days: set[str]
    answered: bool = False


@dataclass
class Journal:
    """What one client posted, was promised, and had to go through for it."""

    sent: list[Sent] = field(default_factory=list)
    answers: Counter[str] = field(default_factory=Counter)
    failures: Counter[str] = field(default_factory=Counter)
    #: Verdicts that no event of a story should get.
    refused: list[str] = field(default_factory=list)
    #: Answers that a service must never give, whatever is dead: 5xx other than 503, and 503 without Retry-After.
    faulty: list[str] = field(default_factory=list)
    answer_seconds: list[float] = field(default_factory=list)
    ack_seconds: list[float] = field(default_factory=list)
    #: What ended the client before its time; empty when nothing did.
    broke: str = ""


class Teller:
    """The stories of one client as requests of one site each; later parts of a story come in later requests."""

    def __init__(
        self, client: int, clients: int, sites: Sequence[str], seed: int, batch: int, *, first: int = 0
    ) -> None:
        self._rng = Random(f"{seed}/client/{client}")
        self._sites, self._seed, self._batch, self._clients = sites, seed, batch, clients
        self._serials = dict.fromkeys(sites, first + client)
        self._later: dict[str, list[deque[list[Event]]]] = {site: [deque() for _ in range(5)] for site in sites}

    def request(self) -> Sent:
        """The next request."""
        site = self._rng.choice(self._sites)
        later = self._later[site]
        due = later.pop(0)
        later.append(deque())
        events: list[Event] = [event for part in due for event in part]
        while len(events) < self._batch:
            first, *others = story(site, self._serials[site], self._seed)
            self._serials[site] += self._clients
            events += first
            at = 0
            for part in others:
                at = min(at + self._rng.randint(0, 2), len(later) - 1)
                later[at].append(part)
                at = min(at + 1, len(later) - 1)
        keys = [(site, event["source"], event["id"]) for event in events]
        # All happens between 06:00 and midnight UTC: the production day is the date.
        return Sent(site, keys, orjson.dumps(events), {event["time"][:10] for event in events})


class Client(threading.Thread):
    """Posts request after request at a pace until `over` is set; a request under way is asked again until answered.

    `events_a_second` is this client's share of the load. Gives up on a request only when `abandoned` is set.
    """

    def __init__(
        self,
        teller: Teller,
        ports: Sequence[int],
        key: str,
        *,
        events_a_second: float,
        over: threading.Event,
        abandoned: threading.Event,
        first_port: int = 0,
    ) -> None:
        super().__init__(name="client", daemon=True)
        self.journal = Journal()
        self._teller, self._ports, self._key = teller, ports, key
        self._pace, self._over, self._abandoned = events_a_second, over, abandoned
        self._port = first_port % len(ports)
        self._connection: http.client.HTTPConnection | None = None
        self._rng = Random(first_port)

    def run(self) -> None:
        try:
            self._run()
        except Exception as error:
            self.journal.broke = f"{type(error).__name__}: {error}"
        finally:
            self.close()

    def _run(self) -> None:
        began, posted = time.monotonic(), 0
        while not self._over.is_set():
            sent = self._teller.request()
            self.journal.sent.append(sent)
            self._post(sent)
            if self._rng.randrange(ONE_AGAIN_IN) == 0:
                self._post(sent)
            posted += len(sent.keys)
            self._over.wait(max(0.0, posted / self._pace - (time.monotonic() - began)))

    def post_one(self) -> None:
        """Post the next request, for those who set the pace themselves."""
        sent = self._teller.request()
        self.journal.sent.append(sent)
        self._post(sent)

    def _post(self, sent: Sent) -> None:
        began, pause, tries = time.monotonic(), 0.02, 0
        while not self._abandoned.is_set():
            tries += 1
            asked = time.monotonic()
            status, body = self.attempt(sent)
            if 200 <= status < 500:
                self.journal.answer_seconds.append(time.monotonic() - asked)
                self.journal.ack_seconds.append(time.monotonic() - began)
                self._note(sent, status, body, tries)
                return
            self._elsewhere()
            time.sleep(pause)
            pause = min(pause * 2, LONGEST_PAUSE_SECONDS)

    def attempt(self, sent: Sent) -> tuple[int, bytes]:
        """(status, body) of an answer; 0 for none."""
        try:
            if self._connection is None:
                address = self._ports[self._port]
                self._connection = http.client.HTTPConnection("127.0.0.1", address, timeout=PATIENCE_SECONDS)
            headers = {"Authorization": f"Bearer {self._key}", "Content-Type": BATCH}
            self._connection.request("POST", f"/v1/events?site={sent.site}", sent.body, headers)
            answer = self._connection.getresponse()
            status, body = answer.status, answer.read()
        except TimeoutError:
            self.journal.failures["timeout"] += 1
            return 0, b""
        except (OSError, http.client.HTTPException) as error:
            self.journal.failures["refused" if isinstance(error, ConnectionRefusedError) else "reset"] += 1
            return 0, b""
        if status >= 500:
            self.journal.failures[str(status)] += 1
            if status != 503 or answer.getheader("Retry-After") is None:
                self.journal.faulty.append(f"{status}: {body[:300].decode(errors='replace')}")
        return status, body

    def _note(self, sent: Sent, status: int, body: bytes, tries: int) -> None:
        self.journal.answers[f"{status} {'at once' if tries == 1 else 'after a retry'}"] += 1
        try:
            told: dict[str, Any] = orjson.loads(body)
            items = told["items"]
        except (orjson.JSONDecodeError, KeyError):
            self.journal.refused.append(f"{status}: {body[:200]!r}")
            return
        for item, key in zip(items, sent.keys, strict=True):
            self.journal.answers[item["status"]] += 1
            if item["status"] not in ("accepted", "duplicate"):
                self.journal.refused.append(f"{key}: {item}")
        sent.answered = True

    def _elsewhere(self) -> None:
        self.close()
        self._port = (self._port + 1) % len(self._ports)

    def close(self) -> None:
        """Close the connection."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None
