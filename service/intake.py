"""Gathers a request from what a client sends, however slowly: nothing here waits, or holds a thread.

gunicorn's own parser reads the header; here is found only where header and body end, and what is too much of either.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import Any, Final
from uuid import uuid4

from gunicorn.http.body import CHUNK_EXT_RE, ChunkedReader, LengthReader
from gunicorn.http.errors import (
    ExpectationFailed,
    LimitRequestHeaders,
    LimitRequestLine,
    ParseException,
    UnsupportedTransferCoding,
)
from gunicorn.http.message import Request
from gunicorn.http.unreader import Unreader

from service.bodies import LARGEST_BODY
from service.headers import HEADERS
from service.problems import MEDIA_TYPE, problem_bytes

LONGEST_LINE: Final = 8190
MOST_FIELDS: Final = 50
MOST_HEAD_BYTES: Final = 32 * 1024
#: What the sizes of chunks may add to a body.
MOST_CHUNKING_BYTES: Final = 1024 * 1024
#: An event a chunk is taken; a byte a chunk would keep the server busy with counting.
MOST_CHUNKS: Final = 65_536
_LONGEST_CHUNK_LINE: Final = 1024
_CHUNK: Final = 64 * 1024

_BARE_LF = re.compile(rb"(?<!\r)\n")
#: RFC 9112, section 7.1: the size, and extensions that mean nothing here, to be written as gunicorn wants them.
_CHUNK_LINE = re.compile(rb"([0-9A-Fa-f]{1,16})" + CHUNK_EXT_RE.pattern)
#: RFC 9110, section 7.2, and RFC 3986, section 3.2.2: a name or an address, never empty, and perhaps a port.
_HOST = re.compile(r"(?:\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._~!$&'()*+,;=%-]+)(?::[0-9]*)?")
_STRAY: Final = (b"\r", b"\r\n")
_END_OF_HEAD: Final = b"\r\n\r\n"
_ONLY_CHUNKED: Final = "of the transfer codings only chunked is taken, and once"


@dataclass
class Refusal(Exception):
    """A request that no application is asked about: the answer, after which the connection ends."""

    status: int
    slug: str
    detail: str
    members: dict[str, Any] = field(default_factory=dict)
    retry_seconds: int | None = None
    request_id: str = field(default_factory=lambda: str(uuid4()))

    def answer(self) -> bytes:
        """As it is sent."""
        body = problem_bytes(self.status, self.slug, self.detail, request_id=self.request_id, members=self.members)
        lines = [
            f"HTTP/1.1 {self.status} {HTTPStatus(self.status).phrase}",
            "Connection: close",
            *(f"{name}: {value}" for name, value in HEADERS.items()),
            f"X-Request-Id: {self.request_id}",
            f"Content-Type: {MEDIA_TYPE}",
            f"Content-Length: {len(body)}",
            *([] if self.retry_seconds is None else [f"Retry-After: {self.retry_seconds}"]),
        ]
        return "\r\n".join([*lines, "", ""]).encode() + body


def unreadable(detail: str, status: int = 400) -> Refusal:
    """The answer to what is no request."""
    return Refusal(status, "request-unreadable", detail)


def body_unreadable(detail: str) -> Refusal:
    """The answer to a body that cannot be read."""
    return Refusal(400, "unreadable-body", f"{detail}; send it again")


def body_too_large() -> Refusal:
    """The answer to a body that no door takes."""
    detail = f"the body has more than {LARGEST_BODY} bytes; send it in smaller parts"
    return Refusal(413, "body-too-large", detail, {"limit": LARGEST_BODY})


class Asked(Request):  # type: ignore[misc]
    """A request whose connection is kept, or not, as was decided once: what its answer's header says must be done."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self.is_ending: Callable[[], bool] = bool
        self._closes: bool | None = None
        super().__init__(*args, **kwargs)

    def fields(self, name: str) -> list[str]:
        """The values of a field, in lower case, one for each time that it is given."""
        return [value.lower() for each, value in self.headers if each == name]

    def should_close(self) -> bool:
        """True when the answer is the last of its connection."""
        if self._closes is None:
            self._closes = self.is_ending() or bool(super().should_close())
        return self._closes


