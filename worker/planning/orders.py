"""What is to be planned: items as the door takes them, completed by what their jobs state."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import orjson
from sqlalchemy import select

from worker.reports.expected_yield import PlannedCut
from worker.reports.reading import Reader
from worker.sites import Settings

MOST_PARTS: Final = 100_000
MOST_ITEMS: Final = 200
#: Parts of all items of a table together: the work grows with them.
MOST_PARTS_IN_TABLE: Final = 20_000
_AT_ONCE: Final = 500


@dataclass(frozen=True)
class Wanting:
    """What an item lacks or says wrongly: its place in the list, the field, and what would do."""

    place: int
    field: str
    detail: str


class PlanUnanswerable(ValueError):
    """Items that cannot be planned as they are stated."""

    def __init__(self, wanting: Sequence[Wanting]) -> None:
        super().__init__("; ".join(f"{one.field} {one.detail}" for one in wanting))
        self.wanting = list(wanting)


# --- what is asked ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Order:
    """Parts to make, what is stated of them taken from the item, else from its job. Names as they are asked.

    bevel_mdeg: the bevel that the job states, in thousandths of a degree; None is a square cut.
    """

    parts: int
    material: str
    cut: PlannedCut
    ref: str | None = None
    job: str | None = None
    bevel_mdeg: int | None = None
    machine: str | None = None
    recipe: str | None = None
    part_mass_kg: float | None = None
    parts_a_plate: int | None = None
    plate_length_mm: float | None = None
    plate_width_mm: float | None = None
    seconds_a_part: float | None = None
    seconds_of_job: bool = False


def read_orders(reader: Reader, items: Sequence[Mapping[str, Any]], settings: Settings) -> list[Order]:
    """The orders that items state, as the schema of the door loads them; raises PlanUnanswerable with every fault."""
    jobs = _jobs(reader, sorted({item["job"] for item in items if "job" in item}))
    wanting: list[Wanting] = []
    found: list[Order] = []
    for place, item in enumerate(items):
        job = jobs.get(item.get("job", ""))
        if "job" in item and job is None:
            wanting.append(Wanting(place, "job", f"names no job here, found {item['job']!r}; leave it out"))
            continue
        stated = _stated(item, job or {})
        missing = [name for name in ("parts", "thickness_mm", "material") if stated.get(name) is None]
        if missing:
            wanting += [Wanting(place, name, f"is missing{_hint(name, item)}") for name in missing]
        else:
            found.append(_order(item, stated, settings))
    if wanting:
        raise PlanUnanswerable(wanting)
    return found


def _hint(name: str, item: Mapping[str, Any]) -> str:
    or_inches = " or thickness_in" if name == "thickness_mm" else ""
    told = f"; the job {item['job']!r} does not tell it" if "job" in item else ", or a job that tells it"
    return f"; give it{or_inches}{told}"


def _jobs(reader: Reader, names: Sequence[str]) -> dict[str, dict[str, Any]]:
    """What jobs state, in the words of an item."""
    j = reader.tables.jobs.c
    found: dict[str, dict[str, Any]] = {}
    for some in (names[start : start + _AT_ONCE] for start in range(0, len(names), _AT_ONCE)):
        query = select(j.job, j.quantity, j.thickness_nm, j.stated).where(j.site == reader.site, j.job.in_(some))
        for job, quantity, thickness_nm, stated in reader.connection.execute(query):
            told = orjson.loads(stated)
            if not told:
                continue  # Known only by attempts that name it
            found[job] = {
                "parts": quantity,
                "thickness_nm": thickness_nm,
                "material": told.get("material"),
                "part_mass_kg": told.get("part_mass_kg"),
                "planned_seconds": told.get("planned_seconds"),
                "bevel_deg": told.get("bevel_deg"),
            }
    return found


def _stated(item: Mapping[str, Any], job: Mapping[str, Any]) -> dict[str, Any]:
    own_nm = item.get("thickness_mm", item.get("thickness_in"))
    return {
        "parts": item.get("parts", job.get("parts")),
        "thickness_mm": job.get("thickness_nm") if own_nm is None else own_nm,
        "material": item.get("material", job.get("material")),
        "part_mass_kg": item.get("part_mass_kg", job.get("part_mass_kg")),
        "seconds_a_part": item.get("seconds_a_part", job.get("planned_seconds")),
        "bevel_deg": job.get("bevel_deg"),
    }


def _order(item: Mapping[str, Any], stated: Mapping[str, Any], settings: Settings) -> Order:
    def key(kind: str) -> str | None:
        name = item.get(kind) if kind != "material" else stated["material"]
        return None if name is None else settings.key_of(kind, name)

    def amount(name: str) -> float | None:
        value = stated.get(name, item.get(name))
        return None if not value else float(value)

    return Order(
        parts=int(stated["parts"]),
        material=stated["material"],
        cut=PlannedCut(
            material=key("material") or "",
            thickness_nm=stated["thickness_mm"],
            machine=key("machine"),
            gas=item.get("gas"),
            recipe=key("recipe"),
            surface_group=item.get("surface_group"),
            thermal_history=item.get("thermal_history"),
        ),
        ref=item.get("ref"),
        job=item.get("job"),
        bevel_mdeg=round(stated["bevel_deg"] * 1000) if stated["bevel_deg"] else None,
        machine=item.get("machine"),
        recipe=item.get("recipe"),
        part_mass_kg=amount("part_mass_kg"),
        parts_a_plate=item.get("parts_a_plate"),
        plate_length_mm=amount("plate_length_mm"),
        plate_width_mm=amount("plate_width_mm"),
        seconds_a_part=amount("seconds_a_part"),
        seconds_of_job="seconds_a_part" not in item,
    )
