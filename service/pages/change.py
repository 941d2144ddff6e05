"""Change: is a figure changing, or is it noise? A control chart, and each of its signals in words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

from flask import Response
from markupsafe import Markup

from service.asking import database, needs
from service.clock import now_us
from service.pages import terms
from service.pages.blueprint import blueprint, page_site, show
from service.pages.figures import (
    Field,
    Parameters,
    Told,
    also_asked,
    asked_parameters,
    filter_field,
    told,
    word_field,
)
from service.pages.languages import NOTHING, day, gettext, marked, ngettext, number, percent
from service.pages.pictures import Point, course
from worker.findings import findings
from worker.kept import OPEN
from worker.naming import name_key
from worker.reports.choices import choices
from worker.reports.reading import open_site

OF: Final = {"yield": marked("First-pass yield"), "pierces": marked("Failed pierces")}
PER: Final = {"week": marked("Week"), "day": marked("Day")}
CHARTS: Final = {
    "auto": marked("the one that fits"),
    "p": marked("chance alone"),
    "laney": marked("the variation there is"),
    "ewma": marked("small lasting changes"),
}
MIX: Final = {"as_cut": marked("as cut"), "adjusted": marked("adjusted for thickness and material")}
#: What a chart that was drawn allows for.
DRAWN: Final = {
    "p": marked("p chart: limits for chance alone"),
    "laney": marked("Laney's p' chart: limits for the variation that there is from period to period"),
    "ewma": marked("exponentially weighted average: shows small changes that last"),
}
#: The patterns of report trend, by the numbers of its column `rules`.
PATTERNS: Final = {
    "1": marked("beyond three sigmas"),
    "2": marked("one of nine in a row on one side of the centre"),
    "3": marked("one of six in a row that rise, or fall"),
    "4": marked("one of fourteen in a row that go up and down by turns"),
}
DRIFTS: Final = {
    "pierces_rose": marked(
        "Failed pierces on %(machine)s rose from %(before)s to %(after)s, most likely since %(since)s."
    ),
    "failures_rose": marked(
        "Parts on %(machine)s that were not good the first time rose from %(before)s to %(after)s, most likely since "
        "%(since)s."
    ),
}
#: How the chart marks where a change began.
BEGAN: Final = "\u0394"
_FILTERS: Final = ("machine", "material", "thickness", "gas")
#: So many drifts that the worker found are told beside a chart.
_MOST_DRIFTS: Final = 20


@blueprint.route("/change")
@needs("read")
def change() -> Response:
    """Show the chart of one figure with its signals, and the changes that the worker found by itself."""
    site, asked = page_site(), asked_parameters()
    with database().read() as connection:
        reader = open_site(connection, site)
        trend = told(reader, "trend", asked)
        drifts, _ = findings(reader, now_us=now_us(), kind="drift", state=OPEN, limit=_MOST_DRIFTS)
        offered = choices(reader, _FILTERS)
    begun = frozenset(_begins(trend, [found.finding for found in drifts]))
    chart = _Chart(trend, begun)
    return show(
        "change.html",
        site=site,
        trend=trend,
        chart=chart,
        drawn=gettext(DRAWN[trend.details["chart"]]),
        answer=chart.answer,
        signals=list(chart.signals()),
        picture=chart.picture(),
        letters=chart.letters(),
        period=said_period,
        happened=[_happened(row) for row in trend.rows],
        drifts=[_drift(found.finding) for found in drifts],
        fields=_fields(trend, offered, asked),
        also_asked=also_asked,
    )


def _fields(trend: Told, offered: Mapping[str, Sequence[Any]], asked: Parameters) -> list[Field]:
    options = trend.question.options
    return [
        word_field("of", gettext("Figure"), OF, options["of"]),
        word_field("per", gettext("A point is a"), PER, options["per"]),
        word_field("chart", gettext("Limits for"), CHARTS, options["chart"]),
        word_field("mix", gettext("Mix"), MIX, options["mix"]),
        filter_field("machine", gettext("Machine"), offered["machine"], asked),
        filter_field("thickness_mm", gettext("Thickness"), offered["thickness"], asked, unit="mm"),
        filter_field("material", gettext("Material"), offered["material"], asked),
        filter_field("gas", gettext("Gas"), offered["gas"], asked, words=terms.GASES),
    ]


def _drift(finding: Any) -> dict[str, Any]:
    """A drift that the worker found, as a sentence with its change point; where it has none, as the worker says it."""
    evidence = finding.figures
    sentence = DRIFTS.get(finding.code)
    if sentence is None or evidence.get("share_before") is None:
        return {"sentence": None, "detail": finding.detail}
    return {
        "sentence": gettext(
            sentence,
            machine=finding.subject,
            before=percent(evidence["share_before"]),
            after=percent(evidence["share"]),
            since=day(evidence["since"]),
        ),
        "detail": finding.detail,
    }


def _begins(trend: Told, drifts: Sequence[Any]) -> Iterator[str]:
    """Periods of the chart in which a change that it may show most likely began."""
    options, machines = trend.question.options, trend.question.filters.get("machine")
    code = "pierces_rose" if options["of"] == "pierces" else "failures_rose"
    for finding in drifts:
        if finding.code == code and (machines is None or name_key(finding.subject) in machines):
            since = date.fromisoformat(finding.figures["since"])
            year, week, _ = since.isocalendar()
            yield since.isoformat() if options["per"] == "day" else f"{year}-W{week:02}"


@dataclass(frozen=True)
class _Chart:
    """A chart of report trend: of shares, or of an average in sigmas. `begun`: periods in which a change began."""

    trend: Told
    begun: frozenset[str]

    @property
    def is_average(self) -> bool:
        """True for the chart of an average in sigmas of the chart of shares."""
        return bool(self.trend.details["chart"] == "ewma")

    @property
    def is_pierces(self) -> bool:
        """True for a chart of failed pierces, of which less is better."""
        return bool(self.trend.question.options["of"] == "pierces")

    @property
    def signalling(self) -> list[int]:
        """Rows that are signals."""
        return [index for index, row in enumerate(self.trend.rows) if row["signals"]]

    def letters(self) -> dict[int, str]:
        """Row -> the letter by which the chart names what else happened then."""
        happened = [index for index, row in enumerate(self.trend.rows) if row["services"] or row["recipes_begun"]]
        return {index: _letter(count) for count, index in enumerate(happened)}

    def began(self) -> list[tuple[int, str]]:
        """(row, sign) of the periods in which a change began."""
        return [(index, BEGAN) for index, row in enumerate(self.trend.rows) if row["period"] in self.begun]

    @property
    def answer(self) -> tuple[str, str | None]:
        """(what the chart says in a sentence, what the report says to it in English)."""
        rows, reason = self.trend.rows, self.trend.details["reason"]
        if not rows:
            return self.trend.why_nothing, None
        if reason is not None:
            return gettext("No limits can be drawn."), reason
        what = gettext(OF[self.trend.question.options["of"]])
        if found := self.signalling:
            sentence = ngettext(
                "%(what)s: %(count)s point of %(all)s lies outside the limits. Look for what changed there.",
                "%(what)s: %(count)s points of %(all)s lie outside the limits. Look for what changed there.",
                len(found),
                what=what,
                all=number(len(rows)),
            )
        elif any(row["rules"] for row in rows):
            sentence = gettext(
                "%(what)s: no single point lies outside the limits, but some form a pattern that chance seldom makes.",
                what=what,
            )
        else:
            sentence = gettext(
                "%(what)s: no more change than the chart allows. A single low or high point is no reason to act.",
                what=what,
            )
        return sentence, None

    def picture(self) -> Markup:
        """The chart."""
        rows, details = self.trend.rows, self.trend.details
        what = gettext(OF[self.trend.question.options["of"]])
        if self.is_average:
            values = [row["average"] for row in rows]
            limits = ([_minus(row["average_limit"]) for row in rows], [row["average_limit"] for row in rows])
            centre: float | None = 0.0
        else:
            values = [row["shown_share"] for row in rows]
            limits = ([row["lower"] for row in rows], [row["upper"] for row in rows])
            centre = details["centre"]
        has_limits = any(value is not None for side in limits for value in side)
        return course(
            [Point(_short(row["period"]), value) for row, value in zip(rows, values, strict=True)],
            name=gettext("Control chart: %(what)s", what=what),
            described=self._described(has_limits=has_limits),
            unit="number" if self.is_average else "percent",
            centre=[centre if has_limits else None] * len(rows),
            limits=limits if has_limits else None,
            signals=self.signalling,
            marks=[*self.began(), *self.letters().items()],
        )

    def _described(self, *, has_limits: bool) -> str:
        rows = self.trend.rows
        told_values = {
            "count": number(len(rows)),
            "first": said_period(rows[0]["period"]) if rows else NOTHING,
            "last": said_period(rows[-1]["period"]) if rows else NOTHING,
        }
        if not has_limits:
            return gettext(
                "Points from %(first)s to %(last)s without limits, %(count)s in all; the table beneath has the "
                "figures.",
                **told_values,
            )
        return gettext(
            "%(count)s points from %(first)s to %(last)s with centre line and control limits, %(signals)s of them "
            "outside; the table beneath has the figures.",
            **told_values,
            signals=number(len(self.signalling)),
        )

    def signals(self) -> Iterator[tuple[str, str]]:
        """(period, what it says) of each row that is a signal, or part of a pattern; with what else happened then."""
        for row in self.trend.rows:
            patterns = [gettext(PATTERNS[rule]) for rule in (row["rules"] or "").split() if rule in PATTERNS]
            if row["signals"] or patterns:
                yield said_period(row["period"]), " ".join(self._sentences(row, patterns))

    def _sentences(self, row: Mapping[str, Any], patterns: Sequence[str]) -> Iterator[str]:
        yield f"{self._said(row)}."
        if patterns:
            yield gettext("Pattern: %(patterns)s.", patterns="; ".join(patterns))
        if row["services"]:
            yield gettext("Serviced then: %(services)s.", services=said_services(row["services"]))
        if row["recipes_begun"]:
            yield gettext("New recipe then: %(recipes)s.", recipes=row["recipes_begun"])

    def _said(self, row: Mapping[str, Any]) -> str:
        value, of = row["average"] if self.is_average else row["shown_share"], self.trend.question.options["of"]
        counted = {"share": percent(row["share"]), "x": number(row["x"]), "n": number(row["n"])}
        if of == "yield":
            sentence = gettext("%(share)s good the first time (%(x)s of %(n)s parts)", **counted)
        else:
            sentence = gettext("%(share)s of the pierces failed (%(x)s of %(n)s)", **counted)
        low, high = (
            (_minus(row["average_limit"]), row["average_limit"]) if self.is_average else (row["lower"], row["upper"])
        )
        if self.is_average and value is not None and row["average_limit"] is not None:
            if abs(value) <= row["average_limit"]:
                return sentence
            side = (
                gettext("the average lies under its limit") if value < 0 else gettext("the average lies over its limit")
            )
            return f"{sentence}; {side}"
        if value is not None and low is not None and value < low:
            return f"{sentence}; {gettext('under the lower limit of %(limit)s', limit=percent(low))}"
        if value is not None and high is not None and value > high:
            return f"{sentence}; {gettext('over the upper limit of %(limit)s', limit=percent(high))}"
        return sentence


def said_services(services: str | None) -> str | None:
    """Services of a period as people read them."""
    if services is None:
        return None
    told_services = (one.rpartition(": ") for one in services.split("; "))
    return "; ".join(f"{machine}: {terms.said(terms.SERVICES, what)}" for machine, _, what in told_services)


def said_period(period: str) -> str:
    """A day as it is written in the language of the page; a week as it is."""
    return period if "W" in period else day(period)


def _happened(row: Mapping[str, Any]) -> str:
    """What else happened in a period: services, and recipes that were new then."""
    recipes = row["recipes_begun"]
    new = gettext("new recipe: %(recipes)s", recipes=recipes) if recipes else None
    return "; ".join(filter(None, (said_services(row["services"]), new)))


def _minus(value: float | None) -> float | None:
    return None if value is None else -value


def _short(period: str) -> str:
    """A week without its year, a day without its year."""
    return period[5:]


def _letter(count: int) -> str:
    """a to z, then aa, ab ..."""
    letters = "abcdefghijklmnopqrstuvwxyz"
    return (
        letters[count] if count < len(letters) else _letter(count // len(letters) - 1) + letters[count % len(letters)]
    )
