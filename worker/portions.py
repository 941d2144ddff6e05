"""Portions of a ledger, each folded apart from the others, by several processes at once.

What a portion gives is all that is to be known of its attempts but for those that share a piece or a retry chain with
one outside: who puts portions together is told enough to find these. A portion reads the ledger alone, nothing that is
derived from it.
"""

from __future__ import annotations

import multiprocessing
import signal
from collections import deque
from collections.abc import Collection, Iterable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import lru_cache
from operator import itemgetter
from typing import Any, Final, NamedTuple

from worker.contradictions import attempt_findings
from worker.database import Database
from worker.events import ATTEMPT, JOB, PLATE
from worker.folded import Folded, folded
from worker.folding import Cut, fold_attempt, names_given
from worker.garbage import FOLDING, settle_memory
from worker.jobs import fold_job
from worker.ledger import View
from worker.placing import Row, Surroundings
from worker.plates import Plate, fold_plate, inherited, stated_with_ancestors
from worker.sites import SiteCalendar, settings_told
from worker.touches import Touches

#: Portions that are folded, or wait to be taken in, for each process: the memory of all is bounded by it.
_AHEAD: Final = 2


class Rows(NamedTuple):
    """Rows of a table: the names of their columns, and their values; one of these is the attempt that each tells of."""

    names: tuple[str, ...]
    values: list[tuple[Any, ...]]
    attempt: int

    def without(self, attempts: Collection[str]) -> list[tuple[Any, ...]]:
        """Those that tell of other attempts."""
        if not attempts:
            return self.values
        return [values for values in self.values if values[self.attempt] not in attempts]


@dataclass(frozen=True)
class Portion:
    """What some attempts give, folded without any other.

    retried: attempts of which some of these are retries; rows: by the name that a table has in `Derived`.
    """

    attempts: list[str] = field(default_factory=list)
    pieces: set[str] = field(default_factory=set)
    retried: set[str] = field(default_factory=set)
    rows: dict[str, Rows] = field(default_factory=dict)
    touches: Touches = field(default_factory=Touches)


def fold_portion(view: View, calendar: SiteCalendar, attempts: Iterable[str]) -> Portion:
    """What attempts give by themselves."""
    by_attempt = view.of_subjects(ATTEMPT, attempts)
    cuts = {attempt: fold_attempt(attempt, events) for attempt, events in by_attempt.items() if events}
    return _portion(view.site, folded(view.site, cuts, told_around(view, calendar, cuts.values())))


def _portion(site: str, found: Folded) -> Portion:
    portion = Portion(list(found.attempts))
    for row in found.attempts.values():
        portion.touches.attempt(row)
        if row["piece_key"] is not None:
            portion.pieces.add(row["piece_key"])
        if row["retry_of"] is not None:
            portion.retried.add(row["retry_of"])
    for row in found.rework:
        portion.touches.combination(row["combination"], row.pop("dimensions"))
        portion.touches.rework(row)
    tables: dict[str, Sequence[Row]] = {
        "attempts": list(found.attempts.values()),
        "rework": found.rework,
        "lost_parts": found.lost_parts,
        "warnings": found.warnings,
        "readings": found.readings,
        "findings": attempt_findings(site, found.contradictions),
    }
    for name, rows in tables.items():
        if rows:
            names = tuple(rows[0])
            attempt = names.index("subject" if name == "findings" else "attempt")
            portion.rows[name] = Rows(names, list(map(itemgetter(*names), rows)), attempt)
    return portion


def told_around(view: View, calendar: SiteCalendar, cuts: Collection[Cut]) -> Surroundings:
    """What the ledger tells of the jobs and plates of attempts."""
    named_jobs = view.of_subjects(JOB, names_given(cuts, "job"))
    jobs = {job: fold_job(job, events) for job, events in named_jobs.items() if events}

    def known(names: Iterable[str]) -> dict[str, Plate]:
        return {plate: fold_plate(plate, events) for plate, events in view.of_subjects(PLATE, names).items() if events}

    plates = known(names_given(cuts, "plate"))
    stated_of = stated_with_ancestors(plates, known)
    return Surroundings(calendar, jobs, plates, {plate: inherited(plate, stated_of)[0] for plate in plates})


# --- by several processes ---------------------------------------------------------------------------------------


def fold_portions(
    url: str, site: str, upto: int, portions: Iterable[Sequence[str]], *, processes: int
) -> Iterator[Portion]:
    """What each portion of a site's attempts gives, in their order, folded by so many processes.

    They read the counted events up to a position, each in snapshots of its own.
    """
    # Not forked: the threads and connections of this process are not theirs.
    pool = ProcessPoolExecutor(processes, multiprocessing.get_context("spawn"), initializer=_begin)
    waiting: deque[Future[Portion]] = deque()
    try:
        for attempts in portions:
            waiting.append(pool.submit(_fold_portion, url, site, upto, attempts))
            if len(waiting) > _AHEAD * processes:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        pool.shutdown(cancel_futures=True)


def can_start_processes() -> bool:
    """False in a process that may have no children, as those of some pools."""
    return not multiprocessing.current_process().daemon


def _begin() -> None:
    # Ctrl-C reaches all of them; the first one ends the others.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    settle_memory(FOLDING)


def _fold_portion(url: str, site: str, upto: int, attempts: Sequence[str]) -> Portion:
    with _database(url).read() as connection:
        view = View(connection, site, upto)
        return fold_portion(view, _calendar(view.site, upto, url), attempts)


@lru_cache(maxsize=1)
def _database(url: str) -> Database:
    return Database(url)


@lru_cache(maxsize=1)
def _calendar(site: str, upto: int, url: str) -> SiteCalendar:
    with _database(url).read() as connection:
        return settings_told(View(connection, site, upto))
