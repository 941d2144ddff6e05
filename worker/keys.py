"""Keys of those who ask: made, shown once, kept as a keyed hash, revoked."""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from hashlib import blake2b
from typing import Final

from sqlalchemy import Connection, insert, select, update

from worker.installing import installation_secret
from worker.reports.reading import instant
from worker.tables import key_sites, keys

ROLES: Final = ("terminal", "reader", "engineer", "erp", "admin")
PREFIX: Final = "cut"
_LETTERS: Final = "abcdefghijkmnpqrstuvwxyz23456789"


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
) -> tuple[str, Key]:
    """Make a key; returns the secret text, which is kept nowhere, and what is known of it."""
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
        },
    )
    connection.execute(insert(key_sites), [{"key_id": key_id, "site": site} for site in sorted(set(sites))])
    return text, known_keys(connection, [key_id])[0]


def admit_site(connection: Connection, key_id: str, site: str) -> None:
    """Let a key act on one more site."""
    connection.execute(insert(key_sites), {"key_id": key_id, "site": site})


def holder(connection: Connection, text: str) -> Key | None:
    """The key that a secret text is, valid or not; None for any other text."""
    parts = text.split("_", 2)
    if len(parts) != 3 or parts[0] != PREFIX:
        return None
    stored = connection.execute(select(keys.c.secret_hash).where(keys.c.key_id == parts[1])).scalar_one_or_none()
    # A text without a stored hash is compared too, so that both take as long.
    matches = hmac.compare_digest(_hash(connection, text), bytes(stored or bytes(32)))
    return known_keys(connection, [parts[1]])[0] if matches and stored is not None else None


def known_keys(connection: Connection, key_ids: Sequence[str] | None = None) -> list[Key]:
    """All keys, or those of these ids, in the order in which they were made."""
    query = select(keys).order_by(keys.c.created_us, keys.c.key_id)
    if key_ids is not None:
        query = query.where(keys.c.key_id.in_(key_ids))
    rows = connection.execute(query).all()
    by_key: dict[str, list[str]] = {row.key_id: [] for row in rows}
    bound = select(key_sites.c.key_id, key_sites.c.site).where(key_sites.c.key_id.in_(list(by_key)))
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
        )
        for row in rows
    ]


def revoke(connection: Connection, key_id: str, *, now_us: int) -> bool:
    """End a key; False when there is none of this id that still holds."""
    ended = update(keys).where(keys.c.key_id == key_id, keys.c.revoked_us.is_(None)).values(revoked_us=now_us)
    return connection.execute(ended).rowcount > 0


def _hash(connection: Connection, text: str) -> bytes:
    return blake2b(text.encode(), key=installation_secret(connection), digest_size=32).digest()
