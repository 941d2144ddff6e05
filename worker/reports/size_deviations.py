"""Report sizes: are parts to size, and what offset is due?

What parts are off by has two causes that are told apart here. The kerf: a path that allows for too wide a kerf leaves
outside sizes too large and inside ones too small, by the same at any length; half of it is moved into the path, on each
side of the part. And a scale, which grows with the length and shows alone in distances, that have no kerf in them: a
plate that was cut warm shrinks by 0.012 mm per m and K.

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

from worker.edge_quality import BASIS, Edition, limit_deviation
from worker.events import NM_PER_MM, SIZE_FEATURES
from worker.placing import mm
from worker.plausible_limits import above
from worker.reports.dimensions import DIMENSIONS
from worker.reports.measured import Asked, Measured, Reading, by_group, measured, refuse_too_many
from worker.reports.questions import Question
from worker.reports.reading import Reader, dimension_columns, shown_groups
from worker.reports.report import Column, Report
from worker.stats.capability import (
    Deviations,
    Fit,
    Performance,
    Size,
    mean_deviation,
    offset_and_scale,
    performance,
    value_correlation,
)
from worker.stats.clustering import INDEPENDENCE_ASSUMED, Clustered, clustered_wilson
from worker.stats.lognormal import effect_of_clusters

#: Steel, mm per m and K.
WARM_MM_PER_M_K: Final = 0.012
EDITION: Final[Edition] = 2017
#: Feature of a size -> in which direction the kerf moves it.
SIDES: Final[Mapping[str, int]] = {"outside": 1, "inside": -1, "distance": 0}
#: A correction wants readings of so many plates.
LEAST_PLATES: Final = 2
MOST_NAMED: Final = 100
MOST_ADVICE: Final = 20
NOTHING_ASKED: Final = "no job gives size_tolerance_mm, or a tolerance class in cut_quality"
_NM_PER_M: Final = 1_000 * NM_PER_MM

_STUDENT: Final = "limit of its interval by Student's t, of effective readings"
_GROUP: Final = "the same in each row of a group"
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
        "by how much the kerf makes outside sizes too large and inside ones too small, beside the scale where that is "
        f"told from 0; {_GROUP}",
    ),
    Column("offset_low_mm", "mm", f"lower {_STUDENT}"),
    Column("offset_high_mm", "mm", f"upper {_STUDENT}"),
    Column(
        "path_towards_part_mm", "mm",
        "correction that is due: half of the offset, by which the path goes towards the part (below 0: away from it), "
        "at outside contours and at holes alike; null: none, chance explains the offset, or it is of one plate",
    ),
    Column("scale_mm_per_m", "mm/m", f"by how much sizes grow with their length; {_GROUP}"),
    Column("scale_low_mm_per_m", "mm/m", f"lower {_STUDENT}"),
    Column("scale_high_mm_per_m", "mm/m", f"upper {_STUDENT}"),
    Column(
        "scale_warm_k", "K", "by so much warmer than when it was measured the plate would have been cut; null: no scale"
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
    return _answer(reader, question, measured(reader, question, SIZE_FEATURES))


def _answer(reader: Reader, question: Question, found: Measured) -> Report:
    sizes = _sorted(reader, question, found.readings)
    kept, beyond = by_group(sizes.kept), by_group(sizes.beyond_kerf)
    groups = {group: (kept.get(group, []), beyond.get(group, [])) for group in kept | beyond}
    refuse_too_many(len(groups) * len(SIDES))
    alike = _alike(kept.values())
    shown = shown_groups(reader, question, groups)
    fits = [_fit(counted, alike, confidence=question.confidence) for _, (counted, _) in shown]
    by_feature = [
        list(_rows(counted, aside, fit, alike, confidence=question.confidence))
        for (_, (counted, aside)), fit in zip(shown, fits, strict=True)
    ]
    told = list(zip((where for where, _ in shown), fits, by_feature, strict=True))
    rows = [where | row for where, _, features in told for row in features]
    advice = [note for where, fit, features in told for note in _advised(where, fit, features, question)]
    return Report(
        name="sizes",
        site=reader.site,
        first_day=question.first_day,
        last_day=question.last_day,
        by=tuple(dimension.name for dimension in question.by),
        filters=question.asked,
        confidence=question.confidence,
        as_of=reader.as_of,
        columns=(*dimension_columns(question), *COLUMNS),
        rows=rows,
        totals={},
        details={
            "readings": len(sizes.kept),
            "readings_after_rework": found.after_rework,
            "readings_of_bevelled_cuts": sizes.bevelled,
            "readings_beyond_kerf": len(sizes.beyond_kerf),
            "beyond_kerf": [_named(one) for one in sizes.beyond_kerf[:MOST_NAMED]],
        },
        notes=[*_shortened(advice), *_said(sizes, rows), *found.notes(reader, question)],
    )


@dataclass(frozen=True)
class Sizes:
    """Sizes that can speak of the kerf, those that are off by more, and how many of bevelled cuts are left out."""

    kept: list[Reading]
    beyond_kerf: list[Reading]
    bevelled: int


def _sorted(reader: Reader, question: Question, readings: Sequence[Reading]) -> Sizes:
    """Sizes that count, those beyond the kerf that the site takes for its own on their day, and bevelled ones."""
    wants_bevel = "bevel" in question.filters or DIMENSIONS["bevel"] in question.by
    counted = [reading for reading in readings if wants_bevel or not reading.bevelled]
    days = {reading.day for reading in counted}
    kerf_mm = {day: reader.calendar.on(date.fromisoformat(day)).limits.kerf_mm for day in days}
    found = Sizes([], [], bevelled=len(readings) - len(counted))
    for reading in counted:
        is_beyond = above(abs(reading.deviation_mm), kerf_mm[reading.day])
        (found.beyond_kerf if is_beyond else found.kept).append(reading)
    return found


def _named(reading: Reading) -> dict[str, Any]:
    return {
        "attempt": reading.attempt,
        "day": reading.day,
        "feature": reading.sort,
        "nominal_mm": mm(reading.nominal_nm),
        "measured_mm": mm(reading.value_nm),
        "deviation_mm": reading.deviation_mm,
    }


# --- what is alike ----------------------------------------------------------------------------------------------


def _alike(groups: Iterable[Sequence[Reading]]) -> float | None:
    """Correlation of the deviations on one plate, at least 0, within groups and features; None: not defined."""
    values: list[list[list[float]]] = []
    for readings in groups:
        of_plates: dict[tuple[str, str], list[float]] = {}
        for reading in readings:
            of_plates.setdefault((reading.sort, reading.cluster), []).append(reading.deviation_mm)
        for feature in SIDES:
            values.append([sorted(plate) for (sort, _), plate in sorted(of_plates.items()) if sort == feature])
    found = value_correlation(values)
    return None if found is None else max(0.0, found)


@dataclass(frozen=True)
class Plates:
    """How many plates readings are of, and their design effect; `assumed`: as if they were independent."""

    number: int
    design_effect: float
    assumed: bool

    @classmethod
    def of(cls, readings: Iterable[Reading], alike: float | None) -> Plates:
        """Of readings whose correlation within plates is known, or None."""
        counts = Counter(reading.cluster for reading in readings)
        shared = any(count > 1 for count in counts.values())
        effect = effect_of_clusters(tuple(counts.values()), alike=alike)
        return cls(len(counts), effect, assumed=shared and alike is None)

    @property
    def reason(self) -> str | None:
        """What intervals rest on, if it is to be known."""
        return INDEPENDENCE_ASSUMED if self.assumed else None


# --- offset and scale -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Kerf:
    """Offset (mm) and scale (mm per m) of a group, what they rest on, and the correction that is due, if one is."""

    fit: Fit
    plates: Plates
    plates_with_side: int

    @property
    def path_towards_part_mm(self) -> float | None:
        """Half of an offset that chance does not explain, on plates enough."""
        offset = self.fit.offset
        is_due = offset.excludes_zero and self.plates_with_side >= LEAST_PLATES
        return offset.mean / 2 if is_due and offset.mean is not None else None

    @property
    def warm_k(self) -> float | None:
        """By how much warmer a plate would have been cut that shrinks so."""
        scale = self.fit.scale
        return -scale.mean / WARM_MM_PER_M_K if scale.excludes_zero and scale.mean is not None else None


def _fit(readings: Sequence[Reading], alike: float | None, *, confidence: float) -> Kerf:
    plates = Plates.of(readings, alike)
    sizes = [
        Size(SIDES[reading.sort], (reading.nominal_nm or 0) / _NM_PER_M, reading.deviation_mm) for reading in readings
    ]
    fit = offset_and_scale(
        sizes, confidence=confidence, design_effect=plates.design_effect, clusters=plates.number
    )  # fmt: skip
    return Kerf(fit, plates, len({reading.cluster for reading in readings if SIDES[reading.sort]}))


# --- rows -------------------------------------------------------------------------------------------------------


def _rows(
    kept: Sequence[Reading], beyond: Sequence[Reading], kerf: Kerf, alike: float | None, *, confidence: float
) -> Iterator[dict[str, Any]]:
    """A row for each feature that was measured."""
    for feature in SIDES:
        mine = [reading for reading in kept if reading.sort == feature]
        aside = sum(1 for reading in beyond if reading.sort == feature)
        if mine or aside:
            yield (
                {"feature": feature, "readings": len(mine)}
                | _means(mine, alike, confidence=confidence)
                | _against_tolerance(mine, alike, confidence=confidence)
                | _of_group(kerf)
                | {"readings_beyond_kerf": aside}
            )


def _means(readings: Sequence[Reading], alike: float | None, *, confidence: float) -> dict[str, Any]:
    plates = Plates.of(readings, alike)
    values = _deviations((reading.deviation_mm for reading in readings), plates)
    mean = mean_deviation(values, confidence=confidence)
    return {
        "plates": plates.number,
        "mean_deviation_mm": mean.mean,
        "mean_deviation_low_mm": mean.low,
        "mean_deviation_high_mm": mean.high,
        "standard_deviation_mm": values.deviation,
        "design_effect": plates.design_effect if readings else None,
        "reason": mean.reason or plates.reason,
    }


def _deviations(values: Iterable[float], plates: Plates) -> Deviations:
    return Deviations.of(values, design_effect=plates.design_effect, clusters=plates.number)


def _of_group(kerf: Kerf) -> dict[str, Any]:
    offset, scale = kerf.fit.offset, kerf.fit.scale
    return {
        "offset_mm": offset.mean,
        "offset_low_mm": offset.low,
        "offset_high_mm": offset.high,
        "path_towards_part_mm": kerf.path_towards_part_mm,
        "scale_mm_per_m": scale.mean,
        "scale_low_mm_per_m": scale.low,
        "scale_high_mm_per_m": scale.high,
        "scale_warm_k": kerf.warm_k,
        "fit_reason": offset.reason or scale.reason or kerf.plates.reason,
    }


# --- tolerance --------------------------------------------------------------------------------------------------


def _against_tolerance(readings: Sequence[Reading], alike: float | None, *, confidence: float) -> dict[str, Any]:
    """Deviations as shares of their tolerance: jobs with different ones stand beside each other that way."""
    found = [(reading, *_tolerance(reading)) for reading in readings]
    held = [(reading, limit) for reading, limit, _ in found if limit is not None]
    plates = Plates.of((reading for reading, _ in held), alike)
    values = _deviations((reading.deviation_mm / limit for reading, limit in held), plates)
    fit = performance(values, tolerance=1.0, confidence=confidence)
    inside: Counter[str] = Counter()
    all_of: Counter[str] = Counter()
    for reading, limit in held:
        all_of[reading.cluster] += 1
        inside[reading.cluster] += not above(abs(reading.deviation_mm), limit)
    counts = Clustered.of((inside[plate], n) for plate, n in all_of.items())
    share = clustered_wilson(counts, confidence=confidence, pooled=alike, own=False)
    limits = {limit for _, limit in held}
    whose = sorted({words for _, limit, words in found if limit is not None})
    return {
        "tolerance_mm": limits.pop() if len(limits) == 1 else None,
        "tolerance_of": ", ".join(whose) or None,
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


def _tolerance(reading: Reading) -> tuple[float | None, str]:
    """(plus and minus in mm or None, whose it is or why there is none): the job's own before that of its class."""
    asked = reading.asked
    if asked.tolerance_mm is not None:
        return asked.tolerance_mm, "job"
    quality = asked.quality
    if quality is None or quality.tolerance_class is None:
        return None, NOTHING_ASKED
    if reading.cut_nm is None:
        return None, "the thickness of the cut is not known"
    found = limit_deviation(
        (reading.nominal_nm or 0) / NM_PER_MM,
        thickness_mm=reading.cut_mm,
        tolerance_class=quality.tolerance_class,
        edition=quality.edition or EDITION,
    )
    if found.plus_minus_mm is None:
        return None, found.reason or NOTHING_ASKED
    return found.plus_minus_mm, f"ISO 9013:{found.edition} class {found.tolerance_class}"


