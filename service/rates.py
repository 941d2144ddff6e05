"""How much may be asked: by each key, by each address that sends none, and how many wrong keys may be tried.

A key, or an address, may spend so much within ten seconds; what takes the service long costs more. Answers say what is
left in the RateLimit fields of draft-ietf-httpapi-ratelimit-headers-09. Wrong keys are counted by the address that
sends them together with the visible id in them: so one broken terminal locks out neither its neighbours nor, from
elsewhere, the holder of that id.
"""

from __future__ import annotations

import ipaddress
import math
import re
import time
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Final

from flask import Flask, Response, g, request
from limits import RateLimitItemPerSecond
from limits.strategies import FixedWindowRateLimiter

from service.problems import Problem
from service.shared_counts import SharedCounts

WINDOW_SECONDS: Final = 10
#: What may be spent within WINDOW_SECONDS, a second: more than one process can answer of what costs least.
RATE: Final = 2_000
FAILURES_SECONDS: Final = 60
#: Wrong keys of one visible id, or without one, that an address may try within FAILURES_SECONDS.
FAILURES: Final = 60
#: So many times as many it may try in all.
_ALL_FAILURES: Final = 10
#: Beyond these limits so many keys a second are looked at all the same: one of them may be right.
LOOKS: Final = 5
#: What a request to an endpoint, or else to its blueprint, costs; any other one, or one of somebody unknown, costs 1.
COSTS: Final = {
    "reports": 10, "plan": 10, "prechecks": 10, "findings": 10, "proofs": 10, "trials": 10, "tracing": 10,
    "metrics": 10, "webhooks.post_webhook_test": 10, "proofs.post_proof": 100, "trials.post_trial": 100,
    "audit.post_audit": 100, "people": 100,
    # Pages that show the same.
    "pages.week": 10, "pages.week_csv": 10, "pages.week_xlsx": 10, "pages.week_pdf": 10, "pages.limit": 10,
    "pages.change": 10, "pages.recipes": 10, "pages.findings": 10, "pages.finding": 10, "pages.precheck": 10,
    "pages.job": 10, "pages.plate": 10, "pages.attempt": 10, "pages.trials": 10, "pages.trial": 10,
    "pages.post_trial": 100,
}  # fmt: skip
#: What the name of a limit ends with that holds for all that somebody asks.
_ALL: Final = "global"
#: A host has at least this part of an address of version 6 to itself.
_PREFIX_BITS: Final = 64
#: Some proxies add the port.
_WITH_PORT: Final = re.compile(r"\[([^\]]*)\](?::\d+)?|([^:]*):\d+", re.ASCII)


@dataclass(frozen=True)
class Limits:
    """What may be asked: `rate` a second by a key or an address, `failures` a minute; 0 stands for no limit."""

    rate: int = RATE
    failures: int = FAILURES


@dataclass(frozen=True)
class _Suspect:
    """Of whom wrong keys are counted, up to which limit."""

    limit: RateLimitItemPerSecond
    names: tuple[str, ...]
    said: str


class Rates:
    """The limits of an application, and what was spent of them."""

    def __init__(self, limits: Limits, *, broker_url: str | None = None, folder: Path | None = None) -> None:
        """broker_url, folder: where the processes of a service add up what each of them counted."""
        self._counts = SharedCounts(broker=broker_url or "", folder=str(folder or ""))
        self._limiter = FixedWindowRateLimiter(self._counts)
        self._quota = RateLimitItemPerSecond(limits.rate * WINDOW_SECONDS, WINDOW_SECONDS)
        self._failures = limits.failures
        self._looks = RateLimitItemPerSecond(LOOKS, 1)

    def hold(self, app: Flask) -> None:
        """Hold an application's requests to the limits, from here on in their course."""
        if self._quota.amount:
            app.before_request(self._spend)
            app.after_request(self._tell)

    def close(self) -> None:
        """End what goes on beside the answers."""
        self._counts.close()

    def failed(self, address: str | None, key_id: str | None) -> None:
        """Count a wrong key: by the address that sent it, with the visible id in it and without."""
        for who in self._suspects(address, key_id):
            self._limiter.hit(who.limit, *who.names)

    def too_many_failures(self, address: str | None, key_id: str | None) -> Problem | None:
        """A Problem 429 when too many wrong keys came from this address."""
        for who in self._suspects(address, key_id):
            if not self._limiter.test(who.limit, *who.names):
                ends = self._limiter.get_window_stats(who.limit, *who.names).reset_time
                return _too_many(f"too many wrong keys came from this address{who.said}", ends)
        return None

    def may_look(self, address: str | None, key_id: str | None) -> bool:
        """True for the first few keys of each second from an address that sent too many wrong ones."""
        over = [who for who in self._suspects(address, key_id) if not self._limiter.test(who.limit, *who.names)]
        return all(self._limiter.hit(self._looks, *who.names) for who in over)

    def _suspects(self, address: str | None, key_id: str | None) -> list[_Suspect]:
        if not self._failures:
            return []
        one, all_ = (RateLimitItemPerSecond(self._failures * times, FAILURES_SECONDS) for times in (1, _ALL_FAILURES))
        place = shortened(address)
        said = " under the id of this key" if key_id else " without the id of a key"
        return [_Suspect(one, ("id", place, key_id or ""), said), _Suspect(all_, ("address", place), "")]

    def _spend(self) -> None:
        """Count the running request; raises a Problem 429 when that is too much."""
        known = "asker" in g
        who = f"key:{g.asker.key.key_id}" if known else f"address:{shortened(request.remote_addr)}"
        count = self._quota.key_for(who, _ALL)
        spent = self._counts.incr(count, WINDOW_SECONDS, self._cost() if known else 1)
        ends = self._counts.get_expiry(count)
        policy = "key" if known else "address"
        g.spent = policy, max(0, self._quota.amount - spent), ends
        if spent > self._quota.amount:
            raise _too_many(f"this {policy} asked for too much within {WINDOW_SECONDS} s", ends)

    def _cost(self) -> int:
        """What the running request costs; never more than there is, which a small rate would never allow."""
        cost = COSTS.get(request.endpoint or "") or COSTS.get(request.blueprint or "", 1)
        return min(cost, self._quota.amount)

    def _tell(self, response: Response) -> Response:
        if "spent" in g:
            policy, left, ends = g.spent
            response.headers["RateLimit-Policy"] = f'"{policy}";q={self._quota.amount};w={WINDOW_SECONDS}'
            response.headers["RateLimit"] = f'"{policy}";r={left};t={_seconds_until(ends)}'
        return response


@lru_cache(maxsize=4096)
def shortened(address: str | None) -> str:
    """What stands for who asks: the address; of version 6 its network, within which a host takes any."""
    address = address or ""
    if (with_port := _WITH_PORT.fullmatch(address)) is not None:
        address = with_port[1] or with_port[2] or ""
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return "unknown"
    if found.version == 6 and (mapped := found.ipv4_mapped) is not None:
        found = mapped
    return str(found) if found.version == 4 else str(ipaddress.ip_network((found, _PREFIX_BITS), strict=False))


def _too_many(what: str, ends: float) -> Problem:
    wait = _seconds_until(ends)
    return Problem(429, "too-many", f"{what}; ask again in {wait} s", headers={"Retry-After": str(wait)})


def _seconds_until(ends: float) -> int:
    return max(1, math.ceil(ends - time.time()))
