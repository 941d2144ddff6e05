"""Jobs, plates and attempts as pages: what stands, what happened, and what whoever asks may see of it."""

from __future__ import annotations

import re
from typing import Any

import pytest

from service.pages.field_terms import FIELDS, WORDS
from service.pages.histories import HAPPENED, OF_PEOPLE
from service.schemas.event_data import (
    AttemptFinished,
    AttemptInspected,
    AttemptReworked,
    AttemptStarted,
    EventVoided,
    JobClosed,
    JobOpened,
    MachineServiced,
    PlateAssessed,
    PlateClosed,
    PlateReceived,
)
from service.schemas.event_parts import Recipe
from service.schemas.settings_data import FindingNoted, SiteSet
from service.strict_fields import Choice
from tests.builders import event
from tests.service.conftest import Door, cut, opened, received, void
from tests.service.pages.reading import HTML, alert_of, links_of, opened_page, rows_of, words_of
from worker.events import EVENT_TYPES
from worker.kept import steps, write
from worker.noticing.finding import Finding
from worker.prechecks.evidence import HEAT

DATA = (
    AttemptFinished, AttemptInspected, AttemptReworked, AttemptStarted, EventVoided, JobClosed, JobOpened,
    MachineServiced, PlateAssessed, PlateClosed, PlateReceived, Recipe, FindingNoted, SiteSet,
)  # fmt: skip


def jobs_of(door: Door, **query: Any) -> list[str]:
    return [row[0] for row in rows_of(opened_page(door, "/jobs", **query))]


# --- words ------------------------------------------------------------------------------------------------------


def test_each_field_of_an_entry_has_a_name_for_people() -> None:
    named = {name for data in DATA for name in data().fields}
    assert named - set(OF_PEOPLE) - FIELDS.keys() == set()
    assert EVENT_TYPES.keys() - HAPPENED.keys() == set()


def test_each_word_that_an_entry_may_hold_has_one_for_people() -> None:
    as_written = {"rust_grade", "preparation_grade"}
    for data in DATA:
        for name, field in data().fields.items():
            if isinstance(field, Choice) and name not in as_written:
                assert set(field.words) - set(WORDS.get(name, {})) == set(), (data, name)


# --- jobs -------------------------------------------------------------------------------------------------------


def test_a_job_shows_how_far_it_is_and_who_said_so(door: Door) -> None:
    door.told(
        opened("J", quantity=10, due="2026-03-20", time="2026-03-03T10:00:00Z"),
        cut("A", job="J", quantity=4, good=2, rework=1, operator="K. Varga"),
    )
    page = opened_page(door, "/jobs/J", key="reader")
    said = words_of(page)
    assert "Open: 6 parts still to make." in said
    assert "10 Quantity" in re.sub(r"Quantity (\d+)", r"\1 Quantity", said)
    for counted in ("Good at once 2", "In rework 1", "Not judged yet 1", "Still to make 6"):
        assert counted in said
    assert "It was due 20 Mar 2026." in said
    assert "Job opened" in said
    assert "Parts made 4" in said


def test_jobs_are_found_by_what_they_lack_and_by_what_they_are_of(door: Door) -> None:
    door.told(
        opened("LATE", due="2026-03-20"),
        opened("SOON", due="2027-03-20", thickness_in="3/4"),
        opened("DONE", due="2026-03-20", quantity=1),
        opened("SHUT", material="S235"),
        event("job.closed", "SHUT", time="2026-03-05T10:00:00Z", reason="cancelled"),
        cut("A", job="DONE", quantity=1, good=1),
    )
    door.set(aliases=[{"kind": "material", "name": "S355J2+N", "also": ["S355"]}])
    assert jobs_of(door) == ["DONE", "LATE", "SOON"]
    assert jobs_of(door, state="") == ["DONE", "LATE", "SHUT", "SOON"]
    assert jobs_of(door, behind="late") == ["LATE"]
    assert jobs_of(door, behind="short") == ["LATE", "SOON"]
    assert jobs_of(door, behind="short", limit=1) == ["LATE"]
    assert jobs_of(door, behind="short", state="closed") == []
    assert jobs_of(door, thickness="3/4 in") == jobs_of(door, thickness="19,05") == ["SOON"]
    assert jobs_of(door, material="s355j2+n") == jobs_of(door, material="S355") == ["DONE", "LATE", "SOON"]
    assert jobs_of(door, material="S235", state="closed") == ["SHUT"]


def test_the_jobs_behind_go_on_on_the_next_page_and_none_is_missed(door: Door) -> None:
    door.told(*(opened(f"J{number}", quantity=1 + number % 2) for number in range(7)))
    door.told(*(cut(f"A{number}", job=f"J{number}", quantity=1, good=1) for number in range(7)))
    page = opened_page(door, "/jobs", behind="short", limit=2)
    seen = [row[0] for row in rows_of(page)]
    while (following := links_of(page).get("Next page")) is not None:
        page = opened_page(door, following)
        seen += [row[0] for row in rows_of(page)]
    assert seen == ["J1", "J3", "J5"]


