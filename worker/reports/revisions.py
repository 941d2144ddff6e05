"""Revisions of a recipe that take each other's place: which is newer, and which of them is cut now."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from operator import itemgetter
from typing import Any

import numpy as np
import orjson
from sqlalchemy import and_, select

from worker.batches import in_batches
from worker.naming import name_key, recipe_label
from worker.reports.dimensions import DIMENSIONS, stored_expression
from worker.reports.holding import Rule
from worker.reports.process_parts import CELL_NAMES
from worker.reports.questions import Question
from worker.reports.reading import Group, Reader, window_of

#: Thickness, material, machine and gas.
Place = tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class Revision:
    """A revision of a recipe. `recipe`: key of both; `name`: key of the recipe without it; `born_us`: its first cut."""

    recipe: str
    name: str
    revision: str
    born_us: int

    @property
    def age(self) -> tuple[int, str]:
        """No two are born at once."""
        return (self.born_us, self.recipe)


@dataclass(frozen=True, slots=True)
class Rival:
    """Another revision that is cut where this one was: in production since `first_day`, and until now."""

    revision: Revision
    first_day: date


@dataclass(frozen=True, slots=True)
class Rivals:
    """What other revisions mean to a cell.

    `superseded`: from when to when a newer one takes its place, as ordinals. `newer`: the one that does so at the end
    of the window. `older`: one that is cut again since this one was cut last: this one was given up.
    """

    superseded: tuple[tuple[int, int], ...] = ()
    newer: Rival | None = None
    older: Rival | None = None


def rivals_of_cells(reader: Reader, question: Question, cells: Iterable[Group], rule: Rule) -> dict[Group, Rivals]:
    """Other revisions of the recipe of each cell that were cut in production in its place."""
    places: dict[tuple[Place, str], set[str]] = defaultdict(set)
    for recipe, place in _cut_in_production(reader, question):
        places[place, _before_slash(recipe)].add(recipe)
    here = {(cell[:4], _before_slash(cell[-1])) for cell in cells if " / " in (cell[-1] or "")}
    for cell in cells:
        if cell[-1] is not None and (key := (cell[:4], _before_slash(cell[-1]))) in here:
            places[key].add(cell[-1])
    several = {recipe for key in here if len(places[key]) > 1 for recipe in places[key]}
    revisions = _revisions(reader, sorted(several))
    days = _production_days(reader, question, sorted(revisions))
    by_place: dict[tuple[Place, str], list[Revision]] = defaultdict(list)
    for recipe, place in sorted(days, key=itemgetter(0)):
        by_place[place, revisions[recipe].name].append(revisions[recipe])
    found = {}
    for cell in cells:
        if (mine := revisions.get(cell[-1])) is not None:
            others = [one for one in by_place[cell[:4], mine.name] if one != mine]
            cut = {one: days[one.recipe, cell[:4]] for one in others}
            found[cell] = _rivals_of(mine, days.get((mine.recipe, cell[:4]), []), cut, rule)
    return found


def _before_slash(recipe: str | None) -> str:
    """What revisions of one recipe have in common at least, whatever holds the slash."""
    return (recipe or "").partition(" / ")[0]


def _rivals_of(mine: Revision, my_days: Sequence[int], others: Mapping[Revision, Sequence[int]], rule: Rule) -> Rivals:
    """others: rising days on which each was cut in production in this place."""
    cut, spans = np.array(my_days, dtype=np.int64), []
    newer = older = None
    for other in sorted(others, key=lambda one: one.age):
        if other.age < mine.age:
            # Cut since this one was cut last
            since = [day for day in others[other] if my_days and day > my_days[-1]]
            older = Rival(other, date.fromordinal(since[0])) if since else older
            continue
        of_other = _spans(others[other], cut, rule.window)
        spans += of_other
        if of_other and of_other[-1][1] >= rule.last:
            newer = Rival(other, date.fromordinal(of_other[-1][0]))
    return Rivals(tuple(spans), newer, older)


def _spans(days: Sequence[int], cut: Any, window: int) -> list[tuple[int, int]]:
    """From a cut of the newer one until a later day on which the older one is cut, or its window has passed."""
    found: list[tuple[int, int]] = []
    for day in days:
        later = np.searchsorted(cut, day, side="right")
        until = min(day + window, int(cut[later]) if later < len(cut) else day + window) - 1
        if found and day <= found[-1][1] + 1:
            found[-1] = (found[-1][0], until)
        else:
            found.append((day, until))
    return found


def _production(reader: Reader, question: Question) -> tuple[Any, ...]:
    """Conditions of finished production cuts of a window by a recipe, whatever else is asked."""
    t, c = reader.tables.tallies.c, reader.tables.combinations.c
    window = window_of(replace(question, without_days=frozenset()), t)
    return (t.site == reader.site, *window, c.purpose == "production", c.recipe.like("% / %"), t.attempts > 0)


def _cut_in_production(reader: Reader, question: Question) -> list[tuple[str, Place]]:
    """Recipes with a slash, and where each was cut in production."""
    by = [stored_expression(DIMENSIONS[name], reader.tables.combinations.c) for name in ("recipe", *CELL_NAMES[:4])]
    query = select(*by).select_from(_tallied(reader)).where(*_production(reader, question)).distinct()
    return [(recipe, tuple(place)) for recipe, *place in reader.connection.execute(query)]


def _production_days(reader: Reader, question: Question, recipes: Sequence[str]) -> dict[tuple[str, Place], list[int]]:
    """Days, rising, on which each of these recipes was cut in production, by recipe and place."""
    t, c = reader.tables.tallies.c, reader.tables.combinations.c
    by = [stored_expression(DIMENSIONS[name], c) for name in ("recipe", *CELL_NAMES[:4])]
    found: dict[tuple[str, Place], set[int]] = defaultdict(set)
    for some in in_batches(recipes):
        query = (
            select(*by, t.day)
            .select_from(_tallied(reader))
            .where(*_production(reader, question), c.recipe.in_(some))
            .distinct()
        )
        for recipe, *place, day in reader.connection.execute(query):
            found[recipe, tuple(place)].add(date.fromisoformat(day).toordinal())
    return {key: sorted(days) for key, days in found.items()}


def _tallied(reader: Reader) -> Any:
    t, c = reader.tables.tallies.c, reader.tables.combinations.c
    return reader.tables.tallies.join(
        reader.tables.combinations, and_(c.site == t.site, c.combination == t.combination)
    )


def _revisions(reader: Reader, recipes: Sequence[str]) -> dict[str, Revision]:
    """Those of these recipes that are revisions, by the first attempt of each: a name may hold a slash too."""
    a = reader.tables.attempts.c
    found: dict[str, Revision] = {}
    for recipe in recipes:
        first = (
            select(a.started_us, a.settings)
            .where(a.site == reader.site, a.recipe == recipe, a.started_us.is_not(None))
            .order_by(a.started_us, a.attempt)
            .limit(1)
        )
        if (row := reader.connection.execute(first).one_or_none()) is None:
            continue
        revision = (orjson.loads(row.settings or "{}").get("revision") or "").strip()
        name = recipe.removesuffix(recipe_label("", name_key(revision)))
        if revision and name != recipe:
            found[recipe] = Revision(recipe, name, revision, row.started_us)
    return found
