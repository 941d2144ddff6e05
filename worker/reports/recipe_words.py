"""What a comparison of recipes says, in sentences. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from worker.plates import UNKNOWN
from worker.reports.dimensions import DIMENSIONS
from worker.reports.recipe_cells import STRATUM, TASK, Read, Stratum, Task
from worker.reports.recipe_pairs import Both, Compared, Pairing
from worker.sentences import Figure, Sentence, counted, figure, joined, sentence
from worker.stats.differences import Difference
from worker.stats.ratios import Limits

#: So many comparisons are put into sentences; all stand in the details.
MOST_SAID: Final = 12
#: A comparison with its q value.
Told = tuple[Compared, float | None]


class Shown:
    """Stored values as they are shown."""

    def __init__(self, names: Mapping[str, Mapping[str, str]]) -> None:
        self._names = names

    def recipe(self, key: str | None) -> str | None:
        """A recipe's name."""
        return None if key is None else self._names["recipe"].get(key, key)

    def stratum(self, stratum: Stratum) -> dict[str, Any]:
        """Columns of a stratum, or of a task, which is the beginning of one."""
        return {
            DIMENSIONS[name].label: self._names.get(name, {}).get(stored, DIMENSIONS[name].show(stored))
            for name, stored in zip(STRATUM, stratum, strict=False)
        }


def said(
    read: Read, pairs: Sequence[Told], pairings: Sequence[Pairing], shown: Shown, *, confidence: float
) -> Iterator[Sentence]:
    """All notes on a report. pairings: all that were made, also those that are left out of `pairs`."""
    # One pair is told whatever comes of it; of many those of which there is something to tell.
    telling = [pair for pair in pairs if len(pairs) == 1 or _tells(*pair, confidence)]
    for pair, q in telling[:MOST_SAID]:
        yield from _of_pair(pair, q, shown, confidence)
    if len(telling) > MOST_SAID:
        yield sentence(
            "%(more)s more comparisons are not put into words: see the details", more=len(telling) - MOST_SAID
        )
    if alike := len(pairs) - len(telling):
        yield _by_chance(alike, others=bool(telling))
    if len(pairs) > 1:
        yield sentence(
            "q values allow for many pairs, the intervals do not: of those of time, rework and pierces about "
            "%(share)s lie wholly on one side where nothing differs",
            share=figure(1 - confidence, ".2g"),
        )
    if alone := sum(1 for pairing in pairings if pairing.second is None):
        yield counted(
            alone,
            "%(count)s kind of cut was done with one recipe only: it is the best so far for want of another",
            "%(count)s kinds of cut were done with one recipe only: it is the best so far for want of another",
        )
    if not pairs:
        yield sentence(
            "there is nothing to compare: no two recipes were cut of one thickness and material on one machine"
        )
        return
    yield from _picked({pair.pairing.task: pair.pairing.picked for pair, _ in pairs}, shown)
    yield from _cautious(read, pairs)


def _by_chance(pairs: int, *, others: bool) -> Sentence:
    """What is said of pairs of which there is nothing to tell; others: some were told before."""
    if others:
        return counted(
            pairs,
            "chance explains all that differs between %(count)s other pair of recipes, or they were never cut under "
            "like conditions",
            "chance explains all that differs between %(count)s other pairs of recipes, or they were never cut under "
            "like conditions",
        )
    return counted(
        pairs,
        "chance explains all that differs between %(count)s pair of recipes, or they were never cut under like "
        "conditions",
        "chance explains all that differs between %(count)s pairs of recipes, or they were never cut under like "
        "conditions",
    )


def _picked(picks: Mapping[Task | None, str | None], shown: Shown) -> Iterator[Sentence]:
    """How the best so far of each kind of cut was picked."""
    if "alike" in picks.values():
        yield sentence(
            "the best so far has the highest lower limit of the yield at an equal mix of the plate conditions that "
            "another met too; it was picked by looking, which flatters it, so q values allow for all pairs of recipes"
        )
    if plain := [task for task, picked in picks.items() if task is not None and picked == "plain"]:
        task, more = _task(shown.stratum(plain[0])), len(plain) - 1
        if more:
            yield sentence(
                "no two recipes were cut on like plate %(task)s and %(more)s more kinds of cut: the first there has "
                "the highest lower limit of its plain yield, which its plate may have made",
                task=task,
                more=more,
            )
        else:
            yield sentence(
                "no two recipes were cut on like plate %(task)s: the first there has the highest lower limit of its "
                "plain yield, which its plate may have made",
                task=task,
            )


def _tells(pair: Compared, q: float | None, confidence: float) -> bool:
    """Chance does not explain all of it."""
    return pair.strata > 0 and bool(_differences(pair, q, confidence)[0])


