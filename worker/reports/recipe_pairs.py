"""Two recipes over the strata that both were cut in, and which recipes are held against each other. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from worker.measures import E3, E6
from worker.reports.recipe_cells import SUMMED, TASK, Cell, Read, Stratum, Task, Used
from worker.sentences import sentence
from worker.sites import Settings
from worker.stats.clustering import Clustered, Effective, correlation, effective, estimate
from worker.stats.differences import Difference
from worker.stats.multiplicity import benjamini_hochberg
from worker.stats.ratios import Limits, Rate, difference_of, limits_of, quotient_of, rate_of, weighted_rate
from worker.stats.strata import Comparison, compared, pooled_difference
from worker.stats.strata import Stratum as Groups

#: Below this share of its parts under conditions that the other was cut under too, a recipe was hardly ever compared.
HARDLY: Final = 0.2
BETTER: Final = "better"
WORSE: Final = "worse"
NO_DIFFERENCE: Final = "no difference shown"
NEVER: Final = sentence("never cut under like conditions")
HARDLY_EVER: Final = sentence("hardly ever cut under like conditions")
_NO_PARTS: Final = Cell(Clustered.of(()), Clustered.of(()), dict.fromkeys(SUMMED, 0))

#: A figure of the first and of the second.
Both = tuple[float | None, float | None]
#: (amount, size) of each plate.
Plates = Sequence[tuple[float, float]]


@dataclass(frozen=True)
class Pairing:
    """Two recipes to compare over strata; `task` None: over all of them. second None: none was cut beside the first.

    `picked`: where the first is the best so far, whether it is so under like conditions, or by its plain yield.
    """

    first: str
    second: str | None
    task: Task | None
    strata: tuple[Stratum, ...]
    picked: Literal["alike", "plain"] | None = None

    def cells(self, read: Read, stratum: Stratum) -> tuple[Cell, Cell]:
        """Both in a stratum; without parts where one was not cut in it."""
        of_second = read.cells.get(self.second, {}) if self.second else {}
        return read.cells.get(self.first, {}).get(stratum, _NO_PARTS), of_second.get(stratum, _NO_PARTS)


@dataclass(frozen=True)
class Alike:
    """Correlation of good parts of a plate, and of failed pierces of an attempt, over the whole report."""

    parts: float | None
    pierces: float | None

    @classmethod
    def of(cls, read: Read) -> Alike:
        """Over all cells."""
        cells = [cell for strata in read.cells.values() for cell in strata.values()]
        return cls(correlation(cell.good for cell in cells), correlation(cell.failed_pierces for cell in cells))


def shared_out(counts: Clustered, alike: float | None) -> Effective:
    """Effective counts by the correlation of the whole report."""
    return effective(counts, pooled=alike, own=False)


def last(value: Any) -> tuple[bool, Any]:
    """Order in which what is not known comes last."""
    return (value is None, 0 if value is None else value)


# --- which are compared -----------------------------------------------------------------------------------------


def pairings_of(
    read: Read, first: str | None, second: str | None, alike: Alike, *, confidence: float
) -> tuple[list[Pairing], int]:
    """(what is compared, how many pairs were looked at for it): these two, or the first against all others.

    Without a first: of each task its best recipe so far against the others. As it was picked by looking, all pairs of
    the task count as looked at.
    """
    if first is None:
        return _by_task(read, alike, confidence=confidence)
    of_first = read.cells.get(first, {})
    if second is not None:
        others = [second]
    else:
        others = sorted(other for other, strata in read.cells.items() if other != first and of_first.keys() & strata)
    pairings = [Pairing(first, other, None, _union(of_first, read.cells.get(other, {}))) for other in others]
    return pairings, len(pairings)


def _by_task(read: Read, alike: Alike, *, confidence: float) -> tuple[list[Pairing], int]:
    tasks: dict[Task, dict[str, dict[Stratum, Cell]]] = {}
    for recipe, strata in read.cells.items():
        for stratum, cell in strata.items():
            tasks.setdefault(stratum[: len(TASK)], {}).setdefault(recipe, {})[stratum] = cell
    pairings: list[Pairing] = []
    for task in sorted(tasks, key=lambda task: [last(value) for value in task]):
        recipes = tasks[task]
        best, pick = _best(recipes, alike, confidence=confidence)
        others = sorted(recipes.keys() - {best})
        pairings += [Pairing(best, other, task, _union(recipes[best], recipes[other]), pick) for other in others]
        if not others:
            pairings.append(Pairing(best, None, task, _union(recipes[best])))
    return pairings, sum(math.comb(len(recipes), 2) for recipes in tasks.values())


def most_telling(read: Read, pairings: Sequence[Pairing], most: int) -> list[Pairing]:
    """So many of them, in their order: those that can be compared over the most parts, then by names.

    A pair tells as much of a stratum as the weight of Mantel and Haenszel; one without a second comes last.
    """
    if len(pairings) <= most:
        return list(pairings)

    def rank(which: int) -> tuple[bool, float, int]:
        pairing = pairings[which]
        cells = (pairing.cells(read, stratum) for stratum in pairing.strata)
        parts = [(first.good.n, second.good.n) for first, second in cells]
        if pairing.second is None:
            return True, -math.fsum(n for n, _ in parts), which
        return False, -math.fsum(n * m / (n + m) for n, m in parts if n and m), which

    return [pairings[which] for which in sorted(sorted(range(len(pairings)), key=rank)[:most])]


def _union(*strata: Iterable[Stratum]) -> tuple[Stratum, ...]:
    return tuple(sorted(set().union(*strata), key=lambda stratum: [last(value) for value in stratum]))


def _best(
    recipes: Mapping[str, Mapping[Stratum, Cell]], alike: Alike, *, confidence: float
) -> tuple[str, Literal["alike", "plain"]]:
    """(recipe with the highest lower limit of the yield, of equal ones the most cut; how it was picked).

    At the mix of conditions of all, by indirect standardisation: a recipe that met more rusty plate is not thought less
    of for that. Only over strata that another recipe was cut in: beside none, every recipe is as good as expected.
    Where none is common to two, by the plain yield.
    """
    by_stratum: dict[Stratum, list[Clustered]] = {}
    for cells in recipes.values():
        for stratum, cell in cells.items():
            if cell.good.n:
                by_stratum.setdefault(stratum, []).append(cell.good)
    usual = {stratum: Clustered.total(goods) for stratum, goods in by_stratum.items() if len(goods) > 1}

    def rank(recipe: str) -> tuple[float, float, str]:
        of = {stratum: cell.good for stratum, cell in recipes[recipe].items() if stratum in usual or not usual}
        counts = Clustered.total(of.values())
        low = estimate(shared_out(counts, alike.parts), confidence=confidence).low or 0.0
        expected = math.fsum(good.n * usual[stratum].x / usual[stratum].n for stratum, good in of.items() if usual)
        # Rounded, so that equal recipes are equal whatever the order of their sums.
        above = round(low * counts.n / expected if expected else low, 12)
        return -above, -counts.n, recipe

    compared_ones = [recipe for recipe in recipes if not usual or usual.keys() & recipes[recipe].keys()]
    return min(compared_ones, key=rank), "alike" if usual else "plain"


# --- one stratum ------------------------------------------------------------------------------------------------


def usual_rework(cells: Iterable[Cell]) -> float | None:
    """Minutes a part on the plates that needed rework."""
    plates = [plate for cell in cells for plate in cell.rework_per_part if plate[0] > 0]
    return math.fsum(minutes for minutes, _ in plates) / math.fsum(parts for _, parts in plates) if plates else None


def cost_per_good_part(cell: Cell, stratum: Stratum, settings: Settings) -> float | None:
    """Machine time, rework and scrap at the site's rates by good parts, all attempts; None while one is not known.

    Attempts without a time are taken to be as long as the others.
    """
    sums = cell.sums
    _, material, machine = stratum[:3]
    hourly, labour, price = (
        settings.machine_per_hour(machine),
        settings.labour_per_hour,
        settings.material_per_kg(material),
    )
    good, timed = sums["good"] + sums["recovered"], sums["attempts"] - sums["attempts_without_seconds"]
    if hourly is None or labour is None or price is None or not good or not timed:
        return None
    hours = sums["cutting_ms"] / E3 / 3600 * sums["attempts"] / timed
    rework_hours, scrap_kg = sums["rework_minutes_e3"] / E3 / 60, sums["scrap_mass_mg"] / E6
    return (hours * hourly + rework_hours * labour + scrap_kg * price) / good


# --- all strata -------------------------------------------------------------------------------------------------


def compared_yields(
    pairs: Sequence[tuple[Clustered, Clustered]], *, pooled: float | None, confidence: float
) -> Comparison:
    """Second against first over strata, each given as (first, second): differences are second less first."""
    strata = [Groups(shared_out(second, pooled), shared_out(first, pooled)) for first, second in pairs]
    return compared(strata, confidence=confidence)


def _weighted(strata: Iterable[tuple[float, float, float | None, float | None]]) -> Both:
    """Means of a figure of both, each stratum given as (parts of first, of second, figure of first, of second).

    Weighted as the pooled difference of Mantel and Haenszel is. None while a figure of one stratum is not known.
    """
    kept = [(n1 * n2 / (n1 + n2), one, other) for n1, n2, one, other in strata if n1 and n2]
    if not kept or any(one is None or other is None for _, one, other in kept):
        return None, None
    whole = math.fsum(weight for weight, _, _ in kept)
    return (
        math.fsum(weight * (one or 0.0) for weight, one, _ in kept) / whole,
        math.fsum(weight * (other or 0.0) for weight, _, other in kept) / whole,
    )


def _shares(pairs: Iterable[tuple[Clustered, Clustered]], alike: float | None) -> Both:
    counted = [(shared_out(first, alike), shared_out(second, alike)) for first, second in pairs]
    return _weighted((one.n, other.n, one.x / one.n, other.x / other.n) for one, other in counted if one.n and other.n)


@dataclass(frozen=True)
class Rates:
    """Rates of both at one mix of the strata in which both have one; None where there is no such stratum."""

    first: Rate | None
    second: Rate | None

    @classmethod
    def of(cls, pairs: Iterable[tuple[Plates, Plates]]) -> Rates:
        """Of what the plates of each stratum took; strata weighted as Mantel and Haenszel do, by their sizes."""
        strata: list[tuple[float, Rate, Rate]] = []
        for plates, other_plates in pairs:
            one, other = rate_of(plates), rate_of(other_plates)
            if one is not None and other is not None:
                size, other_size = (math.fsum(size for _, size in each) for each in (plates, other_plates))
                strata.append((size * other_size / (size + other_size), one, other))
        return cls(
            weighted_rate([(weight, one) for weight, one, _ in strata]),
            weighted_rate([(weight, other) for weight, _, other in strata]),
        )

    @property
    def both(self) -> Both:
        """The two rates."""
        first, second = (None if one is None else one.rate for one in (self.first, self.second))
        return first, second


@dataclass(frozen=True)
class Compared:
    """Two recipes over the strata that both were cut in. Differences are second less first, ratios second over first.

    `shares`: of the parts of each those in these strata. `costs`: per good part. `in_rework`: parts still in rework.
    """

    pairing: Pairing
    used: tuple[Used | None, Used | None]
    strata: int
    shares: Both
    comparison: Comparison
    yields: Both
    pierces: Difference
    failed_pierces: Both
    per_metre: Rates
    per_metre_ratio: Limits
    per_part: Rates
    per_part_ratio: Limits
    rework: Rates
    rework_difference: Limits
    in_rework: int
    costs: Both

    @classmethod
    def of(cls, read: Read, pairing: Pairing, settings: Settings, alike: Alike, *, confidence: float) -> Compared:
        """Of their cells."""
        by_stratum = {stratum: pairing.cells(read, stratum) for stratum in pairing.strata}
        common = {stratum: pair for stratum, pair in by_stratum.items() if all(cell.good.n for cell in pair)}
        pairs = list(common.values())
        goods = [(first.good, second.good) for first, second in pairs]
        failed = [(first.failed_pierces, second.failed_pierces) for first, second in pairs]
        groups = [
            Groups(shared_out(second, alike.pierces), shared_out(first, alike.pierces)) for first, second in failed
        ]
        per_metre = Rates.of((first.seconds_per_metre, second.seconds_per_metre) for first, second in pairs)
        per_part = Rates.of((first.seconds_per_part, second.seconds_per_part) for first, second in pairs)
        rework = Rates.of((first.rework_per_part, second.rework_per_part) for first, second in pairs)
        usual = usual_rework(cell for pair in pairs for cell in pair)
        minutes = [limits_of(rate, confidence=confidence, usual=usual) for rate in (rework.second, rework.first)]
        return cls(
            pairing=pairing,
            used=(read.used.get(pairing.first), read.used.get(pairing.second or "")),
            strata=len(common),
            shares=(_share_of(by_stratum.values(), pairs, 0), _share_of(by_stratum.values(), pairs, 1)),
            comparison=compared_yields(goods, pooled=alike.parts, confidence=confidence),
            yields=_shares(goods, alike.parts),
            pierces=pooled_difference(groups, confidence=confidence),
            failed_pierces=_shares(failed, alike.pierces),
            per_metre=per_metre,
            per_metre_ratio=quotient_of(per_metre.second, per_metre.first, confidence=confidence),
            per_part=per_part,
            per_part_ratio=quotient_of(per_part.second, per_part.first, confidence=confidence),
            rework=rework,
            rework_difference=difference_of(*minutes),
            in_rework=sum(cell.sums["in_rework"] for pair in pairs for cell in pair),
            costs=_weighted(
                (
                    first.good.n,
                    second.good.n,
                    cost_per_good_part(first, stratum, settings),
                    cost_per_good_part(second, stratum, settings),
                )
                for stratum, (first, second) in common.items()
            ),
        )

    @property
    def speed(self) -> tuple[Limits, str]:
        """(machine time, second over first; by what): by the metre where lengths are known, else by the part."""
        by_metre = self.per_metre_ratio.value is not None
        return (self.per_metre_ratio, "metre") if by_metre else (self.per_part_ratio, "part")

    @property
    def hardly(self) -> bool:
        """Most of what was cut with one of them was cut under conditions that the other never met."""
        return any(share is None or share < HARDLY for share in self.shares)

    @property
    def reason(self) -> str | None:
        """What it lacks, or rests on."""
        if not self.strata:
            return NEVER
        return HARDLY_EVER if self.hardly else self.comparison.reason or self.comparison.sameness.reason

    def verdict(self, q: float | None, *, confidence: float) -> str | None:
        """The second's yield; None: nothing to tell."""
        difference = self.comparison.difference.difference
        if q is None or difference is None:
            return None
        if q >= 1 - confidence or not difference:
            return NO_DIFFERENCE
        return BETTER if difference > 0 else WORSE


def _share_of(every: Iterable[tuple[Cell, Cell]], common: Iterable[tuple[Cell, Cell]], which: int) -> float | None:
    whole = math.fsum(pair[which].good.n for pair in every)
    return math.fsum(pair[which].good.n for pair in common) / whole if whole else None


def q_values(pairs: Sequence[Compared], looked_at: int) -> list[float | None]:
    """The q value of each pair. Pairs that were looked at and are not shown count as tests that found nothing."""
    p_values = [pair.comparison.p for pair in pairs]
    return benjamini_hochberg([*p_values, *[1.0] * (looked_at - len(pairs))])[: len(pairs)]
