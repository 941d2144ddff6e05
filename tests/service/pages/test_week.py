"""The week's page: what a manager can repeat, that its figures are those of the reports, which week is asked for."""

from __future__ import annotations

import re
from datetime import date, timedelta
from html import unescape
from typing import Any

import pytest

from service.pages import week_figures
from tests.builders import event
from tests.service.conftest import Door, cut, opened, received
from worker.findings import look
from worker.folding import instant_us
from worker.publishing import publish_site
from worker.reports.catalogue import REPORTS

MONDAY = date(2026, 3, 2)
WEEK = "2026-W10"
HTML = {"Accept": "text/html"}
#: The Wednesday after that week.
NOW = instant_us("2026-03-11T10:00:00Z")
RATES = {
    "currency": "EUR", "labour_per_hour": 60, "machine_per_hour": 120, "material_per_kg": 1,
}  # fmt: skip


@pytest.fixture(autouse=True)
def after_the_week(door: Door) -> None:
    door.clock.now_us = NOW


def page(door: Door, status: int = 200, **asked: Any) -> str:
    answer = door.get("/week", headers=HTML, **asked)
    assert answer.status_code == status, answer.text
    text: str = answer.text
    return text


def read(html: str) -> str:
    """What a person reads, each blank one blank."""
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", html)).split())


def section(html: str, key: str) -> str:
    """What a person reads in a section."""
    (found,) = re.findall(rf'<section[^>]* id="{key}".*?</section>', html, re.DOTALL)
    return read(found)


def rows(html: str, key: str) -> list[list[str]]:
    """The cells of a section's tables, row by row, their headings left out."""
    (found,) = re.findall(rf'<section[^>]* id="{key}".*?</section>', html, re.DOTALL)
    told = [row for row in re.findall(r"<tr>.*?</tr>", found, re.DOTALL) if 'scope="col"' not in row]
    return [[read(cell) for cell in re.findall(r"<t[hd]\b.*?>(.*?)</t[hd]>", row, re.DOTALL)] for row in told]


def plates(good: int, *, of: int, ago: int = 0, count: int = 1, **how: Any) -> list[dict[str, Any]]:
    """Plates of so many parts each, on days from Monday on, or so many weeks before."""
    day = MONDAY - timedelta(weeks=ago)
    return [
        cut(
            f"{day}-{how.get('thickness_mm')}-{good}-{number}", plate=f"{day}-{good}-{number}", quantity=of, good=good,
            scrap=of - good, time=f"{day + timedelta(days=number % 5)}T10:00:00Z", **how,
        )
        for number in range(count)
    ]  # fmt: skip


# --- the three sentences ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("good", "said"),
    [
        (10, "First-pass yield was 100.0 %, better than chance explains: this mix of thicknesses and materials gave"),
        (5, "First-pass yield was 50.0 %, worse than chance explains"),
        (8, "First-pass yield was 80.0 %, the same as far as chance lets it be told"),
    ],
)  # fmt: skip
def test_the_first_sentence_holds_the_yield_against_what_chance_explains(door: Door, good: int, said: str) -> None:
    door.told(*plates(9, of=10, ago=1, count=30), *plates(7, of=10, ago=2, count=30), *plates(good, of=10, count=20))
    assert said in section(page(door), "summary")


def test_without_weeks_before_the_yield_is_told_by_itself(door: Door) -> None:
    door.told(*plates(9, of=10, count=2))
    said = "First-pass yield was 90.0 %; there is nothing in the 26 weeks before to hold it against."
    assert said in section(page(door), "summary")


