"""Findings as pages: listed, filtered, read, noted on by a form that loses nothing of what was typed."""

from __future__ import annotations

from datetime import UTC
from typing import Any

import pytest

from service.pages.facts import shown_value
from tests.service.conftest import Door, cut
from tests.service.pages.reading import (
    HTML,
    alert_of,
    faults_at,
    fields_of,
    links_of,
    opened_page,
    rows_of,
    sent_form,
    words_of,
)
from tests.service.test_sessions import Browser


def found(door: Door) -> dict[str, Any]:
    """A finding: a material that the settings do not list."""
    door.told(cut("A"))
    (one,) = door.findings(kind="new_name")
    return one


def test_open_findings_are_listed_with_owner_and_due_date(door: Door) -> None:
    one = found(door)
    door.ask("POST", f"/v1/findings/{one['id']}/note", json={"owner": "process engineering", "due": "2027-02-01"})
    door.count()
    page = opened_page(door, "/findings", key="reader")
    (row,) = rows_of(page)
    assert row[:2] == ["New name: S355", f"{one['detail'][:1].upper()}{one['detail'][1:]}"]
    assert row[2:4] == ["process engineering", "1 Feb 2027"]
    assert words_of(opened_page(door, links_of(page)[row[0]], key="reader")).startswith("Findings New name: S355")


def test_the_list_is_filtered_by_kind_and_state(door: Door) -> None:
    found(door)
    for query, many in (({}, 1), ({"state": "all"}, 1), ({"state": "closed"}, 0), ({"kind": "drift"}, 0)):
        page = opened_page(door, "/findings", **query)
        assert len(rows_of(page)) == many, query
        assert many or "There are none like this." in words_of(page)


def test_the_list_goes_on_on_the_next_page(door: Door) -> None:
    door.told(*(cut(f"A{number}", material=f"S{number}") for number in range(3)))
    page, seen = opened_page(door, "/findings", limit=2), []
    seen += [row[0] for row in rows_of(page)]
    page = opened_page(door, links_of(page)["Next page"])
    seen += [row[0] for row in rows_of(page)]
    assert seen == ["New name: S0", "New name: S1", "New name: S2"]
    assert links_of(page).keys() & {"First page", "Next page"} == {"First page"}


def test_a_note_is_an_event_of_the_ledger_and_shown_at_once(door: Door) -> None:
    one = found(door)
    path = f"/findings/{one['id']}"
    fields = {"owner": "maintenance", "due": "2027-02-01", "action": "listed the name", "worked": "yes", "note": "<b>"}
    answer = sent_form(door, f"{path}/note", fields, key="engineer")
    assert answer.headers["Location"] == f"{path}?site={door.site}&done=note#notes"
    door.count()
    (noted,) = door.read(f"/v1/findings/{one['id']}")["notes"]
    assert {name: noted[name] for name in fields} == fields | {"worked": True}
    page = opened_page(door, answer.headers["Location"])
    assert "Your note is in the ledger." in words_of(page)
    assert "maintenance Due 1 Feb 2027 Done listed the name It worked yes Remark <b>" in words_of(page)


def test_what_is_left_empty_stays_as_it_was_noted(door: Door) -> None:
    one = found(door)
    for fields in ({"owner": "maintenance", "worked": ""}, {"action": "changed", "owner": " ", "worked": "no"}):
        sent_form(door, f"/findings/{one['id']}/note", fields)
        door.count()
    noted = door.read(f"/v1/findings/{one['id']}")["noted"]
    assert (noted["owner"], noted["action"], noted["worked"]) == ("maintenance", "changed", False)


def test_a_form_that_is_wrong_comes_back_with_all_that_was_typed(door: Door) -> None:
    one = found(door)
    typed = {
        "owner": 'the "night" shift',
        "due": "soon",
        "action": "looked\nat it",
        "worked": "no",
        "note": "x" * 2_001,
    }
    answer = sent_form(door, f"/findings/{one['id']}/note", typed, status=422)
    back = fields_of(answer)
    assert {name: back[name] for name in typed} == typed | {"worked": ["no"]}
    assert "mend the fields" in alert_of(answer)
    # The form leads there, so that whoever sent it is there, too.
    assert f'action="/findings/{one["id"]}/note?site={door.site}#problem"' in answer.text
    assert '<p class="problem" id="problem" tabindex="-1"' in answer.text
    (fault,) = faults_at(answer, "due")
    assert fault.startswith("must be a day from 2000 to 2099")
    assert faults_at(answer, "owner") == []
    assert door.read(f"/v1/findings/{one['id']}")["notes"] == []


def test_an_empty_form_notes_nothing_and_says_so(door: Door) -> None:
    one = found(door)
    answer = sent_form(door, f"/findings/{one['id']}/note", {"owner": " ", "worked": ""}, status=422)
    assert alert_of(answer) == "Nothing was noted: fill in at least one field."


def test_a_form_that_came_back_may_be_loaded_anew_and_read_in_another_language(door: Door) -> None:
    path = f"/findings/{found(door)['id']}"
    answer = sent_form(door, f"{path}/note", {"due": "soon"}, status=422)
    chosen = door.ask("GET", links_of(answer)["Deutsch"], headers=dict(HTML))
    again = door.ask("GET", chosen.headers["Location"], headers=dict(HTML))
    assert again.headers["Location"] == f"{path}?site={door.site}"


def test_who_only_reads_gets_no_form(door: Door) -> None:
    one = found(door)
    assert "<textarea" not in opened_page(door, f"/findings/{one['id']}", key="reader").text
    sent_form(door, f"/findings/{one['id']}/note", {"owner": "me"}, key="reader", status=403)


@pytest.mark.parametrize("query", [{"kind": "nonsense"}, {"state": "shut"}, {"after": "x"}, {"colour": "red"}])
def test_a_filter_that_is_none_is_refused_in_words(door: Door, query: dict[str, str]) -> None:
    (name,) = query
    assert alert_of(opened_page(door, "/findings", status=422, **query)).startswith(name.capitalize())


@pytest.mark.parametrize(
    ("name", "value", "shown"),
    [
        ("p_value", 5.4e-15, "< 0.000001"),
        ("p_value", 0.000001, "0.000001"),
        ("p_value", 0.0, "0"),
        ("share", 5.4e-15, "0.0 %"),
        ("parts", 0, "0"),
    ],
)
def test_a_figure_that_is_very_small_is_not_said_to_be_nothing(
    service: Any, name: str, value: float, shown: str
) -> None:
    with service.app.test_request_context():
        assert shown_value(name, value, UTC) == shown


def test_a_finding_that_is_not_there_is_404(door: Door) -> None:
    opened_page(door, "/findings/F-0000000000000000", status=404)
    sent_form(door, "/findings/F-0000000000000000/note", {"owner": "x"}, status=404)


def test_a_form_is_taken_from_the_signed_in_browser_that_it_was_made_for_alone(door: Door, service: Any) -> None:
    one = found(door)
    browser = Browser(service)
    browser.sign_in(door.keys["engineer"])
    path = f"/findings/{one['id']}"
    token = fields_of(browser.get(path))["csrf_token"]
    fields = {"owner": "maintenance", "note": "x" * 1_900, "action": "ä" * 2_000}
    assert browser.open("POST", f"{path}/note", data=fields).status_code == 403
    assert browser.open("POST", f"{path}/note", data=fields | {"csrf_token": token}).status_code == 303
    assert door.count() == 1
