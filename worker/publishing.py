"""Published weeks: a day after its end a week's reports are stored as they stand, and stay so.

What is stored are the answers themselves, as JSON, to a fixed set of questions: each report of the catalogue for the
week, with its usual options and filters; one that can be divided by each of `divisions`. Late events change what the
same question answers from then on, never what was published; `changes_since` says where the two differ.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any, Final

import orjson
from sqlalchemy import Connection, exists, insert, or_, select
from sqlalchemy.exc import IntegrityError

from worker.database import Database, DatabaseUnavailable
from worker.installing import site_names
from worker.pushes.saying import WEEK_PUBLISHED, say
from worker.reports.catalogue import REPORTS, Entry
from worker.reports.changed import changes
from worker.reports.plain import as_of_plain, json_bytes, read_plain, report_plain
from worker.reports.questions import Question, QuestionUnanswerable, Wrong, read_question
from worker.reports.reading import Reader, instant, open_site
from worker.settings import RELEASE
from worker.shopcalendar import MICROSECONDS, iso_week
from worker.tables import FOLD, LIVE, published_reports, published_weeks, sites

log = logging.getLogger(__name__)

#: So long after the end of its last production day a week is published: most of its parts are inspected by then.
REST_US: Final = 24 * 3600 * MICROSECONDS
#: Weeks that ended longer ago are not published any more: what an import brings of years past is no report of its time.
LATEST_WEEKS: Final = 26
#: Weeks that one call publishes: the others wait for the next one.
MOST_WEEKS: Final = 4
#: What divides a report that can be divided, beside what divides it anyway; by week it is one row.
DIVISIONS: Final = ("machine", "material", "shift", "week")
#: Weeks that are listed.
SHOWN_WEEKS: Final = 60
#: Totals of report `yield` that are pushed of a week.
WEEK_FIGURES: Final = (
    "parts_started", "parts_judged_first", "pending_first", "first_pass_good", "first_pass_yield", "rework", "scrap",
)  # fmt: skip
#: (database, site, week) of weeks whose reports cannot be made: a fault of this release, of which the log tells once.
_failed: set[tuple[str, str, str]] = set()
#: By (database, site): at which revision, in the week that begins on which day, none was due.
_none_due: dict[tuple[str, str], tuple[int, date]] = {}


@dataclass(frozen=True)
class Published:
    """A week that is published: when, up to which event of the ledger, by which release."""

    week: str
    position: int
    published_us: int
    release: str

    @property
    def plain(self) -> dict[str, Any]:
        """As it is answered."""
        at = instant(self.published_us)
        return {"week": self.week, "at": at, "position": self.position, "release": self.release}


@dataclass(frozen=True)
class Stored:
    """An answer as it was published; `question` is the one that gives it today."""

    published: Published
    question: Question
    body: str


class WeekNotPublished(LookupError):
    """A week that is not published, or not that question of it."""


# --- the questions ----------------------------------------------------------------------------------------------


def divisions(entry: Entry) -> list[tuple[str, ...]]:
    """What divides the answers of a report that are published; the first is the usual one. None of one not weekly."""
    if not entry.weekly:
        return []
    if not entry.by:
        return [()]
    more = (dimension.name for dimension in entry.more_dimensions)
    return list(dict.fromkeys([entry.by, *((name,) for name in (*DIVISIONS, *more))]))


def _question(reader: Reader, entry: Entry, parameters: Mapping[str, Sequence[str]]) -> Question:
    """A question that names its window and no names: neither the day nor the settings matter."""
    return read_question(parameters, today=date.min, settings=reader.calendar.latest, askable=entry.askable)


def _of_week(reader: Reader, entry: Entry, week: str, by: Sequence[str]) -> Question:
    return _question(reader, entry, {"week": [week]} | ({"by": [",".join(by)]} if by else {}))


def _words(by: Sequence[str]) -> str:
    """Under which words an answer is stored."""
    return f"by={','.join(by)}" if by else ""


# --- publishing -------------------------------------------------------------------------------------------------


def publish_due(database: Database, *, now_us: int, most: int = MOST_WEEKS) -> list[tuple[str, str]]:
    """Publish weeks that are due, at most so many; returns (site, week) of those that this call published.

    Due is a week that ended 24 hours ago, of the latest 26, in which anything was cut or reworked, of a site of which
    all events are counted: sites in their order, each from its oldest week on. Any number of processes may call this at
    once: who is first publishes a week, and nothing ever changes it. A site that fails is said in the log and holds up
    no other. Raises DatabaseUnavailable.
    """
    with database.read() as connection:
        names = site_names(connection)
    published: list[tuple[str, str]] = []
    for site in names:
        try:
            for week in publish_site(database, site, now_us=now_us, most=most - len(published)):
                published.append((site, week))
        except DatabaseUnavailable:
            raise
        except Exception:
            log.exception("a week of site %s cannot be published", site)
    return published


def publish_site(database: Database, site: str, *, now_us: int, most: int = MOST_WEEKS) -> Iterator[str]:
    """Publish a site's weeks that are due, each from a snapshot of its own: the weeks, as they are published."""
    for _ in range(most):
        with database.read() as connection:
            reader = open_site(connection, site)
            week = _next_due(reader, now_us=now_us)
            if week is None:
                return
            try:
                bodies = list(_answers(reader, week))
            except Exception:
                # Later weeks are not held up by it, and the log not filled: it is tried again by the next process.
                log.exception("week %s of site %s cannot be published", week, site)
                _failed.add((str(connection.engine.url), site, week))
                continue
        if _store(database, reader, week, bodies, now_us=now_us):
            yield week


