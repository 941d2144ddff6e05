"""The invented shop's steel: heats, plates, remnants, and what is known of their condition and when."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Final

from demo.hours import bench_time
from demo.orders import STEEL_KG_PER_MM3, Slot, Thickness
from demo.sayings import STORE, Saying, say, stated

MILLS: Final = ("mill A", "mill B", "mill C")
LOT_MATERIAL: Final = "S355J2+N"
LOT_MM: Final = 20.0
LOT_PLATES: Final = 10
#: How an ordinary plate comes to the laser: condition on arrival -> weight. Only `disturbed` ones cut worse.
ARRIVALS: Final = {"tight_scale": 76, "blasted": 6, "loose_scale": 6, "primed": 5, "not_looked_at": 7}


@dataclass(frozen=True, slots=True)
class Plate:
    """One plate, with the true groups of its condition and the mass (kg) that its nest may fill."""

    id: str
    material: str
    thickness: Thickness
    mill: str
    heat: str
    received_at: datetime
    mass_kg: float
    surface_group: str = "clean"
    thermal_history: str = "as_supplied"
    parent: str | None = None


@dataclass(slots=True)
class _Heat:
    mill: str
    number: str
    delivered_at: datetime
    left: int
    oxidised: bool = False


@dataclass(slots=True)
class Steelyard:
    """Deals a plate to every slot and words what the store said of it.

    `oxidised_from` is the instant from which the next heat of 20 mm plate is the oxidised lot (None: no plate is
    disturbed); without `quenched` remnants are sawn, and as good as new plate.
    """

    rng: random.Random
    oxidised_from: datetime | None
    quenched: bool
    said: list[Saying] = field(default_factory=list)
    _heats: dict[tuple[str, float], _Heat] = field(default_factory=dict)
    _lot_heat: _Heat | None = None
    _parents: dict[str, tuple[Plate, _Heat]] = field(default_factory=dict)
    _dealt: list[tuple[Plate, Slot]] = field(default_factory=list)

    def deal(self, slots: Sequence[Slot]) -> None:
        """Deal a plate to each slot, and say what the store says; slots are in order of time."""
        for slot in slots:
            plate = self._remnant(slot) if slot.remnant else self._whole_plate(slot, heat=self._heat(slot))
            self._dealt.append((plate, slot))
        self._assess_lot()

    @property
    def plates(self) -> list[Plate]:
        """One plate for each slot, in the order of the slots."""
        return [plate for plate, _ in self._dealt]

    @property
    def oxidised_heat(self) -> str | None:
        """Heat number of the oxidised lot; None when the shop has none."""
        return self._lot_heat.number if self._lot_heat else None

    @property
    def oxidised_lot(self) -> tuple[str, str] | None:
        """Mill and heat number of the oxidised lot; None when the shop has none."""
        return (self._lot_heat.mill, self._lot_heat.number) if self._lot_heat else None

    def _heat(self, slot: Slot) -> _Heat:
        key = (slot.job.material, slot.job.thickness.mm)
        if key == (LOT_MATERIAL, LOT_MM) and not slot.remnant and self._lot_runs(slot.at):
            if self._lot_heat is None:
                self._lot_heat = self._new_heat(slot, oxidised=True)
            heat = self._lot_heat
        else:
            known = self._heats.get(key)
            heat = known if known is not None and known.left else self._new_heat(slot, oxidised=False)
            self._heats[key] = heat
        heat.left -= 1
        return heat

    def _lot_runs(self, at: datetime) -> bool:
        if self.oxidised_from is None or at < self.oxidised_from:
            return False
        return self._lot_heat is None or self._lot_heat.left > 0

    def _new_heat(self, slot: Slot, *, oxidised: bool) -> _Heat:
        rng = self.rng
        # The oxidised lot has lain in the yard for weeks.
        days_before = rng.uniform(15, 18) if oxidised else rng.uniform(2, 8)
        delivered_at = self._stored(slot, before=timedelta(days=days_before))
        plates = LOT_PLATES if oxidised else rng.randint(5, 9)
        return _Heat(rng.choice(MILLS), str(rng.randint(200_000, 899_999)), delivered_at, plates, oxidised)

    def _stored(self, slot: Slot, *, before: timedelta) -> datetime:
        """Return a time at which the store works, so long before the slot or little less."""
        return min(bench_time(slot.at - before), slot.at - timedelta(hours=1))

    def _whole_plate(self, slot: Slot, *, heat: _Heat) -> Plate:
        # Plates of one delivery are booked in one after the other.
        received_at = heat.delivered_at + timedelta(minutes=2, seconds=heat.left * 70)
        arrival = "tight_scale" if heat.oxidised else self._arrival()
        known: dict[str, Any] = {"coating": "none", "rust_grade": "A", "edges": self.rng.choice(("mill", "sheared"))}
        surface = "clean"
        if arrival == "loose_scale":
            known["rust_grade"], surface = "B", "disturbed"
        elif arrival == "primed":
            known["coating"], surface = "shop_primer", "disturbed"
        elif arrival == "blasted":
            known["rust_grade"] = "C"
        elif arrival == "not_looked_at":
            del known["rust_grade"], known["coating"]
            surface = "unknown"
        thermal = "as_supplied"
        if self.rng.random() < 0.04:
            del known["edges"]
            thermal = "unknown"
        plate = self._plate(
            slot, heat, received_at=received_at, surface="disturbed" if heat.oxidised else surface, thermal=thermal
        )
        self._receive(plate, slot, known=known)
        if arrival == "blasted":
            blasted_at = min(bench_time(received_at + timedelta(hours=3)), slot.at - timedelta(minutes=25))
            self._assess(plate, blasted_at, {"preparation_grade": "Sa 2.5"})
        return plate

    def _arrival(self) -> str:
        arrival = self.rng.choices(list(ARRIVALS), list(ARRIVALS.values()))[0]
        spared = self.oxidised_from is None and arrival in ("loose_scale", "primed")
        return "tight_scale" if spared else arrival

    def _remnant(self, slot: Slot) -> Plate:
        rng = self.rng
        received_at = self._stored(slot, before=timedelta(hours=rng.uniform(14, 40)))
        known: dict[str, Any] = {"coating": "none", "rust_grade": "A", "edges": "sawn"}
        thermal = "as_supplied"
        if self.quenched:
            thermal = rng.choices(("hardened", "thermal_edge"), (65, 35))[0]
            known["edges"] = rng.choice(("plasma", "oxyfuel"))
            known["cooling"] = "water" if thermal == "hardened" else "air"
        parent, heat = self._parent(slot, divided_at=received_at)
        plate = self._plate(slot, heat, received_at=received_at, surface="clean", thermal=thermal, parent=parent.id)
        told_late = thermal == "hardened" and rng.random() < 0.3
        cooling = known.pop("cooling") if told_late else None
        self._receive(plate, slot, known=known)
        if cooling:
            late_at = bench_time(slot.at + timedelta(hours=rng.uniform(3, 30)))
            self._assess(plate, late_at, {"cooling": cooling}, held_from=received_at + timedelta(minutes=5))
        return plate

    def _parent(self, slot: Slot, *, divided_at: datetime) -> tuple[Plate, _Heat]:
        """Return the plate from which all remnants of the slot's job come; it was divided in the yard, never cut."""
        known = self._parents.get(slot.job.id)
        if known is not None:
            return known
        heat, received_at = self._heat(slot), divided_at - timedelta(hours=50)
        parent = self._plate(slot, heat, received_at=received_at, surface="clean", thermal="as_supplied", grown=5.0)
        self._receive(parent, slot, known={"coating": "none", "rust_grade": "A", "edges": "mill"})
        closed_at = divided_at - timedelta(minutes=20)
        self._say(closed_at, kind="plate.closed", subject=parent.id, data={"reason": "used"})
        self._parents[slot.job.id] = parent, heat
        return parent, heat

    def _plate(
        self, slot: Slot, heat: _Heat, *, received_at: datetime, surface: str, thermal: str,
        parent: str | None = None, grown: float = 1.0,
    ) -> Plate:  # fmt: skip
        filled = self.rng.uniform(0.66, 0.76)
        return Plate(
            id=f"P{received_at:%y%m%d}-{self.rng.getrandbits(20):05X}",
            material=slot.job.material,
            thickness=slot.job.thickness,
            mill=heat.mill,
            heat=heat.number,
            received_at=received_at,
            mass_kg=grown * slot.parts * slot.job.part.mass_kg / filled,
            surface_group=surface,
            thermal_history=thermal,
            parent=parent,
        )

    def _receive(self, plate: Plate, slot: Slot, *, known: dict[str, Any]) -> None:
        rng, thickness_mm = self.rng, plate.thickness.mm
        width_mm = rng.choice((1000, 1250, 1500)) if plate.parent is None else rng.choice((600, 700, 800))
        length_mm = math.ceil(plate.mass_kg / (STEEL_KG_PER_MM3 * thickness_mm * width_mm) / 10) * 10
        data: dict[str, Any] = {"material": plate.material, **plate.thickness.stated()}
        data |= {"length_mm": length_mm, "width_mm": width_mm}
        if rng.random() < 0.4:
            data["measured_thickness_mm"] = round(thickness_mm + rng.uniform(-0.2, 0.45), 2)
        if plate.parent is None:
            data |= {"mill": plate.mill, "heat_number": plate.heat, "supplier": "steel dealer", "certificate": "3.1"}
            data["delivery_condition"] = "N"
        else:
            data["parent"] = plate.parent
        if rng.random() < 0.3:
            data["temperature_c"] = round(rng.uniform(9, 24), 1)
        self._say(plate.received_at, kind="plate.received", subject=plate.id, data=data | known)

    def _assess_lot(self) -> None:
        """Say days after the first cuts that the lot had been rusty before them."""
        lot = [(plate, slot) for plate, slot in self._dealt if plate.heat == self.oxidised_heat]
        if not lot:
            return
        told_at = bench_time(lot[min(2, len(lot) - 1)][1].at + timedelta(hours=30))
        held_from = lot[0][1].at - timedelta(days=6)
        for number, (plate, _) in enumerate(lot):
            grade = "D" if number % 3 == 2 else "C"
            self._assess(plate, told_at + timedelta(minutes=2 * number), {"rust_grade": grade}, held_from=held_from)

    def _assess(self, plate: Plate, at: datetime, known: dict[str, Any], *, held_from: datetime | None = None) -> None:
        data = known if held_from is None else known | {"observed_at": stated(held_from)}
        self._say(at, kind="plate.assessed", subject=plate.id, data=data)

    def _say(self, at: datetime, *, kind: str, subject: str, data: dict[str, Any]) -> None:
        self.said.append(say(self.rng, at, source=STORE, kind=kind, subject=subject, data=data))
