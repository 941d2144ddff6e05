"""What people do about the figures, appended by doors of its own: holds placed and lifted, settings released."""

from __future__ import annotations

import secrets
from collections.abc import Collection, Mapping
from typing import Any, Final

from sqlalchemy import Connection

from service.settling import judged_event, stored_data
from worker import ledger
from worker.events import LIFTED, PLACED, RELEASED, WITHDRAWN
from worker.holds import LIFTED_STATE, OPEN, hold_named
from worker.reports.reading import Reader, open_site
from worker.reports.released import Release, place_of, releases

#: Random bytes of an id that is made.
_ID_BYTES: Final = 6


class HeldOtherwise(ValueError):
    """A hold of this id is there with another content, or was lifted."""


class LiftedAlready(ValueError):
    """A hold that is to be lifted was, in other words."""


class NotForThisRole(ValueError):
    """A hold may be lifted by another role alone, which the error says."""


def place_hold(
    connection: Connection, site: str, hold: str | None, told: Mapping[str, Any], *, source: str, now_us: int
) -> tuple[str, bool]:
    """Append a hold; returns (its id, whether it is new). None: an id is made.

    The same hold under a known id is there already, while it holds. Raises SettingsWrong and HeldOtherwise.
    """
    # Of two requests with one id the later sees the hold of the earlier.
    ledger.take_turn(connection, site)
    name = hold or f"HD-{secrets.token_hex(_ID_BYTES)}"
    there = hold_named(open_site(connection, site), name)
    judged = judged_event(connection, site, PLACED, name, told, source=source, now_us=now_us)
    if there is not None:
        same = there.told == stored_data(judged)
        if there.state == OPEN and same:
            return name, False
        raise HeldOtherwise(name)
    ledger.append(connection, site, [judged], received_us=now_us)
    return name, True


def lift_hold(
    connection: Connection,
    site: str,
    hold: str,
    told: Mapping[str, Any],
    *,
    roles: Collection[str],
    source: str,
    now_us: int,
) -> bool:
    """Append that a hold is lifted; returns whether that is new: with the same words it is lifted once.

    Raises LookupError, SettingsWrong, LiftedAlready and NotForThisRole.
    """
    ledger.take_turn(connection, site)
    there = hold_named(open_site(connection, site), hold)
    if there is None:
        raise LookupError(hold)
    if there.may_lift not in roles and "admin" not in roles:
        raise NotForThisRole(there.may_lift)
    # What answers another event comes after it, by whatever clock that was said.
    at_us = max(now_us, there.spans[-1].since_us + 1)
    judged = judged_event(connection, site, LIFTED, hold, told, source=source, now_us=at_us)
    if there.state == LIFTED_STATE:
        if there.lifted != stored_data(judged):
            raise LiftedAlready(hold)
        return False
    ledger.append(connection, site, [judged], received_us=now_us)
    return True


class NothingReleased(LookupError):
    """There is nothing released where something is to be withdrawn."""


def release_settings(
    connection: Connection, site: str, told: Mapping[str, Any], *, source: str, now_us: int
) -> tuple[Release, bool]:
    """Append that settings are released; returns (the release as it stands, whether it is new).

    told: the data of the event, with what the figures say in it. The same settings, released there already, are there.
    Raises SettingsWrong.
    """
    ledger.take_turn(connection, site)
    name = told["recipe"]["name"]
    judged = judged_event(connection, site, RELEASED, name, told, source=source, now_us=now_us)
    data = stored_data(judged)
    there = _released_at(open_site(connection, site), data)
    if there is not None and there.is_released and there.recipe == data["recipe"]:
        return there, False
    if there is not None and there.since_us >= now_us:
        judged = judged_event(connection, site, RELEASED, name, told, source=source, now_us=there.since_us + 1)
    ledger.append(connection, site, [judged], received_us=now_us)
    return _stands(connection, site, data), True


def withdraw_settings(
    connection: Connection, site: str, told: Mapping[str, Any], *, source: str, now_us: int
) -> Release:
    """Append that what is released at a place is withdrawn; raises SettingsWrong and NothingReleased.

    told: what its schema takes, as it was sent.
    """
    ledger.take_turn(connection, site)
    there = _released_at(open_site(connection, site), told)
    if there is None or not there.is_released:
        raise NothingReleased
    name = there.recipe["name"]
    at_us = max(now_us, there.since_us + 1)
    judged = judged_event(connection, site, WITHDRAWN, name, told, source=source, now_us=at_us)
    ledger.append(connection, site, [judged], received_us=now_us)
    return _stands(connection, site, told)


def _released_at(reader: Reader, told: Mapping[str, Any]) -> Release | None:
    place = place_of(reader.calendar.latest, told)
    return next((release for release in releases(reader) if release.place == place), None)


def _stands(connection: Connection, site: str, told: Mapping[str, Any]) -> Release:
    release = _released_at(open_site(connection, site), told)
    if release is None:
        # An event of the future, appended by an admin as such, would stand after this one.
        raise NothingReleased
    return release
