"""Published weeks and figures as they stood, over HTTP: what was said stays said, and what changed since is told."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

import worker.reports
from tests.builders import event
from tests.service.conftest import Door, cut, opened, received, void
from worker.folding import instant_us
from worker.publishing import divisions, publish_site
from worker.reports import standing_then
from worker.reports.catalogue import REPORTS
from worker.reports.plain import json_bytes, report_plain
from worker.reports.questions import read_question
from worker.reports.reading import Reader, open_site
from worker.reports.standing_then import folded, standing_at

WEEK = "2026-W10"
#: A day after the end of that week.
DUE = instant_us("2026-03-10T06:00:00Z")
FIRST_CUT = cut("A1", id="first-cut", plate="P1", machine="L1", quantity=4, piece="bracket 1", job="J")


def publish(door: Door, *, now_us: int = DUE) -> list[str]:
    return list(publish_site(door.database, door.site, now_us=now_us))


@pytest.fixture
def few(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three reports, where it does not matter which: a week is published the sooner."""
    monkeypatch.setattr("worker.publishing.REPORTS", {name: REPORTS[name] for name in ("yield", "rework", "lots")})


def first_week(door: Door) -> None:
    """Plates of two thicknesses, cut by two machines; some parts fail, some are not inspected yet."""
    door.told(
        opened("J"),
        received("P1", mill="Nordhelm", heat_number="H1"),
        received("P2", mill="Nordhelm", heat_number="H2", thickness_mm=30),
        event("plate.assessed", "P1", time="2026-03-03T11:00:00Z", rust_grade="C"),
        FIRST_CUT,
        cut("A2", plate="P1", machine="L1", quantity=4, good=3, scrap=1, defects=[{"term": "slag_lower_edge"}]),
        cut("A3", plate="P2", machine="L2", thickness_mm=30, quantity=2, good=1, rework=1, pierces=9, failed_pierces=1),
        event("attempt.reworked", "A3", operation="grinding", minutes=12.5, parts=1),
    )


def later(door: Door) -> None:
    """What comes after the week was published: an inspection, rework, a void, and a cut that nobody had entered."""
    door.told(
        event("attempt.inspected", "A1", time="2026-03-05T10:00:00Z", good=2, scrap=2),
        event("attempt.reworked", "A3", time="2026-03-06T10:00:00Z", operation="weld_repair", minutes=30, parts=1),
        cut("A4", time="2026-03-06T11:00:00Z", machine="L3", thickness_mm=40, quantity=1, good=1),
    )


def corrected(door: Door) -> None:
    """A cut is void, and stated anew."""
    door.told(void(FIRST_CUT), cut("A5", machine="l1", good=1))


STEPS = (first_week, later, corrected)


def asked(door: Door, name: str, **query: Any) -> bytes:
    answer = door.get(f"/v1/reports/{name}", **query)
    assert answer.status_code == 200, answer.text
    data: bytes = answer.data
    return data


def problem(door: Door, name: str = "yield", *, status: int = 422, **query: Any) -> Any:
    answer = door.get(f"/v1/reports/{name}", **query)
    assert answer.status_code == status, answer.text
    return answer.get_json()


def parameters(problem: Any) -> set[str]:
    return {each["parameter"] for each in problem["errors"]}


# --- published --------------------------------------------------------------------------------------------------


def key_columns(name: str, *answers: Any) -> list[str]:
    """Columns that say which row of a report one is, in answers to one question."""
    by = ["thickness_mm" if dimension == "thickness" else dimension for dimension in answers[0]["by"]]
    columns = {column for answer in answers for row in answer["rows"] for column in row}
    return [column for column in (*by, *REPORTS[name].keys) if column in columns]


def differences(then: Any, now: Any, keys: list[str]) -> list[tuple[Any, ...]]:
    """(part, row, column, then, now) of each figure that differs: told apart from the product's own code."""

    def figures(answer: Any) -> dict[tuple[Any, ...], Any]:
        found = {}
        for row in answer["rows"]:
            of = tuple((key, row[key]) for key in keys)
            found |= {("rows", of, name): value for name, value in row.items() if name not in keys}
        for part in ("totals", "details"):
            found |= {(part, None, name): value for name, value in answer[part].items()}
        return found

    before, after = figures(then), figures(now)
    return sorted(
        ((*place, before.get(place), after.get(place)) for place in before.keys() | after.keys()
         if before.get(place) != after.get(place)),
        key=repr,
    )  # fmt: skip


