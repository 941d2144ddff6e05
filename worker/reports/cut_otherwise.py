"""Attempts with a released recipe that were cut with other settings than those released: told apart."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from typing import Any, Final

import orjson
from sqlalchemy import select

from worker.naming import recipe_label
from worker.placing import mm
from worker.plates import surface_group
from worker.reports.questions import Question
from worker.reports.reading import Reader, conditions_of, instant
from worker.reports.released import RELEASED_STATE, Release, otherwise, releases
from worker.reports.report import Column

COLUMNS: Final = (
    Column("recipe", "", "recipe that is released, as first written", "text"),
    Column("machine", "", "machine, as first written", "text"),
    Column("thickness_mm", "mm", "nominal thickness of the plate"),
    Column("gas", "", "cutting gas", "text"),
    Column("surface_group", "", "surface that it is released for; null: any", "text"),
    Column("released_at", "", "since when it is released", "text"),
    Column("attempts_as_released", "", "attempts since then, in the window, with the released settings", "integer"),
    Column("parts_as_released", "parts", "judged parts of first attempts among them", "integer"),
    Column("good_as_released", "parts", "those that were good at once", "integer"),
    Column("attempts_otherwise", "", "attempts with other settings, by the recipe's name all the same", "integer"),
    Column("parts_otherwise", "parts", "judged parts of first attempts among them", "integer"),
    Column("good_otherwise", "parts", "those that were good at once", "integer"),
    Column("attempts_untold", "", "attempts that tell no setting: nobody knows", "integer"),
    Column("settings", "", "settings that were others, each with the number of attempts", "text"),
)  # fmt: skip

#: A row as it may look.
EXAMPLE: Final = {
    "recipe": "S355 oxygen 20 / B", "machine": "laser-2", "thickness_mm": 20.0, "gas": "oxygen", "surface_group": None,
    "released_at": "2026-03-02T11:00:00+00:00", "attempts_as_released": 31, "parts_as_released": 120,
    "good_as_released": 117, "attempts_otherwise": 4, "parts_otherwise": 16, "good_otherwise": 12,
    "attempts_untold": 0, "settings": "feed_mm_min (4)",
}  # fmt: skip


def cut_otherwise(reader: Reader, question: Question, names: Mapping[str, Mapping[str, str]]) -> list[dict[str, Any]]:
    """A row for each release under which anything was cut in the window, by place; names: by kind, key -> spelling."""
    found = releases(reader, state=RELEASED_STATE, with_owed=False)
    rows = [_row(reader, question, release, names) for release in found]
    return [row for row in rows if row is not None]


def _row(
    reader: Reader, question: Question, release: Release, names: Mapping[str, Mapping[str, str]]
) -> dict[str, Any] | None:
    recipe, place = release.recipe, release.place
    key = reader.calendar.latest.recipe_key(recipe["name"], recipe["revision"])
    counts: dict[str, Counter[str]] = defaultdict(Counter)
    differing: Counter[str] = Counter()
    for used, amounts in _attempts(reader, question, release, key):
        others = otherwise(recipe, used) if used is not None else []
        which = "untold" if used is None else "otherwise" if others else "as_released"
        counts[which].update(amounts)
        differing.update(one.setting for one in others)
    if not counts:
        return None
    return {
        "recipe": names["recipe"].get(key, recipe_label(recipe["name"], recipe["revision"])),
        "machine": names["machine"].get(place.machine, place.machine),
        "thickness_mm": mm(place.thickness_nm),
        "gas": place.gas,
        "surface_group": place.surface_group,
        "released_at": instant(release.since_us).isoformat(),
        **{
            f"{what}_{which}": counts[which][what]
            for which in ("as_released", "otherwise")
            for what in ("attempts", "parts", "good")
        },
        "attempts_untold": counts["untold"]["attempts"],
        "settings": ", ".join(f"{name} ({many})" for name, many in sorted(differing.items())) or None,
    }


def _attempts(
    reader: Reader, question: Question, release: Release, key: str
) -> Iterator[tuple[Mapping[str, Any] | None, dict[str, int]]]:
    """(settings, None where none is told; amounts) of the attempts with a recipe at the place of its release."""
    a, place, settings = reader.tables.attempts.c, release.place, reader.calendar.latest
    query = (
        select(a.settings, a.material, a.surface, a.is_first, a.good, a.rework, a.scrap, a.not_made)
        .where(*conditions_of(reader, question, a))
        .where(a.recipe == key, a.machine == place.machine, a.thickness_nm == place.thickness_nm, a.gas == place.gas)
        .where(a.started_us >= release.since_us, a.state == "finished")
    )
    for row in reader.connection.execute(query):
        if row.material is None or settings.group("material", row.material) != place.material:
            continue
        if place.surface_group not in (None, surface_group(row.surface)):
            continue
        told = {name: value for name, value in orjson.loads(row.settings or "{}").items() if name in release.recipe}
        is_told = bool(told.keys() - {"name", "revision"})
        judged = row.good + row.rework + row.scrap + row.not_made if row.is_first else 0
        amounts = {"attempts": 1, "parts": judged, "good": row.good if row.is_first else 0}
        yield (told if is_told else None), amounts
