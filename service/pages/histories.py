"""What happened to something, entry by entry, in words. Names of people are in none of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any, Final

import orjson

from service.pages import terms
from service.pages.facts import Fact, facts_of, in_a_line
from service.pages.languages import gettext, instant, marked, number
from service.pages.terms import said
from worker.ledger import FeedItem
from worker.reports.reading import instant as instant_of

#: What happened, by the type of the entry.
HAPPENED: Final = {
    "cutledger.job.opened": marked("Job opened"),
    "cutledger.job.closed": marked("Job closed"),
    "cutledger.plate.received": marked("Plate received"),
    "cutledger.plate.assessed": marked("Condition of the plate seen"),
    "cutledger.plate.closed": marked("Plate closed"),
    "cutledger.attempt.started": marked("Cut begun"),
    "cutledger.attempt.finished": marked("Cut ended"),
    "cutledger.attempt.inspected": marked("Parts judged"),
    "cutledger.attempt.reworked": marked("Parts worked on"),
    "cutledger.machine.serviced": marked("Machine serviced"),
    "cutledger.site.set": marked("Settings changed"),
    "cutledger.finding.noted": marked("Note on a finding"),
    "cutledger.proof.planned": marked("Proof planned"),
    "cutledger.shift.handed_over": marked("Shift handed over"),
    "cutledger.machine.checked": marked("Machine checked"),
    "cutledger.recipe.released": marked("Settings released"),
    "cutledger.recipe.withdrawn": marked("Settings withdrawn"),
    "cutledger.hold.placed": marked("Hold placed"),
    "cutledger.hold.lifted": marked("Hold lifted"),
    "cutledger.trial.planned": marked("Trial planned"),
    "cutledger.trial.cut": marked("Trial run cut"),
    "cutledger.trial.concluded": marked("Trial concluded"),
    "cutledger.event.voided": marked("Entry taken back"),
}
#: Fields that name people.
OF_PEOPLE: Final = ("operator", "inspector")
#: An entry that came this much later than it says it happened was made offline, or afterwards.
LATE: Final = timedelta(minutes=10)


@dataclass(frozen=True)
class Told:
    """One entry: what happened, when it did, by what it was written, and what it says."""

    title: str
    at: str
    at_iso: str
    received: str | None
    source: str
    facts: Sequence[Fact]
    is_voided: bool


def told(found: Iterable[tuple[FeedItem, bool]], *, site: str, zone: tzinfo) -> list[Told]:
    """Entries of the ledger, each with whether it was taken back, as people read them."""
    return [_told(item, voided, site=site, zone=zone) for item, voided in found]


def _told(item: FeedItem, voided: bool, *, site: str, zone: tzinfo) -> Told:
    event = orjson.loads(item.payload)
    data = {name: value for name, value in event["data"].items() if name not in OF_PEOPLE}
    # Senders may write its letters small.
    at = datetime.fromisoformat(event["time"].upper())
    received = instant_of(item.received_us)
    return Told(
        title=title_of(event["type"], data),
        at=instant(at, zone),
        at_iso=at.astimezone(UTC).isoformat(),
        received=instant(received, zone) if received - at > LATE else None,
        source=event["source"],
        facts=_facts(event["type"], data, site=site, zone=zone),
        is_voided=voided,
    )


def title_of(kind: str, data: Mapping[str, Any]) -> str:
    """What happened, with what matters most of it."""
    happened = gettext(HAPPENED[kind]) if kind in HAPPENED else kind
    match kind:
        case "cutledger.attempt.finished":
            return gettext("%(happened)s: %(how)s", happened=happened, how=said(terms.OUTCOMES, data["outcome"]))
        case "cutledger.attempt.inspected":
            return gettext("%(happened)s: %(how)s", happened=happened, how=_verdicts(data))
        case "cutledger.attempt.reworked":
            how = said(terms.REWORK_OPERATIONS, data["operation"])
            return gettext("%(happened)s: %(how)s", happened=happened, how=how)
        case "cutledger.machine.serviced":
            return gettext("%(happened)s: %(how)s", happened=happened, how=said(terms.SERVICES, data["what"]))
    return happened


def _verdicts(data: Mapping[str, Any]) -> str:
    return ", ".join(
        f"{number(data[verdict])} {said(terms.VERDICTS, verdict)}"
        for verdict in ("good", "rework", "scrap")
        if data.get(verdict)
    )


def _facts(kind: str, data: Mapping[str, Any], *, site: str, zone: tzinfo) -> list[Fact]:
    recipe = data.get("recipe")
    if recipe:
        said_of_it = in_a_line(facts_of(recipe, site=site, zone=zone))
        rest = {name: value for name, value in data.items() if name != "recipe"}
        return [*facts_of(rest, site=site, zone=zone), Fact(gettext("Recipe"), said_of_it)]
    if kind != "cutledger.job.opened":
        return facts_of(data, site=site, zone=zone)
    # The operation of a routing is a number of the ERP, none of the words of rework.
    facts = facts_of({name: value for name, value in data.items() if name != "operation"}, site=site, zone=zone)
    return [*facts, *([Fact(gettext("Operation"), str(data["operation"]))] if data.get("operation") else [])]
