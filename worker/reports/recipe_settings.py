"""All settings that two recipes were cut with, beside each other: report recipes tells those that differ alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from worker.reports.catalogue import REPORTS
from worker.reports.questions import Question
from worker.reports.reading import Reader
from worker.reports.recipe_cells import read_used
from worker.reports.withholding import without_few


@dataclass(frozen=True)
class Setting:
    """A setting, with its unit in its name: of each recipe the value on most of its attempts; None where not told.

    `shares`: of each, the share of its attempts that had that value.
    """

    name: str
    values: tuple[float | None, ...]
    shares: tuple[float | None, ...]

    @property
    def differs(self) -> bool:
        """True when the recipes do not all have one value."""
        return len(set(self.values)) > 1


def settings_beside(reader: Reader, question: Question, recipes: Sequence[str]) -> list[Setting]:
    """Every setting that one of these recipes was cut with in the window, by name."""
    keys = [reader.calendar.latest.key_of("recipe", name) for name in recipes]
    entry = REPORTS["recipes"]
    # As the report itself: without what tells of too few people.
    shown = without_few(reader, question, entry.known_by(question), also_read=entry.also_reads(question)).question
    found = read_used(reader, shown, set(keys))
    used = [found[key].values if key in found else {} for key in keys]
    names = sorted({name for values in used for name in values})
    pairs = {name: [values.get(name, (None, None)) for values in used] for name in names}
    return [
        Setting(name, tuple(value for value, _ in pairs[name]), tuple(share for _, share in pairs[name]))
        for name in names
    ]