def _why_none(reasons: Iterable[str]) -> str | None:
    """What most of the readings without a tolerance lack."""
    counts = Counter(reasons)
    return min(counts, key=lambda reason: (-counts[reason], reason), default=None)


# --- notes ------------------------------------------------------------------------------------------------------


def _advised(
    where: Mapping[str, Any], kerf: Kerf, rows: Sequence[Mapping[str, Any]], question: Question
) -> Iterator[str]:
    """What is due in a group, so that nobody can take it for its opposite."""
    who = ", ".join("not known" if value is None else str(value) for value in where.values())
    start = f"{who}: " if who else ""
    offset, scale, confidence = kerf.fit.offset, kerf.fit.scale, f"{100 * question.confidence:g} % confidence"
    if (path := kerf.path_towards_part_mm) is not None and offset.low is not None and offset.high is not None:
        low, high = sorted((abs(offset.low), abs(offset.high)))
        outer, inner = ("large", "small") if path > 0 else ("small", "large")
        towards, at_outside, at_holes = (
            ("towards the part", "inward", "outward") if path > 0 else ("away from the part", "outward", "inward")
        )
        yield (
            f"{start}outside sizes come out {2 * abs(path):.3f} mm too {outer}, inside ones as much too {inner} "
            f"(between {low:.3f} and {high:.3f} mm, {confidence}): move the path by half of that, {abs(path):.3f} mm, "
            f"{towards}: {at_outside} at outside contours, {at_holes} at holes"
        )
    elif offset.excludes_zero:
        yield f"{start}an offset shows, but on one plate alone: measure on another before the path is moved"
    elif offset.low is not None:
        yield f"{start}chance explains the offset that shows: leave the path as it is"
    if (warm := kerf.warm_k) is not None and scale.mean is not None:
        grow = "shrink" if scale.mean < 0 else "grow"
        why = (
            f"as those of a plate do that was cut {warm:.2g} K warmer than it was measured"
            if warm > 0
            else "which no warm plate does: look at the scale of machine, program and gauge"
        )
        yield f"{start}sizes {grow} by {abs(scale.mean):.3g} mm per m of length, {why}"

    if not kerf.fit.together and (both := _off_alike(rows)):
        yield (
            f"{start}outside and inside sizes are both too {both}, which no kerf makes: look at how they are measured, "
            "and at the program"
        )


