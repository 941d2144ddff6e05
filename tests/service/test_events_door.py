"""The door in over HTTP: its status codes, its bodies, its promise, and a crowd at a real server."""

from __future__ import annotations

import gzip
import http.client
import json
import os
import re
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any
from urllib.parse import quote

import pytest
from sqlalchemy import func, select

from service.app import create_app
from service.bodies import ARRAY, LINES, MOST_ITEMS, ONE_EVENT, ONE_OR_ARRAY
from service.preparing import prepare
from service.routes.events import BODY_LIMIT
from tests.builders import NOW_US, event
from tests.conftest import installation_on
from tests.independent_recount import recount
from tests.service.conftest import Clock, Door, as_lines, cut, serving, void
from worker import database as worker_database
from worker import ledger
from worker.database import Database
from worker.keys import new_key
from worker.settings import Installation
from worker.tables import events

REPOSITORY = Path(__file__).parents[2]
PROBLEM = "application/problem+json"
COUNTS = ("accepted", "duplicate", "conflict", "invalid")


def counts(body: dict[str, Any]) -> tuple[int, ...]:
    return tuple(body[name] for name in COUNTS)


def taken(door: Door) -> int:
    return len(door.read("/v1/events", limit=1000)["items"])


# --- 202, 207, 409, 422 -----------------------------------------------------------------------------------------


def test_202_when_all_are_accepted_or_duplicates(door: Door) -> None:
    sent = cut(id="1")
    answer = door.post(sent)
    assert answer.status_code == 202
    assert answer.content_type == "application/json"
    body = answer.get_json()
    position = body["items"][0].pop("position")
    assert body == {
        "accepted": 1, "duplicate": 0, "conflict": 0, "invalid": 0,
        "items": [{"index": 0, "id": "1", "status": "accepted"}],
    }  # fmt: skip
    again = door.post([sent, cut(id="2")])
    assert (again.status_code, counts(again.get_json())) == (202, (1, 1, 0, 0))
    assert again.get_json()["items"][0] == {"index": 0, "id": "1", "status": "duplicate", "position": position}


@pytest.mark.parametrize(("kind", "body"), [(ARRAY, b"[]"), (ONE_OR_ARRAY, b" [ ] "), (LINES, b""), (LINES, b"\n\n")])
def test_202_for_no_events_at_all(door: Door, kind: str, body: bytes) -> None:
    answer = door.post(body, kind=kind)
    assert answer.status_code == 202
    assert answer.get_json() == dict.fromkeys(COUNTS, 0) | {"items": []}


def test_207_when_some_are_refused(door: Door) -> None:
    answer = door.post([cut(id="1"), cut(outcome="cut"), cut(id="1", good=1)])
    assert (answer.status_code, answer.content_type) == (207, "application/json")
    assert counts(answer.get_json()) == (1, 0, 1, 1)


def test_207_when_one_is_a_duplicate_and_the_others_are_refused(door: Door) -> None:
    sent = cut(id="1")
    door.post(sent)
    answer = door.post([sent, cut(outcome="cut")])
    assert (answer.status_code, counts(answer.get_json())) == (207, (0, 1, 0, 1))


def test_409_when_the_only_event_or_all_events_conflict(door: Door) -> None:
    door.told(cut(id="1"), cut(id="2"))
    for sent, number in ((cut("B", id="1"), 1), ([cut("B", id="1"), cut("B", id="2")], 2)):
        answer = door.post(sent)
        assert (answer.status_code, answer.content_type) == (409, PROBLEM)
        body = answer.get_json()
        assert (body["status"], counts(body)) == (409, (0, 0, number, 0))
        assert [item["status"] for item in body["items"]] == ["conflict"] * number


def test_422_when_all_are_refused_and_any_is_invalid(door: Door) -> None:
    door.told(cut(id="1"))
    answer = door.post([cut("B", id="1"), cut(id="2", outcome="cut")])
    assert (answer.status_code, answer.content_type) == (422, PROBLEM)
    body = answer.get_json()
    assert counts(body) == (0, 0, 1, 1)
    assert [error["pointer"] for error in body["errors"]] == ["/0", "/1/data/outcome"]
    assert [error["pointer"] for error in body["items"][1]["errors"]] == ["/1/data/outcome"]


