"""gunicorn's arbiter and its log, bent to end without cutting an answer, and to log as all else does.

On SIGTERM: readiness says no, and requests are still answered for as long as was asked for; then new connections are
refused, those that were made are answered, each with `Connection: close`; then the processes that answer end, and the
one beside them. A second signal ends them at once.
"""

from __future__ import annotations

import contextlib
import ctypes
import logging
import os
import queue
import signal
import socket
import struct
import sys
import time
from collections.abc import Callable
from typing import Any, Final

from gunicorn.arbiter import Arbiter
from gunicorn.glogging import Logger

from service.drain import Drain

log = logging.getLogger(__name__)

#: Connections that were made but not taken yet are taken within this time, or lost.
TAKE_SECONDS: Final = 5.0
_POLL_SECONDS: Final = 0.01
#: A process that died is not followed by the next one sooner than this after its start.
AGAIN_SECONDS: Final = 1.0
#: So long the process beside the others may take to end when all are to end at once.
_HURRY_SECONDS: Final = 2.0
_ENDING: Final = (signal.SIGTERM, signal.SIGINT, signal.SIGQUIT)

#: A filter that drops a packet that asks for a new connection (SYN without ACK), and lets all others pass.
_NO_SYN: Final = ((0x30, 0, 0, 13), (0x54, 0, 0, 0x12), (0x15, 0, 1, 0x02), (0x06, 0, 0, 0), (0x06, 0, 0, 0xFFFFFFFF))
_SO_ATTACH_FILTER: Final = 26


class Companion:
    """One process that is kept at work beside others: when it dies, another takes its place."""

    def __init__(self, work: Callable[[], None]) -> None:
        self._work = work
        self._process = 0
        self._started_at = -AGAIN_SECONDS

    def keep(self) -> None:
        """Start it, unless it runs; returns in the parent alone."""
        if self._runs() or time.monotonic() < self._started_at + AGAIN_SECONDS:
            return
        if self._process:
            log.error("process %d, which counted, has ended; another takes its place", self._process)
        self._started_at = time.monotonic()
        self._process = os.fork()
        if self._process:
            return
        try:
            self._work()
        except Exception:
            log.exception("the process that counts failed")
            sys.exit(1)
        sys.exit()

    def end(self, *, until: Callable[[], bool]) -> None:
        """Tell it to end, and wait for that; kill it once `until` says so."""
        while self._runs():
            # Told again, since one that was just made may not have heard.
            os.kill(self._process, signal.SIGKILL if until() else signal.SIGTERM)
            time.sleep(_POLL_SECONDS)
        self._process = 0

    def _runs(self) -> bool:
        if not self._process:
            return False
        try:
            return os.waitpid(self._process, os.WNOHANG) == (0, 0)
        except ChildProcessError:
            # The arbiter looks after all its children, and was the first to see this one's end.
            return False


class DrainingArbiter(Arbiter):  # type: ignore[misc]
    """An arbiter that lets its workers take every connection that was made before it closes the door.

    beside: what one more process does, which answers nobody.
    """

    def __init__(
        self, app: Any, drain: Drain, *, drain_seconds: float, beside: Callable[[], None] | None = None
    ) -> None:
        self._drain = drain
        self._drain_seconds = drain_seconds
        self._impatient = False
        self._beside = beside
        self._companion = beside and Companion(self._do_beside)
        super().__init__(app)

    def manage_workers(self) -> None:
        """Keep the processes at work."""
        super().manage_workers()
        if self._companion:
            self._companion.keep()

    def _do_beside(self) -> None:
        assert self._beside is not None
        for listener in self.LISTENERS:
            listener.close()
        self._beside()

    def signal(self, sig: int, frame: Any) -> None:
        """Note a signal; the second one that asks to end does not wait for answers."""
        if sig in _ENDING and self._drain.begun:
            # Kept beside the queue: what lies there when the first one is taken out is thrown away with it.
            self._impatient = True
            sig = signal.SIGQUIT
        # A process that was just forked answers to this too, until it has a way of its own.
        elif sig == signal.SIGTERM and os.getpid() == self.pid:
            self._drain.begin()
        super().signal(sig, frame)

    def stop(self, graceful: bool = True) -> None:
        """End the workers."""
        if graceful and self.LISTENERS and self.WORKERS:
            log.info("draining: %d processes end once they have answered", len(self.WORKERS))
            self._go_on_answering()
            if not self._impatient:
                self._turn_away()
        if self._impatient:
            self.SIG_QUEUE.put(signal.SIGQUIT)
        super().stop(graceful)
        if self._companion:
            waits = self.cfg.graceful_timeout if graceful else _HURRY_SECONDS
            limit = time.monotonic() + waits
            self._companion.end(until=lambda: self._impatient or time.monotonic() > limit)

    def _go_on_answering(self) -> None:
        """Leave a proxy the time to see that this server is not ready; a second signal ends that."""
        until = time.monotonic() + self._drain_seconds
        while not self._impatient and (left := until - time.monotonic()) > 0:
            with contextlib.suppress(queue.Empty):
                self.SIG_QUEUE.get(timeout=min(left, 1.0))

    def _turn_away(self) -> None:
        """Let no new connection be made, and see those that were made taken, lest closing the door reset them."""
        if not all(_refuse_new(listener.sock) for listener in self.LISTENERS):
            return
        until = time.monotonic() + TAKE_SECONDS
        while any(listener.get_backlog() > 0 for listener in self.LISTENERS) and time.monotonic() < until:
            time.sleep(_POLL_SECONDS)


def _refuse_new(listener: socket.socket) -> bool:
    """Drop what asks for a new connection; False where the system has no such filter."""
    code = ctypes.create_string_buffer(b"".join(struct.pack("HBBI", *each) for each in _NO_SYN))
    program = struct.pack("HP", len(_NO_SYN), ctypes.addressof(code))
    try:
        listener.setsockopt(socket.SOL_SOCKET, _SO_ATTACH_FILTER, program)
    except OSError:
        return False
    return True


class QuietLogger(Logger):  # type: ignore[misc]
    """gunicorn's log as part of all others, without what it quotes of requests."""

    def setup(self, cfg: Any) -> None:
        """Leave handlers and form to the root."""
        self.cfg = cfg
        self._access_log_enabled = False
        self.error_log.propagate = True
        self.error_log.setLevel(self.LOG_LEVELS[cfg.loglevel])

    def exception(self, msg: str, *args: Any, **kwargs: Any) -> None:
        """Log an error with its exception."""
        if msg.startswith("Error handling request"):
            msg, args = "a request ended in an error outside the application", ()
        super().exception(msg, *args, **kwargs)