def test_the_second_sentence_names_the_money_and_its_largest_cause(door: Door) -> None:
    door.set(rates=RATES)
    door.told(
        cut("A", quantity=2, good=1, scrap=1, seconds=3600, causes=[{"term": "nozzle_worn", "certainty": "confirmed"}]),
        cut("B", quantity=4, good=3, scrap=1, seconds=3600, causes=[{"term": "slats", "certainty": "confirmed"}]),
        cut("C", quantity=6, good=5, scrap=1, seconds=3600),
    )
    said = section(page(door), "summary")
    assert "€110.00 were lost to rework, lost machine time and scrap." in said
    assert "The largest cause that was named is: worn nozzle, with €60.00 (55 %); for 18 % nobody named one." in said
    assert door.totals(week=WEEK)["cost_of_poor_quality"] == 110


@pytest.mark.parametrize(
    ("causes", "said"),
    [
        # Suspected and confirmed are one cause, which is larger than either alone.
        (
            [["nozzle_worn", "confirmed"], ["nozzle_worn", "suspected"], ["slats", "confirmed"], []],
            "The largest cause that was named is: worn nozzle, with €120.00 (50 %); for 25 % nobody named one.",
        ),
        (
            [["nozzle_worn", "confirmed"], ["slats", "suspected"]],
            "The largest causes that were named are, alike: slats, worn nozzle, with €60.00 (50 %) each.",
        ),
        (
            [["nozzle_worn", "confirmed", "slats", "confirmed"]],
            "No cause was named alone: where any was, several were named at once.",
        ),
        ([[]], "What caused it, nobody named."),
    ],
)  # fmt: skip
def test_the_largest_cause_is_one_that_is_largest(door: Door, causes: list[list[str]], said: str) -> None:
    door.set(rates=RATES)
    for number, told in enumerate(causes):
        named = [{"term": term, "certainty": how} for term, how in zip(told[::2], told[1::2], strict=True)]
        door.told(cut(f"A{number}", quantity=2, good=1, scrap=1, seconds=3600, causes=named))
    shown = section(page(door), "summary")
    # Of equal ones the order says nothing.
    assert said in shown.replace("worn nozzle, slats", "slats, worn nozzle")


def test_a_yield_of_a_part_of_the_week_says_so_and_what_all_of_it_had(door: Door) -> None:
    door.told(
        *plates(9, of=10, ago=1, count=10), *plates(9, of=10, count=5), *plates(2, of=10, count=5, thickness_mm=40)
    )
    said = section(page(door), "summary")
    assert "First-pass yield was 90.0 %, the same as far as chance lets it be told" in said
    assert "That is of 50 of the 100 judged parts" in said
    assert "of all it was 55.0 %." in said


def test_a_week_that_is_not_judged_enough_is_not_said_to_have_nothing_before_it(door: Door) -> None:
    door.told(*plates(9, of=10, ago=1, count=2), cut("A", quantity=10, good=5))
    said = section(page(door), "summary")
    assert "First-pass yield of what is judged was 100.0 %; too many parts are still to be judged" in said
    assert "there is nothing in the 26 weeks before" not in said


def test_a_week_in_which_no_cut_has_ended_claims_neither_trust_nor_doubt(door: Door) -> None:
    door.told(event("attempt.started", "B", time="2026-03-04T11:00:00Z"))
    html = page(door)
    assert "No cut of this week is told to have ended yet." in section(html, "summary")
    assert "There is no entry yet by which the figures could be trusted" in section(html, "coverage")


def test_without_rates_it_says_which_are_missing_and_tells_parts(door: Door) -> None:
    door.set(rates={"currency": "EUR", "labour_per_hour": 60, "machines": [{"name": "L1", "per_hour": 100}]})
    causes = [{"term": "slats", "certainty": "confirmed"}]
    door.told(cut("A", machine="L1", quantity=2, scrap=1, good=1, causes=causes), cut("B", machine="L2"))
    said = section(page(door), "summary")
    missing = "the machine rate of L2; the price of S355"
    assert f"What was lost in money is not known: not set is {missing}." in said
    assert "1 part was lost. The largest cause that was named is: slats, with 100 % of them." in said
    assert f"Costs are not known: not set is {missing}." in section(page(door), "measures")


