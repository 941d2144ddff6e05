"""The plan of an order, from the past of its material."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import date
from functools import cached_property
from typing import Final

from worker.placing import mm
from worker.planning.figures import (
    MOST_ALTERNATIVES,
    NONE_YET,
    Alternative,
    Amount,
    Plan,
    PlatesNeeded,
    added,
    amount,
)
from worker.planning.orders import MOST_PARTS, Order
from worker.planning.sentences import said, setup_said
from worker.plausible_series import STEEL_KG_PER_MM3
from worker.reports.cutting_amounts import (
    Amounts,
    Filled,
    Took,
    amounts,
    share_of_plates,
    took_between,
    usual_rework,
)
from worker.reports.expected_yield import (
    NEVER_CUT,
    ExpectedYield,
    History,
    Setup,
    expected_yield,
    history,
)
from worker.reports.process_parts import CELL_NAMES
from worker.reports.questions import Question
from worker.reports.reading import Reader, spellings
from worker.reports.standings import Standing, standing_question, standings
from worker.sentences import counted, figure, joined, sentence
from worker.sites import Settings
from worker.stats.starts import Plates, Starts, starts, top_up

#: The chance of enough good parts when none is asked for, and the window.
DEFAULT_ASSURANCE: Final = 0.95
LAST: Final = "26w"
#: Two lots are worked out up to so many parts: that takes many times as long as one.
MOST_TOPPED_UP: Final = 2_000
#: Cells of one cut that stand apart.
MIXED: Final = "mixed"
#: Of reasons why none of several setups tells anything so many are said.
_MOST_REASONS: Final = 3
_MINUTE: Final = 60
_BEVEL: Final = "bevel"

_NO_PLATE_STATED: Final = sentence("give parts_a_plate, or plate_length_mm, plate_width_mm and part_mass_kg")
_NO_MASS_TO_FIT: Final = sentence("the mass of a part is not known; give part_mass_kg or parts_a_plate")
_NO_PLATE_CLOSED: Final = sentence("no closed plate of this thickness tells how full plates get; give parts_a_plate")
_NONE_FITS: Final = sentence("by its mass not one part fits on such a plate")
_SECONDS_OF_JOB: Final = sentence("seconds of a part are planned by the job: how they spread is not known")
_SECONDS_ASKED: Final = sentence("seconds of a part are as asked: how they spread is not known")
_MACHINE_TIME: Final = sentence("machine time")
_REWORK: Final = sentence("rework")
_SCRAP_MASS: Final = sentence("scrap mass")
_NO_MACHINE_RATE: Final = sentence("the site has set no rate for a machine-hour")
_NO_LABOUR_RATE: Final = sentence("the site has set no rate for an hour of labour")
_NO_MATERIAL_RATE: Final = sentence("the site has set no rate for a kilogram of the material")
_REWORK_NONE_YET: Final = sentence(
    "rework: none so far, with this material: no upper limit, so that it is not in that of the cost"
)

#: A material, by its key, cut with a bevel in thousandths of a degree; None is a square cut.
_Kind = tuple[str, int | None]


@dataclass
class Past:
    """What the site's past tells of the orders: each material and bevel is read once, each curve fitted once."""

    reader: Reader
    question: Question
    settings: Settings
    today: date
    orders: Sequence[Order]
    _histories: dict[_Kind, History] = field(default_factory=dict)
    _amounts: dict[tuple[_Kind, int], Amounts] = field(default_factory=dict)
    _rework: dict[_Kind, float | None] = field(default_factory=dict)
    _standings: dict[str, list[Standing]] = field(default_factory=dict)
    _filled: dict[tuple[_Kind, int], Filled] = field(default_factory=dict)

    def bevel_mdeg(self, order: Order) -> int | None:
        """The bevel of past cuts that count: that asked for, else that of the job; None is a square cut."""
        asked: tuple[int | None, ...] = self.question.filters.get(_BEVEL, (order.bevel_mdeg,))
        return asked[0] or None

    def _kind(self, order: Order) -> _Kind:
        return order.cut.material, self.bevel_mdeg(order)

    def history(self, order: Order) -> History:
        """First-attempt parts of the material of an order with its bevel."""
        kind = self._kind(order)
        if kind not in self._histories:
            question = self.question
            if kind[1] is not None and _BEVEL not in question.filters:
                question = replace(question, filters={**question.filters, _BEVEL: (kind[1],)})
            ahead = {one.cut.thickness_nm for one in self.orders if self._kind(one) == kind}
            self._histories[kind] = history(self.reader, question, kind[0], ahead=ahead)
        return self._histories[kind]

    def took(self, order: Order, expected: ExpectedYield) -> Took:
        """What this cut took; where nothing is known of its own thickness, between the next thinner and thicker."""
        cut = order.cut
        own = self._took(order, expected.setup, cut.thickness_nm)
        if own.seconds is not None or own.judged or expected.below_mm is None or expected.above_mm is None:
            return own
        between = expected.below_mm, expected.above_mm
        thinner, thicker = (self._took(order, expected.setup, round(each * 1_000_000)) for each in between)
        return took_between(thinner, thicker, at_mm=cut.thickness_nm / 1_000_000, between=between)

    def _took(self, order: Order, setup: Setup, thickness_nm: int) -> Took:
        place = self._kind(order), thickness_nm
        if place not in self._amounts:
            self._amounts[place] = amounts(self.reader, self.history(order).question, thickness_nm)
        return self._amounts[place].of(order.cut, setup)

    def rework(self, order: Order) -> float | None:
        """Minutes of rework a part where there is any, over all cuts of the material."""
        kind = self._kind(order)
        if kind not in self._rework:
            self._rework[kind] = usual_rework(self.reader, self.history(order).question)
        return self._rework[kind]

    def filled(self, order: Order) -> Filled:
        """How full plates were."""
        place = self._kind(order), order.cut.thickness_nm
        if place not in self._filled:
            self._filled[place] = share_of_plates(self.reader, self.history(order).question, order.cut.thickness_nm)
        return self._filled[place]

    def standing(self, order: Order, setup: Setup) -> str | None:
        """What report standing says today of the cells of this cut; MIXED where they stand apart, None without any.

        It speaks of square cuts alone.
        """
        cut = order.cut
        if self.bevel_mdeg(order) is not None:
            return None
        if cut.material not in self._standings:
            asked = standing_question(self.reader, self.today)
            asked = replace(asked, filters={**asked.filters, "material": (cut.material,)})
            self._standings[cut.material] = standings(self.reader, asked).standings
        wanted = asdict(cut) | setup._asdict()
        wanted["thickness"] = cut.thickness_nm
        words = {
            one.word
            for one in self._standings[cut.material]
            if all(
                wanted[name] == value if name in ("machine", "gas") else wanted[name] in (None, value)
                for name, value in zip(CELL_NAMES, one.cell, strict=True)
            )
        }
        return (words.pop() if len(words) == 1 else MIXED) if words else None

    @cached_property
    def machines(self) -> Mapping[str, str]:
        """Key -> spelling of machines."""
        return spellings(self.reader, "machine")


