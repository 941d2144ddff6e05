"""What is left after the kills, held against what was promised: the ledger, the tallies, the feed."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from typing import Any, Final

import orjson
from sqlalchemy import Connection, select

from tests.chaos.feeding import Reader
from tests.chaos.posting import Journal, Key, Sent
from tests.chaos.stories import COLD_TOUCHES, Event
from tests.independent_recount import Recount, recount
from tests.worker.state import against, attempt_as_judged, rows_of
from worker import ledger, tallies
from worker.database import Database
from worker.tables import TALLY_SUMS
from worker.tables import events as events_table

#: The service's own: settings of sites, appended by the harness before it begins.
OWN_SOURCE: Final = "/keys/"
#: Sums that both the tallies and the independent recount know.
SUMS: Final = tuple(
    name
    for name in TALLY_SUMS
    if "cluster" not in name and not name.startswith("pierce_") and name != "bevelled_attempts"
)


@dataclass
class Judgement:
    """What is wrong, by kind; all empty when nothing is."""

    lost: list[str] = field(default_factory=list)
    never_posted: list[str] = field(default_factory=list)
    doubled: list[str] = field(default_factory=list)
    changed: list[str] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    faulty_answers: list[str] = field(default_factory=list)
    needless_503: list[str] = field(default_factory=list)
    unanswered: list[str] = field(default_factory=list)
    owed: list[str] = field(default_factory=list)
    set_aside: list[str] = field(default_factory=list)
    audit_differs: list[str] = field(default_factory=list)
    wrong_tallies: list[str] = field(default_factory=list)
    recount_differs: list[str] = field(default_factory=list)
    feed_missed: list[str] = field(default_factory=list)
    feed_twice: list[str] = field(default_factory=list)
    feed_disordered: list[str] = field(default_factory=list)

    def found(self) -> dict[str, list[str]]:
        """The kinds of which there is something."""
        return {one.name: getattr(self, one.name) for one in fields(self) if getattr(self, one.name)}


@dataclass(frozen=True)
class Ledger:
    """A site's ledger as it stands: (position, payload) by (source, id)."""

    site: str
    events: dict[tuple[str, str], tuple[int, bytes]]
    doubled: list[tuple[str, str]]


def judge(
    database: Database, journals: Sequence[Journal], readers: Sequence[Reader], sites: Sequence[str]
) -> Judgement:
    """Hold what is left against the journals, the recounts and the feeds."""
    found = Judgement()
    for journal in journals:
        found.refused += journal.refused
        found.faulty_answers += journal.faulty
    for reader in readers:
        found.refused += reader.refused
    sent = [one for journal in journals for one in journal.sent]
    found.unanswered += [f"{one.site}: a request of {len(one.keys)} events" for one in sent if not one.answered]
    for site in sites:
        with database.read() as connection:
            kept = _ledger(connection, site)
            _state(connection, site, found)
        mine = [one for one in sent if one.site == site]
        promised = _promised(mine, kept)
        _against_the_ledger(mine, promised, kept, found)
        _against_the_feed(kept, [reader for reader in readers if reader.site == site], found)
        result = tallies.audit(database, site)
        for one in result.differences:
            found.audit_differs.append(
                f"{site}, {one.table}: {one.only_stored} only stored, {one.only_recounted} only recounted"
            )
        with database.read() as connection:
            _against_the_recount(connection, site, _recounted(site, promised, kept), found)
    return found


def _ledger(connection: Connection, site: str) -> Ledger:
    e = events_table.c
    rows = connection.execute(select(e.source, e.id, e.position, e.payload).where(e.site == site)).all()
    found: dict[tuple[str, str], tuple[int, bytes]] = {}
    doubled: list[tuple[str, str]] = []
    for source, id_, position, payload in rows:
        if (source, id_) in found:
            doubled.append((source, id_))
        found[source, id_] = (position, payload)
    return Ledger(site, found, doubled)


def _state(connection: Connection, site: str, found: Judgement) -> None:
    owed, set_aside = ledger.waiting(connection, site)
    found.owed += [f"{site}: {owed} events"] if owed else []
    found.set_aside += [f"{site}: {set_aside} events"] if set_aside else []


def _promised(sent: Iterable[Sent], kept: Ledger) -> dict[tuple[str, str], Event]:
    """Events that were answered with a 2xx, and those of unanswered requests that are there."""
    promised: dict[tuple[str, str], Event] = {}
    for one in sent:
        for event in orjson.loads(one.body):
            key = event["source"], event["id"]
            if one.answered or key in kept.events:
                promised[key] = event
    return promised


