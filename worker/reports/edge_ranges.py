"""Report edges: what cut quality do we hold? Ranges of ISO 9013 for squareness u and roughness Rz5, and slag.

What is judged is a cut, once, by the mean of its readings: a cut that was measured in 500 places is no more cuts than
one that was measured in one. How the standard sums up the readings of a cut was not read; the mean is ours. A cut is in
the smallest range whose limit it does not exceed at the thickness that was cut through; worse than the last is outside.

Cuts of one plate are alike: every share has the Wilson interval of the effective sample, with the correlation of the
figures themselves (as times of the limit of range 1), which is more than that of being in a range or not, so that
intervals are rather too wide.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from worker.edge_quality import (
    BASIS,
    Designation,
    in_scope,
    range_held,
    rz5_limit_um,
    rz5_range,
    u_limit_mm,
    u_range,
)
from worker.events import NM_PER_MM
from worker.readings import DROSS, NM_PER_UM, RZ5, U
from worker.reports.comparing import described
from worker.reports.measured import (
    EDITION,
    Asked,
    EdgeReading,
    Measured,
    MeasuredCut,
    by_group,
    edges_measured,
    edition_not_named,
    refuse_too_many,
    sources,
)
from worker.reports.questions import Question
from worker.reports.reading import Reader, dimension_columns, shown_groups
from worker.reports.report import Column, Report
from worker.sentences import counted, sentence
from worker.sentences import figure as written
from worker.stats.capability import value_correlation
from worker.stats.clustering import Clustered, Estimate, clustered_wilson
from worker.stats.quantiles import quantile_of

#: So large a share of the cuts is in the range that is held, or a better one.
HELD_SHARE: Final = 0.95
TOO_MANY_OUTSIDE: Final = sentence("more than 5 % of the cuts are outside all ranges")
NO_READINGS: Final = sentence("no readings")


@dataclass(frozen=True, slots=True)
class Figure:
    """What is judged by ranges: its limits by range and cut thickness in mm, and what a job asks of it."""

    sort: str
    words: str
    unit: str
    nm: int
    ranges: int
    range_of: Callable[..., int | None]
    limit: Callable[..., float]
    asked: Callable[[Designation], int | None]

    def graded(self, reading: EdgeReading) -> Graded:
        """A cut in its range, by the mean of its readings, and beside what its job asks for."""
        value, thickness_mm, quality = reading.mean_nm / self.nm, reading.cut.cut_mm, reading.cut.asked.quality
        return Graded(
            reading.cut.cluster,
            reading.readings,
            value,
            value / self.limit(1, thickness_mm=thickness_mm),
            self.range_of(value, thickness_mm=thickness_mm),
            None if quality is None or _is_older(quality) else self.asked(quality),
        )


@dataclass(frozen=True, slots=True)
class Graded:
    """A cut by a figure: its plate, its readings, their mean, that as times of the limit of range 1, its range.

    And the range that is asked. A range is None outside of all; what is asked is None where nothing is, or by another
    edition.
    """

    cluster: str
    readings: int
    value: float
    relative: float
    range: int | None
    asked: int | None


_U: Final = Figure(
    U, sentence("squareness u"), "mm", NM_PER_MM, 5, u_range, u_limit_mm, lambda quality: quality.u_range
)
_RZ5: Final = Figure(
    RZ5, sentence("roughness Rz5"), "um", NM_PER_UM, 4, rz5_range, rz5_limit_um, lambda quality: quality.rz5_range
)
FIGURES: Final = (_U, _RZ5)


def _is_older(quality: Designation) -> bool:
    return quality.edition not in (None, EDITION)


_LIMITS: Final = "limit of the Wilson interval of the effective sample"


def _columns(figure: Figure) -> Iterator[Column]:
    name, words = figure.sort, figure.words
    yield Column(f"{name}_readings", "", f"readings of {words}", "integer")
    yield Column(f"{name}_cuts", "", "cuts that they were taken on: each is judged once, by their mean", "integer")
    yield Column(f"{name}_plates", "", "plates (else runs, else attempts) that these are of", "integer")
    yield Column(f"{name}_mean_{figure.unit}", figure.unit, f"mean of {words} over the cuts")
    yield Column(f"{name}_median_{figure.unit}", figure.unit, f"median of {words} over the cuts")
    for number in range(1, figure.ranges + 1):
        yield Column(f"{name}_range_{number}", "share (0-1)", f"share of cuts in range {number} of ISO 9013:2017")
    yield Column(f"{name}_outside", "share (0-1)", f"share of cuts worse than range {figure.ranges}")
    yield Column(
        f"{name}_range_held", "",
        "smallest range that 95 % of these cuts are in, or better; how far that holds of others the limits below say",
        "integer",
    )  # fmt: skip
    yield Column(f"{name}_within_held", "share (0-1)", "share of cuts in that range or a better one")
    yield Column(f"{name}_within_held_low", "share (0-1)", f"lower {_LIMITS}")
    yield Column(f"{name}_within_held_high", "share (0-1)", f"upper {_LIMITS}")
    yield Column(f"{name}_asked", "", "cuts whose job asks for a range by its cut_quality", "integer")
    yield Column(f"{name}_met", "share (0-1)", "share of these that meet it")
    yield Column(f"{name}_met_low", "share (0-1)", f"lower {_LIMITS}")
    yield Column(f"{name}_met_high", "share (0-1)", f"upper {_LIMITS}")
    yield Column(f"{name}_reason", "", "what these figures lack, or rest on", "text")


COLUMNS: Final = (
    *(column for figure in FIGURES for column in _columns(figure)),
    Column("dross_readings", "", "readings of the height of slag at the lower edge", "integer"),
    Column("dross_cuts", "", "cuts that they were taken on", "integer"),
    Column("dross_plates", "", "plates (else runs, else attempts) that these are of", "integer"),
    Column("dross_mean_mm", "mm", "mean height of slag over the cuts"),
    Column("dross_median_mm", "mm", "median height of slag over the cuts"),
    Column("dross_largest_mm", "mm", "largest height of slag of all readings"),
)
DETAILS: Final = (
    Column("edition", "", "edition of ISO 9013 whose ranges these are", "integer"),
    Column("basis", "", "what the ranges rest on: no statement that a cut complies", "text"),
    Column("readings", "", "readings of u, Rz5 and slag that are counted", "integer"),
    Column("readings_after_rework", "", "left out: taken after rework", "integer"),
    Column("readings_without_thickness", "", "left out: of cuts whose thickness is not known", "integer"),
    Column("readings_beyond_scope", "", "of cuts thinner or thicker than the standard speaks of", "integer"),
    Column("readings_asked_by_other_edition", "", "of jobs that ask by another edition: not compared", "integer"),
    Column(
        "ranges", "", "all cuts together, range by range", "list",
        items=(
            Column("figure", "", "u or rz5", "text"),
            Column("range", "", "range; null: outside of all", "integer"),
            Column("cuts", "", "cuts in it", "integer"),
            Column("share", "share (0-1)", "share of the figure's cuts"),
            Column("share_low", "share (0-1)", f"lower {_LIMITS}"),
            Column("share_high", "share (0-1)", f"upper {_LIMITS}"),
        ),
    ),
)  # fmt: skip


def edge_ranges(reader: Reader, question: Question) -> Report:
    """Ranges of u and Rz5, and slag, of each group; all of them together among the details."""
    return _answer(reader, question, edges_measured(reader, question, (*(figure.sort for figure in FIGURES), DROSS)))


def _readings(some: Iterable[EdgeReading]) -> int:
    return sum(one.readings for one in some)


def _answer(reader: Reader, question: Question, found: Measured[EdgeReading]) -> Report:
    known = [reading for reading in found.readings if reading.cut.cut_nm is not None]
    groups = by_group(known)
    refuse_too_many(len(groups))
    graded = {
        group: {figure.sort: [figure.graded(one) for one in readings if one.sort == figure.sort] for figure in FIGURES}
        for group, readings in groups.items()
    }
    slag = {group: [one for one in readings if one.sort == DROSS] for group, readings in groups.items()}
    alike = {figure.sort: _alike(one[figure.sort] for one in graded.values()) for figure in FIGURES}
    rows = [
        shown | _row(graded[group], slag[group], alike, confidence=question.confidence)
        for shown, group in shown_groups(reader, question, {group: group for group in groups})
    ]
    whole = {figure.sort: [one for of in graded.values() for one in of[figure.sort]] for figure in FIGURES}
    details = {
        "edition": EDITION,
        "basis": BASIS,
        "readings": _readings(known),
        "readings_after_rework": found.after_rework,
        "readings_without_thickness": _readings(found.readings) - _readings(known),
        "readings_beyond_scope": _readings(one for one in known if not in_scope(one.cut.cut_mm, edition=EDITION)),
        "readings_asked_by_other_edition": _readings(
            one for one in known if one.cut.asked.quality and _is_older(one.cut.asked.quality)
        ),
        "ranges": [
            one
            for figure in FIGURES
            for one in _ranges(figure, whole[figure.sort], alike[figure.sort], confidence=question.confidence)
        ],
    }
    return described(
        "edges",
        reader,
        question,
        columns=(*dimension_columns(question), *COLUMNS),
        rows=rows,
        details=details,
        notes=[*_said(known, whole, details, alike, question), *found.notes(reader, question)],
    )


def _alike(groups: Iterable[Sequence[Graded]]) -> float | None:
    """Correlation of the cuts of one plate, at least 0, within the groups; None where it is not defined."""
    values: list[list[list[float]]] = []
    for readings in groups:
        of_plates: dict[str, list[float]] = {}
        for reading in readings:
            of_plates.setdefault(reading.cluster, []).append(reading.relative)
        values.append([sorted(plate) for plate in of_plates.values()])
    found = value_correlation(values)
    return None if found is None else max(0.0, found)


def _share(judged: Iterable[tuple[str, bool]], alike: float | None, *, confidence: float) -> Estimate:
    """Share of those that are true, each with its plate."""
    counts: dict[str, list[int]] = {}
    for cluster, is_true in judged:
        of_plate = counts.setdefault(cluster, [0, 0])
        of_plate[0] += is_true
        of_plate[1] += 1
    clustered = Clustered.of((true, n) for true, n in counts.values())
    return clustered_wilson(clustered, confidence=confidence, pooled=alike, own=False)


# --- rows -------------------------------------------------------------------------------------------------------


def _row(
    graded: Mapping[str, Sequence[Graded]],
    slag: Sequence[EdgeReading],
    alike: Mapping[str, float | None],
    *,
    confidence: float,
) -> dict[str, Any]:
    row: dict[str, Any] = {}
    for figure in FIGURES:
        row |= _judged(figure, graded[figure.sort], alike[figure.sort], confidence=confidence)
    return row | _slag(slag)


def _judged(figure: Figure, cuts: Sequence[Graded], alike: float | None, *, confidence: float) -> dict[str, Any]:
    values = [cut.value for cut in cuts]
    ranges = [cut.range for cut in cuts]
    asking = [cut for cut in cuts if cut.asked is not None]
    shares = {number: count / len(cuts) for number, count in Counter(ranges).items()}
    held = range_held(ranges, share=HELD_SHARE)
    within = _share(_within(cuts, held), alike, confidence=confidence)
    met = _share(((one.cluster, _keeps(one, one.asked)) for one in asking), alike, confidence=confidence)
    told: dict[str, Any] = {
        "readings": sum(cut.readings for cut in cuts),
        "cuts": len(cuts),
        "plates": len({cut.cluster for cut in cuts}),
        f"mean_{figure.unit}": _mean(values),
        f"median_{figure.unit}": quantile_of(values, 0.5),
    }
    for number in (*range(1, figure.ranges + 1), None):
        name = "outside" if number is None else f"range_{number}"
        told[name] = shares.get(number, 0.0) if cuts else None
    told |= {
        "range_held": held,
        "within_held": within.share,
        "within_held_low": within.low,
        "within_held_high": within.high,
        "asked": len(asking),
        "met": met.share,
        "met_low": met.low,
        "met_high": met.high,
        "reason": (within.reason if held else TOO_MANY_OUTSIDE) if cuts else NO_READINGS,
    }
    return {f"{figure.sort}_{name}": value for name, value in told.items()}


def _keeps(cut: Graded, to: int | None) -> bool:
    """Whether a cut is in a range or a better one."""
    return cut.range is not None and to is not None and cut.range <= to


def _within(cuts: Iterable[Graded], held: int | None) -> Iterator[tuple[str, bool]]:
    """Whether each cut keeps to the range that is held; nothing where none is."""
    return ((one.cluster, _keeps(one, held)) for one in cuts if held is not None)


def _slag(readings: Sequence[EdgeReading]) -> dict[str, Any]:
    heights = [reading.mean_nm / NM_PER_MM for reading in readings]
    return {
        "dross_readings": _readings(readings),
        "dross_cuts": len(readings),
        "dross_plates": len({reading.cut.cluster for reading in readings}),
        "dross_mean_mm": _mean(heights),
        "dross_median_mm": quantile_of(heights, 0.5),
        "dross_largest_mm": max((reading.largest_nm / NM_PER_MM for reading in readings), default=None),
    }


def _mean(values: Sequence[float]) -> float | None:
    return min(max(math.fsum(values) / len(values), min(values)), max(values)) if values else None


def _ranges(
    figure: Figure, cuts: Sequence[Graded], alike: float | None, *, confidence: float
) -> Iterator[dict[str, Any]]:
    """All cuts by a figure, range by range, the worst and what is outside last; nothing without cuts."""
    counts = Counter(cut.range for cut in cuts)
    for number in (*range(1, figure.ranges + 1), None) if cuts else ():
        judged = ((one.cluster, one.range == number) for one in cuts)
        share = _share(judged, alike, confidence=confidence)
        yield {
            "figure": figure.sort,
            "range": number,
            "cuts": counts[number],
            "share": share.share,
            "share_low": share.low,
            "share_high": share.high,
        }


# --- notes ------------------------------------------------------------------------------------------------------


def _said(
    readings: Sequence[EdgeReading],
    whole: Mapping[str, Sequence[Graded]],
    details: Mapping[str, Any],
    alike: Mapping[str, float | None],
    question: Question,
) -> Iterator[str]:
    if not readings:
        yield sentence("no edge was measured in this window: inspections give rz5_um, u_mm and dross_mm")
    for figure in FIGURES:
        if mine := whole[figure.sort]:
            yield _in_words(figure, mine, alike[figure.sort], confidence=question.confidence)
    yield sentence(
        "ranges are those of ISO 9013:%(edition)s, %(basis)s; they say how these readings lie, not that a cut "
        "complies. Start and end of a cut and sharp corners are not judged: readings there do not belong here",
        edition=str(EDITION),
        basis=BASIS,
    )
    if count := details["readings_beyond_scope"]:
        yield counted(
            count,
            "%(count)s reading is of cuts outside of 0.5 to 32 mm, where the standard ends for laser: its formulas are "
            "carried on",
            "%(count)s readings are of cuts outside of 0.5 to 32 mm, where the standard ends for laser: its formulas "
            "are carried on",
        )
    if count := _readings(one for one in readings if one.cut.bevelled):
        yield counted(
            count,
            "%(count)s reading is of bevelled cuts, judged at the thickness cut through: plate / cos(bevel)",
            "%(count)s readings are of bevelled cuts, judged at the thickness cut through: plate / cos(bevel)",
        )
    if count := details["readings_without_thickness"]:
        yield counted(
            count,
            "%(count)s reading is left out: the thickness of their cuts is not known",
            "%(count)s readings are left out: the thickness of their cuts is not known",
        )
    yield from edition_not_named(one.cut for one in readings if one.sort != DROSS)
    if count := details["readings_asked_by_other_edition"]:
        yield counted(
            count,
            "%(count)s reading is of jobs that ask by another edition than %(edition)s: they are not held against it",
            "%(count)s readings are of jobs that ask by another edition than %(edition)s: they are not held against it",
            edition=str(EDITION),
        )


def _in_words(figure: Figure, cuts: Sequence[Graded], alike: float | None, *, confidence: float) -> str:
    held = range_held((cut.range for cut in cuts), share=HELD_SHARE)
    measured = counted(
        sum(cut.readings for cut in cuts),
        "%(count)s reading of %(figure)s, %(cuts)s of %(sources)s",
        "%(count)s readings of %(figure)s, %(cuts)s of %(sources)s",
        figure=figure.words,
        cuts=counted(len(cuts), "%(count)s cut", "%(count)s cuts"),
        sources=sources(cut.cluster for cut in cuts),
    )
    if held is None:
        return counted(
            sum(1 for cut in cuts if cut.range is None),
            "%(measured)s: %(count)s cut is outside of all ranges, more than 5 %%, so that no range is held",
            "%(measured)s: %(count)s cuts are outside of all ranges, more than 5 %%, so that no range is held",
            measured=measured,
        )
    share = _share(_within(cuts, held), alike, confidence=confidence)
    low, high = 100 * (share.low or 0.0), 100 * (share.high or 0.0)
    told = {
        "measured": measured,
        "range": held,
        "between": sentence(
            "the share that does lies between %(low)s and %(high)s %% (%(confidence)s %% confidence, chance alone)",
            low=written(low, ".3g"),
            high=written(high, ".3g"),
            confidence=written(100 * confidence, "g"),
        ),
    }
    if low >= 100 * HELD_SHARE:
        return sentence("%(measured)s: 95 %% keep to range %(range)s or do better; %(between)s", **told)
    return sentence(
        "%(measured)s: 95 %% may keep to range %(range)s or do better, but on too few plates to say so; %(between)s",
        **told,
    )


def example(reader: Reader, question: Question) -> Report:
    """Cuts in two thicknesses, invented."""
    asked = Designation(3, 4, 2)
    made = [
        EdgeReading(_invented(thickness, number, asked), sort, 1, value, value)
        for thickness, u_nm, rz5_nm in ((20_000_000, 310_000, 62_000), (30_000_000, 420_000, 84_000))
        for number in range(12)
        for sort, value in ((U, u_nm + 15_000 * (number % 5)), (RZ5, rz5_nm + 4_000 * (number % 7)), (DROSS, 250_000))
    ]
    return _answer(reader, question, Measured(made, 2, {"production": len(made)}))


def _invented(thickness_nm: int, number: int, asked: Designation) -> MeasuredCut:
    return MeasuredCut(
        (thickness_nm,), f"A-{number}", "2026-03-04", f"plate:P-{number // 2}", thickness_nm, False,
        (thickness_nm, None), Asked(asked),
    )  # fmt: skip
