"""What inspections measured, with what it is held against: for the reports on edges and sizes.

Counted is what was measured of the cut as it was made; what was measured after rework says what rework makes.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Generic, NamedTuple, TypeVar

import orjson
from sqlalchemy import ColumnElement, FromClause, Select, and_, func, select

from worker.batches import in_batches
from worker.edge_quality import Designation, Edition
from worker.events import NM_PER_MM
from worker.placing import cut_thickness_nm
from worker.readings import OF_THE_CUT
from worker.reports.dimensions import stored_expression
from worker.reports.notes import common_notes
from worker.reports.questions import Question, QuestionUnanswerable, Wrong
from worker.reports.reading import MOST_ROWS, Group, Reader, asked_of, too_many_rows, window_of
from worker.sentences import Sentence, counted, joined, sentence

EDITION: Final[Edition] = 2017
#: More of them take seconds, and memory that the answers beside this one need: sizes are read one by one, readings of
#: edges are added up by the database.
MOST_SIZES: Final = 200_000
MOST_EDGE_READINGS: Final = 1_000_000
_MDEG: Final = 1_000
_ROWS_AT_ONCE: Final = 5_000
#: What pending parts and open attempts change is no matter of what was measured.
_NOTHING_TO_NOTE: Final = {"pending_first": 0, "open_attempts": 0, "bevelled_attempts": 0}
#: What a cluster begins with, and what is cut of it.
_CLUSTERS: Final = (("plate:", "plate"), ("run:", "run"), ("", "attempt"))


@dataclass(frozen=True, slots=True)
class Asked:
    """What a job asks of its parts; each None where it does not. The tolerance is plus and minus, mm, above 0."""

    quality: Designation | None = None
    tolerance_mm: float | None = None

    @property
    def names_no_edition(self) -> bool:
        """It asks for a quality, and leaves open by which edition of the standard."""
        return self.quality is not None and self.quality.edition is None


NOTHING_ASKED: Final = Asked()


@dataclass(frozen=True, slots=True)
class MeasuredCut:
    """A cut that was measured: the group that it stands in, and what it is held against.

    `cluster`: its plate, else run, else attempt. `cut_nm`: the thickness cut through, bevel included; None where that
    of the plate is not known. `settings`: thickness and recipe, which a kerf goes with.
    """

    group: Group
    attempt: str
    day: str
    cluster: str
    cut_nm: int | None
    bevelled: bool
    settings: tuple[int | None, str | None]
    asked: Asked

    @property
    def cut_mm(self) -> float:
        """The thickness cut through, where it is known."""
        return (self.cut_nm or 0) / NM_PER_MM


@dataclass(frozen=True, slots=True)
class EdgeReading:
    """What was measured of a cut's edge, of one sort: how many readings, their mean and the largest of them, nm."""

    cut: MeasuredCut
    sort: str
    readings: int
    mean_nm: float
    largest_nm: int


class SizeReading(NamedTuple):
    """A size: asked for and found, in nanometres."""

    cut: MeasuredCut
    feature: str
    nominal_nm: int
    value_nm: int

    @property
    def deviation_mm(self) -> float:
        """Size found less size asked for."""
        return (self.value_nm - self.nominal_nm) / NM_PER_MM


Measurement = TypeVar("Measurement", EdgeReading, SizeReading)


@dataclass(frozen=True)
class Measured(Generic[Measurement]):
    """What a question asks for, by when and where it was measured; readings after rework; all others by purpose."""

    readings: Sequence[Measurement]
    after_rework: int
    purposes: Mapping[str, int]

    def notes(self, reader: Reader, question: Question) -> list[Sentence]:
        """What holds for any report on them."""
        notes = list(common_notes(_NOTHING_TO_NOTE, question, reader.as_of))
        if self.after_rework:
            notes.append(
                counted(
                    self.after_rework,
                    "%(count)s reading is left out: taken after rework, they say what rework makes, not the cut",
                    "%(count)s readings are left out: taken after rework, they say what rework makes, not the cut",
                )
            )
        if len(self.purposes) > 1 or (self.purposes and "production" not in self.purposes):
            shares = joined(
                ", ",
                (
                    sentence("%(readings)s of %(purpose)s", readings=count, purpose=purpose)
                    for purpose, count in sorted(self.purposes.items())
                ),
            )
            notes.append(sentence("readings by purpose: %(shares)s; purpose= asks for one of them", shares=shares))
        return notes