def told(changes: list[Any]) -> list[tuple[Any, ...]]:
    def row(each: Any) -> Any:
        return None if each["row"] is None else tuple(each["row"].items())

    return sorted(((each["part"], row(each), each["column"], each["then"], each["now"]) for each in changes), key=repr)


@pytest.mark.parametrize("by", [{}, {"by": "machine"}], ids=["as_usual", "by_machine"])
def test_published_figures_stay_and_what_late_events_changed_is_told(door: Door, by: Mapping[str, str]) -> None:
    first_week(door)
    names = [name for name, entry in REPORTS.items() if entry.weekly and (entry.by or not by)]
    before = {name: asked(door, name, week=WEEK, **by) for name in names}
    assert publish(door) == [WEEK]
    later(door)
    door.told(void(FIRST_CUT))
    for name, then in before.items():
        now, answer = json.loads(asked(door, name, week=WEEK, **by)), asked(door, name, published=WEEK, **by)
        assert answer.startswith(then.removesuffix(b"}")), name
        found = json.loads(answer)
        assert told(found["changes"]) == differences(json.loads(then), now, key_columns(name, found, now)), name
        assert found["changes_as_of"] == now["as_of"]
        assert found["published"]["position"] == found["as_of"]["position"] < found["changes_as_of"]["position"]


@pytest.mark.usefixtures("few")
def test_changes_name_figure_row_then_and_now(door: Door) -> None:
    first_week(door)
    publish(door)
    later(door)
    changes = door.read("/v1/reports/yield", published=WEEK)["changes"]
    by_place = {
        (each["part"], json.dumps(each["row"]), each["column"]): (each["then"], each["now"]) for each in changes
    }
    twenty, thirty = '{"thickness_mm": 20}', '{"thickness_mm": 30}'
    # 4 parts of A1 were pending: 2 are good, 2 scrap. A2 had 3 good parts of 4.
    assert by_place["rows", twenty, "pending_first"] == (4, 0)
    assert by_place["rows", twenty, "first_pass_yield"] == (0.75, 5 / 8)
    assert by_place["rows", twenty, "scrap"] == (1, 3)
    assert by_place["rows", thirty, "rework_minutes"] == (12.5, 42.5)
    # The cut of 40 mm makes a row that was not there.
    assert by_place["rows", '{"thickness_mm": 40}', "attempts"] == (None, 1)
    assert by_place["totals", "null", "attempts"] == (3, 4)
    assert ("rows", thirty, "good") not in by_place
    assert ("rows", twenty, "attempts") not in by_place


@pytest.mark.usefixtures("few")
def test_a_row_that_is_no_more_is_told(door: Door) -> None:
    door.told(FIRST_CUT, cut("B", thickness_mm=30, good=1))
    publish(door)
    door.told(void(FIRST_CUT))
    changes = door.read("/v1/reports/yield", published=WEEK)["changes"]
    gone = {each["column"]: (each["then"], each["now"]) for each in changes if each["row"] == {"thickness_mm": 20}}
    assert gone["attempts"] == (1, None)
    assert gone["parts_tried"] == (4, None)


@pytest.mark.usefixtures("few")
def test_nothing_changed_is_no_change(door: Door) -> None:
    first_week(door)
    publish(door)
    door.told(cut("Z", time="2026-04-01T10:00:00Z", good=1))
    for name in ("yield", "rework", "lots"):
        assert door.read(f"/v1/reports/{name}", published=WEEK)["changes"] == [], name


@pytest.mark.usefixtures("few")
def test_the_catalogue_lists_the_weeks_that_are_published(door: Door) -> None:
    assert door.read("/v1/reports")["published_weeks"] == []
    first_week(door)
    position = door.report()["as_of"]["position"]
    door.told(cut("B", time="2026-03-11T10:00:00Z", good=1))
    publish(door, now_us=DUE + 7 * 86_400_000_000)
    weeks = door.read("/v1/reports")["published_weeks"]
    assert [week["week"] for week in weeks] == ["2026-W11", "2026-W10"]
    assert {week["at"] for week in weeks} == {"2026-03-17T06:00:00Z"}
    assert {week["position"] for week in weeks} == {position + 1}
    assert door.read("/v1/reports/yield", published=WEEK)["published"] == weeks[1]


