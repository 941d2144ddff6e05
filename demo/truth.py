"""What is true in the invented shop, so that estimates can be held against it.

The model, with its units:

- A part's *first pass* succeeds (good at the first attempt, without rework) with the probability
  `logistic(level + slope * ln(thickness / 20 mm) + surface shift + thermal shift)`, a logistic curve in log thickness
  for each condition (machine, surface group, thermal history). Shifts are on the log-odds scale; grade, recipe, shift
  and operator have no effect.
- The parts of one plate stand or fall together: the plate's own success share is drawn from a beta distribution whose
  mean is the curve and whose intra-plate correlation is `plate_correlation`. A beta and not a normal plate effect,
  because the curve then holds exactly for the average over plates: no integral stands between truth and estimate.
- A pierce fails at the first try with the probability `logistic(level + slope * ln(thickness / 20 mm) + surface
  shift + drift)`, independently of each other. Failed pierces decide which parts of a plate fail, not how many.
- The drift adds log-odds that grow linearly with time on one machine, until its nozzle is changed.
- Sizes: outward features come out `offset` mm large and holes as much small, distances between features true.

Retries follow the same curve; only first attempts are first passes.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from types import MappingProxyType
from typing import Final

LASER_8: Final = "laser-8kw"
LASER_15: Final = "laser-15kw"
MACHINES: Final = (LASER_8, LASER_15)
REFERENCE_MM: Final = 20.0


@dataclass(frozen=True, slots=True)
class Curve:
    """Log-odds at 20 mm, and their slope per unit of the natural logarithm of thickness."""

    level: float
    slope: float

    def log_odds(self, thickness_mm: float) -> float:
        """Log-odds at a thickness in mm (above 0)."""
        return self.level + self.slope * math.log(thickness_mm / REFERENCE_MM)


@dataclass(frozen=True, slots=True)
class Drift:
    """A nozzle that wears: log-odds of a failed pierce rise from 0 at begins_at to gain at service_at, then are 0."""

    machine: str
    begins_at: datetime
    service_at: datetime
    gain: float

    def log_odds(self, at: datetime) -> float:
        """Log-odds added at an aware instant."""
        if not self.begins_at <= at < self.service_at:
            return 0.0
        return self.gain * ((at - self.begins_at) / (self.service_at - self.begins_at))


def _fixed(**values: float) -> Mapping[str, float]:
    return MappingProxyType(values)


@dataclass(frozen=True, slots=True)
class Truth:
    """The shop's true figures; every probability is a share from 0 to 1."""

    yields: Mapping[str, Curve] = field(
        default_factory=lambda: MappingProxyType({LASER_8: Curve(2.6, -4.2), LASER_15: Curve(3.9, -4.0)})
    )
    surface_shift: Mapping[str, float] = field(default_factory=lambda: _fixed(clean=0.0, disturbed=-1.8, unknown=0.0))
    thermal_shift: Mapping[str, float] = field(
        default_factory=lambda: _fixed(as_supplied=0.0, thermal_edge=-0.5, hardened=-2.6, unknown=0.0)
    )
    plate_correlation: float = 0.12
    pierces: Mapping[str, Curve] = field(
        default_factory=lambda: MappingProxyType({LASER_8: Curve(-4.0, 1.6), LASER_15: Curve(-4.4, 1.6)})
    )
    pierce_surface_shift: Mapping[str, float] = field(
        default_factory=lambda: _fixed(clean=0.0, disturbed=0.9, unknown=0.0)
    )
    drift: Drift | None = None
    size_offset_mm: Mapping[str, float] = field(
        default_factory=lambda: MappingProxyType({LASER_8: 0.18, LASER_15: 0.05})
    )

    def first_pass_yield(
        self,
        thickness_mm: float,
        *,
        machine: str,
        surface_group: str = "clean",
        thermal_history: str = "as_supplied",
    ) -> float:
        """Share of parts that are good at the first pass, over all plates of this thickness and condition."""
        shift = self.surface_shift[surface_group] + self.thermal_shift[thermal_history]
        return logistic(self.yields[machine].log_odds(thickness_mm) + shift)

    def thickness_at(
        self,
        target_yield: float,
        *,
        machine: str,
        surface_group: str = "clean",
        thermal_history: str = "as_supplied",
    ) -> float:
        """Thickness in mm at which the first-pass yield equals the target (between 0 and 1, both outside)."""
        curve = self.yields[machine]
        shift = self.surface_shift[surface_group] + self.thermal_shift[thermal_history]
        wanted = math.log(target_yield / (1 - target_yield))
        return REFERENCE_MM * math.exp((wanted - shift - curve.level) / curve.slope)

    def failed_pierce_rate(
        self, thickness_mm: float, *, machine: str, surface_group: str = "clean", at: datetime | None = None
    ) -> float:
        """Share of pierces that fail at the first try; with an instant, the drift of that moment is in it."""
        log_odds = self.pierces[machine].log_odds(thickness_mm) + self.pierce_surface_shift[surface_group]
        if at is not None and self.drift is not None and self.drift.machine == machine:
            log_odds += self.drift.log_odds(at)
        return logistic(log_odds)


def logistic(log_odds: float) -> float:
    """Probability (0 to 1) of the given log-odds."""
    return 1 / (1 + math.exp(-log_odds))
