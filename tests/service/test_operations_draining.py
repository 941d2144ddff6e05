"""A server that is told to end: no answer is cut, no connection that was made is reset, and it ends in time."""

from __future__ import annotations

import http.client
import os
import signal
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import orjson
import pytest

from service.server import GRACE_SECONDS
from tests.builders import installed
from tests.grown import fresh_postgres
from tests.service.serving import DEADLINE_SECONDS, Serving, ask, cut, key_for, serving, wait_until
from worker.database import Database

CLIENTS = 12


@contextmanager
def embedded_server(folder: Path, *options: str) -> Iterator[tuple[Serving, Database]]:
    (folder / "data").mkdir()
    database = installed(f"sqlite:///{folder / 'data' / 'cutledger.sqlite3'}")
    try:
        with serving(folder, *options) as server:
            yield server, database
    finally:
        database.close()


@contextmanager
def grown_server(folder: Path, *options: str) -> Iterator[tuple[Serving, Database]]:
    with fresh_postgres("drain", with_tables=True) as url:
        database = installed(url)
        try:
            with serving(folder, *options, environment={"CUTLEDGER_DATABASE_URL": url}) as server:
                yield server, database
        finally:
            database.close()


@dataclass
class Crowd:
    """Clients that post one event after the other, and read what is elsewhere, until they are refused.

    Half of them keep their connection until they are told to close it, the others make a new one for each event.
    """

    server: Serving
    key: str
    taken: list[str] = field(default_factory=list)
    cut_off: list[str] = field(default_factory=list)
    refused: int = 0

    def run(self, name: int) -> None:
        number = 0
        while True:
            try:
                connection = self.server.connect()
                connection.connect()
            except ConnectionRefusedError:
                self.refused += 1
                return
            with closing(connection):
                number = self._post_while_kept(connection, name, number)
                if number < 0:
                    return

    def _post_while_kept(self, connection: http.client.HTTPConnection, name: int, number: int) -> int:
        while True:
            event = cut(f"{name}-{number}")
            try:
                if number % 3 == 1:
                    answer = ask(connection, "GET", "/v1/events?limit=1", key=self.key)
                    assert answer.status == 200, answer.body
                    if answer.headers["connection"] == "close":
                        return number
                # One in five is a body of many events' size, which is taken elsewhere.
                body = [event] * (40 if number % 5 == 2 else 1)
                answer = ask(connection, "POST", "/v1/events", key=self.key, body=body)
            except (OSError, http.client.HTTPException) as error:
                self.cut_off.append(f"{event['id']}: {error!r}")
                return -1
            assert answer.status == 202, answer.body
            self.taken.append(event["id"])
            number += 1
            if name % 2 or answer.headers["connection"] == "close":
                return number


@pytest.mark.parametrize("made", [embedded_server, grown_server])
def test_no_answer_is_cut_when_the_server_is_told_to_end_under_load(made: object, tmp_path: Path) -> None:
    with made(tmp_path, "--quiet") as (server, database):  # type: ignore[operator]
        crowd = Crowd(server, key_for(database, "erp"))
        threads = [threading.Thread(target=crowd.run, args=(name,)) for name in range(CLIENTS)]
        for thread in threads:
            thread.start()
        wait_until(lambda: len(crowd.taken) >= 5 * CLIENTS, what="the crowd")
        assert server.end() == 0, server.log
        for thread in threads:
            thread.join(DEADLINE_SECONDS)
        assert crowd.cut_off == [], server.log
        assert crowd.refused == CLIENTS
        assert server.log == ""
        with database.read() as connection:
            held = set(connection.exec_driver_sql("SELECT id FROM events").scalars())
    assert set(crowd.taken) <= held


def begun(server: Serving, key: str, name: str) -> tuple[socket.socket, bytes]:
    """A request of which the server has the header and half of the body, and what is missing."""
    body = cut_body(name)
    sock = socket.create_connection((server.host, server.port), timeout=DEADLINE_SECONDS)
    head = (
        f"POST /v1/events HTTP/1.1\r\nHost: {server.host}\r\nAuthorization: Bearer {key}\r\n"
        f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\nExpect: 100-continue\r\n\r\n"
    )
    sock.sendall(head.encode())
    # Said when the application begins to read the body.
    assert sock.recv(1024).startswith(b"HTTP/1.1 100 ")
    sock.sendall(body[:20])
    return sock, body[20:]


