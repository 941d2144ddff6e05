"""What a comparison of recipes says, in sentences. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from worker.plates import UNKNOWN
from worker.reports.dimensions import DIMENSIONS
from worker.reports.recipe_cells import STRATUM, TASK, Read, Stratum, Task
from worker.reports.recipe_pairs import Compared, Pairing
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
) -> Iterator[str]:
    """All notes on a report. pairings: all that were made, also those that are left out of `pairs`."""
    # One pair is told whatever comes of it; of many those of which there is something to tell.
    telling = [pair for pair in pairs if len(pairs) == 1 or _tells(*pair, confidence)]
    for pair, q in telling[:MOST_SAID]:
        yield from _of_pair(pair, q, shown, confidence)
    if len(telling) > MOST_SAID:
        yield f"{len(telling) - MOST_SAID} more comparisons are not put into words: see the details"
    if alike := len(pairs) - len(telling):
        others = f"{alike} {'other ' if telling else ''}{'pair' if alike == 1 else 'pairs'} of recipes"
        yield f"chance explains all that differs between {others}, or they were never cut under like conditions"
    if len(pairs) > 1:
        yield (
            "q values allow for many pairs, the intervals do not: of those of time, rework and pierces about "
            f"{1 - confidence:.2g} lie wholly on one side where nothing differs"
        )
    if alone := sum(1 for pairing in pairings if pairing.second is None):
        cuts = "1 kind of cut was" if alone == 1 else f"{alone} kinds of cut were"
        yield f"{cuts} done with one recipe only: it is the best so far for want of another"
    if not pairs:
        yield "there is nothing to compare: no two recipes were cut of one thickness and material on one machine"
        return
    yield from _picked({pair.pairing.task: pair.pairing.picked for pair, _ in pairs}, shown)
    yield from _cautious(read, pairs)


def _picked(picks: Mapping[Task | None, str | None], shown: Shown) -> Iterator[str]:
    """How the best so far of each kind of cut was picked."""
    if "alike" in picks.values():
        yield (
            "the best so far has the highest lower limit of the yield at an equal mix of the plate conditions that "
            "another met too; it was picked by looking, which flatters it, so q values allow for all pairs of recipes"
        )
    if plain := [task for task, picked in picks.items() if task is not None and picked == "plain"]:
        more = f" and {len(plain) - 1} more kinds of cut" if len(plain) > 1 else ""
        yield (
            f"no two recipes were cut on like plate{_task(shown.stratum(plain[0]))}{more}: the first there has the "
            "highest lower limit of its plain yield, which its plate may have made"
        )


def _tells(pair: Compared, q: float | None, confidence: float) -> bool:
    """Chance does not explain all of it."""
    return pair.strata > 0 and bool(_differences(pair, q, confidence)[0])


def _cautious(read: Read, pairs: Sequence[Told]) -> Iterator[str]:
    if in_rework := sum(pair.in_rework for pair, _ in pairs):
        yield f"so far: {in_rework} of the parts compared are still in rework, which adds minutes"
    cells = [(stratum, cell) for strata in read.cells.values() for stratum, cell in strata.items()]
    if unknown := math.fsum(cell.good.n for stratum, cell in cells if UNKNOWN in stratum[len(TASK) :]):
        yield f"{unknown:.0f} parts were cut of plate whose surface or edges nobody noted: those are taken to be alike"
    if read.without_recipe:
        yield f"{read.without_recipe} parts are left out, since nobody named their recipe"
    yield (
        "thickness, material, machine, gas, surface and thermal history are held equal: parts, steel, shift and what "
        "else was changed meanwhile may differ between two recipes"
    )


def _of_pair(pair: Compared, q: float | None, shown: Shown, confidence: float) -> Iterator[str]:
    first, second = shown.recipe(pair.pairing.first), shown.recipe(pair.pairing.second)
    of = "" if pair.pairing.task is None else _task(shown.stratum(pair.pairing.task))
    if not pair.strata:
        if None not in pair.shares:
            yield f"{second} and {first} were never cut under like conditions{of}: nothing tells which is better"
        return
    if pair.hardly:
        parts = [
            f"{share or 0:.0%} of the parts of {name}" for share, name in zip(pair.shares, (first, second), strict=True)
        ]
        like = f"{second} and {first} were hardly ever cut under like conditions{of}"
        yield f"{like}: {' and '.join(parts)} can be compared"
    certain, uncertain = _differences(pair, q, confidence)
    rest = [f"chance explains the difference in {', '.join(uncertain)}"] if uncertain else []
    yield f"{second} against {first}{of}, like with like: {'; '.join([*certain, *_costs(pair), *rest])}"
    yield from _price_of_speed(pair, second)
    sameness = pair.comparison.sameness.p
    if sameness is not None and sameness < 1 - confidence:
        yield f"strata differ in what {second} does beside {first}: read the rows, the figure over all hides that"
    if (when := _apart(pair)) is not None:
        yield f"{second} was cut {when} {first}, on no day between: what else changed meanwhile counts in it"


def _task(task: Mapping[str, Any]) -> str:
    thickness, *names = task.values()
    return f" at {thickness:g} mm" + "".join(f", {name}" for name in names if name is not None)


def _apart(pair: Compared) -> str | None:
    first, second = pair.used
    if first is None or second is None:
        return None
    if second.first_day > first.last_day:
        return "only after"
    return "only before" if second.last_day < first.first_day else None


def _differences(pair: Compared, q: float | None, confidence: float) -> tuple[list[str], list[str]]:
    """(what chance does not explain, in words; names of what it does)."""
    told: list[tuple[str, str, bool]] = []
    gap, (speed, by), rework, pierces = pair.comparison.difference, pair.speed, pair.rework_difference, pair.pierces
    if gap.difference is not None:
        told.append(("yield", f"first-pass yield {_points(gap)}", q is not None and q < 1 - confidence))
    if speed.value is not None:
        told.append((f"seconds per {by}", f"{_time(speed)} machine time a {by}", speed.excludes(1.0)))
    if rework.value:
        told.append(("rework", f"{_minutes(rework)} a part{_span(rework)}", rework.excludes(0.0)))
    if pierces.difference:
        side = "more" if pierces.difference > 0 else "fewer"
        words = f"{100 * abs(pierces.difference):.2g} {side} of 100 pierces failed"
        told.append(("failed pierces", words, pierces.excludes_zero))
    certain = [words for _, words, is_certain in told if is_certain]
    return certain, [name for name, _, is_certain in told if not is_certain]


def _costs(pair: Compared) -> Iterator[str]:
    first, second = pair.costs
    if first is not None and second is not None:
        yield f"cost per good part {second:.2f} against {first:.2f}"


def _points(gap: Difference) -> str:
    value = gap.difference or 0.0
    span = "" if gap.low is None or gap.high is None else f" ({100 * gap.low:+.1f} to {100 * gap.high:+.1f})"
    return f"{100 * abs(value):.1f} points {'higher' if value > 0 else 'lower'}{span}"


def _time(speed: Limits) -> str:
    change = (speed.value or 1.0) - 1
    span = "" if speed.low is None or speed.high is None else f" ({speed.low - 1:+.0%} to {speed.high - 1:+.0%})"
    return f"{abs(change):.0%} {'less' if change < 0 else 'more'}{span}"


def _minutes(rework: Limits) -> str:
    value = rework.value or 0.0
    return f"{abs(value):.2g} rework minutes {'more' if value > 0 else 'less'}"


def _span(found: Limits) -> str:
    return "" if found.low is None or found.high is None else f" ({found.low:+.2g} to {found.high:+.2g})"


def _price_of_speed(pair: Compared, second: str | None) -> Iterator[str]:
    """That a recipe cuts faster and is paid for in rework or yield, or the other way round."""
    (speed, by), rework, gap = pair.speed, pair.rework_difference, pair.comparison.difference
    if speed.value is None or not speed.excludes(1.0):
        return
    faster = speed.value < 1
    side = 1 if faster else -1
    costs = []
    if rework.value is not None and rework.excludes(0.0) and side * rework.value > 0:
        costs.append(f"{abs(rework.value):.2g} rework minutes a part")
    if gap.difference is not None and gap.excludes_zero and side * gap.difference < 0:
        costs.append(f"{100 * abs(gap.difference):.1f} points of yield")
    if costs:
        does = "is faster and costs" if faster else "is slower and saves"
        yield f"{second} {does} {' and '.join(costs)}, against {abs(speed.value - 1):.0%} of the machine time a {by}"
