"""Released settings: where they hold, what each changed, what the figures said; the forms that release and withdraw."""

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
from service.pages.facts import address_of_dossier
from service.pages.field_terms import FIELDS
from service.pages.form_faults import by_pointer
from service.pages.page_queries import asked
from service.pages.site_times import site_now
from service.problems import Problem
from service.routes.releases import released, withdrawn
from service.schemas.queries import Query
from service.schemas.releases import RECIPE_WITHDRAWN, RELEASE_NEW
from service.sessions import form_field
from worker.cautions import CAUTIONS
from worker.events import TRIAL_FACTORS
from worker.reports.reading import open_site
from worker.reports.released import STATES, releases, shown

_PLACE: Final = ("machine", "material", "thickness_mm", "gas", "surface_group")
_NAMES: Final = ("name", "revision")
#: Fields of the form -> where they stand in the body.
_RELEASING: Final = {
    **{name: name for name in (*_PLACE, "reason")},
    **{f"recipe/{name}": name for name in (*_NAMES, *TRIAL_FACTORS)},
}
_WITHDRAWING: Final = {name: name for name in (*_PLACE, "reason")}


class ReleasesPageQuery(Query):
    """What the page of released settings shows."""

    state = fields.String(validate=OneOf(STATES))
    machine = fields.String()
    done = fields.String(validate=OneOf(STATES))


_QUERY: Final = ReleasesPageQuery()


@blueprint.route("/releases", methods=["GET"], endpoint="releases")
@needs("read")
def get_releases() -> Response:
    """List released settings, with the form that releases some."""
    return _page(page_site(), asked(_QUERY, state="released"))


@blueprint.route("/releases", methods=["POST"], endpoint="post_release")
@needs("release")
def post_release() -> Response:
    """Release settings."""
    site = page_site()
    typed = {field: form_field(field) for field in _RELEASING.values()}
    given: dict[str, Any] = {field: text.strip() for field, text in typed.items() if text.strip()}
    told: dict[str, Any] = {name: given[name] for name in (*_PLACE, "reason") if name in given}
    if "thickness_mm" in told:
        told["thickness_mm"] = _number(told["thickness_mm"])
    recipe: dict[str, Any] = {name: given[name] for name in _NAMES if name in given}
    recipe |= {name: _number(given[name]) for name in TRIAL_FACTORS if name in given}
    told |= {"recipe": recipe} if recipe else {}
    try:
        loaded(RELEASE_NEW, told)
        released(site, told)
    except Problem as problem:
        if problem.status != 422:
            raise
        return _page(site, {"state": "released"}, typed=typed, problem=problem, pointers=_RELEASING)
    return see(to("pages.releases", site, done="released"))


@blueprint.route("/releases/withdrawal", methods=["GET"])
@needs("read")
def get_release_withdrawal() -> Response:
    """Lead to the list: this is where a form stands that came back, and people load it anew."""
    return see(to("pages.releases", page_site()))


@blueprint.route("/releases/withdrawal", methods=["POST"])
@needs("release")
def post_release_withdrawal() -> Response:
    """Withdraw what is released at a place."""
    site = page_site()
    typed = {field: form_field(field) for field in _WITHDRAWING.values()}
    given: dict[str, Any] = {field: text.strip() for field, text in typed.items() if text.strip()}
    told = {name: _number(value) if name == "thickness_mm" else value for name, value in given.items()}
    try:
        loaded(RECIPE_WITHDRAWN, told)
        withdrawn(site, told)
    except Problem as problem:
        if problem.status not in (404, 422):
            raise
        return _page(site, {"state": "released"}, problem=problem, pointers={})
    return see(to("pages.releases", site, done="withdrawn"))


def _number(text: str) -> float | str:
    """A number as it was typed; what is none is left to the schema to refuse."""
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return text


def _page(
    site: str,
    query: Mapping[str, Any],
    *,
    typed: Mapping[str, str] | None = None,
    problem: Problem | None = None,
    pointers: Mapping[str, str] | None = None,
) -> Response:
    with database().read() as connection:
        reader = open_site(connection, site)
        now = site_now(reader)
        found = [shown(one) for one in releases(reader, state=query.get("state"), machine=query.get("machine"))]
    whole, faults = by_pointer(problem, pointers or {})
    return show(
        "releases.html",
        status=200 if problem is None else problem.status,
        site=site,
        now=now,
        found=[one | {"proof_address": _proof_address(one["evidence"], site)} for one in found],
        words=terms,
        labels=FIELDS,
        factors=TRIAL_FACTORS,
        chosen={"state": query.get("state", ""), "machine": query.get("machine", "")},
        action=to("pages.post_release", site),
        withdrawal=to("pages.post_release_withdrawal", site),
        may_release=asker().may("release"),
        cautions=CAUTIONS,
        done=query.get("done"),
        typed=typed or {},
        whole=whole,
        faults=faults,
    )


def _proof_address(evidence: Mapping[str, Any], site: str) -> str | None:
    return address_of_dossier(evidence.get("proof"), evidence.get("proof_state"), site)
