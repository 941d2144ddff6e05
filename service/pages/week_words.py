"""The words of the week: what its measures, the criteria of its entries and its changes are called."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from service.pages import contents
from service.pages.contents import Cell, Kind
from service.pages.languages import gettext, marked, number, percent
from service.pages.terms import said
from worker.reports.report import Report


@dataclass(frozen=True, slots=True)
class Measure:
    """A measure of report yield as the week shows it.

    is_amount: it grows with what is cut, so that weeks are held against their mean.
    """

    name: str
    text: str
    kind: Kind
    is_amount: bool = False
    has_interval: bool = False


MEASURES: Final = (
    Measure("attempts", marked("Attempts"), "count", is_amount=True),
    Measure("parts_started", marked("Parts started"), "count", is_amount=True),
    Measure("parts_judged_first", marked("Parts judged"), "count", is_amount=True),
    Measure("judged_share", marked("Judged share"), "share"),
    Measure("first_pass_yield", marked("First-pass yield"), "share", has_interval=True),
    Measure("yield_after_rework", marked("Yield after rework"), "share"),
    Measure("rework_ratio", marked("Rework ratio"), "share"),
    Measure("scrap_ratio", marked("Scrap ratio"), "share"),
    Measure("failed_pierce_rate", marked("Failed-pierce rate"), "share", has_interval=True),
    Measure("rework_minutes", marked("Rework minutes on these cuts, so far"), "minutes", is_amount=True),
    Measure("rework_minutes_per_good_part", marked("Rework minutes per good part"), "minutes"),
    Measure("scrap_mass_kg", marked("Scrap mass, kg"), "number", is_amount=True),
    Measure("cost_of_poor_quality", marked("Cost of poor quality"), "money", is_amount=True),
)  # fmt: skip

#: Figures whose change since publication is told, and how each is read; the others are only counted.
CHANGED: Final[Mapping[str, tuple[str, Kind]]] = {
    **{measure.name: (measure.text, measure.kind) for measure in MEASURES},
    "first_pass_good": (marked("Parts good at once"), "count"),
    "rework": (marked("Parts that needed rework"), "count"),
    "scrap": (marked("Parts scrapped"), "count"),
    "not_made": (marked("Parts not made"), "count"),
    "pierces": (marked("Pierces"), "count"),
    "failed_pierces": (marked("Failed pierces"), "count"),
    "booked_rework_minutes": (marked("Rework minutes booked in the week"), "minutes"),
    "booked_rework_cost": (marked("Cost of the rework booked in the week"), "money"),
    "parts_lost": (marked("Parts lost"), "count"),
}

#: Criteria of report coverage, each with what is amiss.
CRITERIA: Final = {
    "no_plate": marked("Attempts that name no plate"),
    "no_piece": marked("Attempts that name no piece"),
    "no_pierces": marked("Attempts that do not tell their pierces"),
    "no_seconds": marked("Attempts that do not tell their time"),
    "no_verdict": marked("Attempts with parts not judged"),
    "at_shift_end": marked("Attempts told all at once around the end of a shift"),
    "parts_not_recorded": marked("Parts of completed jobs that no attempt made"),
    "clock_ahead": marked("Events from clocks that run ahead"),
    "perfect_record": marked("Terminals whose record is too good to be chance"),
    "silent": marked("Terminals that fell silent"),
}
VERDICTS: Final = {"good": marked("good"), "doubtful": marked("doubtful")}
#: What is said of lost parts in the place of a word.
RESTS: Final = {
    "several": marked("several at once"),
    "unstated": marked("not said"),
    "not_severed": marked("not cut through"),
    "pierce_failed": marked("pierce failed"),
    "aborted": marked("given up"),
}
CERTAINTIES: Final = {"suspected": marked("suspected"), "confirmed": marked("confirmed")}


def word(words: Mapping[str, str], told: str | None) -> str:
    """A word of the losses: one of the trade, or what stands in its place."""
    return said({**words, **RESTS}, told)


def cell(kind: Kind, value: Any, currency: str | None) -> Cell:
    """A value of a report as a cell of its kind."""
    match kind:
        case "share":
            return contents.share(value)
        case "money":
            return contents.money(value, currency)
        case "minutes":
            return contents.minutes(value)
        case "count":
            return contents.count(value)
        case "number":
            return contents.number(value, 1)
    return contents.text(None if value is None else str(value))


def thickness(mm: float | None) -> str:
    """A thickness as a label."""
    return gettext("not known") if mm is None else gettext("%(thickness)s mm", thickness=number(mm))


def interval_heading(report: Report) -> str:
    """How sure the limits of a report's intervals are, as a heading."""
    return gettext("%(confidence)s interval", confidence=percent(report.confidence, 0))