def test_a_published_week_as_a_table_is_that_of_then(door: Door) -> None:
    first_week(door)
    then = {name: asked(door, name, week=WEEK, format="csv") for name, entry in REPORTS.items() if entry.weekly}
    publish(door)
    later(door)
    for name in then:
        answer = door.get(f"/v1/reports/{name}", published=WEEK, format="csv")
        assert answer.data == then[name], name
        assert answer.headers["Content-Disposition"].endswith(f'-{name}-2026-03-02-2026-03-08.csv"')
        assert answer.headers["X-As-Of"].startswith("position=")
    assert asked(door, "yield", week=WEEK, format="csv") != then["yield"]


@pytest.mark.usefixtures("few")
def test_a_published_week_answers_304_until_something_is_counted(door: Door) -> None:
    first_week(door)
    publish(door)
    etag = door.get("/v1/reports/yield", published=WEEK).headers["ETag"]
    held = {"If-None-Match": etag}
    assert door.get("/v1/reports/yield", published=WEEK, headers=held).status_code == 304
    assert door.get("/v1/reports/yield", week=WEEK, headers=held).status_code == 200
    assert door.get("/v1/reports/yield", published=WEEK, by="machine", headers=held).status_code == 200
    later(door)
    assert door.get("/v1/reports/yield", published=WEEK, headers=held).status_code == 200


@pytest.mark.parametrize(
    ("name", "query", "wrong"),
    [
        ("yield", {"week": WEEK}, {"week"}),
        ("yield", {"from": "2026-03-02", "to": "2026-03-08"}, {"from", "to"}),
        ("yield", {"last": "8w", "confidence": "0.9"}, {"last", "confidence"}),
        ("yield", {"machine": "L1", "at": "1"}, {"machine", "at"}),
        ("yield", {"nonsense": "1"}, {"nonsense"}),
        ("yield", {"by": "mashine"}, {"by"}),
        ("trend", {"chart": "p"}, {"chart"}),
        ("trend", {"by": "machine"}, {"by"}),
    ],
)
def test_what_contradicts_a_published_week_is_named(door: Door, name: str, query: Any, wrong: set[str]) -> None:
    assert parameters(problem(door, name, published=WEEK, **query)) == wrong


@pytest.mark.parametrize("week", ["2026-10", "", "2026-W54", "last", ["2026-W10", "2026-W11"]])
def test_a_week_that_is_none_is_refused(door: Door, week: Any) -> None:
    assert parameters(problem(door, published=week)) == {"published"}


@pytest.mark.usefixtures("few")
def test_a_week_or_a_division_that_is_not_published_is_not_there(door: Door) -> None:
    assert "published is none yet" in problem(door, status=404, published=WEEK)["detail"]
    first_week(door)
    publish(door)
    assert "published are 2026-W10" in problem(door, status=404, published="2026-W11")["detail"]
    detail = problem(door, status=404, published=WEEK, by="gas")["detail"]
    assert "by=thickness, by=machine, by=material, by=shift, by=week" in detail
    assert "by=operation" in problem(door, "rework", status=404, published=WEEK, by="job")["detail"]
    problem(door, status=404, published=WEEK, by="")


@pytest.mark.usefixtures("few")
def test_weeks_of_another_site_are_not_there(door: Door, service: Any, clock: Any) -> None:
    first_week(door)
    publish(door)
    other = service.door(clock)
    assert other.read("/v1/reports")["published_weeks"] == []
    problem(other, status=404, published=WEEK)


# --- as they stood ----------------------------------------------------------------------------------------------


def every_answer(reader: Reader, **asked: str) -> dict[str, bytes]:
    """Each report's answer, as it is written."""
    now = reader.calendar.place(DUE)
    found = {}
    for name, entry in REPORTS.items():
        # A proof says itself which cuts it counts.
        parameters = {of: [value] for of, value in asked.items() if (name, of) != ("proof", "purpose")}
        question = read_question(parameters, today=now.day, settings=now.settings, askable=entry.askable)
        found[name] = json_bytes(report_plain(entry.answer(reader, question)))
    return found


