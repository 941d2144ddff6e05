"""Answers as workbooks and CSV: the same rows, numbers as numbers, and no text that a spreadsheet runs."""

from __future__ import annotations

import csv
import errno
import io
import zipfile
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook
from openpyxl.utils.escape import unescape

from service.formats import CSV, XLSX, harmless, rows_csv
from service.sheets import workbook
from tests.service.conftest import Door, cut
from worker import answers
from worker.folding import instant_us
from worker.publishing import publish_site
from worker.reports.catalogue import REPORTS

#: What begins a formula, after OWASP's page on CSV injection (from memory): = + - @ tab CR LF and their wide forms.
STARTS = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20")
WHOLE: dict[str, Any] = {
    "report": "yield", "site": "main", "window": {"from": date(2026, 3, 2), "to": "2026-03-08"},
    "by": ("thickness", "machine"), "filters": {"machine": ["=1+1", "b"]}, "confidence": 0.95, "currency": None,
    "as_of": {"position": 7, "at": datetime.fromisoformat("2026-03-08T23:00:00+01:00"), "waiting": 0, "set_aside": 1},
    "notes": ["few parts"], "cautions": ("evidence, not permission",),
}  # fmt: skip

#: Of a report, options that are not what it takes when none is asked for.
ASKED_OPTIONS: dict[str, dict[str, Any]] = {
    "trend": {"chart": "p", "per": "day", "of": "pierces", "mix": "adjusted"},
    "losses": {"by": "cause", "rank_by": "minutes"},
    "standing": {"target": 0.8},
}


def midnight(day: str) -> datetime:
    """A day as a workbook is read."""
    return datetime.fromisoformat(day)


def read(body: bytes) -> Any:
    return load_workbook(io.BytesIO(body))


def rows_of(body: bytes) -> list[dict[str, Any]]:
    names, *rows = read(body)["rows"].iter_rows(values_only=True)
    return [dict(zip(names, row, strict=True)) for row in rows]


def about(body: bytes) -> list[tuple[Any, Any]]:
    return list(read(body)["about"].iter_rows(values_only=True))


# --- cells ------------------------------------------------------------------------------------------------------


def test_each_kind_of_value_is_a_cell_of_its_kind() -> None:
    row = {"n": 3, "share": -0.5, "exact": Decimal("12.70"), "flag": True, "none": None, "day": "2026-03-04",
           "decided_day": date(2026, 3, 5), "week": "2026-W10", "heat": "2026-03-04", "number": "007"}  # fmt: skip
    (cells,) = read(workbook(list(row), [row], WHOLE))["rows"].iter_rows(min_row=2)
    found = {name: (cell.data_type, cell.value) for name, cell in zip(row, cells, strict=True)}
    assert found == {
        "n": ("n", 3), "share": ("n", -0.5), "exact": ("n", 12.7), "flag": ("b", True), "none": ("n", None),
        "day": ("d", midnight("2026-03-04")), "decided_day": ("d", midnight("2026-03-05")), "week": ("s", "2026-W10"),
        "heat": ("s", "2026-03-04"), "number": ("s", "007"),
    }  # fmt: skip
    assert cells[5].number_format == "yyyy-mm-dd"


@pytest.mark.parametrize(
    "text",
    [*(f"{start}1+1" for start in STARTS), "\t=1", "\r\n=1", " =1", "'=1", '"=1', "https://host/", "mailto:a@b",
     "internal:rows!A1", "12.5", "1e5", "TRUE", "#N/A", "{=1+1}", "=HYPERLINK(\"x\")", "<v>&", "_x0041_", "ü\x07"],
)  # fmt: skip
def test_text_is_text_whatever_it_looks_like(text: str) -> None:
    body = workbook(["a"], [{"a": text}], WHOLE)
    cell = read(body)["rows"]["A2"]
    assert cell.data_type == "s"
    assert cell.hyperlink is None
    assert unescape(cell.value) == text
    assert cell.quotePrefix  # it stays text when somebody edits it
    with zipfile.ZipFile(io.BytesIO(body)) as parts:
        sheets = b"".join(parts.read(name) for name in parts.namelist() if "worksheets" in name)
    assert b"<f>" not in sheets
    assert b"hyperlink" not in sheets


@pytest.mark.parametrize(
    ("text", "kept"),
    [
        ("x" * 32_767, "x" * 32_767),
        ("x" * 32_768, "x" * 32_766 + "\u2026"),
        ("\U0001f529" * 16_383 + "x", "\U0001f529" * 16_383 + "x"),
        ("\U0001f529" * 16_384, "\U0001f529" * 16_383 + "\u2026"),
        ("x" + "\U0001f529" * 16_384, "x" + "\U0001f529" * 16_382 + "\u2026"),
    ],
    ids=["full", "one more", "pairs", "pairs, one more", "within a pair"],
)
def test_a_text_longer_than_a_cell_ends_in_an_ellipsis_and_a_note_says_so(text: str, kept: str) -> None:
    body = workbook(["a"], [{"a": text}], WHOLE)
    assert rows_of(body)[0]["a"] == kept
    notes = [value for name, value in about(body) if name == "note" and "cell holds" in value]
    assert len(notes) == (text != kept)


