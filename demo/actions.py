"""What the shop's engineer does about the figures: settings released, steel held, a machine looked at and freed."""

from __future__ import annotations

import random
from datetime import date, datetime, timedelta
from typing import Any, Final

from demo import hours
from demo.floor import TERMINALS
from demo.recipes import recipe
from demo.sayings import ENGINEERING, Saying, say
from demo.truth import LASER_15, MACHINES, Drift

#: Thicknesses whose settings are released on both machines, mm.
RELEASED_MM: Final = (15, 20, 25)
MATERIAL: Final = "S355J2+N"
#: The revision before was cut so much faster.
FASTER: Final = 1.06
LOT_HOLD: Final = "HD-lot"
DRIFT_HOLD: Final = "HD-pierces"


def actions(
    seed: int, *, first_day: date, last_day: date, drift: Drift | None, lot: tuple[str, str] | None
) -> list[Saying]:
    """Word all of it; lot: mill and heat number of the oxidised lot, if there is one."""
    rng = random.Random(f"shop {seed} actions")
    said = _released(rng, first_day)
    if lot is not None:
        said.append(_held_lot(rng, lot, last_day))
    if drift is not None:
        said += _held_machine(rng, drift)
    return said


def _engineer(rng: random.Random, at: datetime, kind: str, subject: str, data: dict[str, Any]) -> Saying:
    return say(rng, at, source=ENGINEERING, kind=kind, subject=subject, data=data)


def _released(rng: random.Random, first_day: date) -> list[Saying]:
    said = []
    for number, (machine, mm) in enumerate((machine, mm) for machine in MACHINES for mm in RELEASED_MM):
        now = recipe(machine, thickness_mm=mm)
        before = now | {"revision": "1", "feed_mm_min": round(now["feed_mm_min"] * FASTER / 10) * 10}
        place = {"machine": machine, "material": MATERIAL, "thickness_mm": mm, "gas": "oxygen"}
        for days, settings, reason in (
            (40, before, "works on clean plate since the winter"),
            (6, now, "slower feed, cleaner lower edge"),
        ):
            at = hours.moment(first_day - timedelta(days=days), minutes=420 + number)
            said.append(
                _engineer(rng, at, "recipe.released", now["name"], place | {"recipe": settings, "reason": reason})
            )
    return said


def _held_lot(rng: random.Random, lot: tuple[str, str], last_day: date) -> Saying:
    mill, heat = lot
    told = {"mill": mill, "heat_number": heat, "reason": "rusted through the scale: parts of it fail far more often"}
    return _engineer(rng, hours.moment(last_day - timedelta(days=1), minutes=290), "hold.placed", LOT_HOLD, told)


def _held_machine(rng: random.Random, drift: Drift) -> list[Saying]:
    """The stronger laser is held while its nozzle is changed, looked at by who changed it, and freed again."""
    placed, checked, lifted = (drift.service_at + timedelta(minutes=minutes) for minutes in (-14, 4, 9))
    told = {"machine": LASER_15, "reason": "pierces fail more from day to day"}
    checks = [
        {"what": "nozzle", "found": "replaced"},
        {"what": "nozzle_centring", "found": "set_right"},
        {"what": "protective_window", "found": "in_order"},
        {"what": "gas", "found": "in_order"},
    ]
    freed = {"reason": "nozzle changed, the first pierces since look well", "disposition": "conforms"}
    return [
        _engineer(rng, placed, "hold.placed", DRIFT_HOLD, told),
        say(rng, checked, source=TERMINALS[LASER_15], kind="machine.checked", subject=LASER_15,
            data={"checks": checks, "note": "bore worn oval"}),
        _engineer(rng, lifted, "hold.lifted", DRIFT_HOLD, freed),
    ]  # fmt: skip
