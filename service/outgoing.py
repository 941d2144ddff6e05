"""What an answer is written to: it takes all at once, and sends it as the client reads."""

from __future__ import annotations

import socket
from collections import deque


class Outgoing:
    """Stands for a connection's socket while a thread answers: sends what can be sent, keeps the rest, never waits."""

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
        """Send, or keep until the client reads; raises BrokenPipeError when it is gone."""
        if self.is_broken:
            raise BrokenPipeError
        if data:
            self._parts.append(memoryview(data))
            self.unread += len(data)
        if len(self._parts) == 1:
            self.flush()

    def flush(self) -> None:
        """Send what the client takes now."""
        while self._parts and not self.is_broken:
            try:
                sent = self._sock.send(self._parts[0])
            except BlockingIOError:
                return
            except OSError:
                self.close()
                return
            self.sent += sent
            self.unread -= sent
            if sent == len(self._parts[0]):
                self._parts.popleft()
            else:
                self._parts[0] = self._parts[0][sent:]

    def shutdown(self, _how: int) -> None:
        """There is no waiting for the client to close: whoever asks for that closes at once."""
        raise OSError

    def close(self) -> None:
        """Break the answer off: nothing more is sent."""
        self.is_broken = True
        self._parts.clear()
        self.unread = 0