def _off_alike(rows: Sequence[Mapping[str, Any]]) -> str | None:
    """In which direction sizes of both sides are off by more than chance explains; None: not so."""
    sided = [row for row in rows if SIDES[row["feature"]] and row["mean_deviation_low_mm"] is not None]
    if len(sided) < len(SIDES) - 1:
        return None
    if all(row["mean_deviation_low_mm"] > 0 for row in sided):
        return "large"
    return "small" if all(row["mean_deviation_high_mm"] < 0 for row in sided) else None


def _shortened(advice: Sequence[str]) -> list[str]:
    more = len(advice) - MOST_ADVICE
    return [
        *advice[:MOST_ADVICE],
        *([f"and {more} sentences more of that kind: the rows tell all"] if more > 0 else []),
    ]


def _said(sizes: Sizes, rows: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    if not sizes.kept and not sizes.beyond_kerf:
        yield "no size was measured in this window: inspections give sizes, each with its feature and nominal"
        return
    if count := len(sizes.beyond_kerf):
        are = "1 size is" if count == 1 else f"{count} sizes are"
        yield (
            f"{are} off by more than a kerf, and left out: that is no matter of the path's offset; look for a wrong "
            "program or drawing, or a wrong entry (details: beyond_kerf)"
        )
    if sizes.bevelled:
        are = "1 size of a bevelled cut is" if sizes.bevelled == 1 else f"{sizes.bevelled} sizes of bevelled cuts are"
        yield f"{are} left out: it depends on the side of the plate where it was taken; bevel= asks for them"
    if any(str(row["tolerance_of"] or "").find("ISO") >= 0 for row in rows):
        yield f"limit deviations of ISO 9013:{EDITION} are {BASIS}; they say how sizes lie, not that a part complies"
    if any(row["pp"] is not None for row in rows):
        yield "pp and ppk take the deviations for normal, and hold drifts and moved paths too: they are no cp and cpk"
    yield "a path that was moved within the window hides in these means: ask from the day on which it was moved (from=)"


def example(reader: Reader, question: Question) -> Report:
    """Sizes of one machine, invented. Nothing is read for it, so that the machine has no other spelling."""
    plain = replace(question, by=tuple(replace(dimension, named=False) for dimension in question.by))
    deviations_nm = (190_000, 120_000, 240_000, 150_000, 210_000, 90_000, 260_000, 180_000)
    made = [
        Reading(
            ("laser 1",), feature, nominal_nm, nominal_nm + side * deviation, f"plate:P-{number // 2}", f"A-{number}",
            "2026-03-04", ("/qa", str(number), place), 20_000_000, False, Asked(tolerance_mm=0.5),
        )
        for number, deviation in enumerate(deviations_nm)
        for place, (feature, nominal_nm, side) in enumerate(
            (("outside", 250_000_000, 1), ("inside", 22_000_000, -1), ("distance", 180_000_000, 0))
        )
    ]  # fmt: skip
    return _answer(reader, plain, Measured(tuple(made), 1, {"production": len(made)}))
