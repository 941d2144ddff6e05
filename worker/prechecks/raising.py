"""What would raise the expected yield of an intended cut: clean plate, another plate, another machine."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any, Final

from worker.plates import UNKNOWN, surface_group
from worker.prechecks.evidence import Evidence, promise
from worker.prechecks.intended import open_plates
from worker.reports.expected_yield import ExpectedYield, PlannedCut, expected_yield

CLEAN: Final = "clean"
TRIM: Final = "trim"
PLATE: Final = "plate"
MACHINE: Final = "machine"
#: What can be done.
WAYS: Final = (CLEAN, TRIM, PLATE, MACHINE)
#: Open plates of a thickness that are looked through, and how many of one condition are named.
MOST_PLATES: Final = 500
MOST_NAMED: Final = 3
#: So many other machines are named.
MOST_MACHINES: Final = 5
#: A gain below this is none.
LEAST_GAIN: Final = 0.005


def raising(evidence: Evidence, now: ExpectedYield | None) -> list[dict[str, Any]]:
    """Ways that raise the expected yield, the most promising first; without one for now: what each machine promises."""
    cut = evidence.intended.cut
    if cut is None:
        return []
    ways = [*_other_machines(evidence, cut)]
    if now is not None:
        ways += [*_on_plate(evidence, cut, now), *_other_plates(evidence, cut, now)]
    known = None if now is None else now.share
    gaining = [
        (expected, told)
        for expected, told in ways
        if expected.share is not None and (known is None or expected.share - known >= LEAST_GAIN)
    ]
    gaining.sort(key=lambda pair: (promise(pair[0]), WAYS.index(pair[1]["way"])))
    return [told | _yield(expected, now) for expected, told in gaining]


def _yield(expected: ExpectedYield, now: ExpectedYield | None) -> dict[str, Any]:
    """The yield of a way. clear: its interval lies wholly above that of now; None: there is none of now."""
    known = None if now is None else now.share
    gain = None if known is None or expected.share is None else expected.share - known
    clear = None if gain is None or now is None else (expected.low or 0.0) > (1.0 if now.high is None else now.high)
    return {
        "share": expected.share,
        "low": expected.low,
        "high": expected.high,
        "gain": gain,
        "clear": clear,
        "source": expected.source,
    }


Way = tuple[ExpectedYield, dict[str, Any]]


def _told(way: str, **more: Any) -> dict[str, Any]:
    return {
        "way": way,
        "plates": [],
        "machine": None,
        "gas": None,
        "surface_group": None,
        "thermal_history": None,
    } | more


def _on_plate(evidence: Evidence, cut: PlannedCut, now: ExpectedYield) -> Iterator[Way]:
    """Clean its surface; cut away what an earlier cut heated or hardened."""
    if cut.surface_group == "disturbed":
        clean = replace(cut, surface_group="clean")
        yield expected_yield(evidence.history, clean, now.setup), _told(CLEAN, surface_group="clean")
    if cut.thermal_history in ("thermal_edge", "hardened"):
        trimmed = replace(cut, thermal_history="as_supplied")
        yield expected_yield(evidence.history, trimmed, now.setup), _told(TRIM, thermal_history="as_supplied")


def _other_plates(evidence: Evidence, cut: PlannedCut, now: ExpectedYield) -> Iterator[Way]:
    """Plates in stock by their condition; one of which nobody noted it promises nothing."""
    by_condition: dict[tuple[str, str], list[str]] = {}
    for plate, surface, thermal_history in open_plates(evidence.reader, evidence.intended, limit=MOST_PLATES):
        by_condition.setdefault((surface_group(surface), thermal_history), []).append(plate)
    for (surface, thermal_history), plates in sorted(by_condition.items()):
        if UNKNOWN in (surface, thermal_history) or (surface, thermal_history) == (
            cut.surface_group,
            cut.thermal_history,
        ):
            continue
        other = replace(cut, surface_group=surface, thermal_history=thermal_history)
        told = _told(PLATE, plates=plates[:MOST_NAMED], surface_group=surface, thermal_history=thermal_history)
        yield expected_yield(evidence.history, other, now.setup), told


def _other_machines(evidence: Evidence, cut: PlannedCut) -> Iterator[Way]:
    """Each other machine that cut this material, with the gas that promises most there."""
    best: dict[str, ExpectedYield] = {}
    for expected in evidence.of(cut):
        machine = expected.setup.machine
        if machine is not None and machine != evidence.intended.machine:
            best.setdefault(machine, expected)
    for machine, expected in list(best.items())[:MOST_MACHINES]:
        yield expected, _told(MACHINE, machine=evidence.intended.spelled(machine), gas=expected.setup.gas)
