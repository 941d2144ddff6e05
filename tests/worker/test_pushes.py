"""Pushes: said with what they tell of, delivered at least once to receivers that behave well, badly or not at all."""

from __future__ import annotations

import itertools
import json
import socket
import ssl
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event, func, insert, select
from standardwebhooks.webhooks import Webhook

from tests import builders
from tests.builders import NOW_US
from tests.conftest import Sites
from tests.receivers import HOST, OK, Behaviour, answering, closing, on_loopback, receiving, status
from worker import delivering
from worker.database import Database
from worker.delivering import Deliverer, Sent, send_next, wall_us
from worker.pushes import addresses, deliveries, posting, webhooks
from worker.pushes.addresses import AddressRefused, Allowed, Resolver, checked, read_url
from worker.pushes.deliveries import DELAYS, HELD_US, MOST_PATIENCE_US, Delivery
from worker.pushes.posting import MOST_BYTES, Outcome
from worker.pushes.saying import DEAD, DELIVERED, ENDED, JOB_ENDED, JOB_SHORT, WAITING, push_id, say
from worker.pushes.signing import shown
from worker.settings import LOOPBACK_VARIABLE
from worker.tables import pushes, week_revisions
from worker.tables import webhooks as webhook_rows

HOUR_US = 3_600 * 1_000_000
DAY_US = 24 * HOUR_US
#: As long as a try takes here at most: the tests' receivers are on this machine.
SECONDS = 0.4


@pytest.fixture(autouse=True)
def _loopback_is_allowed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(LOOPBACK_VARIABLE, "1")


