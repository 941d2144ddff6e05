"""gunicorn's worker with a patient hall: connections wait in the poller, and only whole requests get a thread.

However many clients are slow to send their request, or to read their answer, the threads answer the others. All that
waits is bounded: connections, bytes that were sent here, bytes that nobody reads yet, and the time of each.
"""

from __future__ import annotations

import errno
import logging
import os
import resource
import selectors
import socket
import sys
import time
from collections import Counter
from collections.abc import Callable
from email.utils import formatdate
from enum import Enum
from functools import lru_cache, partial
from typing import Any, Final

from gunicorn.http import wsgi
from gunicorn.workers.gthread import ThreadWorker

from service.bodies import unpacks_beyond
from service.desks import Desk, Ways, desk_for, desks_of
from service.intake import Asked, Held, Intake, Refusal
from service.outgoing import Outgoing
from service.rates import shortened
from service.threads import Deferred, Gathering, Threads
from worker.grouping import MOST_TOGETHER, side_by_side

log = logging.getLogger(__name__)

#: Connections of one process, where the system allows it so many open files.
MOST_CONNECTIONS: Final = 2_000
#: A header is here within this time of its first byte, or of the connection's first moment.
HEAD_SECONDS: Final = 15.0
#: A connection that was told that it is kept is kept so long.
IDLE_SECONDS: Final = 30.0
#: A body, and an answer, have this time; then they must have come, or gone, at LEAST_BYTES_A_SECOND from the start on.
GRACE_SECONDS: Final = 15.0
LEAST_BYTES_A_SECOND: Final = 1024
LONGEST_SECONDS: Final = 300.0
#: After its last answer a client has this time to read it and to close, so that it is not lost in a reset.
LINGER_SECONDS: Final = 2.0
#: What all connections of a process may hold that is not answered yet; beyond, who holds most is sent away.
MOST_HELD_BYTES: Final = 256 * 1024 * 1024
#: Who holds no more than this is never sent away for it: an event, or a few.
SMALL_BYTES: Final = 64 * 1024
#: What answers of a process may wait to be read; beyond, who has waited longest is cut off.
MOST_UNREAD_BYTES: Final = 64 * 1024 * 1024
#: Whose body, or answer, has moved for so long may be sent away for others.
SHED_SECONDS: Final = 2.0
#: A body of which no piece of LEAST_BYTES_A_SECOND has come for so long makes no progress.
STALL_SECONDS: Final = 1.0
#: One address may have this part of the connections, unless it is a proxy's.
ADDRESS_PART: Final = 2
#: A body of more bytes, unpacked, is read by one of a few threads of its own: it may become a hundred times as much.
LARGE_BYTES: Final = 1024 * 1024
LARGE_PACKED_BYTES: Final = 64 * 1024
LARGE_THREADS: Final = 2
RETRY_SECONDS: Final = 5
_OTHER_FILES: Final = 256
_ENFORCE_EVERY_SECONDS: Final = 0.25
_NOTIFY_EVERY_SECONDS: Final = 1.0
_READ: Final = 64 * 1024
_NO_ROOM: Final = (errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM)
_CONTINUE: Final = b"HTTP/1.1 100 Continue\r\n\r\n"
_NEVER: Final = float("inf")
#: A thread that waits for the interpreter has it after so long: one that answers a report asks for it at each of its
#: statements, beside one that works through a batch. Python's own 5 ms made 30 ms of that, and less than this costs
#: more in changing over than it gains.
SWITCH_SECONDS: Final = 0.001
#: So much readier than a process that takes bodies of many events alone are the others to be given a processor.
BULK_NICENESS: Final = 5
#: One that is at work on such a body leaves the next one to another for so long, then takes it.
FELLOWS_SECONDS: Final = 0.002


class State(Enum):
    """What a connection waits for."""

    IDLE = "a request"
    HEAD = "the end of a header"
    BODY = "the end of a body"
    ANSWER = "a thread"
    UNREAD = "the client to read its answer"
    LINGER = "the client to close"
    CLOSED = "nothing"


