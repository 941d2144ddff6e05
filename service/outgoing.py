"""What an answer is written to: it takes all at once, and sends it as the client reads."""

from __future__ import annotations

import socket
from collections import deque
from itertools import islice
from typing import Final

#: So much is gathered before it is sent: to send header and body each by itself costs as much again.
AT_ONCE: Final = 64 * 1024
#: A system takes no more pieces in one call than some hundred.
_PIECES: Final = 64


class Outgoing:
    """Stands for a connection's socket while a thread answers: takes all, sends what can be sent, never waits.

    What is less than AT_ONCE is sent with what follows, or by `flush`.
    """

    def __init__(self, sock: socket.socket) -> None:
        self._sock = sock
        self._parts: deque[memoryview] = deque()
        self.is_broken = False
        self.sent = 0
        self.unread = 0

    def begin(self) -> None:
        """Begin with another answer."""
        self.sent = 0

    @property
    def is_used(self) -> bool:
        """True when something of this answer was sent, or waits."""
        return bool(self.sent or self.unread or self.is_broken)

    def sendall(self, data: bytes) -> None:
        """Take what is to be sent; raises BrokenPipeError when the client is gone."""
        if self.is_broken:
            raise BrokenPipeError
        if data:
            self._parts.append(memoryview(data))
            self.unread += len(data)
        if self.unread >= AT_ONCE:
            self.flush()

    def flush(self) -> None:
        """Send what the client takes now."""
        while self._parts and not self.is_broken:
            try:
                sent = self._sock.sendmsg(islice(self._parts, _PIECES))
            except BlockingIOError:
                return
            except OSError:
                self.close()
                return
            self.sent += sent
            self.unread -= sent
            while sent:
                part = self._parts.popleft()
                if sent < len(part):
                    self._parts.appendleft(part[sent:])
                sent = max(0, sent - len(part))

    def shutdown(self, _how: int) -> None:
        """There is no waiting for the client to close: whoever asks for that closes at once."""
        raise OSError

    def close(self) -> None:
        """Break the answer off: nothing more is sent."""
        self.is_broken = True
        self._parts.clear()
        self.unread = 0
