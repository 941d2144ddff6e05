"""Keys of those who ask: made, shown once, kept as a keyed hash, replaced, revoked; each of it on record."""

from __future__ import annotations

import hmac
import re
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from hashlib import blake2b
from typing import Any, Final

from sqlalchemy import ColumnElement, Connection, exists, func, insert, or_, select, true, tuple_, update

from worker.administration import COMMAND_LINE, Actor, record
from worker.installing import installation_secret
from worker.reports.reading import instant
from worker.sentences import Sentence, sentence
from worker.tables import key_sites, keys

ROLES: Final = ("terminal", "reader", "engineer", "erp", "admin")
PREFIX: Final = "cut"
_LETTERS: Final = "abcdefghijkmnpqrstuvwxyz23456789"
#: A visible id, no longer than the tables hold.
_VISIBLE_ID: Final = re.compile(r"[a-z0-9]{1,16}", re.ASCII)
HOUR_US: Final = 3_600_000_000
#: So long a key that is replaced holds beside its successor unless another time is asked for.
OVERLAP_HOURS: Final = 24
MOST_OVERLAP_HOURS: Final = 30 * 24
#: The last use of a key is written down no more often than this.
USE_US: Final = 60_000_000


class KeyUnknown(LookupError):
    """No key of this id."""


class KeyNotReplaceable(Exception):
    """A key that has ended, or has a successor already; `what` says so."""

    def __init__(self, what: Sentence) -> None:
        super().__init__(what)
        self.what = what


@dataclass(frozen=True)
class Key:
    """What is known of a key: its visible id, roles, sites, and the sources that it may speak for."""

    key_id: str
    name: str
    roles: tuple[str, ...]
    sites: tuple[str, ...]
    source_prefix: str | None
    created_at: datetime
    #: Until when it was made to hold; a key that is replaced holds no longer than `overlap_ends_at`.
    ends_at: datetime | None
    overlap_ends_at: datetime | None
    revoked_at: datetime | None
    #: Id of the key in whose place it was made.
    replaces: str | None
    used_at: datetime | None

    @property
    def expires_at(self) -> datetime | None:
        """When it ends unless it is revoked before; None: never."""
        return min((end for end in (self.ends_at, self.overlap_ends_at) if end is not None), default=None)

    def is_valid(self, now_us: int) -> bool:
        """True while it is neither revoked nor expired."""
        return self.revoked_at is None and (self.expires_at is None or instant(now_us) < self.expires_at)


def new_key(
    connection: Connection,
    *,
    name: str,
    roles: Sequence[str],
    sites: Sequence[str],
    now_us: int,
    source_prefix: str | None = None,
    expires_us: int | None = None,
    by: Actor = COMMAND_LINE,
) -> tuple[str, Key]:
    """Make a key; returns the secret text, which is kept nowhere, and what is known of it."""
    text, key = _made(
        connection, name=name, roles=roles, sites=sites, now_us=now_us, source_prefix=source_prefix,
        expires_us=expires_us, replaces=None,
    )  # fmt: skip
    told = {"name": name, "roles": list(roles), "source_prefix": source_prefix, "expires_at": key.expires_at}
    _record(connection, key, by, "key.made", told, now_us)
    return text, key


def rotate(
    connection: Connection,
    key_id: str,
    *,
    now_us: int,
    overlap_us: int = OVERLAP_HOURS * HOUR_US,
    by: Actor = COMMAND_LINE,
) -> tuple[str, Key]:
    """Make a key that may what this one may, and let this one end after `overlap_us`; returns as new_key does.

    One with an end gets a successor that holds as long as it did. Raises KeyUnknown and KeyNotReplaceable.
    """
    # Of two at once the later sees the successor that the earlier made.
    connection.execute(select(keys.c.key_id).where(keys.c.key_id == key_id).with_for_update())
    old = known_key(connection, key_id)
    if old is None:
        raise KeyUnknown(f"there is no key {key_id!r}")
    if not old.is_valid(now_us):
        why = (
            sentence("key %(key)s was revoked; make a new one", key=repr(key_id))
            if old.revoked_at
            else sentence("key %(key)s has expired; make a new one", key=repr(key_id))
        )
        raise KeyNotReplaceable(why)
    successor = select(keys.c.key_id).where(keys.c.replaces == key_id, keys.c.revoked_us.is_(None))
    if (there := connection.execute(successor).scalars().first()) is not None:
        why = sentence(
            "key %(key)s was replaced by %(other)s; rotate that one, or revoke it first", key=repr(key_id), other=there
        )
        raise KeyNotReplaceable(why)
    lifetime = None if old.ends_at is None else old.ends_at - old.created_at
    text, key = _made(
        connection, name=old.name, roles=old.roles, sites=old.sites, now_us=now_us, source_prefix=old.source_prefix,
        expires_us=None if lifetime is None else now_us + lifetime // timedelta(microseconds=1), replaces=key_id,
    )  # fmt: skip
    ends_us = now_us + overlap_us
    overlap = keys.c.overlap_ends_us
    # One whose successor was revoked has an end already: it is not moved on.
    still = update(keys).where(keys.c.key_id == key_id, or_(overlap.is_(None), overlap > ends_us))
    connection.execute(still.values(overlap_ends_us=ends_us))
    told = {"replaced_by": key.key_id, "ends_at": _known(connection, key_id).expires_at}
    _record(connection, old, by, "key.rotated", told, now_us)
    return text, key


