"""Keys of those who ask: listed, made, replaced, revoked. A key is shown once. For admins."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date, datetime, time, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from flask import Response

from service.asking import asker, database, needs
from service.clock import now_us
from service.objects import loaded, wrong_field
from service.pages import terms
from service.pages.blueprint import blueprint, page_site, see, show, to
from service.pages.form_faults import by_field
from service.pages.languages import gettext
from service.pages.page_queries import SITE_ONLY, asked, pages_of
from service.pages.site_times import SiteNow, site_now
from service.problems import Problem
from service.routes.keys import KeysChanged, end_key, key_seen, keys_seen, make_key, replace_key
from service.schemas.administration import KEY_NEW, KEY_ROTATION
from service.schemas.queries import PageQuery
from service.sessions import form_field, form_fields
from worker.keys import MOST_OVERLAP_HOURS, OVERLAP_HOURS, keys_made
from worker.reports.questions import read_day
from worker.reports.reading import instant, open_site
from worker.sentences import sentence

_QUERY: Final = PageQuery()
_ONE: Final = ("name", "source_prefix", "expires_at")
_MANY: Final = ("roles", "sites")
#: Field of the form for a new key: how many there were when it was opened. A form that is sent twice makes one.
_READ: Final = "read"
_NUMBER: Final = re.compile(r"[0-9]{1,9}", re.ASCII)


def _now(site: str) -> SiteNow:
    with database().read() as connection:
        return site_now(open_site(connection, site))


@blueprint.route("/site/keys", endpoint="keys")
@needs("administer")
def get_keys() -> Response:
    """List the keys of the site, and show the form for a new one."""
    return _list(page_site())


def _list(site: str, *, typed: Mapping[str, Any] | None = None, problem: Problem | None = None) -> Response:
    query = asked(_QUERY)
    now = _now(site)
    with database().read() as connection:
        # Before the list is read: what is made meanwhile is not in the number.
        made = keys_made(connection, asker().sites)
    items, following = keys_seen((site,), query)
    whole, faults = by_field(problem, (*_ONE, *_MANY))
    return show(
        "site_keys.html",
        status=200 if problem is None else problem.status,
        site=site,
        now=now,
        found=[_listed(key, now) for key in items],
        own=sorted(asker().sites),
        made=made,
        words=terms,
        typed=typed or {"sites": [site]},
        whole=whole,
        faults=faults,
        action=to("pages.post_key", site),
        back=to("pages.site", site),
        pages=pages_of("pages.keys", site, following),
    )


@blueprint.route("/site/keys", methods=["POST"])
@needs("administer")
def post_key() -> Response:
    """Make a key, and show it once."""
    site = page_site()
    now = _now(site)
    typed: dict[str, Any] = {name: form_field(name).strip() for name in _ONE}
    typed |= {name: form_fields(name) for name in _MANY}
    said = {name: value for name, value in typed.items() if value}
    read = form_field(_READ)
    try:
        if "expires_at" in said:
            said["expires_at"] = _end_of(said["expires_at"], now.zone)
        made = make_key(asker().sites, loaded(KEY_NEW, said), after=int(read) if _NUMBER.fullmatch(read) else None)
    except KeysChanged:
        detail = gettext(
            "A key was made since this form was opened, so none was made now. If it was this form that was sent twice, "
            "the key is in the list: unless you saw it, revoke it and make another."
        )
        return _list(site, typed=typed, problem=Problem(412, "changed", detail))
    except Problem as problem:
        if problem.status != 422:
            raise
        return _list(site, typed=typed, problem=problem)
    return _made(site, now, made)


def _end_of(day: str, zone: ZoneInfo) -> str:
    """The end of a day by the site's clock; raises a Problem 422 for what is no day."""
    last = read_day(day)
    if last is None or last == date.max:
        must = sentence("must be a day such as 2027-03-02; found %(found)s", found=repr(day[:60]))
        raise wrong_field("/expires_at", must)
    return datetime.combine(last + timedelta(days=1), time(), zone).isoformat()


def _made(site: str, now: SiteNow, made: Mapping[str, Any]) -> Response:
    return show(
        "key_made.html", status=201, site=site, now=now, made=made, words=terms, back=to("pages.keys", site)
    )  # fmt: skip


@blueprint.route("/site/keys/<identifier:name>/replacing", endpoint="replacing")
@needs("administer")
def get_replacing(name: str) -> Response:
    """Ask whether a key is to be replaced."""
    return _ask("key_replace.html", page_site(), name, typed=str(OVERLAP_HOURS))


@blueprint.route("/site/keys/<identifier:name>/replacing", methods=["POST"])
@needs("administer")
def post_replacing(name: str) -> Response:
    """Replace a key, and show the new one once."""
    site = page_site()
    typed = form_field("overlap_hours").strip()
    said = {"overlap_hours": int(typed) if typed.isdecimal() and typed.isascii() and len(typed) < 9 else typed}
    try:
        made = replace_key((site,), name, loaded(KEY_ROTATION, said if typed else {}))
    except Problem as problem:
        if problem.status not in (409, 422):
            raise
        return _ask("key_replace.html", site, name, typed=typed, problem=problem)
    return _made(site, _now(site), made)


@blueprint.route("/site/keys/<identifier:name>/revoking", endpoint="revoking")
@needs("administer")
def get_revoking(name: str) -> Response:
    """Ask whether a key is to be revoked."""
    return _ask("key_revoke.html", page_site(), name)


@blueprint.route("/site/keys/<identifier:name>/revoking", methods=["POST"])
@needs("administer")
def post_revoking(name: str) -> Response:
    """Revoke a key."""
    site = page_site()
    if key_seen((site,), name)["revoked_at"] is None:
        end_key((site,), name)
    # Whoever sends the form twice wanted this once.
    return see(to("pages.keys", site))


def _ask(template: str, site: str, name: str, *, typed: str = "", problem: Problem | None = None) -> Response:
    asked(SITE_ONLY)
    now = _now(site)
    whole, faults = by_field(problem, ("overlap_hours",))
    return show(
        template,
        status=200 if problem is None else problem.status,
        site=site,
        now=now,
        key_asked=_listed(key_seen((site,), name), now),
        is_own=name == asker().key.key_id,
        most_hours=MOST_OVERLAP_HOURS,
        typed=typed,
        whole=whole,
        faults=faults,
        words=terms,
        action=to(f"pages.post_{'replacing' if template == 'key_replace.html' else 'revoking'}", site, name=name),
        back=to("pages.keys", site),
    )


def _listed(key: dict[str, Any], now: SiteNow) -> dict[str, Any]:
    has_expired = key["expires_at"] is not None and key["expires_at"] <= instant(now_us())
    return key | {
        "has_ended": key["revoked_at"] is not None or has_expired,
        "replacing": to("pages.replacing", now.site, name=key["key_id"]),
        "revoking": to("pages.revoking", now.site, name=key["key_id"]),
    }
