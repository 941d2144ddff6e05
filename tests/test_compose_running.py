"""What docker-compose.yml starts, started as plain processes: the same commands, environment and health checks.

Only what names a place is rewritten: hosts, ports, folders. PostgreSQL is a new database on that of the tests; Redis
and the proxy are started as the file says, where they are installed.
"""

from __future__ import annotations

import gzip
import json
import os
import shutil
import signal
import socket
import struct
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from http.client import HTTPException
from pathlib import Path
from typing import Any, NoReturn

import pytest
from click.testing import CliRunner
from sqlalchemy import make_url, select, update

from service.commands.checking_health import health
from service.headers import HEADERS
from tests import builders
from tests.composition import ROOT, command_of, composition, services
from tests.grown import NEEDED, fresh_postgres
from worker import ledger, tallies
from worker.database import Database
from worker.settings import DATABASE_FILE
from worker.tables import events

CUT = {"outcome": "severed", "quantity": 2, "good": 2, "material": "S355", "thickness_mm": 20}
ADDRESSES = ("127.0.0.2", "127.0.0.3")
BATCH = 20


def without(reason: str) -> NoReturn:
    if NEEDED:
        pytest.fail(reason)
    pytest.skip(reason)


def free_port(address: str = "127.0.0.1") -> int:
    with socket.socket() as one:
        one.bind((address, 0))
        return int(one.getsockname()[1])


def wait_until(claim: Callable[[], bool], *, seconds: float = 60.0, what: str = "it") -> None:
    deadline = time.monotonic() + seconds
    while not claim():
        assert time.monotonic() < deadline, f"{what} did not come true in time"
        time.sleep(0.1)


class Names(threading.Thread):
    """The name server of the containers' network, for one name: it tells all addresses, of those that died too."""

    def __init__(self, name: str, addresses: Sequence[str]) -> None:
        super().__init__(daemon=True)
        self.label = name.encode()
        self.addresses = addresses
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.socket.bind(("127.0.0.1", 0))
        self.port = int(self.socket.getsockname()[1])

    def run(self) -> None:
        while True:
            try:
                question, asker = self.socket.recvfrom(512)
            except (OSError, HTTPException):
                return
            self.socket.sendto(self.answer(question), asker)

    def answer(self, question: bytes) -> bytes:
        end = question.index(b"\x00", 12) + 5
        known = question[12:end] == bytes([len(self.label)]) + self.label + b"\x00\x00\x01\x00\x01"
        found = self.addresses if known else ()
        rows = b"".join(struct.pack("!HHHIH4s", 0xC00C, 1, 1, 1, 4, socket.inet_aton(one)) for one in found)
        head = struct.pack("!2sHHHHH", question[:2], 0x8180 if known else 0x8183, 1, len(found), 0, 0)
        return head + question[12:end] + rows


