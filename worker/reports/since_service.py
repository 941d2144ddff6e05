"""What was done on a machine since it was last serviced: attempts in the order in which they began, between services.

A service begins a stretch; what an attempt finds is what the attempts before it in its stretch did. All finished
attempts on the machine wear it, whatever a question counts; only those of few people, which are left out of all
figures, are left out here too. A check that replaced something, or set it right, is a service of it.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from operator import itemgetter
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import ColumnElement, and_, case, func, select

from worker.acts import checks
from worker.reports.questions import Question
from worker.reports.reading import Reader, asked_of, conditions_of
from worker.sums import total

#: Kinds of service whose wear is looked at.
KINDS: Final = ("nozzle", "nozzle_centring", "protective_window", "lens", "slats")
#: What a check found that makes it a service.
_MENDED: Final = ("set_right", "replaced")

Whole = NDArray[np.int64]
#: (machine, kind of service) -> instants in microseconds, sorted, each once.
Services = Mapping[tuple[str, str], Sequence[int]]


class Done(Protocol):
    """What attempts of one machine did, in the order in which they began."""

    @property
    def started_us(self) -> Whole:
        """Instants."""

    @property
    def pierces(self) -> Whole:
        """0 where not known."""

    @property
    def ms(self) -> Whole:
        """Milliseconds of cutting, 0 where not known."""


@dataclass(frozen=True)
class Attempts:
    """Finished attempts of one machine in the order in which they began: a value of each in every array.

    `asked`: 1 for those that the question counts. `cluster` and `stratum` number the plates (else runs, else attempts)
    within a day and combination, and (thickness in nanometres, material) in the order in which they appear. `tells`: 1
    where pierces and failed pierces are known. `seconds` 0 where not known.
    """

    started_us: Whole
    pierces: Whole
    failed_pierces: Whole
    tells: Whole
    ms: Whole
    timed: Whole
    judged: Whole
    not_good: Whole
    rework: Whole
    asked: Whole
    cluster: Whole
    stratum: Whole


def attempts_by_machine(reader: Reader, question: Question) -> dict[str, Attempts]:
    """All finished attempts in a question's window, of each machine that it asks for."""
    a = reader.tables.attempts.c
    judged = a.is_first * (a.good + a.rework + a.scrap + a.not_made)
    query = (
        select(
            a.machine,
            a.started_us,
            func.coalesce(a.pierces, 0),
            func.coalesce(a.failed_pierces, 0),
            case((a.pierces.is_not(None), 1), else_=0),
            func.coalesce(a.seconds_ms, 0),
            case((a.seconds_ms.is_not(None), 1), else_=0),
            judged,
            judged - a.is_first * a.good,
            a.is_first * a.rework,
            case((and_(*conditions_of(reader, question, a)), 1), else_=0),
            a.cluster,
            a.day,
            a.combination,
        )
        .where(a.site == reader.site, a.state == "finished", a.machine.is_not(None))
        .where(a.day >= question.first_day.isoformat(), a.day <= question.last_day.isoformat())
        .order_by(a.machine, a.started_us, a.attempt)
    )
    query = query.where(*_told(question, a))
    if asked := question.filters.get("machine"):
        query = query.where(a.machine.in_([machine for machine in asked if machine is not None]))
    rows = reader.connection.execute(query).all()
    c = reader.tables.combinations.c
    alike = select(c.combination, c.thickness_nm, c.material).where(c.site == reader.site)
    strata = {combination: (nm, material) for combination, nm, material in reader.connection.execute(alike)}
    return {machine: _of(list(found), strata) for machine, found in groupby(rows, itemgetter(0))}


def _told(question: Question, a: Any) -> Iterable[ColumnElement[bool]]:
    """Without the groups that are left out of all figures."""
    return asked_of(replace(question, filters={}), a)


def _of(rows: Sequence[Any], strata: Mapping[int, tuple[Any, ...]]) -> Attempts:
    columns = list(zip(*rows, strict=True))
    clusters: dict[Any, int] = {}
    cluster = [clusters.setdefault(key, len(clusters)) for key in zip(*columns[11:], strict=True)]
    numbers: dict[Any, int] = {}
    of_combination = {
        combination: numbers.setdefault(strata[combination], len(numbers)) for combination in dict.fromkeys(columns[13])
    }
    stratum = [of_combination[combination] for combination in columns[13]]
    return Attempts(*(np.array(each, dtype=np.int64) for each in (*columns[1:11], cluster, stratum)))


def services(reader: Reader, question: Question) -> Services:
    """Services of KINDS of all machines until the end of a question's window."""
    s = reader.tables.services.c
    query = select(s.machine, s.what, s.time_us).where(
        s.site == reader.site, s.what.in_(KINDS), s.day <= question.last_day.isoformat()
    )
    found: dict[tuple[str, str], set[int]] = defaultdict(set)
    for machine, what, time_us in reader.connection.execute(query):
        found[machine, what].add(time_us)
    for act in checks(reader.connection, reader.site, upto=reader.as_of.position):
        place = reader.calendar.place(act.event.time_us)
        _, machine = place.settings.name_and_key("machine", act.event.subject)
        if machine is None or place.day > question.last_day:
            continue
        for check in act.event.data["checks"]:
            if check["found"] in _MENDED and check["what"] in KINDS:
                found[machine, check["what"]].add(act.event.time_us)
    return {key: sorted(times) for key, times in found.items()}


@dataclass(frozen=True)
class Since:
    """What each attempt of a machine found done since the last service of a kind.

    `stretch`: number of that service; -1 where none is known before the attempt. `pierces`, `ms`: 0 there.
    """

    stretch: Whole
    pierces: Whole
    ms: Whole


def since_service(attempts: Done, times: Sequence[int], *, before: tuple[int, int]) -> Since:
    """Exact fold over attempts in their order; a service at the instant at which an attempt begins comes before it.

    times: services, sorted. before: pierces and milliseconds done on the machine between the last service that precedes
    the first attempt, and that attempt.
    """
    stretch = np.searchsorted(np.array(times, dtype=np.int64), attempts.started_us, side="right") - 1
    first_of_stretch = np.searchsorted(attempts.started_us, np.array(times, dtype=np.int64), side="left")
    carried = bisect_left(first_of_stretch.tolist(), 1) - 1
    found = []
    for amount, earlier in zip((attempts.pierces, attempts.ms), before, strict=True):
        done = np.concatenate((np.zeros(1, dtype=np.int64), np.cumsum(amount)))
        base = done[first_of_stretch]
        if carried >= 0:
            base[carried] = -earlier
        found.append(np.where(stretch < 0, 0, done[:-1] - (base[stretch] if len(times) else 0)))
    return Since(stretch.astype(np.int64), *found)


def done_before(
    reader: Reader, question: Question, machine: str, began_us: Iterable[int]
) -> dict[int, tuple[int, int]]:
    """Pierces and milliseconds on a machine before the question's window, since each of these instants."""
    a = reader.tables.attempts.c
    instants = sorted(set(began_us))
    if not instants:
        return {}
    amounts = [
        total(case((a.started_us >= began, func.coalesce(amount, 0)), else_=0))
        for began in instants
        for amount in (a.pierces, a.seconds_ms)
    ]
    query = select(*amounts).where(
        a.site == reader.site, a.machine == machine, a.state == "finished", a.started_us >= instants[0],
        a.day < question.first_day.isoformat(), *_told(question, a),
    )  # fmt: skip
    values = [int(value) for value in reader.connection.execute(query).one()]
    return {began: (values[2 * place], values[2 * place + 1]) for place, began in enumerate(instants)}
