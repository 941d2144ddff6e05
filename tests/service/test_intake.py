"""What a client sends is gathered bit by bit; where a request ends, and what is no request, does not depend on it."""

from __future__ import annotations

import json
import socket
from typing import Any

import pytest
from gunicorn.config import Config
from gunicorn.http.errors import ParseException
from hypothesis import given, settings
from hypothesis import strategies as st

from service import intake
from service.bodies import LARGEST_BODY
from service.intake import LONGEST_LINE, MOST_FIELDS, MOST_HEAD_BYTES, Intake, Refusal
from service.outgoing import Outgoing

CLIENT = ("127.0.0.1", 50_000)
GET = b"GET /livez HTTP/1.1\r\nHost: x\r\n\r\n"
POST = b"POST /v1/events HTTP/1.1\r\nHost: x\r\nContent-Length: 4\r\n\r\n[{}]"
CHUNKED = b"POST /v1/events HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\n"
CHUNKS = CHUNKED + b"3;a=b\r\n[{}\r\n1\r\n]\r\n0\r\nX-Sum: 1\r\n\r\n"


def config() -> Config:
    made = Config()
    for name, value in (
        ("limit_request_line", LONGEST_LINE), ("limit_request_field_size", LONGEST_LINE),
        ("limit_request_fields", MOST_FIELDS), ("forwarded_allow_ips", ""), ("http_parser", "python"),
    ):  # fmt: skip
        made.set(name, value)
    return made


CONFIG = config()


def read(sent: bytes, size: int = 7) -> list[tuple[str, bytes]]:
    """Requests in what comes in pieces of so many bytes, as (target, body)."""
    found, coming = [], Intake(CONFIG, CLIENT)
    for start in range(0, len(sent), size):
        coming.buffer += sent[start : start + size]
        while coming.buffer and coming.is_whole():
            request, source = coming.take()
            body = request.body.read()
            assert source.is_used_up(request)
            found.append((request.uri, body))
    assert not coming.buffer
    return found


@pytest.mark.parametrize("size", [1, 2, 3, 7, 64, 10_000])
def test_a_request_ends_in_the_same_place_however_it_comes(size: int) -> None:
    assert read(GET + POST + CHUNKS + b"\r\n" + GET + POST, size) == [
        ("/livez", b""),
        ("/v1/events", b"[{}]"),
        ("/v1/events", b"[{}]"),
        ("/livez", b""),
        ("/v1/events", b"[{}]"),
    ]


@settings(max_examples=60, deadline=None)
@given(st.lists(st.binary(min_size=1, max_size=40), max_size=5), st.integers(1, 50))
def test_chunks_are_read_as_they_were_sent(parts: list[bytes], size: int) -> None:
    sent = b"".join(b"%x\r\n%s\r\n" % (len(part), part) for part in parts)
    assert read(CHUNKED + sent + b"0\r\n\r\n" + GET, size) == [("/v1/events", b"".join(parts)), ("/livez", b"")]


