"""Counts within windows of time, for limits; those of all processes of a service are added up.

What is counted here is known at once. What the others count is fetched beside the answers, twice a second: over the
broker, which those of several machines share, or through a folder where there is none. So no answer ever waits for
either, and without them each process counts for itself.
"""

from __future__ import annotations

import logging
import os
import secrets
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import orjson
from limits.storage import Storage

if TYPE_CHECKING:
    from redis import Redis

log = logging.getLogger(__name__)

#: Begins the names of counts at the broker.
SCHEME: Final = "cutledger-counts"
EXCHANGE_SECONDS: Final = 0.5
#: A broker that did not answer is asked again after this time.
REST_SECONDS: Final = 5.0
_BROKER_SECONDS: Final = 0.5
#: Files of counts in a folder are named so.
_COUNTS: Final = "counts-"
#: Counts that are kept at once; beyond, those of windows that are over go, and when none is, all.
_MOST: Final = 50_000


@dataclass
class _Count:
    """A count of one window: what was counted here, how much of it is sent, what the others had when last asked."""

    window: int
    seconds: int
    own: int = 0
    sent: int = 0
    others: int = 0

    @property
    def total(self) -> int:
        return self.own + self.others

    @property
    def ends(self) -> float:
        return float((self.window + 1) * self.seconds)

    def runs(self, now: float) -> bool:
        """True in its window; a clock that was set back is in another, as one that went on is."""
        return int(now // self.seconds) == self.window


class SharedCounts(Storage):
    """A storage of counts for a limiter.

    broker: the address of the Redis where those of all are added up; folder: in which they are without one.
    """

    STORAGE_SCHEME = [SCHEME]  # noqa: RUF012

    def __init__(self, uri: str | None = None, wrap_exceptions: bool = False, **options: float | str | bool) -> None:
        super().__init__(uri, wrap_exceptions=wrap_exceptions)
        self._broker = str(options.get("broker") or "")
        self._folder = str(options.get("folder") or "")
        self._told = b""
        self._name = secrets.token_hex(8)
        self._counts: dict[str, _Count] = {}
        self._lock = threading.Lock()
        self._ended = threading.Event()
        self._exchange: threading.Thread | None = None

    @property
    def base_exceptions(self) -> type[Exception] | tuple[type[Exception], ...]:
        """What can fail: nothing that a limiter asks for."""
        return ()

    def incr(self, key: str, expiry: int, amount: int = 1) -> int:
        """Count; returns what is counted in the running window of `expiry` seconds."""
        now = time.time()
        with self._lock:
            count = self._counts.get(key)
            if count is None or not count.runs(now):
                self._make_room(now)
                count = self._counts[key] = _Count(int(now // expiry), expiry)
            count.own += amount
            total = count.total
        if (self._broker or self._folder) and self._exchange is None:
            self._begin()
        return total

    def get(self, key: str) -> int:
        """What is counted in the running window."""
        with self._lock:
            count = self._counts.get(key)
            return count.total if count is not None and count.runs(time.time()) else 0

    def get_expiry(self, key: str) -> float:
        """When the running window ends, in seconds since 1970; now where nothing is counted in it."""
        now = time.time()
        with self._lock:
            count = self._counts.get(key)
        return count.ends if count is not None and count.runs(now) else now

    def check(self) -> bool:
        """True: counting needs nobody else."""
        return True

    def reset(self) -> int | None:
        """Forget all counts of this process; returns how many."""
        with self._lock:
            count = len(self._counts)
            self._counts.clear()
        return count

    def clear(self, key: str) -> None:
        """Forget a count of this process."""
        with self._lock:
            self._counts.pop(key, None)

    def close(self) -> None:
        """Exchange no more."""
        self._ended.set()
        if self._exchange is not None:
            self._exchange.join(2 * _BROKER_SECONDS + 1)

    def _make_room(self, now: float) -> None:
        if len(self._counts) < _MOST:
            return
        self._counts = {key: count for key, count in self._counts.items() if count.runs(now)}
        if len(self._counts) >= _MOST:
            self._counts.clear()

    # --- with the other processes -------------------------------------------------------------------------------

    def _begin(self) -> None:
        with self._lock:
            if self._exchange is not None:
                return
            self._exchange = threading.Thread(target=self._go_on, name="cutledger-counts", daemon=True)
        self._exchange.start()

    def _go_on(self) -> None:
        if self._broker:
            self._go_on_over_the_broker()
        else:
            self._go_on_through_the_folder()

    def _go_on_through_the_folder(self) -> None:
        folder = Path(self._folder)
        while not self._ended.wait(EXCHANGE_SECONDS):
            try:
                self.exchange_files(folder)
            except OSError as error:
                log.warning("counts of limits are not exchanged, each process keeps limits by itself: %s", error)
                return

    def exchange_files(self, folder: Path) -> None:
        """Tell the other processes what was counted here by a file, and learn from theirs. Raises OSError."""
        now = time.time()
        with self._lock:
            running = {key: (each.window, each.own) for key, each in self._counts.items() if each.runs(now)}
        own = folder / f"{_COUNTS}{self._name}-{os.getpid()}"
        if (told := orjson.dumps(running)) != self._told:
            self._told = told
            part = own.with_suffix(".part")
            part.write_bytes(told)
            # Whoever reads it sees the whole of it.
            part.replace(own)
        others = [orjson.loads(file.read_bytes()) for file in folder.glob(f"{_COUNTS}*[0-9]") if file != own]
        with self._lock:
            for key, (window, _) in running.items():
                if (count := self._counts.get(key)) is not None and count.window == window:
                    found = [other[key][1] for other in others if key in other and other[key][0] == window]
                    count.others = sum(found)

    def _go_on_over_the_broker(self) -> None:
        # Without a broker nothing is exchanged: an embedded server need not load what speaks to one.
        from redis import Redis
        from redis.backoff import NoBackoff
        from redis.exceptions import RedisError
        from redis.retry import Retry

        redis = Redis.from_url(
            self._broker,
            socket_timeout=_BROKER_SECONDS,
            socket_connect_timeout=_BROKER_SECONDS,
            retry=Retry(NoBackoff(), 0),
        )
        away = False
        while not self._ended.wait(REST_SECONDS if away else EXCHANGE_SECONDS):
            try:
                told = self.exchange(redis)
                away = away and not told
            except (RedisError, OSError) as error:
                if not away:
                    log.warning("the broker is away, each process keeps limits by itself: %s", type(error).__name__)
                away = True
        redis.close()

    def exchange(self, redis: Redis) -> bool:
        """Tell the broker what was counted here, and learn what all have counted; False when there was nothing to tell.

        Raises RedisError and OSError.
        """
        now = time.time()
        with self._lock:
            sent = [(key, count, count.own) for key, count in self._counts.items()
                    if count.own != count.sent and count.runs(now)]  # fmt: skip
        if not sent:
            return False
        # A process may be a copy of the one that made this.
        process = f"{self._name}-{os.getpid()}"
        with redis.pipeline(transaction=False) as pipeline:
            for key, count, own in sent:
                name = f"{SCHEME}:{key}:{count.window}"
                # Not what was added but the whole, so that it may be sent again: an answer that was late was an answer.
                pipeline.hset(name, process, str(own))
                pipeline.expire(name, int(count.ends - now) + 2)
                pipeline.hvals(name)
            totals = [sum(map(int, told)) for told in pipeline.execute()[2::3]]
        with self._lock:
            for (_, count, own), total in zip(sent, totals, strict=True):
                count.sent = own
                count.others = total - own
        return True
