"""Jobs and plates of a site: what attempts stand on, folded from the ledger into their tables."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

import orjson
from sqlalchemy import bindparam, select

from worker.batches import in_batches
from worker.contradictions import MEASURED_THICKNESS, Contradictions
from worker.derived import replace
from worker.events import INHERITED_PLATE_FIELDS, JOB, NM_PER_MM, PLATE
from worker.folding import Contradiction
from worker.jobs import Job, fold_job
from worker.ledger import View
from worker.placing import Row
from worker.plate_standards import thickness_bounds_mm
from worker.plates import Plate, fold_plate, inherited, stated_with_ancestors
from worker.plausible_limits import above, below
from worker.prepared import Lists, Prepared
from worker.sentences import figure, sentence
from worker.sites import SiteCalendar
from worker.tables import ORIGIN, Derived


class Stock:
    """Folds and reads the jobs and plates within one recomputation."""

    def __init__(self, view: View, derived: Derived, contradictions: Contradictions, calendar: SiteCalendar) -> None:
        self.view = view
        self.calendar = calendar
        self.derived = derived
        self.contradictions = contradictions
        self.connection = view.connection
        self.site = view.site

    def fold_jobs(self, names: Iterable[str]) -> None:
        """Fold jobs from their events, writing those that have any."""
        folded = {job: fold_job(job, found) for job, found in self.view.of_subjects(JOB, names).items() if found}
        replace(
            self.connection, self.site, self.derived.jobs, "job", names, [self._job_row(job) for job in folded.values()]
        )

    def _job_row(self, job: Job) -> Row:
        stated = job.stated
        return {
            "site": self.site,
            "job": job.job,
            "state": job.state,
            "opened_us": job.opened_us,
            "closed_us": job.closed_us,
            "close_reason": job.close_reason,
            "part_number": stated.get("part_number"),
            "material": stated.get("material"),
            "thickness_nm": job.thickness_nm,
            "quantity": stated.get("quantity"),
            "stated": orjson.dumps(stated).decode(),
        }

    def fold_plates(self, names: Iterable[str], received: Iterable[str]) -> set[str]:
        """Fold plates and pass their origin on; returns the received ones with all their remnants."""
        by_plate = self.view.of_subjects(PLATE, names)
        folded = {plate: fold_plate(plate, found) for plate, found in by_plate.items() if found}
        gone = by_plate.keys() - folded.keys()
        # First, so that nothing takes its origin from them.
        replace(self.connection, self.site, self.derived.plates, "plate", gone, [])
        self.contradictions.clear_rings(gone)
        self.write_plates(folded)
        self._judge_thickness(dict.fromkeys(gone) | folded)
        family = self._descendants(received)
        self.write_plates(self.stored_plates(family - folded.keys()))
        return family

    def judge_thicknesses(self) -> None:
        """Hold every measured thickness against its standard anew: settings say whether that is wanted."""
        p = self.derived.plates.c
        measured = select(p.plate).where(p.site == self.site, p.stated.contains("measured_thickness_mm"))
        for some in in_batches(self.connection.execute(measured.order_by(p.plate)).scalars().all()):
            self._judge_thickness(self.stored_plates(some))

    def _judge_thickness(self, plates: Mapping[str, Plate | None]) -> None:
        found = {name: None if plate is None else self._out_of_standard(plate) for name, plate in plates.items()}
        self.contradictions.of_thicknesses(found)

    def _out_of_standard(self, plate: Plate) -> Contradiction | None:
        measured, nominal_nm = plate.stated.get("measured_thickness_mm"), plate.thickness_nm
        if measured is None or nominal_nm is None or plate.received_us is None:
            return None
        if MEASURED_THICKNESS in self.calendar.place(plate.received_us).settings.limits.off:
            return None
        return measured_outside(nominal_nm / NM_PER_MM, measured)

    def _descendants(self, plates: Iterable[str]) -> set[str]:
        family = set(plates)
        generation = family
        while generation:
            children: set[str] = set()
            for some in in_batches(sorted(generation)):
                rows = _children(self.connection, {"of_site": self.site, "names": some}, self.derived)
                children.update(child for (child,) in rows)
            generation = children - family
            family = family | generation
        return family

    def remnants(self) -> list[str]:
        """Stored plates that name the one they were cut from, in order."""
        p = self.derived.plates.c
        query = select(p.plate).where(p.site == self.site, p.parent.is_not(None)).order_by(p.plate)
        return list(self.connection.execute(query).scalars())

    def stored_plates(self, names: Iterable[str]) -> dict[str, Plate]:
        """Known plates by name, as they were folded."""
        found: dict[str, Plate] = {}
        for some in in_batches(names):
            rows = _plates(self.connection, {"of_site": self.site, "names": some}, self.derived, _PLATE)
            for plate, received_us, closed_us, reason, stated, observations in rows:
                observed = {
                    name: [(held, tuple(order), value) for held, order, value in entries]
                    for name, entries in orjson.loads(observations).items()
                }
                found[plate] = Plate(plate, orjson.loads(stated), received_us, closed_us, reason, observed)
        return found

    def write_plates(self, plates: Mapping[str, Plate]) -> None:
        """Write plates with the origin that they take from themselves and their ancestors."""
        stated_of = stated_with_ancestors(plates, self.stored_plates)
        rows: list[Row] = []
        rings: dict[str, list[str]] = {}
        for plate in plates.values():
            origin, ring = inherited(plate.plate, stated_of)
            rows.append(self._plate_row(plate, origin))
            rings[plate.plate] = ring
        self.contradictions.of_rings(rings)
        replace(self.connection, self.site, self.derived.plates, "plate", list(plates), rows)

    def _plate_row(self, plate: Plate, origin: Mapping[str, str | None]) -> Row:
        now = plate.condition_at(None)
        return {
            "site": self.site,
            "plate": plate.plate,
            "state": plate.state,
            "received_us": plate.received_us,
            "closed_us": plate.closed_us,
            "close_reason": plate.close_reason,
            "parent": plate.stated.get("parent"),
            "material": plate.stated.get("material"),
            "thickness_nm": plate.thickness_nm,
            **{name: origin[name] for name in INHERITED_PLATE_FIELDS},
            "surface": now.surface,
            "thermal_history": now.thermal_history,
            "stated": orjson.dumps(plate.stated).decode(),
            "observations": orjson.dumps(plate.observations).decode(),
        }

    def stored_jobs(self, names: Iterable[str]) -> dict[str, Job]:
        """Known jobs by name, as they were folded."""
        found: dict[str, Job] = {}
        for some in in_batches(names):
            for job, stated, *rest in _jobs(self.connection, {"of_site": self.site, "names": some}, self.derived):
                found[job] = Job(job, orjson.loads(stated), *rest)
        return found

    def origins(self, plates: Iterable[str]) -> dict[str, dict[str, str | None]]:
        """Where the steel of known plates came from."""
        found: dict[str, dict[str, str | None]] = {}
        for some in in_batches(plates):
            rows = _plates(self.connection, {"of_site": self.site, "names": some}, self.derived, ("plate", *ORIGIN))
            found |= {plate: dict(zip(ORIGIN, origin, strict=True)) for plate, *origin in rows}
        return found


_PLATE: Final = ("plate", "received_us", "closed_us", "close_reason", "stated", "observations")


@Prepared
def _children(lists: Lists, derived: Derived) -> Any:
    p = derived.plates.c
    return select(p.plate).where(p.site == bindparam("of_site"), lists.has(p.parent, "names"))


@Prepared
def _plates(lists: Lists, derived: Derived, columns: tuple[str, ...]) -> Any:
    p = derived.plates.c
    return select(*(p[name] for name in columns)).where(p.site == bindparam("of_site"), lists.has(p.plate, "names"))


@Prepared
def _jobs(lists: Lists, derived: Derived) -> Any:
    j = derived.jobs.c
    query = select(j.job, j.stated, j.opened_us, j.closed_us, j.close_reason)
    return query.where(j.site == bindparam("of_site"), lists.has(j.job, "names"))


def measured_outside(nominal_mm: float, measured_mm: float) -> Contradiction | None:
    """What a measured thickness says against the nominal one; None within the widest class of the standard.

    It takes the widest since the class is not known, and coil, which follows another standard, is cut too.
    """
    bounds = thickness_bounds_mm(nominal_mm)
    if bounds is None or not (below(measured_mm, bounds[0]) or above(measured_mm, bounds[1])):
        return None
    least, most = (round(bound, 6) for bound in bounds)
    return Contradiction(
        MEASURED_THICKNESS,
        sentence(
            "a plate of %(nominal)s mm measured %(measured)s mm, where the widest class of EN 10029 goes from "
            "%(least)s to %(most)s mm: unless it is coil, it is the wrong plate or a wrong entry; measure away from "
            "its edges, less the primer",
            nominal=figure(nominal_mm, ".6g"),
            measured=figure(measured_mm, "g"),
            least=figure(least, "g"),
            most=figure(most, "g"),
        ),
        {"measured_thickness_mm": measured_mm, "thickness_mm": nominal_mm, "least_mm": least, "most_mm": most},
    )
