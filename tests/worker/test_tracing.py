"""A trace is the brute-force closure over what an independent recount makes of the events, in any order of arrival."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests import builders
from tests.builders import event
from tests.conftest import Sites
from tests.event_sets import MACHINES, Event, arrival_order, event_sets
from tests.independent_recount import (
    VERDICTS,
    Recount,
    Said,
    events_of_attempts,
    in_fold_order,
    inspections_that_count,
    name_key,
    of_type,
    piece_of,
    recount,
    unvoided,
)
from tests.service.conftest import cut, opened, received, void
from tests.worker.test_disorder import deliver
from worker.events import CHECKS
from worker.records import Event as Recorded
from worker.reports.reading import open_site
from worker.tracing import checks
from worker.tracing.answer import rows, trace, trace_since
from worker.tracing.asked import Asked, SinceAsked, StartUnknown
from worker.tracing.checks import BOUNDS, all_inspected, is_good_check
from worker.tracing.past import PARTS
from worker.tracing.walk import DIRECTIONS

RANDOMS = st.randoms(use_true_random=False)
DAY_US = 24 * 3600 * 10**6
Node = tuple[str, ...]
Edge = tuple[Node, Node]

# --- brute force ------------------------------------------------------------------------------------------------


def edges_of(found: Recount) -> set[Edge]:
    """Every step of the flow of steel, from all that is known."""
    edges: set[Edge] = set()
    for plate, row in found.plates.items():
        if row["heat_number"] is not None:
            edges.add((("heat", row["heat_number"], name_key(row["mill"] or "")), ("plate", plate)))
        if row.get("parent") is not None:
            edges.add((("plate", row["parent"]), ("plate", plate)))
    for attempt, row in found.attempts.items():
        if row["plate"] is not None:
            edges.add((("plate", row["plate"]), ("attempt", attempt)))
        if row["job"] is not None:
            edges.add((("attempt", attempt), ("job", row["job"])))
    edges |= {(("job", job), ("order", row["order"])) for job, row in found.jobs.items() if row.get("order")}
    return edges


def runs_of(found: Recount) -> set[Edge]:
    return {(("run", row["run"]), ("attempt", attempt)) for attempt, row in found.attempts.items() if row["run"]}


def closure(starts: Iterable[Node], edges: Iterable[Edge]) -> set[Node]:
    """All that is reached over steps, to a standstill."""
    reached = set(starts)
    while more := {child for parent, child in edges if parent in reached} - reached:
        reached |= more
    return reached


def relatives(found: Recount, attempt: str) -> set[str]:
    """Attempts on the same piece, or on a chain of retries with one of them."""
    same: set[str | None] = {attempt}
    while True:
        pieces = {piece_of(found.attempts[one]) for one in same if one in found.attempts} - {None}
        more = set(same)
        for name, row in found.attempts.items():
            if name in same or row["retry_of"] in same - {None} or piece_of(row) in pieces:
                more |= {name, row["retry_of"]}
        more -= {None}
        if more == same:
            return {name for name in same if name in found.attempts and name is not None}
        same = more


def expected_nodes(found: Recount, starts: set[Node], direction: str) -> set[Node]:
    edges = edges_of(found)
    nodes = set(starts)
    if direction != "forward":
        nodes |= closure(starts, {(child, parent) for parent, child in edges})
    if direction != "back":
        nodes |= closure(starts, edges)
    return nodes | {run for run, attempt in runs_of(found) if attempt in nodes}


# --- what is told -----------------------------------------------------------------------------------------------


def nodes_of(told: Mapping[str, Any]) -> set[Node]:
    heats = {("heat", one["heat_number"], name_key(one["mill"] or "")) for one in told["heats"]}
    kinds = ("plate", "run", "attempt", "job", "order")
    return heats | {(kind, one[kind]) for kind in kinds for one in told[f"{kind}s"]}


def links_of(told: Mapping[str, Any]) -> set[Edge]:
    links: set[Edge] = set()
    for link in told["links"]:
        parent, child = link["kind"].split("_")
        first = (parent, link["parent"], name_key(link["mill"] or "")) if parent == "heat" else (parent, link["parent"])
        links.add((first, (child, link["child"])))
    assert len(links) == len(told["links"])
    return links


def starts_of(found: Recount) -> dict[tuple[str, str, str | None], set[Node]]:
    """(parameter, id, mill) -> the nodes that a trace from it begins at, for each start that there is."""
    starts: dict[tuple[str, str, str | None], set[Node]] = {}
    starts |= {("attempt", name, None): {("attempt", one) for one in relatives(found, name)} for name in found.attempts}
    starts |= {("plate", name, None): {("plate", name)} for name in found.plates}
    starts |= {("job", name, None): {("job", name)} for name in found.jobs}
    for job in found.jobs.values():
        if job.get("order"):
            starts["order", job["order"], None] = {("order", job["order"])}
    for run, attempt in runs_of(found):
        starts.setdefault(("run", run[1], None), {run}).add(attempt)
    for heat, _ in edges_of(found):
        if heat[0] == "heat":
            starts.setdefault(("heat_number", heat[1], None), set()).add(heat)
            if heat[2]:
                starts["heat_number", heat[1], heat[2]] = {heat}
    return starts


@pytest.mark.parametrize("part", range(2))
def test_a_trace_is_all_that_is_reached_and_nothing_else(sites: Sites, part: int) -> None:
    @settings(max_examples=sites.examples(240))
    @given(events=event_sets(mismatched_voids=False), random=RANDOMS)
    def check(events: list[Event], random: Random) -> None:
        site = sites.new()
        deliver(sites, site, arrival_order(events, random=random), random=random)
        found = recount(events)
        starts = sorted(starts_of(found).items(), key=repr)
        with sites.database.read() as connection:
            reader = open_site(connection, site)
            for (kind, name, mill), begins in random.sample(starts, k=min(6, len(starts))):
                direction = random.choice(DIRECTIONS)
                told = trace(reader, Asked(kind, name, mill=mill), direction=direction)
                nodes = expected_nodes(found, begins, direction)
                assert nodes_of(told) == nodes, (kind, name, mill, direction)
                steps = edges_of(found) | runs_of(found)
                assert links_of(told) == {step for step in steps if nodes.issuperset(step)}
                attempts = [found.attempts[node[1]] for node in nodes if node[0] == "attempt"]
                counted = {
                    part: sum(row.get(part) or 0 for row in attempts if row["state"] == "finished") for part in PARTS
                }
                assert {part: told["counts"][part] for part in PARTS if part != "quantity"} == {
                    part: count for part, count in counted.items() if part != "quantity"
                }
                assert told["counts"]["attempts"] == len(attempts)
                assert sorted(row["attempt"] for row in rows(told)) == sorted(row for _, row in _of(nodes, "attempt"))
                assert not told["cut_off"]

    check()


def _of(nodes: Iterable[Node], kind: str) -> list[Node]:
    return [node for node in nodes if node[0] == kind]


def many_branches(rng: Random) -> list[Event]:
    """A shop with more generations, heats and runs than those of `event_sets`, in which some entries were voided."""
    plates, jobs = [f"P{number}" for number in range(24)], [f"J{number}" for number in range(9)]
    runs = [None, *(f"R{number}" for number in range(8))]
    events = [opened(job, order=rng.choice([None, "O1", "O2", "O3"])) for job in jobs[:-1]]
    for number, plate in enumerate(plates[:-1]):
        origin = {"heat_number": rng.choice(["H1", "H2"]), "mill": rng.choice([None, "North", "north ", "South"])}
        parent = rng.choice([None, *plates[max(0, number - 3) : number], rng.choice(plates)])
        events.append(received(plate, parent=parent, **(origin if rng.random() < 0.4 else {})))
    for number in range(60):
        of = {"plate": rng.choice([None, *plates]), "job": rng.choice([None, *jobs]), "run": rng.choice(runs)}
        of |= {"piece": rng.choice([None, "1", "2"]), "retry_of": rng.choice([None] * 9 + [f"A{rng.randrange(70)}"])}
        made = {"quantity": 3, "good": rng.randint(0, 2), "scrap": rng.randint(0, 1)}
        events.append(
            cut(f"A{number}", time=f"2026-03-04T{rng.randrange(24):02}:{rng.randrange(60):02}:00Z", **of, **made)
        )
    return [*events, *(void(one) for one in rng.sample(events, k=8))]


@pytest.mark.parametrize("seed", range(12))
def test_a_trace_of_many_branches_is_whole_or_says_that_it_is_cut_off(sites: Sites, seed: int) -> None:
    rng = Random(seed)
    site, events = sites.new(), many_branches(rng)
    deliver(sites, site, arrival_order(events, random=rng), random=rng)
    found = recount(events)
    with sites.database.read() as connection:
        reader = open_site(connection, site)
        for (kind, name, mill), begins in starts_of(found).items():
            direction = rng.choice(DIRECTIONS)
            nodes = expected_nodes(found, begins, direction)
            asked = Asked(kind, name, mill=mill)
            assert nodes_of(trace(reader, asked, direction=direction)) == nodes, (asked, direction)
            most = rng.randint(1, len(nodes) + 1)
            part = trace(reader, asked, direction=direction, most=most)
            assert nodes_of(part) <= nodes
            assert len(nodes_of(part)) <= most
            assert part["cut_off"] == (nodes_of(part) != nodes) == (most < len(nodes)), (asked, direction, most)


# --- since a machine was in order -------------------------------------------------------------------------------


def expected_bounds(events: Sequence[Event], found: Recount, until: int | None) -> dict[str, tuple[int, str] | None]:
    """When the first machine was last in order before an instant, by each way to know it, and the attempt if any."""
    standing = unvoided(in_fold_order(events))
    good_checks = [
        (said.at, "")
        for said in standing
        if said.type == "cutledger.machine.checked"
        and {one["what"] for one in said.data["checks"] if one["found"] != "not_looked_at"} == set(CHECKS)
    ]
    own = events_of_attempts(standing)
    inspected = [
        (ended(row) or row["started_at"], attempt)
        for attempt, row in found.attempts.items()
        if is_first_machine(row) and row["state"] == "finished" and row["good"] == row["quantity"]
        if by_inspection(own[attempt], row) and (until is None or row["started_at"] < until)
    ]
    before = {
        "check": [one for one in good_checks if until is None or one[0] < until],
        "inspection": [one for one in inspected if until is None or one[0] < until],
    }
    last = {name: max(times, default=None) for name, times in before.items()}
    return last | {"either": max((one for one in last.values() if one is not None), default=None)}


def is_first_machine(row: Mapping[str, Any]) -> bool:
    return bool(row["machine"] == name_key(MACHINES[0][0]))


def by_inspection(own: list[Said], row: Mapping[str, Any]) -> bool:
    first = [said for said in of_type(own, "inspected") if said.data.get("stage", "first") == "first"]
    counted = inspections_that_count(first, row["quantity"])
    return (
        sum(said.data.get(verdict, 0) for said in counted for verdict in VERDICTS) + row["released"] == row["quantity"]
    )


def ended(row: Mapping[str, Any]) -> int | None:
    return None if row.get("seconds_ms") is None else int(row["started_at"] + row["seconds_ms"] * 1000)


@pytest.mark.parametrize("part", range(2))
def test_what_was_cut_since_a_machine_was_in_order_is_told_whole(sites: Sites, part: int) -> None:
    @settings(max_examples=sites.examples(240))
    @given(events=event_sets(settings=False, mismatched_voids=False), random=RANDOMS)
    def check(events: list[Event], random: Random) -> None:
        site = sites.new()
        deliver(sites, site, arrival_order(events, random=random), random=random)
        found = recount(events)
        on_it = {name: row for name, row in found.attempts.items() if is_first_machine(row)}
        times = sorted(row["started_at"] + step for row in on_it.values() for step in (0, 1, 1800 * 10**6))
        until = random.choice([None, *times])
        by = random.choice(BOUNDS)
        with sites.database.read() as connection:
            reader = open_site(connection, site)
            try:
                told = trace_since(reader, SinceAsked(random.choice(MACHINES[0]), by, until))
            except StartUnknown:
                assert not on_it
                return
        last = expected_bounds(events, found, until)[by]
        expected = set()
        for name, row in on_it.items():
            started = row["started_at"]
            was_cutting = row["state"] == "open" or (ended(row) or 0) > (last or (0, ""))[0]
            in_doubt = last is None or started >= last[0] or (started > last[0] - DAY_US and was_cutting)
            if in_doubt and (until is None or started < until) and (last is None or name != last[1]):
                expected.add(name)
        assert {one["attempt"] for one in told["attempts"]} == expected, (by, until, last)
        assert told["since"]["since_at"] is None if last is None else instant_us(told["since"]["since_at"]) == last[0]

    check()


def instant_us(at: Any) -> int:
    return round(at.timestamp() * 10**6)


@pytest.mark.parametrize(
    ("found", "is_good"),
    [
        (dict.fromkeys(CHECKS, "in_order"), True),
        (dict.fromkeys(CHECKS, "in_order") | {"nozzle": "replaced", "gas": "set_right"}, True),
        (dict.fromkeys(CHECKS, "in_order") | {"gas": "not_looked_at"}, False),
        # What a check leaves out was not looked at either
        ({"nozzle": "in_order"}, False),
    ],
)
def test_a_check_is_good_when_all_was_looked_at(found: dict[str, str], is_good: bool) -> None:
    assert is_good_check({"checks": [{"what": what, "found": one} for what, one in found.items()]}) is is_good


def test_a_service_is_no_check_and_the_operators_verdict_no_inspection(sites: Sites) -> None:
    site = sites.new()
    told = [
        cut("A", machine="Laser 1", quantity=2, good=2, time="2026-03-04T10:00:00Z"),
        event("machine.serviced", "Laser 1", time="2026-03-04T11:00:00Z", what="nozzle"),
        cut("B", machine="laser 1", quantity=1, time="2026-03-04T12:00:00Z"),
    ]
    builders.append(sites.database, told, site=site)
    builders.count(sites.database, site=site)
    with sites.database.read() as connection:
        since = trace_since(open_site(connection, site), SinceAsked("LASER 1", "either"))
    assert [one["attempt"] for one in since["attempts"]] == ["A", "B"]
    assert since["since"]["since_at"] is since["since"]["last_check"] is since["since"]["last_inspected"] is None
    assert since["notes"][0].startswith("nothing shows that the machine was in order before")


def test_only_so_many_good_attempts_are_looked_at_and_that_is_said(
    sites: Sites, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = sites.new()
    told = [
        cut(f"A{number}", machine="L", quantity=1, good=1, time=f"2026-03-04T1{number}:00:00Z") for number in range(5)
    ]
    told.append(event("attempt.inspected", "A0", good=1, time="2026-03-05T10:00:00Z"))
    builders.append(sites.database, told, site=site)
    builders.count(sites.database, site=site)
    monkeypatch.setattr(checks, "_AT_A_TIME", 2)
    with sites.database.read() as connection:
        reader = open_site(connection, site)
        whole = trace_since(reader, SinceAsked("L", "either"))
        assert [one["attempt"] for one in whole["attempts"]] == ["A1", "A2", "A3", "A4"]
        assert whole["since"]["last_inspected"]["attempt"] == "A0"
        monkeypatch.setattr(checks, "MOST_LOOKED_AT", 4)
        told_of = trace_since(reader, SinceAsked("L", "either"))
    assert len(told_of["attempts"]) == 5
    assert any("those before were not read" in note for note in told_of["notes"])


def test_a_sample_stands_for_the_parts_that_it_releases() -> None:
    sampled = inspection({"good": 1, "rest_released": True})
    assert all_inspected([sampled], quantity=4, released=3)
    assert not all_inspected([sampled], quantity=4, released=0)
    # The second goes beyond the quantity, and judges nothing.
    assert not all_inspected([inspection({"good": 2}, 1), inspection({"good": 3}, 2)], quantity=4, released=0)


def inspection(data: dict[str, Any], time_us: int = 1) -> Any:
    return Recorded(time_us, "/s", str(time_us), "cutledger.attempt.inspected", "A", data)


# --- bounds and edges -------------------------------------------------------------------------------------------


def test_a_trace_that_is_too_large_is_cut_off_and_says_so(sites: Sites) -> None:
    site = sites.new()
    told = [received("P", heat_number="H"), *(cut(f"A{number}", plate="P", job=f"J{number}") for number in range(9))]
    builders.append(sites.database, told, site=site)
    builders.count(sites.database, site=site)
    with sites.database.read() as connection:
        reader = open_site(connection, site)
        asked = Asked("heat_number", "H")
        whole = trace(reader, asked, most=20)
        assert (len(nodes_of(whole)), whole["cut_off"]) == (20, False)
        for most in range(1, 20):
            part = trace(reader, asked, most=most)
            assert (len(nodes_of(part)), part["cut_off"]) == (most, True)
            assert nodes_of(part) < nodes_of(whole)
            assert part["notes"][0].startswith(f"it is cut off: more is linked than {most} things")


@pytest.mark.parametrize("length", [1, 2, 300])
def test_a_ring_and_a_long_chain_of_parents_end(sites: Sites, length: int) -> None:
    site = sites.new()
    ring = [received(f"P{number}", parent=f"P{(number + 1) % length}") for number in range(length)]
    builders.append(sites.database, [*ring, cut("A", plate="P0")], site=site)
    builders.count(sites.database, site=site)
    with sites.database.read() as connection:
        for asked in (Asked("plate", "P0"), Asked("attempt", "A")):
            told = trace(open_site(connection, site), asked)
            assert len(told["plates"]) == length
            assert [one["attempt"] for one in told["attempts"]] == ["A"]


def test_two_mills_with_one_number_are_two_heats_and_that_is_said(sites: Sites) -> None:
    site = sites.new()
    told = [
        received("P1", heat_number="H", mill="Nordhelm"),
        received("P2", heat_number="H", mill="NORDHELM "),
        received("P3", heat_number="H", mill="Suedwerk"),
        received("P4", heat_number="H"),
    ]
    builders.append(sites.database, told, site=site)
    builders.count(sites.database, site=site)
    with sites.database.read() as connection:
        reader = open_site(connection, site)
        every = trace(reader, Asked("heat_number", "H"))
        one = trace(reader, Asked("heat_number", "H", mill="nordhelm"))
    assert [(heat["mill"], heat["plates"]) for heat in every["heats"]] == [(None, 1), ("NORDHELM ", 2), ("Suedwerk", 1)]
    assert every["notes"] == ["3 mills gave heats this number: name the mill to trace one of them"]
    assert [plate["plate"] for plate in one["plates"]] == ["P1", "P2"]
    assert one["notes"] == ["2 plates with this heat number are of another mill or of none, and are left out"]


def test_what_a_trace_cannot_reach_is_said(sites: Sites) -> None:
    site = sites.new()
    told = [
        opened("J", order='4_7%"ü'),
        opened("K", order="4x7"),
        received("P"),
        cut("A", job="J"),
        cut("B", plate="P"),
    ]
    builders.append(sites.database, told, site=site)
    builders.count(sites.database, site=site)
    with sites.database.read() as connection:
        reader = open_site(connection, site)
        by_order = trace(reader, Asked("order", '4_7%"ü'))
        by_plate = trace(reader, Asked("plate", "P"))
        for kind in ("job", "attempt", "plate", "heat_number", "order", "run", "machine"):
            with pytest.raises(StartUnknown, match="none such"):
                trace(reader, Asked(kind, "none such"))
    assert [one["job"] for one in by_order["jobs"]] == ["J"]
    assert by_order["notes"] == ["1 attempt names no plate: its steel is not known"]
    assert by_plate["notes"] == [
        "of 1 plate no heat is known",
        "1 attempt names no job: where its parts went is not known",
    ]


def checked(time: str, **found: str) -> dict[str, Any]:
    looked_at = dict.fromkeys(CHECKS, "in_order") | found
    told = [{"what": what, "found": one} for what, one in looked_at.items()]
    return event("machine.checked", "Laser 1", time=time, checks=told)


def test_what_was_being_cut_at_the_check_is_told_too_and_a_check_is_not_before_itself(sites: Sites) -> None:
    site = sites.new()
    on_it = {"machine": "Laser 1", "quantity": 1}
    told = [
        cut("before", **on_it, seconds=60, time="2026-03-04T09:30:00Z"),
        cut("through", **on_it, seconds=3600, time="2026-03-04T10:30:00Z"),
        event("attempt.started", "open", machine="Laser 1", time="2026-03-04T09:59:00Z"),
        event("attempt.started", "forgotten", machine="Laser 1", time="2026-03-01T09:59:00Z"),
        checked("2026-03-04T10:00:00Z", nozzle="replaced"),
        cut("after", **on_it, seconds=60, time="2026-03-04T11:00:00Z"),
    ]
    builders.append(sites.database, told, site=site)
    builders.count(sites.database, site=site)
    at_us = 1772618400 * 10**6
    with sites.database.read() as connection:
        reader = open_site(connection, site)
        since = trace_since(reader, SinceAsked("laser 1", "check"))
        before = trace_since(reader, SinceAsked("laser 1", "either", until_us=at_us))
    assert instant_us(since["since"]["since_at"]) == at_us
    assert [one["attempt"] for one in since["attempts"]] == ["after", "open", "through"]
    assert since["notes"][0].endswith("ask with until=2026-03-04T10:00:00+00:00")
    assert before["since"]["last_check"] is None
    assert [one["attempt"] for one in before["attempts"]] == ["before", "forgotten", "open", "through"]
