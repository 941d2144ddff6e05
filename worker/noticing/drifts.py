"""Charts of every machine, day by day: did its failed pierces, or its first-pass failures, rise beyond noise?

A machine's days are compared with each other as if all had cut the same mix of thickness, material, surface and thermal
history, so that thick or rusty plate is not taken for a change of the machine. Steel found bad is left out: it has a
finding of its own. Only what grew worse is a finding; report trend shows both sides.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from sqlalchemy import select

from worker.measures import FAILED_PIERCES, FIRST_PASS
from worker.noticing.finding import DRIFT, Finding
from worker.reports.change import drawn
from worker.reports.dimensions import DIMENSIONS
from worker.reports.questions import Question
from worker.reports.reading import Group, Reader, Sums, attempt_groups, settled, spellings
from worker.sentences import Sentence, figure, joined, sentence
from worker.stats.change_points import likeliest_step
from worker.stats.charts import Chart
from worker.stats.clustering import Clustered
from worker.stats.ewma import chart_ewma, signal_probability
from worker.stats.multiplicity import benjamini_hochberg
from worker.stats.runs import confirmed

#: A change holds for as long as its chart signals within so many of the newest days on which the machine cut.
STILL_DAYS: Final = 5
#: Share of false ones among the changes called so over all charts of a site.
FALSE_SHARE: Final = 0.05
#: Services named with a change: the newest since it began.
MOST_SERVICES: Final = 5
MIX: Final = ("thickness", "material", "surface_group", "thermal_history")
LOT: Final = ("mill", "heat_number")

PIERCES: Final = "pierces_rose"
FAILURES: Final = "failures_rose"
_OUT: Final = sentence("the weighted average of its days left its limits")
_BEYOND: Final = sentence("a day beyond 3 sigma was followed by another far out")
#: What is serviced, in the words of the ledger
_SERVICES: Final = {
    "nozzle": sentence("nozzle"),
    "nozzle_centring": sentence("nozzle_centring"),
    "protective_window": sentence("protective_window"),
    "lens": sentence("lens"),
    "focus_check": sentence("focus_check"),
    "height_sensor": sentence("height_sensor"),
    "slats": sentence("slats"),
    "gas_change": sentence("gas_change"),
    "filter": sentence("filter"),
    "calibration": sentence("calibration"),
    "repair": sentence("repair"),
    "other": sentence("other"),
}


@dataclass(frozen=True)
class Change:
    """A chart that signals at its end: from which day on, in what sigmas, and how likely in control."""

    code: str
    machine: str
    since: str
    last: str
    before: Clustered
    after: Clustered
    p: float
    rule: Sentence


def drifts(reader: Reader, question: Question, *, bad_lots: Collection[tuple[Any, ...]] = ()) -> list[Finding]:
    """Changes that hold, over all charts of the site with a common share of false ones.

    question: the window, undivided. bad_lots: (mill, heat number) of steel to leave out.
    """
    charts = [*_charts(reader, question, PIERCES, bad_lots), *_charts(reader, question, FAILURES, bad_lots)]
    changes = [_change(code, machine, days) for code, machine, days in charts]
    q_values = benjamini_hochberg([p for p, _ in changes])
    found = [(change, q) for (_, change), q in zip(changes, q_values, strict=True) if change is not None]
    firm = [(change, q) for change, q in found if q is not None and q < FALSE_SHARE]
    pierced = {change.machine for change, _ in firm if change.code == PIERCES}
    names = spellings(reader, "machine")
    return [
        _finding(reader, question, change, q, names.get(change.machine, change.machine))
        for change, q in firm
        # Parts lost at the pierce are one cause with the failed pierces.
        if change.code == PIERCES or change.machine not in pierced
    ]


Days = Mapping[str, Mapping[Group, Clustered]]


def _charts(
    reader: Reader, question: Question, code: str, bad_lots: Collection[tuple[Any, ...]]
) -> Iterator[tuple[str, str, Days]]:
    """(code, machine, day -> stratum -> counts of failures) of each machine, by machine."""
    names = ("machine", "day", *MIX, *(LOT if bad_lots else ()))
    by = tuple(DIMENSIONS[name] for name in names)
    # A pierce is judged at once; a part only when it is inspected.
    asked = question if code == PIERCES else settled(reader, question)[0]
    share_of = FAILED_PIERCES if code == PIERCES else FIRST_PASS
    groups = attempt_groups(reader, replace(asked, by=by), share_of.names)
    machines: dict[str, dict[str, dict[Group, list[Clustered]]]] = defaultdict(lambda: defaultdict(dict))
    for (machine, day, *rest), sums in groups.items():
        counts = _failures(code, sums)
        stratum, lot = tuple(rest[: len(MIX)]), tuple(rest[len(MIX) :])
        if machine is not None and counts.n and lot not in bad_lots:
            machines[machine][day].setdefault(stratum, []).append(counts)
    for machine in sorted(machines):
        days = machines[machine]
        yield (
            code,
            machine,
            {day: {key: Clustered.total(found) for key, found in days[day].items()} for day in sorted(days)},
        )


def _failures(code: str, sums: Sums) -> Clustered:
    return FAILED_PIERCES.counts(sums) if code == PIERCES else FIRST_PASS.counts(sums).failures


def _change(code: str, machine: str, days: Days) -> tuple[float | None, Change | None]:
    """(chance of the chart's farthest stray if it were in control, the change that holds at its end)."""
    names = list(days)
    chart, _ = drawn([days[day] for day in names], kind="auto", adjusted=True)
    smooth = chart_ewma(chart)
    if smooth.p_value is None:
        return None, None
    pairs = [pair for pair in confirmed(chart) if pair.side > 0]
    newest = [point.index for point in chart.points[-STILL_DAYS:]]
    candidates: list[tuple[float, int, Sentence]] = []
    for signal in smooth.signals:
        if signal.side > 0 and signal.last >= newest[0]:
            within = [point for point in smooth.points if signal.first <= point.index <= signal.last]
            out = max(abs(point.average) / point.limit for point in within) * smooth.design.limit_sigmas
            p = signal_probability(out, smooth.design.weight, len(smooth.points))
            candidates.append((p, signal.last, _OUT))
    candidates += [(pair.p_value, pair.confirmed_by, _BEYOND) for pair in pairs if pair.confirmed_by >= newest[0]]
    # Two ways to signal are two chances to do so falsely.
    tested = min(1.0, 2 * min([smooth.p_value, *(pair.p_value for pair in pairs)]))
    if not candidates:
        return tested, None
    p, last, rule = min(candidates)
    last = max(one[1] for one in candidates)
    points = [point for point in chart.points if point.index <= last]
    step = likeliest_step([(point.x, point.n) for point in points])
    since = points[step].index if step is not None else last
    return min(1.0, 2 * p), Change(
        code,
        machine,
        since=names[since],
        last=names[last],
        before=_total(days, names[:since]),
        after=_total(days, names[since : last + 1]),
        p=min(1.0, 2 * p),
        rule=_said(rule, chart),
    )


def _said(rule: Sentence, chart: Chart) -> Sentence:
    if chart.method == "p":
        return sentence("%(rule)s (p chart, adjusted for mix)", rule=rule)
    return sentence("%(rule)s (p chart with the variation there is, adjusted for mix)", rule=rule)


def _total(days: Days, names: Sequence[str]) -> Clustered:
    return Clustered.total(counts for name in names for counts in days[name].values())


def _finding(reader: Reader, question: Question, change: Change, q: float, name: str) -> Finding:
    before, after = change.before, change.after
    services = _services(reader, change)
    return Finding(
        DRIFT,
        change.code,
        "machine",
        name,
        "",
        _rose(change, name, services),
        {
            "since": change.since,
            "last": change.last,
            "failed": round(after.x),
            "of": round(after.n),
            "share": after.x / after.n,
            "failed_before": round(before.x),
            "of_before": round(before.n),
            "share_before": before.x / before.n if before.n else None,
            "p_value": change.p,
            "q_value": q,
            "rule": change.rule,
            "services_since": services,
        },
        first_day=question.first_day,
        last_day=question.last_day,
    )


def _rose(change: Change, name: str, services: Sequence[Mapping[str, str]]) -> Sentence:
    before, after = change.before, change.after
    told = {
        "machine": name,
        "failed": figure(after.x, ".0f"),
        "of": figure(after.n, ".0f"),
        "since": change.since,
        "last": change.last,
        "share": figure(after.x / after.n, ".1%"),
        "before": sentence("%(share)s before", share=figure(before.x / before.n, ".1%"))
        if before.n
        else sentence("nothing before"),
        "serviced": _serviced(services),
    }
    if change.code == PIERCES:
        return sentence(
            "failed pierces on %(machine)s rose: %(failed)s of %(of)s pierces from %(since)s to %(last)s (%(share)s, "
            "%(before)s); look at the nozzle, its centring and the protective window, in that order; %(serviced)s",
            **told,
        )
    return sentence(
        "parts that were not good at the first attempt on %(machine)s rose: %(failed)s of %(of)s parts from %(since)s "
        "to %(last)s (%(share)s, %(before)s); look at what changed on the machine, in its settings and in its plate "
        "since then; %(serviced)s",
        **told,
    )


def _serviced(services: Sequence[Mapping[str, str]]) -> Sentence:
    if not services:
        return sentence("no service since")
    told = [
        sentence("%(what)s on %(day)s", what=_SERVICES.get(each["what"], each["what"]), day=each["day"])
        for each in services
    ]
    return sentence("serviced since: %(services)s", services=joined(", ", told))


def _services(reader: Reader, change: Change) -> list[dict[str, str]]:
    s = reader.tables.services.c
    query = (
        select(s.day, s.what)
        .where(s.site == reader.site, s.machine == change.machine, s.day >= change.since)
        .order_by(s.time_us.desc(), s.source, s.id)
        .limit(MOST_SERVICES)
    )
    return [{"day": day, "what": what} for day, what in reversed(reader.connection.execute(query).all())]
