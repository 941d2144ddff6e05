"""The data of the events that the other doors append: site settings, notes on findings, plans of proofs."""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Mapping
from typing import Any, Final, cast

from marshmallow import ValidationError

from service.faults import shown
from service.schemas.event_parts import THICKNESS_IN, THICKNESS_MM, needs_one_thickness
from service.schemas.strict import WHOLE, Errors, Record, Rows, StrictSchema
from service.strict_fields import (
    About,
    Choice,
    Flag,
    Matching,
    Number,
    Text,
    ThicknessInch,
    ThicknessMm,
    Whole,
    about,
)
from service.strict_times import ClockTime, Day, Zone
from worker.events import GASES, PEOPLE_SETTINGS
from worker.plausible_limits import DEFAULT_LIMITS, DOUBTS, ORDERED, Limits
from worker.pushes.addresses import AddressRefused, read_allowed
from worker.sentences import figure, sentence

ALIAS_KINDS: Final = ("material", "machine", "recipe")
SURFACE_GROUPS: Final = ("clean", "disturbed", "unknown")
THERMAL_HISTORIES: Final = ("as_supplied", "thermal_edge", "hardened", "unknown")
#: In the site's currency; wide enough for those whose unit is small.
_MOST_MONEY: Final = 1_000_000_000


def _money(description: str, example: float, *, required: bool = False) -> Number:
    return Number(0, _MOST_MONEY, decimals=6, required=required, metadata=about(description, example))


def _certainty(description: str, *, required: bool = False) -> Number:
    # Neither 0 nor 1 has a quantile, and below a half the word has no sense.
    return Number(0.5, 0.9999, required=required, metadata=about(description, 0.95))


def _risk(description: str) -> Number:
    return Number(0.0001, 0.4999, required=True, metadata=about(description, 0.05))


def _rows(nested: type[StrictSchema], most: int, metadata: About) -> Rows:
    return Rows(Record(nested, metadata=about("one of them")), most, metadata=metadata)


def _twice(data: Mapping[str, Any], field: str, member: str) -> Errors:
    times = Counter(row[member].strip().casefold() for row in data.get(field, []))
    twice = [name for name, count in times.items() if count > 1]
    if not twice:
        return {}
    return {field: [sentence("gives %(member)s %(name)s more than once; keep one", member=member, name=twice[0])]}


class Shift(StrictSchema):
    """A shift; it lasts until the next one starts."""

    name = Text(64, required=True, metadata=about(sentence("name"), "early"))
    start = ClockTime(required=True, metadata=about(sentence("local wall time at which it starts"), "06:00"))


class MachineRate(StrictSchema):
    """What an hour of one machine costs."""

    name = Text(128, required=True, metadata=about(sentence("machine"), "laser-2"))
    per_hour = _money(sentence("cost of an hour"), 140, required=True)


class MaterialPrice(StrictSchema):
    """What a kilogram of one material costs."""

    name = Text(128, required=True, metadata=about(sentence("material"), "S355J2+N"))
    per_kg = _money(sentence("price of a kilogram"), 1.15, required=True)


class Rates(StrictSchema):
    """What poor quality costs; taken as a whole."""

    currency = Matching(
        "[A-Z]{3}", sentence("three capital letters such as EUR"), required=True,
        metadata=about(sentence("currency, ISO 4217"), "EUR"),
    )  # fmt: skip
    labour_per_hour = _money("cost of a person-hour", 46)
    machine_per_hour = _money("cost of a machine-hour where the machine has no rate of its own", 120)
    machines = _rows(MachineRate, 1000, about("rates of single machines", [{"name": "laser-2", "per_hour": 140}]))
    material_per_kg = _money("price of a kilogram where the material has no price of its own", 1.1)
    materials = _rows(MaterialPrice, 1000, about("prices of single materials", [{"name": "S355J2+N", "per_kg": 1.15}]))

    def disagreements(self, data: Mapping[str, Any]) -> Errors:  # noqa: D102
        return _twice(data, "machines", "name") | _twice(data, "materials", "name")


class Targets(StrictSchema):
    """What the site wants to reach."""

    first_pass_yield = Number(0, 1, metadata=about("share of parts right the first time", 0.95))
    confidence = _certainty("confidence at which it is to be shown")
    failed_pierce_rate = Number(0, 1, metadata=about("share of pierces that may fail", 0.02))


