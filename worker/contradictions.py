"""Findings of kind contradiction: kept with both figures for as long as the events say it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import groupby
from operator import itemgetter
from typing import Any, Final, NamedTuple

import orjson
from sqlalchemy import BigInteger, Table, Text, bindparam, delete, or_, select, true

from worker.batches import in_batches
from worker.events import ATTEMPT, EVENT, PLATE, VOIDED
from worker.folding import Contradiction
from worker.ledger import View
from worker.prepared import POSTGRESQL, Lists, Prepared, insert_rows
from worker.records import Event
from worker.sentences import figure, forms_text, sentence
from worker.shopcalendar import MICROSECONDS
from worker.tables import Derived

KIND: Final = "contradiction"
RUNS_OVERLAP: Final = "runs_overlap"
PARENT_RING: Final = "parent_ring"
MEASURED_THICKNESS: Final = "measured_thickness"
VOID_SUBJECT: Final = "void_subject_differs"
_RUNS_A_PIECE: Final = 5_000
#: A run is not taken to last longer than this: a finish entered days late is no overlap with all since.
LONGEST_RUN_US: Final = 24 * 3600 * MICROSECONDS


class Contradictions:
    """Writes the contradictions of one recomputation."""

    def __init__(self, view: View, derived: Derived) -> None:
        self.view = view
        self.connection = view.connection
        self.site = view.site
        self.attempts = derived.attempts
        self.findings = derived.findings

    def of_attempts(self, known: Iterable[str], found: Iterable[tuple[str, Contradiction]]) -> None:
        """Put what attempts contradict in the place of what they did before, overlapping runs aside.

        known: attempts of which anything may be stored; found: each with what it contradicts.
        """
        for some in in_batches(sorted(known)):
            _clear_of_attempts(self.connection, {"of_site": self.site, "subjects": some}, self.findings)
        self._insert(attempt_findings(self.site, found))

    def of_runs(self, attempts: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> None:
        """Find anew which runs overlap on their machine, where attempts changed; `rows` are theirs before and after.

        Each run that overlaps others that began before it has one finding, with the one of them that ends last.
        """
        runs = [Run.of(row) for row in rows if row["state"] == "finished" and row["machine"] and row["ended_us"]]
        judged: dict[str, dict[str, Any] | None] = dict.fromkeys(attempts)
        for begin_us, found in self._runs_within(list(_windows(runs))):
            judged |= dict.fromkeys(run.attempt for run in found if run.started_us >= begin_us)
            for run, before in _overlapping(found):
                if run.started_us >= begin_us:
                    judged[run.attempt] = self._overlap(run, before)
        self._put_overlaps(judged)

    def of_all_runs(self, machines: Iterable[str]) -> None:
        """Find which runs overlap on machines, of all there are; reads them piece by piece."""
        f = self.findings.c
        self.connection.execute(delete(self.findings).where(f.site == self.site, f.code == RUNS_OVERLAP))
        for machine in machines:
            overlaps = (self._overlap(run, before) for run, before in _overlapping(self._all_runs(machine)))
            for some in in_batches(overlaps):
                self._insert(some)

    def _all_runs(self, machine: str) -> Iterator[Run]:
        """All runs on a machine, as they began."""
        after: tuple[int, str] | None = (-(2**63), "")
        while after is not None:
            given = {"of_site": self.site, "of_machine": machine, "after_us": after[0], "after_attempt": after[1]}
            runs = [Run(*row) for row in _runs_after(self.connection, given, self.attempts)]
            yield from runs
            after = (runs[-1].started_us, runs[-1].attempt) if runs else None

    def _put_overlaps(self, judged: Mapping[str, dict[str, Any] | None]) -> None:
        for some in in_batches(judged):
            given = {"of_site": self.site, "of_code": RUNS_OVERLAP, "of_kind": ATTEMPT, "subjects": some}
            # Most have none: to look costs less than to delete nothing.
            if _any_of_subjects(self.connection, given, self.findings):
                _clear_of_subjects(self.connection, given, self.findings)
        self._insert([row for row in judged.values() if row is not None])

    def _runs_within(self, windows: Sequence[Window]) -> Iterator[tuple[int, list[Run]]]:
        """(its begin, runs that can overlap one that began within it, those within it among them) of each window."""
        lists = Lists(self.connection.dialect.name)
        for some in in_batches(windows):
            rows = [(*window, window.begin_us - LONGEST_RUN_US, number) for number, window in enumerate(some)]
            given = {"of_site": self.site, **lists.given("windows", rows, 5)}
            by_window = groupby(_runs_within(self.connection, given, self.attempts), key=itemgetter(0))
            for number, found in by_window:
                yield some[number].begin_us, [Run(*row[1:]) for row in found]

    def _overlap(self, later: Run, earlier: Run) -> dict[str, Any]:
        seconds = (min(earlier.end_us, later.end_us) - later.started_us) / MICROSECONDS
        said = Contradiction(
            RUNS_OVERLAP,
            sentence(
                "on machine %(machine)s it began %(seconds)s s before attempt %(attempt)s of another run ended",
                machine=later.machine_name, seconds=figure(seconds, "g"), attempt=repr(earlier.attempt),
            ),
            {"overlap_seconds": seconds, "earlier": earlier.attempt, "later": later.attempt},
        )  # fmt: skip
        return finding_row(self.site, ATTEMPT, later.attempt, said)

    def of_rings(self, rings: Mapping[str, Sequence[str]]) -> None:
        """Put the rings of parents that plates stand on in the place of those before; an empty one is none."""
        found: dict[str, Contradiction | None] = {}
        for plate, ring in rings.items():
            detail = sentence("its parents lead back to it: %(ring)s", ring=" <- ".join([*ring, plate]))
            found[plate] = Contradiction(PARENT_RING, detail, {"ring": list(ring)}) if ring else None
        self._of_plates(PARENT_RING, found)

    def clear_rings(self, plates: Iterable[str]) -> None:
        """Forget the rings of plates."""
        self._of_plates(PARENT_RING, dict.fromkeys(plates))

    def of_thicknesses(self, found: Mapping[str, Contradiction | None]) -> None:
        """Put what plates' measured thickness contradicts in the place of what it did before; None is nothing."""
        self._of_plates(MEASURED_THICKNESS, found)

    def _of_plates(self, code: str, found: Mapping[str, Contradiction | None]) -> None:
        for some in in_batches(found):
            given = {"of_site": self.site, "of_code": code, "of_kind": PLATE, "subjects": some}
            _clear_of_subjects(self.connection, given, self.findings)
        self._insert([finding_row(self.site, PLATE, plate, said) for plate, said in found.items() if said is not None])

    def of_voids(self, positions: Sequence[int], voids: Iterable[tuple[Event, tuple[str, str]]]) -> None:
        """Find voids with another subject than their target's, where either is at one of the positions.

        voids: those at the positions, with their targets.
        """
        voids = [*voids, *self.view.voids_naming(positions)]
        targets = self.view.targets({target for _, target in voids})
        rows: list[dict[str, Any]] = []
        for void, target in voids:
            kind_and_event = targets.get(target)
            if kind_and_event is None or kind_and_event[1].type == VOIDED:
                continue
            event = kind_and_event[1]
            if event.subject != void.subject:
                said = Contradiction(
                    VOID_SUBJECT,
                    sentence(
                        "void %(void)s of %(source)s names subject %(subject)s; the event it voids is about %(target)s",
                        void=repr(void.id), source=void.source, subject=repr(void.subject), target=repr(event.subject),
                    ),
                    {"void_subject": void.subject, "target_subject": event.subject},
                    other=f"{void.source}\x1f{void.id}",
                )  # fmt: skip
                rows.append(finding_row(self.site, EVENT, void.subject, said))
        # What the ledger holds of a void and its target stays: such a finding is only ever added.
        for row in _once(rows):
            f = self.findings.c
            self.connection.execute(delete(self.findings).where(*(f[name] == row[name] for name in _KEY)))
            self._insert([row])

    def _insert(self, rows: Sequence[dict[str, Any]]) -> None:
        insert_rows(self.connection, self.findings, rows)


