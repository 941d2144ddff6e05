"""Report sizes: are parts to size, and what offset is due?

What parts are off by has two causes that are told apart here. The kerf: a path that allows for too wide a kerf leaves
outside sizes too large and inside ones too small, by the same at any length; half of it is moved into the path. Each
side has an offset of its own; where the two agree they are one, and where they do not it is no kerf alone, and each
side is corrected by its own figure. And a scale, which grows with the length within a side and shows alone in
distances, that have no kerf in them: a plate that was cut warm shrinks by 0.012 mm per m and K.

A kerf goes with machine, thickness and recipe: no path is advised for what holds several of the last two. A correction
is due where chance does not explain the offset, over all groups shown together, and it matters: its interval reaches
beyond a tenth of the tolerance. The path is left as it is only where the whole interval lies within that; all else
wants more measuring.

A size that is off by more than a kerf is a matter of the program, not of the kerf: such readings are named, and left
out of all else. So are those of bevelled cuts unless these are asked for, since they depend on the side of the plate on
which they were taken.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Final

from worker.edge_quality import BASIS
from worker.events import SIZE_FEATURES
from worker.placing import mm
from worker.plausible_limits import above
from worker.reports.comparing import described
from worker.reports.dimensions import DIMENSIONS
from worker.reports.kerf_advice import advice_of, names_of
from worker.reports.kerf_offsets import (
    LEAST_SCALE_MM_PER_M,
    SIDES,
    Claim,
    How,
    Kerf,
    Plates,
    alike_on_plates,
    gauge_mm,
    kerfs_of,
    tolerance_of,
)
from worker.reports.measured import (
    EDITION,
    Asked,
    Measured,
    MeasuredCut,
    SizeReading,
    by_group,
    edition_not_named,
    refuse_too_many,
    sizes_measured,
)
from worker.reports.questions import Question
from worker.reports.reading import Reader, dimension_columns, shown_groups
from worker.reports.report import Column, Report
from worker.sentences import counted, joined, sentence
from worker.stats.capability import (
    Deviations,
    Performance,
    mean_deviation,
    performance,
)
from worker.stats.clustering import Clustered, clustered_wilson

MOST_NAMED: Final = 100

_STUDENT: Final = "limit of its interval by Student's t, of effective readings"
_GROUP: Final = "the same in each row of a group"
_OF: Final = "of both sides together where these agree, else of the side alone"
COLUMNS: Final = (
    Column("feature", "", "outside, inside or distance: a distance has no kerf in it", "text"),
    Column("readings", "", "sizes measured; those off by more than a kerf aside", "integer"),
    Column("plates", "", "plates (else runs, else attempts) that they were taken on", "integer"),
    Column("mean_deviation_mm", "mm", "mean of size found less size asked for"),
    Column("mean_deviation_low_mm", "mm", f"lower {_STUDENT}"),
    Column("mean_deviation_high_mm", "mm", f"upper {_STUDENT}"),
    Column("standard_deviation_mm", "mm", "standard deviation of the deviations"),
    Column("design_effect", "", "sizes of one plate are alike: so many times fewer independent ones tell as much"),
    Column("reason", "", "what the mean lacks, or rests on", "text"),
    Column("tolerance_mm", "mm", "plus and minus; null where the readings have none, or not the same one"),
    Column("tolerance_of", "", "job, or the tolerance class of ISO 9013 that its cut_quality names", "text"),
    Column("readings_with_tolerance", "", "readings that have one", "integer"),
    Column("in_tolerance", "share (0-1)", "share of these that keep to it"),
    Column("in_tolerance_low", "share (0-1)", "lower limit of the Wilson interval of the effective sample"),
    Column("in_tolerance_high", "share (0-1)", "upper limit of the Wilson interval of the effective sample"),
    Column("pp", "", "tolerance over spread: of deviations as shares of their tolerance"),
    Column("pp_low", "", "lower limit of its interval, by chi square"),
    Column("pp_high", "", "upper limit of its interval, by chi square"),
    Column("ppk", "", "room from the mean to the nearer limit over half the spread"),
    Column("ppk_low", "", "lower limit of Bissell's interval"),
    Column("ppk_high", "", "upper limit of Bissell's interval"),
    Column("performance_reason", "", "why there is no pp and ppk", "text"),
    Column(
        "offset_mm", "mm",
        "by how much the kerf makes outside sizes too large and inside ones too small, the scale taken off where one "
        f"is told; {_OF}",
    ),
    Column("offset_low_mm", "mm", f"lower {_STUDENT}"),
    Column("offset_high_mm", "mm", f"upper {_STUDENT}"),
    Column("offset_q_value", "", "chance of such an offset, after Benjamini and Hochberg over all groups shown"),
    Column("sides_differ_mm", "mm", f"offset of the outside sizes less that of the inside ones: no kerf's; {_GROUP}"),
    Column("sides_differ_low_mm", "mm", f"lower {_STUDENT}"),
    Column("sides_differ_high_mm", "mm", f"upper {_STUDENT}"),
    Column(
        "advice", "",
        "of the path at these contours: move; leave: the whole interval is within a tenth of the tolerance (0.05 mm "
        "where there is none); measure_more: too few plates to tell; look: both sides are off alike, at the measuring "
        "and the program; divide: several thicknesses or recipes in one group",
        "text",
    ),
    Column(
        "path_towards_part_mm", "mm",
        "correction that is due: half of the offset, by which the path goes towards the part (below 0: away from it), "
        "at the contours of the row; null: none",
    ),
    Column("scale_mm_per_m", "mm/m", f"by how much sizes grow with their length, within a side; {_GROUP}"),
    Column("scale_low_mm_per_m", "mm/m", f"lower {_STUDENT}"),
    Column("scale_high_mm_per_m", "mm/m", f"upper {_STUDENT}"),
    Column("scale_q_value", "", "chance of such a scale, after Benjamini and Hochberg over all groups shown"),
    Column(
        "scale_warm_k", "K",
        "by so much warmer than when it was measured the plate would have been cut; null: no scale, or one below "
        f"{LEAST_SCALE_MM_PER_M:g} mm per m",
    ),
    Column("fit_reason", "", "what offset or scale lack, or rest on", "text"),
    Column("readings_beyond_kerf", "", "left out: off by more than a kerf", "integer"),
)  # fmt: skip
DETAILS: Final = (
    Column("readings", "", "sizes that are counted", "integer"),
    Column("readings_after_rework", "", "left out: taken after rework", "integer"),
    Column("readings_of_bevelled_cuts", "", "left out, unless these are asked for", "integer"),
    Column("readings_beyond_kerf", "", "left out: off by more than a kerf", "integer"),
    Column(
        "beyond_kerf", "", f"the first {MOST_NAMED} of these: look at the program, the drawing, the entry", "list",
        items=(
            Column("attempt", "", "attempt", "text"),
            Column("day", "", "production day", "text"),
            Column("feature", "", "outside, inside or distance", "text"),
            Column("nominal_mm", "mm", "size asked for"),
            Column("measured_mm", "mm", "size found"),
            Column("deviation_mm", "mm", "size found less size asked for"),
        ),
    ),
)  # fmt: skip


def size_deviations(reader: Reader, question: Question) -> Report:
    """Deviations of each group by feature, what the kerf and what a scale have to do with them, and the tolerance."""
    return _answer(reader, question, sizes_measured(reader, question, SIZE_FEATURES))


def _answer(reader: Reader, question: Question, found: Measured[SizeReading]) -> Report:
    sizes = _sorted(reader, question, found.readings)
    kept, beyond = by_group(sizes.kept), by_group(sizes.beyond_kerf)
    groups = {group: (kept.get(group, []), beyond.get(group, [])) for group in kept | beyond}
    refuse_too_many(len(groups) * len(SIDES))
    how = How(alike_on_plates(kept.values()), gauge_mm(sizes.kept), question.confidence)
    shown = shown_groups(reader, question, groups)
    kerfs = kerfs_of([counted for _, (counted, _) in shown], how)
    rows = [
        where | row
        for (where, (counted, aside)), kerf in zip(shown, kerfs, strict=True)
        for row in _rows(counted, aside, kerf, how)
    ]
    advice = advice_of(list(zip(names_of([where for where, _ in shown]), kerfs, strict=True)), how)
    return described(
        "sizes",
        reader,
        question,
        columns=(*dimension_columns(question), *COLUMNS),
        rows=rows,
        details={
            "readings": len(sizes.kept),
            "readings_after_rework": found.after_rework,
            "readings_of_bevelled_cuts": sizes.bevelled,
            "readings_beyond_kerf": len(sizes.beyond_kerf),
            "beyond_kerf": [_named(one) for one in sizes.beyond_kerf[:MOST_NAMED]],
        },
        notes=[*advice, *_said(sizes, rows), *found.notes(reader, question)],
    )


@dataclass(frozen=True)
class Sizes:
    """Sizes that can speak of the kerf, those that are off by more, and how many of bevelled cuts are left out."""

    kept: list[SizeReading]
    beyond_kerf: list[SizeReading]
    bevelled: int


def _sorted(reader: Reader, question: Question, readings: Sequence[SizeReading]) -> Sizes:
    """Sizes that count, those beyond the kerf that the site takes for its own on their day, and bevelled ones."""
    wants_bevel = "bevel" in question.filters or DIMENSIONS["bevel"] in question.by
    counted = [reading for reading in readings if wants_bevel or not reading.cut.bevelled]
    days = {reading.cut.day for reading in counted}
    kerf_mm = {day: reader.calendar.on(date.fromisoformat(day)).limits.kerf_mm for day in days}
    found = Sizes([], [], bevelled=len(readings) - len(counted))
    for reading in counted:
        is_beyond = above(abs(reading.deviation_mm), kerf_mm[reading.cut.day])
        (found.beyond_kerf if is_beyond else found.kept).append(reading)
    return found


def _named(reading: SizeReading) -> dict[str, Any]:
    return {
        "attempt": reading.cut.attempt,
        "day": reading.cut.day,
        "feature": reading.feature,
        "nominal_mm": mm(reading.nominal_nm),
        "measured_mm": mm(reading.value_nm),
        "deviation_mm": reading.deviation_mm,
    }


# --- rows -------------------------------------------------------------------------------------------------------


def _rows(kept: Sequence[SizeReading], beyond: Sequence[SizeReading], kerf: Kerf, how: How) -> Iterator[dict[str, Any]]:
    """A row for each feature that was measured."""
    for feature in SIDES:
        mine = [reading for reading in kept if reading.feature == feature]
        aside = sum(1 for reading in beyond if reading.feature == feature)
        if mine or aside:
            yield (
                {"feature": feature, "readings": len(mine)}
                | _means(mine, how)
                | _against_tolerance(mine, how)
                | _offset(kerf.claim(feature))
                | _of_group(kerf, kerf.claim(feature))
                | {"readings_beyond_kerf": aside}
            )


def _means(readings: Sequence[SizeReading], how: How) -> dict[str, Any]:
    plates = Plates.of(readings, how.alike)
    values = Deviations.of(
        (reading.deviation_mm for reading in readings),
        design_effect=plates.design_effect,
        clusters=plates.number,
        least_spread=how.gauge_mm / 2,
    )
    mean = mean_deviation(values, confidence=how.confidence)
    return {
        "plates": plates.number,
        "mean_deviation_mm": mean.mean,
        "mean_deviation_low_mm": mean.low,
        "mean_deviation_high_mm": mean.high,
        "standard_deviation_mm": values.deviation,
        "design_effect": plates.design_effect if readings else None,
        "reason": mean.reason or plates.reason,
    }


def _offset(claim: Claim | None) -> dict[str, Any]:
    found = None if claim is None else claim.found
    return {
        "offset_mm": found and found.mean,
        "offset_low_mm": found and found.low,
        "offset_high_mm": found and found.high,
        "offset_q_value": claim and claim.q_value,
        "advice": claim and claim.advice,
        "path_towards_part_mm": claim and claim.path_towards_part_mm,
    }


def _of_group(kerf: Kerf, claim: Claim | None) -> dict[str, Any]:
    scale, difference = kerf.scale, kerf.difference
    reasons = (claim and claim.found.reason, scale.reason, claim and claim.plates.reason)
    return {
        "sides_differ_mm": difference and difference.mean,
        "sides_differ_low_mm": difference and difference.low,
        "sides_differ_high_mm": difference and difference.high,
        "scale_mm_per_m": scale.mean,
        "scale_low_mm_per_m": scale.low,
        "scale_high_mm_per_m": scale.high,
        "scale_q_value": kerf.scale_q,
        "scale_warm_k": kerf.warm_k,
        "fit_reason": next((reason for reason in reasons if reason), None),
    }


# --- tolerance --------------------------------------------------------------------------------------------------


def _against_tolerance(readings: Sequence[SizeReading], how: How) -> dict[str, Any]:
    """Deviations as shares of their tolerance: jobs with different ones stand beside each other that way."""
    found = [(reading, *tolerance_of(reading)) for reading in readings]
    held = [(reading, limit) for reading, limit, _ in found if limit is not None]
    plates = Plates.of((reading for reading, _ in held), how.alike)
    values = Deviations.of(
        (reading.deviation_mm / limit for reading, limit in held),
        design_effect=plates.design_effect,
        clusters=plates.number,
    )
    fit = performance(values, tolerance=1.0, confidence=how.confidence)
    inside: Counter[str] = Counter()
    all_of: Counter[str] = Counter()
    for reading, limit in held:
        all_of[reading.cut.cluster] += 1
        inside[reading.cut.cluster] += not above(abs(reading.deviation_mm), limit)
    counts = Clustered.of((inside[plate], n) for plate, n in all_of.items())
    share = clustered_wilson(counts, confidence=how.confidence, pooled=how.alike, own=False)
    limits = {limit for _, limit in held}
    whose = sorted({words for _, limit, words in found if limit is not None})
    return {
        "tolerance_mm": limits.pop() if len(limits) == 1 else None,
        "tolerance_of": joined(", ", whose) if whose else None,
        "readings_with_tolerance": len(held),
        "in_tolerance": share.share,
        "in_tolerance_low": share.low,
        "in_tolerance_high": share.high,
        **_indices(fit),
        "performance_reason": fit.reason if held else _why_none(words for _, _, words in found),
    }


def _indices(fit: Performance) -> dict[str, Any]:
    told: dict[str, Any] = {}
    for name, index in (("pp", fit.pp), ("ppk", fit.ppk)):
        told |= {
            name: None if index is None else index.value,
            f"{name}_low": None if index is None else index.low,
            f"{name}_high": None if index is None else index.high,
        }
    return told


def _why_none(reasons: Iterable[str]) -> str | None:
    """What most of the readings without a tolerance lack."""
    counts = Counter(reasons)
    return min(counts, key=lambda reason: (-counts[reason], reason), default=None)


# --- notes ------------------------------------------------------------------------------------------------------


def _said(sizes: Sizes, rows: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    if not sizes.kept and not sizes.beyond_kerf:
        yield sentence("no size was measured in this window: inspections give sizes, each with its feature and nominal")
        return
    if count := len(sizes.beyond_kerf):
        yield counted(
            count,
            "%(count)s size is off by more than a kerf, and left out: that is no matter of the path's offset; look for "
            "a wrong program or drawing, or a wrong entry (details: beyond_kerf)",
            "%(count)s sizes are off by more than a kerf, and left out: that is no matter of the path's offset; look "
            "for a wrong program or drawing, or a wrong entry (details: beyond_kerf)",
        )
    if count := sizes.bevelled:
        yield counted(
            count,
            "%(count)s size of a bevelled cut is left out: it depends on the side of the plate where it was taken; "
            "bevel= asks for them",
            "%(count)s sizes of bevelled cuts are left out: it depends on the side of the plate where it was taken; "
            "bevel= asks for them",
        )
    yield from edition_not_named(
        reading.cut
        for reading in sizes.kept
        if reading.cut.asked.tolerance_mm is None and "ISO" in tolerance_of(reading)[1]
    )
    if any(str(row["tolerance_of"] or "").find("ISO") >= 0 for row in rows):
        yield sentence(
            "limit deviations of ISO 9013:%(edition)s are %(basis)s; they say how sizes lie, not that a part complies",
            edition=str(EDITION),
            basis=BASIS,
        )
    if any(row["pp"] is not None for row in rows):
        yield sentence(
            "pp and ppk take the deviations for normal, and hold drifts and moved paths too: they are no cp and cpk"
        )
    yield sentence(
        "a path that was moved within the window hides in these means: ask from the day on which it was moved (from=)"
    )


def example(reader: Reader, question: Question) -> Report:
    """Sizes of one machine, invented. Nothing is read for it, so that the machine has no other spelling."""
    plain = replace(question, by=tuple(replace(dimension, named=False) for dimension in question.by))
    deviations_nm = (190_000, 120_000, 240_000, 150_000, 210_000, 90_000, 260_000, 180_000)
    made = [
        SizeReading(
            MeasuredCut(
                ("laser 1", 20_000_000, None), f"A-{number}", "2026-03-04", f"plate:P-{number // 2}", 20_000_000, False,
                (20_000_000, None), Asked(tolerance_mm=0.5),
            ),
            feature, nominal_nm, nominal_nm + side * deviation,
        )
        for number, deviation in enumerate(deviations_nm)
        for feature, nominal_nm, side in (
            ("outside", 250_000_000, 1), ("inside", 22_000_000, -1), ("distance", 180_000_000, 0)
        )
    ]  # fmt: skip
    return _answer(reader, plain, Measured(made, 1, {"production": len(made)}))
