"""What is kept of people, and what is never told of them."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from itertools import chain, product
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from sqlalchemy import select

from service.acceptance import PEOPLE_FIELDS, Judged, People, judge, taken_quickly
from service.cli import main
from service.openapi import document_text
from tests.builders import NOW_US, event
from tests.conftest import ENGINES, installation_on
from tests.service.conftest import Clock, Door, Service, alone, cut, opened, received, serving
from worker import answers
from worker.administration import Actor, entries
from worker.database import Database
from worker.installing import people_key
from worker.noticing.series import series
from worker.publishing import divisions, publish_due
from worker.pushes.saying import TOPICS
from worker.pushes.webhooks import make
from worker.reports.catalogue import REPORTS
from worker.reports.dimensions import DIMENSIONS
from worker.reports.plain import report_plain
from worker.reports.questions import Question
from worker.reports.reading import open_site
from worker.reports.withholding import is_looked_at
from worker.tables import metadata
from worker.unlinking import unlink

HOURS = {"early": 7, "late": 15, "night": 23}
MACHINES = ("laser-1", "laser-2", "laser-3")
TEAM = ("K. Varga", "M. Okoro", "J. Lindqvist", "A. Haddad")
_numbers = iter(range(1, 10**6))


def cuts(machine: str, shift: str, *people: str | None, good: int = 1, **data: Any) -> list[dict[str, Any]]:
    """A cut by each of these people; None: nobody is named."""
    found = []
    for person in people:
        number = next(_numbers)
        said = {"machine": machine, "quantity": 2, "good": good, "rework": 2 - good, "operator": person or ...}
        time = f"2026-03-04T{HOURS[shift]:02}:{number % 60:02}:00Z"
        found.append(cut(f"A-{number}", time=time, **said | {"seconds": 60.0, "plate": f"P-{number}"} | data))
    return found


FEW = {*product(("laser-1", "laser-2"), ("early", "night"))}


def shop() -> dict[tuple[str, str], list[dict[str, Any]]]:
    """Cuts by machine and shift; those of FEW tell of few, or hide such.

    One person cut on laser-1 in the night; on laser-2 and in the early shift fewer are named than anywhere else.
    """
    people = dict.fromkeys(product(MACHINES, HOURS), TEAM) | dict.fromkeys(FEW, TEAM[:3])
    people["laser-1", "night"] = TEAM[:1]
    return {pair: cuts(*pair, *team, good=0 if pair == ("laser-1", "night") else 1) for pair, team in people.items()}


def rich_shop() -> dict[tuple[str, str], list[dict[str, Any]]]:
    """The shop on two days, each with a heat and a recipe of its own, with rework and measured sizes."""
    found: dict[tuple[str, str], list[dict[str, Any]]] = {pair: [] for pair in shop()}
    for number, day in enumerate(("2026-03-04", "2026-03-05"), 1):
        for pair, told in shop().items():
            for each in told:
                time, attempt, data = each["time"].replace("2026-03-04", day), each["subject"], each["data"]
                data |= {"job": "J", "recipe": {"name": "r", "revision": str(number)}, "gas": "oxygen", "pierces": 4}
                data |= {"failed_pierces": 1}
                parts = {"good": data["good"], "rework": data["rework"]}
                sizes = [{"feature": "outside", "nominal_mm": 100, "measured_mm": 100.2 + data["rework"]}]
                found[pair] += [
                    received(data["plate"], heat_number=f"H{number}", mill="Mill A"),
                    each | {"time": time},
                    event("attempt.reworked", attempt, time=time, operation="grinding", minutes=5, parts=1),
                    event("attempt.inspected", attempt, time=time, **parts, sizes=sizes, u_mm=[0.3 * data["rework"]]),
                ]
    return found


def all_of(told: Mapping[Any, list[dict[str, Any]]]) -> list[dict[str, Any]]:
    return [*chain(*told.values())]


@dataclass(frozen=True)
class Shops:
    """Sites that are only read: of the rich shop, of it with nothing withheld, without FEW, and without its nights."""

    whole: Door
    untouched: Door
    without_few: Door
    without_few_nights: Door


@pytest.fixture(scope="module")
def shops(service: Service) -> Iterator[Shops]:
    clock = Clock()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("service.clock.time", clock)
        told = rich_shop()
        doors = Shops(*(service.door(clock) for _ in range(4)))
        for door in (doors.whole, doors.untouched, doors.without_few, doors.without_few_nights):
            door.told(opened("J", part_number="BR-1"))
        doors.whole.told(*all_of(told))
        doors.untouched.set(least_people=1)
        doors.untouched.told(*all_of(told))
        doors.without_few.told(*all_of({pair: some for pair, some in told.items() if pair not in FEW}))
        nights = {pair for pair in FEW if pair[1] == "night"}
        doors.without_few_nights.told(*all_of({pair: some for pair, some in told.items() if pair not in nights}))
        yield doors


def of_pairs(report: Mapping[str, Any]) -> set[tuple[str, str]]:
    return {(row["machine"], row["shift"]) for row in report["rows"]}


# --- groups of few people ------------------------------------------------------------------------------------------


def test_groups_of_few_people_are_not_told_by_machine_and_shift(shops: Shops) -> None:
    report = shops.whole.report("yield", by="machine,shift")
    assert of_pairs(report) == {*product(MACHINES, HOURS)} - FEW
    assert report["totals"]["attempts"] == sum(row["attempts"] for row in report["rows"]) == 40
    (note,) = [note for note in report["notes"] if note.startswith("withheld")]
    assert note == (
        "withheld: 4 groups of machine and shift, left out of all figures: fewer than 3 people are named there, or it "
        "would tell such a group by subtraction (setting least_people): laser-1 early, laser-1 night, laser-2 early, "
        "laser-2 night"
    )
    for form in ("csv", "xlsx"):
        table = shops.whole.get("/v1/reports/yield", by="machine,shift", format=form, month="2026-03")
        assert table.headers["X-Withheld"] == "4 groups of machine and shift"
        assert form == "xlsx" or table.text.count("laser-1,") == 1
        plain = shops.whole.get("/v1/reports/yield", by="machine", format=form, month="2026-03")
        assert "X-Withheld" not in plain.headers


def test_either_alone_is_told(shops: Shops) -> None:
    for asked in ({"by": "machine"}, {"by": "shift"}, {"shift": "night"}, {"machine": "laser-1"}, {"by": "thickness"}):
        report = shops.whole.report("yield", **asked)
        assert not any("withheld" in note for note in report["notes"]), asked
    assert shops.whole.totals("yield")["attempts"] == 60


@pytest.mark.parametrize(
    "asked",
    [
        {"by": "shift", "machine": "laser-1"},
        {"by": "machine", "shift": "night"},
        {"machine": "laser-1", "shift": "night"},
        {"by": "machine,shift", "thickness_mm": "20"},
        {"by": "shift,run,machine"},
        {"by": "day,shift,machine"},
        {"by": "shift,plate,machine"},
        {"by": "month,surface_group,shift,bevel,machine"},
    ],
    ids=lambda asked: " ".join(f"{name}={value}" for name, value in asked.items()),
)
def test_the_same_groups_are_left_out_whatever_else_is_asked(shops: Shops, asked: dict[str, str]) -> None:
    report = shops.whole.report(**asked)
    if report["totals"]["attempts"]:
        assert not of_pairs({"rows": [asked | row for row in report["rows"]]}) & FEW
    assert any("withheld" in note for note in report["notes"])


def test_a_filter_on_machine_or_shift_tells_no_more_than_all_of_them_together(door: Door) -> None:
    thick = {pair: cuts(*pair, *TEAM, thickness_mm=30) for pair in product(MACHINES, HOURS)}
    thick["laser-1", "night"] = cuts("laser-1", "night", TEAM[0], thickness_mm=30)
    door.told(*chain(*(cuts(*pair, *TEAM) for pair in product(MACHINES, HOURS))), *all_of(thick))

    def told(by: str, **asked: str) -> set[tuple[Any, ...]]:
        rows = door.rows("yield", by=by, **asked)
        return {
            (*(asked.get(name, row.get(name)) for name in ("machine", "shift")), row["thickness_mm"]) for row in rows
        }

    whole = told("machine,shift,thickness")
    # Four are left out at 30 mm, and what would tell them at 20 mm.
    assert len([group for group in whole if group[2] == 30]) == 5
    assert {group for name in MACHINES for group in told("shift,thickness", machine=name)} == whole
    assert {group for name in HOURS for group in told("machine,thickness", shift=name)} == whole
    assert {
        group for one, other in product(MACHINES, HOURS) for group in told("thickness", machine=one, shift=other)
    } == whole


@pytest.mark.parametrize("joined", ["plate", "job", "run"])
def test_what_is_mostly_of_one_machine_and_shift_does_not_join_the_two(door: Door, joined: str) -> None:
    door.told(
        *(opened(f"J-{number}") for number in range(2)),
        *cuts("laser-1", "night", TEAM[0], plate="P-a", job="J-0", run="R-0"),
        *cuts("laser-2", "early", *TEAM, plate="P-b", job="J-1", run="R-1"),
    )
    name = {"plate": "P-a", "job": "J-0", "run": "R-0"}[joined]
    for asked in (
        {"by": f"machine,{joined}"},
        {"by": f"shift,{joined}"},
        {"by": "machine", joined: name},
        {"by": joined, "shift": "night"},
    ):
        report = door.report(**asked)
        assert name not in {row.get(joined) for row in report["rows"]}, asked
        assert report["totals"]["attempts"] in (0, 4), asked
        assert any("withheld" in note for note in report["notes"]), asked
    assert name in {row[joined] for row in door.rows(by=joined)}


def test_a_person_with_several_pseudonyms_and_a_name_counts_once(door: Door) -> None:
    def told() -> int:
        door.told(*chain(*(cuts(*pair, *TEAM[:2]) for pair in product(MACHINES[:2], ("early", "night")))))
        return len(door.rows("yield", by="machine,shift"))

    assert told() == 0
    for _ in range(2):
        unlinked(door)
        assert told() == 0
    door.set(people="keep")
    assert told() == 0
    kept = {
        event_["data"]["operator"].split("-")[0]
        for event_, _ in kept_of(door.database, door.site)
        if "operator" in event_["data"]
    }
    assert kept == {"p", "p1", "p2", *TEAM[:2]}
    door.told(*chain(*(cuts(*pair, TEAM[2]) for pair in product(MACHINES[:2], ("early", "night")))))
    assert len(door.rows("yield", by="machine,shift")) == 4


def test_days_before_the_window_that_a_standing_rests_on_are_looked_at_too(door: Door) -> None:
    asked = {"from": "2026-03-04", "to": "2026-03-04", "shift": "night", "machine": "laser-1"}
    door.told(*chain(*(cuts(*pair, *TEAM, good=2) for pair in product(MACHINES, HOURS))))
    assert len(door.rows("standing", **asked)) == 1
    before = cuts("laser-1", "night", *TEAM[:1] * 3, good=2)
    door.told(*(each | {"time": each["time"].replace("-04T", "-02T")} for each in before))
    report = door.report("standing", **asked)
    assert report["rows"] == []
    assert any("withheld" in note and "laser-1 night" in note for note in report["notes"])


def test_more_groups_than_an_answer_may_have_are_not_even_judged(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("worker.reports.withholding.MOST_GROUPS", 5)
    door.told(*cuts("laser-1", "night", *TEAM * 2))
    refused = door.get("/v1/reports/yield", by="machine,shift,plate", month="2026-03")
    assert (refused.status_code, refused.json["errors"][0]["parameter"]) == (422, "by")
    assert door.get("/v1/reports/yield", by="machine,shift", month="2026-03").status_code == 200


@pytest.mark.parametrize(
    ("least", "groups"), [(1, 9), (2, 5), (3, 5), (4, 1), (5, 0)], ids=["off", "two", "three", "four", "five"]
)
def test_how_many_people_a_group_must_have_is_a_setting(door: Door, least: int, groups: int) -> None:
    door.told(*all_of(shop()))
    door.set(least_people=least)
    assert len(door.rows("yield", by="machine,shift")) == groups


def test_the_setting_has_bounds(door: Door) -> None:
    for wrong in (0, 1001, 2.5, "3", None):
        answer = door.ask("PUT", f"/v1/sites/{door.site}", json={"valid_from": "2026-01-01", "least_people": wrong})
        assert answer.status_code == 422, wrong


def test_attempts_that_name_nobody_tell_of_nobody(door: Door) -> None:
    door.told(*cuts("laser-1", "night", None, None), *cuts("laser-2", "late", None))
    assert of_pairs(door.report("yield", by="machine,shift")) == {("laser-1", "night"), ("laser-2", "late")}


def test_those_who_are_named_count_beside_attempts_that_name_nobody(door: Door) -> None:
    door.told(*chain(*(cuts(*pair, None, None, *TEAM[:1]) for pair in product(MACHINES[:2], HOURS))))
    assert door.rows("yield", by="machine,shift") == []


def test_a_site_that_keeps_no_names_has_nothing_to_withhold(door: Door) -> None:
    door.set(people="drop")
    door.told(*all_of(shop()))
    assert len(door.rows("yield", by="machine,shift")) == 9


def test_figures_as_they_stood_protect_who_is_protected_now(door: Door) -> None:
    door.set(least_people=1)
    door.told(*all_of(shop()))
    position = door.report()["as_of"]["position"]
    asked = {"by": "machine,shift", "at": position, "month": "2026-03"}
    before = door.get("/v1/reports/yield", **asked)
    assert len(before.json["rows"]) == 9
    door.set(least_people=3)
    after = door.get("/v1/reports/yield", **asked, headers={"If-None-Match": before.headers["ETag"]})
    assert after.status_code == 200
    assert len(after.json["rows"]) == 5


def test_an_answer_that_is_held_is_asked_for_again_when_the_setting_changes(door: Door) -> None:
    door.told(*all_of(shop()))
    asked = {"by": "machine,shift", "month": "2026-03"}
    before = door.get("/v1/reports/yield", **asked)
    door.set(least_people=1)
    after = door.get("/v1/reports/yield", **asked, headers={"If-None-Match": before.headers["ETag"]})
    assert (after.status_code, len(after.json["rows"])) == (200, 9)


SAID = ("rows", "totals", "details")


def test_an_answer_that_is_kept_is_not_given_on_when_the_setting_protects_more(door: Door) -> None:
    door.set(least_people=1)
    door.told(*all_of(shop()))
    now_us = door.clock.time_ns() // 1000
    for by, kept in (("machine,shift", 9), ("machine", 3)):
        asked, entry = {"by": [by], "month": ["2026-03"]}, REPORTS["yield"]
        with door.database.read() as connection:
            reader = open_site(connection, door.site)
            question = answers.asked(reader, entry, asked, now_us=now_us)
            answer = report_plain(entry.answer(reader, question))
        assert len(answer["rows"]) == kept
        took_us = answers.OLDER_FROM_US
        answers.keep(
            door.database, reader, entry, question, asked, answer, took_us=took_us, now_us=now_us, asked_us=now_us
        )
    position = door.report()["as_of"]["position"]
    door.set(least_people=3)
    assert len(door.rows("yield", by="machine,shift", month="2026-03")) == 5
    # The control: of what protects nobody the older answer is given on.
    assert door.report("yield", by="machine", month="2026-03")["as_of"]["position"] == position


def questions() -> Iterator[tuple[str, dict[str, str]]]:
    """A question that tells machines and shifts, to each report that can be asked one."""
    for name, entry in REPORTS.items():
        both = {"machine": "laser-1", "shift": "night"}
        if name in ("proof", "wear"):
            continue
        yield name, both
        yield name, {"shift": "night"} if "machine" in entry.keys else both | {"purpose": "all"}
        if entry.by:
            yield name, {"by": ",".join(("machine", "shift", *(more.name for more in entry.more_dimensions[:1])))}
            yield name, {"by": "run,shift,week", "machine": "laser-1"}
        if any(option.name == "who" for option in entry.options):
            yield name, {"who": "shift", "machine": "laser-1"}
        if any(option.name == "against" for option in entry.options):
            yield name, both | {"against": "baseline"}


@pytest.mark.parametrize(
    ("name", "asked"), list(questions()), ids=lambda value: value if isinstance(value, str) else "&".join(value)
)
def test_no_report_says_anything_that_rests_on_groups_of_few(shops: Shops, name: str, asked: dict[str, str]) -> None:
    # How alike parts of a plate are is learnt from all shifts, whichever is asked for.
    without = shops.without_few_nights if "shift" in asked else shops.without_few
    answers = [door.report(name, **asked) for door in (shops.whole, without)]
    # Clocks are compared by sender, whatever else is asked.
    parts = [[row for row in answer["rows"] if row.get("criterion") != "clock_ahead"] for answer in answers]
    assert parts[0] == parts[1]
    # The control: with nothing withheld it says more.
    untouched = shops.untouched.report(name, **asked)
    assert [untouched[part] for part in SAID] != [answers[0][part] for part in SAID]
    assert answers[0]["totals"] == answers[1]["totals"]
    assert answers[0]["details"] == answers[1]["details"]
    assert any("withheld" in note for note in answers[0]["notes"])


@pytest.mark.parametrize("asked", [{"shift": "late"}, {"shift": "night"}, {"shift": "late", "machine": "laser-1"}])
def test_wear_rests_on_no_group_of_few_and_what_these_cut_is_no_use_since_a_service(
    service: Service, asked: dict[str, str]
) -> None:
    clock = Clock()
    whole, without, untouched = (service.door(clock) for _ in range(3))
    told = rich_shop()
    untouched.set(least_people=1)
    for door in (whole, without, untouched):
        door.told(
            opened("J", part_number="BR-1"),
            *(event("machine.serviced", name, time="2026-03-04T01:00:00Z", what="nozzle") for name in MACHINES),
            *all_of({pair: some for pair, some in told.items() if door is not without or pair not in FEW}),
        )
    report = whole.report("wear", **asked)
    assert [report[part] for part in SAID] == [without.report("wear", **asked)[part] for part in SAID]
    assert untouched.rows("wear", **asked) != report["rows"]
    assert "what is withheld is left out of the use too: use is higher than counted here" in report["notes"]
    assert whole.rows("wear") == untouched.rows("wear")


def test_published_weeks_ask_for_no_machine_and_shift_at_once() -> None:
    for entry in REPORTS.values():
        for by in divisions(entry):
            dimensions = tuple(DIMENSIONS[name] for name in by if name in DIMENSIONS)
            question = Question(*[None] * 2, dimensions, {}, {}, 0.95)  # type: ignore[arg-type]
            assert not is_looked_at(question, entry.known_by(question)), (entry.name, by)


@pytest.mark.parametrize("name", [name for name in REPORTS if name != "proof"])
@pytest.mark.parametrize("asked", [{"shift": "night"}, {"machine": "laser-1"}], ids=["shift", "machine"])
def test_a_report_that_tells_machines_of_a_shift_or_shifts_of_a_machine_is_looked_at(
    shops: Shops, name: str, asked: dict[str, str]
) -> None:
    report = shops.whole.report(name, **asked)
    if not any("withheld" in note for note in report["notes"]):
        said = json.dumps([report["rows"], report["details"], report["notes"]])
        assert not re.search(r"laser-[123]" if "shift" in asked else r"\b(early|late|night)\b", said), said


def test_lots_of_a_shift_name_no_machine_of_few(door: Door) -> None:
    """One person cut heat H1 on laser-1 at night, and badly; on laser-2 four did, and well."""
    told: list[dict[str, Any]] = []
    for machine, heat, number in product(MACHINES[:2], ("H1", "H2", "H3"), range(12)):
        plate = f"{machine}-{heat}-{number}"
        bad = (machine, heat) == ("laser-1", "H1")
        person = TEAM[0] if machine == "laser-1" else TEAM[number % 4]
        (one,) = cuts(machine, "night", person, plate=plate, quantity=10, good=0 if bad else 10, rework=10 * bad)
        told += [received(plate, heat_number=heat, mill="Mill A")]
        told += [one | {"time": one["time"].replace("-04T", f"-0{2 + number % 3}T")}]
    door.told(*told)
    door.set(least_people=1)
    assert "laser-1" in json.dumps(door.report("lots", shift="night")["notes"])
    door.set(least_people=3)
    report = door.report("lots", shift="night")
    assert [note for note in report["notes"] if "laser-1" in note and "withheld" not in note] == []
    assert [(row["lot"], row["not_good"], row["machines"]) for row in report["rows"]] == [
        (heat, 0, None) for heat in ("H1", "H2", "H3")
    ]


# --- nobody is grouped, named or found ---------------------------------------------------------------------------


def test_nothing_can_be_divided_or_asked_for_by_person() -> None:
    """The document names people in events alone: in what is posted, and in the ledger as it is read."""
    document = json.loads(document_text())
    asked = [
        parameter["name"]
        for path in document["paths"].values()
        for operation in path.values()
        if isinstance(operation, dict)
        for parameter in operation.get("parameters", ())
        if "name" in parameter
    ]
    assert asked
    assert [name for name in asked if any(person in name for person in PEOPLE_FIELDS)] == []
    holding = {
        shape
        for shape, schema in document["components"]["schemas"].items()
        if any(person in json.dumps([*_properties(schema)]) for person in PEOPLE_FIELDS)
    }
    assert holding == {"AttemptStarted", "AttemptFinished", "AttemptInspected"}


def _properties(schema: Any) -> Iterator[str]:
    """Names of properties, and words that a value may be, anywhere within a schema."""
    if isinstance(schema, dict):
        yield from schema.get("properties", {}) if isinstance(schema.get("properties"), dict) else ()
        yield from (str(word) for word in schema.get("enum", ()))
        for value in schema.values():
            yield from _properties(value)
    elif isinstance(schema, list):
        for value in schema:
            yield from _properties(value)


def test_reports_have_no_dimension_column_or_option_of_people() -> None:
    words = {*DIMENSIONS, *(dimension.stored for dimension in DIMENSIONS.values())}
    for entry in REPORTS.values():
        words |= {dimension.name for dimension in entry.more_dimensions}
        words |= {column.name for column in (*entry.columns, *entry.details)} | {
            option.name for option in entry.options
        }
        words |= {item.name for column in entry.details for item in column.items}
    assert not {word for word in words if any(person in word for person in PEOPLE_FIELDS)}


@pytest.mark.parametrize("name", [*PEOPLE_FIELDS, "person", "people"])
def test_who_asks_by_person_is_refused(door: Door, name: str) -> None:
    for report in REPORTS:
        for asked in ({"by": name}, {name: TEAM[0]}):
            assert door.get(f"/v1/reports/{report}", **asked).status_code == 422, (report, asked)
    assert door.get("/v1/attempts", **{name: TEAM[0]}).status_code == 422


PLANTED = ("Zzyzx Operatrix", "Zzyzx Inspectrix")


def told_of_planted(door: Door) -> list[str]:
    """A small shop in which two people are named who are named nowhere else; their pseudonyms."""
    door.told(
        opened("J", part_number="BR-1"),
        received("P", heat_number="H1", mill="Mill A"),
        cut("A", job="J", plate="P", run="R", machine="laser-1", recipe={"name": "r", "revision": "1"}, seconds=60.0,
            quantity=2, pierces=4, failed_pierces=4, operator=PLANTED[0]),
        event("attempt.inspected", "A", time="2026-03-04T11:00:00Z", good=1, rework=1, inspector=PLANTED[1],
              defects=[{"term": "slag_lower_edge", "location": "lower_edge", "parts": 1}], u_mm=[0.3]),
    )  # fmt: skip
    with door.database.read() as connection:
        key = people_key(connection, door.site)
    return [People("pseudonym", key).pseudonym(name) for name in PLANTED]


def readings(door: Door) -> Iterator[tuple[str, str]]:
    """(what was asked, the whole answer) of each door that is read, in each way that it can be divided."""
    month = "month=2026-03"
    paths = [
        *("jobs", "jobs/J", "plates", "plates/P", "attempts", "attempts/A", "findings?state=all", "reports", "proofs"),
        *("sites", f"sites/{door.site}", "keys", "plates/P/precheck?machine=laser-1"),
        "plan?parts=2&material=S355&thickness_mm=20&from=2026-03-01&to=2026-03-31",
        *(f"reports/{name}?{month}" for name in REPORTS),
        *(f"reports/{name}?{month}&format=csv" for name in REPORTS),
        *(f"reports/{name}?{month}&by={by}" for name, entry in REPORTS.items() if entry.by for by in DIMENSIONS),
        *(f"reports/coverage?{month}&who={who}" for who in ("terminal", "machine", "shift")),
    ]
    for path in (*(f"/v1/{path}" for path in paths), "/metrics"):
        answer = door.get(path)
        assert answer.status_code == 200, (path, answer.text)
        yield path, answer.text + str(answer.headers)


def test_no_answer_tells_a_name_or_a_pseudonym_but_the_ledger_itself(
    door: Door, capfd: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("DEBUG")
    pseudonyms = told_of_planted(door)
    door.post([cut("A-wrong", operator=PLANTED[0], outcome="nothing")])
    seen = [path for path, answer in readings(door) if any(who in answer for who in (*PLANTED, *pseudonyms))]
    assert seen == []
    ledger = {path: door.get(path).text for path in ("/v1/events", "/v1/attempts/A/events")}
    for path, answer in ledger.items():
        # The control: here they are, so that they would have been found.
        assert all(who in answer for who in pseudonyms), path
        assert not any(who in answer for who in PLANTED), path
    written = "".join((*capfd.readouterr(), caplog.text))
    assert not any(who in written for who in (*PLANTED, *pseudonyms))


def test_no_table_but_the_ledger_and_its_attempts_holds_a_pseudonym(door: Door) -> None:
    """What is pushed, published, kept or put on record is stored first: so none of it holds one either."""
    with door.database.write() as connection:
        make(
            connection, door.site, name="all", url="https://erp.example/", topics=TOPICS, created_by="k", now_us=NOW_US
        )
    pseudonyms = told_of_planted(door)
    door.told(event("job.closed", "J", time="2026-03-05T10:00:00Z", reason="complete"))
    with alone(door, "worker.publishing"):
        publish_due(door.database, now_us=1_773_500_000_000_000)
    where, bodies = set(), []
    with door.database.read() as connection:
        for table in metadata.sorted_tables:
            for row in connection.execute(select(table)).mappings():
                where |= {
                    (table.name, column)
                    for column, value in row.items()
                    if any(
                        who in (value.decode("latin-1") if isinstance(value, bytes) else str(value))
                        for who in pseudonyms
                    )
                }
                bodies += (
                    [row["body"]] if table.name in ("pushes", "published_reports") and row["site"] == door.site else []
                )
    assert where == {("events", "payload"), ("attempts", "operator")}
    assert len(bodies) > 20


@pytest.mark.parametrize("people", [1, 3])
def test_a_finding_on_times_names_no_shift_of_few(door: Door, people: int) -> None:
    entered = cuts("laser-1", "early", *(TEAM[number % people] for number in range(9)))
    for minute, each in enumerate(entered):
        each["time"] = f"2026-03-04T13:{51 + minute}:00Z"
    door.told(*entered)
    with door.database.read() as connection:
        reader = open_site(connection, door.site)
        days = (date(2026, 3, 1), date(2026, 3, 4))
        found = [one for one in series(reader, Question(*days, (), {}, {}, 0.95)) if one.code == "times_at_shift_end"]
    assert ["shift early" in one.detail for one in found] == [people == 3]


# --- the end of the link -------------------------------------------------------------------------------------------


def kept_of(database: Database, site: str) -> list[tuple[dict[str, Any], bytes]]:
    with database.read() as connection:
        rows = connection.exec_driver_sql("SELECT site, payload, content_hash FROM events ORDER BY position").all()
    return [(json.loads(bytes(row[1])), bytes(row[2])) for row in rows if row[0] == site]


def linked(database: Database, site: str, keys: set[bytes]) -> set[str]:
    """Names of the shop that a key gives the pseudonym or the content hash of an event that is kept."""
    found = set()
    for (event_, content_hash), key, name in product(kept_of(database, site), keys, PLANTED):
        people = People("pseudonym", key)
        if people.pseudonym(name) in event_["data"].values():
            found.add(name)
        fields = [field for field in PEOPLE_FIELDS if field in event_["data"]]
        again = judge(
            event_ | {"data": event_["data"] | dict.fromkeys(fields, name)}, now_us=NOW_US, people=people, pointer=""
        )
        assert isinstance(again, Judged)
        if fields and again.content_hash == content_hash:
            found.add(name)
    return found


def secrets_of(database: Database) -> set[bytes]:
    """Every value of every table that could be a key: bytes, and texts as bytes, of 16 and more."""
    found = set()
    with database.read() as connection:
        for table in metadata.sorted_tables:
            for row in connection.execute(select(table)):
                values = (value.encode() if isinstance(value, str) else value for value in row)
                found |= {bytes(value) for value in values if isinstance(value, bytes) and len(value) >= 16}
    return found


@pytest.fixture(params=ENGINES)
def own(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[Door, Path]]:
    """A door of an installation of its own, and the folder of its files."""
    with pytest.MonkeyPatch.context() as patch, installation_on(request.param, tmp_path, name="own") as database:
        clock = Clock()
        patch.setattr("service.clock.time", clock)
        with serving(database) as running:
            yield running.door(clock), tmp_path


def unlinked(door: Door) -> Any:
    answer = door.ask("POST", f"/v1/sites/{door.site}/people/unlinking")
    assert answer.status_code == 200, answer.text
    return answer.json


def key_of(door: Door) -> bytes:
    with door.database.read() as connection:
        return people_key(connection, door.site)


def holding(folder: Path, secret: bytes) -> list[str]:
    return [path.name for path in folder.rglob("*") if path.is_file() and secret in path.read_bytes()]


def test_nothing_that_is_left_links_a_name_to_what_is_kept(own: tuple[Door, Path]) -> None:
    door, folder = own
    told_of_planted(door)
    old = key_of(door)
    # The row is rewritten again and again, as sites come and figures change.
    for _ in range(8):
        door.set(targets={"confidence": 0.9})
    assert linked(door.database, door.site, secrets_of(door.database)) == {*PLANTED}
    if door.database.is_sqlite:
        assert holding(folder, old)
    assert unlinked(door) == {"site": door.site, "erased": True, "held_up": None}
    assert old != key_of(door)
    assert linked(door.database, door.site, secrets_of(door.database)) == set()
    assert holding(folder, old) == []
    assert not is_in_table_file(door.database, old)


def is_in_table_file(database: Database, secret: bytes) -> bool:
    """True where the file of PostgreSQL's table of sites, which was written anew, has these bytes in it."""
    if database.is_sqlite:
        return False
    query = "SELECT position(%(secret)s::bytea IN pg_read_binary_file(pg_relation_filepath('sites')))"
    with database.read() as connection:
        return bool(connection.exec_driver_sql(query, {"secret": secret}).scalar_one())


