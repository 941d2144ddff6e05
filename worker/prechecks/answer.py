"""The precheck of a plate as plain values, with what it says in sentences."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any, Final

from worker.cautions import CAUTIONS
from worker.prechecks.evidence import (
    Evidence,
    doubts_in,
    expected_plain,
    finding_plain,
    findings_about,
    geometry_plain,
    lot_plain,
    standing_plain,
)
from worker.prechecks.intended import Intended
from worker.prechecks.raising import CLEAN, MACHINE, PLATE, TRIM, raising
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
    lot, geometry, found = lot_plain(evidence), geometry_plain(cut), findings_about(evidence)
    stands = standing_plain(evidence)
    return {
        "site": reader.site,
        "plate": cut.plate,
        "job": cut.job,
        "machine": cut.spelled(cut.machine),
        "machine_from": cut.machine_from,
        "sentence": _sentence(cut, expected, reason),
        "disagreements": list(cut.disagreements),
        "window": {"first_day": evidence.question.first_day, "last_day": evidence.question.last_day},
        "confidence": CONFIDENCE,
        "expected_yield": expected_plain(expected, cut, reason),
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


def _sentence(cut: Intended, expected: ExpectedYield | None, reason: str | None) -> str:
    """The answer in a sentence: evidence of past cuts, never a permission."""
    where = _where(cut)
    if expected is None or expected.share is None or expected.low is None or expected.high is None:
        return f"The record does not tell what to expect of parts {where}: {reason}."
    machine = cut.spelled(expected.setup.machine)
    gas = f" with {expected.setup.gas}" if expected.setup.gas else ""
    low, high = _percent(expected.low), _percent(expected.high)
    return (
        f"Of 100 parts {where} about {_percent(expected.share)} ({low} to {high}) came right the first time on "
        f"{machine}{gas}, {_rests_on(expected)}; this is evidence from past cuts, not a permission."
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


def _rests_on(expected: ExpectedYield) -> str:
    cell = f"{expected.parts} parts like these on {expected.plates} {'plate' if expected.plates == 1 else 'plates'}"
    if expected.source == "curve":
        return f"read off the curve of its yield over thickness, with {cell}"
    if expected.source == "thicker":
        return f"read off these and thicker plate, with {cell}"
    return f"by {cell}"


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
    if cut.surface_group is None or cut.thermal_history is None:
        yield "nobody noted all of its condition: the figures are those of the mix of past plate; assess it first"
    yield from _of_lot(lot)
    yield from doubts_in(geometry)
    yield from (_way(one, cut) for one in ways[:_MOST_SAID])
    if expected is not None and expected.share is not None and not ways:
        yield "nothing that the record knows of would raise the expected yield"
    yield from evidence.history.notes if cut.cut is not None else ()


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


def _of_lot(lot: Mapping[str, Any] | None) -> Iterator[str]:
    if lot is None:
        yield "its heat number is not known: nothing can be said of its steel"
    elif lot["verdict"] in ("worse", "watch"):
        verdict = "is worse than chance explains" if lot["verdict"] == "worse" else "is to be watched"
        yield (
            f"heat {lot['heat_number']} {verdict}: {lot['not_good']} of {lot['parts']} parts were not good at once, "
            f"{lot['expected_share']:.0%} would be expected" + (f"; {lot['suspect']}" if lot["suspect"] else "")
        )


def _way(way: Mapping[str, Any], cut: Intended) -> str:
    does = {
        CLEAN: "clean its surface",
        TRIM: "cut away the border that was heated",
        PLATE: f"take another plate ({', '.join(way['plates'])})",
        MACHINE: f"cut it on {way['machine']}",
    }[way["way"]]
    span = f"{_percent(way['share'])} of 100 ({_percent(way['low'])} to {_percent(way['high'])})"
    unclear = "; the intervals overlap, so chance may explain it" if way["clear"] is False else ""
    return f"{does}: {span} came right the first time so{unclear}"
