"""`cutledger export`: the ledger as a file that another installation imports."""

from __future__ import annotations

import gzip
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

import click

from service import RELEASE
from service.clock import now_us
from service.commands.opening import DATA, opened, refusal, sites_of
from service.commands.progress import bar
from service.whole_files import NotReplaceable, renamed_when_whole
from worker.administration import COMMAND_LINE, record
from worker.database import Database
from worker.portable_writing import count_events, write

Sink = Callable[[bytes], object]
_PLAIN_ENDINGS = (".ndjson", ".jsonl", ".json")


@click.command("export")
@DATA
@click.argument("file", type=click.Path(dir_okay=False, allow_dash=True))
@click.option("--site", help="Only this site.")
@click.option(
    "--with-secrets",
    is_flag=True,
    help="Also write each site's secret for people, so that a name keeps its pseudonym; only you may read the file.",
)
@click.option(
    "--gzip/--plain",
    "packed",
    default=None,
    help="Compress, or not; by default as the name says: plain for .ndjson and .jsonl, else gzip.",
)
def export(data: str | None, file: str, site: str | None, *, with_secrets: bool, packed: bool | None) -> None:
    """Write the ledger to FILE (- for standard output), for cutledger import elsewhere.

    All events with their receipt, from one snapshot; a server may run meanwhile. The file has a checksum, and appears
    under its name only when it is whole. The same ledger gives the same file.

    Keys are not in it: make new ones where it is imported. Nor, without --with-secrets, is what gives people their
    pseudonyms: the importing site makes its own, a person gets another pseudonym from then on, and an event with a
    name that is sent again is a conflict there, no duplicate. Move a shop with it; give a ledger away without.
    """
    packs = file == "-" or not file.endswith(_PLAIN_ENDINGS) if packed is None else packed
    if file == "-" and packs and sys.stdout.isatty():
        raise refusal("a compressed file does not belong on a terminal; name a file, or add --plain")
    with opened(data) as database:
        names = sites_of(database, site)
        if with_secrets:
            # Before they leave, whatever becomes of the file.
            _record(database, names, file)
        with (
            database.read() as connection,
            _sink(file, packs=packs, private=with_secrets) as sink,
            bar("writing", count_events(connection, names)) as progress,
        ):
            counts = write(connection, names, sink, release=RELEASE, people_keys=with_secrets, progress=progress)
    click.echo(f"{counts.events:,} events of {', '.join(names)} written to {file}", err=True)


def _record(database: Database, names: list[str], file: str) -> None:
    """Put on record that the secrets of sites left with a file."""
    with database.write() as connection:
        for name in names:
            record(
                connection, name, actor=COMMAND_LINE, act="data.exported", subject=file, details={"with_secrets": True},
                now_us=now_us(),
            )  # fmt: skip


@contextmanager
def _sink(file: str, *, packs: bool, private: bool) -> Iterator[Sink]:
    if file == "-":
        with _packing(sys.stdout.buffer, packs=packs) as sink:
            yield sink
        return
    try:
        with renamed_when_whole(Path(file), private=private) as raw, _packing(raw, packs=packs) as sink:
            yield sink
    except NotReplaceable as error:
        raise refusal(str(error)) from error
    except OSError as error:
        raise refusal(f"{file} cannot be written: {error.strerror}") from error


@contextmanager
def _packing(raw: IO[bytes], *, packs: bool) -> Iterator[Sink]:
    if not packs:
        yield raw.write
        return
    # Neither name nor time of the writing: the same ledger gives the same file.
    with gzip.GzipFile(filename="", mode="wb", compresslevel=6, fileobj=raw, mtime=0) as stream:
        yield stream.write