def test_422_of_one_event_points_from_the_start_of_the_body(door: Door) -> None:
    answer = door.post(cut(id="2", outcome="cut", goood=1))
    body = answer.get_json()
    assert answer.status_code == 422
    assert {error["pointer"] for error in body["errors"]} == {"/data/outcome", "/data/goood"}
    assert body["items"] == [{"index": 0, "id": "2", "status": "invalid", "errors": body["errors"]}]
    assert body["type"].startswith("urn:cutledger:problem:")
    assert body["title"]
    assert body["detail"]
    assert body["instance"] == f"urn:uuid:{answer.headers['X-Request-Id']}"


# --- 400, 413, 415 ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "body"),
    [
        (ONE_EVENT, b""),
        (ONE_EVENT, b'{"id": "1",'),
        (ONE_EVENT, b"[]"),
        (ARRAY, b"{}"),
        (ARRAY, json.dumps([cut()]).encode()[:-1]),
        (ONE_OR_ARRAY, b"id=1"),
        (ONE_OR_ARRAY, json.dumps([cut()]).encode() + b" 7"),
        (ONE_OR_ARRAY, "[]".encode("utf-16")),
    ],
)
def test_400_for_what_is_no_json_and_nothing_of_it_is_kept(door: Door, kind: str, body: bytes) -> None:
    answer = door.post(body, kind=kind)
    assert (answer.status_code, answer.content_type) == (400, PROBLEM)
    assert taken(door) == 0


def test_400_for_one_bad_element_of_an_array_but_207_for_one_bad_line(door: Door) -> None:
    one, other = (json.dumps(cut(name)).encode() for name in "AB")
    assert door.post(b"[" + one + b", {'id': 1}, " + other + b"]", kind=ARRAY).status_code == 400
    assert taken(door) == 0
    answer = door.post(one + b"\n{'id': 1}\n\n" + other + b"\n", kind=LINES)
    assert (answer.status_code, counts(answer.get_json())) == (207, (2, 0, 0, 1))
    (bad,) = [item for item in answer.get_json()["items"] if item["status"] == "invalid"]
    assert (bad["index"], bad["id"], bad["errors"][0]["pointer"]) == (1, None, "/1")
    assert "line 2" in bad["errors"][0]["detail"]


def test_400_for_a_body_packed_badly(door: Door) -> None:
    packed = gzip.compress(json.dumps(cut()).encode())
    for damaged in (packed[:-5], b"no gzip", b""):
        assert door.post(damaged, headers={"Content-Encoding": "gzip"}).status_code == 400
    assert taken(door) == 0


def test_413_over_16_mib_unpacked(door: Door) -> None:
    assert BODY_LIMIT == 16 * 1024 * 1024
    blanks = b" " * BODY_LIMIT
    for body, packing in ((blanks + b" []", None), (gzip.compress(blanks + b" []", 1), "gzip")):
        answer = door.post(body, headers={"Content-Encoding": packing} if packing else {})
        assert (answer.status_code, answer.content_type) == (413, PROBLEM)
        assert answer.get_json()["limit"] == BODY_LIMIT
    assert door.post(blanks[2:] + b"[]").status_code == 202


def test_413_over_50_000_events(door: Door) -> None:
    assert MOST_ITEMS == 50_000
    for kind, body in ((ARRAY, b"[" + b"1," * 50_000 + b"1]"), (LINES, b"1\n" * 50_001)):
        answer = door.post(body, kind=kind)
        assert (answer.status_code, answer.get_json()["limit"]) == (413, 50_000)
    assert taken(door) == 0


@pytest.mark.parametrize(
    "kind", ["text/plain", "text/csv", "application/xml", "application/jsonl", "application/json; charset=latin-1", ""]
)
def test_415_for_another_content_type(door: Door, kind: str) -> None:
    answer = door.ask("POST", "/v1/events", data=json.dumps(cut()), content_type=kind or None)
    assert (answer.status_code, answer.content_type) == (415, PROBLEM)
    assert ONE_EVENT in answer.get_json()["detail"]


