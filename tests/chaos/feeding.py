"""A reader that follows the feed of a site all the time, whoever answers it."""

from __future__ import annotations

import http.client
import threading
from collections.abc import Sequence
from typing import Any, Final

import orjson

PAGE: Final = 1_000
PATIENCE_SECONDS: Final = 4.0
#: At the end of the feed it waits so long before it looks again.
PAUSE_SECONDS: Final = 0.05


class Reader(threading.Thread):
    """Follows `next` until it is told that no more comes and has read to the end.

    `seen` holds (position, source, id) in the order of reading.
    """

    def __init__(self, site: str, ports: Sequence[int], key: str) -> None:
        super().__init__(name=f"reader of {site}", daemon=True)
        self.site = site
        self.seen: list[tuple[int, str, str]] = []
        self.failures = 0
        self.refused: list[str] = []
        self.complete = threading.Event()
        self.abandoned = threading.Event()
        self._ports, self._key = ports, key
        self._after: str | None = None

    def run(self) -> None:
        turn = 0
        while not self.abandoned.is_set():
            connection = http.client.HTTPConnection(
                "127.0.0.1", self._ports[turn % len(self._ports)], timeout=PATIENCE_SECONDS
            )
            try:
                if self._follow(connection):
                    return
            except (OSError, http.client.HTTPException):
                self.failures += 1
            finally:
                connection.close()
            turn += 1
            self.abandoned.wait(PAUSE_SECONDS)

    def _follow(self, connection: http.client.HTTPConnection) -> bool:
        """True when all is read; False when the service cannot answer at the moment."""
        while not self.abandoned.is_set():
            # Asked before the page is: what is committed by then is on it.
            is_last = self.complete.is_set()
            page = self._page(connection)
            if page is None:
                return False
            for item in page["items"]:
                event = item["event"]
                self.seen.append((item["position"], event["source"], event["id"]))
            self._after = page["next"]
            if not page["more"]:
                if is_last:
                    return True
                self.abandoned.wait(PAUSE_SECONDS)
        return True

    def _page(self, connection: http.client.HTTPConnection) -> dict[str, Any] | None:
        after = "" if self._after is None else f"&after={self._after}"
        path = f"/v1/events?site={self.site}&limit={PAGE}{after}"
        connection.request("GET", path, headers={"Authorization": f"Bearer {self._key}"})
        answer = connection.getresponse()
        body = answer.read()
        if answer.status == 200:
            page: dict[str, Any] = orjson.loads(body)
            return page
        self.failures += 1
        if answer.status != 503:
            self.refused.append(f"{answer.status}: {body[:200]!r}")
        return None
