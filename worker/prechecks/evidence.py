"""What the past says of an intended cut: expected yield, standing, its lot, findings, the job's geometry."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date
from functools import cached_property
from typing import Any, Final

from worker.events import JOB, MACHINE, PLATE
from worker.kept import Kept, kept_about
from worker.naming import name_key
from worker.noticing.finding import LEFT_OPEN, NEW_NAME, SET_ASIDE, Finding, finding_id
from worker.plates import UNKNOWN
from worker.plausibility import geometry_doubts
from worker.prechecks.intended import ASKED, Intended
from worker.prechecks.lots import Lots
from worker.prechecks.past import Behind, Past
from worker.reports.bad_lots import LOT_OF
from worker.reports.dimensions import DIMENSIONS
from worker.reports.expected_yield import NEVER_CUT, ExpectedYield, PlannedCut, Setup, expected_yield
from worker.reports.holding import OPEN, PROVEN, RULED_OUT
from worker.reports.process_parts import CELL_NAMES
from worker.reports.questions import Askable, Question, read_question
from worker.reports.reading import Reader, attempt_groups, spellings
from worker.reports.standings import Standing, standing_question, standings
from worker.sentences import sentence
from worker.sites import Settings

LAST: Final = "26w"
LAST_OF_JOB: Final = "last_of_job"
LAST_OF_MACHINE: Final = "last_of_machine"
#: Where the gas comes from.
GAS_FROM: Final = (ASKED, LAST_OF_JOB, LAST_OF_MACHINE)
#: So many standings of a cell are shown, the best first.
MOST_STANDINGS: Final = 10
HEAT: Final = "heat"
_ORDER: Final = {PROVEN: 0, OPEN: 1, RULED_OUT: 2}
_PAST: Final = Askable(by=(), last=LAST, purposes=())
_SERIES: Final = Askable(by=(), last=LAST, options=(LOT_OF,))
#: Findings that are about entries, not about what is cut.
_OF_ENTRIES: Final = (NEW_NAME, LEFT_OPEN, SET_ASIDE)
NO_THICKNESS: Final = sentence("thickness or material is not known: state them of the plate, or name the job")
NO_MACHINE: Final = sentence("no machine is known: name it")


class Evidence:
    """The past of one intended cut, each part read once."""

    def __init__(self, reader: Reader, cut: Intended, *, today: date) -> None:
        self.reader, self.intended, self.today = reader, cut, today
        self.question = _asked(_PAST, cut.settings, today)

    @cached_property
    def past(self) -> Past:
        """First-attempt parts of the material."""
        return Past(self.reader, self.question, self.intended.material or "")

    @cached_property
    def lots(self) -> Lots:
        """All heats beside each other."""
        series = _asked(_SERIES, self.intended.settings, self.today)
        return Lots(self.reader, series, self.intended.plate)

    @cached_property
    def gas(self) -> tuple[str | None, str | None]:
        """(the cutting gas, where it comes from): the one asked for, else that of the last cuts like this.

        Of the job on the machine, else of the machine: at this thickness, else of this material at any.
        """
        cut = self.intended
        if cut.gas_asked is not None:
            return cut.gas_asked, ASKED
        if cut.cut is None or cut.machine is None:
            return None, None
        like = {"machine": (cut.machine,), "material": (cut.material,)}
        at = {"thickness": (cut.thickness_nm,)}
        job = [] if cut.job is None else [(LAST_OF_JOB, {**like, **at, "job": (cut.job["job"],)})]
        for told_by, filters in (*job, (LAST_OF_MACHINE, {**like, **at}), (LAST_OF_MACHINE, like)):
            if (gas := _last_gas(self.reader, replace(self.question, filters=filters))) is not None:
                return gas, told_by
        return None, None

    @property
    def setup(self) -> Setup:
        """The machine with the gas."""
        return Setup(self.intended.machine, self.gas[0])

    def of(self, cut: PlannedCut) -> list[ExpectedYield]:
        """The yield to expect with each setup that cut this material, most promising first."""
        past = self.past.whole
        return sorted((expected_yield(past, cut, setup) for setup in past.setups(cut)), key=promise)

    @cached_property
    def each(self) -> list[ExpectedYield]:
        """The yield to expect of this cut with each setup, most promising first."""
        return [] if self.intended.cut is None else self.of(self.intended.cut)

    def expected(self) -> tuple[ExpectedYield | None, str | None]:
        """(the yield to expect with the machine and gas; why there is none)."""
        cut = self.intended
        if cut.cut is None:
            return None, NO_THICKNESS
        if cut.machine is None:
            return None, NO_MACHINE
        found = next((one for one in self.each if one.setup == self.setup), None)
        if found is None:
            return None, NEVER_CUT
        return found, found.reason if found.share is None else None

    def behind(self, cut: PlannedCut, expected: ExpectedYield) -> Behind:
        """What a yield rests on."""
        return self.past.behind(cut, expected)


def _last_gas(reader: Reader, question: Question) -> str | None:
    """The gas that was noted on the last production day; of several the one of most attempts."""
    by = (DIMENSIONS["day"], DIMENSIONS["gas"])
    groups = attempt_groups(reader, replace(question, by=by), ("attempts",))
    last = max(
        ((day, sums["attempts"], gas) for (day, gas), sums in groups.items() if gas is not None and sums["attempts"]),
        default=None,
    )
    return None if last is None else last[2]


def _asked(askable: Askable, settings: Settings, today: date) -> Question:
    return read_question({}, today=today, settings=settings, askable=askable)


def promise(one: ExpectedYield) -> tuple[float, float, tuple[Any, ...]]:
    """Order by the lower limit of the yield: what is little known promises little."""
    low, share = (1.0 if value is None else -value for value in (one.low, one.share))
    return low, share, tuple((name is None, name or "") for name in one.setup)


def expected_plain(
    one: ExpectedYield | None, cut: Intended, reason: str | None, *, gas: str | None = None
) -> dict[str, Any]:
    """An expected yield as it is shown. gas: the one that was looked for."""
    setup = Setup(cut.machine, gas) if one is None else one.setup
    return {
        "machine": cut.spelled(setup.machine),
        "gas": setup.gas,
        "share": one and one.share,
        "low": one and one.low,
        "high": one and one.high,
        "source": one and one.source,
        "parts": 0 if one is None else one.parts,
        "good": 0 if one is None else one.good,
        "plates": 0 if one is None else one.plates,
        "reason": reason or (one and one.reason),
    }


# --- standing ---------------------------------------------------------------------------------------------------


def standing_plain(evidence: Evidence) -> list[dict[str, Any]]:
    """Standings at the plate's thickness and condition on the machine with the gas, the best first; of all recipes.

    A condition that nobody noted of the plate leaves all conditions, a gas that is not known all gases.
    """
    cut, reader = evidence.intended, evidence.reader
    if cut.cut is None or cut.machine is None:
        return []
    wanted: dict[str, Any] = {
        "thickness": cut.thickness_nm, "material": cut.material, "machine": cut.machine, "gas": evidence.gas[0],
        "surface_group": cut.surface_group, "thermal_history": cut.thermal_history,
    }  # fmt: skip
    asked = standing_question(reader, evidence.today)
    only = {name: (value,) for name, value in wanted.items() if value is not None}
    found = standings(reader, replace(asked, filters={**asked.filters, **only}))
    best = sorted(found.standings, key=lambda one: (_ORDER[one.word], -(one.bounds.lower or 0.0), -one.counts.n))
    recipes = spellings(reader, "recipe")
    return [_standing(one, recipes, found.rule.target, found.rule.confidence) for one in best[:MOST_STANDINGS]]


def _standing(one: Standing, recipes: dict[str, str], target: float, confidence: float) -> dict[str, Any]:
    cell = dict(zip(CELL_NAMES, one.cell, strict=True))
    return {
        "standing": one.word,
        "recipe": cell["recipe"] and recipes.get(cell["recipe"], cell["recipe"]),
        "gas": cell["gas"],
        "surface_group": None if cell["surface_group"] == UNKNOWN else cell["surface_group"],
        "thermal_history": None if cell["thermal_history"] == UNKNOWN else cell["thermal_history"],
        "target": target,
        "confidence": confidence,
        "parts": round(one.counts.n),
        "good": round(one.counts.x),
        "plates": one.plates,
        "lower": one.bounds.lower,
        "upper": one.bounds.upper,
        "more_good_parts": one.more and one.more.parts,
        "on_plates": one.more and one.more.plates,
    }


# --- findings, geometry ------------------------------------------------------------------------------------


def findings_about(evidence: Evidence) -> list[Kept]:
    """Open findings about the plate, its heat, the machine and the job, as the last look left them."""
    cut, reader = evidence.intended, evidence.reader
    heat = cut.plate["heat_number"]
    subjects = {(PLATE, cut.plate["plate"])}
    subjects |= {(HEAT, heat)} if heat else set()
    subjects |= {(JOB, cut.job["job"])} if cut.job else set()
    subjects |= {(MACHINE, name) for name in (cut.machine, cut.spelled(cut.machine)) if name}
    return [
        one
        for one in kept_about(reader.connection, reader.site, subjects)
        if one.finding.kind not in _OF_ENTRIES and not is_of_another_mill(one.finding, cut.plate["mill"])
    ]


def is_of_another_mill(finding: Finding, mill: str | None) -> bool:
    """True for a finding about a heat of another mill: mills number their heats each for itself."""
    return finding.subject_kind == HEAT and name_key(finding.other or "") != name_key(mill or "")


def finding_plain(one: Kept) -> dict[str, Any]:
    """A finding as it is shown here."""
    found = one.finding
    return {
        "id": finding_id(found.key),
        "kind": found.kind,
        "code": found.code,
        "subject_kind": found.subject_kind,
        "subject": found.subject,
        "detail": found.detail,
    }


_FEATURES: Final = (("hole", "min_hole_mm"), ("web", "min_web_mm"), ("corner", "min_corner_radius_mm"))
_DOUBT_OF: Final = {"hole_ratio": "hole", "web_ratio": "web", "sharp_corner": "corner"}


def geometry_plain(cut: Intended) -> list[dict[str, Any]]:
    """The job's smallest hole, web and corner radius by the thickness, with what is doubted of each.

    By the rules for entries that are hardly true, those that the site does not want told left out.
    """
    if cut.job is None or cut.thickness_mm is None:
        return []
    doubts = {
        _DOUBT_OF[doubt.code]: doubt.detail
        for doubt in geometry_doubts(cut.job["job"], cut.job, thickness_mm=cut.thickness_mm, limits=cut.settings.limits)
        if doubt.code not in cut.settings.limits.off
    }
    return [
        {
            "feature": feature,
            "size_mm": cut.job[name],
            "ratio": cut.job[name] / cut.thickness_mm,
            "limit_ratio": None if feature == "corner" else cut.settings.limits.narrow_ratio,
            "doubt": doubts.get(feature),
        }
        for feature, name in _FEATURES
        if cut.job.get(name) is not None
    ]


def doubts_in(geometry: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """What is doubted, in sentences."""
    yield from (one["doubt"] for one in geometry if one["doubt"] is not None)
