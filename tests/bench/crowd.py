"""Several clients at once, each with a connection of its own."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from tests.bench.serving import Server
from tests.bench.wire import Connection

Request = Callable[[Connection], object]
START_SECONDS = 30.0


@dataclass(frozen=True)
class Crowd:
    """Seconds from the first request to the last answer, and of each request."""

    seconds: float
    each: list[float]


def at_once(server: Server, shares: Sequence[Sequence[Request]]) -> Crowd:
    """One client for each share of the requests; a client asks one after the other, all begin together."""
    begin = threading.Barrier(len(shares) + 1)

    def ask(requests: Sequence[Request]) -> list[float]:
        times: list[float] = []
        with server.connect() as connection:
            begin.wait(START_SECONDS)
            for request in requests:
                asked = time.perf_counter()
                request(connection)
                times.append(time.perf_counter() - asked)
        return times

    with ThreadPoolExecutor(len(shares)) as clients:
        running = [clients.submit(ask, share) for share in shares]
        begin.wait(START_SECONDS)
        began = time.perf_counter()
        each = [seconds for share in running for seconds in share.result()]
    return Crowd(time.perf_counter() - began, each)
