"""Entries that are hardly true, or that ask for a look at the machine. Pure; a warning never refuses anything.

Each doubt compares what was stated; what was not stated is never doubted. Its subject is what it is about, so that one
cause is one finding: a recipe for its settings, a job for its geometry, a plate for its own figures, else the attempt.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import orjson

from worker.events import ATTEMPT, JOB, MACHINE, NM_PER_MM, PLATE
from worker.folding import Cut
from worker.jobs import Job
from worker.placing import E3, Row, Surroundings, cut_thickness_nm, minutes_e3
from worker.plates import Plate
from worker.plausible_limits import Limits, above, below
from worker.sentences import Sentence, figure, sentence

RECIPE: Final = "recipe"
_HOUR_US: Final = 3_600_000_000
#: Sizes have at most nine digits: what a difference of two has beyond the ninth decimal is noise.
_DIGITS: Final = 9
#: The gases whose pressure is doubted
_GASES: Final[Mapping[str, Sentence]] = {
    "oxygen": sentence("oxygen"),
    "nitrogen": sentence("nitrogen"),
    "air": sentence("air"),
}
_HARDLY: Final = sentence("it hardly ever comes out")
_HARD: Final = sentence("it traps heat and burns out easily")


@dataclass(frozen=True, slots=True)
class Doubt:
    """What is hardly true, of what, in a sentence, and its figures."""

    code: str
    subject_kind: str
    subject: str
    detail: str
    figures: Mapping[str, Any]


class Entry(NamedTuple):
    """A finished attempt with all that its entries are compared with; thickness in mm, None while not known."""

    cut: Cut
    row: Row
    job: Job | None
    plate: Plate | None
    limits: Limits
    thickness_mm: float | None

    @property
    def settings_of(self) -> tuple[str, str, Sentence]:
        """(kind, subject, name in words) of what the cutting settings are: a recipe, else its machine's or its own."""
        row = self.row
        if row[RECIPE] is not None:
            return RECIPE, row[RECIPE], sentence("recipe %(name)s", name=row["recipe_name"])
        if row[MACHINE] is not None:
            return MACHINE, row[MACHINE], sentence("machine %(name)s", name=row["machine_name"])
        return ATTEMPT, self.cut.attempt, sentence("attempt %(name)s", name=self.cut.attempt)


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
                sentence(
                    "%(settings)s has a stand-off of %(standoff)s mm, where %(least)s to %(most)s mm is usual: look "
                    "whether it was entered right, then at the height sensing before the nozzle is put at risk",
                    settings=words, standoff=figure(standoff, "g"), least=figure(least, "g"), most=figure(most, "g"),
                ),
                {"standoff_mm": standoff, "least_mm": least, "most_mm": most},
            )  # fmt: skip
    if (seconds := recipe.get("pierce_seconds")) is not None and above(seconds, limits.pierce_most_seconds):
        kind, subject, words = entry.settings_of
        most = limits.pierce_most_seconds
        yield Doubt(
            "pierce_time", kind, subject,
            sentence(
                "%(settings)s has a pierce of %(seconds)s s, where up to %(most)s s is usual: look whether it was "
                "entered in seconds, then at power, focus and gas of the pierce",
                settings=words, seconds=figure(seconds, "g"), most=figure(most, "g"),
            ),
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
            sentence(
                "%(settings)s cuts %(thickness)s mm with oxygen at %(feed)s mm/min, %(product)s m/min x mm, where "
                "%(least)s to %(most)s is usual: look whether feed and thickness were entered right, then at the "
                "settings",
                settings=words, thickness=figure(thickness_mm, ".6g"), feed=figure(feed_mm_min, "g"),
                product=figure(product, ".3g"), least=figure(least, "g"), most=figure(most, "g"),
            ),
            {
                "feed_mm_min": feed_mm_min, "thickness_mm": thickness_mm, "feed_times_thickness": product,
                "least": least, "most": most,
            },
        )  # fmt: skip