# --- reading ----------------------------------------------------------------------------------------------------


def edges_measured(reader: Reader, question: Question, sorts: Sequence[str]) -> Measured[EdgeReading]:
    """Each cut with what was measured of its edge; added up by the database.

    Raises QuestionUnanswerable for more than MOST_EDGE_READINGS.
    """
    r = reader.tables.readings.c
    after_rework = _counted(reader, question, sorts, most=MOST_EDGE_READINGS)
    cuts = _Cuts(reader, question)
    query = (
        select(*cuts.columns, r.sort, func.count(), func.sum(r.value_nm), func.max(r.value_nm))
        .select_from(cuts.source)
        .where(r.stage.in_(OF_THE_CUT), *cuts.where(sorts))
        .group_by(*cuts.columns, r.sort)
    )
    found, purposes = [], Counter[str]()
    for *told, sort, n, total_nm, largest_nm in _rows(reader, query):
        cut = cuts.read(told)
        purposes[cuts.purpose_of(told)] += n
        found.append(EdgeReading(cut, sort, n, int(total_nm) / n, largest_nm))
    found.sort(key=lambda one: (one.cut.day, one.cut.attempt, one.sort))
    return Measured(found, after_rework, purposes)


def sizes_measured(reader: Reader, question: Question, features: Sequence[str]) -> Measured[SizeReading]:
    """Each size of these features. Raises QuestionUnanswerable for more than MOST_SIZES."""
    r = reader.tables.readings.c
    after_rework = _counted(reader, question, features, most=MOST_SIZES)
    cuts = _Cuts(reader, question)
    query = (
        select(*cuts.columns, r.sort, r.nominal_nm, r.value_nm)
        .select_from(cuts.source)
        .where(r.stage.in_(OF_THE_CUT), *cuts.where(features))
    )
    found, purposes = [], Counter[str]()
    for *told, feature, nominal_nm, value_nm in _rows(reader, query):
        cut = cuts.read(told)
        purposes[cuts.purpose_of(told)] += 1
        found.append(SizeReading(cut, feature, nominal_nm, value_nm))
    found.sort(key=lambda one: (one.cut.day, one.cut.attempt, one.feature, one.nominal_nm, one.value_nm))
    return Measured(found, after_rework, purposes)


class _Cuts:
    """The cuts of a question, each read once, with what its job asks for."""

    def __init__(self, reader: Reader, question: Question) -> None:
        self._reader, self._question = reader, question
        self._read: dict[str, MeasuredCut] = {}
        self._clusters: dict[str, str] = {}
        a = reader.tables.attempts.c
        by = [stored_expression(dimension, a).label(f"by_{dimension.name}") for dimension in question.by]
        #: The last ones are those that `read` takes, after as many as there are dimensions.
        self.columns: tuple[ColumnElement[Any], ...] = (
            *by, a.attempt, a.day, a.cluster, a.thickness_nm, a.bevel_mdeg, a.recipe, a.job, a.purpose,
        )  # fmt: skip
        self.source = _joined(reader)
        self._asked = _asked(reader, question)

    def where(self, sorts: Sequence[str]) -> Iterator[ColumnElement[bool]]:
        """Conditions of the question."""
        return _where(self._reader, self._question, sorts)

    def purpose_of(self, told: Sequence[Any]) -> str:
        """Purpose of the cut that these columns tell of."""
        return str(told[-1])

    def read(self, told: Sequence[Any]) -> MeasuredCut:
        """The cut that these columns tell of."""
        width = len(self._question.by)
        attempt, day, cluster, nm, bevel, recipe, job, _ = told[width:]
        if attempt not in self._read:
            self._read[attempt] = MeasuredCut(
                group=tuple(told[:width]),
                attempt=attempt,
                day=day,
                cluster=self._clusters.setdefault(cluster, cluster),
                cut_nm=cut_thickness_nm(nm, bevel_deg=bevel / _MDEG) if nm is not None and bevel else nm,
                bevelled=bool(bevel),
                settings=(nm, recipe),
                asked=self._asked.get(job, NOTHING_ASKED),
            )
        return self._read[attempt]


