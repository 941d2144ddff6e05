"""Holds: what is not to be cut until somebody lifts it; the forms that place and lift one."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any, Final

from flask import Response
from marshmallow import fields
from marshmallow.validate import OneOf

from service.asking import asker, database, needs
from service.objects import loaded
from service.pages import terms
from service.pages.blueprint import blueprint, page_site, see, show, to
from service.pages.facts import address_of
from service.pages.form_faults import by_field, by_pointer
from service.pages.page_queries import asked, pages_of
from service.pages.site_times import site_now
from service.problems import Problem
from service.routes.holds import FORM, NAME, hold_seen, lifted, placed
from service.schemas.holds import HOLD_LIFTED, HOLD_NEW, HoldsQuery
from service.schemas.queries import Query
from service.sessions import form_field
from worker.holds import Hold, hold_named, holds, named, shown
from worker.reports.reading import open_site
from worker.state import page_of

#: Fields of the form that places one, as they stand in it; a recipe is one field of its name and one of its revision.
_FIELDS: Final = (
    "heat_number", "mill", "plate", "machine", "job", "recipe", "revision", "reason", "may_lift", "finding",
)  # fmt: skip
#: Where they stand in the body -> the field.
_POINTERS: Final = {"recipe/revision": "revision", "recipe/name": "recipe"} | {name: name for name in _FIELDS}
_LIFTING: Final = ("reason", "disposition")
#: What a link to the form fills in: what a finding is about, and the finding.
_FILLED: Final = ("heat_number", "mill", "plate", "machine", "job", "recipe", "finding")


#: Kinds that findings are about -> the field of the form.
_HELD_KINDS: Final = {"heat": "heat_number", "plate": "plate", "machine": "machine", "job": "job", "recipe": "recipe"}


class HoldsPageQuery(HoldsQuery):
    """Which holds, and with what the form that places one begins."""

    heat_number, mill, plate, machine, job, recipe, finding = (fields.String() for _ in _FILLED)


_QUERY: Final = HoldsPageQuery()


class HoldPageQuery(Query):
    """What the page of a hold is told: what was done just now."""

    done = fields.String(validate=OneOf(("placed", "lifted")))


_HOLD_QUERY: Final = HoldPageQuery()


@blueprint.route("/holds", methods=["GET"], endpoint="holds")
@needs("read")
def get_holds() -> Response:
    """List holds, the open ones unless others are asked for, with the form that places one."""
    return _list(page_site())


@blueprint.route("/holds", methods=["POST"], endpoint="post_hold")
@needs("hold")
def post_hold() -> Response:
    """Place a hold."""
    site = page_site()
    typed = {field: form_field(field) for field in _FIELDS}
    told: dict[str, Any] = {field: text.strip() for field, text in typed.items() if text.strip()}
    name, revision = told.pop("recipe", None), told.pop("revision", None)
    if name is not None or revision is not None:
        told["recipe"] = {key: value for key, value in (("name", name), ("revision", revision)) if value is not None}
    try:
        loaded(HOLD_NEW, told)
        hold, _ = placed(site, told)
    except Problem as problem:
        if problem.status != 422:
            raise
        return _list(site, typed=typed, problem=problem)
    if not asker().may("read"):
        return see(to("pages.terminal", site))
    return see(to("pages.hold", site, name=hold, done="placed"))


@blueprint.route("/holds/<identifier:name>", endpoint="hold")
@needs("read")
def get_hold(name: str) -> Response:
    """Show a hold: what it is on and why, what was cut all the same, and the form that lifts it."""
    return _page(page_site(), name, done=asked(_HOLD_QUERY).get("done"))


@blueprint.route("/holds/<identifier:name>/lifting", methods=["GET"])
@needs("read")
def get_hold_lifting(name: str) -> Response:
    """Lead to the hold: this is where a form stands that came back, and people load it anew."""
    return see(to("pages.hold", page_site(), name=name))


@blueprint.route("/holds/<identifier:name>/lifting", methods=["POST"])
@needs("release")
def post_hold_lifting(name: str) -> Response:
    """Lift a hold."""
    site = page_site()
    typed = {field: form_field(field) for field in _LIFTING}
    told = {field: text.strip() for field, text in typed.items() if text.strip()}
    try:
        loaded(HOLD_LIFTED, told)
        lifted(site, name, told)
    except Problem as problem:
        if problem.status not in (403, 409, 422):
            raise
        return _page(site, name, typed=typed, problem=problem)
    return see(to("pages.hold", site, name=name, done="lifted"))


def _list(site: str, *, typed: Mapping[str, str] | None = None, problem: Problem | None = None) -> Response:
    # A form that came back has no question in its address.
    query: Mapping[str, Any] = asked(_QUERY, state="open") if problem is None else {"state": "open", "limit": 100}
    with database().read() as connection:
        reader = open_site(connection, site)
        now = site_now(reader)
        found = holds(reader, state=query.get("state"))
        page = page_of(
            found, NAME, partial(_listed, site=site), form=FORM, after=query.get("after"), limit=query["limit"]
        )
    whole, faults = by_pointer(problem, _POINTERS)
    return show(
        "holds.html",
        status=200 if problem is None else problem.status,
        site=site,
        now=now,
        found=page.items,
        words=terms,
        chosen={"state": query.get("state", "")},
        pages=pages_of("pages.holds", site, page.next),
        action=to("pages.post_hold", site),
        may_hold=asker().may("hold"),
        typed=typed or {name: query.get(name, "") for name in _FILLED},
        is_filled=problem is not None or any(query.get(name) for name in _FILLED),
        whole=whole,
        faults=faults,
    )


def address_of_hold(kind: str, name: str, other: str, finding: str, site: str) -> str | None:
    """The page with the form that holds what a finding is about; None for what cannot be held."""
    if kind not in _HELD_KINDS:
        return None
    told: dict[str, Any] = {_HELD_KINDS[kind]: name, "finding": finding}
    if kind == "heat" and other:
        told["mill"] = other
    return to("pages.holds", site, **told) + "#place"


def _listed(hold: Hold, site: str) -> dict[str, Any]:
    return shown(hold) | {"name": named(hold), "address": to("pages.hold", site, name=hold.hold)}


def _page(
    site: str,
    name: str,
    *,
    done: str | None = None,
    typed: Mapping[str, str] | None = None,
    problem: Problem | None = None,
) -> Response:
    found = hold_seen(site, name)
    with database().read() as connection:
        reader = open_site(connection, site)
        now = site_now(reader)
        hold = hold_named(reader, name)
    whole, faults = by_field(problem, _LIFTING)
    return show(
        "hold.html",
        status=200 if problem is None else problem.status,
        site=site,
        now=now,
        found=found | {"name": hold and named(hold), "finding_address": address_of("finding", found["finding"], site)},
        cuts=[
            cut | {f"{kind}_address": address_of(kind, cut[kind], site) for kind in ("attempt", "plate", "job")}
            for cut in found["cuts"]
        ],
        words=terms,
        back=to("pages.holds", site),
        action=to("pages.post_hold_lifting", site, name=name),
        may_lift=found["state"] == "open" and asker().may("release"),
        done=done,
        typed=typed or {},
        whole=whole,
        faults=faults,
    )
