"""Delivering: threads beside what counts that send pushes to their receivers, and hold up nobody.

One thread looks what is due and starts a sender for each webhook that has something; a sender sends what its webhook
has, one after the other. So a receiver that hangs holds up its own webhook alone. Of the senders only a part may be
with webhooks whose last try failed or was slow: however many receivers hang, the others have senders left. Such a
sender ends after one try, any after a while, and who was served the longest ago comes first: so each has its turn.
"""

from __future__ import annotations

import logging
import random
import threading
import time
from collections.abc import Callable
from typing import Final, NamedTuple

from worker.database import Database, DatabaseUnavailable
from worker.pushes.addresses import AddressRefused, Allowed, Resolver, checked, read_url, resolved
from worker.pushes.deliveries import Claim, claim, due, finish, tidy
from worker.pushes.posting import MOST_SECONDS, Outcome, post
from worker.pushes.signing import signed_headers
from worker.reports.reading import calendar_of
from worker.settings import loopback_allowed

log = logging.getLogger(__name__)

#: So often it is looked whether anything is due.
LOOK_SECONDS: Final = 1.0
#: After a fault it rests this long.
REST_SECONDS: Final = 5.0
#: What ended long ago is looked for so often; at once again while there is more.
TIDY_SECONDS: Final = 3_600.0
SENDERS: Final = 64
#: Senders that may be with webhooks whose last try failed or was slow.
DOUBTFUL_SENDERS: Final = 32
#: A try that took longer is slow.
SLOW_SECONDS: Final = 2.0
#: So long a sender goes on while others may wait for one.
TURN_SECONDS: Final = 10.0
#: At the end senders are waited for so long; what they hold then falls free, and is sent again.
STOP_SECONDS: Final = 2.0

_Webhook = tuple[str, str]


class Sent(NamedTuple):
    """What a try came to, and how many seconds it took."""

    outcome: Outcome
    seconds: float


def wall_us() -> int:
    """The time of day, in microseconds since 1970."""
    return time.time_ns() // 1_000


