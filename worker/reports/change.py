"""Report trend: is it changing, or is it noise?"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

from worker.measures import FAILED_PIERCES, FIRST_PASS
from worker.reports.comparing import compared_groups, described, first_of, invented
from worker.reports.dimensions import DIMENSIONS
from worker.reports.marks import Marks, marks
from worker.reports.notes import COMMON_SUMS, common_notes
from worker.reports.options import Option
from worker.reports.questions import Question
from worker.reports.reading import Group, Reader, Sums, added, attempt_groups
from worker.reports.report import Column, Report
from worker.sentences import Sentence, sentence
from worker.stats.charts import Chart, Counts, auto_chart, laney_chart, mix_adjusted, p_chart
from worker.stats.clustering import Clustered, correlation, effective
from worker.stats.ewma import Ewma, chart_ewma
from worker.stats.runs import chart_signals, confirmed

CHART: Final = Option(
    "chart",
    "kind of control chart: p by chance alone, laney with the variation there is, auto the one that fits, ewma for "
    "small lasting changes",
    ("auto", "p", "laney", "ewma"),
)
PER: Final = Option("per", "what a point is", ("week", "day"))
OF: Final = Option("of", "what is followed: first-pass yield, or share of failed pierces", ("yield", "pierces"))
MIX: Final = Option(
    "mix", "as_cut, or adjusted: as if every point had the thicknesses and materials of all", ("as_cut", "adjusted")
)
OPTIONS: Final = (CHART, PER, OF, MIX)
_MOST_NAMED: Final = 6

COLUMNS: Final = (
    Column("period", "", "ISO week, or production day", "text"),
    Column("x", "", "good parts of first attempts, or failed pierces", "integer"),
    Column("n", "", "judged parts of first attempts, or pierces", "integer"),
    Column("share", "share (0-1)", "x over n as it was cut"),
    Column("shown_share", "share (0-1)", "the point of the chart: the share, adjusted for the mix when that was asked"),
    Column("lower", "share (0-1)", "lower limit of the chart; null: none above 0"),
    Column("upper", "share (0-1)", "upper limit of the chart; null: none below 1"),
    Column("z", "sigma", "distance from the centre in sigmas of the chart"),
    Column("rules", "", "Nelson's rules of the patterns that hold this point, such as 1 or 1 2", "text"),
    Column("average", "sigma", "exponentially weighted average; only chart=ewma"),
    Column("average_limit", "sigma", "plus and minus this is in control; only chart=ewma"),
    Column("signals", "", "1 where the point, or the average, is a signal; else 0", "integer"),
    Column("services", "", "services of the machines in the period", "text"),
    Column("recipes_begun", "", "recipes and revisions first cut with in the period; none in the first", "text"),
)
DETAILS: Final = (
    Column("chart", "", "the kind of chart that was drawn: p, laney or ewma", "text"),
    Column("choice", "", "why, where it was chosen", "text"),
    Column("centre", "share (0-1)", "centre line: all x over all n, points set aside left out"),
    Column("sigma_z", "", "how many times the variation by chance alone the chart has"),
    Column("overdispersion_p_value", "", "chance of as much variation if there were chance alone"),
    Column("points_set_aside", "", "points beyond 3 sigma that centre and limits leave out", "integer"),
    Column("points_skipped", "", "points at which nothing was judged", "integer"),
    Column("confirmed_changes", "", "points beyond 3 sigma whose next point lies far out on the same side", "integer"),
    Column("reason", "", "why there are no limits", "text"),
)


def change(reader: Reader, question: Question) -> Report:
    """The share over time, on a control chart."""
    names = (question.options[PER.name], "thickness", "material")
    if question.options[OF.name] == "yield":
        groups, _, notes = compared_groups(reader, question, names)
    else:
        # A pierce is judged at once: no day is left out.
        asked = replace(question, by=tuple(DIMENSIONS[name] for name in names))
        sums = (*FAILED_PIERCES.names, *COMMON_SUMS)
        groups = attempt_groups(reader, asked, sums)
        totals = added(groups.values(), sums)
        notes = list(common_notes(totals, asked, reader.as_of, provisional=False))
    return _answer(reader, question, groups, notes, marks(reader, question, per=question.options[PER.name]))


def _answer(reader: Reader, question: Question, groups: dict[Group, Sums], notes: list[str], marked: Marks) -> Report:
    share_of = FIRST_PASS if question.options[OF.name] == "yield" else FAILED_PIERCES
    strata: dict[str, dict[Group, Clustered]] = defaultdict(dict)
    for (period, *stratum), sums in groups.items():
        if sums[share_of.n]:
            strata[period][tuple(stratum)] = share_of.counts(sums)
    periods = sorted(strata)
    points = [strata[period] for period in periods]
    is_adjusted = question.options[MIX.name] == "adjusted"
    chart, rows = _charted(question, periods, points, adjusted=is_adjusted)
    for row in rows:
        period = row["period"]
        row |= {"services": marked.services.get(period), "recipes_begun": marked.recipes.get(period)}
    details = _details(question, chart)
    said = _said(question, chart, rows)
    times = Counter(stratum for point in points for stratum in point)
    if chart.reason is None and len(times) > 1:
        alone = [period for period, point in zip(periods, points, strict=True) if _is_alone(point, times)]
        if is_adjusted:
            said += _said_of_alone(alone)
        else:
            _, with_equal_mix = _charted(question, periods, points, adjusted=True)
            said += _said_of_mix(question, _signalling(rows), _signalling(with_equal_mix), alone)
    return described(
        "trend", reader, question, columns=COLUMNS, rows=rows, details=details, notes=[*notes, *said, *chart.notes]
    )


def _charted(
    question: Question, periods: Sequence[str], points: Sequence[Mapping[Group, Clustered]], *, adjusted: bool
) -> tuple[Chart, list[dict[str, Any]]]:
    kind = question.options[CHART.name]
    chart, counts = drawn(points, kind=kind, adjusted=adjusted)
    average = chart_ewma(chart) if kind == "ewma" else None
    plain = [Clustered.total(point.values()) for point in points]
    return chart, _rows(periods, plain, counts, chart, average)


def drawn(strata: Sequence[Mapping[Group, Clustered]], *, kind: str, adjusted: bool) -> tuple[Chart, Counts]:
    """(chart, its counts) of points in time order, each by strata of what was cut.

    Counts are effective ones, by the correlation within clusters of all points together. kind: p, laney, else the one
    that fits. adjusted: as if every point had the mix of all.
    """
    pooled = correlation([one for point in strata for one in point.values()])
    plain = (Clustered.total(point.values()) for point in strata)
    effective_counts = [effective(one, pooled=pooled, own=False) for one in plain]
    counts: Counts = [(one.x, one.n) for one in effective_counts]
    if adjusted:
        counts = mix_adjusted(counts, _expected(strata))
    return {"p": p_chart, "laney": laney_chart}.get(kind, auto_chart)(counts), counts


def _expected(strata: Sequence[Mapping[Group, Clustered]]) -> list[float]:
    """The share that each point's mix gives by the rates of all points together."""
    together: dict[Group, list[Clustered]] = defaultdict(list)
    for point in strata:
        for stratum, counts in point.items():
            together[stratum].append(counts)
    rates = {stratum: (total := Clustered.total(counts)).x / total.n for stratum, counts in together.items()}
    return [
        sum(counts.n * rates[stratum] for stratum, counts in sorted(point.items(), key=repr))
        / sum(counts.n for counts in point.values())
        for point in strata
    ]


