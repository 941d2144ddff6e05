"""Does the broker answer: asked now and then by those who watch, never by an answer to an event."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

#: A broker that takes longer to say that it is there counts as away.
ANSWER_SECONDS: Final = 0.25


class Broker:
    """The Redis over which workers are woken."""

    def __init__(self, url: str, *, failed: Callable[[], None] = lambda: None) -> None:
        # Here and below: an embedded server has no broker, and need not load what speaks to one.
        from redis import Redis
        from redis.backoff import NoBackoff
        from redis.retry import Retry

        self._redis = Redis.from_url(
            url,
            socket_timeout=ANSWER_SECONDS,
            socket_connect_timeout=ANSWER_SECONDS,
            retry=Retry(NoBackoff(), 0),
        )
        self._failed = failed

    def answers(self) -> bool:
        """True when the broker answers at once."""
        from redis.exceptions import RedisError

        try:
            return bool(self._redis.ping())
        except (RedisError, OSError):
            self._failed()
            return False

    def close(self) -> None:
        """Close the connections."""
        self._redis.close()