def leave_older_copies(door: Door, secret: bytes) -> None:
    """Leave copies in what an embedded file has free, as a library does that writes no zeros over it."""
    with door.database._writer.connect() as connection:
        connection.connection.dbapi_connection.execute("PRAGMA secure_delete = OFF")  # type: ignore[union-attr]
    with door.database.write() as connection:
        connection.exec_driver_sql("CREATE TABLE elsewhere (text BLOB)")
        for _ in range(60):
            connection.exec_driver_sql("INSERT INTO elsewhere VALUES (?)", (secret + b"x" * 5000,))
    with door.database.write() as connection:
        connection.exec_driver_sql("DROP TABLE elsewhere")
    door.database._alone("PRAGMA wal_checkpoint(TRUNCATE)")
    # The control: the row itself, and the copies.
    assert door.database.path.read_bytes().count(secret) > 50


SQLITE = pytest.mark.parametrize("own", ["sqlite"], indirect=True)
POSTGRESQL = pytest.mark.parametrize("own", ["postgresql"], indirect=True)


@SQLITE
def test_older_copies_elsewhere_in_the_file_are_gone_too(own: tuple[Door, Path]) -> None:
    door, folder = own
    old = key_of(door)
    leave_older_copies(door, old)
    assert unlinked(door)["erased"] is True
    assert holding(folder, old) == []


