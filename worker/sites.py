"""A site's settings, valid from a production day, and what they make of an instant, a name or a rate."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from functools import cached_property, lru_cache
from typing import Any, Final, NamedTuple

from worker.events import SITE
from worker.ledger import Told, View, event_of
from worker.naming import name_key, recipe_label
from worker.plausible_limits import DEFAULT_LIMITS, Limits, limits_in_force, limits_of
from worker.records import Event
from worker.shopcalendar import minutes_of, production_day, shift_at, wall_clock

#: What holds until a site says otherwise.
DEFAULTS: Final[Mapping[str, Any]] = {
    "zone": "UTC",
    "day_start": "06:00",
    "shifts": [
        {"name": "early", "start": "06:00"},
        {"name": "late", "start": "14:00"},
        {"name": "night", "start": "22:00"},
    ],
    "rates": {},
    "targets": {},
    "aliases": [],
    "pierces_by_exception": False,
    "people": "pseudonym",
    "least_people": 3,
    "plausibility": DEFAULT_LIMITS,
    "webhook_hosts": [],
}
_ALWAYS: Final = date.min
_MOST_PLACES: Final = 5_000
_MOST_NAMES: Final = 5_000
_MOST_CALENDARS: Final = 32


@dataclass(frozen=True)
class Settings:
    """The settings of a site from one production day until the next that changes them."""

    valid_from: date
    values: Mapping[str, Any]

    @cached_property
    def zone(self) -> str:
        """IANA name of the time zone."""
        return str(self.values["zone"])

    @cached_property
    def day_start_minutes(self) -> int:
        """Start of the production day, minutes after midnight of the wall clock."""
        return minutes_of(self.values["day_start"])

    @cached_property
    def shifts(self) -> tuple[tuple[int, str], ...]:
        """(start in minutes after midnight, name), sorted."""
        return tuple(sorted((minutes_of(shift["start"]), shift["name"]) for shift in self.values["shifts"]))

    @cached_property
    def _canonical(self) -> dict[tuple[str, str], Mapping[str, Any]]:
        found: dict[tuple[str, str], Mapping[str, Any]] = {}
        for alias in self.values["aliases"]:
            for name in (alias["name"], *(alias.get("also") or ())):
                found.setdefault((alias["kind"], name_key(name)), alias)
        return found

    def canonical_name(self, kind: str, name: str) -> str | None:
        """The name under which `name` is listed in the site's aliases; None when it is not mapped."""
        alias = self._canonical.get((kind, name_key(name)))
        return None if alias is None else str(alias["name"])

    def name_and_key(self, kind: str, name: str | None) -> tuple[str | None, str | None]:
        """A name as it is shown and its key, through the aliases."""
        if name is None:
            return None, None
        found = self._known_names.get((kind, name))
        if found is None:
            if len(self._known_names) >= _MOST_NAMES:
                self._known_names.clear()
            shown = self.canonical_name(kind, name) or name.strip()
            found = self._known_names[kind, name] = shown, name_key(shown)
        return found

    @cached_property
    def _known_names(self) -> dict[tuple[str, str], tuple[str, str]]:
        """Names as they are shown, and their keys, by kind and as they were written: the same few come all the time."""
        return {}

    def recipe_and_key(self, name: str, revision: str | None) -> tuple[str, str]:
        """A recipe with its revision as it is shown, and the key by which attempts with it are counted."""
        found = self._known_recipes.get((name, revision))
        if found is None:
            if len(self._known_recipes) >= _MOST_NAMES:
                self._known_recipes.clear()
            shown, key = self.name_and_key("recipe", name)
            found = shown or "", key or ""
            if revision is not None:
                found = recipe_label(found[0], revision), self.recipe_key(name, revision)
            self._known_recipes[name, revision] = found
        return found

    @cached_property
    def _known_recipes(self) -> dict[tuple[str, str | None], tuple[str, str]]:
        return {}

    def key_of(self, kind: str, name: str) -> str:
        """Key by which a name is counted, through the aliases; a recipe's is that of its name and its revision."""
        bare, slash, revision = name.partition(" / ") if kind == "recipe" else (name, "", "")
        shown, _ = self.name_and_key(kind, bare)
        return name_key(f"{shown}{slash}{revision}")

    def group_of(self, kind: str, name: str | None) -> str:
        """The group of a name, however it is written: what may be compared."""
        return self.group(kind, self.name_and_key(kind, name)[1] or "")

    def recipe_key(self, name: str, revision: str | None) -> str:
        """Key by which attempts with a recipe are counted: that of its name and its revision."""
        return recipe_label(self.name_and_key("recipe", name)[1] or "", self.name_and_key("", revision)[1])

    def group(self, kind: str, key: str) -> str:
        """The group of a name's key in the aliases, else the key itself: what may be compared."""
        alias = self._canonical.get((kind, key))
        group = alias.get("group") if alias else None
        return name_key(group) if group else key

    @cached_property
    def pierces_by_exception(self) -> bool:
        """True when this site writes failed pierces down only when there are any."""
        return bool(self.values["pierces_by_exception"])

    @cached_property
    def limits(self) -> Limits:
        """Limits between which entries are plausible."""
        return limits_of(self.values["plausibility"])

    @cached_property
    def webhook_hosts(self) -> tuple[str, ...]:
        """Hosts and networks to which the site has pushes sent although they are not public."""
        return tuple(self.values["webhook_hosts"])

    @cached_property
    def labour_per_hour(self) -> float | None:
        """Cost of one person-hour, in the site's currency."""
        return self._rates.get("labour_per_hour")

    @cached_property
    def _rates(self) -> Mapping[str, Any]:
        rates: Mapping[str, Any] = self.values["rates"]
        return rates

    @cached_property
    def _machine_rates(self) -> dict[str, float]:
        return {
            self.name_and_key("machine", entry["name"])[1] or "": entry["per_hour"]
            for entry in self._rates.get("machines") or ()
        }

    @cached_property
    def _material_prices(self) -> dict[str, float]:
        return {
            self.name_and_key("material", entry["name"])[1] or "": entry["per_kg"]
            for entry in self._rates.get("materials") or ()
        }

    def machine_per_hour(self, key: str | None) -> float | None:
        """Cost of one machine-hour."""
        return self._machine_rates.get(key or "", self._rates.get("machine_per_hour"))

    def material_per_kg(self, key: str | None) -> float | None:
        """Price of a kilogram of a material."""
        return self._material_prices.get(key or "", self._rates.get("material_per_kg"))