# --- plans ------------------------------------------------------------------------------------------------------


def plan(past: Past, order: Order, *, assurance: float, with_top_up: bool) -> Plan:
    """The plan of an order with the best setup of those asked for."""
    known = past.history(order)
    tried = sorted(
        (expected_yield(known, order.cut, setup) for setup in known.setups(order.cut)), key=_promise, reverse=True
    )
    if not tried or tried[0].counts is None:
        return _no_plan(past, order, tried, assurance)
    return _planned(past, order, tried, assurance=assurance, with_top_up=with_top_up)


def _promise(one: ExpectedYield) -> tuple[float, float]:
    """By the lower limit of the yield: what is little known promises little. The first of equals is the best."""
    return (-1.0 if one.low is None else one.low, -1.0 if one.share is None else one.share)


def _alternatives(past: Past, tried: Sequence[ExpectedYield]) -> tuple[Alternative, ...]:
    return tuple(
        Alternative(
            _spelled(past, one.setup),
            one.setup.gas,
            one.share,
            one.low,
            one.high,
            None if one.counts is None else one.counts.n,
            one.source,
            one.reason,
        )
        for one in tried[:MOST_ALTERNATIVES]
    )


def _spelled(past: Past, setup: Setup) -> str | None:
    return setup.machine and past.machines.get(setup.machine, setup.machine)