@SQLITE
def test_what_a_call_that_was_broken_off_left_is_gone_with_the_next(
    own: tuple[Door, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    door, folder = own
    old = key_of(door)
    leave_older_copies(door, old)
    with monkeypatch.context() as patch:
        patch.setattr("worker.database.Database.erase", lambda *_, **__: "the process ended")
        assert unlinked(door)["held_up"] == "the process ended"
    assert holding(folder, old)
    assert unlinked(door)["erased"] is True
    assert holding(folder, old) == []


@SQLITE
def test_a_large_file_is_written_anew_by_the_command_alone(
    own: tuple[Door, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    door, folder = own
    old = key_of(door)
    leave_older_copies(door, old)
    monkeypatch.setattr("service.routes.people.MOST_BYTES", 4096)
    monkeypatch.setattr("worker.database.ERASE_SECONDS", 0.0)
    assert "which the command writes anew" in unlinked(door)["held_up"]
    assert holding(folder, old)
    again = key_of(door)
    actor = Actor("k", "admin")
    assert unlink(door.database, door.site, actor=actor, now_us=NOW_US) is None
    assert holding(folder, old) + holding(folder, again) == []


@POSTGRESQL
def test_a_snapshot_of_before_keeps_the_old_key_and_it_is_said(
    own: tuple[Door, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    door, _ = own
    old = key_of(door)
    monkeypatch.setattr("worker.database.ERASE_SECONDS", 0.0)
    with door.database.read() as other:
        # Of another table: nothing holds a lock on that of the sites.
        other.exec_driver_sql("SELECT count(*) FROM events").all()
        assert "snapshots of before" in unlinked(door)["held_up"]
        key = other.exec_driver_sql(f"SELECT people_key FROM sites WHERE site = '{door.site}'").scalar_one()
        assert bytes(key) == old
    assert old != key_of(door)
    assert unlinked(door)["erased"] is True
    assert not is_in_table_file(door.database, old)
    # The control: the key that holds is found there.
    assert is_in_table_file(door.database, key_of(door))


@POSTGRESQL
def test_who_reads_the_table_is_waited_for_no_longer_than_a_moment(
    own: tuple[Door, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    door, _ = own
    monkeypatch.setattr("worker.database.ERASE_SECONDS", 0.0)
    with door.database.write() as other:
        # Between two statements of READ COMMITTED there is a lock, and no snapshot.
        other.exec_driver_sql("SELECT 1 FROM sites").all()
        assert unlinked(door)["held_up"] == "the database was in use"
    assert unlinked(door)["erased"] is True


def test_a_reader_of_before_holds_up_the_erasure_and_it_is_said(
    own: tuple[Door, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    door, folder = own
    old = key_of(door)
    monkeypatch.setattr("worker.database.ERASE_SECONDS", 0.0)
    with door.database.read() as connection:
        assert people_key(connection, door.site) == old
        assert unlinked(door)["erased"] is False
    assert old != key_of(door)
    assert unlinked(door)["erased"] is True


def test_the_same_person_has_another_pseudonym_and_an_old_event_is_a_conflict(door: Door) -> None:
    first, nameless = cut("A", operator=TEAM[0]), cut("B")
    assert door.statuses(first, nameless) == ["accepted", "accepted"]
    unlinked(door)
    assert door.statuses(first, nameless) == ["conflict", "duplicate"]
    again = cut("C", operator=TEAM[0])
    assert door.statuses(again, again) == ["accepted", "duplicate"]
    old, new = (
        event_["data"]["operator"] for event_, _ in kept_of(door.database, door.site) if "operator" in event_["data"]
    )
    assert old != new
    assert old.startswith("p-")


def test_figures_stay_and_the_deed_is_on_record(door: Door) -> None:
    door.told(*all_of(shop()))
    before = door.report()["rows"]
    unlinked(door)
    assert door.report()["rows"] == before
    with door.database.read() as connection:
        (deed, *_), _ = entries(connection, door.site, acts=("people_key.destroyed",))
    assert (deed.subject, deed.actor.name, deed.details) == (door.site, "admin", {})


def test_events_judged_by_the_key_that_is_destroyed_meanwhile_are_sent_again(
    door: Door, monkeypatch: pytest.MonkeyPatch
) -> None:
    def judged(*args: Any, **how: Any) -> Any:
        monkeypatch.undo()
        monkeypatch.setattr("service.clock.time", door.clock)
        unlinked(door)
        return taken_quickly(*args, **how)

    monkeypatch.setattr("service.routes.events.taken_quickly", judged)
    late = cut("A", operator=TEAM[0])
    refused = door.post(late)
    assert (refused.status_code, refused.headers["Retry-After"]) == (503, "2")
    assert kept_of(door.database, door.site) == []
    assert door.statuses(late, late) == ["accepted", "duplicate"]


def test_the_command_asks_first_and_destroys_the_key_of_one_site(tmp_path: Path) -> None:
    def ran(*words: str, said: str = "") -> Any:
        return CliRunner().invoke(main, [*words, "--data", str(tmp_path)], input=said)

    assert ran("site", "new", "north").exit_code == 0
    database = Database(f"sqlite:///{tmp_path / 'cutledger.sqlite3'}")

    def keys() -> list[bytes]:
        with database.read() as connection:
            return [people_key(connection, site) for site in ("main", "north")]

    before = keys()
    assert ran("people", "unlink", "--site", "north", said="n\n").exit_code == 1
    assert keys() == before
    done = ran("people", "unlink", "--site", "north", "--yes")
    assert (done.exit_code, done.stderr) == (0, "")
    assert "destroyed" in done.stdout
    assert [one == other for one, other in zip(before, keys(), strict=True)] == [True, False]
    unknown = ran("people", "unlink", "--site", "nowhere", "--yes")
    assert unknown.exit_code == 1
    assert "nowhere" in unknown.output
    database.close()
    assert holding(tmp_path, before[1]) == []
