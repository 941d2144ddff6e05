"""What the runs of a trial say: effects of its factors, each planned combination, and which of these looks best."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import Final

from worker.stats.clustering import Clustered, Estimate, correlation, estimate, promising
from worker.stats.factor_model import Run
from worker.stats.factorial import Analysis, analysed
from worker.trials.judging import TrialRun
from worker.trials.planning import Level
from worker.trials.reading import Trial

CONFIDENCE: Final = 0.95


@dataclass(frozen=True)
class Combination:
    """A planned combination of levels, and what its runs that count came to. `estimate`: Wilson, by plates."""

    levels: tuple[Level, ...]
    runs: int
    x: int
    n: int
    plates: int
    estimate: Estimate


@dataclass(frozen=True)
class Told:
    """What is told of a trial. `best`: of the combinations the one with the highest lower limit, once all are cut."""

    analysis: Analysis
    combinations: tuple[Combination, ...]
    best: Combination | None


def told_by(trial: Trial) -> Told:
    """Effects and combinations of the runs that count; of each combination that was planned, and of no other."""
    places = [{level: place for place, level in enumerate(factor.levels)} for factor in trial.plan.factors]
    runs = [
        Run(tuple(place[level] for place, level in zip(places, run.levels, strict=True)), plate_of(run), run.x, run.n)
        for run in trial.counted
    ]
    combinations = _combinations(trial)
    judged = [each for each in combinations if each.estimate.low is not None]
    # The first of those that are alike: max keeps it
    best = max(judged, key=lambda each: (each.estimate.low or 0.0, each.estimate.share or 0.0), default=None)
    return Told(analysed(runs, confidence=CONFIDENCE), combinations, best if trial.is_complete else None)


def plate_of(run: TrialRun) -> str:
    """What a run shares its luck with: the plate that its attempt names, else the block of the plan."""
    return f"plate {run.plate}" if run.plate is not None else f"block {run.block}"


def _combinations(trial: Trial) -> tuple[Combination, ...]:
    mine: dict[tuple[Level, ...], list[TrialRun]] = defaultdict(list)
    for run in trial.counted:
        mine[run.levels].append(run)
    planned = trial.plan.combinations
    counts = {levels: _clustered(mine[levels]) for levels in planned}
    pooled = correlation(counts.values())
    return tuple(
        Combination(
            levels=levels,
            runs=len(mine[levels]),
            x=sum(run.x for run in mine[levels]),
            n=sum(run.n for run in mine[levels]),
            plates=counts[levels].clusters,
            estimate=estimate(promising(counts[levels], pooled=pooled), confidence=CONFIDENCE),
        )
        for levels in planned
    )


def _clustered(runs: list[TrialRun]) -> Clustered:
    plates: dict[str, tuple[int, int]] = {}
    for run in runs:
        x, n = plates.get(plate_of(run), (0, 0))
        plates[plate_of(run)] = x + run.x, n + run.n
    return Clustered.of(plates.values())