def attempt_findings(site: str, found: Iterable[tuple[str, Contradiction]]) -> list[dict[str, Any]]:
    """The rows of the findings that attempts' contradictions are; `found`: each attempt with what it contradicts."""
    return _once(finding_row(site, ATTEMPT, attempt, said) for attempt, said in found)


def finding_row(site: str, subject_kind: str, subject: str, said: Contradiction) -> dict[str, Any]:
    """The row of the findings that a contradiction of a subject is."""
    return {
        "site": site,
        "code": said.code,
        "subject_kind": subject_kind,
        "subject": subject,
        "other": said.other,
        "kind": KIND,
        "detail": str(said.detail),
        "figures": orjson.dumps(said.figures).decode(),
        "forms": forms_text(said.detail),
    }


@Prepared
def _clear_of_attempts(lists: Lists, findings: Table) -> Any:
    f = findings.c
    mine = (f.site == bindparam("of_site"), f.subject_kind == ATTEMPT, lists.has(f.subject, "subjects"))
    return delete(findings).where(*mine, f.code != RUNS_OVERLAP)


def _of_subjects(lists: Lists, findings: Table) -> tuple[Any, ...]:
    f = findings.c
    which = (f.code == bindparam("of_code"), f.subject_kind == bindparam("of_kind"))
    return f.site == bindparam("of_site"), *which, lists.has(f.subject, "subjects")


