"""The settings of a site as fields that people fill in, section by section, and what they typed as settings again."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Any, Final

from service.pages.languages import marked
from service.pages.settings_terms import DOUBTS, LIMITS
from service.pages.terms import PEOPLE
from worker.reports.plain import plain_decimal

#: Between the parts of a line, and between names that mean the same: a name that holds one cannot be typed here.
BAR: Final = "|"
AND: Final = ";"
#: How a field is filled in.
TEXT, CLOCK, NUMBER, PERCENT, CHOICE, FLAG, LINES, TICKS = (
    "text", "clock", "number", "percent", "choice", "flag", "lines", "ticks",
)  # fmt: skip

#: A number with a comma in the place of the point; none that may mean thousands.
_COMMA: Final = re.compile(r"0,[0-9]+|[0-9]+,(?![0-9]{3}$)[0-9]+", re.ASCII)

Typed = dict[str, list[str]]


@dataclass(frozen=True)
class Field:
    """A field of a form.

    within: the setting whose part it is; None: it is a setting itself. columns: the parts of each of its lines.
    """

    name: str
    text: str
    kind: str
    within: str | None = None
    hint: str | None = None
    choices: Mapping[str, str] | None = None
    columns: tuple[str, ...] = ()

    @property
    def pointer(self) -> str:
        """Where a fault of it is said to be."""
        return self.name if self.within is None else f"{self.within}/{self.name}"


@dataclass(frozen=True)
class Section:
    """Settings that are changed together."""

    name: str
    text: str
    fields: tuple[Field, ...]

    @property
    def settings(self) -> tuple[str, ...]:
        """The settings that it is about."""
        return tuple(dict.fromkeys(field.within or field.name for field in self.fields))


_YES_NO: Final = {"yes": marked("yes"), "no": marked("no")}

SECTIONS: Final = {
    section.name: section
    for section in (
        Section(
            "calendar",
            marked("Calendar"),
            (
                Field("zone", marked("Time zone"), TEXT, hint=marked("A name such as Europe/Berlin, or UTC.")),
                Field("day_start", marked("Start of the production day"), CLOCK),
                Field(
                    "shifts",
                    marked("Shifts"),
                    LINES,
                    hint=marked(
                        "One a line: start | name, such as 06:00 | early. Each lasts until the next one starts."
                    ),
                    columns=("start", "name"),
                ),
            ),
        ),
        Section(
            "rates",
            marked("Rates"),
            (
                Field("currency", marked("Currency"), TEXT, "rates", marked("Three capital letters such as EUR.")),
                Field("labour_per_hour", marked("Person-hour"), NUMBER, "rates"),
                Field("machine_per_hour", marked("Machine-hour, unless the machine has its own"), NUMBER, "rates"),
                Field(
                    "machines",
                    marked("Machines with a rate of their own"),
                    LINES,
                    "rates",
                    marked("One a line: machine | an hour, such as laser-2 | 140."),
                    columns=("name", "per_hour"),
                ),
                Field("material_per_kg", marked("Kilogram, unless the material has its own price"), NUMBER, "rates"),
                Field(
                    "materials",
                    marked("Materials with a price of their own"),
                    LINES,
                    "rates",
                    marked("One a line: material | a kilogram, such as S355J2+N | 1.15."),
                    columns=("name", "per_kg"),
                ),
            ),
        ),
        Section(
            "targets",
            marked("Targets"),
            (
                Field("first_pass_yield", marked("First-pass yield, per cent"), PERCENT, "targets"),
                Field("confidence", marked("Confidence at which it is to be shown, per cent"), PERCENT, "targets"),
                Field("failed_pierce_rate", marked("Pierces that may fail, per cent"), PERCENT, "targets"),
            ),
        ),
        Section(
            "names",
            marked("Names"),
            (
                Field(
                    "aliases",
                    marked("Materials, machines and recipes"),
                    LINES,
                    hint=marked(
                        "One a line: kind | name to show | other names, with ; between them | group for comparisons. "
                        "The kind is material, machine or recipe; the last two may be left out."
                    ),
                    columns=("kind", "name", "also", "group"),
                ),
            ),
        ),
        Section(
            "people",
            marked("People"),
            (
                Field("people", marked("Names of people in entries"), CHOICE, choices=PEOPLE),
                Field(
                    "least_people",
                    marked("Least people of a group that is told apart"),
                    NUMBER,
                    hint=marked("Groups of fewer are not told by machine and shift together."),
                ),
            ),
        ),
        Section(
            "entries",
            marked("Entries"),
            (
                Field(
                    "pierces_by_exception",
                    marked("Failed pierces are written only when there are any"),
                    CHOICE,
                    choices=_YES_NO,
                ),
                *(Field(name, text, NUMBER, "plausibility") for name, text in LIMITS.items()),
                Field("off", marked("Warnings that the site does not want"), TICKS, "plausibility", choices=DOUBTS),
            ),
        ),
        Section(
            "pushes",
            marked("Pushes"),
            (
                Field(
                    "webhook_hosts",
                    marked("Hosts inside of the plant that pushes may reach"),
                    LINES,
                    hint=marked("One a line: a host, an IP address or a network, such as 10.20.0.0/16."),
                ),
            ),
        ),
    )
}


# --- settings -> what a form shows ------------------------------------------------------------------------------


def filled(section: Section, settings: Mapping[str, Any]) -> Typed:
    """What the fields of a section hold for these settings."""
    return {field.name: _filled(field, _value_of(field, settings)) for field in section.fields}


def can_be_typed(section: Section, settings: Mapping[str, Any]) -> bool:
    """False when a name among the settings holds what divides the parts of a line here."""
    return all(_fits(_value_of(field, settings)) for field in section.fields if field.kind == LINES)


def _value_of(field: Field, settings: Mapping[str, Any]) -> Any:
    return settings.get(field.name) if field.within is None else settings[field.within].get(field.name)


def _filled(field: Field, value: Any) -> list[str]:
    if value is None:
        return []
    if field.kind == TICKS:
        return [str(one) for one in value]
    if field.kind == LINES:
        return ["\n".join(_line(field, one) for one in value)]
    if isinstance(value, bool):
        return ["yes" if value else "no"]
    if field.kind == PERCENT:
        return [plain_decimal(Decimal(repr(value)) * 100)]
    return [_plain(value)]


def _line(field: Field, value: Any) -> str:
    if not field.columns:
        return str(value)
    parts = [_part(value.get(column)) for column in field.columns]
    while parts and not parts[-1]:
        parts.pop()
    return f" {BAR} ".join(parts)


def _part(value: Any) -> str:
    if isinstance(value, list | tuple):
        return f"{AND} ".join(value)
    return "" if value is None else _plain(value)


def _plain(value: Any) -> str:
    return plain_decimal(Decimal(repr(value))) if isinstance(value, int | float) else str(value)


def _fits(value: Any) -> bool:
    if isinstance(value, Mapping):
        return all(_fits(each) for each in value.values())
    if isinstance(value, list | tuple):
        return all(_fits(each) for each in value)
    text = str(value)
    return not {BAR, AND, "\n"} & set(text)


# --- what was typed -> settings ---------------------------------------------------------------------------------


def without_gaps(section: Section, typed: Mapping[str, list[str]]) -> Typed:
    """What was typed without empty lines: a fault is said to be in a line by its number among the others."""
    of_lines = {field.name for field in section.fields if field.kind == LINES}
    return {name: [_compact(text) for text in texts] if name in of_lines else texts for name, texts in typed.items()}


def _compact(text: str) -> str:
    return "\n".join(line for line in text.splitlines() if line.strip())


def settings_of(section: Section, typed: Mapping[str, list[str]]) -> dict[str, Any]:
    """The settings that the fields of a section say, as the doors take them; what cannot be read stays as typed."""
    found: dict[str, Any] = {}
    for field in section.fields:
        value = _read(field, typed.get(field.name) or [])
        if field.within is not None:
            found.setdefault(field.within, {})
        if value is None and field.within is not None:
            continue
        # A setting of its own is always something: to leave it empty is no way to leave it as it was.
        value = "" if value is None else value
        (found if field.within is None else found[field.within])[field.name] = value
    return found


def changed(section: Section, said: Mapping[str, Any], settings: Mapping[str, Any]) -> dict[str, Any]:
    """Of the settings that a form says, those that are not what it showed."""
    shown = settings_of(section, filled(section, settings))
    return {name: said[name] for name in section.settings if name in said and said[name] != shown.get(name)}


def _read(field: Field, texts: list[str]) -> Any:
    if field.kind == TICKS:
        return texts
    text = texts[0].strip() if texts else ""
    if field.kind == LINES:
        return [_of_line(field, line) for line in text.splitlines() if line.strip()]
    if not text:
        return None
    if field.kind == NUMBER:
        return _number(text)
    if field.kind == PERCENT:
        share = _number(text)
        return share / 100 if isinstance(share, Decimal) else share
    if field.choices is _YES_NO:
        return {"yes": True, "no": False}.get(text, text)
    return text


def _of_line(field: Field, line: str) -> Any:
    if not field.columns:
        return line.strip()
    parts = [part.strip() for part in line.split(BAR)]
    row: dict[str, Any] = dict(zip(field.columns, parts, strict=False))
    # A part too many belongs to the last column, where it is refused in words.
    if len(parts) > len(field.columns):
        row[field.columns[-1]] = BAR.join(parts[len(field.columns) - 1 :])
    return {name: read for name, text in row.items() if (read := _of_column(name, text)) not in ("", [])}


def _of_column(name: str, text: str) -> Any:
    if name in ("per_hour", "per_kg"):
        return _number(text)
    if name == "also":
        return [each.strip() for each in text.split(AND) if each.strip()]
    return text


def _number(text: str) -> Decimal | str:
    try:
        number = Decimal(text.replace(",", ".") if _COMMA.fullmatch(text) else text)
    except InvalidOperation:
        return text
    return number if number.is_finite() else text