def _no_plan(past: Past, order: Order, tried: Sequence[ExpectedYield], assurance: float) -> Plan:
    best, reason = tried[0] if tried else None, _why_none(past, order, tried)
    nothing = Amount(reason=reason)
    return Plan(
        order=order,
        assurance=assurance,
        expected=best,
        standing=None,
        correlation=None,
        correlation_ahead=None,
        starts=None,
        top_up=None,
        plates=None,
        machine_minutes=nothing,
        rework_minutes=nothing,
        scrap_mass_kg=nothing,
        cost=nothing,
        currency=None,
        machine=order.machine if best is None else _spelled(past, best.setup),
        gas=order.cut.gas if best is None else best.setup.gas,
        bevel_mdeg=past.bevel_mdeg(order),
        alternatives=_alternatives(past, tried),
        more_alternatives=max(0, len(tried) - MOST_ALTERNATIVES),
        reason=reason,
        notes=past.history(order).notes,
    )


def _why_none(past: Past, order: Order, tried: Sequence[ExpectedYield]) -> str | None:
    """Why no setup tells the yield: each reason once, with one that it holds for."""
    if not tried:
        bevel = past.bevel_mdeg(order)
        if bevel is None:
            return NEVER_CUT
        return sentence(
            "no first attempts with a bevel of %(bevel)s degrees and with a verdict in the window",
            bevel=figure(mm(bevel * 1000), "g"),
        )
    if len(tried) == 1:
        return tried[0].reason
    reasons: dict[str | None, str] = {}
    for one in tried:
        setup = setup_said(_spelled(past, one.setup), one.setup.gas)
        reasons.setdefault(one.reason, sentence("%(reason)s (%(setup)s)", reason=one.reason, setup=setup))
    told = [*reasons.values()][:_MOST_REASONS]
    if len(reasons) > len(told):
        told.append(sentence("and %(more)s other reasons", more=len(reasons) - len(told)))
    return sentence(
        "none of %(setups)s setups tells anything: %(reasons)s", setups=len(tried), reasons=joined("; ", told)
    )


def _planned(
    past: Past,
    order: Order,
    tried: Sequence[ExpectedYield],
    *,
    assurance: float,
    with_top_up: bool,
) -> Plan:
    expected, known = tried[0], past.history(order)
    counts = expected.counts
    assert counts is not None
    plates = _plates(past, order, expected)
    lie = Plates(_parts_a_plate(plates, expected), known.alike)
    found = starts(counts, parts=order.parts, assurance=assurance, plates=lie)
    two_lots = with_top_up and order.parts <= MOST_TOPPED_UP
    more = top_up(counts, parts=order.parts, assurance=assurance, plates=lie) if two_lots else None
    done = Plan(
        order=order,
        assurance=assurance,
        expected=expected,
        standing=past.standing(order, expected.setup),
        correlation=known.pooled,
        correlation_ahead=known.alike if lie.parts_a_plate > 1 else None,
        starts=found,
        top_up=more,
        plates=_needed(plates, found.started),
        machine_minutes=Amount(reason=found.reason),
        rework_minutes=Amount(reason=found.reason),
        scrap_mass_kg=Amount(reason=found.reason),
        cost=Amount(reason=found.reason),
        currency=None,
        machine=_spelled(past, expected.setup),
        gas=expected.setup.gas,
        bevel_mdeg=past.bevel_mdeg(order),
        alternatives=_alternatives(past, tried),
        more_alternatives=max(0, len(tried) - MOST_ALTERNATIVES),
        reason=found.reason if found.started is None else None,
        notes=(),
    )
    took = past.took(order, expected)
    if found.started is not None:
        done = _costed(done, took, expected, past.settings, usual_rework=past.rework(order))
    return replace(done, notes=(*said(done, took, lie), *known.notes))


# --- plates -----------------------------------------------------------------------------------------------------


def _plates(past: Past, order: Order, expected: ExpectedYield) -> PlatesNeeded:
    """Parts a plate: as asked, else what fits on the plate at the share that past plates were used."""
    if order.parts_a_plate is not None:
        return PlatesNeeded(order.parts_a_plate, "asked", None, None)
    if order.plate_length_mm is None or order.plate_width_mm is None:
        return PlatesNeeded(None, None, None, _NO_PLATE_STATED)
    if order.part_mass_kg is None:
        return PlatesNeeded(None, None, None, _NO_MASS_TO_FIT)
    filled = past.filled(order)
    if filled.share is None:
        return PlatesNeeded(None, None, None, _NO_PLATE_CLOSED)
    plate_kg = order.plate_length_mm * order.plate_width_mm * order.cut.thickness_nm / 1e6 * STEEL_KG_PER_MM3
    fit = math.floor(plate_kg * filled.share / order.part_mass_kg + 1e-9)
    if not fit:
        return PlatesNeeded(None, None, None, _NONE_FITS)
    source = counted(
        filled.plates,
        "estimated: %(share)s of the steel of %(count)s closed plate of this thickness became parts (7850 kg/m3)",
        "estimated: %(share)s of the steel of %(count)s closed plates of this thickness became parts (7850 kg/m3)",
        share=figure(filled.share, ".0%"),
    )
    return PlatesNeeded(min(fit, MOST_PARTS), source, None, None)


