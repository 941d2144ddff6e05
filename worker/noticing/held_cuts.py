"""Cuts that were started on, by or for what was held: one finding a hold, closed when the hold is lifted."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from worker.events import HOLD
from worker.holds import OPEN, HeldCut, Hold, cuts_on, holds, named
from worker.noticing.finding import HELD, Finding
from worker.reports.reading import Reader, instant
from worker.sentences import counted, sentence

CODE: Final = "cut_while_held"
#: Attempts that a finding names.
MOST_NAMED: Final = 20


def held_cuts(reader: Reader) -> Iterator[Finding]:
    """A finding for each open hold under which something was started."""
    for hold in holds(reader, state=OPEN, with_owed=False):
        if cuts := list(cuts_on(reader, hold)):
            yield _finding(reader, hold, cuts)


def _finding(reader: Reader, hold: Hold, cuts: list[HeldCut]) -> Finding:
    days = [reader.calendar.place(cut.started_us).day for cut in (cuts[0], cuts[-1])]
    return Finding(
        kind=HELD,
        code=CODE,
        subject_kind=HOLD,
        subject=hold.hold,
        other="",
        detail=sentence(
            "%(what)s is held, and %(cuts)s began all the same: %(names)s",
            what=named(hold),
            cuts=counted(len(cuts), "%(count)s attempt", "%(count)s attempts"),
            names=", ".join(cut.attempt for cut in cuts[:MOST_NAMED]),
        ),
        figures={
            "on": hold.on,
            "reason": hold.told["reason"],
            "attempts": [cut.attempt for cut in cuts[:MOST_NAMED]],
            "attempts_count": len(cuts),
            "first_at": instant(cuts[0].started_us).isoformat(),
            "last_at": instant(cuts[-1].started_us).isoformat(),
        },
        first_day=days[0],
        last_day=days[1],
    )
