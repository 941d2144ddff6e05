"""The page of the limit: the answer first, the same figures as the reports, what proves the next thickness."""

from __future__ import annotations

import re
from typing import Any
from urllib.parse import parse_qs, urlsplit
from xml.etree import ElementTree as Tree

import pytest
from sqlalchemy import select

from tests.service.conftest import Door
from tests.service.pages.reading import alert_of, links_of, opened_page, rows_of, words_of
from tests.service.test_proofs import PLAN, planned, trials
from tests.service.test_reports_limit import CLEAN, FALLING, plates
from worker import answers
from worker.cautions import CAUTIONS
from worker.reports.next_proof import next_to_prove
from worker.tables import kept_answers

MARCH = {"from": "2026-03-01", "to": "2026-03-31"}


def limit_page(door: Door, **asked: Any) -> Any:
    return opened_page(door, "/limit", key="reader", **MARCH | asked)


def test_the_page_says_first_what_is_promised_and_shows_the_figures_of_the_report(door: Door) -> None:
    door.told(*plates(FALLING))
    report = door.report("limit", target="0.8")
    (row,), points = report["rows"], report["details"]["points"]
    page = limit_page(door, target="0.8")
    promised = int(10 * row["promised_mm"]) / 10
    words = words_of(page)
    assert f"Up to {promised:g} mm can be promised: at least 80 % of the parts come out good the first time" in words
    assert "with a certainty of 95 %" in words
    assert "15 mm is proven by its own parts" in words
    assert [line[:5] for line in rows_of(page)[: len(points)]] == [
        [f"{p['thickness_mm']:g} mm", str(p["good"]), str(p["parts"]), str(p["plates"]), f"{100 * p['share']:.1f} %"]
        for p in points
    ]
    picture = page.text[page.text.index("<svg") : page.text.index("</svg>") + 6]
    assert Tree.fromstring(picture).attrib["aria-label"].startswith("First-pass yield by thickness: S355 · Laser 1")
    for caution in CAUTIONS:
        assert caution.split(":")[0] in words
    # They are in the language of the page.
    cautions = page.text.partition('class="cautions"')[2].partition("</section>")[0]
    assert cautions
    assert "lang=" not in cautions


def test_where_nothing_can_be_promised_the_page_says_why_and_what_is_shown_instead(door: Door) -> None:
    door.told(*plates({10: (10, 10), 15: (10, 10)}))
    (row,) = door.rows("limit")
    words = words_of(limit_page(door))
    assert "No thickness can be promised for 90 % good the first time." in words
    assert str(row["promised_reason"] or row["reason"]) in words
    assert "The best that is shown: at" in words


def test_what_stands_and_what_proves_the_next_thickness_are_those_of_report_standing(door: Door) -> None:
    door.told(*plates({10: (2,) * 30, 12: (2,) * 4}, of=2, surface=CLEAN))
    standing = {row["thickness_mm"]: row for row in door.rows("standing")}
    assert [standing[mm]["standing"] for mm in (10, 12)] == ["proven", "open"]
    page = limit_page(door)
    more, on = standing[12]["more_good_parts"], standing[12]["on_plates"]
    counted = f"{more} more good part{'s' if more > 1 else ''}, on at least {on} plate{'s' if on > 1 else ''}"
    assert f"Next: {counted}, would prove 12 mm." in words_of(page)
    told = [line for line in rows_of(page) if line[1:2] in (["proven"], ["open"])]
    assert [line[:2] for line in told] == [["10 mm", "proven"], ["12 mm", "open"]]
    assert (told[0][2], told[1][3]) == ("none", "8 of 8")


def test_the_page_shows_the_curve_of_most_parts_and_leads_to_the_others(door: Door) -> None:
    door.told(*plates(FALLING, machine="Laser 1"), *plates({10: (10, 9), 20: (8, 7)}, machine='Laser "2" & <3>'))
    page = limit_page(door)
    assert "S355 · Laser 1 · oxygen" in words_of(page)
    assert "<3>" not in page.text
    (address,) = [link for text, link in links_of(page).items() if text.startswith("show")]
    asked = parse_qs(urlsplit(address).query)
    assert (asked["machine"], asked["surface_group"]) == (['Laser "2" & <3>'], ["unknown"])
    other = opened_page(door, address, key="reader")
    assert 'S355 · Laser "2" & <3> · oxygen' in words_of(other)


def test_a_running_proof_is_shown_with_what_it_still_needs(door: Door) -> None:
    door.told(*plates({25: (10, 10)}, machine=PLAN["machine"], material=PLAN["material"]))
    planned(door, reliability=0.9, confidence=0.9, least_plates=3)
    door.told(*trials(4))
    (row,) = door.rows("proof")
    (line,) = [line for line in rows_of(limit_page(door)) if line[0] == row["proof"]]
    assert line[1:9] == [
        "28 mm",
        "Laser 2",
        "S355",
        "2 Mar 2026",
        "90 % at 90 %",
        "running",
        "4 of 4",
        str(row["remaining"]),
    ]
    assert line[9] == f"{row['plates']} of at least 3"


