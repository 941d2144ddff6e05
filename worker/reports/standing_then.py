"""Figures as they stood when a site's ledger had been counted up to a position: by a recount beside what is kept.

The recount folds the counted events up to that position into temporary tables, and the reports read those. So it is the
answer of that time, computed by today's code: settings, names and verdicts that came later are not in it. An event that
had been set aside and was counted later is in it, since the ledger does not tell when it was counted.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any, Final

from sqlalchemy import Connection, func, select

from worker import ledger
from worker.derived import make_empty
from worker.events import SITE
from worker.recount import Recount
from worker.reports.questions import QuestionUnanswerable, Wrong
from worker.reports.reading import Reader, instant, open_site
from worker.reports.report import AsOf
from worker.sites import fold_settings
from worker.tables import SHADOW, events, set_asides

#: Events that are folded anew for one answer: about as many as take ten seconds.
MOST_EVENTS: Final = 20_000
#: Digits of a position that is asked for.
MOST_DIGITS: Final = 18
#: How long an answer waits for another one that folds: it takes a whole processor.
WAIT_SECONDS: Final = 2.0
_FOLDING: Final = threading.Lock()


class RecountBusy(Exception):
    """Another answer is being recounted in this process."""


@dataclass(frozen=True)
class Standing:
    """A site as it stood at a position. `reader` has the calendar and the as-of of that time."""

    reader: Reader
    position: int
    #: Counted events up to the position; one more than MOST_EVENTS stands for any more.
    events: int
    #: True when no other event is counted: what is kept up to date is what stood there.
    is_newest: bool

    @property
    def revision(self) -> int:
        """The same as long as the figures are: that of the site, or below 0 for what no later event changes."""
        return self.reader.revision if self.is_newest else -self.events

    def refuse_too_much(self) -> None:
        """Raise QuestionUnanswerable when more than MOST_EVENTS would have to be folded."""
        if self.events > MOST_EVENTS:
            raise _unanswerable(
                f"is {self.position}, up to which more than {MOST_EVENTS} events would have to be counted anew; ask "
                "for a published week, by published or by its position: GET /v1/reports lists them in published_weeks"
            )


def read_position(values: Sequence[str]) -> int:
    """The position that the values of a parameter give; raises QuestionUnanswerable."""
    if len(values) > 1:
        raise _unanswerable(f"is given {len(values)} times; give it once")
    text = values[0]
    if not (text.isascii() and text.isdigit() and len(text) <= MOST_DIGITS):
        raise _unanswerable(f"must be a position of the ledger, as as_of has it, such as 417; found {text[:60]!r}")
    return int(text)


def standing_at(connection: Connection, site: str, position: int) -> Standing:
    """How a site stood at a position, before anything is folded; raises SiteUnknown, QuestionUnanswerable."""
    kept = open_site(connection, site)
    if position > kept.as_of.position:
        raise _unanswerable(
            f"is {position}, beyond what is counted: {kept.as_of.position} is the newest position of this site"
        )
    is_newest = _received(connection, site, events.c.position > position, order=events.c.position) is None
    last = _received(connection, site, events.c.position <= position, order=events.c.position.desc())
    as_of = AsOf(
        position,
        None if last is None else instant(last),
        *(_set_aside(connection, site, position, is_owed=is_owed) for is_owed in (1, 0)),
    )
    settings = ledger.View(connection, site, upto=position).of_subjects(SITE, [site])[site]
    reader = replace(kept, as_of=as_of, calendar=fold_settings(settings))
    counted = 0 if is_newest else _counted(connection, site, position)
    return Standing(reader, position, counted, is_newest)


def _received(connection: Connection, site: str, condition: Any, *, order: Any) -> int | None:
    """When the first counted event of these, in this order, was received; None without one."""
    query = select(events.c.received_us).where(*ledger.counted(site), condition)
    received: int | None = connection.execute(query.order_by(order).limit(1)).scalar_one_or_none()
    return received


def _set_aside(connection: Connection, site: str, position: int, *, is_owed: int) -> int:
    """Events up to a position, which lies before what is counted, that were set aside, and are owed again or not."""
    s = set_asides.c
    query = select(func.count()).where(s.site == site, s.position <= position, s.is_owed == is_owed)
    return int(connection.execute(query).scalar_one())


def _counted(connection: Connection, site: str, position: int) -> int:
    mine = (*ledger.counted(site), events.c.position <= position)
    some = select(events.c.position).where(*mine).limit(MOST_EVENTS + 1).subquery()
    return int(connection.execute(select(func.count()).select_from(some)).scalar_one())


@contextmanager
def one_at_a_time() -> Iterator[None]:
    """Hold while figures are folded; raises RecountBusy when others are for a while."""
    if not _FOLDING.acquire(timeout=WAIT_SECONDS):
        raise RecountBusy
    try:
        yield
    finally:
        _FOLDING.release()


def folded(standing: Standing) -> Reader:
    """Reader of the figures as they stood, counted into temporary tables of its connection, which must allow them."""
    if standing.is_newest:
        return standing.reader
    standing.refuse_too_much()
    reader = standing.reader
    make_empty(reader.connection, SHADOW)
    Recount(ledger.View(reader.connection, reader.site, upto=standing.position), SHADOW).of_everything()
    return replace(reader, tables=SHADOW)


def _unanswerable(detail: str) -> QuestionUnanswerable:
    return QuestionUnanswerable([Wrong("at", detail)])
