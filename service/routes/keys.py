"""Keys: made, listed, replaced, revoked. A key is shown once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from flask import Response, current_app
from flask_smorest import Blueprint
from marshmallow import RAISE
from sqlalchemy import Connection

from service.api_document.operations import Reply, json_body, operation, path_id
from service.asking import asked_sites, asker, database, needs, only_sites
from service.clock import now_us
from service.formats import json_response
from service.objects import read_object, wrong_field
from service.problems import Problem, not_found
from service.routes.events import next_link
from service.schemas.administration import KEY_NEW, KEY_ROTATION, KeyNew, KeyRotation
from service.schemas.administration_answers import KeyMade, KeyPage
from service.schemas.queries import PageQuery
from worker.keys import (
    HOUR_US,
    OVERLAP_HOURS,
    Key,
    KeyNotReplaceable,
    keys_made,
    known_key,
    known_keys,
    new_key,
    revoke,
    rotate,
)
from worker.ledger import take_turn
from worker.sentences import sentence
from worker.state import last_of, page_cursor

blueprint = Blueprint("keys", __name__, url_prefix="/v1", description="Keys of those who ask")
_KEY_ID: Final = path_id("key_id", "visible id of the key", "k7m2q9xa")
_CURSOR: Final = "k1:"


@blueprint.route("/keys", methods=["GET"])
@blueprint.arguments(PageQuery(), location="query", unknown=RAISE)
@blueprint.doc(**operation(Reply(200, "A page of the keys.", KeyPage, headers=("Link",)), errors=(404,)))
@needs("administer")
def get_keys(query: dict[str, Any]) -> Response:
    """List keys.

    Those of the asking key's sites, or of the one that is named, in the order in which they were made; of their sites
    those that the asking key has too, of their secrets nothing.
    """
    items, following = keys_seen(asked_sites(), query)
    response = json_response({"items": items, "next": following})
    if following is not None:
        response.headers["Link"] = next_link(following)
    return response


def keys_seen(sites: Sequence[str], query: Mapping[str, Any]) -> tuple[list[dict[str, Any]], str | None]:
    """(a page of the keys of these sites, cursor of the next page)."""
    limit = query["limit"]
    after = None if query.get("after") is None else last_of(query["after"], form=_CURSOR)
    with database().read() as connection:
        found = known_keys(connection, sites=sites, after=after, limit=limit + 1)
    following = page_cursor(found[limit - 1].key_id, form=_CURSOR) if len(found) > limit else None
    return [_shown(key) for key in found[:limit]], following


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
    own = only_sites()
    asked, _ = read_object(KEY_NEW)
    return json_response(make_key(own, asked), 201)


def make_key(own: Sequence[str], asked: Mapping[str, Any], *, after: int | None = None) -> dict[str, Any]:
    """Make a key for some of the asker's own sites, as it is shown, with its secret; raises a Problem 422.

    after: how many keys were made for these sites when it was asked for; raises KeysChanged if more were by now.
    """
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
        if after is not None:
            _refuse_if_more(connection, own, after)
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
    return {"key": text} | _shown(key)


class KeysChanged(ValueError):
    """A key was made since somebody asked for one: by the same form, maybe, that was sent twice."""


def _refuse_if_more(connection: Connection, sites: Sequence[str], made: int) -> None:
    for site in sorted(sites):
        # Of two requests at once the later sees the key of the earlier.
        take_turn(connection, site)
    if keys_made(connection, sites) != made:
        raise KeysChanged


@blueprint.route("/keys/<identifier:key_id>/rotation", methods=["POST"], parameters=_KEY_ID)
@blueprint.doc(
    **operation(
        Reply(201, "The key that replaces it, with its secret.", KeyMade),
        errors=(404, 409),
        body=json_body(KeyRotation, "For how long both hold; at most 1 MiB. Left out: the default.", required=False),
    )
)
@needs("administer")
def post_key_rotation(key_id: str) -> Response:
    """Replace a key.

    The new one may what the old one may. Both hold for a while, so that whoever has the old one can change to the new
    one without a gap; one with an end gets a successor that holds as long as it did. The answer holds the new key once.
    """
    sites = only_sites()
    asked, _ = read_object(KEY_ROTATION, default={})
    return json_response(replace_key(sites, key_id, asked), 201)


def replace_key(sites: Sequence[str], key_id: str, asked: Mapping[str, Any]) -> dict[str, Any]:
    """Make the key that takes a key's place, as it is shown, with its secret; raises a Problem 404 or 409."""
    hours = asked.get("overlap_hours")
    overlap_us = (OVERLAP_HOURS if hours is None else hours) * HOUR_US
    try:
        with database().write() as connection:
            old = _seen(connection, key_id, sites)
            if not set(old.sites) <= set(asker().sites):
                told = sentence("key %(key)s is for other sites too; make a new one and revoke it", key=repr(key_id))
                raise Problem(409, "conflict", told)
            text, key = rotate(connection, key_id, overlap_us=overlap_us, now_us=now_us(), by=asker().actor)
    except KeyNotReplaceable as error:
        raise Problem(409, "conflict", error.what) from None
    current_app.extensions["cutledger"].gate.forget()
    return {"key": text} | _shown(key)


@blueprint.route("/keys/<identifier:key_id>", methods=["DELETE"], parameters=_KEY_ID)
@blueprint.doc(**operation(Reply(204, "It is revoked."), errors=(404,)))
@needs("administer")
def delete_key(key_id: str) -> Response:
    """Revoke a key.

    At all its sites, whichever the asking key has too. Every process refuses it within a second.
    """
    end_key(only_sites(), key_id)
    return Response(status=204)


def end_key(sites: Sequence[str], key_id: str) -> None:
    """Revoke a key; raises a Problem 404 for one that is not there or has ended."""
    with database().write() as connection:
        _seen(connection, key_id, sites)
        if not revoke(connection, key_id, now_us=now_us(), by=asker().actor):
            raise _no_such_key(key_id)
    current_app.extensions["cutledger"].gate.forget()


def key_seen(sites: Sequence[str], key_id: str) -> dict[str, Any]:
    """A key of one of these sites, as it is shown; raises a Problem 404 for another."""
    with database().read() as connection:
        return _shown(_seen(connection, key_id, sites))


def _seen(connection: Connection, key_id: str, sites: Sequence[str]) -> Key:
    """A key with one of these sites; raises a Problem 404 for another."""
    found = known_key(connection, key_id)
    if found is None or set(found.sites).isdisjoint(sites):
        raise _no_such_key(key_id)
    return found


def _no_such_key(key_id: str) -> Problem:
    return not_found(f"there is no key {key_id!r} that still holds")


def _shown(key: Key) -> dict[str, Any]:
    """A key as the asking one sees it: of its sites, those that both have."""
    own = asker().sites
    return {
        "key_id": key.key_id,
        "name": key.name,
        "roles": key.roles,
        "sites": [site for site in key.sites if site in own],
        "source_prefix": key.source_prefix,
        "created_at": key.created_at,
        "expires_at": key.expires_at,
        "revoked_at": key.revoked_at,
        "replaces": key.replaces,
        "last_used_at": key.used_at,
    }
