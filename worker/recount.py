"""Recomputation: fold what is touched anew from the ledger, and recount the tallies it stands in.

The one way to count, for one event and for a million. Attempts are folded in chunks, each with all attempts that share
a piece or a retry chain with it; the last chunk that holds any of them has seen all, so the order of chunks does not
matter. Only rows that changed are written. Where all is counted, chunks are folded apart from each other first, by
several processes if need be; those that turn out to have relatives in another chunk are folded again with them.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from operator import itemgetter
from typing import Any, Final

from sqlalchemy import Table, bindparam, delete, select, text

from worker.batches import in_batches
from worker.contradictions import Contradictions
from worker.counting import Counting
from worker.derived import make_late_indexes, replace
from worker.events import ATTEMPT, HOLD, JOB, MACHINE, PLATE, SERVICED, SITE, VOIDED
from worker.folded import Folded, folded
from worker.folding import Cut, fold_attempt, names_given
from worker.jobs import OPENED
from worker.ledger import Head, View
from worker.placing import Row, Surroundings, place_service
from worker.plates import ASSESSED, RECEIVED, held_us
from worker.portions import Portion, fold_portion, told_around
from worker.prepared import Lists, Prepared, insert_rows, insert_values
from worker.records import Event
from worker.shopcalendar import MICROSECONDS
from worker.sites import SiteCalendar, settings_told
from worker.stock import Stock
from worker.tables import Derived, events

CHUNK_ATTEMPTS: Final = 2_000
#: Settings that place or weigh attempts; a change of the others touches none.
PLACING_SETTINGS: Final = ("zone", "day_start", "shifts", "rates", "aliases", "pierces_by_exception", "plausibility")
Progress = Callable[[int], None]
#: Folds portions of attempts elsewhere.
Folder = Callable[[Iterable[list[str]]], Iterable[Portion]]


@dataclass
class Changes:
    """Subjects of the events to count, and of those that voids among them act on."""

    jobs: set[str] = field(default_factory=set)
    restated_jobs: set[str] = field(default_factory=set)
    plates: set[str] = field(default_factory=set)
    received_plates: set[str] = field(default_factory=set)
    assessed_from: dict[str, int] = field(default_factory=dict)
    attempts: set[str] = field(default_factory=set)
    machines: set[str] = field(default_factory=set)
    #: Holds, and by source and id the events that say something of them.
    holds: set[str] = field(default_factory=set)
    of_holds: set[tuple[str, str]] = field(default_factory=set)
    settings_from: str | None = None

    def note(self, kind: str, event: Event) -> None:
        """Take in one event."""
        if kind == ATTEMPT:
            self.attempts.add(event.subject)
        elif event.type == SERVICED:
            self.machines.add(event.subject)
        elif kind == JOB:
            self.jobs.add(event.subject)
            if event.type == OPENED:
                self.restated_jobs.add(event.subject)
        elif kind == PLATE:
            self.plates.add(event.subject)
            if event.type == RECEIVED:
                self.received_plates.add(event.subject)
            elif event.type == ASSESSED:
                since = held_us(event)
                self.assessed_from[event.subject] = min(since, self.assessed_from.get(event.subject, since))
        elif kind == HOLD:
            self.holds.add(event.subject)
            self.of_holds.add((event.source, event.id))
        elif kind == SITE and any(event.data.get(name) is not None for name in PLACING_SETTINGS):
            valid_from = event.data["valid_from"]
            self.settings_from = min(valid_from, self.settings_from or valid_from)


@dataclass
class Touched:
    """Of which jobs a recount may have changed what they made, on which days, and from which plates.

    plates: with the jobs that were cut from them, before or after; changed_plates: whose own state may be another.
    """

    jobs: set[str] = field(default_factory=set)
    days: set[str] = field(default_factory=set)
    plates: dict[str, set[str]] = field(default_factory=dict)
    changed_plates: set[str] = field(default_factory=set)
    reworked: bool = False

    def note(self, before: Mapping[str, Any] | None, after: Mapping[str, Any] | None) -> None:
        """Take in an attempt's row as it was and as it is."""
        took_otherwise = before is None or after is None or _taken_from_plate(before) != _taken_from_plate(after)
        for row in (before, after):
            if row is None:
                continue
            job, plate, day = row["job"], row["plate"], row["day"]
            if day is not None:
                self.days.add(day)
            if job is not None:
                self.jobs.add(job)
            if plate is not None and took_otherwise:
                cut_for = self.plates.setdefault(plate, set())
                if job is not None:
                    cut_for.add(job)


