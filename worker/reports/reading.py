"""Sums of a question's groups, from the tallies or, where those do not carry a dimension, from the attempts."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from types import MappingProxyType
from typing import Any, Final, TypeVar

from sqlalchemy import (
    ColumnElement,
    Connection,
    Select,
    Table,
    Text,
    and_,
    bindparam,
    cast,
    false,
    func,
    literal,
    or_,
    select,
)

from worker import ledger
from worker.measures import MEASURES, Measure
from worker.naming import name_key
from worker.plates import UNKNOWN
from worker.prepared import Lists, Prepared
from worker.reports.dimensions import DIMENSIONS, Dimension, stored_expression
from worker.reports.notes import COMMON_SUMS, several_currencies
from worker.reports.questions import DEFAULT_CONFIDENCE, Question, QuestionUnanswerable, Wrong
from worker.reports.report import AsOf, Column, Report, Value
from worker.sentences import Sentence, sentence
from worker.sites import SiteCalendar, settings_told
from worker.stats.clustering import correlation
from worker.sums import attempt_sums, rework_sums, total
from worker.tables import LIVE, REWORK_SUMS, TALLY_SUMS, Derived, sites

Group = tuple[Any, ...]
Sums = dict[str, int]
#: What is known of a group: its sums, or what else a report counts.
Counted = TypeVar("Counted")
#: Marks sums as holding amounts that cannot be added.
NO_COST: Final = {"attempts_without_cost": 1, "entries_without_cost": 1}
#: How the limits of a share are made, and what the columns behind them are.
INTERVAL: Final = "Wilson interval of the effective sample"
RESTS_ON: Final = (
    "parts of one cluster (plate, else run, else attempt) stand or fall together: so many times fewer independent ones "
    "would tell as much",
    "clusters that were judged",
)
#: Share of a day's parts that may be pending where good and bad are compared.
MOST_PENDING: Final = 0.05
#: More rows make an answer that takes seconds and that nobody reads: a year of plates.
MOST_ROWS: Final = 20_000
#: More groups than this are not even read; some of those of open attempts make no row.
MOST_GROUPS: Final = 2 * MOST_ROWS
#: Filters that leave so few attempts that these are read sooner than any tallies.
FEW: Final = ("heat_number", "part_number")
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
#: Stand after each value of a group, and for one that is not known: no name holds control characters.
_AFTER: Final = "\x1f"
_NULL: Final = "\x1e"


class SiteUnknown(LookupError):
    """No such site, or none that the asker may know of."""

    def __init__(self, site: str) -> None:
        super().__init__(f"there is no site {site!r}")
        self.site = site


@dataclass(frozen=True)
class Reader:
    """One snapshot of a site, and its calendar."""

    connection: Connection
    site: str
    calendar: SiteCalendar
    revision: int
    as_of: AsOf
    #: The figures: those that are kept up to date, or others that were counted beside them.
    tables: Derived = LIVE

    def currencies(self, question: Question) -> set[str]:
        """Currencies of the rates that hold on any day of the window."""
        first = self.calendar.on(question.first_day)
        later = [
            version
            for version in self.calendar.versions
            if question.first_day < version.valid_from <= question.last_day
        ]
        found = {(version.values["rates"] or {}).get("currency") for version in (first, *later)}
        return {currency for currency in found if currency is not None}

    def today(self, now_us: int) -> date:
        """The site's running production day."""
        return self.calendar.place(now_us).day


def open_site(connection: Connection, site: str) -> Reader:
    """Reader of a site; raises SiteUnknown."""
    found = _counted_of(connection, {"of_site": site})
    if not found:
        raise SiteUnknown(site)
    ((revision, position, counted_us),) = found
    waiting, set_aside = ledger.waiting(connection, site)
    as_of = AsOf(position, None if counted_us is None else instant(counted_us), waiting, set_aside)
    return Reader(connection, site, calendar_of(connection, site, revision), revision, as_of)


@Prepared
def _counted_of(_: Lists) -> Any:
    columns = (sites.c.revision, sites.c.counted_position, sites.c.counted_us)
    return select(*columns).where(sites.c.site == bindparam("of_site"))


