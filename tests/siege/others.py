"""Other users of a server that is besieged: they post events and read, and note how long each answer took."""

from __future__ import annotations

import http.client
import json
import threading
import time
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass, field
from typing import Final

from tests.service.serving import cut

HOST: Final = "127.0.0.1"
USERS: Final = 4
PAUSE_SECONDS: Final = 0.02
#: Who is not answered within this time is not served.
PATIENCE_SECONDS: Final = 60.0


@dataclass
class Seen:
    """What users saw: seconds of each answer, and what was no 2xx."""

    seconds: list[float] = field(default_factory=list)
    failures: list[str] = field(default_factory=list)


@dataclass
class User:
    """A terminal that posts an event and reads open jobs in turn; every other one keeps its connection."""

    port: int
    key: str
    name: str
    keeps: bool
    seen: Seen = field(default_factory=Seen)

    def until(self, over: threading.Event, requests: int | None = None) -> None:
        """Go on until told, or for so many requests."""
        number = 0
        connection = self._connection()
        with closing(connection):
            while not over.is_set() and (requests is None or number < requests):
                if not self.keeps:
                    connection.close()
                self._one(connection, number)
                number += 1
                over.wait(PAUSE_SECONDS)

    def _one(self, connection: http.client.HTTPConnection, number: int) -> None:
        headers = {"Authorization": f"Bearer {self.key}", "Content-Type": "application/json"}
        began = time.perf_counter()
        try:
            if number % 2:
                connection.request("GET", "/v1/jobs", headers=headers)
            else:
                connection.request("POST", "/v1/events", json.dumps(cut(f"{self.name}-{number}")), headers)
            answer = connection.getresponse()
            answer.read()
        except (OSError, http.client.HTTPException) as error:
            self.seen.failures.append(repr(error))
            connection.close()
            return
        self.seen.seconds.append(time.perf_counter() - began)
        if not 200 <= answer.status < 300:
            self.seen.failures.append(str(answer.status))

    def _connection(self) -> http.client.HTTPConnection:
        return http.client.HTTPConnection(HOST, self.port, timeout=PATIENCE_SECONDS)


@dataclass
class Others:
    """Some users at once."""

    port: int
    keys: Sequence[str]

    def served(self, name: str, seconds: float) -> Seen:
        """What they see within so many seconds."""
        users = [User(self.port, key, f"{name}-{at}", keeps=at % 2 == 0) for at, key in enumerate(self.keys)]
        over = threading.Event()
        threads = [threading.Thread(target=user.until, args=(over,), daemon=True) for user in users]
        for thread in threads:
            thread.start()
        time.sleep(seconds)
        over.set()
        for thread in threads:
            thread.join(PATIENCE_SECONDS)
        return Seen(
            [each for user in users for each in user.seen.seconds],
            [each for user in users for each in user.seen.failures],
        )
