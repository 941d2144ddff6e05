"""How much may be asked, and how many wrong keys may be tried; with the broker gone or hung nobody waits for it.

RateLimit fields: draft-ietf-httpapi-ratelimit-headers-09 (structured fields, RFC 9651). How much is allowed: common
practice, no source.
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from fakeredis import FakeRedis, FakeServer
from redis import ConnectionError as BrokerGone

from service import asking, shared_counts
from service.app import create_app
from service.rates import RATE, WINDOW_SECONDS, Limits, Rates, shortened
from service.shared_counts import SharedCounts
from tests.builders import embedded
from tests.service.conftest import Clock, Door, Service, cut, statements
from tests.service.serving import free_port, wait_until
from worker.database import Database

#: Ten times this may be spent within a window.
SMALL = 3
WRONG = "cut_aaaaaaaa_no-such-key"


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
    # However many events a post holds
    assert door.post([cut(f"A{each}") for each in range(50)]).headers["RateLimit"].startswith('"key";r=18;')


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


def test_without_a_rate_nothing_is_counted(sites: Service) -> None:
    door = limited(sites, Limits(rate=0))
    answer = door.get("/v1/jobs")
    assert answer.status_code == 200
    assert not [name for name, _ in answer.headers if "ratelimit" in name.lower()]


def test_by_default_a_terminal_catches_up_a_shift_event_by_event() -> None:
    # A cut a minute, told by four events each, for 8 hours: 1,920 at once; ten such terminals of one key.
    assert RATE * WINDOW_SECONDS >= 10 * 8 * 60 * 4


# --- wrong keys -------------------------------------------------------------------------------------------------


def test_after_too_many_wrong_keys_an_address_is_refused_without_asking_the_database(
    sites: Service, windows: Standing
) -> None:
    door = limited(sites, Limits(failures=5))
    tried = [f"cut_{letter * 8}_wrong" for letter in "abcdef"]
    assert [door.get("/v1/jobs", key=key).status_code for key in tried[:5]] == [401] * 5
    with statements(door.database) as asked:
        answer = door.get("/v1/jobs", key=tried[5])
    assert (answer.status_code, answer.headers["Retry-After"], len(asked)) == (429, "60", 0)
    assert "from this address" in answer.get_json()["detail"]
    # A right one as well, unless it was right lately: it could be a guess.
    assert statuses(door, 1) == [429]
    assert door.ask("GET", "/v1/jobs", environ_overrides={"REMOTE_ADDR": "198.51.100.7"}).status_code == 200
    windows.now += 60
    assert statuses(door, 1) == [200]


def test_a_key_that_was_right_lately_is_not_locked_out_by_another_terminal(
    sites: Service, windows: Standing, monkeypatch: pytest.MonkeyPatch
) -> None:
    door = limited(sites, Limits(failures=5))
    assert statuses(door, 1, key="terminal") == [200]
    assert statuses(door, 7, key=WRONG) == [401] * 5 + [429] * 2
    monkeypatch.setattr(asking, "REMEMBERED_SECONDS", -1.0)
    assert statuses(door, 2, key="terminal") == [200] * 2
    assert statuses(door, 1, key="reader") == [429]
    # It is let through to be looked at, no more: once it is wrong itself, it is one of the others.
    revoked = door.keys["terminal"].split("_")[1]
    assert door.ask("DELETE", f"/v1/keys/{revoked}", environ_overrides={"REMOTE_ADDR": "::1"}).status_code == 204
    assert statuses(door, 2, key="terminal") == [401, 429]


def test_too_many_wrong_keys_under_one_visible_id_are_refused_wherever_they_come_from(
    sites: Service, windows: Standing
) -> None:
    door = limited(sites, Limits(failures=5))
    key_id = door.keys["admin"].split("_")[1]
    answers = [
        door.ask("GET", "/v1/jobs", key=f"cut_{key_id}_x{each}", environ_overrides={"REMOTE_ADDR": f"10.0.0.{each}"})
        for each in range(6)
    ]
    assert [answer.status_code for answer in answers] == [401] * 5 + [429]
    assert "under the id of this key" in answers[-1].get_json()["detail"]
    assert statuses(door, 1, key="reader") == [200]


def test_no_key_at_all_is_no_guess(sites: Service) -> None:
    door = limited(sites, Limits(failures=2))
    assert statuses(door, 4, key=None) == [401] * 4


def test_behind_a_proxy_the_address_is_the_one_it_names(sites: Service) -> None:
    door = limited(sites, Limits(failures=2), hops=1)
    from_ = [{"X-Forwarded-For": f"192.0.2.9, 198.51.100.{each}"} for each in (1, 1, 1, 2)]
    assert [door.get("/v1/jobs", key=WRONG[:9] + str(n), headers=f).status_code for n, f in enumerate(from_)] == [
        401, 401, 429, 401
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("address", "stands_for"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        ("", "unknown"),
        (None, "unknown"),
        ("x" * 300, "unknown"),
    ],
)
def test_an_address_stands_for_its_host_or_its_network(address: str | None, stands_for: str) -> None:
    assert shortened(address) == stands_for


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
    assert (counts.get("k"), [int(redis.get(name)) for name in redis.scan_iter()]) == (3, [3])


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
