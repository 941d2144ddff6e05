"""What the trials of a series were cut from and with: steel, settings, what became of the parts, edges."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import orjson
from sqlalchemy import select

from worker.batches import in_batches
from worker.holds import MOST_GENERATIONS
from worker.plates import UNKNOWN, surface_group
from worker.reports.dimensions import DIMENSIONS, stored_expression
from worker.reports.process_parts import CELL_NAMES
from worker.reports.reading import Group, Reader
from worker.reports.released import Release, otherwise, releases

PARTS: Final = (
    "tried", "good", "rework", "scrap", "not_made", "pending", "recovered", "scrapped", "in_rework", "lost_otherwise",
)  # fmt: skip
AS_RELEASED: Final = "as_released"
OTHERWISE: Final = "otherwise"
UNTOLD: Final = "untold"
AGAINST: Final = (AS_RELEASED, OTHERWISE, UNTOLD)
_NAMES: Final = ("name", "revision")


@dataclass(frozen=True)
class Cut:
    """An attempt that was a trial.

    `cell`: where it counts for what may be promised. `recipe`: key of name and revision; `used`: all that was told of
    it. `parts`: by PARTS.
    """

    attempt: str
    plate: str | None
    cell: Group
    gas: str | None
    surface_group: str
    recipe: str | None
    recipe_name: str | None
    used: Mapping[str, Any]
    parts: Mapping[str, int]

    @cached_property
    def settings(self) -> dict[str, float]:
        """What it was cut with, by setting."""
        return {name: value for name, value in self.used.items() if name not in _NAMES and value is not None}


def cuts_of(reader: Reader, attempts: Sequence[str]) -> dict[str, Cut]:
    """Attempts by their id."""
    a = reader.tables.attempts.c
    cell = [stored_expression(DIMENSIONS[name], a).label(f"cell_{name}") for name in CELL_NAMES]
    told = (a.attempt, a.plate, a.gas, a.surface, a.recipe, a.recipe_name, a.settings, *(a[name] for name in PARTS))
    found = {}
    for some in in_batches(attempts):
        query = select(*cell, *told).where(a.site == reader.site, a.attempt.in_(some))
        for row in reader.connection.execute(query):
            found[row.attempt] = Cut(
                attempt=row.attempt,
                plate=row.plate,
                cell=tuple(row[: len(cell)]),
                gas=row.gas,
                surface_group=surface_group(row.surface or UNKNOWN),
                recipe=row.recipe,
                recipe_name=row.recipe_name,
                used=orjson.loads(row.settings or "{}"),
                parts={name: getattr(row, name) for name in PARTS},
            )
    return found


def certificates(reader: Reader, plates: Iterable[str]) -> dict[str, str]:
    """Certificate of each plate that has one; that of a remnant is its nearest ancestor's that states one."""
    p = reader.tables.plates.c
    found: dict[str, str] = {}
    # Plate whose certificate is looked for -> the plates that it may be that of
    asked: dict[str, set[str]] = {plate: {plate} for plate in plates}
    for _ in range(MOST_GENERATIONS):
        parents: dict[str, set[str]] = {}
        for some in in_batches(sorted(asked)):
            query = select(p.plate, p.parent, p.certificate).where(p.site == reader.site, p.plate.in_(some))
            for plate, parent, certificate in reader.connection.execute(query):
                if certificate is not None:
                    found |= dict.fromkeys(asked[plate], certificate)
                elif parent is not None:
                    parents.setdefault(parent, set()).update(asked[plate])
        asked = parents
        if not asked:
            break
    return found


# --- settings ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Against:
    """A trial beside what is released for it; `differing`: settings that were others."""

    release: Release | None
    word: str | None
    differing: frozenset[str] = frozenset()


def releases_here(reader: Reader, cuts: Iterable[Cut]) -> list[Release]:
    """The last word on each place where one of these was cut, where it is on a recipe that one was cut with."""
    settings = reader.calendar.latest
    places = {
        (machine, settings.group("material", material), thickness)
        for thickness, material, machine, *_ in (cut.cell for cut in cuts)
        if material is not None
    }
    recipes = {cut.recipe for cut in cuts}
    return [
        release
        for release in releases(reader)
        if release.place[:3] in places and key_of(reader, release.recipe) in recipes
    ]


def key_of(reader: Reader, recipe: Mapping[str, Any]) -> str:
    """Key of a recipe and its revision, as attempts have it."""
    return reader.calendar.latest.recipe_key(recipe["name"], recipe["revision"])


def against(reader: Reader, cut: Cut, found: Sequence[Release]) -> Against:
    """A trial beside what is released for its gas and surface, else for any surface."""
    mine = [
        each
        for each in found
        if each.place.gas == cut.gas
        and each.place.surface_group in (None, cut.surface_group)
        and key_of(reader, each.recipe) == cut.recipe
    ]
    release = max(mine, key=lambda each: each.place.surface_group is not None, default=None)
    if release is None:
        return Against(None, None)
    if not cut.settings.keys() & release.recipe.keys():
        return Against(release, UNTOLD)
    differing = frozenset(one.setting for one in otherwise(release.recipe, cut.settings))
    return Against(release, OTHERWISE if differing else AS_RELEASED, differing)


def settings_of(cuts: Sequence[Cut], beside: Sequence[Against]) -> list[dict[str, Any]]:
    """Every setting of the trials: from which to which value, on how many it is told, on how many not as released."""
    released = {each.release.place: each.release for each in beside if each.release is not None}
    found = []
    for name in sorted({name for cut in cuts for name in cut.settings}):
        values = [cut.settings[name] for cut in cuts if name in cut.settings]
        meant = {release.recipe.get(name) for release in released.values()}
        found.append(
            {
                "setting": name,
                "lowest": min(values),
                "highest": max(values),
                "trials": len(values),
                # Where several releases differ there is no one value to tell.
                "released": meant.pop() if len(meant) == 1 else None,
                "otherwise": sum(name in each.differing for each in beside) if released else None,
            }
        )
    return found