_calendars: dict[tuple[str, str, int], SiteCalendar] = {}
_MOST_CALENDARS: Final = 256


def calendar_of(connection: Connection, site: str, revision: int | None = None) -> SiteCalendar:
    """Settings of a site over time, from its counted events; kept for as long as the site's counts stay."""
    if revision is None:
        revision = connection.execute(select(sites.c.revision).where(sites.c.site == site)).scalar_one()
    key = (str(connection.engine.url), site, revision)
    if key not in _calendars:
        if len(_calendars) >= _MOST_CALENDARS:
            _calendars.clear()
        _calendars[key] = settings_told(ledger.View(connection, site))
    return _calendars[key]


def instant(us: int) -> datetime:
    """Aware instant of microseconds since 1970."""
    return _EPOCH + timedelta(microseconds=us)


# --- groups -----------------------------------------------------------------------------------------------------


def attempt_groups(
    reader: Reader, question: Question, names: Sequence[str] = TALLY_SUMS, *, most: int | None = None
) -> dict[Group, Sums]:
    """These of TALLY_SUMS of each group; groups that hold only open attempts are among them.

    Raises QuestionUnanswerable for more than `most` groups, before they are added up.
    """
    a = reader.tables.attempts.c
    tallies = tallies_for(reader.tables, question)
    if tallies is None:
        by = [stored_expression(dimension, a).label(f"by_{dimension.name}") for dimension in question.by]
        query = attempt_sums(
            reader.tables.attempts,
            by=by,
            where=conditions_of(reader, question, a),
            names=names,
        )
    elif question.filters or question.left_out or question.without_days or most is not None:
        query = _of_tallies(reader, question, tallies, names)
    else:
        # The most of all: said once for all windows.
        first_day, last_day = question.first_day.isoformat(), question.last_day.isoformat()
        given = {"of_site": reader.site, "first_day": first_day, "last_day": last_day}
        of = (reader.tables, tallies, question.by, tuple(names))
        return _groups(_of_window(reader.connection, given, *of), question, names)
    return _grouped(reader.connection, query, question, names, most=most)


@Prepared
def _of_window(_: Lists, tables: Derived, tallies: Table, by: tuple[Dimension, ...], names: tuple[str, ...]) -> Any:
    t = tallies.c
    window = (t.day >= bindparam("first_day"), t.day <= bindparam("last_day"))
    return _over_tallies(tables, tallies, by, names).where(t.site == bindparam("of_site"), *window)


def _of_tallies(reader: Reader, question: Question, tallies: Table, names: Sequence[str]) -> Select[Any]:
    """Sums of a question's groups over tallies."""
    asked = asked_of(question, _columns_of(reader.tables, tallies))
    mine = (tallies.c.site == reader.site, *window_of(question, tallies.c))
    return _over_tallies(reader.tables, tallies, question.by, tuple(names)).where(*mine, *asked)


def _columns_of(tables: Derived, tallies: Table) -> dict[str, ColumnElement[Any]]:
    """Columns of tallies and of their combinations, by name."""
    return {column.name: column for column in (*tallies.c, *tables.combinations.c)}


def _over_tallies(tables: Derived, tallies: Table, by: Sequence[Dimension], names: tuple[str, ...]) -> Select[Any]:
    """Sums over tallies by their own dimensions and those of their combinations."""
    t, c = tallies.c, tables.combinations.c
    columns = _columns_of(tables, tallies)
    divided = [stored_expression(dimension, columns).label(f"by_{dimension.name}") for dimension in by]
    joined = tallies.join(tables.combinations, and_(c.site == t.site, c.combination == t.combination))
    return select(*divided, *_totals(tallies, names)).select_from(joined).group_by(*divided)


@lru_cache(maxsize=256)
def _totals(tallies: Table, names: tuple[str, ...]) -> tuple[ColumnElement[int], ...]:
    """These sums over tallies, labelled; kept, since it takes longer to say them than to add up a week."""
    return tuple(total(tallies.c[name]).label(name) for name in names)