def _rows(
    periods: Sequence[str], plain: Sequence[Clustered], counts: Counts, chart: Chart, average: Ewma | None
) -> list[dict[str, Any]]:
    points = {point.index: point for point in chart.points}
    averages = {} if average is None else {point.index: point for point in average.points}
    rules: dict[int, set[int]] = defaultdict(set)
    for signal in chart_signals(chart):
        for index in range(signal.first, signal.last + 1):
            rules[index].add(signal.rule)
    rows: list[dict[str, Any]] = []
    for index, period in enumerate(periods):
        point, smooth = points.get(index), averages.get(index)
        n = counts[index][1]
        rows.append(
            {
                "period": period,
                "x": round(plain[index].x),
                "n": round(plain[index].n),
                "share": plain[index].x / plain[index].n,
                "shown_share": counts[index][0] / n if n else None,
                "lower": point and point.lower,
                "upper": point and point.upper,
                "z": point and point.z,
                "rules": " ".join(str(rule) for rule in sorted(rules[index])) or None,
                "average": smooth and smooth.average,
                "average_limit": smooth and smooth.limit,
                "signals": int(bool(smooth.signals if smooth else point and point.beyond)),
            }
        )
    return rows


def _details(question: Question, chart: Chart) -> dict[str, Any]:
    dispersion = chart.overdispersion
    return {
        "chart": "ewma" if question.options[CHART.name] == "ewma" else chart.method,
        "choice": chart.choice,
        "centre": chart.centre,
        "sigma_z": chart.sigma_z,
        "overdispersion_p_value": None if dispersion is None else dispersion.p_value,
        "points_set_aside": len(chart.set_aside),
        "points_skipped": chart.skipped,
        "confirmed_changes": len(confirmed(chart)),
        "reason": chart.reason,
    }


