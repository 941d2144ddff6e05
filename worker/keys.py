"""Keys of those who ask: made, shown once, kept as a keyed hash, replaced, revoked; each of it on record."""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from hashlib import blake2b
from typing import Any, Final

from sqlalchemy import Connection, insert, or_, select, update

from worker.administration import COMMAND_LINE, Actor, record
from worker.installing import installation_secret
from worker.reports.reading import instant
from worker.tables import key_sites, keys

ROLES: Final = ("terminal", "reader", "engineer", "erp", "admin")
PREFIX: Final = "cut"
_LETTERS: Final = "abcdefghijkmnpqrstuvwxyz23456789"
#: Longest visible id that the tables hold.
_LONGEST_ID: Final = 16
HOUR_US: Final = 3_600_000_000
#: So long a key that is replaced holds beside its successor unless another time is asked for.
OVERLAP_HOURS: Final = 24
MOST_OVERLAP_HOURS: Final = 30 * 24
#: The last use of a key is written down no more often than this.
USE_US: Final = 60_000_000


class KeyUnknown(LookupError):
    """No key of this id."""


class KeyNotReplaceable(Exception):
    """A key that has ended, or has a successor already."""


@dataclass(frozen=True)
class Key:
    """What is known of a key: its visible id, roles, sites, and the sources that it may speak for."""

    key_id: str
    name: str
    roles: tuple[str, ...]
    sites: tuple[str, ...]
    source_prefix: str | None
    created_at: datetime
    expires_at: datetime | None
    revoked_at: datetime | None
    #: Id of the key in whose place it was made.
    replaces: str | None
    used_at: datetime | None

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
    old = next(iter(known_keys(connection, [key_id])), None)
    if old is None:
        raise KeyUnknown(f"there is no key {key_id!r}")
    if not old.is_valid(now_us):
        ended = "was revoked" if old.revoked_at else "has expired"
        raise KeyNotReplaceable(f"key {key_id!r} {ended}; make a new one")
    successor = select(keys.c.key_id).where(keys.c.replaces == key_id, keys.c.revoked_us.is_(None))
    if (there := connection.execute(successor).scalars().first()) is not None:
        raise KeyNotReplaceable(f"key {key_id!r} was replaced by {there}; rotate that one, or revoke it first")
    lifetime = None if old.expires_at is None else old.expires_at - old.created_at
    text, key = _made(
        connection, name=old.name, roles=old.roles, sites=old.sites, now_us=now_us, source_prefix=old.source_prefix,
        expires_us=None if lifetime is None else now_us + lifetime // timedelta(microseconds=1), replaces=key_id,
    )  # fmt: skip
    ends_us = now_us + overlap_us
    still = update(keys).where(keys.c.key_id == key_id, or_(keys.c.expires_us.is_(None), keys.c.expires_us > ends_us))
    connection.execute(still.values(expires_us=ends_us))
    told = {"replaced_by": key.key_id, "ends_at": known_keys(connection, [key_id])[0].expires_at}
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
    return text, known_keys(connection, [key_id])[0]


def admit_site(connection: Connection, key_id: str, site: str) -> None:
    """Let a key act on one more site."""
    connection.execute(insert(key_sites), {"key_id": key_id, "site": site})


def holder(connection: Connection, text: str) -> Key | None:
    """The key that a secret text is, valid or not; None for any other text."""
    if (key_id := visible_id(text)) is None:
        return None
    stored = connection.execute(select(keys.c.secret_hash).where(keys.c.key_id == key_id)).scalar_one_or_none()
    # A text without a stored hash is compared too, so that both take as long.
    matches = hmac.compare_digest(_hash(connection, text), bytes(stored or bytes(32)))
    return known_keys(connection, [key_id])[0] if matches and stored is not None else None


def known_keys(connection: Connection, key_ids: Sequence[str] | None = None) -> list[Key]:
    """All keys, or those of these ids, in the order in which they were made."""
    query = select(keys).order_by(keys.c.created_us, keys.c.key_id)
    if key_ids is not None:
        query = query.where(keys.c.key_id.in_(key_ids))
    rows = connection.execute(query).all()
    by_key: dict[str, list[str]] = {row.key_id: [] for row in rows}
    # Of an id that is not there its sites are asked for too, so that both take as long.
    named = list(by_key) if key_ids is None else key_ids
    bound = select(key_sites.c.key_id, key_sites.c.site).where(key_sites.c.key_id.in_(named))
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
            None if row.expires_us is None else instant(row.expires_us),
            None if row.revoked_us is None else instant(row.revoked_us),
            row.replaces,
            None if row.used_us is None else instant(row.used_us),
        )
        for row in rows
    ]


def revoke(connection: Connection, key_id: str, *, now_us: int, by: Actor = COMMAND_LINE) -> bool:
    """End a key; False when there is none of this id that still holds."""
    ended = update(keys).where(keys.c.key_id == key_id, keys.c.revoked_us.is_(None)).values(revoked_us=now_us)
    if connection.execute(ended).rowcount == 0:
        return False
    key = known_keys(connection, [key_id])[0]
    _record(connection, key, by, "key.revoked", {"name": key.name}, now_us)
    return True


def note_use(connection: Connection, key_id: str, *, now_us: int) -> None:
    """Write down that a key is in use, unless that was written within USE_US."""
    due = or_(keys.c.used_us.is_(None), keys.c.used_us <= now_us - USE_US)
    connection.execute(update(keys).where(keys.c.key_id == key_id, due).values(used_us=now_us))


def visible_id(text: str) -> str | None:
    """The visible id in what may be a key; None when it has not the form of one."""
    parts = text.split("_", 2)
    return parts[1] if len(parts) == 3 and parts[0] == PREFIX and 0 < len(parts[1]) <= _LONGEST_ID else None


def _record(connection: Connection, key: Key, by: Actor, act: str, details: dict[str, Any], now_us: int) -> None:
    """On record of each site that the key is for, none of which learns of the others."""
    for site in key.sites:
        record(connection, site, actor=by, act=act, subject=key.key_id, details=details, now_us=now_us)


def _hash(connection: Connection, text: str) -> bytes:
    return blake2b(text.encode(), key=installation_secret(connection), digest_size=32).digest()
