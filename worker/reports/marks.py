"""What else happened in a period: services of the machines, and recipes that were new then."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from sqlalchemy import select

from worker.reports.dimensions import DIMENSIONS
from worker.reports.questions import Question
from worker.reports.reading import Reader, attempt_groups, spellings


@dataclass(frozen=True)
class Marks:
    """By period, in words: services such as "Laser 1: nozzle", recipes begun such as "S355-20 / B"."""

    services: Mapping[str, str] = field(default_factory=dict)
    recipes: Mapping[str, str] = field(default_factory=dict)


def marks(reader: Reader, question: Question, *, per: str) -> Marks:
    """Marks of the question's window. per: week or day. A recipe of the first period is none: it may be old."""
    return Marks(_services(reader, question, per), _recipes(reader, question, per))


def _services(reader: Reader, question: Question, per: str) -> dict[str, str]:
    s = reader.tables.services.c
    query = (
        select(s[per], s.machine, s.machine_name, s.what)
        .where(s.site == reader.site)
        .where(s.day >= question.first_day.isoformat(), s.day <= question.last_day.isoformat())
        .order_by(s.time_us, s.source, s.id)
    )
    if asked := question.filters.get("machine"):
        query = query.where(s.machine.in_([machine for machine in asked if machine is not None]))
    names = spellings(reader, "machine")
    found: dict[str, dict[str, None]] = defaultdict(dict)
    for period, machine, written, what in reader.connection.execute(query):
        found[period][f"{names.get(machine, written)}: {what}"] = None
    return {period: "; ".join(told) for period, told in found.items()}


def _recipes(reader: Reader, question: Question, per: str) -> dict[str, str]:
    groups = attempt_groups(reader, replace(question, by=(DIMENSIONS[per], DIMENSIONS["recipe"])), ("attempts",))
    begun: dict[str, str] = {}
    for (period, recipe), sums in groups.items():
        if recipe is not None and sums["attempts"]:
            begun[recipe] = min(period, begun.get(recipe, period))
    first = min((period for (period, _), sums in groups.items() if sums["attempts"]), default=None)
    names = spellings(reader, "recipe")
    found: dict[str, list[str]] = defaultdict(list)
    for recipe, period in sorted(begun.items()):
        if period != first:
            found[period].append(names.get(recipe, recipe))
    return {period: "; ".join(told) for period, told in found.items()}