def _joined(reader: Reader) -> FromClause:
    r, a = reader.tables.readings.c, reader.tables.attempts.c
    return reader.tables.readings.join(reader.tables.attempts, and_(a.site == r.site, a.attempt == r.attempt))


def _where(reader: Reader, question: Question, sorts: Sequence[str]) -> Iterator[ColumnElement[bool]]:
    r = reader.tables.readings.c
    yield r.site == reader.site
    yield r.sort.in_(sorts)
    yield from window_of(question, r)
    yield from asked_of(question, reader.tables.attempts.c)


def _rows(reader: Reader, query: Select[Any]) -> Iterator[Sequence[Any]]:
    """Rows of a query, few of them at a time in memory."""
    for some in reader.connection.execute(query).partitions(_ROWS_AT_ONCE):
        yield from some


def _counted(reader: Reader, question: Question, sorts: Sequence[str], *, most: int) -> int:
    """Readings after rework. Raises QuestionUnanswerable where there are more than `most` of the cut itself."""
    r = reader.tables.readings.c
    query = (
        select(r.stage, func.count().label("readings"))
        .select_from(_joined(reader))
        .where(*_where(reader, question, sorts))
        .group_by(r.stage)
    )
    by_stage = {row.stage: row.readings for row in reader.connection.execute(query)}
    of_the_cut = sum(by_stage.pop(stage, 0) for stage in OF_THE_CUT)
    if of_the_cut > most:
        said = sentence(
            "begins a window of %(readings)s readings; ask for at most %(most)s: for fewer days, or with a filter such "
            "as machine or thickness_mm",
            readings=of_the_cut,
            most=most,
        )
        raise QuestionUnanswerable([Wrong("from", said)])
    return sum(by_stage.values())


def _asked(reader: Reader, question: Question) -> dict[str | None, Asked]:
    """What each job asks for that has a cut in the window which was measured."""
    r, a, j = (table.c for table in (reader.tables.readings, reader.tables.attempts, reader.tables.jobs))
    measured = (
        select(a.job)
        .select_from(_joined(reader))
        .where(r.site == reader.site, *window_of(question, r), a.job.is_not(None))
        .distinct()
    )
    jobs = sorted(job for (job,) in reader.connection.execute(measured))
    found: dict[str | None, Asked] = {}
    for some in in_batches(jobs):
        query = select(j.job, j.stated).where(j.site == reader.site, j.job.in_(some))
        for job, text in reader.connection.execute(query):
            stated = orjson.loads(text)
            quality, tolerance = stated.get("cut_quality"), stated.get("size_tolerance_mm")
            found[job] = Asked(Designation.parse(quality) if quality else None, tolerance or None)
    return found


# --- groups and words -------------------------------------------------------------------------------------------


def by_group(readings: Iterable[Measurement]) -> dict[Group, list[Measurement]]:
    """The readings of each group."""
    groups: dict[Group, list[Measurement]] = {}
    for reading in readings:
        groups.setdefault(reading.cut.group, []).append(reading)
    return groups


def refuse_too_many(rows: int) -> None:
    """Raise QuestionUnanswerable for more rows than anybody reads."""
    if rows > MOST_ROWS:
        raise QuestionUnanswerable([Wrong("by", too_many_rows(rows))])


def sources(clusters: Iterable[str]) -> Sentence:
    """What readings were taken on: 3 plates, 2 runs, 1 attempt."""
    counts = Counter(next(word for start, word in _CLUSTERS if one.startswith(start)) for one in set(clusters))
    plates, runs, attempts = (counts[word] for _, word in _CLUSTERS)
    said = (
        counted(plates, "%(count)s plate", "%(count)s plates") if plates else None,
        counted(runs, "%(count)s run", "%(count)s runs") if runs else None,
        counted(attempts, "%(count)s attempt", "%(count)s attempts") if attempts else None,
    )
    return joined(", ", (each for each in said if each is not None))


def edition_not_named(cuts: Iterable[MeasuredCut]) -> Iterator[Sentence]:
    """That jobs ask for a cut quality by no edition, if some do."""
    if any(cut.asked.names_no_edition for cut in cuts):
        yield sentence(
            "where a job's cut_quality names no edition of ISO 9013, it is held against that of %(edition)s",
            edition=str(EDITION),
        )
