"""What is about to be cut: the plate, the job and the machine, as they stand."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import select

from worker import state
from worker.events import NM_PER_MM
from worker.jobs import Job
from worker.placing import job_against_plate
from worker.plates import UNKNOWN, Plate, surface_group
from worker.reports.expected_yield import PlannedCut
from worker.reports.reading import Reader, spellings
from worker.sites import Settings

ASKED: Final = "asked"
WORK_CENTRE: Final = "work_centre"
LAST_CUT: Final = "last_cut"
#: Where the machine comes from.
MACHINE_FROM: Final = (ASKED, WORK_CENTRE, LAST_CUT)


class PlateUnknown(LookupError):
    """No such plate."""

    def __init__(self, plate: str) -> None:
        super().__init__(f"there is no plate {plate!r}")
        self.plate = plate


class JobUnknown(LookupError):
    """No such job, or none that the asker may see."""

    def __init__(self, job: str) -> None:
        super().__init__(f"there is no job {job!r}")
        self.job = job


@dataclass(frozen=True)
class Intended:
    """A cut that is intended. `plate` and `job` as `worker.state` shows them; names by their keys in `material` etc.

    Nominal thickness in nanometres and material are the plate's, else the job's; the condition None where nobody noted
    it. `gas_asked`: the cutting gas asked for. `machines`: key -> spelling of all that ever cut.
    """

    plate: Mapping[str, Any]
    job: Mapping[str, Any] | None
    settings: Settings
    thickness_nm: int | None
    material: str | None
    machine: str | None
    machine_from: str | None
    gas_asked: str | None
    machines: Mapping[str, str]
    disagreements: tuple[str, ...]

    @property
    def thickness_mm(self) -> float | None:
        """Nominal thickness."""
        return None if self.thickness_nm is None else self.thickness_nm / NM_PER_MM

    @property
    def surface_group(self) -> str | None:
        """Clean or disturbed; None: nobody noted it."""
        return _noted(self.plate["surface_group"])

    @property
    def thermal_history(self) -> str | None:
        """What the edges went through; None: nobody noted it."""
        return _noted(self.plate["thermal_history"])

    @property
    def cut(self) -> PlannedCut | None:
        """As the past is asked for it, whatever the machine; None without thickness or material."""
        if self.thickness_nm is None or self.material is None:
            return None
        return PlannedCut(
            self.material,
            self.thickness_nm,
            surface_group=self.surface_group,
            thermal_history=self.thermal_history,
        )

    def spelled(self, machine: str | None) -> str | None:
        """A machine as it is shown."""
        return machine and self.machines.get(machine, machine)


def _noted(word: str) -> str | None:
    return None if word == UNKNOWN else word


def intended(
    reader: Reader,
    settings: Settings,
    *,
    plate: str,
    job: str | None,
    machine: str | None,
    gas: str | None,
    open_jobs_only: bool,
) -> Intended:
    """The cut of a plate for a job on a machine; raises PlateUnknown, JobUnknown.

    The machine is the one asked for, else the job's work centre where that names a machine, else the one that cut the
    job last.
    """
    the_plate = state.plate(reader.connection, reader.site, plate)
    if the_plate is None:
        raise PlateUnknown(plate)
    the_job = None if job is None else state.job(reader.connection, reader.site, job)
    if job is not None and (the_job is None or (open_jobs_only and the_job["state"] != "open")):
        raise JobUnknown(job)
    machines = spellings(reader, "machine")
    chosen, chosen_from = _machine(reader, settings, the_job, machine, machines)
    stated = [one for one in (the_plate, the_job or {}) if one]
    return Intended(
        plate=the_plate,
        job=the_job,
        settings=settings,
        thickness_nm=_first(_nm(one.get("thickness_mm")) for one in stated),
        material=_first(settings.key_of("material", one["material"]) for one in stated if one.get("material")),
        machine=chosen,
        machine_from=chosen_from,
        gas_asked=gas,
        machines=machines,
        disagreements=tuple(_disagreements(the_plate, the_job, settings)),
    )


def _first(values: Iterator[Any]) -> Any:
    return next((value for value in values if value is not None), None)


def _nm(mm: float | None) -> int | None:
    return None if mm is None else round(mm * NM_PER_MM)


def _machine(
    reader: Reader, settings: Settings, job: Mapping[str, Any] | None, asked: str | None, machines: Mapping[str, str]
) -> tuple[str | None, str | None]:
    if asked is not None:
        return settings.key_of("machine", asked), ASKED
    if job is None:
        return None, None
    centre = job.get("work_centre")
    if centre is not None and (key := settings.key_of("machine", centre)) in machines:
        return key, WORK_CENTRE
    a = reader.tables.attempts.c
    query = (
        select(a.machine)
        .where(a.site == reader.site, a.job == job["job"], a.machine.is_not(None), a.started_us.is_not(None))
        .order_by(a.started_us.desc(), a.attempt.desc())
        .limit(1)
    )
    last = reader.connection.execute(query).scalar_one_or_none()
    return last, None if last is None else LAST_CUT


def _disagreements(plate: Mapping[str, Any], job: Mapping[str, Any] | None, settings: Settings) -> Iterator[str]:
    """What the job asks for and the plate is not, of what both tell."""
    if job is None:
        return
    told = [name for name in ("thickness_mm", "material") if plate.get(name) is not None and job.get(name) is not None]
    stated = [{name: one[name] for name in told} for one in (job, plate)]
    for one in job_against_plate(Job(job["job"], stated[0]), Plate(plate["plate"], stated[1]), settings):
        yield one.detail


@dataclass(frozen=True, slots=True)
class InStock:
    """An open plate: its surface group and thermal history as stored, and its heat as it was noted."""

    plate: str
    surface_group: str
    thermal_history: str
    mill: str | None
    heat_number: str | None


def open_plates(reader: Reader, cut: Intended) -> list[InStock]:
    """Other open plates of this thickness and material, by plate."""
    p = reader.tables.plates.c
    query = (
        select(p.plate, p.surface, p.thermal_history, p.mill, p.heat_number, p.material)
        .where(p.site == reader.site, p.state == "open", p.thickness_nm == cut.thickness_nm)
        .where(p.plate != cut.plate["plate"], p.material.is_not(None))
        .order_by(p.plate)
    )
    return [
        InStock(plate, surface_group(surface), thermal_history, mill, heat_number)
        for plate, surface, thermal_history, mill, heat_number, material in reader.connection.execute(query)
        if cut.settings.key_of("material", material) == cut.material
    ]
