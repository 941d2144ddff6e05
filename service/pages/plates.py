"""Plates, each with its condition over time, and what the record says before one is cut."""

from __future__ import annotations

from typing import Any, Final

from flask import Response, request

from service.asking import asker, database, needs
from service.pages import terms
from service.pages.attempts import attempt_listed
from service.pages.blueprint import blueprint, page_site, show, to
from service.pages.facts import address_of, facts_of
from service.pages.findings import listed_about
from service.pages.histories import told
from service.pages.languages import marked
from service.pages.page_queries import SITE_ONLY, asked, pages_of
from service.pages.site_times import site_now
from service.routes.prechecks import precheck_seen
from service.routes.state import OPEN, attempts_seen, plate_seen
from service.schemas.queries import PlatesQuery, PrecheckQuery
from worker.events import GASES, INHERITED_PLATE_FIELDS, PLATE
from worker.findings import findings_about
from worker.ledger import history
from worker.prechecks.evidence import HEAT, is_of_another_mill
from worker.reports.reading import open_site
from worker.state import plate_observations, plates

_QUERY: Final = PlatesQuery()
_PRECHECK_QUERY: Final = PrecheckQuery()
_MOST_ATTEMPTS: Final = 200
_STATED: Final = (
    "material", "thickness_mm", "measured_thickness_mm", "length_mm", "width_mm", "parent", *INHERITED_PLATE_FIELDS,
)  # fmt: skip
WAYS: Final = {
    "clean": marked("clean its surface"),
    "trim": marked("trim the heated edges away"),
    "plate": marked("take another plate"),
    "gas": marked("take another gas"),
    "machine": marked("take another machine"),
}
FEATURES: Final = {
    "hole": marked("smallest hole"),
    "web": marked("thinnest web"),
    "corner": marked("smallest corner radius"),
}
SOURCES: Final = {
    "cell": marked("parts cut like this"),
    "curve": marked("a curve over thickness"),
    "thicker": marked("thicker plate"),
}


@blueprint.route("/plates", endpoint="plates")
@needs("read_state")
def get_plates() -> Response:
    """List plates: those that are there, unless others are asked for."""
    site = page_site()
    query = asked(_QUERY, state=OPEN)
    given: dict[str, Any] = {name: query.get(name) for name in ("state", "heat_number", "parent", "after", "limit")}
    with database().read() as connection:
        now = site_now(open_site(connection, site))
        found = plates(connection, site, **given)
    return show(
        "plates.html",
        site=site,
        now=now,
        found=[_listed(plate, site) for plate in found.items],
        states=terms.JOB_STATES,
        surfaces=terms.SURFACES,
        histories=terms.THERMAL_HISTORIES,
        words=terms,
        chosen={name: given[name] or "" for name in ("state", "heat_number", "parent")},
        pages=pages_of("pages.plates", site, found.next),
    )


@blueprint.route("/plates/<identifier:name>", endpoint="plate")
@needs("read_state")
def get_plate(name: str) -> Response:
    """Show a plate: its condition over time, its remnants and parent, the attempts on it, its history."""
    site = page_site()
    asked(SITE_ONLY)
    reads = asker().may("read")
    with database().read() as connection:
        reader = open_site(connection, site)
        now = site_now(reader)
        plate = plate_seen(connection, site, name)
        # What was seen before is history, too.
        observed = plate_observations(connection, site, name) if reads else []
        tries = attempts_seen(connection, site, {"plate": name, "limit": _MOST_ATTEMPTS})
        subjects = [(PLATE, name), *([(HEAT, plate["heat_number"])] if plate["heat_number"] else [])]
        odd = findings_about(reader, subjects, now_us=now.now_us) if reads else []
        happened = history(connection, site, PLATE, name) if reads else []
    return show(
        "plate.html",
        site=site,
        now=now,
        plate=_listed(plate, site),
        close_reasons=terms.PLATE_CLOSE_REASONS,
        surfaces=terms.SURFACES,
        histories=terms.THERMAL_HISTORIES,
        stated=facts_of(plate, _STATED, site=site, zone=now.zone),
        observed=[(one["at"], facts_of({one["field"]: one["value"]}, site=site, zone=now.zone)[0]) for one in observed],
        remnants=[(remnant, address_of(PLATE, remnant, site)) for remnant in plate["remnants"]],
        same_heat=to("pages.plates", site, heat_number=plate["heat_number"], state="")
        if plate["heat_number"]
        else None,
        precheck=to("pages.precheck", site, name=name),
        trace=to("pages.trace", site, plate=name) if reads else None,
        tries=[attempt_listed(one, site) for one in tries.items],
        words=terms,
        back=to("pages.plates", site),
        more_tries=to("pages.attempts", site, plate=name) if tries.next else None,
        reads=reads,
        odd=listed_about([one for one in odd if not is_of_another_mill(one.finding, plate["mill"])], site),
        told=told(happened, site=site, zone=now.zone),
    )


@blueprint.route("/plates/<identifier:name>/precheck", endpoint="precheck")
@needs("read_state")
def get_precheck(name: str) -> Response:
    """Show what the record says of a plate that is about to be cut."""
    site = page_site()
    query = asked(_PRECHECK_QUERY)
    with database().read() as connection:
        reader = open_site(connection, site)
        now = site_now(reader)
        found = precheck_seen(reader, now.place, name, query)
    return show(
        "precheck.html",
        site=site,
        now=now,
        found=found,
        plate=_listed(found["plate"], site),
        odd=[one | {"address": to("pages.finding", site, name=one["id"])} for one in found["findings"]],
        lot=facts_of(found["lot"], _LOT, site=site, zone=now.zone) if found["lot"] else [],
        gases={gas: terms.GASES[gas] for gas in GASES},
        ways=WAYS,
        features=FEATURES,
        sources=SOURCES,
        words=terms,
        own_address=to("pages.precheck", site, name=name),
        may_read=asker().may("read"),
        chosen={name: request.args.get(name, "") for name in ("job", "machine", "gas")},
    )


_LOT: Final = (
    "heat_number", "mill", "judged_parts", "judged_not_good", "judged_plates", "failure_share", "expected_share",
)  # fmt: skip


def _listed(plate: dict[str, Any], site: str) -> dict[str, Any]:
    # What was not stated of it is not among what is shown.
    return (
        dict.fromkeys(_STATED)
        | plate
        | {
            "address": address_of(PLATE, plate["plate"], site),
            "parent_address": address_of(PLATE, plate.get("parent"), site),
        }
    )