@pytest.mark.parametrize("packing", ["br", "deflate", "gzip, gzip"])
def test_415_for_another_packing(door: Door, packing: str) -> None:
    assert door.post(cut(), headers={"Content-Encoding": packing}).status_code == 415


# --- 401, 403, 404 ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "header", [None, "", "Bearer", "Bearer ", "Bearer cut_aaaaaaaa_nothing", "Basic Y3V0OmN1dA==", "cut"]
)
def test_401_without_a_key_that_is_known(door: Door, header: str | None) -> None:
    headers = {} if header is None else {"Authorization": header}
    answer = door.post(cut(), key=None, headers=headers)
    assert (answer.status_code, answer.content_type) == (401, PROBLEM)
    assert answer.headers["WWW-Authenticate"].startswith("Bearer")
    assert taken(door) == 0


@pytest.mark.parametrize("role", ["reader", "engineer"])
def test_403_for_a_key_that_may_not_write(door: Door, role: str) -> None:
    answer = door.post(cut(), key=role)
    assert (answer.status_code, answer.content_type) == (403, PROBLEM)
    assert "terminal, erp, admin" in answer.get_json()["detail"]
    assert taken(door) == 0


def test_404_for_a_site_that_the_key_does_not_have(door: Door, service: Any) -> None:
    for site in ("nowhere", service.door().site):
        answer = door.post(cut(), query_string={"site": site})
        assert (answer.status_code, answer.content_type) == (404, PROBLEM)
    assert taken(door) == 0


def test_refusals_come_before_the_body_is_judged(door: Door) -> None:
    assert door.post(b"no json", key=None).status_code == 401
    assert door.post(b"no json", key="reader").status_code == 403
    assert door.post(b"no json", query_string={"site": "nowhere"}).status_code == 404


# --- bodies -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("packing", [None, "gzip"])
@pytest.mark.parametrize(
    ("kind", "several"),
    [(ONE_EVENT, False), (ARRAY, True), (LINES, True), (LINES, False), (ONE_OR_ARRAY, True), (ONE_OR_ARRAY, False),
     ("Application/CloudEvents+JSON; charset=UTF-8", False), ("application/x-ndjson; charset=utf-8", True)],
)  # fmt: skip
def test_every_media_type_is_taken_packed_or_not(door: Door, kind: str, several: bool, packing: str | None) -> None:
    sent = [cut(name) for name in ("ABC" if several else "A")]
    plain = as_lines(sent) if "ndjson" in kind else json.dumps(sent if several else sent[0]).encode()
    body = gzip.compress(plain) if packing else plain
    answer = door.post(body, kind=kind, headers={"Content-Encoding": packing} if packing else {})
    assert (answer.status_code, answer.get_json()["accepted"]) == (202, len(sent))
    assert [item["event"] for item in door.read("/v1/events")["items"]] == sent


def test_an_answer_carries_the_request_id_of_its_traceparent(door: Door) -> None:
    trace = "0af7651916cd43dd8448eb211c80319c"
    answer = door.post(cut(), headers={"traceparent": f"00-{trace}-b7ad6b7169203331-01"})
    assert answer.headers["X-Request-Id"].replace("-", "") == trace
    for headers in ({}, {"traceparent": "nonsense"}):
        assert re.fullmatch(r"[0-9a-f-]{36}", door.post(cut(), headers=headers).headers["X-Request-Id"])


# --- the promise ------------------------------------------------------------------------------------------------


def rows_seen_by_another(url: str) -> int:
    with closing(Database(url)) as other, other.read() as connection:
        return int(connection.execute(select(func.count()).select_from(events)).scalar_one())


def test_2xx_and_the_nudge_come_only_after_the_commit(database: Database) -> None:
    seen: list[int] = []
    client = create_app(database, nudge=lambda: seen.append(rows_seen_by_another(database.url))).test_client()
    door = Door(database, client, "main", {}, Clock())
    door.keys["admin"] = door.key("admin")
    assert door.post(cut("A", time="2026-03-04T10:00:00Z")).status_code == 202
    assert door.post([cut("B"), cut("C"), cut(outcome="cut")]).status_code == 207
    assert seen == [1, 3]
    # Nothing to judge, nobody to wake
    assert door.post(cut(outcome="cut")).status_code == 422
    assert seen == [1, 3]