def _cautious(read: Read, pairs: Sequence[Told]) -> Iterator[Sentence]:
    if in_rework := sum(pair.in_rework for pair, _ in pairs):
        yield sentence(
            "so far: %(parts)s of the parts compared are still in rework, which adds minutes", parts=in_rework
        )
    cells = [(stratum, cell) for strata in read.cells.values() for stratum, cell in strata.items()]
    if unknown := math.fsum(cell.good.n for stratum, cell in cells if UNKNOWN in stratum[len(TASK) :]):
        yield sentence(
            "%(parts)s parts were cut of plate whose surface or edges nobody noted: those are taken to be alike",
            parts=figure(unknown, ".0f"),
        )
    if read.without_recipe:
        yield sentence("%(parts)s parts are left out, since nobody named their recipe", parts=read.without_recipe)
    yield sentence(
        "thickness, material, machine, gas, surface and thermal history are held equal: parts, steel, shift and what "
        "else was changed meanwhile may differ between two recipes"
    )


def _of_pair(pair: Compared, q: float | None, shown: Shown, confidence: float) -> Iterator[Sentence]:
    first, second = shown.recipe(pair.pairing.first), shown.recipe(pair.pairing.second)
    task = None if pair.pairing.task is None else _task(shown.stratum(pair.pairing.task))
    if not pair.strata:
        if None not in pair.shares:
            yield _never(first, second, task)
        return
    if pair.hardly:
        yield _hardly(first, second, task, pair.shares)
    certain, uncertain = _differences(pair, q, confidence)
    rest = (
        [sentence("chance explains the difference in %(figures)s", figures=joined(", ", uncertain))]
        if uncertain
        else []
    )
    yield _against(first, second, task, joined("; ", [*certain, *_costs(pair), *rest]))
    yield from _price_of_speed(pair, second)
    sameness = pair.comparison.sameness.p
    if sameness is not None and sameness < 1 - confidence:
        yield sentence(
            "strata differ in what %(second)s does beside %(first)s: read the rows, the figure over all hides that",
            first=first,
            second=second,
        )
    yield from _apart(pair, first, second)


def _task(task: Mapping[str, Any]) -> Sentence:
    """Where a task was cut: at its thickness, and of what is known of it beside that."""
    thickness, *names = task.values()
    at = sentence("at %(thickness)s mm", thickness=figure(thickness, "g"))
    return joined(", ", [at, *(name for name in names if name is not None)])


def _never(first: str | None, second: str | None, task: Sentence | None) -> Sentence:
    if task is None:
        return sentence(
            "%(second)s and %(first)s were never cut under like conditions: nothing tells which is better",
            first=first,
            second=second,
        )
    return sentence(
        "%(second)s and %(first)s were never cut under like conditions %(task)s: nothing tells which is better",
        first=first,
        second=second,
        task=task,
    )


def _hardly(first: str | None, second: str | None, task: Sentence | None, shares: Both) -> Sentence:
    of_first, of_second = (figure(share or 0, ".0%") for share in shares)
    if task is None:
        return sentence(
            "%(second)s and %(first)s were hardly ever cut under like conditions: %(of_first)s of the parts of "
            "%(first)s and %(of_second)s of the parts of %(second)s can be compared",
            first=first,
            second=second,
            of_first=of_first,
            of_second=of_second,
        )
    return sentence(
        "%(second)s and %(first)s were hardly ever cut under like conditions %(task)s: %(of_first)s of the parts of "
        "%(first)s and %(of_second)s of the parts of %(second)s can be compared",
        first=first,
        second=second,
        task=task,
        of_first=of_first,
        of_second=of_second,
    )


def _against(first: str | None, second: str | None, task: Sentence | None, told: Sentence) -> Sentence:
    if task is None:
        return sentence("%(second)s against %(first)s, like with like: %(told)s", first=first, second=second, told=told)
    return sentence(
        "%(second)s against %(first)s %(task)s, like with like: %(told)s",
        first=first,
        second=second,
        task=task,
        told=told,
    )


def _apart(pair: Compared, first: str | None, second: str | None) -> Iterator[Sentence]:
    """That the two were cut one after the other."""
    of_first, of_second = pair.used
    if of_first is None or of_second is None:
        return
    if of_second.first_day > of_first.last_day:
        yield sentence(
            "%(second)s was cut only after %(first)s, on no day between: what else changed meanwhile counts in it",
            first=first,
            second=second,
        )
    elif of_second.last_day < of_first.first_day:
        yield sentence(
            "%(second)s was cut only before %(first)s, on no day between: what else changed meanwhile counts in it",
            first=first,
            second=second,
        )