def _parts_a_plate(plates: PlatesNeeded, expected: ExpectedYield) -> int:
    """How many stand or fall together: as they will lie, else as they lay in the past."""
    if plates.parts_a_plate is not None:
        return plates.parts_a_plate
    return max(1, round(expected.parts_a_plate or 1.0))


def _needed(plates: PlatesNeeded, started: int | None) -> PlatesNeeded:
    if plates.parts_a_plate is None or started is None:
        return plates
    return replace(plates, needed=math.ceil(started / plates.parts_a_plate))


# --- minutes, mass, cost ----------------------------------------------------------------------------------------


def _costed(done: Plan, took: Took, expected: ExpectedYield, settings: Settings, *, usual_rework: float | None) -> Plan:
    assert done.starts is not None
    assert done.starts.started is not None
    started, order = done.starts.started, done.order
    minutes = _machine_minutes(order, took, started)
    rework = amount(
        took.rework_minutes,
        parts=started,
        past_parts=took.judged,
        usual=usual_rework,
        missing=sentence("no judged parts of this cut in the window"),
    )
    scrap = _scrap(done.starts, took, order.part_mass_kg, 0.0 if expected.counts is None else expected.counts.n)
    cost, currency = _cost(minutes, rework, scrap, settings, expected.setup, order)
    return replace(
        done, machine_minutes=minutes, rework_minutes=rework, scrap_mass_kg=scrap, cost=cost, currency=currency
    )


def _machine_minutes(order: Order, took: Took, started: int) -> Amount:
    if order.seconds_a_part is not None:
        minutes = order.seconds_a_part * started / _MINUTE
        return Amount(minutes, None, None, None, _SECONDS_OF_JOB if order.seconds_of_job else _SECONDS_ASKED)
    missing = sentence("no times of this cut in the window; give seconds_a_part")
    return amount(took.seconds, parts=started, past_parts=took.timed, unit=_MINUTE, missing=missing)


def _scrap(found: Starts, took: Took, part_mass_kg: float | None, n: float) -> Amount:
    """Mass of the parts that come to nothing."""
    if part_mass_kg is None:
        return Amount(reason=sentence("the mass of a part is not known; give part_mass_kg"))
    if found.started is None or found.expected is None or found.low is None or found.high is None:
        return Amount(reason=found.reason)
    mass = part_mass_kg * _lost_share(took)
    bad, least, most = (found.started - good for good in (found.expected, found.high, found.low))
    return Amount(bad * mass, least * mass, most * mass, n, None)


def _lost_share(took: Took) -> float:
    """Of parts that are not good at once the share that comes to nothing; all of them where none was judged."""
    ended = took.lost + took.recovered
    return took.lost / ended if ended else 1.0


def _cost(
    minutes: Amount, rework: Amount, scrap: Amount, settings: Settings, setup: Setup, order: Order
) -> tuple[Amount, str | None]:
    rates = settings.values["rates"] or {}
    currency: str | None = rates.get("currency")
    priced = (
        (_MACHINE_TIME, minutes, _NO_MACHINE_RATE, settings.machine_per_hour(setup.machine), _MINUTE),
        (_REWORK, rework, _NO_LABOUR_RATE, settings.labour_per_hour, _MINUTE),
        (_SCRAP_MASS, scrap, _NO_MATERIAL_RATE, settings.material_per_kg(order.cut.material), 1),
    )
    for what, one, no_rate, rate, _ in priced:
        if rate is None:
            return Amount(reason=no_rate), currency
        if one.expected is None:
            return Amount(reason=sentence("%(what)s: %(reason)s", what=what, reason=one.reason)), currency
    whole = added([(one, float(rate or 0) / per) for _, one, _, rate, per in priced])
    if whole.reason == NONE_YET:
        whole = replace(whole, reason=_REWORK_NONE_YET)
    return whole, currency