def _made(
    connection: Connection,
    *,
    name: str,
    roles: Sequence[str],
    sites: Sequence[str],
    now_us: int,
    source_prefix: str | None,
    expires_us: int | None,
    replaces: str | None,
) -> tuple[str, Key]:
    key_id = "".join(secrets.choice(_LETTERS) for _ in range(8))
    text = f"{PREFIX}_{key_id}_{secrets.token_urlsafe(32)}"
    connection.execute(
        insert(keys),
        {
            "key_id": key_id,
            "name": name,
            "secret_hash": _hash(connection, text),
            "roles": " ".join(roles),
            "source_prefix": source_prefix,
            "created_us": now_us,
            "expires_us": expires_us,
            "replaces": replaces,
        },
    )
    connection.execute(insert(key_sites), [{"key_id": key_id, "site": site} for site in sorted(set(sites))])
    return text, _known(connection, key_id)


def admit_site(connection: Connection, key_id: str, site: str, *, now_us: int, by: Actor = COMMAND_LINE) -> None:
    """Let a key act on one more site; the others have it on record."""
    before = _known(connection, key_id)
    connection.execute(insert(key_sites), {"key_id": key_id, "site": site})
    _record(connection, before, by, "key.widened", {"name": before.name}, now_us)


def holder(connection: Connection, text: str) -> Key | None:
    """The key that a secret text is, valid or not; None for any other text."""
    if (key_id := visible_id(text)) is None:
        return None
    stored = connection.execute(select(keys.c.secret_hash).where(keys.c.key_id == key_id)).scalar_one_or_none()
    # A text without a stored hash is compared too, so that both take as long.
    matches = hmac.compare_digest(_hash(connection, text), bytes(stored or bytes(32)))
    return known_key(connection, key_id) if matches and stored is not None else None


def known_key(connection: Connection, key_id: str) -> Key | None:
    """The key of a visible id, or None; both take the same statements."""
    return next(iter(_keys(connection, keys.c.key_id == key_id)), None)


def known_keys(
    connection: Connection, *, sites: Sequence[str] | None = None, after: str | None = None, limit: int | None = None
) -> list[Key]:
    """Keys in the order in which they were made, all or those of any of these sites; `after`: those made after that."""
    chosen: ColumnElement[bool] = true()
    if sites is not None:
        chosen = keys.c.key_id.in_(select(key_sites.c.key_id).where(key_sites.c.site.in_(sites)))
    if after is not None:
        earlier = select(keys.c.created_us, keys.c.key_id).where(keys.c.key_id == after)
        chosen &= tuple_(keys.c.created_us, keys.c.key_id) > earlier.scalar_subquery()
    return _keys(connection, chosen, limit=limit)


def keys_made(connection: Connection, sites: Sequence[str]) -> int:
    """How many keys were ever made for any of these sites: it only grows."""
    made = select(func.count(key_sites.c.key_id.distinct())).where(key_sites.c.site.in_(sites))
    return int(connection.execute(made).scalar_one())


def any_key(connection: Connection) -> bool:
    """True when a key was ever made."""
    return bool(connection.execute(select(exists().where(keys.c.key_id.is_not(None)))).scalar_one())


def _known(connection: Connection, key_id: str) -> Key:
    (key,) = _keys(connection, keys.c.key_id == key_id)
    return key


def _keys(connection: Connection, chosen: ColumnElement[bool], *, limit: int | None = None) -> list[Key]:
    some = select(keys).where(chosen).order_by(keys.c.created_us, keys.c.key_id).limit(limit).subquery()
    rows = connection.execute(select(some).order_by(some.c.created_us, some.c.key_id)).all()
    bound = select(key_sites.c.key_id, key_sites.c.site).join(some, some.c.key_id == key_sites.c.key_id)
    by_key: dict[str, list[str]] = {row.key_id: [] for row in rows}
    for key_id, site in connection.execute(bound.order_by(key_sites.c.site)):
        by_key[key_id].append(site)
    return [
        Key(
            row.key_id,
            row.name,
            tuple(row.roles.split()),
            tuple(by_key[row.key_id]),
            row.source_prefix,
            instant(row.created_us),
            _at(row.expires_us),
            _at(row.overlap_ends_us),
            _at(row.revoked_us),
            row.replaces,
            _at(row.used_us),
        )
        for row in rows
    ]


def _at(us: int | None) -> datetime | None:
    return None if us is None else instant(us)


def revoke(connection: Connection, key_id: str, *, now_us: int, by: Actor = COMMAND_LINE) -> bool:
    """End a key; False when there is none of this id that still holds."""
    ended = update(keys).where(keys.c.key_id == key_id, keys.c.revoked_us.is_(None)).values(revoked_us=now_us)
    if connection.execute(ended).rowcount == 0:
        return False
    key = _known(connection, key_id)
    _record(connection, key, by, "key.revoked", {"name": key.name}, now_us)
    return True


def note_use(connection: Connection, key_id: str, *, now_us: int) -> None:
    """Write down that a key is in use, unless that was written within USE_US."""
    due = or_(keys.c.used_us.is_(None), keys.c.used_us <= now_us - USE_US)
    connection.execute(update(keys).where(keys.c.key_id == key_id, due).values(used_us=now_us))


def visible_id(text: str) -> str | None:
    """The visible id in what may be a key; None when it has not the form of one."""
    parts = text.split("_", 2)
    return parts[1] if len(parts) == 3 and parts[0] == PREFIX and _VISIBLE_ID.fullmatch(parts[1]) else None


def _record(connection: Connection, key: Key, by: Actor, act: str, details: dict[str, Any], now_us: int) -> None:
    """On record of each site that the key is for, none of which learns of the others."""
    for site in key.sites:
        record(connection, site, actor=by, act=act, subject=key.key_id, details=details, now_us=now_us)


def _hash(connection: Connection, text: str) -> bytes:
    return blake2b(text.encode(), key=installation_secret(connection), digest_size=32).digest()