_taken_from_plate = itemgetter("plate", "job", "state", "tried")


@dataclass(frozen=True)
class Foreseen:
    """What some attempts, with all their relatives, are folded to; and their rows as they were stored before."""

    old: dict[str, Row]
    new: Folded


@dataclass(frozen=True)
class Ahead:
    """What a claim of these events will find, read before it is made.

    revision: of the site's figures that it was read beside; it holds for as long as these stay.
    """

    revision: int
    heads: list[Head]
    calendar: SiteCalendar
    attempts: Foreseen


class Recount:
    """One recomputation over a view of the ledger, into a set of derived tables. The caller commits."""

    def __init__(self, view: View, derived: Derived, ahead: Ahead | None = None) -> None:
        """ahead: what was found of the events that are counted, and still holds."""
        self.view = view
        self.derived = derived
        self.connection = view.connection
        self.site = view.site
        self.calendar = settings_told(view) if ahead is None else ahead.calendar
        self._foreseen = None if ahead is None else ahead.attempts
        self.contradictions = Contradictions(view, derived)
        self.stock = Stock(view, derived, self.contradictions, self.calendar)
        self.counting = Counting(view.connection, view.site, derived)
        self.touched = Touched()
        self._judges_runs = True

    def of_events(self, heads: Sequence[Head]) -> Changes:
        """Count events, which the view must allow; returns what they are about."""
        changes, voids = self._changes(heads)
        self.touched.jobs |= changes.jobs
        self.touched.changed_plates |= changes.plates | self._parents(changes.received_plates)
        self.stock.fold_jobs(changes.jobs)
        family = self.stock.fold_plates(changes.plates, changes.received_plates)
        self.touched.changed_plates |= family | self._parents(changes.received_plates) | self._plates_of(changes)
        if changes.settings_from is not None:
            self.stock.judge_thicknesses()
        self._fold_services(changes.machines | (self._serviced_machines() if changes.settings_from else set()))
        attempts = changes.attempts | self._touched_attempts(changes, family)
        if self._foreseen is not None:
            self._write_chunk(self._foreseen)
            attempts -= self._foreseen.new.attempts.keys() | self._foreseen.old.keys()
        self._fold_attempts(sorted(attempts))
        self.contradictions.of_voids([head.position for head in heads], voids)
        self.counting.recount()
        return changes

    def look_ahead(self, heads: list[Head], *, revision: int) -> Ahead | None:
        """What `of_events` will find of these events, with nothing written; None where they say more than can be seen.

        The view must look ahead to them.
        """
        changes, voids = self._changes(heads)
        # What one chunk writes, another one with relatives of it must have seen.
        if voids or changes.settings_from is not None or len(changes.attempts) > CHUNK_ATTEMPTS:
            return None
        seen = self._foresee(sorted(changes.attempts), told=bool(changes.jobs or changes.plates))
        return Ahead(revision, heads, self.calendar, seen)

    def of_everything(self, progress: Progress | None = None, *, by: Folder | None = None) -> None:
        """Count all that the view allows, into tables as `make_empty` makes them; `by`: folds its attempts."""
        # All of them are judged at the end, when their index is there.
        self._judges_runs = False
        for jobs in in_batches(self._subjects(JOB), CHUNK_ATTEMPTS):
            self.stock.fold_jobs(jobs)
        for plates in in_batches(self._subjects(PLATE), CHUNK_ATTEMPTS):
            self.stock.fold_plates(plates, ())
        # A remnant's origin may come from an ancestor that a later batch brought.
        for remnants in in_batches(self.stock.remnants(), CHUNK_ATTEMPTS):
            self.stock.write_plates(self.stock.stored_plates(remnants))
        for machines in in_batches(self._subjects(MACHINE), CHUNK_ATTEMPTS):
            self._fold_services(machines)
        self._tell_planner()
        chunks = in_batches(self._subjects(ATTEMPT), CHUNK_ATTEMPTS)
        portions = by(chunks) if by else (fold_portion(self.view, self.calendar, chunk) for chunk in chunks)
        for number, portion in enumerate(portions, 1):
            self._take_in(portion)
            if progress is not None:
                progress(len(portion.attempts))
            if number & (number - 1) == 0:
                self._tell_planner()
        make_late_indexes(self.connection, self.derived)
        self.contradictions.of_all_runs(sorted(key for kind, key in self.counting.touches.names if kind == MACHINE))
        voids = select(events.c.position).where(self.view.allows(), events.c.type == VOIDED)
        positions = list(self.connection.execute(voids).scalars())
        self.contradictions.of_voids(
            positions, [(void, target) for _, void, target in self.view.at(positions) if target is not None]
        )
        self.counting.recount()

    def _tell_planner(self) -> None:
        """Let PostgreSQL know how much is in temporary tables, which it never looks into by itself.

        Asked for each time they have doubled; without it every look-up in them reads all of them.
        """
        if self.connection.dialect.name == "postgresql":
            for table in self.derived.all:
                self.connection.execute(text(f"ANALYZE {table.name}"))

    def _take_in(self, portion: Portion) -> None:
        """Write what a portion gives; with those of other portions that have to do with it all is folded again."""
        related = self._attempts_with("piece_key", sorted(portion.pieces))
        related |= self._attempts_with("retry_of", portion.attempts)
        related |= self._attempts_with("attempt", sorted(portion.retried.union(portion.attempts)))
        # Those of its own that are stored already were folded before, with one of another portion.
        stored = related.intersection(portion.attempts)
        for name, rows in portion.rows.items():
            if values := rows.without(stored):
                insert_values(self.connection, getattr(self.derived, name), rows.names, values)
        self.counting.touches.update(portion.touches)
        self._fold_attempts(sorted(related))

    # --- what is touched ----------------------------------------------------------------------------------------

    def _changes(self, heads: Iterable[Head]) -> tuple[Changes, list[tuple[Event, tuple[str, str]]]]:
        """What events touch, and the voids among them with their targets."""
        changes = Changes()
        others: list[int] = []
        # Most are of attempts, whose subject is all that is asked for: what they say is read with their fold.
        for position, kind, subject in heads:
            if kind == ATTEMPT:
                changes.attempts.add(subject)
            else:
                others.append(position)
        voids: list[tuple[Event, tuple[str, str]]] = []
        for kind, event, target in self.view.at(others):
            changes.note(kind, event)
            if target is not None:
                voids.append((event, target))
        for kind, event in self.view.targets([target for _, target in voids]).values():
            changes.note(kind, event)
        return changes, voids

    def _parents(self, plates: Iterable[str]) -> set[str]:
        found: set[str] = set()
        for some in in_batches(sorted(plates)):
            rows = _parents(self.connection, {"of_site": self.site, "names": some}, self.derived)
            found.update(parent for (parent,) in rows if parent is not None)
        return found

    def _plates_of(self, changes: Changes) -> set[str]:
        """Plates whose steel may be another job's share: by a part's mass, or on another day."""
        p = self.derived.plates.c
        found: set[str] = set()
        for some in in_batches(sorted(changes.restated_jobs)):
            rows = _plates_of_jobs(self.connection, {"of_site": self.site, "names": some}, self.derived)
            found.update(plate for (plate,) in rows if plate is not None)
        if changes.settings_from is not None:
            closed = select(p.plate).where(p.site == self.site, p.closed_us >= _earliest_us(changes.settings_from))
            found.update(self.connection.execute(closed).scalars())
        return found

    def _touched_attempts(self, changes: Changes, family: set[str]) -> set[str]:
        """Attempts that stand on a touched job, plate or day."""
        a = self.derived.attempts.c
        touched = self._attempts_with("job", sorted(changes.restated_jobs))
        touched |= self._attempts_with("plate", sorted(family))
        for some in in_batches(sorted(changes.assessed_from)):
            on_plates = select(a.attempt, a.plate, a.started_us).where(a.site == self.site, a.plate.in_(some))
            for attempt, plate, started_us in self.connection.execute(on_plates):
                if started_us is not None and started_us >= changes.assessed_from[plate]:
                    touched.add(attempt)
        if changes.settings_from is not None:
            since_day = _earliest_day(changes.settings_from).isoformat()
            r = self.derived.rework.c
            reworked = select(r.attempt).where(r.site == self.site, r.day >= since_day)
            placed = select(a.attempt).where(a.site == self.site, a.day >= since_day)
            touched.update(self.connection.execute(placed).scalars())
            touched.update(self.connection.execute(reworked).scalars())
        return touched

    def _attempts_with(self, column: str, names: Iterable[str]) -> set[str]:
        """Attempts whose column is one of these names."""
        found: set[str] = set()
        for some in in_batches(names):
            rows = _attempts_with(self.connection, {"of_site": self.site, "names": some}, self.derived, column)
            found.update(attempt for (attempt,) in rows)
        return found

    def _subjects(self, kind: str) -> Iterator[str]:
        """All subjects of a kind, in order, read piece by piece."""
        after = ""
        query = select(events.c.subject).where(self.view.allows(), events.c.kind == kind).distinct()
        while True:
            page = query.where(events.c.subject > after).order_by(events.c.subject).limit(CHUNK_ATTEMPTS)
            subjects = list(self.connection.execute(page).scalars())
            if not subjects:
                return
            yield from subjects
            after = subjects[-1]

    # --- services -----------------------------------------------------------------------------------------------

    def _serviced_machines(self) -> set[str]:
        """Machines with services: all of them are placed anew when the shop's calendar or its aliases change."""
        s = self.derived.services.c
        return set(self.connection.execute(select(s.subject).where(s.site == self.site).distinct()).scalars())

    def _fold_services(self, machines: Iterable[str]) -> None:
        """Write the services of machines from their events."""
        for some in in_batches(sorted(machines)):
            told = self.view.of_subjects(MACHINE, some)
            serviced = [event for found in told.values() for event in sorted(found) if event.type == SERVICED]
            rows = [place_service(event, self.calendar) for event in serviced]
            replace(
                self.connection, self.site, self.derived.services, "subject", some,
                [{"site": self.site} | row for row in rows],
            )  # fmt: skip

    # --- attempts -----------------------------------------------------------------------------------------------

    def _fold_attempts(self, seeds: Iterable[str]) -> None:
        for chunk in in_batches(seeds, CHUNK_ATTEMPTS):
            self._fold_chunk(chunk)

    def _fold_chunk(self, seeds: Iterable[str]) -> None:
        self._write_chunk(self._foresee(seeds))

    def _foresee(self, seeds: Iterable[str], told: bool = False) -> Foreseen:
        """What attempts are folded to; told: jobs and plates are read off the ledger, as their rows are not written."""
        cuts, old = self._with_relatives(seeds)
        around = told_around(self.view, self.calendar, cuts.values()) if told else self._surroundings(cuts.values())
        return Foreseen(old, folded(self.site, cuts, around))

    def _write_chunk(self, chunk: Foreseen) -> None:
        old, new = chunk.old, chunk.new
        changed = self._write_attempts(old, new.attempts)
        # Those that stay as they are too: what was reworked, or named as the cause, stands elsewhere.
        for attempt in old.keys() | new.attempts.keys():
            self.touched.note(old.get(attempt), new.attempts.get(attempt))
        self._write_rework(old, new.rework)
        self._write_beside(self.derived.lost_parts, old, new.lost_parts)
        self._write_beside(self.derived.warnings, old, new.warnings)
        self._write_beside(self.derived.readings, old, new.readings)
        self.contradictions.of_attempts(old, new.contradictions)
        if self._judges_runs:
            both = [rows[attempt] for rows in (old, new.attempts) for attempt in changed if attempt in rows]
            self.contradictions.of_runs(changed, both)

    def _with_relatives(self, seeds: Iterable[str]) -> tuple[dict[str, Cut], dict[str, Row]]:
        """Attempts with all that share a piece or a retry chain with them, before and after; and their stored rows."""
        cuts: dict[str, Cut] = {}
        old: dict[str, Row] = {}
        visited: set[str] = set()
        seen_pieces: set[str] = set()
        frontier = set(seeds)
        while frontier:
            visited |= frontier
            names = sorted(frontier)
            by_attempt = self.view.of_subjects(ATTEMPT, names)
            new_cuts = {attempt: fold_attempt(attempt, found) for attempt, found in by_attempt.items() if found}
            before = self._stored_attempts(names)
            cuts |= new_cuts
            old |= before
            pieces = {cut.piece_key for cut in new_cuts.values()} | {row["piece_key"] for row in before.values()}
            parents = {cut.given.get("retry_of") for cut in new_cuts.values()} | {
                row["retry_of"] for row in before.values()
            }
            fresh_pieces = {key for key in pieces if key is not None} - seen_pieces
            seen_pieces |= fresh_pieces
            frontier = {parent for parent in parents if parent is not None}
            given = {"of_site": self.site, "pieces": sorted(fresh_pieces), "names": names}
            frontier.update(attempt for (attempt,) in _related(self.connection, given, self.derived))
            frontier -= visited
        return cuts, old

    def _stored_attempts(self, names: Iterable[str]) -> dict[str, Row]:
        return {row["attempt"]: row for row in self._stored(self.derived.attempts, names)}

    def _stored(self, table: Table, attempts: Iterable[str]) -> Iterator[Row]:
        """Rows of attempts in a table."""
        columns = [column.name for column in table.c]
        for some in in_batches(attempts):
            for row in _of_attempts(self.connection, {"of_site": self.site, "names": some}, table):
                yield dict(zip(columns, row, strict=True))

    def _surroundings(self, cuts: Collection[Cut]) -> Surroundings:
        plates, jobs = (names_given(cuts, kind) for kind in ("plate", "job"))
        stock = self.stock
        return Surroundings(self.calendar, stock.stored_jobs(jobs), stock.stored_plates(plates), stock.origins(plates))

    def _write_attempts(self, old: Mapping[str, Row], new: Mapping[str, Row]) -> list[str]:
        """Write the rows that differ from the stored ones; returns their attempts and those that are gone."""
        changed = [attempt for attempt in sorted(old.keys() | new.keys()) if old.get(attempt) != new.get(attempt)]
        for attempt in changed:
            for row in (old.get(attempt), new.get(attempt)):
                if row is not None:
                    self.counting.touches.attempt(row)
        written = [new[attempt] for attempt in changed if attempt in new]
        stored = [attempt for attempt in changed if attempt in old]
        replace(self.connection, self.site, self.derived.attempts, "attempt", stored, written)
        return changed

    def _write_beside(self, table: Table, known: Iterable[str], rows: Iterable[Row]) -> None:
        """Write what else there is of attempts, where it differs from what is stored; known: those with a row."""
        old: dict[str, list[Row]] = defaultdict(list)
        new: dict[str, list[Row]] = defaultdict(list)
        for stored in self._stored(table, sorted(known)):
            old[stored["attempt"]].append(stored)
        for row in rows:
            new[row["attempt"]].append(row)
        if not old and not new:
            return
        if old:
            key = list(table.primary_key.columns)
            for found in (*old.values(), *new.values()):
                found.sort(key=lambda row: [str(row[column.name]) for column in key])
        changed = [attempt for attempt in sorted(old.keys() | new.keys()) if old.get(attempt) != new.get(attempt)]
        written = [row for attempt in changed for row in new.get(attempt, ())]
        replace(self.connection, self.site, table, "attempt", [name for name in changed if name in old], written)

    def _write_rework(self, known: Iterable[str], rows: list[Row]) -> None:
        table = self.derived.rework
        old = {(row["source"], row["id"]): row for row in self._stored(table, sorted(known))}
        new: dict[tuple[str, str], Row] = {}
        for row in rows:
            dimensions = row.pop("dimensions")
            new[row["source"], row["id"]] = row
            self.counting.touches.combination(row["combination"], dimensions)
        self.touched.days.update(row["day"] for row in (*old.values(), *new.values()))
        self.touched.reworked |= bool(old or new)
        changed = [key for key in sorted(old.keys() | new.keys()) if old.get(key) != new.get(key)]
        stored: dict[str, list[str]] = defaultdict(list)
        for key in changed:
            for found in (old.get(key), new.get(key)):
                if found is not None:
                    self.counting.touches.rework(found)
            if key in old:
                stored[key[0]].append(key[1])
        for source, ids in stored.items():
            for some in in_batches(ids):
                given = {"of_site": self.site, "of_source": source, "ids": some}
                _forget_rework(self.connection, given, table)
        insert_rows(self.connection, table, [new[key] for key in changed if key in new])


