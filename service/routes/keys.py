"""Keys: made, listed, replaced, revoked. A key is shown once."""

from __future__ import annotations

from typing import Any, Final

from flask import Response, current_app
from flask_smorest import Blueprint
from sqlalchemy import Connection

from service.api_document.operations import Reply, json_body, operation, path_id
from service.asking import Asker, asker, database, needs, only_site
from service.clock import now_us
from service.formats import json_response
from service.objects import read_object, wrong_field
from service.problems import Problem, not_found
from service.schemas.administration import KEY_NEW, KEY_ROTATION, KeyNew, KeyRotation
from service.schemas.administration_answers import KeyList, KeyMade
from worker.keys import HOUR_US, OVERLAP_HOURS, Key, KeyNotReplaceable, known_keys, new_key, revoke, rotate

blueprint = Blueprint("keys", __name__, url_prefix="/v1", description="Keys of those who ask")
_KEY_ID: Final = path_id("key_id", "visible id of the key", "k7m2q9xa")


@blueprint.route("/keys", methods=["GET"])
@blueprint.doc(**operation(Reply(200, "The keys.", KeyList)))
@needs("administer")
def get_keys() -> Response:
    """List keys.

    Those of the asking key's sites, never their secrets.
    """
    site = only_site()
    with database().read() as connection:
        seen = [key for key in known_keys(connection) if _is_seen(key, asker()) and site in (None, *key.sites)]
    return json_response({"items": [_shown(key) for key in seen]})


@blueprint.route("/keys", methods=["POST"])
@blueprint.doc(
    **operation(
        Reply(201, "The key, with its secret.", KeyMade), body=json_body(KeyNew, "The key to make; at most 1 MiB.")
    )
)
@needs("administer")
def post_key() -> Response:
    """Make a key.

    The answer holds it once; only a keyed hash of it is kept.
    """
    only_site()
    asked, _ = read_object(KEY_NEW)
    own = asker().key.sites
    sites = asked.get("sites") or (own if len(own) == 1 else ())
    if not sites:
        raise wrong_field("/sites", f"is missing; this key has {len(own)} sites, name those that the new one is for")
    if foreign := [index for index, site in enumerate(sites) if site not in own]:
        raise wrong_field(f"/sites/{foreign[0]}", "there is no such site here")
    now = now_us()
    expires_us = asked.get("expires_at")
    if expires_us is not None and expires_us <= now:
        raise wrong_field("/expires_at", "is past; give an instant to come, or leave it out")
    with database().write() as connection:
        text, key = new_key(
            connection,
            name=asked["name"],
            roles=list(dict.fromkeys(asked["roles"])),
            sites=sites,
            source_prefix=asked.get("source_prefix"),
            expires_us=expires_us,
            now_us=now,
            by=asker().actor,
        )
    return json_response({"key": text} | _shown(key), 201)


@blueprint.route("/keys/<identifier:key_id>/rotation", methods=["POST"], parameters=_KEY_ID)
@blueprint.doc(
    **operation(
        Reply(201, "The key that replaces it, with its secret.", KeyMade),
        errors=(404, 409),
        body=json_body(KeyRotation, "For how long both hold; at most 1 MiB."),
    )
)
@needs("administer")
def post_key_rotation(key_id: str) -> Response:
    """Replace a key.

    The new one may what the old one may. Both hold for a while, so that whoever has the old one can change to the new
    one without a gap; one with an end gets a successor that holds as long as it did. The answer holds the new key once.
    """
    only_site()
    asked, _ = read_object(KEY_ROTATION)
    hours = asked.get("overlap_hours")
    overlap_us = (OVERLAP_HOURS if hours is None else hours) * HOUR_US
    try:
        with database().write() as connection:
            _seen(connection, key_id)
            text, key = rotate(connection, key_id, overlap_us=overlap_us, now_us=now_us(), by=asker().actor)
    except KeyNotReplaceable as error:
        raise Problem(409, "conflict", str(error)) from None
    current_app.extensions["cutledger"].gate.forget()
    return json_response({"key": text} | _shown(key), 201)


@blueprint.route("/keys/<identifier:key_id>", methods=["DELETE"], parameters=_KEY_ID)
@blueprint.doc(**operation(Reply(204, "It is revoked."), errors=(404,)))
@needs("administer")
def delete_key(key_id: str) -> Response:
    """Revoke a key.

    Every process refuses it within a second.
    """
    only_site()
    with database().write() as connection:
        _seen(connection, key_id)
        if not revoke(connection, key_id, now_us=now_us(), by=asker().actor):
            raise _no_such_key(key_id)
    current_app.extensions["cutledger"].gate.forget()
    return Response(status=204)


def _seen(connection: Connection, key_id: str) -> None:
    """Raise a Problem 404 for a key that is not there, or has a site that the asking one has not."""
    found = next(iter(known_keys(connection, [key_id])), None)
    if found is None or not _is_seen(found, asker()):
        raise _no_such_key(key_id)


def _no_such_key(key_id: str) -> Problem:
    return not_found(f"there is no key {key_id!r} that still holds")


def _is_seen(key: Key, who: Asker) -> bool:
    return bool(key.sites) and set(key.sites) <= set(who.key.sites)


def _shown(key: Key) -> dict[str, Any]:
    return {
        "key_id": key.key_id,
        "name": key.name,
        "roles": key.roles,
        "sites": key.sites,
        "source_prefix": key.source_prefix,
        "created_at": key.created_at,
        "expires_at": key.expires_at,
        "revoked_at": key.revoked_at,
        "replaces": key.replaces,
        "last_used_at": key.used_at,
    }