def _pressure(entry: Entry, gas: str | None, bar: float) -> Iterator[Doubt]:
    limits, least, most, thick = entry.limits, 0.0, float("inf"), False
    if gas == "oxygen":
        most = limits.oxygen_most_bar
        if entry.thickness_mm is not None and not below(entry.thickness_mm, limits.thick_from_mm):
            least, most, thick = limits.thick_oxygen_least_bar, limits.thick_oxygen_most_bar, True
    elif gas in ("nitrogen", "air"):
        least = limits.nitrogen_air_least_bar
    if not below(bar, least) and not above(bar, most):
        return
    kind, subject, words = entry.settings_of
    too_low = below(bar, least)
    limit = least if too_low else most
    usual = _usual_pressure(limit, thick_from_mm=limits.thick_from_mm if thick else None, least=too_low)
    yield Doubt(
        "gas_pressure", kind, subject,
        sentence(
            "%(settings)s has %(gas)s at %(pressure)s bar, where %(usual)s: look whether gas and pressure were entered "
            "right and in bar, then at regulator and nozzle",
            settings=words, gas=_GASES.get(gas or "", gas), pressure=figure(bar, "g"), usual=usual,
        ),
        {"gas": gas, "gas_pressure_bar": bar, "limit_bar": limit, "thickness_mm": entry.thickness_mm},
    )  # fmt: skip


def _usual_pressure(bar: float, *, thick_from_mm: float | None, least: bool) -> Sentence:
    limit = figure(bar, "g")
    if thick_from_mm is None:
        if least:
            return sentence("at least %(limit)s bar is usual", limit=limit)
        return sentence("at most %(limit)s bar is usual", limit=limit)
    thick = figure(thick_from_mm, "g")
    if least:
        return sentence("at least %(limit)s bar is usual from %(thick)s mm up", limit=limit, thick=thick)
    return sentence("at most %(limit)s bar is usual from %(thick)s mm up", limit=limit, thick=thick)


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
    limit = limits.time_least_ratio if too_short else limits.time_most_ratio
    figures = {
        "seconds": figure(seconds, "g"), "expected": figure(expected, ".4g"), "ratio": figure(ratio, ".2g"),
        "limit": figure(limit, "g"),
    }  # fmt: skip
    said = (
        sentence(
            "it took %(seconds)s s where length, feed and pierces give %(expected)s s, %(ratio)s times as long and at "
            "least %(limit)s times is usual: look whether seconds, parts, feed and length of cut were entered right",
            **figures,
        )
        if too_short
        else sentence(
            "it took %(seconds)s s where length, feed and pierces give %(expected)s s, %(ratio)s times as long and at "
            "most %(limit)s times is usual: look whether seconds, parts, feed and length of cut were entered right",
            **figures,
        )
    )
    # One way of entering times is one cause, however many attempts it spoils.
    kind, subject, _ = entry.settings_of
    yield Doubt(
        "machine_time", kind, subject, said,
        {"seconds": seconds, "expected_seconds": expected, "ratio": ratio, "limit": limit},
    )  # fmt: skip


# --- geometry ---------------------------------------------------------------------------------------------------


def _geometry(entry: Entry, job: Job) -> Iterator[Doubt]:
    if entry.thickness_mm is not None:
        yield from geometry_doubts(entry.row["job"], job.stated, thickness_mm=entry.thickness_mm, limits=entry.limits)


def geometry_doubts(job: str, stated: Mapping[str, Any], *, thickness_mm: float, limits: Limits) -> Iterator[Doubt]:
    """What of a job's geometry, as it states it, hardly comes out in plate of a thickness."""
    for code, name in (("hole_ratio", "min_hole_mm"), ("web_ratio", "min_web_mm")):
        if (size := stated.get(name)) is not None and below(size, limits.narrow_ratio * thickness_mm):
            yield _narrow(code, name, size, job, thickness_mm, limits)
    radius, angle = stated.get("min_corner_radius_mm"), stated.get("min_corner_angle_deg")
    # 180 degrees are no corner.
    if radius == 0 and angle != 180 and above(thickness_mm, limits.sharp_corner_over_mm):
        most = limits.sharp_corner_over_mm
        yield Doubt(
            "sharp_corner", JOB, job,
            sentence(
                "a corner without radius in %(thickness)s mm, above %(limit)s mm: an inner one traps heat and burns "
                "out; look whether the drawing allows a radius",
                thickness=figure(thickness_mm, "g"), limit=figure(most, "g"),
            ),
            {"min_corner_radius_mm": radius, "thickness_mm": thickness_mm, "limit_mm": most},
        )  # fmt: skip


