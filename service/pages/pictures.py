"""Pictures of figures: intervals, shares of a loss, the course of a figure over time, a curve over a thickness.

Each is one SVG with a name and a description. It shows what a table beneath it says in numbers; a figure that is not
known leaves its place empty. Which points stand out is told by their shape, not by colour alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import accumulate
from typing import Final, Literal

from markupsafe import Markup

from service.pages.canvas import (
    CHARACTER,
    LINE,
    MARGIN,
    TEXT,
    WIDTH,
    Canvas,
    Place,
    Scale,
    clipped,
    closed,
    diamond,
    dot,
    in_row,
    inside,
    known,
    line,
    lines,
    scale_over,
    square,
    tight_scale,
    width_of,
)
from service.pages.languages import gettext, money, ngettext, number, percent

Unit = Literal["percent", "number", "money", "minutes"]
#: How a point can be marked: as all others, hollow (not final, or few), of a second sort, or standing out.
MARKS: Final = ("", "open", "second", "wrong")

_DASHED: Final = "5 4"
_DOTTED: Final = "1.5 4"
_UNDER: Final = TEXT * 0.35
#: More rows than this have neither room for their figures nor each for its name.
_MOST_ROWS: Final = 60
_MOST_BARS: Final = 30
_MOST_LABEL: Final = 0.44 * WIDTH
_PLOT: Final = 250.0


@dataclass(frozen=True)
class Point:
    """A figure with its interval. `x`: where it lies on an axis of numbers, if it does. `mark`: one of MARKS."""

    label: str
    value: float | None
    low: float | None = None
    high: float | None = None
    x: float | None = None
    mark: str = ""

    @property
    def figures(self) -> tuple[float | None, float | None, float | None]:
        """(value, low, high); what is not finite is not known."""
        return known(self.value), known(self.low), known(self.high)


# --- the four ---------------------------------------------------------------------------------------------------


def intervals(
    points: Sequence[Point], *, name: str, described: str, unit: Unit, x_text: str, target: float | None = None,
    currency: str | None = None,
) -> Markup:  # fmt: skip
    """Figures with their intervals: one row for each point in the given order, or upright where all points have an x.

    x_text says what the points are told apart by. target: a line to be reached.
    """
    if points and all(known(point.x) is not None for point in points):
        return curve(points, name=name, described=described, unit=unit, x_text=x_text, target=target, currency=currency)
    many = len(points) > _MOST_ROWS
    step = 9.0 if many else 28.0
    say = _Said(unit, currency)
    wanted = [figure for point in points for figure in point.figures]
    written = [] if many else [say(point.figures[0]) for point in points]
    left = min(_MOST_LABEL, width_of([*(point.label for point in points), x_text])) + 14
    right = WIDTH - MARGIN - (width_of(written) + 10 if written else 0)
    top, bottom = LINE + 8.0, LINE + 8.0 + step * max(1, len(points))
    most = max(3, int((right - left) / 75))
    scale, marked = scale_over([*wanted, target], left, right - 8, most=most, within=_within(unit))
    canvas = Canvas(bottom + LINE + 8, name=name, described=described)
    canvas.text((MARGIN, LINE - 4), clipped(x_text, left), class_="faint")
    _upright_grid(canvas, scale, marked, top, bottom, say)
    ys = [top + step * (row + 0.5) for row in range(len(points))]
    named = range(0, len(points), 1 if not many else int(LINE // step) + 1)
    for row in named:
        canvas.text((MARGIN, ys[row] + _UNDER), clipped(points[row].label, left - 14))
    for row, text in enumerate(written):
        canvas.text((WIDTH - MARGIN, ys[row] + _UNDER), text, anchor="end")
    if target is not None:
        _target_upright(canvas, scale, target, top, bottom, say)
    spans = [
        (point.mark, (scale.at(low), y), (scale.at(high), y))
        for point, y in zip(points, ys, strict=True)
        for _, low, high in [point.figures]
        if low is not None and high is not None
    ]
    _whiskers(canvas, spans, cap=None if many else (0.0, 5.0))
    _dots(
        canvas,
        [
            (point.mark, (scale.at(value), y))
            for point, y in zip(points, ys, strict=True)
            if (value := point.figures[0]) is not None
        ],
        size=3.0 if many else 4.5,
    )
    return canvas.markup()


def bars(
    points: Sequence[Point], *, name: str, described: str, unit: Unit, cumulated: bool, currency: str | None = None
) -> Markup:
    """Amounts as bars, in the given order; cumulated: of all of them together, with the share of those so far."""
    say = _Said(unit, currency)
    amounts = [max(0.0, point.figures[0] or 0.0) for point in points]
    beyond = max(0, len(points) - _MOST_BARS)
    points = points[:_MOST_BARS]
    whole = sum(amounts) if cumulated else max(amounts, default=0.0)
    shares = [amount / whole if whole else 0.0 for amount in amounts]
    so_far = [min(1.0, share) for share in accumulate(shares)]
    step, top = 46.0, LINE if cumulated else 4.0
    height = top + max(1, len(points)) * step + (LINE if beyond else 0) + 4
    canvas = Canvas(height, name=name, described=described)
    left, right = MARGIN, WIDTH - MARGIN
    scale = Scale(0.0, 1.0, left, right)
    bottom = top + len(points) * step
    if cumulated:
        canvas.text((right, LINE - 5), gettext("amount, and share of those so far"), anchor="end", class_="faint")
    tracks: list[str] = []
    filled: list[str] = []
    wrong: list[str] = []
    for row, (point, share) in enumerate(zip(points, shares, strict=False)):
        y = top + row * step
        text = say(point.figures[0]) + (f" · {percent(so_far[row], 0)}" if cumulated else "")
        canvas.text((right, y + 18), text, anchor="end")
        canvas.text((left, y + 18), clipped(point.label, right - left - width_of([text]) - 10))
        tracks.append(line((left, y + 34), (right, y + 34)))
        if share:
            place = [(left, y + 26), (scale.at(share), y + 26), (scale.at(share), y + 42), (left, y + 42)]
            (wrong if point.mark == "wrong" else filled).append(closed(place))
    canvas.path("grid", tracks)
    canvas.path("fill-1", filled)
    canvas.path("fill-wrong", wrong)
    if cumulated and whole:
        steps = [(scale.at(share), top + row * step + 34) for row, share in enumerate(so_far[: len(points)])]
        canvas.path("fill-2", [square(place, 4) for place in steps])
    if not points:
        canvas.path("axis", [line((left, bottom + 30), (right, bottom + 30))])
    if beyond:
        more = ngettext("and %(count)s more, in the table", "and %(count)s more, in the table", beyond)
        canvas.text((left, bottom + LINE - 4), more, class_="faint")
    return canvas.markup()


def course(
    points: Sequence[Point], *, name: str, described: str, unit: Unit, centre: Sequence[float | None] | None = None,
    limits: tuple[Sequence[float | None], Sequence[float | None]] | None = None, signals: Sequence[int] = (),
    marks: Sequence[tuple[int, str]] = (), target: float | None = None, currency: str | None = None,
) -> Markup:  # fmt: skip
    """A figure over time, a point each: with centre line and control limits, both of as many values as points.

    signals: the points that left their limits. marks: what else happened then, in a few letters each.
    """
    say = _Said(unit, currency)
    lower, upper = limits or ((), ())
    middle = centre or ()
    wanted = [*(figure for point in points for figure in point.figures), *middle, *lower, *upper, target]
    out = {index for index in signals if 0 <= index < len(points)}
    legend = [_entry("dot", gettext("as recorded"))]
    legend += [_entry("centre", gettext("centre line"))] if any(value is not None for value in middle) else []
    legend += [_entry("limit", gettext("control limits"))] if limits else []
    legend += [_entry("signal", gettext("outside the limits"))] if out else []
    legend += [_entry("mark", gettext("something changed"))] if marks else []
    legend += [_entry("target", gettext("target"))] if target is not None else []
    plot = _Plot.of(wanted, say, legend=legend, above=(LINE * 2 if marks else 0.0), target=None, within=_within(unit))
    canvas = plot.canvas(name, described)
    half = (plot.right - plot.left) / (2 * max(1, len(points)))
    xs = [plot.left + half * (2 * index + 1) for index in range(len(points))]
    plot.draw_grid(canvas, say)
    plot.draw_below(canvas, xs, [point.label for point in points])
    _draw_marks(canvas, plot, xs, marks)
    for values in (lower, upper):
        steps = [None if (one := known(value)) is None else plot.y.at(one) for value in values]
        canvas.path("ink-3", [_stairs(xs, steps, half)], stroke_dasharray=_DASHED, stroke_width=1.5)
    canvas.path("axis", [_stairs(xs, [None if (one := known(v)) is None else plot.y.at(one) for v in middle], half)])
    if target is not None:
        plot.draw_target(canvas, target)
    places = [
        None if (v := point.figures[0]) is None else (x, plot.y.at(v)) for x, point in zip(xs, points, strict=True)
    ]
    canvas.path("ink-1", [lines(places)], stroke_width=1.5)
    many = len(points) > _MOST_ROWS
    _whiskers(canvas, list(plot.spans(xs, points)), cap=None if many else (4.0, 0.0))
    size = 2.5 if many else 4.5
    drawn = [
        ("wrong" if i in out else point.mark, place)
        for i, (point, place) in enumerate(zip(points, places, strict=True))
        if place
    ]
    _dots(canvas, drawn, size=size)
    return canvas.markup()


def curve(
    points: Sequence[Point], *, name: str, described: str, unit: Unit = "percent", x_text: str,
    fitted: Sequence[tuple[float, float | None, float | None, float | None]] = (),
    monotone: Sequence[tuple[float, float | None]] | None = None, target: float | None = None,
    verticals: Sequence[tuple[float, str]] = (), currency: str | None = None,
) -> Markup:  # fmt: skip
    """Figures over an axis of numbers, with their intervals; points without an x are left out.

    fitted: (x, y, low, high) of a curve with its band. monotone: (x, y) of one that may only fall. verticals: (x, what
    lies there).
    """
    say = _Said(unit, currency)
    shown = [(x, point) for point in points if (x := known(point.x)) is not None]
    falling = list(monotone or ())
    wanted = [figure for _, point in shown for figure in point.figures]
    wanted += [figure for _, *three in fitted for figure in three] + [y for _, y in falling]
    has_spans = any(None not in point.figures for _, point in shown)
    recorded = gettext("as recorded, with interval") if has_spans else gettext("as recorded")
    legend = [_entry("dot", recorded)] if shown else []
    legend += [_entry("fitted", gettext("fitted, with its band"))] if fitted else []
    legend += [_entry("falling", gettext("may only fall"))] if falling else []
    legend += [_entry("target", gettext("target"))] if target is not None else []
    above = LINE if verticals else 0.0
    plot = _Plot.of(wanted, say, legend=legend, above=above, target=target, within=_within(unit), x_text=x_text)
    canvas = plot.canvas(name, described)
    across = [x for x, _ in shown] + [x for x, *_ in fitted] + [x for x, _ in falling] + [x for x, _ in verticals]
    pad = 12.0
    x_scale, marked = tight_scale(across, plot.left + pad, plot.right - pad, most=8)
    plot.draw_grid(canvas, say)
    plot.draw_below(canvas, [x_scale.at(tick) for tick in marked], [number(tick) for tick in marked], ticked=True)
    _draw_band(canvas, plot, x_scale, fitted)
    if target is not None:
        plot.draw_target(canvas, target)
    canvas.path(
        "ink-3",
        [lines(None if (one := known(y)) is None else (x_scale.at(x), plot.y.at(one)) for x, y in falling)],
        stroke_dasharray=_DOTTED,
    )
    _draw_verticals(canvas, plot, x_scale, verticals)
    xs = [x_scale.at(x) for x, _ in shown]
    many = len(shown) > _MOST_ROWS
    _whiskers(canvas, list(plot.spans(xs, [point for _, point in shown])), cap=None if many else (4.0, 0.0))
    _dots(
        canvas,
        [
            (point.mark, (x, plot.y.at(value)))
            for x, (_, point) in zip(xs, shown, strict=True)
            if (value := point.figures[0]) is not None
        ],
        size=2.5 if many else 4.5,
    )
    return canvas.markup()


# --- what they are made of --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Said:
    """How figures are written."""

    unit: Unit
    currency: str | None

    def __call__(self, value: float | None, step: float | None = None) -> str:
        """A figure; with the step of an axis only as exact as that needs."""
        if self.unit == "percent":
            return percent(value, 1 if step is None else _digits(100 * step))
        if step is not None:
            axis = number(value, _digits(step))
            unit = {"minutes": gettext("min"), "money": self.currency}.get(self.unit)
            return f"{axis} {unit}" if unit else axis
        if self.unit == "money":
            return money(value, self.currency)
        if self.unit == "minutes" and value is not None:
            return gettext("%(minutes)s min", minutes=number(value, 0 if abs(value) >= 10 else 1))
        # A count is told in full, as its table tells it.
        is_whole = value is None or float(value).is_integer()
        return number(value if is_whole else float(f"{value:.4g}"))


def _digits(step: float) -> int:
    """So many digits after the point tell multiples of a step apart."""
    return next((digits for digits in range(6) if abs(step - round(step, digits)) < 1e-9), 6)


def _within(unit: Unit) -> tuple[float, float] | None:
    return (0.0, 1.0) if unit == "percent" else None


@dataclass(frozen=True)
class _Entry:
    """What a shape of a picture means."""

    symbol: str
    text: str

    @property
    def width(self) -> float:
        return 34 + width_of([self.text])


def _entry(symbol: str, text: str) -> _Entry:
    return _Entry(symbol, text)


def _symbol(canvas: Canvas, symbol: str, at: Place) -> None:
    x, y = at
    flat = line((x, y), (x + 22, y))
    match symbol:
        case "dot":
            canvas.path("fill-1", [dot((x + 11, y), 4.5)])
        case "signal":
            _dots(canvas, [("wrong", (x + 11, y))], size=4.5)
        case "mark":
            canvas.path("fill-2", [_flag((x + 11, y - 5))])
        case "fitted":
            canvas.path("band", [closed([(x, y - 6), (x + 22, y - 6), (x + 22, y + 6), (x, y + 6)])])
            canvas.path("ink-1", [flat])
        case "falling":
            canvas.path("ink-3", [flat], stroke_dasharray=_DOTTED)
        case "target":
            canvas.path("ink-2", [flat], stroke_dasharray="10 4")
        case "limit":
            canvas.path("ink-3", [flat], stroke_dasharray=_DASHED, stroke_width=1.5)
        case _:
            canvas.path("axis", [flat])


@dataclass(frozen=True)
class _Plot:
    """The field of a picture that has an upright axis: where it lies, and what is written around it."""

    left: float
    right: float
    top: float
    bottom: float
    y: Scale
    marked: Sequence[float]
    legend: Sequence[tuple[Place, _Entry]]
    x_text: str
    height: float

    @classmethod
    def of(
        cls, wanted: Iterable[float | None], say: _Said, *, legend: Sequence[_Entry], above: float,
        target: float | None, within: tuple[float, float] | None, x_text: str = "",
    ) -> _Plot:  # fmt: skip
        """With room for a legend, and for marks above."""
        placed, rows = _placed(legend)
        top = 8.0 + rows * LINE + above + 4
        bottom = top + _PLOT
        y, marked = scale_over([*wanted, target], bottom, top, within=within)
        left = MARGIN + width_of(say(tick, marked[1] - marked[0]) for tick in marked) + 8
        height = bottom + LINE + 8 + (LINE if x_text else 0)
        return cls(left, WIDTH - MARGIN, top, bottom, y, marked, placed, x_text, height)

    def canvas(self, name: str, described: str) -> Canvas:
        """A canvas with the legend on it."""
        canvas = Canvas(self.height, name=name, described=described)
        for (x, y), entry in self.legend:
            _symbol(canvas, entry.symbol, (x, y - _UNDER))
            canvas.text((x + 28, y), entry.text)
        return canvas

    def draw_grid(self, canvas: Canvas, say: _Said) -> None:
        """The round numbers of the upright axis."""
        step = self.marked[1] - self.marked[0]
        ys = [self.y.at(tick) for tick in self.marked]
        canvas.path("grid", [line((self.left, y), (self.right, y)) for y in ys])
        canvas.path("axis", [line((self.left, self.bottom), (self.right, self.bottom))])
        for tick, y in zip(self.marked, ys, strict=True):
            canvas.text((self.left - 8, y + _UNDER), say(tick, step), anchor="end", class_="faint")

    def draw_below(self, canvas: Canvas, xs: Sequence[float], texts: Sequence[str], *, ticked: bool = False) -> None:
        """What is written under the field, as much of it as has room."""
        texts = [clipped(text, 12 * CHARACTER) for text in texts]
        kept = in_row(xs, texts)
        for index, middle in kept:
            canvas.text((middle, self.bottom + LINE), texts[index], anchor="middle", class_="faint")
        ticks_at = xs if ticked else [xs[index] for index, _ in kept]
        canvas.path("axis", [line((x, self.bottom), (x, self.bottom + 5)) for x in ticks_at])
        if self.x_text:
            middle = (self.left + self.right) / 2
            canvas.text((middle, self.bottom + 2 * LINE), self.x_text, anchor="middle", class_="faint")

    def draw_target(self, canvas: Canvas, target: float) -> None:
        """A line to be reached."""
        if self.y.holds(target):
            y = self.y.at(target)
            canvas.path("ink-2", [line((self.left, y), (self.right, y))], stroke_dasharray="10 4")

    def spans(self, xs: Sequence[float], points: Sequence[Point]) -> Iterator[tuple[str, Place, Place]]:
        """(mark, lower end, upper end) of each interval."""
        for x, point in zip(xs, points, strict=True):
            _, low, high = point.figures
            if low is not None and high is not None:
                yield point.mark, (x, self.y.at(low)), (x, self.y.at(high))


def _placed(legend: Sequence[_Entry]) -> tuple[list[tuple[Place, _Entry]], int]:
    """(each entry with its place, how many rows they take)."""
    placed: list[tuple[Place, _Entry]] = []
    x, row = MARGIN, 0
    for entry in legend:
        if placed and x + entry.width > WIDTH:
            x, row = MARGIN, row + 1
        placed.append(((x, 16.0 + row * LINE), entry))
        x += entry.width + 10
    return placed, row + 1 if placed else 0


def _upright_grid(canvas: Canvas, scale: Scale, marked: Sequence[float], top: float, bottom: float, say: _Said) -> None:
    step = marked[1] - marked[0]
    xs = [scale.at(tick) for tick in marked]
    canvas.path("grid", [line((x, top), (x, bottom)) for x in xs])
    canvas.path("axis", [line((scale.start, bottom), (scale.end, bottom))])
    texts = [say(tick, step) for tick in marked]
    for index, middle in in_row(xs, texts):
        canvas.text((middle, bottom + LINE), texts[index], anchor="middle", class_="faint")


def _target_upright(canvas: Canvas, scale: Scale, target: float, top: float, bottom: float, say: _Said) -> None:
    if scale.holds(target):
        x = scale.at(target)
        canvas.path("ink-2", [line((x, top - 4), (x, bottom))], stroke_dasharray="10 4")
        text = gettext("target %(target)s", target=say(target))
        canvas.text((inside(x, width_of([text]) / 2), top - 10), text, anchor="middle")


def _stairs(xs: Sequence[float], ys: Sequence[float | None], half: float) -> str:
    """Limits that hold for a point each: flat around it, upright between two."""
    places: list[Place | None] = []
    for x, y in zip(xs, ys, strict=False):
        if y is None:
            places.append(None)
        else:
            # Of equal limits one long line.
            if len(places) > 1 and (before := places[-1]) is not None and before[1] == y:
                places.pop()
            else:
                places.append((x - half, y))
            places.append((x + half, y))
    return lines(places)


def _flag(at: Place) -> str:
    x, y = at
    return closed([(x - 5, y), (x + 5, y), (x, y + 9)])


def _draw_marks(canvas: Canvas, plot: _Plot, xs: Sequence[float], marks: Sequence[tuple[int, str]]) -> None:
    """What happened: a flag and a line down, with its letters above it as far as there is room."""
    told: dict[int, list[str]] = {}
    for index, text in marks:
        if 0 <= index < len(xs):
            told.setdefault(index, []).append(text)
    top = plot.top - 12
    canvas.path("fill-2", [_flag((xs[index], top)) for index in told])
    canvas.path("ink-2", [line((xs[index], top + 9), (xs[index], plot.bottom)) for index in told],
                stroke_dasharray=_DOTTED, stroke_width=1.2)  # fmt: skip
    end = 0.0
    for index in sorted(told):
        text = clipped(" ".join(filter(None, told[index])), 12 * CHARACTER)
        half = width_of([text]) / 2
        x = inside(xs[index], half)
        if text and x - half >= end:
            canvas.text((x, top - 5), text, anchor="middle")
            end = x + half + 6


def _draw_verticals(canvas: Canvas, plot: _Plot, x_scale: Scale, verticals: Sequence[tuple[float, str]]) -> None:
    end = 0.0
    for value, text in sorted(verticals):
        if known(value) is None:
            continue
        x, half = x_scale.at(value), width_of([text]) / 2
        canvas.path("ink-2", [line((x, plot.top - 4), (x, plot.bottom))], stroke_width=1.5)
        middle = inside(max(x, end + half), half)
        canvas.text((middle, plot.top - 9), text, anchor="middle")
        end = middle + half + 8


def _draw_band(
    canvas: Canvas, plot: _Plot, x_scale: Scale,
    fitted: Sequence[tuple[float, float | None, float | None, float | None]],
) -> None:  # fmt: skip
    """A curve with the area between its limits, as far as both are known."""
    rows = [(x_scale.at(x), known(y), known(low), known(high)) for x, y, low, high in fitted]
    both = [(x, low, high) for x, _, low, high in rows if low is not None and high is not None]
    upper = [(x, plot.y.at(high)) for x, _, high in both]
    lower = [(x, plot.y.at(low)) for x, low, _ in reversed(both)]
    canvas.path("band", [closed([*upper, *lower])])
    canvas.path("ink-1", [lines(None if y is None else (x, plot.y.at(y)) for x, y, _, _ in rows)])


def _whiskers(canvas: Canvas, spans: Sequence[tuple[str, Place, Place]], *, cap: Place | None) -> None:
    """Intervals, each with ends of this half width and height; with none where there are too many for that."""
    drawn: dict[str, list[str]] = {}
    for mark, *ends in spans:
        commands = [line(*ends)]
        if cap is not None:
            commands += [line((x - cap[0], y - cap[1]), (x + cap[0], y + cap[1])) for x, y in ends]
        drawn.setdefault({"second": "ink-2", "wrong": "wrong"}.get(mark, "ink-1"), []).extend(commands)
    for class_, paths in drawn.items():
        canvas.path(class_, paths, stroke_width=0.8 if cap is None else 1.5)


def _dots(canvas: Canvas, marked: Sequence[tuple[str, Place]], *, size: float) -> None:
    """Points in the shapes of their marks."""
    places: dict[str, list[Place]] = {mark: [] for mark in MARKS}
    for mark, place in marked:
        places[mark if mark in places else ""].append(place)
    canvas.path("fill-1", [dot(place, size) for place in places[""]])
    canvas.path("fill-ground ink-1", [dot(place, size) for place in places["open"]])
    canvas.path("fill-2", [square(place, size) for place in places["second"]])
    canvas.path("fill-wrong", [diamond(place, size + 1) for place in places["wrong"]])
    canvas.path("wrong", [dot(place, size + 6) for place in places["wrong"]], stroke_width=1.8)
