"""The form that plans a trial: what was typed as the body that the door takes."""

from __future__ import annotations

import re
import secrets
from collections.abc import Mapping
from typing import Any, Final

from service.sessions import form_field

#: Factors that the form has room for; the door takes more.
FACTORS: Final = (1, 2, 3)
_TEXTS: Final = ("id", "question", "machine", "material", "gas", "response", "note")
_WHOLE: Final = ("replicates", "blocks", "parts_a_run", "stop_failed_runs", "seed")
#: What can be wrong: pointer within the body -> field of the form.
FIELDS: Final[Mapping[str, str]] = {
    name: name for name in (*_TEXTS, *_WHOLE, "thickness_mm", "factors")
}  # fmt: skip
_BETWEEN: Final = re.compile(r"[;\s]+|,\s+")
_ID_BYTES: Final = 3


def blank() -> dict[str, str]:
    """What the form shows before anything is typed. Sent twice, its id keeps it from being planned twice."""
    return {"id": f"TR-{secrets.token_hex(_ID_BYTES)}", "replicates": "2", "response": "first_pass"}


def typed() -> dict[str, str]:
    """What was typed; lines of a text as one, which is what the ledger keeps of them."""
    names = [*_TEXTS, *_WHOLE, "thickness_mm"]
    names += [f"{part}_{place}" for place in FACTORS for part in ("factor", "levels")]
    return {name: " ".join(form_field(name).split()) for name in names}


def body_of(said: Mapping[str, str]) -> dict[str, Any]:
    """The body for the door; what is no number is passed on as it is, to be said so at its field."""
    body: dict[str, Any] = {name: said[name] for name in _TEXTS if said[name]}
    body |= {name: int(said[name]) if said[name].isdecimal() else said[name] for name in _WHOLE if said[name]}
    if said["thickness_mm"]:
        body["thickness_mm"] = _number(said["thickness_mm"])
    body["factors"] = [
        {
            "name": said[f"factor_{place}"],
            "levels": [_number(each) for each in _BETWEEN.split(said[f"levels_{place}"].strip(" ,;")) if each],
        }
        for place in FACTORS
        if said[f"factor_{place}"] or said[f"levels_{place}"]
    ]
    return body


def _number(text: str) -> Any:
    """A number with a point or a comma before its decimals; any other text as it is."""
    plain = text.replace(",", ".")
    if re.fullmatch(r"[+-]?[0-9]{1,9}", plain, re.ASCII):
        return int(plain)
    return float(plain) if re.fullmatch(r"[+-]?[0-9]{1,9}\.[0-9]{1,9}", plain, re.ASCII) else text