def _next_due(reader: Reader, *, now_us: int) -> str | None:
    """The oldest week of a site that is due; None while events wait, or are counted as an older release did."""
    fold = select(sites.c.fold).where(sites.c.site == reader.site)
    if reader.as_of.waiting or reader.connection.execute(fold).scalar_one() < FOLD:
        return None
    # Over for a day is a week when the production day of this time yesterday is of a later one.
    running = reader.today(now_us - REST_US)
    end = running - timedelta(days=running.weekday())
    here = (str(reader.connection.engine.url), reader.site)
    if _none_due.get(here) == (reader.revision, end):
        return None
    known = {each.week for each in weeks_published(reader.connection, reader.site, limit=LATEST_WEEKS + 1)}
    known |= {week for url, site, week in _failed if (url, site) == here}
    for monday in (end - timedelta(weeks=ago) for ago in range(LATEST_WEEKS, 0, -1)):
        if iso_week(monday) not in known and _is_busy(reader, monday):
            return iso_week(monday)
    _none_due[here] = (reader.revision, end)
    return None


def _is_busy(reader: Reader, monday: date) -> bool:
    """True when anything was cut or reworked in the week that begins on this day."""
    sunday = monday + timedelta(days=6)
    counted = (
        exists().where(
            table.c.site == reader.site, table.c.day >= monday.isoformat(), table.c.day <= sunday.isoformat()
        )
        for table in (LIVE.tallies, LIVE.rework_tallies)
    )
    return bool(reader.connection.execute(select(or_(*counted))).scalar_one())


def _answers(reader: Reader, week: str) -> Iterator[dict[str, str]]:
    """What is stored of a week: the answers of each report that one week makes."""
    for entry in REPORTS.values():
        for by in divisions(entry):
            report = entry.answer(reader, _of_week(reader, entry, week, by))
            body = json_bytes(report_plain(report)).decode()
            yield {"report": entry.name, "question": _words(by), "body": body}


def _store(database: Database, reader: Reader, week: str, bodies: Sequence[dict[str, str]], *, now_us: int) -> bool:
    """Store the answers of a week; False when another process was quicker."""
    of_week = {"site": reader.site, "week": week}
    told = of_week | {"position": reader.as_of.position, "published_us": now_us, "release": RELEASE}
    try:
        with database.write() as connection:
            connection.execute(insert(published_weeks), told)
            connection.execute(insert(published_reports), [of_week | body for body in bodies])
            say(connection, reader.site, WEEK_PUBLISHED, week, _pushed(reader, week, bodies), now_us)
    except IntegrityError:
        with database.read() as connection:
            if published_week(connection, reader.site, week) is None:
                raise
        return False
    return True


def _pushed(reader: Reader, week: str, bodies: Sequence[dict[str, str]]) -> dict[str, Any]:
    totals: dict[str, Any] = next(
        (orjson.loads(each["body"])["totals"] for each in bodies if each["report"] == "yield"), {}
    )
    return {
        "week": week,
        "position": reader.as_of.position,
        "figures": {name: totals[name] for name in WEEK_FIGURES if name in totals},
        "path": f"/v1/reports/yield?published={week}",
    }


# --- reading ----------------------------------------------------------------------------------------------------