def _narrow(code: str, name: str, size: float, job: str, thickness_mm: float, limits: Limits) -> Doubt:
    ratio = size / thickness_mm
    strong = below(size, limits.very_narrow_ratio * thickness_mm)
    limit = limits.very_narrow_ratio if strong else limits.narrow_ratio
    sizes = {"size": figure(size, "g"), "thickness": figure(thickness_mm, "g")}
    return Doubt(
        code, JOB, job,
        sentence(
            "%(what)s is %(ratio)s of the thickness, below %(limit)s: %(risk)s; look whether the size was entered "
            "right, then whether it can be cut last, or drilled",
            what=sentence("a hole of %(size)s mm in %(thickness)s mm", **sizes)
            if code == "hole_ratio"
            else sentence("a web of %(size)s mm in %(thickness)s mm", **sizes),
            ratio=figure(ratio, ".2g"), limit=figure(limit, "g"), risk=_HARDLY if strong else _HARD,
        ),
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
    measured = figure(celsius, "g")
    yield Doubt(
        "plate_temperature", PLATE, plate.plate,
        sentence(
            "the plate had %(celsius)s degrees Celsius, below %(least)s: cold plate pierces badly; let it warm up, and "
            "look for dew",
            celsius=measured, least=figure(least, "g"),
        )
        if cold
        else sentence(
            "the plate had %(celsius)s degrees Celsius, above %(most)s: heat adds up; let it cool, or cut elsewhere on "
            "it first",
            celsius=measured, most=figure(most, "g"),
        ),
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
            sentence(
                "%(size)s measured %(measured)s mm, %(deviation)s mm and more than a kerf of %(kerf)s mm: look for a "
                "wrong program or drawing, or a wrong entry, before the kerf is changed",
                size=_size(worst["feature"], nominal), measured=figure(measured, "g"),
                deviation=figure(deviation, "+.3g"), kerf=figure(kerf, "g"),
            ),
            {
                "feature": worst["feature"], "nominal_mm": nominal, "measured_mm": measured,
                "deviation_mm": deviation, "kerf_mm": kerf,
            },
        )  # fmt: skip


def _size(feature: str, nominal_mm: float) -> Sentence:
    nominal = figure(nominal_mm, "g")
    if feature == "outside":
        return sentence("a size (outside) of %(nominal)s mm", nominal=nominal)
    if feature == "inside":
        return sentence("a size (inside) of %(nominal)s mm", nominal=nominal)
    if feature == "distance":
        return sentence("a size (distance) of %(nominal)s mm", nominal=nominal)
    return sentence("a size (%(feature)s) of %(nominal)s mm", feature=feature, nominal=nominal)


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
            sentence(
                "rework took %(minutes)s person-minutes a part, over %(most)s: look whether minutes and parts were "
                "entered right, then ask whether scrap would have been cheaper",
                minutes=figure(minutes, ".3g"), most=figure(most, "g"),
            ),
            {"minutes_a_part": minutes, "most_minutes": most, "parts": parts},
        )  # fmt: skip
    times = -(-sum(event.data["parts"] for event in worked) // parts)
    if times > limits.rework_most_times:
        yield Doubt(
            "rework_times", ATTEMPT, cut.attempt,
            sentence(
                "of the %(parts)s parts in rework one was worked on %(times)s times or more, over %(most)s: look "
                "whether parts were entered right, then ask whether it should be scrap",
                parts=parts, times=times, most=limits.rework_most_times,
            ),
            {"times": times, "most_times": limits.rework_most_times, "parts": parts},
        )  # fmt: skip
