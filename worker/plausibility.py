"""Entries that are hardly true, or that ask for a look at the machine. Pure; a warning never refuses anything.

Each doubt compares what was stated; what was not stated is never doubted. Its subject is what it is about, so that one
cause is one finding: a recipe for its settings, a job for its geometry, a plate for its own figures, else the attempt.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

import orjson

from worker.events import ATTEMPT, JOB, MACHINE, NM_PER_MM, PLATE
from worker.folding import Cut
from worker.jobs import Job
from worker.placing import E3, Row, Surroundings, cut_thickness_nm, minutes_e3
from worker.plates import Plate
from worker.plausible_limits import Limits, above, below

RECIPE: Final = "recipe"
_HOUR_US: Final = 3_600_000_000
#: Sizes have at most nine digits: what a difference of two has beyond the ninth decimal is noise.
_DIGITS: Final = 9


@dataclass(frozen=True, slots=True)
class Doubt:
    """What is hardly true, of what, in a sentence, and its figures."""

    code: str
    subject_kind: str
    subject: str
    detail: str
    figures: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Entry:
    """A finished attempt with all that its entries are compared with; thickness in mm, None while not known."""

    cut: Cut
    row: Row
    job: Job | None
    plate: Plate | None
    limits: Limits
    thickness_mm: float | None

    @property
    def settings_of(self) -> tuple[str, str, str]:
        """(kind, subject, name in words) of what the cutting settings are: a recipe, else its machine's or its own."""
        row = self.row
        for kind in (RECIPE, MACHINE):
            if row[kind] is not None:
                return kind, row[kind], f"{kind} {row[f'{kind}_name']}"
        return ATTEMPT, self.cut.attempt, f"attempt {self.cut.attempt}"


def warnings_of(cut: Cut, row: Row, around: Surroundings) -> Iterable[Row]:
    """Rows of a finished attempt whose own row is `row`, at most one of a code."""
    nm = row["thickness_nm"]
    entry = Entry(
        cut,
        row,
        around.jobs.get(cut.given.get("job") or ""),
        around.plates.get(cut.given.get("plate") or ""),
        around.calendar.place(cut.started_us or 0).settings.limits,
        None if nm is None else nm / NM_PER_MM,
    )
    return [
        {
            "attempt": cut.attempt,
            "code": doubt.code,
            "day": row["day"],
            "subject_kind": doubt.subject_kind,
            "subject": doubt.subject,
            "detail": doubt.detail,
            "figures": orjson.dumps(doubt.figures, option=orjson.OPT_SORT_KEYS).decode(),
        }
        for doubt in _doubts(entry)
        if doubt.code not in entry.limits.off
    ]


def _doubts(entry: Entry) -> Iterator[Doubt]:
    if recipe := entry.cut.given.get("recipe"):
        yield from _settings(entry, recipe)
    if entry.job is not None:
        yield from _machine_time(entry, entry.job, recipe or {})
        yield from _geometry(entry, entry.job)
    if entry.plate is not None:
        yield from _plate(entry, entry.plate)
    if entry.cut.inspected:
        yield from _sizes(entry)
    if entry.cut.reworked:
        yield from _rework(entry)


# --- cutting settings -------------------------------------------------------------------------------------------


def _settings(entry: Entry, recipe: Mapping[str, Any]) -> Iterator[Doubt]:
    gas, limits = entry.row["gas"], entry.limits
    if gas == "oxygen" and (feed := recipe.get("feed_mm_min")) is not None:
        yield from _feed(entry, feed)
    if (pressure := recipe.get("gas_pressure_bar")) is not None:
        yield from _pressure(entry, gas, pressure)
    if (standoff := recipe.get("standoff_mm")) is not None:
        least, most = limits.standoff_least_mm, limits.standoff_most_mm
        if below(standoff, least) or above(standoff, most):
            kind, subject, words = entry.settings_of
            yield Doubt(
                "standoff", kind, subject,
                f"{words} has a stand-off of {standoff:g} mm, where {least:g} to {most:g} mm is usual: look whether it "
                "was entered right, then at the height sensing before the nozzle is put at risk",
                {"standoff_mm": standoff, "least_mm": least, "most_mm": most},
            )  # fmt: skip
    if (seconds := recipe.get("pierce_seconds")) is not None and above(seconds, limits.pierce_most_seconds):
        kind, subject, words = entry.settings_of
        most = limits.pierce_most_seconds
        yield Doubt(
            "pierce_time", kind, subject,
            f"{words} has a pierce of {seconds:g} s, where up to {most:g} s is usual: look whether it was entered in "
            "seconds, then at power, focus and gas of the pierce",
            {"pierce_seconds": seconds, "most_seconds": most},
        )  # fmt: skip


