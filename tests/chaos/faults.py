"""Faults that are put in on purpose, to see whether the harness sees them. The product knows nothing of them.

Each is what a hasty hand might have written; pauses make its moment longer, so that a short run meets it.
"""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Final

from worker.grouping import Joint

#: Names the fault in the environment of a child process.
CHOSEN: Final = "CHAOS_FAULT"


@dataclass(frozen=True)
class Fault:
    """A fault: what it is, and how it is put into the running process."""

    says: str
    install: Callable[[], None]


def _put(owner: Any, name: str, other: Any) -> Any:
    """Put `other` in the place of an attribute, which must be there; returns what was there."""
    before = getattr(owner, name)
    setattr(owner, name, other)
    return before


def _no_site_lock() -> None:
    """Workers count owed events of one site side by side, each its own."""
    from worker import ledger, tallies

    whole = ledger.claim

    def claim(connection: Any, site: str, *, limit: int) -> list[ledger.Head]:
        with connection.engine.begin() as other:
            claimed = whole(other, site, limit=min(limit, 60))
        time.sleep(random.uniform(0, 0.05))
        return claimed

    _put(tallies, "take", lambda _connection, _site: True)
    _put(ledger, "claim", claim)


def _counted_before_the_fold() -> None:
    """A claim is a transaction of its own; the fold is the next one."""
    from worker import ledger, loop, tallies
    from worker.recount import Recount
    from worker.tables import LIVE

    def count_claim(database: Any, site: str, *, limit: int) -> loop.Claimed:
        with database.write() as connection:
            if tallies.take(connection, site) is None:
                return loop.Claimed(0, False)
            claimed = ledger.claim(connection, site, limit=min(limit, 200))
        if not claimed:
            return loop.Claimed(0, False)
        time.sleep(0.05)
        with database.write() as connection:
            Recount(ledger.View(connection, site), LIVE).of_events(claimed)
            tallies._raise_revision(connection, site)
        return loop.Claimed(len(claimed), False)

    _put(loop, "count_claim", count_claim)


def _wake_up_before_the_commit() -> None:
    """The wake-up is sent while the transaction is still open."""
    from flask import current_app

    from worker import ledger
    from worker.tasks import Nudger

    early = threading.local()

    def append(*given: Any, **named: Any) -> Any:
        verdicts = real_append(*given, **named)
        current_app.extensions["cutledger"].nudge()
        early.done = True
        time.sleep(0.4)
        return verdicts

    def nudge(nudger: Nudger) -> None:
        if getattr(early, "done", False):
            early.done = False
        else:
            real_nudge(nudger)

    real_append = _put(ledger, "append", append)
    real_nudge = _put(Nudger, "nudge", nudge)


class _Late:
    """A database whose writers hear that all is well, and whose commits come a moment later."""

    def __init__(self, database: Any) -> None:
        self._database = database

    def __getattr__(self, name: str) -> Any:
        return getattr(self._database, name)

    @contextmanager
    def write(self) -> Iterator[Any]:
        transaction = self._database.write()
        yield transaction.__enter__()
        threading.Thread(target=_commit_later, args=(transaction,), daemon=True).start()

    def write_together(self, work: Any, *, of: str) -> Any:
        """By itself."""
        with self.write() as connection:
            return work.at_once(connection, [work.given])[0] if isinstance(work, Joint) else work(connection)


def _commit_later(transaction: Any) -> None:
    time.sleep(0.1)
    try:
        transaction.__exit__(None, None, None)
    except Exception:
        return


def _answer_before_the_commit() -> None:
    """A 2xx is sent, and then what it promises is committed."""
    from service.routes import events

    real: Callable[[], Any] = _put(events, "database", lambda: _Late(real()))


def _feed_cursor_on_a_sequence() -> None:
    """Appends to a site take their positions side by side and commit in any order."""
    from worker import ledger

    def insert(*given: Any, **named: Any) -> Any:
        positions = real(*given, **named)
        time.sleep(random.choice((0, 0, 0.15)))
        return positions

    _put(ledger, "take_turn", lambda _connection, _site: None)
    real = _put(ledger, "_insert", insert)


def _deferred_begin() -> None:
    """Writers on SQLite begin deferred: they read first, and become writers when another may have written since."""
    from sqlalchemy import event

    from worker import database, ledger

    def engine(url: str, *, writes: bool) -> Any:
        made = real_engine(url, writes=writes)
        if writes:

            @event.listens_for(made, "begin")
            def _defer(connection: Any) -> None:
                connection.exec_driver_sql("ROLLBACK")
                connection.exec_driver_sql("BEGIN")

        return made

    def stored(*given: Any) -> Any:
        found = real_stored(*given)
        time.sleep(0.005)
        return found

    real_engine = _put(database, "_sqlite_engine", engine)
    real_stored = _put(ledger, "_stored", stored)


FAULTS: Final[dict[str, Fault]] = {
    "no-site-lock": Fault("two workers count one site at once", _no_site_lock),
    "counted-before-fold": Fault("events are marked counted before the fold commits", _counted_before_the_fold),
    "wake-up-before-commit": Fault("the wake-up is sent before the commit", _wake_up_before_the_commit),
    "answer-before-commit": Fault("a 2xx is sent before the commit", _answer_before_the_commit),
    "feed-on-sequence": Fault("the feed's cursor is a sequence", _feed_cursor_on_a_sequence),
    "deferred-begin": Fault("transactions on SQLite begin deferred", _deferred_begin),
}
GROWN_FAULTS: Final[Sequence[str]] = tuple(name for name in FAULTS if name != "deferred-begin")
