"""How much may be asked: by each key, by each address that sends none, and how many wrong keys may be tried.

A key, or an address, may spend so much within ten seconds; what takes the service long costs more. Answers say what is
left in the RateLimit fields of draft-ietf-httpapi-ratelimit-headers-09. Wrong keys are counted by the address that
sends them and by the visible id in them.
"""

from __future__ import annotations

import ipaddress
import math
import time
from dataclasses import dataclass
from typing import Final, cast

from flask import Flask, Response, g, request
from flask_limiter import Limiter, RequestLimit
from limits import RateLimitItemPerSecond

from service.problems import Problem
from service.shared_counts import SCHEME, SharedCounts

WINDOW_SECONDS: Final = 10
#: What may be spent within WINDOW_SECONDS, a second: more than one process can answer of what costs least.
RATE: Final = 2_000
FAILURES_SECONDS: Final = 60
#: Wrong keys that may be tried within FAILURES_SECONDS.
FAILURES: Final = 60
#: What a request to a blueprint costs; to any other one 1.
COSTS: Final = {"reports": 10, "plan": 10, "prechecks": 10, "audit": 100}
#: A host has at least this part of an address of version 6 to itself.
_PREFIX_BITS: Final = 64


@dataclass(frozen=True)
class Limits:
    """What may be asked: `rate` a second by a key or an address, `failures` a minute; 0 stands for no limit."""

    rate: int = RATE
    failures: int = FAILURES


class Rates:
    """The limits of an application, and what was spent of them."""

    def __init__(self, limits: Limits, *, broker_url: str | None = None) -> None:
        quota = limits.rate * WINDOW_SECONDS
        self._limiter = Limiter(
            _asker,
            application_limits=[f"{quota} per {WINDOW_SECONDS} second"] if limits.rate else [],
            application_limits_cost=_cost,
            storage_uri=f"{SCHEME}://",
            storage_options={"broker": broker_url or ""},
            on_breach=_refuse,
            strategy="fixed-window",
        )
        self._failures = RateLimitItemPerSecond(limits.failures, FAILURES_SECONDS) if limits.failures else None

    def hold(self, app: Flask) -> None:
        """Hold an application's requests to the limits, from here on in their course."""
        self._limiter.init_app(app)
        app.after_request(self._tell)

    def close(self) -> None:
        """End what goes on beside the answers."""
        cast(SharedCounts, self._limiter.storage).close()

    def failed(self, address: str | None, key_id: str | None) -> None:
        """Count a wrong key: by the address that sent it and by the visible id in it."""
        if self._failures is not None:
            for who in _suspects(address, key_id):
                self._limiter.limiter.hit(self._failures, *who)

    def refuse_guess(self, address: str | None, key_id: str | None) -> None:
        """Raise a Problem 429 when too many wrong keys came from this address, or under this visible id."""
        if self._failures is None:
            return
        for who in _suspects(address, key_id):
            if not self._limiter.limiter.test(self._failures, *who):
                ends = self._limiter.limiter.get_window_stats(self._failures, *who).reset_time
                where = "came from this address" if who[1] == "address" else "were sent under the id of this key"
                raise _too_many(f"too many wrong keys {where}", ends)

    def _tell(self, response: Response) -> Response:
        limit = self._limiter.current_limit
        if limit is not None:
            policy = _policy()
            left = f"r={limit.remaining};t={_seconds_until(limit.window.reset_time)}"
            response.headers["RateLimit-Policy"] = f'"{policy}";q={limit.limit.amount};w={WINDOW_SECONDS}'
            response.headers["RateLimit"] = f'"{policy}";{left}'
        return response


def _suspects(address: str | None, key_id: str | None) -> list[tuple[str, str, str]]:
    named = [("address", shortened(address))] + ([("key", key_id)] if key_id else [])
    return [("failures", kind, name) for kind, name in named]


def shortened(address: str | None) -> str:
    """What stands for who asks: the address; of version 6 its network, within which a host takes any."""
    try:
        found = ipaddress.ip_address((address or "").partition("%")[0])
    except ValueError:
        return "unknown"
    if found.version == 6 and (mapped := found.ipv4_mapped) is not None:
        found = mapped
    return str(found) if found.version == 4 else str(ipaddress.ip_network((found, _PREFIX_BITS), strict=False))


def _policy() -> str:
    return "key" if "asker" in g else "address"


def _asker() -> str:
    return f"key:{g.asker.key.key_id}" if "asker" in g else f"address:{shortened(request.remote_addr)}"


def _cost() -> int:
    return COSTS.get(request.blueprint or "", 1)


def _refuse(limit: RequestLimit) -> None:
    who = "this key" if _policy() == "key" else "this address"
    raise _too_many(f"{who} asked for too much within {WINDOW_SECONDS} s", limit.window.reset_time)


def _too_many(what: str, ends: float) -> Problem:
    wait = _seconds_until(ends)
    return Problem(429, "too-many", f"{what}; ask again in {wait} s", headers={"Retry-After": str(wait)})


def _seconds_until(ends: float) -> int:
    return max(1, math.ceil(ends - time.time()))