def _feed(entry: Entry, feed_mm_min: float) -> Iterator[Doubt]:
    """Feed x thickness, along the cut where it is bevelled."""
    nm, bevel = entry.row["thickness_nm"], entry.row["bevel_mdeg"]
    if nm is None:
        return
    thickness_mm = (cut_thickness_nm(nm, bevel_deg=bevel / E3) if bevel else nm) / NM_PER_MM
    product = feed_mm_min / E3 * thickness_mm
    least, most = entry.limits.feed_thickness_least, entry.limits.feed_thickness_most
    if below(product, least) or above(product, most):
        kind, subject, words = entry.settings_of
        yield Doubt(
            "feed_times_thickness", kind, subject,
            f"{words} cuts {thickness_mm:.6g} mm with oxygen at {feed_mm_min:g} mm/min, {product:.3g} m/min x mm, "
            f"where {least:g} to {most:g} is usual: look whether feed and thickness were entered right, then at the "
            "settings",
            {
                "feed_mm_min": feed_mm_min, "thickness_mm": thickness_mm, "feed_times_thickness": product,
                "least": least, "most": most,
            },
        )  # fmt: skip


def _pressure(entry: Entry, gas: str | None, bar: float) -> Iterator[Doubt]:
    limits, least, most, where = entry.limits, 0.0, float("inf"), ""
    if gas == "oxygen":
        most = limits.oxygen_most_bar
        if entry.thickness_mm is not None and not below(entry.thickness_mm, limits.thick_from_mm):
            least, most = limits.thick_oxygen_least_bar, limits.thick_oxygen_most_bar
            where = f" from {limits.thick_from_mm:g} mm up"
    elif gas in ("nitrogen", "air"):
        least = limits.nitrogen_air_least_bar
    if not below(bar, least) and not above(bar, most):
        return
    kind, subject, words = entry.settings_of
    limit, side = (least, "at least") if below(bar, least) else (most, "at most")
    yield Doubt(
        "gas_pressure", kind, subject,
        f"{words} has {gas} at {bar:g} bar, where {side} {limit:g} bar is usual{where}: look whether gas and pressure "
        "were entered right and in bar, then at regulator and nozzle",
        {"gas": gas, "gas_pressure_bar": bar, "limit_bar": limit, "thickness_mm": entry.thickness_mm},
    )  # fmt: skip


# --- time -------------------------------------------------------------------------------------------------------


def _machine_time(entry: Entry, job: Job, recipe: Mapping[str, Any]) -> Iterator[Doubt]:
    """Machine time beside the length of the parts reached / feed + pierces x pierce time.

    Too short is said only of a run that cut its parts from their start to their end; too long only where the time of
    the pierces is known too.
    """
    cut, limits = entry.cut, entry.limits
    length, feed = job.stated.get("cut_length_mm"), recipe.get("feed_mm_min")
    if cut.seconds_ms is None or not length or not feed or not cut.tried:
        return
    planned = job.stated.get("pierces_per_part")
    pierces = cut.pierces if cut.pierces is not None or planned is None else planned * cut.tried
    pierce_seconds = recipe.get("pierce_seconds")
    piercing = None if pierces is None or pierce_seconds is None else pierces * pierce_seconds
    expected = length * cut.tried / feed * 60 + (piercing or 0.0)
    if not expected:
        # A length too small for a float to be divided.
        return
    seconds = cut.seconds_ms / E3
    ratio = seconds / expected
    whole = cut.outcome == "severed" and cut.given.get("mode") != "resume"
    too_short = whole and below(ratio, limits.time_least_ratio)
    if not too_short and not (piercing is not None and above(ratio, limits.time_most_ratio)):
        return
    limit, side = (limits.time_least_ratio, "least") if too_short else (limits.time_most_ratio, "most")
    # One way of entering times is one cause, however many attempts it spoils.
    kind, subject, _ = entry.settings_of
    yield Doubt(
        "machine_time", kind, subject,
        f"it took {seconds:g} s where length, feed and pierces give {expected:.4g} s, {ratio:.2g} times as long and at "
        f"{side} {limit:g} times is usual: look whether seconds, parts, feed and length of cut were entered right",
        {"seconds": seconds, "expected_seconds": expected, "ratio": ratio, "limit": limit},
    )  # fmt: skip


# --- geometry ---------------------------------------------------------------------------------------------------


def _geometry(entry: Entry, job: Job) -> Iterator[Doubt]:
    if entry.thickness_mm is not None:
        yield from geometry_doubts(entry.row["job"], job.stated, thickness_mm=entry.thickness_mm, limits=entry.limits)


def geometry_doubts(job: str, stated: Mapping[str, Any], *, thickness_mm: float, limits: Limits) -> Iterator[Doubt]:
    """What of a job's geometry, as it states it, hardly comes out in plate of a thickness."""
    for code, name, words in (("hole_ratio", "min_hole_mm", "hole"), ("web_ratio", "min_web_mm", "web")):
        if (size := stated.get(name)) is not None and below(size, limits.narrow_ratio * thickness_mm):
            yield _narrow(code, name, words, size, job, thickness_mm, limits)
    radius, angle = stated.get("min_corner_radius_mm"), stated.get("min_corner_angle_deg")
    # 180 degrees are no corner.
    if radius == 0 and angle != 180 and above(thickness_mm, limits.sharp_corner_over_mm):
        most = limits.sharp_corner_over_mm
        yield Doubt(
            "sharp_corner", JOB, job,
            f"a corner without radius in {thickness_mm:g} mm, above {most:g} mm: an inner one traps heat and burns "
            "out; look whether the drawing allows a radius",
            {"min_corner_radius_mm": radius, "thickness_mm": thickness_mm, "limit_mm": most},
        )  # fmt: skip