@dataclass
class Pushing:
    """A site with one webhook, and a clock that stands."""

    database: Database
    site: str
    webhook: str
    secret: str
    now_us: int = NOW_US
    said: int = 0

    def say(self, count: int = 1, *, topic: str = JOB_ENDED, key: str | None = None) -> None:
        with self.database.write() as connection:
            for _ in range(count):
                self.said += 1
                data = {"job": f"J-{self.said}", "to_make": 0}
                say(connection, self.site, topic, key or f"J-{self.said} 1", data, self.now_us)

    def send(self, *, resolve: Resolver = on_loopback, seconds: float = SECONDS) -> Sent | None:
        return send_next(
            self.database, self.site, self.webhook, clock=lambda: self.now_us, resolve=resolve, seconds=seconds
        )

    def all(self, *states: str) -> list[Delivery]:
        with self.database.read() as connection:
            found, _ = deliveries.page(connection, self.site, self.webhook, states=states)
        return found[::-1]

    def only(self) -> Delivery:
        (found,) = self.all()
        return found

    def shown(self) -> webhooks.Webhook:
        with self.database.read() as connection:
            found = webhooks.known(connection, self.site, self.webhook)
        assert found is not None
        return found

    def act(self, act: Callable[..., Any], *given: Any) -> Any:
        with self.database.write() as connection:
            return act(connection, self.site, self.webhook, *given, now_us=self.now_us)

    def tries(self, most: int = 20) -> list[int]:
        """Send whenever it is due, moving the clock there; returns after how long each try came, in seconds."""
        waits = []
        for _ in range(most):
            found = self.only()
            if found.due_us is None:
                break
            waits.append((found.due_us - self.now_us) // 1_000_000)
            self.now_us = max(self.now_us, found.due_us)
            assert self.send()
        return waits


def pushing(sites: Sites, url: str, *, topics: tuple[str, ...] = (JOB_ENDED,), site: str | None = None) -> Pushing:
    site = site or sites.new()
    allow = builders.event("site.set", site, valid_from="2000-01-01", webhook_hosts=[HOST])
    builders.append(sites.database, [allow], site=site)
    builders.count(sites.database, site=site)
    with sites.database.write() as connection:
        made, secret = webhooks.make(
            connection, site, name="orders", url=url, topics=topics, created_by="k7m2q9xa", now_us=NOW_US
        )
    return Pushing(sites.database, site, made.webhook, secret)


# --- said -------------------------------------------------------------------------------------------------------


def test_what_is_said_is_pushed_once_to_each_webhook_for_its_topic_if_it_is_committed(sites: Sites) -> None:
    shop = pushing(sites, f"http://{HOST}:8443/")
    other = pushing(sites, f"http://{HOST}:8443/", topics=(JOB_SHORT, JOB_ENDED), site=shop.site)
    for _ in range(2):
        shop.say(key="J-1 1")
    shop.say(topic=JOB_SHORT)
    with suppress(RuntimeError), sites.database.write() as connection:
        say(connection, shop.site, JOB_ENDED, "J-2 1", {}, NOW_US)
        raise RuntimeError("the change is undone")
    assert [(each.number, each.topic, each.state) for each in shop.all()] == [(1, JOB_ENDED, WAITING)]
    assert [(each.number, each.topic) for each in other.all()] == [(1, JOB_ENDED), (2, JOB_SHORT)]
    assert shop.only().push == other.all()[0].push
    assert (shop.shown().pushed, other.shown().pushed) == (1, 2)


def test_nothing_is_stored_for_nobody(sites: Sites) -> None:
    shop = pushing(sites, f"http://{HOST}:8443/", topics=(JOB_SHORT,))
    shop.say(3)
    with sites.database.read() as connection:
        stored = select(func.count()).select_from(pushes).where(pushes.c.site == shop.site)
        assert connection.execute(stored).scalar_one() == 0


def test_a_fact_has_another_id_in_each_site_topic_and_installation() -> None:
    words = itertools.product((b"a", b"b"), "mn", "rs", "tu")
    ids = {push_id(secret, site, series, topic, "J") for secret, site, series, topic in words}
    assert len(ids) == 16
    assert all(len(each) == 36 and "." not in each for each in ids)


def test_who_says_at_once_gives_each_number_once(sites: Sites) -> None:
    shop = pushing(sites, f"http://{HOST}:8443/")

    def many(name: str) -> None:
        for number in range(10):
            with sites.database.write() as connection:
                say(connection, shop.site, JOB_ENDED, f"{name}{number}", {}, NOW_US)

    threads = [threading.Thread(target=many, args=(name,)) for name in "abc"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [each.number for each in shop.all()] == list(range(1, 31))


def test_who_says_the_same_at_once_says_it_once(sites: Sites) -> None:
    shop = pushing(sites, f"http://{HOST}:8443/")
    begun = threading.Event()
    faults: list[Exception] = []

    def say_it() -> None:
        begun.set()
        try:
            shop.say(key="J-1 1")
        except Exception as fault:
            faults.append(fault)

    other = threading.Thread(target=say_it)
    with sites.database.write() as connection:
        say(connection, shop.site, JOB_ENDED, "J-1 1", {}, NOW_US)
        other.start()
        assert begun.wait(5)
        other.join(0.1)
    other.join(20)
    assert (faults, [each.number for each in shop.all()]) == ([], [1])


def test_a_webhook_that_is_made_waits_for_what_is_being_said_and_misses_nothing_after_it(sites: Sites) -> None:
    site = sites.new()
    made: list[str] = []

    def make() -> None:
        with sites.database.write() as connection:
            given = {"name": "n", "url": "https://e.example/", "topics": [JOB_ENDED], "created_by": "k"}
            hook, _ = webhooks.make(connection, site, **given, now_us=NOW_US)
            made.append(hook.webhook)

    other = threading.Thread(target=make)
    with sites.database.write() as connection:
        # To nobody; whoever comes before it is committed would be told of neither.
        say(connection, site, JOB_ENDED, "J-1 1", {}, NOW_US)
        other.start()
        other.join(0.2)
        assert made == []
    other.join(20)
    assert len(made) == 1
    with sites.database.write() as connection:
        say(connection, site, JOB_ENDED, "J-2 1", {}, NOW_US)
    with sites.database.read() as connection:
        assert [each.number for each in deliveries.page(connection, site, made[0])[0]] == [1]


def test_those_who_make_webhooks_at_once_make_no_more_than_there_may_be(
    sites: Sites, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(webhooks, "MOST_WEBHOOKS", 2)
    shop = pushing(sites, f"http://{HOST}:8443/")
    ready = threading.Barrier(3)

    def make() -> None:
        given = {"name": "n", "url": "https://e.example/", "topics": [JOB_ENDED], "created_by": "k"}
        ready.wait()
        with suppress(webhooks.TooManyWebhooks), sites.database.write() as connection:
            webhooks.make(connection, shop.site, **given, now_us=NOW_US)

    threads = [threading.Thread(target=make) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with sites.database.read() as connection:
        assert len(webhooks.of_site(connection, shop.site)) == 2


# --- delivered --------------------------------------------------------------------------------------------------


def test_a_push_is_one_signed_request_that_the_specifications_library_accepts(sites: Sites) -> None:
    with receiving() as receiver:
        shop = pushing(sites, receiver.url)
        shop.now_us = wall_us()
        shop.say()
        assert shop.send()
        assert not shop.send()
        (pushed,) = receiver.pushed
        assert Webhook(shop.secret).verify(pushed.body, pushed.headers)["type"] == JOB_ENDED
        assert pushed.line == "POST /pushes HTTP/1.1"
        assert pushed.headers["host"] == f"{HOST}:{receiver.port}"
        assert pushed.headers["content-type"] == "application/json"
        assert pushed.headers["user-agent"] == "Cutledger"
        body = json.loads(pushed.body)
        assert set(body) == {"type", "timestamp", "data"}
        assert body["data"] == {"site": shop.site, "job": "J-1", "to_make": 0}
        found = shop.only()
        assert (found.state, found.status, found.reason, found.due_us) == (DELIVERED, 204, None, None)
        assert [(each.number, each.status, each.reason) for each in found.tries] == [(1, 204, None)]
        assert pushed.headers["webhook-id"] == found.push


def test_pushes_come_in_the_order_of_their_numbers_and_one_that_failed_comes_later(sites: Sites) -> None:
    with receiving(OK, status(500)) as receiver:
        shop = pushing(sites, receiver.url)
        shop.say(4)
        while shop.send():
            pass
        shop.now_us += 10 * 1_000_000
        assert shop.send()
        assert [json.loads(each.body)["data"]["job"] for each in receiver.pushed] == ["J-1", "J-2", "J-3", "J-4", "J-2"]
        assert {each.state for each in shop.all()} == {DELIVERED}


@pytest.mark.parametrize("failures", [1, 3])
def test_a_receiver_that_fails_some_times_gets_it_under_the_same_id(sites: Sites, failures: int) -> None:
    with receiving(*[status(500)] * failures) as receiver:
        shop = pushing(sites, receiver.url)
        shop.say()
        shop.tries()
        found = shop.only()
        assert (found.state, found.tries_made) == (DELIVERED, failures + 1)
        assert [each.status for each in found.tries] == [500] * failures + [204]
        assert {each.headers["webhook-id"] for each in receiver.pushed} == {found.push}
        # Each is signed for its own time, by which a receiver tells it from one that is played back.
        assert len({each.headers["webhook-timestamp"] for each in receiver.pushed}) == failures + 1


def test_a_receiver_that_always_fails_is_given_up_after_three_days_with_the_reason(sites: Sites) -> None:
    with receiving(then=status(500)) as receiver:
        shop = pushing(sites, receiver.url)
        shop.say()
        waits = shop.tries()
        # The example schedule of the specification (spec/standard-webhooks.md, "Deliverability and reliability").
        usual = [0, 5, 300, 1_800, 7_200, 18_000, 36_000, 50_400, 72_000, 86_400]
        assert list(DELAYS) == usual[1:]
        assert all(0.9 * each - 1 <= wait <= 1.1 * each for each, wait in zip(usual, waits, strict=True))
        assert 66 * HOUR_US < shop.now_us - NOW_US < 84 * HOUR_US
        found = shop.only()
        assert (found.state, found.status, found.due_us) == (DEAD, 500, None)
        assert found.reason == "answered 500, at the last of 10 tries"
        assert shop.shown().paused_because == "nothing was delivered while delivery 1 was tried 10 times"
        shop.say()
        assert not shop.send()
        assert len(receiver.pushed) == 10


def test_a_dead_delivery_pauses_no_webhook_that_takes_others(sites: Sites) -> None:
    with receiving(*[status(400)] * 9, OK, then=status(400)) as receiver:
        shop = pushing(sites, receiver.url)
        shop.say()
        shop.tries(9)
        shop.say()
        shop.now_us += 1
        assert shop.send()
        shop.now_us = shop.all(WAITING)[0].due_us or 0
        assert shop.send()
        assert [each.state for each in shop.all()] == [DEAD, DELIVERED]
        assert shop.shown().paused_us is None


def test_gone_pauses_and_what_waits_is_sent_once_it_is_resumed(sites: Sites) -> None:
    with receiving(status(410)) as receiver:
        shop = pushing(sites, receiver.url)
        shop.say(2)
        assert shop.send()
        assert shop.shown().paused_because == "the receiver answered 410 Gone"
        assert [(each.state, each.due_us) for each in shop.all()] == [(WAITING, None)] * 2
        shop.say()
        shop.now_us += DAY_US
        assert not shop.send()
        shop.act(webhooks.resume)
        while shop.send():
            pass
        assert [each.state for each in shop.all()] == [DELIVERED] * 3


def test_a_receiver_may_ask_for_patience(sites: Sites) -> None:
    with receiving(status(429, "Retry-After: 7200")) as receiver:
        shop = pushing(sites, receiver.url)
        shop.say()
        assert shop.send()
        found = shop.only()
        assert (found.reason, found.due_us) == ("answered 429", NOW_US + 2 * HOUR_US)


def test_patience_ends_with_the_time_that_there_is(sites: Sites) -> None:
    with receiving(then=status(503, "Retry-After: 86400")) as receiver:
        shop = pushing(sites, receiver.url)
        shop.say()
        shop.tries()
        assert (shop.only().state, shop.only().tries_made) == (DEAD, 5)
        assert shop.now_us - NOW_US == MOST_PATIENCE_US


def test_answers_that_announce_another_are_passed_over(sites: Sites) -> None:
    # RFC 9110, 15.2: a client must be able to take any number of 1xx before the final answer; 103 is of RFC 8297.
    hint = b"HTTP/1.1 103 Early Hints\r\nLink: </x>\r\n\r\n"
    final = b"HTTP/1.1 204 No Content\r\n\r\n"
    with receiving(answering(hint * 2 + final), answering(hint * 50 + final)) as receiver:
        shop = pushing(sites, receiver.url)
        shop.say(2)
        assert shop.send()
        assert shop.send()
        assert [(each.status, each.reason) for each in shop.all()] == [(204, None), (103, "answered 103")]


# --- receivers that are hostile ---------------------------------------------------------------------------------


def endless(connection: socket.socket) -> None:
    connection.sendall(b"HTTP/1.1 200 OK\r\n\r\n")
    while True:
        connection.sendall(b"x" * 65_536)


HEAD = b"HTTP/1.1 200 OK\r\n"
#: Behaviour, (status, what the reason begins with; None: it is delivered).
HOSTILE: dict[str, tuple[Behaviour | str, int | None, str | None]] = {
    "hangs": ("hanging", None, "no answer within"),
    "trickles a header": ("trickling", None, "no answer within"),
    "closes early": (closing, None, "the connection was closed"),
    "closes in the header": (answering(b"HTTP/1.1 200 OK\r\nX: y"), 200, None),
    "no HTTP": (answering(b"220 mail.example ESMTP\r\n"), None, "the answer is no HTTP"),
    "no status": (answering(b"HTTP/1.1 two OK\r\n\r\n"), None, "the answer is no HTTP"),
    "length too long": (answering(HEAD + b"Content-Length: 1000000000000\r\n\r\nshort"), 200, None),
    "length too short": (answering(HEAD + b"Content-Length: 1\r\n\r\n" + b"long" * 100), 200, None),
    "length no number": (answering(HEAD + b"Content-Length: -5\r\n\r\nx"), 200, None),
    "chunks wrong": (answering(HEAD + b"Transfer-Encoding: chunked\r\n\r\nzz\r\n"), 200, None),
    "a bomb": (answering(HEAD + b"Content-Encoding: gzip\r\n\r\n" + b"\x1f\x8b" * 50_000), 200, None),
    "endless body": (endless, 200, None),
    "endless header": (answering(HEAD + b"X: " + b"y" * 100_000), None, "the header of the answer is longer"),
    "many headers": (answering(HEAD + b"X: y\r\n" * 200 + b"\r\n"), None, "the answer is no HTTP"),
    "goes on for ever": (answering(b"HTTP/1.1 100 Continue\r\n\r\n" * 5_000), None, "the header of the answer is"),
    "redirects": (status(302, "Location: http://127.0.0.1/"), 302, "answered 302: redirects are not followed"),
    "status of no kind": (status(999), 999, "answered 999"),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_receiver_is_a_failed_try_with_its_reason_and_nothing_worse(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    behaviour, code, reason = HOSTILE[name]
    read: list[int] = []
    reading = posting._Bounded.readinto

    def counted(self: Any, buffer: Any) -> int:
        read.append(reading(self, buffer))
        return read[-1]

    monkeypatch.setattr(posting._Bounded, "readinto", counted)
    monkeypatch.setattr(posting, "_REST_SECONDS", 0.05)
    # Odd, so that no whole number of reads fits.
    monkeypatch.setattr(posting, "MOST_BYTES", MOST_BYTES - 99)
    with receiving(then=behaviour) as receiver:
        target = read_url(receiver.url)
        found = checked(target, Allowed.of([HOST], loopback=True), on_loopback)
        outcome = posting.post(target, found, {"webhook-id": "msg"}, b"{}", seconds=SECONDS)
    assert outcome.status == code
    assert (outcome.reason is None, (outcome.reason or "")[: len(reason or "")]) == (reason is None, reason or "")
    assert sum(read) <= MOST_BYTES - 99


def test_a_redirect_leads_nowhere(sites: Sites) -> None:
    with receiving() as inside, receiving(then=status(307, f"Location: http://127.0.0.1:{inside.port}/")) as receiver:
        shop = pushing(sites, receiver.url)
        shop.say()
        assert shop.send()
        assert inside.pushed == []
        assert len(receiver.pushed) == 1


def test_nobody_listens(sites: Sites) -> None:
    with receiving() as receiver:
        url = receiver.url
    shop = pushing(sites, url)
    shop.say()
    assert shop.send()
    assert shop.only().reason == "the connection was refused"


# --- where to ---------------------------------------------------------------------------------------------------


def test_a_name_is_resolved_once_and_the_connection_goes_there(sites: Sites) -> None:
    asked: list[str] = []

    def rebinding(host: str, _port: int) -> list[str]:
        asked.append(host)
        return ["127.0.0.1"] if len(asked) == 1 else ["169.254.169.254"]

    with receiving() as receiver:
        shop = pushing(sites, receiver.url)
        shop.say()
        assert shop.send(resolve=rebinding)
        assert (len(asked), len(receiver.pushed), shop.only().state) == (1, 1, DELIVERED)


def test_a_name_that_leads_inside_by_now_is_refused_before_anything_is_sent(sites: Sites) -> None:
    with receiving() as receiver:
        url = f"https://elsewhere.test:{receiver.port}/"
        # As it was when it was made.
        assert checked(read_url(url), Allowed(), lambda *_: ["8.8.8.8"])
        shop = pushing(sites, url)
        shop.say()
        for found in (["127.0.0.1"], ["8.8.8.8", "127.0.0.1"], ["::ffff:127.0.0.1"]):
            shop.now_us += HOUR_US
            assert shop.send(resolve=lambda *_, given=found: given)
            assert "inside of a plant" in (shop.only().reason or "")
        assert receiver.pushed == []


def test_what_the_site_allows_no_more_is_refused(sites: Sites) -> None:
    with receiving() as receiver:
        shop = pushing(sites, receiver.url)
        none = builders.event("site.set", shop.site, time="2026-03-05T10:00:00Z", valid_from="2000-01-01",
                              webhook_hosts=[])  # fmt: skip
        builders.append(sites.database, [none], site=shop.site)
        builders.count(sites.database, site=shop.site)
        shop.say()
        assert shop.send()
        assert "must begin with https" in (shop.only().reason or "")
        assert receiver.pushed == []


def test_of_several_addresses_one_that_hangs_leaves_time_to_the_next() -> None:
    with receiving() as receiver, socket.socket() as full:
        full.bind(("127.0.0.2", receiver.port))
        full.listen(0)
        # Its queue is full, so that no connection to it comes about (common practice, no source).
        waiting = [socket.socket() for _ in range(4)]
        for each in waiting:
            each.setblocking(False)
            each.connect_ex(("127.0.0.2", receiver.port))
        both = [ip_address("127.0.0.2"), ip_address("127.0.0.1")]
        outcome = posting.post(read_url(receiver.url), both, {}, b"{}", seconds=1)
        for each in waiting:
            each.close()
    assert outcome == Outcome(204, None)


def test_a_resolver_that_hangs_costs_a_try_and_no_more(sites: Sites, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(addresses, "FIND_SECONDS", 0.05)
    monkeypatch.setattr(addresses, "_MOST_LOOKUPS", 1)
    ended = threading.Event()

    def hanging(_host: str, _port: int) -> list[str]:
        ended.wait(20)
        return ["127.0.0.1"]

    shop = pushing(sites, f"http://{HOST}:8443/")
    shop.say(2)
    for _ in range(2):
        assert shop.send(resolve=hanging)
    assert {each.reason for each in shop.all()} == {f"the address names a host that cannot be found in time: {HOST}"}
    # Both wait for one look-up; another host finds no room.
    assert len(addresses._looked_up) == 1
    with pytest.raises(AddressRefused, match="in time"):
        checked(read_url("https://other.test/"), Allowed(), on_loopback)
    (look_up,) = addresses._looked_up.values()
    ended.set()
    assert look_up.done.wait(5)
    assert not addresses._looked_up


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A certificate for receiver.test that it signed itself, and its key."""
    folder = tmp_path_factory.mktemp("tls")
    certificate, key = folder / "certificate.pem", folder / "key.pem"
    command = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
               "-days", "2", "-subj", f"/CN={HOST}", "-addext", f"subjectAltName=DNS:{HOST}",
               "-keyout", str(key), "-out", str(certificate)]  # fmt: skip
    subprocess.run(command, check=True, capture_output=True)
    return certificate, key


@pytest.mark.parametrize(
    ("host", "trusted", "reason"),
    [(HOST, True, None), (HOST, False, "the certificate is not accepted"), ("other.test", True, "the certificate is")],
    ids=["right", "unknown", "other name"],
)
def test_over_tls_the_certificate_must_be_that_of_the_name(
    certificate: tuple[Path, Path], host: str, trusted: bool, reason: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    context = ssl.create_default_context(cafile=str(certificate[0]) if trusted else None)
    monkeypatch.setattr(posting, "_tls", lambda: context)
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server.load_cert_chain(*certificate)
    with receiving() as receiver:
        receiver.prepare = lambda connection: server.wrap_socket(connection, server_side=True)
        target = read_url(f"https://{host}:{receiver.port}/")
        found = checked(target, Allowed.of([host], loopback=True), on_loopback)
        outcome = posting.post(target, found, {"webhook-id": "msg"}, b"{}", seconds=5)
    assert outcome.status == (None if reason else 204)
    assert (outcome.reason or "").startswith(reason or "")
    assert len(receiver.pushed) == (reason is None)


def test_what_speaks_no_tls_is_no_receiver() -> None:
    with receiving() as receiver:
        receiver.prepare = _refusing
        target = read_url(f"https://{HOST}:{receiver.port}/")
        outcome = posting.post(
            target, checked(target, Allowed.of([HOST], loopback=True), on_loopback), {}, b"{}", seconds=5
        )
    assert (outcome.reason or "").startswith("no TLS connection")


def _refusing(connection: socket.socket) -> socket.socket:
    connection.sendall(b"HTTP/1.1 400 No\r\n\r\n")
    raise OSError("what came was no HTTP")


# --- who sends --------------------------------------------------------------------------------------------------


def test_a_delivery_is_held_by_one_and_falls_free_when_that_one_is_killed(sites: Sites) -> None:
    with receiving() as receiver:
        shop = pushing(sites, receiver.url)
        shop.say(2)
        killed = shop.act(deliveries.claim)
        outcome = delivering.send(
            killed, Allowed.of([HOST], loopback=True), resolve=on_loopback, at_us=shop.now_us, seconds=SECONDS
        )  # fmt: skip
        assert outcome == Outcome(204, None)
        # It was sent; what it came to is not written. Nobody sends it, nor what comes after it, while it may be held.
        assert not shop.send()
        shop.now_us += HELD_US
        while shop.send():
            pass
        assert [json.loads(each.body)["data"]["job"] for each in receiver.pushed] == ["J-1", "J-1", "J-2"]
        assert receiver.pushed[0].headers["webhook-id"] == receiver.pushed[1].headers["webhook-id"]
        # Were it alive after all, it would change nothing any more.
        with sites.database.write() as connection:
            late = Outcome(500, "answered 500")
            deliveries.finish(connection, killed, late, began_us=NOW_US, now_us=shop.now_us, chance=0.5)
        assert [(each.state, each.tries_made) for each in shop.all()] == [(DELIVERED, 1)] * 2


def test_while_one_is_under_way_no_other_of_its_webhook_is_sent(sites: Sites) -> None:
    with receiving(status(500)) as receiver:
        shop = pushing(sites, receiver.url)
        shop.say(2)
        assert shop.send()
        assert shop.act(deliveries.claim).number == 2
        # The first is due again, and free.
        shop.now_us += 10 * 1_000_000
        assert shop.act(deliveries.claim) is None
        with sites.database.read() as connection:
            assert (shop.site, shop.webhook) not in deliveries.due(connection, now_us=shop.now_us)


def test_of_many_that_claim_at_once_one_has_it(sites: Sites) -> None:
    shop = pushing(sites, f"http://{HOST}:8443/")
    shop.say(3)
    claimed: list[Any] = []
    ready = threading.Barrier(4)

    def take() -> None:
        ready.wait()
        claimed.append(shop.act(deliveries.claim))

    threads = [threading.Thread(target=take) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [each.number for each in claimed if each is not None] == [1]


@pytest.fixture
def delivering_now(sites: Sites) -> Iterator[Deliverer]:
    made = Deliverer(sites.database, resolve=on_loopback, look_seconds=0.02, most_seconds=5)
    made.start()
    yield made
    made.stop(timeout=10)
    assert not made.running


def until(holds: Callable[[], Any]) -> None:
    waiting = threading.Event()
    for _ in range(1_000):
        if holds():
            return
        waiting.wait(0.02)
    raise AssertionError("it did not come")


def test_receivers_that_hang_hold_up_neither_the_others_nor_counting(sites: Sites, delivering_now: Deliverer) -> None:
    with receiving(then="hanging") as hanging, receiving() as healthy:
        first = pushing(sites, hanging.url)
        hung = [first, *(pushing(sites, hanging.url, site=first.site) for _ in range(9))]
        well = pushing(sites, healthy.url, site=first.site)
        well.now_us = wall_us()
        well.say(5)
        until(lambda: len(hanging.pushed) == len(hung))
        until(lambda: [each.state for each in well.all()] == [DELIVERED] * 5)
        assert [each.state for one in hung for each in one.all()] == [WAITING] * 5 * len(hung)
        cut = builders.event("attempt.finished", "A", outcome="severed", quantity=1, good=1)
        builders.append(sites.database, [cut], site=first.site)
        assert builders.count(sites.database, site=first.site) == 1
        # As a sender that is on its way: each webhook has its own, and no more than one.
        assert len(hanging.pushed) == len(hung)
        hanging.plan = iter([OK] * 100)
        hanging.ended.set()


def test_webhooks_whose_last_try_failed_leave_senders_to_the_others(
    sites: Sites, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(delivering, "SENDERS", 3)
    monkeypatch.setattr(delivering, "DOUBTFUL_SENDERS", 2)
    made = Deliverer(sites.database)
    made._doubtful = {("s", name) for name in "abcd"}
    made._senders = {("s", name): threading.current_thread() for name in "ab"}
    assert not made._has_room(("s", "c"))
    assert made._has_room(("s", "e"))
    made._senders[("s", "e")] = threading.current_thread()
    assert not made._has_room(("s", "f"))


def test_receivers_that_hang_take_turns_with_one_that_failed_once(
    sites: Sites, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(delivering, "DOUBTFUL_SENDERS", 2)
    with receiving(then="hanging") as hanging, receiving(status(503)) as once:
        hung = [pushing(sites, hanging.url) for _ in range(3)]
        well = pushing(sites, once.url)
        for each in hung:
            each.say(50)
        well.say()
        made = Deliverer(sites.database, clock=lambda: NOW_US, resolve=on_loopback, most_seconds=0.1)
        made._doubtful = {(each.site, each.webhook) for each in (*hung, well)}
        right = delivering.due
        # The others belong to other tests.
        monkeypatch.setattr(
            delivering, "due", lambda *given, **named: [each for each in right(*given, **named) if each in ours]
        )
        ours = set(made._doubtful)

        def looked() -> bool:
            made.look()
            return well.only().tries_made > 0

        until(looked)
        made.stop(timeout=10)
        # Each of them had a turn or two, of one try.
        assert len(hanging.pushed) <= 10


def test_one_that_is_slow_is_doubtful_like_one_that_fails(sites: Sites, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(delivering, "SLOW_SECONDS", 0.0)
    with receiving() as receiver:
        shop = pushing(sites, receiver.url)
        shop.say(3)
        made = Deliverer(sites.database, clock=lambda: NOW_US, resolve=on_loopback)
        made._send_turn(shop.site, shop.webhook)
        assert (len(receiver.pushed), made._doubtful) == (1, {(shop.site, shop.webhook)})
        monkeypatch.setattr(delivering, "SLOW_SECONDS", 5.0)
        made._send_turn(shop.site, shop.webhook)
        assert (len(receiver.pushed), made._doubtful) == (3, set())


def test_where_no_thread_can_be_had_a_sender_is_started_later(sites: Sites, monkeypatch: pytest.MonkeyPatch) -> None:
    made = Deliverer(sites.database)

    def failing(_thread: threading.Thread) -> None:
        raise RuntimeError("can't start new thread")

    monkeypatch.setattr(threading.Thread, "start", failing)
    with pytest.raises(RuntimeError):
        made._start_sender(("s", "a"))
    assert not made._senders


def test_a_fault_ends_no_deliverer(sites: Sites, monkeypatch: pytest.MonkeyPatch, caplog: Any) -> None:
    faults = [RuntimeError("a bug")]
    right = delivering.due

    def failing_once(*given: Any, **named: Any) -> Any:
        if faults:
            raise faults.pop()
        return right(*given, **named)

    monkeypatch.setattr(delivering, "due", failing_once)
    monkeypatch.setattr(delivering, "REST_SECONDS", 0.02)
    made = Deliverer(sites.database, resolve=on_loopback, look_seconds=0.02, most_seconds=5)
    with receiving() as receiver:
        shop = pushing(sites, receiver.url)
        shop.now_us = wall_us()
        shop.say()
        made.start()
        until(lambda: shop.only().state == DELIVERED)
        made.stop()
    assert "delivering failed" in caplog.text


def test_finding_what_is_due_costs_the_same_whatever_waits(sites: Sites) -> None:
    shop = pushing(sites, f"http://{HOST}:8443/")
    shop.say(3)
    statements: list[tuple[str, Any]] = []

    def note(_connection: Any, _cursor: Any, statement: str, given: Any, *_: Any) -> None:
        statements.append((statement, given))

    with sites.database.write() as connection:
        event.listen(connection, "before_cursor_execute", note)
        deliveries.due(connection, now_us=NOW_US)
        assert deliveries.claim(connection, shop.site, shop.webhook, now_us=NOW_US)
        event.remove(connection, "before_cursor_execute", note)
        if not sites.database.is_sqlite:
            connection.exec_driver_sql("SET LOCAL enable_seqscan = off")
        explain = "EXPLAIN QUERY PLAN " if sites.database.is_sqlite else "EXPLAIN "
        plans = [
            str(connection.exec_driver_sql(explain + statement, given).all())
            for statement, given in statements
            if statement.startswith("SELECT") and "deliveries" in statement
        ]
    assert [name for name in ("ix_deliveries_due", "ix_deliveries_held") if not [p for p in plans if name in p]] == []
    assert not [plan for plan in plans if "SCAN deliveries'" in plan or "Seq Scan on deliveries" in plan]


# --- acts -------------------------------------------------------------------------------------------------------


def test_sent_again_a_delivery_has_its_id_all_its_tries_and_the_schedule_anew(sites: Sites) -> None:
    with receiving(then=status(500)) as receiver:
        shop = pushing(sites, receiver.url)
        shop.say()
        shop.tries()
        assert shop.only().state == DEAD
        shop.act(webhooks.resume)
        assert shop.act(deliveries.resend, None) == 1
        assert shop.act(deliveries.resend, None) == 0
        assert len(shop.tries(3)) == 3
        assert (shop.only().state, shop.only().tries_made) == (WAITING, 13)
        receiver.plan = iter([OK, OK])
        shop.tries(1)
        assert (shop.only().state, shop.only().tries_made) == (DELIVERED, 14)
        assert [each.number for each in shop.only().tries] == list(range(1, 15))
        assert shop.act(deliveries.resend, [1]) == 1
        assert shop.send()
        assert len({each.headers["webhook-id"] for each in receiver.pushed}) == 1
        assert len(receiver.pushed) == 15


def test_while_it_is_paused_all_waits_and_what_waits_too_long_is_dead(sites: Sites) -> None:
    shop = pushing(sites, f"http://{HOST}:8443/")
    shop.say()
    shop.act(webhooks.pause, "by key k7m2q9xa")
    shop.say()
    shop.now_us += 29 * DAY_US
    assert not shop.send()
    deliveries.tidy(sites.database, now_us=shop.now_us)
    assert [each.state for each in shop.all()] == [WAITING] * 2
    shop.now_us += DAY_US
    deliveries.tidy(sites.database, now_us=shop.now_us)
    assert [(each.state, each.reason) for each in shop.all()] == [
        (DEAD, "waited for 30 days: its webhook is paused")
    ] * 2


def test_what_nothing_sent_in_time_says_so(sites: Sites) -> None:
    shop = pushing(sites, f"http://{HOST}:8443/")
    shop.say()
    deliveries.tidy(sites.database, now_us=NOW_US + 30 * DAY_US)
    assert shop.only().reason == "waited for 30 days: nothing sent it in time"


def test_resumed_while_a_try_fails_it_is_tried_again(sites: Sites) -> None:
    shop = pushing(sites, f"http://{HOST}:8443/")
    shop.say()
    claimed = shop.act(deliveries.claim)
    shop.act(webhooks.pause, "by key k7m2q9xa")
    assert shop.only().due_us is None
    with sites.database.write() as connection:
        failed = Outcome(500, "answered 500")
        deliveries.finish(connection, claimed, failed, began_us=NOW_US, now_us=NOW_US, chance=0.5)
        if not sites.database.is_sqlite:
            # Where two may write at once, it is resumed before the try is committed.
            with sites.database.write() as other:
                webhooks._set(other, shop.site, shop.webhook, paused_us=None, paused_because=None)
    webhook_is_paused = shop.shown().paused_us is not None
    assert webhook_is_paused == sites.database.is_sqlite
    if webhook_is_paused:
        shop.act(webhooks.resume)
    assert shop.only().due_us is not None


def test_with_its_webhook_a_delivery_ends(sites: Sites) -> None:
    shop = pushing(sites, f"http://{HOST}:8443/")
    shop.say()
    shop.act(webhooks.remove)
    assert [(each.state, each.reason) for each in shop.all()] == [(ENDED, "the webhook was removed")]
    assert not shop.send()
    shop.say()
    assert len(shop.all()) == 1


def test_during_a_change_of_secrets_both_sign(sites: Sites) -> None:
    with receiving() as receiver:
        shop = pushing(sites, receiver.url)
        shop.now_us = wall_us()
        _, new = shop.act(webhooks.rotate)
        assert new != shop.secret
        shop.say()
        assert shop.send()
        (pushed,) = receiver.pushed
        for secret in (shop.secret, new):
            Webhook(secret).verify(pushed.body, pushed.headers)
        shop.now_us += webhooks.OVERLAP_US
        shop.say()
        assert shop.send()
        assert len(receiver.pushed[1].headers["webhook-signature"].split()) == 1


def test_a_second_change_of_secrets_waits_for_the_first_unless_it_is_at_once(sites: Sites) -> None:
    shop = pushing(sites, f"http://{HOST}:8443/")
    _, second = shop.act(webhooks.rotate)
    with pytest.raises(webhooks.SecretsOverlap):
        shop.act(webhooks.rotate)
    shop.say()
    assert [shown(each) for each in shop.act(deliveries.claim).secrets] == [second, shop.secret]
    with sites.database.write() as connection:
        _, third = webhooks.rotate(connection, shop.site, shop.webhook, now_us=shop.now_us, at_once=True)
    shop.now_us += HELD_US
    assert [shown(each) for each in shop.act(deliveries.claim).secrets] == [third]
    shop.act(webhooks.rotate)


def test_of_a_removed_webhook_nothing_is_left_in_the_end(sites: Sites) -> None:
    shop = pushing(sites, f"http://{HOST}:8443/")
    shop.say()
    told = {"site": shop.site, "week": "2026-W10", "position": 1, "at_us": NOW_US, "digest": b"d", "changes": "{}"}
    with sites.database.write() as connection:
        connection.execute(insert(week_revisions), [told | {"number": number} for number in (1, 2)])
    shop.act(webhooks.remove)
    for _ in range(3):
        deliveries.tidy(sites.database, now_us=NOW_US + 90 * DAY_US)
    with sites.database.read() as connection:
        w, r = webhook_rows.c, week_revisions.c
        assert connection.execute(select(w.webhook).where(w.site == shop.site)).all() == []
        assert connection.execute(select(r.number).where(r.site == shop.site)).scalars().all() == [2]


def test_so_many_tests_wait_and_no_more(sites: Sites) -> None:
    shop = pushing(sites, f"http://{HOST}:8443/")
    shop.act(webhooks.pause, "by key k7m2q9xa")
    assert [shop.act(webhooks.test) for _ in range(webhooks.MOST_TESTS)][-1] == webhooks.MOST_TESTS
    with pytest.raises(webhooks.TooManyTests):
        shop.act(webhooks.test)


def test_what_is_over_is_kept_for_a_while_and_numbers_go_on(sites: Sites) -> None:
    with receiving(OK, then=status(500)) as receiver:
        shop = pushing(sites, receiver.url)
        shop.say(2)
        assert shop.send()
        with sites.database.write() as connection:
            claimed = deliveries.claim(connection, shop.site, shop.webhook, now_us=shop.now_us)
            assert claimed is not None
            dead = Outcome(500, "answered 500")
            last = delivering.Claim(**(vars(claimed) | {"tries": 9}))
            deliveries.finish(connection, last, dead, began_us=shop.now_us, now_us=shop.now_us, chance=0.5)
        assert [each.state for each in shop.all()] == [DELIVERED, DEAD]
        for days, left in ((29, [1, 2]), (1, [2]), (59, [2]), (1, [])):
            shop.now_us += days * DAY_US
            while deliveries.tidy(sites.database, now_us=shop.now_us):
                pass
            assert [each.number for each in shop.all()] == left
        with sites.database.read() as connection:
            stored = select(func.count()).select_from(pushes).where(pushes.c.site == shop.site)
            assert connection.execute(stored).scalar_one() == 0
        shop.say()
        assert [each.number for each in shop.all()] == [3]


def test_standings_count_what_waits_is_delivered_or_dead(sites: Sites) -> None:
    with receiving() as receiver:
        shop = pushing(sites, receiver.url)
        shop.say(3)
        assert shop.send()
        with sites.database.read() as connection:
            found = deliveries.standings(connection, [shop.site], now_us=shop.now_us + 7_000_000)
    assert found == {shop.site: deliveries.Standing(2, 1, 0, 7.0)}


def test_a_site_has_so_many_webhooks_and_no_more(sites: Sites) -> None:
    shop = pushing(sites, f"http://{HOST}:8443/")
    for _ in range(webhooks.MOST_WEBHOOKS - 1):
        pushing(sites, f"http://{HOST}:8443/", site=shop.site)
    with pytest.raises(webhooks.TooManyWebhooks):
        pushing(sites, f"http://{HOST}:8443/", site=shop.site)
    shop.act(webhooks.remove)
    pushing(sites, f"http://{HOST}:8443/", site=shop.site)
