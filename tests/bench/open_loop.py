"""Posts on a schedule, however long the answers take, from a process of its own: so it slows no clock that measures."""

from __future__ import annotations

import multiprocessing
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Final

from tests.bench.serving import Server
from tests.bench.wire import Connection

#: Until all connections of the sender are open.
BEFORE_SECONDS: Final = 1.0
#: A connection that is so late with a request posts no more: the server cannot bear the load, which its rate tells.
LATEST_SECONDS: Final = 3.0


@dataclass(frozen=True)
class Sent:
    """One request by the clock of `time.perf_counter`, which all processes of a machine share."""

    due: float
    answered: float

    @property
    def seconds(self) -> float:
        """From when it was due to its answer: one that had to wait for the one before it waited for the server."""
        return self.answered - self.due


@dataclass(frozen=True)
class Plan:
    """What is posted: a share of the bodies for each connection, which post by turns, `every` so many seconds one."""

    shares: Sequence[Sequence[bytes]]
    media_type: str
    every: float

    @property
    def posts_a_second(self) -> float:
        """Posts that are due a second."""
        return 1 / self.every

    @property
    def seconds(self) -> float:
        """How long it takes when nothing is late."""
        return self.every * sum(len(share) for share in self.shares)


def answered_a_second(sent: Sequence[Sequence[Sent]], begin: float) -> float:
    """Posts answered a second, until the last answer."""
    last = max((one.answered for share in sent for one in share), default=begin + LATEST_SECONDS)
    return sum(map(len, sent)) / (last - begin)


@contextmanager
def sender() -> Iterator[ProcessPoolExecutor]:
    """The process that posts; spawned, since this one has threads."""
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as process:
        # A function of this module: so all that it needs is imported before a schedule begins.
        process.submit(_stands).result()
        yield process


def _stands() -> None:
    """Nothing."""


def post_in(process: ProcessPoolExecutor, server: Server, plan: Plan) -> tuple[float, Future[list[list[Sent]]]]:
    """(when the first request is due, what becomes of the requests of each share)."""
    begin = time.perf_counter() + BEFORE_SECONDS
    return begin, process.submit(post_all, server.port, server.key, plan, begin)


def post_all(port: int, key: str, plan: Plan, begin: float) -> list[list[Sent]]:
    """Post each share over a connection of its own, the first at `begin`; one that is too late is not posted to an end.

    Returns what was sent of each share.
    """
    step = plan.every * len(plan.shares)

    def post(number: int) -> list[Sent]:
        sent: list[Sent] = []
        with Connection(port, key) as connection:
            for turn, body in enumerate(plan.shares[number]):
                due = begin + number * plan.every + turn * step
                while (ahead := due - time.perf_counter()) > 0:
                    time.sleep(ahead)
                if ahead < -LATEST_SECONDS:
                    return sent
                connection.post_events(body, plan.media_type)
                sent.append(Sent(due, time.perf_counter()))
        return sent

    with ThreadPoolExecutor(len(plan.shares)) as clients:
        return list(clients.map(post, range(len(plan.shares))))
