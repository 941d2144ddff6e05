"""Notices: a machine whose pierces, or cuts, just failed one after the other is to be looked at before it goes on.

The rule is that of a shop, not of a chart: so many failures in succession, or among so few, whatever is usual there
(common practice, no source; the site may set the limits). It is read off the newest attempts whenever asked, and over
as soon as somebody says what was found, or serviced the machine.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final, NamedTuple

from sqlalchemy import func, select

from worker.acts import checks
from worker.events import CHECKS
from worker.plausible_limits import Limits
from worker.plausible_series import pierce_series
from worker.reports.reading import Reader, instant, spellings
from worker.sentences import Sentence, sentence
from worker.shopcalendar import MICROSECONDS
from worker.tables import LIVE

PIERCES: Final = "failed_pierces"
LOST_CUTS: Final = "lost_cuts"
CODES: Final = (PIERCES, LOST_CUTS)
#: Newest attempts of a machine that are read, and how far back.
NEWEST: Final = 200
LOOK_BACK_US: Final = 14 * 24 * 3600 * MICROSECONDS


class Notice(NamedTuple):
    """A machine to look at: which attempts, how many failures among how many pierces or cuts.

    `machine`: its key; `looked_us`: when it was looked at last, 0 where nobody knows.
    """

    machine: str
    code: str
    first_attempt: str
    last_attempt: str
    since_us: int
    tried: int
    failed: int
    in_succession: bool
    looked_us: int = 0

    @property
    def id(self) -> str:
        """The same everywhere, and the same until somebody looks at the machine, whatever fails next."""
        named = "\x1f".join((self.machine, self.code, str(self.looked_us)))
        return "N-" + hashlib.blake2b(named.encode(), digest_size=8).hexdigest()

    @property
    def detail(self) -> Sentence:
        """What is the matter."""
        figures = {"failed": self.failed, "tried": self.tried}
        if self.code == PIERCES and self.in_succession:
            return sentence("%(failed)s pierces failed in succession", failed=self.failed)
        if self.code == PIERCES:
            return sentence("%(failed)s of %(tried)s pierces failed", **figures)
        if self.in_succession:
            return sentence("%(failed)s cuts were lost in succession", failed=self.failed)
        return sentence("%(failed)s of %(tried)s cuts were lost", **figures)


class Run(NamedTuple):
    """An attempt as the rule reads it: pierces and failed ones, and whether its cut was lost."""

    attempt: str
    started_us: int
    pierces: int
    failed: int
    is_lost: bool


def notices(reader: Reader, *, machine: str | None = None, now_us: int) -> list[Notice]:
    """Open notices of all machines, or of one by its name, by machine and code."""
    settings = reader.calendar.latest
    keys = [settings.key_of("machine", machine)] if machine is not None else sorted(spellings(reader, "machine"))
    since = _looked_at(reader, now_us)
    runs = _runs(reader, keys, since, now_us)
    return [
        notice
        for key in keys
        for notice in noticed(key, runs.get(key, []), settings.limits, looked_us=since.get(key, 0))
    ]


def noticed(machine: str, runs: Sequence[Run], limits: Limits, *, looked_us: int = 0) -> Iterator[Notice]:
    """The notices that a machine's attempts give, oldest first: since it was looked at last. Pure.

    A series that enough good ones came after is over: as many as the rule looks back.
    """
    lost = [(1, int(run.is_lost)) for run in runs]
    for code, counts in ((PIERCES, [(run.pierces, run.failed) for run in runs]), (LOST_CUTS, lost)):
        found = pierce_series(counts, limits=limits)
        if found is None or sum(tried for tried, _ in counts[found.last + 1 :]) >= limits.pierce_window:
            continue
        first, last = runs[found.first], runs[found.last]
        yield Notice(
            machine, code, first.attempt, last.attempt, first.started_us, found.pierces, found.failed,
            found.in_succession, looked_us,
        )  # fmt: skip


def _looked_at(reader: Reader, now_us: int) -> dict[str, int]:
    """When each machine was last looked at or serviced, by its key; from then on its series begin anew."""
    s, settings = LIVE.services.c, reader.calendar.latest
    query = select(s.machine, func.max(s.time_us)).where(s.site == reader.site).group_by(s.machine)
    found: dict[str, int] = {key: int(at) for key, at in reader.connection.execute(query)}
    told = checks(
        reader.connection, reader.site, upto=reader.as_of.position, since_us=now_us - LOOK_BACK_US, with_owed=True
    )
    for act in told:
        key = settings.key_of("machine", act.event.subject)
        found[key] = max(found.get(key, 0), act.event.time_us)
    return found


def _runs(reader: Reader, machines: Sequence[str], since: Mapping[str, int], now_us: int) -> dict[str, list[Run]]:
    """The newest attempts of each machine, oldest first, that were started since it was looked at last."""
    a = LIVE.attempts.c
    number = func.row_number().over(partition_by=a.machine, order_by=(a.started_us.desc(), a.attempt.desc()))
    newest = (
        select(a.machine, a.attempt, a.started_us, a.pierces, a.failed_pierces, a.outcome, a.stop_reason)
        .add_columns(number.label("number"))
        .where(a.site == reader.site, a.machine.in_(machines), a.started_us > now_us - LOOK_BACK_US)
        .where(a.state == "finished")
        .subquery()
    )
    found: dict[str, list[Run]] = defaultdict(list)
    query = select(*(column for column in newest.c if column.name != "number")).where(newest.c.number <= NEWEST)
    for machine, *told in reader.connection.execute(query.order_by(newest.c.started_us, newest.c.attempt)):
        run = _run(*told)
        if run.started_us > since.get(machine, 0):
            found[machine].append(run)
    return found


def _run(
    attempt: str, started_us: int, pierces: int | None, failed: int | None, outcome: str, stop_reason: str | None
) -> Run:
    """An attempt as the rule reads it: one that ended at a pierce, and tells no numbers, is one failed pierce."""
    is_lost = outcome == "not_severed" or stop_reason == "lost_cut"
    if pierces is None and outcome == "pierce_failed":
        return Run(attempt, started_us, 1, 1, is_lost)
    return Run(attempt, started_us, pierces or 0, failed or 0, is_lost)


def shown(notice: Notice, machines: Mapping[str, str]) -> dict[str, Any]:
    """A notice as it is told, its machine spelled so; what to look at stands in the order of what it mostly is."""
    return {
        "id": notice.id,
        "machine": machines.get(notice.machine, notice.machine),
        "code": notice.code,
        "detail": notice.detail,
        "failed": notice.failed,
        "tried": notice.tried,
        "in_succession": notice.in_succession,
        "first_attempt": notice.first_attempt,
        "last_attempt": notice.last_attempt,
        "since": instant(notice.since_us),
        "look_at": list(CHECKS),
    }
