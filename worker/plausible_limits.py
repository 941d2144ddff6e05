"""The limits between which an entry is plausible, until a site sets its own. Pure.

Common practice, no source, for all of them; a warning says "look here", so a limit lies where the trade would look
twice and not where something is impossible.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, Final

#: What is doubted, by the code of its warning.
DOUBTS: Final[Mapping[str, str]] = {
    "feed_times_thickness": "feed x thickness with oxygen",
    "gas_pressure": "pressure of the cutting gas",
    "standoff": "distance from nozzle to plate",
    "pierce_time": "time of one pierce",
    "machine_time": "machine time beside length, feed and pierces",
    "measured_thickness": "measured thickness beside the nominal one",
    "plate_temperature": "temperature of the plate",
    "hole_ratio": "smallest hole beside the thickness",
    "web_ratio": "thinnest web beside the thickness",
    "sharp_corner": "corner without radius in thick plate",
    "size_beyond_kerf": "deviation of a size beside the kerf",
    "rework_minutes": "rework minutes of a part",
    "rework_times": "times that a part was worked on",
    "failed_pierces": "failed pierces close together",
    "plate_mass": "mass of the parts beside that of their plate",
    "times_at_shift_end": "times that all lie at the end of a shift",
    "heat_or_machine": "one heat bad on one machine or on several",
}


def _limit(default: float, least: float, most: float, description: str) -> Any:
    """A limit with the bounds within which a site may set it; a whole number where its default is an int."""
    return field(default=default, metadata={"least": least, "most": most, "description": description})


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of one site; a value on a limit is plausible. `off` lists the doubts that the site does not want told."""

    feed_thickness_least: float = _limit(8.0, 0, 10_000, "least feed x thickness with oxygen, m/min x mm")
    feed_thickness_most: float = _limit(40.0, 0, 10_000, "most feed x thickness with oxygen, m/min x mm")
    oxygen_most_bar: float = _limit(6.0, 0, 100, "most oxygen pressure below thick_from_mm, bar")
    thick_from_mm: float = _limit(10.0, 0.1, 500, "thickness from which the limits of thick plate hold, mm")
    thick_oxygen_least_bar: float = _limit(0.3, 0, 100, "least oxygen pressure in thick plate, bar")
    thick_oxygen_most_bar: float = _limit(2.0, 0, 100, "most oxygen pressure in thick plate, bar")
    nitrogen_air_least_bar: float = _limit(4.0, 0, 100, "least pressure of nitrogen or air, bar")
    standoff_least_mm: float = _limit(0.3, 0, 100, "least distance from nozzle to plate, mm")
    standoff_most_mm: float = _limit(4.0, 0, 100, "most distance from nozzle to plate, mm")
    pierce_most_seconds: float = _limit(60.0, 0.1, 600, "longest pierce, s")
    time_least_ratio: float = _limit(0.8, 0, 1, "least machine time, times length / feed + pierces x pierce time")
    time_most_ratio: float = _limit(3.0, 1, 1000, "most machine time, times length / feed + pierces x pierce time")
    narrow_ratio: float = _limit(1.0, 0, 10, "least hole or web, times the thickness")
    very_narrow_ratio: float = _limit(0.5, 0, 10, "hole or web below which the warning is strong, times the thickness")
    sharp_corner_over_mm: float = _limit(15.0, 0.1, 500, "thickness up to which corners may be without radius, mm")
    kerf_mm: float = _limit(1.0, 0.01, 20, "width of the kerf: sizes that deviate more are no matter of it, mm")
    plate_least_c: float = _limit(5.0, -60, 1000, "coldest plate, degrees Celsius")
    plate_most_c: float = _limit(60.0, -60, 1000, "hottest plate, degrees Celsius")
    temperature_holds_hours: float = _limit(24.0, 0, 8760, "how long a measured temperature is taken to hold, h")
    rework_most_minutes: float = _limit(30.0, 0.1, 100_000, "most rework of a part, person-minutes")
    rework_most_times: int = _limit(3, 1, 1000, "most times that one part is worked on")
    failed_in_succession: int = _limit(3, 2, 1000, "failed pierces in succession that ask for a look")
    failed_in_window: int = _limit(3, 2, 1000, "failed pierces within pierce_window that ask for a look")
    pierce_window: int = _limit(20, 2, 10_000, "pierces that are looked at together")
    plate_mass_most_share: float = _limit(0.95, 0.01, 1, "most mass of a plate's parts, share of the plate's")
    shift_end_minutes: float = _limit(10.0, 0, 480, "time around the end of a shift in which all entries are odd, min")
    shift_end_entries: int = _limit(3, 2, 1000, "entries of a shift from which that is said")
    off: tuple[str, ...] = ()


#: Pairs whose first must not lie above the second, else everything or nothing between them would be doubted.
ORDERED: Final = (
    ("feed_thickness_least", "feed_thickness_most"),
    ("thick_oxygen_least_bar", "thick_oxygen_most_bar"),
    ("standoff_least_mm", "standoff_most_mm"),
    ("very_narrow_ratio", "narrow_ratio"),
    ("plate_least_c", "plate_most_c"),
    ("failed_in_window", "pierce_window"),
)
#: The same as plain values, as a site's settings hold them.
DEFAULT_LIMITS: Final[Mapping[str, Any]] = asdict(Limits()) | {"off": []}


def limits_in_force(stated: Mapping[str, Any]) -> dict[str, Any]:
    """All limits as plain values where a site stated some of them; null is not stated."""
    return {**DEFAULT_LIMITS, **{name: value for name, value in stated.items() if value is not None}}


def limits_of(values: Mapping[str, Any]) -> Limits:
    """Limits from all their plain values."""
    return Limits(**{**values, "off": tuple(values["off"])})


def below(value: float, limit: float) -> bool:
    """True when a value lies below a limit by more than rounding."""
    return value < limit and limit - value > 1e-12 * max(1.0, abs(limit))


def above(value: float, limit: float) -> bool:
    """True when a value lies above a limit by more than rounding."""
    return value > limit and value - limit > 1e-12 * max(1.0, abs(limit))