def test_the_same_answer_is_had_as_a_file(door: Door) -> None:
    door.told(*plates(FALLING))
    page = limit_page(door, target="0.8")
    address = page.text.split('href="/v1/reports/limit?')[1].split('"')[0].replace("&amp;", "&")
    answer = door.get(f"/v1/reports/limit?{address}", key="reader")
    assert answer.status_code == 200
    assert {"site": [door.site], "target": ["0.8"], "format": ["csv"]}.items() <= parse_qs(address).items()


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"target": "2"}, "Target must be a number"),
        ({"thicknes_mm": "20"}, "did you mean thickness_mm?"),
        ({"from": "2026-03-09", "to": "2026-03-01"}, "To is before from"),
    ],
)
def test_what_cannot_be_answered_is_said_with_what_would_do(door: Door, asked: dict[str, str], said: str) -> None:
    page = opened_page(door, "/limit", key="reader", status=422, **asked)
    assert said in alert_of(page)


def test_fields_left_empty_ask_nothing(door: Door) -> None:
    door.told(*plates(FALLING))
    assert "can be promised" in words_of(limit_page(door, material="", gas=" ", purpose="", target="0.8"))


def test_the_form_offers_what_was_cut_and_keeps_what_was_asked(door: Door) -> None:
    door.told(
        *plates({9.5: (10,), 10.31875: (10,), 20: (10,), 100: (10,)}),
        *plates({20: (9,)}, machine="laser 0", surface=CLEAN),
    )
    page = limit_page(door, machine="Laser 1", material="S690")
    (machines,) = re.findall(r'<select name="machine">(.*?)</select>', page.text, re.DOTALL)
    assert re.findall(r'value="([^"]*)"', machines) == ["", "laser 0", "Laser 1"]
    assert '<option value="Laser 1" selected>' in machines
    assert '<option value="S690" selected>S690</option>' in page.text
    change = opened_page(door, "/change", key="reader", **MARCH)
    (thicknesses,) = re.findall(r'<select name="thickness_mm">(.*?)</select>', change.text, re.DOTALL)
    assert re.findall(r'value="([^"]*)"', thicknesses) == ["", "9.5", "10.31875", "20", "100"]


def test_a_filter_that_no_field_shows_is_told(door: Door) -> None:
    door.told(*plates(FALLING))
    words = words_of(limit_page(door, run="R-1", machine=["Laser 1", "Laser 2"], target="0.8", confidence=".9"))
    assert "Asked for beside that, until you choose anew: run=R-1, machine=Laser 2" in words
    assert "Asked for beside that" not in words_of(limit_page(door, machine="Laser 1", target="0.8", confidence="0.9"))


def test_what_is_not_shown_because_few_people_made_it_is_not_said_to_be_missing(door: Door) -> None:
    door.told(*plates(FALLING, operator="A. Haddad"))
    words = words_of(limit_page(door, machine="Laser 1", shift="no such shift"))
    withheld = words_of(limit_page(door, machine="Laser 1", shift=door.rows("yield", by="shift")[0]["shift"]))
    assert "Nothing was judged here" in words
    assert "What was cut here is of so few people that it is not shown" in withheld
    assert "withheld: 1 group of machine and shift" in withheld


def test_where_a_filter_leaves_no_curve_it_leaves_no_standing_of_others_either(door: Door) -> None:
    door.told(*plates(FALLING))
    words = words_of(limit_page(door, machine="Laser 9", target="0.8"))
    assert "Nothing was judged here" in words
    assert "Nothing was judged here that a promise could rest on." in words


def test_an_empty_site_is_told_so(door: Door) -> None:
    page = opened_page(door, "/limit", key="reader")
    assert "Nothing was judged here" in words_of(page)
    assert "<svg" not in page.text


def test_an_answer_that_was_kept_makes_the_same_page(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    door.told(*plates(FALLING))
    beside: list[Any] = []
    monkeypatch.setattr("service.pages.figures.later", beside.append)
    monkeypatch.setattr(answers, "KEPT_FROM_US", 0)
    made = limit_page(door, target="0.8")
    for job in beside:
        job()
    with door.database.read() as connection:
        kept = connection.execute(select(kept_answers.c.report).where(kept_answers.c.site == door.site))
        assert {row.report for row in kept} == {"limit", "standing", "proof"}
    assert words_of(limit_page(door, target="0.8")) == words_of(made)


# --- which is next ----------------------------------------------------------------------------------------------


def stands(mm: float | None, standing: str, more: int | None = None) -> dict[str, Any]:
    return {"thickness_mm": mm, "standing": standing, "more_good_parts": more}


@pytest.mark.parametrize(
    ("rows", "expected"),
    [
        ([], None),
        ([stands(10, "proven", 0)], None),
        ([stands(10, "open", 5), stands(12, "open", 1)], (10, 5)),
        ([stands(10, "proven", 0), stands(8, "open", 1), stands(12, "open", 9), stands(12, "open", 7)], (12, 7)),
        ([stands(20, "proven", 0), stands(25, "ruled_out"), stands(15, "open", 4)], (15, 4)),
        ([stands(20, "proven", 0), stands(25, "open", None), stands(None, "open", 3)], None),
    ],
)
def test_the_next_to_prove_lies_beyond_what_is_proven(rows: list[Any], expected: tuple[float, int] | None) -> None:
    found = next_to_prove(rows)
    assert expected == (None if found is None else (found["thickness_mm"], found["more_good_parts"]))
