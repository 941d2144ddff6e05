"""The precheck of a plate as plain values, with what it says in sentences."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date
from typing import Any, Final

from worker.cautions import CAUTIONS
from worker.holds import said
from worker.holds import shown as shown_hold
from worker.prechecks.acts import holds_on, released_to
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
from worker.reports.released import shown as shown_release
from worker.reports.standing import GASES
from worker.sentences import counted, figure, joined, sentence

#: What became of a plate, as sentences name it.
_CLOSED_AS: Final = {"used": sentence("used"), "scrapped": sentence("scrapped"), "returned": sentence("returned")}
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
    held, released = holds_on(evidence), released_to(evidence)
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
        "holds": [shown_hold(hold) for hold in held],
        "released": released and shown_release(released),
        "lot": lot,
        "findings": [finding_plain(one) for one in found],
        "geometry": geometry,
        "raises": ways,
        "notes": [*map(said, held), *_notes(evidence, expected, lot, geometry, ways)],
        "cautions": CAUTIONS,
        "as_of": as_of_plain(reader.as_of),
    }


# --- in sentences -----------------------------------------------------------------------------------------------


def _percent(share: float) -> str:
    """A share as whole parts of 100; none and all only where it is so."""
    rounded = round(100 * share)
    if 0 < share < 1 and rounded in (0, 100):
        return figure(100 * share, ".1f")
    return figure(rounded, "d")


def _sentence(
    evidence: Evidence, expected: ExpectedYield | None, reason: str | None, lot: Mapping[str, Any] | None
) -> str:
    """The answer in a sentence: evidence of past cuts, never a permission."""
    cut = evidence.intended
    parts = _parts(cut)
    if expected is None or expected.share is None or expected.low is None or expected.high is None or cut.cut is None:
        return _nothing_told(parts, cut.spelled(cut.machine), evidence.gas[0], reason)
    told = {
        "parts": parts,
        "share": _percent(expected.share),
        "low": _percent(expected.low),
        "high": _percent(expected.high),
        "came": _came(expected, cut.spelled(cut.machine), evidence.gas[0]),
        "rests_on": _rests_on(expected, evidence.behind(cut.cut, expected)),
    }
    if lot is not None and lot["verdict"] == WORSE:
        return sentence(
            "Of 100 %(parts)s about %(share)s (%(low)s to %(high)s) %(came)s, %(rests_on)s, but its heat is worse than "
            "chance explains; this is evidence from past cuts, not a permission.",
            **told,
        )
    return sentence(
        "Of 100 %(parts)s about %(share)s (%(low)s to %(high)s) %(came)s, %(rests_on)s; this is evidence from past "
        "cuts, not a permission.",
        **told,
    )


def _nothing_told(parts: str, machine: str | None, gas: str | None, reason: str | None) -> str:
    if machine and gas:
        return sentence(
            "The record does not tell what to expect of %(parts)s on %(machine)s with %(gas)s: %(reason)s.",
            parts=parts,
            machine=machine,
            gas=_named(gas),
            reason=reason,
        )
    if machine:
        return sentence(
            "The record does not tell what to expect of %(parts)s on %(machine)s: %(reason)s.",
            parts=parts,
            machine=machine,
            reason=reason,
        )
    if gas:
        return sentence(
            "The record does not tell what to expect of %(parts)s with %(gas)s: %(reason)s.",
            parts=parts,
            gas=_named(gas),
            reason=reason,
        )
    return sentence("The record does not tell what to expect of %(parts)s: %(reason)s.", parts=parts, reason=reason)


#: What a plate is like, by its surface group; None where nobody noted it.
_SURFACES: Final[Mapping[str | None, str]] = {
    None: sentence("a surface that nobody noted"),
    "clean": sentence("a clean surface"),
    "disturbed": sentence("a disturbed surface"),
}
#: The same by its thermal history.
_EDGES: Final[Mapping[str | None, str]] = {
    None: sentence("edges that nobody noted"),
    "as_supplied": sentence("edges as supplied"),
    "thermal_edge": sentence("thermally cut edges"),
    "hardened": sentence("hardened steel"),
}


def _parts(cut: Intended) -> str:
    material = cut.plate.get("material") or (cut.job or {}).get("material")
    told = {"surface": _SURFACES[cut.surface_group], "edges": _EDGES[cut.thermal_history]}
    if cut.thickness_mm is None:
        if material:
            return sentence(
                "parts of a thickness that is not known %(material)s on plate with %(surface)s and %(edges)s",
                **told,
                material=material,
            )
        return sentence("parts of a thickness that is not known on plate with %(surface)s and %(edges)s", **told)
    thickness = figure(cut.thickness_mm, "g")
    if material:
        return sentence(
            "parts of %(thickness)s mm %(material)s on plate with %(surface)s and %(edges)s",
            **told,
            thickness=thickness,
            material=material,
        )
    return sentence(
        "parts of %(thickness)s mm on plate with %(surface)s and %(edges)s",
        **told,
        thickness=thickness,
    )


def _came(expected: ExpectedYield, machine: str | None, gas: str | None) -> str:
    if expected.source == "cell":
        if gas:
            return sentence("came right the first time on %(machine)s with %(gas)s", machine=machine, gas=_named(gas))
        return sentence("came right the first time on %(machine)s", machine=machine)
    if gas:
        return sentence(
            "would be expected to come right the first time on %(machine)s with %(gas)s",
            machine=machine,
            gas=_named(gas),
        )
    return sentence("would be expected to come right the first time on %(machine)s", machine=machine)


def _many(parts: int, plates: int) -> str:
    return counted(
        parts,
        "%(count)s part on %(plates)s",
        "%(count)s parts on %(plates)s",
        plates=counted(plates, "%(count)s plate", "%(count)s plates"),
    )


def _rests_on(expected: ExpectedYield, behind: Behind) -> str:
    if expected.source == "cell":
        return sentence(
            "by %(good)s of %(parts)s like these", good=expected.good, parts=_many(expected.parts, expected.plates)
        )
    whole = _many(round(behind.parts.n), behind.parts.clusters)
    if expected.source == "curve":
        if expected.parts:
            return sentence(
                "read off the curve of its yield over thickness, of %(parts)s, %(own)s of them like these",
                parts=whole,
                own=expected.parts,
            )
        return sentence(
            "read off the curve of its yield over thickness, of %(parts)s, none of them like these", parts=whole
        )
    if expected.parts:
        return sentence(
            "read off these and thicker plate, of %(parts)s, %(own)s of them like these",
            parts=whole,
            own=expected.parts,
        )
    return sentence("read off these and thicker plate, of %(parts)s, none of them like these", parts=whole)


def _named(gas: str | None) -> str | None:
    """A gas as sentences name it."""
    return None if gas is None else GASES.get(gas, gas)


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
    yield from (sentence("first of all: %(what)s", what=one) for one in cut.disagreements)
    if cut.plate["state"] != "open":
        yield sentence(
            "plate %(plate)s is %(state)s: look whether it is the right one",
            plate=cut.plate["plate"],
            state=_state(cut.plate),
        )
    if cut.job is not None and cut.job["state"] != "open":
        yield sentence(
            "job %(job)s is %(state)s: look whether it is the right one", job=cut.job["job"], state=_state(cut.job)
        )
    yield from _of_machine(cut)
    yield from _of_gas(evidence)
    if cut.surface_group is None or cut.thermal_history is None:
        yield sentence(
            "nobody noted all of its condition: the figures are those of the mix of past plate; assess it first"
        )
    yield from _of_lot(lot)
    yield from doubts_in(geometry)
    yield from (_way(one) for one in ways[:_MOST_SAID])
    if expected is not None and expected.share is not None and not ways:
        yield sentence("nothing that the record knows of would raise the expected yield")
    yield from evidence.past.whole.notes if cut.cut is not None else ()


def _state(one: Mapping[str, Any]) -> str:
    if one["state"] != "closed":
        return sentence("not known as received or opened")
    if one["close_reason"]:
        return sentence("closed (%(reason)s)", reason=_CLOSED_AS.get(one["close_reason"], one["close_reason"]))
    return sentence("closed")


def _of_machine(cut: Intended) -> Iterator[str]:
    if cut.machine is not None and cut.machine not in cut.machines:
        if known := sorted(cut.machines.values())[: _MOST_SAID * 2]:
            yield sentence(
                "machine %(machine)s never cut here: look whether it is written right; known are %(known)s",
                machine=cut.machine,
                known=", ".join(known),
            )
        else:
            yield sentence("machine %(machine)s never cut here: look whether it is written right", machine=cut.machine)
    if cut.machine_from == "work_centre":
        yield sentence(
            "machine %(machine)s is the work centre of the job; machine= asks for another",
            machine=cut.spelled(cut.machine),
        )
    if cut.machine_from == "last_cut":
        yield sentence(
            "machine %(machine)s cut this job last; machine= asks for another", machine=cut.spelled(cut.machine)
        )


def _of_gas(evidence: Evidence) -> Iterator[str]:
    """Where the gas comes from, when nobody asked for one; that it is not known."""
    cut, (gas, gas_from) = evidence.intended, evidence.gas
    if gas_from == LAST_OF_JOB:
        yield sentence("%(gas)s is the gas of the last cuts of this job; gas= asks for another", gas=_named(gas))
    if gas_from == LAST_OF_MACHINE:
        yield sentence(
            "%(gas)s is the gas of the last cuts of this material on %(machine)s; gas= asks for another",
            gas=_named(gas),
            machine=cut.spelled(cut.machine),
        )
    if gas is None and _gases(evidence):
        yield sentence(
            "nobody noted the gas of any cut of this material on %(machine)s; gas= asks for one",
            machine=cut.spelled(cut.machine),
        )


def _of_lot(lot: Mapping[str, Any] | None) -> Iterator[str]:
    if lot is None:
        yield sentence("its heat number is not known: nothing can be said of its steel")
        return
    heat, judged = lot["heat_number"], lot["judged_parts"]
    if lot["other_mills"]:
        mills = ", ".join(lot["other_mills"][:_MOST_SAID])
        if lot["mill"]:
            yield sentence(
                "heat %(heat)s is known here of %(mills)s, not of %(mill)s: look which is right, since what was cut of "
                "it may tell more",
                heat=heat,
                mills=mills,
                mill=lot["mill"],
            )
        else:
            yield sentence(
                "heat %(heat)s is known here of %(mills)s, and the plate names no mill: look which is right, since "
                "what was cut of it may tell more",
                heat=heat,
                mills=mills,
            )
    if lot["verdict"] in NOT_OFFERED:
        verdict = _verdict(lot)
        yield joined("; ", [verdict, lot["suspect"]]) if lot["suspect"] else verdict
    elif judged and not lot["parts"]:
        yield sentence(
            "of heat %(heat)s %(bad)s of %(parts)s were not good at once; no other heat was cut alike, so nothing "
            "tells whether the steel is why",
            heat=heat,
            bad=lot["judged_not_good"],
            parts=_many(judged, lot["judged_plates"]),
        )


def _verdict(lot: Mapping[str, Any]) -> str:
    told = {
        "heat": lot["heat_number"],
        "bad": lot["not_good"],
        "parts": lot["parts"],
        "expected": figure(lot["expected_share"], ".0%"),
    }
    if lot["verdict"] == WORSE:
        return sentence(
            "heat %(heat)s is worse than chance explains: %(bad)s of %(parts)s parts were not good at once, "
            "%(expected)s would be expected",
            **told,
        )
    return sentence(
        "heat %(heat)s is to be watched: %(bad)s of %(parts)s parts were not good at once, %(expected)s would be "
        "expected",
        **told,
    )


def _way(way: Mapping[str, Any]) -> str:
    told = {
        "does": _DOES[way["way"]](way),
        "share": _percent(way["share"]),
        "low": _percent(way["low"]),
        "high": _percent(way["high"]),
        "came": _came_so(way),
    }
    if way["without_heat"]:
        said = sentence(
            "%(does)s: %(share)s of 100 (%(low)s to %(high)s) %(came)s, without the parts of heat %(heat)s",
            **told,
            heat=way["without_heat"],
        )
    else:
        said = sentence("%(does)s: %(share)s of 100 (%(low)s to %(high)s) %(came)s", **told)
    return joined("; ", [said, way["doubt"]]) if way["doubt"] else said


def _clean(_: Mapping[str, Any]) -> str:
    return sentence("clean its surface")


def _trim(_: Mapping[str, Any]) -> str:
    return sentence("cut away the border that was heated")


def _take(way: Mapping[str, Any]) -> str:
    plates = ", ".join(way["plates_in_stock"])
    if way["without_heat"]:
        return sentence("take another plate of another heat (%(plates)s)", plates=plates)
    return sentence("take another plate (%(plates)s)", plates=plates)


def _change_gas(way: Mapping[str, Any]) -> str:
    return sentence("cut it with %(gas)s", gas=_named(way["gas"]))


def _change_machine(way: Mapping[str, Any]) -> str:
    if way["gas"]:
        return sentence("cut it on %(machine)s with %(gas)s", machine=way["machine"], gas=_named(way["gas"]))
    return sentence("cut it on %(machine)s", machine=way["machine"])


#: What is to be done, in words.
_DOES: Final[Mapping[str, Callable[[Mapping[str, Any]], str]]] = {
    CLEAN: _clean,
    TRIM: _trim,
    PLATE: _take,
    GAS: _change_gas,
    MACHINE: _change_machine,
}


def _came_so(way: Mapping[str, Any]) -> str:
    if way["source"] == "cell":
        return sentence(
            "came right the first time so, %(good)s of %(parts)s",
            good=way["good"],
            parts=_many(way["parts"], way["plates"]),
        )
    whole = _many(way["rests_on_parts"], way["rests_on_plates"])
    if way["source"] == "curve":
        return sentence(
            "would be expected to come right so, read off the curve over thickness, %(parts)s",
            parts=whole,
        )
    return sentence("would be expected to come right so, read off this and thicker plate, %(parts)s", parts=whole)