def cut_body(name: str) -> bytes:
    return orjson.dumps(cut(name))


def is_refused(server: Serving) -> bool:
    try:
        socket.create_connection((server.host, server.port), timeout=DEADLINE_SECONDS).close()
    except ConnectionRefusedError:
        return True
    return False


def answer_on(sock: socket.socket) -> bytes:
    answer = b""
    while more := sock.recv(65_536):
        answer += more
    return answer


def test_an_answer_that_was_begun_is_finished_though_new_connections_are_refused(tmp_path: Path) -> None:
    with embedded_server(tmp_path) as (server, database):
        sock, missing = begun(server, key_for(database, "erp"), "slow")
        with sock:
            server.process.send_signal(signal.SIGTERM)
            wait_until(lambda: is_refused(server), what="the refusal")
            assert server.process.poll() is None
            sock.sendall(missing)
            answer = answer_on(sock)
        assert answer.startswith(b"HTTP/1.1 202 ")
        assert b"\r\nConnection: close\r\n" in answer
        assert answer.endswith(b"}]}")
        assert server.process.wait(DEADLINE_SECONDS) == 0


def test_a_second_signal_waits_for_nobody(tmp_path: Path) -> None:
    with embedded_server(tmp_path) as (server, database):
        sock, _ = begun(server, key_for(database, "erp"), "never")
        with sock:
            server.process.send_signal(signal.SIGTERM)
            wait_until(lambda: is_refused(server), what="the refusal")
            began = time.monotonic()
            server.process.send_signal(signal.SIGTERM)
            assert server.process.wait(DEADLINE_SECONDS) == 0
            assert time.monotonic() - began < GRACE_SECONDS
        assert "Quick shutdown requested" in server.log


def test_a_draining_server_is_not_ready_and_still_answers(tmp_path: Path) -> None:
    with embedded_server(tmp_path, "--drain-seconds", "600") as (server, database):
        key = key_for(database, "erp")
        assert server.ask("GET", "/readyz").json()["parts"]["server"] == "ready"
        server.process.send_signal(signal.SIGTERM)
        wait_until(lambda: server.ask("GET", "/readyz").status == 503, what="the draining")
        answer = server.ask("GET", "/readyz")
        assert answer.json()["status"] == "not ready"
        assert answer.json()["parts"] == {"database": "ready", "migration": "ready", "server": "draining"}
        assert answer.headers["connection"] == "close"
        assert server.ask("GET", "/livez").status == 200
        assert server.ask("POST", "/v1/events", key=key, body=cut("late")).status == 202
        assert server.end() == 0


def test_connections_that_nobody_has_taken_yet_are_answered(tmp_path: Path) -> None:
    with embedded_server(tmp_path) as (server, database):
        key, answering = key_for(database, "erp"), server.answering()
        for process in answering:
            os.kill(process, signal.SIGSTOP)
        try:
            waiting = [sent_whole(server, key, f"early-{number}") for number in range(5)]
            server.process.send_signal(signal.SIGTERM)
            wait_until(lambda: "draining" in server.log, what="the draining")
        finally:
            for process in answering:
                os.kill(process, signal.SIGCONT)
        for sock in waiting:
            with sock:
                assert answer_on(sock).startswith(b"HTTP/1.1 202 ")
        assert server.process.wait(DEADLINE_SECONDS) == 0


def sent_whole(server: Serving, key: str, name: str) -> socket.socket:
    """A request that is sent on a connection of its own."""
    body = cut_body(name)
    sock = socket.create_connection((server.host, server.port), timeout=DEADLINE_SECONDS)
    head = (
        f"POST /v1/events HTTP/1.1\r\nHost: {server.host}\r\nAuthorization: Bearer {key}\r\n"
        f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n"
    )
    sock.sendall(head.encode() + body)
    return sock