def _differences(pair: Compared, q: float | None, confidence: float) -> tuple[list[Sentence], list[Sentence]]:
    """(what chance does not explain, in words; names of what it does)."""
    told: list[tuple[Sentence, Sentence, bool]] = []
    gap, (speed, by), rework, pierces = pair.comparison.difference, pair.speed, pair.rework_difference, pair.pierces
    if gap.difference is not None:
        told.append((sentence("yield"), _points(gap), q is not None and q < 1 - confidence))
    if speed.value is not None:
        told.append((*_time(speed, by), speed.excludes(1.0)))
    if rework.value:
        told.append((sentence("rework"), _minutes(rework), rework.excludes(0.0)))
    if pierces.difference:
        number = figure(100 * abs(pierces.difference), ".2g")
        words = (
            sentence("%(number)s more of 100 pierces failed", number=number)
            if pierces.difference > 0
            else sentence("%(number)s fewer of 100 pierces failed", number=number)
        )
        told.append((sentence("failed pierces"), words, pierces.excludes_zero))
    certain = [words for _, words, is_certain in told if is_certain]
    return certain, [name for name, _, is_certain in told if not is_certain]


def _costs(pair: Compared) -> Iterator[Sentence]:
    first, second = pair.costs
    if first is not None and second is not None:
        yield sentence(
            "cost per good part %(second)s against %(first)s", first=figure(first, ".2f"), second=figure(second, ".2f")
        )


def _points(gap: Difference) -> Sentence:
    value = gap.difference or 0.0
    points = figure(100 * abs(value), ".1f")
    words = (
        sentence("first-pass yield %(points)s points higher", points=points)
        if value > 0
        else sentence("first-pass yield %(points)s points lower", points=points)
    )
    if gap.low is None or gap.high is None:
        return words
    return _within(words, figure(100 * gap.low, "+.1f"), figure(100 * gap.high, "+.1f"))


def _time(speed: Limits, by: str) -> tuple[Sentence, Sentence]:
    """(name of the figure, what it says): machine time by the metre or by the part."""
    change = (speed.value or 1.0) - 1
    share = figure(abs(change), ".0%")
    words = sentence("%(share)s less", share=share) if change < 0 else sentence("%(share)s more", share=share)
    if speed.low is not None and speed.high is not None:
        words = _within(words, figure(speed.low - 1, "+.0%"), figure(speed.high - 1, "+.0%"))
    if by == "metre":
        return sentence("seconds per metre"), sentence("%(change)s machine time a metre", change=words)
    return sentence("seconds per part"), sentence("%(change)s machine time a part", change=words)


def _minutes(rework: Limits) -> Sentence:
    value = rework.value or 0.0
    minutes = figure(abs(value), ".2g")
    words = (
        sentence("%(minutes)s rework minutes more a part", minutes=minutes)
        if value > 0
        else sentence("%(minutes)s rework minutes less a part", minutes=minutes)
    )
    if rework.low is None or rework.high is None:
        return words
    return _within(words, figure(rework.low, "+.2g"), figure(rework.high, "+.2g"))


def _within(words: Sentence, low: Figure, high: Figure) -> Sentence:
    """A difference with its interval."""
    return sentence("%(difference)s (%(low)s to %(high)s)", difference=words, low=low, high=high)


def _price_of_speed(pair: Compared, second: str | None) -> Iterator[Sentence]:
    """That a recipe cuts faster and is paid for in rework or yield, or the other way round."""
    (speed, by), rework, gap = pair.speed, pair.rework_difference, pair.comparison.difference
    if speed.value is None or not speed.excludes(1.0):
        return
    faster = speed.value < 1
    side = 1 if faster else -1
    costs = []
    if rework.value is not None and rework.excludes(0.0) and side * rework.value > 0:
        costs.append(sentence("%(minutes)s rework minutes a part", minutes=figure(abs(rework.value), ".2g")))
    if gap.difference is not None and gap.excludes_zero and side * gap.difference < 0:
        costs.append(sentence("%(points)s points of yield", points=figure(100 * abs(gap.difference), ".1f")))
    if not costs:
        return
    price = costs[0] if len(costs) == 1 else sentence("%(one)s and %(other)s", one=costs[0], other=costs[1])
    share = figure(abs(speed.value - 1), ".0%")
    time = (
        sentence("%(share)s of the machine time a metre", share=share)
        if by == "metre"
        else sentence("%(share)s of the machine time a part", share=share)
    )
    if faster:
        yield sentence(
            "%(second)s is faster and costs %(price)s, against %(time)s", second=second, price=price, time=time
        )
    else:
        yield sentence(
            "%(second)s is slower and saves %(price)s, against %(time)s", second=second, price=price, time=time
        )
