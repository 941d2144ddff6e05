"""Derived facts of the attempts of a question: what each found on its plate and its machine, and what its part is like.

Nothing of it is stored: one late event moves the order of all attempts that follow. What comes before an attempt is
all that was finished and began before it, at one instant by the id of the attempt, whatever the question counts; so it
hangs on which events there are, not on how they came. Only groups of few people are left out of it, as of all figures.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import orjson
from numpy.typing import NDArray
from sqlalchemy import and_, case, func, select

from worker.batches import in_batches
from worker.reports.fact_bands import (
    CORNER,
    HOLE,
    HOURS,
    MINUTES,
    NOT_KNOWN,
    ORDER,
    PIERCES,
    THOUSANDTHS,
    WEB,
    Explained,
    Judged,
    explained,
)
from worker.reports.questions import Question
from worker.reports.reading import Reader, asked_of, conditions_of, settled
from worker.reports.since_service import done_before, services, since_service
from worker.reports.withholding import all_of_few
from worker.shopcalendar import MICROSECONDS
from worker.stats.clustering import Clustered
from worker.stats.wear import LEAST_PLATES

Whole = NDArray[np.int64]

_NOZZLE: Final = "nozzle"
#: The size of a job's part that a ratio is of.
_SIZES: Final = {HOLE: "min_hole_mm", WEB: "min_web_mm", CORNER: "min_corner_radius_mm"}
#: Fewer failures make no trend, fewer plates no two bands: attempts are not even read.
_LEAST_FAILURES: Final = 5
#: A window with more attempts is not looked at: it would take more than four seconds, and 50 MB.
MOST_ATTEMPTS: Final = 500_000
_ROWS_AT_ONCE: Final = 5_000
_US_PER_MINUTE: Final = 60 * MICROSECONDS
_US_PER_HOUR: Final = 60 * _US_PER_MINUTE
_NM_PER_MM: Final = 1_000_000


@dataclass(frozen=True)
class Cuts:
    """Finished attempts of a window in the order in which they began: a value of each in every array.

    `judged` and `failures` are 0 for those that the question does not count. `cluster`, `combination`, `plate`, `job`
    and `day` are places in `names`, in the order in which these appear; NOT_KNOWN where there is none.
    """

    names: Mapping[str, list[Any]]
    started_us: Whole
    pierces: Whole
    judged: Whole
    failures: Whole
    cluster: Whole
    combination: Whole
    plate: Whole
    job: Whole
    day: Whole


@dataclass(frozen=True)
class _Cut:
    """Of all attempts of one machine, as what was done since a service is told of."""

    started_us: Whole
    pierces: Whole
    ms: Whole


def explaining(reader: Reader, question: Question, counts: Clustered, *, keys: Iterable[str] = ()) -> Explained:
    """Which derived facts first-pass failures of a question go with, on days that are judged.

    counts: good parts of first attempts of the question; where these are so few that no fact can carry evidence, no
    attempt is read, else every one of the window, once. keys: columns that the rows of the answer are known by.
    """
    if counts.n - counts.x < _LEAST_FAILURES or counts.clusters < 2 * LEAST_PLATES:
        return Explained()
    asked, _ = settled(reader, replace(question, by=()))
    few = all_of_few(reader, question, tuple(keys))
    judged = judged_with_facts(reader, replace(asked, left_out=(*asked.left_out, *few)))
    return Explained(too_many=True) if judged is None else explained(judged, confidence=question.confidence)


def judged_with_facts(reader: Reader, question: Question) -> Judged | None:
    """Judged parts of first attempts of a question, with the facts of each attempt; None: more than are read.

    Parts that were lost to a confirmed cause that is not the process are left out.
    """
    cuts = _read(reader, question)
    if len(cuts.started_us) > MOST_ATTEMPTS:
        return None
    counted = np.flatnonzero(cuts.judged > 0)
    known = _of_combinations(reader, cuts)
    parts, ratios = _of_jobs(reader, cuts, known.thickness)
    values = {
        **_on_plates(reader, question, cuts),
        HOURS: _since_first_of_day(cuts, known.machine),
        PIERCES: _since_nozzle(reader, question, cuts, known),
        **ratios,
    }
    return Judged(
        cuts.judged[counted],
        cuts.failures[counted],
        cuts.cluster[counted],
        parts[counted],
        known.stratum[counted],
        {name: value[counted] for name, value in values.items()},
    )


def _read(reader: Reader, question: Question) -> Cuts:
    """All finished attempts of a window."""
    a = reader.tables.attempts.c
    judged = a.is_first * (a.good + a.rework + a.scrap + a.not_made - a.lost_otherwise)
    counts = case((and_(*conditions_of(reader, question, a)), 1), else_=0)
    query = (
        select(
            a.started_us, func.coalesce(a.pierces, 0), judged, judged - a.is_first * a.good, counts, a.cluster,
            a.combination, a.plate, a.job, a.day,
        )
        .where(a.site == reader.site, a.state == "finished", *asked_of(replace(question, filters={}), a))
        .where(a.day >= question.first_day.isoformat(), a.day <= question.last_day.isoformat())
        .order_by(a.started_us, a.attempt)
        .limit(MOST_ATTEMPTS + 1)
    )  # fmt: skip
    numbers: tuple[dict[Hashable, int], ...] = tuple({} for _ in range(5))
    pieces = [_piece(rows, numbers) for rows in _pieces(reader, query)]
    whole = np.concatenate([np.zeros((10, 0), dtype=np.int64), *pieces], axis=1)
    started_us, pierces, parts, failures, counted, *placed = whole
    names = dict(zip(("cluster", "combination", "plate", "job", "day"), map(list, numbers), strict=True))
    return Cuts(names, started_us, pierces, counted * parts, counted * failures, *placed)


def _pieces(reader: Reader, query: Any) -> Iterator[Any]:
    in_pieces = {"stream_results": True, "yield_per": _ROWS_AT_ONCE}
    return reader.connection.execute(query, execution_options=in_pieces).partitions()


def _piece(rows: Any, numbers: tuple[dict[Hashable, int], ...]) -> Any:
    """Some attempts as numbers, a row for each array; a plate is its own in each day and combination, as a cluster."""
    clusters, *others = numbers
    columns = list(zip(*rows, strict=True))
    places = [[clusters.setdefault(key, len(clusters)) for key in zip(*columns[5:7], columns[9], strict=True)]]
    for column, known in zip(columns[6:], others, strict=True):
        places.append([NOT_KNOWN if key is None else known.setdefault(key, len(known)) for key in column])
    return np.array([*columns[:5], *places], dtype=np.int64)


@dataclass(frozen=True)
class _Combinations:
    """Of each attempt its thickness in nanometres (0: not known), its machine's place in `machines`, its stratum."""

    machines: list[str]
    thickness: Whole
    machine: Whole
    stratum: Whole


