"""Findings of kind contradiction: kept with both figures for as long as the events say it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import orjson
from sqlalchemy import delete, insert, select

from worker.batches import in_batches
from worker.events import ATTEMPT, EVENT, PLATE, VOIDED
from worker.folding import Contradiction
from worker.ledger import View
from worker.sentences import figure, forms_text, sentence
from worker.shopcalendar import MICROSECONDS
from worker.tables import Derived

KIND: Final = "contradiction"
RUNS_OVERLAP: Final = "runs_overlap"
PARENT_RING: Final = "parent_ring"
MEASURED_THICKNESS: Final = "measured_thickness"
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

    def of_runs(self, attempts: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> None:
        """Find anew which runs overlap on their machine, where attempts changed; `rows` are theirs before and after.

        Each run that overlaps others that began before it has one finding, with the one of them that ends last.
        """
        self._put_overlaps(attempts, [])
        runs = [Run.of(row) for row in rows if row["state"] == "finished" and row["machine"] and row["ended_us"]]
        for machine, window in _windows(runs):
            on_machine = self._runs_between(machine, window)
            near = [run.attempt for run in on_machine if run.started_us >= window[0]]
            found = {run.attempt: self._overlap(run, before) for run, before in _overlapping(on_machine)}
            self._put_overlaps(near, [found[attempt] for attempt in near if attempt in found])

    def _put_overlaps(self, attempts: Sequence[str], rows: Sequence[dict[str, Any]]) -> None:
        f = self.findings.c
        for some in in_batches(attempts):
            mine = (f.site == self.site, f.code == RUNS_OVERLAP, f.subject_kind == ATTEMPT, f.subject.in_(some))
            if self.connection.execute(select(f.subject).where(*mine).limit(1)).first() is not None:
                self.connection.execute(delete(self.findings).where(*mine))
        self._insert(rows)

    def _runs_between(self, machine: str, window: tuple[int, int]) -> list[Run]:
        """Runs on a machine that can overlap one that began within the window, as they began."""
        a = self.attempts.c
        query = (
            select(a.attempt, a.machine, a.started_us, a.ended_us, a.run, a.machine_name)
            .where(a.site == self.site, a.machine == machine, a.state == "finished", a.ended_us > a.started_us)
            .where(a.started_us >= window[0] - LONGEST_RUN_US, a.started_us <= window[1])
            .order_by(a.started_us, a.attempt)
        )
        return [Run(*row) for row in self.connection.execute(query)]

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
        return self._row(ATTEMPT, later.attempt, said)

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
        f = self.findings.c
        for some in in_batches(found):
            self.connection.execute(
                delete(self.findings).where(
                    f.site == self.site, f.code == code, f.subject_kind == PLATE, f.subject.in_(some)
                )
            )
        self._insert([self._row(PLATE, plate, said) for plate, said in found.items() if said is not None])

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
                    sentence(
                        "void %(void)s of %(source)s names subject %(subject)s; the event it voids is about %(target)s",
                        void=repr(void.id), source=void.source, subject=repr(void.subject), target=repr(event.subject),
                    ),
                    {"void_subject": void.subject, "target_subject": event.subject},
                    other=f"{void.source}\x1f{void.id}",
                )  # fmt: skip
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
            "detail": str(said.detail),
            "figures": orjson.dumps(said.figures).decode(),
            "forms": forms_text(said.detail),
        }

    def _insert(self, rows: Sequence[dict[str, Any]]) -> None:
        if rows:
            self.connection.execute(insert(self.findings), rows)


_KEY: Final = ("site", "code", "subject_kind", "subject", "other")


def _once(rows: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """One row a finding; of several that say the same code the last in fold order stays."""
    return list({tuple(row[name] for name in _KEY): row for row in rows}.values())


@dataclass(frozen=True)
class Run:
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


def _windows(runs: Iterable[Run]) -> Iterator[tuple[str, tuple[int, int]]]:
    """(machine, from and to in microseconds) in which overlaps can have changed: few and short ones."""
    by_machine: dict[str, list[tuple[int, int]]] = {}
    for run in runs:
        by_machine.setdefault(run.machine, []).append((run.started_us, run.end_us))
    for machine in sorted(by_machine):
        begin, end = (spans := sorted(by_machine[machine]))[0]
        for start, stop in spans[1:]:
            if start > end + LONGEST_RUN_US:
                yield machine, (begin, end)
                begin = start
            end = max(end, stop)
        yield machine, (begin, end)


def _overlapping(runs: Iterable[Run]) -> Iterator[tuple[Run, Run]]:
    """(run, the one before it that ends last) of runs in the order in which they began, where the two overlap.

    Only the two program runs that reach furthest need to be known: a run overlaps the first of them, or, when that is
    its own, the second.
    """
    furthest: list[Run] = []
    for run in runs:
        before = next((one for one in furthest if one.shared != run.shared), None)
        if before is not None and before.end_us > run.started_us:
            yield run, before
        others = [one for one in furthest if one.shared != run.shared]
        same = [one for one in furthest if one.shared == run.shared]
        mine = max([*same, run], key=_reach)
        furthest = sorted([mine, *others], key=_reach, reverse=True)[:2]


def _reach(run: Run) -> tuple[int, str]:
    return run.end_us, run.attempt
