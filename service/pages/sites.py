"""The site: its settings as they hold, their history, and a form for each part of them. For admins."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from flask import Response
from marshmallow import fields
from marshmallow.validate import OneOf

from service.asking import asker, needs
from service.objects import loaded
from service.pages import terms
from service.pages.blueprint import blueprint, page_site, see, show, to
from service.pages.facts import Fact, facts_of
from service.pages.field_terms import field_name
from service.pages.form_faults import Said, by_pointer
from service.pages.languages import gettext
from service.pages.page_queries import asked
from service.pages.settings_form import (
    PERCENT,
    SECTIONS,
    Section,
    can_be_typed,
    changed,
    filled,
    settings_of,
    without_gaps,
)
from service.pages.settings_terms import DOUBTS, LIMITS
from service.pages.site_times import zone_of
from service.problems import Problem, not_found
from service.routes.sites import change_settings, site_seen
from service.schemas.administration import SITE_SET
from service.schemas.queries import Query
from service.sessions import form_field, form_fields
from worker.sites import DEFAULTS

_DONE: Final = "settings"
_VALID_FROM: Final = "valid_from"
_READ: Final = "read"


class SitePageQuery(Query):
    """What the page of a site is told: that something was changed just now."""

    done = fields.String(validate=OneOf((_DONE,)))


_SITE_QUERY: Final = SitePageQuery()


@blueprint.route("/site", endpoint="site")
@needs("administer")
def get_site() -> Response:
    """Show the settings that hold today, and how they came to hold."""
    site = page_site()
    is_done = "done" in asked(_SITE_QUERY)
    _, shown = site_seen(site)
    settings = shown["settings"]
    zone = zone_of(settings)
    return show(
        "sites.html",
        site=site,
        sites_of_key=sorted(asker().sites),
        today=shown["today"],
        zone=zone,
        is_done=is_done,
        sections=[
            {
                "section": section,
                "facts": _opened(_facts({name: settings[name] for name in section.settings}, site)),
                "address": to("pages.settings", site, section=section.name),
            }
            for section in SECTIONS.values()
        ],
        changes=_changes(shown["changes"], site),
        keys=to("pages.keys", site),
        record=to("pages.record", site),
    )


def _opened(facts: list[Fact]) -> list[Fact]:
    """The facts within a section's only one, whose name is the section's."""
    return list(facts[0].facts) if len(facts) == 1 and facts[0].facts else facts


def _changes(changes: list[dict[str, Any]], site: str) -> list[dict[str, Any]]:
    """Each change with what it changed of what held before, the newest first."""
    before: Mapping[str, Any] = DEFAULTS
    found = []
    for change in changes:
        now = change["settings"]
        other = {name: _differing(now[name], before[name]) for name in DEFAULTS if now[name] != before[name]}
        names = [field_name(name)[0] for name in other]
        found.append({_VALID_FROM: change[_VALID_FROM], "names": names, "facts": _facts(other, site)})
        before = now
    return found[::-1]


def _differing(now: Any, before: Any) -> Any:
    """Of limits those that differ; other settings as a whole."""
    if isinstance(now, dict) and isinstance(before, Mapping) and now.keys() >= LIMITS.keys():
        return {name: value for name, value in now.items() if value != before.get(name)}
    return now


def _facts(settings: Mapping[str, Any], site: str) -> list[Fact]:
    """Settings as people read them; what is not set says so."""
    zone = zone_of(settings)
    facts = []
    for name, value in settings.items():
        if name == "plausibility":
            facts += _limits(value)
        elif value in ({}, [], None):
            facts += [Fact(one.name, gettext("not set")) for one in facts_of({name: "-"}, site=site, zone=zone)]
        else:
            facts += facts_of({name: value}, site=site, zone=zone)
    return facts


def _limits(limits: Mapping[str, Any]) -> list[Fact]:
    zone = zone_of({})
    numbers = {name: value for name, value in limits.items() if name in LIMITS}
    facts = [
        Fact(gettext(LIMITS[name]).capitalize(), facts_of({name: value}, site="", zone=zone)[0].text)
        for name, value in numbers.items()
    ]
    if off := limits.get("off"):
        facts.append(
            Fact(gettext("Warnings that the site does not want"), ", ".join(gettext(DOUBTS[one]) for one in off))
        )
    return facts


# --- forms ------------------------------------------------------------------------------------------------------


@blueprint.route("/site/settings/<section>", endpoint="settings")
@needs("administer")
def get_settings(section: str) -> Response:
    """Show the form for one part of the settings."""
    site, part = page_site(), _section(section)
    etag, shown = site_seen(site)
    typed = filled(part, shown["settings"])
    return _form(site, part, shown, etag, typed=typed, valid_from=shown["today"].isoformat())


@blueprint.route("/site/settings/<section>", methods=["POST"])
@needs("administer")
def post_settings(section: str) -> Response:
    """Change one part of the settings from a production day on."""
    site, part = page_site(), _section(section)
    read_etag, valid_from = form_field(_READ), form_field(_VALID_FROM).strip()
    typed = without_gaps(part, {field.name: form_fields(field.name) for field in part.fields})
    now, shown = site_seen(site)
    try:
        _refuse_if_other(read_etag, now)
        sent = changed(part, settings_of(part, typed), shown["settings"])
        if not sent:
            raise Problem(422, "fields", gettext("Nothing was changed: these settings hold already."))
        sent = {_VALID_FROM: valid_from, **sent} if valid_from else sent
        loaded(SITE_SET, sent)
        change_settings(site, sent, lambda now: _refuse_if_other(read_etag, now))
    except Problem as problem:
        if problem.status not in (412, 422):
            raise
        now, shown = site_seen(site)
        # Only whoever was told of a change has seen it.
        etag = now if problem.status == 412 else read_etag
        return _form(site, part, shown, etag, typed=typed, valid_from=valid_from, problem=problem)
    return see(to("pages.site", site, done=_DONE))


def _refuse_if_other(read: str, now: str) -> None:
    if read != now:
        detail = gettext(
            "Somebody changed the settings since this form was opened, so nothing was changed now. Below stands what "
            "you typed, and beside it what holds: look at both, then send it again."
        )
        raise Problem(412, "changed", detail)


def _section(name: str) -> Section:
    if name not in SECTIONS:
        raise not_found(f"there is no part {name!r} of the settings")
    return SECTIONS[name]


def _form(
    site: str,
    section: Section,
    shown: Mapping[str, Any],
    etag: str,
    *,
    typed: Mapping[str, list[str]],
    valid_from: str,
    problem: Problem | None = None,
) -> Response:
    settings = shown["settings"]
    whole, faults = by_pointer(problem, {_VALID_FROM: _VALID_FROM} | {one.pointer: one.name for one in section.fields})
    for field in section.fields:
        if field.kind == PERCENT and field.name in faults:
            least = 50 if field.name == "confidence" else 0
            told = gettext("must be a number from %(least)s to 100", least=least)
            faults[field.name] = [Said.in_language(told, None)]
    return show(
        "settings.html",
        status=200 if problem is None else problem.status,
        site=site,
        section=section,
        words=terms,
        can_be_typed=can_be_typed(section, settings),
        typed=typed,
        holds=_facts({name: settings[name] for name in section.settings}, site) if problem else [],
        valid_from=valid_from,
        etag=etag,
        whole=whole,
        faults=faults,
        action=to("pages.post_settings", site, section=section.name),
        back=to("pages.site", site),
    )