def _of_combinations(reader: Reader, cuts: Cuts) -> _Combinations:
    c = reader.tables.combinations.c
    query = select(c.combination, c.thickness_nm, c.material, c.machine).where(c.site == reader.site)
    known = {combination: told for combination, *told in reader.connection.execute(query)}
    machines: dict[str, int] = {}
    strata: dict[Hashable, int] = {}
    found = np.zeros((len(cuts.names["combination"]), 3), dtype=np.int64)
    for place, combination in enumerate(cuts.names["combination"]):
        nm, material, machine = known[combination]
        number = NOT_KNOWN if machine is None else machines.setdefault(machine, len(machines))
        found[place] = nm or 0, number, strata.setdefault((nm, material, machine), len(strata))
    return _Combinations(list(machines), *found[cuts.combination].T)


# --- on the plate, on the machine -------------------------------------------------------------------------------


def _on_plates(reader: Reader, question: Question, cuts: Cuts) -> dict[str, Whole]:
    """Order of each attempt on its plate, from 1 on, and minutes since the first one there."""
    order, minutes = (np.full(len(cuts.plate), NOT_KNOWN, dtype=np.int64) for _ in range(2))
    cut = np.flatnonzero(cuts.plate != NOT_KNOWN)
    if not len(cut):
        return {ORDER: order, MINUTES: minutes}
    plate = cuts.plate[cut]
    _, first, many = np.unique(plate, return_index=True, return_counts=True)
    began = cuts.started_us[cut][first]
    before = np.zeros(len(first), dtype=np.int64)
    places = {name: place for place, name in enumerate(cuts.names["plate"])}
    for name, attempts, first_us in _before_window(reader, question):
        before[places[name]], began[places[name]] = attempts, first_us
    # Attempts come in their order, which a stable sort keeps within each plate
    by_plate = np.argsort(plate, kind="stable")
    within = np.arange(len(cut)) - np.repeat(np.cumsum(many) - many, many)
    order[cut[by_plate]] = 1 + within + before[plate[by_plate]]
    minutes[cut] = (cuts.started_us[cut] - began[plate]) // _US_PER_MINUTE
    return {ORDER: order, MINUTES: minutes}


