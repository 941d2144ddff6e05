"""What is pushed of holds, in the transaction that counts their events: placed, lifted; told once each."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any
from urllib.parse import quote

from worker.events import HOLD, HOLD_FIELDS, PLACED
from worker.ledger import View
from worker.pushes.saying import HOLD_LIFTED, HOLD_PLACED, News, say_all
from worker.records import Event


def tell_holds(view: View, holds: Collection[str], *, since: Collection[tuple[str, str]], now_us: int) -> None:
    """Say what events of these holds say that were counted just now: (source, id) in `since`, and not voided."""
    if not holds:
        return
    told = view.of_subjects(HOLD, sorted(holds))
    events = sorted(event for some in told.values() for event in some if (event.source, event.id) in since)
    say_all(view.connection, view.site, [_news(event) for event in events], now_us)


def _news(event: Event) -> News:
    is_placed = event.type == PLACED
    data: dict[str, Any] = {"hold": event.subject, "path": f"/v1/holds/{quote(event.subject, safe='')}"}
    if is_placed:
        data |= {name: event.data.get(name) for name in ("mill", *HOLD_FIELDS, "finding")}
    else:
        data["disposition"] = event.data.get("disposition")
    topic = HOLD_PLACED if is_placed else HOLD_LIFTED
    return News(topic, f"{event.subject}\0{event.source}\0{event.id}", data)
