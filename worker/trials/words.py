"""What is said of a trial in sentences: how it stands, what its effects are, what they rest on. Pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Any, Final

from worker.sentences import Figure, Sentence, counted, figure, joined, sentence
from worker.stats.factorial import Analysis, Effect
from worker.trials.analysis import Combination, Told
from worker.trials.judging import LEFT_OUT, WAITING, TrialRun
from worker.trials.planning import SETTINGS, Factor, Level, said_level
from worker.trials.reading import CONCLUDED, PLANNED, STOPPED, Trial

#: What is counted of each run.
RESPONSES: Final[Mapping[str, Sentence]] = {
    "first_pass": sentence("parts good the first time"),
    "pierces": sentence("pierces that went through at the first try"),
}
RULES: Final[Mapping[str, Sentence]] = {
    "first_pass": sentence(
        "a run counts with the parts of its attempt that are good at the first verdict, of those that were judged; "
        "parts lost to a confirmed cause that is not the process are left out, and so is a run with parts that wait"
    ),
    "pierces": sentence(
        "a run counts with the pierces of its attempt that went through at the first try, of all its pierces"
    ),
}
EVIDENCE: Final = sentence(
    "which planned level looks best is evidence from these cuts, not a permission to use it: it was picked by looking, "
    "so its figure flatters it; cut it again before it is released"
)
_SEVERAL: Final = sentence(
    "an effect is told when its interval at 95 % excludes none, and still does when all that were looked at are "
    "allowed for (Benjamini and Hochberg, 5 %)"
)
_MOST_NAMED: Final = 20


def settled_words(factors: Sequence[Factor], levels: Iterable[Level]) -> Sentence:
    """A combination of levels in words."""
    said = (
        sentence("%(setting)s %(level)s", setting=SETTINGS[factor.name], level=said_level(level))
        for factor, level in zip(factors, levels, strict=True)
    )
    return joined(", ", said)


# --- how it stands ----------------------------------------------------------------------------------------------


def state_of(trial: Trial) -> Sentence:
    """How a trial stands, and what comes next, in a sentence."""
    so_far = sentence("%(cut)s of %(runs)s runs cut", cut=len(trial.cut), runs=len(trial.runs))
    if trial.state == CONCLUDED:
        return sentence("concluded: %(so_far)s", so_far=so_far)
    if trial.state == STOPPED:
        return sentence(
            "stop: %(failed)s runs failed, and %(limit)s end the trial by its own rule; cut no more of it (%(so_far)s)",
            failed=trial.failed,
            limit=trial.plan.stop_failed_runs,
            so_far=so_far,
        )
    following = trial.next_run
    if following is None:
        waiting = any(run.state == WAITING for run in trial.runs)
        last = sentence("its last parts wait for their verdict") if waiting else sentence("conclude it")
        return sentence("%(so_far)s: %(last)s", so_far=so_far, last=last)
    beginning = sentence("planned") if trial.state == PLANNED else so_far
    return sentence(
        "%(so_far)s; next by the sheet: run %(run)s with %(levels)s",
        so_far=beginning,
        run=following.number,
        levels=settled_words(trial.plan.factors, following.levels),
    )


# --- effects ----------------------------------------------------------------------------------------------------


def said_effect(trial: Trial, effect: Effect) -> Sentence:
    """An effect in plain words."""
    factors = [trial.plan.factors[place] for place in effect.factors]
    if len(factors) > 1:
        one, other = (SETTINGS[factor.name] for factor in factors)
        if effect.told:
            return sentence("what %(one)s does depends on %(other)s", one=one, other=other)
        return sentence("nothing shows that what %(one)s does depends on %(other)s", one=one, other=other)
    (factor,), gap, shares = factors, effect.difference or (0.0, 0.0, 0.0), effect.shares or (0.0, 0.0)
    values: dict[str, Any] = {
        "setting": SETTINGS[factor.name],
        "level": said_level(factor.levels[effect.levels[0]]),
        "first": said_level(factor.levels[effect.against[0]]),
        "counted": RESPONSES[trial.plan.response],
        "before": _points(shares[0]),
        "after": _points(shares[1]),
        "gap": figure(100 * gap[0], "+.1f"),
        "low": figure(100 * gap[1], "+.1f"),
        "high": figure(100 * gap[2], "+.1f"),
    }
    if effect.told:
        return sentence(
            "%(setting)s %(level)s instead of %(first)s changes %(counted)s by %(gap)s percentage points (%(low)s to "
            "%(high)s), from %(before)s %% to %(after)s %%",
            **values,
        )
    if effect.low > 1 or (effect.high is not None and effect.high < 1):
        return sentence(
            "%(setting)s %(level)s instead of %(first)s: by itself it would be told, but among so many effects one may "
            "look so by chance; %(gap)s percentage points (%(low)s to %(high)s), from %(before)s %% to %(after)s %% "
            "%(counted)s",
            **values,
        )
    return sentence(
        "%(setting)s %(level)s instead of %(first)s: not told from chance; %(gap)s percentage points (%(low)s to "
        "%(high)s), from %(before)s %% to %(after)s %% %(counted)s",
        **values,
    )


def said_best(trial: Trial, best: Combination) -> Sentence:
    """Which planned combination looks best, with its interval."""
    found = best.estimate
    return sentence(
        "of the planned levels %(levels)s looks best: %(x)s of %(n)s %(counted)s, %(low)s to %(high)s %%; evidence, "
        "not a permission",
        levels=settled_words(trial.plan.factors, best.levels),
        x=best.x,
        n=best.n,
        counted=RESPONSES[trial.plan.response],
        low=_points(found.low),
        high=_points(found.high),
    )


def _points(share: float | None) -> Figure:
    return figure(100 * (share or 0.0), ".1f")


# --- what it rests on -------------------------------------------------------------------------------------------


def notes_of(trial: Trial, told: Told) -> Iterator[Sentence]:
    """What to know of a trial and of its effects."""
    yield RULES[trial.plan.response]
    yield from _of_runs(trial)
    yield from _of_plan(trial)
    yield from _of_effects(trial, told.analysis)
    if told.best is not None:
        yield EVIDENCE


def _of_runs(trial: Trial) -> Iterator[Sentence]:
    waiting = [run.number for run in trial.runs if run.state == WAITING]
    if waiting:
        yield sentence(
            "cut, but not known or judged to the end, and so in no effect: runs %(runs)s", runs=_named(waiting)
        )
    by_reason: dict[Sentence, list[int]] = defaultdict(list)
    for run in trial.runs:
        if run.state == LEFT_OUT and run.reason is not None:
            by_reason[run.reason].append(run.number)
    for reason in sorted(by_reason):
        yield sentence("left out: runs %(runs)s (%(reason)s)", runs=_named(by_reason[reason]), reason=reason)
    otherwise = [run.number for run in trial.cut if run.purpose is not None and run.purpose != "trial"]
    if otherwise:
        yield sentence(
            "the attempts of runs %(runs)s are not entered for the purpose trial, so reports of production or proofs "
            "count them too",
            runs=_named(otherwise),
        )
    lost = sum(run.lost_otherwise for run in trial.runs)
    if lost:
        yield counted(
            lost,
            "%(count)s part was lost to a cause that is not the process, and is left out",
            "%(count)s parts were lost to causes that are not the process, and are left out",
        )


def _of_plan(trial: Trial) -> Iterator[Sentence]:
    started = [run.started_us for run in trial.cut if run.started_us is not None]
    if started and min(started) < trial.received_us:
        yield sentence(
            "the plan came into the ledger after its first runs were cut: nothing shows that its order was drawn before"
        )
    if any(later < earlier for earlier, later in pairwise(started)):
        yield sentence("the order of the sheet was not kept: what drifts may look like an effect")
    if mixed := sorted(block for block, plates in _plates(trial.counted).items() if len(plates) > 1):
        yield sentence(
            "blocks %(blocks)s were cut from more than one plate; plates are told apart as they were cut",
            blocks=_named(mixed),
        )
    if trial.unplanned:
        yield sentence("entered as cut, but not on the sheet: runs %(runs)s", runs=_named(trial.unplanned))
    if trial.others:
        yield counted(
            trial.others,
            "another plan came under this id later, and is none",
            "%(count)s other plans came under this id later, and are none",
        )


def _plates(runs: Iterable[TrialRun]) -> dict[int, set[str]]:
    found: dict[int, set[str]] = defaultdict(set)
    for run in runs:
        if run.block is not None and run.plate is not None:
            found[run.block].add(run.plate)
    return found


def _of_effects(trial: Trial, analysis: Analysis) -> Iterator[Sentence]:
    if analysis.reason is not None:
        yield sentence("no effect is told: %(reason)s", reason=analysis.reason)
    elif analysis.method is not None:
        yield sentence(
            "effects by binomial regression, %(method)s, %(counted)s; runs vary %(over)s times as much as independent "
            "parts would, which the intervals allow for",
            method=analysis.method,
            counted=sentence("within plates") if analysis.blocks else sentence("over all runs"),
            over=figure(analysis.overdispersion, ".2f"),
        )
        yield _SEVERAL
    yield from analysis.caveats
    for place, reason in analysis.left_out:
        setting = SETTINGS[trial.plan.factors[place].name]
        yield sentence("no effect of %(setting)s: %(reason)s", setting=setting, reason=reason)
    if analysis.uninformative:
        yield counted(
            analysis.uninformative,
            "%(count)s plate, all good or all bad, tells nothing of effects; it counts as no difference",
            "%(count)s plates, all good or all bad, tell nothing of effects; they count as no difference",
        )


def _named(numbers: Sequence[int]) -> str:
    shown = ", ".join(map(str, numbers[:_MOST_NAMED]))
    return shown if len(numbers) <= _MOST_NAMED else f"{shown}, ..."