class Held(Unreader):  # type: ignore[misc]
    """What gunicorn reads a request from: bytes that are here already."""

    def __init__(self, data: bytes | memoryview) -> None:
        super().__init__()
        self.data = data

    def chunk(self, size_hint: int | None = None) -> bytes:
        """The next bytes; none at the end."""
        size = min(size_hint or _CHUNK, _CHUNK)
        part, self.data = bytes(self.data[:size]), self.data[size:]
        return part

    def is_used_up(self, request: Any) -> bool:
        """True when the body is read to its end, and that is where it was found to end; reads what is left."""
        try:
            while request.body.read(_CHUNK):
                pass
        except (ParseException, OSError):
            return False
        # What could not be read once reads as its end from then on.
        return not request.body.failed and not self.data and not self.buf.getvalue()

    def release(self) -> None:
        """Let go of the bytes, whoever still holds the request."""
        self.data, self.buf = b"", io.BytesIO()


class Intake:
    """What one connection has sent, and how far the request has come that it begins with."""

    def __init__(self, cfg: Any, client: Any) -> None:
        self.buffer = bytearray()
        self.request: Any = None
        self._cfg = cfg
        self._client = client
        self._searched = 0
        self._head_end = 0
        self._end: int | None = None
        self._chunks: Chunks | None = None

    @property
    def is_begun(self) -> bool:
        """True when a request has begun; an empty line before it is none (RFC 9112, section 2.2)."""
        return bool(self.buffer) and bytes(self.buffer[:3]) not in _STRAY

    def is_whole(self) -> bool:
        """True when all of the request is here; raises Refusal."""
        if self.request is None and not self._read_head():
            return False
        if self._chunks is not None and self._end is None:
            self._end = self._chunks.end_in(self.buffer)
        return self._end is not None and len(self.buffer) >= self._end

    @property
    def expects_continue(self) -> bool:
        """True, once, when the client waits to be told that its body may come (RFC 9110, section 10.1.1)."""
        expects = self.request is not None and self.request._expected_100_continue
        if expects:
            self.request._expected_100_continue = False
        return expects and len(self.buffer) == self._head_end

    @property
    def body_bytes(self) -> int:
        """How much of the body is here."""
        return len(self.buffer) - self._head_end

    def cut_short(self) -> Refusal:
        """The answer when no more comes."""
        of = "" if self._end is None else f" of {self._end - self._head_end}"
        return body_unreadable(f"the body ended after {self.body_bytes}{of} bytes")

    def take(self) -> tuple[Any, Held]:
        """(the whole request, what its body is read from); what was sent after it begins the next one."""
        request, source, end = self.request, self.request.unreader, self._end
        rest = self.buffer[end:]
        source.data = memoryview(self.buffer)[self._head_end : end]
        self.__init__(self._cfg, self._client)  # type: ignore[misc]
        self.buffer = rest
        return request, source

    def _read_head(self) -> bool:
        found = self.buffer.find(_END_OF_HEAD, max(0, self._searched - 3), MOST_HEAD_BYTES)
        if found < 0:
            self._refuse_hopeless_head()
            self._searched = len(self.buffer)
            return False
        self._head_end = found + len(_END_OF_HEAD)
        self.request = self._parsed(bytes(self.buffer[: self._head_end]))
        reader = self.request.body.reader
        self._end = self._head_end
        if isinstance(reader, LengthReader):
            if reader.length > LARGEST_BODY:
                raise body_too_large()
            self._end += reader.length
        elif isinstance(reader, ChunkedReader):
            self._end, self._chunks = None, Chunks(self._head_end, self.request)
        return True

    def _refuse_hopeless_head(self) -> None:
        if _BARE_LF.search(self.buffer, max(0, self._searched - 1), MOST_HEAD_BYTES):
            raise unreadable("a line of the header ends with LF alone; end each with CRLF")
        if len(self.buffer) > LONGEST_LINE + 4 and self.buffer.find(b"\r\n", 2, LONGEST_LINE + 4) < 0:
            raise unreadable(f"the request line is longer than {LONGEST_LINE} bytes", 414)
        if len(self.buffer) >= MOST_HEAD_BYTES:
            raise unreadable(f"the header has more than {MOST_HEAD_BYTES} bytes", 431)

    def _parsed(self, head: bytes) -> Asked:
        request = self._read_by_gunicorn(head)
        if request.fields("TRANSFER-ENCODING") not in ([], ["chunked"]):
            raise unreadable(_ONLY_CHUNKED, 501)
        hosts = request.fields("HOST")
        if (request.version >= (1, 1) and not hosts) or not all(_HOST.fullmatch(host) for host in hosts):
            raise unreadable("the header must name the host in one field Host (RFC 9112, section 3.2)")
        # gunicorn hears it only where it stands alone.
        if "close" in (option.strip() for value in request.fields("CONNECTION") for option in value.split(",")):
            request.force_close()
        return request

    def _read_by_gunicorn(self, head: bytes) -> Asked:
        try:
            return Asked(self._cfg, Held(head), self._client)
        except LimitRequestLine:
            raise unreadable(f"the request line is longer than {LONGEST_LINE} bytes", 414) from None
        except LimitRequestHeaders:
            detail = f"the header has a field longer than {LONGEST_LINE} bytes, or more than {MOST_FIELDS} fields"
            raise unreadable(detail, 431) from None
        except UnsupportedTransferCoding:
            raise unreadable(_ONLY_CHUNKED, 501) from None
        except ExpectationFailed:
            raise unreadable("of the expectations only 100-continue is known", 417) from None
        except (ParseException, OSError, StopIteration):
            raise unreadable("this is no request of HTTP/1.1, or one that could be read in two ways") from None


