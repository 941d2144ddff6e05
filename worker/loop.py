"""Counting what is owed: the one call that the embedded loop and the Celery task share, and the loop itself."""

from __future__ import annotations

import logging
import os
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from typing import Any, Final, NamedTuple
from weakref import WeakKeyDictionary

from sqlalchemy import Connection, select
from sqlalchemy.exc import DBAPIError

from worker import ledger, tallies
from worker.database import Database, DatabaseUnavailable, is_unavailability
from worker.prepared import Lists, Prepared
from worker.recount import Ahead
from worker.tables import FOLD, sites

log = logging.getLogger(__name__)

#: The loop looks for owed events by itself this often, should a wake-up be lost.
SWEEP_SECONDS: Final = 1.0
#: After a fault the loop rests this long.
REST_SECONDS: Final = 2.0
#: While something is appended a claim is to take no longer than this, and holds no fewer events than LEAST_EVENTS.
CLAIM_SECONDS: Final = 0.06
LEAST_EVENTS: Final = 20
#: Where a full claim leaves more behind, more are claimed at once all the same, and so much time is the most it takes:
#: a claim has costs that do not shrink with it, and smaller ones would fall behind ever faster.
BEHIND_CLAIM_SECONDS: Final = 0.1
GROWTH: Final = 1.5
#: After one that kept others waiting counting rests: as long as it wrote, and longer the longer it wrote beyond so
#: much, unless it is behind.
SHORT_SECONDS: Final = 0.02
LONGEST_REST_SECONDS: Final = 0.2
#: Niceness of the thread that looks at what a claim will find.
NICENESS_AHEAD: Final = 10
#: A site that cannot be computed again rests this long.
FOLD_REST_SECONDS: Final = 600
_RESTING: Final[WeakKeyDictionary[Database, dict[str, float]]] = WeakKeyDictionary()

#: Told of each claim that counted something: how many seconds it took, how many events it held.
Observer = Callable[[float, int], None]


class Turn(NamedTuple):
    """One turn of all sites; `seconds`: how long it wrote; `is_behind`: a claim was full, so that more is owed."""

    seconds: float
    events: int
    kept_waiting: bool
    is_behind: bool


#: Told of each turn of all sites; returns how many events a claim of the next one may hold.
Pace = Callable[[Turn], int]


class Claimed(NamedTuple):
    """A claim that was counted: how many events were counted or set aside, and whether others waited to write.

    seconds: from its begin to its commit, while others could not write.
    """

    events: int
    kept_waiting: bool
    seconds: float = 0.0


def count_owed(
    database: Database,
    *,
    limit: int = tallies.CLAIM_EVENTS,
    observe: Observer | None = None,
    pace: Pace | None = None,
) -> int:
    """Count all owed events of all sites, one claim a transaction, sites in turn; returns how many.

    A site that another worker is counting is left to it. Raises DatabaseUnavailable.
    """
    counted = 0
    while True:
        with database.read() as connection:
            older, owing = _folded_before(connection), ledger.sites_owed(connection)
        if older:
            fold_again(database)
        claims = [_observed_claim(database, site, limit, observe) for site in owing]
        step = sum(claim.events for claim in claims)
        # Here, not at the end: under a steady load there is none, and the log would grow for as long.
        database.checkpoint()
        database.look_at_growth(step)
        if not step:
            return counted
        counted += step
        if pace is not None:
            kept_waiting = any(claim.kept_waiting for claim in claims)
            is_behind = any(claim.events >= limit for claim in claims)
            seconds = sum(claim.seconds for claim in claims)
            limit = pace(Turn(seconds, step, kept_waiting, is_behind))


def fold_again(database: Database) -> None:
    """Compute the sites again that were counted under an older fold: what an upgrade derives anew is then there.

    A site that fails keeps no other from being counted: it is logged, and rests.
    """
    with database.read() as connection:
        older = _folded_before(connection)
    resting = _RESTING.setdefault(database, {})
    for site in older:
        if time.monotonic() < resting.get(site, 0.0):
            continue
        log.info("site %s was counted by an older release: its figures are computed again from the ledger", site)
        try:
            counted = tallies.rebuild(database, site, now_us=_now_us())
        except DatabaseUnavailable:
            raise
        except Exception:
            log.exception("site %s cannot be counted again; it is tried again in %d s", site, FOLD_REST_SECONDS)
            resting[site] = time.monotonic() + FOLD_REST_SECONDS
        else:
            log.info("site %s: %d events counted again", site, counted)


def _folded_before(connection: Connection) -> list[str]:
    """Sites that were counted under an older fold, in order."""
    return [site for (site,) in _older_sites(connection, {})]


@Prepared
def _older_sites(_: Lists) -> Any:
    return select(sites.c.site).where(sites.c.fold < FOLD).order_by(sites.c.site)


def _observed_claim(database: Database, site: str, limit: int, observe: Observer | None) -> Claimed:
    began = time.monotonic()
    claimed = count_claim(database, site, limit=limit)
    if claimed.events and observe is not None:
        observe(time.monotonic() - began, claimed.events)
    return claimed


