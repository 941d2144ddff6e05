"""`cutledger import`: an exported ledger, events one a line, or a shop's old table."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Final

import click

from service import import_notes, taking
from service.clock import now_us
from service.column_maps import MapWrong, read_map
from service.commands.counting import COUNT, count_owed
from service.commands.opening import DATA, opened, refusal, sites_of
from service.commands.progress import bar
from service.import_files import EVENTS, LEDGER, FileUnreadable, kind_of, local_copy, unpacked
from service.import_notes import Came, ImportNote
from service.old_tables import Form, RefusedRows, Table
from service.settling import SettingsWrong, checked_site_id
from service.taking import Line, Outcome, Said
from service.whole_files import NotReplaceable, gathered_until_whole, renamed_when_whole
from worker.administration import COMMAND_LINE, record
from worker.database import Database
from worker.events import EVENT_TYPES
from worker.ledger import ACCEPTED, DUPLICATE
from worker.portable_reading import FileDamaged, FileNotKnown, Refused, Taken, lines_of, verify
from worker.portable_reading import take as take_ledger

#: Refused lines that are said on the terminal.
_MOST_SAID: Final = 10
_EVENT_COLUMN: Final = ("event",)
_JSON_FORM: Final = Form("utf-8", ",")


@click.command("import")
@DATA
@click.argument("file", type=click.Path(exists=True, dir_okay=False, allow_dash=True))
@click.option(
    "--map", "map_file", type=click.Path(exists=True, dir_okay=False, path_type=Path), help="Column map of a table."
)
@click.option("--site", help="Site to import into; of an exported ledger, the one site to take.")
@click.option("--dry-run", is_flag=True, help="Judge everything, write nothing, say what would come of it.")
@click.option(
    "--refused",
    "refused_file",
    type=click.Path(dir_okay=False, path_type=Path),
    help="CSV to write refused lines to, as they were, each with its number and the reason.",
)
@click.option("--from-start", is_flag=True, help="Read all of a file whose import was broken off again.")
@COUNT
def import_(
    data: str | None,
    file: str,
    map_file: Path | None,
    site: str | None,
    refused_file: Path | None,
    *,
    dry_run: bool,
    from_start: bool,
    count: bool,
) -> None:
    """Import FILE (- for standard input), compressed or not: an exported ledger, events one a line, or a table.

    An exported ledger is taken only when its checksum says that it is whole: every event as it was, with its receipt.

    Events one a line (CloudEvents, as the door takes them) and the rows of a table (CSV, by a column map) are judged
    as strictly as at the door. Lines that are refused hold up no others: mend them in the file of --refused, and
    import that file in the same way.

    Importing again is free: what is there already is a duplicate. So an import that was broken off is begun again.
    Events one a line from a file that is as it was then go on behind the last line that was done with, and their
    refused lines too; --from-start reads it all again. Exits with 1 when anything was refused. A server may run
    meanwhile.
    """
    try:
        with local_copy(file) as path, opened(data) as database:
            kind = kind_of(path)
            if map_file is not None and kind in (LEDGER, EVENTS):
                raise refusal(f"{file} holds events, no table; leave --map out")
            if refused_file is not None and refused_file.exists() and refused_file.samefile(path):
                raise refusal("--refused names the file that is imported; name another")
            with _refusals(refused_file) as refusals:
                if kind == LEDGER:
                    _import_ledger(database, path, file, site, refusals, dry_run=dry_run)
                elif kind == EVENTS and not dry_run and file != "-":
                    _import_noted(database, path, file, site, refusals, from_start=from_start)
                else:
                    _import_lines(database, path, file, kind, map_file, site, refusals, dry_run=dry_run)
            if not dry_run:
                count_owed(database, count=count)
    except (FileUnreadable, FileDamaged, FileNotKnown, MapWrong, NotReplaceable, SettingsWrong) as error:
        raise refusal(f"{file}: {error}" if not isinstance(error, MapWrong) else f"{map_file}: {error}") from error
    if refused := refusals.before + refusals.count:
        before = f", {refusals.before:,} of them before the import was broken off" if refusals.before else ""
        where = f"; they are in {refused_file}, each with its reason" if refused_file else "; --refused FILE keeps them"
        raise refusal(f"{refused:,} lines were refused{before}{where}")


def _record(database: Database, act: str, file: str, taken: Mapping[str, int]) -> None:
    """Put on record how many events of a file each site took, where it took any, also when it was broken off."""
    with database.write() as connection:
        for name in sorted(site for site, count in taken.items() if count):
            told = {"events": taken[name]}
            record(connection, name, actor=COMMAND_LINE, act=act, subject=file, details=told, now_us=now_us())


# --- an exported ledger -----------------------------------------------------------------------------------------


def _import_ledger(
    database: Database,
    path: Path,
    file: str,
    only: str | None,
    refusals: _Refusals,
    *,
    dry_run: bool,
) -> None:
    with bar("verifying", None) as progress, unpacked(path) as stream:
        names, counts = verify(lines_of(stream), progress)
    for name in names:
        checked_site_id(name)
    if only is not None and only not in names:
        raise refusal(f"the file holds no site {only!r}; it holds {', '.join(names)}")
    said = f"{counts.events:,} events of {', '.join(names)}"
    if dry_run:
        click.echo(f"the file is whole: {said}")
        return

    def refuse(found: Refused) -> None:
        reason = f"event {found.event.id} of {found.event.source}: {found.reason}"
        refusals.refuse(found.line, reason, [found.event.payload.decode()])

    refusals.open(_EVENT_COLUMN, _JSON_FORM)
    with bar("importing", counts.events if only is None else None) as progress, unpacked(path) as stream:

        def done(count: int) -> None:
            progress(count)
            database.checkpoint()

        taken = Taken()
        try:
            take_ledger(
                database, lines_of(stream), only=only, refused=refuse, progress=done, now_us=now_us(), taken=taken
            )
        finally:
            _record(database, "data.imported", file, taken.accepted)
    for name in taken.other_people_keys:
        click.echo(
            f"site {name} had events of its own, and keeps its own secret for people: the same person has one "
            "pseudonym in these and another in those of the file",
            err=True,
        )
    click.echo(f"{_verdicts(taken.verdicts)} of {', '.join(names if only is None else [only])}")


# --- events and tables ------------------------------------------------------------------------------------------


def _import_lines(
    database: Database,
    path: Path,
    file: str,
    kind: str,
    map_file: Path | None,
    site: str | None,
    refusals: _Refusals,
    *,
    dry_run: bool,
) -> None:
    name = one_site(database, site)
    with unpacked(path) as stream, bar("judging" if dry_run else "importing", None, "lines") as progress:
        if kind == EVENTS:
            refusals.open(_EVENT_COLUMN, _JSON_FORM)
            said: Iterable[Said | Line] = taking.of_lines(stream)
        elif map_file is None:
            table = Table(stream, encoding="utf-8", delimiter=None)
            if not table.holds_refused(_EVENT_COLUMN):
                raise refusal("a table needs --map FILE, which says what its columns mean; the README has an example")
            refusals.open(_EVENT_COLUMN, table.form)
            said = taking.of_refused(table)
        else:
            columns = read_map(map_file)
            table = Table(stream, encoding=columns.encoding, delimiter=columns.delimiter)
            columns.check_header(table.header)
            refusals.open(table.header, table.form)
            said = taking.of_table(table, columns)

        _take(database, name, said, file, refusals, progress, dry_run=dry_run)


def _import_noted(
    database: Database, path: Path, file: str, site: str | None, refusals: _Refusals, *, from_start: bool
) -> None:
    """Import events one a line; what was broken off goes on where it was."""
    name = one_site(database, site)
    note = refusals.stack.enter_context(import_notes.noted(database, name, path, refusals.path))
    came = None
    if note is not None:
        came = _came_before(note, database, name, path, refusals, from_start=from_start)
    refusals.open(_EVENT_COLUMN, _JSON_FORM, note)
    try:
        with unpacked(path) as stream, bar("importing", None, "lines") as progress:
            said = taking.of_lines(stream) if came is None else taking.of_lines(stream, line=came.line, end=came.end)
            _take(database, name, said, file, refusals, progress, note=note)
    except FileUnreadable:
        # Mended, it is another file.
        raise
    except BaseException:
        if note is not None and note.came is not None:
            click.echo(f"broken off behind line {note.came.line}; the same command goes on there", err=True)
        raise


def _came_before(
    note: ImportNote, database: Database, site: str, path: Path, refusals: _Refusals, *, from_start: bool
) -> Came | None:
    """How far this import came before it was broken off, said on the terminal; None when it begins."""
    if from_start:
        note.forget()
        return None
    note.read(database, site, path, refusals.path and import_notes.part_of(refusals.path, note))
    if note.why_not:
        click.echo(f"{note.why_not}: it is read from its start", err=True)
    if note.came is not None:
        click.echo(f"goes on at line {note.came.line + 1}; --from-start reads it all again", err=True)
        refusals.before = note.came.refused
    return note.came


def _take(
    database: Database,
    site: str,
    said: Iterable[Said | Line],
    file: str,
    refusals: _Refusals,
    progress: Callable[[int], object],
    *,
    dry_run: bool = False,
    note: ImportNote | None = None,
) -> None:
    outcome = Outcome()

    def refuse(found: Said | Line, reason: str) -> None:
        refusals.refuse(found.line, reason, found.as_was)

    def done(count: int) -> None:
        progress(count)
        if note is not None and isinstance(outcome.last, Line):
            note.write(_came(outcome.last, outcome, refusals, note.came))
        database.checkpoint()

    try:
        taking.take(database, site, said, refuse=refuse, progress=done, dry_run=dry_run, outcome=outcome)
    finally:
        if not dry_run:
            _record(database, "events.imported", file, {site: outcome.verdicts[ACCEPTED]})
    _say(site, outcome, dry_run=dry_run)


def _came(last: Line, outcome: Outcome, refusals: _Refusals, before: Came | None) -> Came:
    found = [] if outcome.highest is None else [(outcome.highest[0], outcome.highest[1].hex())]
    if before is not None and before.position is not None:
        found.append((before.position, before.content_hash))
    position, content_hash = max(found, default=(None, ""))
    return Came(
        line=last.line,
        start=last.start,
        end=last.end,
        line_hash=import_notes.line_hash(last.raw),
        position=position,
        content_hash=content_hash,
        refused=refusals.before + refusals.count,
        refused_bytes=refusals.kept_bytes(),
    )


def one_site(database: Database, named: str | None) -> str:
    """The named site, or the only one there is; raises SiteUnknown."""
    names = sites_of(database, named)
    if len(names) > 1:
        raise refusal(f"there are several sites; name one: --site {' or --site '.join(names[:5])}")
    return names[0]


def _say(site: str, outcome: Outcome, *, dry_run: bool) -> None:
    fit = "would be " if dry_run else ""
    without = f", {outcome.lines_without_event:,} say nothing" if outcome.lines_without_event else ""
    click.echo(
        f"site {site}: {outcome.lines:,} lines, {outcome.lines_refused:,} {fit}refused{without}; "
        f"{fit}{_verdicts(outcome.verdicts)}"
    )
    for type_ in EVENT_TYPES:
        if outcome.types[type_]:
            click.echo(f"  {type_.removeprefix('cutledger.')}: {outcome.types[type_]:,}")


def _verdicts(verdicts: Counter[str]) -> str:
    others = verdicts.total() - verdicts[ACCEPTED] - verdicts[DUPLICATE]
    refused = f", {others:,} refused" if others else ""
    return f"{verdicts[ACCEPTED]:,} events accepted, {verdicts[DUPLICATE]:,} there before{refused}"


# --- what is refused --------------------------------------------------------------------------------------------


@dataclass
class _Refusals:
    """Counts refused lines, says the first ones, and keeps them all where a file is named.

    `before`: how many were refused before the import was broken off.
    """

    path: Path | None
    stack: ExitStack
    count: int = 0
    before: int = 0
    rows: RefusedRows | None = field(default=None)
    stream: IO[bytes] | None = field(default=None)
    synced: int = 0

    def open(self, header: Sequence[str], form: Form, note: ImportNote | None = None) -> None:
        """Begin the file, when there is to be one, or go on with it as it was noted."""
        if self.path is None:
            return
        if note is None:
            kept = renamed_when_whole(self.path)
        else:
            part = import_notes.part_of(self.path, note)
            self.synced = note.came.refused_bytes if note.came else 0
            kept = gathered_until_whole(self.path, part, size=self.synced, keep=lambda: note.came is not None)
        self.stream = self.stack.enter_context(kept)
        self.rows = RefusedRows(self.stream, header=header, form=form, goes_on=self.synced > 0)
        self.stack.callback(self.rows.close)

    def kept_bytes(self) -> int:
        """How many bytes of the file are on the disk: all that were written."""
        if self.stream is None:
            return 0
        with _writing(self.path):
            self.stream.flush()
            if (size := self.stream.tell()) != self.synced:
                os.fsync(self.stream.fileno())
                self.synced = size
        return size

    def refuse(self, line: int, reason: str, as_was: Sequence[str]) -> None:
        """Refuse a line."""
        self.count += 1
        if self.count <= _MOST_SAID:
            click.echo(f"line {line}: {reason}", err=True)
        elif self.count == _MOST_SAID + 1:
            click.echo("(further lines are refused)", err=True)
        if self.rows is not None and self.path is not None:
            with _writing(self.path):
                self.rows.write(line, reason, as_was)


@contextmanager
def _refusals(path: Path | None) -> Iterator[_Refusals]:
    with _writing(path), ExitStack() as stack:
        yield _Refusals(path, stack)


@contextmanager
def _writing(path: Path | None) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise refusal(f"{path} cannot be written: {error.strerror}") from error