class Plant:
    """The processes of the file, and where they are."""

    def __init__(self, folder: Path, database_url: str, stack: ExitStack) -> None:
        self.folder, self.database_url, self.stack = folder, database_url, stack
        self.services = services()
        self.broker_port, self.service_port, self.proxy_port = free_port(), free_port(ADDRESSES[0]), free_port()
        self.running: dict[str, subprocess.Popen[bytes]] = {}
        for name in ("tmp", "secrets", "backups", "work", "redis"):
            (folder / name).mkdir()
        for one in (folder, folder / "tmp"):
            # The proxy's processes are of a user of their own when this is run by root.
            one.chmod(0o755)
        secret = composition()["secrets"]["database_password"]
        (folder / secret["file"]).write_text("said-in-a-file\n")

    def moved(self, words: Sequence[str], *, address: str = "127.0.0.1") -> list[str]:
        """Words of the file with the places of this machine."""
        places = {
            "0.0.0.0": address,
            "127.0.0.1:8750": f"{address}:{self.service_port}",
            "127.0.0.1:8080": f"127.0.0.1:{self.proxy_port}",
            "/etc/nginx/proxy.conf": f"{self.folder}/proxy.conf",
            "/run/secrets": f"{self.folder}/secrets",
            "/backups": f"{self.folder}/backups",
            "redis:6379": f"127.0.0.1:{self.broker_port}",
            "postgresql://cutledger@postgres:5432/cutledger": self.database_url,
        }
        found = list(words)
        for place, here in places.items():
            found = [word.replace(place, here) for word in found]
        return found

    def environment(self, name: str) -> dict[str, str]:
        """What the file gives to a service, and nothing else of ours."""
        given = self.services[name].get("environment", {})
        told = dict(zip(given, self.moved(list(given.values())), strict=True))
        path = f"{Path(sys.executable).parent}:{os.environ['PATH']}:/usr/sbin"
        here = {"PATH": path, "TMPDIR": str(self.folder / "tmp"), "CUTLEDGER_SERVE_PORT": str(self.service_port)}
        return {**told, **here}

    def once(
        self, name: str, command: Sequence[str], *, address: str = "127.0.0.1"
    ) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            self.moved(command, address=address),
            env=self.environment(name),
            cwd=self.folder / "work",
            capture_output=True,
            text=True,
            timeout=90,
            check=False,
        )

    def start(self, name: str, command: Sequence[str], *, number: int = 0, address: str = "127.0.0.1") -> None:
        log = (self.folder / f"{name}-{number}.log").open("wb")
        process = subprocess.Popen(
            self.moved(command, address=address),
            env=self.environment(name),
            cwd=self.folder / "work",
            stdout=log,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
        log.close()
        self.running[f"{name}-{number}"] = process
        self.stack.callback(self.end, f"{name}-{number}")

    def kill(self, which: str) -> None:
        """As when a container is killed: all its processes at once."""
        os.killpg(self.running[which].pid, signal.SIGKILL)
        self.running.pop(which).wait(10)

    def end(self, which: str) -> int | None:
        """End a process as the file says, within the time that it gives."""
        process = self.running.pop(which, None)
        if process is None:
            return None
        service = self.services[which.rpartition("-")[0]]
        process.send_signal(signal.Signals[service.get("stop_signal", "SIGTERM")])
        try:
            return process.wait(int(service["stop_grace_period"].removesuffix("s")))
        finally:
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)

    def is_well(self, name: str, *, address: str = "127.0.0.1") -> bool:
        """What the health check of the file says."""
        check = self.services[name]["healthcheck"]["test"]
        if shutil.which(check[1], path=self.environment(name)["PATH"]) is None:
            without(f"the health check of {name} needs {check[1]}")
        said = self.once(name, check[1:], address=address)
        assert said.returncode != 2, f"a check that is not understood: {said}"
        return said.returncode == 0

    def start_broker(self) -> None:
        service = self.services["redis"]
        self.start("redis", [*service["command"], "--port", str(self.broker_port), "--dir", f"{self.folder}/redis"])
        check = service["healthcheck"]["test"][1:]
        wait_until(lambda: self.once("redis", [*check[:1], "-p", str(self.broker_port), *check[1:]]).returncode == 0)

    def start_ours(self) -> None:
        for number, address in enumerate(ADDRESSES[: self.services["service"]["deploy"]["replicas"]]):
            self.start("service", command_of(self.services["service"]), number=number, address=address)
        for number in range(self.services["worker"]["deploy"]["replicas"]):
            self.start("worker", command_of(self.services["worker"]), number=number)
        self.start("schedule", command_of(self.services["schedule"]))

    def start_proxy(self) -> None:
        names = Names("service", ADDRESSES)
        names.start()
        self.stack.callback(names.socket.close)
        text = (ROOT / composition()["configs"]["proxy"]["file"]).read_text()
        places = {
            "listen 8080;": f"listen 127.0.0.1:{self.proxy_port};",
            "http://service:8750;": f"http://service:{self.service_port};",
            "resolver 127.0.0.11 ": f"resolver 127.0.0.1:{names.port} ",
            " /tmp/": f" {self.folder}/tmp/",
        }
        for place, here in places.items():
            assert place in text, place
            text = text.replace(place, here)
        (self.folder / "proxy.conf").write_text(text)
        self.start("proxy", self.services["proxy"]["entrypoint"])

    def ask(self, path: str, body: bytes | None = None, **headers: str) -> tuple[int, dict[str, str], Any]:
        """(status, headers, body) of a request through the proxy."""
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        request = urllib.request.Request(f"http://127.0.0.1:{self.proxy_port}{path}", body, named)
        try:
            with urllib.request.urlopen(request, timeout=30) as answer:
                return answer.status, dict(answer.headers), json.loads(answer.read())
        except urllib.error.HTTPError as error:
            with error:
                return error.code, dict(error.headers), json.loads(error.read())

    def logs(self) -> str:
        return "\n".join(one.read_text(errors="replace") for one in sorted(self.folder.glob("*.log")))


@contextmanager
def plant(*needed: str) -> Iterator[Plant]:
    for tool in needed:
        if shutil.which(tool, path=f"{os.environ['PATH']}:/usr/sbin") is None:
            without(f"{tool} is not installed here")
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="cutledger-plant-")))
        url = stack.enter_context(fresh_postgres("compose"))
        yield Plant(folder, url, stack)


def new_key(running: Plant, role: str) -> str:
    made = running.once("service", ["cutledger", "key", "new", "--role", role, "--name", role])
    assert made.returncode == 0, made.stderr
    return made.stdout.strip()