class Alias(StrictSchema):
    """Other names of one material, machine or recipe, and the group that it belongs to."""

    kind = Choice(ALIAS_KINDS, required=True, metadata=about(sentence("what it names"), "material"))
    name = Text(200, required=True, metadata=about(sentence("name to show"), "S355J2+N"))
    also = Rows(Text(200, metadata=about("another name", "S355")), 100, metadata=about("its other names", ["S355"]))
    group = Text(128, metadata=about("group for comparisons", "S355"))


def _limits() -> dict[str, Number | Whole]:
    """A field for each limit that is a number, described as the worker describes it."""
    found: dict[str, Number | Whole] = {}
    for limit in dataclasses.fields(Limits):
        if limit.metadata:
            least, most = limit.metadata["least"], limit.metadata["most"]
            told = about(f"{limit.metadata['description']}; {limit.default:g} unless set", limit.default)
            whole = isinstance(limit.default, int)
            found[limit.name] = Whole(least, most, metadata=told) if whole else Number(least, most, metadata=told)
    return found


class _Plausibility(StrictSchema):
    """Limits between which entries are plausible, all of them: one that is left out is as it is unless set."""

    off = Rows(
        Choice(tuple(DOUBTS), metadata=about("code of a warning", "sharp_corner")),
        len(DOUBTS),
        metadata=about("warnings that the site does not want; none unless set", ["sharp_corner"]),
    )

    def disagreements(self, data: Mapping[str, Any]) -> Errors:  # noqa: D102
        errors: Errors = {}
        for low, high in ORDERED:
            least, most = (float(data.get(name, DEFAULT_LIMITS[name])) for name in (low, high))
            if least > most and low in data:
                errors[low] = [
                    sentence(
                        "is %(least)s, above %(other)s %(most)s; correct one of them",
                        least=figure(least, "g"),
                        other=high,
                        most=figure(most, "g"),
                    )
                ]
            elif least > most:
                errors[high] = [
                    sentence(
                        "is %(most)s, below %(other)s %(least)s; correct one of them",
                        least=figure(least, "g"),
                        other=low,
                        most=figure(most, "g"),
                    )
                ]
        return errors


Plausibility = cast(
    type[StrictSchema], type("Plausibility", (_Plausibility,), {"__doc__": _Plausibility.__doc__, **_limits()})
)


class AllowedHost(Text):
    """A host by its name, an IP address, or a network."""

    def __init__(self, *, metadata: About) -> None:
        super().__init__(253, metadata=metadata)

    def read(self, value: Any) -> str:  # noqa: D102
        text = super().read(value)
        try:
            read_allowed(text)
        except AddressRefused as refused:
            told = sentence("%(why)s; found %(found)s", why=refused.why, found=shown(value))
            raise ValidationError(told) from None
        return text


class SiteSet(StrictSchema):
    """Settings of a site from a production day on; what is not given stays as it was."""

    valid_from = Day(required=True, metadata=about(sentence("first production day on which they hold"), "2026-03-02"))
    zone = Zone(metadata=about("time zone, IANA name", "Europe/Berlin"))
    day_start = ClockTime(metadata=about("local wall time at which the production day begins", "06:00"))
    shifts = _rows(Shift, 24, about("the shifts, all of them", [{"name": "early", "start": "06:00"}]))
    rates = Record(Rates, metadata=about("rates, all of them", {"currency": "EUR", "labour_per_hour": 46}))
    targets = Record(Targets, metadata=about("targets, all of them", {"first_pass_yield": 0.95, "confidence": 0.95}))
    aliases = _rows(
        Alias, 2000, about("aliases, all of them", [{"kind": "material", "name": "S355J2+N", "also": ["S355"]}])
    )
    pierces_by_exception = Flag(metadata=about("failed pierces are written only when there are any", False))
    people = Choice(PEOPLE_SETTINGS, metadata=about("what is kept of people's names", "pseudonym"))
    least_people = Whole(
        1, 1000,
        metadata=about("groups of fewer people are not told by machine and shift together; 1: all are told", 3),
    )  # fmt: skip
    plausibility = Record(
        Plausibility, metadata=about("limits of plausible entries, all of them", {"standoff_most_mm": 5})
    )
    webhook_hosts = Rows(
        AllowedHost(metadata=about("host, IP address or network", "erp.plant.example")),
        100,
        metadata=about(
            "what webhooks may push to although it is inside of the plant, all of them; none unless set",
            ["erp.plant.example", "10.20.0.0/16"],
        ),
    )

    def disagreements(self, data: Mapping[str, Any]) -> Errors:  # noqa: D102
        if len(data) == 1:
            settings = ", ".join(name for name in self.fields if name != "valid_from")
            return {WHOLE: [sentence("sets nothing; give at least one of %(names)s", names=settings)]}
        if data.get("shifts") == []:
            return {"shifts": [sentence("is empty; give at least one shift, or leave it out")]}
        return _twice(data, "shifts", "start") | _twice(data, "shifts", "name")


