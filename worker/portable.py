"""The portable form of a ledger: lines of JSON that carry all that an equal audit elsewhere needs.

A header line (format, version, release), then for each site a line of its own and its events in the order of their
positions, then a closing line with counts and the SHA-256 of all lines before it. An event stands as it is kept, byte
for byte, beside its receipt and the hash of its content: the hash is made with names of people as they were sent, and
could not be made again from what is kept. Positions and what is counted are left out, so that the same ledger gives
the same lines, whichever database holds it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, Final

import orjson

FORMAT: Final = "cutledger-ledger"
VERSION: Final = 1
#: Above what the door takes in one body, so above every event that it ever took.
LONGEST_LINE: Final = 17 * 1024 * 1024

_EVENT_LINE: Final = re.compile(
    rb'\{"received_us":([0-9]{1,18}),"hash":"([0-9a-f]{32})","event":(\{.*\})\}\n', re.DOTALL
)


@dataclass(frozen=True)
class Site:
    """A site as it travels. `people_key`: the secret of its pseudonyms, None when it stays at home.

    people_generation: of which generation the secret is, told with it alone.
    """

    site: str
    created_us: int
    people_key: bytes | None
    people_generation: int = 0


@dataclass(frozen=True)
class Counts:
    """How many sites and events a file holds."""

    sites: int
    events: int


def header_line(release: str, *, people_keys: bool) -> bytes:
    """First line of a file."""
    return _line({"format": FORMAT, "version": VERSION, "release": release, "people_keys": people_keys})


def site_line(site: Site) -> bytes:
    """Line before the events of a site."""
    told: dict[str, Any] = {"site": site.site, "created_us": site.created_us}
    if site.people_key is not None:
        told["people_key"] = site.people_key.hex()
        if site.people_generation:
            told["people_generation"] = site.people_generation
    return _line(told)


def event_line(payload: bytes, *, received_us: int, content_hash: bytes) -> bytes:
    """Line of an event, which stands in it as it is kept."""
    return b'{"received_us":%d,"hash":"%s","event":%s}\n' % (received_us, content_hash.hex().encode(), payload)


def closing_line(counts: Counts, sha256: str) -> bytes:
    """Last line of a file, without which it is none."""
    return _line({"end": {"sites": counts.sites, "events": counts.events, "sha256": sha256}})


def event_parts(line: bytes) -> tuple[int, bytes, bytes] | None:
    """(receipt in microseconds, content hash, event as kept) of an event's line; None for any other line."""
    found = _EVENT_LINE.fullmatch(line)
    return None if found is None else (int(found[1]), bytes.fromhex(found[2].decode()), found[3])


def is_header(line: bytes) -> bool:
    """True for the first line of a file of this format, of whatever version."""
    try:
        told = orjson.loads(line)
    except orjson.JSONDecodeError:
        return False
    return isinstance(told, dict) and told.get("format") == FORMAT


def _line(told: dict[str, Any]) -> bytes:
    return orjson.dumps(told, option=orjson.OPT_APPEND_NEWLINE)
