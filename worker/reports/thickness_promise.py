"""Report limit: how thick can this machine cut in production, at this yield and confidence?

One curve of first-pass yield against thickness for each material on each machine with each gas; states of the plate
move it up or down. A row is one state of the plate on one curve. Beside what the curve says stands what no curve is
needed for: the thickest plate whose own parts prove the yield.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Any, Final

import numpy as np
from sqlalchemy import func, select

from worker.batches import in_batches
from worker.cautions import CAUTIONS
from worker.measures import FIRST_PASS
from worker.placing import mm
from worker.plates import UNKNOWN
from worker.reports.by_combination import told_apart_by
from worker.reports.comparing import counts_of, described, invented
from worker.reports.derived_facts import explaining
from worker.reports.dimensions import DIMENSIONS, stored_expression
from worker.reports.fact_bands import DETAILS as FACTS_DETAILS
from worker.reports.fact_bands import Explained
from worker.reports.fact_bands import example as facts_example
from worker.reports.fact_words import confounded_words
from worker.reports.limit_notes import limit_notes
from worker.reports.options import YIELD_TARGET
from worker.reports.process_parts import process_parts, window_correlation
from worker.reports.questions import Question, QuestionUnanswerable, Wrong
from worker.reports.reading import Group, Reader, Sums, conditions_of, spellings
from worker.reports.report import Column, Report
from worker.reports.thickness_yield import CONDITION, WITHIN, curve_of, shifted
from worker.sentences import joined, sentence
from worker.stats.clustering import Clustered, Correlation, Effective, correlation, estimate
from worker.stats.demonstration import one_sided
from worker.stats.likelihood_limits import limits_at
from worker.stats.monotone import Falling, falling
from worker.stats.proportions import quantile
from worker.stats.thickness_curve import Tried, YieldCurve, bands
from worker.stats.thickness_limit import ThicknessLimit, thickness_limits

TARGET: Final = YIELD_TARGET
OPTIONS: Final = (TARGET,)
#: What a row is known by.
KEYS: Final = (*WITHIN, *CONDITION)
#: A thickness is proven on so many plates at least: what holds for one may be that plate's alone.
LEAST_PLATES: Final = 2
#: More rows take more seconds than anyone waits, and are read by nobody.
MOST_ROWS: Final = 1_000
BAND_POINTS: Final = 25
_GUARD: Final = 1e-12

_SHARE: Final = "share (0-1)"
_WITHIN: Final = (
    Column("material", "", "material, as first written", "text"),
    Column("machine", "", "machine, as first written", "text"),
    Column("gas", "", "cutting gas", "text"),
)
_DIVISION: Final = (
    *_WITHIN,
    Column("surface_group", "", "clean or disturbed surface; null: not noted", "text"),
    Column("thermal_history", "", "hardened, thermal_edge or as_supplied steel; null: not noted", "text"),
)
COLUMNS: Final = (
    *_DIVISION,
    Column("parts", "parts", "judged parts of first attempts on such plate", "integer"),
    Column(
        "plates",
        "",
        "plates (else runs, else attempts) among them; one cut on two days, shifts or recipes counts twice",
        "integer",
    ),
    Column("thicknesses", "", "thicknesses tried", "integer"),
    Column("thinnest_mm", "mm", "thinnest plate tried"),
    Column("thickest_mm", "mm", "thickest plate tried"),
    Column("thickness_mm", "mm", "thickness at which the yield falls to the target"),
    Column("thickness_low_mm", "mm", "lower limit of its profile likelihood, on both sides"),
    Column("thickness_high_mm", "mm", "upper limit of its profile likelihood, on both sides"),
    Column("promised_mm", "mm", "so thick can be promised: lower limit with all of the confidence on its side"),
    Column("proven_mm", "mm", "thickest plate whose own parts prove the target, on two plates at least"),
    Column("proven_share", _SHARE, "exact one-sided lower bound of the yield at proven_mm"),
    Column(
        "method", "", "how the curve was fitted: maximum likelihood, or Firth's where good and bad separate", "text"
    ),
    Column("slope", "", "log-odds of a good part per unit of ln(thickness)"),
    Column("reason", "", "why there is no thickness_mm", "text"),
    Column("limits_reason", "", "why it has no lower or no upper limit", "text"),
    Column("promised_reason", "", "why nothing is promised, or no more than this", "text"),
)
_CURVES: Final = (
    *_WITHIN,
    Column("parts", "parts", "judged parts of first attempts", "integer"),
    Column("effective_parts", "parts", "independent parts that would tell as much"),
    Column("plates", "", "plates (else runs, else attempts) among them", "integer"),
    Column("middle_mm", "mm", "thickness at which the level holds"),
    Column("level", "", "log-odds there, of clean plate as supplied; of the plates tried where all are alike"),
    Column("slope", "", "log-odds per unit of ln(thickness)"),
    Column("slope_low", "", "lower limit of its profile likelihood"),
    Column("slope_high", "", "upper limit of its profile likelihood"),
    Column("method", "", "how it was fitted", "text"),
    Column("reason", "", "why no thickness is read from it", "text"),
    Column("counts_reason", "", "what the design effects rest on", "text"),
)
_STATES: Final = (
    *_WITHIN,
    Column("condition", "", "state of the plate", "text"),
    Column("shift", "", "log-odds that it adds at every thickness; null: not in the fit"),
    Column("shift_low", "", "lower limit of its profile likelihood"),
    Column("shift_high", "", "upper limit of its profile likelihood"),
    Column("reason", "", "why it is not in the fit", "text"),
)
_POINTS: Final = (
    *_DIVISION,
    Column("thickness_mm", "mm", "nominal thickness of the plate"),
    Column("parts", "parts", "judged parts of first attempts", "integer"),
    Column("good", "parts", "good ones among them", "integer"),
    Column("plates", "", "plates (else runs, else attempts) among them", "integer"),
    Column("design_effect", "", "so many times fewer independent parts would tell as much"),
    Column("share", _SHARE, "first-pass yield"),
    Column("low", _SHARE, "lower limit of the Wilson interval of the effective sample"),
    Column("high", _SHARE, "upper limit of the Wilson interval of the effective sample"),
    Column("lower_bound", _SHARE, "exact lower bound with all of the confidence on its side: what is proven"),
    Column("monotone", _SHARE, "yield of the curve that may only fall (pool adjacent violators)"),
)
_BAND: Final = (
    *_DIVISION,
    Column("thickness_mm", "mm", "thickness"),
    Column("share", _SHARE, "yield of the fitted curve"),
    Column("low", _SHARE, "lower limit of its profile likelihood, for this thickness alone"),
    Column("high", _SHARE, "upper limit of its profile likelihood, for this thickness alone"),
)
_BREAKS: Final = (
    *_DIVISION,
    Column("thickness_mm", "mm", "thickness that yields less than thicker plate does"),
    Column("share", _SHARE, "its first-pass yield"),
    Column("beyond_from_mm", "mm", "thinnest plate of those that it is held against"),
    Column("beyond_to_mm", "mm", "thickest plate of those"),
    Column("beyond_share", _SHARE, "first-pass yield of these together"),
    Column("gap", _SHARE, "theirs less its own"),
    Column("gap_low", _SHARE, "lower limit of Newcombe's interval of it"),
    Column("gap_high", _SHARE, "upper limit of Newcombe's interval of it"),
    Column(
        "gap_low_of_all",
        _SHARE,
        "lower limit that allows for all places at which the report looked; above 0: look at the settings",
    ),
)
DETAILS: Final = (
    Column("target", _SHARE, "first-pass yield to be reached"),
    Column(
        "correlation", "", "of parts of one plate, over the whole window whatever the filters; null: it cannot be told"
    ),
    Column("curves", "", "each curve: log-odds = level + slope ln(thickness / middle_mm) + shifts", "list", _CURVES),
    Column("conditions", "", "what each state of the plate shifts a curve by", "list", _STATES),
    Column("points", "", "what was seen, thickness by thickness", "list", _POINTS),
    Column("band", "", "the fitted curve with its limits, on a logarithmic grid over what was tried", "list", _BAND),
    Column("breaks", "", "thicknesses that yield less than thicker plate does", "list", _BREAKS),
    *FACTS_DETAILS,
)

#: Counts by (thickness in nanometres, surface group, thermal history).
Cells = dict[tuple[int, str, str], Clustered]
#: (curve, thickness, condition), as stored -> how many different plates it was cut on.
Plates = Callable[[Iterable[Group]], Mapping[Group, int]]


@dataclass(frozen=True, eq=False)
class Row:
    """One state of the plate on one curve, with all that the report says of it.

    `cells`: counts by thickness in nanometres, in this order; `seen` the same as effective counts, as the curve has
    them. `stored`: material, machine and gas, surface group and thermal history as they are stored.
    """

    shown: dict[str, Any]
    stored: Group
    curve: YieldCurve
    cells: dict[int, Clustered]
    seen: dict[int, Effective]
    limit: ThicknessLimit
    fall: Falling
    lower: dict[int, float | None]


def thickness_promise(reader: Reader, question: Question) -> Report:
    """The limit of each material on each machine with each gas, for each state of the plate.

    Raises QuestionUnanswerable where there are more than MOST_ROWS of them.
    """
    found = process_parts(reader, question, (*WITHIN, "thickness", *CONDITION, "recipe"))
    pooled = window_correlation(reader, question, _counts(found.groups))

    def plates(doubtful: Iterable[Group]) -> Mapping[Group, int]:
        return _plates(reader, found.question, doubtful)

    names = {kind: spellings(reader, kind) for kind in ("material", "machine")}
    facts = explaining(reader, found.question, counts_of(found.groups.values()), keys=KEYS)
    return _answer(reader, question, found.groups, found.notes, names, plates, pooled, facts)


def _answer(
    reader: Reader,
    question: Question,
    groups: Mapping[Group, Sums],
    notes: list[str],
    names: Mapping[str, Mapping[str, str]],
    plates: Plates,
    pooled: Correlation | None,
    facts: Explained,
) -> Report:
    by_curve, unresolved = _by_curve(groups)
    _refuse_too_many(sum(len({cell[1:] for cell in cells}) for cells in by_curve.values()))
    shown = {key: _shown(key, names) for key in by_curve}
    curves = {key: curve_of(by_curve[key].items(), pooled=pooled) for key in sorted(by_curve, key=_by(shown))}
    rows = [row for key, curve in curves.items() for row in _rows(key, shown[key], curve, by_curve[key], question)]
    proven = _proven(rows, question, plates)
    told_curves = [_Told.of(shown[key], curve, question) for key, curve in curves.items()]
    details = {
        "target": question.options[TARGET.name],
        "correlation": None if pooled is None else float(pooled),
        "curves": [_curve_told(each) for each in told_curves],
        "conditions": [state for each in told_curves for state in _states(each)],
        "points": [point for row in rows for point in _points(row, question)],
        "band": list(_bands(rows, question)),
        "breaks": list(_breaks(rows, question)),
        **facts.details,
    }
    told = [_row(row, found) for row, found in zip(rows, proven, strict=True)]
    said = limit_notes(told, details, question, unresolved=unresolved)
    return described(
        "limit",
        reader,
        question,
        columns=COLUMNS,
        rows=told,
        details=details,
        notes=[*notes, *said, *confounded_words(facts)],
        cautions=CAUTIONS,
    )


def _counts(groups: Mapping[Group, Sums]) -> list[Clustered]:
    return [FIRST_PASS.counts(sums) for sums in groups.values()]


def _by_curve(groups: Mapping[Group, Sums]) -> tuple[dict[Group, Cells], int]:
    """(counts of each curve, judged parts whose thickness or material is not known)."""
    together: dict[Group, dict[tuple[int, str, str], list[Sums]]] = defaultdict(lambda: defaultdict(list))
    unresolved = 0
    for (material, machine, gas, nm, surface, history, _), sums in groups.items():
        if nm is None or material is None:
            unresolved += sums[FIRST_PASS.n]
        elif sums[FIRST_PASS.n]:
            together[material, machine, gas][nm, surface or UNKNOWN, history or UNKNOWN].append(sums)
    return {key: {cell: counts_of(sums) for cell, sums in cells.items()} for key, cells in together.items()}, unresolved


def _refuse_too_many(rows: int) -> None:
    if rows > MOST_ROWS:
        detail = sentence(
            "is needed: there are %(rows)s rows, and no more than %(most)s are answered; or filter by material",
            rows=rows,
            most=MOST_ROWS,
        )
        raise QuestionUnanswerable([Wrong("machine", detail)])


def _shown(key: Group, names: Mapping[str, Mapping[str, str]]) -> dict[str, Any]:
    """Material, machine and gas as a report shows them."""
    return {name: word and names.get(name, {}).get(word, word) for name, word in zip(WITHIN, key, strict=True)}


def _by(shown: Mapping[Group, Mapping[str, Any]]) -> Callable[[Group], Any]:
    """Order of curves: as they are shown, not known last."""
    return lambda key: [
        (word is None, word or "") for words in (shown[key].values(), key) for word in words
    ]  # fmt: skip


# --- rows -------------------------------------------------------------------------------------------------------


def _rows(key: Group, shown: dict[str, Any], curve: YieldCurve, cells: Cells, question: Question) -> Iterable[Row]:
    """A row for each state of the plate, not known last."""
    states = sorted({cell[1:] for cell in cells}, key=lambda state: [(word == UNKNOWN, word) for word in state])
    limits = thickness_limits(
        curve,
        target=question.options[TARGET.name],
        confidence=question.confidence,
        conditions=[shifted(*state) for state in states],
    )
    tried: dict[tuple[int, ...], list[Tried]] = defaultdict(list)
    for one in curve.tried:
        tried[one.condition].append(one)
    for state, limit in zip(states, limits, strict=True):
        nms = sorted(nm for nm, *condition in cells if tuple(condition) == state)
        seen = {nm: one.counts for nm, one in zip(nms, tried[shifted(*state)], strict=True)}
        yield Row(
            shown=shown
            | {name: None if word == UNKNOWN else word for name, word in zip(CONDITION, state, strict=True)},
            stored=(*key, *state),
            curve=curve,
            cells={nm: cells[nm, *state] for nm in nms},
            seen=seen,
            limit=limit,
            fall=falling(list(seen.items()), confidence=question.confidence),
            lower={nm: one_sided(counts, confidence=question.confidence).lower for nm, counts in seen.items()},
        )


def _row(row: Row, proven: int | None) -> dict[str, Any]:
    limit, nms = row.limit, list(row.cells)
    return row.shown | {
        "parts": round(math.fsum(counts.n for counts in row.cells.values())),
        "plates": sum(counts.clusters for counts in row.cells.values()),
        "thicknesses": len(nms),
        "thinnest_mm": mm(nms[0]),
        "thickest_mm": mm(nms[-1]),
        "thickness_mm": limit.thickness_mm,
        "thickness_low_mm": limit.low.thickness_mm,
        "thickness_high_mm": limit.high.thickness_mm,
        "promised_mm": limit.promised.thickness_mm,
        "proven_mm": mm(proven),
        "proven_share": None if proven is None else row.lower[proven],
        "method": row.curve.method,
        "slope": row.curve.slope,
        "reason": limit.reason,
        "limits_reason": _limits_reason(limit),
        "promised_reason": limit.promised.reason,
    }


def _limits_reason(limit: ThicknessLimit) -> str | None:
    """None also where the thickness itself is not told for the same reason."""
    low, high = limit.low.reason, limit.high.reason
    if {reason for reason in (low, high) if reason} <= {limit.reason}:
        return None
    if low == high:
        return low
    sides = []
    if low:
        sides.append(sentence("lower limit: %(reason)s", reason=low))
    if high:
        sides.append(sentence("upper limit: %(reason)s", reason=high))
    return joined("; ", sides)


# --- what is proven ---------------------------------------------------------------------------------------------


def _proven(rows: Sequence[Row], question: Question, plates: Plates) -> list[int | None]:
    """For each row the thickest plate, in nanometres, whose own parts prove the target on enough plates."""
    target = question.options[TARGET.name]
    reached = [
        [nm for nm, lower in row.lower.items() if lower is not None and lower >= target - _GUARD] for row in rows
    ]
    doubtful = [
        _group(row, nm)
        for row, nms in zip(rows, reached, strict=True)
        for nm in nms
        if row.cells[nm].clusters >= LEAST_PLATES
    ]
    counted = plates(doubtful) if doubtful else {}

    def is_spread(row: Row, nm: int) -> bool:
        return counted.get(_group(row, nm), 0) >= LEAST_PLATES

    return [max((nm for nm in nms if is_spread(row, nm)), default=None) for row, nms in zip(rows, reached, strict=True)]


def _group(row: Row, nm: int) -> Group:
    """Values of WITHIN, thickness, values of CONDITION, as stored."""
    return (*row.stored[: len(WITHIN)], nm, *row.stored[len(WITHIN) :])


def _plates(reader: Reader, question: Question, groups: Iterable[Group]) -> Mapping[Group, int]:
    """How many different plates (else runs, else attempts) each of these groups was judged on, as far as two."""
    c, a = reader.tables.combinations.c, reader.tables.attempts.c
    by = [stored_expression(DIMENSIONS[name], c) for name in (*WITHIN, "thickness", *CONDITION)]
    found: dict[Group, set[str]] = {group: set() for group in groups}
    known = reader.connection.execute(select(c.combination, *by).where(c.site == reader.site))
    of_group = {combination: tuple(group) for combination, *group in known if tuple(group) in found}
    for some in in_batches(sorted(of_group)):
        query = (
            select(a.combination, func.min(a.cluster), func.max(a.cluster))
            .where(*conditions_of(reader, question, a), a.combination.in_(some))
            .where(a.is_first == 1, a.state == "finished", a.good + a.rework + a.scrap + a.not_made > 0)
            # By day too: so the index has them in order.
            .group_by(*told_apart_by(question, a, ("day", "combination")))
        )
        for combination, *clusters in reader.connection.execute(query):
            found[of_group[combination]].update(clusters)
    return {group: len(clusters) for group, clusters in found.items()}


# --- details ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Told:
    """A curve as it is shown, with the profile limits of each of its coefficients; none without a fit."""

    shown: Mapping[str, Any]
    curve: YieldCurve
    limits: Sequence[tuple[float | None, float | None]]

    @classmethod
    def of(cls, shown: Mapping[str, Any], curve: YieldCurve, question: Question) -> _Told:
        """With limits on both sides at the confidence of the question."""
        if curve.fit is None:
            return cls(shown, curve, ())
        each, q = np.eye(len(curve.fit.coefficients)), quantile(question.confidence, curve.degrees)
        sides = np.repeat([-q, q], len(each))
        found = limits_at(curve.fit, np.concatenate([each, each]), sides).values.tolist()
        values = [None if math.isnan(value) else value for value in found]
        return cls(shown, curve, list(zip(values[: len(each)], values[len(each) :], strict=True)))


def _curve_told(told: _Told) -> dict[str, Any]:
    curve = told.curve
    slope_low, slope_high = told.limits[1] if told.limits else (None, None)
    return {
        **told.shown,
        "parts": round(math.fsum(row.counts.parts for row in curve.tried)),
        "effective_parts": curve.parts,
        "plates": sum(row.counts.clusters for row in curve.tried),
        "middle_mm": curve.middle_mm,
        "level": None if curve.fit is None else float(curve.fit.coefficients[0]),
        "slope": curve.slope,
        "slope_low": slope_low,
        "slope_high": slope_high,
        "method": curve.method,
        "reason": curve.reason,
        "counts_reason": curve.counts_reason,
    }


def _states(told: _Told) -> Iterable[dict[str, Any]]:
    """Each state of the plate that was tried on this curve."""
    curve, left_out = told.curve, dict(told.curve.left_out)
    for place, name in enumerate(curve.names):
        if not any(row.condition[place] for row in curve.tried):
            continue
        fit = None if name in left_out else curve.fit
        column = 0 if fit is None else 2 + curve.named.index(name)
        low, high = (None, None) if fit is None else told.limits[column]
        yield {
            **told.shown,
            "condition": name,
            "shift": None if fit is None else float(fit.coefficients[column]),
            "shift_low": low,
            "shift_high": high,
            "reason": left_out.get(name) or (curve.reason if fit is None else None),
        }


def _points(row: Row, question: Question) -> Iterable[dict[str, Any]]:
    for level, (nm, counts) in zip(row.fall.levels, row.cells.items(), strict=True):
        found = estimate(row.seen[nm], confidence=question.confidence)
        yield row.shown | {
            "thickness_mm": mm(nm),
            "parts": round(counts.n),
            "good": round(counts.x),
            "plates": counts.clusters,
            "design_effect": found.design_effect,
            "share": found.share,
            "low": found.low,
            "high": found.high,
            "lower_bound": row.lower[nm],
            "monotone": level.monotone,
        }


def _bands(rows: Sequence[Row], question: Question) -> Iterable[dict[str, Any]]:
    """The band of each row; those of one curve are sought at once."""
    for _, group in groupby(rows, key=lambda row: id(row.curve)):
        alike = list(group)
        wanted = [(shifted(*row.stored[len(WITHIN) :]), _grid(row)) for row in alike]
        for row, points in zip(alike, bands(alike[0].curve, wanted, confidence=question.confidence), strict=True):
            for point in points:
                yield row.shown | {
                    "thickness_mm": point.thickness_mm,
                    "share": point.share,
                    "low": point.low,
                    "high": point.high,
                }


def _grid(row: Row) -> list[float]:
    """Thicknesses at equal ratios, in mm, from the thinnest tried to the thickest."""
    thinnest, thickest = (nm / 1_000_000 for nm in (min(row.cells), max(row.cells)))
    step = math.log(thickest / thinnest) / (BAND_POINTS - 1)
    between = (round(thinnest * math.exp(step * place), 3) for place in range(1, BAND_POINTS - 1))
    return sorted({thinnest, thickest, *(one for one in between if thinnest < one < thickest)})


def _breaks(rows: Sequence[Row], question: Question) -> Iterable[dict[str, Any]]:
    """Dips of all rows; after Bonferroni each limit of all allows for every place that could have been a dip."""
    looked_at = max(1, sum(len(row.cells) - 1 for row in rows))
    confidence = 1 - (1 - question.confidence) / looked_at
    for row in rows:
        of_all = falling(list(row.seen.items()), confidence=confidence).breaks if row.fall.breaks else ()
        for dip, allowing in zip(row.fall.breaks, of_all, strict=True):
            yield row.shown | {
                "thickness_mm": mm(round(dip.place)),
                "share": dip.share,
                "beyond_from_mm": mm(round(dip.beyond[0])),
                "beyond_to_mm": mm(round(dip.beyond[-1])),
                "beyond_share": None if dip.gap.difference is None else dip.share + dip.gap.difference,
                "gap": dip.gap.difference,
                "gap_low": dip.gap.low,
                "gap_high": dip.gap.high,
                "gap_low_of_all": allowing.gap.low,
            }


def example(reader: Reader, question: Question) -> Report:
    """One material on one machine, on clean and on disturbed plate, invented; two entries of each list."""
    told = {
        ("clean", 15): (120, 119, 12), ("clean", 20): (120, 114, 12), ("clean", 25): (80, 68, 8),
        ("clean", 30): (40, 26, 4), ("disturbed", 15): (40, 37, 4), ("disturbed", 20): (40, 32, 4),
    }  # fmt: skip
    groups = {
        ("s355", "laser 1", "oxygen", 1_000_000 * thickness, surface, "as_supplied", None): invented(
            parts=parts, good=good, plates=plates
        )
        for (surface, thickness), (parts, good, plates) in told.items()
    }
    report = _answer(
        reader,
        question,
        groups,
        [],
        {},
        lambda doubtful: dict.fromkeys(doubtful, LEAST_PLATES),
        correlation(_counts(groups)),
        facts_example(confidence=question.confidence),
    )
    short = {name: value[:2] if isinstance(value, list) else value for name, value in report.details.items()}
    return replace(report, details=short)
