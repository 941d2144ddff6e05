"""What a job made, by operation and posting day, as whole numbers that add up. Pure.

Amounts are one flat mapping: so sums and differences are those of numbers. A key names its kind, and what the amount
is of; no id holds the separator. Kinds of the job's own operation, on the production day of the attempt:

- the counts of PARTS, and `attempts`: finished attempts;
- `scrap_reason`, reason, cause: parts scrapped; `not_made_reason`, reason, cause: parts not made;
- `machine_minutes_e3`, machine: thousandths of a minute; `timed` and `untimed`, machine: attempts that tell their time,
  and that do not;
- `plate_parts`, plate, heat number: parts tried from a plate.

On the production day on which the plate was closed as used (see `plate_shares`):

- `plate_mass_mg`, plate, heat number;
- `remnant`, plate, remnant, heat number, length, width, thickness, `steel` where it is known to be: how many.

Of each rework operation, on the day of the work: `rework_minutes_e3`, and `finishing_minutes_e3` that was planned.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from worker.losses import UNSTATED
from worker.lost_parts import SEVERAL

Amounts = Counter[str]
#: (job, operation, posting day)
Place = tuple[str, str, str]

#: Operation of the cut where the job names none.
CUTTING: Final = "cutting"
PARTS: Final = (
    "tried", "good", "recovered", "rework", "in_rework", "pending", "scrap", "scrapped", "not_made",
)  # fmt: skip
ATTEMPTS: Final = "attempts"
SCRAP_REASON: Final = "scrap_reason"
NOT_MADE_REASON: Final = "not_made_reason"
MACHINE_MINUTES: Final = "machine_minutes_e3"
TIMED: Final = "timed"
UNTIMED: Final = "untimed"
PLATE_PARTS: Final = "plate_parts"
PLATE_MASS: Final = "plate_mass_mg"
REMNANT: Final = "remnant"
REWORK_MINUTES: Final = "rework_minutes_e3"
FINISHING_MINUTES: Final = "finishing_minutes_e3"
_SEPARATOR: Final = "\x1f"
_MS_IN_MINUTE_E3: Final = 60


def key_of(kind: str, *names: str | None) -> str:
    """The key of an amount; None is a name that is not known."""
    return _SEPARATOR.join((kind, *(name or "" for name in names)))


def names_of(key: str) -> tuple[str, tuple[str | None, ...]]:
    """(kind, names) of a key."""
    kind, *names = key.split(_SEPARATOR)
    return kind, tuple(name or None for name in names)


@dataclass(frozen=True)
class Scope:
    """Which amounts of some jobs are counted anew; None is all."""

    days: Collection[str] | None
    plates: Collection[str] | None
    reworked: bool

    def holds(self, day: str, key: str) -> bool:
        """True when the amount under a key, posted on a day, is within it."""
        kind, names = names_of(key)
        if kind in (PLATE_MASS, REMNANT):
            return self.plates is None or names[0] in self.plates
        if kind in (REWORK_MINUTES, FINISHING_MINUTES) and not self.reworked:
            return False
        return self.days is None or day in self.days


def difference(now: Mapping[Place, Amounts], kept: Mapping[Place, Amounts], scope: Scope) -> dict[Place, Amounts]:
    """What has to be added to the kept amounts, as far as they are in scope, to give those of now; never a zero."""
    found: dict[Place, Amounts] = {}
    for place in now.keys() | kept.keys():
        more = Counter(now.get(place, {}))
        more.subtract({key: amount for key, amount in kept.get(place, {}).items() if scope.holds(place[2], key)})
        if change := Counter({key: amount for key, amount in more.items() if amount}):
            found[place] = change
    return found


def added(amounts: Mapping[str, int], change: Mapping[str, int]) -> Amounts:
    """The sum of amounts; none of it a zero."""
    whole = Counter(amounts)
    whole.update(change)
    return Counter({key: amount for key, amount in whole.items() if amount})


def minutes_e3(milliseconds: int) -> int:
    """Thousandths of a minute, rounded once: of a whole day on a machine, so that increments add up to it."""
    return round(Fraction(milliseconds, _MS_IN_MINUTE_E3))


def lost_reasons(
    *, outcome: str, scrapped: int, not_made: int, lost_by_term: Mapping[str, int], causes: Iterable[str]
) -> Amounts:
    """Amounts of an attempt's parts scrapped and not made, by reason and cause.

    lost_by_term: parts lost of all kinds by defect term, as `worker.lost_parts` divides them; causes: its words. Where
    all that were lost are scrapped or not made, these terms are the reasons, as they stand. The parts not made take
    first: the outcome, then terms from the largest on (equal ones by name). Where some are reworked, nobody said which
    term the scrapped ones had: the one term that there is, else `several`.
    """
    cause = next(iter(causes), UNSTATED)
    left = Counter(lost_by_term)
    of_not_made = Counter({outcome: min(not_made, left[outcome])})
    left -= of_not_made
    if sum(lost_by_term.values()) == scrapped + not_made:
        for term in sorted(left, key=lambda term: (-left[term], term)):
            of_not_made[term] += min(left[term], not_made - of_not_made.total())
        of_scrapped = Counter(lost_by_term) - of_not_made
    else:
        word = _one_of(left)
        of_not_made[word] += not_made - of_not_made.total()
        of_scrapped = Counter({word: scrapped})
    found: Amounts = Counter()
    for kind, terms in ((NOT_MADE_REASON, of_not_made), (SCRAP_REASON, of_scrapped)):
        found.update({key_of(kind, term, cause): parts for term, parts in terms.items() if parts})
    return found


def _one_of(terms: Collection[str]) -> str:
    if len(terms) == 1:
        return next(iter(terms))
    return SEVERAL if terms else UNSTATED
