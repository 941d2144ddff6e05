"""Webhooks of a site: made, paused, resumed, given a new secret, removed."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, func, insert, select, update

from worker.installing import installation_secret
from worker.pushes.saying import ENDED, TEST, WAITING, hold_site, say_to
from worker.pushes.signing import secret_of, shown
from worker.tables import deliveries, pushes, webhooks

#: Webhooks that a site may have.
MOST_WEBHOOKS: Final = 20
#: Tests of a webhook that may wait.
MOST_TESTS: Final = 10
#: So long the secret before a new one signs too.
OVERLAP_US: Final = 24 * 3600 * 1_000_000
_LETTERS: Final = "abcdefghijkmnpqrstuvwxyz23456789"


class WebhookBusy(Exception):
    """What is asked of webhooks does not go together with how they stand: what would do."""


class TooManyWebhooks(WebhookBusy):
    """A site has as many webhooks as it may."""

    def __init__(self) -> None:
        super().__init__(f"this site has {MOST_WEBHOOKS} webhooks, and may have no more; remove one first")


class TooManyTests(WebhookBusy):
    """As many tests of a webhook wait as may."""

    def __init__(self) -> None:
        super().__init__(f"{MOST_TESTS} tests of this webhook wait to be sent; resume it if it is paused, or wait too")


class SecretsOverlap(WebhookBusy):
    """A webhook was given a new secret, and the one before it still signs."""

    def __init__(self) -> None:
        super().__init__(
            "the secret before this one still signs, for its receiver to change over; wait until old_secret_until, or "
            "ask with at_once=true to end both at once"
        )


@dataclass(frozen=True)
class Webhook:
    """A webhook: what is pushed, and where to. Instants are microseconds since 1970; None: not, or not yet."""

    webhook: str
    name: str
    url: str
    topics: tuple[str, ...]
    created_us: int
    created_by: str
    pushed: int
    old_secret_until_us: int | None
    paused_us: int | None
    paused_because: str | None


def make(
    connection: Connection, site: str, *, name: str, url: str, topics: Sequence[str], created_by: str, now_us: int
) -> tuple[Webhook, str]:
    """Make a webhook for topics; returns (it, its secret). The caller has judged its address, and commits.

    created_by: visible id of the key that asks. Raises TooManyWebhooks.
    """
    # What is being said waits to be committed first: it would else be told to nobody, though it becomes true later.
    hold_site(connection, site)
    w = webhooks.c
    there = select(func.count()).select_from(webhooks).where(w.site == site, w.removed_us.is_(None))
    if connection.execute(there).scalar_one() >= MOST_WEBHOOKS:
        raise TooManyWebhooks
    webhook = "wh_" + "".join(secrets.choice(_LETTERS) for _ in range(8))
    row = {
        "site": site,
        "webhook": webhook,
        "name": name,
        "url": url,
        "topics": " ".join(dict.fromkeys(topics)),
        "created_us": now_us,
        "created_by": created_by,
        "pushed": 0,
        "secret_number": 1,
    }
    connection.execute(insert(webhooks), row)
    return _there(connection, site, webhook), shown(secret_of(installation_secret(connection), site, webhook, 1))


def of_site(connection: Connection, site: str) -> list[Webhook]:
    """Webhooks of a site, in the order in which they were made."""
    w = webhooks.c
    query = select(webhooks).where(w.site == site, w.removed_us.is_(None)).order_by(w.created_us, w.webhook)
    return [_webhook(row) for row in connection.execute(query)]


def known(connection: Connection, site: str, webhook: str, *, to_change: bool = False) -> Webhook | None:
    """A webhook of a site; None for a removed one, another site's, any other word. to_change: it is held."""
    w = webhooks.c
    query = select(webhooks).where(w.site == site, w.webhook == webhook, w.removed_us.is_(None))
    row = connection.execute(query.with_for_update() if to_change else query).one_or_none()
    return None if row is None else _webhook(row)


def pause(connection: Connection, site: str, webhook: str, because: str, *, now_us: int) -> None:
    """Send nothing more: what there is to push waits. One that is paused already stays so for its reason."""
    w = webhooks.c
    _set(connection, site, webhook, w.paused_us.is_(None), paused_us=now_us, paused_because=because)


