"""The steel of a used plate, divided among the jobs that were cut from it. Pure."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Final

from worker.confirming.amounts import PLATE_MASS, REMNANT, Amounts, key_of
from worker.placing import MOST_MASS_MG, exact
from worker.plausible_series import STEEL_KG_PER_MM3

STEEL: Final = "steel"
_STEEL: Final = re.compile(r"[SPLE]\d{3}|D[CDX]\d{2}|1\.0\d{3}|(ASTM )?A(36|516|572)\b", re.IGNORECASE)
_NM_PER_MM: Final = 1_000_000
_MG_PER_KG: Final = 1_000_000


@dataclass(frozen=True)
class Sheet:
    """A plate or remnant as it was received; lengths as they were stated, None where they were not."""

    plate: str
    heat_number: str | None
    length_mm: float | int | None
    width_mm: float | int | None
    thickness_nm: int | None
    steel: bool

    @property
    def mass_mg(self) -> int | None:
        """Its nominal mass; None where a side is not known or beyond any use, or it is not known to be of steel."""
        return mass_mg(self.length_mm, self.width_mm, self.thickness_nm) if self.steel else None


def is_steel(material: str | None) -> bool:
    """True for the name of a material whose density is that of structural steel; stainless steel is heavier.

    Names and numbers after EN 10027-1 and -2, three ASTM plate grades (all from memory), or the word itself.
    """
    if material is None or "stainless" in material.lower():
        return False
    return "steel" in material.lower() or _STEEL.match(material.strip()) is not None


def mass_mg(length_mm: Any, width_mm: Any, thickness_nm: int | None) -> int | None:
    """Nominal mass of a rectangular plate of structural steel, whole milligrams."""
    if length_mm is None or width_mm is None or thickness_nm is None:
        return None
    volume_mm3 = exact(length_mm) * exact(width_mm) * Fraction(thickness_nm, _NM_PER_MM)
    mass = round(volume_mm3 * exact(STEEL_KG_PER_MM3) * _MG_PER_KG)
    return mass if mass <= MOST_MASS_MG else None


def shares_of(
    plate: Sheet, remnants: Sequence[Sheet], tried: Mapping[str | None, int], part_mg: Mapping[str, int]
) -> dict[str, Amounts]:
    """Amounts of each job that was cut from a used plate. tried: parts by job, None for attempts that name none.

    The plate's mass less that of its remnants goes by the mass of the parts tried, or by their number where a job does
    not tell the mass of a part. A remnant is one piece: it goes whole to the job that took most of the plate.
    """
    weights = _weights(tried, part_mg)
    found: dict[str, Amounts] = {job: Counter() for job in tried if job is not None}
    used_mg = _used_mg(plate, remnants)
    if used_mg is not None and any(weights.values()):
        for job, share in divided(used_mg, weights).items():
            if job is not None and share:
                found[job][key_of(PLATE_MASS, plate.plate, plate.heat_number)] = share
    if found:
        took_most = min(found, key=lambda job: (-weights[job], job))
        for remnant in remnants:
            found[took_most][_remnant_key(plate, remnant)] = 1
    return found


def _weights(tried: Mapping[str | None, int], part_mg: Mapping[str, int]) -> dict[str | None, int]:
    if all(job is not None and part_mg.get(job) for job in tried):
        return {job: parts * part_mg[job or ""] for job, parts in tried.items()}
    return dict(tried)


def _used_mg(plate: Sheet, remnants: Sequence[Sheet]) -> int | None:
    whole, back = plate.mass_mg, [remnant.mass_mg for remnant in remnants]
    if whole is None or None in back:
        return None
    used = whole - sum(mass for mass in back if mass is not None)
    return used if used > 0 else None


def divided(whole: int, weights: Mapping[str | None, int]) -> dict[str | None, int]:
    """A whole number in proportion to weights, one of which is more than 0: the largest remainders are rounded up."""
    total = sum(weights.values())
    shares = {name: whole * weight // total for name, weight in weights.items()}
    by_remainder = sorted(weights, key=lambda name: (-(whole * weights[name] % total), name or ""))
    for name in by_remainder[: whole - sum(shares.values())]:
        shares[name] += 1
    return shares


def _remnant_key(plate: Sheet, remnant: Sheet) -> str:
    sides = (remnant.length_mm, remnant.width_mm, remnant.thickness_nm)
    told = (None if side is None else str(side) for side in sides)
    return key_of(REMNANT, plate.plate, remnant.plate, remnant.heat_number, *told, STEEL if remnant.steel else None)
