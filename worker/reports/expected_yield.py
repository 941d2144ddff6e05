"""The first-pass yield to expect of a cut: from its own past, or, where that is thin, from other thicknesses.

A setup is a machine with a gas. The past are first attempts of one material that speak of the process, of all purposes
unless one is asked for. The yield comes from the parts at the very thickness and condition of the plate, its cell, when
these tell as much as ENOUGH independent ones; else from the curve of the setup over thickness; and where no curve can
be fitted since too little failed or was tried, from the cell and all thicker plate, which can only be worse. Nothing is
said beyond the thicknesses tried in the condition. A condition that is not asked for stands for the mix of the past.

Where nothing tells how alike parts of one plate are, UNTOLD_CORRELATION is assumed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final, Literal, NamedTuple

from worker.measures import FIRST_PASS
from worker.placing import mm
from worker.plates import UNKNOWN
from worker.reports.process_parts import process_parts
from worker.reports.questions import Question
from worker.reports.reading import Reader
from worker.reports.thickness_yield import curve_of, shifted
from worker.sentences import Sentence, figure, sentence
from worker.stats.clustering import (
    Clustered,
    Correlation,
    Effective,
    correlation,
    effective,
    estimate,
)
from worker.stats.proportions import quantile
from worker.stats.starts import UNTOLD_CORRELATION, prudent_correlation
from worker.stats.thickness_curve import NOT_FALLING, CurvePoint, YieldCurve, band

#: Independent parts, or so many that tell as much, from which on a cell speaks for itself. With fewer it asks for 20 to
#: 50 % more starts than needed, where the curve asks for 5 to 10 % more; with more the cell knows better than a curve
#: that misses it (by simulation, as in `make calibrate`, part plans).
ENOUGH: Final = 20.0
#: A thickness lies off the curve by so much, as a standard deviation of the log-odds: each has a recipe of its own.
#: Without it, orders at thicknesses that scatter by 0.4 were enough in 93.5 % of simulated cases, with it in 95.5 %.
OFF_THE_CURVE: Final = 0.3
#: So many that a cell may say that the curve misses it: two plates that fail as a whole are no evidence of that.
LEAST_TO_OBJECT: Final = 10.0
CURVE_SAYS_NOTHING: Final = sentence("the curve over thickness says nothing here")
WORSE_THAN_CURVE: Final = sentence("worse here than the curve over thickness")
#: Of the intervals of a yield: so much lies within, half of the rest on each side.
CONFIDENCE: Final = 0.9

_DIVIDED: Final = ("machine", "gas", "recipe", "thickness", "surface_group", "thermal_history")
#: A yield within this of a limit is at it.
_GUARD: Final = 1e-12

NEVER_CUT: Final = sentence("no first attempts with a verdict in the window")
NOT_IN_CONDITION: Final = sentence("no first attempts on plate in this condition in the window")
#: What counts rest on, where nothing tells how alike parts of one plate are.
ALIKE_ASSUMED: Final = sentence(
    "how alike parts of one plate are cannot be told: a correlation of %(correlation)s is assumed",
    correlation=figure(UNTOLD_CORRELATION, "g"),
)

Source = Literal["cell", "curve", "thicker"]


class Setup(NamedTuple):
    """A machine, by its key, with a gas; None is not noted."""

    machine: str | None
    gas: str | None


@dataclass(frozen=True, slots=True)
class PlannedCut:
    """What is to be cut, names by their keys. None is not asked for; the condition then is the mix of the past."""

    material: str
    thickness_nm: int
    machine: str | None = None
    gas: str | None = None
    recipe: str | None = None
    surface_group: str | None = None
    thermal_history: str | None = None


class _Cell(NamedTuple):
    setup: Setup
    recipe: str | None
    thickness_nm: int
    surface_group: str
    thermal_history: str
    counts: Clustered


@dataclass(frozen=True, eq=False)
class History:
    """First-attempt parts of one material in a window, by cell; `pooled`: how alike parts of one plate are, over all.

    `question` is what was counted in the end. `ahead` are thicknesses in nm that will be asked about: the limits of a
    curve are sought at all of them at once. Curves are fitted once for each setup and recipe asked for.
    """

    cells: tuple[_Cell, ...]
    pooled: Correlation | None
    question: Question
    notes: tuple[str, ...]
    ahead: frozenset[int] = frozenset()
    _curves: dict[tuple[Setup, str | None], YieldCurve] = field(default_factory=dict)
    _points: dict[tuple[Setup, str | None, tuple[str, str]], dict[int, CurvePoint]] = field(default_factory=dict)

    @cached_property
    def _whole(self) -> Clustered:
        return Clustered.total(cell.counts for cell in self.cells)

    @cached_property
    def _of_setups(self) -> dict[Setup, list[_Cell]]:
        found: dict[Setup, list[_Cell]] = {}
        for cell in self.cells:
            found.setdefault(cell.setup, []).append(cell)
        return found

    @cached_property
    def _degrees(self) -> float:
        """Degrees of freedom between the plates of cells, or else of thicknesses."""
        return max(math.fsum(one.clusters_of_equal_size - 1 for one in groups) for groups in _groups(self.cells))

    @cached_property
    def is_told(self) -> bool:
        """Something tells how alike parts of one plate are, or does not need to.

        That is their correlation, or that nothing failed on several plates alike, or that plates had one part.
        """
        whole = self._whole
        nothing_failed = whole.n - whole.x <= _GUARD * whole.n and self._degrees > 0
        return self.pooled is not None or whole.of_single_parts or nothing_failed

    @property
    def alike(self) -> float:
        """Correlation to reckon with on plates to come, that of the past and more: see `prudent_correlation`.

        Where nothing failed, the same as if it were 0, but no more than where nothing is told.
        """
        whole, found = self._whole, self.pooled
        if found is None and self.is_told and not whole.of_single_parts:
            found = Correlation(0.0, degrees=self._degrees)
        prudent = prudent_correlation(found, mean_size=whole.n / whole.clusters if whole.clusters else 1.0)
        return prudent if self.pooled is not None else min(UNTOLD_CORRELATION, prudent)

    def tried(self, setup: Setup, recipe: str | None) -> list[_Cell]:
        """Cells of a setup, of one recipe when that is asked for."""
        return [cell for cell in self._of_setups.get(setup, ()) if recipe in (None, cell.recipe)]

    def curve(self, setup: Setup, recipe: str | None) -> YieldCurve:
        """The curve over these cells."""
        if (setup, recipe) not in self._curves:
            cells = [
                ((cell.thickness_nm, cell.surface_group, cell.thermal_history), cell.counts)
                for cell in self.tried(setup, recipe)
            ]
            self._curves[setup, recipe] = curve_of(cells, pooled=self.pooled if self.is_told else UNTOLD_CORRELATION)
        return self._curves[setup, recipe]

    def point(self, setup: Setup, recipe: str | None, condition: tuple[str, str], thickness_nm: int) -> CurvePoint:
        """The curve at a thickness within those tried, for plate in one condition; there must be a fit."""
        known = self._points.setdefault((setup, recipe, condition), {})
        if thickness_nm not in known:
            curve = self.curve(setup, recipe)
            thinnest, thickest = (round(row.thickness_mm * 1_000_000) for row in (curve.tried[0], curve.tried[-1]))
            wanted = sorted({thickness_nm, *(nm for nm in self.ahead if thinnest <= nm <= thickest)})
            at_mm = [nm / 1_000_000 for nm in wanted]
            known.update(
                zip(wanted, band(curve, at_mm, confidence=CONFIDENCE, condition=shifted(*condition)), strict=True)
            )
        return known[thickness_nm]

    def setups(self, cut: PlannedCut) -> list[Setup]:
        """Setups that cut this material, and this recipe, of those asked for; by their names, not noted last."""
        found = {
            cell.setup
            for cell in self.cells
            if cut.machine in (None, cell.setup.machine)
            and cut.gas in (None, cell.setup.gas)
            and cut.recipe in (None, cell.recipe)
        }
        return sorted(found, key=lambda setup: [(name is None, name or "") for name in setup])


def history(reader: Reader, question: Question, material: str, *, ahead: Iterable[int] = ()) -> History:
    """The past of a material, by its key, over the window of a question and with its filters.

    ahead: thicknesses in nm that will be asked about.
    """
    asked = Question(
        question.first_day,
        question.last_day,
        (),
        {**question.filters, "material": (material,)},
        question.asked,
        question.confidence,
    )
    found = process_parts(reader, asked, _DIVIDED)
    cells = [
        (Setup(machine, gas), recipe, nm, surface, thermal, FIRST_PASS.counts(sums))
        for (machine, gas, recipe, nm, surface, thermal), sums in found.groups.items()
        if nm is not None and sums[FIRST_PASS.n]
    ]
    known = history_of(cells, question=found.question, notes=found.notes)
    return replace(known, ahead=frozenset(ahead))


def history_of(
    cells: Iterable[tuple[Setup, str | None, int, str | None, str | None, Clustered]],
    *,
    question: Question,
    notes: Sequence[str] = (),
) -> History:
    """The past of cells, in any order: (setup, recipe, thickness in nm, surface group, thermal history, parts)."""
    known = [
        _Cell(setup, recipe, nm, surface or UNKNOWN, thermal or UNKNOWN, counts)
        for setup, recipe, nm, surface, thermal, counts in cells
    ]
    ordered = sorted(
        known, key=lambda cell: ([(name is None, name or "") for name in (*cell.setup, cell.recipe)], cell[2:5])
    )
    return History(tuple(ordered), _alike(ordered), question, tuple(notes))


def _alike(cells: Sequence[_Cell]) -> Correlation | None:
    """Correlation of parts of one plate within cells; where each has one plate, within thicknesses of a setup.

    The latter takes what conditions and recipes make of it for likeness of plates, and so is rather too high.
    """
    within_cells, within_thicknesses = _groups(cells)
    found = correlation(within_cells)
    return correlation(within_thicknesses) if found is None else found


def _groups(cells: Sequence[_Cell]) -> tuple[list[Clustered], list[Clustered]]:
    """(counts of cells, counts of thicknesses of setups)."""
    wider: dict[tuple[Setup, int], list[Clustered]] = {}
    for cell in cells:
        wider.setdefault((cell.setup, cell.thickness_nm), []).append(cell.counts)
    return [cell.counts for cell in cells], [Clustered.total(counts) for counts in wider.values()]


@dataclass(frozen=True, slots=True)
class ExpectedYield:
    """The yield to expect with one setup; all of it None with a `reason` when it cannot be said.

    `counts` are independent parts that would tell as much: what a plan starts from. `low` and `high` are limits of 90 %
    confidence. `source` says where it comes from. `parts` of the cell were judged, `good` of them were good, on so many
    `plates` (else runs, else attempts). `below_mm` and `above_mm`: the nearest thicknesses tried in the condition, the
    cell's own aside. `reason` says why it is not from the cell, or not at all; what `counts` rest on is said there.
    `parts_a_plate`: first-attempt parts on the plate of a part, on average.
    """

    setup: Setup
    counts: Effective | None
    share: float | None
    low: float | None
    high: float | None
    source: Source | None
    parts: int
    good: int
    plates: int
    below_mm: float | None
    above_mm: float | None
    parts_a_plate: float | None
    method: str | None
    reason: str | None


def expected_yield(history: History, cut: PlannedCut, setup: Setup) -> ExpectedYield:
    """The yield of a cut with a setup, from the past of its material."""
    tried = history.tried(setup, cut.recipe)
    cell = [each for each in tried if each.thickness_nm == cut.thickness_nm and _in_condition(each, cut)]
    whole = Clustered.total(each.counts for each in cell)
    counts = _counts(whole, history)
    found = _of_cell(counts) if counts.n >= ENOUGH - _GUARD else _borrowed(history, cut, setup, tried, counts)
    around = Clustered.total(each.counts for each in (cell or tried))
    others = {each.thickness_nm for each in tried if _in_condition(each, cut)} - {cut.thickness_nm}
    return ExpectedYield(
        setup=setup,
        counts=found.counts,
        share=found.share,
        low=found.low,
        high=found.high,
        source=found.source,
        parts=round(whole.n),
        good=round(whole.x),
        plates=whole.clusters,
        below_mm=mm(max((nm for nm in others if nm < cut.thickness_nm), default=None)),
        above_mm=mm(min((nm for nm in others if nm > cut.thickness_nm), default=None)),
        parts_a_plate=around.mean_size if around.n else None,
        method=history.curve(setup, cut.recipe).method if found.source == "curve" else None,
        reason=found.reason,
    )


def _in_condition(cell: _Cell, cut: PlannedCut) -> bool:
    return cut.surface_group in (None, cell.surface_group) and cut.thermal_history in (None, cell.thermal_history)


def _counts(parts: Clustered, history: History) -> Effective:
    """Independent parts that would tell as much, also where few plates tell how alike their parts are.

    Divided by the squared ratio of Student's t to the normal quantile: Korn EL, Graubard BI (1998), Survey Methodology
    24, 193-201. But parts cannot be more than wholly alike: a plate tells at least as much as one part. Also where
    nothing failed: all parts of three plates being good says little of the next plate.
    """
    if not history.is_told or (history.pooled is None and parts.clusters == 1 and not parts.of_single_parts):
        return replace(effective(parts, pooled=UNTOLD_CORRELATION, own=False), degrees=None, reason=ALIKE_ASSUMED)
    found = effective(parts, pooled=history.pooled, own=False)
    if found.n <= 0 or found.degrees is None:
        return found
    left = (quantile(CONFIDENCE) / quantile(CONFIDENCE, found.degrees)) ** 2
    n = max(found.n * left, min(found.n, parts.clusters_of_equal_size))
    share = found.x / found.n
    return Effective(share * n, n, found.parts / n, found.clusters, None, found.reason)


@dataclass(frozen=True, slots=True)
class _Found:
    counts: Effective | None = None
    share: float | None = None
    low: float | None = None
    high: float | None = None
    source: Source | None = None
    reason: str | None = None


def _of_cell(counts: Effective, source: Source = "cell", reason: str | None = None) -> _Found:
    found = estimate(counts, confidence=CONFIDENCE)
    return _Found(counts, found.share, found.low, found.high, source, reason)


def _borrowed(history: History, cut: PlannedCut, setup: Setup, tried: Sequence[_Cell], own: Effective) -> _Found:
    """From the curve, or from thicker plate; from the cell itself when neither tells more."""
    beyond = _beyond(cut, tried)
    if beyond is not None:
        return _Found(reason=beyond)
    curve = history.curve(setup, cut.recipe)
    reason = curve.reason
    if reason is None:
        found, alone = _of_curve(history, cut, setup, tried), _of_cell(own)
        if own.n >= LEAST_TO_OBJECT and found.share is not None and (alone.high or 1.0) < found.share:
            return replace(alone, reason=WORSE_THAN_CURVE)
        if found.counts is not None and found.counts.n > own.n:
            return found
        reason = CURVE_SAYS_NOTHING
    elif reason != NOT_FALLING:
        thicker = [each for each in tried if each.thickness_nm >= cut.thickness_nm and _in_condition(each, cut)]
        whole = Clustered.total(each.counts for each in thicker)
        together = _counts(whole, history)
        if together.n > own.n:
            return _of_cell(together, "thicker", reason)
    return _of_cell(own, reason=reason) if own.n > 0 else _Found(reason=reason)


def _beyond(cut: PlannedCut, tried: Sequence[_Cell]) -> Sentence | None:
    """Why the past of these cells cannot speak for the cut at all."""
    if not tried:
        return NEVER_CUT
    thicknesses = [each.thickness_nm for each in tried if _in_condition(each, cut)]
    if not thicknesses:
        return NOT_IN_CONDITION
    thinnest, thickest = figure(mm(min(thicknesses)), "g"), figure(mm(max(thicknesses)), "g")
    in_any = len(thicknesses) == len(tried)
    if cut.thickness_nm > max(thicknesses):
        if in_any:
            return sentence("above the thickest tried, %(thickest)s mm", thickest=thickest)
        return sentence("above the thickest tried in this condition, %(thickest)s mm", thickest=thickest)
    if cut.thickness_nm < min(thicknesses):
        if in_any:
            return sentence("below the thinnest tried, %(thinnest)s mm", thinnest=thinnest)
        return sentence("below the thinnest tried in this condition, %(thinnest)s mm", thinnest=thinnest)
    return None


def _of_curve(history: History, cut: PlannedCut, setup: Setup, tried: Sequence[_Cell]) -> _Found:
    """The curve at the thickness, over the mix of conditions of the past parts that meet what is asked.

    Conditions share the curve, so that their limits add up as their yields do: as if all were wrong together. Each was
    tried, so that a shift that cannot be told from others is told together with these.
    """
    mix: dict[tuple[str, str], float] = {}
    for each in tried:
        if _in_condition(each, cut):
            condition = each.surface_group, each.thermal_history
            mix[condition] = mix.get(condition, 0.0) + each.counts.n
    whole, curve = math.fsum(mix.values()), history.curve(setup, cut.recipe)
    points = [
        (parts / whole, _off(history.point(setup, cut.recipe, condition, cut.thickness_nm)))
        for condition, parts in sorted(mix.items())
    ]
    share, low, high = (
        min(1.0, math.fsum(weight * getattr(point, name) for weight, point in points))
        for name in ("share", "low", "high")
    )
    n = telling_as_much(share, low, most=curve.parts)
    design = math.fsum(row.counts.parts for row in curve.tried) / curve.parts
    reason = curve.counts_reason if history.is_told else ALIKE_ASSUMED
    counts = Effective(share * n, n, design, sum(row.counts.clusters for row in curve.tried), None, reason)
    return _Found(counts, share, low, high, "curve")


def _off(point: CurvePoint) -> CurvePoint:
    """The point with limits that also allow for how far a thickness lies off the curve."""
    by = quantile(CONFIDENCE) * OFF_THE_CURVE
    centre = _log_odds(point.share)
    low, high = (
        limit
        if limit in (0.0, 1.0) or math.isinf(centre)
        else _share(centre + side * math.hypot(by, centre - _log_odds(limit)))
        for limit, side in ((point.low, -1), (point.high, 1))
    )
    return replace(point, low=low, high=high)


def _log_odds(share: float) -> float:
    from scipy import special

    return float(special.logit(share))


def _share(log_odds: float) -> float:
    from scipy import special

    return float(special.expit(log_odds))


def telling_as_much(share: float, low: float, *, most: float) -> float:
    """So many independent parts with this share good whose posterior has this lower limit of 90 % confidence.

    The posterior of Jeffreys' prior, Beta(x + 1/2, n - x + 1/2): what decides how many parts are started is the lower
    tail of the yield, so that is what is matched. From 0 to `most`.
    """
    from scipy import optimize, special

    tail = (1 - CONFIDENCE) / 2

    def above(n: float) -> float:
        return float(special.betaincinv(share * n + 0.5, (1 - share) * n + 0.5, tail)) - low

    if above(most) < 0:
        return most
    return 0.0 if above(0.0) >= 0 else float(optimize.brentq(above, 0.0, most, xtol=1e-9, rtol=1e-12))
