"""The embedded installation on a full disk: 503 while it is full, nothing half-written, and on it goes afterwards."""

from __future__ import annotations

import os
import resource
import shutil
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from sqlalchemy import select

from tests.chaos.embedded import COUNTING_SECONDS, Served, served
from tests.chaos.figures import Figures
from tests.chaos.grown import BATCH, SITES, Load, begin_load, figures_of, wait_until_counted
from tests.chaos.judging import judge
from tests.chaos.posting import Client, Journal, Sent, Teller
from worker.database import Database
from worker.tables import events

DISK_MIB: Final = 14
ENOUGH_MIB: Final = 512
#: Without a right to mount, no file of the server may grow beyond this until space returns.
FILE_MIB: Final = 6
FULL_SECONDS: Final = 4.0
FILL_SECONDS: Final = 60.0
PROBES: Final = 8
#: Stories of the probes: none that a client tells.
PROBES_BEGIN: Final = 5_000_000
MIB: Final = 1024 * 1024


@dataclass
class Disk:
    """A small disk. `way` says how it is small; `give_space` makes it large enough."""

    folder: Path
    way: str
    is_mounted: bool
    file_mib: int = FILE_MIB

    def fill(self, running: Served) -> None:
        """Where the disk itself is large: let no file of the server grow beyond file_mib."""
        if not self.is_mounted:
            _limit(running, self.file_mib * MIB)

    def give_space(self, running: Served) -> None:
        """Now there is space."""
        if self.is_mounted:
            larger = ["mount", "-o", f"remount,size={ENOUGH_MIB}m", str(self.folder)]
            subprocess.run(larger, check=True)
        else:
            _limit(running, resource.RLIM_INFINITY)


def _limit(running: Served, size: int) -> None:
    if running.process.running is None:
        return
    parent = running.process.running.pid
    children = Path(f"/proc/{parent}/task/{parent}/children").read_text().split()
    for pid in (parent, *map(int, children)):
        _, most = resource.prlimit(pid, resource.RLIMIT_FSIZE)
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (size, most))


@contextmanager
def small_disk(*, mounted: bool, file_mib: int = FILE_MIB) -> Iterator[Disk]:
    """A disk of DISK_MIB in memory; unmounted, a folder whose files shall not grow."""
    folder = Path(tempfile.mkdtemp(prefix="cutledger-chaos-disk-"))
    try:
        if not mounted:
            way = f"no file above {file_mib} MiB (an injected I/O error)"
            yield Disk(folder, way, is_mounted=False, file_mib=file_mib)
            return
        subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={DISK_MIB}m", "tmpfs", str(folder)], check=True)
        try:
            yield Disk(folder, f"tmpfs of {DISK_MIB} MiB", is_mounted=True)
        finally:
            subprocess.run(["umount", str(folder)], check=True)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def may_mount() -> bool:
    """True when this user can mount a small file system."""
    if os.geteuid() != 0 or shutil.which("mount") is None:
        return False
    folder = tempfile.mkdtemp(prefix="cutledger-chaos-mount-")
    try:
        mount = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", folder]
        if subprocess.run(mount, capture_output=True, check=False).returncode:
            return False
        subprocess.run(["umount", folder], check=True)
        return True
    finally:
        os.rmdir(folder)


def run(
    seed: int,
    *,
    mounted: bool | None = None,
    events_a_second: float = 900.0,
    file_mib: int = FILE_MIB,
    full_seconds: float = FULL_SECONDS,
) -> Figures:
    """Fill the disk, look, give space, and judge."""
    mounted = may_mount() if mounted is None else mounted
    with ExitStack() as stack:
        logs = stack.enter_context(tempfile.TemporaryDirectory(prefix="cutledger-chaos-"))
        disk = stack.enter_context(small_disk(mounted=mounted, file_mib=file_mib))
        with served(disk.folder / "data", Path(logs)) as running:
            disk.fill(running)
            figures = Figures("full disk", seed, {"disk": disk.way})
            began = time.monotonic()
            load = begin_load([running.port], running.key, SITES, seed=seed, events_a_second=events_a_second)
            _wait_until_full(load, figures)
            figures.values["seconds_until_full"] = round(time.monotonic() - began, 1)
            before = _acks(load)
            probes = _probe(running, seed, figures)
            figures.values["probes_refused"] = probes.failures["503"]
            time.sleep(full_seconds)
            figures.values["acknowledged_while_full"] = _acks(load) - before
            figures.values["refused_while_full"] = sum(journal.failures["503"] for journal in load.journals)
            disk.give_space(running)
            _wait_until_it_goes_on(load, figures)
            time.sleep(1)
            load.end_posting(60)
            seconds = time.monotonic() - began
            figures.values["seconds_until_counted"] = wait_until_counted(running.database, SITES, COUNTING_SECONDS)
            load.end_reading(60)
            figures.values |= figures_of(load, seconds)
            figures.missed += [f"the server ended: {one.last_line}" for one in running.supervisor.endings]
            figures.judgement = judge(running.database, [*load.journals, probes], load.readers, SITES)
            return figures


def _acks(load: Load) -> int:
    return sum(len(one.keys) for journal in load.journals for one in journal.sent if one.answered)


def _wait_until_full(load: Load, figures: Figures) -> None:
    deadline = time.monotonic() + FILL_SECONDS
    while not any(journal.failures["503"] for journal in load.journals):
        if time.monotonic() > deadline:
            figures.missed.append("the disk never was full")
            return
        time.sleep(0.05)


def _probe(running: Served, seed: int, figures: Figures) -> Journal:
    """Post a few requests once each; of one answered 503 no event may be there. Returns what was taken."""
    teller = Teller(0, 1, SITES, seed, BATCH, first=PROBES_BEGIN)
    asking = Client(
        teller,
        [running.port],
        running.key,
        events_a_second=1,
        over=threading.Event(),
        abandoned=threading.Event(),
    )
    for _ in range(PROBES):
        sent = teller.request()
        status, _ = asking.attempt(sent)
        if status == 202:
            sent.answered = True
            asking.journal.sent.append(sent)
        elif kept := _kept(running.database, sent):
            figures.missed.append(f"{kept} events of a request that was answered {status} are in the ledger")
    asking.close()
    return asking.journal


def _kept(database: Database, sent: Sent) -> int:
    e = events.c
    query = select(e.source, e.id).where(e.site == sent.site, e.id.in_([id_ for _, _, id_ in sent.keys]))
    with database.read() as connection:
        there = {(sent.site, source, id_) for source, id_ in connection.execute(query)}
    return len(there.intersection(sent.keys))


def _wait_until_it_goes_on(load: Load, figures: Figures) -> None:
    before, deadline = _acks(load), time.monotonic() + 30
    while _acks(load) == before:
        if time.monotonic() > deadline:
            figures.missed.append("nothing was taken within 30 s of space coming back")
            return
        time.sleep(0.05)
