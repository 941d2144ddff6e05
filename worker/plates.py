"""Events of a plate -> what it is, and the condition it was in at an instant. Pure."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Final

from worker.events import CONDITION_FIELDS, INHERITED_PLATE_FIELDS, thickness_nm
from worker.folding import instant_us
from worker.records import Event

RECEIVED: Final = "cutledger.plate.received"
ASSESSED: Final = "cutledger.plate.assessed"
CLOSED: Final = "cutledger.plate.closed"

UNKNOWN: Final = "unknown"
_COATED: Final = ("shop_primer", "paint", "zinc")
_CLEANING: Final = ("Sa 2", "Sa 2.5", "Sa 3", "St 3", "laser")
_BY_RUST: Final = {"A": "tight_scale", "B": "loose_scale", "C": "rusted", "D": "pitted"}
_CLEAN_SURFACES: Final = ("tight_scale", "cleaned")
SURFACES: Final = ("primed", "cleaned", "tight_scale", "loose_scale", "rusted", "pitted", UNKNOWN)
_CUT_HOT: Final = ("oxyfuel", "plasma", "laser")

#: One observed value: (from when it held, fold order of its event, value), sorted.
Observation = tuple[int, tuple[int, str, str], Any]


@dataclass(frozen=True)
class Condition:
    """Condition fields of a plate at an instant: field -> (value, from when it held)."""

    values: Mapping[str, tuple[Any, int]]

    def value(self, name: str) -> Any:
        """The field's value; None when it was not observed."""
        return self.values.get(name, (None, 0))[0]

    def not_older(self, name: str, than: str) -> bool:
        """True when the field held from no earlier than another, or the other was not observed."""
        return than not in self.values or self.values[name][1] >= self.values[than][1]

    @cached_property
    def surface(self) -> str:
        """What the cut meets: primed, cleaned, one of the scale and rust states, or unknown."""
        if self.value("coating") in _COATED:
            return "primed"
        if self.value("preparation_grade") in _CLEANING and self.not_older("preparation_grade", than="rust_grade"):
            return "cleaned"
        return _BY_RUST.get(self.value("rust_grade"), UNKNOWN)

    @cached_property
    def thermal_history(self) -> str:
        """hardened, thermal_edge, as_supplied or unknown."""
        edges = self.value("edges")
        cut_hot = edges in _CUT_HOT
        quenched = cut_hot and self.value("cooling") == "water" and self.not_older("cooling", than="edges")
        if self.value("hardened") is True or quenched:
            return "hardened"
        if cut_hot:
            return "thermal_edge"
        return "as_supplied" if edges is not None or self.value("hardened") is False else UNKNOWN


NO_CONDITION: Final = Condition({})


def surface_group(surface: str) -> str:
    """clean (tight scale, cleaned), disturbed, or unknown."""
    if surface == UNKNOWN:
        return UNKNOWN
    return "clean" if surface in _CLEAN_SURFACES else "disturbed"


@dataclass
class Plate:
    """A plate by its own events. It is not asked for anything before all that it states is here."""

    plate: str
    stated: dict[str, Any] = field(default_factory=dict)
    received_us: int | None = None
    closed_us: int | None = None
    close_reason: str | None = None
    observations: dict[str, list[Observation]] = field(default_factory=dict)

    @property
    def state(self) -> str:
        """open, closed, or unknown while only observations of it are known."""
        if self.closed_us is not None:
            return "closed"
        return "open" if self.received_us is not None else UNKNOWN

    @cached_property
    def thickness_nm(self) -> int | None:
        """Nominal thickness."""
        return thickness_nm(self.stated)

    def condition_at(self, instant: int | None) -> Condition:
        """What had last been observed at an instant (microseconds); None means at the end of time."""
        if instant is None or instant >= self._last_held_us:
            return self._last_condition
        return self._condition_at(instant)

    @cached_property
    def _last_held_us(self) -> int:
        return max((observed[-1][0] for observed in self.observations.values()), default=0)

    @cached_property
    def _last_condition(self) -> Condition:
        return self._condition_at(None)

    def _condition_at(self, instant: int | None) -> Condition:
        values: dict[str, tuple[Any, int]] = {}
        for name, observed in self.observations.items():
            count = len(observed) if instant is None else bisect_right(observed, instant, key=lambda entry: entry[0])
            if count:
                held_us, _, value = observed[count - 1]
                values[name] = (value, held_us)
        return Condition(values)


def held_us(event: Event) -> int:
    """From when the condition fields of a plate event held."""
    observed_at = event.data.get("observed_at") if event.type == ASSESSED else None
    return event.time_us if observed_at is None else instant_us(observed_at)


def fold_plate(plate: str, events: Iterable[Event]) -> Plate:
    """What the events of a plate (not voided, in any order) say of it: the last received counts as a whole."""
    ordered = sorted(events)
    folded = Plate(plate)
    last_closed: Event | None = None
    last_received: Event | None = None
    for event in ordered:
        if event.type == CLOSED:
            last_closed = event
            continue
        if event.type == RECEIVED:
            last_received = event
        for name in CONDITION_FIELDS:
            if (value := event.data.get(name)) is not None:
                folded.observations.setdefault(name, []).append((held_us(event), event.order, value))
    for observed in folded.observations.values():
        observed.sort(key=lambda entry: entry[:2])
    if last_received is not None:
        folded.received_us = last_received.time_us
        folded.stated = {
            name: value
            for name, value in last_received.data.items()
            if value is not None and name not in CONDITION_FIELDS
        }
    if last_closed is not None and (last_received is None or last_received < last_closed):
        folded.closed_us, folded.close_reason = last_closed.time_us, last_closed.data["reason"]
    return folded


def stated_with_ancestors(
    plates: Mapping[str, Plate], known: Callable[[list[str]], Mapping[str, Plate]]
) -> dict[str, Mapping[str, Any]]:
    """What plates and all their ancestors state of themselves; `known` gives those of some names that are known."""
    stated_of: dict[str, Mapping[str, Any]] = {name: plate.stated for name, plate in plates.items()}
    missing = {plate.stated.get("parent") for plate in plates.values()} - stated_of.keys() - {None}
    while missing:
        ancestors = known(sorted(name for name in missing if name is not None))
        stated_of |= dict.fromkeys((name for name in missing if name is not None), {})
        stated_of |= {name: plate.stated for name, plate in ancestors.items()}
        missing = {plate.stated.get("parent") for plate in ancestors.values()} - stated_of.keys() - {None}
    return stated_of


def inherited(plate: str, stated_of: Mapping[str, Mapping[str, Any]]) -> tuple[dict[str, str | None], list[str]]:
    """Origin of a plate, each field from the nearest of itself and its ancestors that has it; and the ring, if any.

    stated_of: what each plate states of itself, for the plate and its known ancestors. The ring lists the plates from
    which the walk came back to this one; it is empty for a plate that only descends from a ring.
    """
    origin: dict[str, str | None] = dict.fromkeys(INHERITED_PLATE_FIELDS)
    walked: list[str] = []
    at: str | None = plate
    while at is not None and at not in walked:
        walked.append(at)
        stated = stated_of.get(at, {})
        for name in INHERITED_PLATE_FIELDS:
            if origin[name] is None:
                origin[name] = stated.get(name)
        at = stated.get("parent")
    return origin, walked if at == plate else []
