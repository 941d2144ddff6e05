"""Takes what the lines of a file say into the ledger, judged like all that comes through the door."""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from functools import partial
from typing import IO, Any, Final, NamedTuple

from service.acceptance import Judged, People, judge, taken_quickly
from service.clock import now_us
from service.column_maps import ColumnMap, EventMap, RowWrong
from service.faults import Fault
from service.import_files import FileUnreadable, bare
from service.old_tables import Row, Table
from service.settling import people_of, refuse_old_key
from service.strict_json import NotJson, Reader, after_blanks
from worker import ledger
from worker.administration import COMMAND_LINE, SITE_SET, record_settings
from worker.database import Database
from worker.ledger import ACCEPTED, CONFLICT, DUPLICATE, Verdict
from worker.portable import LONGEST_LINE

#: Events of one transaction: a server that runs meanwhile waits for no more than these.
AT_ONCE: Final = 1_000


@dataclass(frozen=True, slots=True)
class Said:
    """What one line of a file says: its events, or why it cannot be read. `as_was`: the line as it was."""

    line: int
    as_was: list[str]
    events: list[tuple[EventMap | None, Any]]
    fault: str = ""


class Line(NamedTuple):
    """A line that should be an event, not read yet. `raw`: without the blanks around it.

    `start`, `end`: where the line, blanks and all, lies among the unpacked bytes of the file.
    """

    line: int
    raw: bytes
    start: int
    end: int

    @property
    def as_was(self) -> list[str]:
        """The line as it was, bytes that are no UTF-8 too."""
        return [self.raw.decode("utf-8", "surrogateescape")]


Refuse = Callable[[Said | Line, str], object]


@dataclass
class Outcome:
    """What became of the lines and events of a file."""

    lines: int = 0
    lines_refused: int = 0
    lines_without_event: int = 0
    verdicts: Counter[str] = field(default_factory=Counter)
    #: Accepted events by type.
    types: Counter[str] = field(default_factory=Counter)
    #: The last line that is done with.
    last: Said | Line | None = None
    #: (position, content hash) of that event of the file which stands last in the ledger.
    highest: tuple[int, bytes] | None = None


# --- what lines say ---------------------------------------------------------------------------------------------


def of_table(table: Table, columns: ColumnMap) -> Iterator[Said]:
    """What the rows of an old table say, read by a column map; raises FileUnreadable."""
    for row in table:
        yield _of_row(row, columns)


def _of_row(row: Row, columns: ColumnMap) -> Said:
    if row.cells is None:
        return Said(row.line, row.as_was, [], row.fault)
    try:
        return Said(row.line, row.as_was, list(columns.events_of(row.cells)))
    except RowWrong as error:
        return Said(row.line, row.as_was, [], str(error))


def of_lines(stream: IO[bytes], *, line: int = 0, end: int = 0) -> Iterator[Line]:
    """Events one a line, those behind a line that ends at `end`; raises FileUnreadable."""
    stream.seek(end)
    while found := stream.readline(LONGEST_LINE + 1):
        line, start, end = line + 1, end, end + len(found)
        if len(found) > LONGEST_LINE:
            raise FileUnreadable(f"line {line} is longer than {LONGEST_LINE} bytes")
        if raw := bare(found):
            yield Line(line, raw, start, end)


def of_refused(table: Table) -> Iterator[Said]:
    """What the events of a file of refused ones say."""
    reader = Reader()
    for row in table:
        yield _of_text(reader, row.line, row.as_was[0].strip())


def _of_text(reader: Reader, line: int, text: str) -> Said:
    try:
        text.encode()
        value, end, faults = reader.read(text, 0, "")
        if after_blanks(text, end) < len(text):
            raise NotJson(end, "there is more after the event; one event a line is taken")
    except UnicodeEncodeError as error:
        return Said(line, [text], [], f"is not in UTF-8: column {error.start + 1}")
    except NotJson as error:
        return Said(line, [text], [], f"is no JSON: column {error.at + 1}: {error.reason}")
    if faults:
        return Said(line, [text], [], "; ".join(f"{fault.pointer} {fault.detail}".strip() for fault in faults[:3]))
    return Said(line, [text], [(None, value)])


# --- taking it --------------------------------------------------------------------------------------------------


