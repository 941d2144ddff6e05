"""What doors of their own append to the ledger, judged like all other events: settings, notes on findings, proofs."""

from __future__ import annotations

import re
import secrets
import uuid
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, Final

import orjson
from sqlalchemy import Connection

from service.acceptance import Judged, People, judge
from service.schemas.administration import SITE_ID, SITE_ID_FORM
from worker import ledger
from worker.administration import COMMAND_LINE, SITE_SET, Actor, record_settings
from worker.database import DatabaseUnavailable
from worker.events import HANDED_OVER
from worker.installing import people_key, people_secret
from worker.proof_plans import impossibility, plan_of
from worker.records import by_value
from worker.reports.proof_trials import plans
from worker.reports.reading import calendar_of, open_site

#: Settings without a first day hold from here: before any event may lie.
ALWAYS: Final = "2000-01-01"
#: Random bytes of the id of a proof that is given none.
_ID_BYTES: Final = 6


def people_of(connection: Connection, site: str, *, now_us: int) -> People:
    """What a site keeps of people's names now."""
    held = people_secret(connection, site)
    settings = calendar_of(connection, site, held.revision).place(now_us).settings
    return People(settings.values["people"], held.key, held.generation)


def refuse_old_key(connection: Connection, site: str, people: People) -> None:
    """Raise DatabaseUnavailable when the key by which events were judged was destroyed since; the site's turn is taken.

    Whoever sends them again has them judged by the new one.
    """
    if people_key(connection, site) != people.key:
        raise DatabaseUnavailable(f"the key for people of site {site} was destroyed meanwhile")


class PeopleOld(DatabaseUnavailable):
    """Events were judged by what their site does not keep of people's names any more."""


def refuse_old_people(connection: Connection, site: str, people: People, *, now_us: int) -> None:
    """Raise PeopleOld unless a site keeps of people's names what events were judged by; the site's turn is taken."""
    if people_of(connection, site, now_us=now_us) != people:
        raise PeopleOld(f"what site {site} keeps of people's names has changed meanwhile")


class SettingsWrong(ValueError):
    """Settings that cannot be taken. `pointer`: from the start of the settings."""

    def __init__(self, pointer: str, detail: str) -> None:
        super().__init__(f"{pointer.removeprefix('/')} {detail}".strip())
        self.pointer = pointer
        self.detail = detail


def checked_site_id(site: str) -> str:
    """The id; raises SettingsWrong for one that no site may have."""
    if re.fullmatch(SITE_ID, site, re.ASCII) is None:
        raise SettingsWrong("/site", f"must be {SITE_ID_FORM}, found {site[:60]!r}")
    return site


def settle(
    connection: Connection,
    site: str,
    settings: Mapping[str, Any],
    *,
    source: str,
    now_us: int,
    by: Actor = COMMAND_LINE,
) -> tuple[Judged, ledger.Verdict]:
    """Append a change of a site's settings, and put it on record; raises SettingsWrong."""
    data = {"valid_from": ALWAYS} | dict(settings)
    appended = _append(connection, site, SITE_SET, site, data, source=source, now_us=now_us)
    record_settings(connection, site, [appended[0]], [appended[1]], actor=by, now_us=now_us)
    return appended


def note(
    connection: Connection, site: str, finding_id: str, noted: Mapping[str, Any], *, source: str, now_us: int
) -> tuple[Judged, ledger.Verdict]:
    """Append what somebody notes on a finding; raises SettingsWrong."""
    return _append(connection, site, "cutledger.finding.noted", finding_id, noted, source=source, now_us=now_us)


def hand_over(
    connection: Connection, site: str, machine: str, note: str, *, source: str, event_id: str, now_us: int
) -> ledger.Verdict:
    """Append what the next shift at a machine should know, once per id; raises SettingsWrong."""
    told = {"note": note}
    judged = judged_event(connection, site, HANDED_OVER, machine, told, source=source, now_us=now_us, event_id=event_id)
    (verdict,) = ledger.append(connection, site, [judged], received_us=now_us)
    return verdict


class PlannedOtherwise(ValueError):
    """Another plan stands under the id of a proof."""


def plan_proof(
    connection: Connection, site: str, proof: str | None, planned: Mapping[str, Any], *, source: str, now_us: int
) -> tuple[str, bool]:
    """Append the plan of a proof; returns (its id, whether it is new). None: an id is made.

    The same plan under a known id is there already. Raises SettingsWrong for one that no series can carry out, and
    PlannedOtherwise.
    """
    # Of two requests with one id the later sees the plan of the earlier.
    ledger.take_turn(connection, site)
    reader = open_site(connection, site)
    name = proof or f"PR-{secrets.token_hex(_ID_BYTES)}"
    there = plans(reader, proof=name, with_owed=True)
    judged = judged_event(connection, site, "cutledger.proof.planned", name, planned, source=source, now_us=now_us)
    plan = plan_of(stored_data(judged))
    if there and there[0].plan != plan:
        raise PlannedOtherwise(name)
    if there:
        return name, False
    if (wrong := impossibility(plan.rule)) is not None:
        raise SettingsWrong(f"/{wrong.field}", wrong.detail)
    ledger.append(connection, site, [judged], received_us=now_us)
    return name, True


def _append(
    connection: Connection, site: str, kind: str, subject: str, data: Mapping[str, Any], *, source: str, now_us: int
) -> tuple[Judged, ledger.Verdict]:
    judged = judged_event(connection, site, kind, subject, data, source=source, now_us=now_us)
    (verdict,) = ledger.append(connection, site, [judged], received_us=now_us)
    return judged, verdict


def judged_event(
    connection: Connection,
    site: str,
    kind: str,
    subject: str,
    data: Mapping[str, Any],
    *,
    source: str,
    now_us: int,
    event_id: str | None = None,
) -> Judged:
    """An event of the service's own, judged like all others; raises SettingsWrong with what is wrong in its data."""
    event = {
        "specversion": "1.0",
        "id": event_id or str(uuid.uuid4()),
        "source": source,
        "type": kind,
        "subject": subject,
        "time": datetime.fromtimestamp(now_us / 1_000_000, UTC).isoformat(),
        "data": dict(data),
    }
    judged = judge(event, now_us=now_us, people=People("drop", people_key(connection, site)), pointer="")
    if not isinstance(judged, Judged):
        raise SettingsWrong(judged[0].pointer.removeprefix("/data"), judged[0].detail)
    return judged


def stored_data(judged: Judged) -> dict[str, Any]:
    """The data of an event as the ledger gives it back."""
    data: dict[str, Any] = by_value(orjson.loads(judged.payload)["data"])
    return data
