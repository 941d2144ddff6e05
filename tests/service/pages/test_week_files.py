"""The week as CSV, workbook and PDF: each holds what the page holds."""

from __future__ import annotations

import csv
import io
import re
import sys
from html import unescape
from typing import Any

import pytest
from openpyxl import load_workbook
from pypdf import PdfReader

from tests.service.conftest import Door, cut, opened
from tests.service.pages.test_week import HTML, NOW, RATES, page, plates, rows, section
from worker.folding import instant_us


@pytest.fixture
def told(door: Door) -> Door:
    """A week with something in each section, in which names look like formulas and markup."""
    door.clock.now_us = NOW
    door.set(rates=RATES)
    door.told(
        opened("=1+1", due="2026-03-06", quantity=50),
        *plates(8, of=10, count=2, job="=1+1", pierces=20, failed_pierces=1),
        *plates(9, of=10, ago=2, count=2, thickness_mm=40),
        cut("B", quantity=2, scrap=2, machine="#eval(read(1)) *L* [x]", defects=[{"term": "gouging"}]),
    )
    return door


def got(door: Door, ending: str, **how: Any) -> bytes:
    answer = door.get(f"/week.{ending}", **how)
    assert answer.status_code == 200, answer.text
    assert answer.headers["Content-Disposition"] == f'attachment; filename="{door.site}-2026-W10.{ending}"'
    assert answer.headers["Cache-Control"] == "no-store"
    data: bytes = answer.data
    return data


def test_csv_holds_each_section_and_runs_nowhere(told: Door) -> None:
    lines = list(csv.reader(io.StringIO(got(told, "csv").decode(), newline="")))
    assert len({len(line) for line in lines}) == 1
    shown = page(told)
    for key, heading in (("thickness", "Yield by thickness"), ("late", "Late or held because of cutting")):
        names = [line[1] for line in lines if line[0] == heading]
        found = rows(shown, key)
        assert [row[0] for row in found] == [name.removeprefix("'") for name in names[-len(found) :]]
    assert "'=1+1" in [cell for line in lines for cell in line]
    assert not any(cell.startswith(("=", "+", "@")) for line in lines for cell in line)
    (yields,) = [line for line in lines if line[:2] == ["Measures", "First-pass yield"]]
    report = told.totals(week="2026-W10")
    assert [float(cell) for cell in yields[2:5]] == [
        report[f"first_pass_yield{end}"] for end in ("", "_low", "_high")
    ]  # fmt: skip


def test_workbook_has_a_sheet_for_each_section_and_real_numbers(told: Door) -> None:
    book = load_workbook(io.BytesIO(got(told, "xlsx")))
    trusted, first = "Can the figures be trusted", ["About", "In three sentences", "Measures"]
    assert book.sheetnames[:5] == [*first, trusted, "Yield by thickness"]
    assert [cell.value for cell in book["In three sentences"]["A"]][0] in section(page(told), "summary")
    measures = {row[0].value: row for row in book["Measures"].iter_rows()}
    found = measures["First-pass yield"][1]
    assert found.value == told.totals(week="2026-W10")["first_pass_yield"]
    assert found.number_format == "0.0%"
    late = {row[0].value: row for row in book["Late or held because of cutting"].iter_rows()}
    assert late["=1+1"][0].data_type == "s"
    assert late["=1+1"][2].value.isoformat() == "2026-03-06T00:00:00"


def test_pdf_is_a_titled_tagged_document_whose_pages_hold_the_sections_in_order(told: Door) -> None:
    pdf = PdfReader(io.BytesIO(got(told, "pdf")))
    pages = [" ".join(each.extract_text().split()) for each in pdf.pages]
    assert 2 <= len(pages) <= 6
    for number, text in enumerate(pages, 1):
        assert text.endswith(f"{told.site}-2026-W10 Page {number} of {len(pages)}")
        width, height = (float(side) for side in pdf.pages[number - 1].mediabox[2:])
        assert (round(width), round(height)) == (595, 842)
    whole, shown = " ".join(pages), page(told)
    headings = [unescape(each) for each in re.findall(r"<h2[^>]*>(.*?)</h2>", shown)]
    assert len(headings) > 10
    assert whole.startswith(f"Week 2026-W10 of site {told.site}")
    place = 0
    for heading in headings:
        place = whole.index(heading, place) + len(heading)
    assert "=1+1" in whole
    assert "#eval(read(1)) *L* [x]" in whole
    assert pdf.metadata is not None
    assert pdf.metadata.title == f"Week 2026-W10 of site {told.site}"
    root: Any = pdf.trailer["/Root"]
    assert (root["/Lang"], root["/MarkInfo"]["/Marked"]) == ("en", True)


def test_without_the_package_the_pdf_says_what_to_do(told: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "typst", None)
    answer = told.get("/week.pdf", headers=HTML)
    assert answer.status_code == 501
    assert "PDF is made by the Python package typst, which is not installed here" in answer.text
    assert told.get("/week.pdf").json["type"] == "urn:cutledger:problem:part-missing"


def test_an_empty_week_makes_files_too(door: Door) -> None:
    door.clock.now_us = instant_us("2026-03-11T10:00:00Z")
    for ending in ("csv", "xlsx", "pdf"):
        got(door, ending)


def test_files_refuse_what_the_page_refuses(told: Door) -> None:
    for ending in ("csv", "xlsx", "pdf"):
        answer = told.get(f"/week.{ending}", week="2026-W60")
        assert (answer.status_code, answer.json["errors"][0]["parameter"]) == (422, "week")


@pytest.mark.parametrize("name", ["\u677f 7", "\U0001f525", "\u0645\u0631\u062d\u0628\u0627"])
def test_pdf_is_made_of_names_in_any_script(door: Door, name: str) -> None:
    door.clock.now_us = NOW
    door.told(opened(name, due="2026-03-06", quantity=5), cut("A", job=name))
    assert PdfReader(io.BytesIO(got(door, "pdf"))).pages


def test_long_names_leave_each_column_of_the_pdf_its_place(door: Door) -> None:
    door.clock.now_us = NOW
    door.told(opened("J" * 60, due="2026-03-06", quantity=5, part_number="P" * 60), cut("A", job="J" * 60))
    begins: dict[str, float] = {}

    def place(text: str, moved: Any, at: Any, *_: Any) -> None:
        begins.setdefault(text.strip(), at[4] * moved[0] + moved[4])

    for each in PdfReader(io.BytesIO(got(door, "pdf"))).pages:
        each.extract_text(visitor_text=place)
    assert begins["Job"] + 50 < begins["Part number"] < begins["Due"] - 50