@pytest.fixture
def impatient(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Door]:
    """The door of a file that waits for nobody for long."""
    monkeypatch.setattr(worker_database, "BUSY_TIMEOUT_MS", 20)
    monkeypatch.setattr(worker_database, "WRITER_QUEUE_SECONDS", 0.05)
    with installation_on("sqlite", tmp_path) as opened, serving(opened) as running:
        yield running.door()


def refused_for_now(door: Door, sent: Any) -> None:
    answer = door.post(sent)
    assert (answer.status_code, answer.content_type) == (503, PROBLEM)
    assert int(answer.headers["Retry-After"]) > 0
    assert answer.get_json()["type"] == "urn:cutledger:problem:unavailable"


def test_503_and_nothing_kept_while_another_process_holds_the_database(impatient: Door) -> None:
    sent = [cut("A"), cut("B")]
    assert impatient.post(cut("first")).status_code == 202
    with closing(sqlite3.connect(impatient.database.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        refused_for_now(impatient, sent)
        assert taken(impatient) == 1  # readers are not held up
        other.execute("ROLLBACK")
    assert impatient.statuses(*sent) == ["accepted", "accepted"]


def test_503_and_nothing_kept_while_the_writers_of_this_process_queue_too_long(impatient: Door) -> None:
    impatient.read("/v1/events")  # the key is known from here on
    with impatient.database.write():
        refused_for_now(impatient, cut())
    assert impatient.statuses(cut()) == ["accepted"]


def test_503_and_nothing_kept_while_another_session_holds_the_site_on_postgresql(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(worker_database, "LOCK_TIMEOUT_MS", 50)
    with installation_on("postgresql", tmp_path) as opened, serving(opened) as running:
        door, other = running.door(), running.door()
        with opened.write() as connection:
            ledger.append(connection, door.site, [], received_us=0)
            refused_for_now(door, [cut("A"), cut("B")])
            assert taken(door) == 0
            assert other.statuses(cut("A")) == ["accepted"]  # another site is not held up
        assert door.statuses(cut("A"), cut("B")) == ["accepted", "accepted"]


def test_503_and_nothing_kept_when_the_disk_is_full(impatient: Door) -> None:
    with impatient.database.write() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
        # The writers share one connection, on which this stays.
        connection.exec_driver_sql(f"PRAGMA max_page_count = {pages}")
    sent = [cut(f"A{number}", recipe={"name": "x" * 100}) for number in range(2_000)]
    refused_for_now(impatient, sent)
    assert taken(impatient) == 0
    with impatient.database.write() as connection:
        connection.exec_driver_sql(f"PRAGMA max_page_count = {pages + 10_000}")
    assert set(impatient.statuses(*sent)) == {"accepted"}


# --- a real server ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Server:
    """A server process on loopback, and its keys."""

    port: int
    writer: str
    reader: str

    def ask(self, method: str, path: str, body: Any = None, *, key: str, **headers: str) -> tuple[int, Any]:
        """Ask over a connection of its own; an iterable body is sent in chunks."""
        headers = {
            "Authorization": f"Bearer {key}",
            **{name.replace("_", "-"): value for name, value in headers.items()},
        }
        with closing(http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)) as connection:
            chunked = body is not None and not isinstance(body, bytes)
            if chunked:
                headers["Transfer-Encoding"] = "chunked"
            connection.request(method, path, body, headers, encode_chunked=chunked)
            answer = connection.getresponse()
            return answer.status, json.loads(answer.read() or b"null")

    def post(self, body: Any, *, kind: str = LINES, **headers: str) -> tuple[int, Any]:
        return self.ask("POST", "/v1/events", body, key=self.writer, Content_Type=kind, **headers)

    def post_and_hang_up(self, body: bytes) -> None:
        """Post as a terminal does whose network fails before the answer."""
        with closing(http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)) as connection:
            connection.request(
                "POST", "/v1/events", body, {"Authorization": f"Bearer {self.writer}", "Content-Type": LINES}
            )

    def read(self, path: str) -> Any:
        status, body = self.ask("GET", path, key=self.reader)
        assert status == 200, body
        return body


def free_port() -> int:
    with closing(socket.socket()) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def running_server(folder: Path) -> Iterator[Server]:
    installation = Installation.from_environment({}, data=str(folder))
    prepare(installation)
    with closing(Database(installation.database_url)) as database, database.write() as connection:
        keys = [
            new_key(connection, name=role, roles=[role], sites=["main"], now_us=NOW_US)[0] for role in ("erp", "reader")
        ]
    server = Server(free_port(), *keys)
    environment = {name: value for name, value in os.environ.items() if not name.startswith("CUTLEDGER_")}
    command = [sys.executable, "-m", "service", "serve", "--data", str(folder), "--port", str(server.port), "--quiet"]
    with (folder / "serve.log").open("wb") as log:
        process = subprocess.Popen(command, cwd=REPOSITORY, env=environment, stdout=log, stderr=log)
    try:
        wait_until_alive(server, process)
        yield server
    finally:
        process.terminate()
        assert process.wait(30) == 0, (folder / "serve.log").read_text()


def wait_until_alive(server: Server, process: subprocess.Popen[bytes]) -> None:
    for _ in range(600):
        assert process.poll() is None
        try:
            server.ask("GET", "/livez", key="")
        except ConnectionError:
            time.sleep(0.05)
        else:
            return
    raise AssertionError("the server did not start")


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with running_server(tmp_path_factory.mktemp("server")) as running:
        yield running


def crowd_of_events() -> list[dict[str, Any]]:
    """80 attempts with all that becomes of them, their jobs and plates, and mistakes that are voided."""
    sent: list[dict[str, Any]] = []
    for number in range(80):
        attempt, hour = f"A{number}", f"2026-03-{2 + number % 5:02d}T{number % 24:02d}"
        where = {
            "job": f"J{number % 7}",
            "plate": f"P{number % 9}",
            "piece": str(number % 40),
            "machine": f"L{number % 2}",
        }
        source = f"/terminals/bay-{number % 4}"
        sent += [
            event("attempt.started", attempt, time=f"{hour}:00:00Z", source=source, id=f"s{number}", **where),
            event(
                "attempt.finished", attempt, time=f"{hour}:10:00Z", source=source, id=f"f{number}", outcome="severed",
                quantity=4, pierces=8, failed_pierces=number % 3, material="S355", thickness_mm=12 + number % 3,
            ),
            event("attempt.inspected", attempt, time=f"{hour}:20:00Z", source="/qa", id=f"i{number}", good=2, rework=1),
            event(
                "attempt.reworked", attempt, time=f"{hour}:40:00Z", source="/qa", id=f"r{number}", operation="grinding",
                minutes=round(0.1 * (1 + number % 7), 1), parts=1,
            ),
        ]  # fmt: skip
    mistakes = [
        event("attempt.inspected", f"A{number}", time="2026-03-06T12:00:00Z", source="/qa", id=f"m{number}", scrap=1)
        for number in range(0, 80, 5)
    ]
    voids = [void(mistake, id=f"v{index}", source="/qa") for index, mistake in enumerate(mistakes)]
    jobs = [event("job.opened", f"J{n}", id=f"j{n}", part_number="B", quantity=9, material="S355", thickness_mm=15)
            for n in range(5)]  # fmt: skip
    plates = [event("plate.received", f"P{n}", id=f"p{n}", material="S355", thickness_mm=16, heat_number=f"H{n % 2}",
                    time="2026-03-01T06:00:00Z") for n in range(6)]  # fmt: skip
    return sent + mistakes + voids + jobs + plates


def post_like_a_terminal(server: Server, sent: list[dict[str, Any]], seed: int, answers: list[tuple[int, Any]]) -> None:
    """Post a large part of the events, overlapping with the others', in batches that are sent again blindly."""
    random = Random(seed)
    mine = random.sample(sent, k=len(sent) * 2 // 3)
    while mine:
        batch, mine = mine[:40], mine[40:]
        body = as_lines(batch)
        if random.random() < 0.3:
            server.post_and_hang_up(body)
        for _ in range(random.choice((1, 1, 2))):
            answers.append(server.post(body))


def follow_the_feed(server: Server, stop: threading.Event, seen: list[tuple[str, str]]) -> None:
    """Read the feed by its cursor, to its end once nothing more can come."""
    cursor = ""
    while True:
        last_round = stop.is_set()
        page = server.read(f"/v1/events?limit=97{f'&after={quote(cursor)}' if cursor else ''}")
        seen += [(item["event"]["source"], item["event"]["id"]) for item in page["items"]]
        cursor = page["next"]
        if last_round and not page["more"]:
            return


def test_a_crowd_of_8_with_blind_retries_loses_nothing_and_counts_nothing_twice(server: Server) -> None:
    sent = crowd_of_events()
    answers: list[tuple[int, Any]] = []
    seen: list[tuple[str, str]] = []
    stop = threading.Event()
    follower = threading.Thread(target=follow_the_feed, args=(server, stop, seen))
    posters = [threading.Thread(target=post_like_a_terminal, args=(server, sent, seed, answers)) for seed in range(8)]
    for thread in (follower, *posters):
        thread.start()
    for thread in posters:
        thread.join(60)
    answers.append(server.post(as_lines(sent)))  # what no terminal drew
    stop.set()
    follower.join(60)
    # Every answer is a promise: taken, each event once
    assert [body for status, body in answers if status != 202] == []
    accepted = Counter(item["id"] for _, body in answers for item in body["items"] if item["status"] == "accepted")
    assert set(accepted.values()) <= {1}
    assert Counter(seen) == Counter((each["source"], each["id"]) for each in sent)
    # What hung up before its answer was accepted unseen, so the two together are all
    assert len(seen) == len(sent) >= len(accepted)
    assert_counted_once(server, sent)


def assert_counted_once(server: Server, sent: list[dict[str, Any]]) -> None:
    for _ in range(600):
        report = server.read("/v1/reports/yield?month=2026-03&by=thickness,machine")
        if not report["as_of"]["waiting"]:
            break
        time.sleep(0.05)
    judge = recount(sent)
    expected = judge.sums(("thickness_nm", "machine"))
    names = ("attempts", "first_attempts", "parts_tried", "first_pass_good", "good", "rework", "scrap", "pierces")
    found = {(row["thickness_mm"] * 1_000_000, row["machine"].lower()): row for row in report["rows"]}
    assert {group: {name: row[name] for name in names} for group, row in found.items()} == {
        group: {name: sums[name] for name in names} for group, sums in expected.items()
    }
    total = judge.sums()[()]
    assert round(report["totals"]["rework_minutes"] * 1000) == total["rework_minutes_e3"]
    booked = server.read("/v1/reports/rework?month=2026-03")["totals"]["booked_rework_minutes"]
    assert round(booked * 1000) == sum(row["minutes_e3"] for row in judge.rework)


@pytest.mark.parametrize("is_packed", [False, True])
def test_a_body_in_chunks_is_taken(server: Server, is_packed: bool) -> None:
    sent = [cut(f"chunked {is_packed} {number}", id=f"c{is_packed}{number}") for number in range(50)]
    body = gzip.compress(as_lines(sent)) if is_packed else as_lines(sent)
    pieces = (body[start : start + 700] for start in range(0, len(body), 700))
    packing = {"Content_Encoding": "gzip"} if is_packed else {}
    status, answer = server.post(pieces, **packing)
    assert (status, answer["accepted"]) == (202, 50)


def test_a_body_in_chunks_is_bounded_without_a_length(server: Server) -> None:
    status, answer = server.post(b" " * (1024 * 1024) for _ in range(17))
    assert (status, answer["limit"]) == (413, BODY_LIMIT)


def test_422_for_a_parameter_that_the_door_does_not_know(door: Door) -> None:
    answer = door.post(cut(), query_string={"stie": "elsewhere"})
    assert (answer.status_code, answer.get_json()["errors"][0]["parameter"]) == (422, "stie")
