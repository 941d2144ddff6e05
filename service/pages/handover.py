"""The hand-over to the next shift: what is left open at the machines and what it should know, on one screen."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from flask import Response, current_app

from service.asking import asker, database, needs
from service.clock import now_us
from service.pages.blueprint import blueprint, page_site, see, show, to
from service.pages.form_faults import Said
from service.pages.languages import gettext, ngettext
from service.pages.terminal_known import machine_asked, terminal_source
from service.pages.terms import FINDINGS, SERVICES, said
from service.sessions import form_field
from service.settling import SettingsWrong, hand_over
from worker.ledger import CONFLICT
from worker.naming import name_key
from worker.reports.reading import Reader, instant, open_site
from worker.state import Value
from worker.terminals import findings, handover_under, handovers, left_open, machines_of, services

#: One sheet holds no more rows of a table; how many more there are is said.
MOST_ROWS: Final = 8
MOST_FINDINGS: Final = 4
MOST_NOTES: Final = 4
LONGEST_NOTE: Final = 2000
_TAKEN: Final = ("site", "machine", "noted")


@blueprint.route("/handover")
@needs("write")
def handover() -> Response:
    """Show what the next shift takes over, with a form for what it should know."""
    return _page(page_site(), machine_asked(_TAKEN))


@blueprint.route("/handover", methods=["POST"])
@needs("write")
def post_handover() -> Response:
    """Take a note for the next shift; sent twice it is taken once."""
    site, shown = page_site(), machine_asked()
    # Browsers end the lines of a form with CR LF.
    typed = {"machine": form_field("machine").strip(), "note": form_field("note").replace("\r\n", "\n").strip()}
    event_id = _form_id()
    wrong = _wrong(**typed)
    if not wrong:
        try:
            if not _append(site, typed, event_id):
                event_id = str(uuid.uuid4())
                told = gettext(
                    "This form was sent before with another text, which stays. Send it again to add this one."
                )
                wrong = {"note": told}
        except SettingsWrong as error:
            wrong = {"machine" if error.pointer == "/subject" else "note": Said.of(error.detail)}
    if wrong:
        return _page(site, shown, typed=typed, wrong=wrong, event_id=event_id)
    current_app.extensions["cutledger"].nudge()
    return see(to("pages.handover", site, machine=shown, noted=1))


def _append(site: str, typed: dict[str, str], event_id: str) -> bool:
    """Append the note; False when another stands under its id. Raises SettingsWrong."""
    machine, note, source = typed["machine"], typed["note"], terminal_source()
    with database().write() as connection:
        told = hand_over(connection, site, machine, note, source=source, event_id=event_id, now_us=now_us())
        # Sent twice, it is said at two times: the same text is the same note.
        return told.status != CONFLICT or handover_under(connection, site, source, event_id) == (machine, note)


def _form_id() -> str:
    """The id that the form was given for its note; another where it brings none that we could have made."""
    try:
        return str(uuid.UUID(form_field("id")))
    except ValueError:
        return str(uuid.uuid4())


def _wrong(machine: str, note: str) -> dict[str, str]:
    wrong: dict[str, str] = {}
    if not machine:
        wrong["machine"] = gettext("Choose the machine.")
    if not note:
        wrong["note"] = gettext("Write what the next shift should know.")
    elif len(note) > LONGEST_NOTE:
        wrong["note"] = ngettext(
            "This is %(count)s character too long.", "This is %(count)s characters too long.", len(note) - LONGEST_NOTE
        )
    return wrong


def _page(
    site: str,
    machine: str | None,
    *,
    typed: dict[str, str] | None = None,
    wrong: dict[str, str] | None = None,
    event_id: str | None = None,
) -> Response:
    now = now_us()
    with database().read() as connection:
        reader = open_site(connection, site)
        machines = machines_of(reader, now_us=now)
        told = _told(reader, machine, machines, now)
        zone = reader.calendar.place(now).settings.zone
    chosen = machine or (machines[0] if len(machines) == 1 else "")
    return show(
        "handover.html",
        status=422 if wrong else 200,
        site=site,
        zone=ZoneInfo(zone),
        now=instant(now),
        machine=machine,
        machines=_with(machines, machine),
        own_address=to("pages.handover", site, machine=machine),
        terminal=to("pages.terminal", site),
        typed=typed or {"machine": chosen, "note": ""},
        wrong=wrong or {},
        event_id=event_id or str(uuid.uuid4()),
        longest=LONGEST_NOTE,
        **told,
    )


def _with(machines: Sequence[str], machine: str | None) -> list[str]:
    """The machines, and the one that is asked for where it is none of them."""
    known = {name_key(name) for name in machines}
    return [*machines, *([machine] if machine is not None and name_key(machine) not in known else [])]


def _told(reader: Reader, machine: str | None, machines: Sequence[str], now: int) -> dict[str, Any]:
    left = left_open(reader, own=asker().own_sources, now_us=now, machine=machine)
    plates = {run["plate"] for runs in left.values() for run in runs if run["plate"] is not None}
    found = findings(reader, machines=machines if machine is None else [machine], plates=plates)
    return {
        "notes": handovers(reader, machine=machine, limit=MOST_NOTES),
        "runs": Listed([run | {"ago": ago(run["started_at"], now)} for run in left["open_runs"]]),
        "unjudged": Listed(_by_plate(left["unjudged"], "pending", now)),
        "in_rework": Listed(_by_plate(left["in_rework"], "in_rework", now)),
        "findings": Listed([one | {"kind": said(FINDINGS, one["kind"])} for one in found], most=MOST_FINDINGS),
        "services": Listed(
            [
                one | {"what": said(SERVICES, one["what"]), "ago": ago(one["at"], now)}
                for one in services(reader, machine=machine, now_us=now)
            ]
        ),
    }


class Listed:
    """Rows of a table, as many as the sheet holds, and how many more there are."""

    def __init__(self, rows: Sequence[Value], *, most: int = MOST_ROWS) -> None:
        self.rows = rows[:most]
        self.more = len(rows) - len(self.rows)
        self.parts = sum(row.get("parts", 0) for row in rows)


def _by_plate(runs: Iterable[Value], counted: str, now: int) -> list[Value]:
    """Parts that wait, added up by plate and job; those that wait longest come first."""
    found: dict[tuple[Any, ...], Value] = {}
    for run in sorted(runs, key=lambda run: run["started_at"]):
        key = (run["job"], run["plate"], run["machine"])
        row = found.setdefault(
            key,
            {"job": run["job"], "plate": run["plate"], "machine": run["machine"], "thickness_mm": run["thickness_mm"]}
            | {"parts": 0, "ago": ago(run["started_at"], now)},
        )
        row["parts"] += run[counted]
    return list(found.values())


_MINUTES_OF_AN_HOUR: Final = 60
_MINUTES_OF_A_DAY: Final = 24 * 60


def ago(at: datetime, now: int) -> str:
    """How long ago an instant was, in the largest unit that tells it well."""
    minutes = max(0, int((instant(now) - at).total_seconds() // 60))
    if minutes < 2 * _MINUTES_OF_AN_HOUR:
        return ngettext("%(count)s minute ago", "%(count)s minutes ago", minutes)
    if minutes < 2 * _MINUTES_OF_A_DAY:
        return ngettext("%(count)s hour ago", "%(count)s hours ago", minutes // _MINUTES_OF_AN_HOUR)
    return ngettext("%(count)s day ago", "%(count)s days ago", minutes // _MINUTES_OF_A_DAY)