@Prepared
def _any_of_subjects(lists: Lists, findings: Table) -> Any:
    return select(findings.c.subject).where(*_of_subjects(lists, findings)).limit(1)


@Prepared
def _clear_of_subjects(lists: Lists, findings: Table) -> Any:
    return delete(findings).where(*_of_subjects(lists, findings))


@Prepared
def _runs_within(lists: Lists, attempts: Table) -> Any:
    a = attempts.c
    windows = lists.rows("windows", Text, BigInteger, BigInteger, BigInteger, BigInteger)
    machine, begin_us, end_us, since_us, number = windows.c
    found = (
        select(a.attempt, a.machine, a.started_us, a.ended_us, a.run, a.machine_name)
        .where(a.site == bindparam("of_site"), a.machine == machine)
        .where(a.state == "finished", a.ended_us > a.started_us, a.ended_us > begin_us)
        .where(a.started_us >= since_us, a.started_us <= end_us)
        .order_by(a.started_us, a.attempt)
    )
    if lists.dialect == POSTGRESQL:
        # Window by window, each in its order: joined freely, it may read all of a site.
        each = found.lateral("each")
        return (
            select(number, each)
            .select_from(windows.join(each, true()))
            .order_by(number, each.c.started_us, each.c.attempt)
        )
    return (
        found.with_only_columns(number, *found.selected_columns)
        .order_by(None)
        .order_by(number, a.started_us, a.attempt)
    )


@Prepared
def _runs_after(_: Lists, attempts: Table) -> Any:
    a = attempts.c
    after_us, after_attempt = bindparam("after_us", type_=BigInteger), bindparam("after_attempt", type_=Text)
    return (
        select(a.attempt, a.machine, a.started_us, a.ended_us, a.run, a.machine_name)
        .where(a.site == bindparam("of_site"), a.machine == bindparam("of_machine"))
        .where(a.state == "finished", a.ended_us > a.started_us, a.started_us >= after_us)
        .where(or_(a.started_us > after_us, a.attempt > after_attempt))
        .order_by(a.started_us, a.attempt)
        .limit(_RUNS_A_PIECE)
    )


_KEY: Final = ("site", "code", "subject_kind", "subject", "other")


def _once(rows: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """One row a finding; of several that say the same code the last in fold order stays."""
    return list({tuple(row[name] for name in _KEY): row for row in rows}.values())


class Run(NamedTuple):
    """A finished attempt as it occupied its machine. `run` names the program run that attempts share."""

    attempt: str
    machine: str
    started_us: int
    ended_us: int
    run: str | None
    machine_name: str

    @classmethod
    def of(cls, row: Mapping[str, Any]) -> Run:
        """The run that a row of the attempts is."""
        return cls(*(row[name] for name in ("attempt", "machine", "started_us", "ended_us", "run", "machine_name")))

    @property
    def end_us(self) -> int:
        """Its end, at most the longest run after its start."""
        return min(self.ended_us, self.started_us + LONGEST_RUN_US)

    @property
    def shared(self) -> tuple[str, str]:
        """The program run that it is part of: its own when it names none."""
        return ("attempt", self.attempt) if self.run is None else ("run", self.run)


class Window(NamedTuple):
    """A time on a machine in which runs began whose overlaps may be others."""

    machine: str
    begin_us: int
    end_us: int


def _windows(runs: Iterable[Run]) -> Iterator[Window]:
    """Few and short ones in which all these runs began."""
    by_machine: dict[str, list[tuple[int, int]]] = {}
    for run in runs:
        by_machine.setdefault(run.machine, []).append((run.started_us, run.end_us))
    for machine in sorted(by_machine):
        begin, end = (spans := sorted(by_machine[machine]))[0]
        for start, stop in spans[1:]:
            if start > end + LONGEST_RUN_US:
                yield Window(machine, begin, end)
                begin = start
            end = max(end, stop)
        yield Window(machine, begin, end)


def _overlapping(runs: Iterable[Run]) -> Iterator[tuple[Run, Run]]:
    """(run, the one before it that ends last) of runs in the order in which they began, where the two overlap.

    Only the two program runs that reach furthest need to be known: a run overlaps the first of them, or, when that is
    its own, the second.
    """
    first: _Reaching | None = None
    second: _Reaching | None = None
    for run in runs:
        mine = _Reaching((run.end_us, run.attempt), run.shared, run)
        is_first = first is not None and first.shared == mine.shared
        before = second if is_first else first
        if before is not None and before.reach[0] > run.started_us:
            yield run, before.run
        if first is None or is_first:
            first = mine if first is None else max(first, mine)
        elif second is None or mine.reach > second.reach:
            first, second = (mine, first) if mine.reach > first.reach else (first, mine)


class _Reaching(NamedTuple):
    """The run of a program run that ends last, and when it does."""

    reach: tuple[int, str]
    shared: tuple[str, str]
    run: Run
