"""Until when a machine is known to have been in order: its last good check, its last attempt that was inspected good.

A check is good when all that a check looks at was looked at: what was found off was set right or replaced then, so from
then on the machine was in order. A service alone says nothing of the rest of the machine. An attempt speaks for its
machine when all its parts were good and inspection, not the operator, judged each: until its end the machine was in
order. Both look at causes that last; neither says anything of a fault that came and went.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import ColumnElement, or_, select

from worker.acts import Act, checks
from worker.events import ATTEMPT, CHECKS, MACHINE
from worker.folding import INSPECTED, VERDICTS
from worker.ledger import View
from worker.records import Event
from worker.reports.reading import Reader
from worker.tables import LIVE
from worker.tracing.past import SitePast
from worker.tracing.walk import Row

NOT_LOOKED_AT: Final = "not_looked_at"
IN_ORDER: Final = "in_order"
CHECK: Final = "check"
INSPECTION: Final = "inspection"
EITHER: Final = "either"
#: What the attempts since may be counted from: the later of the two, or one of them.
BOUNDS: Final = (EITHER, CHECK, INSPECTION)
#: So many attempts of which all parts were good are looked at for an inspection, the last first.
MOST_LOOKED_AT: Final = 5_000
_AT_A_TIME: Final = 250


@dataclass(frozen=True)
class GoodCheck:
    """A check that found a machine in order, or left it so."""

    act: Act

    @property
    def at_us(self) -> int:
        """From then on the machine was in order."""
        return self.act.event.time_us


@dataclass(frozen=True)
class GoodAttempt:
    """An attempt of which all parts were inspected, and good."""

    row: Row

    @property
    def at_us(self) -> int:
        """Until then the machine was in order: its end, or its start where the end is not known."""
        ended: int | None = self.row["ended_us"]
        return int(self.row["started_us"]) if ended is None else ended


@dataclass(frozen=True)
class Known:
    """What is known of a machine before an instant; looked_at_all: no attempt was left that could be a good one."""

    check: GoodCheck | None
    attempt: GoodAttempt | None
    looked_at_all: bool

    def bound_us(self, by: str) -> int | None:
        """From when attempts are in doubt; None: nothing is known, so all are."""
        found = {CHECK: self.check, INSPECTION: self.attempt}
        wanted = found.values() if by == EITHER else (found[by],)
        return max((one.at_us for one in wanted if one is not None), default=None)


def is_good_check(data: Mapping[str, Any]) -> bool:
    """True when a check looked at all that checks look at."""
    looked_at = {check["what"] for check in data["checks"] if check["found"] != NOT_LOOKED_AT}
    return looked_at >= set(CHECKS)


def known(past: SitePast, machine: str, *, before_us: int | None) -> Known:
    """The last good check and the last good attempt of a machine, before an instant where one is given.

    An attempt that was still being cut at that instant is not before it.
    """
    attempt, looked_at_all = _last_good_attempt(past, machine, before_us)
    return Known(_last_good_check(past.reader, machine, before_us), attempt, looked_at_all)


def checks_of(reader: Reader, machine: str) -> list[Act]:
    """The checks of a machine that are counted, by whatever name of it."""
    settings = reader.calendar.latest
    key = settings.key_of(MACHINE, machine)
    position = reader.as_of.position
    return [
        act
        for act in checks(reader.connection, reader.site, upto=position)
        if settings.key_of(MACHINE, act.event.subject) == key
    ]


def _last_good_check(reader: Reader, machine: str, before_us: int | None) -> GoodCheck | None:
    good = [act for act in checks_of(reader, machine) if is_good_check(act.event.data)]
    before = [act for act in good if before_us is None or act.event.time_us < before_us]
    return GoodCheck(before[-1]) if before else None


def _last_good_attempt(past: SitePast, machine: str, before_us: int | None) -> tuple[GoodAttempt | None, bool]:
    """(the last one, whether all that could be one were looked at until it)."""
    reader, looked_at = past.reader, 0
    for rows in _all_good(past, machine, before_us):
        told = View(reader.connection, reader.site).of_subjects(ATTEMPT, [row["attempt"] for row in rows])
        good = [GoodAttempt(row) for row in rows if _is_inspected(told[row["attempt"]], row)]
        if good:
            return max(good, key=lambda one: (one.at_us, one.row["attempt"])), True
        looked_at += len(rows)
        if looked_at >= MOST_LOOKED_AT:
            return None, False
    return None, True


def _all_good(past: SitePast, machine: str, before_us: int | None) -> Iterator[Sequence[Row]]:
    """Attempts on a machine of which all parts are good, the last first, in pieces."""
    a = LIVE.attempts.c
    which: list[ColumnElement[bool]] = [
        a.machine.in_(sorted(past.machine_keys(machine))),
        a.state == "finished",
        a.good == a.quantity,
    ]
    if before_us is not None:
        which += [a.started_us < before_us, or_(a.ended_us.is_(None), a.ended_us < before_us)]
    after: tuple[int, str] | None = None
    while True:
        further = [] if after is None else [_is_before(after)]
        query = past.attempts_where(*which, *further).order_by(None)
        query = query.order_by(a.started_us.desc(), a.attempt.desc()).limit(_AT_A_TIME)
        if not (rows := past.rows(query)):
            return
        yield rows
        after = rows[-1]["started_us"], rows[-1]["attempt"]


def _is_inspected(events: Iterable[Event], row: Row) -> bool:
    return all_inspected(events, quantity=row["quantity"], released=row["released"])


def _is_before(after: tuple[int, str]) -> ColumnElement[bool]:
    a = LIVE.attempts.c
    return or_(a.started_us < after[0], (a.started_us == after[0]) & (a.attempt < after[1]))


def all_inspected(events: Iterable[Event], *, quantity: int, released: int) -> bool:
    """True when inspections gave so many parts their first verdict; released: those that a sample stood for.

    Of events of one attempt; an inspection that goes beyond the quantity judges nothing, as in the fold of attempts.
    """
    judged = 0
    for event in sorted(events):
        if event.type == INSPECTED and (event.data.get("stage") or "first") == "first":
            parts = sum(event.data.get(verdict) or 0 for verdict in VERDICTS)
            judged += parts if judged + parts <= quantity else 0
    return judged + released == quantity


def is_machine(past: SitePast, machine: str) -> bool:
    """True when something is on record of a machine: attempts, services or checks."""
    a, s = LIVE.attempts.c, LIVE.services.c
    connection, keys = past.reader.connection, sorted(past.machine_keys(machine))
    on_it = (
        select(a.attempt).where(a.site == past.site, a.machine.in_(keys)),
        select(s.id).where(s.site == past.site, s.machine.in_(keys)),
    )
    if any(connection.execute(query.limit(1)).first() is not None for query in on_it):
        return True
    return bool(checks_of(past.reader, machine))
