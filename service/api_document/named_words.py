"""Lists of words that several shapes share, each as one component: a client gets one type for them."""

from __future__ import annotations

from typing import Any, Final

from service.api_document.field_shapes import Shape
from service.api_document.references import ref
from service.schemas.precheck_answers import SOURCES
from worker import events
from worker.keys import ROLES
from worker.noticing.finding import KINDS
from worker.plates import SURFACES
from worker.plausible_limits import DOUBTS
from worker.proof_standing import STATES
from worker.reports.dimensions import HISTORIES

_WORDS: Final[dict[str, tuple[str, ...]]] = {
    "Coating": events.COATINGS,
    "Cooling": events.COOLINGS,
    "Edges": events.EDGES,
    "EventType": tuple(events.EVENT_TYPES),
    "FindingKind": KINDS,
    "Gas": events.GASES,
    "JobEnd": events.JOB_CLOSE_REASONS,
    "Mode": events.MODES,
    "Outcome": events.OUTCOMES,
    "People": events.PEOPLE_SETTINGS,
    "PlateEnd": events.PLATE_CLOSE_REASONS,
    "PreparationGrade": events.PREPARATION_GRADES,
    "ProofState": STATES,
    "Purpose": events.PURPOSES,
    "Role": ROLES,
    "RustGrade": events.RUST_GRADES,
    "StopReason": events.STOP_REASONS,
    "Surface": SURFACES,
    "ThermalHistory": HISTORIES,
    "WarningCode": tuple(DOUBTS),
    "YieldFrom": SOURCES,
}
_VALUES: Final = ("example", "examples", "value")
_NAMES: Final = {frozenset(words): name for name, words in _WORDS.items()}


def word_shapes() -> dict[str, Shape]:
    """A component for each list of words."""
    return {name: {"type": "string", "enum": list(words)} for name, words in _WORDS.items()}


def with_named_words(part: Any) -> Any:
    """A part of the document whose lists of words are those components.

    A list with null is a choice of the words and null, a list of one word that word: from an `enum` with null
    generators make a type for each way to read it.
    """
    if isinstance(part, list):
        return [with_named_words(each) for each in part]
    if not isinstance(part, dict):
        return part
    told = {key: each if key in _VALUES else with_named_words(each) for key, each in part.items()}
    return _named(told) if isinstance(told.get("enum"), list) else told


def _named(shape: Shape) -> Shape:
    words = [word for word in shape["enum"] if word is not None]
    rest = {key: value for key, value in shape.items() if key not in ("enum", "type")}
    name = _NAMES.get(frozenset(words))
    inline = {"type": "string", "const": words[0]} if len(words) == 1 else {"type": "string", "enum": words}
    of_words = inline if name is None else ref(name)
    if len(words) < len(shape["enum"]):
        return rest | {"anyOf": [of_words, {"type": "null"}]}
    return rest | of_words
