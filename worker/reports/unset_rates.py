"""Which rates of a site are not set, so that what attempts cost cannot be told."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

from worker.reports.dimensions import DIMENSIONS
from worker.reports.questions import Question
from worker.reports.reading import Reader, attempt_groups, spellings

_BY = ("day", "machine", "material")


@dataclass(frozen=True)
class UnsetRates:
    """Rates that attempts without a cost lack: for labour, for these machines, for these materials.

    A machine or material that is None is one that nobody named.
    """

    labour: bool
    machines: tuple[str | None, ...]
    materials: tuple[str | None, ...]


def unset_rates(reader: Reader, question: Question) -> UnsetRates:
    """What is missing for the cost of a question's attempts, by the settings of their days."""
    by = tuple(DIMENSIONS[name] for name in _BY)
    groups = attempt_groups(reader, replace(question, by=by), ("attempts_without_cost",))
    labour, machines, materials = False, set(), set()
    for (day, machine, material), sums in groups.items():
        if not sums["attempts_without_cost"]:
            continue
        settings = reader.calendar.on(date.fromisoformat(day))
        labour = labour or settings.labour_per_hour is None
        if settings.machine_per_hour(machine) is None:
            machines.add(machine)
        if settings.material_per_kg(material) is None:
            materials.add(material)
    return UnsetRates(labour, _named(reader, "machine", machines), _named(reader, "material", materials))


def _named(reader: Reader, kind: str, keys: set[str | None]) -> tuple[str | None, ...]:
    spelled = spellings(reader, kind) if keys else {}
    names = [None if key is None else spelled.get(key, key) for key in keys]
    return tuple(sorted(names, key=lambda name: (name is None, name or "")))
