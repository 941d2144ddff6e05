"""What an attempt lost, by stage, defect term, location and cause: parts, minutes and money, each once. Pure.

Each sort of word divides the parts that the attempt lost (rework, scrap and not made), its minutes of rework and its
cost, so that they add up over the words to what the tallies count:

- stage: parts as `worker.losses` places them.
- term: within each stage the terms named there take parts, the one with the largest count first (equal ones by name),
  at most what is left of the stage; the one term named without a count takes the rest, several such leave it to
  `several`. Of the parts not made that no term explains the outcome is the word (`pierce_failed`, `not_severed`,
  `aborted`); of all others `unstated`.
- location: the same, by the places of the defects; nobody says where a part was not made, so it is `unstated`.
- cause: an event says no parts of a cause. All parts go to the one cause that the attempt's events name, with two or
  more to `several`, with none to `unstated`. Suspected and confirmed are told apart.

Minutes and cost are known of the whole attempt: they go to the word when the attempt names only one of the sort, else
to `several`, and to `unstated` when it names none.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from worker.folding import Cut
from worker.losses import LOST_AT, UNSTATED, Entry, stage_not_made
from worker.placing import Row

SORTS: Final = ("stage", "term", "location", "cause")
SEVERAL: Final = "several"


#: (stage, word, parts): parts None stands for all that are left.
Named = tuple[str, str, int | None]
_NO_REST: Final[Mapping[str, str]] = MappingProxyType({})


@dataclass(frozen=True)
class Division:
    """Parts of one attempt by the words of a sort.

    `lost` adds up to the parts that it lost. `named`: on how many of them a word was named; one part may be named
    by several words.
    """

    lost: Mapping[str, int]
    named: Mapping[str, int]


def lost_parts_of(cut: Cut, row: Row) -> Iterable[Row]:
    """Rows of a finished attempt whose own row is `row`; none when it lost neither parts nor time."""
    lost = {stage: row[column] for column, stage in LOST_AT.items()}
    if not (row["rework_minutes_e3"] or row["lost_us"] or any(lost.values())):
        return
    for sort, division in divided(cut, lost).items():
        yield from _rows(sort, division, cut, row)


def divided(cut: Cut, lost: Mapping[str, int]) -> dict[str, Division]:
    """The division of an attempt's lost parts, given by stage, by each sort of word."""
    whole = sum(lost.values())
    entries = [entry for entry in (*cut.defects, *cut.not_made_defects) if entry.parts != 0]
    outcome = {stage_not_made(cut.outcome): cut.outcome or UNSTATED} if cut.not_made else {}
    causes = dict.fromkeys(sorted(cut.causes), whole)
    return {
        "stage": Division(lost, _named_stages(cut, entries, whole)),
        "term": _shared_out([(entry.stage, entry.term, entry.parts) for entry in entries], lost, rest=outcome),
        "location": _shared_out([(e.stage, e.location, e.parts) for e in entries if e.location], lost),
        "cause": Division({_bearer(causes): whole}, causes),
    }


def _named_stages(cut: Cut, entries: Iterable[Entry], whole: int) -> dict[str, int]:
    """Parts on which a stage was named: the most of one of its terms, and those not made."""
    of_terms: dict[str, Counter[str]] = {}
    for entry in entries:
        of_terms.setdefault(entry.stage, Counter())[entry.term] += whole if entry.parts is None else entry.parts
    named = {stage: max(terms.values()) for stage, terms in of_terms.items()}
    if cut.not_made:
        at = stage_not_made(cut.outcome)
        named[at] = named.get(at, 0) + cut.not_made
    return {stage: min(whole, parts) for stage, parts in named.items()}


def _shared_out(told: Sequence[Named], lost: Mapping[str, int], *, rest: Mapping[str, str] = _NO_REST) -> Division:
    """Division of the parts lost at each stage among the words named there. rest: by stage the word for what is left.

    With parts not made, what terms leave of their stage is no more than these: a stage holds at most what one of its
    terms counts of the others.
    """
    taken: Counter[str] = Counter()
    for stage, parts in lost.items():
        if not parts:
            continue
        at_stage = _taken([(word, count) for at, word, count in told if at == stage], parts)
        taken.update(at_stage)
        taken[rest.get(stage, UNSTATED)] += parts - sum(at_stage.values())
    whole = sum(lost.values())
    named: Counter[str] = Counter()
    for _, word, count in told:
        named[word] += whole if count is None else count
    named.update({word: taken[word] for word in rest.values() if taken[word]})
    return Division(taken, {word: min(whole, parts) for word, parts in named.items()})


def _taken(told: Iterable[tuple[str, int | None]], parts: int) -> dict[str, int]:
    """Parts that each word takes of a stage: counted ones from the largest on, then the one without a count."""
    counts: Counter[str] = Counter()
    uncounted: set[str] = set()
    for word, count in told:
        if count is None:
            uncounted.add(word)
        else:
            counts[word] += count
    taken: Counter[str] = Counter()
    for word in sorted(counts, key=lambda word: (-counts[word], word)):
        taken[word] = min(counts[word], parts - taken.total())
    if uncounted:
        taken[uncounted.pop() if len(uncounted) == 1 else SEVERAL] += parts - taken.total()
    return taken


def _bearer(named: Collection[str]) -> str:
    """The word that bears what is known of the attempt as a whole."""
    if len(named) == 1:
        return next(iter(named))
    return SEVERAL if named else UNSTATED


def _rows(sort: str, division: Division, cut: Cut, row: Row) -> Iterator[Row]:
    bearer = _bearer(division.named)
    for word in sorted({*division.lost, *division.named, bearer}):
        parts_lost, parts_named = division.lost.get(word, 0), division.named.get(word, 0)
        minutes_e3, cost_e6 = (row["rework_minutes_e3"], row["cost_e6"]) if word == bearer else (0, 0)
        # A cost that is not known is none that is 0.
        if parts_lost or parts_named or minutes_e3 or cost_e6 != 0:
            yield {
                "attempt": row["attempt"],
                "day": row["day"],
                "combination": row["combination"],
                "sort": sort,
                "word": word,
                "certainty": cut.causes.get(word, "") if sort == "cause" else "",
                "parts_lost": parts_lost,
                "parts_named": parts_named,
                "rework_minutes_e3": minutes_e3,
                "cost_e6": cost_e6,
            }