#: What is sent, and the status of its refusal: by RFC 9110 and 9112, where they name one.
REFUSED: dict[str, tuple[bytes, int]] = {
    "no request": (b"nonsense\r\n\r\n", 400),
    "bare LF": (b"GET / HTTP/1.1\nHost: x\n", 400),
    "empty line": (b"\r\n\r\n", 400),
    "header without colon": (b"GET / HTTP/1.1\r\nHost\r\n\r\n", 400),
    "space before the colon": (b"GET / HTTP/1.1\r\nHost : x\r\n\r\n", 400),
    "no host": (b"GET / HTTP/1.1\r\n\r\n", 400),
    "no host named": (b"GET / HTTP/1.1\r\nHost:\r\n\r\n", 400),
    "two hosts": (b"GET / HTTP/1.1\r\nHost: x\r\nHost: x\r\n\r\n", 400),
    "host with a path": (b"GET / HTTP/1.1\r\nHost: x/y\r\n\r\n", 400),
    "host with a user, of HTTP/1.0": (b"GET / HTTP/1.0\r\nHost: u@x\r\n\r\n", 400),
    "two lengths": (b"POST / HTTP/1.1\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\n", 400),
    "length and chunks": (b"POST / HTTP/1.1\r\nContent-Length: 1\r\nTransfer-Encoding: chunked\r\n\r\n", 400),
    "length of 5,000 digits": (b"POST / HTTP/1.1\r\nContent-Length: " + b"1" * 5_000 + b"\r\n\r\n", 400),
    "unknown coding": (b"POST / HTTP/1.1\r\nTransfer-Encoding: br\r\n\r\n", 501),
    "chunked twice": (b"POST / HTTP/1.1\r\nTransfer-Encoding: chunked, chunked\r\n\r\n", 400),
    "packed and chunked": (b"POST / HTTP/1.1\r\nTransfer-Encoding: gzip, chunked\r\n\r\n", 501),
    "identity and chunked": (b"POST / HTTP/1.1\r\nTransfer-Encoding: identity, chunked\r\n\r\n", 501),
    "chunked and nothing": (b"POST / HTTP/1.1\r\nTransfer-Encoding: chunked,\r\n\r\n", 501),
    "unknown expectation": (b"POST / HTTP/1.1\r\nExpect: much\r\n\r\n", 417),
    "line too long": (b"GET /" + b"x" * 9_000, 414),
    "whole line too long": (b"GET /" + b"x" * 9_000 + b" HTTP/1.1\r\n\r\n", 414),
    "field too long": (b"GET / HTTP/1.1\r\nX: " + b"x" * 9_000 + b"\r\n\r\n", 431),
    "too many fields": (b"GET / HTTP/1.1\r\n" + b"X: y\r\n" * 51 + b"\r\n", 431),
    "header too large": (b"GET / HTTP/1.1\r\n" + b"X: y\r\n" * (MOST_HEAD_BYTES // 6), 431),
    "body too large": (b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: %d\r\n\r\n" % (LARGEST_BODY + 1), 413),
    "chunk too large": (CHUNKED + b"ffffffff\r\n", 413),
    "chunk of no size": (CHUNKED + b"no length\r\n", 400),
    "chunk size too long": (CHUNKED + b"1" * 2_000, 400),
    "chunk longer than said": (CHUNKED + b"1\r\nabc\r\n", 400),
    "space after the size": (CHUNKED + b"1 \r\n", 400),
    "extension that is no token": (CHUNKED + b"1;a b\r\n", 400),
    "trailer that is no field": (CHUNKED + b"0\r\nX\r\n\r\n", 400),
    "trailer that frames": (CHUNKED + b"0\r\nContent-Length: 1\r\n\r\n", 400),
    "trailer with a bare LF": (CHUNKED + b"0\r\nX: y\nZ: z\r\n\r\n", 400),
    "too many trailers": (CHUNKED + b"0\r\n" + b"X: y\r\n" * 51 + b"\r\n", 431),
    "trailers without end": (CHUNKED + b"0\r\n" + b"X: y\r\n" * (MOST_HEAD_BYTES // 6 + 1), 431),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_no_request_is_refused_as_a_problem(name: str) -> None:
    sent, status = REFUSED[name]
    with pytest.raises(Refusal) as caught:
        read(sent, 512)
    head, _, body = caught.value.answer().partition(b"\r\n\r\n")
    said = json.loads(body)
    assert (caught.value.status, said["status"]) == (status, status)
    assert head.startswith(b"HTTP/1.1 %d " % status)
    assert b"\r\nConnection: close\r\n" in head
    assert b"\r\nContent-Type: application/problem+json\r\n" in head
    assert b"gunicorn" not in head
    assert said["title"]
    assert said["instance"].startswith("urn:uuid:")


def test_more_chunks_than_are_taken_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(intake, "MOST_CHUNKS", 3)
    assert read(CHUNKED + b"1\r\nx\r\n" * 3 + b"0\r\n\r\n")
    with pytest.raises(Refusal, match="more than 3 chunks"):
        read(CHUNKED + b"1\r\nx\r\n" * 4 + b"0\r\n\r\n")


@pytest.mark.parametrize("host", ["x", "cutledger_serve-1.lan:8080", "[::1]:80", "192.0.2.1", "x:"])
def test_a_host_is_a_name_or_an_address_and_perhaps_a_port(host: str) -> None:
    assert read(b"GET / HTTP/1.1\r\nHost: %s\r\n\r\n" % host.encode()) == [("/", b"")]


def asked(*fields: bytes, version: bytes = b"1.1") -> Any:
    coming = Intake(CONFIG, CLIENT)
    coming.buffer += b"\r\n".join([b"GET / HTTP/" + version, b"Host: x", *fields, b"", b""])
    assert coming.is_whole()
    return coming.take()[0]


#: RFC 9110, section 7.6.1: a list, and any number of fields.
@pytest.mark.parametrize(
    ("fields", "closes"),
    [
        ([], False),
        ([b"Connection: close"], True),
        ([b"Connection: TE, Close"], True),
        ([b"Connection: keep-alive", b"Connection: close"], True),
        ([b"Connection: keep-alive"], False),
        ([b"Connection: closed"], False),
    ],
    ids=["none", "close", "among options", "in another field", "keep-alive", "another word"],
)
def test_a_wish_to_close_is_heard_wherever_it_stands(fields: list[bytes], closes: bool) -> None:
    assert asked(*fields).should_close() is closes


def test_whether_an_answer_is_the_last_is_decided_once() -> None:
    request, ending = asked(), asked()
    ending.is_ending = lambda: True
    assert [request.should_close(), ending.should_close()] == [False, True]
    request.is_ending = lambda: True
    assert request.should_close() is False


@pytest.mark.parametrize(
    ("sent", "begun"), [(b"", False), (b"\r", False), (b"\r\n", False), (b"\r\nG", True), (b"G", True)]
)
def test_an_empty_line_begins_no_request(sent: bytes, begun: bool) -> None:
    coming = Intake(CONFIG, CLIENT)
    coming.buffer += sent
    assert coming.is_begun is begun


def test_a_body_that_could_not_be_read_is_not_used_up() -> None:
    coming = Intake(CONFIG, CLIENT)
    coming.buffer += CHUNKS
    assert coming.is_whole()
    request, source = coming.take()
    source.data = b"3\r\n[{}xx"
    with pytest.raises(ParseException):
        request.body.read()
    assert source.is_used_up(request) is False


def test_a_body_that_is_waited_for_is_asked_for_once() -> None:
    coming = Intake(CONFIG, CLIENT)
    coming.buffer += b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 2\r\nExpect: 100-continue\r\n\r\n"
    assert not coming.is_whole()
    assert [coming.expects_continue, coming.expects_continue] == [True, False]
    coming.buffer += b"{"
    assert not coming.is_whole()
    assert coming.cut_short().detail == "the body ended after 1 of 2 bytes; send it again"


@pytest.fixture
def pair() -> Any:
    ours, theirs = socket.socketpair()
    ours.setblocking(False)
    theirs.settimeout(10)
    yield ours, theirs
    ours.close()
    theirs.close()


def test_an_answer_that_nobody_reads_waits_without_blocking(pair: tuple[socket.socket, socket.socket]) -> None:
    ours, theirs = pair
    out, answer = Outgoing(ours), bytes(range(256)) * 20_000
    for start in range(0, len(answer), 100_000):
        out.sendall(answer[start : start + 100_000])
    assert 0 < out.unread < len(answer)
    got = b""
    while len(got) < len(answer):
        got += theirs.recv(1_000_000)
        out.flush()
    assert got == answer
    assert (out.unread, out.sent, out.is_broken) == (0, len(answer), False)


def test_an_answer_to_a_client_that_is_gone_is_broken_off(pair: tuple[socket.socket, socket.socket]) -> None:
    ours, theirs = pair
    theirs.close()
    out = Outgoing(ours)
    out.sendall(b"x")
    out.flush()
    assert out.is_broken
    with pytest.raises(BrokenPipeError):
        out.sendall(b"y")
