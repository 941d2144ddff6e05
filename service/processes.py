"""gunicorn's arbiter and its log, bent to end without cutting an answer, and to log as all else does.

On SIGTERM: readiness says no, and requests are still answered for as long as was asked for; then new connections are
refused, those that were made are answered, each with `Connection: close`; then the process ends. A second signal ends
it at once.
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
import time
from typing import Any, Final

from gunicorn.arbiter import Arbiter
from gunicorn.glogging import Logger

from service.drain import Drain

log = logging.getLogger(__name__)

#: Connections that were made but not taken yet are taken within this time, or lost.
TAKE_SECONDS: Final = 5.0
_POLL_SECONDS: Final = 0.01
_ENDING: Final = (signal.SIGTERM, signal.SIGINT, signal.SIGQUIT)

#: A filter that drops a packet that asks for a new connection (SYN without ACK), and lets all others pass.
_NO_SYN: Final = ((0x30, 0, 0, 13), (0x54, 0, 0, 0x12), (0x15, 0, 1, 0x02), (0x06, 0, 0, 0), (0x06, 0, 0, 0xFFFFFFFF))
_SO_ATTACH_FILTER: Final = 26


class DrainingArbiter(Arbiter):  # type: ignore[misc]
    """An arbiter that lets its workers take every connection that was made before it closes the door."""

    def __init__(self, app: Any, drain: Drain, *, drain_seconds: float) -> None:
        self._drain = drain
        self._drain_seconds = drain_seconds
        self._impatient = False
        super().__init__(app)

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
