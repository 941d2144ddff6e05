"""Besieges the grown service: `python -m tests.siege`. What other users see during each attack, in one run."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

import click

from tests.bench.figures import in_ms, percentile
from tests.builders import installed
from tests.grown import BROKER, broker_or_skip, fresh_postgres
from tests.service.serving import Serving, key_for, serving
from tests.siege.attacking import BOMBERS, NOTHING, READY, SLOWLY
from tests.siege.others import USERS, Others
from worker.database import Database

PROCESSES: Final = 3
#: (attack or none, what is done, seconds). The slow ones are watched until they are sent away.
STAGES: Final = (
    ("", "healthy", 8.0),
    ("zeros", "10 GiB of zeros, gzipped", 8.0),
    ("deep", "JSON 100,000 deep", 8.0),
    # More bytes than are unpacked: their number is never reached.
    ("members", "5 million keys, refused by bytes", 8.0),
    ("plain-members", "1.1 million keys in 16 MiB", 8.0),
    ("doubled", "1.5 million doubled keys in 20 kB", 8.0),
    (SLOWLY, "1,000 slow connections", 25.0),
    ("", "healthy again", 8.0),
)
_WATCH_SECONDS: Final = 0.25
_ESTABLISHED: Final = "01"
_PEAK = re.compile(r"^VmHWM:\s+([0-9]+) kB", re.MULTILINE)


@dataclass(frozen=True)
class Stage:
    """What was seen in one stage: of the other users, of the attacker, and of the service's processes.

    p50_ms, p99_ms, most_ms: None when nobody was answered. least_open, mean_open: connections that the service took.
    """

    stage: str
    requests: int
    p50_ms: float | None
    p99_ms: float | None
    most_ms: float | None
    failures: list[str]
    attack_answers: dict[str, int]
    peak_mb: float
    least_open: int
    mean_open: int
    same_processes: bool


class Watch:
    """Counts the connections that a server has taken, again and again within its block."""

    def __init__(self, port: int) -> None:
        self._port = port
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._go_on, daemon=True)
        self.counts: list[int] = []

    def __enter__(self) -> Watch:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def _go_on(self) -> None:
        while True:
            self.counts.append(taken(self._port))
            if self._over.wait(_WATCH_SECONDS):
                return


def taken(port: int) -> int:
    """How many connections to a port are open and were taken: one that still waits for that has no inode."""
    fields = [line.split() for line in Path("/proc/net/tcp").read_text().splitlines()[1:]]
    return sum(each[1].endswith(f":{port:04X}") and each[3] == _ESTABLISHED and each[9] != "0" for each in fields)


@contextmanager
def grown(folder: Path) -> Iterator[tuple[Serving, Database]]:
    """A grown service of some processes on a database of its own, ended with the block."""
    broker_or_skip()
    with fresh_postgres("siege", with_tables=True) as url:
        database = installed(url)
        settings = {"CUTLEDGER_DATABASE_URL": url, "CUTLEDGER_BROKER_URL": BROKER}
        try:
            with serving(folder, "--quiet", "--processes", str(PROCESSES), environment=settings) as server:
                yield server, database
        finally:
            database.close()


def stage_of(server: Serving, others: Others, key: str, attack: str, name: str, seconds: float) -> Stage:
    """One stage: attack, and see what others see meanwhile."""
    _forget_peaks(server)
    processes = server.children()
    attacker = None
    if attack:
        command = [sys.executable, "-m", "tests.siege.attacking", attack, str(server.port), key, str(seconds)]
        attacker = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert attacker.stdout is not None
        assert attacker.stdout.readline().strip() == READY
    with Watch(server.port) as watch:
        seen = others.served(name.replace(" ", "-"), seconds)
    answers = json.loads(attacker.communicate(timeout=120)[0]) if attacker else {}
    times = seen.seconds
    p50, p99, most = (round(in_ms(percentile(times, share)), 1) if times else None for share in (0.5, 0.99, 1.0))
    least, mean = min(watch.counts), round(sum(watch.counts) / len(watch.counts))
    same = sorted(server.children()) == sorted(processes)
    return Stage(
        name, len(times), p50, p99, most, seen.failures, answers, _peak_mb(server), least, mean, same_processes=same
    )


def _forget_peaks(server: Serving) -> None:
    for process in server.children():
        Path(f"/proc/{process}/clear_refs").write_text("5")


def _peak_mb(server: Serving) -> float:
    """The most memory that any of the service's processes has taken."""
    peaks = [_PEAK.search(Path(f"/proc/{process}/status").read_text()) for process in server.children()]
    return max(int(peak[1]) * 1024 / 1e6 for peak in peaks if peak)


def faults_of(stages: list[Stage]) -> list[str]:
    """What should not have been: others that were not answered, and attacks that made the service fail."""
    return [f"{stage.stage}: {fault}" for stage in stages for fault in _faults_of(stage)]


def _faults_of(stage: Stage) -> Iterator[str]:
    if not stage.requests:
        yield "nobody was answered"
    if stage.failures:
        yield f"{len(stage.failures)} of others failed: {stage.failures[:3]}"
    if not stage.same_processes:
        yield "a process of the service died"
    for status in stage.attack_answers:
        if status == NOTHING or (status.startswith("5") and status != "503"):
            yield f"the attacker was answered: {status}"


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--json", "path", type=click.Path(dir_okay=False, path_type=Path), help="Write the figures here too.")
def main(path: Path | None) -> None:
    """Attack the grown service in every way it must bear, and print what other users see (about 2 minutes).

    Exits 1 when one of them is not answered, or an attack makes the service fail: 5xx other than
    503, a connection closed without an answer, a process that died.
    """
    stages: list[Stage] = []
    with tempfile.TemporaryDirectory(prefix="cutledger-siege-") as folder, grown(Path(folder)) as (server, database):
        others = Others(server.port, [key_for(database, "admin") for _ in range(USERS)])
        attacker = key_for(database, "admin")
        others.served("warm", 2.0)  # the first answers of a process pay for its imports
        click.echo(
            f"{'':<34}{'requests':>9}{'p50 ms':>9}{'p99 ms':>9}{'most ms':>9}{'failed':>8}{'peak MB':>9}"
            f"{'least':>7}{'mean open':>10}  answers to {BOMBERS} at once"
        )
        for attack, name, seconds in STAGES:
            stage = stage_of(server, others, attacker, attack, name, seconds)
            stages.append(stage)
            _show(stage)
        log = server.log
    if path is not None:
        path.write_text(json.dumps([asdict(stage) for stage in stages], indent=1) + "\n")
    wrong: list[Any] = faults_of(stages)
    if "Traceback" in log:
        wrong.append(f"the service's log has a traceback: {log[:2_000]}")
    for each in wrong:
        click.echo(each, err=True)
    if wrong:
        raise SystemExit(1)


def _show(stage: Stage) -> None:
    answers = ", ".join(f"{status}: {count}" for status, count in stage.attack_answers.items())
    click.echo(
        f"{stage.stage:<34}{stage.requests:>9,}{_ms(stage.p50_ms)}{_ms(stage.p99_ms)}{_ms(stage.most_ms)}"
        f"{len(stage.failures):>8}{stage.peak_mb:>9.0f}{stage.least_open:>7}{stage.mean_open:>10}  {answers}"
    )


def _ms(figure: float | None) -> str:
    return f"{'none':>9}" if figure is None else f"{figure:>9.1f}"


if __name__ == "__main__":
    main()