def test_the_third_sentence_names_what_is_late_or_held_because_of_cutting(door: Door) -> None:
    door.told(
        opened("late", due="2026-03-10", quantity=5), opened("later", due="2026-03-09", quantity=2),
        opened("soon", due="2026-03-13", quantity=4), opened("not-begun", due="2026-03-13"),
        opened("far", due="2026-04-13", quantity=4), opened("no-day"),
        cut("A", job="late", quantity=4, good=3, rework=1), cut("B", job="later", quantity=2),
        cut("C", job="soon", quantity=4, good=3, scrap=1), cut("D", job="far", quantity=4, good=3, scrap=1),
    )  # fmt: skip
    html = page(door)
    said = section(html, "summary")
    assert "2 jobs are late now because of cutting; the longest overdue is later (due 9 Mar 2026, 2 parts not" in said
    assert "1 job that is due within 7 days is held by cutting: soon (due 13 Mar 2026, 1 part still to cut)." in said
    assert [row[0] for row in rows(html, "late")] == ["later", "late", "soon"]
    assert "1 open job has no day on which it is due." in section(html, "late")


def test_nothing_late_is_said_in_words(door: Door) -> None:
    door.told(cut())
    assert "No job is late or held because of cutting now." in section(page(door), "summary")


# --- figures ----------------------------------------------------------------------------------------------------


def test_figures_are_those_of_the_reports(door: Door) -> None:
    door.set(rates=RATES, targets={"first_pass_yield": 0.9})
    door.told(
        *plates(9, of=10, count=3, pierces=20, failed_pierces=2), *plates(4, of=8, count=2, thickness_mm=40),
        *plates(8, of=10, ago=3, count=3),
        event("attempt.reworked", "2026-03-02-None-9-0", operation="grinding", minutes=90, parts=1),
    )  # fmt: skip
    html = page(door, week=WEEK)
    report = door.report(week=WEEK)
    for row, shown in zip([*report["rows"], report["totals"]], rows(html, "thickness"), strict=True):
        low, high = (f"{100 * row[f'first_pass_yield_{end}']:.1f}" for end in ("low", "high"))
        yields = [f"{100 * row['first_pass_yield']:.1f} %", f"{low}–{high} %"]
        assert shown[1:6] == [str(row["parts_judged_first"]), "100.0 %", str(row["first_pass_good"]), *yields]
    before = door.totals(from_="2026-01-05", to="2026-03-01")
    measures = {row[0]: row[1:] for row in rows(html, "measures")}
    assert measures["First-pass yield"][2] == f"{100 * before['first_pass_yield']:.1f} %"
    # One of the eight weeks before has cuts.
    assert measures["Attempts"] == ["5", "", "3", ""]
    assert rows(html, "rework")[-1] == ["All", "1", "1", "1.5", "90.0", "€90.00"]
    assert rows(html, "pierces")[0] == ["20 mm", "60", "6", "10.0 %", rows(html, "pierces")[0][4], "–"]
    assert "The target of the site is 90.0 %." in section(html, "thickness")


def test_rework_in_two_currencies_is_not_laid_on_a_missing_rate(door: Door) -> None:
    door.set(rates=RATES)
    door.set("2026-03-05", rates=RATES | {"currency": "USD"})
    door.told(
        cut("A", quantity=2, good=1, rework=1),
        event("attempt.reworked", "A", operation="grinding", minutes=30, parts=1),
    )
    said = section(page(door), "rework")
    assert "What it cost cannot be told in one sum: the currency changed within the week." in said
    assert "is not set" not in said