def test_every_report_at_a_position_is_what_it_answered_there(door: Door) -> None:
    database, site, asked = door.database, door.site, {"month": "2026-03", "purpose": "all"}
    said: dict[int, dict[str, bytes]] = {}
    for step in STEPS:
        step(door)
        with database.read() as connection:
            reader = open_site(connection, site)
            said[reader.as_of.position] = every_answer(reader, **asked)
    assert len({answers["yield"] for answers in said.values()}) == len(STEPS)
    for position, answers in said.items():
        with database.snapshot_with_scratch() as connection, database.begin_snapshot(connection):
            assert every_answer(folded(standing_at(connection, site, position)), **asked) == answers


@pytest.mark.parametrize(
    "question",
    [{"month": "2026-03", "by": "plate"}, {"week": WEEK, "confidence": "0.9"}],
    ids=["by_plate", "of_the_week"],
)
def test_a_report_at_a_position_is_answered_as_it_was(door: Door, question: Mapping[str, str]) -> None:
    said: dict[int, tuple[bytes, bytes]] = {}
    for step in STEPS:
        step(door)
        answer, table = asked(door, "yield", **question), asked(door, "yield", format="csv", **question)
        said[json.loads(answer)["as_of"]["position"]] = answer, table
    for position, (answer, table) in said.items():
        assert asked(door, "yield", at=str(position), **question) == answer
        assert asked(door, "yield", at=str(position), format="csv", **question) == table


def test_what_stood_is_counted_with_the_settings_and_names_of_then(door: Door) -> None:
    door.set(rates={"currency": "EUR", "labour_per_hour": 60, "machine_per_hour": 0, "materials": []})
    door.told(
        cut("A", machine="Laser 1", good=1, rework=1),
        event("attempt.reworked", "A", operation="grinding", minutes=60, parts=1),
    )
    then = door.report("rework", by="machine")
    at = then["as_of"]["position"]
    door.set(
        rates={"currency": "USD", "labour_per_hour": 90},
        aliases=[{"kind": "machine", "name": "L-1", "also": ["Laser 1"]}],
        day_start="12:00",
    )
    now = door.report("rework", by="machine")
    assert (now["currency"], now["rows"][0]["machine"], now["rows"][0]["booked_rework_cost"]) == ("USD", "L-1", 90)
    stood = door.report("rework", by="machine", at=at)
    assert stood == then
    assert (stood["currency"], stood["rows"][0]["machine"], stood["rows"][0]["booked_rework_cost"]) == (
        "EUR",
        "Laser 1",
        60,
    )
    assert door.rows("yield", by="day", at=at)[0]["day"] == "2026-03-04"
    assert door.rows("yield", by="day")[0]["day"] == "2026-03-03"
    # A filter goes through the aliases of then.
    assert door.rows("yield", at=at, machine="L-1") == []
    assert door.rows("yield", at=at, machine="Laser 1") != []


def test_the_newest_position_and_the_beginning(door: Door) -> None:
    first_week(door)
    now = door.report()
    assert door.report(at=now["as_of"]["position"]) == now
    nothing = door.report(at=0)
    assert nothing["rows"] == []
    assert nothing["as_of"] == {"position": 0, "at": None, "waiting": 0, "set_aside": 0}


def test_a_position_between_two_counts_is_one_too(door: Door) -> None:
    items = door.told(cut("A", good=1), cut("B", good=1), cut("C", good=1))
    positions = [item["position"] for item in items]
    assert [door.totals(at=position)["attempts"] for position in positions] == [1, 2, 3]
    assert [door.report(at=position)["as_of"]["position"] for position in positions] == positions


def test_positions_of_other_sites_lie_between(door: Door, service: Any, clock: Any) -> None:
    door.told(cut("A", good=1))
    (between,) = service.door(clock).told(cut("A", good=1))
    door.told(cut("B", good=1))
    assert door.totals(at=between["position"])["attempts"] == 1


