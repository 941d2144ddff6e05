"""What would raise the expected yield of an intended cut: clean plate, another plate, gas or machine."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from worker.plates import UNKNOWN
from worker.prechecks.evidence import Evidence, promise
from worker.prechecks.intended import open_plates
from worker.prechecks.past import Behind
from worker.reports.expected_yield import ExpectedYield, PlannedCut, expected_yield
from worker.sentences import sentence

CLEAN: Final = "clean"
TRIM: Final = "trim"
PLATE: Final = "plate"
GAS: Final = "gas"
MACHINE: Final = "machine"
#: What can be done.
WAYS: Final = (CLEAN, TRIM, PLATE, GAS, MACHINE)
#: So many plates of one condition are named.
MOST_NAMED: Final = 3
#: So many other machines, each with a gas, are named.
MOST_MACHINES: Final = 5
#: A gain below this is none.
LEAST_GAIN: Final = 0.005
OVERLAP: Final = sentence("the intervals overlap, so chance may explain it")
OTHER_STEEL: Final = sentence("no heat was cut both ways, so the steel may be what differs")


@dataclass(frozen=True, slots=True)
class Way:
    """Something to do: its yield, what that rests on, and what is told of it.

    without: number of the heat whose parts are left out. always: offered whatever it gains.
    """

    expected: ExpectedYield
    behind: Behind
    told: Mapping[str, Any]
    without: str | None = None
    always: bool = False


def raising(evidence: Evidence, now: ExpectedYield | None) -> list[dict[str, Any]]:
    """Ways that raise the expected yield, the most promising first; without one for now: what each machine promises.

    Like plate of another heat is offered whatever the gain where the plate's own is worse than chance explains: what
    is expected now counts all heats together.
    """
    cut = evidence.intended.cut
    if cut is None:
        return []
    ways = [*_other_setups(evidence, cut)]
    if now is not None:
        ways += [*_on_plate(evidence, cut, now), *_other_plates(evidence, cut, now)]
    known = None if now is None else now.share
    gaining = [
        way
        for way in ways
        if way.expected.share is not None and (known is None or way.always or way.expected.share - known >= LEAST_GAIN)
    ]
    gaining.sort(key=lambda way: (promise(way.expected), WAYS.index(way.told["way"]), way.told["plates_in_stock"]))
    rests_on = None if now is None else evidence.behind(cut, now)
    return [{**way.told, **_yield(way, now, rests_on)} for way in gaining]


def _yield(way: Way, now: ExpectedYield | None, rests_on: Behind | None) -> dict[str, Any]:
    """The yield of a way beside that of now, and what both rest on."""
    expected = way.expected
    known = None if now is None else now.share
    gain = None if known is None or expected.share is None else expected.share - known
    doubt = None if gain is None or now is None or rests_on is None else _doubt(way, now, rests_on)
    return {
        "share": expected.share,
        "low": expected.low,
        "high": expected.high,
        "gain": gain,
        "clear": None if gain is None else doubt is None,
        "doubt": doubt,
        "source": expected.source,
        "parts": expected.parts,
        "good": expected.good,
        "plates": expected.plates,
        "rests_on_parts": round(way.behind.parts.n),
        "rests_on_plates": way.behind.parts.clusters,
        "without_heat": way.without,
    }


def _doubt(way: Way, now: ExpectedYield, rests_on: Behind) -> str | None:
    """What else than the way may explain the gain, as far as it is plain to see."""
    if (way.expected.low or 0.0) <= (1.0 if now.high is None else now.high):
        return OVERLAP
    return OTHER_STEEL if way.behind.heats.isdisjoint(rests_on.heats) else None


def _told(way: str, **more: Any) -> dict[str, Any]:
    return {
        "way": way,
        "plates_in_stock": [],
        "machine": None,
        "gas": None,
        "surface_group": None,
        "thermal_history": None,
    } | more


def _way(evidence: Evidence, cut: PlannedCut, expected: ExpectedYield, told: Mapping[str, Any]) -> Way:
    return Way(expected, evidence.behind(cut, expected), told)


def _on_plate(evidence: Evidence, cut: PlannedCut, now: ExpectedYield) -> Iterator[Way]:
    """Clean its surface; cut away what an earlier cut heated or hardened."""
    past = evidence.past.whole
    if cut.surface_group == "disturbed":
        clean = replace(cut, surface_group="clean")
        yield _way(evidence, clean, expected_yield(past, clean, now.setup), _told(CLEAN, surface_group="clean"))
    if cut.thermal_history in ("thermal_edge", "hardened"):
        trimmed = replace(cut, thermal_history="as_supplied")
        told = _told(TRIM, thermal_history="as_supplied")
        yield _way(evidence, trimmed, expected_yield(past, trimmed, now.setup), told)


def _other_plates(evidence: Evidence, cut: PlannedCut, now: ExpectedYield) -> Iterator[Way]:
    """Plates in stock by their condition; one of which nobody noted it promises nothing.

    None of a heat that is worse than chance explains, or to be watched. In the same condition only where the plate's
    own heat is worse: then all is told without that heat.
    """
    own = evidence.lots.own if evidence.lots.worse else None
    past = evidence.past.whole if own is None else evidence.past.without(own)
    for (surface, thermal_history), plates in sorted(_by_condition(evidence).items()):
        is_same = (surface, thermal_history) == (cut.surface_group, cut.thermal_history)
        if UNKNOWN in (surface, thermal_history) or (is_same and own is None):
            continue
        other = replace(cut, surface_group=surface, thermal_history=thermal_history)
        told = _told(PLATE, plates_in_stock=plates[:MOST_NAMED], surface_group=surface, thermal_history=thermal_history)
        expected = expected_yield(past, other, now.setup)
        behind = evidence.past.behind(other, expected, without=own)
        yield Way(expected, behind, told, without=None if own is None else own.number, always=is_same)


def _by_condition(evidence: Evidence) -> dict[tuple[str, str], list[str]]:
    lots = evidence.lots
    found: dict[tuple[str, str], list[str]] = {}
    for one in open_plates(evidence.reader, evidence.intended):
        if not lots.is_bad(one.mill, one.heat_number):
            found.setdefault((one.surface_group, one.thermal_history), []).append(one.plate)
    return found


def _other_setups(evidence: Evidence, cut: PlannedCut) -> Iterator[Way]:
    """Each other gas on the machine, and each other machine with each gas that it cut this material with."""
    machine, machines = evidence.intended.machine, 0
    for expected in evidence.each:
        setup = expected.setup
        if setup.machine is None or setup == evidence.setup:
            continue
        if setup.machine == machine:
            if setup.gas is not None:
                yield _way(evidence, cut, expected, _told(GAS, gas=setup.gas))
        elif machines < MOST_MACHINES:
            machines += 1
            told = _told(MACHINE, machine=evidence.intended.spelled(setup.machine), gas=setup.gas)
            yield _way(evidence, cut, expected, told)