def _narrow(code: str, name: str, words: str, size: float, job: str, thickness_mm: float, limits: Limits) -> Doubt:
    ratio = size / thickness_mm
    strong = below(size, limits.very_narrow_ratio * thickness_mm)
    limit = limits.very_narrow_ratio if strong else limits.narrow_ratio
    risk = "hardly ever comes out" if strong else "traps heat and burns out easily"
    return Doubt(
        code, JOB, job,
        f"a {words} of {size:g} mm in {thickness_mm:g} mm is {ratio:.2g} of the thickness, below {limit:g}: it {risk}; "
        "look whether the size was entered right, then whether it can be cut last, or drilled",
        {name: size, "thickness_mm": thickness_mm, "ratio": ratio, "limit": limit, "strong": strong},
    )  # fmt: skip


# --- plate ------------------------------------------------------------------------------------------------------


def _plate(entry: Entry, plate: Plate) -> Iterator[Doubt]:
    if "temperature_c" in plate.observations and entry.cut.started_us is not None:
        yield from _temperature(entry, plate, entry.cut.started_us)


def _temperature(entry: Entry, plate: Plate, started_us: int) -> Iterator[Doubt]:
    """The temperature last measured before the start; one measured long before says nothing of the cut."""
    found = plate.condition_at(started_us).values.get("temperature_c")
    if found is None or started_us - found[1] > entry.limits.temperature_holds_hours * _HOUR_US:
        return
    celsius, least, most = found[0], entry.limits.plate_least_c, entry.limits.plate_most_c
    cold = below(celsius, least)
    if not cold and not above(celsius, most):
        return
    look = (
        f"below {least:g}: cold plate pierces badly; let it warm up, and look for dew"
        if cold
        else f"above {most:g}: heat adds up; let it cool, or cut elsewhere on it first"
    )
    yield Doubt(
        "plate_temperature", PLATE, plate.plate,
        f"the plate had {celsius:g} degrees Celsius, {look}",
        {"temperature_c": celsius, "limit_c": least if cold else most},
    )  # fmt: skip


# --- sizes ------------------------------------------------------------------------------------------------------


def _sizes(entry: Entry) -> Iterator[Doubt]:
    sizes = [size for event in entry.cut.inspected for size in event.data.get("sizes") or ()]
    worst = max(sizes, key=lambda size: abs(size["measured_mm"] - size["nominal_mm"]), default=None)
    if worst is None:
        return
    nominal, measured, kerf = worst["nominal_mm"], worst["measured_mm"], entry.limits.kerf_mm
    deviation = round(measured - nominal, _DIGITS)
    if above(abs(deviation), kerf):
        yield Doubt(
            "size_beyond_kerf", ATTEMPT, entry.cut.attempt,
            f"a size ({worst['feature']}) of {nominal:g} mm measured {measured:g} mm, {deviation:+.3g} mm and more "
            f"than a kerf of {kerf:g} mm: look for a wrong program or drawing, or a wrong entry, before the kerf is "
            "changed",
            {
                "feature": worst["feature"], "nominal_mm": nominal, "measured_mm": measured,
                "deviation_mm": deviation, "kerf_mm": kerf,
            },
        )  # fmt: skip


# --- rework -----------------------------------------------------------------------------------------------------


def _rework(entry: Entry) -> Iterator[Doubt]:
    """Rework of a part: at least what the dearest operation took for each of its parts, and the mean over all parts.

    Parts are not named one by one; by the pigeonhole principle one of them was worked at least `times` times.
    """
    cut, limits = entry.cut, entry.limits
    worked = [event for event in cut.reworked if not event.data.get("planned")]
    if not worked:
        return
    parts = max(cut.rework, max(event.data["parts"] for event in worked))
    dearest_e3 = max(minutes_e3(event) / event.data["parts"] for event in worked)
    minutes = max(dearest_e3, sum(map(minutes_e3, worked)) / parts) / E3
    if above(minutes, limits.rework_most_minutes):
        most = limits.rework_most_minutes
        yield Doubt(
            "rework_minutes", ATTEMPT, cut.attempt,
            f"rework took {minutes:.3g} person-minutes a part, over {most:g}: look whether minutes and parts were "
            "entered right, then ask whether scrap would have been cheaper",
            {"minutes_a_part": minutes, "most_minutes": most, "parts": parts},
        )  # fmt: skip
    times = -(-sum(event.data["parts"] for event in worked) // parts)
    if times > limits.rework_most_times:
        yield Doubt(
            "rework_times", ATTEMPT, cut.attempt,
            f"of the {parts} parts in rework one was worked on {times} times or more, over {limits.rework_most_times}: "
            "look whether parts were entered right, then ask whether it should be scrap",
            {"times": times, "most_times": limits.rework_most_times, "parts": parts},
        )  # fmt: skip
