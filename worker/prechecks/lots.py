"""The plate's heat beside the others: what was cut of it, what report lots says of it, and heats not to be offered."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from worker.measures import FIRST_PASS
from worker.prechecks.past import heat_of
from worker.reports.bad_lots import bad_lots
from worker.reports.dimensions import DIMENSIONS
from worker.reports.questions import Question
from worker.reports.reading import Reader, attempt_groups, settled
from worker.sentences import sentence

WORSE: Final = "worse"
WATCH: Final = "watch"
NOT_OFFERED: Final = (WORSE, WATCH)
NOTHING_JUDGED: Final = sentence("nothing of this heat was judged yet")
_COMPARED: Final = (
    "parts", "not_good", "plates", "failure_share", "expected_share", "verdict", "suspect", "reason",
)  # fmt: skip
_NAMES: Final = (FIRST_PASS.n, FIRST_PASS.x, FIRST_PASS.clusters)
_VERDICTS: Final = (WORSE, WATCH, "better")


class Lots:
    """Report lots over the window, and what was cut of the plate's own heat. Mills are matched by their keys."""

    def __init__(self, reader: Reader, question: Question, plate: Mapping[str, Any]) -> None:
        self.plate = plate
        self.own = heat_of(plate["mill"], plate["heat_number"])
        rows = bad_lots(reader, question).rows
        self._rows = [row for row in rows if self._is_own(row["mill"], row["lot"])]
        self._bad = {heat_of(row["mill"], str(row["lot"])) for row in rows if row["verdict"] in NOT_OFFERED}
        self._judged = _judged(reader, question, plate["heat_number"])

    def _is_own(self, mill: Any, number: Any) -> bool:
        return self.own is not None and heat_of(mill, number) == self.own

    @property
    def row(self) -> Mapping[str, Any] | None:
        """What report lots has of the heat; of several spellings of its mill the gravest, then that of most parts."""

        def rank(row: Mapping[str, Any]) -> tuple[int, int, str]:
            verdict = row["verdict"]
            return (_VERDICTS.index(verdict) if verdict else len(_VERDICTS)), -row["parts"], row["mill"] or ""

        return min(self._rows, key=rank, default=None)

    @property
    def worse(self) -> bool:
        """The plate's own heat is worse than chance explains."""
        return self.row is not None and self.row["verdict"] == WORSE

    @property
    def other_mills(self) -> list[str]:
        """Mills under which the heat number is known here, where it is not known under the plate's."""
        if any(self._is_own(mill, self.plate["heat_number"]) for mill in self._judged):
            return []
        return sorted(mill for mill in self._judged if mill is not None)

    def is_bad(self, mill: str | None, number: str | None) -> bool:
        """Of a heat that is worse than chance explains, or to be watched; where no mill is noted, under any."""
        heat = heat_of(mill, number)
        if heat is None:
            return False
        return heat in self._bad or (mill is None and any(one.number == number for one in self._bad if one))

    def is_own(self, mill: str | None, number: str | None) -> bool:
        """Of the plate's own heat."""
        return self._is_own(mill, number)

    def plain(self) -> dict[str, Any] | None:
        """As it is shown; None while the heat number is not known."""
        if self.own is None:
            return None
        row = self.row
        told: dict[str, Any] = {name: None if row is None else row[name] for name in _COMPARED}
        judged = [sums for mill, sums in self._judged.items() if self._is_own(mill, self.own.number)]
        parts, good, plates = (sum(sums[name] for sums in judged) for name in _NAMES)
        if row is None:
            told |= {"parts": 0, "not_good": 0, "plates": 0, "reason": NOTHING_JUDGED}
        return {
            "heat_number": self.own.number,
            "mill": self.plate["mill"],
            "judged_parts": parts,
            "judged_not_good": parts - good,
            "judged_plates": plates,
            **told,
            "other_mills": self.other_mills,
        }


def _judged(reader: Reader, question: Question, number: str | None) -> dict[str | None, dict[str, int]]:
    """Judged parts of first attempts of a heat number over settled days, by mill as it was noted."""
    if number is None:
        return {}
    asked, _ = settled(reader, question)
    by = (DIMENSIONS["mill"],)
    filters = {**question.filters, "heat_number": (number,)}
    groups = attempt_groups(reader, replace(asked, by=by, filters=filters), FIRST_PASS.names)
    return {mill: sums for (mill,), sums in groups.items() if sums[FIRST_PASS.n]}
