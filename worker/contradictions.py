"""Findings of kind contradiction: kept with both figures for as long as the events say it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from typing import Any, Final

import orjson
from sqlalchemy import Select, Table, and_, bindparam, case, delete, insert, or_, select

from worker.batches import in_batches
from worker.events import ATTEMPT, EVENT, PLATE, VOIDED
from worker.folding import Contradiction
from worker.ledger import View
from worker.shopcalendar import MICROSECONDS
from worker.tables import Derived

KIND: Final = "contradiction"
RUNS_OVERLAP: Final = "runs_overlap"
PARENT_RING: Final = "parent_ring"
VOID_SUBJECT: Final = "void_subject_differs"
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

    def of_attempts(self, found: Mapping[str, Iterable[Contradiction]]) -> None:
        """Put what attempts contradict in the place of what they did before, overlapping runs aside."""
        f = self.findings.c
        for some in in_batches(sorted(found)):
            self.connection.execute(
                delete(self.findings).where(
                    f.site == self.site, f.subject_kind == ATTEMPT, f.subject.in_(some), f.code != RUNS_OVERLAP
                )
            )
        rows = [self._row(ATTEMPT, attempt, said) for attempt, these in found.items() for said in these]
        self._insert(_once(rows))

    def of_runs(self, attempts: Sequence[str]) -> None:
        """Find anew which runs overlap, on one machine, with those of these attempts."""
        for some in in_batches(attempts):
            self._clear_runs(some)
            self._insert(_once(self._overlapping(some)))

    def _clear_runs(self, attempts: Sequence[str]) -> None:
        f = self.findings.c
        for column in (f.subject, f.other):
            self.connection.execute(
                delete(self.findings).where(
                    f.site == self.site, column.in_(attempts), f.code == RUNS_OVERLAP, f.subject_kind == ATTEMPT
                )
            )

    def _overlapping(self, attempts: Sequence[str]) -> list[dict[str, Any]]:
        query, of = _overlaps(self.attempts), {"of_site": self.site, "of_attempts": attempts}
        rows: list[dict[str, Any]] = []
        for row in self.connection.execute(query, of):
            (_, earlier, earlier_end, machine), (later_us, later, later_end, _) = sorted([row[:4], row[4:]])
            overlap = (min(earlier_end, later_end) - later_us) / MICROSECONDS
            said = Contradiction(
                RUNS_OVERLAP,
                f"on machine {machine} it began {overlap:g} s before attempt {earlier!r} of another run ended",
                {"overlap_seconds": overlap, "machine": machine, "earlier": earlier, "later": later},
                other=earlier,
            )
            rows.append(self._row(ATTEMPT, later, said))
        return rows

    def of_ring(self, plate: str, ring: Sequence[str]) -> None:
        """Put the ring of parents that a plate stands on in the place of the one before; none clears it."""
        self.clear_rings([plate])
        if ring:
            said = Contradiction(
                PARENT_RING,
                f"its parents lead back to it: {' <- '.join([*ring, plate])}",
                {"ring": list(ring)},
            )
            self._insert([self._row(PLATE, plate, said)])

    def clear_rings(self, plates: Iterable[str]) -> None:
        """Forget the rings of plates."""
        f = self.findings.c
        for some in in_batches(plates):
            self.connection.execute(
                delete(self.findings).where(
                    f.site == self.site, f.code == PARENT_RING, f.subject_kind == PLATE, f.subject.in_(some)
                )
            )

    def of_voids(self, positions: Sequence[int]) -> None:
        """Find voids with another subject than their target's, where either is at one of the positions."""
        voids = [(event, target) for _, event, target in self.view.at(positions) if target is not None]
        voids += self.view.voids_naming(positions)
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
                    f"void {void.id!r} of {void.source} names subject {void.subject!r}; the event it voids is about "
                    f"{event.subject!r}",
                    {"void_subject": void.subject, "target_subject": event.subject},
                    other=f"{void.source}\x1f{void.id}",
                )
                rows.append(self._row(EVENT, void.subject, said))
        # What the ledger holds of a void and its target stays: such a finding is only ever added.
        for row in _once(rows):
            f = self.findings.c
            self.connection.execute(delete(self.findings).where(*(f[name] == row[name] for name in _KEY)))
            self._insert([row])

    def _row(self, subject_kind: str, subject: str, said: Contradiction) -> dict[str, Any]:
        return {
            "site": self.site,
            "code": said.code,
            "subject_kind": subject_kind,
            "subject": subject,
            "other": said.other,
            "kind": KIND,
            "detail": said.detail,
            "figures": orjson.dumps(said.figures).decode(),
        }

    def _insert(self, rows: Sequence[dict[str, Any]]) -> None:
        if rows:
            self.connection.execute(insert(self.findings), rows)


_KEY: Final = ("site", "code", "subject_kind", "subject", "other")


def _once(rows: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """One row a finding; of several that say the same code the last in fold order stays."""
    return list({tuple(row[name] for name in _KEY): row for row in rows}.values())


def _run_end(columns: Any) -> Any:
    """End of a run, at most the longest run after its start."""
    longest = columns.started_us + LONGEST_RUN_US
    return case((and_(columns.ended_us > longest), longest), else_=columns.ended_us)


@lru_cache
def _overlaps(attempts: Table) -> Select[Any]:
    """(start, attempt, end, machine) of the runs of some attempts, and of each that overlaps them on their machine."""
    mine, other = attempts.alias("mine"), attempts.alias("other")
    m, o = mine.c, other.c
    return (
        select(
            *(m[name] for name in ("started_us", "attempt", "ended_us", "machine_name")),
            *(o[name] for name in ("started_us", "attempt", "ended_us", "machine_name")),
        )
        .where(m.site == bindparam("of_site"), m.attempt.in_(bindparam("of_attempts", expanding=True)))
        .where(o.site == m.site, o.machine == m.machine, o.attempt != m.attempt)
        .where(m.state == "finished", o.state == "finished")
        .where(o.started_us >= m.started_us - LONGEST_RUN_US, o.started_us < _run_end(m))
        .where(_run_end(o) > m.started_us, m.ended_us > m.started_us, o.ended_us > o.started_us)
        .where(or_(m.run.is_(None), o.run.is_(None), m.run != o.run))
    )