def _against_the_ledger(
    sent: Iterable[Sent], promised: Mapping[tuple[str, str], Event], kept: Ledger, found: Judgement
) -> None:
    posted: set[Key] = {key for one in sent for key in one.keys}
    for key, event in promised.items():
        if key not in kept.events:
            found.lost.append(f"{kept.site}: {key}")
        elif orjson.loads(kept.events[key][1]) != event:
            found.changed.append(f"{kept.site}: {key}")
    own = [key for key in kept.events if key[0].startswith(OWN_SOURCE)]
    for source, id_ in kept.events.keys() - set(own):
        if (kept.site, source, id_) not in posted:
            found.never_posted.append(f"{kept.site}: {(source, id_)}")
    found.doubled += [f"{kept.site}: {key}" for key in kept.doubled]


def _against_the_feed(kept: Ledger, readers: Iterable[Reader], found: Judgement) -> None:
    for reader in readers:
        positions = [position for position, _, _ in reader.seen]
        times = Counter((source, id_) for _, source, id_ in reader.seen)
        found.feed_missed += [f"{kept.site}: {key}" for key in kept.events.keys() - times.keys()]
        found.feed_twice += [f"{kept.site}: {key}" for key, count in times.items() if count > 1]
        found.feed_disordered += [
            f"{kept.site}: {later} after {earlier}"
            for earlier, later in zip(positions, positions[1:], strict=False)
            if later <= earlier
        ]


def _recounted(site: str, promised: Mapping[tuple[str, str], Event], kept: Ledger) -> Recount:
    """The independent recount of what was promised: day by day, since no story reaches into another's day."""
    settings = [
        orjson.loads(payload) for (source, _), (_, payload) in kept.events.items() if source.startswith(OWN_SOURCE)
    ]
    by_day: dict[str, list[Event]] = defaultdict(list)
    for event in promised.values():
        by_day[event["time"][:10]].append(event)
    whole = Recount({}, [], {}, {}, set(), [], [])
    for events in by_day.values():
        part = recount([*settings, *events], site=site)
        whole.attempts.update(part.attempts)
        whole.rework.extend(part.rework)
        whole.jobs.update(part.jobs)
        whole.plates.update(part.plates)
        whole.contradictions.update(part.contradictions)
        whole.lost_parts.extend(part.lost_parts)
        whole.readings.extend(part.readings)
    return whole


def _against_the_recount(connection: Connection, site: str, judged: Recount, found: Judgement) -> None:
    tallied: dict[str, dict[str, int]] = {}
    for tally in rows_of(connection, "tallies", site):
        sums = tallied.setdefault(tally["day"], dict.fromkeys(SUMS, 0))
        for name in SUMS:
            sums[name] += tally[name]
    expected = {day: {name: all_sums[name] for name in SUMS} for (day,), all_sums in judged.sums(("day",)).items()}
    for day in sorted(tallied.keys() | expected.keys()):
        if tallied.get(day) != expected.get(day):
            found.wrong_tallies.append(f"{site}, {day}: {_difference(tallied.get(day), expected.get(day))}")
    stored = {row["attempt"]: row for row in rows_of(connection, "attempts", site)}
    for attempt in sorted(stored.keys() ^ judged.attempts.keys()):
        found.recount_differs.append(f"{site}, attempt {attempt}: {'not due' if attempt in stored else 'missing'}")
    for attempt in stored.keys() & judged.attempts.keys():
        if stored[attempt]["state"] != judged.attempts[attempt]["state"]:
            found.recount_differs.append(f"{site}, attempt {attempt}: {attempt_as_judged(stored[attempt])}")
    try:
        against(connection, site, judged)
    except AssertionError as error:
        found.recount_differs.append(f"{site}: {' '.join(str(error).split())[:300]}")


def _difference(stored: Mapping[str, int] | None, expected: Mapping[str, int] | None) -> str:
    if stored is None or expected is None:
        return "missing" if stored is None else "not due"
    return ", ".join(f"{n} {stored[n]} for {expected[n]}" for n in SUMS if stored[n] != expected[n])


def touches(sent: Iterable[Sent]) -> dict[str, Any]:
    """How cold the load was: a site-day is touched once by each request with events on it."""
    requests: Counter[tuple[str, str]] = Counter()
    events: Counter[tuple[str, str]] = Counter()
    for one in sent:
        requests.update((one.site, day) for day in one.days)
        events.update((one.site, event["time"][:10]) for event in orjson.loads(one.body))
    cold = [day for day, count in requests.items() if count <= COLD_TOUCHES]
    total = events.total()
    return {
        "site_days": len(requests),
        "cold_share_of_site_days": round(len(cold) / len(requests), 4) if requests else None,
        "cold_share_of_events": round(sum(events[day] for day in cold) / total, 4) if total else None,
    }
