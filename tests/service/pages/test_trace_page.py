"""The trace as a page: forms that ask, tables that lead on, what it does not reach in words."""

from __future__ import annotations

from typing import Any

import pytest

from service.pages import trace
from tests.builders import event
from tests.service.conftest import Door, cut, opened, received
from tests.service.pages.reading import alert_of, links_of, opened_page, rows_of, words_of
from worker.events import CHECKS
from worker.tracing.asked import STARTS
from worker.tracing.checks import BOUNDS
from worker.tracing.walk import DIRECTIONS, HEAT


@pytest.fixture
def shop(door: Door) -> Door:
    door.set(zone="Europe/Berlin")
    door.told(
        opened("J/1", order="47 11"),
        received("P-1", heat_number="H1", mill="Nordhelm", certificate="EN 10204 3.1"),
        received("P-1-a", parent="P-1"),
        cut("A-1", job="J/1", plate="P-1-a", run="R-1", quantity=3, good=2, machine="Laser 1", seconds=60),
    )
    return door


def test_each_word_of_the_forms_has_one_for_people() -> None:
    assert trace.DIRECTION_WORDS.keys() == set(DIRECTIONS)
    assert trace.BOUND_WORDS.keys() == set(BOUNDS)
    assert trace.START_WORDS.keys() >= {*STARTS, HEAT} - {"heat_number"}


def test_a_page_that_is_asked_nothing_holds_the_forms_alone(shop: Door) -> None:
    for path in ("/trace", "/trace/since-check"):
        page = opened_page(shop, path, key="reader")
        for name in (*STARTS, "mill", "from", "to", "direction", "by", "until"):
            assert f'name="{name}"' in page.text
        assert rows_of(page) == []
    assert rows_of(opened_page(shop, "/trace", job="", plate=" ", direction="back")) == []


def test_plate_job_and_attempt_lead_to_their_trace_and_it_leads_to_them(shop: Door) -> None:
    for path in ("/plates/P-1", "/jobs/J%2F1", "/attempts/A-1"):
        page = opened_page(shop, path, key="reader")
        address = links_of(page)["Trace"]
        told = opened_page(shop, address, key="reader")
        links = links_of(told)
        assert links["P-1"].startswith("/plates/P-1?")
        assert links["P-1-a"].startswith("/plates/P-1-a?")
        assert links["J/1"].startswith("/jobs/J%2F1?")
        assert any(link.startswith("/attempts/A-1?") for link in links.values())
    assert "Trace" not in links_of(opened_page(shop, "/plates/P-1", key="terminal"))


def test_the_tables_tell_steel_parts_and_orders_and_lead_on(shop: Door) -> None:
    page = opened_page(shop, "/trace", heat_number="H1")
    rows = rows_of(page)
    made = ["1", "2", "0", "0", "0", "1"]
    assert ["H1", "Nordhelm", "–", "EN 10204 3.1", "2"] in rows
    assert ["P-1-a", "P-1", "H1", "S355", "20", "EN 10204 3.1", *made] in rows
    assert ["J/1", "BR-1", "47 11", "10", *made] in rows
    assert ["47 11", *made] in rows
    links = links_of(page)
    for text in ("H1", "R-1", "47 11"):
        further = opened_page(shop, links[text])
        assert "A-1" in words_of(further)
    with_all = shop.get(links["CSV"])
    assert with_all.mimetype == "text/csv"
    assert with_all.text.splitlines()[1].startswith("A-1,forward,finished")


def test_a_machine_since_it_was_in_order_by_the_clock_of_the_site(shop: Door) -> None:
    checks = [{"what": what, "found": "in_order"} for what in CHECKS]
    shop.told(event("machine.checked", "Laser 1", time="2026-03-04T08:00:00Z", checks=checks))
    page = opened_page(shop, "/trace/since-check", machine="laser 1", by="check")
    assert "What was cut since 4 Mar 2026, 09:00" in words_of(page)
    assert "There is no attempt of which all parts were inspected and good." in words_of(page)
    assert "A-1" in words_of(page)
    assert shop.get(links_of(page)["CSV"]).text.count("\r\n") == 2
    before = opened_page(shop, links_of(page)["What was cut before it"])
    assert "There is no check at which all was looked at." in words_of(before)
    assert 'value="2026-03-04T09:00:00"' in before.text
    assert "No attempt is in it." in words_of(before)
    # 10:59 in Berlin is when it began; before that nothing was cut.
    early = opened_page(shop, "/trace/since-check", machine="laser 1", until="2026-03-04T10:59")
    assert "No attempt is in it." in words_of(early)
    late = opened_page(shop, "/trace/since-check", machine="laser 1", until="2026-03-04T11:00")
    assert "A-1" in words_of(late)
    assert shop.get(links_of(late)["CSV"]).text.count("\r\n") == 2


def test_of_long_tables_the_first_rows_are_shown_and_that_is_said(shop: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(trace, "_MOST_ROWS", 1)
    page = opened_page(shop, "/trace", plate="P-1")
    assert "2 plates, the first 1 of them" in words_of(page)


def test_what_a_trace_does_not_reach_stands_on_its_page(shop: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    shop.told(cut("A-2", job="J/1"))
    assert "1 attempt names no plate: its steel is not known." in words_of(opened_page(shop, "/trace", job="J/1"))
    monkeypatch.setattr("service.routes.tracing.MOST_NODES", 2)
    page = opened_page(shop, "/trace", job="J/1")
    assert "It is cut off: more is linked than 2 things" in words_of(page)
    assert "CSV" not in links_of(page)


@pytest.mark.parametrize(
    ("path", "query", "status"),
    [
        ("/trace", {"job": "J/1", "plate": "P-1"}, 422),
        ("/trace", {"mill": "Nordhelm"}, 422),
        ("/trace", {"from": "2026-03-04"}, 422),
        ("/trace", {"plate": "none"}, 404),
        ("/trace/since-check", {"machine": "none"}, 404),
        ("/trace/since-check", {"machine": "Laser 1", "until": "noon"}, 422),
        ("/trace/since-check", {"machine": "Laser 1", "until": "0001-01-01T00:00+14:00"}, 422),
    ],
)
def test_what_cannot_be_traced_is_told_in_words(shop: Door, path: str, query: dict[str, Any], status: int) -> None:
    assert alert_of(opened_page(shop, path, status=status, **query))
