"""The page of change: a control chart, its signals in words, and what else happened then."""

from __future__ import annotations

from typing import Any

import pytest
from flask import Flask, g

from service.pages.change import CHARTS, MIX, OF, PER, said_services
from tests.builders import event
from tests.service.conftest import Door, cut
from tests.service.pages.reading import opened_page, rows_of, words_of
from worker.findings import Shown
from worker.noticing.finding import Finding
from worker.reports.catalogue import REPORTS

WINDOW = {"from": "2026-01-05", "to": "2026-03-29"}
GOOD = (92, 90, 93, 91, 94, 92, 90, 91, 93, 92, 91, 50)


def weeks(good: tuple[int, ...] = GOOD) -> list[dict[str, Any]]:
    """A run of 100 parts a week, each part judged, from 2026-W02 on."""
    days = [f"2026-{1 + (4 + 7 * n) // 31:02}-{(4 + 7 * n) % 31 + 1:02}" for n in range(3)]
    days += [f"2026-01-{day:02}" for day in (26,)] + [f"2026-02-{day:02}" for day in (2, 9, 16, 23)]
    days += [f"2026-03-{day:02}" for day in (2, 9, 16, 23)]
    return [
        cut(
            f"A{n}-{part}", time=f"{day}T10:00:00Z", machine="Laser 1", quantity=10, good=made, scrap=10 - made,
            recipe={"name": "O2 20", "revision": "B" if n >= 11 else "A"},
        )
        for n, (day, all_made) in enumerate(zip(days, good, strict=True))
        for part, made in enumerate(shared(all_made))
    ]  # fmt: skip


def shared(good: int) -> list[int]:
    """Ten attempts of ten parts with so many good ones together."""
    each, rest = divmod(good, 10)
    return [each + int(number < rest) for number in range(10)]


def test_a_point_outside_its_limits_is_told_in_words_with_what_happened_then(door: Door) -> None:
    service = event("machine.serviced", "Laser 1", time="2026-03-24T09:00:00Z", what="protective_window")
    door.told(*weeks(), service)
    report = door.report("trend", chart="p", from_=WINDOW["from"], to=WINDOW["to"])
    *_, last = report["rows"]
    assert (last["period"], last["signals"]) == ("2026-W13", 1)
    page = opened_page(door, "/change", key="reader", chart="p", **WINDOW)
    words = words_of(page)
    assert "First-pass yield: 1 point of 12 lies outside the limits. Look for what changed there." in words
    low = f"{100 * last['lower']:.1f} %"
    assert f"2026-W13 : 50.0 % good the first time (50 of 100 parts); under the lower limit of {low}." in words
    assert "Serviced then: Laser 1: protective window. New recipe then: O2 20 / B." in words
    *_, line = rows_of(page)
    assert line[:4] == ["2026-W13", "50", "100", "50.0 %"]
    assert line[-2:] == ["outside", "a Laser 1: protective window; new recipe: O2 20 / B"]
    assert page.text.count('class="fill-wrong"') == 2


def test_a_chart_without_limits_speaks_of_none(door: Door) -> None:
    door.told(*weeks()[:20])
    page = opened_page(door, "/change", key="reader", **WINDOW)
    words = words_of(page)
    assert "No limits can be drawn." in words
    assert "Without limits no signal can be told." in words
    assert "Points from 2026-W02 to 2026-W03 without limits, 2 in all" in words
    assert "no point left its limits" not in words


def test_noise_is_called_noise(door: Door) -> None:
    door.told(*weeks((*GOOD[:-1], 92)))
    words = words_of(opened_page(door, "/change", key="reader", chart="p", **WINDOW))
    assert "no more change than the chart allows" in words
    assert "None: no point left its limits" in words


def test_the_chart_of_small_changes_is_in_sigmas_and_says_on_which_side_its_average_lies(door: Door) -> None:
    door.told(*weeks())
    rows = door.report("trend", chart="ewma", from_=WINDOW["from"], to=WINDOW["to"])["rows"]
    page = opened_page(door, "/change", key="reader", chart="ewma", **WINDOW)
    assert rows[-1]["signals"] == 1
    assert "; the average lies under its limit." in words_of(page)
    assert rows_of(page)[-1][6:8] == [f"{rows[-1]['average']:.2f}", f"{rows[-1]['average_limit']:.2f}"]


def test_failed_pierces_are_followed_too(door: Door) -> None:
    door.told(*(one | {"data": one["data"] | {"pierces": 20, "failed_pierces": 1}} for one in weeks()))
    words = words_of(opened_page(door, "/change", key="reader", of="pierces", per="day", **WINDOW))
    assert "Failed pierces: no more change than the chart allows." in words


@pytest.mark.parametrize("asked", [{}, {"of": "pierces", "chart": "ewma"}, {"last": "1w", "machine": "none"}])
def test_without_figures_the_page_says_so(door: Door, asked: dict[str, str]) -> None:
    page = opened_page(door, "/change", key="reader", **asked)
    assert "Nothing was judged here" in words_of(page)


def test_the_form_offers_each_word_that_the_report_takes() -> None:
    offered = {"of": OF, "per": PER, "chart": CHARTS, "mix": MIX}
    assert {option.name: set(option.words) for option in REPORTS["trend"].options} == {
        name: set(words) for name, words in offered.items()
    }


def test_a_change_found_day_by_day_is_marked_where_it_most_likely_began(
    door: Door, monkeypatch: pytest.MonkeyPatch
) -> None:
    door.told(*weeks())
    figures = {"since": "2026-03-24", "share": 0.5, "share_before": 0.083}
    drift = Finding("drift", "failures_rose", "machine", "Laser 1", "", "in the worker's words", figures)
    monkeypatch.setattr("service.pages.change.findings", lambda *_, **__: ([Shown(drift, "open")], None))
    page = opened_page(door, "/change", key="reader", machine="laser 1", **WINDOW)
    said = (
        "Parts on Laser 1 that were not good the first time rose from 8.3 % to 50.0 %, most likely since 24 Mar 2026."
    )
    assert said in words_of(page)
    assert "\u0394 marks where a change most likely began" in words_of(page)
    # Another machine, and another figure, have no such mark.
    for other in ({"machine": "Laser 2"}, {"of": "pierces"}):
        assert "\u0394" not in words_of(opened_page(door, "/change", key="reader", **WINDOW | other))


def test_services_are_said_in_words() -> None:
    app = Flask("services")
    with app.test_request_context():
        g.language = "en"
        assert said_services("A: B: nozzle; Laser 2: none such") == "A: B: nozzle; Laser 2: none such"
        assert said_services("Laser 1: protective_window") == "Laser 1: protective window"
    assert said_services(None) is None