def weeks_published(connection: Connection, site: str, *, limit: int = SHOWN_WEEKS) -> list[Published]:
    """The latest weeks of a site that are published, newest first."""
    p = published_weeks.c
    query = select(p.week, p.position, p.published_us, p.release).where(p.site == site)
    return [Published(*row) for row in connection.execute(query.order_by(p.week.desc()).limit(limit))]


def published_week(connection: Connection, site: str, week: str) -> Published | None:
    """A week as it is published, or None."""
    p = published_weeks.c
    query = select(p.week, p.position, p.published_us, p.release).where(p.site == site, p.week == week)
    row = connection.execute(query).one_or_none()
    return None if row is None else Published(*row)


def _body(connection: Connection, site: str, week: str, entry: Entry, by: Sequence[str]) -> str | None:
    p = published_reports.c
    mine = (p.site == site, p.week == week, p.report == entry.name, p.question == _words(by))
    body: str | None = connection.execute(select(p.body).where(*mine)).scalar_one_or_none()
    return body


def published_answer(reader: Reader, entry: Entry, parameters: Mapping[str, Sequence[str]]) -> Stored:
    """The answer of a report that parameters ask for with `published`, as it is stored.

    Raises QuestionUnanswerable for other parameters than published and by, WeekNotPublished for what is not stored.
    """
    question = _read_published(reader, entry, parameters)
    week = iso_week(question.first_day)
    published = published_week(reader.connection, reader.site, week)
    if published is None:
        raise WeekNotPublished(_not_published(reader, week))
    by = tuple(dimension.name for dimension in question.by)
    body = _body(reader.connection, reader.site, week, entry, by)
    if body is None:
        stored = ", ".join(_words(each) for each in divisions(entry) if each)
        how = "divided so" if entry.weekly else "with the others: it looks back over more than a week"
        raise WeekNotPublished(
            f"report {entry.name} of week {week} was not published {how}"
            + (f"; stored are {stored}" if stored else "")
            + f"; what it is now is answered to week={week}"
        )
    return Stored(published, question, body)


def _read_published(reader: Reader, entry: Entry, parameters: Mapping[str, Sequence[str]]) -> Question:
    allowed = ("published", "by") if entry.by else ("published",)
    wrong = [
        Wrong(name, "cannot be combined with published, whose answers stand as they were stored; leave it out")
        for name in parameters
        if name not in allowed
    ]
    asked = {"week": parameters["published"]} | {name: parameters[name] for name in ("by",) if name in parameters}
    try:
        # `by` of a report that is not divided is named among what is wrong already.
        question = _question(reader, entry, asked if entry.by else {"week": asked["week"]})
    except QuestionUnanswerable as unanswerable:
        named = [replace(one, parameter="published") if one.parameter == "week" else one for one in unanswerable.wrong]
        raise QuestionUnanswerable([*named, *wrong]) from None
    if wrong:
        raise QuestionUnanswerable(wrong)
    return question


def _not_published(reader: Reader, week: str) -> str:
    latest = ", ".join(each.week for each in weeks_published(reader.connection, reader.site, limit=10))
    return (
        f"week {week} is not published: a week is 24 hours after the end of its last production day, once all events "
        f"are counted, when anything was cut or reworked in it and it is one of the latest {LATEST_WEEKS}; published "
        + (f"are {latest}" if latest else "is none yet")
    )


def stored_as_of(reader: Reader, entry: Entry, question: Question) -> Stored | None:
    """The answer to a question as it was published at the very position up to which the reader counts, if it was."""
    week = iso_week(question.first_day)
    published = published_week(reader.connection, reader.site, week)
    if published is None or published.position != reader.as_of.position:
        return None
    for by in divisions(entry):
        if _of_week(reader, entry, week, by).words == question.words:
            body = _body(reader.connection, reader.site, week, entry, by)
            return None if body is None else Stored(published, question, body)
    return None


def changes_since(reader: Reader, entry: Entry, stored: Stored) -> dict[str, Any]:
    """What was published, and each figure that the same question answers otherwise by now."""
    now = read_plain(json_bytes(report_plain(entry.answer(reader, stored.question))))
    keys = (*(dimension.label for dimension in stored.question.by), *entry.keys)
    return {
        "published": stored.published.plain,
        "changes_as_of": as_of_plain(reader.as_of),
        "changes": changes(read_plain(stored.body), now, keys=keys),
    }
