"""Sessions of people: a signed cookie in the place of a key, for the pages and what they ask of the doors.

The cookie names the key and the session, and holds no secret. The session ends with the key, when it is signed out, and
12 hours after signing in whatever happens meanwhile. What changes something and comes with the cookie must also bring
the session's token, which no other site can read, and come from a page of this host.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import urlsplit

from flask import Response, g, request
from itsdangerous import BadData, URLSafeSerializer
from werkzeug.exceptions import RequestEntityTooLarge

from service.asking import PAGES, Asker, brings_key
from service.clock import now_us
from service.problems import Problem
from worker.database import Database
from worker.installing import installation_secret
from worker.keys import known_key
from worker.sessions import end_session, has_ended

COOKIE: Final = "cutledger_session"
#: Before anybody is signed in: what the form to sign in must match.
FORM_COOKIE: Final = "cutledger_form"
#: Field of a form, and header of a request by a script, that bring the token.
TOKEN_FIELD: Final = "csrf_token"
TOKEN_HEADER: Final = "X-CSRF-Token"
#: A shift, and what overlaps of it. It does not slide: a forgotten browser is signed out by the next shift.
HOURS: Final = 12
_FORM_TYPE: Final = "application/x-www-form-urlencoded"
_FORM_LIMIT: Final = 16 * 1024
#: Of whoever is admitted: all names that a site lists are one field.
_ADMITTED_FORM_LIMIT: Final = 256 * 1024
_SAFE: Final = ("GET", "HEAD", "OPTIONS")
_SECOND_US: Final = 1_000_000
_OWN_PORTS: Final = {"http": ":80", "https": ":443"}


@dataclass(frozen=True)
class Session:
    """Somebody who is signed in: with which key, and until when, microseconds since 1970."""

    key_id: str
    session_id: str
    until_us: int


class Sessions:
    """Signs sessions with what follows from the installation's secret, so that each of its processes knows them."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._secret: bytes | None = None

    def begin(self, response: Response, key_id: str) -> None:
        """Sign in: a new session in the place of the one that the browser held before, which ends."""
        self._end()
        session = Session(key_id, secrets.token_urlsafe(16), now_us() + HOURS * 3_600 * _SECOND_US)
        told = [session.key_id, session.session_id, session.until_us]
        _set(response, COOKIE, self._signer().dumps(told), seconds=HOURS * 3_600)

    def end(self, response: Response) -> None:
        """Sign out whoever asks: a copy of the cookie is worth nothing from then on."""
        self._end()
        _drop(response, COOKIE)

    def _end(self) -> None:
        session = self._session()
        if session is not None:
            with self._database.write() as connection:
                end_session(connection, session.session_id, until_us=session.until_us, now_us=now_us())

    def asker(self) -> Asker | None:
        """The holder of the request's session; None without one that holds, or where the request brings a key itself.

        Both are read anew each time, so a revoked key is out at once. Raises a Problem 403 for a change without the
        session's token.
        """
        session = None if brings_key(request.headers.get("Authorization")) else self._session()
        if session is None:
            return None
        with self._database.read() as connection:
            ended = has_ended(connection, session.session_id)
            key = None if ended else known_key(connection, session.key_id)
        if key is None or not key.is_valid(now_us()):
            return None
        if request.method not in _SAFE:
            sent = (
                form_field(TOKEN_FIELD, limit=_ADMITTED_FORM_LIMIT)
                if request.blueprint == PAGES
                else request.headers.get(TOKEN_HEADER, "")
            )
            self._refuse_foreign(sent, self.token(session))
        g.session = session
        return Asker(key)

    def token(self, session: Session) -> str:
        """What forms and scripts of a session's pages bring with a change."""
        return self._token(COOKIE, session.session_id)

    def form_token(self, response: Response) -> str:
        """The same for a form that nobody is signed in for yet, bound to a cookie that the response sets if need be."""
        nonce = request.cookies.get(FORM_COOKIE, "")
        if len(nonce) < 16:
            nonce = secrets.token_urlsafe(16)
            _set(response, FORM_COOKIE, nonce)
        return self._token(FORM_COOKIE, nonce)

    def check_form(self) -> None:
        """Raise a Problem 403 unless the form that is sent is one that this browser was given by this host."""
        nonce = request.cookies.get(FORM_COOKIE, "")
        self._refuse_foreign(form_field(TOKEN_FIELD) if nonce else "", self._token(FORM_COOKIE, nonce))

    def _session(self) -> Session | None:
        sent = request.cookies.get(COOKIE)
        if sent is None:
            return None
        try:
            session = Session(*self._signer().loads(sent))
        except (BadData, TypeError):
            return None
        return session if now_us() < session.until_us else None

    def _refuse_foreign(self, token: str, expected: str) -> None:
        came_from_here = _came_from_here()
        if not came_from_here or not hmac.compare_digest(token.encode(), expected.encode()):
            wrong = f"its {TOKEN_HEADER}, or the form's, is not the session's" if came_from_here else "another site"
            detail = f"a change by the session's cookie must come from a page of this host: {wrong}; open the page anew"
            raise Problem(403, "not-from-here", detail)

    def _token(self, what: str, of: str) -> str:
        return hmac.new(self._key(), f"{what}\x1f{of}".encode(), hashlib.sha256).hexdigest()

    def _signer(self) -> Any:
        how = {"key_derivation": "hmac", "digest_method": hashlib.sha256}
        return URLSafeSerializer(self._key(), salt=COOKIE, signer_kwargs=how)

    def _key(self) -> bytes:
        if self._secret is None:
            with self._database.read() as connection:
                secret = installation_secret(connection)
            self._secret = hashlib.blake2b(b"", key=secret, person=b"sessions", digest_size=32).digest()
        return self._secret


