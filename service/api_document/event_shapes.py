"""The envelope of an event, one shape for each event type, and what the fields of one event must be to each other."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

from marshmallow import Schema

from service.api_document.field_shapes import PRINTABLE, Shape
from service.api_document.references import ref
from service.bodies import MOST_ITEMS
from service.schemas.action_data import Cell, HoldPlaced, MachineChecked, TrialPlanned
from service.schemas.administration import KeyNew
from service.schemas.event_data import VERDICTS, AttemptInspected, JobOpened, PlateAssessed, PlateReceived
from service.schemas.event_parts import Condition, Cut
from service.schemas.events import DATA_SCHEMAS, MOST_EXTENSIONS, EnvelopeSchema
from service.schemas.examples import EXAMPLES
from service.schemas.settings_data import FindingNoted, ProofPlanned, SiteSet
from service.schemas.strict import StrictSchema
from service.strict_json import LARGEST_WHOLE
from worker.events import CONDITION_FIELDS, HOLD_FIELDS

EVENT: Final = "Event"
ENVELOPE: Final = "Envelope"
_LONGEST_EXTENSION: Final = 1024
_THICKNESSES: Final = ("thickness_mm", "thickness_in")


def given(name: str) -> Shape:
    """Holds for an object that gives a field; null is not given."""
    return {"required": [name], "properties": {name: {"not": {"type": "null"}}}}


def exactly_one(names: Iterable[str]) -> Shape:
    """Holds for an object that gives one of the fields."""
    return {"oneOf": [given(name) for name in names]}


def at_least_one(names: Iterable[str]) -> Shape:
    """Holds for an object that gives some of the fields."""
    return {"anyOf": [given(name) for name in names]}


def not_both(names: Iterable[str]) -> Shape:
    """Holds for an object that gives at most one of two fields."""
    return {"not": {"allOf": [given(name) for name in names]}}


def needs_other(name: str, other: str) -> Shape:
    """Holds for an object that gives the other field where it gives the one."""
    return {"if": given(name), "then": given(other)}


def not_empty(names: Iterable[str]) -> Shape:
    """Holds for an object whose lists of these names have an entry."""
    return {"properties": {name: {"minItems": 1} for name in names}}


#: What `disagreements` of a schema and of those below it refuses, as far as JSON Schema can say it.
RULES: Final[tuple[tuple[type[StrictSchema], tuple[Shape, ...]], ...]] = (
    (JobOpened, (exactly_one(_THICKNESSES),)),
    (PlateReceived, (exactly_one(_THICKNESSES),)),
    (ProofPlanned, (exactly_one(_THICKNESSES),)),
    (Cell, (exactly_one(_THICKNESSES),)),
    (TrialPlanned, (exactly_one(_THICKNESSES), not_empty(("factors", "runs")))),
    (HoldPlaced, (exactly_one(HOLD_FIELDS), needs_other("mill", "heat_number"), not_empty(("attempts",)))),
    (MachineChecked, (not_empty(("checks",)),)),
    (Cut, (not_both(_THICKNESSES),)),
    (
        Condition,
        (needs_other("hardness_hv", "hardness_load"), needs_other("hardness_load", "hardness_hv")),
    ),
    (PlateAssessed, (at_least_one(CONDITION_FIELDS),)),
    (AttemptInspected, (at_least_one(VERDICTS),)),
    (FindingNoted, (at_least_one(FindingNoted().fields),)),
    (KeyNew, (not_empty(("roles", "sites")),)),
)
_SETTINGS: Final = [name for name in SiteSet().fields if name != "valid_from"]


def rules_of(schema: type[Schema]) -> list[Shape]:
    """What the fields of a schema must be to each other."""
    rules = [rule for ruled, some in RULES if issubclass(schema, ruled) for rule in some]
    # A new site may be made without settings.
    return [at_least_one(_SETTINGS)] if schema is SiteSet else rules


def event_name(kind: str) -> str:
    """Component of an event type."""
    return f"{_data_name(kind)}Event"


def _data_name(kind: str) -> str:
    return type(DATA_SCHEMAS[kind]).__name__


def event_shapes(shapes: Mapping[str, Shape]) -> dict[str, Shape]:
    """Components of the events; `shapes` holds the envelope and the data of each type as their schemas say them."""
    envelope = _envelope(shapes[ENVELOPE])
    events = {event_name(kind): _of_type(kind, envelope) for kind in DATA_SCHEMAS}
    data = {_data_name(kind): _with_example(shapes[_data_name(kind)], kind) for kind in DATA_SCHEMAS}
    return {EVENT: _any_event(), "Events": _array(), **events, **data}


def _envelope(shape: Shape) -> Shape:
    return shape | {
        "description": f"{EnvelopeSchema.__doc__} Up to {MOST_EXTENSIONS} extension attributes are kept and ignored.",
        "propertyNames": {"pattern": "^[a-z0-9]{1,20}$"},
        "additionalProperties": {
            "description": "extension attribute",
            "anyOf": [
                {"type": "string", "maxLength": _LONGEST_EXTENSION, "pattern": f"{PRINTABLE}|^$"},
                {"type": "integer", "minimum": -LARGEST_WHOLE, "maximum": LARGEST_WHOLE},
                {"type": ["boolean", "null"]},
            ],
        },
        "maxProperties": len(EnvelopeSchema().fields) + MOST_EXTENSIONS,
    }


def _of_type(kind: str, envelope: Shape) -> Shape:
    """The envelope with the data of one type: whole, since generators of clients make one class of each shape."""
    schema = type(DATA_SCHEMAS[kind])
    of_type = {"type": {"type": "string", "const": kind, "description": "event type"}, "data": ref(schema)}
    return envelope | {
        "description": f"{schema.__doc__} {envelope['description']}",
        "properties": envelope["properties"] | of_type,
        "examples": [EXAMPLES[kind]],
    }


def _with_example(shape: Shape, kind: str) -> Shape:
    return shape | {
        "description": f"{shape['description']} Null means not given.",
        "examples": [EXAMPLES[kind]["data"]],
    }


def _any_event() -> Shape:
    mapping = {kind: f"#/components/schemas/{event_name(kind)}" for kind in DATA_SCHEMAS}
    return {
        "description": "An event of any type. Sums and instants within one event are compared too; what does not go "
        "together is refused with a pointer to it.",
        "oneOf": [{"$ref": target} for target in mapping.values()],
        "discriminator": {"propertyName": "type", "mapping": mapping},
        "examples": [EXAMPLES["cutledger.attempt.finished"]],
    }


def _array() -> Shape:
    return {
        "description": "Events in any order. One that is refused does not hold up the others.",
        "type": "array",
        "items": {"$ref": f"#/components/schemas/{EVENT}"},
        "maxItems": MOST_ITEMS,
        "examples": [[EXAMPLES["cutledger.attempt.finished"], EXAMPLES["cutledger.attempt.inspected"]]],
    }


def event_examples() -> dict[str, Any]:
    """Named examples of the document: one for each event type."""
    return {kind: {"summary": type(DATA_SCHEMAS[kind]).__doc__, "value": event} for kind, event in EXAMPLES.items()}
