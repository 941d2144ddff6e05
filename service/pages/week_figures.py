"""What is read for the week: reports of the week and of the eight before it, and how things stand now."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, Final

from worker.answers import asked
from worker.findings import Shown, findings
from worker.late_jobs import LateJobs, late_jobs
from worker.publishing import Published, WeekNotPublished, published_answer, published_week
from worker.reports.catalogue import REPORTS
from worker.reports.changed import changes
from worker.reports.plain import json_bytes, read_plain, report_plain
from worker.reports.questions import QuestionUnanswerable, Wrong
from worker.reports.reading import Reader, instant
from worker.reports.report import AsOf, Report
from worker.reports.unset_rates import UnsetRates, unset_rates
from worker.sentences import sentence
from worker.shopcalendar import iso_week
from worker.standing_changes import standing_changes

WEEKS_BEFORE: Final = 8
#: The weeks before the first one asked for have to be in the calendar.
FIRST_YEAR: Final = 1900
#: Open findings that are read.
MOST_FINDINGS: Final = 500
#: Weeks whose figures a process remembers.
_MOST_REMEMBERED: Final = 32
#: Reports whose published answers are held against those of now, each as it is published: (report, what divides it).
PUBLISHED: Final = (("yield", "thickness"), ("rework", "operation"), ("losses", "term"))


@dataclass(frozen=True)
class Figures:
    """What reports answer of a week: a function of the counted events, so that it may be remembered.

    `unset`: the rates that are missing, where the cost is not known. `changed`: by report what is answered otherwise
    than it was published; `published` is None for a week that is not. `currencies`: how many its rates are in.
    """

    whole: Report
    before: Report
    before_by_thickness: Report
    rework: Report
    causes: Report
    faults: Report
    entries: Report
    entries_before: Report
    unset: UnsetRates | None
    currencies: int
    published: Published | None
    changed: Mapping[str, Sequence[Mapping[str, Any]]]


@dataclass(frozen=True)
class Week:
    """All that is told of a week. What is late, and open findings, are as they stand at `now`."""

    site: str
    week: str
    first_day: date
    last_day: date
    running: date
    now: datetime
    zone: str
    targets: Mapping[str, Any]
    as_of: AsOf
    figures: Figures
    late: LateJobs
    open_findings: Sequence[Shown]
    has_more_findings: bool
    standings: Sequence[Mapping[str, Any]]

    @property
    def is_running(self) -> bool:
        """True while its last production day is not over."""
        return self.running <= self.last_day

    @property
    def was_cut(self) -> bool:
        """True when anything was cut or reworked in it."""
        totals = self.figures.whole.totals
        return bool(totals["attempts"] or totals["open_attempts"] or self.figures.rework.totals["rework_entries"])


def asked_week(reader: Reader, text: str | None, *, now_us: int) -> tuple[date, date]:
    """(Monday, Sunday) of the ISO week that is asked for, else of the last complete one.

    Raises QuestionUnanswerable for what is no week, and for one that has not begun.
    """
    today = reader.today(now_us)
    running = today - timedelta(days=today.weekday())
    if text is None:
        return running - timedelta(days=7), running - timedelta(days=1)
    question = asked(reader, REPORTS["yield"], {"week": [text]}, now_us=now_us)
    if question.first_day.year < FIRST_YEAR:
        told = sentence("%(week)s is before %(year)s: no ledger reaches back so far", week=text, year=str(FIRST_YEAR))
        raise QuestionUnanswerable([Wrong("week", told)])
    if question.first_day > running:
        told = sentence(
            "%(week)s has not begun: the running week is %(running)s; ask for that or an earlier one",
            week=text,
            running=iso_week(running),
        )
        raise QuestionUnanswerable([Wrong("week", told)])
    return question.first_day, question.last_day


def read_week(reader: Reader, first_day: date, last_day: date, *, now_us: int) -> Week:
    """A week of a site from one snapshot."""
    today = reader.today(now_us)
    found, cursor = findings(reader, now_us=now_us, limit=MOST_FINDINGS)
    return Week(
        site=reader.site,
        week=iso_week(first_day),
        first_day=first_day,
        last_day=last_day,
        running=today,
        now=instant(now_us),
        zone=reader.calendar.place(now_us).settings.zone,
        targets=reader.calendar.on(last_day).values["targets"] or {},
        as_of=reader.as_of,
        figures=_figures(reader, first_day, last_day, now_us=now_us),
        late=late_jobs(reader.connection, reader.site, today=today),
        open_findings=found,
        has_more_findings=cursor is not None,
        standings=standing_changes(reader, first_day, last_day),
    )


# --- reports ----------------------------------------------------------------------------------------------------


class Remembered:
    """Figures that were made, by what they are made of; the latest asked for. Safe for many threads at once."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._made: OrderedDict[tuple[Any, ...], Figures] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: tuple[Any, ...], make: Callable[[], Figures]) -> Figures:
        """What is held under a key, else made; two that ask at once may both make it, and it is the same."""
        with self._lock:
            if key in self._made:
                self._made.move_to_end(key)
                return self._made[key]
        made = make()
        with self._lock:
            self._made[key] = made
            while len(self._made) > self._most:
                self._made.popitem(last=False)
        return made


