"""What several entries show together: pierces that fail in a row, overfull plates, times all at the end of a shift."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from typing import Any, Final

import orjson
from sqlalchemy import case, func, select

from worker.batches import in_batches
from worker.noticing.finding import IMPLAUSIBLE, Finding
from worker.plausible_limits import Limits
from worker.plausible_series import ShiftEndEntries, mass_on_plate, pierce_series, plate_mass_kg
from worker.reports.entry_counts import shift_end_near, shift_ending
from worker.reports.questions import Question
from worker.reports.reading import Reader, conditions_of, spellings, window_of
from worker.reports.withholding import least_people
from worker.sentences import Sentence, figure, joined, sentence
from worker.shopcalendar import MICROSECONDS
from worker.stats.tails import at_least_like

#: Newest attempts of a machine that are read for a series of failed pierces.
NEWEST: Final = 200
#: Three failed pierces of twenty are common where one in ten fails: a series is told only where the machine's own rate
#: makes it less likely than this.
RARE: Final = 1e-4
#: Days whose shifts are looked at for entries that all lie at their end.
SHIFT_DAYS: Final = 14


def series(reader: Reader, question: Question) -> list[Finding]:
    """Findings of all three, by the limits that the site has now; what a site has switched off is not looked for."""
    limits = reader.calendar.latest.limits
    looked_for = {
        "failed_pierces": _failed_pierces,
        "plate_mass": _plate_masses,
        "times_at_shift_end": _shift_ends,
    }
    return [
        finding
        for doubt, look in looked_for.items()
        if doubt not in limits.off
        for finding in look(reader, question, limits)
    ]


def _finding(question: Question, code: str, subject_kind: str, subject: str, detail: str, **figures: Any) -> Finding:
    return Finding(IMPLAUSIBLE, code, subject_kind, subject, "", detail, figures, question.first_day, question.last_day)


# --- pierces ----------------------------------------------------------------------------------------------------


def _failed_pierces(reader: Reader, question: Question, limits: Limits) -> Iterator[Finding]:
    """Machines whose newest pierces, since the last service, failed close together more than is usual for them."""
    names = spellings(reader, "machine")
    for machine, (pierces, failed) in sorted(_usual(reader, question).items()):
        newest = _newest(reader, question, machine)
        found = pierce_series([(row.pierces, row.failed_pierces) for row in newest], limits=limits)
        # One that went by with good pierces after it is over.
        if found is None or sum(row.pierces for row in newest[found.last + 1 :]) >= limits.pierce_window:
            continue
        before, bad_before = pierces - found.pierces, failed - found.failed
        # A small past is no certainty: none failed of twenty does not make the third failure impossible.
        by_chance = at_least_like(found.failed, found.pierces, bad_before + 0.5, before - bad_before + 0.5)
        if before < limits.pierce_window or by_chance > RARE:
            continue
        usual = bad_before / before
        shown = names.get(machine, machine)
        yield _finding(
            question, "failed_pierces", "machine", shown,
            sentence(
                "on %(machine)s %(series)s; %(share)s fail usually",
                machine=shown, series=found.detail, share=figure(usual, ".1%"),
            ),
            failed=found.failed, pierces=found.pierces, usual_share=usual,
            first_attempt=newest[found.first].attempt, last_attempt=newest[found.last].attempt,
        )  # fmt: skip


def _usual(reader: Reader, question: Question) -> dict[str, tuple[int, int]]:
    """(pierces, failed ones) of each machine in the window."""
    a = reader.tables.attempts.c
    query = (
        select(a.machine, func.sum(a.pierces), func.sum(a.failed_pierces))
        .where(*conditions_of(reader, question, a))
        .where(a.pierces > 0, a.machine.is_not(None))
        .group_by(a.machine)
    )
    return {machine: (int(pierces), int(failed)) for machine, pierces, failed in reader.connection.execute(query)}


def _newest(reader: Reader, question: Question, machine: str) -> list[Any]:
    """Attempts of a machine that tell their pierces, since its last service, oldest first."""
    a, s = reader.tables.attempts.c, reader.tables.services.c
    serviced = select(func.max(s.time_us)).where(s.site == reader.site, s.machine == machine)
    since = reader.connection.execute(serviced).scalar_one() or 0
    query = (
        select(a.attempt, a.pierces, a.failed_pierces)
        .where(*conditions_of(reader, question, a), a.machine == machine, a.started_us >= since, a.pierces > 0)
        .order_by(a.started_us.desc(), a.attempt.desc())
        .limit(NEWEST)
    )
    return list(reversed(reader.connection.execute(query).all()))


# --- mass -------------------------------------------------------------------------------------------------------


def _plate_masses(reader: Reader, question: Question, limits: Limits) -> Iterator[Finding]:
    """Plates from which more was cut than a nest leaves room for, where sizes and part masses are known."""
    for plate, parts in sorted(_parts_on_plates(reader, question).items()):
        plate_kg, masses = parts
        if (load := mass_on_plate(masses, plate_kg, limits=limits)) is not None:
            yield _finding(
                question, "plate_mass", "plate", plate, load.detail,
                parts_kg=load.parts_kg, plate_kg=load.plate_kg, share=load.share, impossible=load.impossible,
            )  # fmt: skip


def _parts_on_plates(reader: Reader, question: Question) -> dict[str, tuple[float, list[float]]]:
    """(mass of the plate, masses of the parts of each job on it), kg, of plates cut in the window."""
    a, j, p = reader.tables.attempts.c, reader.tables.jobs.c, reader.tables.plates.c
    cut_on = select(a.plate).where(a.site == reader.site, *window_of(question, a), a.plate.is_not(None)).distinct()
    # A blank that is cut on after a stop holds the same parts.
    tried = func.sum(case((a.mode == "resume", 0), else_=a.tried))
    query = (
        select(a.plate, a.job, tried)
        .where(a.site == reader.site, a.plate.in_(cut_on), a.job.is_not(None))
        .group_by(a.plate, a.job)
        .order_by(a.plate, a.job)
    )
    cut = [(plate, job, int(parts)) for plate, job, parts in reader.connection.execute(query)]
    part_kg: dict[str, float] = {}
    for some in in_batches(sorted({job for _, job, _ in cut})):
        jobs = select(j.job, j.stated).where(j.site == reader.site, j.job.in_(some))
        for job, stated in reader.connection.execute(jobs):
            if (mass := orjson.loads(stated).get("part_mass_kg")) is not None:
                part_kg[job] = mass
    plate_kg: dict[str, float] = {}
    for some in in_batches(sorted({plate for plate, _, _ in cut})):
        plates = select(p.plate, p.thickness_nm, p.stated).where(p.site == reader.site, p.plate.in_(some))
        for plate, nm, stated in reader.connection.execute(plates):
            told = orjson.loads(stated)
            if nm is not None and "length_mm" in told and "width_mm" in told:
                plate_kg[plate] = plate_mass_kg(length_mm=told["length_mm"], width_mm=told["width_mm"], thickness_nm=nm)
    masses: dict[str, list[float]] = defaultdict(list)
    for plate, job, parts in cut:
        if job in part_kg and plate in plate_kg:
            masses[plate].append(part_kg[job] * parts)
    return {plate: (plate_kg[plate], found) for plate, found in masses.items()}


# --- times ------------------------------------------------------------------------------------------------------


def _shift_ends(reader: Reader, question: Question, limits: Limits) -> Iterator[Finding]:
    """Terminals that told of all attempts of a shift around its end: the newest such shift, and how many there were."""
    a = reader.tables.attempts.c
    asked = replace(question, first_day=max(question.first_day, question.last_day - timedelta(days=SHIFT_DAYS - 1)))
    told_us = func.coalesce(a.ended_us, a.started_us)
    end_at = shift_end_near(reader.calendar, asked, a.day, told_us)
    own_shift = (a.source, a.day, a.shift)
    own = (
        select(*own_shift, func.count().label("attempts"), func.count(end_at).label("near"))
        .where(a.site == reader.site, *window_of(asked, a), a.state == "finished", a.source.is_not(None))
        .group_by(*own_shift)
        .subquery()
    )
    near = (
        select(a.source, end_at.label("end_at"), *own_shift[1:], func.min(told_us), func.max(told_us), func.count())
        .where(a.site == reader.site, *window_of(asked, a), a.state == "finished", a.source.is_not(None))
        .where(end_at.is_not(None))
        .group_by(a.source, end_at, *own_shift[1:])
    )
    whole = {
        (row.source, row.day, row.shift): row.attempts == row.near for row in reader.connection.execute(select(own))
    }
    ends: dict[tuple[str, int], list[Any]] = defaultdict(list)
    for row in reader.connection.execute(near):
        ends[row[0], row[1]].append(row)
    found: dict[str, list[tuple[str, str, Sentence]]] = defaultdict(list)
    for (source, end), rows in sorted(ends.items()):
        day, shift = shift_ending(reader.calendar, end)
        # What the shift itself was told elsewhere in it speaks against; what the next one was told in its course too.
        if not all(whole[source, row.day, row.shift] for row in rows) or not whole.get((source, day, shift), True):
            continue
        times = [at for row in rows for at in (row[4], row[5])]
        entries = ShiftEndEntries(sum(row[6] for row in rows), min(times), max(times), end * MICROSECONDS)
        if entries.entries >= limits.shift_end_entries:
            found[source].append((day, shift, entries.detail))
    for source, shifts in sorted(found.items()):
        day, shift, detail = shifts[-1]
        at: str = sentence("%(terminal)s on %(day)s, shift %(shift)s", terminal=source, day=day, shift=shift)
        when = {"day": day, "shift": shift}
        if _is_of_few(reader, question, source, day, shift):
            at, when = source, {}
        said = joined(": ", [at, detail])
        yield _finding(question, "times_at_shift_end", "terminal", source, said, **when, shifts=len(shifts))


def _is_of_few(reader: Reader, question: Question, source: str, day: str, shift: str) -> bool:
    """True when what is said of a terminal's shift would be said of fewer people than a group must have."""
    a = reader.tables.attempts.c
    mine = (a.site == reader.site, a.day == day, a.source == source, a.shift == shift)
    people = reader.connection.execute(select(func.count(a.operator.distinct())).where(*mine)).scalar_one()
    return 0 < people < least_people(reader, question)