@pytest.mark.parametrize(
    "query",
    [
        {"thickness": "thick"},
        {"thickness": "0 in"},
        {"thickness": "900 in"},
        {"behind": "x"},
        {"limit": "0"},
        {"colour": "red"},
    ],
)
def test_a_filter_that_cannot_be_read_is_refused_in_words(door: Door, query: dict[str, str]) -> None:
    (name,) = query
    assert alert_of(opened_page(door, "/jobs", status=422, **query)).startswith(name.capitalize())


def test_findings_about_a_job_and_its_attempts_stand_on_its_page(door: Door) -> None:
    door.told(opened("J", thickness_mm=25), received("P"), cut("A", job="J", plate="P", thickness_mm=...))
    (odd,) = door.contradictions()
    for path in ("/jobs/J", "/attempts/A"):
        links = links_of(opened_page(door, path))
        assert links[f"{odd['detail'][:1].upper()}{odd['detail'][1:]}"].startswith(f"/findings/{odd['id']}?")
    assert "No open finding" in words_of(opened_page(door, "/plates/P"))


# --- plates -----------------------------------------------------------------------------------------------------


def test_a_plate_shows_its_condition_over_time_its_family_and_its_cuts(door: Door) -> None:
    door.told(
        received("P", heat_number="H1", mill="Nordhelm", rust_grade="A"),
        received("P-1", parent="P"),
        event("plate.assessed", "P", time="2026-03-03T12:00:00Z", rust_grade="B", temperature_c=18.5),
        cut("A", plate="P"),
    )
    page = opened_page(door, "/plates/P", key="reader")
    assert [row[1:] for row in rows_of(page)[:3]] == [
        ["Rust grade", "B"],
        ["Temperature, °C", "18.5"],
        ["Rust grade", "A"],
    ]
    assert "Surface: loose mill scale." in words_of(page)
    assert links_of(page)["P-1"].startswith("/plates/P-1?")
    assert "Heat H1" in words_of(opened_page(door, "/plates/P-1"))
    assert [row[0] for row in rows_of(opened_page(door, "/plates", parent="P"))] == ["P-1"]


def test_a_heat_is_one_of_its_mill(door: Door) -> None:
    door.told(received("P", heat_number="H1", mill="Nordhelm"), received("Q", heat_number="H1", mill="Suedwerk"))
    lot = Finding("bad_lot", "lot_worse", HEAT, "H1", "NORDHELM", "heat H1 is worse than chance explains", {})
    with door.database.write() as connection:
        (batch,) = steps(connection, door.site, [lot])
        write(connection, door.site, batch, now_us=door.clock.now_us, position=0)
    assert "Heat H1 is worse" in words_of(opened_page(door, "/plates/P"))
    assert "No open finding is about this plate or its heat." in words_of(opened_page(door, "/plates/Q"))


def test_before_a_plate_is_cut_the_record_speaks_with_its_cautions(door: Door) -> None:
    door.told(received("P"), *(cut(f"A{number}", plate="P", machine="M", quantity=4, good=4) for number in range(3)))
    page = opened_page(door, "/plates/P/precheck", machine="M")
    told = door.read("/v1/plates/P/precheck", machine="M")
    said = words_of(page)
    assert told["sentence"] in said
    assert all(caution in said for caution in told["cautions"])
    opened_page(door, "/plates/none/precheck", status=404)
    opened_page(door, "/plates/P/precheck", status=422, gas="steam")


# --- attempts ---------------------------------------------------------------------------------------------------


def test_an_attempt_shows_what_happened_without_the_names_of_people(door: Door) -> None:
    door.set(people="keep")
    judged = event("attempt.inspected", "A", time="2026-03-04T11:00:00Z", good=1, scrap=1, inspector="M. Okoro")
    door.told(
        opened("J", time="2026-03-03T10:00:00Z"),
        cut("A", job="J", piece="1", quantity=2, operator="K. Varga", recipe={"name": "Thick", "revision": "B"}),
        judged,
        event("attempt.reworked", "A", time="2026-03-04T12:00:00Z", operation="grinding", minutes=7, parts=1),
        cut("B", job="J", piece="1", retry_of="A", quantity=1, good=1, time="2026-03-04T13:00:00Z"),
    )
    door.told(void(judged, time="2026-03-04T14:00:00Z"))
    page = opened_page(door, "/attempts/A", key="reader")
    said = words_of(page)
    for part in ("Cut ended: cut through", "Parts worked on: grinding", "Name: Thick; Revision: B", "Entry taken back"):
        assert part in said
    assert "<s>Parts judged: 1 good, 1 scrap</s>" in page.text
    assert "Varga" not in page.text
    assert "Okoro" not in page.text
    assert "All tries at this piece" in said
    assert "/attempts/B?" in page.text
    assert [row[1] for row in rows_of(page)] == ["cut through", "cut through"]