def pause_all(connection: Connection, site: str, because: str, *, now_us: int) -> int:
    """Pause all webhooks of a site; returns how many were not paused. The caller commits."""
    w = webhooks.c
    going = update(webhooks).where(w.site == site, w.removed_us.is_(None), w.paused_us.is_(None))
    return connection.execute(going.values(paused_us=now_us, paused_because=because)).rowcount


def resume(connection: Connection, site: str, webhook: str, *, now_us: int) -> None:
    """Send again, what waited at once."""
    _set(connection, site, webhook, paused_us=None, paused_because=None)
    _set_waiting(connection, site, webhook, due_us=now_us)


def rotate(
    connection: Connection, site: str, webhook: str, *, now_us: int, at_once: bool = False
) -> tuple[Webhook, str]:
    """A new secret for a webhook that is held; the last one signs too for a day. Returns (it, the new secret).

    at_once: the new one alone signs. Otherwise raises SecretsOverlap while one before the last still signs, since a
    receiver may know no other yet.
    """
    w = webhooks.c
    old_until_us = _there(connection, site, webhook).old_secret_until_us
    if not at_once and old_until_us is not None and now_us < old_until_us:
        raise SecretsOverlap
    until = None if at_once else now_us + OVERLAP_US
    _set(connection, site, webhook, secret_number=w.secret_number + 1, old_secret_until_us=until)
    number = connection.execute(select(w.secret_number).where(w.site == site, w.webhook == webhook)).scalar_one()
    secret = secret_of(installation_secret(connection), site, webhook, number)
    return _there(connection, site, webhook), shown(secret)


def remove(connection: Connection, site: str, webhook: str, *, now_us: int) -> None:
    """Remove a webhook: what still waited for it ends."""
    _set(connection, site, webhook, removed_us=now_us)
    ended = {"state": ENDED, "due_us": None, "held_until_us": None, "ended_us": now_us}
    _set_waiting(connection, site, webhook, **ended, reason="the webhook was removed")


def test(connection: Connection, site: str, webhook: str, *, now_us: int) -> int:
    """Push a test to a webhook that is held, whatever it is for; returns the number of the delivery.

    Raises TooManyTests.
    """
    d, p = deliveries.c, pushes.c
    of_push = deliveries.join(pushes, (p.site == d.site) & (p.push == d.push))
    mine = (d.site == site, d.webhook == webhook, d.state == WAITING, p.topic == TEST)
    if (
        len(connection.execute(select(d.number).select_from(of_push).where(*mine).limit(MOST_TESTS)).all())
        == MOST_TESTS
    ):
        raise TooManyTests
    path = f"/v1/webhooks/{webhook}"
    say_to(connection, site, webhook, TEST, secrets.token_hex(8), {"webhook": webhook, "path": path}, now_us)
    w = webhooks.c
    query = select(w.pushed).where(w.site == site, w.webhook == webhook)
    return int(connection.execute(query).scalar_one())


def signing_secrets(connection: Connection, row: Any, *, now_us: int) -> tuple[bytes, ...]:
    """The secrets that sign for a webhook's row now, the newest first."""
    key = installation_secret(connection)
    old = row.old_secret_until_us is not None and now_us < row.old_secret_until_us
    numbers = (row.secret_number, row.secret_number - 1) if old else (row.secret_number,)
    return tuple(secret_of(key, row.site, row.webhook, number) for number in numbers)


def _there(connection: Connection, site: str, webhook: str) -> Webhook:
    found = known(connection, site, webhook)
    assert found is not None
    return found


def _webhook(row: Any) -> Webhook:
    return Webhook(
        row.webhook,
        row.name,
        row.url,
        tuple(row.topics.split()),
        row.created_us,
        row.created_by,
        row.pushed,
        row.old_secret_until_us,
        row.paused_us,
        row.paused_because,
    )


def _set(connection: Connection, site: str, webhook: str, *where: Any, **values: Any) -> None:
    w = webhooks.c
    connection.execute(update(webhooks).where(w.site == site, w.webhook == webhook, *where).values(**values))


def _set_waiting(connection: Connection, site: str, webhook: str, **values: Any) -> None:
    d = deliveries.c
    mine = (d.site == site, d.webhook == webhook, d.state == WAITING)
    connection.execute(update(deliveries).where(*mine).values(**values))