@pytest.mark.usefixtures("few")
def test_at_a_published_position_the_stored_answer_is_given(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    first_week(door)
    then, table = asked(door, "yield", week=WEEK), asked(door, "yield", week=WEEK, format="csv")
    at = json.loads(then)["as_of"]["position"]
    publish(door)
    later(door)
    monkeypatch.setattr(standing_then, "MOST_EVENTS", 0)
    assert asked(door, "yield", week=WEEK, at=at) == then
    assert asked(door, "yield", **{"from": "2026-03-02", "to": "2026-03-08"}, by="thickness", at=at) == then
    assert asked(door, "yield", week=WEEK, at=at, format="csv") == table
    # Another question is not among those stored, and would be counted anew.
    assert parameters(problem(door, week=WEEK, at=at, confidence="0.9")) == {"at"}
    assert parameters(problem(door, week=WEEK, at=at, by="gas")) == {"at"}


def test_too_many_events_to_count_anew_are_refused_and_published_weeks_named(
    door: Door, monkeypatch: pytest.MonkeyPatch
) -> None:
    items = door.told(*(cut(f"A{number}", good=1) for number in range(5)))
    monkeypatch.setattr(standing_then, "MOST_EVENTS", 3)
    assert door.totals(at=items[2]["position"])["attempts"] == 3
    told = problem(door, month="2026-03", at=items[3]["position"])
    assert parameters(told) == {"at"}
    assert "published_weeks" in told["detail"]
    # The newest position is what is kept anyway.
    assert door.totals(at=items[4]["position"])["attempts"] == 5


@pytest.mark.parametrize("at", ["-1", "1.5", "", "now", "1" * 19, "٣", ["1", "2"]])
def test_a_position_that_is_none_is_refused(door: Door, at: Any) -> None:
    assert parameters(problem(door, at=at)) == {"at"}


def test_a_position_that_is_not_counted_yet_is_refused(door: Door) -> None:
    (item,) = door.told(cut("A", good=1))
    assert f"{item['position']} is the newest" in problem(door, at=item["position"] + 1)["detail"]
    (waiting,) = door.post(cut("B", good=1)).get_json()["items"]
    assert parameters(problem(door, at=waiting["position"])) == {"at"}
    door.count()
    assert door.totals(at=waiting["position"])["attempts"] == 2


def test_what_else_is_wrong_beside_a_position_is_named(door: Door) -> None:
    door.told(cut("A", good=1))
    assert parameters(problem(door, at="0", colour="red", week="2026-W99")) == {"colour", "week"}


def test_what_stood_answers_304_whatever_is_counted_later(door: Door) -> None:
    first_week(door)
    at = door.report()["as_of"]["position"]
    later(door)
    etag = door.get("/v1/reports/yield", month="2026-03", at=at).headers["ETag"]
    held = {"If-None-Match": etag}
    door.told(cut("Z", good=1))
    assert door.get("/v1/reports/yield", month="2026-03", at=at, headers=held).status_code == 304
    assert door.get("/v1/reports/yield", month="2026-03", headers=held).status_code == 200
    assert door.get("/v1/reports/yield", month="2026-03", at=at - 1, headers=held).status_code == 200
    assert door.get("/v1/reports/yield", month="2026-02", at=at, headers=held).status_code == 200


def test_one_answer_is_counted_anew_at_a_time(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    first_week(door)
    at = door.report()["as_of"]["position"]
    later(door)
    monkeypatch.setattr(standing_then, "WAIT_SECONDS", 0.0)
    with standing_then.one_at_a_time():
        answer = door.get("/v1/reports/yield", month="2026-03", at=at)
        assert (answer.status_code, answer.headers["Retry-After"]) == (503, "2")
    assert door.get("/v1/reports/yield", month="2026-03", at=at).status_code == 200


# --- what reports must keep -------------------------------------------------------------------------------------


def test_reports_read_the_tables_of_their_reader() -> None:
    """Else figures of now would be among those as they stood."""
    folder = Path(worker.reports.__file__).parent
    readers = [path.name for path in sorted(folder.glob("*.py")) if "LIVE" in path.read_text()]
    assert readers == ["reading.py"]


def test_key_columns_tell_the_rows_of_each_report_apart(door: Door) -> None:
    first_week(door)
    later(door)
    for name, entry in REPORTS.items():
        for by in divisions(entry):
            report = door.report(name, **({"by": ",".join(by)} if by else {}))
            keys = [tuple(row.get(key) for key in key_columns(name, report)) for row in report["rows"]]
            assert keys, name
            assert len(set(keys)) == len(keys), (name, by)
