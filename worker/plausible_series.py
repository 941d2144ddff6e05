"""What several entries say together that none says alone. Pure; who asks finds the entries that belong together."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from worker.plausible_limits import Limits, above
from worker.sentences import Sentence, figure, sentence

#: Mass of a cubic millimetre of steel, kg: 7850 kg/m3, the nominal density of structural steel (EN 1991-1-1, from
#: memory): 20 mm of steel weigh 157 kg a square metre.
STEEL_KG_PER_MM3: Final = 7.85e-6
_NM_PER_MM: Final = 1_000_000
_MINUTE_US: Final = 60_000_000
MACHINE, STEEL = "machine", "steel"


# --- pierces ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PierceSeries:
    """Failed pierces close together: places of the first and last attempt, their pierces and how many failed."""

    first: int
    last: int
    pierces: int
    failed: int
    in_succession: bool

    @property
    def detail(self) -> Sentence:
        """What is the matter, and where to look."""
        if self.in_succession:
            return sentence(
                "%(failed)s pierces failed in succession: look at the nozzle, then at its centring, then at the "
                "protective window, before the next plate is pierced",
                failed=self.failed,
            )
        return sentence(
            "%(failed)s pierces failed within %(pierces)s pierces: look at the nozzle, then at its centring, then at "
            "the protective window, before the next plate is pierced",
            failed=self.failed,
            pierces=self.pierces,
        )


def pierce_series(counts: Sequence[tuple[int, int]], *, limits: Limits) -> PierceSeries | None:
    """The last and shortest series of failed pierces close together; None when there is none.

    counts: (pierces, failed pierces) of the attempts of one machine, in the order in which they ran; 0 <= failed <=
    pierces. Within an attempt the order of its pierces is not known, so only what holds in every order is said: in
    succession are the pierces of attempts that failed wholly, and of f failures among p pierces at least
    ceil(f / (p - f + 1)) (the others divide them into that many groups); of an attempt longer than the window at
    least ceil(f / ceil(p / window)) lie within one window.
    """
    found: PierceSeries | None = None
    run: list[int] = []
    window: list[int] = []
    for at, (pierces, failed) in enumerate(counts):
        if not pierces:
            continue
        run = [*run, at] if failed == pierces else []
        window = _within([*window, at], counts, limits=limits)
        found = (
            _series(run, counts, limits.failed_in_succession, in_succession=True)
            or _series(window, counts, limits.failed_in_window, in_succession=False)
            or _alone(at, pierces, failed, limits=limits)
            or found
        )
    return found


def _within(places: list[int], counts: Sequence[tuple[int, int]], *, limits: Limits) -> list[int]:
    """The longest end of these places whose pierces fit into the window."""
    while places and sum(counts[at][0] for at in places) > limits.pierce_window:
        places = places[1:]
    return places


def _series(
    places: Sequence[int], counts: Sequence[tuple[int, int]], enough: int, *, in_succession: bool
) -> PierceSeries | None:
    """The shortest end of these places with enough failures."""
    pierces = failed = 0
    for at in reversed(places):
        pierces, failed = pierces + counts[at][0], failed + counts[at][1]
        if failed >= enough:
            return PierceSeries(at, places[-1], pierces, failed, in_succession)
    return None


def _alone(at: int, pierces: int, failed: int, *, limits: Limits) -> PierceSeries | None:
    """What an attempt shows whose pierces do not fit into the window, or fail close together in any order."""
    if not failed:
        return None
    together = math.ceil(failed / (pierces - failed + 1))
    if together >= limits.failed_in_succession:
        return PierceSeries(at, at, pierces, together, in_succession=True)
    in_window = math.ceil(failed / math.ceil(pierces / limits.pierce_window))
    if in_window >= limits.failed_in_window:
        return PierceSeries(at, at, min(pierces, limits.pierce_window), in_window, in_succession=False)
    return None


# --- mass -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PlateLoad:
    """Parts that fill their plate more than a nest can; `impossible` when they weigh more than it."""

    parts_kg: float
    plate_kg: float
    share: float
    impossible: bool

    @property
    def detail(self) -> Sentence:
        """What is the matter, and where to look."""
        figures = {
            "parts": figure(self.parts_kg, ".6g"),
            "plate": figure(self.plate_kg, ".6g"),
            "share": figure(self.share, ".1%"),
        }
        if self.impossible:
            return sentence(
                "parts of %(parts)s kg were cut from a plate of %(plate)s kg, %(share)s of it: more than the plate "
                "itself; look whether plate, sizes, part mass and quantity were entered right",
                **figures,
            )
        return sentence(
            "parts of %(parts)s kg were cut from a plate of %(plate)s kg, %(share)s of it: more than a nest leaves "
            "room for; look whether plate, sizes, part mass and quantity were entered right",
            **figures,
        )


def plate_mass_kg(*, length_mm: float, width_mm: float, thickness_nm: int) -> float:
    """Mass of a rectangular steel plate of nominal thickness, kg."""
    return STEEL_KG_PER_MM3 * length_mm * width_mm * (thickness_nm / _NM_PER_MM)


def mass_on_plate(part_masses_kg: Iterable[float], plate_kg: float, *, limits: Limits) -> PlateLoad | None:
    """The parts of a plate beside its mass; None when they fit.

    part_masses_kg: mass of each attempt's parts, kg, in any order. Parts of a blank that is cut on after a stop count
    once: who asks leaves them out.
    """
    parts_kg = math.fsum(part_masses_kg)
    if plate_kg <= 0 or not above(parts_kg / plate_kg, limits.plate_mass_most_share):
        return None
    share = parts_kg / plate_kg
    return PlateLoad(parts_kg, plate_kg, share, impossible=above(share, 1.0))


# --- times ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ShiftEndEntries:
    """Entries of a shift that all lie around its end."""

    entries: int
    first_us: int
    last_us: int
    shift_end_us: int

    @property
    def detail(self) -> Sentence:
        """What is the matter, and where to look."""
        furthest = max(abs(at - self.shift_end_us) for at in (self.first_us, self.last_us)) / _MINUTE_US
        return sentence(
            "all %(entries)s entries of the shift lie within %(minutes)s minutes of its end: their times are not "
            "trusted; look whether they were written down when things happened",
            entries=self.entries,
            minutes=figure(furthest, ".3g"),
        )


def entries_at_shift_end(times_us: Iterable[int], *, shift_end_us: int, limits: Limits) -> ShiftEndEntries | None:
    """All entries of one terminal in one shift beside the shift's end; None when they are few, or spread over it."""
    ordered = sorted(times_us)
    if len(ordered) < limits.shift_end_entries:
        return None
    near_us = limits.shift_end_minutes * _MINUTE_US
    if any(abs(at - shift_end_us) > near_us for at in (ordered[0], ordered[-1])):
        return None
    return ShiftEndEntries(len(ordered), ordered[0], ordered[-1], shift_end_us)


# --- heats ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Suspicion:
    """What to look at first when a heat cuts badly: the machine or the steel; machines by name."""

    suspect: str
    bad_on: tuple[str, ...]
    fine_on: tuple[str, ...]

    @property
    def detail(self) -> Sentence:
        """What is the matter, and where to look."""
        bad, fine = ", ".join(self.bad_on), ", ".join(self.fine_on)
        if self.suspect == MACHINE:
            return sentence(
                "the heat cuts badly on %(bad)s alone and not on %(fine)s: suspect the machine before the steel",
                bad=bad,
                fine=fine,
            )
        return sentence("the heat cuts badly on %(bad)s: suspect the steel before the machines", bad=bad)


def heat_by_machine(is_bad: Mapping[str, bool]) -> Suspicion | None:
    """Machine or steel, from whether one heat is bad on each machine that cut enough of it to tell.

    None when it is bad nowhere, or on the only machine that cut it: then either may be the cause.
    """
    bad = tuple(sorted(machine for machine, told in is_bad.items() if told))
    fine = tuple(sorted(machine for machine, told in is_bad.items() if not told))
    if len(bad) > 1:
        return Suspicion(STEEL, bad, fine)
    return Suspicion(MACHINE, bad, fine) if bad and fine else None
