"""What pictures are drawn on: an SVG with its name, scales with round numbers, and shapes in the colours of the page.

Each shape carries a class, by which a screen colours it light or dark, and beside that the colours for paper, so that
the same picture stands alone. Many like shapes are one path: a picture of two hundred points stays small.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import drawsvg
from markupsafe import Markup, escape

#: In units of the picture. On a phone, some 360 pixels are left for it: its text is 10 pixels high there.
WIDTH: Final = 560.0
TEXT: Final = 15.5
#: Of one character on an average, and of the widest likely text of so many.
CHARACTER: Final = 0.6 * TEXT
LINE: Final = 20.0
MARGIN: Final = 4.0

_NOT_IN_XML: Final = re.compile("[^\t\n\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_PAPER_TEXT: Final = "#1c2226"
#: Class -> attributes for paper, which are those of the page's light colours.
_PAPER: Final[Mapping[str, Mapping[str, Any]]] = {
    "grid": {"stroke": "#ddd8ce", "stroke_width": 1, "fill": "none"},
    "axis": {"stroke": "#555f66", "stroke_width": 1, "fill": "none"},
    "ink-1": {"stroke": "#20566b", "stroke_width": 2, "fill": "none"},
    "ink-2": {"stroke": "#b4560f", "stroke_width": 2, "fill": "none"},
    "ink-3": {"stroke": "#6b4a86", "stroke_width": 2, "fill": "none"},
    "wrong": {"stroke": "#a3200d", "stroke_width": 2, "fill": "none"},
    "fill-1": {"fill": "#20566b"},
    "fill-2": {"fill": "#b4560f"},
    "fill-3": {"fill": "#6b4a86"},
    "fill-wrong": {"fill": "#a3200d"},
    "fill-ground ink-1": {"stroke": "#20566b", "stroke_width": 2, "fill": "#ffffff"},
    "band": {"fill": "#20566b", "fill_opacity": 0.16},
    "faint": {"fill": "#555f66"},
    "": {},
}
Place = tuple[float, float]


class _Description(drawsvg.Title):  # type: ignore[misc]
    """What a picture shows, for those who do not see it."""

    TAG_NAME = "desc"


class Canvas:
    """A picture in the making."""

    def __init__(self, height: float, *, name: str, described: str) -> None:
        # The library writes attributes as they are; the text of elements it escapes itself.
        self._drawing = drawsvg.Drawing(
            WIDTH, round(height), class_="picture", role="img", aria_label=escape(plain(name)),
            font_family="system-ui, sans-serif", font_size=TEXT, fill=_PAPER_TEXT,
        )  # fmt: skip
        self._drawing.append(drawsvg.Title(plain(name)))
        self._drawing.append(_Description(plain(described)))

    def path(self, class_: str, commands: Iterable[str], **more: Any) -> None:
        """Lines or filled shapes; none when there are no commands."""
        if d := "".join(commands):
            self._drawing.append(drawsvg.Path(d=d, class_=class_, **(dict(_PAPER[class_]) | more)))

    def text(self, at: Place, text: str, *, anchor: str = "start", class_: str = "", weight: int | None = None) -> None:
        """One line of text."""
        x, y = at
        how = {"text_anchor": None if anchor == "start" else anchor, "font_weight": weight, "class_": class_ or None}
        self._drawing.append(drawsvg.Text(plain(text), None, x=_short(x), y=_short(y), **how, **_PAPER[class_]))

    def markup(self) -> Markup:
        """The SVG, as it stands in a page."""
        # In a page its size is that of the place where it stands.
        self._drawing.set_render_size(WIDTH, self._drawing.height)
        svg: str = self._drawing.as_svg(header="")
        return Markup(svg.replace("<defs>\n</defs>\n", ""))  # noqa: S704 - every text in it was escaped


def plain(text: str) -> str:
    """A text without the characters that no XML may hold."""
    return _NOT_IN_XML.sub("", text)


def clipped(text: str, width: float) -> str:
    """As much of a text as is as wide as this."""
    most = max(1, int(width / CHARACTER))
    return text if len(text) <= most else f"{text[: most - 1].rstrip()}…"


def width_of(texts: Iterable[str]) -> float:
    """Room that the longest of these texts takes."""
    return max((len(text) for text in texts), default=0) * CHARACTER


# --- commands of paths ------------------------------------------------------------------------------------------


def _short(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def line(*places: Place) -> str:
    """A line through places."""
    commands: list[str] = []
    for index, (x, y) in enumerate(places):
        if not index:
            commands.append(f"M{_short(x)} {_short(y)}")
        elif x == places[index - 1][0]:
            commands.append(f"V{_short(y)}")
        elif y == places[index - 1][1]:
            commands.append(f"H{_short(x)}")
        else:
            commands.append(f"L{_short(x)} {_short(y)}")
    return "".join(commands)


def lines(places: Iterable[Place | None]) -> str:
    """A line through places, broken where there is none; a place alone is a short dash, so that it is seen."""
    runs: list[list[Place]] = [[]]
    for place in places:
        if place is None:
            runs.append([])
        else:
            runs[-1].append(place)
    return "".join(line(*run) if len(run) > 1 else line((run[0][0] - 3, run[0][1]), (run[0][0] + 3, run[0][1]))
                   for run in runs if run)  # fmt: skip


def closed(places: Sequence[Place]) -> str:
    """The area that places enclose."""
    return f"{line(*places)}Z" if places else ""


def dot(at: Place, radius: float = 4.0) -> str:
    """A disc."""
    r, across = _short(radius), _short(2 * radius)
    return f"M{_short(at[0] - radius)} {_short(at[1])}a{r} {r} 0 1 0 {across} 0a{r} {r} 0 1 0 -{across} 0Z"


def diamond(at: Place, radius: float = 5.5) -> str:
    """A square on its corner."""
    x, y = at
    return closed([(x, y - radius), (x + radius, y), (x, y + radius), (x - radius, y)])


def square(at: Place, half: float = 4.0) -> str:
    """A square."""
    x, y = at
    return closed([(x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)])


# --- scales -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Scale:
    """From values to places: `low` lies at `start`, `high` at `end`. Values beyond both lie at the nearer one."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """Where a value lies."""
        share = (value - self.low) / (self.high - self.low)
        return self.start + min(1.0, max(0.0, share)) * (self.end - self.start)

    def holds(self, value: float) -> bool:
        """Does a value lie within it?"""
        return self.low <= value <= self.high


def known(value: float | None) -> float | None:
    """A value as a float; None for one that no picture can show."""
    return None if value is None or not math.isfinite(value) else float(value)


def ticks(low: float, high: float, *, most: int = 6) -> list[float]:
    """Round numbers from at or under the low one to at or above the high one, no more than some `most` of them."""
    if not high - low > 1e-9 * max(1.0, abs(high)):
        # All alike: room on both sides of it.
        around = abs(high) / 10 or 1.0
        low, high = low - around, high + around
    rough = (high - low) / max(1, most - 1)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * nice for nice in (1, 2, 2.5, 5, 10) if power * nice >= rough * (1 - 1e-9))
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [round(step * number, 12) for number in range(first, last + 1)]


def tight_scale(
    values: Iterable[float | None], start: float, end: float, *, most: int = 6
) -> tuple[Scale, list[float]]:
    """(scale from the least to the greatest of these values, the round numbers within it)."""
    found = [value for value in map(known, values) if value is not None] or [0.0, 1.0]
    low, high = min(found), max(found)
    marked = ticks(low, high, most=most)
    if low == high:
        return Scale(marked[0], marked[-1], start, end), [low]
    return Scale(low, high, start, end), [tick for tick in marked if low <= tick <= high]


def scale_over(
    values: Iterable[float | None], start: float, end: float, *, most: int = 6, zero: bool = False,
    within: tuple[float, float] | None = None,
) -> tuple[Scale, list[float]]:  # fmt: skip
    """(scale over all these values, its round numbers). zero: 0 is on it. within: it ends there if all values do."""
    found = [value for value in map(known, values) if value is not None] or [0.0, 1.0]
    found += [0.0] if zero else []
    low, high = min(found), max(found)
    marked = ticks(low, high, most=most)
    if within is not None and within[0] <= low and high <= within[1]:
        marked = [tick for tick in marked if within[0] - 1e-9 <= tick <= within[1] + 1e-9]
        if len(marked) < 2:
            marked = ticks(*within, most=most)
    return Scale(marked[0], marked[-1], start, end), marked


def in_row(places: Sequence[float], texts: Sequence[str], *, gap: float = 10.0) -> list[tuple[int, float]]:
    """(index, middle) of the texts at these rising places that have room in one row: every so many, from the last."""
    halves = [width_of([text]) / 2 for text in texts]
    middles = [inside(place, half) for place, half in zip(places, halves, strict=True)]
    for step in range(1, len(places) + 1):
        kept = range(len(places) - 1, -1, -step)[::-1]
        pairs = zip(kept, kept[1:], strict=False)
        if all(middles[one] + halves[one] + gap <= middles[next_] - halves[next_] for one, next_ in pairs):
            return [(index, middles[index]) for index in kept]
    return []


def inside(place: float, half: float) -> float:
    """The middle of something that is to lie at a place, and does not reach beyond the picture."""
    return min(max(place, MARGIN + half), WIDTH - MARGIN - half)