class Connection:
    """A connection: what it waits for, since when, until when, and what it holds. gunicorn reads the first three."""

    def __init__(self, cfg: Any, accepted: socket.socket, client: Any, server: Any) -> None:
        self.sock = Outgoing(accepted)
        self.cfg = cfg
        self.client = client
        self.address = shortened(client[0])
        self.server = server
        self.accepted = accepted
        self.intake = Intake(cfg, client)
        self.request: Any = None
        self.source: Any = None
        self.held = 0
        self.keep = False
        #: Whether it stays here until its request is answered, wherever others of its kind are.
        self.stays = False
        self.watched: tuple[int, object] | None = None
        self.state = State.IDLE
        self.since = time.monotonic()
        self.moved = self.since
        self.deadline = _NEVER

    def enter(self, state: State, seconds: float = _NEVER) -> None:
        """Wait for something else from now on, so long at most."""
        self.state, self.since = state, time.monotonic()
        self.deadline = self.since + seconds

    def progress(self, moved: int) -> None:
        """Note how many bytes of a body or answer have moved since it began: more earn more time."""
        self.deadline = self.since + min(GRACE_SECONDS + moved / LEAST_BYTES_A_SECOND, LONGEST_SECONDS)

    def received(self, data: bytes) -> None:
        """Keep what has come, and note when it was progress."""
        self.intake.buffer += data
        if len(data) >= LEAST_BYTES_A_SECOND:
            self.moved = time.monotonic()

    def pace(self, now: float) -> float:
        """Bytes a second of the body that is coming, or of the answer that is being read."""
        moved = self.intake.body_bytes if self.state is State.BODY else self.sock.sent
        return moved / max(now - self.since, SHED_SECONDS)

    def forget(self) -> None:
        """Let go of what was sent here: nothing of it is read any more."""
        self.intake = Intake(self.cfg, self.client)


class Answer(wsgi.Response):  # type: ignore[misc]
    """gunicorn's answer, which does not put the date into words once more for each that it gives in a second."""

    def default_headers(self) -> list[str]:
        """What each answer begins with."""
        major, minor = self.req.version
        return [
            f"HTTP/{major}.{minor} {self.status}\r\n",
            f"Server: {self.version}\r\n",
            f"Date: {_in_words(int(time.time()))}\r\n",
            f"Connection: {'close' if self.should_close() else 'keep-alive'}\r\n",
            *(["Transfer-Encoding: chunked\r\n"] if self.chunked else []),
        ]


_in_words = lru_cache(maxsize=1)(partial(formatdate, usegmt=True))


