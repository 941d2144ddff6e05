"""How much may be asked, and how many wrong keys may be tried; with the broker gone or hung nobody waits for it.

RateLimit fields: draft-ietf-httpapi-ratelimit-headers-09 (structured fields, RFC 9651). How much is allowed: common
practice, no source.
"""

from __future__ import annotations

import re
import socket
import threading
import time
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from fakeredis import FakeRedis, FakeServer
from redis import ConnectionError as BrokerGone

from service import asking, shared_counts
from service.app import create_app
from service.rates import COSTS, LOOKS, RATE, WINDOW_SECONDS, Limits, Rates, shortened
from service.shared_counts import EXCHANGE_SECONDS, SharedCounts
from tests.builders import embedded
from tests.service.conftest import Clock, Door, Service, cut, statements
from tests.service.serving import cut as cut_over_the_wire
from tests.service.serving import free_port, key_for, serving, wait_until
from worker.database import Database
from worker.settings import DATABASE_FILE

#: Ten times this may be spent within a window.
SMALL = 3


class Standing:
    """The clock of the windows, at the start of one."""

    def __init__(self) -> None:
        self.now = 1_800_000_000.0

    def time(self) -> float:
        return self.now


@pytest.fixture(scope="module")
def database(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    opened = embedded(tmp_path_factory.mktemp("rates"))
    yield opened
    opened.close()


@pytest.fixture(scope="module")
def sites(database: Database) -> Service:
    return Service(create_app(database, nudge=lambda: None), database)


@pytest.fixture
def windows(monkeypatch: pytest.MonkeyPatch) -> Standing:
    standing = Standing()
    monkeypatch.setattr("service.shared_counts.time", standing)
    monkeypatch.setattr("service.rates.time", standing)
    return standing


def limited(sites: Service, limits: Limits, *, broker_url: str | None = None, hops: int = 0) -> Door:
    """A site of its own behind an application of its own with these limits."""
    rates = Rates(limits, broker_url=broker_url)
    app = create_app(sites.database, nudge=lambda: None, rates=rates, proxy_hops=hops)
    return replace(sites.door(Clock()), client=app.test_client())


def statuses(door: Door, times: int, **how: Any) -> list[int]:
    return [door.get("/v1/jobs", **how).status_code for _ in range(times)]


# --- by key -----------------------------------------------------------------------------------------------------


def test_answers_say_what_is_left(sites: Service, windows: Standing) -> None:
    door = limited(sites, Limits(rate=SMALL))
    windows.now += 4
    answer = door.get("/v1/jobs")
    assert answer.headers["RateLimit-Policy"] == '"key";q=30;w=10'
    assert answer.headers["RateLimit"] == '"key";r=29;t=6'
    assert door.get("/v1/jobs").headers["RateLimit"] == '"key";r=28;t=6'
    assert not [name for name, _ in answer.headers if name.lower().startswith("x-ratelimit")]
    public = door.get("/livez", key=None)
    assert public.headers["RateLimit"] == '"address";r=29;t=6'


def test_what_takes_long_costs_more(sites: Service, windows: Standing) -> None:
    door = limited(sites, Limits(rate=SMALL))
    assert door.get("/v1/reports/yield", month="2026-03").headers["RateLimit"].startswith('"key";r=20;')
    assert door.post(cut()).headers["RateLimit"].startswith('"key";r=19;')
    assert door.get("/v1/audit").status_code in (200, 404)
    # However many events a post holds
    assert door.post([cut(f"A{each}") for each in range(50)]).headers["RateLimit"].startswith('"key";r=17;')


def test_what_costs_more_is_there(sites: Service) -> None:
    rules = list(sites.app.url_map.iter_rules())
    there = {rule.endpoint for rule in rules} | {rule.endpoint.partition(".")[0] for rule in rules}
    assert there >= COSTS.keys()


def test_beyond_the_rate_it_is_429_until_the_window_ends(sites: Service, windows: Standing) -> None:
    door = limited(sites, Limits(rate=SMALL))
    assert statuses(door, 30) == [200] * 30
    windows.now += 7.5
    answer = door.post(cut())
    assert (answer.status_code, answer.content_type) == (429, "application/problem+json")
    assert answer.headers["Retry-After"] == "3"
    assert answer.headers["RateLimit"] == '"key";r=0;t=3'
    assert answer.get_json()["type"] == "urn:cutledger:problem:too-many"
    # It holds up no other key, and nobody who sends none.
    assert statuses(door, 1, key="reader") == [200]
    assert door.get("/readyz", key=None).status_code == 200
    windows.now += 3
    assert door.post(cut()).status_code == 202


def test_who_sends_no_key_is_limited_by_address(sites: Service, windows: Standing) -> None:
    door = limited(sites, Limits(rate=SMALL))
    assert {door.get("/livez", key=None).status_code for _ in range(30)} == {200}
    assert door.get("/readyz", key=None).status_code == 429
    assert statuses(door, 1) == [200]
    elsewhere = {"REMOTE_ADDR": "198.51.100.7"}
    assert door.ask("GET", "/livez", key=None, environ_overrides=elsewhere).status_code == 200


@pytest.mark.parametrize("path", ["/v1/jobs", "/v1/reports/yield", "/nowhere", "/static/none.css"])
def test_so_is_whoever_asks_for_what_is_not_given_without_a_key(sites: Service, windows: Standing, path: str) -> None:
    door = limited(sites, Limits(rate=SMALL))
    found = [door.get(path, key=None).status_code for _ in range(31)]
    assert set(found[:30]) <= {401, 404}
    assert found[30] == 429
    assert statuses(door, 1) == [200]


def test_a_small_rate_closes_no_door_for_ever(sites: Service, windows: Standing) -> None:
    door = limited(sites, Limits(rate=1))
    assert door.ask("POST", "/v1/audit").status_code == 202
    assert statuses(door, 1) == [429]


@pytest.mark.parametrize("set_back", [3_600, 3])
def test_a_clock_that_is_set_back_refuses_nobody(windows: Standing, set_back: int) -> None:
    counts = SharedCounts()
    assert counts.incr("k", 10, 30) == 30
    windows.now -= set_back
    assert (counts.get("k"), counts.get_expiry("k")) == (0, windows.now)
    assert counts.incr("k", 10) == 1


def test_without_a_rate_nothing_is_counted(sites: Service) -> None:
    door = limited(sites, Limits(rate=0))
    answer = door.get("/v1/jobs")
    assert answer.status_code == 200
    assert not [name for name, _ in answer.headers if "ratelimit" in name.lower()]


def test_by_default_a_terminal_catches_up_a_shift_event_by_event() -> None:
    # A cut a minute, told by four events each, for 8 hours: 1,920 at once; ten such terminals of one key.
    assert RATE * WINDOW_SECONDS >= 10 * 8 * 60 * 4


# --- wrong keys -------------------------------------------------------------------------------------------------


def wrong(key_id: str, number: int = 0) -> str:
    return f"cut_{key_id}_wrong-{number}"


def id_of(door: Door, role: str) -> str:
    return door.keys[role].split("_")[1]


def tried(door: Door, keys: Iterable[str], **how: Any) -> list[int]:
    return [door.get("/v1/jobs", key=key, **how).status_code for key in keys]


def test_after_too_many_wrong_keys_an_address_is_refused_and_the_database_asked_about_a_few(
    sites: Service, windows: Standing
) -> None:
    door = limited(sites, Limits(failures=5))
    assert tried(door, [wrong("aaaaaaaa", each) for each in range(5)]) == [401] * 5
    answers, asked = [], []
    for each in range(LOOKS + 3):
        with statements(door.database) as seen:
            answers.append(door.get("/v1/jobs", key=wrong("aaaaaaaa", each)))
        asked.append(bool(seen))
    assert {(answer.status_code, answer.headers["Retry-After"]) for answer in answers} == {(429, "60")}
    assert asked == [True] * LOOKS + [False] * 3
    assert "from this address under the id of this key" in answers[0].get_json()["detail"]
    windows.now += 60
    assert tried(door, [wrong("aaaaaaaa")]) == [401]


def test_wrong_keys_of_one_terminal_lock_out_no_other(sites: Service, windows: Standing) -> None:
    door = limited(sites, Limits(failures=5))
    assert tried(door, [wrong("aaaaaaaa")] * 20) == [401] * 5 + [429] * 15
    assert tried(door, ["nonsense"] * 7) == [401] * 5 + [429] * 2
    # As a process that has just begun: none was right before.
    assert tried(door, ["reader", "terminal"]) == [200] * 2


def test_wrong_keys_from_elsewhere_under_the_id_of_a_key_do_not_lock_it_out(sites: Service, windows: Standing) -> None:
    door = limited(sites, Limits(failures=5))
    for each in range(20):
        elsewhere = {"REMOTE_ADDR": "203.0.113.66"}
        door.ask("GET", "/v1/jobs", key=wrong(id_of(door, "erp"), each), environ_overrides=elsewhere)
    assert tried(door, ["erp"]) == [200]


@pytest.mark.parametrize("ids", ["own", "many"])
def test_a_right_key_gets_in_within_a_second_or_so_whatever_was_tried_before(
    sites: Service, windows: Standing, ids: str
) -> None:
    door = limited(sites, Limits(failures=5))
    of = [id_of(door, "erp") if ids == "own" else f"id{each}" for each in range(70)]
    assert tried(door, [wrong(each) for each in of])[-1] == 429
    assert tried(door, ["erp"]) == [429]
    windows.now += 1
    assert tried(door, ["erp"]) == [200]


def test_an_address_that_tries_many_ids_is_refused_as_a_whole(sites: Service, windows: Standing) -> None:
    door = limited(sites, Limits(failures=5))
    answers = tried(door, [wrong(f"id{each}") for each in range(53)])
    assert answers == [401] * 50 + [429] * 3
    assert door.ask("GET", "/v1/jobs", environ_overrides={"REMOTE_ADDR": "198.51.100.7"}).status_code == 200


def test_a_key_that_was_right_lately_is_looked_at_whatever_comes_from_its_address(
    sites: Service, windows: Standing, monkeypatch: pytest.MonkeyPatch
) -> None:
    door = limited(sites, Limits(failures=5))
    assert tried(door, ["terminal"]) == [200]
    assert tried(door, [wrong(f"id{each}") for each in range(70)])[-1] == 429
    monkeypatch.setattr(asking, "REMEMBERED_SECONDS", -1.0)
    assert tried(door, ["terminal"] * 2) == [200] * 2
    assert tried(door, ["reader"]) == [429]
    # It is let through to be looked at, no more: once it is wrong itself, it is one of the others.
    path = f"/v1/keys/{id_of(door, 'terminal')}"
    assert door.ask("DELETE", path, environ_overrides={"REMOTE_ADDR": "::1"}).status_code == 204
    assert tried(door, ["terminal"] * 2) == [401, 429]


def test_no_key_at_all_is_no_guess(sites: Service) -> None:
    door = limited(sites, Limits(failures=2))
    assert statuses(door, 4, key=None) == [401] * 4


def test_behind_a_proxy_the_address_is_the_one_it_names(sites: Service) -> None:
    door = limited(sites, Limits(failures=2), hops=1)
    from_ = [{"X-Forwarded-For": f"192.0.2.9, 198.51.100.{each}"} for each in (1, 1, 1, 2)]
    answers = [door.get("/v1/jobs", key=wrong("aaaaaaaa"), headers=headers).status_code for headers in from_]
    assert answers == [401, 401, 429, 401]


@pytest.mark.parametrize(
    ("address", "stands_for"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        ("", "unknown"),
        ("192.0.2.7:4711", "192.0.2.7"),
        ("[2001:db8:1:2::9]:443", "2001:db8:1:2::/64"),
        ("[2001:db8:1:2::9]", "2001:db8:1:2::/64"),
        ("::1", "::/64"),
        (None, "unknown"),
        ("x" * 300, "unknown"),
    ],
)
def test_an_address_stands_for_its_host_or_its_network(address: str | None, stands_for: str) -> None:
    assert shortened(address) == stands_for


# --- through a folder -------------------------------------------------------------------------------------------


def test_processes_add_up_what_they_count_through_a_folder(windows: Standing, tmp_path: Path) -> None:
    one, other, third = SharedCounts(), SharedCounts(), SharedCounts()
    assert (one.incr("k", 10, 3), other.incr("k", 10, 4), other.incr("only there", 60, 9)) == (3, 4, 9)
    for _ in range(2):
        for each in (one, other, third):
            each.exchange_files(tmp_path)
    assert (one.get("k"), other.get("k"), one.get("only there"), other.get("only there")) == (7, 7, 0, 9)
    # What is asked for here for the first time is known from the next exchange on.
    assert third.incr("k", 10) == 1
    third.exchange_files(tmp_path)
    assert (third.get("k"), third.get_expiry("k")) == (8, windows.now + 10)
    windows.now += 10
    for _ in range(2):
        for each in (one, other, third):
            each.exchange_files(tmp_path)
    assert (one.get("k"), one.incr("k", 10), other.get("only there")) == (0, 1, 9)
    one.exchange_files(tmp_path)
    assert one.get("k") == 1


def test_a_limit_holds_for_all_processes_of_a_server(tmp_path: Path) -> None:
    with serving(tmp_path, "--quiet", "--rate", "100") as server:
        database = Database(f"sqlite:///{tmp_path / 'data' / DATABASE_FILE}")
        key = key_for(database, "erp")
        database.close()
        few = cut_over_the_wire(1)
        many = [cut_over_the_wire(number) for number in range(40)]

        def counts_all() -> bool:
            # A process by itself answers no more than some twenty times what is read in a window.
            for body in (few, few, few, few, many):
                assert server.ask("POST", "/v1/events", key=key, body=body).status == 202
            time.sleep(EXCHANGE_SECONDS)
            answer = server.ask("GET", "/v1/jobs", key=key)
            return int(re.findall(r";r=(\d+)", answer.headers["ratelimit"])[0]) < 1_000 - 30

        wait_until(counts_all, what="a count of what all processes answered")
        assert server.end() == 0


# --- over the broker --------------------------------------------------------------------------------------------


def test_processes_add_up_what_they_count_over_the_broker(windows: Standing) -> None:
    redis, one, other = FakeRedis(), SharedCounts(), SharedCounts()
    assert (one.incr("k", 10, 3), other.incr("k", 10, 4)) == (3, 4)
    one.exchange(redis)
    other.exchange(redis)
    assert (one.get("k"), other.get("k")) == (3, 7)
    assert one.incr("k", 10) == 4
    one.exchange(redis)
    assert (one.get("k"), one.get_expiry("k")) == (8, windows.now + 10)
    (name,) = redis.keys()
    assert 0 < redis.ttl(name) <= 12
    windows.now += 10
    assert (one.get("k"), one.incr("k", 10)) == (0, 1)


def test_what_the_broker_did_not_take_is_sent_again(windows: Standing) -> None:
    counts, server = SharedCounts(), FakeServer()
    redis = FakeRedis(server=server)
    counts.incr("k", 10, 3)
    server.connected = False
    with pytest.raises(BrokerGone):
        counts.exchange(redis)
    assert counts.get("k") == 3
    server.connected = True
    counts.exchange(redis)
    counts.exchange(redis)
    assert (counts.get("k"), [redis.hvals(name) for name in redis.scan_iter()]) == (3, [[b"3"]])


def test_what_the_broker_took_but_was_slow_to_say_counts_once(windows: Standing) -> None:
    class Late(FakeRedis):
        def pipeline(self, transaction: bool = True, shard_hint: Any = None) -> Any:
            pipeline = super().pipeline(transaction, shard_hint)
            execute = pipeline.execute

            def late() -> None:
                execute()
                raise TimeoutError("answered late")

            pipeline.execute = late
            return pipeline

    server, counts = FakeServer(), SharedCounts()
    counts.incr("k", 10, 3)
    for _ in range(3):
        with pytest.raises(TimeoutError):
            counts.exchange(Late(server=server))
    counts.exchange(FakeRedis(server=server))
    assert counts.get("k") == 3


def test_what_is_counted_has_bounds(windows: Standing, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shared_counts, "_MOST", 10)
    counts = SharedCounts()
    for each in range(10):
        counts.incr(f"old {each}", 10)
    windows.now += 10
    for each in range(10):
        counts.incr(f"new {each}", 10)
    assert counts.reset() == 10
    for each in range(25):
        counts.incr(f"{each}", 10)
    assert counts.reset() == 5


@pytest.mark.parametrize("broker", ["gone", "hung"])
def test_no_answer_waits_for_a_broker(
    sites: Service, windows: Standing, monkeypatch: pytest.MonkeyPatch, broker: str
) -> None:
    monkeypatch.setattr(shared_counts, "EXCHANGE_SECONDS", 0.0)
    monkeypatch.setattr(shared_counts, "_BROKER_SECONDS", 0.05)
    connected: list[str] = []
    connect = socket.socket.connect

    def noted(sock: socket.socket, address: Any) -> None:
        connected.append(threading.current_thread().name)
        connect(sock, address)

    # It takes connections, and never answers.
    with socket.socket() as hung:
        hung.bind(("127.0.0.1", 0))
        hung.listen()
        port = hung.getsockname()[1] if broker == "hung" else free_port()
        monkeypatch.setattr(socket.socket, "connect", noted)
        door = limited(sites, Limits(rate=SMALL), broker_url=f"redis://127.0.0.1:{port}/0")
        assert statuses(door, 15) == [200] * 15
        wait_until(lambda: bool(connected), what="a look for the broker")
        assert statuses(door, 16) == [200] * 15 + [429]
        assert set(connected) == {"cutledger-counts"}
        door.client.application.extensions["cutledger"].rates.close()
