"""`cutledger backup` and `cutledger restore`: a copy that was read back, and a copy put in place."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import click
from rich.console import Console
from rich.progress import BarColumn, DownloadColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

from service.clock import now_us
from service.commands.opening import DATA, named_installation, refusal
from service.preparing import AlreadyServed, hold
from worker.administration import COMMAND_LINE, record
from worker.backup import (
    EMBEDDED_SUFFIX,
    Backup,
    BackupFailed,
    Proof,
    audits_of,
    back_up_embedded,
    backup_name,
    is_embedded_backup,
    older_backups,
    restore_embedded,
)
from worker.backup_grown import GROWN_SUFFIX, back_up_grown, is_grown_backup, restore_grown
from worker.database import Database, DatabaseUnavailable
from worker.installing import begin_new_series, site_names
from worker.pushes.webhooks import pause_all
from worker.schema import SchemaBehind, SchemaNotOurs, is_current
from worker.settings import Installation
from worker.tallies import Audit


@click.command()
@DATA
@click.argument("file", required=False, type=click.Path(path_type=Path))
@click.option(
    "--check/--no-check",
    default=True,
    show_default=True,
    help="PostgreSQL: restore the copy into a database of its own and compare. An embedded copy is always read back.",
)
@click.option("--keep", type=click.IntRange(min=1), help="Remove older backups in that folder beyond so many.")
def backup(data: str | None, file: Path | None, keep: int | None, *, check: bool) -> None:
    """Copy everything into FILE while the server runs, and read the copy back.

    Without FILE, or with a folder, the copy is named by the time. It holds the secrets of the installation: only its
    owner may read it, and it should stay so. Exits 1 when an audit of the copy is not equal.
    """
    installation = named_installation(data)
    target = _target(file, EMBEDDED_SUFFIX if installation.embedded else GROWN_SUFFIX, keep)
    with _failures_said(), _bytes_shown(f"writing {target.name}") as copied:
        if installation.embedded:
            made = back_up_embedded(Database(installation.database_url).path, target, copied)
        else:
            made = back_up_grown(installation.database_url, target, copied, check=check)
    _tell(made)
    if not made.proof.holds:
        raise refusal(
            "the copy is kept, but what is stored is not what the ledger says, in the original too; no older backup "
            "was removed; cutledger rebuild computes it again"
        )
    if keep is not None:
        for old in older_backups(made.path, keep=keep):
            old.unlink()
            click.echo(f"removed {old}")


@click.command()
@DATA
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
def restore(data: str | None, file: Path) -> None:
    """Put the backup FILE in place of an installation that holds nothing, and audit it.

    Stop what serves and counts before. A copy of an older release is brought to this one when it is served, or by
    cutledger migrate.
    """
    installation = named_installation(data)
    with _failures_said():
        _refuse_the_other_kind(installation, file)
        if installation.embedded:
            _restore_embedded(installation, file)
        else:
            restore_grown(installation.database_url, file)
        database = Database(installation.database_url)
        try:
            told = audits_of(database)
            paused = _record(database, file)
        finally:
            database.close()
    click.echo(f"restored {file}")
    if paused:
        click.echo(f"{paused} webhooks are paused; resume them when this installation is to push, and no other does")
    _tell_audits(told, "its tables are of an older release: bring them to this one with cutledger migrate, then audit")
    if not all(one.equal for one in told):
        raise refusal("what is stored is not what the ledger says; cutledger rebuild computes it again")


def _record(database: Database, file: Path) -> int:
    """Put on record that sites were restored, begin a series of confirmations, and pause webhooks; returns how many.

    A copy of an older release has none of these yet.
    """
    now = now_us()
    with database.read() as connection:
        if not is_current(connection):
            return 0
    with database.write() as connection:
        begin_new_series(connection)
        # The installation that was copied may run still, and push the same.
        paused = {
            name: pause_all(connection, name, "restored from a backup", now_us=now) for name in site_names(connection)
        }
        for name, count in paused.items():
            record(connection, name, actor=COMMAND_LINE, act="data.restored", subject=name,
                   details={"file": file.name, "webhooks_paused": count}, now_us=now)  # fmt: skip
    return sum(paused.values())


def _restore_embedded(installation: Installation, file: Path) -> None:
    try:
        lock = hold(installation.data)
    except AlreadyServed as error:
        raise refusal(str(error)) from error
    with lock, _bytes_shown(f"reading {file.name}") as copied:
        restore_embedded(file, Database(installation.database_url).path, copied)


def _refuse_the_other_kind(installation: Installation, file: Path) -> None:
    grow = "to change kinds use cutledger export and cutledger import"
    if installation.embedded and is_grown_backup(file):
        raise refusal(f"{file} is of a PostgreSQL database: name one with CUTLEDGER_DATABASE_URL; {grow}")
    if not installation.embedded and is_embedded_backup(file):
        raise refusal(f"{file} is of an embedded installation: unset CUTLEDGER_DATABASE_URL; {grow}")


def _target(file: Path | None, suffix: str, keep: int | None) -> Path:
    named = datetime.fromtimestamp(now_us() // 1_000_000, UTC)
    if file is None or file.is_dir():
        return (file or Path()) / backup_name(named, suffix)
    if keep is not None:
        raise refusal("--keep tells backups by the names it gives them: leave FILE out, or name a folder")
    if not file.parent.is_dir():
        raise refusal(f"there is no folder {file.parent}")
    return file


def _tell(made: Backup) -> None:
    click.echo(f"{made.path}: {made.size:,} bytes, {_events(made.proof)}")
    click.echo(f"checked: {made.proof.checked}")
    if made.proof.audits or "contents alone" not in made.proof.checked:
        _tell_audits(made.proof.audits, "no audit was made of it")
    click.echo(f"sha256 {made.sha256}")


def _events(proof: Proof) -> str:
    return "events not counted" if proof.events is None else f"{proof.events:,} events"


def _tell_audits(told: list[Audit], otherwise: str) -> None:
    for one in told:
        said = "equal" if one.equal else "NOT equal"
        click.echo(f"site {one.site}: {one.events:,} counted events up to position {one.position}: {said}")
    if not told:
        click.echo(otherwise)


@contextmanager
def _failures_said() -> Iterator[None]:
    try:
        yield
    except (BackupFailed, DatabaseUnavailable, SchemaBehind, SchemaNotOurs) as error:
        raise refusal(str(error)) from error
    except OSError as error:
        raise refusal(f"{error.filename}: {os.strerror(error.errno or 0)}") from error


@contextmanager
def _bytes_shown(what: str) -> Iterator[Callable[[int, int | None], None]]:
    """Bytes on the terminal for as long as a copy goes on."""
    columns = (SpinnerColumn(), TextColumn("{task.description}"), BarColumn(), DownloadColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task(what, total=None)
        yield lambda done, total: progress.update(task, completed=done, total=total)
