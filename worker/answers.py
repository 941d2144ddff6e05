"""Answers that took long: kept for whoever asks again, and made anew by the worker when figures change.

An answer that took longer than KEPT_FROM_US is stored with its question. As long as nothing is counted it is given as
it is; one that took OLDER_FROM_US for a while still, with the `as_of` that it has, while the worker makes it anew. So a
question over a year of attempts keeps nobody waiting twice, and the worker has those that everyone asks ready. Beside
the answer stand the forms of its sentences, for pages, which say them in another language; the door gives the bytes.
"""

from __future__ import annotations

import hashlib
import logging
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import orjson
from sqlalchemy import Connection, bindparam, delete, insert, null, select, update
from sqlalchemy.exc import IntegrityError

from worker.database import Database, DatabaseUnavailable
from worker.installing import site_names
from worker.prepared import Lists, Prepared
from worker.reports.catalogue import REPORTS, Entry
from worker.reports.plain import json_bytes, read_as_of, read_plain, report_plain
from worker.reports.questions import Question, QuestionUnanswerable, read_question
from worker.reports.reading import Reader, open_site
from worker.reports.withholding import is_looked_at
from worker.sentences import forms_text, with_forms_text
from worker.settings import RELEASE
from worker.shopcalendar import MICROSECONDS
from worker.tables import kept_answers

log = logging.getLogger(__name__)

KEPT_FROM_US: Final = 300_000
#: One that took so long is given for a while after something was counted: nobody waits for what is made anew meanwhile.
OLDER_FROM_US: Final = 2_000_000
#: So old an answer is not given any more once something was counted since.
OLD_US: Final = 600 * MICROSECONDS
#: Nobody asked for so long: it is not made anew any more, and goes.
FORGOTTEN_US: Final = 7 * 24 * 3600 * MICROSECONDS
#: That somebody asked is put down once in so long.
ASKED_AGAIN_US: Final = 3600 * MICROSECONDS
#: Answers kept of a site; those asked for last.
MOST_KEPT: Final = 200
#: The worker spends at most one part of so many on making answers.
REST_SHARE: Final = 20
LEAST_REST_US: Final = 10 * MICROSECONDS

Parameters = Mapping[str, Sequence[str]]


@dataclass(frozen=True)
class KeptAnswer:
    """An answer as JSON, of which revision of the site's figures it is, and up to what it counts.

    forms: those of its sentences, as JSON, where they were asked for and are kept.
    """

    body: bytes
    revision: int
    as_of: dict[str, Any]
    asked_us: int
    forms: str | None = None

    def plain(self) -> dict[str, Any]:
        """The answer as plain values, with its sentences as they were made."""
        answer: dict[str, Any] = with_forms_text(read_plain(self.body), self.forms)
        return answer

    def is_newest(self, reader: Reader) -> bool:
        """True when the same question would be answered alike now, also in what waits."""
        waits = (self.as_of["waiting"], self.as_of["set_aside"])
        return self.revision == reader.revision and waits == (reader.as_of.waiting, reader.as_of.set_aside)


def asked(reader: Reader, entry: Entry, parameters: Parameters, *, now_us: int) -> Question:
    """The question that parameters ask of a report now; raises QuestionUnanswerable."""
    now = reader.calendar.place(now_us)
    return read_question(parameters, today=now.day, settings=now.settings, askable=entry.askable)


def kept_answer(
    reader: Reader, entry: Entry, question: Question, *, now_us: int, with_its_forms: bool = False
) -> KeptAnswer | None:
    """What is kept of a question, when it may be given: nothing was counted since, or it was made a moment ago."""
    rows = _kept(reader.connection, _key(reader.site, entry, question), with_its_forms)
    if not rows:
        return None
    ((answer, revision, made_us, took_us, asked_us, release, forms),) = rows
    if release != RELEASE:
        return None
    body = bytes(answer)
    kept = KeptAnswer(body, revision, read_as_of(orjson.loads(body)), asked_us, forms)
    # One that leaves out groups of few does so by the settings of its time, which may protect others by now.
    may_be_older = (
        took_us >= OLDER_FROM_US and now_us - made_us < OLD_US and not is_looked_at(question, entry.known_by(question))
    )
    return kept if may_be_older or kept.is_newest(reader) else None


@Prepared
def _kept(_: Lists, with_its_forms: bool) -> Any:
    k = kept_answers.c
    # Whoever gives the bytes does not read the forms.
    forms = k.forms if with_its_forms else null().label("forms")
    mine = (k[name] == bindparam(name) for name in ("site", "report", "question"))
    return select(k.answer, k.revision, k.made_us, k.took_us, k.asked_us, k.release, forms).where(*mine)


def keep(
    database: Database, reader: Reader, entry: Entry, question: Question, parameters: Parameters,
    answer: Mapping[str, Any], *, took_us: int, now_us: int, asked_us: int,
) -> None:  # fmt: skip
    """Keep an answer (`report_plain`) in the place of an older one; whoever is later with an older revision does not.

    It is written with the forms of its sentences, of which the JSON knows nothing.
    """
    key = _key(reader.site, entry, question)
    mine = _named(key)
    values = {
        "parameters": orjson.dumps({name: list(told) for name, told in sorted(parameters.items())}).decode(),
        "revision": reader.revision,
        "day": reader.today(now_us).isoformat(),
        "release": RELEASE,
        "made_us": now_us,
        "took_us": took_us,
        "asked_us": asked_us,
        "answer": json_bytes(answer),
        "forms": forms_text(answer),
    }
    with database.write() as connection:
        k = kept_answers.c
        held = connection.execute(select(k.revision, k.release).where(*mine)).one_or_none()
        if held is None:
            try:
                with connection.begin_nested():
                    connection.execute(insert(kept_answers), key | values)
            except IntegrityError:
                # Another process was quicker; its answer is as good.
                return
        elif held.release != RELEASE or held.revision <= reader.revision:
            connection.execute(update(kept_answers).where(*mine).values(**values))


