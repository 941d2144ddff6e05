"""Settings released for production: what is known to work, where it holds; folded from the ledger whenever asked.

A place is a machine, the group of a material, a thickness, a gas, and a surface or any. Of its events, in fold order,
the last one counts: a release takes the place of the one before it, a withdrawal leaves none.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

from worker.acts import Act, acts
from worker.events import RECIPE, RELEASED, thickness_nm
from worker.naming import name_key
from worker.placing import mm
from worker.reports.reading import Reader, instant
from worker.sites import Settings

RELEASED_STATE: Final = "released"
WITHDRAWN_STATE: Final = "withdrawn"
STATES: Final = (RELEASED_STATE, WITHDRAWN_STATE)
#: Fields of a recipe that are no settings.
_NAMES: Final = ("name", "revision")


class Place(NamedTuple):
    """Where settings hold, by keys: material by that of its group; surface_group None: any surface."""

    machine: str
    material: str
    thickness_nm: int
    gas: str
    surface_group: str | None


class Differing(NamedTuple):
    """A setting that is not what it was; None: not told."""

    setting: str
    before: Any
    now: Any


@dataclass(frozen=True)
class Release:
    """The last word on a place. `told`: its data; `before`: recipe that was released there before, if any was.

    `recipe`: what is released, or what was until it was withdrawn.
    """

    place: Place
    told: Mapping[str, Any]
    recipe: Mapping[str, Any]
    since_us: int
    source: str
    position: int
    is_released: bool
    before: Mapping[str, Any] | None = None
    reason: str = ""
    evidence: Mapping[str, Any] = field(default_factory=dict)

    @property
    def state(self) -> str:
        """Released or withdrawn."""
        return RELEASED_STATE if self.is_released else WITHDRAWN_STATE

    @property
    def differences(self) -> list[Differing]:
        """What the release changed against the one before it, by setting; empty for a first one."""
        return [] if self.before is None else differing(self.before, self.recipe)


def differing(before: Mapping[str, Any], now: Mapping[str, Any]) -> list[Differing]:
    """Settings of two recipes that are not the same, by name; name and revision are no settings."""
    names = sorted((before.keys() | now.keys()) - set(_NAMES))
    return [Differing(name, before.get(name), now.get(name)) for name in names if before.get(name) != now.get(name)]


def otherwise(released: Mapping[str, Any], used: Mapping[str, Any]) -> list[Differing]:
    """Settings that a cut was made with and that are not as released; what neither tells is no difference."""
    return [one for one in differing(released, used) if one.before is not None and one.now is not None]


def place_of(settings: Settings, told: Mapping[str, Any]) -> Place:
    """The place that the data of an event names."""
    return Place(
        settings.key_of("machine", told["machine"]),
        settings.group_of("material", told["material"]),
        thickness_nm(dict(told)) or 0,
        told["gas"],
        told.get("surface_group"),
    )


def folded(told: Iterable[Act], settings: Settings) -> dict[Place, Release]:
    """The last word on each place, from events in fold order. A place where nothing was released has none."""
    found: dict[Place, Release] = {}
    for event, _, position in told:
        place = place_of(settings, event.data)
        last = found.get(place)
        is_released = event.type == RELEASED
        if last is None and not is_released:
            continue
        found[place] = Release(
            place=place,
            told=event.data,
            recipe=event.data["recipe"] if is_released or last is None else last.recipe,
            since_us=event.time_us,
            source=event.source,
            position=position,
            is_released=is_released,
            before=_before(last, is_released=is_released),
            reason=event.data["reason"],
            evidence=(event.data.get("evidence") or {}) if is_released or last is None else last.evidence,
        )
    return found


def _before(last: Release | None, *, is_released: bool) -> Mapping[str, Any] | None:
    if last is None:
        return None
    return last.recipe if is_released else last.before


def releases(
    reader: Reader, *, state: str | None = None, machine: str | None = None, with_owed: bool = True
) -> list[Release]:
    """The last word on each place, by place; those in a state, or of a machine.

    with_owed: what waits to be counted is among them.
    """
    found = _all(reader, with_owed=with_owed)
    of = None if machine is None else reader.calendar.latest.key_of("machine", machine)
    return [
        release
        for place, release in sorted(found.items(), key=lambda one: [str(part) for part in one[0]])
        if state in (None, release.state) and of in (None, place.machine)
    ]


def _all(reader: Reader, *, with_owed: bool) -> dict[Place, Release]:
    told = acts(reader.connection, reader.site, RECIPE, upto=reader.as_of.position, with_owed=with_owed)
    return folded(told, reader.calendar.latest)


def released_for(reader: Reader, place: Place) -> Release | None:
    """What is released for a place: for its surface alone, else for any."""
    found = _all(reader, with_owed=True)
    for each in (place, place._replace(surface_group=None)):
        if (release := found.get(each)) is not None and release.is_released:
            return release
    return None


def shown(release: Release) -> dict[str, Any]:
    """A release as it is told: where it holds, the settings, what changed, why, and what the figures said then."""
    told, recipe = release.told, release.recipe
    return {
        "state": release.state,
        "machine": told["machine"].strip(),
        "material": told["material"].strip(),
        "thickness_mm": mm(release.place.thickness_nm),
        "gas": told["gas"],
        "surface_group": told.get("surface_group"),
        "recipe": {"name": recipe["name"], "revision": recipe["revision"]},
        "settings": {name: value for name, value in sorted(recipe.items()) if name not in _NAMES},
        "before": release.before and {"name": release.before["name"], "revision": release.before["revision"]},
        "differences": [one._asdict() for one in release.differences],
        "reason": release.reason,
        "evidence": {name: value for name, value in sorted(release.evidence.items()) if value is not None},
        "since": instant(release.since_us),
        "source": release.source,
        "position": release.position,
    }


def same_recipe(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    """True for one name and revision, however they are written."""
    return all(name_key(one.get(name) or "") == name_key(other.get(name) or "") for name in _NAMES)
