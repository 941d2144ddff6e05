"""Who asks, and may they: the one place where a key becomes permissions and sites."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from hashlib import blake2b
from typing import Any, Final, TypeVar

from flask import Flask, Response, current_app, g, request

from service.beside import later
from service.clock import now_us
from service.problems import Problem
from service.rates import Rates
from worker.administration import Actor
from worker.database import Database
from worker.keys import USE_US, Key, holder, note_use, visible_id
from worker.reports.questions import given_often
from worker.reports.reading import SiteUnknown
from worker.sentences import sentence

log = logging.getLogger(__name__)

View = TypeVar("View", bound=Callable[..., Any])

#: Permission -> roles that have it.
PERMISSIONS: Final[dict[str, tuple[str, ...]]] = {
    "write": ("terminal", "erp", "admin"),
    "read": ("reader", "engineer", "erp", "admin"),
    "read_state": ("terminal", "reader", "engineer", "erp", "admin"),
    "note": ("engineer", "admin"),
    "prove": ("engineer", "admin"),
    "hold": ("terminal", "engineer", "erp", "admin"),
    "release": ("engineer", "admin"),
    "push": ("erp", "admin"),
    "administer": ("admin",),
}
PUBLIC: Final = "public"
#: Blueprint of the pages: their forms bring the session's token as a field, all others are asked by scripts.
PAGES: Final = "pages"
#: Views that ask for a key, and show nothing of a site.
_OF_NO_SITE: Final = ("pages.get_key",)
#: No source holds this character, so nothing lies below it.
NO_SOURCE: Final = "\x1f"
#: A key's loss of validity is honoured within this time.
REMEMBERED_SECONDS: Final = 0.5
_MOST_REMEMBERED: Final = 4096
#: A key that was right within this time is looked at again, however many wrong ones come from the same address.
LATELY_SECONDS: Final = 3_600.0


def needs(permission: str) -> Callable[[View], View]:
    """Mark a view with the permission that its caller must have; PUBLIC asks for none."""
    if permission != PUBLIC and permission not in PERMISSIONS:
        raise ValueError(permission)

    def mark(view: View) -> View:
        view.permission = permission  # type: ignore[attr-defined]
        return view

    return mark


@dataclass(frozen=True)
class Asker:
    """The holder of the request's key."""

    key: Key

    @property
    def actor(self) -> Actor:
        """As whom the record of administration knows it."""
        return Actor(self.key.key_id, self.key.name)

    @property
    def sites(self) -> tuple[str, ...]:
        """The sites that it may ask about."""
        g.site_asked = True
        return self.key.sites

    def may(self, permission: str) -> bool:
        """True when one of the key's roles has the permission."""
        return any(role in PERMISSIONS[permission] for role in self.key.roles)

    @property
    def is_only_terminal(self) -> bool:
        """True when the key sees no more than a terminal may."""
        return not self.may("read")

    @property
    def own_sources(self) -> str | None:
        """Prefix of the sources whose attempts it may see; None for all. A terminal without one sees no attempts."""
        return (self.key.source_prefix or NO_SOURCE) if self.is_only_terminal else None

    def speaks_for(self, source: str) -> bool:
        """True when it may post as this source: its prefix, or what lies below it."""
        prefix = self.key.source_prefix
        return prefix is None or source == prefix or source.startswith(f"{prefix.rstrip('/')}/")

    def site(self, name: str | None) -> str:
        """The site that a request is about, as it names it or as the key's only one.

        Another site's id answers exactly like one that does not exist: SiteUnknown.
        """
        sites = self.sites
        if name is not None:
            if name not in sites:
                raise SiteUnknown(name)
            return name
        if len(sites) == 1:
            return sites[0]
        detail = sentence("is needed: this key has %(count)s sites; name one of them", count=len(sites))
        raise Problem(422, "parameters", f"site {detail}", [{"parameter": "site", "detail": detail}])


def brings_key(header: str | None) -> bool:
    """True for an Authorization header that brings a key: one of another scheme may be meant for a proxy."""
    return (header or "").partition(" ")[0].lower() == "bearer"