def _before_window(reader: Reader, question: Question) -> Iterable[Any]:
    """(plate, attempts, when the first began) of what was cut before a window from plates that are cut in it."""
    a, earlier = reader.tables.attempts.c, reader.tables.attempts.alias("earlier")
    told, first_day = replace(question, filters={}), question.first_day.isoformat()
    in_window = (
        select(a.plate)
        .where(a.site == reader.site, a.state == "finished", a.plate.is_not(None), *asked_of(told, a))
        .where(a.day >= first_day, a.day <= question.last_day.isoformat())
    )
    e = earlier.c
    query = select(e.plate, func.count(), func.min(e.started_us)).where(
        e.site == reader.site, e.state == "finished", e.day < first_day, e.plate.in_(in_window), *asked_of(told, e)
    )
    return reader.connection.execute(query.group_by(e.plate)).all()


def _since_first_of_day(cuts: Cuts, machine: Whole) -> Whole:
    """Hours since the machine began its first attempt of the production day."""
    wide = len(cuts.names["day"]) + 1
    _, first, of = np.unique((machine + 1) * wide + cuts.day, return_index=True, return_inverse=True)
    hours = (cuts.started_us - cuts.started_us[first][of]) // _US_PER_HOUR
    return np.where(machine == NOT_KNOWN, NOT_KNOWN, hours)


def _since_nozzle(reader: Reader, question: Question, cuts: Cuts, known: _Combinations) -> Whole:
    """Pierces on the machine since its nozzle was seen to; not known before the first time on record."""
    found = np.full(len(cuts.started_us), NOT_KNOWN, dtype=np.int64)
    for (machine, kind), times in services(reader, question).items():
        if kind != _NOZZLE or machine not in known.machines:
            continue
        mine = np.flatnonzero(known.machine == known.machines.index(machine))
        done = _Cut(cuts.started_us[mine], cuts.pierces[mine], np.zeros(len(mine), dtype=np.int64))
        carried = [at for at in times if at <= done.started_us[0]][-1:]
        before = done_before(reader, question, machine, carried)
        since = since_service(done, times, before=before[carried[0]] if carried else (0, 0))
        found[mine] = np.where(since.stretch < 0, NOT_KNOWN, since.pierces)
    return found


# --- of the part ------------------------------------------------------------------------------------------------


def _of_jobs(reader: Reader, cuts: Cuts, thickness: Whole) -> tuple[Whole, dict[str, Whole]]:
    """(part number, else job, of each attempt; its ratios)."""
    jobs = cuts.names["job"]
    places = {job: place for place, job in enumerate(jobs)}
    # The last line is what a job that is not named finds
    sizes = np.full((len(jobs) + 1, len(_SIZES)), NOT_KNOWN, dtype=np.int64)
    part = np.arange(len(jobs) + 1, dtype=np.int64)
    numbers: dict[str, int] = {}
    j = reader.tables.jobs.c
    for some in in_batches(jobs):
        query = select(j.job, j.part_number, j.stated).where(j.site == reader.site, j.job.in_(some))
        for job, number, stated in reader.connection.execute(query):
            told = orjson.loads(stated)
            sizes[places[job]] = [
                NOT_KNOWN if told.get(name) is None else round(told[name] * _NM_PER_MM) for name in _SIZES.values()
            ]
            if number is not None:
                part[places[job]] = len(jobs) + 1 + numbers.setdefault(number, len(numbers))
    known = thickness > 0
    ratios = {}
    for column, name in enumerate(_SIZES):
        size = sizes[cuts.job, column]
        ratio = size * THOUSANDTHS // np.where(known, thickness, 1)
        ratios[name] = np.where(known & (size != NOT_KNOWN), ratio, NOT_KNOWN)
    return part[cuts.job], ratios
