"""Strict fields -> JSON Schema. A shape never refuses what the door takes; what it cannot say, its description says."""

from __future__ import annotations

from typing import Any, Final

from marshmallow import fields

from service.strict_fields import (
    Choice,
    Identifier,
    Lines,
    Number,
    Strict,
    Text,
    ThicknessInch,
    ThicknessMm,
    UriReference,
)
from service.strict_times import Day, Instant, Zone

Shape = dict[str, Any]

_CONTROLS: Final = r"\u0000-\u001f\u007f-\u009f\u2028\u2029"
_CONTROLS_BUT_LINES: Final = r"\u0000-\u0009\u000b-\u001f\u007f-\u009f\u2028\u2029"
_TURNS: Final = r"\u202a-\u202e\u2066-\u2069"
#: Not blank, nothing that cannot be seen. An astral character is two units to some readers: surrogates are not named.
PRINTABLE: Final = rf"^(?=.*\S)[^{_CONTROLS}{_TURNS}]+$"
PRINTABLE_LINES: Final = rf"^(?=[\s\S]*\S)[^{_CONTROLS_BUT_LINES}{_TURNS}]+$"
URI_REFERENCE: Final = r"^(?:[A-Za-z0-9\-._~:/?#\[\]@!$&'()*+,;=]|%[0-9A-Fa-f]{2})+$"
INSTANT: Final = (
    r"^[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt]([01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9](\.[0-9]{1,9})?"
    r"([Zz]|[+-]([01][0-9]|2[0-3]):[0-5][0-9])$"
)
DAY: Final = r"^20[0-9]{2}-[0-9]{2}-[0-9]{2}$"
INCH: Final = r"^(?:[0-9]{1,3}|(?:[0-9]{1,3} )?[0-9]{1,4}/(?!0+$)[0-9]{1,4})$"
ZONE: Final = r"^[A-Za-z0-9+\-_/]+$"
_NM_DECIMALS: Final = 6

#: The first that fits counts.
_PATTERNS: Final[tuple[tuple[type[Strict], str], ...]] = (
    (Lines, PRINTABLE_LINES),
    (Text, PRINTABLE),
    (UriReference, URI_REFERENCE),
    (Instant, INSTANT),
    (Day, DAY),
    (Zone, ZONE),
)


def strict2properties(_converter: object, field: fields.Field[Any], *, ret: Shape) -> Shape:
    """What apispec cannot know of a strict field; its bounds are in its metadata and in `ret` already."""
    if not isinstance(field, Strict):
        return {}
    shape: Shape = {}
    if "pattern" not in ret:
        shape |= next(({"pattern": pattern} for kind, pattern in _PATTERNS if isinstance(field, kind)), {})
    if isinstance(field, Choice):
        shape["enum"] = [*field.words, None] if field.allow_none else list(field.words)
    if isinstance(field, ThicknessInch):
        shape["anyOf"] = _inches(ret["anyOf"], null=field.allow_none)
    return shape | _said_in_words(field, ret["description"])


def _inches(choices: list[Shape], *, null: bool) -> list[Shape]:
    told = [choice | {"pattern": INCH} if choice["type"] == "string" else choice for choice in choices]
    return told if null else [choice for choice in told if choice["type"] != "null"]


def _said_in_words(field: Strict, description: str) -> Shape:
    if isinstance(field, ThicknessMm):
        return {"description": f"{description}; at most {_NM_DECIMALS} decimals"}
    if isinstance(field, Number) and field.decimals is not None:
        # multipleOf would be judged in binary fractions, in which 0.07 is no multiple of 0.001.
        return {"description": f"{description}; at most {field.decimals} decimals"}
    if isinstance(field, Identifier):
        return {"description": f"{description}; compared as it is"}
    return {}