def tallies_for(tables: Derived, question: Question) -> Table | None:
    """The coarsest tallies that carry all dimensions of a question; None when only attempts do."""
    asked = {dimension.stored for dimension in question.dimensions}
    of_attempts = asked & {dimension.stored for dimension in DIMENSIONS.values() if dimension.of_attempts}
    if not of_attempts:
        return tables.tallies
    if any(None not in question.filters.get(name, (None,)) for name in FEW):
        return None
    return next(
        (finer for finer in (tables.steel_tallies, tables.part_tallies) if of_attempts <= set(finer.c.keys())), None
    )


def summed_for(measures: Iterable[Measure]) -> tuple[str, ...]:
    """Names of the TALLY_SUMS that these measures, and the notes common to all reports, are made from."""
    asked: dict[str, int] = defaultdict(int)
    for measure in measures:
        measure.values(asked, confidence=DEFAULT_CONFIDENCE)
    return tuple(name for name in TALLY_SUMS if name in asked or name in COMMON_SUMS)


def attempt_totals(
    reader: Reader, question: Question, groups: Mapping[Group, Sums], names: Sequence[str] = TALLY_SUMS
) -> Sums:
    """These of TALLY_SUMS over all attempts of the question, whose groups these are."""
    if any(dimension.of_attempts for dimension in question.by):
        # Divided by what tallies do not carry, a cluster may be split among groups.
        whole = attempt_groups(reader, replace(question, by=()), names)
        return whole.get((), dict.fromkeys(names, 0))
    return added(groups.values(), names)


def settled(reader: Reader, question: Question) -> tuple[Question, list[date]]:
    """(the question without the days that are not judged yet, these days in order).

    Failures are known at once, good parts only when inspected: a production day with more than 5 % of its first
    attempts' parts pending would look worse than it is.
    """
    by_day = attempt_groups(reader, replace(question, by=(DIMENSIONS["day"],)), ("pending_first", "parts_started"))
    unsettled = sorted(
        date.fromisoformat(day)
        for (day,), sums in by_day.items()
        if sums["pending_first"] > MOST_PENDING * sums["parts_started"]
    )
    return replace(question, without_days=frozenset(unsettled)), unsettled


def rework_groups(reader: Reader, question: Question, *, most: int | None = None) -> dict[Group, Sums]:
    """REWORK_SUMS of each group, by the production day and shift of the work itself; raises like `attempt_groups`."""
    if question.needs_attempts:
        a, r = reader.tables.attempts.c, reader.tables.rework.c
        columns: Mapping[str, Any] = {column.name: column for column in (*a, r.day, r.week, r.shift, r.operation)}
        by = [stored_expression(dimension, columns).label(f"by_{dimension.name}") for dimension in question.by]
        joined = reader.tables.rework.join(reader.tables.attempts, and_(a.site == r.site, a.attempt == r.attempt))
        query = rework_sums(
            reader.tables.rework,
            by=by,
            where=(r.site == reader.site, *window_of(question, r), *asked_of(question, columns)),
        ).select_from(joined)
    else:
        query = _of_tallies(reader, question, reader.tables.rework_tallies, REWORK_SUMS)
    return _grouped(reader.connection, query, question, REWORK_SUMS, most=most)


def conditions_of(reader: Reader, question: Question, a: Any) -> tuple[ColumnElement[bool], ...]:
    """Site, window and filters of a question, as SQL over attempts: for a report with a query of its own."""
    mine = (a.site == reader.site, *window_of(question, a))
    if question.needs_attempts or question.left_out:
        return (*mine, *asked_of(question, a))
    # Asked of the combinations, so that attempts are found by their index of clusters alone.
    c = reader.tables.combinations.c
    asked = tuple(asked_of(question, c))
    return (*mine, a.combination.in_(select(c.combination).where(c.site == reader.site, *asked))) if asked else mine


def window_of(question: Question, columns: Any) -> tuple[ColumnElement[bool], ...]:
    """Conditions of a question's window on a table with a `day`."""
    days = (columns.day >= question.first_day.isoformat(), columns.day <= question.last_day.isoformat())
    without = sorted(day.isoformat() for day in question.without_days)
    return (*days, columns.day.not_in(without)) if without else days


