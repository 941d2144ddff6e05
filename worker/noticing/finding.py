"""A finding: what was noticed, about what, with the figures that prove it. Pure."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Final

import orjson

CONTRADICTION: Final = "contradiction"
NEW_NAME: Final = "new_name"
LEFT_OPEN: Final = "left_open"
SET_ASIDE: Final = "set_aside"
AUDIT: Final = "audit"
DRIFT: Final = "drift"
BAD_LOT: Final = "bad_lot"
CONDITION: Final = "condition"
IMPLAUSIBLE: Final = "implausible"
STANDING: Final = "standing"
PROOF: Final = "proof"
HELD: Final = "held"
#: Kinds that are read off what is counted, or set aside, at the moment of asking.
SEEN_AT_ONCE: Final = (CONTRADICTION, NEW_NAME, LEFT_OPEN, SET_ASIDE, AUDIT)
#: Kinds that the worker looks for when it has counted.
LOOKED_FOR: Final = (DRIFT, BAD_LOT, CONDITION, IMPLAUSIBLE, STANDING, PROOF, HELD)
KINDS: Final = (*SEEN_AT_ONCE, *LOOKED_FOR)

Key = tuple[str, str, str, str]


@dataclass(frozen=True)
class Finding:
    """A finding with its figures. `key` orders findings and names them; the days bound what it was read off."""

    kind: str
    code: str
    subject_kind: str
    subject: str
    other: str
    detail: str
    figures: dict[str, Any] = field(hash=False)
    first_day: date | None = None
    last_day: date | None = None

    @property
    def key(self) -> Key:
        """What makes it one finding, however often it is seen."""
        return (self.code, self.subject_kind, self.subject, self.other)

    @property
    def id(self) -> str:
        """Its key as one short word, the same everywhere."""
        return finding_id(self.key)


def finding_id(key: Key) -> str:
    """The id of a finding with this key."""
    return "F-" + hashlib.blake2b(orjson.dumps(key), digest_size=8).hexdigest()
