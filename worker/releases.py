"""What the figures say of settings at the moment when they are released: their standing, and their proof."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from typing import Any

from worker.proof_plans import Plan
from worker.reports.holding import PROVEN
from worker.reports.proof_trials import ProofReader, plans
from worker.reports.reading import Reader, spellings
from worker.reports.released import Place, same_recipe
from worker.reports.standings import standing_question, standings
from worker.sites import Settings


def evidence_for(reader: Reader, place: Place, recipe: Mapping[str, Any], *, today: date) -> dict[str, Any]:
    """What the figures say of a recipe at a place: its best standing there, and the proof that was planned last of it.

    Nothing where they say nothing.
    """
    return _standing(reader, place, recipe, today) | _proof(reader, place, recipe, today)


def _standing(reader: Reader, place: Place, recipe: Mapping[str, Any], today: date) -> dict[str, Any]:
    settings = reader.calendar.latest
    materials = [key for key in spellings(reader, "material") if settings.group("material", key) == place.material]
    if not materials:
        return {}
    only: dict[str, tuple[Any, ...]] = {
        "thickness": (place.thickness_nm,), "material": tuple(materials), "machine": (place.machine,),
        "gas": (place.gas,), "recipe": (settings.recipe_key(recipe["name"], recipe["revision"]),),
    }  # fmt: skip
    if place.surface_group is not None:
        only["surface_group"] = (place.surface_group,)
    asked = standing_question(reader, today)
    found = standings(reader, replace(asked, filters={**asked.filters, **only}))
    if not found.standings:
        return {}
    best = max(found.standings, key=lambda one: (one.word == PROVEN, one.bounds.lower or 0.0, one.counts.n))
    said = {
        "standing": best.word, "parts": round(best.counts.n), "good": round(best.counts.x), "plates": best.plates,
        "lower_bound": best.bounds.lower and round(best.bounds.lower, 6), "target": found.rule.target,
    }  # fmt: skip
    return {name: value for name, value in said.items() if value is not None}


def _proof(reader: Reader, place: Place, recipe: Mapping[str, Any], today: date) -> dict[str, Any]:
    settings = reader.calendar.latest
    standing_in = ProofReader(reader, last_day=today)
    mine = [planned for planned in plans(reader) if _is_of(settings, planned.plan, place, recipe)]
    if not mine:
        return {}
    last = max(mine, key=lambda planned: (planned.planned_us, planned.proof))
    return {"proof": last.proof, "proof_state": standing_in.proof(last).standing.state}


def _is_of(settings: Settings, plan: Plan, place: Place, recipe: Mapping[str, Any]) -> bool:
    planned = {"name": plan.recipe, "revision": plan.recipe_revision}
    return (
        plan.thickness_nm == place.thickness_nm
        and settings.key_of("machine", plan.machine) == place.machine
        and settings.group_of("material", plan.material) == place.material
        and plan.gas in (None, place.gas)
        and (plan.recipe is None or same_recipe(planned, recipe))
    )
