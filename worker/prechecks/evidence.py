"""What the past says of an intended cut: expected yield, standing, its lot, findings, the job's geometry."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any, Final

from worker.events import JOB, MACHINE, PLATE
from worker.kept import Kept, kept_about
from worker.noticing.finding import LEFT_OPEN, NEW_NAME, SET_ASIDE, finding_id
from worker.plates import UNKNOWN
from worker.plausibility import geometry_doubts
from worker.prechecks.intended import Intended
from worker.reports.bad_lots import LOT_OF, bad_lots
from worker.reports.expected_yield import NEVER_CUT, ExpectedYield, History, PlannedCut, Setup, expected_yield, history
from worker.reports.holding import OPEN, PROVEN, RULED_OUT
from worker.reports.questions import Askable, Question, read_question
from worker.reports.reading import Reader, spellings
from worker.reports.standings import CELL, Standing, standing_question, standings
from worker.sites import Settings

LAST: Final = "26w"
#: So many standings of a cell are shown, the best first.
MOST_STANDINGS: Final = 10
HEAT: Final = "heat"
_ORDER: Final = {PROVEN: 0, OPEN: 1, RULED_OUT: 2}
_PAST: Final = Askable(by=(), last=LAST, purposes=())
_SERIES: Final = Askable(by=(), last=LAST, options=(LOT_OF,))
_OF_LOT: Final = (
    "mill", "parts", "not_good", "plates", "failure_share", "expected_share", "verdict", "suspect", "reason",
)  # fmt: skip
#: Findings that are about entries, not about what is cut.
_OF_ENTRIES: Final = (NEW_NAME, LEFT_OPEN, SET_ASIDE)
NO_THICKNESS: Final = "thickness or material is not known: state them of the plate, or name the job"
NO_MACHINE: Final = "no machine is known: name it"


class Evidence:
    """The past of one intended cut, each part read once."""

    def __init__(self, reader: Reader, cut: Intended, *, today: date) -> None:
        self.reader, self.intended, self.today = reader, cut, today
        self.question = _asked(_PAST, cut.settings, today)
        self._history: History | None = None

    @property
    def history(self) -> History:
        """First-attempt parts of the material."""
        if self._history is None:
            self._history = history(self.reader, self.question, self.intended.material or "")
        return self._history

    def of(self, cut: PlannedCut) -> list[ExpectedYield]:
        """The yield to expect with each setup that cut this material, most promising first."""
        tried = [expected_yield(self.history, cut, setup) for setup in self.history.setups(cut)]
        return sorted(tried, key=promise)

    def expected(self) -> tuple[ExpectedYield | None, str | None]:
        """(the yield to expect on the machine, with the gas that promises most there; why there is none)."""
        cut = self.intended.cut
        if cut is None:
            return None, NO_THICKNESS
        if self.intended.machine is None:
            return None, NO_MACHINE
        on_machine = self.of(replace(cut, machine=self.intended.machine))
        if not on_machine:
            return None, NEVER_CUT
        return on_machine[0], on_machine[0].reason if on_machine[0].share is None else None


def _asked(askable: Askable, settings: Settings, today: date) -> Question:
    return read_question({}, today=today, settings=settings, askable=askable)


def promise(one: ExpectedYield) -> tuple[float, float, tuple[Any, ...]]:
    """Order by the lower limit of the yield: what is little known promises little."""
    low, share = (1.0 if value is None else -value for value in (one.low, one.share))
    return low, share, tuple((name is None, name or "") for name in one.setup)


def expected_plain(one: ExpectedYield | None, cut: Intended, reason: str | None) -> dict[str, Any]:
    """An expected yield as it is shown."""
    setup = Setup(cut.machine, None) if one is None else one.setup
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
    """Standings at the plate's thickness and condition on the machine, the best first; of all recipes."""
    cut, reader = evidence.intended, evidence.reader
    if cut.cut is None or cut.machine is None:
        return []
    found = standings(reader, standing_question(reader, evidence.today))
    wanted: dict[str, Any] = {
        "thickness": cut.thickness_nm, "material": cut.material, "machine": cut.machine,
        "surface_group": cut.surface_group, "thermal_history": cut.thermal_history,
    }  # fmt: skip
    mine = [one for one in found.standings if _is_of(one, wanted)]
    mine.sort(key=lambda one: (_ORDER[one.word], -(one.bounds.lower or 0.0), -one.counts.n))
    recipes = spellings(reader, "recipe")
    return [_standing(one, recipes, found.rule.target, found.rule.confidence) for one in mine[:MOST_STANDINGS]]


def _is_of(one: Standing, wanted: dict[str, Any]) -> bool:
    """A condition that nobody noted of the plate leaves all conditions."""
    return all(wanted.get(name) is None or value == wanted[name] for name, value in zip(CELL, one.cell, strict=True))


def _standing(one: Standing, recipes: dict[str, str], target: float, confidence: float) -> dict[str, Any]:
    cell = dict(zip(CELL, one.cell, strict=True))
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


# --- lot, findings, geometry ------------------------------------------------------------------------------------


def lot_plain(evidence: Evidence) -> dict[str, Any] | None:
    """What the plate's heat did so far, as report `lots` has it; None while its heat number is not known."""
    plate = evidence.intended.plate
    if plate["heat_number"] is None:
        return None
    report = bad_lots(evidence.reader, _asked(_SERIES, evidence.intended.settings, evidence.today))
    row = next((row for row in report.rows if (row["mill"], row["lot"]) == (plate["mill"], plate["heat_number"])), None)
    told = {name: None if row is None else row[name] for name in _OF_LOT}
    if row is None:
        told |= {"parts": 0, "not_good": 0, "plates": 0, "reason": "nothing of this heat was judged yet"}
    return {"heat_number": plate["heat_number"], **told, "mill": plate["mill"]}


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
        if one.finding.kind not in _OF_ENTRIES
        and (one.finding.subject_kind != HEAT or one.finding.other == (cut.plate["mill"] or ""))
    ]


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
