"""Readings of inspections with what they are held against: for the reports on edges and sizes.

Counted are readings of the cut as it was made; those after rework say what rework makes.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import orjson
from sqlalchemy import and_, select

from worker.batches import in_batches
from worker.edge_quality import Designation
from worker.events import NM_PER_MM
from worker.placing import cut_thickness_nm
from worker.readings import OF_THE_CUT
from worker.reports.dimensions import stored_expression
from worker.reports.notes import common_notes
from worker.reports.questions import Question, QuestionUnanswerable, Wrong
from worker.reports.reading import MOST_ROWS, Group, Reader, asked_of, window_of

_MDEG: Final = 1_000
#: What pending parts and open attempts change is no matter of what was measured.
_NOTHING_TO_NOTE: Final = {"pending_first": 0, "open_attempts": 0, "bevelled_attempts": 0}


@dataclass(frozen=True, slots=True)
class Asked:
    """What a job asks of its parts; each None where it does not. The tolerance is plus and minus, mm, above 0."""

    quality: Designation | None = None
    tolerance_mm: float | None = None


NOTHING_ASKED: Final = Asked()


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading of a cut, in nanometres, with the group that it stands in and what it is held against.

    `cluster`: its plate, else run, else attempt. `cut_nm`: the thickness cut through, bevel included; None where that
    of the plate is not known.
    """

    group: Group
    sort: str
    nominal_nm: int | None
    value_nm: int
    cluster: str
    attempt: str
    day: str
    place: tuple[str, str, int]
    cut_nm: int | None
    bevelled: bool
    asked: Asked

    @property
    def cut_mm(self) -> float:
        """The thickness cut through, where it is known."""
        return (self.cut_nm or 0) / NM_PER_MM

    @property
    def deviation_mm(self) -> float:
        """Size found less size asked for."""
        return (self.value_nm - (self.nominal_nm or 0)) / NM_PER_MM


@dataclass(frozen=True)
class Measured:
    """The readings of a question, by when and where they were taken; how many came after rework; all by purpose."""

    readings: tuple[Reading, ...]
    after_rework: int
    purposes: Mapping[str, int]

    def notes(self, reader: Reader, question: Question) -> list[str]:
        """What holds for any report on them."""
        notes = list(common_notes(_NOTHING_TO_NOTE, question, reader.as_of))
        if self.after_rework:
            are = "1 reading is" if self.after_rework == 1 else f"{self.after_rework} readings are"
            notes.append(f"{are} left out: taken after rework, so that they say what rework makes, not the cut")
        if len(self.purposes) > 1 or (self.purposes and "production" not in self.purposes):
            shares = ", ".join(f"{count} of {purpose}" for purpose, count in sorted(self.purposes.items()))
            notes.append(f"readings by purpose: {shares}; purpose= asks for one of them")
        return notes


def measured(reader: Reader, question: Question, sorts: Sequence[str]) -> Measured:
    """All readings of these sorts that a question asks for, divided by its dimensions."""
    r, a = reader.tables.readings.c, reader.tables.attempts.c
    by = [stored_expression(dimension, a).label(f"by_{dimension.name}") for dimension in question.by]
    of_attempt = and_(a.site == r.site, a.attempt == r.attempt)
    columns = (
        r.sort, r.nominal_nm, r.value_nm, r.stage, r.source, r.id, r.place, r.attempt, r.day,
        a.cluster, a.thickness_nm, a.bevel_mdeg, a.job, a.purpose,
    )  # fmt: skip
    query = (
        select(*by, *columns)
        .select_from(reader.tables.readings.join(reader.tables.attempts, of_attempt))
        .where(r.site == reader.site, r.sort.in_(sorts), *window_of(question, r), *asked_of(question, a))
    )
    rows = reader.connection.execute(query).all()
    of_the_cut = [row for row in rows if row.stage in OF_THE_CUT]
    asked = _asked(reader, {row.job for row in of_the_cut if row.job is not None})
    width = len(by)
    readings = [_reading(tuple(row[:width]), row, asked.get(row.job, NOTHING_ASKED)) for row in of_the_cut]
    readings.sort(key=lambda one: (one.day, one.attempt, one.sort, one.place))
    return Measured(tuple(readings), len(rows) - len(of_the_cut), Counter(row.purpose for row in of_the_cut))


def _reading(group: Group, row: Any, asked: Asked) -> Reading:
    nm, bevel = row.thickness_nm, row.bevel_mdeg
    return Reading(
        group=group,
        sort=row.sort,
        nominal_nm=row.nominal_nm,
        value_nm=row.value_nm,
        cluster=row.cluster,
        attempt=row.attempt,
        day=row.day,
        place=(row.source, row.id, row.place),
        cut_nm=cut_thickness_nm(nm, bevel_deg=bevel / _MDEG) if nm is not None and bevel else nm,
        bevelled=bool(bevel),
        asked=asked,
    )


def _asked(reader: Reader, jobs: Iterable[str]) -> dict[str, Asked]:
    j = reader.tables.jobs.c
    found: dict[str, Asked] = {}
    for some in in_batches(sorted(jobs)):
        query = select(j.job, j.stated).where(j.site == reader.site, j.job.in_(some))
        for job, text in reader.connection.execute(query):
            stated = orjson.loads(text)
            quality, tolerance = stated.get("cut_quality"), stated.get("size_tolerance_mm")
            found[job] = Asked(Designation.parse(quality) if quality else None, tolerance or None)
    return found


def by_group(readings: Iterable[Reading]) -> dict[Group, list[Reading]]:
    """The readings of each group."""
    groups: dict[Group, list[Reading]] = {}
    for reading in readings:
        groups.setdefault(reading.group, []).append(reading)
    return groups


def refuse_too_many(rows: int) -> None:
    """Raise QuestionUnanswerable for more rows than anybody reads."""
    if rows > MOST_ROWS:
        said = f"gives {rows} rows; ask for at most {MOST_ROWS}: for fewer days, with a filter, or divided less"
        raise QuestionUnanswerable([Wrong("by", said)])
