"""Findings, open and closed, and what people noted on them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from flask import Response
from marshmallow import fields
from marshmallow.validate import OneOf

from service.asking import asker, database, needs
from service.objects import loaded
from service.pages import terms
from service.pages.blueprint import blueprint, page_site, see, show, to
from service.pages.facts import address_of, address_of_dossier, facts_of, rounded
from service.pages.form_faults import Said, by_field
from service.pages.holds import address_of_hold
from service.pages.languages import gettext
from service.pages.page_queries import asked, pages_of
from service.pages.site_times import site_now
from service.problems import Problem
from service.routes.findings import FINDING_NOTED, finding_seen, finding_shown, note_finding
from service.schemas.queries import FindingsQuery, Query
from service.sessions import form_field
from worker.findings import ALL, NOTED_FIELDS, findings, last_look
from worker.kept import OPEN
from worker.noticing.finding import PROOF
from worker.reports.reading import open_site

_QUERY: Final = FindingsQuery()
_NOTED: Final = "note"
#: What a form says of "it worked", and what is noted then; nothing chosen leaves it as it was.
_WORKED: Final = {"yes": True, "no": False}


class FindingPageQuery(Query):
    """What the page of a finding is told: that something was noted just now."""

    done = fields.String(validate=OneOf((_NOTED,)))


_FINDING_QUERY: Final = FindingPageQuery()


@blueprint.route("/findings", endpoint="findings")
@needs("read")
def get_findings() -> Response:
    """List findings: the open ones, unless others are asked for."""
    site = page_site()
    query = asked(_QUERY, state=OPEN)
    with database().read() as connection:
        reader = open_site(connection, site)
        now = site_now(reader)
        found, following = findings(
            reader,
            now_us=now.now_us,
            kind=query.get("kind"),
            state=query.get("state", ALL),
            after=query.get("after"),
            limit=query["limit"],
        )
        looked = last_look(reader)
    return show(
        "findings.html",
        site=site,
        now=now,
        found=[_listed(finding_shown(one), site) for one in found],
        looked=looked,
        kinds=terms.FINDINGS,
        words=terms,
        states=terms.FINDING_STATES,
        chosen={"kind": query.get("kind", ""), "state": query.get("state", ALL)},
        pages=pages_of("pages.findings", site, following),
    )


@blueprint.route("/findings/<identifier:name>", endpoint="finding")
@needs("read")
def get_finding(name: str) -> Response:
    """Show a finding: in words, its figures, what became of it, what people noted."""
    site = page_site()
    return _page(site, name, is_done="done" in asked(_FINDING_QUERY))


@blueprint.route("/findings/<identifier:name>/note", methods=["GET"])
@needs("read")
def get_finding_note(name: str) -> Response:
    """Lead to the finding: this is where a form stands that came back, and people load it anew."""
    return see(to("pages.finding", page_site(), name=name))


@blueprint.route("/findings/<identifier:name>/note", methods=["POST"])
@needs("note")
def post_finding_note(name: str) -> Response:
    """Note something on a finding."""
    site = page_site()
    typed = {field: form_field(field) for field in NOTED_FIELDS}
    noted: dict[str, Any] = {field: text.strip() for field, text in typed.items() if text.strip()}
    if "worked" in noted:
        noted["worked"] = _WORKED.get(noted["worked"], noted["worked"])
    try:
        loaded(FINDING_NOTED, noted)
        note_finding(site, name, noted)
    except Problem as problem:
        if problem.status != 422:
            raise
        return _page(site, name, typed=typed, problem=problem)
    return see(to("pages.finding", site, name=name, done=_NOTED) + "#notes")


def _page(
    site: str,
    name: str,
    *,
    is_done: bool = False,
    typed: Mapping[str, str] | None = None,
    problem: Problem | None = None,
) -> Response:
    found = finding_seen(site, name)
    with database().read() as connection:
        now = site_now(open_site(connection, site))
    zone = now.zone
    whole, faults = by_field(problem, NOTED_FIELDS)
    if problem is not None and not typed_anything(typed):
        whole = Said.in_language(gettext("Nothing was noted: fill in at least one field."), None)
    return show(
        "finding.html",
        status=200 if problem is None else problem.status,
        site=site,
        now=now,
        found=_listed(found, site),
        figures=facts_of(rounded(found["figures"]), site=site, zone=zone),
        notes=[
            (one, facts_of({name: one[name] for name in NOTED_FIELDS}, site=site, zone=zone)) for one in found["notes"]
        ],
        words=terms,
        back=to("pages.findings", site),
        action=to("pages.post_finding_note", site, name=name),
        may_note=asker().may("note"),
        may_hold=asker().may("hold"),
        is_done=is_done,
        typed=typed or {},
        whole=whole,
        faults=faults,
    )


def typed_anything(typed: Mapping[str, str] | None) -> bool:
    """True when a form came with something in it."""
    return any(text.strip() for text in (typed or {}).values())


def _listed(found: dict[str, Any], site: str) -> dict[str, Any]:
    """A finding with the page of what it is about."""
    return found | {
        "address": to("pages.finding", site, name=found["id"]),
        "subject_address": _address_of_subject(found, site),
        "hold_address": address_of_hold(found["subject_kind"], found["subject"], found["other"], found["id"], site),
    }


def _address_of_subject(found: Mapping[str, Any], site: str) -> str | None:
    if found["subject_kind"] == PROOF:
        return address_of_dossier(found["subject"], found["figures"].get("state"), site)
    return address_of(found["subject_kind"], found["subject"], site)


def listed_about(found: Any, site: str) -> list[dict[str, Any]]:
    """Findings about something, as other pages list them."""
    return [_listed(finding_shown(one), site) for one in found]