class Place(NamedTuple):
    """Where an instant stands in the shop's calendar."""

    settings: Settings
    day: date
    shift: str


class SiteCalendar:
    """All settings of a site over time."""

    def __init__(self, versions: Iterable[Settings] = ()) -> None:
        self.versions = sorted(versions, key=lambda version: version.valid_from)
        if not self.versions or self.versions[0].valid_from != _ALWAYS:
            self.versions.insert(0, Settings(_ALWAYS, dict(DEFAULTS)))
        self._places: dict[int, Place] = {}

    @property
    def latest(self) -> Settings:
        """The settings with the last valid_from."""
        return self.versions[-1]

    def on(self, day: date) -> Settings:
        """The settings that hold on a production day."""
        return next(version for version in reversed(self.versions) if version.valid_from <= day)

    def place(self, instant_us: int) -> Place:
        """Production day, shift and settings of an instant.

        The newest settings under whose own clock the instant falls on or after their first day: so each instant has
        one place, also in the hours in which a start of day or a zone changes.
        """
        place = self._places.get(instant_us)
        if place is None:
            # An attempt asks for the place of its start several times, one after the other.
            if len(self._places) >= _MOST_PLACES:
                self._places.clear()
            place = self._places[instant_us] = self._place(instant_us)
        return place

    def _place(self, instant_us: int) -> Place:
        for settings in reversed(self.versions):
            wall = wall_clock(instant_us, settings.zone)
            day = production_day(wall, day_start_minutes=settings.day_start_minutes)
            if day >= settings.valid_from:
                return Place(settings, day, shift_at(wall, settings.shifts))
        raise AssertionError("the defaults hold always")


def settings_told(view: View) -> SiteCalendar:
    """Settings over time of a site, as a view of its ledger tells them."""
    return _calendar_of(tuple(view.told(SITE, view.site)))


@lru_cache(maxsize=_MOST_CALENDARS)
def _calendar_of(told: tuple[Told, ...]) -> SiteCalendar:
    """Made once of what was told: who counts a few events needs the same one each time, with the names it has read."""
    return fold_settings(event_of(one) for one in told)


def fold_settings(events: Iterable[Event]) -> SiteCalendar:
    """Settings over time from site.set events (not voided): field by field the last that is valid on a day counts."""
    in_order = sorted(events, key=lambda event: (event.data["valid_from"], event.order))
    values = dict(DEFAULTS)
    versions: dict[date, Settings] = {}
    for event in in_order:
        given = {name: value for name, value in event.data.items() if value is not None and name in DEFAULTS}
        if (limits := given.get("plausibility")) is not None:
            # All limits are in the settings, so that who reads them sees what holds.
            given["plausibility"] = limits_in_force(limits)
        values = values | given
        valid_from = date.fromisoformat(event.data["valid_from"])
        versions[valid_from] = Settings(valid_from, values)
    return SiteCalendar(versions.values())
