"""What several entries show together: pierces that fail in a row, overfull plates, times all at the end of a shift."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any, Final

import orjson
from sqlalchemy import case, func, select

from worker.batches import in_batches
from worker.noticing.finding import IMPLAUSIBLE, Finding
from worker.plausible_limits import Limits
from worker.plausible_series import entries_at_shift_end, mass_on_plate, pierce_series, plate_mass_kg
from worker.reports.questions import Question
from worker.reports.reading import Reader, asked_of, spellings, window_of
from worker.shopcalendar import MICROSECONDS
from worker.stats.tails import at_least

#: Newest attempts of a machine that are read for a series of failed pierces.
NEWEST: Final = 200
#: Three failed pierces of twenty are common where one in ten fails: a series is told only where the machine's own rate
#: makes it less likely than this.
RARE: Final = 1e-4
#: Days whose shifts are looked at for entries that all lie at their end.
SHIFT_DAYS: Final = 14
_MINUTE_US: Final = 60 * MICROSECONDS


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
        usual = bad_before / before if before > 0 else 0.0
        if before < limits.pierce_window or at_least(found.failed, found.pierces, usual) > RARE:
            continue
        shown = names.get(machine, machine)
        yield _finding(
            question, "failed_pierces", "machine", shown, f"on {shown} {found.detail}; {usual:.1%} fail usually",
            failed=found.failed, pierces=found.pierces, usual_share=usual,
            first_attempt=newest[found.first].attempt, last_attempt=newest[found.last].attempt,
        )  # fmt: skip


def _usual(reader: Reader, question: Question) -> dict[str, tuple[int, int]]:
    """(pierces, failed ones) of each machine in the window."""
    a = reader.tables.attempts.c
    query = (
        select(a.machine, func.sum(a.pierces), func.sum(a.failed_pierces))
        .where(a.site == reader.site, *window_of(question, a), *asked_of(question, a))
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
        .where(a.site == reader.site, a.machine == machine, a.started_us >= since)
        .where(*window_of(question, a), *asked_of(question, a), a.pierces > 0)
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
    """Terminals all of whose attempts of a shift lie at its end: the newest such shift, and how many there were."""
    a = reader.tables.attempts.c
    since = max(question.first_day, question.last_day - timedelta(days=SHIFT_DAYS - 1))
    near_us = int(limits.shift_end_minutes * _MINUTE_US)
    query = (
        select(a.source, a.day, a.shift, func.min(a.ended_us), func.max(a.ended_us))
        .where(a.site == reader.site, a.day >= since.isoformat(), a.day <= question.last_day.isoformat())
        .where(a.state == "finished", a.source.is_not(None))
        .group_by(a.source, a.day, a.shift)
        .having(func.count() >= limits.shift_end_entries, func.count() == func.count(a.ended_us))
        .having(func.max(a.ended_us) - func.min(a.ended_us) <= 2 * near_us)
        .order_by(a.source, a.day, func.min(a.ended_us))
    )
    found: dict[str, list[tuple[str, str, str]]] = defaultdict(list)
    for source, day, shift, first_us, last_us in reader.connection.execute(query).all():
        end_us = _shift_end(reader, date.fromisoformat(day), shift, first_us - near_us, last_us + near_us)
        if end_us is None:
            continue
        times = select(a.ended_us).where(a.site == reader.site, a.day == day, a.shift == shift, a.source == source)
        told = reader.connection.execute(times.where(a.state == "finished")).scalars()
        if (entries := entries_at_shift_end(told, shift_end_us=end_us, limits=limits)) is not None:
            found[source].append((day, shift, entries.detail))
    for source, shifts in sorted(found.items()):
        day, shift, detail = shifts[-1]
        yield _finding(
            question, "times_at_shift_end", "terminal", source, f"{source} on {day}, shift {shift}: {detail}",
            day=day, shift=shift, shifts=len(shifts),
        )  # fmt: skip


def _shift_end(reader: Reader, day: date, shift: str, from_us: int, to_us: int) -> int | None:
    """The minute within these at which a shift of a production day is over; None when it goes on beyond."""
    inside = False
    for at in range(from_us - from_us % _MINUTE_US, to_us + _MINUTE_US, _MINUTE_US):
        place = reader.calendar.place(at)
        if (place.day, place.shift) == (day, shift):
            inside = True
        elif inside:
            return at
    return None