def count_claim(database: Database, site: str, *, limit: int) -> Claimed:
    """Count one claim of a site.

    A claim that the fold cannot bear is halved until the event that it fails on stands alone; that one is set aside
    with the reason, and the rest goes on.
    """
    if limit == 1:
        return Claimed(_count_one(database, site), False)
    try:
        ahead = _look_ahead(database, site, limit=limit)
        with database.write() as connection:
            began = time.monotonic()
            counted = tallies.bring_up_to_date(connection, site, now_us=_now_us(), limit=limit, ahead=ahead)
            # Before it is committed: from then on who waited is at work.
            kept_waiting = database.is_waited_for()
        return Claimed(counted, kept_waiting, time.monotonic() - began)
    except DatabaseUnavailable:
        raise
    except Exception:
        return count_claim(database, site, limit=limit // 2)


def _look_ahead(database: Database, site: str, *, limit: int) -> Ahead | None:
    """What a claim will find, where to count holds up all who write."""
    if not database.is_sqlite or limit < tallies.LEAST_AHEAD:
        return None
    return _ASIDE.submit(_foreseen, database, site, limit).result()


def _foreseen(database: Database, site: str, limit: int) -> Ahead | None:
    with database.read() as connection:
        return tallies.look_ahead(connection, site, limit=limit)


def _stand_back() -> None:
    """Let others be given a processor before this thread, where the system has priorities of threads."""
    if sys.platform == "linux":
        with suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), NICENESS_AHEAD)


#: What is read and folded before a claim is the most of its work, and nobody waits for it: it holds nothing up, while
#: who writes must not be kept from a processor by those who wait for the file.
_ASIDE: Final = ThreadPoolExecutor(1, "cutledger-ahead", initializer=_stand_back)


def _count_one(database: Database, site: str) -> int:
    with database.write() as connection:
        # Held across the savepoint: what is set aside is what was tried.
        if tallies.take(connection, site) is None:
            return 0
        try:
            with connection.begin_nested():
                return tallies.bring_up_to_date(connection, site, now_us=_now_us(), limit=1)
        except Exception as error:
            if isinstance(error, DBAPIError) and is_unavailability(error):
                raise
            log.exception("an event of site %s cannot be counted and is set aside", site)
            reason = f"{type(error).__name__}: {error}"
            ledger.set_aside(connection, site, reason=reason, now_us=_now_us())
            return 1


def _now_us() -> int:
    return time.time_ns() // 1_000


class Pacing:
    """How many events a claim may hold, and how long counting rests after one: the only writer is the door's first."""

    def __init__(self) -> None:
        self.limit = LEAST_EVENTS

    def rest_after(self, turn: Turn, *, is_busy: bool) -> float:
        """Seconds to rest after a turn, and from then on another limit; busy: something is being appended."""
        if not is_busy:
            limit = 2 * self.limit
        elif turn.is_behind and turn.seconds < BEHIND_CLAIM_SECONDS:
            limit = int(GROWTH * self.limit)
        else:
            limit = int(turn.events * CLAIM_SECONDS / turn.seconds)
        self.limit = max(LEAST_EVENTS, min(limit, tallies.CLAIM_EVENTS))
        if not turn.kept_waiting:
            return 0.0
        times = 1.0 if turn.is_behind else max(1.0, turn.seconds / SHORT_SECONDS)
        return min(times * turn.seconds, LONGEST_REST_SECONDS)


class Loop:
    """The embedded worker: a thread that counts when it is woken, and by itself every second."""

    def __init__(self, database: Database, *, observe: Observer | None = None) -> None:
        self.database = database
        self._observe = observe
        self._pacing = Pacing()
        self._woken = threading.Event()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="cutledger-worker", daemon=True)

    def start(self) -> None:
        """Begin counting."""
        self._thread.start()

    def nudge(self) -> None:
        """Say that something was appended. Carries no data, may be said too often or not at all."""
        self._woken.set()

    def stop(self, timeout: float = 10.0) -> None:
        """Finish the claim at hand and end the thread."""
        self._stopping.set()
        self._woken.set()
        self._thread.join(timeout)

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._woken.wait(SWEEP_SECONDS)
            # Cleared before the owed events are read: what is appended from here on wakes the loop again.
            self._woken.clear()
            self._count()

    def _pace(self, turn: Turn) -> int:
        is_busy = turn.kept_waiting or self._woken.is_set()
        # Before the owed events are read again.
        self._woken.clear()
        self._stopping.wait(self._pacing.rest_after(turn, is_busy=is_busy))
        return self._pacing.limit

    def _count(self) -> None:
        try:
            self._count_or_fold_back()
        except DatabaseUnavailable as error:
            log.warning("counting rests, the database is not available: %s", error)
            self._stopping.wait(REST_SECONDS)
        except Exception:
            # An embedded installation has no one to restart this thread: it says what went wrong and goes on.
            log.exception("counting failed; the events stay owed")
            self._stopping.wait(REST_SECONDS)

    def _count_or_fold_back(self) -> None:
        try:
            count_owed(self.database, limit=self._pacing.limit, observe=self._observe, pace=self._pace)
        except DatabaseUnavailable:
            # On a full disk the write-ahead log may be what fills it.
            with suppress(DatabaseUnavailable):
                self.database.checkpoint()
            raise
