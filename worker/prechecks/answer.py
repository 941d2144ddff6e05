"""The precheck of a plate as plain values, with what it says in sentences."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any, Final

from worker.cautions import CAUTIONS
from worker.prechecks.evidence import (
    LAST_OF_JOB,
    LAST_OF_MACHINE,
    Evidence,
    doubts_in,
    expected_plain,
    finding_plain,
    findings_about,
    geometry_plain,
    standing_plain,
)
from worker.prechecks.intended import Intended
from worker.prechecks.lots import NOT_OFFERED, WORSE
from worker.prechecks.past import Behind
from worker.prechecks.raising import CLEAN, GAS, MACHINE, PLATE, TRIM, raising
from worker.reports.expected_yield import CONFIDENCE, ExpectedYield
from worker.reports.plain import as_of_plain
from worker.reports.reading import Reader

#: So many ways to raise the yield are put into a sentence.
_MOST_SAID: Final = 3


def precheck(reader: Reader, cut: Intended, *, today: date) -> dict[str, Any]:
    """All that the record says of an intended cut, counted up to now."""
    evidence = Evidence(reader, cut, today=today)
    expected, reason = evidence.expected()
    ways = raising(evidence, expected)
    lot, geometry, found = evidence.lots.plain(), geometry_plain(cut), findings_about(evidence)
    stands = standing_plain(evidence)
    gas, gas_from = evidence.gas
    return {
        "site": reader.site,
        "plate": cut.plate,
        "job": cut.job,
        "machine": cut.spelled(cut.machine),
        "machine_from": cut.machine_from,
        "gas": gas,
        "gas_from": gas_from,
        "sentence": _sentence(evidence, expected, reason, lot),
        "disagreements": list(cut.disagreements),
        "window": {"first_day": evidence.question.first_day, "last_day": evidence.question.last_day},
        "confidence": CONFIDENCE,
        "expected_yield": expected_plain(expected, cut, reason, gas=gas),
        "gases": _gases(evidence),
        "standing": stands,
        "lot": lot,
        "findings": [finding_plain(one) for one in found],
        "geometry": geometry,
        "raises": ways,
        "notes": list(_notes(evidence, expected, lot, geometry, ways)),
        "cautions": CAUTIONS,
        "as_of": as_of_plain(reader.as_of),
    }


# --- in sentences -----------------------------------------------------------------------------------------------


def _percent(share: float) -> str:
    """A share as whole parts of 100; none and all only where it is so."""
    rounded = round(100 * share)
    if 0 < share < 1 and rounded in (0, 100):
        return f"{100 * share:.1f}"
    return f"{rounded}"


def _sentence(
    evidence: Evidence, expected: ExpectedYield | None, reason: str | None, lot: Mapping[str, Any] | None
) -> str:
    """The answer in a sentence: evidence of past cuts, never a permission."""
    cut = evidence.intended
    where = _where(cut)
    on = f" on {cut.spelled(cut.machine)}" if cut.machine else ""
    with_gas = f" with {evidence.gas[0]}" if evidence.gas[0] else ""
    if expected is None or expected.share is None or expected.low is None or expected.high is None or cut.cut is None:
        return f"The record does not tell what to expect of parts {where}{on}{with_gas}: {reason}."
    came = "came" if expected.source == "cell" else "would be expected to come"
    rests_on = _rests_on(expected, evidence.behind(cut.cut, expected))
    of_heat = ", but its heat is worse than chance explains" if lot is not None and lot["verdict"] == WORSE else ""
    return (
        f"Of 100 parts {where} about {_percent(expected.share)} ({_percent(expected.low)} to "
        f"{_percent(expected.high)}) {came} right the first time{on}{with_gas}, {rests_on}{of_heat}; this is evidence "
        "from past cuts, not a permission."
    )


def _where(cut: Intended) -> str:
    words = [f"of {cut.thickness_mm:g} mm" if cut.thickness_mm is not None else "of a thickness that is not known"]
    material = cut.plate.get("material") or (cut.job or {}).get("material")
    if material:
        words.append(str(material))
    words.append(f"on plate with {_condition(cut.surface_group, cut.thermal_history)}")
    return " ".join(words)


def _condition(surface: str | None, thermal_history: str | None) -> str:
    edges = {
        None: "edges that nobody noted",
        "as_supplied": "edges as supplied",
        "thermal_edge": "thermally cut edges",
        "hardened": "hardened steel",
    }
    clean = "a surface that nobody noted" if surface is None else f"a {surface} surface"
    return f"{clean} and {edges[thermal_history]}"


def _many(parts: int, plates: int) -> str:
    return f"{parts} {'part' if parts == 1 else 'parts'} on {plates} {'plate' if plates == 1 else 'plates'}"


def _rests_on(expected: ExpectedYield, behind: Behind) -> str:
    if expected.source == "cell":
        return f"by {expected.good} of {_many(expected.parts, expected.plates)} like these"
    whole = _many(round(behind.parts.n), behind.parts.clusters)
    own = f"{expected.parts or 'none'} of them like these"
    if expected.source == "curve":
        return f"read off the curve of its yield over thickness, of {whole}, {own}"
    return f"read off these and thicker plate, of {whole}, {own}"


def _gases(evidence: Evidence) -> list[dict[str, Any]]:
    """The yield to expect with each gas on the machine."""
    machine = evidence.intended.machine
    found = [one for one in evidence.each if machine is not None and one.setup.machine == machine]
    found.sort(key=lambda one: (one.setup.gas is None, one.setup.gas or ""))
    return [expected_plain(one, evidence.intended, None) for one in found]


def _notes(
    evidence: Evidence,
    expected: ExpectedYield | None,
    lot: Mapping[str, Any] | None,
    geometry: Sequence[Mapping[str, Any]],
    ways: Sequence[Mapping[str, Any]],
) -> Iterator[str]:
    cut = evidence.intended
    yield from (f"first of all: {one}" for one in cut.disagreements)
    if cut.plate["state"] != "open":
        yield f"plate {cut.plate['plate']} is {_state(cut.plate)}: look whether it is the right one"
    if cut.job is not None and cut.job["state"] != "open":
        yield f"job {cut.job['job']} is {_state(cut.job)}: look whether it is the right one"
    yield from _of_machine(cut)
    yield from _of_gas(evidence)
    if cut.surface_group is None or cut.thermal_history is None:
        yield "nobody noted all of its condition: the figures are those of the mix of past plate; assess it first"
    yield from _of_lot(lot)
    yield from doubts_in(geometry)
    yield from (_way(one) for one in ways[:_MOST_SAID])
    if expected is not None and expected.share is not None and not ways:
        yield "nothing that the record knows of would raise the expected yield"
    yield from evidence.past.whole.notes if cut.cut is not None else ()


def _state(one: Mapping[str, Any]) -> str:
    reason = f" ({one['close_reason']})" if one["close_reason"] else ""
    return f"closed{reason}" if one["state"] == "closed" else "not known as received or opened"


def _of_machine(cut: Intended) -> Iterator[str]:
    if cut.machine is not None and cut.machine not in cut.machines:
        known = ", ".join(sorted(cut.machines.values())[: _MOST_SAID * 2])
        yield f"machine {cut.machine} never cut here: look whether it is written right" + (
            f"; known are {known}" if known else ""
        )
    if cut.machine_from == "work_centre":
        yield f"machine {cut.spelled(cut.machine)} is the work centre of the job; machine= asks for another"
    if cut.machine_from == "last_cut":
        yield f"machine {cut.spelled(cut.machine)} cut this job last; machine= asks for another"


def _of_gas(evidence: Evidence) -> Iterator[str]:
    """Where the gas comes from, when nobody asked for one; that it is not known."""
    cut, (gas, gas_from) = evidence.intended, evidence.gas
    if gas_from in (LAST_OF_JOB, LAST_OF_MACHINE):
        whose = "this job" if gas_from == LAST_OF_JOB else f"this material on {cut.spelled(cut.machine)}"
        yield f"{gas} is the gas of the last cuts of {whose}; gas= asks for another"
    if gas is None and _gases(evidence):
        yield f"nobody noted the gas of any cut of this material on {cut.spelled(cut.machine)}; gas= asks for one"


def _of_lot(lot: Mapping[str, Any] | None) -> Iterator[str]:
    if lot is None:
        yield "its heat number is not known: nothing can be said of its steel"
        return
    heat, judged = f"heat {lot['heat_number']}", lot["judged_parts"]
    if lot["other_mills"]:
        mills = ", ".join(lot["other_mills"][:_MOST_SAID])
        under = f"not of {lot['mill']}" if lot["mill"] else "and the plate names no mill"
        yield f"{heat} is known here of {mills}, {under}: look which is right, since what was cut of it may tell more"
    if lot["verdict"] in NOT_OFFERED:
        verdict = "is worse than chance explains" if lot["verdict"] == WORSE else "is to be watched"
        yield (
            f"{heat} {verdict}: {lot['not_good']} of {lot['parts']} parts were not good at once, "
            f"{lot['expected_share']:.0%} would be expected" + (f"; {lot['suspect']}" if lot["suspect"] else "")
        )
    elif judged and not lot["parts"]:
        were = f"{lot['judged_not_good']} of {_many(judged, lot['judged_plates'])} were not good at once"
        yield f"of {heat} {were}; no other heat was cut alike, so nothing tells whether the steel is why"


def _way(way: Mapping[str, Any]) -> str:
    other_heat = " of another heat" if way["without_heat"] else ""
    gas = f" with {way['gas']}" if way["gas"] else ""
    does = {
        CLEAN: "clean its surface",
        TRIM: "cut away the border that was heated",
        PLATE: f"take another plate{other_heat} ({', '.join(way['plates_in_stock'])})",
        GAS: f"cut it{gas}",
        MACHINE: f"cut it on {way['machine']}{gas}",
    }[way["way"]]
    span = f"{_percent(way['share'])} of 100 ({_percent(way['low'])} to {_percent(way['high'])})"
    without = f", without the parts of heat {way['without_heat']}" if way["without_heat"] else ""
    if way["source"] == "cell":
        came = f"came right the first time so, {way['good']} of {_many(way['parts'], way['plates'])}"
    else:
        read = "the curve over thickness" if way["source"] == "curve" else "this and thicker plate"
        whole = _many(way["rests_on_parts"], way["rests_on_plates"])
        came = f"would be expected to come right so, read off {read}, {whole}"
    doubt = f"; {way['doubt']}" if way["doubt"] else ""
    return f"{does}: {span} {came}{without}{doubt}"