def _said(question: Question, chart: Chart, rows: Sequence[dict[str, Any]]) -> list[Sentence]:
    if chart.reason is not None:
        return [sentence("no limits can be drawn: %(reason)s", reason=chart.reason)]
    signalling, what = _signalling(rows), _what(question)
    patterns = [row["period"] for row in rows if row["rules"] is not None]
    if not signalling and patterns:
        return [
            sentence(
                "no single point of the %(what)s left its limits, but %(periods)s form a pattern that chance seldom "
                "makes (column rules): a lasting change is likely; chart=ewma shows small ones",
                what=what,
                periods=_named(patterns),
            )
        ]
    if not signalling:
        return [
            sentence(
                "the %(what)s varies no more than the chart allows: a single low or high point is no reason to act",
                what=what,
            )
        ]
    return [
        sentence(
            "the %(what)s left its limits in %(periods)s: look for what changed there",
            what=what,
            periods=_named(signalling),
        )
    ]


def _said_of_mix(
    question: Question, found: Sequence[str], with_equal_mix: Sequence[str], alone: Sequence[str]
) -> list[Sentence]:
    """Where more thick plate, or less of it, makes the share as it was cut point the wrong way.

    found, with_equal_mix: periods that signal as cut, and adjusted for the mix. alone: see `_is_alone`.
    """
    explained = [period for period in found if period not in with_equal_mix and period not in alone]
    hidden = [period for period in with_equal_mix if period not in found]
    notes, what = _said_of_alone([period for period in found if period in alone]), _what(question)
    if explained:
        notes.append(
            sentence(
                "in %(periods)s other thicknesses and materials than usual explain that: with mix=adjusted the "
                "%(what)s is within its limits there",
                periods=_named(explained),
                what=what,
            )
        )
    if hidden:
        notes.append(
            sentence(
                "other thicknesses and materials than usual hide a change: with mix=adjusted the %(what)s left its "
                "limits in %(periods)s",
                what=what,
                periods=_named(hidden),
            )
        )
    return notes


def _said_of_alone(alone: Sequence[str]) -> list[Sentence]:
    if not alone:
        return []
    return [
        sentence(
            "most of %(periods)s is of thicknesses and materials that no other period has: whether anything else "
            "changed there cannot be told",
            periods=_named(alone),
        )
    ]


def _is_alone(point: Mapping[Group, Clustered], times: Mapping[Group, int]) -> bool:
    """Is more than half of a point of strata that no other point has? times: in how many points each stratum is."""
    alone = sum(counts.n for stratum, counts in point.items() if times[stratum] == 1)
    return 2 * alone > sum(counts.n for counts in point.values())


def _signalling(rows: Sequence[dict[str, Any]]) -> list[str]:
    return [row["period"] for row in rows if row["signals"]]


def _what(question: Question) -> Sentence:
    if question.options[OF.name] == "yield":
        return sentence("first-pass yield")
    return sentence("share of failed pierces")


def _named(periods: Sequence[str]) -> Sentence:
    return first_of(periods, most=_MOST_NAMED)


def example(reader: Reader, question: Question) -> Report:
    """Twelve invented weeks, the last one bad."""
    good = (92, 90, 93, 91, 94, 92, 90, 91, 93, 92, 91, 70)
    groups = {
        (f"2026-W{week:02d}", 20_000_000, "s355"): invented(parts=100, good=made, plates=10)
        for week, made in enumerate(good, 1)
    }
    marked = Marks({"2026-W11": "laser 1: protective_window"}, {"2026-W12": "S355-20 / C"})
    return _answer(reader, question, groups, [], marked)
