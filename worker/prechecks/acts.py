"""What people did about what is to be cut: holds on it, and the settings that are released for it."""

from __future__ import annotations

from worker.holds import Cutting, Hold, holding, with_ancestors
from worker.prechecks.evidence import Evidence
from worker.reports.released import Place, Release, released_for


def holds_on(evidence: Evidence) -> list[Hold]:
    """Open holds on the plate, its heat, the machine and the job."""
    cut, reader = evidence.intended, evidence.reader
    plate = cut.plate
    cutting = Cutting(
        plates=with_ancestors(reader, plate["plate"]),
        mill=plate.get("mill"),
        heat_number=plate.get("heat_number"),
        machine=cut.machine,
        job=None if cut.job is None else cut.job["job"],
    )
    return holding(reader, cutting)


def released_to(evidence: Evidence) -> Release | None:
    """What is released for the plate on the machine with the gas; None where that is not known."""
    cut, gas = evidence.intended, evidence.gas[0]
    if cut.machine is None or gas is None or cut.material is None or cut.thickness_nm is None:
        return None
    material = cut.settings.group("material", cut.material)
    return released_for(evidence.reader, Place(cut.machine, material, cut.thickness_nm, gas, cut.surface_group))