def form_field(name: str, *, limit: int | None = None) -> str:
    """A field of the form that is sent; empty when it has none, the first where it has several.

    Raises a Problem 413 for a form beyond 16 KiB, 256 KiB from whoever is admitted already.
    """
    return next(iter(form_fields(name, limit=limit)), "")


def form_fields(name: str, *, limit: int | None = None) -> list[str]:
    """All values of a field of the form that is sent; raises as form_field does."""
    most = limit or (_ADMITTED_FORM_LIMIT if "asker" in g else _FORM_LIMIT)
    request.max_content_length = most
    try:
        return request.form.getlist(name) if request.mimetype == _FORM_TYPE else []
    except RequestEntityTooLarge:
        raise Problem(413, "body-too-large", f"the form has more than {most} bytes", members={"limit": most}) from None


def local(path: str) -> str:
    """The path, if it is one of this host; else the first page: nobody is led elsewhere."""
    plain = path.isascii() and path.isprintable() and "\\" not in path and " " not in path
    parts = urlsplit(path) if plain and path.startswith("/") and not path.startswith("//") else None
    return path if parts is not None and not parts.scheme and not parts.netloc else "/"


def _came_from_here() -> bool:
    """What browsers say of where a request comes from; one that says nothing is left to the token.

    Of an origin its host is compared: a proxy that ends TLS may not say that it does. So one of the two may name the
    port that the other leaves out because it is its scheme's own.
    """
    origin, site = request.headers.get("Origin"), request.headers.get("Sec-Fetch-Site")
    if site is not None and site != "same-origin":
        return False
    if origin is None:
        return True
    scheme, _, host = origin.partition("://")
    port = _OWN_PORTS.get(scheme, "")
    return bool(request.host) and host.removesuffix(port) == request.host.removesuffix(port)


def _set(response: Response, name: str, value: str, *, seconds: int | None = None) -> None:
    response.set_cookie(
        name, value, max_age=seconds, path="/", secure=request.is_secure, httponly=True, samesite="Strict"
    )


def _drop(response: Response, name: str) -> None:
    response.delete_cookie(name, path="/", secure=request.is_secure, httponly=True, samesite="Strict")
