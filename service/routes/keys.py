"""Keys: made, listed, revoked. A key is shown once."""

from __future__ import annotations

from typing import Any

from flask import Response, current_app
from flask_smorest import Blueprint

from service.api_document.operations import Reply, json_body, operation, path_id
from service.asking import Asker, asker, database, needs, only_site
from service.clock import now_us
from service.formats import json_response
from service.objects import read_object, wrong_field
from service.problems import not_found
from service.schemas.administration import KEY_NEW, KeyNew
from service.schemas.administration_answers import KeyList, KeyMade
from worker.keys import Key, known_keys, new_key, revoke

blueprint = Blueprint("keys", __name__, url_prefix="/v1", description="Keys of those who ask")


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
        )
    return json_response({"key": text} | _shown(key), 201)


@blueprint.route(
    "/keys/<identifier:key_id>", methods=["DELETE"], parameters=path_id("key_id", "visible id of the key", "k7m2q9xa")
)
@blueprint.doc(**operation(Reply(204, "It is revoked."), errors=(404,)))
@needs("administer")
def delete_key(key_id: str) -> Response:
    """Revoke a key.

    Every process refuses it within a second.
    """
    only_site()
    with database().write() as connection:
        found = next(iter(known_keys(connection, [key_id])), None)
        if found is None or not _is_seen(found, asker()) or not revoke(connection, key_id, now_us=now_us()):
            raise not_found(f"there is no key {key_id!r} that still holds")
    current_app.extensions["cutledger"].gate.forget()
    return Response(status=204)


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
    }