def take(
    database: Database,
    site: str,
    said: Iterable[Said | Line],
    *,
    refuse: Refuse,
    progress: Callable[[int], object] = lambda count: None,
    dry_run: bool = False,
    outcome: Outcome | None = None,
) -> Outcome:
    """Append the events of lines, some `AT_ONCE` a transaction; a line of which one is faulty is refused as a whole.

    `refuse` is told each line that is refused, and why; `progress` how many more lines are done, after each
    transaction. A dry run writes nothing; it finds what lines of the file say against each other, not what the ledger
    holds already. `outcome` is filled as it goes on, also of a call that is broken off.
    """
    outcome = Outcome() if outcome is None else outcome
    with closing(_Seen()) as seen:
        for some in _groups(said):
            with database.read() as connection:
                people = people_of(connection, site, now_us=now_us())
            fit = list(_fit(some, site, people, outcome, refuse))
            events = [event for _, events in fit for event in events]
            if dry_run:
                verdicts = [seen.verdict(event) for event in events]
            else:
                with database.write() as connection:
                    now = now_us()
                    verdicts = ledger.append(connection, site, events, received_us=now)
                    refuse_old_key(connection, site, people)
                    record_settings(connection, site, events, verdicts, actor=COMMAND_LINE, now_us=now)
            _note(outcome, fit, verdicts, refuse)
            outcome.last = some[-1]
            progress(len(some))
    return outcome


def _groups(said: Iterable[Said | Line]) -> Iterator[list[Said | Line]]:
    some: list[Said | Line] = []
    count = 0
    for each in said:
        some.append(each)
        count += 1 if isinstance(each, Line) else len(each.events) or 1
        if count >= AT_ONCE:
            yield some
            some, count = [], 0
    if some:
        yield some


def _fit(
    some: list[Said | Line], site: str, people: People, outcome: Outcome, refuse: Refuse
) -> Iterator[tuple[Said | Line, list[Judged]]]:
    """The lines whose events are all fit for the ledger, with these; the others are refused."""
    now = now_us()
    reader, quickly = Reader(), partial(taken_quickly, now_us=now, people=people)
    for each in some:
        outcome.lines += 1
        if isinstance(each, Line):
            if (taken := quickly(each.raw)) is not None:
                yield each, [taken]
                continue
            said = _of_text(reader, each.line, each.as_was[0])
        else:
            said = each
        reasons = [said.fault] if said.fault else []
        judged: list[Judged] = []
        for origin, item in said.events:
            found = _judge(item, site, people, now)
            if isinstance(found, Judged):
                judged.append(found)
            else:
                reasons += [_worded(fault, origin, several=len(said.events) > 1) for fault in found]
        if reasons:
            outcome.lines_refused += 1
            refuse(said, "; ".join(reasons[:3]))
        elif judged:
            yield said, judged
        else:
            outcome.lines_without_event += 1


def _judge(item: Any, site: str, people: People, now: int) -> Judged | list[Fault]:
    found = judge(item, now_us=now, people=people, pointer="")
    if isinstance(found, Judged) and found.type == SITE_SET and found.subject != site:
        return [Fault("/subject", f"must be the site that it is imported into, {site}")]
    return found


def _worded(fault: Fault, origin: EventMap | None, *, several: bool) -> str:
    if origin is None:
        return f"{fault.pointer or 'the event'} {fault.detail}"
    return (f"{origin.type.removeprefix('cutledger.')}: " if several else "") + origin.where(fault)


def _note(
    outcome: Outcome,
    fit: list[tuple[Said | Line, list[Judged]]],
    verdicts: list[Verdict],
    refuse: Refuse,
) -> None:
    remaining = iter(verdicts)
    for said, judged in fit:
        reasons = []
        for event in judged:
            verdict = next(remaining)
            outcome.verdicts[verdict.status] += 1
            if verdict.status == ACCEPTED:
                outcome.types[event.type] += 1
            elif verdict.status != DUPLICATE:
                reasons.append(f"event {event.id} of {event.source}: {verdict.reason}")
                continue
            if verdict.position is not None and (outcome.highest is None or verdict.position > outcome.highest[0]):
                outcome.highest = verdict.position, event.content_hash
        if reasons:
            outcome.lines_refused += 1
            refuse(said, "; ".join(reasons))


class _Seen:
    """What a dry run has seen under each (source, id): in a temporary file, so that it fits into memory."""

    def __init__(self) -> None:
        self._database = sqlite3.connect("")
        self._database.execute("CREATE TABLE seen (source, id, content_hash, PRIMARY KEY (source, id)) WITHOUT ROWID")

    def verdict(self, event: Judged) -> Verdict:
        """What the ledger would answer, were it empty before this file."""
        key = (event.source, event.id)
        found = self._database.execute("SELECT content_hash FROM seen WHERE (source, id) = (?, ?)", key).fetchone()
        if found is None:
            self._database.execute("INSERT INTO seen VALUES (?, ?, ?)", (*key, event.content_hash))
            return Verdict(ACCEPTED)
        if found[0] == event.content_hash:
            return Verdict(DUPLICATE)
        return Verdict(
            CONFLICT,
            reason="an earlier line has this id and says otherwise; make the id of columns that tell lines apart",
        )

    def close(self) -> None:
        """Forget it."""
        self._database.close()