class PatientWorker(ThreadWorker):  # type: ignore[misc]
    """A worker whose threads are given whole requests, and hand their answers on, so that no client holds one.

    Of several, each sits at desks of its own: only those at the door take connections, and hand them on from there.
    """

    alive: bool
    place: int = 0
    desks: frozenset[Desk] = desks_of(0, 1)
    #: Whether others take bodies of many events too.
    has_fellows: bool = False
    ways: Ways | None = None

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.bounds_addresses = True
        self.is_draining: Callable[[], bool] = bool
        self.method_queue = Deferred()
        self._connections: set[Connection] = set()
        self._by_address: Counter[str] = Counter()
        self._held = 0
        #: Requests that threads have.
        self._answering = 0
        self._enforce_at = 0.0

    # --- the loop -----------------------------------------------------------------------------------------------

    def init_process(self) -> None:
        """Begin in the process that answers."""
        # gunicorn looks each setting up by way of two functions, and dozens of them for each request.
        self.cfg.__dict__.update({name: setting.get() for name, setting in self.cfg.settings.items()})
        sys.setswitchinterval(SWITCH_SECONDS)
        if self.desks == {Desk.BULK}:
            os.nice(BULK_NICENESS)
        super().init_process()

    def run(self) -> None:
        """Serve until told to end; then take no more, answer what was begun, and end."""
        self._open()
        while self.alive and self.is_parent_alive():
            self._turn()
        # It may be that its parent is gone: then nobody told it to end.
        self.alive = False
        self.set_accept_enabled(False)
        for desk, arrivals in self._arrivals():
            self._arrived(desk, arrivals)
        for connection in self._connections:
            if connection.state is State.IDLE:
                # Its next request may be on its way; it is answered with `Connection: close`.
                connection.deadline = min(connection.deadline, time.monotonic() + LINGER_SECONDS)
        until = time.monotonic() + self.cfg.graceful_timeout
        while self._connections and time.monotonic() < until:
            self._turn()
        for connection in list(self._connections):
            self._close(connection)
        self.tpool.shutdown(wait=False)
        self._large.shutdown(wait=False)
        self._posts.shutdown()
        self.poller.close()
        self.method_queue.close()

    def _open(self) -> None:
        """Begin to take what comes."""
        self.poller.register(self.method_queue.fileno(), selectors.EVENT_READ, self.method_queue.run_callbacks)
        for desk, arrivals in self._arrivals():
            self.poller.register(arrivals, selectors.EVENT_READ, partial(self._arrived, desk))
        self.set_accept_enabled(True)

    def _turn(self) -> None:
        for key, _ in self.poller.select(_ENFORCE_EVERY_SECONDS if self._connections else _NOTIFY_EVERY_SECONDS):
            key.data(key.fileobj)
        now = time.monotonic()
        if now >= self._enforce_at:
            self._enforce_at = now + _ENFORCE_EVERY_SECONDS
            self.notify()
            for connection in [each for each in self._connections if each.deadline <= now]:
                self._overdue(connection)

    def get_thread_pool(self) -> Threads:
        """The threads that answer, and beside them those that read large bodies, and the one that takes small posts."""
        self._large = Threads(LARGE_THREADS, "large")
        self._posts = Gathering(self._answer_together, "posts", most=MOST_TOGETHER)
        return Threads(self.cfg.threads, "answering")

    def enqueue_req(self, conn: Connection) -> None:
        """Give a whole request to a thread."""
        if _is_small_post(conn.request):
            self._posts.submit(conn)
            return
        threads = self._large if _is_large(conn.request, conn.source) else self.tpool
        threads.submit(partial(self._answer, conn))

    def _answer(self, connection: Connection) -> None:
        keep = False
        try:
            keep = self.handle(connection)
        finally:
            self.method_queue.defer(partial(self.finish_request, connection, keep))

    def _answer_together(self, connections: list[Connection]) -> None:
        """Answer small posts side by side, and those that come while these wait for their write."""
        answered: list[tuple[Connection, bool]] = []

        def answer(connection: Connection) -> None:
            keep = False
            try:
                keep = self.handle(connection)
            finally:
                answered.append((connection, keep))

        def one_more(seconds: float) -> Callable[[], None] | None:
            connection = self._posts.next_within(seconds)
            return None if connection is None else partial(answer, connection)

        def finish() -> None:
            if answered:
                self.method_queue.defer(partial(self._finish_all, answered.copy()))
                answered.clear()

        try:
            side_by_side([partial(answer, each) for each in connections], more=one_more, ended=finish)
        finally:
            finish()

    def _finish_all(self, answered: list[tuple[Connection, bool]]) -> None:
        for connection, keep in answered:
            self.finish_request(connection, keep)

    def set_accept_enabled(self, enabled: bool) -> None:
        """Take new connections, or no more: the door is closed when it begins to end, not when it has ended."""
        if Desk.DOOR in self.desks:
            super().set_accept_enabled(enabled)
        if not self.alive:
            for listener in self.sockets:
                listener.close()

    def accept(self, listener: socket.socket) -> None:
        """Take a new connection; when there are too many, in the place of the one that has waited longest."""
        try:
            accepted, client = listener.accept()
        except OSError as error:
            if error.errno in _NO_ROOM and not self._make_room():
                time.sleep(0.01)
            return
        self._take(accepted, client, listener.getsockname())

    def _take(self, accepted: socket.socket, client: Any, server: Any, received: bytes = b"") -> None:
        """Begin with a connection, of which this much has come already."""
        accepted.setblocking(False)
        connection = Connection(self.cfg, accepted, client, server)
        refused = self._why_not_taken(connection.address)
        self._connections.add(connection)
        self._by_address[connection.address] += 1
        if refused:
            self._refuse(connection, _busy(refused))
            return
        connection.enter(State.IDLE, HEAD_SECONDS)
        if received:
            connection.stays = True
            self._received(connection, received)
        else:
            # Its request is mostly here already.
            self._readable(connection, accepted)

    # --- from desk to desk --------------------------------------------------------------------------------------

    def _arrivals(self) -> list[tuple[Desk, socket.socket]]:
        """The desks that connections are handed to here, each with where they come."""
        return [] if self.ways is None else [(desk, self.ways.arrivals(desk)) for desk in sorted(self.desks)]

    def _arrived(self, desk: Desk, _file: object) -> None:
        """Take the connections that were handed to a desk."""
        assert self.ways is not None
        if self._leaves_to_fellows(desk):
            time.sleep(FELLOWS_SECONDS)
        for accepted, received in self.ways.take(desk):
            try:
                client, server = accepted.getpeername(), accepted.getsockname()
            except OSError:
                # Its client is gone already.
                accepted.close()
                continue
            self._take(accepted, client, server, received)

    def _is_handed_on(self, connection: Connection) -> bool:
        """True when a request whose header is here is answered by another process; then the connection is there."""
        if connection.stays or self.ways is None:
            return False
        connection.stays = True
        desk = desk_for(connection.intake.request)
        # Who is about to end takes no more, and answers what is there.
        if not self.alive or self.is_draining() or (desk in self.desks and not self._leaves_to_fellows(desk)):
            return False
        if not self.ways.hand(desk, connection.accepted, bytes(connection.intake.buffer)):
            return False
        self._close(connection)
        return True

    def _leaves_to_fellows(self, desk: Desk) -> bool:
        """Whether what comes to a desk had better go to another process there: this one is at work."""
        return desk is Desk.BULK and self.has_fellows and self._answering > 0

    def _why_not_taken(self, address: str) -> str | None:
        """Make room for one more connection; says why there is none."""
        most = max(1, self.worker_connections // ADDRESS_PART)
        while self.bounds_addresses and self._by_address[address] >= most:
            if not self._make_room(address):
                return "this address has as many connections as one may have"
        while len(self._connections) >= self.worker_connections:
            if not self._make_room():
                return "the server has as many connections as it can serve"
        return None

    # --- what comes in ------------------------------------------------------------------------------------------

    def _readable(self, connection: Connection, _sock: object) -> None:
        """Take what has come, and look whether it is a request."""
        if connection.state is State.ANSWER:
            # What comes before the answer is looked at after it: most send nothing, and are watched on at no cost.
            self._unwatch(connection)
            return
        try:
            data = connection.accepted.recv(_READ)
        except BlockingIOError:
            self._watch(connection, selectors.EVENT_READ, self._readable)
            return
        except OSError:
            data = b""
        if not data:
            self._ended(connection)
            return
        self._received(connection, data)

    def _received(self, connection: Connection, data: bytes) -> None:
        connection.received(data)
        self._hold(connection, len(data))
        self._advance(connection)

    def _advance(self, connection: Connection) -> None:
        intake = connection.intake
        try:
            is_whole = intake.is_whole()
        except Refusal as refusal:
            self._refuse(connection, refusal)
            return
        if intake.request is not None and self._is_handed_on(connection):
            return
        if is_whole:
            connection.request, connection.source = intake.take()
            # gunicorn would say it once more.
            connection.request._expected_100_continue = False
            connection.sock.begin()
            connection.enter(State.ANSWER)
            self._answering += 1
            self.enqueue_req(connection)
            return
        if intake.request is None:
            if connection.state is State.IDLE and intake.is_begun:
                connection.enter(State.HEAD, HEAD_SECONDS)
        else:
            if connection.state is not State.BODY:
                connection.enter(State.BODY)
                if intake.expects_continue:
                    connection.sock.sendall(_CONTINUE)
                    connection.sock.flush()
            connection.progress(intake.body_bytes)
        self._watch(connection, selectors.EVENT_READ, self._readable)
        self._bound_held()

    def _ended(self, connection: Connection) -> None:
        """The client sends no more; it may still read."""
        if connection.state is State.BODY:
            self._refuse(connection, connection.intake.cut_short())
        else:
            self._close(connection)

    # --- what goes out ------------------------------------------------------------------------------------------

    def handle(self, conn: Connection) -> bool:
        """Answer a whole request, in a thread; True when the connection may be used again."""
        try:
            return self.handle_request(conn.request, conn) and conn.source.is_used_up(conn.request)
        except OSError:
            log.debug("the client was gone before its answer")
        except Exception:
            log.exception("a request ended in an error outside the application")
            if not conn.sock.is_used:
                conn.sock.sendall(Refusal(500, "fault", "it was logged; sending it again is safe").answer())
        finally:
            conn.source.release()
        return False

    def handle_request(self, req: Asked, conn: Connection) -> bool:
        """Let the application answer; True when it may answer more on the same connection."""
        self.cfg.pre_request(self, req)
        answer, environ = wsgi.create(req, conn.sock, conn.client, conn.server, self.cfg, Answer)
        environ["wsgi.multithread"] = True
        if not self.alive:
            answer.force_close()
        parts = self.wsgi(environ, answer.start_response)
        try:
            for part in parts:
                answer.write(part)
            answer.close()
            conn.sock.flush()
        except Exception:
            if answer.headers_sent:
                conn.sock.close()
            raise
        finally:
            if hasattr(parts, "close"):
                parts.close()
        return not answer.should_close()

    def finish_request(self, conn: Connection, keep: bool) -> None:
        """Send what is left of an answer, and wait for what comes next."""
        self._answering -= 1
        conn.request = conn.source = None
        conn.keep, conn.stays = keep, False
        self._hold(conn, len(conn.intake.buffer) - conn.held)
        self._flush(conn, conn.accepted)

    def _refuse(self, connection: Connection, refusal: Refusal) -> None:
        self._note(connection, refusal)
        connection.keep = False
        connection.enter(State.ANSWER)
        connection.sock.sendall(refusal.answer())
        self._flush(connection, connection.accepted)

    def _flush(self, connection: Connection, _sock: object) -> None:
        """Send what the client will take; come back when it takes more."""
        out = connection.sock
        out.flush()
        if out.is_broken:
            self._close(connection)
        elif out.unread:
            if connection.state is not State.UNREAD:
                connection.enter(State.UNREAD)
                self._bound_unread(connection)
            connection.progress(out.sent)
            self._watch(connection, selectors.EVENT_WRITE, self._flush)
        elif connection.keep:
            connection.enter(State.IDLE, IDLE_SECONDS if self.alive else LINGER_SECONDS)
            # The next request may have come together with the last.
            if connection.intake.buffer:
                self._advance(connection)
            else:
                self._watch(connection, selectors.EVENT_READ, self._readable)
        else:
            self._linger(connection)

    def _linger(self, connection: Connection) -> None:
        """End the answer, and let what is still being sent go by: closing at once would reset it (RFC 9112, 9.6)."""
        try:
            connection.accepted.shutdown(socket.SHUT_WR)
        except OSError:
            self._close(connection)
            return
        connection.forget()
        self._hold(connection, -connection.held)
        connection.enter(State.LINGER, LINGER_SECONDS)
        self._watch(connection, selectors.EVENT_READ, self._discard)

    def _discard(self, connection: Connection, _sock: object) -> None:
        try:
            if connection.accepted.recv(_READ):
                return
        except BlockingIOError:
            return
        except OSError:
            log.debug("a connection was reset after its last answer")
        self._close(connection)

    # --- bounds -------------------------------------------------------------------------------------------------

    def _overdue(self, connection: Connection) -> None:
        """Its time is over."""
        if connection.state is State.HEAD:
            detail = f"the header was not here {HEAD_SECONDS:.0f} s after its first byte"
            self._refuse(connection, Refusal(408, "too-slow", detail))
        elif connection.state is State.BODY:
            detail = (
                f"the body came more slowly than {LEAST_BYTES_A_SECOND} bytes a second, "
                f"or for longer than {LONGEST_SECONDS:.0f} s; send it packed, or in smaller parts"
            )
            self._refuse(connection, Refusal(408, "too-slow", detail))
        else:
            self._close(connection)

    def _make_room(self, address: str | None = None) -> bool:
        """Close the connection that has done nothing for longest, or else the slowest; False when all are at work.

        address: one of this address's; None: one of all.
        """
        of = [each for each in self._connections if address is None or each.address == address]
        waiting = [each for each in of if each.state in (State.IDLE, State.HEAD, State.LINGER)]
        if waiting:
            self._close(min(waiting, key=lambda each: each.since))
            return True
        now = time.monotonic()
        moving = [each for each in of if each.state in (State.BODY, State.UNREAD) and now - each.since >= SHED_SECONDS]
        if not moving:
            return False
        slowest = min(moving, key=lambda each: each.pace(now))
        if slowest.state is State.BODY:
            self._refuse(slowest, _busy("others wait for the connection, whose body comes most slowly"))
        self._close(slowest)
        return True

    def _hold(self, connection: Connection, more: int) -> None:
        connection.held += more
        self._held += more

    def _bound_held(self) -> None:
        """When all hold too much, send away who holds most of what is not whole yet; who makes no progress first."""
        now = time.monotonic()
        while self._held > MOST_HELD_BYTES:
            some = [each for each in self._connections if each.state is State.BODY and each.held > SMALL_BYTES]
            if not some:
                return
            detail = "too many large bodies are coming in"
            self._refuse(max(some, key=lambda each: (now - each.moved >= STALL_SECONDS, each.held)), _busy(detail))

    def _bound_unread(self, newest: Connection) -> None:
        """Cut off who has been reading longest, when all leave too much unread."""
        some = [each for each in self._connections if each.state is State.UNREAD]
        unread = sum(each.sock.unread for each in some)
        for each in sorted(some, key=lambda each: each.since):
            if unread <= MOST_UNREAD_BYTES:
                return
            if each is not newest:
                unread -= each.sock.unread
                self._close(each)

    # --- the poller ---------------------------------------------------------------------------------------------

    def _watch(self, connection: Connection, events: int, then: Callable[[Connection, object], None]) -> None:
        wanted = (events, then)
        if connection.watched == wanted:
            return
        data = partial(self._if_watched, wanted, connection)
        if connection.watched is None:
            self.poller.register(connection.accepted, events, data)
        else:
            self.poller.modify(connection.accepted, events, data)
        connection.watched = wanted

    def _if_watched(
        self, wanted: tuple[int, Callable[[Connection, object], None]], connection: Connection, sock: object
    ) -> None:
        # It may have been refused, or closed, for another since the poller told of it.
        if connection.watched == wanted:
            wanted[1](connection, sock)

    def _unwatch(self, connection: Connection) -> None:
        if connection.watched is not None:
            self.poller.unregister(connection.accepted)
            connection.watched = None

    def _close(self, connection: Connection) -> None:
        self._unwatch(connection)
        if connection.state is State.CLOSED:
            return
        self._connections.discard(connection)
        self._by_address[connection.address] -= 1
        if not self._by_address[connection.address]:
            del self._by_address[connection.address]
        self._hold(connection, -connection.held)
        connection.forget()
        connection.enter(State.CLOSED)
        connection.accepted.close()

    def _note(self, connection: Connection, refusal: Refusal) -> None:
        """Log and measure a request that is refused here, without what it says."""
        if refusal.slug == "request-unreadable":
            log.warning("a request that could not be read was refused")
        else:
            log.info("a request was refused before it was whole: %s", refusal.detail)
        metrics = self.wsgi.extensions["cutledger"].metrics
        method = getattr(connection.intake.request, "method", "")
        seconds = time.monotonic() - connection.since
        metrics.note_request(route=None, method=method, status=refusal.status, seconds=seconds)


def most_connections() -> int:
    """How many connections a process takes: as many as it may have open files, less those that it needs itself."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = MOST_CONNECTIONS + _OTHER_FILES
    if soft != resource.RLIM_INFINITY and soft < wanted:
        soft = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
        return max(soft - _OTHER_FILES, soft // 2)
    return MOST_CONNECTIONS


def _is_large(request: Asked, source: Held) -> bool:
    packing = {each.strip() for value in request.fields("CONTENT-ENCODING") for each in value.split(",")} - {"identity"}
    if not packing:
        return len(source.data) > LARGE_BYTES
    # What comes in chunks cannot be looked into here.
    if request.fields("TRANSFER-ENCODING") or len(source.data) > LARGE_PACKED_BYTES:
        return True
    return unpacks_beyond(bytes(source.data), LARGE_BYTES)


def _is_small_post(request: Asked) -> bool:
    """True of a post of an event, or a few: so many at once, answered side by side by one thread, share a commit."""
    return request.method == "POST" and desk_for(request) is Desk.DOOR


def _busy(why: str) -> Refusal:
    return Refusal(503, "busy", f"{why}; send it again", retry_seconds=RETRY_SECONDS)