def test_losses_are_those_of_the_report_and_their_picture_adds_up_alike(door: Door) -> None:
    defects = [{"term": "slag_lower_edge", "parts": 2}, {"term": "wide_kerf", "parts": 1}]
    door.told(cut("A", quantity=5, good=2, scrap=3, defects=defects), cut("B", quantity=1, scrap=1))
    html = page(door)
    found = {row[0]: [*row[1:3], row[4]] for row in rows(html, "losses")}
    assert found["slag at the lower edge"] == ["2", "50.0 %", "50.0 %"]
    assert found["kerf too wide"] == ["1", "25.0 %", "75.0 %"]
    assert found["All"][0] == str(door.totals("losses", week=WEEK, by="term")["parts_lost"]) == "4"
    # In the picture, which has no place for words under which no part is lost.
    assert "several at once" in found
    assert "several at once" not in section(html, "losses").partition("Fault")[0]
    assert "2 · 50 %" in section(html, "losses")


def test_a_finding_is_listed_with_its_owner_and_its_day(door: Door) -> None:
    door.told(cut(machine="L1"))
    (first, *_) = door.findings(kind="new_name")
    door.ask("POST", f"/v1/findings/{first['id']}/note", json={"owner": "lead of bay 1", "due": "2026-03-20"})
    door.count()
    html = page(door)
    found = rows(html, "findings")
    assert found[0][2:4] == ["lead of bay 1", "20 Mar 2026"]
    assert f'href="/findings/{first["id"]}?site={door.site}"' in html
    assert len(found) == len(door.findings())


def test_a_standing_that_changed_in_the_week_is_told_with_from_and_to(door: Door) -> None:
    door.set(targets={"first_pass_yield": 0.5, "confidence": 0.9})
    door.told(*[received(f"P{n}") for n in range(9)])
    door.told(*[cut(f"A{n}", plate=f"P{n}", machine="L1", quantity=4, good=4) for n in range(9)])
    look(door.database, door.site, now_us=NOW)
    (changed,) = rows(page(door, week=WEEK), "standings")
    assert (changed[0], changed[1], changed[2], changed[7]) == ("20 mm", "S355", "L1", "proven")
    assert changed[8:] == ["4 Mar 2026", "36 of 36"]
    door.clock.now_us = instant_us("2026-03-18T10:00:00Z")
    assert "No thickness changed its standing in this week." in section(page(door), "standings")


# --- published --------------------------------------------------------------------------------------------------


