"""All that is looked for in a site's figures at one moment."""

from __future__ import annotations

from datetime import timedelta
from typing import Final

from worker.noticing.drifts import drifts
from worker.noticing.entries import implausible
from worker.noticing.finding import Finding
from worker.noticing.held_cuts import held_cuts
from worker.noticing.proofs import decided_proofs
from worker.noticing.series import series
from worker.noticing.standings import standings_changed
from worker.noticing.steel import conditions, lots
from worker.reports.questions import Question
from worker.reports.reading import Reader
from worker.reports.standings import standing_question

#: Days that comparisons look back over: half a year, ended by the running production day.
WINDOW_DAYS: Final = 26 * 7
#: Days for which an implausible entry is spoken of.
ENTRY_DAYS: Final = 8 * 7


def noticed(reader: Reader, *, now_us: int) -> list[Finding]:
    """Findings of the kinds that are looked for, by key: a function of what is counted and of the running day."""
    today = reader.today(now_us)

    def since(days: int) -> Question:
        first = today - timedelta(days=days - 1)
        return Question(first, today, (), {"purpose": ("production",)}, {"purpose": ("production",)}, 0.95)

    window = since(WINDOW_DAYS)
    steel = lots(reader, window)
    found = [
        *steel,
        *conditions(reader, window),
        *drifts(reader, window, bad_lots={(one.other or None, one.subject) for one in steel}),
        *implausible(reader, since(ENTRY_DAYS)),
        *series(reader, since(ENTRY_DAYS)),
        *decided_proofs(reader, window),
        *held_cuts(reader),
        *standings_changed(reader, standing_question(reader, today)),
    ]
    return sorted(found, key=lambda finding: finding.key)
