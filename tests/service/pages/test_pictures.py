"""Pictures: what they hold of any figures, that they stand alone, and that no text of a site becomes a mark in them."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Sequence
from typing import Any
from xml.etree import ElementTree as Tree

import pytest
from flask import Flask, g
from markupsafe import Markup

from service.pages.canvas import MARGIN, TEXT, WIDTH, Scale, clipped, in_row, scale_over, ticks, tight_scale
from service.pages.languages import speak
from service.pages.pictures import MARKS, Point, bars, course, curve, intervals

SVG = "{http://www.w3.org/2000/svg}"
NASTY = "<b>&\"'</b>\x00\x0b\ufffe\ud800"
TOLD: dict[str, Any] = {"name": "Yield", "described": "Yield of each"}
DRAWN: dict[str, Callable[[Sequence[Point]], Markup]] = {
    "intervals": lambda points: intervals(points, **TOLD, unit="percent", x_text="Thickness", target=0.9),
    "bars": lambda points: bars(points, **TOLD, unit="money", currency="EUR", cumulated=True),
    "course": lambda points: course(
        points, **TOLD, unit="number", centre=[0.5] * len(points), limits=([0.1] * len(points), [None] * len(points)),
        signals=[0, 500], marks=[(0, "a"), (500, "b")], target=0.9,
    ),
    "curve": lambda points: curve(
        [Point(point.label, *point.figures, x=index, mark=point.mark) for index, point in enumerate(points)],
        **TOLD, x_text="mm", target=0.9, verticals=[(0.5, "here"), (math.nan, "nowhere")],
        fitted=[(index, *point.figures) for index, point in enumerate(points)],
        monotone=[(index, point.value) for index, point in enumerate(points)],
    ),
}  # fmt: skip
FIGURES: dict[str, list[Point]] = {
    "none": [],
    "one": [Point("20 mm", 0.5, 0.4, 0.6)],
    "one that is not known": [Point("20 mm", None)],
    "all alike": [Point(f"{mm} mm", 0.5, 0.5, 0.5) for mm in (10, 20, 30)],
    "all nothing": [Point(f"{mm} mm", 0.0, 0.0, 0.0) for mm in (10, 20)],
    "some not known": [Point("10 mm", 0.9, None, 1.0), Point("20 mm", None, 0.1, 0.2), Point("30 mm", 0.1)],
    "not finite": [Point("a", math.nan, -math.inf, math.inf), Point("b", 0.5)],
    "outside": [Point("a", -3.0, -9.0, 4.0), Point("b", 1e9, 0.0, 1e12), Point("c", 1e-9)],
    "each mark": [Point(mark, 0.5, 0.4, 0.6, mark=mark) for mark in (*MARKS, "unheard of")],
    "two hundred": [Point(f"2026-03-{n:03}", n / 200, n / 220, n / 180) for n in range(200)],
}


@pytest.fixture(params=["en", "de"])
def language(request: pytest.FixtureRequest) -> Iterator[str]:
    """A request in a language."""
    app = Flask("pictures")
    speak(app)
    with app.test_request_context():
        g.language = request.param
        yield request.param


def numbers(picture: Markup) -> list[float]:
    """All numbers of the shapes of a picture."""
    shapes = re.findall(r' (?:d|x|y)="([^"]*)"', picture)
    return [float(number) for shape in shapes for number in re.findall(r"-?\d+(?:\.\d+)?", shape)]


@pytest.mark.parametrize("figures", FIGURES)
@pytest.mark.parametrize("draw", DRAWN)
def test_a_picture_of_any_figures_stands_alone_and_within_itself(language: str, draw: str, figures: str) -> None:
    picture = DRAWN[draw](FIGURES[figures])
    root = Tree.fromstring(picture)
    assert root.tag == f"{SVG}svg"
    _, _, width, height = map(float, root.attrib["viewBox"].split())
    assert (width, 20 < height < 6_000) == (WIDTH, True)
    assert {root.attrib[name] for name in ("class", "role", "aria-label")} == {"picture", "img", "Yield"}
    assert (root.findtext(f"{SVG}title"), root.findtext(f"{SVG}desc")) == ("Yield", "Yield of each")
    assert float(root.attrib["font-size"]) == TEXT
    for shape in root.iter(f"{SVG}path"):
        assert "stroke" in shape.attrib or "fill" in shape.attrib
    assert not re.search(r"\b(style|id|href|onload)=|nan|inf|None|<script|<style", picture)
    for text in root.iter(f"{SVG}text"):
        assert -1 <= float(text.attrib["x"]) <= WIDTH + 1
        assert 0 <= float(text.attrib["y"]) <= height
    assert all(math.isfinite(number) for number in numbers(picture))
    assert len(picture) < 25_000


@pytest.mark.parametrize("draw", DRAWN)
def test_no_text_becomes_a_mark_of_the_picture(language: str, draw: str) -> None:
    told = {"name": NASTY, "described": NASTY}
    points = [Point(NASTY, 0.5, 0.4, 0.6, x=1)]
    drawn = {
        "intervals": lambda: intervals([Point(NASTY, 0.5)], **told, unit="number", x_text=NASTY),
        "bars": lambda: bars(points, **told, unit="money", currency='"<', cumulated=False),
        "course": lambda: course(points, **told, unit="number", marks=[(0, NASTY)]),
        "curve": lambda: curve(points, **told, x_text=NASTY, verticals=[(1, NASTY)]),
    }[draw]()
    root = Tree.fromstring(drawn)
    shown = "<b>&\"'</b>"
    assert root.attrib["aria-label"] == shown
    assert root.findtext(f"{SVG}desc") == shown
    assert {element.tag for element in root.iter()} <= {
        f"{SVG}{tag}" for tag in ("svg", "title", "desc", "path", "text")
    }


def test_numbers_are_written_in_the_language_of_the_page(language: str) -> None:
    picture = intervals([Point("20 mm", 0.9125)], **TOLD, unit="percent", x_text="t")
    assert {"en": "91.2 %", "de": "91,2"}[language] in picture.replace("\u00a0", " ")
    picture = bars([Point("a", 1234.5)], **TOLD, unit="minutes", cumulated=False)
    assert {"en": "1,234", "de": "1.234"}[language] in picture


def test_a_point_out_of_its_limits_has_a_shape_and_a_ring_of_its_own(language: str) -> None:
    points = [Point(f"W{week:02}", 0.9) for week in range(1, 9)]
    limits = ([0.8] * 8, [1.0] * 8)
    calm, alarmed = (course(points, **TOLD, unit="percent", limits=limits, signals=out) for out in ([], [3]))
    assert ('class="wrong"' in calm, 'class="fill-wrong"' in calm) == (False, False)
    # In the picture, and in its legend.
    assert (alarmed.count('class="wrong"'), alarmed.count('class="fill-wrong"')) == (2, 2)


def test_a_course_is_broken_where_nothing_is_known(language: str) -> None:
    values = (0.1, 0.2, None, 0.3, 0.4)
    picture = course([Point(str(n), value) for n, value in enumerate(values)], **TOLD, unit="percent")
    (through,) = re.findall(r'<path d="([^"]+)" class="ink-1"', picture)
    assert (through.count("M"), through.count("L")) == (2, 2)


def test_amounts_of_a_loss_add_up_to_all_of_it(language: str) -> None:
    points = [Point("a", 60), Point("b", 30), Point("c", None), Point("d", 10)]
    picture = bars(points, **TOLD, unit="number", cumulated=True).replace("\u00a0", " ")
    assert re.findall(r"· (\d+) ?%", picture) == ["60", "90", "90", "100"]
    (filled,) = re.findall(r'<path d="([^"]+)" class="fill-1"', picture)
    widths = [float(right) - MARGIN for right in re.findall(r"M4 [\d.]+H([\d.]+)", filled)]
    assert widths == pytest.approx([share * (WIDTH - 2 * MARGIN) for share in (0.6, 0.3, 0.1)], abs=0.1)


def test_a_count_is_told_as_exactly_as_its_table_tells_it(language: str) -> None:
    picture = bars([Point("slag", 12_345), Point("gouging", 1)], **TOLD, unit="number", cumulated=True)
    assert f"{({'en': '12,345', 'de': '12.345'})[language]} · " in picture


def test_more_bars_than_anyone_reads_are_left_to_the_table(language: str) -> None:
    picture = bars([Point(f"cause {n}", 1) for n in range(42)], **TOLD, unit="number", cumulated=True)
    assert ("cause 29" in picture, "cause 30" in picture, "12" in picture) == (True, False, True)


# --- scales -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [
        (0, 1, [0, 0.2, 0.4, 0.6, 0.8, 1]),
        (0.93, 0.99, [0.92, 0.94, 0.96, 0.98, 1]),
        (3, 3, [2.6, 2.8, 3, 3.2, 3.4]),
        (0, 0, [-1, -0.5, 0, 0.5, 1]),
        (-7, 1200, [-250, 0, 250, 500, 750, 1000, 1250]),
    ],
)
def test_ticks_are_round_and_hold_both_ends(low: float, high: float, expected: list[float]) -> None:
    assert ticks(low, high) == pytest.approx(expected)


def test_a_scale_of_shares_ends_at_all_and_another_does_not() -> None:
    scale, marked = scale_over([0.953, 0.991, None, math.inf], 100, 0, within=(0, 1))
    assert (marked[-1], scale.at(1), scale.at(2), scale.at(-5)) == (1, 0, 0, 100)
    assert scale_over([0.953, 1.02], 0, 1, within=(0, 1))[1][-1] > 1
    tight, within = tight_scale([12, 40], 0, 280)
    assert ((tight.at(12), tight.at(40)), min(within) > 12, max(within)) == ((0, 280), True, 40)
    assert Scale(0, 10, 0, 100).at(2.5) == 25


def test_texts_in_a_row_do_not_touch_and_the_last_is_kept() -> None:
    places = [30.0 * n for n in range(18)]
    kept = in_row(places, ["2026-W10"] * 18)
    assert kept[-1][0] == 17
    assert len(kept) == 6
    gaps = [after[1] - before[1] for before, after in zip(kept, kept[1:], strict=False)]
    assert min(gaps) > len("2026-W10") * 0.6 * TEXT
    assert clipped("slag at the lower edge", 100) == "slag at t…"