_remembered: Final = Remembered(_MOST_REMEMBERED)


def _figures(reader: Reader, first_day: date, last_day: date, *, now_us: int) -> Figures:
    published = published_week(reader.connection, reader.site, iso_week(first_day))
    of_ledger = (reader.revision, reader.as_of.position, reader.as_of.waiting, reader.as_of.set_aside)
    key = (str(reader.connection.engine.url), reader.site, first_day, *of_ledger, published and published.published_us)
    return _remembered.get(key, lambda: _made(reader, first_day, last_day, published, now_us=now_us))


def _made(reader: Reader, first_day: date, last_day: date, published: Published | None, *, now_us: int) -> Figures:
    week = {"week": [iso_week(first_day)]}
    begins, ends = first_day - timedelta(weeks=WEEKS_BEFORE), first_day - timedelta(days=1)
    before = {"from": [begins.isoformat()], "to": [ends.isoformat()]}

    def answer(name: str, window: Mapping[str, Sequence[str]], **told: str) -> Report:
        entry = REPORTS[name]
        parameters = {**window, **{parameter: [value] for parameter, value in told.items()}}
        return entry.answer(reader, asked(reader, entry, parameters, now_us=now_us))

    whole = answer("yield", week, by="thickness", against="baseline")
    has_cost = whole.totals["cost_of_poor_quality"] is not None
    rework, faults = answer("rework", week, by="operation"), answer("losses", week, by="term")
    now = {"yield": whole, "rework": rework, "losses": faults}
    question = asked(reader, REPORTS["yield"], week, now_us=now_us)
    return Figures(
        whole=whole,
        before=answer("yield", before, by="week"),
        before_by_thickness=answer("yield", before, by="thickness"),
        rework=rework,
        causes=answer("losses", week, by="cause", rank_by="cost" if has_cost else "parts"),
        faults=faults,
        entries=answer("coverage", week),
        entries_before=answer("coverage", before),
        unset=None if has_cost else unset_rates(reader, question),
        currencies=len(reader.currencies(question)),
        published=published,
        changed={} if published is None else _changed(reader, published, now),
    )


def _changed(reader: Reader, published: Published, now: Mapping[str, Report]) -> dict[str, Sequence[Mapping[str, Any]]]:
    """By report each figure that differs from what was published of it."""
    found: dict[str, Sequence[Mapping[str, Any]]] = {}
    for name, by in PUBLISHED:
        entry = REPORTS[name]
        try:
            stored = published_answer(reader, entry, {"published": [published.week], "by": [by]})
        except WeekNotPublished:
            # A release that did not publish it so.
            continue
        keys = (*(dimension.label for dimension in stored.question.by), *entry.keys)
        # Its headline was published without a comparison with other weeks.
        then, today = (
            told | {"details": {}}
            for told in (read_plain(stored.body), read_plain(json_bytes(report_plain(now[name]))))
        )
        found[name] = changes(then, today, keys=keys)
    return found