# None among the answers is left to who asks: SQLite would take "is not null", and "distinct" as well, for
# a reason to read all of a site.


@Prepared
def _parents(lists: Lists, derived: Derived) -> Any:
    p = derived.plates.c
    return select(p.parent).where(p.site == bindparam("of_site"), lists.has(p.plate, "names"))


@Prepared
def _plates_of_jobs(lists: Lists, derived: Derived) -> Any:
    a = derived.attempts.c
    return select(a.plate).where(a.site == bindparam("of_site"), lists.has(a.job, "names"))


@Prepared
def _attempts_with(lists: Lists, derived: Derived, column: str) -> Any:
    a = derived.attempts.c
    return select(a.attempt).where(a.site == bindparam("of_site"), lists.has(a[column], "names"))


@Prepared
def _related(lists: Lists, derived: Derived) -> Any:
    """Attempts on pieces, and retries of attempts."""
    a = derived.attempts.c
    of_site = select(a.attempt).where(a.site == bindparam("of_site"))
    of_pieces, retries = of_site.where(lists.has(a.piece_key, "pieces")), of_site.where(lists.has(a.retry_of, "names"))
    return of_pieces.union_all(retries)


@Prepared
def _of_attempts(lists: Lists, table: Table) -> Any:
    return select(table).where(table.c.site == bindparam("of_site"), lists.has(table.c.attempt, "names"))


@Prepared
def _forget_rework(lists: Lists, rework: Table) -> Any:
    r = rework.c
    mine = (r.site == bindparam("of_site"), r.source == bindparam("of_source"), lists.has(r.id, "ids"))
    return delete(rework).where(*mine)


def _earliest_day(settings_from: str) -> date:
    """The first production day on which a change of settings can move anything.

    Zones lie up to 26 hours apart and starts of day up to 24: an instant moves by three days at most.
    """
    return date.fromisoformat(settings_from) - timedelta(days=4)


def _earliest_us(settings_from: str) -> int:
    return (_earliest_day(settings_from) - date(1970, 1, 1)).days * 24 * 3600 * MICROSECONDS