class Deliverer:
    """Sends what is due within a process, in threads of its own."""

    def __init__(
        self,
        database: Database,
        *,
        clock: Callable[[], int] = wall_us,
        resolve: Resolver = resolved,
        look_seconds: float = LOOK_SECONDS,
        most_seconds: float = MOST_SECONDS,
    ) -> None:
        self.database = database
        self.clock = clock
        self.resolve = resolve
        self.look_seconds = look_seconds
        self.most_seconds = most_seconds
        self._stopping = threading.Event()
        self._lock = threading.Lock()
        self._senders: dict[_Webhook, threading.Thread] = {}
        self._doubtful: set[_Webhook] = set()
        # When each was last given a sender, by a count of them.
        self._served: dict[_Webhook, int] = {}
        self._given = 0
        self._tidy_at = 0.0
        self._thread = threading.Thread(target=self._run, name="cutledger-deliverer", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    @property
    def running(self) -> bool:
        """True from the start until the thread has ended."""
        return self._thread.is_alive()

    def stop(self, timeout: float = STOP_SECONDS) -> None:
        """End the thread, and its senders once what they are sending is sent."""
        until = time.monotonic() + timeout
        self._stopping.set()
        with self._lock:
            senders = list(self._senders.values())
        for thread in (self._thread, *senders):
            if thread.is_alive():
                thread.join(max(0.0, until - time.monotonic()))

    def _run(self) -> None:
        rest = self.look_seconds
        while not self._stopping.wait(rest):
            rest = self.look_seconds if self._round() else REST_SECONDS

    def _round(self) -> bool:
        try:
            self.look()
            if time.monotonic() >= self._tidy_at and not tidy(self.database, now_us=self.clock()):
                self._tidy_at = time.monotonic() + TIDY_SECONDS
        except DatabaseUnavailable as error:
            log.warning("delivering rests, the database is not available: %s", error)
            return False
        except Exception:
            # Nobody restarts this thread: it says what went wrong and goes on.
            log.exception("delivering failed")
            return False
        return True

    def look(self) -> None:
        """Start a sender for each webhook that has something to send and none, as far as there is room."""
        with self.database.read() as connection:
            found = due(connection, now_us=self.clock())
        with self._lock:
            # Those served equally long ago stay in the order in which they are due.
            for webhook in sorted(found, key=lambda each: self._served.get(each, 0)):
                if webhook not in self._senders and self._has_room(webhook):
                    self._start_sender(webhook)

    def _start_sender(self, webhook: _Webhook) -> None:
        name = f"cutledger-sender-{webhook[1]}"
        sender = threading.Thread(target=self._send_turn, args=webhook, name=name, daemon=True)
        self._senders[webhook] = sender
        try:
            sender.start()
        except RuntimeError:
            # No thread can be had: it is due still when they can be again.
            del self._senders[webhook]
            raise
        self._given += 1
        self._served[webhook] = self._given

    def _has_room(self, webhook: _Webhook) -> bool:
        if len(self._senders) >= SENDERS:
            return False
        return webhook not in self._doubtful or len(self._doubtful & self._senders.keys()) < DOUBTFUL_SENDERS

    def _send_turn(self, site: str, webhook: str) -> None:
        until = time.monotonic() + TURN_SECONDS
        try:
            while not self._stopping.is_set() and time.monotonic() < until:
                sent = send_next(
                    self.database, site, webhook, clock=self.clock, resolve=self.resolve, seconds=self.most_seconds
                )
                if sent is None or self._is_doubtful((site, webhook), sent):
                    return
        except DatabaseUnavailable as error:
            log.warning("a webhook of site %s rests, the database is not available: %s", site, error)
        except Exception:
            if not self._stopping.is_set():
                log.exception("webhook %s of site %s cannot be sent to", webhook, site)
        finally:
            with self._lock:
                self._senders.pop((site, webhook), None)

    def _is_doubtful(self, webhook: _Webhook, sent: Sent) -> bool:
        doubtful = sent.outcome.reason is not None or sent.seconds > SLOW_SECONDS
        with self._lock:
            (self._doubtful.add if doubtful else self._doubtful.discard)(webhook)
        return doubtful


def send_next(
    database: Database,
    site: str,
    webhook: str,
    *,
    clock: Callable[[], int] = wall_us,
    resolve: Resolver = resolved,
    seconds: float = MOST_SECONDS,
) -> Sent | None:
    """Send the first delivery of a webhook that is due and write what it came to; None when none is.

    No transaction is open while it is sent. Killed in between, it is sent again once its hold ends.
    """
    with database.write() as connection:
        claimed = claim(connection, site, webhook, now_us=clock())
    if claimed is None:
        return None
    with database.read() as connection:
        hosts = calendar_of(connection, site).place(clock()).settings.webhook_hosts
    allowed = Allowed.of(hosts, loopback=loopback_allowed())
    began_us, began = clock(), time.monotonic()
    outcome = send(claimed, allowed, resolve=resolve, at_us=began_us, seconds=seconds)
    took = time.monotonic() - began
    with database.write() as connection:
        # What failed together does not come again together.
        finish(connection, claimed, outcome, began_us=began_us, now_us=clock(), chance=random.random())
    return Sent(outcome, took)


def send(claimed: Claim, allowed: Allowed, *, resolve: Resolver, at_us: int, seconds: float) -> Outcome:
    """Send a claimed delivery, if its address may be sent to at this moment; to find it counts as part of the time."""
    began = time.monotonic()
    try:
        target = read_url(claimed.url)
        addresses = checked(target, allowed, resolve, seconds=seconds)
    except AddressRefused as refused:
        return Outcome(None, f"the address {refused}"[:200])
    headers = signed_headers(claimed.secrets, claimed.push, at_us // 1_000_000, claimed.body)
    return post(target, addresses, headers, claimed.body, seconds=seconds, began=began)
