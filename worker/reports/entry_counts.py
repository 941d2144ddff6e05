"""How fully and how credibly things were entered, and by whom: counted in few statements, none longer for more data."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, Final

import orjson
from sqlalchemy import (
    BigInteger,
    ColumnElement,
    Integer,
    Text,
    and_,
    bindparam,
    case,
    func,
    literal,
    null,
    select,
    union_all,
)

from worker.measures import E6
from worker.reports.questions import Question
from worker.reports.reading import Reader, conditions_of
from worker.shopcalendar import MICROSECONDS, zone_named
from worker.sites import Settings, SiteCalendar
from worker.stats.clustering import Clustered
from worker.sums import MOST_IN_CLUSTER, total
from worker.tables import events

#: The newest completed jobs, and the newest events, that are looked at: however long the window, no more is read.
MOST_JOBS: Final = 500
MOST_EVENTS: Final = 20_000
#: A terminal's clock is ahead when it says that something happened so long after the server received it.
AHEAD_US: Final = 60 * MICROSECONDS
#: What an attempt may lack.
LACKS: Final = ("no_plate", "no_piece", "no_pierces", "no_seconds", "no_verdict")
_DAY_SECONDS: Final = 86_400


@dataclass(frozen=True, slots=True)
class Entries:
    """Finished attempts that one terminal told of one shift on a production day, as far as they concern `name`.

    `shift_end`: the (production day, name) of the shift around whose end they ended; None: around none.
    """

    name: str | None
    source: str | None
    day: str
    shift: str | None
    attempts: int
    lacking: Mapping[str, int]
    shift_end: tuple[str, str] | None = None


@dataclass
class Entered:
    """All that was entered. `parts`: by name and thickness the good ones (x) among judged parts of first attempts."""

    shifts: list[Entries] = field(default_factory=list)
    parts: dict[str | None, dict[int | None, Clustered]] = field(default_factory=lambda: defaultdict(dict))


def entered(reader: Reader, question: Question, *, column: str) -> Entered:
    """What was entered, by the names in this column of the attempts: source, machine or shift."""
    a = reader.tables.attempts.c
    lacking = (
        a.plate.is_(None),
        and_(a.piece_key.is_(None), a.retry_of.is_(None)),
        a.pierces.is_(None),
        a.seconds_ms.is_(None),
        a.pending > 0,
    )
    ended = shift_end_near(reader.calendar, question, a.day, func.coalesce(a.ended_us, a.started_us)).label("end_at")
    named = (a[column].label("name"), a.source, a.day, a.shift, a.thickness_nm, a.combination, a.cluster, ended)
    grouped = (
        select(
            *named,
            total(literal(1)).label("attempts"),
            *(total(_if(lacks)).label(name) for name, lacks in zip(LACKS, lacking, strict=True)),
            total(a.is_first * (a.good + a.rework + a.scrap + a.not_made)).label("judged"),
            total(a.is_first * a.good).label("good"),
        )
        .where(*conditions_of(reader, question, a), a.state == "finished")
        .group_by(*named)
        .cte("grouped")
    )
    found = Entered()
    for row in reader.connection.execute(union_all(_of_shifts(grouped.c), _of_parts(grouped.c))):
        if row.day is not None:
            lacks = {name: getattr(row, name) for name in LACKS}
            shift_end = None if row.end_at is None else shift_ending(reader.calendar, row.end_at)
            found.shifts.append(Entries(row.name, row.source, row.day, row.shift, row.attempts, lacks, shift_end))
        elif row.attempts:
            n, x, clusters, n2, x2 = row.attempts, *(getattr(row, name) for name in LACKS[:4])
            found.parts[row.name][row.thickness_nm] = Clustered(x=x, n=n, clusters=clusters, n2=n2, x2_over_n=x2 / E6)
    return found


def _if(condition: ColumnElement[bool]) -> ColumnElement[int]:
    return case((condition, 1), else_=0)


def _of_shifts(c: Any) -> Any:
    named = (c.name, c.source, c.day, c.shift, c.end_at)
    sums = [total(c[name]).label(name) for name in ("attempts", *LACKS)]
    return select(*named, null().cast(BigInteger).label("thickness_nm"), *sums).group_by(*named)


def _of_parts(c: Any) -> Any:
    """In the places of attempts and lacks: judged, good, clusters, and their squares."""
    within = (c.name, c.thickness_nm, c.day, c.combination, c.cluster)
    n, x = (
        case((total(column) > MOST_IN_CLUSTER, MOST_IN_CLUSTER), else_=total(column)) for column in (c.judged, c.good)
    )
    cluster = select(c.name, c.thickness_nm, n.label("n"), x.label("x")).group_by(*within).subquery("cluster").c
    sums = (
        cluster.n,
        cluster.x,
        _if(cluster.n > 0),
        cluster.n * cluster.n,
        case((cluster.n > 0, cluster.x * cluster.x * E6 // cluster.n), else_=0),
    )
    nothing: list[ColumnElement[Any]] = [null().cast(Text).label(name) for name in ("source", "day", "shift")]
    nothing.append(null().cast(BigInteger).label("end_at"))
    places = [*(total(term) for term in sums), literal(0, Integer)]
    return select(cluster.name, *nothing, cluster.thickness_nm, *places).group_by(cluster.name, cluster.thickness_nm)


# --- ends of shifts ---------------------------------------------------------------------------------------------


def shift_end_near(
    calendar: SiteCalendar, question: Question, day: ColumnElement[Any], at_us: ColumnElement[Any]
) -> ColumnElement[Any]:
    """The end of a shift, in seconds since 1970, of which an instant lies at most shift_end_minutes away; else null.

    By the time of day in UTC, which is the same for all days between two changes of clock or settings: so a window has
    few cases, however many attempts.
    """
    seconds = at_us // MICROSECONDS
    cases = []
    for first, last, (within, ends) in _equal_days(calendar, question.first_day, question.last_day):
        in_days = and_(day >= first.isoformat(), day <= last.isoformat())
        for end in ends:
            since = (seconds + _DAY_SECONDS + within - end) % _DAY_SECONDS
            cases.append((and_(in_days, since <= 2 * within), seconds - since + within))
    return case(*cases)


def _equal_days(
    calendar: SiteCalendar, first_day: date, last_day: date
) -> Iterator[tuple[date, date, tuple[int, tuple[int, ...]]]]:
    """(first, last, (seconds around, ends of shifts in seconds of the UTC day)) of days on end that have the same."""
    begun, same = first_day, _ends(calendar.on(first_day), first_day)
    for number in range(1, (last_day - first_day).days + 1):
        day = first_day + timedelta(days=number)
        if (found := _ends(calendar.on(day), day)) != same:
            yield begun, day - timedelta(days=1), same
            begun, same = day, found
    yield begun, last_day, same


def _ends(settings: Settings, day: date) -> tuple[int, tuple[int, ...]]:
    ends = {second % _DAY_SECONDS for second in _end_seconds(settings, day)}
    return round(settings.limits.shift_end_minutes * 60), tuple(sorted(ends))


def _end_seconds(settings: Settings, day: date) -> Iterator[int]:
    """Seconds of the UTC day at which shifts end within a production day, and at its two ends."""
    zone, day_start = zone_named(settings.zone), settings.day_start_minutes
    for minutes in {minutes for minutes, _ in settings.shifts}:
        for of_date in [day] * (minutes >= day_start) + [_next(day)] * (minutes <= day_start):
            wall = datetime.combine(of_date, time(minutes // 60, minutes % 60), zone)
            yield minutes * 60 - round((wall.utcoffset() or timedelta()).total_seconds())


def shift_ending(calendar: SiteCalendar, end_at: int) -> tuple[str, str]:
    """(production day, name) of the shift that ends at these seconds since 1970."""
    place = calendar.place((end_at - 1) * MICROSECONDS)
    return place.day.isoformat(), place.shift


# --- completed jobs ---------------------------------------------------------------------------------------------


def completed_jobs(reader: Reader, question: Question) -> Clustered | None:
    """Parts that attempts made good (x) of those that jobs asked for (n), of the newest jobs completed in the window.

    A job is a cluster, and has at most what it asked for. None where filters were asked that jobs do not know.
    """
    if question.filters.keys() - {"purpose"}:
        return None
    j, a = reader.tables.jobs.c, reader.tables.attempts.c
    first_us, after_us = (_starts_us(reader.calendar, day) for day in (question.first_day, _next(question.last_day)))
    closed = (j.site == reader.site, j.state == "closed", j.close_reason == "complete", j.quantity.is_not(None))
    newest = (
        select(j.job, j.quantity, j.stated)
        .where(*closed, j.closed_us >= first_us, j.closed_us < after_us)
        .order_by(j.closed_us.desc(), j.job.desc())
        .limit(MOST_JOBS)
    )
    purposes = question.filters.get("purpose")
    asked = {
        row.job: row.quantity
        for row in reader.connection.execute(newest)
        if purposes is None or (orjson.loads(row.stated).get("purpose") or "production") in purposes
    }
    made = select(a.job, total(a.good + a.recovered).label("made")).where(a.site == reader.site, a.job.in_(asked))
    found = {row.job: row.made for row in reader.connection.execute(made.group_by(a.job))}
    return Clustered.of((min(found.get(job, 0), quantity), quantity) for job, quantity in sorted(asked.items()))


def _next(day: date) -> date:
    return day if day == date.max else day + timedelta(days=1)


def _starts_us(calendar: SiteCalendar, day: date) -> int:
    settings = calendar.on(day)
    start = time(settings.day_start_minutes // 60, settings.day_start_minutes % 60)
    since = datetime.combine(day, start, zone_named(settings.zone)) - datetime(1970, 1, 1, tzinfo=UTC)
    return since // timedelta(microseconds=1)


# --- clocks -----------------------------------------------------------------------------------------------------


def clocks_ahead(reader: Reader, question: Question) -> dict[str, tuple[int, int]]:
    """By sender (events that happened after they were received, events) of the newest received in the window."""
    last = _last_position(reader, _starts_us(reader.calendar, _next(question.last_day)))
    e = events.c
    newest = (
        select(e.source, e.time_us, e.received_us)
        .where(e.site == reader.site, e.position <= last)
        .order_by(e.position.desc())
        .limit(MOST_EVENTS)
        .subquery("newest")
    )
    ahead = total(_if(newest.c.time_us > newest.c.received_us + AHEAD_US)).label("ahead")
    query = (
        select(newest.c.source, ahead, func.count().label("events"))
        .where(newest.c.received_us >= _starts_us(reader.calendar, question.first_day))
        .group_by(newest.c.source)
    )
    return {row.source: (row.ahead, row.events) for row in reader.connection.execute(query)}


def _last_position(reader: Reader, before_us: int) -> int:
    """A position near the last one received before an instant: by halving, since positions follow the receipts."""
    e = events.c
    # One statement for all steps: to make it anew takes longer than to ask it.
    query = (
        select(e.received_us)
        .where(e.site == reader.site, e.position >= bindparam("from_position"), e.position <= bindparam("to_position"))
        .order_by(e.position)
        .limit(1)
    )
    low, high = 0, reader.as_of.position
    while low < high:
        middle = (low + high + 1) // 2
        places = {"from_position": middle, "to_position": high}
        received_us = reader.connection.execute(query, places).scalar_one_or_none()
        if received_us is not None and received_us < before_us:
            low = middle
        else:
            high = middle - 1
    return low


# --- silence ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Silence:
    """Working days without a word since the last one, of `since_first` that there were since the first one.

    `longest` is the longest silence before; `chance` that of one as long if it went on as before: of so many further
    days without a word by the rule of succession, Laplace's prior.
    """

    silent: int
    since_first: int
    longest: int
    chance: float


def silence(active: Sequence[str], working: Sequence[str]) -> Silence:
    """Silence of one whose days are `active` among the `working` days of all; both sorted, none twice."""
    places = {day: place for place, day in enumerate(working)}
    spoke = [places[day] for day in active]
    known = spoke[-1] - spoke[0] + 1
    silent = len(working) - 1 - spoke[-1]
    idle = known - len(spoke)
    chance = 1.0
    for further in range(silent):
        chance *= (idle + 1 + further) / (known + 2 + further)
    longest = max((later - earlier - 1 for earlier, later in zip(spoke, spoke[1:], strict=False)), default=0)
    return Silence(silent, len(working) - spoke[0], longest, chance)