def test_an_entry_that_is_hardly_true_is_pointed_at(door: Door) -> None:
    door.told(cut("A", recipe={"name": "Thick", "standoff_mm": 8}))
    (warning,) = door.attempt()["warnings"]
    page = words_of(opened_page(door, "/attempts/A"))
    assert warning["detail"][1:] in page
    assert "Stand-off, mm 8" in page


def test_attempts_are_filtered_like_at_the_door(door: Door) -> None:
    door.told(cut("A", machine="M"), cut("B", outcome="pierce_failed"))
    assert [row[-1] for row in rows_of(opened_page(door, "/attempts", machine="m"))] == ["A"]
    assert [row[-1] for row in rows_of(opened_page(door, "/attempts", outcome="pierce_failed", day=""))] == ["B"]
    opened_page(door, "/attempts", status=422, day="yesterday")


def test_attempts_begin_with_the_last_day_and_lead_to_those_beside_it(door: Door) -> None:
    door.told(cut("OLD"), cut("NEW", time="2026-03-06T10:00:00Z"))
    page = opened_page(door, "/attempts")
    assert [row[-1] for row in rows_of(page)] == ["NEW"]
    before = opened_page(door, links_of(page)["← 5 Mar 2026"])
    assert rows_of(before) == []
    assert [row[-1] for row in rows_of(opened_page(door, links_of(before)["← 4 Mar 2026"]))] == ["OLD"]
    assert [row[-1] for row in rows_of(opened_page(door, "/attempts", day=""))] == ["NEW", "OLD"]


@pytest.mark.parametrize("day", ["0001-01-01", "9999-12-31"])
def test_the_first_and_the_last_day_of_the_calendar_have_none_beside_them(door: Door, day: str) -> None:
    page = opened_page(door, "/attempts", day=day)
    assert "There are none like this." in words_of(page)
    assert "Production days" not in page.text


def test_an_entry_whose_time_has_small_letters_is_shown_like_others(door: Door) -> None:
    door.told(cut("A", time="2026-03-04t12:00:00.123456789z"))
    assert "4 Mar 2026, 12:00" in words_of(opened_page(door, "/attempts/A"))


# --- who may see what -------------------------------------------------------------------------------------------


def test_a_terminal_sees_open_jobs_plates_and_its_own_attempts_and_no_history(door: Door) -> None:
    door.told(
        opened("J", time="2026-03-03T10:00:00Z"),
        opened("SHUT", time="2026-03-03T10:00:00Z"),
        event("job.closed", "SHUT", reason="complete"),
        received("P", rust_grade="A", time="2026-03-03T10:00:00Z"),
        event("plate.assessed", "P", time="2026-03-03T12:00:00Z", rust_grade="B"),
        cut("MINE", job="J", plate="P", piece="1", source="/terminals/bay-1"),
        cut("OTHER", job="J", plate="P", piece="1", source="/terminals/bay-2"),
    )
    key = door.key("terminal", prefix="/terminals/bay-1")
    assert jobs_of(door, key=key) == ["J"]
    opened_page(door, "/jobs", key=key, status=403, state="closed")
    opened_page(door, "/jobs/SHUT", key=key, status=404)
    opened_page(door, "/attempts/OTHER", key=key, status=404)
    opened_page(door, "/findings", key=key, status=403)
    for path in ("/jobs/J", "/plates/P", "/attempts/MINE", "/attempts"):
        page = opened_page(door, path, key=key)
        assert "MINE" in page.text
        assert "OTHER" not in page.text, path
        assert "History" not in words_of(page)
    condition = words_of(opened_page(door, "/plates/P", key=key)).partition("Condition")[2]
    assert condition.startswith(" Surface: loose mill scale.")
    assert "the newest first" not in condition


@pytest.mark.parametrize("kind", ["jobs", "plates", "attempts"])
def test_what_is_of_another_site_is_404_like_what_is_nowhere(door: Door, service: Any, kind: str) -> None:
    other = service.door()
    other.told(opened("X"), received("X"), cut("X"))
    said = [words_of(opened_page(door, f"/{kind}/{name}", status=404)) for name in ("X", "Y")]
    assert re.sub("[0-9a-f-]{36}", "", said[0]) == re.sub("[0-9a-f-]{36}", "", said[1])
    opened_page(door, f"/{kind}/X", status=404, site=other.site)


def test_ids_with_odd_characters_lead_to_their_pages(door: Door) -> None:
    odd = 'a/b %2F ?&<i>"ä'
    door.told(opened(odd), received(odd), cut(odd, job=odd, plate=odd))
    for kind in ("jobs", "plates", "attempts"):
        page = opened_page(door, f"/{kind}")
        address = next(address for address in links_of(page).values() if re.match(rf"/{kind}/", address))
        whole = opened_page(door, address)
        assert "<i>" not in whole.text
        assert odd in words_of(whole)
        # Whoever chooses a language there stays there.
        chosen = door.ask("GET", links_of(whole)["English"], headers=dict(HTML))
        assert opened_page(door, chosen.headers["Location"]).text == whole.text