def test_what_late_events_changed_is_told_as_then_and_now(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = {name: REPORTS[name] for name in ("yield", "rework", "losses")}
    monkeypatch.setattr("worker.publishing.REPORTS", kept)
    door.told(*plates(9, of=10, count=2))
    assert "The week is not published" in section(page(door), "changed")
    assert list(publish_site(door.database, door.site, now_us=NOW)) == [WEEK]
    assert "No late event changed a figure since the week was published on" in section(page(door), "changed")
    door.told(cut("late", quantity=20, good=10, scrap=10, plate="P9", time="2026-03-06T10:00:00Z"))
    changed = {(row[0], row[1]): row[2:] for row in rows(page(door), "changed")}
    assert changed["First-pass yield", "all"] == ["90.0 %", "70.0 %"]
    assert changed["First-pass yield", "20 mm"] == ["90.0 %", "70.0 %"]
    assert changed["Parts lost", "all"] == ["2", "12"]


def test_figures_that_are_remembered_are_never_older_than_the_count(door: Door) -> None:
    door.told(*plates(9, of=10))
    assert "90.0 %" in section(page(door), "summary")
    made: list[Any] = []
    real = week_figures._made
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(week_figures, "_made", lambda *how, **more: made.append(how) or real(*how, **more))
        page(door)
        assert made == []
        door.told(cut("more", quantity=10, scrap=10, plate="P9"))
        assert "First-pass yield was 45.0 %" in section(page(door), "summary")
        assert len(made) == 1


# --- which week -------------------------------------------------------------------------------------------------


def test_the_last_complete_week_is_shown_with_the_ones_beside_it(door: Door) -> None:
    door.told(cut())
    html = page(door)
    assert f"<h1>Week {WEEK} of site {door.site}</h1>" in html
    assert f'href="/week?site={door.site}&amp;week=2026-W09" rel="prev"' in html
    assert f'href="/week?site={door.site}&amp;week=2026-W11" rel="next"' in html
    # By the site's clock: the production day of 05:59 on Monday is Sunday, so that the week runs.
    door.clock.now_us = instant_us("2026-03-09T05:59:00Z")
    assert "Week 2026-W09 of site" in page(door)


def test_the_running_week_says_so_and_has_none_after_it(door: Door) -> None:
    door.told(cut(time="2026-03-11T09:00:00Z"))
    html = page(door, week="2026-W11")
    assert "The week runs until 15 Mar 2026: its figures are not whole yet." in section(html, "summary")
    assert 'rel="next"' not in html
    assert "The week is running: it is published a day after its end." in section(html, "changed")


def test_a_week_without_anything_says_that_nothing_was_cut(door: Door) -> None:
    html = page(door, week="2025-W20")
    assert "Nothing was cut in this week. Nothing was lost by cutting." in section(html, "summary")
    assert 'id="thickness"' not in html
    assert "No finding is open." in section(html, "findings")


def test_a_week_in_which_nothing_is_judged_yet_says_so_and_claims_no_yield(door: Door) -> None:
    door.told(cut("A", quantity=4), event("attempt.started", "B", time="2026-03-04T11:00:00Z"))
    html = page(door)
    assert "No part of this week is judged yet, so its first-pass yield is not known." in section(html, "summary")
    told = "were all of them bad, the first-pass yield would be 0.0 %, were all good, 100.0 %."
    assert told in section(html, "measures")
    assert rows(html, "thickness")[0][:6] == ["20 mm", "0", "0.0 %", "0", "–", "–"]


def test_a_week_of_rework_alone_shows_what_was_done(door: Door) -> None:
    door.told(
        cut("A", quantity=2, good=1, rework=1, time="2026-02-25T10:00:00Z"),
        event("attempt.reworked", "A", operation="grinding", minutes=30, parts=1),
    )
    html = page(door)
    told = "Nothing was cut in this week. Nothing was lost on cuts of this week; what was reworked in it was cut"
    assert told in section(html, "summary")
    assert rows(html, "rework")[-1] == ["All", "1", "1", "0.5", "30.0", "–"]
    for ending in ("csv", "xlsx", "pdf"):
        assert door.get(f"/week.{ending}").status_code == 200


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"week": "2026-W12"}, "2026-W12 has not begun: the running week is 2026-W11; ask for that or an earlier one"),
        ({"week": "2027-W53"}, "2027-W53 does not exist: its year has no such week"),
        ({"week": "last week"}, "must be an ISO week such as 2026-W10, found 'last week'"),
        ({"week": "0001-W01"}, "0001-W01 is before 1900: no ledger reaches back so far"),
        ({"week": ["2026-W10", "2026-W09"]}, "Week is given 2 times; give it once"),
        ({"weeks": "2026-W10"}, "Weeks is no parameter of this page; it takes site and week"),
    ],
)  # fmt: skip
def test_a_week_that_cannot_be_shown_is_refused_in_words(door: Door, asked: Any, said: str) -> None:
    assert said in read(page(door, status=422, **asked))


def test_names_from_the_ledger_are_text_on_the_page(door: Door) -> None:
    named = {"job": "<b>J</b>&", "material": "<i>S</i>"}
    door.told(opened("<b>J</b>&", due="2026-03-01"), cut("A", scrap=1, quantity=1, **named))
    html = page(door)
    assert "<b>J" not in html
    assert "<i>S" not in html
    assert rows(html, "late")[0][0] == "<b>J</b>&"


def test_a_page_of_the_week_is_of_the_key_s_own_sites(door: Door) -> None:
    assert door.get("/week", headers=HTML, site="another").status_code == 404
    assert door.get("/week.pdf", headers=HTML, key="terminal").status_code == 403