def test_what_is_no_number_and_days_before_spreadsheets_begin_break_nothing() -> None:
    row = {"a": float("nan"), "b": float("inf"), "day": "1899-12-31", "c": date(1, 1, 1)}
    assert rows_of(workbook(list(row), [row], WHOLE)) == [
        {"a": None, "b": None, "day": "1899-12-31", "c": "0001-01-01"}
    ]


def test_the_second_sheet_tells_what_the_rows_are() -> None:
    assert about(workbook(["a"], [], WHOLE)) == [
        ("report", "yield"), ("site", "main"), ("from", midnight("2026-03-02")), ("to", midnight("2026-03-08")),
        ("by", "thickness, machine"), ("machine", "=1+1, b"), ("confidence", 0.95), ("currency", None),
        ("as_of position", 7), ("as_of at", "2026-03-08T22:00:00Z"), ("as_of waiting", 0), ("as_of set_aside", 1),
        ("note", "few parts"), ("caution", "evidence, not permission"),
    ]  # fmt: skip


@pytest.mark.parametrize("where", ["xlsxwriter.worksheet.tempfile.mkstemp", "xlsxwriter.packager.tempfile.mkstemp",
                                   "tempfile.mkdtemp"])  # fmt: skip
def test_a_full_disk_is_said_and_left_as_it_was(
    door: Door, where: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def full(*_: Any, **__: Any) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.setattr(where, full)
    answer = door.get("/v1/reports/yield", month="2026-03", format="xlsx")
    assert (answer.status_code, answer.get_json()["type"]) == (503, "urn:cutledger:problem:unavailable")
    assert answer.headers["Retry-After"]
    assert list(tmp_path.iterdir()) == []
    assert door.get("/v1/reports/yield", month="2026-03", format="csv").status_code == 200


def test_equal_answers_are_equal_files(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = [{"a": 1, "b": "x"}] * 50
    first = workbook(["a", "b"], rows, WHOLE)
    monkeypatch.setattr("time.time", lambda: 4e9)
    assert workbook(["a", "b"], rows, WHOLE) == first


@given(st.lists(st.tuples(st.text(max_size=20), st.integers(-(2**53), 2**53)), max_size=5))
@settings(max_examples=40)
def test_every_text_and_number_comes_back(values: list[tuple[str, int]]) -> None:
    body = workbook(["a", "b"], [{"a": text, "b": number} for text, number in values], WHOLE)
    cells = list(read(body)["rows"].iter_rows(min_row=2, max_row=1 + len(values)))
    for (first, second), (text, number) in zip(cells, values, strict=True):
        assert (first.data_type, unescape(first.value or "")) == ("s", text)
        # The library writes 16 digits.
        assert second.value == pytest.approx(number, rel=1e-15)


# --- CSV --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("start", STARTS)
@pytest.mark.parametrize("before", ["", " ", "  ", "\u00a0", "\u3000", "'", '"', " '\"", "\ufeff", "\v"], ids=repr)
def test_a_text_that_begins_like_a_formula_gets_an_apostrophe(start: str, before: str) -> None:
    assert harmless(f"{before}{start}1+1") == f"'{before}{start}1+1"


@pytest.mark.parametrize("text", ["\tx", "\rx", "\nx", "\t=1", "\r\n=1"], ids=repr)
def test_so_does_one_that_begins_with_a_tab_or_a_lines_end(text: str) -> None:
    assert harmless(text).startswith("'")


@pytest.mark.parametrize(
    ("text", "made"),
    [
        ("a;=1+1", "a;'=1+1"),
        ("a; =1+1", "a;' =1+1"),
        ('a;"=1+1', "a;'\"=1+1"),
        ("a\n=1+1", "a\n'=1+1"),
        ("a\t@x", "a\t'@x"),
        ("=a;=b", "'=a;'=b"),
    ],
    ids=repr,
)
def test_a_cell_that_begins_within_a_text_is_harmless_where_semicolons_end_cells(text: str, made: str) -> None:
    assert harmless(text) == made


@pytest.mark.parametrize("text", ["", "S355J2+N", "1-2", "a=b", "a; b", "a@b", "Laser 1", "5 - 6", "'a'", "x\ny"])
def test_any_other_text_stays_as_it_is(text: str) -> None:
    assert harmless(text) == text


def test_numbers_stay_numbers() -> None:
    row = {"a": -0.5, "b": Decimal("-1.50"), "c": -3, "d": None}
    assert rows_csv(list(row), [row]) == b"a,b,c,d\r\n-0.5,-1.5,-3,\r\n"


# --- through the doors ------------------------------------------------------------------------------------------


def test_every_report_has_the_rows_of_its_csv(door: Door) -> None:
    door.told(cut("A", machine="=1+1", operator="O"), cut("B", machine="b", thickness_mm=12.7, outcome="not_severed"))
    for name in REPORTS:
        asked = {"month": "2026-03"}
        sheet, lines = (door.get(f"/v1/reports/{name}", format=word, **asked) for word in ("xlsx", "csv"))
        assert (sheet.status_code, sheet.mimetype) == (200, XLSX), name
        assert sheet.headers["Content-Disposition"] == lines.headers["Content-Disposition"].replace(".csv", ".xlsx")
        assert sheet.headers["X-As-Of"] == lines.headers["X-As-Of"]
        names, *rows = csv.reader(io.StringIO(lines.text, newline=""))
        found = rows_of(sheet.data)
        assert len(found) == len(rows)
        assert [cell.value for cell in read(sheet.data)["rows"][1]] == names
        for line, row in zip(found, rows, strict=True):
            assert all(_is_alike(line[each], cell) for each, cell in zip(names, row, strict=True)), name
        notes = door.read(f"/v1/reports/{name}", **asked)["notes"]
        assert [value for said, value in about(sheet.data) if said == "note"] == notes


def _is_alike(value: Any, cell: str) -> bool:
    """True when a value of a workbook is what a cell of CSV says."""
    if isinstance(value, datetime):
        return value.date().isoformat() == cell
    if isinstance(value, int | float):
        return value == pytest.approx(float(cell), rel=1e-12)
    return ("" if value is None else harmless(value)) == cell


def test_a_published_week_is_a_workbook_too(door: Door) -> None:
    door.clock.now_us = instant_us("2026-03-10T06:00:00Z")
    door.told(cut("A"))
    assert list(publish_site(door.database, door.site, now_us=door.clock.now_us)) == ["2026-W10"]
    asked = {"published": "2026-W10", "format": "xlsx"}
    first, again = (door.get("/v1/reports/yield", **asked) for _ in range(2))
    assert (first.status_code, first.data) == (200, again.data)
    assert len(rows_of(first.data)) == 1
    published = door.read("/v1/reports/yield", published="2026-W10")["published"]
    told = {
        name.removeprefix("published "): value for name, value in about(first.data) if name.startswith("published ")
    }
    assert told == published


def test_the_second_sheet_tells_the_options_that_were_asked(door: Door) -> None:
    door.told(cut("A"))
    for name, option in ASKED_OPTIONS.items():
        sheet = door.get(f"/v1/reports/{name}", month="2026-03", format="xlsx", **option)
        assert sheet.status_code == 200, sheet.text
        assert option.items() <= dict(about(sheet.data)).items(), name


def test_a_kept_answer_is_the_same_file(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    door.told(cut("A"), cut("B", machine="m"))
    asked = {"month": "2026-03", "by": "machine,day"}
    fresh = door.get("/v1/reports/yield", format="xlsx", **asked).data
    monkeypatch.setattr(answers, "KEPT_FROM_US", 0)
    monkeypatch.setattr("service.routes.reports.later", lambda keep: keep())
    door.read("/v1/reports/yield", **asked)
    with monkeypatch.context() as unasked:
        unasked.setattr("service.routes.reports._rendered", None)  # what was kept is what is shown
        assert door.get("/v1/reports/yield", format="xlsx", **asked).data == fresh
    assert isinstance(rows_of(fresh)[0]["day"], datetime)


def test_a_plan_is_a_workbook_with_its_notes(door: Door) -> None:
    asked = {"parts": 2, "material": "S355", "thickness_mm": 20}
    plain = door.read("/v1/plan", **asked)
    sheet = door.get("/v1/plan", format="xlsx", **asked)
    assert (sheet.status_code, sheet.mimetype) == (200, XLSX)
    (row,) = rows_of(sheet.data)
    assert (row["material"], row["thickness_mm"]) == ("S355", 20)
    said = about(sheet.data)
    assert [value for name, value in said if name == "note"] == [f"1: {note}" for note in plain["plan"]["notes"]]
    window = plain["window"]
    told = dict(said)
    assert [told["from"], told["to"]] == [midnight(window["first_day"]), midnight(window["last_day"])]
    assert [value for name, value in said if name == "caution"] == plain["cautions"]
    body = {"parts": [asked, asked | {"thickness_mm": 30}]}
    listed = door.ask("POST", "/v1/plan", json=body, headers={"Accept": XLSX})
    assert [row["thickness_mm"] for row in rows_of(listed.data)] == [20, 30]


def test_each_media_type_has_an_etag_of_its_own(door: Door) -> None:
    door.told(cut())
    etags = set()
    for accept in ("application/json", CSV, XLSX):
        answer = door.get("/v1/reports/yield", month="2026-03", headers={"Accept": accept})
        assert (answer.status_code, answer.mimetype) == (200, accept)
        etags.add(answer.headers["ETag"])
        held = {"Accept": accept, "If-None-Match": answer.headers["ETag"]}
        assert door.get("/v1/reports/yield", month="2026-03", headers=held).status_code == 304
    assert len(etags) == 3


def test_a_browser_is_answered_with_json(door: Door) -> None:
    accept = {"Accept": "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8"}
    assert door.get("/v1/reports/yield", headers=accept).mimetype == "application/json"
