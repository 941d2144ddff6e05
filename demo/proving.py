"""A proof that is planned and cut to its end while the demo is played: a plan counts only cuts that begin after it.

Its few cuts lie some minutes ahead of the clock, as those of a terminal whose clock is fast would.
"""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from demo.door import LINES, Door
from demo.orders import GRADES
from demo.recipes import recipe
from demo.sayings import Event, say
from demo.truth import LASER_8

PROOF: Final = "PR-12"
MM: Final = 12
#: So many good trials, one a plate, show 80 % reliability at 80 % confidence: 0.8 to the eighth is below 0.2.
TRIALS: Final = 8
SURE: Final = 0.8
_CUT_SECONDS: Final = 20
_APART_SECONDS: Final = 25


def prove(door: Door, *, site: str, source: str, seed: int) -> None:
    """Plan a proof through its door, then post what is cut for it."""
    plan = {
        "id": PROOF, "reliability": SURE, "confidence": SURE, "thickness_mm": MM, "machine": LASER_8,
        "material": GRADES[0], "gas": "oxygen", "least_plates": 4, "note": "for the quotation of the gussets",
    }  # fmt: skip
    door.send("POST", "/v1/proofs", body=plan)
    door.post_events(_cuts(random.Random(f"proof {seed}"), source), site=site, media_type=LINES, packed=False)


def _cuts(rng: random.Random, source: str) -> list[Event]:
    """Plates, each with one part that is good."""
    now = datetime.now(UTC)
    said = []
    for trial in range(1, TRIALS + 1):
        plate, begins = f"P-{PROOF}-{trial}", now + timedelta(seconds=2 + _APART_SECONDS * trial)
        steel = {"material": GRADES[0], "thickness_mm": MM, "mill": "mill A", "heat_number": f"77{trial // 3}100",
                 "certificate": "3.1", "rust_grade": "A"}  # fmt: skip
        made: dict[str, Any] = {
            "plate": plate, "machine": LASER_8, "recipe": recipe(LASER_8, thickness_mm=MM), "gas": "oxygen",
            "quantity": 1, "good": 1, "purpose": "proof", "outcome": "severed", "seconds": _CUT_SECONDS,
            "pierces": 3, "failed_pierces": 0,
        }  # fmt: skip
        ends = begins + timedelta(seconds=_CUT_SECONDS)
        said.append(say(rng, now, source=source, kind="plate.received", subject=plate, data=steel))
        said.append(
            say(rng, ends, source=source, kind="attempt.finished", subject=f"A-{PROOF}-{trial}", data=made)
        )  # fmt: skip
    return [saying.event() for saying in said]