def note_asked(
    database: Database, site: str, entry: Entry, question: Question, kept: KeptAnswer, *, now_us: int
) -> None:
    """Put down that somebody asked, so that it is made anew for them; seldom, since it is a write."""
    if now_us - kept.asked_us >= ASKED_AGAIN_US:
        with database.write() as connection:
            connection.execute(update(kept_answers).where(*_named(_key(site, entry, question))).values(asked_us=now_us))


def _words(question: Question) -> str:
    """Stands for the words of a question, which may be longer than what an index takes."""
    return hashlib.blake2b("\x1f".join(question.words).encode(), digest_size=16).hexdigest()


def _key(site: str, entry: Entry, question: Question) -> dict[str, str]:
    return {"site": site, "report": entry.name, "question": _words(question)}


def _named(key: Mapping[str, str]) -> tuple[Any, ...]:
    return tuple(kept_answers.c[name] == value for name, value in key.items())


# --- making them anew -------------------------------------------------------------------------------------------


def make_answers(database: Database, *, now_us: int, seconds: float = 30.0) -> int:
    """Make anew what is asked for and older than the figures, and what everyone asks of reports that read attempts.

    Takes about `seconds` at most, the rest waits for the next call; returns how many were made. A site rests between
    its turns, so that the time goes to counting. One that fails holds up no other. Raises DatabaseUnavailable.
    """
    until = time.monotonic() + seconds
    made = 0
    with database.read() as connection:
        names = site_names(connection)
    for site in names:
        if now_us < _rests_until.get((database.url, site), 0):
            continue
        began = time.monotonic()
        try:
            made += _make_of_site(database, site, now_us=now_us, until=until)
        except DatabaseUnavailable:
            raise
        except Exception:
            log.exception("answers of site %s cannot be made", site)
        took_us = int((time.monotonic() - began) * MICROSECONDS)
        # Never so long that what is asked for grows too old meanwhile.
        rest_us = min(max(LEAST_REST_US, REST_SHARE * took_us), OLD_US // 2)
        _rests_until[database.url, site] = now_us + took_us + rest_us
    return made


#: By (database, site): when this process may make answers of it again.
_rests_until: dict[tuple[str, str], int] = {}


def _make_of_site(database: Database, site: str, *, now_us: int, until: float) -> int:
    made = 0
    _forget(database, site, now_us=now_us)
    for entry, parameters, asked_us in _wanted(database, site, now_us=now_us):
        if time.monotonic() >= until:
            break
        made += _make(database, site, entry, parameters, now_us=now_us, asked_us=asked_us)
    return made


def _wanted(database: Database, site: str, *, now_us: int) -> Iterator[tuple[Entry, Parameters, int]]:
    """(report, parameters, when it was asked for) of what is to be made, the longest ago asked last."""
    k = kept_answers.c
    columns = (k.report, k.question, k.parameters, k.revision, k.day, k.release, k.asked_us)
    query = select(*columns).where(k.site == site).order_by(k.asked_us.desc(), k.report, k.question)
    with database.read() as connection:
        reader = open_site(connection, site)
        rows = connection.execute(query).all()
    if not reader.revision or reader.as_of.waiting:
        return
    today = reader.today(now_us).isoformat()
    seen: set[tuple[str, str]] = set()
    for row in rows:
        name = (row.report, row.parameters)
        is_old = (row.revision, row.day, row.release) != (reader.revision, today, RELEASE)
        if name not in seen and is_old and row.report in REPORTS:
            yield REPORTS[row.report], orjson.loads(row.parameters), row.asked_us
        seen.add(name)
    for entry in REPORTS.values():
        if entry.reads_attempts and (entry.name, "{}") not in seen:
            yield entry, {}, now_us


def _make(database: Database, site: str, entry: Entry, parameters: Parameters, *, now_us: int, asked_us: int) -> bool:
    began = time.monotonic()
    with database.read() as connection:
        reader = open_site(connection, site)
        try:
            question = asked(reader, entry, parameters, now_us=now_us)
            answer = report_plain(entry.answer(reader, question))
        except QuestionUnanswerable:
            # A name that the settings knew then, a word that an older release had, more rows than an answer has.
            return False
    took_us = int((time.monotonic() - began) * MICROSECONDS)
    # A quick one is kept too: else it would be made again with each call.
    keep(database, reader, entry, question, parameters, answer, took_us=took_us, now_us=now_us, asked_us=asked_us)
    return True


def _forget(database: Database, site: str, *, now_us: int) -> None:
    """Drop what nobody asks for, what a later day's question took the place of, and what is beyond the most."""
    k = kept_answers.c
    query = select(k.report, k.question, k.parameters, k.asked_us, k.day).where(k.site == site)
    with database.read() as connection:
        rows = connection.execute(query.order_by(k.day.desc(), k.asked_us.desc(), k.report, k.question)).all()
    gone: list[tuple[str, str]] = []
    seen: set[tuple[str, str]] = set()
    for row in rows:
        name = (row.report, row.parameters)
        if name in seen or now_us - row.asked_us >= FORGOTTEN_US or len(seen) >= MOST_KEPT:
            gone.append((row.report, row.question))
        seen.add(name)
    if gone:
        with database.write() as connection:
            _drop(connection, site, gone)


def _drop(connection: Connection, site: str, gone: Sequence[tuple[str, str]]) -> None:
    k = kept_answers.c
    for report, question in gone:
        connection.execute(delete(kept_answers).where(k.site == site, k.report == report, k.question == question))
