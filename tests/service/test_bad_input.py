from __future__ import annotations

import re
from typing import Any

import pytest

from service.bodies import BodyUnreadable
from tests.service.sent import (
    ASSESSED,
    FINISHED,
    INSPECTED,
    NOTED,
    PROOF,
    RECEIVED,
    REWORKED,
    SITE,
    STARTED,
    VOIDED,
    door,
    event,
    job,
    raw,
    refused,
    with_data,
)  # fmt: skip

#: What is sent, the pointer of its first fault, and words of what was found and would do.
BAD_INPUT: dict[str, tuple[Any, str, str]] = {
    # envelope
    "no object": ("[7]", "/0", "must be an event, a JSON object; found 7"),
    "specversion a number": (event(specversion=1), "/specversion", 'must be "1.0"; found 1'),
    "id missing": (event(id=...), "/id", "is missing; give id chosen by the sender"),
    "id null": (event(id=None), "/id", "is missing"),
    "id of 129 characters": (event(id="x" * 129), "/id", "has 129 characters; .* at most 128"),
    "id a number": (event(id=7), "/id", "write it in quotes"),
    "id with zero-width space": (event(id="a\u200bb"), "/id", r"U\+200B"),
    "subject blank": (event(subject=" "), "/subject", "is blank"),
    "source with a space": (event(source="bay 2"), "/source", "spaces and other characters as %20"),
    "source with half an escape": (event(source="/bay%2"), "/source", "must be a URI reference"),
    "source too long": (event(source="/" * 129), "/source", "of 1 to 128 characters"),
    "source empty": (event(source=""), "/source", "URI reference"),
    "type unknown": (event("cutledger.attempt.finnished"), "/type", f"nearest: {FINISHED}"),
    "type of no kind": (event(type={}), "/type", "found an object"),
    "time naive": (event(time="2026-03-02T06:15:00"), "/time", "add the offset"),
    "time a leap second": (event(time="2016-12-31T23:59:60Z"), "/time", "write second 59"),
    "time 25 h ahead": (event(time="2026-03-10T13:00:00Z"), "/time", "is 25 h ahead .* set the sender's clock"),
    "time in 1999": (event(time="1999-12-31T12:00:00Z"), "/time", "before the year 2000; .* set the sender's clock"),
    "time a number": (event(time=1772431200), "/time", "such as 2026-03-02T06:15:00"),
    "datacontenttype": (event(datacontenttype="text/xml"), "/datacontenttype", "application/json, or left out"),
    "data missing": (event(data=...), "/data", "is missing; give the fields of the event type"),
    "data null": (event(data=None) | {"data": None}, "/data", "is missing"),
    "data a text": (event(data='{"outcome": "severed"}'), "/data", r'must be an object .*found "\{"outcome"'),
    "data a list": (event(data=[1]), "/data", "found a list of 1"),
    "data_base64": (event(data_base64="e30="), "/data_base64", "send the fields as a JSON object in data"),
    "extension with a capital": (event(Subject="A-1"), "/Subject", "nearest: subject"),
    "extension name too long": (event() | {"a" * 21: 1}, "/" + "a" * 21, "1 to 20 of a-z, 0-9"),
    "field beside data": (event(outcome_of="x"), "/outcome_of", "fields of the event type go into data"),
    "extension of 28 digits": (event(seq=10**27), "/seq", "larger than 2.53"),
    "extension an object": (event(trace={"a": 1}), "/trace", "must be text, a whole number, true or false"),
    "extension with a control character": (event(note="a\tb"), "/note", r"U\+0009"),
    "too many extensions": (event() | {f"x{n}": n for n in range(33)}, "", "has 33 extension attributes; at most 32"),
    # JSON
    "NaN": (raw('"seconds": NaN'), "/data/seconds", "is NaN, .* leave the field out"),
    "Infinity": (raw('"seconds": Infinity'), "/data/seconds", "is Infinity"),
    "doubled name": (raw('"good": 1, "good": 2'), "/data/good", '"good" is given more than once; keep one'),
    "number of 10,000 digits": (raw(f'"good": {"1" * 10_000}'), "/data/good", "10000 characters; .* at most 28"),
    "exponent": (raw('"seconds": 1e999999'), "/data/seconds", "exponent beyond every use"),
    "NUL": (raw('"machine": "a\\u0000"'), "/data/machine", "NUL character .* remove it"),
    "NUL in a name": (raw('"a\\u0000": 1'), "/data", 'field name, "a.u0000", holds a NUL'),
    "lone surrogate": (raw('"machine": "\\ud800"'), "/data/machine", "send the whole character"),
    "nesting of 40": (raw(f'"good": {"[" * 40}{"]" * 40}'), "/data/good" + "/0" * 30, "deeper than 32"),
    # fields
    "unknown field": (with_data(FINISHED, thicknes_mm=20), "/data/thicknes_mm", "nearest: thickness_mm"),
    "unknown field, null": (with_data(FINISHED, goood=None), "/data/goood", "is no field here; nearest: good"),
    "unknown field like no other": (with_data(FINISHED, xyz=1), "/data/xyz", '"xyz" is no field here; remove it'),
    "unknown field in a recipe": (with_data(STARTED, recipe={"power_kw": 12}), "/data/recipe/power_kw", "power_w"),
    "field named like a marker": (with_data(STARTED, _schema=1), "/data/_schema", "is no field here"),
    "field with a slash": (with_data(STARTED, **{"a/b~c": 1}), "/data/a~1b~0c", '"a/b~c" is no field here'),
    "field name of 1,000 characters": (with_data(STARTED, **{"x" * 1000: 1}), "/data", "….* is no field here"),
    "wrong unit": (job(thickness_cm=2), "/data/thickness_cm", "nearest: thickness_mm"),
    "unit in the value": (job(thickness_mm="20 mm"), "/data/thickness_mm", "its unit is in the name of the field"),
    "1/0 inch": (job(thickness_in="1/0"), "/data/thickness_in", "has a zero under the bar; write a fraction"),
    "thickness finer than a nanometre": (job(thickness_mm=20.0000001), "/data/thickness_mm", "finer than a nanom"),
    "thickness of 501 mm": (job(thickness_mm=501), "/data/thickness_mm", "from 0.1 to 500; found 501"),
    "both thicknesses": (job(thickness_mm=20, thickness_in="3/4"), "/data/thickness_in", "besides thickness_mm; keep"),
    "neither thickness": (job(), "/data/thickness_mm", "is missing; give thickness_mm or thickness_in"),
    "both, of an attempt": (with_data(STARTED, thickness_mm=1, thickness_in=1), "/data/thickness_in", "keep the one"),
    "1.5 parts": (job(thickness_mm=20, quantity=1.5), "/data/quantity", "whole number from 1 to 100000; found 1.5"),
    "0 parts": (job(thickness_mm=20, quantity=0), "/data/quantity", "from 1 to 100000"),
    "bool as number": (with_data(FINISHED, good=True), "/data/good", "true and false are no numbers"),
    "text as number": (with_data(FINISHED, good="5"), "/data/good", 'found "5"; write it without quotes'),
    "number as bool": (with_data(FINISHED, blank_lost=1), "/data/blank_lost", "must be true or false; found 1"),
    "number as text": (with_data(FINISHED, machine=2), "/data/machine", "must be text .*; write it in quotes"),
    "empty text": (with_data(FINISHED, machine=""), "/data/machine", "leave the field out"),
    "negative minutes": (with_data(REWORKED, minutes=-5), "/data/minutes", "from 0.001 to 100000; found -5"),
    "zero minutes": (with_data(REWORKED, minutes=0), "/data/minutes", "from 0.001"),
    "minutes of 4 decimals": (with_data(REWORKED, minutes=1.0005), "/data/minutes", "at most 3 decimals"),
    "seconds over a week": (with_data(FINISHED, seconds=604800.1), "/data/seconds", "from 0 to 604800"),
    "power in kW": (with_data(STARTED, recipe={"power_w": 0.012}), "/data/recipe/power_w", "from 1 to 100000"),
    "word unknown": (with_data(FINISHED, gas="Oxygen "), "/data/gas", "one of oxygen, nitrogen.*nearest: oxygen"),
    "recipe a text": (with_data(FINISHED, recipe="B"), "/data/recipe", 'must be an object with fields; found "B"'),
    "defects an object": (with_data(FINISHED, defects={}), "/data/defects", "must be a list; .*in brackets"),
    "defect without term": (with_data(FINISHED, defects=[{"parts": 1}]), "/data/defects/0/term", "is missing"),
    "defect null": (with_data(FINISHED, defects=[None]), "/data/defects/0", "must be an object"),
    "cause unknown": (with_data(FINISHED, causes=[{"term": "nozzle"}]), "/data/causes/0/term", "nearest: nozzle_worn"),
    "101 defects": (with_data(FINISHED, defects=[{"term": "crack"}] * 101), "/data/defects", "at most 100 entries"),
    "reading a text": (with_data(INSPECTED, rz5_um=[48, "50"]), "/data/rz5_um/1", "write it without quotes"),
    "size halved": (with_data(INSPECTED, sizes=[{"feature": "inside", "nominal_mm": 5}]), "/data/sizes/0/measured_mm",
                    "is missing; give size found, mm"),
    "cut quality": (job(thickness_mm=20, cut_quality="9013-342"), "/data/cut_quality", 'such as "ISO 9013-342"'),
    "due day": (job(thickness_mm=20, due="20.03.2026"), "/data/due", "such as 2026-03-02"),
    # fields that do not go together
    "failed pierces": (with_data(FINISHED, pierces=4, failed_pierces=5), "/data/failed_pierces", "only 4 pierces"),
    "counts over tried": (with_data(FINISHED, tried=3, good=2, rework=1, scrap=1), "/data/tried", "make 4; correct"),
    "tried over quantity": (with_data(FINISHED, quantity=3, tried=4), "/data/tried", "quantity is 3; correct"),
    "counts over quantity": (with_data(FINISHED, quantity=3, good=4), "/data/quantity", "make 4, but quantity is 3"),
    "recovered over parts": (with_data(REWORKED, parts=2, recovered=2, scrapped=1), "/data/recovered", "only 2 parts"),
    "scrapped over parts": (with_data(REWORKED, parts=2, scrapped=3), "/data/scrapped", "only 2 parts"),
    "started after the end": (with_data(FINISHED, started_at="2026-03-02T05:15:00.000001Z"), "/data/started_at",
                              "later than the event's time; found .* correct one"),
    "observed after": (with_data(ASSESSED, observed_at="2026-03-03T00:00:00Z"), "/data/observed_at", "later than"),
    "nothing assessed": (event(ASSESSED, {"observed_at": "2026-03-01T00:00:00Z"}), "/data", "one of rust_grade"),
    "only nulls assessed": (event(ASSESSED, {"rust_grade": None}), "/data", "assesses nothing"),
    "hardness without load": (with_data(ASSESSED, hardness_hv=400), "/data/hardness_load", "says nothing without it"),
    "load without hardness": (with_data(RECEIVED, hardness_load=10), "/data/hardness_hv", "says nothing without it"),
    "no verdict": (event(INSPECTED, {"rz5_um": [48]}), "/data", "at least one of good, rework, scrap"),
    # settings, findings, proofs
    "zone": (with_data(SITE, zone="Europe/Berln"), "/data/zone", "nearest: Europe/Berlin"),
    "zone a path": (with_data(SITE, zone="../../etc/passwd"), "/data/zone", "must be an IANA time zone"),
    "day start": (with_data(SITE, day_start="6:00"), "/data/day_start", "such as 06:00"),
    "nothing set": (event(SITE, {"valid_from": "2026-03-02"}), "/data", "at least one of zone, day_start"),
    "two shifts at one time": (with_data(SITE, shifts=[
        {"name": "a", "start": "06:00"}, {"name": "b", "start": "06:00"}]), "/data/shifts", "06:00 more than once"),
    "two rates of one machine": (with_data(SITE, rates={"currency": "EUR", "machines": [
        {"name": "L2", "per_hour": 1}, {"name": " l2", "per_hour": 2}]}), "/data/rates/machines", "name l2 more than"),
    "currency": (with_data(SITE, rates={"currency": "eur"}), "/data/rates/currency", "three capital letters"),
    "target in percent": (with_data(SITE, targets={"confidence": 95}), "/data/targets/confidence", "0.5 to 0.9999"),
    "people": (with_data(SITE, people="hash"), "/data/people", "one of keep, pseudonym, drop"),
    "nothing noted": (event(NOTED, {}), "/data", "at least one of owner, due, action, worked, note"),
    "certainty": (with_data(PROOF, confidence=1), "/data/confidence", "from 0.5 to 0.9999"),
    "nothing to rule out": (with_data(PROOF, sequential={
        "producer_risk": 0.05, "consumer_risk": 0.05, "unacceptable_reliability": 0.95}),
        "/data/sequential/unacceptable_reliability", "not below reliability 0.95"),
    # voids
    "void without target": (event(VOIDED, {"reason": "x"}), "/data/source", "is missing; give source of that event"),
    "void with a bad source": (with_data(VOIDED, source="bay 2"), "/data/source", "URI reference"),
    "void of itself": (with_data(VOIDED, source="/terminals/bay-2", id="e-7"), "/data/id", "is this event itself"),
}  # fmt: skip


@pytest.mark.parametrize(("sent", "pointer", "mend"), BAD_INPUT.values(), ids=BAD_INPUT)
def test_bad_input_gets_its_pointer_and_its_mend(sent: Any, pointer: str, mend: str) -> None:
    fault = refused(sent)[0]
    assert fault.pointer == pointer
    assert re.search(mend, fault.detail), fault.detail
    assert fault.detail.isprintable()
    assert len(fault.detail) < 500


def test_deep_nesting_of_100_000_is_refused_as_a_body() -> None:
    with pytest.raises(BodyUnreadable, match="nested too deeply"):
        door(raw(f'"good": {"[" * 100_000}{"]" * 100_000}'))