class Gate:
    """Knows keys for a moment, so that not each request asks the database."""

    def __init__(self, database: Database, rates: Rates) -> None:
        self._database = database
        self._rates = rates
        self._known: dict[str, tuple[float, Key]] = {}
        #: When a key was last found right, by a hash of its text; when its last use was written down, by its id.
        self._right: dict[bytes, float] = {}
        self._noted: dict[str, float] = {}
        self._lock = threading.Lock()

    def admit(self, header: str | None) -> Asker:
        """Holder of an Authorization header of the running request.

        Raises a Problem 401, or 429 once too many wrong keys were tried: then the database is asked about a few of
        them a second, since one may be right.
        """
        text = (header or "").partition(" ")[2]
        if not brings_key(header) or not text.strip():
            raise _no_key("send the key as Authorization: Bearer KEY; cutledger key new makes one")
        text, address = text.strip(), request.remote_addr
        mark = blake2b(text.encode(errors="replace"), digest_size=16).digest()
        key_id = visible_id(text)
        over = None if self._was_right(mark) else self._rates.too_many_failures(address, key_id)
        if over is not None and not self._rates.may_look(address, key_id):
            raise over
        key = self._key(text)
        if key is None or not key.is_valid(now_us()):
            with self._lock:
                self._right.pop(mark, None)
            self._rates.failed(address, key_id)
            raise over or _no_key("this key is not known here, has expired or was revoked")
        with self._lock:
            if len(self._right) >= _MOST_REMEMBERED:
                self._right.clear()
            self._right[mark] = time.monotonic()
        self.note_use(key.key_id)
        return Asker(key)

    def forget(self) -> None:
        """Ask the database about every key again: one of them has changed."""
        with self._lock:
            self._known.clear()

    def _was_right(self, mark: bytes) -> bool:
        with self._lock:
            return time.monotonic() - self._right.get(mark, -LATELY_SECONDS) < LATELY_SECONDS

    def note_use(self, key_id: str) -> None:
        """Let the last use of a key be written down beside the answer, once in a while."""
        with self._lock:
            if time.monotonic() - self._noted.get(key_id, -USE_US) < USE_US / 1_000_000:
                return
        used_us = now_us()

        def note() -> None:
            with self._lock:
                if len(self._noted) >= _MOST_REMEMBERED:
                    self._noted.clear()
                self._noted[key_id] = time.monotonic()
            with self._database.write() as connection:
                note_use(connection, key_id, now_us=used_us)

        later(note)

    def _key(self, text: str) -> Key | None:
        with self._lock:
            since, known = self._known.get(text, (0.0, None))
        if known is not None and time.monotonic() - since < REMEMBERED_SECONDS:
            return known
        # From before it is read: what changes meanwhile is honoured as soon as what changes now.
        asked = time.monotonic()
        with self._database.read() as connection:
            key = holder(connection, text)
        with self._lock:
            if len(self._known) >= _MOST_REMEMBERED:
                self._known.clear()
            if key is not None:
                self._known[text] = (asked, key)
            else:
                self._known.pop(text, None)
        return key


def _no_key(detail: str) -> Problem:
    return Problem(401, "key-missing", detail, headers={"WWW-Authenticate": 'Bearer realm="cutledger"'})


def guard(app: Flask, gate: Gate, rates: Rates, signed_in: Callable[[], Asker | None]) -> None:
    """Ask every request for the permission that its view names; a view that names none is a fault of ours.

    signed_in: who asks by a session in the place of a key, if the request does.
    """

    @app.before_request
    def _ask() -> None:
        if request.endpoint is None:
            return
        if permission_of(app, request.endpoint) == PUBLIC:
            return
        try:
            if (known := signed_in()) is not None:
                gate.note_use(known.key.key_id)
            g.asker = known or gate.admit(request.headers.get("Authorization"))
        except Problem as problem:
            # Raised once the request is counted, by its address.
            g.refused = problem

    # By now it is known for whom the limits count.
    rates.hold(app)

    @app.before_request
    def _allow() -> None:
        if "refused" in g:
            raise g.refused
        if "asker" not in g:
            return
        permission = permission_of(app, str(request.endpoint))
        if not asker().may(permission):
            allowed = ", ".join(PERMISSIONS[permission])
            raise Problem(403, "not-allowed", f"this asks for a key with one of the roles {allowed}")


def hold_to_site(response: Response) -> Response:
    """The response, unless its view asked for no site of the key: it may have read any, so nothing of it leaves."""
    is_answer = "asker" in g and response.status_code < 400 and request.method != "OPTIONS"
    leads_on = response.status_code == 303
    is_of_a_site = request.path.startswith("/v1/") or (request.blueprint == PAGES and not leads_on)
    if not is_answer or not is_of_a_site or request.endpoint in _OF_NO_SITE or g.get("site_asked"):
        return response
    log.error("%s answered without asking for the site of the key, request %s", request.endpoint, g.request_id)
    return Problem(500, "fault", "it was logged under the instance named here").response()


def permission_of(app: Flask, endpoint: str) -> str:
    """Permission that an endpoint's view names."""
    view: Any = app.view_functions[endpoint]
    return str(view.permission)


def asker() -> Asker:
    """The holder of the running request's key."""
    found: Asker = g.asker
    return found


def asked_site() -> str:
    """The site of the running request."""
    names = request.args.getlist("site")
    if len(names) > 1:
        detail = given_often(len(names))
        raise Problem(422, "parameters", f"site {detail}", [{"parameter": "site", "detail": detail}])
    return asker().site(names[0] if names else None)


def asked_sites() -> tuple[str, ...]:
    """The site that the running request names, or all of its key."""
    return (asked_site(),) if "site" in request.args else asker().sites


def only_sites() -> tuple[str, ...]:
    """The same where no other parameter is taken."""
    site = only_site()
    return asker().sites if site is None else (site,)


def only_site() -> str | None:
    """The site that a request names, where that is the only parameter: another that vanished might have been meant."""
    if wrong := [{"parameter": name, "detail": "is no parameter here"} for name in request.args if name != "site"]:
        raise Problem(422, "parameters", "; ".join(f"{one['parameter']} {one['detail']}" for one in wrong), wrong)
    return asked_site() if "site" in request.args else None


def database() -> Database:
    """The database of the running application."""
    found: Database = current_app.extensions["cutledger"].database
    return found
