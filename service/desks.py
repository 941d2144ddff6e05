"""Desks: of a service's processes each does its own kind of work, and a connection goes where its request is answered.

A process has one interpreter, which a thousand events of one body, or a report, hold for milliseconds at a time. So
that no terminal waits for either, nor one for the other, whole connections are handed from process to process.
"""

from __future__ import annotations

import errno
import socket
from collections.abc import Iterator
from contextlib import suppress
from enum import IntEnum
from typing import Any, Final

from gunicorn.http.body import LengthReader

from service.paths import EVENTS_PATH, HEALTH_PATHS

#: Posts of an event, or a few, are answered side by side by one thread: so many at once share a commit.
SMALL_POST_BYTES: Final = 8 * 1024
#: What has come of a request when its header is whole; a system carries at least so much in one message.
_MOST_CARRIED: Final = 96 * 1024
_AWAY: Final = (errno.EAGAIN, errno.ENOBUFS, errno.EMSGSIZE, errno.ETOOMANYREFS, errno.EPIPE)


class Desk(IntEnum):
    """A kind of work."""

    #: Takes connections, and answers posts of an event or a few, and whoever asks whether the service is well.
    DOOR = 0
    #: Takes bodies of many events.
    BULK = 1
    #: Answers all else: reports, pages, what stands where.
    LOOKS = 2


#: Of several processes the first takes connections; a second one answers what takes long.
_OF_TWO: Final = ((Desk.DOOR,), (Desk.BULK, Desk.LOOKS))
#: Of more than two each sits at one of these, by turns: bodies of many events take longest, so two take them.
SEATS: Final = (Desk.DOOR, Desk.BULK, Desk.LOOKS, Desk.BULK)


def desks_of(place: int, processes: int) -> frozenset[Desk]:
    """The desks at which the process at a place (0, 1, ...) of so many sits."""
    if processes == 1:
        return frozenset(Desk)
    if processes == 2:
        return frozenset(_OF_TWO[place % 2])
    return frozenset([SEATS[place % len(SEATS)]])


def have_fellows(desk: Desk, processes: int) -> bool:
    """Whether of so many processes more than one sits at a desk."""
    return sum(desk in desks_of(place, processes) for place in range(processes)) > 1


def desk_for(request: Any) -> Desk:
    """Where a request is answered whose header is here, as far as that tells."""
    path = request.path
    if path == EVENTS_PATH and request.method == "POST":
        return Desk.DOOR if _is_small(request) else Desk.BULK
    return Desk.DOOR if path in HEALTH_PATHS else Desk.LOOKS


def _is_small(request: Any) -> bool:
    reader = request.body.reader
    is_plain = isinstance(reader, LengthReader) and not request.fields("CONTENT-ENCODING")
    return is_plain and bool(reader.length <= SMALL_POST_BYTES)


class Ways:
    """The ways to all desks, made before the processes part: whichever sits at a desk takes what comes there."""

    def __init__(self) -> None:
        self._ends: dict[Desk, tuple[socket.socket, socket.socket]] = {}
        for desk in Desk:
            # Each message is one connection, and goes to one of those who wait for it.
            ends = self._ends[desk] = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
            for end in ends:
                end.setblocking(False)

    def arrivals(self, desk: Desk) -> socket.socket:
        """What is readable when a connection has come to a desk."""
        return self._ends[desk][1]

    def hand(self, desk: Desk, connection: socket.socket, received: bytes) -> bool:
        """Hand a connection over with what has come of its request; False when too many are on their way already.

        The caller closes its own end of it.
        """
        if len(received) > _MOST_CARRIED:
            return False
        try:
            socket.send_fds(self._ends[desk][0], [received], [connection.fileno()])
        except OSError as error:
            if error.errno not in _AWAY:
                raise
            return False
        return True

    def close(self, desk: Desk) -> None:
        """Close the way to a desk."""
        for end in self._ends[desk]:
            end.close()

    def take(self, desk: Desk) -> Iterator[tuple[socket.socket, bytes]]:
        """All connections that have come to a desk, each with what has come of its request."""
        with suppress(BlockingIOError):
            while True:
                received, descriptors, _, _ = socket.recv_fds(self.arrivals(desk), _MOST_CARRIED, 1)
                for descriptor in descriptors:
                    yield socket.socket(fileno=descriptor), received
                if not received:
                    return