class Chunks:
    """Finds where a chunked body ends (RFC 9112, section 7.1), as its bytes come. gunicorn reads what is in it."""

    def __init__(self, start: int, request: Asked) -> None:
        self._at = start
        self._request = request
        self._most = start + LARGEST_BODY + MOST_CHUNKING_BYTES
        self._count = 0
        self._is_last = False

    def end_in(self, data: bytearray) -> int | None:
        """Offset after the body; None while it is not all there. Raises Refusal."""
        while not self._is_last:
            line_end = data.find(b"\r\n", self._at, self._at + _LONGEST_CHUNK_LINE)
            if line_end < 0:
                if len(data) - self._at >= _LONGEST_CHUNK_LINE:
                    raise body_unreadable("the chunks of the body cannot be read")
                return None
            if not self._enter(data, line_end):
                return None
        return self._end_of_trailers(data)

    def _enter(self, data: bytearray, line_end: int) -> bool:
        """Step over a chunk; False while its end is not here yet."""
        line = _CHUNK_LINE.fullmatch(data, self._at, line_end)
        if line is None:
            raise body_unreadable("the chunks of the body cannot be read")
        size = int(line[1], 16)
        if size == 0:
            self._at, self._is_last = line_end + 2, True
            return True
        after = line_end + 2 + size + 2
        if after > self._most:
            raise body_too_large()
        if len(data) < after:
            return False
        if data[after - 2 : after] != b"\r\n":
            raise body_unreadable("the chunks of the body cannot be read")
        self._at = after
        self._count += 1
        if self._count > MOST_CHUNKS:
            raise Refusal(400, "unreadable-body", f"the body comes in more than {MOST_CHUNKS} chunks; make them larger")
        return True

    def _end_of_trailers(self, data: bytearray) -> int | None:
        if data.startswith(b"\r\n", self._at):
            return self._at + 2
        found = data.find(_END_OF_HEAD, self._at, self._at + MOST_HEAD_BYTES)
        if found >= 0:
            self._check_trailers(bytes(data[self._at : found]))
            return found + len(_END_OF_HEAD)
        if len(data) - self._at >= MOST_HEAD_BYTES:
            raise unreadable(f"the fields after the body have more than {MOST_HEAD_BYTES} bytes", 431)
        return None

    def _check_trailers(self, trailers: bytes) -> None:
        try:
            self._request.parse_headers(trailers, from_trailer=True)
        except LimitRequestHeaders:
            detail = f"after the body is a field longer than {LONGEST_LINE} bytes, or more than {MOST_FIELDS} fields"
            raise unreadable(detail, 431) from None
        except (ParseException, OSError):
            raise body_unreadable("the fields after the body cannot be read") from None