class Terminal(threading.Thread):
    """Posts batch after batch through the proxy, each again until it is answered."""

    def __init__(self, running: Plant, key: str, number: int) -> None:
        super().__init__(daemon=True)
        self.running, self.key, self.number = running, key, number
        self.answered: list[str] = []
        self.again = 0
        self.ending = threading.Event()

    def run(self) -> None:
        batch = 0
        while not self.ending.is_set():
            told = [
                builders.event(
                    "attempt.finished", f"t{self.number}-{batch}-{n}", source=f"/terminals/{self.number}", **CUT
                )
                for n in range(BATCH)
            ]
            self.post(gzip.compress(json.dumps(told).encode()))
            self.answered.extend(str(one["id"]) for one in told)
            batch += 1
            time.sleep(0.1)

    def post(self, body: bytes) -> None:
        headers = {
            "Authorization": f"Bearer {self.key}",
            "Content_Type": "application/json",
            "Content_Encoding": "gzip",
        }
        while True:
            try:
                status, _, said = self.running.ask("/v1/events", body, **headers)
            except (OSError, HTTPException):
                status = 0
            if status == 202:
                return
            assert status in (0, 503), (status, said)
            self.again += 1
            time.sleep(0.1)


def test_what_the_file_starts_takes_events_counts_them_and_bears_deaths() -> None:
    with plant("nginx", "redis-server", "pg_dump") as running:
        running.start_broker()
        assert not running.is_well("schedule"), "the tables are not there yet"
        early = running.once("service", command_of(running.services["service"]), address=ADDRESSES[0])
        assert early.returncode == 1
        assert "cutledger migrate" in early.stdout + early.stderr
        migrated = running.once("migrate", command_of(running.services["migrate"]))
        assert migrated.returncode == 0, migrated.stderr
        key, reader = new_key(running, "erp"), new_key(running, "reader")

        running.start_ours()
        running.start_proxy()
        for address in ADDRESSES:
            wait_until(lambda address=address: running.is_well("service", address=address), what=f"service {address}")
        for name in ("worker", "schedule"):
            wait_until(lambda name=name: running.is_well(name), what=name)
        wait_until(lambda: running.is_well("proxy"), what="proxy")

        terminals = [Terminal(running, key, number) for number in range(3)]
        for terminal in terminals:
            terminal.start()
        wait_until(lambda: all(len(one.answered) >= 10 * BATCH for one in terminals), what="posting")
        running.kill("service-0")
        assert not running.is_well("service", address=ADDRESSES[0])
        before = [len(one.answered) for one in terminals]
        running.kill("worker-1")
        wait_until(
            lambda: all(len(one.answered) >= n + 10 * BATCH for one, n in zip(terminals, before, strict=True)),
            what="posting on",
        )
        assert running.is_well("proxy"), "the other service answers"
        assert running.is_well("worker"), "the other worker counts"
        for terminal in terminals:
            terminal.ending.set()
        for terminal in terminals:
            terminal.join(60)
            assert not terminal.is_alive()

        answered = [id_ for terminal in terminals for id_ in terminal.answered]
        reports = "/v1/reports/yield?week=2026-W10"
        wait_until(lambda: running.ask(reports, Authorization=f"Bearer {reader}")[2]["as_of"]["waiting"] == 0)
        _, _, report = running.ask(reports, Authorization=f"Bearer {reader}")
        assert report["totals"]["attempts"] == len(answered)
        database = Database(running.database_url)
        with database.read() as connection:
            kept = list(connection.execute(select(events.c.id)))
            assert ledger.waiting(connection, builders.SITE) == (0, 0)
        assert sorted(row.id for row in kept) == sorted(answered), "nothing lost, nothing doubled"
        assert tallies.audit(database, builders.SITE).equal
        database.close()

        saved = running.once("backup", command_of(running.services["backup"]))
        assert saved.returncode == 0, saved.stderr
        assert f"{len(answered):,} events" in saved.stdout
        ended = {which: running.end(which) for which in ("proxy-0", "service-1", "worker-0", "schedule-0")}
        assert ended == dict.fromkeys(ended, 0), running.logs()
        assert list((running.folder / "work").iterdir()) == [], "nothing is written beside /tmp"
        assert "said-in-a-file" not in running.logs()