def asked_of(question: Question, columns: Any) -> Iterable[ColumnElement[bool]]:
    """Conditions of a question's filters on the columns of its dimensions."""
    for name, values in question.filters.items():
        dimension = DIMENSIONS[name]
        expression = stored_expression(dimension, columns)
        known = [value for value in values if value is not None]
        yield or_(
            expression.in_(known) if known else false(),
            or_(expression.is_(None), _is_unknown(dimension, expression)) if None in values else false(),
        )
    for left_out in question.left_out:
        # One text for a group: rows of several values, of which any may be null, cannot be looked for in a list.
        group: ColumnElement[str] = literal("", Text)
        for dimension in left_out.dimensions:
            group = group + func.coalesce(cast(stored_expression(dimension, columns), Text), _NULL) + _AFTER
        yield group.not_in(
            ["".join((_NULL if one is None else str(one)) + _AFTER for one in each) for each in left_out.groups]
        )


def _is_unknown(dimension: Dimension, expression: ColumnElement[Any]) -> ColumnElement[bool]:
    has_word = dimension.name in ("surface", "surface_group", "thermal_history")
    return expression == UNKNOWN if has_word else false()


def _grouped(
    connection: Connection, query: Select[Any], question: Question, sums: Sequence[str], *, most: int | None
) -> dict[Group, Sums]:
    rows = connection.execute(query if most is None else query.limit(most + 1)).all()
    if most is not None and len(rows) > most:
        raise QuestionUnanswerable([Wrong("by", _too_many(sentence("more than %(count)s", count=most), question))])
    return _groups(rows, question, sums)


def _groups(rows: Iterable[Any], question: Question, sums: Sequence[str]) -> dict[Group, Sums]:
    groups: dict[Group, Sums] = {}
    width = len(question.by)
    for row in rows:
        group = groups.setdefault(tuple(row[:width]), dict.fromkeys(sums, 0))
        for name, value in zip(sums, row[width:], strict=True):
            group[name] += int(value)
    return groups


def added(groups: Iterable[Sums], names: Sequence[str]) -> Sums:
    """Sums over groups."""
    sums = dict.fromkeys(names, 0)
    for group in groups:
        for name in names:
            sums[name] += group[name]
    return sums


# --- rows -------------------------------------------------------------------------------------------------------


def spellings(reader: Reader, kind: str) -> dict[str, str]:
    """Key -> spelling of the names of a kind: as the site's settings list them, else as they were first written."""
    spelled = dict(_spelled(reader.connection, {"of_site": reader.site, "of_kind": kind}, reader.tables))
    listed = [alias["name"] for alias in reader.calendar.latest.values["aliases"] if alias["kind"] == kind]
    return spelled | {name_key(name): name for name in listed if kind != "recipe"}


@Prepared
def _spelled(_: Lists, tables: Derived) -> Any:
    n = tables.names.c
    return select(n.name_key, n.spelling).where(n.site == bindparam("of_site"), n.kind == bindparam("of_kind"))


def shown_groups(
    reader: Reader, question: Question, groups: Mapping[Group, Counted]
) -> list[tuple[dict[str, Value], Counted]]:
    """(dimension columns as they are shown, what was counted) of each group, by the dimensions, not known last."""
    spelled = {dimension.name: spellings(reader, dimension.name) for dimension in question.by if dimension.named}
    shown: list[tuple[dict[str, Value], Counted]] = []
    for group, counted in groups.items():
        values: dict[str, Value] = {}
        for dimension, stored in zip(question.by, group, strict=True):
            value = dimension.show(stored)
            values[dimension.label] = spelled[dimension.name].get(stored, value) if dimension.named else value
        shown.append((values, counted))
    return sorted(
        shown, key=lambda pair: [(value is None, value if value is not None else 0) for value in pair[0].values()]
    )


def dimension_columns(question: Question) -> list[Column]:
    """Columns of the dimensions asked for."""
    return [
        Column(dimension.label, dimension.unit, dimension.definition, "text" if dimension.is_text else "number")
        for dimension in question.by
    ]


