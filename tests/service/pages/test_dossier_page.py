"""The dossier as a page and as PDF: both hold the same, the PDF in the same order."""

from __future__ import annotations

import io
import re
from html import unescape

import pytest
from pypdf import PdfReader

from tests.builders import event
from tests.service.conftest import Door
from tests.service.pages.reading import links_of, opened_page, rows_of, words_of
from tests.service.test_dossier import NEEDED, PLACE, PLAN, RECIPE, inspected, later, minutes, prove, trials
from tests.service.test_proofs import ask
from worker.findings import look

PAGE = "/proofs/PR-1/dossier"


@pytest.fixture
def proven(door: Door) -> Door:
    return prove(door)


@pytest.fixture
def measured(door: Door) -> Door:
    """A proof whose trials were measured, looked at two days later."""
    later(door, days=2)
    assert ask(door, id="PR-1", **PLAN | {"least_heats": ..., "note": "#eval(read(1)) *L*"}).status_code == 201
    door.told(*trials(good=...), *(inspected(number, u_mm=[0.3], rz5_um=[60]) for number in range(NEEDED)))
    return door


def pdf_text(door: Door) -> str:
    answer = door.get(f"{PAGE}.pdf", key="reader")
    assert (answer.status_code, answer.mimetype) == (200, "application/pdf"), answer.text
    name = f"{door.site}-dossier-PR-1.pdf"
    assert answer.headers["Content-Disposition"] == f'attachment; filename="{name}"'
    assert answer.headers["Cache-Control"] == "no-store"
    return " ".join(" ".join(page.extract_text().split()) for page in PdfReader(io.BytesIO(answer.data)).pages)


def test_the_page_tells_plan_trials_edges_validity_and_cautions(proven: Door) -> None:
    page = opened_page(proven, PAGE, key="reader")
    words = words_of(page)
    assert "Dossier of proof PR-1" in words
    assert "Valid: it holds until 2026-08-30, unless something ends it sooner." in words
    assert "Figures are evidence of past cuts, not permission." in words
    assert "Cutting lasers are Class 4" in words
    rows = {row[0]: row for row in rows_of(page)}
    assert rows["8"][1:8] == ["A-7", "2 Mar 2026", "P-8", "H-2", "Nordhelm", "EN 10204 3.2", "good"]
    assert rows["Focus, mm"][1:4] == ["-2.5", "-2.5", "8"]
    assert rows["Lower bound of the reliability"][1] == "81.77 %"
    assert links_of(page)["A-7"].startswith("/attempts/A-7?")
    assert "anna" not in page.text


def test_the_pdf_holds_each_section_of_the_page_in_its_order(measured: Door) -> None:
    page = opened_page(measured, PAGE, key="reader")
    headings = [unescape(each) for each in re.findall(r"<h2[^>]*>(.*?)</h2>", page.text)]
    assert len(headings) == 11
    whole, place = pdf_text(measured), 0
    for heading in headings:
        place = whole.index(heading, place) + len(heading)
    for told in ("computed from published restatements of ISO 9013:2017", "no conformity is claimed", "*L*"):
        assert told in whole
        assert told in unescape(page.text)
    assert "Figures are evidence of past cuts, not permission." in whole
    assert rows_of(page)[-1]


def test_what_ended_it_stands_at_its_head(measured: Door) -> None:
    measured.told(
        event("recipe.released", "R", time=minutes(500), **PLACE, recipe=RECIPE, reason="proven"),
        event("recipe.withdrawn", "R", time=minutes(900), **PLACE, reason="pierces fail"),
    )
    words = words_of(opened_page(measured, PAGE, key="reader"))
    assert "State ended Ended on 2 Mar 2026" in words
    assert "the recipe of its trials was withdrawn" in words
    assert "the recipe of its trials was withdrawn" in pdf_text(measured)


def test_what_is_not_proven_has_no_page_and_says_how_it_stands(door: Door) -> None:
    assert ask(door, id="PR-1", **PLAN).status_code == 201
    page = opened_page(door, PAGE, key="reader", status=409)
    assert "has not passed" in words_of(page)
    assert door.get(f"{PAGE}.pdf", key="reader").status_code == 409
    assert door.get("/proofs/PR-2/dossier", key="reader").status_code == 404
    opened_page(door, PAGE, key="reader", status=422, week="2026-W10")


def test_limit_page_releases_and_the_finding_lead_to_it(proven: Door) -> None:
    look(proven.database, proven.site, now_us=proven.clock.now_us)
    assert proven.ask("POST", "/v1/releases", json={**PLACE, "recipe": RECIPE, "reason": "proven"}).status_code == 201
    (found,) = proven.findings(kind="proof")
    for path, text in (("/limit", "PR-1"), (f"/findings/{found['id']}", "PR-1"), ("/releases", "Proof PR-1: passed")):
        links = links_of(opened_page(proven, path, key="engineer"))
        assert links[text].startswith(f"{PAGE}?"), path