def test_the_proxy_says_in_its_own_words_what_no_service_can() -> None:
    with plant("nginx") as running:
        running.start_proxy()
        wait_until(lambda: running.once("proxy", ["wget", "-q", "-O-", "127.0.0.1:8080/metrics"]).returncode == 8)
        status, headers, said = running.ask("/v1/jobs")
        assert (status, headers["Retry-After"], headers["Content-Type"]) == (503, "2", "application/problem+json")
        assert HEADERS.items() <= headers.items()
        assert said["status"] == 503
        assert "Send it again" in said["detail"]
        assert running.ask("/metrics")[0] == 404
        status, headers, said = running.ask("/v1/events", b"x" * (18 << 20), Content_Type="application/json")
        assert (status, headers["Content-Type"]) == (413, "application/problem+json")
        assert HEADERS.items() <= headers.items()
        status, headers, _ = running.ask("/livez", X_Long="x" * 40_000)
        assert (status, headers["Content-Type"]) == (400, "application/problem+json")
        assert HEADERS.items() <= headers.items()
        assert not running.is_well("proxy"), "no service, no health"
        assert "nginx/" not in headers["Server"]


def test_the_proxy_passes_on_what_was_asked_to_the_letter_and_no_claims_of_the_client() -> None:
    with plant("nginx") as running, socket.create_server((ADDRESSES[1], 0)) as door:
        running.service_port = door.getsockname()[1]
        running.start_proxy()
        heard: list[bytes] = []

        def answer() -> None:
            while True:
                try:
                    connection, _ = door.accept()
                except (OSError, HTTPException):
                    return
                with connection:
                    heard.append(connection.recv(65_536))
                    connection.sendall(b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\nConnection: close\r\n\r\n{}")

        threading.Thread(target=answer, daemon=True).start()
        wait_until(lambda: running.once("proxy", ["wget", "-q", "-O-", "127.0.0.1:8080/livez"]).returncode == 0)
        claims = {"X_Forwarded_For": "6.6.6.6", "Forwarded": "for=6.6.6.6", "X_Request_ID": "abcdefgh"}
        assert running.ask("/v1/jobs/a%2Fb/events?x=%20y", **claims)[0] == 200
        asked = heard[-1].decode()
        assert asked.startswith("GET /v1/jobs/a%2Fb/events?x=%20y HTTP/1.1\r\n")
        assert "X-Forwarded-For: 127.0.0.1\r\n" in asked
        assert "6.6.6.6" not in asked
        assert "X-Request-Id: abcdefgh\r\n" in asked


# --- the health command -----------------------------------------------------------------------------------------------


def run_health(*arguments: str, **environment: str) -> tuple[int, str]:
    result = CliRunner().invoke(health, arguments, env=environment)
    assert result.exception is None or isinstance(result.exception, SystemExit), "not a traceback"
    assert len(result.output.strip().splitlines()) == 1, "one sentence"
    return result.exit_code, result.output


def test_health_is_lost_when_an_event_waits_too_long(database: Database) -> None:
    url = make_url(database.url).render_as_string(hide_password=False)
    assert run_health("--oldest-owed", "300", CUTLEDGER_DATABASE_URL=url) == (
        0,
        "well: the database answers, nothing is owed\n",
    )
    builders.append(database, [builders.event("attempt.finished", "a", **CUT)])
    with database.write() as connection:
        connection.execute(update(events).values(received_us=time.time_ns() // 1_000 - 400_000_000))
    status, said = run_health("--oldest-owed", "300", CUTLEDGER_DATABASE_URL=url)
    assert status == 1
    assert "an event has waited 40" in said
    assert run_health("--oldest-owed", "900", CUTLEDGER_DATABASE_URL=url)[0] == 0


def test_health_is_lost_without_a_database_or_its_tables(tmp_path: Path) -> None:
    nobody = f"postgresql://x@127.0.0.1:{free_port()}/x"
    assert run_health(CUTLEDGER_DATABASE_URL=nobody)[0] == 1
    status, said = run_health(CUTLEDGER_DATA=str(tmp_path), CUTLEDGER_DATABASE_URL="")
    assert status == 1
    assert "no installation here yet" in said
    assert not (tmp_path / DATABASE_FILE).exists()
    with fresh_postgres("health") as url:
        status, said = run_health(CUTLEDGER_DATABASE_URL=url)
    assert status == 1
    assert "cutledger migrate" in said


def test_health_is_lost_without_the_broker_when_it_is_asked_about(tmp_path: Path) -> None:
    database = builders.installed(f"sqlite:///{tmp_path / DATABASE_FILE}")
    database.close()
    here = {"CUTLEDGER_DATA": str(tmp_path), "CUTLEDGER_DATABASE_URL": ""}
    assert run_health(**here)[0] == 0
    assert "CUTLEDGER_BROKER_URL" in run_health("--broker", **here, CUTLEDGER_BROKER_URL="")[1]
    status, said = run_health("--broker", **here, CUTLEDGER_BROKER_URL=f"redis://127.0.0.1:{free_port()}/0")
    assert status == 1
    assert "the broker does not answer" in said