class FindingNoted(StrictSchema):
    """What people say and do about a finding."""

    owner = Text(128, metadata=about("who sees to it", "process engineering"))
    due = Day(metadata=about("day by which it is to be done", "2026-03-13"))
    action = Text(2000, metadata=about("what is or was done", "nozzle centring added to the shift start"))
    worked = Flag(metadata=about("whether it worked", True))
    note = Text(2000, metadata=about("remark", "seen on one machine only"))

    def disagreements(self, data: Mapping[str, Any]) -> Errors:  # noqa: D102
        if data:
            return {}
        return {WHOLE: [sentence("notes nothing; give at least one of %(names)s", names=", ".join(self.fields))]}


class ProofRecipe(StrictSchema):
    """The recipe that is to be proven."""

    name = Text(128, required=True, metadata=about("name of the recipe", "S355 oxygen 28"))
    revision = Text(64, metadata=about("its revision", "A"))


class SequentialTest(StrictSchema):
    """A plan that may end early: Wald's sequential test."""

    producer_risk = _risk("chance to fail a process that is as reliable as planned")
    consumer_risk = _risk("chance to pass one of the unacceptable reliability")
    unacceptable_reliability = Number(0.0001, 0.9998, required=True, metadata=about("reliability to rule out", 0.8))


class ProofPlanned(StrictSchema):
    """A series of cuts planned before it starts: what it is to prove, and how widely it must be spread."""

    reliability = _certainty("share of first attempts that must be good", required=True)
    confidence = _certainty("confidence at which it is to be shown", required=True)
    failures_allowed = Whole(0, 20, metadata=about("failures that the series may have", 0))
    sequential = Record(
        SequentialTest,
        metadata=about(
            "plan that may end early",
            {"producer_risk": 0.05, "consumer_risk": 0.05, "unacceptable_reliability": 0.8},
        ),
    )
    thickness_mm = ThicknessMm(metadata=THICKNESS_MM)
    thickness_in = ThicknessInch(metadata=THICKNESS_IN)
    machine = Text(128, required=True, metadata=about("machine", "laser-2"))
    material = Text(128, required=True, metadata=about("material", "S355J2+N"))
    gas = Choice(GASES, metadata=about("cutting gas", "oxygen"))
    surface_group = Choice(SURFACE_GROUPS, metadata=about("surface of the plates that count", "clean"))
    thermal_history = Choice(THERMAL_HISTORIES, metadata=about("thermal history that counts", "as_supplied"))
    recipe = Record(ProofRecipe, metadata=about("recipe that counts", {"name": "S355 oxygen 28", "revision": "A"}))
    least_plates = Whole(1, 1000, metadata=about("plates over which it must be spread", 3))
    least_heats = Whole(1, 1000, metadata=about("heats over which it must be spread", 2))
    least_days = Whole(1, 1000, metadata=about("production days over which it must be spread", 2))
    note = Text(2000, metadata=about("remark", "for the quotation of the crane arm"))

    def disagreements(self, data: Mapping[str, Any]) -> Errors:  # noqa: D102
        errors = needs_one_thickness(data)
        sequential, target = data.get("sequential"), data["reliability"]
        if sequential and (low := sequential["unacceptable_reliability"]) >= target:
            message = f"is {low}, not below reliability {target}; correct one of them"
            errors["sequential"] = {"unacceptable_reliability": [message]}
        return errors