def measure_columns(measures: Iterable[Measure], *, confidence: float) -> list[Column]:
    """Columns of measures, each interval behind its estimate."""
    columns: list[Column] = []
    for measure in measures:
        texts = [
            measure.definition,
            *(f"{end} limit of the {INTERVAL} at {confidence:g}" for end in ("lower", "upper")),
            *RESTS_ON,
        ]
        columns += [Column(name, measure.unit, text) for name, text in zip(measure.columns, texts, strict=False)]
    return columns


def measured(
    measures: Iterable[Measure],
    sums: Mapping[str, int],
    *,
    confidence: float,
    pooled: Mapping[str, float | None] = MappingProxyType({}),
) -> dict[str, Value]:
    """Columns of measures over sums. pooled: by measure the correlation of all groups; see `ShareOf.estimate`."""
    values: dict[str, Value] = {}
    for measure in measures:
        if measure.share_of is None:
            values[measure.name] = measure.make(sums)
        else:
            values |= measure.values(sums, confidence=confidence, pooled=pooled.get(measure.name))
    return values


def pooled_correlations(measures: Iterable[Measure], groups: Iterable[Mapping[str, int]]) -> dict[str, float | None]:
    """Correlation within clusters of each measure that has an interval, over all groups of a report together."""
    sums = list(groups)
    return {
        measure.name: correlation([measure.share_of.counts(each) for each in sums])
        for measure in measures
        if measure.share_of is not None
    }


def named_measures(*wanted: str) -> tuple[Measure, ...]:
    """Measures by name, in this order."""
    return tuple(MEASURES[name] for name in wanted)


def _too_many(rows: int | Sentence, question: Question) -> Sentence:
    long = [dimension.name for dimension in question.by if dimension.of_attempts]
    if not long:
        return too_many_rows(rows)
    return sentence(
        "gives %(rows)s rows; ask for at most %(most)s: for fewer days, with a filter, or divided less; by=%(name)s "
        "goes with a filter such as heat_number or job",
        rows=rows,
        most=MOST_ROWS,
        name=long[0],
    )


def too_many_rows(rows: int | Sentence) -> Sentence:
    """What is wrong with a question whose answer has more rows than anybody reads."""
    return sentence(
        "gives %(rows)s rows; ask for at most %(most)s: for fewer days, with a filter, or divided less",
        rows=rows,
        most=MOST_ROWS,
    )


def assemble(
    name: str,
    reader: Reader,
    question: Question,
    *,
    groups: Mapping[Group, Sums],
    totals: Mapping[str, int],
    measures: Sequence[Measure],
    notes: list[str],
) -> Report:
    """The report of these groups: one row each, and the totals over all attempts of the window.

    Raises QuestionUnanswerable where there are more than MOST_ROWS of them.
    """
    if len(groups) > MOST_ROWS:
        raise QuestionUnanswerable([Wrong("by", _too_many(len(groups), question))])
    confidence = question.confidence
    currencies = reader.currencies(question)
    if len(currencies) > 1:
        groups = {group: {**sums, **NO_COST} for group, sums in groups.items()}
        totals = {**totals, **NO_COST}
        notes = [*notes, several_currencies(currencies)]
    pooled = pooled_correlations(measures, groups.values())
    rows = [
        shown | measured(measures, sums, confidence=confidence, pooled=pooled)
        for shown, sums in shown_groups(reader, question, groups)
    ]
    return Report(
        name=name,
        site=reader.site,
        first_day=question.first_day,
        last_day=question.last_day,
        by=tuple(dimension.name for dimension in question.by),
        filters=question.asked,
        confidence=confidence,
        as_of=reader.as_of,
        columns=(*dimension_columns(question), *measure_columns(measures, confidence=confidence)),
        rows=rows,
        # Their own correlation: what all attempts say does not depend on how they are divided.
        totals=measured(measures, totals, confidence=confidence),
        currency=next(iter(currencies)) if len(currencies) == 1 else None,
        notes=notes,
    )
